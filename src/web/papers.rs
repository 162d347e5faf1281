//! Papers of a thing: manuals for those who borrow it, receipts and drawings for volunteers.

use std::io::{Read, Seek, SeekFrom};

use askama::Template;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, FormLimits, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::instrument::log;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::pictures::{NotTaken, prepare};
use super::{Error, address, show};
use crate::library::entries::EntryKind;
use crate::library::papers::{self, LONGEST_TITLE, MediaType, NewPaper, Paper};
use crate::library::things::Thing;
use crate::library::{self, Conn, InstrumentId, PaperId};

/// The largest file taken, bytes.
const MOST_BYTES: u64 = 20 * 1024 * 1024;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/papers", list),
        Route::post(Access::Volunteer, "/instruments/{tag}/papers", add).holding(limits()),
        Route::get(Access::Member, "/papers/{id}", send),
        Route::post(Access::Volunteer, "/papers/{id}/remove", remove),
    ]
}

/// One file at a time, and a few words.
fn limits() -> FormLimits {
    FormLimits {
        files: 2,
        file_bytes: MOST_BYTES + 1024 * 1024,
        ..FormLimits::of(Access::Volunteer)
    }
}

/// A paper as a page shows it.
pub struct Row {
    /// Where it is.
    pub href: String,
    /// What it is.
    pub title: String,
    /// "PDF, 1.2 MB".
    pub kind: String,
    id: PaperId,
    for_borrowers: bool,
    added: String,
}

impl Row {
    fn of(context: &RequestContext, paper: Paper) -> Self {
        Self {
            href: format!("/papers/{}", paper.id),
            kind: format!("{}, {}", paper.media_type.label(), size(paper.size)),
            added: format!(
                "{}, {}",
                paper.added_by,
                show::date(context.club(), paper.added_at)
            ),
            title: paper.title,
            id: paper.id,
            for_borrowers: paper.for_borrowers,
        }
    }
}

/// "1.2 MB", "34 kB".
fn size(bytes: i64) -> String {
    let bytes = bytes as f64;
    if bytes < 999_500.0 {
        format!("{:.0}\u{a0}kB", (bytes / 1e3).ceil())
    } else {
        format!("{:.1}\u{a0}MB", bytes / 1e6)
    }
}

/// What borrowers may read of a thing.
pub async fn for_borrowers(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: InstrumentId,
) -> Result<Vec<Row>, Error> {
    let all = papers::of(conn, instrument).await?;
    let open = all.into_iter().filter(|p| p.for_borrowers);
    Ok(open.map(|p| Row::of(context, p)).collect())
}

#[derive(Debug, Default, Clone)]
struct Typed {
    title: String,
    for_borrowers: bool,
}

#[derive(Template)]
#[template(path = "papers/list.html")]
struct ListPage {
    layout: Layout,
    thing_at: String,
    tag: String,
    here: String,
    rows: Vec<Row>,
    form: Typed,
    errors: FormErrors,
}

async fn list_page(
    context: &RequestContext,
    thing: &Thing,
    form: Typed,
    errors: FormErrors,
) -> Result<ListPage, Error> {
    let found = papers::of(&mut *context.read().await?, thing.id).await?;
    Ok(ListPage {
        layout: context.layout(&format!("Papers of {}", thing.tag)),
        thing_at: address::thing(thing),
        here: at(thing),
        tag: thing.tag.clone(),
        rows: found.into_iter().map(|p| Row::of(context, p)).collect(),
        form,
        errors,
    })
}

fn at(thing: &Thing) -> String {
    format!("{}/papers", address::instrument(&thing.tag))
}

async fn list(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let thing = Thing::by_tag(&mut *context.read().await?, &tag).await?;
    page(&list_page(&context, &thing, Typed::default(), FormErrors::new()).await?)
}

