//! A strict little FITS reader for pictures (FITS 4.0, IAU FITS Working Group
//! 2018): one plane in memory at a time, and never more of it than the file
//! really holds.

use super::bytes::Stream;
use super::header::{BLOCK, Header, short, wrong};
use super::hints::{Hints, fits_datetime};
use super::{DecodeError, Format, Limits, colour, frame_name};
use crate::frame::Frame;

/// Extensions that go with a picture and are not one.
const NOT_PICTURES: [&str; 9] = [
    "MASK", "DQ", "WHT", "WEIGHT", "WEIGHTS", "ERR", "VAR", "UNCERT", "CATALOG",
];

/// The pictures of one FITS file, in their order.
pub(super) struct FitsFrames {
    stream: Stream,
    limits: Limits,
    name: String,
    primary: Header,
    unit: Option<Unit>,
    extension: u64,
}

/// One image data unit while it is being read.
struct Unit {
    pixels: Pixels,
    width: usize,
    height: usize,
    /// 3 when the third axis is colour, else 1.
    channels: usize,
    frames: u64,
    next: u64,
    zero: f64,
    scale: f64,
    blank: Option<i64>,
    full_scale: Option<f32>,
    top_down: bool,
    mosaic: bool,
    /// Fill bytes up to the end of the block (FITS 4.0 §3.3.2).
    fill: u64,
    extension: u64,
}

#[derive(Clone, Copy, PartialEq)]
enum Pixels {
    U8,
    I16,
    I32,
    I64,
    F32,
    F64,
}

impl Pixels {
    /// FITS 4.0 Table 8.
    fn from_bitpix(bitpix: i64) -> Result<Self, DecodeError> {
        Ok(match bitpix {
            8 => Self::U8,
            16 => Self::I16,
            32 => Self::I32,
            64 => Self::I64,
            -32 => Self::F32,
            -64 => Self::F64,
            other => {
                return Err(wrong(format!(
                    "BITPIX is {other}, not one of 8, 16, 32, 64, -32, -64"
                )));
            }
        })
    }

    fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::I16 => 2,
            Self::I32 | Self::F32 => 4,
            Self::I64 | Self::F64 => 8,
        }
    }

    /// Lowest and highest stored value; `None` for floats.
    fn range(self) -> Option<(f64, f64)> {
        match self {
            Self::U8 => Some((0.0, 255.0)),
            Self::I16 => Some((i16::MIN.into(), i16::MAX.into())),
            Self::I32 => Some((i32::MIN.into(), i32::MAX.into())),
            Self::I64 => Some((i64::MIN as f64, i64::MAX as f64)),
            Self::F32 | Self::F64 => None,
        }
    }
}

impl FitsFrames {
    /// Reads headers up to the first picture.
    pub fn open(
        mut stream: Stream,
        name: String,
        limits: Limits,
    ) -> Result<(Self, Hints), DecodeError> {
        let Some(primary) = Header::read(&mut stream, true, limits.max_header_bytes)? else {
            return Err(DecodeError::NoImage(Format::Fits));
        };
        if primary.logical("SIMPLE") != Some(true) {
            return Err(wrong(
                "SIMPLE is not T, so the file does not claim to be FITS",
            ));
        }
        let mut frames = Self {
            stream,
            limits,
            name,
            primary: primary.clone(),
            unit: None,
            extension: 0,
        };
        let header = if frames.enter(&primary, true)? {
            primary
        } else {
            frames
                .advance()?
                .ok_or(DecodeError::NoImage(Format::Fits))?
        };
        let hints = frames.hints(&header);
        Ok((frames, hints))
    }

    /// The next picture; `Ok(None)` after the last.
    pub fn next_frame(&mut self) -> Result<Option<Frame>, DecodeError> {
        loop {
            let Some(unit) = &mut self.unit else {
                return Ok(None);
            };
            if unit.next < unit.frames {
                unit.next += 1;
                return read_frame(&mut self.stream, unit, &self.limits, &self.name).map(Some);
            }
            let fill = unit.fill;
            self.unit = None;
            // A last block without its fill has all its pixels: let it pass.
            if !self.stream.skip(fill)? || self.advance()?.is_none() {
                return Ok(None);
            }
        }
    }

