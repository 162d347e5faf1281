//! Files in, frames out.
//!
//! [`FrameReader`] opens a file, tells its format by what is in it (never by
//! its name) and hands out its pictures one at a time as
//! [`Frame`]s: as displayed, first row on top, colour turned to luminance.
//! Memory holds one picture whatever the file says of itself, and every file
//! that cannot be read is refused with a [`DecodeError`] that says why and what
//! to do.
//!
//! # What is read
//! - **FITS** (FITS 4.0), plain or gzipped: pictures and cubes in the primary
//!   unit and in image extensions, all BITPIX, BSCALE and BZERO, BLANK and NaN.
//!   The first row is at the bottom unless ROWORDER says TOP-DOWN (common
//!   practice, not in the standard). A third axis is time, a plane a frame,
//!   unless it is 3 long and CTYPE3 says RGB. Extensions named as masks,
//!   weights or errors are passed over. A Bayer mosaic (BAYERPAT) becomes
//!   luminance without moving the star: each pixel is the mean of its
//!   neighbourhood with the weights (1 2 1) x (1 2 1) / 16, which is
//!   R/4 + G/2 + B/4 at every place of the pattern, so the pattern's corner
//!   (XBAYROFF, YBAYROFF, ROWORDER) need not be known. The star grows by a variance of half a square
//!   pixel along each axis. Tile-compressed files are refused with the mend.
//! - **PNG** of 1 to 16 bits, grey, colour or palette, alpha ignored; the first
//!   picture of an animated one.
//! - **TIFF** and BigTIFF of 8 to 64 bits, whole numbers or floats, grey or
//!   colour, strips or tiles, every page that is not marked as a preview or mask.
//! - **JPEG**, grey or colour, turned back to linear light.
//!
//! PNG, TIFF and JPEG are turned as their orientation tag says they are shown.
//! Luminance is R/4 + G/2 + B/4 throughout; a pixel with any colour at the full
//! scale is given the full scale, so that clipping cannot hide behind a mean.
//! What a file may cost is bounded by what it may yield: its bytes are handed out four
//! times over at most, gzip may unpack to 30 times its size (and one large picture), a
//! JPEG has 40 scans at most, tiles may be padding for three parts in four.
//! Values are not rescaled. The sRGB curve of a JPEG is undone, since edges are
//! cut at shares of the light; other formats are taken as linear.
//!
//! Pixels without a value (NaN, BLANK, infinite or beyond 1e30) are given the median of their
//! neighbours when there are few of them (see [`Limits::max_bad_share`]), else
//! the picture is refused.
//!
//! # Why the FITS reader is our own
//! The FITS crate at hand (fitsrs 0.4.1) was tried on files that lie: axes whose
//! product passes 64 bits stop the program in a checked build, a
//! file cut short gives fewer pixels and no error, a header without END is
//! kept in memory as far as it goes, and gzip is unpacked whole before the first
//! byte is looked at. Pictures need a small part of the standard; that part is
//! in `header` and `fits`.

mod bytes;
mod colour;
mod error;
mod fits;
mod header;
mod hints;
mod raster;
mod tiff;

use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::Path;

use super::frame::Frame;
use bytes::{Input, Source, Stream};
pub use error::DecodeError;
use fits::FitsFrames;
pub use hints::Hints;
pub use raster::reaches_end_mark;
use tiff::TiffFrames;

/// How much of a file we agree to read.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Bytes of a file, and bytes that come out of a gzipped one.
    pub max_bytes: u64,
    /// Pixels of one picture (a colour pixel counts once).
    pub max_pixels_per_frame: u64,
    /// Pictures of one file.
    pub max_frames: u64,
    /// Bytes of one FITS header.
    pub max_header_bytes: u64,
    /// Bytes of a file whose format must be held whole to be read (JPEG).
    pub max_whole_bytes: u64,
    /// Share of a picture's pixels that may lack a value and be mended.
    pub max_bad_share: f64,
    /// When reading must have ended; a file that takes longer is refused.
    pub deadline: Option<std::time::Instant>,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            max_bytes: 4 << 30,
            max_pixels_per_frame: 64_000_000,
            max_frames: 20_000,
            max_header_bytes: 500 * header::BLOCK as u64,
            max_whole_bytes: 256 << 20,
            max_bad_share: 0.005,
            deadline: None,
        }
    }
}

