//! The full measurement: a diffraction model fitted to a star's picture.
//!
//! |FT[P exp(2 pi i W)]|^2 with the instrument's own pupil P (obstruction,
//! vanes), W of Noll Z4 to Z11 (Z12 to Z15 on request), summed over the band,
//! blurred by the air (long-exposure Kolmogorov, fitted FWHM), integrated over
//! square pixels, with position, flux and a sloping sky free; weighted least
//! squares with derivatives in closed form. The published ground is
//! A. Tokovinin & S. Heathcote, "Donut: measuring optical aberrations from a
//! single extrafocal image", PASP 118, 1165 (2006).
//!
//! **What one picture cannot tell.** A pupil that looks the same after half a
//! turn gives the same picture when all even modes change sign together, so the
//! side of focus and the signs of astigmatism and spherical stay open while the
//! coma vector does not. A shadow off centre looks like coma; it changes sign
//! across focus and coma does not, so [`fit_pair`] tells them apart, and
//! [`FitResult::decentre_doubt`] says how far a single side may be led astray.
//!
//! - `stage`: windows and joined pixels, a coarse stage and a fine one.
//! - `model`: the forward model and its derivatives.
//! - `solve`: least squares.
//! - `honest`: covariance from the residuals.
//! - `result`: what is handed back.

mod check;
mod honest;
mod model;
mod result;
mod solve;
mod stage;

pub use result::{Decentre, FitResult, PictureFit, SideFound};

use crate::{
    optics::wavefront::{self, Wavefront},
    startest::frame::{Setup, Side, Stamp},
};
use solve::{Limits, OWN, Problem, Solution};
use stage::{Kind, Window};

/// A geometric first estimate of the donut in a stamp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Centre of the outer edge, pixels (x right, y down) from the centre of
    /// the stamp's top left pixel.
    pub centre_px: [f64; 2],
    /// Radius of the outer edge, pixels.
    pub outer_radius_px: f64,
    /// Radius of the shadow, pixels, when seen.
    pub shadow_radius_px: Option<f64>,
    /// Coma vector (a8, a7), RMS waves at 550 nm, y up.
    pub coma_waves: [f64; 2],
    /// 1-sigma of each component of it.
    pub coma_sigma_waves: f64,
}

/// How to fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Fit Z12 to Z15 as well.
    pub higher_modes: bool,
    /// Part of the picture's level by which the model itself is thought to be
    /// untrue, added in quadrature to each pixel's sigma.
    pub model_floor: f64,
    /// How far off centre the shadow may plausibly sit, in units of the
    /// aperture's radius (1-sigma), for [`FitResult::decentre_doubt`].
    pub plausible_decentre: f64,
    /// How well the obstruction is known, 1-sigma, as a share of the aperture:
    /// the fit lets it give within that. 0 holds it as told.
    pub obstruction_sigma: f64,
    /// Wavelengths across the band; `None` lets the fit choose.
    pub wavelengths: Option<usize>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            higher_modes: false,
            model_floor: 0.01,
            plausible_decentre: 0.02,
            obstruction_sigma: 0.02,
            wavelengths: None,
        }
    }
}

/// Why a fit gave no number.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// The stamp's arrays do not match its size, or hold no usable pixel.
    #[error("the stamp holds no usable pixels: {0}")]
    Stamp(String),
    /// A number about the instrument or the start is impossible.
    #[error("{0}")]
    Input(String),
    /// The iteration did not settle.
    #[error(
        "no wavefront was found that explains the picture; take frames with the star further out \
         of focus, well inside the frame, and check focal length, aperture and pixel size"
    )]
    NoConvergence,
}