async fn add(
    context: RequestContext,
    Path(tag): Path<String>,
    mut upload: Upload,
) -> Result<Response, Error> {
    let thing = Thing::by_tag(&mut *context.read().await?, &tag).await?;
    let typed = Typed {
        title: upload.value("title").to_owned(),
        for_borrowers: !upload.value("for_borrowers").is_empty(),
    };
    let mut errors = FormErrors::new();
    let title = errors.text("title", "Title", &typed.title, LONGEST_TITLE);
    let file = upload.files.pop();
    let mut made = None;
    match file {
        None => errors.add("paper", "File: choose a PDF, a picture or a text file."),
        Some(_) if !upload.files.is_empty() => {
            errors.add("paper", "File: send one at a time, each with its title.");
        }
        Some(file) => match made_of(file).await? {
            Ok(ready) => made = Some(ready),
            Err(NotTaken(why)) => errors.add("paper", format!("File: {why}")),
        },
    }
    let Some(made) = made.filter(|_| errors.is_empty()) else {
        return mend(&list_page(&context, &thing, typed, errors).await?);
    };
    let new = NewPaper {
        instrument_id: thing.id,
        title,
        file_name: made.file_name,
        media_type: made.media_type,
        bytes: made.bytes,
        for_borrowers: typed.for_borrowers,
    };
    let mut write = match context.begin(&upload.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let by = context.person()?.id;
    match papers::add(&mut write, &new, context.now(), by).await {
        Ok(_) => {}
        Err(library::Error::Refused(why)) => {
            drop(write);
            errors.add("paper", format!("File: {why}"));
            return mend(&list_page(&context, &thing, typed, errors).await?);
        }
        Err(error) => return Err(error.into()),
    }
    let note = format!("Paper added: {}", new.title);
    log(&context, &mut write, thing.id, EntryKind::Register, note).await?;
    write.finish(&at(&thing), "The paper is kept.").await
}

/// A file fit to be kept.
struct Made {
    media_type: MediaType,
    file_name: String,
    bytes: Vec<u8>,
}

/// Looks what a file is by what it holds, not by its name: a PDF to its end mark, text in
/// UTF-8, or a picture, which is written anew.
async fn made_of(file: UploadedFile) -> Result<Result<Made, NotTaken>, Error> {
    let name = file.name.clone();
    if file.bytes > MOST_BYTES {
        let mb = file.bytes / 1024 / 1024;
        return Ok(Err(NotTaken(format!(
            "{name} is {mb} MB. Send one of at most 20 MB."
        ))));
    }
    if file.bytes == 0 {
        return Ok(Err(NotTaken(format!("{name} is empty."))));
    }
    let read = tokio::task::spawn_blocking(move || {
        let mut bytes = Vec::new();
        let mut handle = file.file.reopen()?;
        handle.seek(SeekFrom::Start(0))?;
        handle.read_to_end(&mut bytes)?;
        Ok::<_, std::io::Error>((file, bytes))
    });
    let (file, bytes) = read
        .await
        .map_err(|e| Error::Broken(format!("a paper at work: {e}")))?
        .map_err(|e| Error::of_file(&e))?;
    let stem = stem(&name);
    if is_pdf(&bytes) {
        if !ends_as_pdf(&bytes) {
            return Ok(Err(NotTaken(format!(
                "{name} stops before its end: the copy was broken off. Copy it again and send that."
            ))));
        }
        return Ok(Ok(Made {
            media_type: MediaType::Pdf,
            file_name: format!("{stem}.pdf"),
            bytes,
        }));
    }
    if bytes.starts_with(&[0xff, 0xd8]) || bytes.starts_with(b"\x89PNG") {
        return Ok(prepare(file).await?.map(|photo| Made {
            media_type: MediaType::Jpeg,
            file_name: format!("{stem}.jpg"),
            bytes: photo.picture,
        }));
    }
    let is_text = std::str::from_utf8(&bytes)
        .is_ok_and(|t| !t.chars().any(|c| c.is_control() && !c.is_whitespace()));
    Ok(if is_text {
        Ok(Made {
            media_type: MediaType::Text,
            file_name: format!("{stem}.txt"),
            bytes,
        })
    } else {
        Err(NotTaken(format!(
            "{name} is no PDF, JPEG, PNG or plain text. Save it as PDF and send that."
        )))
    })
}

/// ISO 32000-1, 7.5.2 and its annex H: the header stands within the first 1024 bytes.
fn is_pdf(bytes: &[u8]) -> bool {
    let head = &bytes[..bytes.len().min(1024)];
    head.windows(5).any(|w| w == b"%PDF-")
}

/// ISO 32000-1, 7.5.5 and its annex H: the end mark within the last 1024 bytes.
fn ends_as_pdf(bytes: &[u8]) -> bool {
    let tail = &bytes[bytes.len().saturating_sub(1024)..];
    tail.windows(5).any(|w| w == b"%%EOF")
}

/// A file's name without what ends it, of letters, digits, blanks and `-_.,()` alone.
fn stem(name: &str) -> String {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let kept = |c: &char| c.is_alphanumeric() || " -_.,()".contains(*c);
    let stem: String = stem.chars().filter(kept).take(80).collect();
    match stem.trim_matches([' ', '.']) {
        "" => "paper".to_owned(),
        stem => stem.to_owned(),
    }
}

/// Sent as a file to save: nothing in it is ever shown as a page of ours.
async fn send(context: RequestContext, Path(id): Path<PaperId>) -> Result<Response, Error> {
    let (paper, bytes) = papers::get(&mut *context.read().await?, id).await?;
    let is_volunteer = Access::Volunteer.allows(Some(context.person()?.role));
    if !paper.for_borrowers && !is_volunteer {
        return Err(Error::NotFound("paper"));
    }
    // RFC 6266 and RFC 8187: the name in UTF-8, percent-encoded.
    let name = address::part(&paper.file_name);
    let kind = match paper.media_type {
        MediaType::Text => "text/plain; charset=utf-8",
        other => other.slug(),
    };
    Ok((
        [
            (header::CONTENT_TYPE, kind.to_owned()),
            (
                header::CONTENT_DISPOSITION,
                format!("attachment; filename*=UTF-8''{name}"),
            ),
            (header::CACHE_CONTROL, "private, no-cache".to_owned()),
            (
                header::CONTENT_SECURITY_POLICY,
                "sandbox; default-src 'none'".to_owned(),
            ),
        ],
        bytes,
    )
        .into_response())
}

async fn remove(
    context: RequestContext,
    Path(id): Path<PaperId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (paper, _) = papers::get(&mut write, id).await?;
    let thing = Thing::get(&mut write, paper.instrument_id).await?;
    papers::hide(&mut write, id, context.now()).await?;
    let note = format!("Paper removed: {}", paper.title);
    log(&context, &mut write, thing.id, EntryKind::Register, note).await?;
    write.finish(&at(&thing), "The paper is removed.").await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_saved_under_a_harmless_name() {
        for (name, kept) in [
            ("Manual 8 inch.PDF", "Manual 8 inch"),
            ("../../etc/passwd", "paper"),
            ("up/../../to.pdf", "up....to"),
            ("a\r\nSet-Cookie: x.pdf", "aSet-Cookie x"),
            ("Quittung für Spiegel (2).pdf", "Quittung für Spiegel (2)"),
            (".pdf", "paper"),
            ("", "paper"),
        ] {
            let kept = kept.trim_matches([' ', '.']);
            assert_eq!(stem(name), kept, "{name}");
        }
    }
}
