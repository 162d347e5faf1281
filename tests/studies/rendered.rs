//! Looks from frames that are drawn and then measured as an upload is, in place
//! of an error model.

use std::ops::ControlFlow;

use bench::orientation::Side as Told;
use nalgebra::Vector2;
use optics::pupil::Pupil;
use optics::render::Scene;
use optics::wavefront::{Wavefront, a4_from_w020};
use optics::{ARCSEC_PER_RAD, REFERENCE_NM, seeing};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use startest::frame::{Frame, Setup, Side};
use startest::measure::{Unreadable, measure};

use super::truth::{Kind, normal};

/// What is photographed.
pub struct Night {
    pub kind: Kind,
    /// Focal length as it truly is; the register's is told to the measuring.
    pub seeing_arcsec: f64,
    /// Frames of the real night; a few stand for them, with the air's coma as it
    /// is left after so many.
    pub frames: usize,
    /// Inside focus.
    pub inside: bool,
    pub told: Told,
}

/// Frames drawn for one look.
const SHOTS: usize = 3;
/// Pixels of the donut's radius.
const RADIUS_PX: f64 = 26.0;
/// Electrons in the brightest pixel, of the sky, of the read noise.
const PEAK: f64 = 6000.0;
const SKY: f64 = 60.0;
const READ: f64 = 3.0;

/// Cells of a pixel's side.
const FINER: usize = 3;
/// Farther out of focus the drawing does not reach, waves.
const FARTHEST: f64 = 28.0;

/// Cells summed into pixels, the brightest pixel 1.
fn summed(fine: &[f64], size: usize) -> Vec<f64> {
    let side = size * FINER;
    let pixel = |row: usize, column: usize| -> f64 {
        (0..FINER * FINER)
            .map(|k| fine[(row * FINER + k / FINER) * side + column * FINER + k % FINER])
            .sum()
    };
    let sums: Vec<f64> = (0..size * size)
        .map(|i| pixel(i / size, i % size))
        .collect();
    let top = sums.iter().copied().fold(0.0, f64::max);
    sums.iter().map(|v| v / top).collect()
}

/// The coma vector measured and its 1-sigma; none when the set is refused.
pub fn look(
    night: &Night,
    coma: Vector2<f64>,
    defocus_waves: f64,
    rng: &mut ChaCha8Rng,
) -> Option<([f64; 2], f64)> {
    let kind = night.kind;
    let d_over_r0 = kind.aperture_mm / seeing::r0_mm(night.seeing_arcsec, REFERENCE_NM);
    let air = seeing::coma_floor_waves(d_over_r0, night.frames);
    let coma = coma + Vector2::new(normal(rng), normal(rng)) * air;
    let w020 = (defocus_waves * (1.0 + 0.1 * normal(rng)).clamp(0.7, 1.3)).min(FARTHEST);
    let signed = if night.inside { -w020 } else { w020 };
    let lambda_over_d = REFERENCE_NM * 1e-6 / kind.aperture_mm * ARCSEC_PER_RAD;
    let blur = night.seeing_arcsec / lambda_over_d;
    let radius = 4.0 * w020;
    let field = 2.0 * (1.6 * radius + 1.5 * blur);
    let size = (field / radius * RADIUS_PX).round() as usize;
    // Drawn three times as fine and summed into pixels, as a camera does: rings
    // are finer than these pixels.
    let fine = Scene {
        pupil: Pupil::annular(kind.obstruction),
        wavefront: Wavefront::flat()
            .with(4, a4_from_w020(signed))
            .with(6, 0.02 * normal(rng))
            .with(8, coma.x)
            .with(7, coma.y)
            .with(11, 0.02 * normal(rng)),
        field,
        size: size * FINER,
        bandwidth_nm: 100.0,
        blur,
    }
    .draw();
    let drawn = summed(&fine, size);
    let side = size + 60;
    let frames: Vec<Result<Frame, Unreadable>> = (0..SHOTS)
        .map(|n| {
            let at = [(); 2].map(|()| rng.random_range(15..45usize));
            let mut data = vec![0.0f32; side * side];
            for (i, v) in data.iter_mut().enumerate() {
                let (x, y) = (i % side, i / side);
                let inside = x >= at[0] && x < at[0] + size && y >= at[1] && y < at[1] + size;
                let star = if inside {
                    drawn[(y - at[1]) * size + x - at[0]].max(0.0) * PEAK
                } else {
                    0.0
                };
                let mean = star + SKY;
                let noise = (mean + READ * READ).sqrt() * normal(rng);
                *v = (mean + noise + 100.0).round() as f32;
            }
            Ok(Frame {
                width: side,
                height: side,
                data,
                full_scale: Some(65_535.0),
                name: format!("drawn-{n}"),
            })
        })
        .collect();
    let ratio = kind.focal_mm / kind.aperture_mm;
    let setup = Setup {
        aperture_mm: kind.aperture_mm,
        focal_mm: kind.focal_mm,
        obstruction: kind.obstruction,
        pixel_um: field / size as f64 * REFERENCE_NM * 1e-3 * ratio,
        wavelength_nm: REFERENCE_NM,
        bandwidth_nm: 100.0,
        side: match night.told {
            Told::Inside => Side::Inside,
            Told::Outside => Side::Outside,
            Told::Unknown => Side::Unknown,
        },
        vanes: None,
    };
    let outcome = measure(frames, &setup, &mut |_| ControlFlow::Continue(()));
    let w = outcome.report.wavefront?;
    Some((
        [w.coma_x_waves, w.coma_y_waves],
        // The air's share is not in what a few frames scatter by.
        w.coma_component_sigma_waves.hypot(air),
    ))
}
