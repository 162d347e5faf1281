//! Photos: taken in, made safe and small, shown, hidden.

use std::io::{BufReader, Cursor, Read, Seek, SeekFrom};
use std::sync::LazyLock;

use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use image::{
    DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage, imageops::FilterType,
};
use serde::Deserialize;
use tokio::sync::Semaphore;

use super::access::{Access, Route};
use super::extract::{Form, FormLimits, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::page::{RequestContext, Submission};
use super::sign_in::Nothing;
use super::{Error, address, condition, things};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::photos::{self, LONGEST_CAPTION, Prepared, Size};
use crate::library::things::Thing;
use crate::library::{Conn, InstrumentId, PhotoId};
use crate::startest::decode::reaches_end_mark;

/// The largest file taken, bytes.
const MOST_BYTES: u64 = 20 * 1024 * 1024;
/// The largest picture taken, pixels.
const MOST_PIXELS: u64 = 40_000_000;
/// The longest side of either, pixels.
const LONGEST_SIDE: u32 = 30_000;
/// The longest side kept, pixels.
const KEPT_SIDE: u32 = 1600;
/// The longest side of the small one, pixels.
const SMALL_SIDE: u32 = 320;
/// The most photos in one sending.
const MOST_PHOTOS: usize = 10;

/// Each picture at work may take a few hundred megabytes of memory.
static AT_WORK: LazyLock<Semaphore> = LazyLock::new(|| Semaphore::new(2));

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

/// A photo as a page shows it.
pub struct Picture {
    /// Id.
    pub id: PhotoId,
    /// Address of the picture.
    pub full: String,
    /// Address of the small one.
    pub small: String,
    /// Words beside it.
    pub caption: String,
    /// Width, pixels.
    pub width: i64,
    /// Height, pixels.
    pub height: i64,
}

/// An instrument's photos as a page shows them.
pub async fn pictures(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<Picture>, Error> {
    let found = photos::of(conn, instrument).await?;
    Ok(found
        .into_iter()
        .map(|photo| Picture {
            full: format!("/photos/{}.jpg", photo.id),
            small: format!("/photos/{}/small.jpg", photo.id),
            id: photo.id,
            caption: photo.caption,
            width: photo.width_px,
            height: photo.height_px,
        })
        .collect())
}

/// Why a file is not taken, in words that name the mend.
#[derive(Debug, PartialEq, Eq)]
pub struct NotTaken(pub String);

/// Makes an uploaded file fit to be kept, off the async threads: decoded
/// within bounds, turned upright, scaled down, written anew as JPEG, so that
/// nothing of the file itself remains.
pub async fn prepare(file: UploadedFile) -> Result<Result<Prepared, NotTaken>, Error> {
    let _permit = AT_WORK
        .acquire()
        .await
        .map_err(|e| Error::Broken(format!("the photo queue: {e}")))?;
    tokio::task::spawn_blocking(move || prepare_now(&file))
        .await
        .map_err(|e| Error::Broken(format!("a photo at work: {e}")))
}

fn prepare_now(file: &UploadedFile) -> Result<Prepared, NotTaken> {
    let name = &file.name;
    if file.bytes > MOST_BYTES {
        return Err(NotTaken(format!(
            "{name} is {} MB. Send one of at most 20 MB; a smaller picture will do.",
            file.bytes / 1024 / 1024
        )));
    }
    let no_image = || {
        NotTaken(format!(
            "{name} is not a JPEG or PNG picture, or it is damaged. Save it as JPEG and send that."
        ))
    };
    let mut handle = file.file.reopen().map_err(|_| no_image())?;
    handle.seek(SeekFrom::Start(0)).map_err(|_| no_image())?;
    let mut reader = ImageReader::new(BufReader::new(handle))
        .with_guessed_format()
        .map_err(|_| no_image())?;
    // Told by its first bytes, not by its name.
    if !matches!(reader.format(), Some(ImageFormat::Jpeg | ImageFormat::Png)) {
        return Err(no_image());
    }
    if reader.format() == Some(ImageFormat::Jpeg) && !is_whole(file) {
        return Err(NotTaken(format!(
            "{name} stops before its end: the copy was broken off. Copy it again from the camera or the phone and send that."
        )));
    }
    let mut limits = Limits::default();
    limits.max_image_width = Some(LONGEST_SIDE);
    limits.max_image_height = Some(LONGEST_SIDE);
    limits.max_alloc = Some(MOST_PIXELS * 8);
    reader.limits(limits);
    let too_large = |width: u32, height: u32| {
        NotTaken(format!(
            "{name} is {width} by {height} pixels. Send one of at most 40 million pixels, such as 8000 by 5000."
        ))
    };
    let mut decoder = reader.into_decoder().map_err(|_| no_image())?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > MOST_PIXELS
        || width > LONGEST_SIDE
        || height > LONGEST_SIDE
    {
        return Err(too_large(width, height));
    }
    let orientation = decoder
        .orientation()
        .unwrap_or(image::metadata::Orientation::NoTransforms);
    let mut picture = DynamicImage::from_decoder(decoder).map_err(|_| no_image())?;
    if picture.width().max(picture.height()) > KEPT_SIDE {
        picture = picture.resize(KEPT_SIDE, KEPT_SIDE, FilterType::CatmullRom);
    }
    picture.apply_orientation(orientation);
    let picture = on_white(&picture);
    let small = if picture.width().max(picture.height()) > SMALL_SIDE {
        DynamicImage::ImageRgb8(picture.clone())
            .resize(SMALL_SIDE, SMALL_SIDE, FilterType::CatmullRom)
            .into_rgb8()
    } else {
        picture.clone()
    };
    let failed = |_| {
        NotTaken(format!(
            "{name} could not be kept. Save it as JPEG and send that."
        ))
    };
    Ok(Prepared {
        width_px: picture.width(),
        height_px: picture.height(),
        thumbnail: jpeg(&small, 80).map_err(failed)?,
        picture: jpeg(&picture, 85).map_err(failed)?,
    })
}

/// Whether a JPEG goes on to its end mark: the decoder would fill up the rest with grey.
fn is_whole(file: &UploadedFile) -> bool {
    let mut bytes = Vec::new();
    let read = file.file.reopen().and_then(|mut handle| {
        handle.seek(SeekFrom::Start(0))?;
        handle.read_to_end(&mut bytes)
    });
    read.is_ok() && reaches_end_mark(&bytes)
}

/// Clear parts become white; JPEG has none.
fn on_white(picture: &DynamicImage) -> RgbImage {
    if !picture.color().has_alpha() {
        return picture.to_rgb8();
    }
    let mut flat = RgbImage::new(picture.width(), picture.height());
    for (out, pixel) in flat.pixels_mut().zip(picture.to_rgba8().pixels()) {
        let [r, g, b, alpha] = pixel.0;
        let mix = |c: u8| {
            let share = u16::from(alpha);
            u8::try_from((u16::from(c) * share + 255 * (255 - share) + 127) / 255).unwrap_or(255)
        };
        out.0 = [mix(r), mix(g), mix(b)];
    }
    flat
}

fn jpeg(picture: &RgbImage, quality: u8) -> Result<Vec<u8>, image::ImageError> {
    let mut bytes = Cursor::new(Vec::new());
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality);
    picture.write_with_encoder(encoder)?;
    Ok(bytes.into_inner())
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
    entry(context, instrument, with_caption(&note, caption))?
        .write(conn)
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
        true => condition::with_photo_mends(context, &of.tag, errors, caption).await,
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

fn entry(
    context: &RequestContext,
    instrument: InstrumentId,
    note: String,
) -> Result<NewEntry, Error> {
    Ok(NewEntry {
        instrument,
        kind: EntryKind::Register,
        happened_at: context.now(),
        recorded_at: context.now(),
        by: context.person()?.id,
        loan: None,
        note,
    })
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
        entry(&context, instrument.id, note)?
            .write(&mut write)
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
    entry(&context, instrument.id, note)?
        .write(&mut write)
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
