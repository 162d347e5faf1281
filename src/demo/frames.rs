//! Frames of defocused stars, made from the project's own optics, with noise,
//! and measured the way an upload is.

use std::collections::HashMap;
use std::ops::ControlFlow;

use rand::Rng;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use sha2::{Digest, Sha256};

use super::files::{Frames, Instrument, Seed};
use super::{Error, Result};
use library::AttemptId;
use library::star_tests::FocusSide;
use optics::fourier::{Scratch, Square, fast_size, signed};
use optics::pupil::Pupil;
use optics::wavefront::{Wavefront, a4_from_w020};
use optics::{ARCSEC_PER_RAD, REFERENCE_NM, seeing};
use startest::frame::{Frame, Setup, Stamp, Vanes};
use startest::measure::{Outcome, Unreadable, measure};
use startest::pictures;
use startest::report::Report;
use startest::rings::Geometry;

/// What came out of the frames of one star test.
#[derive(Debug, Clone)]
pub struct Measured {
    /// What was told with them (JSON).
    pub circumstances: String,
    /// The report (JSON).
    pub report: String,
    /// The stacked donut.
    pub picture_png: Option<Vec<u8>>,
    /// The outcome's edges, to be drawn over it.
    drawn: Option<(Stamp, Geometry, Report)>,
    /// Peak defocus.
    pub defocus_waves: Option<f64>,
    /// Thin side over thick side.
    pub thin_to_thick: Option<f64>,
    /// Direction of the thin side, clock degrees.
    pub thin_clock_deg: Option<f64>,
    /// RMS coma, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// Its 1-sigma.
    pub coma_rms_waves_sigma: f64,
}

impl Measured {
    /// What is drawn over the picture of this try.
    pub fn overlay_svg(&self, attempt: AttemptId) -> Option<String> {
        let href = format!("/attempts/{attempt}/picture.png");
        let (stamp, geometry, report) = self.drawn.as_ref()?;
        Some(pictures::overlay_svg(
            stamp,
            geometry,
            report,
            Some(&href),
            "shot",
        ))
    }
}

/// Makes and measures the frames of every star test that has some.
///
/// # Errors
/// When a set is refused: then `seed-data/` describes a star that the house
/// itself would not measure.
pub fn measure_all(seed: &Seed) -> Result<HashMap<(usize, usize), Measured>> {
    let mut stars = Vec::new();
    for (which, (instrument, lines)) in seed.instruments.iter().enumerate() {
        for (index, line) in lines.iter().enumerate() {
            stars.extend(line.frames.map(|star| (which, instrument, index, star)));
        }
    }
    stars
        .into_par_iter()
        .map(|(which, instrument, index, star)| {
            let measured = one(instrument, &star, index).map_err(|why| Error::File {
                file: format!("logbooks/{}.toml", instrument.tag),
                why: format!("line {}: its frames: {why}", index + 1),
            })?;
            Ok(((which, index), measured))
        })
        .collect()
}

fn one(instrument: &Instrument, star: &Frames, index: usize) -> Result<Measured, String> {
    let setup = setup(instrument, star);
    let mut rng = random(&instrument.tag, index);
    let sharp = Sky::of(&setup, vanes(instrument), star);
    let frames: Vec<_> = (0..star.shots)
        .map(|n| Ok::<_, Unreadable>(sharp.expose(n, &mut rng)))
        .collect();
    let outcome = measure(frames, &setup, &mut |_| ControlFlow::Continue(()));
    stored(&setup, star, outcome)
}

/// Random numbers that depend on nothing but the logbook and the line.
fn random(tag: &str, index: usize) -> ChaCha8Rng {
    let mut hasher = Sha256::new();
    hasher.update(tag.as_bytes());
    hasher.update(index.to_le_bytes());
    ChaCha8Rng::from_seed(hasher.finalize().into())
}

/// Pixels of the club's two cameras, by themselves and joined two or three to
/// a side, micrometres.
const PIXELS_UM: [f64; 5] = [2.4, 3.76, 4.8, 7.2, 7.52];

/// Frames with the coarsest pixels that still do the star justice.
fn setup(instrument: &Instrument, star: &Frames) -> Setup {
    let ratio = instrument.focal_mm / instrument.aperture_mm;
    let lambda_n_um = REFERENCE_NM * 1e-3 * ratio;
    let pixel_um = PIXELS_UM
        .into_iter()
        .filter(|p| *p <= 1.4 * lambda_n_um)
        .fold(PIXELS_UM[0], f64::max);
    Setup {
        aperture_mm: instrument.aperture_mm,
        focal_mm: instrument.focal_mm,
        obstruction: instrument.obstruction,
        pixel_um,
        wavelength_nm: 540.0,
        bandwidth_nm: 90.0,
        side: star.side.into(),
        // The people at the desk do not tell of the spider.
        vanes: None,
    }
}

