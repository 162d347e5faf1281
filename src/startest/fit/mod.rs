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
//! - `model`: the forward model and its derivatives.
//! - `solve`: least squares.
//! - `honest`: covariance from the residuals.

mod honest;
mod model;
mod solve;

use crate::{
    optics::{
        REFERENCE_NM,
        pupil::Pupil,
        wavefront::{self, Wavefront},
        zernike,
    },
    startest::frame::{Setup, Side, Stamp},
};
use model::{Fineness, Model};
use nalgebra::DMatrix;
use solve::{A4, BLUR, FLUX, Limits, OWN, Picture, Problem, SKY, Solution, X, Y};

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
    /// Wavelengths across the band; `None` lets the fit choose.
    pub wavelengths: Option<usize>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            higher_modes: false,
            model_floor: 0.01,
            plausible_decentre: 0.02,
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

/// Which side of focus the data speak for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SideFound {
    /// The side the result is expressed for.
    pub used: Side,
    /// What the data prefer: `None` when they cannot tell, as with any pupil
    /// that looks the same after half a turn.
    pub preferred: Option<Side>,
    /// By how much: fall of chi2 (scaled to 1 per degree of freedom) from the
    /// other side to this; 0 when they cannot tell.
    pub delta_chi2: f64,
}

/// What belongs to one picture of a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureFit {
    /// W020, waves at 550 nm: negative inside focus.
    pub w020_waves: f64,
    /// Where untilted light falls, pixels from the centre of the stamp's top
    /// left pixel (x right, y down).
    pub position_px: [f64; 2],
    /// FWHM of the fitted blur, pixels and arc seconds.
    pub blur_fwhm_px: f64,
    /// The same in arc seconds on the sky.
    pub blur_fwhm_arcsec: f64,
    /// Sum of the star's light, in the stamp's units.
    pub flux: f64,
    /// Sky at the stamp's centre and its rise across the stamp in x and in y.
    pub sky: [f64; 3],
    /// Model picture, first row on top.
    pub model: Vec<f64>,
    /// Data minus model, first row on top.
    pub residual: Vec<f64>,
    /// RMS of the residual over the RMS of the star's light, in pixels with light.
    pub residual_share: f64,
}

/// A shadow off centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decentre {
    /// (u, v) in units of the aperture's radius, as seen outside focus (y up).
    pub by_radius: [f64; 2],
    /// 1-sigma of each.
    pub sigma: [f64; 2],
}

/// A fitted wavefront with its errors.
#[derive(Debug, Clone, PartialEq)]
pub struct FitResult {
    /// Noll Z4 to Z11 (to Z15), waves at 550 nm on the full disc. For a pair,
    /// Z4 is the outside picture's.
    pub wavefront: Wavefront,
    /// Noll indices of the rows of [`FitResult::covariance`].
    pub modes: Vec<usize>,
    /// Covariance of the coefficients, waves^2, row by row: from the residuals'
    /// own size and smoothness. It knows nothing of turbulence that looks like
    /// coma in all frames; the scatter between blocks of frames does.
    pub covariance: Vec<f64>,
    /// chi2 with the stamp's sigma and the model floor.
    pub chi2: f64,
    /// Pixels less parameters.
    pub degrees_of_freedom: usize,
    /// One for each picture: inside first for a pair.
    pub pictures: Vec<PictureFit>,
    /// Which side of focus.
    pub side: SideFound,
    /// Where the shadow sits, from a pair.
    pub decentre: Option<Decentre>,
    /// From one side only: by how much (1-sigma, RMS waves, each component) a
    /// shadow off centre by [`FitOptions::plausible_decentre`] would shift the
    /// coma. 0 for a pair or without an obstruction.
    pub decentre_doubt: f64,
    /// Pictures computed on the way (each one transform per wavelength and two).
    pub pictures_computed: usize,
    /// Sets of derivatives computed.
    pub slopes_computed: usize,
    /// Two-dimensional transforms made, and the side of the focal grid.
    pub transforms: usize,
    /// Side of the array most of those transforms had.
    pub transform_size: usize,
    responses: Vec<Vec<f32>>,
    models: Vec<Vec<f32>>,
}

impl FitResult {
    /// Coma vector (a8, a7), RMS waves.
    pub fn coma(&self) -> [f64; 2] {
        self.wavefront.coma()
    }