impl Limits {
    fn check_frame(&self, width: u64, height: u64) -> Result<(), DecodeError> {
        if width == 0 || height == 0 {
            return Err(DecodeError::EmptyFrame { width, height });
        }
        match width.checked_mul(height) {
            Some(pixels) if pixels <= self.max_pixels_per_frame => Ok(()),
            _ => Err(DecodeError::FrameTooLarge {
                width,
                height,
                limit_pixels: self.max_pixels_per_frame,
            }),
        }
    }
}

/// The formats that are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Format {
    /// FITS 4.0.
    Fits,
    /// PNG (ISO/IEC 15948).
    Png,
    /// TIFF 6.0 and BigTIFF.
    Tiff,
    /// JPEG (ISO/IEC 10918).
    Jpeg,
}

impl std::fmt::Display for Format {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str(match self {
            Self::Fits => "FITS",
            Self::Png => "PNG",
            Self::Tiff => "TIFF",
            Self::Jpeg => "JPEG",
        })
    }
}

/// The pictures of one file, one at a time.
///
/// An iterator: after an error it goes on only if
/// [`DecodeError::is_frame_only`], else it is at its end.
///
/// ```
/// use startest::decode::{FrameReader, Limits};
/// # let mut fits = String::new();
/// # for card in ["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 2", "NAXIS2  = 1", "END"] {
/// #     fits += &format!("{card:<80}");
/// # }
/// # let mut file = format!("{fits:<2880}").into_bytes();
/// # file.extend([7, 9]);
/// let frames: Vec<_> = FrameReader::from_bytes("star.fits", file, &Limits::default())?
///     .collect::<Result<_, _>>()?;
/// assert_eq!(frames[0].data, [7.0, 9.0]);
/// # Ok::<(), startest::decode::DecodeError>(())
/// ```
pub struct FrameReader {
    format: Format,
    hints: Hints,
    frames: Option<Frames>,
    given: u64,
    limits: Limits,
}

enum Frames {
    Fits(Box<FitsFrames>),
    Tiff(Box<TiffFrames>),
    /// A file of one picture, decoded when it was opened.
    Single(Option<Frame>),
}

impl std::fmt::Debug for FrameReader {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("FrameReader")
            .field("format", &self.format)
            .field("given", &self.given)
            .finish_non_exhaustive()
    }
}

impl FrameReader {
    /// Opens a file. Frames are named after the file, without its folder.
    ///
    /// # Errors
    /// Any [`DecodeError`] that shows before the first picture.
    pub fn open(path: impl AsRef<Path>, limits: &Limits) -> Result<Self, DecodeError> {
        let path = path.as_ref();
        let name = path
            .file_name()
            .map_or_else(|| "frame".into(), |name| name.to_string_lossy());
        let file = File::open(path).map_err(|error| DecodeError::Io(error.to_string()))?;
        Self::from_reader(name, file, limits)
    }

    /// Reads a file that is in memory.
    ///
    /// # Errors
    /// As [`FrameReader::open`].
    pub fn from_bytes(
        name: impl Into<String>,
        bytes: impl AsRef<[u8]> + Send + 'static,
        limits: &Limits,
    ) -> Result<Self, DecodeError> {
        Self::from_reader(name, Cursor::new(bytes), limits)
    }

    /// Reads from anything that can be read and sought, from its beginning.
    ///
    /// # Errors
    /// As [`FrameReader::open`].
    pub fn from_reader(
        name: impl Into<String>,
        reader: impl Read + Seek + Send + 'static,
        limits: &Limits,
    ) -> Result<Self, DecodeError> {
        let name = name.into();
        let (input, length, start) = begun(Box::new(reader), limits)?;

        let limits = limits.clone();
        let (format, frames, hints) = match sniff(&start)? {
            Kind::Fits => fits_frames(Stream::plain(input, length), name, &limits)?,
            Kind::GzipFits => {
                match fits_frames(Stream::gzip(input, length, &limits), name, &limits) {
                    // Nothing of FITS was seen yet: it is some other packed file.
                    Err(DecodeError::BadHeader { why, .. }) if why == header::NOT_FITS => {
                        return Err(DecodeError::UnsupportedFormat(
                            "a gzip file without FITS in it",
                        ));
                    }
                    other => other?,
                }
            }
            Kind::Png => single(Format::Png, raster::read_png(input, name, &limits)?),
            Kind::Jpeg => single(
                Format::Jpeg,
                raster::read_jpeg(input, length, name, &limits)?,
            ),
            Kind::Tiff => {
                let (tiff, colour) = TiffFrames::open(input, name, limits.clone())?;
                (
                    Format::Tiff,
                    Frames::Tiff(Box::new(tiff)),
                    colour_hint(colour),
                )
            }
        };
        Ok(Self {
            format,
            hints,
            frames: Some(frames),
            given: 0,
            limits,
        })
    }

