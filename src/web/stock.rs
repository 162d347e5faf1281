//! Stock-taking, phone in hand: tags are scanned or typed, and what was not seen is
//! reported, to be printed.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page, see_other};
use super::tables::{Cell, csv_response};
use super::{Error, address, show};
use crate::library::instruments::Status;
use crate::library::stock::{self, Count, StockTaking};
use crate::library::things::Kind;
use crate::library::{self, Conn, InstrumentId, StockTakingId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/stock", list),
        Route::post(Access::Volunteer, "/stock", begin),
        Route::get(Access::Volunteer, "/stock/{id}", count),
        Route::post(Access::Volunteer, "/stock/{id}/see", see),
        Route::get(Access::Volunteer, "/stock/{id}/see", count_anew),
        Route::post(Access::Volunteer, "/stock/{id}/unsee", unsee),
        Route::post(Access::Volunteer, "/stock/{id}/end", end),
        Route::get(Access::Volunteer, "/stock/{id}/report", report),
        Route::get(Access::Volunteer, "/stock/{id}/report.csv", report_csv),
    ]
}

// ---- all of them ----

#[derive(Template)]
#[template(path = "stock/list.html")]
struct ListPage {
    layout: Layout,
    /// The one that goes on: where it is, and since when.
    open: Option<(String, String)>,
    /// Those that ended: when, words, report.
    ended: Vec<(String, String, String)>,
    /// Whether a year has passed since the last one.
    is_due: bool,
}

/// Things are counted once a year.
const YEAR_DAYS: i64 = 365;

async fn list(context: RequestContext) -> Result<Response, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let all = stock::all(&mut *context.read().await?).await?;
    let last = all.iter().filter_map(|s| s.ended_at).max();
    let open = all.iter().find(|s| s.ended_at.is_none()).map(|s| {
        let since = format!(
            "Started {}, by {}.",
            show::date(club, s.begun_at),
            s.begun_by
        );
        (format!("/stock/{}", s.id), since)
    });
    let ended = all.iter().filter_map(|s| {
        let ended = s.ended_at?;
        let by = s.ended_by.as_deref().unwrap_or_default();
        let seen = show::counted(usize::try_from(s.seen).unwrap_or(0), "seen", "seen");
        let words = format!("{seen}. Ended by {by}.");
        Some((
            show::date(club, ended),
            words,
            format!("/stock/{}/report", s.id),
        ))
    });
    page(&ListPage {
        layout: context.layout("Stock-taking"),
        is_due: open.is_none()
            && last.is_none_or(|at| (today - club.date(at)).num_days() >= YEAR_DAYS),
        ended: ended.collect(),
        open,
    })
}

async fn begin(
    context: RequestContext,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let id = stock::begin(&mut write, context.now(), context.person()?.id).await?;
    write
        .finish(&format!("/stock/{id}"), "The stock-taking has begun.")
        .await
}

// ---- counting ----

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct SeeFields {
    /// A tag, or the address that its code leads to.
    tag: String,
}

/// The tag of what was typed or read by a scanner: the address on a label ends in it.
fn tag_of(typed: &str) -> String {
    let typed = typed.trim();
    let tag = match typed.split_once("://") {
        Some((_, rest)) => rest
            .split(['?', '#'])
            .next()
            .and_then(|path| path.trim_end_matches('/').rsplit('/').next())
            .unwrap_or(typed),
        None => typed,
    };
    tag.to_owned()
}

struct SeenRow {
    id: InstrumentId,
    href: String,
    tag: String,
    name: String,
    note: String,
}

#[derive(Template)]
#[template(path = "stock/count.html")]
struct CountPage {
    layout: Layout,
    lede: String,
    here: String,
    seen: usize,
    all: usize,
    /// The latest first.
    latest: Vec<SeenRow>,
    /// What is still to be seen at home, by place.
    to_see: Vec<(String, Vec<(String, String)>)>,
    on_loan: usize,
    tag: String,
    errors: FormErrors,
}

/// How many of the latest are shown.
const LATEST: usize = 10;

fn thing_address(count: &Count) -> String {
    match count.kind {
        Kind::Instrument => address::instrument(&count.tag),
        _ => address::thing_tag(&count.tag),
    }
}