/// The spider, which casts its shadow all the same.
fn vanes(instrument: &Instrument) -> Option<Vanes> {
    let count = u32::try_from(instrument.vanes).ok().filter(|&n| n > 0)?;
    Some(Vanes {
        count,
        width_mm: 0.8,
        clock_deg: 45.0,
    })
}

/// Fine cells across one pixel.
const FINE: usize = 3;
/// Light of one star in all, electrons.
const ELECTRONS: f64 = 900_000.0;
/// Sky in each pixel, electrons.
const SKY: f64 = 40.0;
/// Read noise, electrons.
const READ_NOISE: f64 = 3.0;
/// What the camera adds so that nothing falls below zero.
const PEDESTAL: f64 = 100.0;

/// The star's picture before it falls on pixels.
struct Sky {
    size: usize,
    pixels: usize,
    /// Share of the light in the pixel whose top left fine cell this is; x
    /// along the inner index, y down, both wrapped around.
    light: Vec<f32>,
}

impl Sky {
    /// The mean picture through the air: |FT[P exp(2 pi i W)]|^2 over the band,
    /// blurred by the long-exposure transfer of the air.
    fn of(setup: &Setup, vanes: Option<Vanes>, star: &Frames) -> Self {
        let ratio = setup.focal_mm / setup.aperture_mm;
        let fine_um = setup.pixel_um / FINE as f64;
        let radius_um = 4.0 * ratio * star.waves * REFERENCE_NM * 1e-3;
        let blur_um = star.seeing_arcsec / ARCSEC_PER_RAD * setup.focal_mm * 1e3;
        let pixels = (2.0 * (1.7 * radius_um + 2.5 * blur_um) / setup.pixel_um + 12.0).ceil();
        let size = fast_size(pixels as usize * FINE);
        let square = Square::new(size);
        let mut scratch = Scratch::default();
        let mut light = vec![Complex32::default(); size * size];
        let wavefront = wavefront(star);
        let pupil = pupil(setup, vanes);
        for nm in [-1.0, 0.0, 1.0].map(|s| setup.wavelength_nm + s * setup.bandwidth_nm / 3.0) {
            // Cells across the pupil so that one cell of its transform is one fine cell.
            let across = size as f64 * fine_um / (nm * 1e-3 * ratio);
            let (mut field, rows) = field(&pupil, &wavefront, nm, across, size);
            square.forward(&mut field, rows, &mut scratch);
            for (sum, u) in light.iter_mut().zip(&field) {
                sum.re += u.norm_sqr();
            }
        }
        let whole: f32 = light.iter().map(|l| l.re).sum();
        square.forward(&mut light, size, &mut scratch);
        let fwhm = blur_um / fine_um;
        for (k, value) in light.iter_mut().enumerate() {
            let f = |k: usize| signed(k, size) as f64 / size as f64;
            let frequency = f(k / size).hypot(f(k % size));
            *value *= seeing::long_exposure_transfer(frequency, fwhm) as f32;
        }
        square.inverse(&mut light, size, &mut scratch);
        let norm = (size * size) as f32 * whole;
        // The first transform left x along the columns; the pair after it
        // changed nothing. Summing along one index and turning, twice, sums
        // over pixels and brings the rows back; so turn once before.
        let turned = |from: &[f32]| -> Vec<f32> {
            let sum = |at: usize| -> f32 {
                let (row, start) = (at % size, at / size);
                (start..start + FINE)
                    .map(|k| from[row * size + k % size])
                    .sum()
            };
            (0..size * size).map(sum).collect()
        };
        let columns: Vec<f32> = light.iter().map(|l| l.re / norm).collect();
        let down_then_across = turned(&columns);
        let mut upright = vec![0.0; size * size];
        let summed = turned(&down_then_across);
        for (k, value) in upright.iter_mut().enumerate() {
            *value = summed[(k % size) * size + k / size];
        }
        Self {
            size,
            pixels: size / FINE,
            light: upright,
        }
    }

    /// One frame: the star a little elsewhere each time, photon and read noise.
    fn expose(&self, number: usize, rng: &mut ChaCha8Rng) -> Frame {
        let mut wander = || rng.random_range(-6_i64..=6);
        let (dx, dy) = (wander(), wander());
        let side = self.size as i64;
        let middle = side / 2;
        let mut data = vec![0.0_f32; self.pixels * self.pixels];
        for (k, value) in data.iter_mut().enumerate() {
            let corner = |p: usize| (p * FINE) as i64 - middle;
            let (x0, y0) = (corner(k % self.pixels) + dx, corner(k / self.pixels) + dy);
            let at = y0.rem_euclid(side) * side + x0.rem_euclid(side);
            let share = f64::from(self.light[usize::try_from(at).unwrap_or(0)]);
            let mean = ELECTRONS * share.max(0.0) + SKY;
            let noise = (mean + READ_NOISE * READ_NOISE).sqrt() * gauss(rng);
            *value = (PEDESTAL + mean + noise).clamp(0.0, 65_535.0).round() as f32;
        }
        Frame {
            width: self.pixels,
            height: self.pixels,
            data,
            full_scale: Some(65_535.0),
            name: format!("star-{:02}.fits", number + 1),
        }
    }
}