/// Fits one picture.
///
/// # Errors
/// [`FitError`] when the input is impossible or no solution is found.
pub fn fit(
    stamp: &Stamp,
    setup: &Setup,
    start: &Start,
    options: &FitOptions,
) -> Result<FitResult, FitError> {
    let side = if setup.side == Side::Inside {
        Side::Inside
    } else {
        Side::Outside
    };
    let first = fit_sides(&[(stamp, start, side)], setup, options)?;
    if setup.side != Side::Unknown || first.point_symmetric {
        return Ok(first.finish(
            setup,
            options,
            SideFound {
                used: side,
                preferred: None,
                delta_chi2: 0.0,
            },
        ));
    }
    let second = fit_sides(&[(stamp, start, Side::Inside)], setup, options);
    let (best, other, used) = match second {
        Ok(s) if s.solution.chi2 < first.solution.chi2 => (s, Some(first), Side::Inside),
        Ok(s) => (first, Some(s), Side::Outside),
        Err(_) => (first, None, Side::Outside),
    };
    let scale = best.solution.chi2 / best.solution.freedom;
    let delta = other.map_or(0.0, |o| (o.solution.chi2 - best.solution.chi2) / scale);
    // Neighbouring residuals are alike, so chi2 overstates; ask for plenty.
    let preferred = (delta > 30.0).then_some(used);
    Ok(best.finish(
        setup,
        options,
        SideFound {
            used,
            preferred,
            delta_chi2: delta,
        },
    ))
}

/// Fits an inside and an outside picture together: one wavefront but for the
/// defocus, and the shadow's place free. `setup.side` says in which of the
/// pictures the vanes' direction was read (unknown: outside).
///
/// # Errors
/// As [`fit`].
pub fn fit_pair(
    inside: (&Stamp, &Start),
    outside: (&Stamp, &Start),
    setup: &Setup,
    options: &FitOptions,
) -> Result<FitResult, FitError> {
    let sides = [
        (inside.0, inside.1, Side::Inside),
        (outside.0, outside.1, Side::Outside),
    ];
    let fitted = fit_sides(&sides, setup, options)?;
    let side = SideFound {
        used: setup.side,
        preferred: None,
        delta_chi2: 0.0,
    };
    Ok(fitted.finish(setup, options, side))
}

/// The model's own picture: share of a star's light in each pixel of a stamp of
/// `size`, first row on top, untilted light falling `at` (x right, y down, from
/// the centre of the top left pixel), blurred by `fwhm_px`. For drawings, for
/// demonstration frames and for benchmarks.
///
/// # Errors
/// [`FitError::Input`] when the setup is impossible.
pub fn picture_of(
    setup: &Setup,
    wavefront: &Wavefront,
    at: [f64; 2],
    fwhm_px: f64,
    size: usize,
) -> Result<Vec<f64>, FitError> {
    check::setup(setup)?;
    stage::picture_of(setup, wavefront, at, fwhm_px, size)
}

struct Fitted<'a> {
    stamps: Vec<&'a Stamp>,
    problem: Problem,
    windows: Vec<Window>,
    solution: Solution,
    point_symmetric: bool,
    work: Work,
}

/// What a fit cost.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Work {
    /// Pictures computed by the full model, and by the coarse one before it.
    pub pictures: [usize; 2],
    /// Sets of derivatives, likewise.
    pub slopes: [usize; 2],
    /// Two-dimensional transforms made, each counted as the share of a
    /// transform of the largest array that its size makes it.
    pub transforms: f64,
    /// Side of that largest array.
    pub transform_size: usize,
}

type Task<'a> = (&'a Stamp, &'a Start, Side);

