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
//! across focus and coma does not, so [`fit_pair`] tells them apart. From a single
//! side only sharp rings tell, by what fits worse; where they do so beyond doubt the
//! shadow is given its place, or the rim a cut on one side if that fits better, and [`FitResult::decentre_doubt`] says how far a
//! single side may be led astray otherwise.
//!
//! - `run`: stages in their order, other starts where the first leads nowhere.
//!   `run/colours`: one star in several colours, the scale unknown.
//! - `stage`: windows and joined pixels, a coarse stage and a fine one.
//! - `line`: the pupil at one wavelength.
//! - `model`: the forward model and its derivatives.
//! - `solve`: least squares.
//! - `honest`: covariance from the residuals.
//! - `told`: what the answer owes to focal length and camera as told.
//! - `vanes`: dark spokes that were not told.
//! - `wider`: a last step with modes beyond the fitted ones.
//! - `result`: what is handed back.

mod check;
mod honest;
mod kernels;
mod line;
mod model;
mod rescaled;
mod result;
mod run;
mod solve;
mod stage;
mod told;
mod vanes;
mod wider;

pub use result::{Decentre, FitResult, PictureFit, SideFound, SizesFound};
pub use run::Work;

use crate::frame::{Setup, Side, Stamp};
use optics::wavefront::Wavefront;

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
    /// How far off centre the shadow may be fitted in a single picture, 1-sigma, in
    /// units of the aperture's radius; 0 holds it centred. A pair needs no telling.
    pub shadow_place_sigma: f64,
    /// How well the obstruction is known, 1-sigma, as a share of the aperture:
    /// the fit lets it give within that. 0 holds it as told.
    pub obstruction_sigma: f64,
    /// How well the focal length is known, 1-sigma as a share: where rings show,
    /// their spacing tells it. 0 holds it as told.
    pub focal_sigma: f64,
    /// How well the camera is known to count light in proportion: 1-sigma of
    /// the exponent about 1. 0 holds it at 1.
    pub response_sigma: f64,
    /// How far the band may be narrower than told, 1-sigma: its ends dimmed by
    /// exp(-x). A line of light told as a band of 100 nm draws sharper rings than the
    /// band would. 0 holds it as told.
    pub band_sigma: f64,
    /// How many vanes the instrument is said to have, where [`Setup::vanes`] does not
    /// tell more: sought first.
    pub vane_count: Option<u32>,
    /// Whether other starts are tried where the geometric estimate leads nowhere (without,
    /// there is then no answer), and other stories of what was not told or told wrong.
    pub other_starts: bool,
    /// Wavelengths across the band; `None` lets the fit choose.
    pub wavelengths: Option<usize>,
}

impl FitOptions {
    /// [`FitOptions::band_sigma`] where there is a band.
    pub(in crate::fit) fn band_sigma_of(&self, setup: &Setup) -> f64 {
        let single = self.wavelengths == Some(1) || setup.bandwidth_nm <= 0.0;
        if single { 0.0 } else { self.band_sigma }
    }

    /// For stars so far out of focus that rays alone draw them: what matters is a
    /// model that leaves nothing but noise and air, so that the residual shows what
    /// else there is. The shadow is free in place and size, colours do not matter.
    #[must_use]
    pub fn far_out(self) -> Self {
        Self {
            shadow_place_sigma: 0.1,
            obstruction_sigma: self.obstruction_sigma.max(0.05),
            focal_sigma: 0.0,
            response_sigma: 0.0,
            band_sigma: 0.0,
            wavelengths: Some(2),
            ..self
        }
    }
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            higher_modes: false,
            model_floor: 0.01,
            plausible_decentre: 0.02,
            shadow_place_sigma: 0.0,
            obstruction_sigma: 0.02,
            focal_sigma: 0.03,
            response_sigma: 0.05,
            band_sigma: 10.0,
            vane_count: None,
            other_starts: true,
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
    let first = run::fitted(&[(stamp, start, side)], setup, options)?;
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
    let second = run::fitted(&[(stamp, start, Side::Inside)], setup, options);
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

/// A colour's band: bell-shaped, as the filters of colour cameras roughly are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Its middle, nm.
    pub middle_nm: f64,
    /// Its 1-sigma width, nm.
    pub sigma_nm: f64,
}

impl Band {
    /// [`FitOptions::band_sigma`]'s exponent of a bell cut off at two sigma.
    pub(in crate::fit) const NARROWING: f64 = 2.0;

    fn of(&self, setup: &Setup) -> Setup {
        Setup {
            wavelength_nm: self.middle_nm,
            bandwidth_nm: 4.0 * self.sigma_nm,
            ..setup.clone()
        }
    }
}

/// Fits pictures of one star in several colours, taken together at one focus through a lens
/// whose scale nobody told: the focal length and pixels of `setup` are a first guess only,
/// and [`FitResult::sizes`] has what was found. The side of focus is taken for outside.
///
/// # Errors
/// As [`fit`].
pub fn fit_colours(
    pictures: &[(&Stamp, Band)],
    setup: &Setup,
    start: &Start,
    options: &FitOptions,
) -> Result<FitResult, FitError> {
    let fitted = run::fitted_colours(pictures, setup, start, options)?;
    let side = SideFound {
        used: Side::Outside,
        preferred: None,
        delta_chi2: 0.0,
    };
    Ok(fitted.finish(setup, options, side))
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
    let fitted = run::fitted(&sides, setup, options)?;
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
