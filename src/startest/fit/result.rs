//! What a fit hands back, and how it is made from a solution.

use super::{
    FitOptions, honest,
    kernels::plane,
    run::{Fitted, Work},
    solve::{A4, BLUR, COLOUR, FLUX, OWN, SHADE, SKY, X, Y},
    told,
    wider::{self, Wider},
};
use crate::frame::{Setup, Side, Vanes};
use nalgebra::DMatrix;
use optics::{
    ARCSEC_PER_RAD,
    wavefront::{self, Wavefront},
};

/// What no residual tells, RMS waves per coefficient: how far our model and an independent
/// library's differ (2e-4; tests/frames, calm air, noise-free), and what an instrument's own
/// modes beyond the fitted ones leave in these (world A of tests/accuracy/worlds has
/// 0.0006 of each). No sigma is below it.
const MODEL_UNTRUTH: f64 = 2e-4;
/// Aperture, pixels and focal length together are seldom known better than this share
/// (common practice, no source), and the coma goes with them.
const SIZES_KNOWN: f64 = 0.003;

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
    /// The same with the noise that the stamp admits taken off.
    pub unexplained_share: f64,
}

/// A shadow off centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decentre {
    /// (u, v) in units of the aperture's radius, as seen outside focus (y up).
    pub by_radius: [f64; 2],
    /// 1-sigma of each.
    pub sigma: [f64; 2],
}

/// A scale that was found and not told.
#[derive(Debug, Clone, PartialEq)]
pub struct SizesFound {
    /// Arc seconds a pixel of the stamps, and its 1-sigma.
    pub arcsec_per_px: [f64; 2],
    /// How the scale differs with direction, as a share: along x against y, and along the
    /// diagonal that rises to the right against the other; and the 1-sigma of each.
    pub unequal: [f64; 2],
    /// 1-sigma of each.
    pub unequal_sigma: f64,
    /// The part of the scale's error, as a share, by which all waves err alike: the bands'
    /// wavelengths, and what moving air does to rings.
    pub of_all: f64,
    /// Each band's wavelengths over those believed, as the rings have them.
    pub colours: Vec<f64>,
    /// How the light rises across the donut in each colour, as a share of its middle: to the
    /// right, **down** and outwards.
    pub shades: Vec<[f64; 3]>,
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
    /// The obstruction as fitted (as told, where it was held).
    pub obstruction: f64,
    /// Focal length as fitted over that told, with its 1-sigma; `None` where it
    /// was held.
    pub focal_scale: Option<[f64; 2]>,
    /// The camera's exponent (1: counts go with the light), with its 1-sigma;
    /// `None` where it was held.
    pub response: Option<[f64; 2]>,
    /// 1-sigma of the obstruction; `None` where it was held.
    pub obstruction_sigma: Option<f64>,
    /// Part of each coma component's 1-sigma (root mean of both) that what was told
    /// of focal length and camera is to blame for, waves.
    pub told_doubt: f64,
    /// Covariance [xx, xy, yy] of that part of the coma, and of what the model leaves out.
    pub(super) unseen: [f64; 3],
    /// Vanes that were not told and stand in the picture, seen as in
    /// [`Setup::vanes`].
    pub vanes: Option<Vanes>,
    /// Where the shadow sits, from a pair.
    pub decentre: Option<Decentre>,
    /// From one side only: by how much (1-sigma, RMS waves, each component) a
    /// shadow off centre by [`FitOptions::plausible_decentre`] would shift the
    /// coma. 0 for a pair or without an obstruction.
    pub decentre_doubt: f64,
    /// The scale, where it was not told.
    pub sizes: Option<SizesFound>,
    /// What it cost.
    pub work: Work,
    /// Coma vector of the pictures' models.
    pub(super) modelled: [f64; 2],
    pub(super) responses: Vec<Vec<f32>>,
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

    /// The part of [`FitResult::coma_covariance`] that is the same in all frames and so
    /// in no scatter between them: what was told, and what the model leaves out.
    pub fn unseen_covariance(&self) -> [f64; 3] {
        self.unseen
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
        if blocks.len() != self.pictures.len() {
            return None;
        }
        let [mut x, mut y] = self.modelled;
        for (k, (block, picture)) in blocks.iter().zip(&self.pictures).enumerate() {
            if block.len() != picture.model.len() {
                return None;
            }
            let (rx, ry) = (&self.responses[2 * k], &self.responses[2 * k + 1]);
            for (i, (value, model)) in block.iter().zip(&picture.model).enumerate() {
                if rx[i] != 0.0 || ry[i] != 0.0 {
                    let d = value - model;
                    x += f64::from(rx[i]) * d;
                    y += f64::from(ry[i]) * d;
                }
            }
        }
        Some([x, y])
    }
}

