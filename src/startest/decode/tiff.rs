//! TIFF, decoded by the `tiff` crate a strip or tile at a time.

use std::io::ErrorKind;

use tiff::decoder::{Decoder, DecodingResult};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::bytes::Input;
use super::raster::guarded;
use super::{DecodeError, Format, Limits, colour, frame_name};
use crate::frame::Frame;

/// The pages of one TIFF file, in their order.
pub(super) struct TiffFrames {
    decoder: Decoder<Input>,
    limits: Limits,
    name: String,
    page: u64,
    given: u64,
}

/// How a page keeps its pixels.
struct Layout {
    width: usize,
    height: usize,
    /// Values of one pixel in the file, alpha included.
    samples: usize,
    colour: bool,
    /// Each sample in a plane of its own (TIFF 6.0, PlanarConfiguration 2).
    planar: bool,
}

impl TiffFrames {
    /// Reads the first directory. Also tells whether the picture is in colour.
    pub fn open(input: Input, name: String, limits: Limits) -> Result<(Self, bool), DecodeError> {
        guarded(Format::Tiff, || {
            // One strip of the largest picture in colour, 32 bits a sample.
            let most = usize::try_from(limits.max_pixels_per_frame.saturating_mul(12))
                .unwrap_or(usize::MAX);
            let mut bounds = tiff::decoder::Limits::default();
            bounds.decoding_buffer_size = most;
            bounds.intermediate_buffer_size = most;
            let mut decoder = Decoder::new(input).map_err(explain)?.with_limits(bounds);
            if number(&mut decoder, Tag::Unknown(DNG_VERSION)).is_some() {
                return Err(unsupported("a camera's raw sensor data"));
            }
            let colour = matches!(
                decoder.colortype(),
                Ok(ColorType::RGB(_) | ColorType::RGBA(_))
            );
            let frames = Self {
                decoder,
                limits,
                name,
                page: 0,
                given: 0,
            };
            Ok((frames, colour))
        })
    }

    /// The next page that is a picture; `Ok(None)` after the last.
    pub fn next_frame(&mut self) -> Result<Option<Frame>, DecodeError> {
        guarded(Format::Tiff, || {
            loop {
                if self.page > 0 {
                    if !self.decoder.more_images() {
                        return match self.given {
                            0 => Err(DecodeError::NoImage(Format::Tiff)),
                            _ => Ok(None),
                        };
                    }
                    self.decoder.next_image().map_err(explain)?;
                }
                self.page += 1;
                // Previews and masks count as well.
                if self.page > 2 * self.limits.max_frames {
                    return Err(DecodeError::TooManyFrames {
                        limit: self.limits.max_frames,
                    });
                }
                // TIFF 6.0 NewSubfileType: bit 0 a smaller version, bit 2 a mask.
                let kind = number(&mut self.decoder, Tag::NewSubfileType).unwrap_or(0);
                if kind & 0b101 == 0 {
                    self.given += 1;
                    return self.read_page().map(Some);
                }
            }
        })
    }

    fn read_page(&mut self) -> Result<Frame, DecodeError> {
        let (width, height) = self.decoder.dimensions().map_err(explain)?;
        self.limits.check_frame(width.into(), height.into())?;
        let layout = self.layout(width as usize, height as usize)?;
        let orientation = number(&mut self.decoder, Tag::Orientation).unwrap_or(1);
        let (mut data, full_scale) = self.read_pixels(&layout)?;
        colour::mend(&mut data, layout.width, 1, full_scale, &self.limits)?;
        let (width, height) = colour::orient(&mut data, layout.width, layout.height, orientation);
        let several = self.page > 1 || self.decoder.more_images();
        Ok(Frame {
            width,
            height,
            data,
            full_scale,
            name: frame_name(&self.name, several.then(|| format!("page {}", self.page))),
        })
    }

    fn layout(&mut self, width: usize, height: usize) -> Result<Layout, DecodeError> {
        let kind = self.decoder.colortype().map_err(explain)?;
        let (samples, bits, colour) = match kind {
            ColorType::Gray(bits) => (1, bits, false),
            ColorType::GrayA(bits) => (2, bits, false),
            ColorType::RGB(bits) => (3, bits, true),
            ColorType::RGBA(bits) => (4, bits, true),
            other => return Err(unsupported(format!("pixels of the kind {other:?}"))),
        };
        if !matches!(bits, 8 | 16 | 32 | 64) {
            return Err(unsupported(format!("pixels of {bits} bits")));
        }
        Ok(Layout {
            width,
            height,
            samples,
            colour,
            planar: number(&mut self.decoder, Tag::PlanarConfiguration) == Some(2),
        })
    }