    /// Covariance of the coma vector: [xx, xy, yy].
    pub fn coma_covariance(&self) -> [f64; 3] {
        let n = self.modes.len();
        let at = |j: usize| self.modes.iter().position(|&m| m == j).unwrap_or(0);
        let (x, y) = (at(8), at(7));
        [
            self.covariance[x * n + x],
            self.covariance[x * n + y],
            self.covariance[y * n + y],
        ]
    }

    /// 1-sigma of one component of the coma vector, root mean of both.
    pub fn coma_sigma(&self) -> f64 {
        let [xx, _, yy] = self.coma_covariance();
        ((xx + yy) / 2.0).max(0.0).sqrt()
    }

    /// 1-sigma of the coefficient of Noll index `j`; `None` if it was not fitted.
    pub fn sigma(&self, j: usize) -> Option<f64> {
        let k = self.modes.iter().position(|&m| m == j)?;
        Some(self.covariance[k * (self.modes.len() + 1)].max(0.0).sqrt())
    }

    /// The coma vector another average of the same star would give, to first
    /// order: for scatter between blocks of frames and for bootstraps, at the
    /// cost of two dot products.
    ///
    /// `blocks` holds one average for each picture fitted (inside first for a
    /// pair), of the stamp's size, registered as the stamp was. Flux, sky,
    /// position and blur may differ: the response takes them out, so blocks
    /// should be scaled alike. `None` if a shape does not fit.
    pub fn coma_of(&self, blocks: &[&[f64]]) -> Option<[f64; 2]> {
        if blocks.len() != self.models.len() {
            return None;
        }
        let [mut x, mut y] = self.coma();
        for (k, (block, model)) in blocks.iter().zip(&self.models).enumerate() {
            if block.len() != model.len() {
                return None;
            }
            let (rx, ry) = (&self.responses[2 * k], &self.responses[2 * k + 1]);
            for (i, &value) in block.iter().enumerate() {
                let d = value - f64::from(model[i]);
                x += f64::from(rx[i]) * d;
                y += f64::from(ry[i]) * d;
            }
        }
        Some([x, y])
    }
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
    let scale = best.solution.chi2 / best.freedom as f64;
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

struct Fitted {
    problem: Problem,
    solution: Solution,
    freedom: usize,
    point_symmetric: bool,
    transforms: usize,
    pictures_computed: usize,
    slopes_computed: usize,
}

type Task<'a> = (&'a Stamp, &'a Start, Side);

fn fit_sides(tasks: &[Task], setup: &Setup, options: &FitOptions) -> Result<Fitted, FitError> {
    check_setup(setup)?;
    for (stamp, start, _) in tasks {
        check_stamp(stamp)?;
        check_start(start)?;
    }
    let last = if options.higher_modes {
        wavefront::LAST
    } else {
        11
    };
    let pair = tasks.len() > 1;
    let pupil = pupil(setup, tasks[0].2, pair);
    let point_symmetric = pupil.has_point_symmetry();
    let mut problem = Problem {
        shared_modes: (5..=last).collect(),
        free_shadow: if pair && setup.obstruction > 0.0 {
            2
        } else {
            0
        },
        shadow: [0.0, 0.0, setup.obstruction],
        pictures: Vec::new(),
    };
    let mut parameters = vec![0.0; problem.shared_modes.len() + problem.free_shadow];
    for (j, coma) in [(8, 0), (7, 1)] {
        let weigh: f64 = tasks.iter().map(|t| t.1.coma_waves[coma]).sum();
        parameters[j - 5] = weigh / tasks.len() as f64;
    }
    let modes: Vec<usize> = (4..=last).collect();
    for &(stamp, start, side) in tasks {
        let fine = fineness(setup, start, options);
        let model = Model::new(
            setup,
            pupil.clone(),
            &modes,
            stamp.size,
            1.25 * start.outer_radius_px,
            fine,
        );
        problem.pictures.push(picture(stamp, start, options, model));
        let coma = [parameters[3], parameters[2]];
        parameters.extend(own_start(setup, start, side, coma));
    }
    for k in 0..tasks.len() {
        linear_start(&mut problem, &mut parameters, k);
    }
    let limits = Limits {
        max_slopes: 12,
        max_pictures: 60,
        tolerance: 1e-3,
    };
    let solution = problem.solve(&parameters, limits);
    if !solution.parameters.iter().all(|v| v.is_finite()) || !solution.chi2.is_finite() {
        return Err(FitError::NoConvergence);
    }
    let pixels: usize = problem
        .pictures
        .iter()
        .map(|p| p.root_weight.iter().filter(|w| **w > 0.0).count())
        .sum();
    let transforms = problem
        .pictures
        .iter()
        .map(|p| {
            p.model
                .transforms
                .load(std::sync::atomic::Ordering::Relaxed)
        })
        .sum();
    Ok(Fitted {
        freedom: pixels.saturating_sub(problem.len()).max(1),
        point_symmetric,
        transforms,
        pictures_computed: solution.pictures_computed,
        slopes_computed: solution.slopes_computed,
        problem,
        solution,
    })
}

impl Fitted {
    fn finish(self, setup: &Setup, options: &FitOptions, side: SideFound) -> FitResult {
        let Self {
            problem, solution, ..
        } = &self;
        let p = &solution.parameters;
        let count = problem.len();
        let inverse = honest::inverse(&solution.matrix)
            .unwrap_or_else(|| DMatrix::from_element(count, count, f64::INFINITY));
        let covariance = honest::covariance(problem, solution, &inverse);
        let last = problem.pictures.len() - 1;
        let modes: Vec<usize> = std::iter::once(4)
            .chain(problem.shared_modes.iter().copied())
            .collect();
        let row = |j: usize| {
            if j == 4 {
                problem.own(last) + A4
            } else {
                j - 5
            }
        };
        let mut wavefront = Wavefront::flat();
        for &j in &modes {
            wavefront.set(j, p[row(j)]);
        }
        let cov = modes
            .iter()
            .flat_map(|&a| modes.iter().map(move |&b| (a, b)))
            .map(|(a, b)| covariance[(row(a), row(b))])
            .collect();
        let decentre = (problem.free_shadow >= 2).then(|| {
            let i = problem.shared_modes.len();
            Decentre {
                by_radius: [p[i], p[i + 1]],
                sigma: [
                    covariance[(i, i)].max(0.0).sqrt(),
                    covariance[(i + 1, i + 1)].max(0.0).sqrt(),
                ],
            }
        });
        let mut responses = Vec::new();
        let pictures = (0..=last)
            .map(|k| {
                for j in [8, 7] {
                    responses.push(response(problem, solution, &inverse, row(j), k));
                }
                picture_fit(problem, solution, setup, k)
            })
            .collect();
        let mut result = FitResult {
            wavefront,
            modes: modes.clone(),
            covariance: cov,
            chi2: solution.chi2,
            degrees_of_freedom: self.freedom,
            pictures,
            side,
            decentre,
            decentre_doubt: 0.0,
            pictures_computed: self.pictures_computed,
            slopes_computed: self.slopes_computed,
            transforms: self.transforms,
            transform_size: problem.pictures[0].model.shape().0,
            responses,
            models: (0..=last)
                .map(|k| turned(&solution.models[k], problem.pictures[k].model.size))
                .collect(),
        };
        if last == 0 && setup.obstruction > 0.0 {
            result.decentre_doubt = self.doubt(&result, options.plausible_decentre);
        }
        result
    }

