//! PNG and JPEG, decoded by the `image` crate within our limits.

use std::io::{Cursor, ErrorKind, Read};
use std::panic::{AssertUnwindSafe, catch_unwind};

use image::codecs::jpeg::JpegDecoder;
use image::codecs::png::PngDecoder;
use image::{ColorType, ImageDecoder, ImageError};

use super::bytes::Input;
use super::{DecodeError, Format, Limits, colour};
use crate::frame::Frame;

/// A progressive JPEG goes over its whole picture once for each scan, for next to no
/// bytes; programs write about ten.
const MOST_SCANS: usize = 40;
/// What a decoder may allocate beside the picture itself.
const WORKING_BYTES: u64 = 16 << 20;

/// A picture, and whether it was in colour.
pub(super) type Picture = (Frame, bool);

/// Reads a PNG file (ISO/IEC 15948).
pub(super) fn read_png(
    input: Input,
    name: String,
    limits: &Limits,
) -> Result<Picture, DecodeError> {
    guarded(Format::Png, || {
        read(png_decoder(input)?, Format::Png, name, limits)
    })
}

fn png_decoder(input: Input) -> Result<PngDecoder<Input>, DecodeError> {
    let mut bounds = image::Limits::no_limits();
    bounds.max_alloc = Some(WORKING_BYTES);
    PngDecoder::with_limits(input, bounds).map_err(|error| explain(Format::Png, error))
}

/// Reads a JPEG file (ISO/IEC 10918-1).
pub(super) fn read_jpeg(
    input: Input,
    length: u64,
    name: String,
    limits: &Limits,
) -> Result<Picture, DecodeError> {
    let decode = || {
        let decoder = jpeg_decoder(input, length, limits)?;
        read(decoder, Format::Jpeg, name, limits)
    };
    guarded(Format::Jpeg, decode)
}

fn jpeg_decoder(
    input: Input,
    length: u64,
    limits: &Limits,
) -> Result<JpegDecoder<Cursor<Vec<u8>>>, DecodeError> {
    if length > limits.max_whole_bytes {
        return Err(DecodeError::FileTooLarge {
            limit_bytes: limits.max_whole_bytes,
            unpacked: false,
        });
    }
    let mut bytes = Vec::new();
    input
        .take(length)
        .read_to_end(&mut bytes)
        .map_err(|error| DecodeError::of_io(&error))?;
    // The decoder fills up what is missing with grey; we would measure that.
    match scans(&bytes) {
        None => {
            return Err(DecodeError::Truncated {
                what: "the JPEG data stop before their end mark".into(),
            });
        }
        Some(count) if count > MOST_SCANS => return Err(DecodeError::OutOfBudget),
        Some(_) => {}
    }
    JpegDecoder::new(Cursor::new(bytes)).map_err(|error| explain(Format::Jpeg, error))
}

/// Runs a decoder from outside. They are well kept and still may stop the
/// program on bytes nobody thought of; an upload must not be able to do that.
pub(super) fn guarded<T>(
    format: Format,
    decode: impl FnOnce() -> Result<T, DecodeError>,
) -> Result<T, DecodeError> {
    catch_unwind(AssertUnwindSafe(decode)).unwrap_or_else(|_| {
        Err(DecodeError::Damaged {
            format,
            why: "they make no sense to the decoder".into(),
        })
    })
}

/// A picture's colours (one where it is grey) in linear light, 0 to 255: values of PNG and
/// JPEG as phones write them go with the sRGB curve.
pub(super) fn read_colours(
    format: Format,
    input: Input,
    length: u64,
    limits: &Limits,
) -> Result<Colours, DecodeError> {
    guarded(format, || match format {
        Format::Jpeg => colours(jpeg_decoder(input, length, limits)?, format, limits),
        _ => colours(png_decoder(input)?, format, limits),
    })
}

/// A picture's colours, row by row as displayed.
pub(super) struct Colours {
    pub width: usize,
    pub height: usize,
    pub planes: Vec<Vec<f32>>,
    /// See [`super::Still::pixel_rad`].
    pub pixel_rad: Option<f64>,
}

/// The diagonal of the film that equivalent focal lengths stand for, 36 x 24 mm.
const FILM_DIAGONAL_MM: f64 = 43.267;

/// How wide a pixel in the middle sees, radians, by the equivalent focal length in a
/// file's Exif part (FocalLengthIn35mmFilm, CIPA DC-008).
fn pixel_rad(exif: Vec<u8>, width: u32, height: u32) -> Option<f64> {
    let (fields, _) = exif::parse_exif(&exif).ok()?;
    let tag = |f: &&exif::Field| f.tag == exif::Tag::FocalLengthIn35mmFilm;
    let focal_mm = fields.iter().find(tag)?.value.get_uint(0)?;
    let diagonal_px = f64::from(width).hypot(f64::from(height));
    let rad = FILM_DIAGONAL_MM / (f64::from(focal_mm) * diagonal_px);
    (focal_mm > 0 && diagonal_px > 0.0).then_some(rad)
}

fn colours(
    mut decoder: impl ImageDecoder,
    format: Format,
    limits: &Limits,
) -> Result<Colours, DecodeError> {
    // What a broken Exif part says of the camera is not needed.
    let exif = decoder.exif_metadata().ok().flatten();
    let (columns, rows) = decoder.dimensions();
    let pixel_rad = exif.and_then(|exif| pixel_rad(exif, columns, rows));
    let Samples {
        size: [width, height],
        orientation,
        kind,
        sample_bytes,
        bytes,
        ..
    } = samples(decoder, format, limits)?;
    let curve: Vec<f32> = (0..=255).map(linear_light).collect();
    let channels = if kind.has_color() { 3 } else { 1 };
    let pixels = kind.bytes_per_pixel() as usize;
    let mut size = (width, height);
    let planes = (0..channels)
        .map(|channel| {
            let mut data: Vec<f32> = bytes
                .chunks_exact(pixels)
                .map(|pixel| match sample_bytes {
                    1 => curve[usize::from(pixel[channel])],
                    _ => {
                        let v = u16::from_ne_bytes([pixel[2 * channel], pixel[2 * channel + 1]]);
                        linear(f64::from(v) / 65535.0)
                    }
                })
                .collect();
            size = colour::orient(&mut data, width, height, orientation);
            data
        })
        .collect();
    Ok(Colours {
        width: size.0,
        height: size.1,
        planes,
        pixel_rad,
    })
}