    /// Goes on to the next extension that holds a picture and returns its header.
    fn advance(&mut self) -> Result<Option<Header>, DecodeError> {
        while let Some(header) =
            Header::read(&mut self.stream, false, self.limits.max_header_bytes)?
        {
            self.extension += 1;
            if self.enter(&header, false)? {
                return Ok(Some(header));
            }
        }
        Ok(None)
    }

    /// Makes the data unit of `header` the current one if it is a picture,
    /// else goes past it.
    fn enter(&mut self, header: &Header, primary: bool) -> Result<bool, DecodeError> {
        let pixels = Pixels::from_bitpix(header.integer("BITPIX")?)?;
        let naxis = header.count("NAXIS", None)?;
        if naxis > 999 {
            return Err(wrong(format!("NAXIS is {naxis}; the standard allows 999")));
        }
        let axes = (1..=naxis)
            .map(|axis| header.count(&format!("NAXIS{axis}"), None))
            .collect::<Result<Vec<u64>, _>>()?;
        if primary && header.logical("GROUPS") == Some(true) && axes.first() == Some(&0) {
            return Err(DecodeError::UnsupportedKind {
                format: Format::Fits,
                what: "random groups".into(),
            });
        }
        let size = unit_bytes(header, pixels, &axes)?;
        let kind = if primary {
            "IMAGE"
        } else {
            header.text("XTENSION").unwrap_or_default()
        };
        if kind == "BINTABLE" && header.logical("ZIMAGE") == Some(true) {
            return Err(DecodeError::TileCompressed);
        }
        let named = header.text("EXTNAME").unwrap_or_default();
        let aside = NOT_PICTURES
            .iter()
            .any(|word| named.eq_ignore_ascii_case(word));
        if kind != "IMAGE" || axes.len() < 2 || aside {
            let fill = fill_bytes(size);
            if !self.stream.skip(size)? {
                return Err(short(format!(
                    "a data unit of {size} bytes stands in the header and is not all there"
                )));
            }
            self.stream.skip(fill)?;
            return Ok(false);
        }
        self.unit = Some(self.unit(header, pixels, &axes, size)?);
        Ok(true)
    }

    fn unit(
        &self,
        header: &Header,
        pixels: Pixels,
        axes: &[u64],
        size: u64,
    ) -> Result<Unit, DecodeError> {
        let (width, height) = (axes[0], axes[1]);
        if axes.contains(&0) {
            return Err(DecodeError::EmptyFrame { width, height });
        }
        self.limits.check_frame(width, height)?;
        let either = |keyword| header.text(keyword).or_else(|| self.primary.text(keyword));
        let is_colour = axes.get(2) == Some(&3)
            && header.text("CTYPE3").is_some_and(|axis| {
                ["RGB", "COLOR", "COLOUR"]
                    .iter()
                    .any(|word| axis.eq_ignore_ascii_case(word))
            });
        let channels = if is_colour { 3 } else { 1 };
        let planes: u64 = axes[2..].iter().product();
        // FITS 4.0 §7.1.1: an image extension has PCOUNT 0 and GCOUNT 1.
        if size != width * height * planes * pixels.bytes() as u64 {
            return Err(wrong("PCOUNT or GCOUNT is not what a picture must have"));
        }

        let number = |keyword, default| match header.value(keyword) {
            None => Ok(default),
            Some(_) => header
                .real(keyword)
                .ok_or_else(|| wrong(format!("{keyword} is not a number"))),
        };
        let (zero, scale) = (number("BZERO", 0.0)?, number("BSCALE", 1.0)?);
        if scale == 0.0 {
            return Err(wrong("BSCALE is 0, which makes every pixel alike"));
        }
        // FITS 4.0 §4.4.2.5: BLANK has a meaning for integers only.
        let blank = match (pixels.range(), header.value("BLANK")) {
            (Some(_), Some(_)) => Some(header.integer("BLANK")?),
            _ => None,
        };
        let format_full = pixels
            .range()
            .map(|(low, high)| (zero + scale * low).max(zero + scale * high));
        // SATURATE is common practice, not in the standard. DATAMAX is in it,
        // but states the highest value that occurs, not where the sensor fills.
        let stated = header.real("SATURATE").filter(|&level| level > 0.0);
        let full_scale = match (format_full, stated) {
            (Some(format), Some(stated)) => Some(format.min(stated)),
            (format, stated) => format.or(stated),
        };
        let full_scale = full_scale
            .map(|level| level as f32)
            .filter(|level| level.is_finite());

        let mosaic = channels == 1
            && match either("BAYERPAT").or_else(|| either("COLORTYP")) {
                None | Some("") => false,
                Some(pattern) => match pattern.to_ascii_uppercase().as_str() {
                    "RGGB" | "BGGR" | "GRBG" | "GBRG" => true,
                    "MONO" | "NONE" | "GREY" | "GRAY" | "RGB" => false,
                    other => {
                        return Err(DecodeError::UnsupportedKind {
                            format: Format::Fits,
                            what: format!("a colour mosaic of the pattern {other:?}"),
                        });
                    }
                },
            };
        let top_down = match either("ROWORDER").map(str::to_ascii_uppercase).as_deref() {
            None | Some("" | "BOTTOM-UP") => false,
            Some("TOP-DOWN") => true,
            Some(other) => {
                return Err(wrong(format!(
                    "ROWORDER is {other:?}, neither TOP-DOWN nor BOTTOM-UP"
                )));
            }
        };
        Ok(Unit {
            pixels,
            width: width as usize,
            height: height as usize,
            channels,
            frames: planes / channels as u64,
            next: 0,
            zero,
            scale,
            blank,
            full_scale,
            top_down,
            mosaic,
            fill: fill_bytes(size),
            extension: self.extension,
        })
    }

