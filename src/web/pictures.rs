//! Pictures: made safe and small, and as pages show them.

use std::io::{BufReader, Cursor, Read, Seek, SeekFrom};
use std::sync::LazyLock;

use image::{
    DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage, imageops::FilterType,
};
use tokio::sync::Semaphore;

use super::Error;
use super::uploaded::UploadedFile;
use crate::library::photos::{self, Prepared};
use crate::library::{Conn, InstrumentId, PhotoId};
use crate::startest::decode::reaches_end_mark;

/// The largest file taken, bytes.
pub const MOST_BYTES: u64 = 20 * 1024 * 1024;
/// The largest picture taken, pixels.
const MOST_PIXELS: u64 = 40_000_000;
/// The longest side of either, pixels.
const LONGEST_SIDE: u32 = 30_000;
/// The longest side kept, pixels.
const KEPT_SIDE: u32 = 1600;
/// The longest side of the small one, pixels.
const SMALL_SIDE: u32 = 320;

/// Each picture at work may take a few hundred megabytes of memory.
static AT_WORK: LazyLock<Semaphore> = LazyLock::new(|| Semaphore::new(2));

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
    let name = file.name.clone();
    match tokio::task::spawn_blocking(move || prepare_now(&file)).await {
        // A decoder from outside stopped on bytes that nobody thought of.
        Err(stopped) if stopped.is_panic() => Ok(Err(no_picture(&name))),
        done => done.map_err(|e| Error::Broken(format!("a photo at work: {e}"))),
    }
}

fn no_picture(name: &str) -> NotTaken {
    NotTaken(format!(
        "{name} is not a JPEG or PNG picture, or it is damaged. Save it as JPEG and send that."
    ))
}

fn prepare_now(file: &UploadedFile) -> Result<Prepared, NotTaken> {
    let name = &file.name;
    if file.bytes > MOST_BYTES {
        return Err(NotTaken(format!(
            "{name} is {} MB. Send one of at most 20 MB; a smaller picture will do.",
            file.bytes / 1024 / 1024
        )));
    }
    let no_image = || no_picture(name);
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