/// A picture's samples as its file has them.
struct Samples {
    size: [usize; 2],
    orientation: u32,
    kind: ColorType,
    sample_bytes: usize,
    full_scale: f32,
    bytes: Vec<u8>,
}

fn samples(
    mut decoder: impl ImageDecoder,
    format: Format,
    limits: &Limits,
) -> Result<Samples, DecodeError> {
    let (width, height) = decoder.dimensions();
    limits.check_frame(width.into(), height.into())?;
    // A broken orientation tag is no reason to refuse a sound picture.
    let orientation = decoder.orientation().map_or(1, |turn| turn.to_exif());
    let kind = decoder.color_type();
    let (sample_bytes, full_scale) = match kind {
        ColorType::L8 | ColorType::La8 | ColorType::Rgb8 | ColorType::Rgba8 => (1, 255.0),
        ColorType::L16 | ColorType::La16 | ColorType::Rgb16 | ColorType::Rgba16 => (2, 65535.0),
        other => {
            return Err(DecodeError::UnsupportedKind {
                format,
                what: format!("pixels of the kind {other:?}"),
            });
        }
    };
    let mut bytes = vec![0; decoder.total_bytes() as usize];
    decoder
        .read_image(&mut bytes)
        .map_err(|error| explain(format, error))?;
    Ok(Samples {
        size: [width as usize, height as usize],
        orientation: orientation.into(),
        kind,
        sample_bytes,
        full_scale,
        bytes,
    })
}

fn read(
    decoder: impl ImageDecoder,
    format: Format,
    name: String,
    limits: &Limits,
) -> Result<Picture, DecodeError> {
    let Samples {
        size: [width, height],
        orientation,
        kind,
        sample_bytes,
        full_scale,
        bytes,
    } = samples(decoder, format, limits)?;

    let sample = |pixel: &[u8], channel: usize| -> f32 {
        match *pixel {
            [..] if format == Format::Jpeg => linear_light(pixel[channel]),
            [..] if sample_bytes == 1 => pixel[channel].into(),
            _ => u16::from_ne_bytes([pixel[2 * channel], pixel[2 * channel + 1]]).into(),
        }
    };
    let colour = kind.has_color();
    let mut data: Vec<f32> = bytes
        .chunks_exact(kind.bytes_per_pixel().into())
        .map(|pixel| match colour {
            false => sample(pixel, 0),
            true => (0..3)
                .map(|channel| colour::part(sample(pixel, channel), channel, Some(full_scale)))
                .sum::<f32>()
                .min(full_scale),
        })
        .collect();
    let (width, height) = colour::orient(&mut data, width, height, orientation);
    let frame = Frame {
        width,
        height,
        data,
        full_scale: Some(full_scale),
        name,
    };
    Ok((frame, colour))
}

/// The light behind a JPEG's value, 0 to 255: cameras and programs write JPEG
/// with the sRGB curve (IEC 61966-2-1, equations 5 and 6; JFIF names no other),
/// and a curve would shift every edge that is cut at a share of its level.
fn linear_light(value: u8) -> f32 {
    linear(f64::from(value) / 255.0)
}

/// The same of a value from 0 to 1.
fn linear(v: f64) -> f32 {
    let light = if v <= 0.040_45 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    };
    (255.0 * light) as f32
}

fn explain(format: Format, error: ImageError) -> DecodeError {
    match error {
        ImageError::IoError(error) if error.kind() == ErrorKind::UnexpectedEof => {
            DecodeError::Truncated {
                what: format!("the {format} data stop before their end mark"),
            }
        }
        ImageError::IoError(error) => DecodeError::of_io(&error),
        ImageError::Unsupported(error) => DecodeError::UnsupportedKind {
            format,
            what: error.to_string(),
        },
        error => DecodeError::Damaged {
            format,
            why: error.to_string(),
        },
    }
}

/// Whether a JPEG's data go on to their end mark (ISO/IEC 10918-1 annex B). A decoder
/// fills up what is missing with grey and says nothing.
pub fn reaches_end_mark(jpeg: &[u8]) -> bool {
    scans(jpeg).is_some()
}

/// Follows a JPEG's segments to its end mark and counts the scans on the way; `None`
/// where there is no end mark. Marks inside segments, such as a preview's, do not count.
fn scans(bytes: &[u8]) -> Option<usize> {
    let mut rest = bytes.get(2..)?;
    let mut count = 0;
    loop {
        // Coded data before a mark: ff 00 is a data byte, ff d0 to ff d7 a restart.
        let at = rest.windows(2).position(|pair| {
            pair[0] == 0xff && !matches!(pair[1], 0x00 | 0xff | 0x01 | 0xd0..=0xd8)
        })?;
        match rest[at + 1] {
            0xd9 => return Some(count),
            0xda => count += 1,
            _ => {}
        }
        let &[high, low] = rest.get(at + 2..at + 4)? else {
            return None;
        };
        let segment = usize::from(u16::from_be_bytes([high, low])).max(2);
        rest = rest.get(at + 2 + segment..)?;
    }
}