    fn read_pixels(&mut self, layout: &Layout) -> Result<(Vec<f32>, Option<f32>), DecodeError> {
        let (chunk_width, chunk_height) = self.decoder.chunk_dimensions();
        let (chunk_width, chunk_height) = (chunk_width as usize, chunk_height as usize);
        if chunk_width == 0 || chunk_height == 0 {
            return Err(damaged("strips or tiles without pixels"));
        }
        let across = layout.width.div_ceil(chunk_width);
        let chunks = across * layout.height.div_ceil(chunk_height);
        // Rows of a tile are unpacked whole, padding too.
        let unpacked = (across * chunk_width).saturating_mul(layout.height);
        if unpacked > (layout.width * layout.height * 4).saturating_add(PADDING_PIXELS) {
            return Err(DecodeError::OutOfBudget);
        }
        let channels = if layout.colour { 3 } else { 1 };
        let (planes, stride) = if layout.planar {
            (channels, 1)
        } else {
            (1, layout.samples)
        };
        let mut data = vec![0.0; layout.width * layout.height];
        let mut full_scale = None;
        for plane in 0..planes {
            for chunk in 0..chunks {
                let index = u32::try_from(plane * chunks + chunk)
                    .map_err(|_| damaged("more strips than can be counted"))?;
                let part = self.decoder.read_chunk(index).map_err(explain)?;
                let (part_width, part_height) = self.decoder.chunk_data_dimensions(index);
                let (part_width, part_height) = (part_width as usize, part_height as usize);
                let (count, sample, full) = samples(&part);
                full_scale = full;
                let (left, top) = (chunk % across * chunk_width, chunk / across * chunk_height);
                if count < part_width * part_height * stride
                    || left + part_width > layout.width
                    || top + part_height > layout.height
                {
                    return Err(damaged("a strip or tile does not fit the picture"));
                }
                for y in 0..part_height {
                    let start = (top + y) * layout.width + left;
                    for (x, pixel) in data[start..start + part_width].iter_mut().enumerate() {
                        let at = (y * part_width + x) * stride;
                        *pixel += match layout.colour {
                            false => sample(at),
                            true if layout.planar => colour::part(sample(at), plane, full),
                            true => (0..3)
                                .map(|channel| colour::part(sample(at + channel), channel, full))
                                .sum(),
                        };
                    }
                }
            }
        }
        Ok((data, full_scale))
    }
}

/// Tiles may be padding for three parts in four, and so much more in a small picture.
const PADDING_PIXELS: usize = 16 << 20;

/// Adobe's tag 50706, by which a raw sensor file in TIFF clothing is known.
const DNG_VERSION: u16 = 50706;

type Sampler<'a> = Box<dyn Fn(usize) -> f32 + 'a>;

/// How many values there are, how to get one as `f32` (NaN for none), and the
/// level at which the type is full.
fn samples(part: &DecodingResult) -> (usize, Sampler<'_>, Option<f32>) {
    macro_rules! whole {
        ($values:expr, $kind:ty) => {
            (
                $values.len(),
                Box::new(|at: usize| $values[at] as f32),
                Some(<$kind>::MAX as f32),
            )
        };
    }
    match part {
        DecodingResult::U8(values) => whole!(values, u8),
        DecodingResult::U16(values) => whole!(values, u16),
        DecodingResult::U32(values) => whole!(values, u32),
        DecodingResult::U64(values) => whole!(values, u64),
        DecodingResult::I8(values) => whole!(values, i8),
        DecodingResult::I16(values) => whole!(values, i16),
        DecodingResult::I32(values) => whole!(values, i32),
        DecodingResult::I64(values) => whole!(values, i64),
        DecodingResult::F16(values) => (
            values.len(),
            Box::new(|at| colour::value_or_none(values[at].to_f64())),
            None,
        ),
        DecodingResult::F32(values) => (
            values.len(),
            Box::new(|at| colour::value_or_none(values[at].into())),
            None,
        ),
        DecodingResult::F64(values) => (
            values.len(),
            Box::new(|at| colour::value_or_none(values[at])),
            None,
        ),
    }
}

/// A tag with one whole number, if it is there and is one.
fn number(decoder: &mut Decoder<Input>, tag: Tag) -> Option<u32> {
    let values: Vec<u32> = decoder.find_tag_unsigned_vec(tag).ok()??;
    values.first().copied()
}

fn unsupported(what: impl Into<String>) -> DecodeError {
    DecodeError::UnsupportedKind {
        format: Format::Tiff,
        what: what.into(),
    }
}

fn damaged(why: impl Into<String>) -> DecodeError {
    DecodeError::Damaged {
        format: Format::Tiff,
        why: why.into(),
    }
}

fn explain(error: TiffError) -> DecodeError {
    match error {
        TiffError::IoError(error) if error.kind() == ErrorKind::UnexpectedEof => {
            DecodeError::Truncated {
                what: "the TIFF data lie beyond the end of the file".into(),
            }
        }
        TiffError::IoError(error) => DecodeError::of_io(&error),
        TiffError::UnsupportedError(error) => unsupported(error.to_string()),
        TiffError::LimitsExceeded => {
            damaged("a strip, tile or tag is larger than any picture needs")
        }
        error => damaged(error.to_string()),
    }
}
