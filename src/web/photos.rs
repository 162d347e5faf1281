//! Photos: taken in, made safe and small, shown, hidden.

use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, FormLimits, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::instrument::log;
use super::page::{RequestContext, Submission};
use super::pictures::{MOST_BYTES, NotTaken, prepare};
use super::{Error, address, condition, things};
use crate::library::entries::EntryKind;
use crate::library::photos::{self, LONGEST_CAPTION, Prepared, Size};
use crate::library::things::Thing;
use crate::library::{Conn, InstrumentId, PhotoId};

/// The most photos in one sending.
const MOST_PHOTOS: usize = 10;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::post(Access::Volunteer, "/instruments/{tag}/photos", add).holding(limits()),
        // The last part of the path is an id and ".jpg".
        Route::get(Access::Anyone, "/photos/{name}", full),
        Route::get(Access::Anyone, "/photos/{id}/small.jpg", small),
        Route::post(Access::Volunteer, "/photos/{id}/caption", set_caption),
        Route::post(Access::Volunteer, "/photos/{id}/remove", remove),
    ]
}

/// The limits of a form that may bring photos.
pub fn limits() -> FormLimits {
    FormLimits {
        files: 100,
        file_bytes: MOST_BYTES * MOST_PHOTOS as u64,
        ..FormLimits::of(Access::Volunteer)
    }
}

/// Makes photos fit to be kept; those that cannot be are mistakes of the field
/// "photo".
pub async fn prepare_all(
    files: Vec<UploadedFile>,
    errors: &mut FormErrors,
) -> Result<Vec<Prepared>, Error> {
    let mut ready = Vec::new();
    if files.len() > MOST_PHOTOS {
        errors.add(
            "photo",
            format!("Photo: send at most {MOST_PHOTOS} at a time."),
        );
        return Ok(ready);
    }
    for file in files {
        match prepare(file).await? {
            Ok(photo) => ready.push(photo),
            Err(NotTaken(why)) => errors.add("photo", why),
        }
    }
    Ok(ready)
}

/// Keeps photos made ready, with a line in the logbook.
pub async fn keep(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: InstrumentId,
    ready: &[Prepared],
    caption: &str,
) -> Result<(), Error> {
    let by = context.person()?.id;
    for photo in ready {
        photos::add(conn, instrument, photo, caption, context.now(), by).await?;
    }
    let note = match ready.len() {
        0 => return Ok(()),
        1 => "Photo added".to_owned(),
        n => format!("{n} photos added"),
    };
    log(
        context,
        conn,
        instrument,
        EntryKind::Register,
        with_caption(&note, caption),
    )
    .await?;
    Ok(())
}