impl Fitted<'_> {
    /// Makes the answer.
    pub(super) fn finish(
        mut self,
        setup: &Setup,
        options: &FitOptions,
        side: SideFound,
    ) -> FitResult {
        let wider = wider::widen(&mut self, options);
        let Self {
            problem, solution, ..
        } = &self;
        let p = &solution.parameters;
        let count = p.len();
        // What is held as told takes no part in these errors; `told::doubt` sees to it.
        let inverse = honest::inverse(&honest::holding(&solution.matrix, &self.held))
            .unwrap_or_else(|| DMatrix::from_element(count, count, f64::INFINITY));
        let mut leftover = honest::Leftover::of(problem, solution, &inverse);
        leftover.believe(&wider.believed);
        let mut covariance = leftover.covariance(&inverse);
        if let Some(unknown) = problem.unknown {
            // What was believed beforehand is as uncertain as was believed.
            let mut believed = DMatrix::zeros(count, count);
            for (i, _, weight) in problem.priors(p) {
                believed[(i, i)] += unknown.alike * weight;
            }
            covariance += &inverse * believed * &inverse;
        }
        let last = problem.pictures.len() - 1;
        let lead = if problem.unknown.is_some() { 0 } else { last };
        let modes: Vec<usize> = std::iter::once(4)
            .chain(problem.shared_modes.iter().copied())
            .collect();
        let row = |j: usize| {
            if j == 4 {
                problem.own(lead) + A4
            } else {
                j - 5
            }
        };
        let extra = told::doubt(
            problem,
            solution,
            &leftover,
            &self.held,
            &wider,
            options,
            self.vanes.is_some(),
            self.cut,
            [row(8), row(7)],
        );
        // What further modes and shadow leave as believed is the same in all frames.
        let believed = |a: usize, b: usize| {
            let both = |&(i, v): &(usize, f64)| v * inverse[(row(a), i)] * inverse[(row(b), i)];
            wider.believed.iter().map(both).sum::<f64>()
        };
        let bands = problem.unknown.map_or(0.0, |u| u.of_all);
        let of_sizes =
            |a: usize, b: usize| (SIZES_KNOWN.powi(2) + bands.powi(2)) * p[row(a)] * p[row(b)];
        let extra = [
            extra[0] + of_sizes(8, 8),
            extra[1] + of_sizes(7, 8),
            extra[2] + of_sizes(7, 7),
        ];
        let of_modes = [believed(8, 8), believed(7, 8), believed(7, 7)];
        let of_told = |a: usize, b: usize| match (a, b) {
            (8, 8) => extra[0],
            (7, 7) => extra[2],
            (7, 8) | (8, 7) => extra[1],
            _ => bands.powi(2) * p[row(a)] * p[row(b)],
        };
        let mut wavefront = Wavefront::flat();
        for &j in &modes {
            wavefront.set(j, p[row(j)]);
        }
        let modelled = wavefront.coma();
        let cov = modes
            .iter()
            .flat_map(|&a| modes.iter().map(move |&b| (a, b)))
            .map(|(a, b)| {
                let own = if a == b { MODEL_UNTRUTH.powi(2) } else { 0.0 };
                covariance[(row(a), row(b))] + own + of_told(a, b)
            })
            .collect();
        let decentre = problem.place_is_free().then(|| {
            let i = problem.shared_modes.len();
            // A pair has the shadow's change of sides to go by, one side only
            // what small untruths of the model may feign.
            let untrue = if last == 0 { honest::UNTRUTH } else { 1.0 };
            Decentre {
                by_radius: [p[i], p[i + 1]],
                sigma: [
                    untrue * covariance[(i, i)].max(0.0).sqrt(),
                    untrue * covariance[(i + 1, i + 1)].max(0.0).sqrt(),
                ],
            }
        });
        let sigma = |i: usize| covariance[(i, i)].max(0.0).sqrt();
        let scale = self.setup.focal_mm / setup.focal_mm;
        let focal_scale = problem
            .scale()
            .filter(|_| scale != 1.0)
            .map(|i| [scale, sigma(i)]);
        let response = problem
            .bend()
            .filter(|_| !problem.bend_held)
            .map(|i| [1.0 + p[i], sigma(i)]);
        let obstruction_sigma = (problem.free_shadow.end == 3)
            .then(|| sigma(problem.shared_modes.len() + problem.free_shadow.len() - 1));
        let sizes = problem.sizes().map(|i| {
            let scale = self.setup.pixel_um * 1e-3 / self.setup.focal_mm * ARCSEC_PER_RAD;
            SizesFound {
                arcsec_per_px: [scale, scale * sigma(i).hypot(bands)],
                unequal: [2.0 * p[i + 1], 2.0 * p[i + 2]],
                unequal_sigma: sigma(i + 1) + sigma(i + 2),
                of_all: bands,
                colours: (0..=last)
                    .map(|k| p[problem.own(k) + COLOUR].exp())
                    .collect(),
                shades: (0..=last)
                    .map(|k| problem.own(k) + SHADE)
                    .map(|i| [p[i], p[i + 1], p[i + 2]])
                    .collect(),
            }
        });
        let mut responses = Vec::new();
        let mut pictures = Vec::new();
        for k in 0..=last {
            for j in [8, 7] {
                responses.push(self.laid(self.response(&inverse, row(j), k), k));
            }
            pictures.push(self.picture(&self.setup, k));
        }
        let obstruction = problem.state(p, 0).shadow[2];
        let freedom = solution.freedom as usize;
        let chi2 = solution.chi2;
        let doubt = if last == 0 {
            options.plausible_decentre * self.lean_on_place(&wider, [row(8), row(7)])
        } else {
            0.0
        };
        FitResult {
            wavefront,
            modes,
            covariance: cov,
            chi2,
            degrees_of_freedom: freedom,
            pictures,
            side,
            obstruction,
            focal_scale,
            response,
            obstruction_sigma,
            told_doubt: ((extra[0] + extra[2]) / 2.0).max(0.0).sqrt(),
            unseen: [
                extra[0] + of_modes[0] + MODEL_UNTRUTH.powi(2),
                extra[1] + of_modes[1],
                extra[2] + of_modes[2] + MODEL_UNTRUTH.powi(2),
            ],
            vanes: self.vanes,
            decentre,
            decentre_doubt: doubt,
            sizes,
            work: self.work,
            modelled,
            responses,
        }
    }

    /// Shift of the coma (root mean of both components) for a shadow off centre by 1 in each
    /// direction that is taken for one in the middle, as one side does whatever this picture
    /// made of it.
    fn lean_on_place(&self, wider: &Wider, coma: [usize; 2]) -> f64 {
        let (problem, matrix) = (&self.problem, &self.solution.matrix);
        let first = problem.shared_modes.len();
        let place = if problem.place_is_free() {
            vec![first, first + 1]
        } else {
            wider.shadow.clone()
        };
        let held = [self.held.as_slice(), &place].concat();
        let Some(inverse) = honest::inverse(&honest::holding(matrix, &held)) else {
            return f64::INFINITY;
        };
        let free = || (0..matrix.nrows()).filter(|j| !place.contains(j));
        let shift = |row: usize, i: usize| {
            free()
                .map(|j| inverse[(row, j)] * matrix[(j, i)])
                .sum::<f64>()
        };
        let both = place
            .iter()
            .flat_map(|&i| coma.map(|row| shift(row, i).powi(2)));
        (both.sum::<f64>() / 2.0).sqrt()
    }

    /// How the parameter in `row` answers to each weighted pixel of picture `k`.
    fn response(&self, inverse: &DMatrix<f64>, row: usize, k: usize) -> Vec<f32> {
        let picture = &self.problem.pictures[k];
        let mut out = vec![0f32; picture.data.len()];
        for (j, column) in &self.solution.columns[k] {
            let c = inverse[(row, *j)] as f32;
            for (o, v) in out.iter_mut().zip(column) {
                *o += c * v;
            }
        }
        out
    }

    /// An answer to weighted pixels of picture `k` as one to those of its stamp.
    fn laid(&self, mut response: Vec<f32>, k: usize) -> Vec<f32> {
        for (o, w) in response
            .iter_mut()
            .zip(&self.problem.pictures[k].root_weight)
        {
            *o *= w;
        }
        self.windows[k].lay(&response, |_| 0.0)
    }

    fn picture(&self, setup: &Setup, k: usize) -> PictureFit {
        let (window, stamp) = (&self.windows[k], self.stamps[k]);
        let at = self.problem.own(k);
        let own = window.leave(&self.solution.parameters[at..at + OWN]);
        let sky = |i: usize| {
            own[SKY]
                + own[SKY + 1] * plane(i % stamp.size, stamp.size)
                + own[SKY + 2] * plane(i / stamp.size, stamp.size)
        };
        let inside: Vec<f64> = self.solution.models[k]
            .iter()
            .map(|m| f64::from(*m))
            .collect();
        let model = window.lay(&inside, sky);
        let residual: Vec<f64> = stamp
            .data
            .iter()
            .zip(&model)
            .map(|(d, m)| if d.is_finite() { d - m } else { 0.0 })
            .collect();
        let light: Vec<f64> = model.iter().enumerate().map(|(i, m)| m - sky(i)).collect();
        let level = light.iter().copied().fold(0.0, f64::max);
        let (mut r2, mut s2, mut noise) = (0.0, 1e-300, 0.0);
        for ((r, l), sigma) in residual
            .iter()
            .zip(&light)
            .zip(&stamp.sigma)
            .filter(|((_, l), sigma)| **l > 0.1 * level && sigma.is_finite())
        {
            r2 += r * r;
            s2 += l * l;
            noise += sigma * sigma;
        }
        let fwhm = own[BLUR].max(0.0).powf(0.6);
        PictureFit {
            w020_waves: wavefront::w020_from_a4(
                self.problem.state(&self.solution.parameters, k).waves[0],
            ),
            position_px: [own[X], own[Y]],
            blur_fwhm_px: fwhm,
            blur_fwhm_arcsec: fwhm * setup.pixel_um * 1e-3 / setup.focal_mm * ARCSEC_PER_RAD,
            flux: own[FLUX],
            sky: [own[SKY], own[SKY + 1], own[SKY + 2]],
            model,
            residual,
            residual_share: (r2 / s2).sqrt(),
            unexplained_share: ((r2 - noise).max(0.0) / s2).sqrt(),
        }
    }
}