    /// Shift of the coma (root mean of both components) that a shadow off
    /// centre by `decentre` causes.
    fn doubt(mut self, result: &FitResult, decentre: f64) -> f64 {
        let state = self.problem.state(&self.solution.parameters, 0);
        let flux = self.solution.parameters[self.problem.own(0) + FLUX];
        let slopes = self.problem.pictures[0].model.slopes(&state, true);
        let size = self.problem.pictures[0].model.size;
        let shift = |c: &[f32], r: &[f32]| {
            flux * turned(c, size)
                .iter()
                .zip(r)
                .map(|(a, b)| f64::from(a * b))
                .sum::<f64>()
        };
        let sum: f64 = slopes.shadow[..2]
            .iter()
            .flat_map(|c| result.responses.iter().map(|r| shift(c, r).powi(2)))
            .sum();
        decentre * (sum / 2.0).sqrt()
    }
}

/// The response of a parameter to picture `k`, as displayed.
fn response(
    problem: &Problem,
    solution: &Solution,
    inverse: &DMatrix<f64>,
    row: usize,
    k: usize,
) -> Vec<f32> {
    let picture = &problem.pictures[k];
    let mut out = vec![0f32; picture.data.len()];
    for (j, column) in &solution.columns[k] {
        let c = inverse[(row, *j)] as f32;
        for (o, v) in out.iter_mut().zip(column) {
            *o += c * v;
        }
    }
    for (o, w) in out.iter_mut().zip(&picture.root_weight) {
        *o *= w;
    }
    turned(&out, picture.model.size)
}

fn picture_fit(problem: &Problem, solution: &Solution, setup: &Setup, k: usize) -> PictureFit {
    let own = &solution.parameters[problem.own(k)..problem.own(k) + OWN];
    let picture = &problem.pictures[k];
    let size = picture.model.size;
    let fwhm = own[BLUR].max(0.0).powf(0.6);
    let model = &solution.models[k];
    let residual: Vec<f32> = picture.data.iter().zip(model).map(|(d, m)| d - m).collect();
    let level = model
        .iter()
        .map(|m| f64::from(*m) - own[SKY])
        .fold(0.0, f64::max);
    let (mut r2, mut s2) = (0.0, 1e-300);
    for ((r, m), w) in residual.iter().zip(model).zip(&picture.root_weight) {
        let light = f64::from(*m) - own[SKY];
        if *w > 0.0 && light > 0.1 * level {
            r2 += f64::from(r * r);
            s2 += light * light;
        }
    }
    let wide = |v: &[f32]| turned(v, size).into_iter().map(f64::from).collect();
    PictureFit {
        w020_waves: wavefront::w020_from_a4(own[A4]),
        position_px: [own[X], own[Y]],
        blur_fwhm_px: fwhm,
        blur_fwhm_arcsec: fwhm * setup.pixel_um * 1e-3 / setup.focal_mm
            * crate::optics::ARCSEC_PER_RAD,
        flux: own[FLUX],
        sky: [own[SKY], own[SKY + 1], own[SKY + 2]],
        model: wide(model),
        residual: wide(&residual),
        residual_share: (r2 / s2).sqrt(),
    }
}

/// Row by row from column by column, or back.
fn turned<T: Copy>(v: &[T], size: usize) -> Vec<T> {
    (0..size * size)
        .map(|i| v[(i % size) * size + i / size])
        .collect()
}

fn pupil(setup: &Setup, side: Side, pair: bool) -> Pupil {
    let mut pupil = Pupil::annular(setup.obstruction);
    if let Some(v) = setup.vanes {
        // Pupil coordinates are those of the outside picture; the vanes'
        // direction was read in the picture at hand.
        let read = if pair { setup.side } else { side };
        let turn = if read == Side::Inside { 180.0 } else { 0.0 };
        pupil = pupil.with_vanes(
            v.count,
            2.0 * v.width_mm / setup.aperture_mm,
            v.clock_deg + turn,
        );
    }
    pupil
}

fn fineness(setup: &Setup, start: &Start, options: &FitOptions) -> Fineness {
    let w020 = start_w020(setup, start);
    // Rings of neighbouring wavelengths may slip by about a ring.
    let slip = w020 * REFERENCE_NM * setup.bandwidth_nm / setup.wavelength_nm.powi(2);
    let lines = options.wavelengths.unwrap_or_else(|| {
        if setup.bandwidth_nm <= 0.0 {
            1
        } else {
            (2 + (0.8 * slip).ceil() as usize).clamp(3, 9)
        }
    });
    Fineness {
        cells_per_lambda_n: 1.6,
        lines,
        smoothing_px: 0.0,
    }
}

fn start_w020(setup: &Setup, start: &Start) -> f64 {
    let radius_nm = start.outer_radius_px * setup.pixel_um * 1e3;
    wavefront::w020_from_radius(radius_nm, setup.focal_mm / setup.aperture_mm) / REFERENCE_NM
}

/// The picture's own parameters from the geometric estimate.
fn own_start(setup: &Setup, start: &Start, side: Side, coma: [f64; 2]) -> [f64; OWN] {
    let sign = if side == Side::Inside { -1.0 } else { 1.0 };
    let ratio = setup.focal_mm / setup.aperture_mm;
    // The outer edge lies dW/dr at r = 1 away from the chief ray.
    let shift = 2.0 * ratio * REFERENCE_NM * 1e-3 / setup.pixel_um * 7.0 * 8f64.sqrt();
    let mut own = [0.0; OWN];
    own[A4] = sign * wavefront::a4_from_w020(start_w020(setup, start));
    own[X] = start.centre_px[0] - shift * coma[0];
    own[Y] = start.centre_px[1] + shift * coma[1];
    own[BLUR] = 1.0;
    own
}

/// Flux and sky by linear least squares at the start.
fn linear_start(problem: &mut Problem, p: &mut [f64], k: usize) {
    let state = problem.state(p, k);
    let own = problem.own(k);
    let picture = &mut problem.pictures[k];
    let image = picture.model.image(&state);
    let [mut ss, mut si, mut ii, mut sd, mut id] = [0.0; 5];
    for ((m, d), w) in image.iter().zip(&picture.data).zip(&picture.root_weight) {
        let (m, d, w) = (f64::from(*m), f64::from(*d), f64::from(w * w));
        ss += w;
        si += w * m;
        ii += w * m * m;
        sd += w * d;
        id += w * m * d;
    }
    let det = ss * ii - si * si;
    if det > 0.0 {
        p[own + FLUX] = (ss * id - si * sd) / det;
        p[own + SKY] = (ii * sd - si * id) / det;
    }
}

fn picture(stamp: &Stamp, start: &Start, options: &FitOptions, model: Model) -> Picture {
    let size = stamp.size;
    // Level of the ring: the mean of what stands in the annulus' middle.
    let (mut sum, mut n) = (0.0, 0.0);
    let mut edge = Vec::new();
    for (i, v) in stamp.data.iter().enumerate() {
        let (x, y) = ((i % size) as f64, (i / size) as f64);
        let r = (x - start.centre_px[0]).hypot(y - start.centre_px[1]) / start.outer_radius_px;
        if (0.5..0.9).contains(&r) && v.is_finite() {
            sum += v;
            n += 1.0;
        } else if r > 1.2 && v.is_finite() {
            edge.push(*v);
        }
    }
    edge.sort_by(f64::total_cmp);
    let sky = edge.get(edge.len() / 2).copied().unwrap_or(0.0);
    let floor = options.model_floor * (sum / f64::max(n, 1.0) - sky).abs();
    let root_weight: Vec<f32> = stamp
        .data
        .iter()
        .zip(&stamp.sigma)
        .map(|(d, s)| {
            let sigma = s.hypot(floor);
            if d.is_finite() && sigma.is_finite() && sigma > 0.0 {
                (1.0 / sigma) as f32
            } else {
                0.0
            }
        })
        .collect();
    let data: Vec<f32> = stamp
        .data
        .iter()
        .map(|d| if d.is_finite() { *d as f32 } else { 0.0 })
        .collect();
    Picture {
        model,
        data: turned(&data, size),
        root_weight: turned(&root_weight, size),
    }
}

fn check_setup(setup: &Setup) -> Result<(), FitError> {
    let bad = |what: &str| Err(FitError::Input(what.to_owned()));
    let positive = |v: f64| v.is_finite() && v > 0.0;
    if !positive(setup.aperture_mm) || !positive(setup.focal_mm) {
        return bad("aperture and focal length must be above zero");
    }
    if !positive(setup.pixel_um) {
        return bad("the pixel size must be above zero");
    }
    if !(0.0..0.95).contains(&setup.obstruction) {
        return bad("the obstruction must be between 0 and 0.95 of the aperture");
    }
    let half = setup.bandwidth_nm / 2.0;
    if !positive(setup.wavelength_nm) || !(0.0..0.8 * setup.wavelength_nm).contains(&half) {
        return bad("the wavelength must be above zero and the band narrower than it");
    }
    Ok(())
}

fn check_stamp(stamp: &Stamp) -> Result<(), FitError> {
    let n = stamp.size * stamp.size;
    if stamp.size < 12 || stamp.data.len() != n || stamp.sigma.len() != n {
        return Err(FitError::Stamp(format!(
            "size {}, {} values and {} sigmas",
            stamp.size,
            stamp.data.len(),
            stamp.sigma.len()
        )));
    }
    let usable = stamp
        .data
        .iter()
        .zip(&stamp.sigma)
        .filter(|(d, s)| d.is_finite() && s.is_finite() && **s >= 0.0)
        .count();
    if usable < n / 4 {
        return Err(FitError::Stamp(format!(
            "only {usable} of {n} values can be used"
        )));
    }
    Ok(())
}

fn check_start(start: &Start) -> Result<(), FitError> {
    let finite = start
        .centre_px
        .iter()
        .chain(&start.coma_waves)
        .all(|v| v.is_finite());
    if !finite || !start.outer_radius_px.is_finite() || start.outer_radius_px < 3.0 {
        return Err(FitError::Input(
            "the first estimate needs a finite centre and an outer radius of 3 pixels or more"
                .to_owned(),
        ));
    }
    Ok(())
}

/// True for a mode whose sign a single picture of a symmetric pupil leaves open.
pub fn sign_is_open(j: usize) -> bool {
    zernike::is_even(j)
}