fn fit_sides<'a>(
    tasks: &[Task<'a>],
    setup: &Setup,
    options: &FitOptions,
) -> Result<Fitted<'a>, FitError> {
    check::setup(setup)?;
    for (stamp, start, _) in tasks {
        check::stamp(stamp)?;
        check::start(setup, start)?;
    }
    let last = if options.higher_modes {
        wavefront::LAST
    } else {
        11
    };
    let modes: Vec<usize> = (4..=last).collect();
    let pair = tasks.len() > 1;
    let pupil = stage::pupil(setup, if pair { setup.side } else { tasks[0].2 });
    let known = options.obstruction_sigma <= 0.0;
    let free_shadow = match (setup.obstruction > 0.0, pair, known) {
        (false, ..) | (true, false, true) => 0..0,
        (true, true, true) => 0..2,
        (true, true, false) => 0..3,
        (true, false, false) => 2..3,
    };
    let shared = modes.len() - 1 + free_shadow.len();

    // Parameters of the whole stamps, between stages.
    let mut parameters = vec![0.0; shared];
    for (j, axis) in [(8, 0), (7, 1)] {
        let sum: f64 = tasks.iter().map(|t| t.1.coma_waves[axis]).sum();
        parameters[j - 5] = sum / tasks.len() as f64;
    }
    if free_shadow.end == 3 {
        parameters[shared - 1] = setup.obstruction;
    }
    let coma = [parameters[3], parameters[2]];
    for &(_, start, side) in tasks {
        parameters.extend(stage::own_start(setup, start, side, coma));
    }

    let mut work = Work::default();
    let mut done = None;
    for fine in [false, true] {
        let mut problem = Problem {
            pictures: Vec::new(),
            shared_modes: modes[1..].to_vec(),
            free_shadow: free_shadow.clone(),
            shadow: [0.0, 0.0, setup.obstruction],
            radius_sigma: options.obstruction_sigma,
        };
        let mut windows = Vec::new();
        let mut here = parameters[..shared].to_vec();
        for (k, (stamp, start, _)) in tasks.iter().enumerate() {
            let state = problem.state(&parameters, k);
            let kind = if fine {
                let w020 = wavefront::w020_from_a4(state.waves[0]);
                Kind::Fine {
                    lines: stage::lines(setup, w020, options),
                }
            } else {
                Kind::Coarse
            };
            let floor = options.model_floor * stage::level(stamp, start);
            let (window, picture) =
                stage::picture(stamp, setup, &pupil, &modes, &state, floor, kind);
            here.extend(window.enter(&parameters[problem.own(k)..][..OWN]));
            problem.pictures.push(picture);
            windows.push(window);
        }
        if !fine {
            for k in 0..tasks.len() {
                problem.linear_start(&mut here, k);
            }
        }
        let limits = if fine { FINE } else { COARSE };
        let solution = problem.solve(&here, limits);
        work.add(&problem, &solution, fine);
        if !solution.parameters.iter().all(|v| v.is_finite()) || !solution.chi2.is_finite() {
            return Err(FitError::NoConvergence);
        }
        parameters[..shared].copy_from_slice(&solution.parameters[..shared]);
        for (k, window) in windows.iter().enumerate() {
            let at = problem.own(k);
            let own = window.leave(&solution.parameters[at..at + OWN]);
            parameters[at..at + OWN].copy_from_slice(&own);
        }
        done = Some((problem, windows, solution));
    }
    let Some((problem, windows, solution)) = done else {
        return Err(FitError::NoConvergence);
    };
    let point_symmetric = pupil.has_point_symmetry();
    let stamps = tasks.iter().map(|t| t.0).collect();
    Ok(Fitted {
        stamps,
        problem,
        windows,
        solution,
        point_symmetric,
        work,
    })
}

const COARSE: Limits = Limits {
    max_slopes: 15,
    max_pictures: 40,
    tolerance: 3e-2,
};
const FINE: Limits = Limits {
    max_slopes: 12,
    max_pictures: 40,
    tolerance: 1e-2,
};

impl Work {
    fn add(&mut self, problem: &Problem, solution: &Solution, fine: bool) {
        let (n, models) = (usize::from(!fine), || {
            problem
                .pictures
                .iter()
                .flat_map(|p| std::iter::once(&p.model).chain(&p.sloper))
        });
        self.pictures[n] += solution.pictures_computed * problem.pictures.len();
        self.slopes[n] += solution.slopes_computed * problem.pictures.len();
        let largest = models().map(|m| m.focal_size()).max().unwrap_or(1);
        if fine && largest > self.transform_size {
            self.transforms *= cost(self.transform_size.max(1)) / cost(largest);
            self.transform_size = largest;
        } else if self.transform_size == 0 {
            self.transform_size = largest;
        }
        for m in models() {
            self.transforms +=
                m.transforms() as f64 * cost(m.focal_size()) / cost(self.transform_size);
        }
    }
}

/// Operations of a two-dimensional transform, to a factor.
fn cost(size: usize) -> f64 {
    let n = size as f64;
    n * n * (n + 1.0).log2()
}