    /// What kind of file it is.
    pub fn format(&self) -> Format {
        self.format
    }

    /// What the file says of the instrument and the camera.
    pub fn hints(&self) -> &Hints {
        &self.hints
    }
}

impl Iterator for FrameReader {
    type Item = Result<Frame, DecodeError>;

    fn next(&mut self) -> Option<Self::Item> {
        let next = match self.frames.as_mut()? {
            Frames::Fits(fits) => fits.next_frame(),
            Frames::Tiff(tiff) => tiff.next_frame(),
            Frames::Single(frame) => Ok(frame.take()),
        };
        let late = self
            .limits
            .deadline
            .is_some_and(|end| std::time::Instant::now() > end);
        let next = match next {
            Ok(Some(_)) if self.given >= self.limits.max_frames => {
                Err(DecodeError::TooManyFrames {
                    limit: self.limits.max_frames,
                })
            }
            Ok(Some(_)) if late => Err(DecodeError::OutOfTime),
            other => other,
        };
        self.given += 1;
        if !matches!(&next, Ok(Some(_))) && !next.as_ref().is_err_and(DecodeError::is_frame_only) {
            self.frames = None;
        }
        next.transpose()
    }
}

fn fits_frames(
    stream: Stream,
    name: String,
    limits: &Limits,
) -> Result<(Format, Frames, Hints), DecodeError> {
    let (fits, hints) = FitsFrames::open(stream, name, limits.clone())?;
    Ok((Format::Fits, Frames::Fits(Box::new(fits)), hints))
}

fn single(format: Format, (frame, colour): raster::Picture) -> (Format, Frames, Hints) {
    (format, Frames::Single(Some(frame)), colour_hint(colour))
}

fn colour_hint(colour: bool) -> Hints {
    Hints {
        colour: colour.then_some(true),
        ..Hints::default()
    }
}

enum Kind {
    Fits,
    GzipFits,
    Png,
    Tiff,
    Jpeg,
}

/// Tells the format by a file's first bytes.
/// A still of a phone: its colours apart, in linear light.
#[derive(Debug, Clone, PartialEq)]
pub struct Still {
    /// File name, for messages.
    pub name: String,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Red, green and blue (or one, of a grey picture), 0 to 255, row by row from the top.
    pub colours: Vec<Vec<f32>>,
    /// How wide a pixel in the picture's middle sees, radians, where the file says what
    /// focal length its camera has.
    pub pixel_rad: Option<f64>,
}

impl Still {
    /// Opens a JPEG or PNG file.
    ///
    /// # Errors
    /// As [`FrameReader::open`], and for the other formats.
    pub fn open(path: impl AsRef<Path>, limits: &Limits) -> Result<Self, DecodeError> {
        let path = path.as_ref();
        let name = path
            .file_name()
            .map_or_else(|| "still".into(), |name| name.to_string_lossy());
        let file = File::open(path).map_err(|error| DecodeError::Io(error.to_string()))?;
        Self::from_reader(name, file, limits)
    }

    /// Reads from anything that can be read and sought, from its beginning.
    ///
    /// # Errors
    /// As [`Still::open`].
    pub fn from_reader(
        name: impl Into<String>,
        reader: impl Read + Seek + Send + 'static,
        limits: &Limits,
    ) -> Result<Self, DecodeError> {
        let (input, length, start) = begun(Box::new(reader), limits)?;
        let format = match sniff(&start)? {
            Kind::Png => Format::Png,
            Kind::Jpeg => Format::Jpeg,
            _ => {
                return Err(DecodeError::UnsupportedFormat(
                    "no JPEG or PNG, as a phone's stills are",
                ));
            }
        };
        let read = raster::read_colours(format, input, length, limits)?;
        Ok(Self {
            name: name.into(),
            width: read.width,
            height: read.height,
            colours: read.planes,
            pixel_rad: read.pixel_rad,
        })
    }
}