    /// What the first picture's header and, behind it, the primary one say.
    fn hints(&self, header: &Header) -> Hints {
        let text = |keyword| {
            header
                .text(keyword)
                .or_else(|| self.primary.text(keyword))
                .filter(|text| !text.is_empty())
        };
        let positive = |keyword| {
            header
                .real(keyword)
                .or_else(|| self.primary.real(keyword))
                .filter(|&number| number > 0.0)
        };
        let whole = |keyword| {
            positive(keyword)
                .filter(|number| number.fract() == 0.0 && *number <= 64.0)
                .map(|number| number as u32)
        };
        let utc = text("TIMESYS").is_none_or(|system| system.eq_ignore_ascii_case("UTC"));
        Hints {
            pixel_um: positive("XPIXSZ").or_else(|| positive("PIXSIZE1")),
            binning: whole("XBINNING").map(|across| (across, whole("YBINNING").unwrap_or(across))),
            focal_mm: positive("FOCALLEN"),
            aperture_mm: positive("APTDIA"),
            exposure_s: ["EXPTIME", "EXPOSURE", "XPOSURE"]
                .into_iter()
                .find_map(positive),
            observed_at: text("DATE-OBS").filter(|_| utc).and_then(fits_datetime),
            filter: text("FILTER").map(str::to_owned),
            colour: self
                .unit
                .as_ref()
                .map(|unit| unit.mosaic || unit.channels == 3)
                .filter(|&known| known),
        }
    }
}

/// FITS 4.0 §4.4.1.1 and §4.4.1.2: |BITPIX| / 8 x GCOUNT x (PCOUNT + product of axes).
fn unit_bytes(header: &Header, pixels: Pixels, axes: &[u64]) -> Result<u64, DecodeError> {
    let product = match axes {
        [] => Some(0),
        axes => axes
            .iter()
            .try_fold(1_u64, |size, &axis| size.checked_mul(axis)),
    };
    let (pcount, gcount) = (
        header.count("PCOUNT", Some(0))?,
        header.count("GCOUNT", Some(1))?,
    );
    product
        .and_then(|size| size.checked_add(pcount))
        .and_then(|size| size.checked_mul(gcount))
        .and_then(|size| size.checked_mul(pixels.bytes() as u64))
        // Room for the fill and for a position in the file.
        .filter(|&size| size < i64::MAX as u64 / 2)
        .ok_or_else(|| wrong("the sizes of the axes multiply to more than any file can hold"))
}