/// A standard normal number (Box and Muller 1958).
fn gauss(rng: &mut ChaCha8Rng) -> f64 {
    let u: f64 = rng.random_range(f64::MIN_POSITIVE..1.0);
    let v: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    (-2.0 * u.ln()).sqrt() * v.cos()
}

/// Defocus and coma as told, with a little of what every instrument has.
fn wavefront(star: &Frames) -> Wavefront {
    let sign = if star.side == FocusSide::Inside {
        -1.0
    } else {
        1.0
    };
    // The coma vector points away from the thin side, on both sides of focus.
    let (sin, cos) = star.thin_deg.to_radians().sin_cos();
    Wavefront::flat()
        .with(4, sign * a4_from_w020(star.waves))
        .with(6, 0.008)
        .with(7, -star.coma * cos)
        .with(8, -star.coma * sin)
        .with(11, 0.012)
}

fn pupil(setup: &Setup, vanes: Option<Vanes>) -> Pupil {
    let pupil = Pupil::annular(setup.obstruction);
    match vanes {
        Some(v) => pupil.with_vanes(v.count, 2.0 * v.width_mm / setup.aperture_mm, v.clock_deg),
        None => pupil,
    }
}

/// P exp(2 pi i W) on a grid of `size` cells with `across` of them over the
/// pupil, in its first rows; and how many rows that are. Rows run downwards.
fn field(
    pupil: &Pupil,
    wavefront: &Wavefront,
    nm: f64,
    across: f64,
    size: usize,
) -> (Vec<Complex32>, usize) {
    let rows = (across.ceil() as usize + 1).min(size);
    let cell = 2.0 / across;
    let middle = (rows as f64 - 1.0) / 2.0;
    let scale = std::f64::consts::TAU * REFERENCE_NM / nm;
    let mut field = vec![Complex32::default(); size * size];
    for row in 0..rows {
        let v = (middle - row as f64) * cell;
        for column in 0..rows {
            let u = (column as f64 - middle) * cell;
            let amplitude = pupil.cell(u, v, cell).amplitude;
            if amplitude > 0.0 {
                let (sin, cos) = (scale * wavefront.at(u, v)).sin_cos();
                field[row * size + column] =
                    Complex32::new((amplitude * cos) as f32, (amplitude * sin) as f32);
            }
        }
    }
    (field, rows)
}

fn stored(setup: &Setup, star: &Frames, outcome: Outcome) -> Result<Measured, String> {
    let (Some(wavefront), Some(rings)) = (&outcome.report.wavefront, &outcome.report.rings) else {
        let why: Vec<&str> = outcome
            .report
            .reasons
            .iter()
            .map(|r| r.text.as_str())
            .collect();
        return Err(format!("refused: {}", why.join("; ")));
    };
    let text = |e: serde_json::Error| e.to_string();
    // The shape in which an upload's circumstances are kept.
    let circumstances = serde_json::json!({
        "aperture_mm": setup.aperture_mm,
        "focal_mm": setup.focal_mm,
        "obstruction": setup.obstruction,
        "pixel_um": setup.pixel_um,
        "wavelength_nm": setup.wavelength_nm,
        "bandwidth_nm": setup.bandwidth_nm,
        "side": star.side,
        "diagonal": false,
        "seeing": null,
        "note": "",
    });
    let picture_png = match &outcome.stack {
        Some(stack) => Some(pictures::donut_png(&stack.stamp).map_err(|e| e.to_string())?),
        None => None,
    };
    Ok(Measured {
        circumstances: circumstances.to_string(),
        report: serde_json::to_string(&outcome.report).map_err(text)?,
        picture_png,
        defocus_waves: Some(wavefront.defocus_waves),
        thin_to_thick: rings.thin_to_thick.map(|q| q.clamp(0.0, 1.0)),
        thin_clock_deg: Some(rings.thin_clock_deg.rem_euclid(360.0)).filter(|d| *d < 360.0),
        coma_rms_waves: wavefront.coma_rms_waves,
        coma_rms_waves_sigma: wavefront.coma_rms_waves_sigma.max(1e-6),
        drawn: outcome
            .stack
            .zip(outcome.geometry)
            .map(|(stack, geometry)| (stack.stamp, geometry, outcome.report)),
    })
}