async fn count_page(
    context: &RequestContext,
    conn: &mut Conn,
    taking: &StockTaking,
    tag: String,
    errors: FormErrors,
) -> Result<CountPage, Error> {
    let rows = stock::report(conn, taking.id).await?;
    let all = rows.iter().filter(|r| r.status != Status::Retired).count();
    let (mut seen, unseen): (Vec<&Count>, Vec<&Count>) =
        rows.iter().partition(|r| r.seen_at.is_some());
    let seen_count = seen.len();
    seen.sort_by_key(|r| std::cmp::Reverse(r.seen_at));
    let (out, at_home): (Vec<&Count>, Vec<&Count>) =
        unseen.into_iter().partition(|r| r.loan_id.is_some());
    let mut to_see: std::collections::BTreeMap<String, Vec<(String, String)>> =
        std::collections::BTreeMap::new();
    for row in at_home {
        let place = match row.place.as_str() {
            "" => "No place entered".to_owned(),
            place => place.to_owned(),
        };
        let note = match row.status {
            Status::Missing => format!("{}, missing", row.name),
            _ => row.name.clone(),
        };
        to_see
            .entry(place)
            .or_default()
            .push((row.tag.clone(), note));
    }
    Ok(CountPage {
        layout: context.layout("Count"),
        lede: format!(
            "Started {}, by {}.",
            show::date(context.club(), taking.begun_at),
            taking.begun_by
        ),
        here: format!("/stock/{}", taking.id),
        latest: seen
            .into_iter()
            .take(LATEST)
            .map(|r| SeenRow {
                id: r.instrument_id,
                href: thing_address(r),
                tag: r.tag.clone(),
                name: r.name.clone(),
                note: note_of(r),
            })
            .collect(),
        seen: seen_count,
        all,
        to_see: to_see.into_iter().collect(),
        on_loan: out.len(),
        tag,
        errors,
    })
}

/// What is odd about a thing that was seen; "" for nothing.
fn note_of(row: &Count) -> String {
    match (&row.borrower, row.status) {
        (Some(borrower), _) => format!("The lists say that {borrower} has it. Return it."),
        (None, Status::Retired) => "It is retired.".to_owned(),
        _ => String::new(),
    }
}

async fn count(context: RequestContext, Path(id): Path<StockTakingId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let taking = stock::get(&mut conn, id).await?;
    if taking.ended_at.is_some() {
        return Ok(see_other(&format!("/stock/{id}/report")));
    }
    let errors = FormErrors::new();
    page(&count_page(&context, &mut conn, &taking, String::new(), errors).await?)
}

async fn count_anew(Path(id): Path<StockTakingId>) -> Response {
    see_other(&format!("/stock/{id}"))
}

async fn see(
    context: RequestContext,
    Path(id): Path<StockTakingId>,
    Form { fields: form, once }: Form<SeeFields>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let tag = tag_of(&errors.text("tag", "Tag", &form.tag, 300));
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let mut seen = None;
    if errors.is_empty() {
        match stock::see(&mut write, id, &tag, context.now(), context.person()?.id).await {
            Ok(found) => seen = Some(found),
            Err(library::Error::NotFound("thing")) => errors.add(
                "tag",
                format!("Tag: nothing has the tag {tag}. Look again, or add it as a thing."),
            ),
            Err(error) => return Err(error.into()),
        }
    }
    let Some(seen) = seen else {
        drop(write);
        let mut conn = context.read().await?;
        let taking = stock::get(&mut conn, id).await?;
        return mend(&count_page(&context, &mut conn, &taking, form.tag, errors).await?);
    };
    let (tag, name) = (&seen.thing.tag, &seen.thing.name);
    let notice = if seen.found {
        format!("{tag}, {name}: found. It was missing and is on the shelf again.")
    } else if seen.again {
        format!("{tag}, {name}: counted already.")
    } else if seen.thing.open_loan.is_some() {
        format!("{tag}, {name}: counted. It is still entered as on loan.")
    } else {
        format!("{tag}, {name}: counted.")
    };
    write.finish(&format!("/stock/{id}"), &notice).await
}

#[derive(Debug, serde::Deserialize)]
struct UnseeFields {
    thing: InstrumentId,
}

async fn unsee(
    context: RequestContext,
    Path(id): Path<StockTakingId>,
    Form { fields: form, once }: Form<UnseeFields>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    stock::unsee(&mut write, id, form.thing).await?;
    write
        .finish(&format!("/stock/{id}"), "Undone: it is not counted.")
        .await
}