fn fill_bytes(size: u64) -> u64 {
    size.next_multiple_of(BLOCK as u64) - size
}

/// Reads the next picture of a unit: one plane, or three of colour.
fn read_frame(
    stream: &mut Stream,
    unit: &Unit,
    limits: &Limits,
    name: &str,
) -> Result<Frame, DecodeError> {
    let pixels = unit.width * unit.height;
    let need = (pixels * unit.channels * unit.pixels.bytes()) as u64;
    if let Some(left) = stream.left().filter(|&left| left < need) {
        return Err(short(format!(
            "picture {} of {} needs {need} bytes and {left} are left",
            unit.next, unit.frames
        )));
    }
    let mut data = Vec::new();
    for channel in 0..unit.channels {
        read_plane(stream, unit, pixels, |index, value| {
            let value = if unit.channels == 3 {
                colour::part(value, channel, unit.full_scale)
            } else {
                value
            };
            match data.get_mut(index) {
                Some(sum) => *sum += value,
                None => data.push(value),
            }
        })?;
    }
    let step = if unit.mosaic { 2 } else { 1 };
    colour::mend(&mut data, unit.width, step, unit.full_scale, limits)?;
    if unit.mosaic {
        data = colour::bayer_luminance(&data, unit.width, unit.height, unit.full_scale);
    }
    if !unit.top_down {
        colour::flip_rows(&mut data, unit.width);
    }
    let part = (unit.extension > 0).then(|| format!("extension {}", unit.extension));
    let plane = (unit.frames > 1).then(|| format!("plane {}", unit.next));
    Ok(Frame {
        width: unit.width,
        height: unit.height,
        data,
        full_scale: unit.full_scale,
        name: frame_name(name, part.into_iter().chain(plane)),
    })
}

/// Hands the physical values of one plane (FITS 4.0 §5.3: BZERO + BSCALE x
/// stored) to `take` in file order; NaN where there is none.
fn read_plane(
    stream: &mut Stream,
    unit: &Unit,
    pixels: usize,
    mut take: impl FnMut(usize, f32),
) -> Result<(), DecodeError> {
    let size = unit.pixels.bytes();
    let mut buffer = vec![0_u8; (pixels * size).min(64 * 1024)];
    let mut done = 0;
    while done < pixels {
        let want = buffer.len().min((pixels - done) * size);
        let got = stream.fill(&mut buffer[..want])?;
        if got < want {
            return Err(short(format!(
                "picture {} of {} stops after {} of {pixels} pixels",
                unit.next,
                unit.frames,
                done + got / size
            )));
        }
        for stored in buffer[..want].chunks_exact(size) {
            take(done, unit.physical(stored));
            done += 1;
        }
    }
    Ok(())
}

impl Unit {
    /// The value of one stored pixel, big-endian (FITS 4.0 §5); NaN for none.
    fn physical(&self, stored: &[u8]) -> f32 {
        let raw = match *stored {
            [a] => Raw::Whole(a.into()),
            [a, b] => Raw::Whole(i16::from_be_bytes([a, b]).into()),
            [a, b, c, d] if self.pixels == Pixels::I32 => {
                Raw::Whole(i32::from_be_bytes([a, b, c, d]).into())
            }
            [a, b, c, d] => Raw::Float(f32::from_be_bytes([a, b, c, d]).into()),
            [a, b, c, d, e, f, g, h] => {
                let bytes = [a, b, c, d, e, f, g, h];
                match self.pixels {
                    Pixels::I64 => Raw::Whole(i64::from_be_bytes(bytes)),
                    _ => Raw::Float(f64::from_be_bytes(bytes)),
                }
            }
            _ => Raw::Float(f64::NAN),
        };
        let raw = match raw {
            Raw::Whole(number) if Some(number) == self.blank => f64::NAN,
            Raw::Whole(number) => number as f64,
            Raw::Float(number) => number,
        };
        colour::value_or_none(self.zero + self.scale * raw)
    }
}

enum Raw {
    Whole(i64),
    Float(f64),
}