/// A file at its beginning: what is to be read of it, its length and its first bytes.
fn begun(
    mut reader: Box<dyn Source>,
    limits: &Limits,
) -> Result<(Input, u64, Vec<u8>), DecodeError> {
    let io = |error: std::io::Error| DecodeError::of_io(&error);
    let length = reader.seek(SeekFrom::End(0)).map_err(io)?;
    if length > limits.max_bytes {
        return Err(DecodeError::FileTooLarge {
            limit_bytes: limits.max_bytes,
            unpacked: false,
        });
    }
    reader.seek(SeekFrom::Start(0)).map_err(io)?;
    let mut start = Vec::with_capacity(16);
    reader
        .by_ref()
        .take(16)
        .read_to_end(&mut start)
        .map_err(io)?;
    reader.seek(SeekFrom::Start(0)).map_err(io)?;
    Ok((Input::new(reader, length, limits), length, start))
}

fn sniff(start: &[u8]) -> Result<Kind, DecodeError> {
    const RAW: &str = "a camera's own raw file";
    const PACKED: &str = "a packed archive";
    const VIDEO: &str = "a video";
    let refused = |what| Err(DecodeError::UnsupportedFormat(what));
    match start {
        [b'S', b'I', b'M', b'P', b'L', b'E', b' ', b' ', b'=', ..] => Ok(Kind::Fits),
        [0x1f, 0x8b, ..] => Ok(Kind::GzipFits),
        [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, ..] => Ok(Kind::Png),
        [0xff, 0xd8, 0xff, ..] => Ok(Kind::Jpeg),
        [b'I', b'I', 42, 0, _, _, _, _, b'C', b'R', ..] => refused(RAW),
        [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => Ok(Kind::Tiff),
        [b'I', b'I', b'R' | b'U', ..] => refused(RAW),
        _ if start.starts_with(b"FUJIFILM") => refused(RAW),
        [b'P', b'K', 3 | 5, 4 | 6, ..]
        | [b'B', b'Z', b'h', ..]
        | [0xfd, b'7', b'z', b'X', b'Z', ..]
        | [b'7', b'z', 0xbc, 0xaf, ..]
        | [0x28, 0xb5, 0x2f, 0xfd, ..]
        | [0x1f, 0x9d, ..] => refused(PACKED),
        [
            b'R',
            b'I',
            b'F',
            b'F',
            _,
            _,
            _,
            _,
            b'W',
            b'E',
            b'B',
            b'P',
            ..,
        ] => refused("a WebP picture"),
        [b'R', b'I', b'F', b'F', ..] => refused(VIDEO),
        _ if start.starts_with(b"LUCAM-RECORDER") => refused(VIDEO),
        [
            _,
            _,
            _,
            _,
            b'f',
            b't',
            b'y',
            b'p',
            b'h' | b'm',
            b'e' | b'i',
            ..,
        ] => refused("an HEIF picture"),
        [_, _, _, _, b'f', b't', b'y', b'p', ..] => refused("a video or an AVIF picture"),
        [b'G', b'I', b'F', b'8', ..] => refused("a GIF picture"),
        [b'B', b'M', ..] => refused("a BMP picture"),
        _ if start.starts_with(b"%PDF") => refused("a PDF document"),
        _ => Err(unknown(start)),
    }
}

fn unknown(start: &[u8]) -> DecodeError {
    let seen = match start {
        [] => "nothing: it is empty".to_owned(),
        _ => format!(
            "{:?}",
            String::from_utf8_lossy(&start[..start.len().min(8)])
        ),
    };
    DecodeError::UnknownFormat(seen)
}

/// A frame's name: the file's, and which part of it.
fn frame_name(file: &str, parts: impl IntoIterator<Item = String>) -> String {
    parts
        .into_iter()
        .fold(file.to_owned(), |name, part| format!("{name}, {part}"))
}