async fn end(
    context: RequestContext,
    Path(id): Path<StockTakingId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    stock::end(&mut write, id, context.now(), context.person()?.id).await?;
    write
        .finish(
            &format!("/stock/{id}/report"),
            "The stock-taking has ended.",
        )
        .await
}

// ---- the report ----

struct ReportRow {
    href: String,
    tag: String,
    name: String,
    place: String,
    with: String,
    late: bool,
    /// Where it is said to be missing; "" where that is of no use.
    missing_at: String,
}

#[derive(Template)]
#[template(path = "stock/report.html")]
struct ReportPage {
    layout: Layout,
    lede: String,
    is_open: bool,
    here: String,
    /// Not seen, and not on loan.
    unseen: Vec<ReportRow>,
    /// Not seen, for somebody has it.
    out: Vec<ReportRow>,
    /// Seen, with something odd about it.
    odd: Vec<(String, String, String)>,
    csv: String,
}

async fn report(context: RequestContext, Path(id): Path<StockTakingId>) -> Result<Response, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let mut conn = context.read().await?;
    let taking = stock::get(&mut conn, id).await?;
    let rows = stock::report(&mut conn, id).await?;
    let total = rows.len();
    let (seen, unseen): (Vec<Count>, Vec<Count>) =
        rows.into_iter().partition(|r| r.seen_at.is_some());
    let row = |r: Count| ReportRow {
        href: thing_address(&r),
        with: match (&r.borrower, r.due_on, r.status) {
            (Some(borrower), Some(due), _) => {
                format!("{borrower}, back {}", show::short_day(due, today))
            }
            _ if r.loan_id.is_some() => "On loan then, returned since".to_owned(),
            (_, _, Status::Missing) => "Missing".to_owned(),
            _ => String::new(),
        },
        late: r.borrower.is_some() && r.due_on.is_some_and(|due| due < today),
        missing_at: match r.status {
            Status::Missing | Status::Retired => String::new(),
            _ => format!("/things/{}/status/missing", address::part(&r.tag)),
        },
        tag: r.tag,
        name: r.name,
        place: r.place,
    };
    let odd = seen.iter().filter_map(|r| {
        let note = note_of(r);
        let words = format!("{}, {}", r.tag, r.name);
        (!note.is_empty()).then(|| (thing_address(r), words, note))
    });
    let (out, unseen): (Vec<Count>, Vec<Count>) =
        unseen.into_iter().partition(|r| r.loan_id.is_some());
    let when = match taking.ended_at {
        Some(at) => format!("Ended {}", show::date(club, at)),
        None => format!("Goes on since {}", show::date(club, taking.begun_at)),
    };
    page(&ReportPage {
        layout: context.layout("What was not seen"),
        lede: format!("{when}. {} of {total} seen.", seen.len()),
        is_open: taking.ended_at.is_none(),
        here: format!("/stock/{id}"),
        odd: odd.collect(),
        unseen: unseen.into_iter().map(row).collect(),
        out: out.into_iter().map(row).collect(),
        csv: format!("/stock/{id}/report.csv"),
    })
}

async fn report_csv(
    context: RequestContext,
    Path(id): Path<StockTakingId>,
) -> Result<Response, Error> {
    let club = context.club();
    let rows = stock::report(&mut *context.read().await?, id).await?;
    let header = [
        "tag", "kind", "name", "place", "seen", "seen_by", "with", "due_on",
    ];
    let rows = rows.into_iter().map(|r| {
        vec![
            r.tag.as_str().into(),
            r.kind.label().into(),
            r.name.as_str().into(),
            r.place.as_str().into(),
            r.seen_at.map(|at| Cell::time(club, at)).into(),
            r.seen_by.unwrap_or_default().as_str().into(),
            r.borrower.unwrap_or_default().as_str().into(),
            r.due_on.into(),
        ]
    });
    csv_response(&header, rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scanned_address_and_a_typed_tag_are_the_same() {
        for (typed, tag) in [
            ("M-03", "M-03"),
            (" m-03 ", "m-03"),
            ("https://club.example/things/M-03", "M-03"),
            ("http://192.168.1.7:8000/instruments/N203/?x#y", "N203"),
        ] {
            assert_eq!(tag_of(typed), tag);
        }
    }
}