async fn add(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: Upload,
) -> Result<Response, Error> {
    let instrument = {
        let mut conn = context.read().await?;
        Thing::by_tag(&mut conn, &tag).await?
    };
    let mut errors = FormErrors::new();
    let typed = upload.value("caption").to_owned();
    let caption = errors.optional_text("caption", "Caption", &typed, LONGEST_CAPTION);
    if upload.files.is_empty() {
        errors.add("photo", "Photo: choose a JPEG or PNG picture to add.");
    } else if upload.files.len() > MOST_PHOTOS {
        errors.add(
            "photo",
            format!("Photo: send at most {MOST_PHOTOS} at a time."),
        );
    }
    let (mut ready, mut not_taken) = (Vec::new(), Vec::new());
    if errors.is_empty() {
        for file in upload.files {
            match prepare(file).await? {
                Ok(photo) => ready.push(photo),
                Err(NotTaken(why)) => not_taken.push(why),
            }
        }
    }
    // The sound ones of a set are kept; where none is, the form comes back.
    if ready.is_empty() {
        for why in not_taken.drain(..) {
            errors.add("photo", why);
        }
    }
    if !errors.is_empty() {
        return mended(&context, &instrument, errors, typed).await;
    }
    let mut write = match context.begin(&upload.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    keep(&context, &mut write, instrument.id, &ready, &caption).await?;
    let mut said = match ready.len() {
        1 => "The photo is kept.".to_owned(),
        _ if not_taken.is_empty() => "The photos are kept.".to_owned(),
        n => format!("{n} photos are kept."),
    };
    for why in not_taken {
        said += &format!(" Not kept: {why}");
    }
    // It travels in a cookie.
    let said: String = said.chars().take(2000).collect();
    write.finish(&back(&instrument), &said).await
}

/// Its page, with what must be mended in the photo form.
async fn mended(
    context: &RequestContext,
    of: &Thing,
    errors: FormErrors,
    caption: String,
) -> Result<Response, Error> {
    match of.is_instrument() {
        true => {
            let typed = condition::Typed {
                caption,
                ..Default::default()
            };
            condition::with_mends(context, &of.tag, errors, typed).await
        }
        false => things::with_photo_mends(context, &of.tag, errors, caption).await,
    }
}

fn with_caption(words: &str, caption: &str) -> String {
    if caption.is_empty() {
        format!("{words}.")
    } else {
        format!("{words}: {caption}")
    }
}

fn back(instrument: &Thing) -> String {
    format!("{}#photos", address::thing(instrument))
}

async fn full(
    context: RequestContext,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Error> {
    let id = name
        .strip_suffix(".jpg")
        .ok_or(Error::NotFound("photo"))?
        .to_owned();
    send(&context, &id, Size::Full, &headers).await
}

async fn small(
    context: RequestContext,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Error> {
    send(&context, &id, Size::Small, &headers).await
}

/// Browsers keep it and ask again each time, so that one removed is gone.
async fn send(
    context: &RequestContext,
    id: &str,
    size: Size,
    headers: &HeaderMap,
) -> Result<Response, Error> {
    let id: PhotoId = id.parse().map_err(|_| Error::NotFound("photo"))?;
    let mut conn = context.read().await?;
    let photo = photos::get(&mut conn, id).await?;
    let mark = format!(
        "\"{}-{}\"",
        photo.id.0.simple(),
        if size == Size::Small { "s" } else { "f" }
    );
    let known = headers
        .get(header::IF_NONE_MATCH)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|sent| {
            sent.split(',')
                .map(|one| one.trim().trim_start_matches("W/"))
                .any(|one| one == "*" || one == mark)
        });
    let keep = [
        (header::ETAG, mark),
        (header::CACHE_CONTROL, "no-cache".to_owned()),
    ];
    if known {
        return Ok((StatusCode::NOT_MODIFIED, keep).into_response());
    }
    let bytes = photos::bytes(&mut conn, id, size).await?;
    Ok((keep, [(header::CONTENT_TYPE, "image/jpeg")], bytes).into_response())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct CaptionFields {
    caption: String,
}

async fn set_caption(
    context: RequestContext,
    Path(id): Path<PhotoId>,
    Form { fields, once }: Form<CaptionFields>,
) -> Result<Response, Error> {
    let (photo, instrument) = photo_and_instrument(&context, id).await?;
    let mut errors = FormErrors::new();
    let caption = errors.optional_text("caption", "Caption", &fields.caption, LONGEST_CAPTION);
    if !errors.is_empty() {
        return mended(&context, &instrument, errors, fields.caption).await;
    }
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    if caption != photo.caption {
        photos::set_caption(&mut write, id, &caption).await?;
        let note = format!(
            "Caption of a photo changed from \"{}\" to \"{caption}\".",
            photo.caption
        );
        log(
            &context,
            &mut write,
            instrument.id,
            EntryKind::Register,
            note,
        )
        .await?;
    }
    write
        .finish(&back(&instrument), "The caption is kept.")
        .await
}

async fn remove(
    context: RequestContext,
    Path(id): Path<PhotoId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let photo = photos::get(&mut write, id).await?;
    let instrument = Thing::get(&mut write, photo.instrument_id).await?;
    photos::hide(&mut write, id, context.now()).await?;
    let note = with_caption("Photo removed", &photo.caption);
    log(
        &context,
        &mut write,
        instrument.id,
        EntryKind::Register,
        note,
    )
    .await?;
    write
        .finish(&back(&instrument), "The photo is removed.")
        .await
}

async fn photo_and_instrument(
    context: &RequestContext,
    id: PhotoId,
) -> Result<(photos::Photo, Thing), Error> {
    let mut conn = context.read().await?;
    let photo = photos::get(&mut conn, id).await?;
    let instrument = Thing::get(&mut conn, photo.instrument_id).await?;
    Ok((photo, instrument))
}
