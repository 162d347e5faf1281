//! Least squares: one or two pictures, parameters shared and parameters of
//! each picture's own, Levenberg and Marquardt's damping.
//!
//! A full set of derivatives costs some ten times a picture, so a set is kept
//! for several steps as long as steps do what they promised (chord steps), and
//! renewed when they do not, and always before the end.

mod pixels;

use super::kernels::{dot, dots};
use super::model::{Model, Sizes, State};
use nalgebra::{DMatrix, DVector};
use std::ops::Range;

/// One picture to fit.
#[derive(Clone)]
pub(super) struct Picture {
    pub model: Model,
    /// A coarser model for the derivatives, if not the same.
    pub sloper: Option<Model>,
    /// Column by column, as the model has it.
    pub data: Vec<f32>,
    /// Square root of each pixel's weight; 0 leaves the pixel out.
    pub root_weight: Vec<f32>,
    /// What is believed of the share of Fried's short-exposure correction in the blur,
    /// with its 1-sigma; 0 holds it.
    pub registered: [f64; 2],
    /// The donut: centre (x, y) and radius, pixels, in which uneven light is told.
    pub disc: [f64; 3],
}

/// Parameters of a picture's own, in order.
pub(super) const OWN: usize = 15;
pub(super) const A4: usize = 0;
pub(super) const X: usize = 1;
pub(super) const Y: usize = 2;
pub(super) const BLUR: usize = 3;
pub(super) const FLUX: usize = 4;
pub(super) const SKY: usize = 5;
pub(super) const STRETCH: usize = 8;
pub(super) const REGISTERED: usize = 10;
/// Of pictures of unknown scale: logarithm of the band's wavelengths over those told.
pub(super) const COLOUR: usize = 11;
/// Likewise: how the light rises across the donut, in x, in y and outwards.
pub(super) const SHADE: usize = 12;
/// Between these the band's narrowing stays: from darker in the middle to a line.
const NARROWING: Range<f64> = -4.0..25.0;
/// The share of a short exposure's correction. Below 0 for what shakes: far below, its
/// cube root makes the air's power of 5/3 a Gaussian's 2.
const SHARE_REGISTERED: Range<f64> = -30.0..1.0;
/// The most a stage may change an unknown scale's logarithm by.
const MOST_SCALING: Range<f64> = -0.15..0.15;
/// The blur is never stretched further than this share of it.
const MOST_STRETCH: f64 = 0.9;

/// Pictures and the layout of their parameters: the shared modes' coefficients,
/// the shadow's place (2) and size (1) as far as free, then [`OWN`] for each
/// picture: Z4, x, y, blur, flux, sky, sky slope in x and in y (per stamp), and
/// what the blur has of a direction (2), how much of it is a short exposure's.
#[derive(Clone)]
pub(super) struct Problem {
    pub pictures: Vec<Picture>,
    /// Free modes other than Z4; the models carry Z4 first, then these.
    pub shared_modes: Vec<usize>,
    /// Which of the shadow's u, v and radius are free, and where all three stand
    /// to begin with.
    pub free_shadow: Range<usize>,
    pub shadow: [f64; 3],
    /// How well the radius was known beforehand, 1-sigma.
    pub radius_sigma: f64,
    /// How near the centre the shadow was believed to be, 1-sigma; 0 for no belief.
    pub place_sigma: f64,
    /// How well the camera's exponent is known to be 1, 1-sigma; 0 holds it.
    pub bend_sigma: f64,
    /// How far the band may be narrower than told, 1-sigma of [`State::narrowing`]; 0
    /// holds it.
    pub band_sigma: f64,
    /// Whether the iteration leaves the exponent where it is.
    pub bend_held: bool,
    /// Whether it leaves the blur as round as it is.
    pub round: bool,
    /// How well the focal ratio is known, 1-sigma as a share, and by what share
    /// the models' own stands off the told one; a sigma of 0 holds it.
    pub scale_sigma: f64,
    pub scale: f64,
    /// Pictures in several colours whose scale nobody told.
    pub unknown: Option<Unknown>,
    /// Whether the models of the derivatives make the pictures as well.
    pub roughly: bool,
}

/// What is believed beforehand of pictures in several colours, at one focus, whose scale
/// nobody told: 1-sigma each. The first picture's Z4 is then all pictures', and the others
/// carry by how much theirs differs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Unknown {
    /// Logarithm of the scale.
    pub scale: f64,
    /// Inequality of the scale.
    pub unequal: f64,
    /// Logarithm of a band's wavelengths. Were all longer by a share, and all waves with
    /// them, the pictures would be the same: so the middle one's stays where it is, and what
    /// is believed of all together is left to [`Unknown::of_all`].
    pub colour: f64,
    /// Difference of Z4 between colours, waves.
    pub focus: f64,
    /// Rise of the light across the donut.
    pub shade: f64,
    /// Shape of the bands, see [`State::narrowing`].
    pub narrowing: f64,
    /// All bands' wavelengths together, as a share, and what moving air does to rings that no
    /// blur does (found on the tuning seeds of tests/accuracy/phone).
    pub of_all: f64,
    /// How many neighbouring pixels err alike: what is believed counts for so much more
    /// against chi2, which takes each pixel for its own witness.
    pub alike: f64,
}

/// Parameters of [`Unknown`] that all pictures share: scale, inequality (2).
const SIZES: usize = 3;

/// Cube root of the frequencies, over the optics' cut-off, that tell most of a blur.
const PIVOT: f64 = 0.6;
/// What a step that would take away all of a blur leaves of it.
const LESS_BLUR: f64 = 0.2;
/// Above this narrowing a band's variance is about what a bell's is.
const LEAST_BENT: f64 = -0.5;

/// Derivatives are renewed when a step keeps less than this share of what it promised.
const KEPT: f64 = 0.5;

/// Normal equations at a point.
struct Normal {
    matrix: DMatrix<f64>,
    gradient: DVector<f64>,
}

/// Where a solution ended.
#[derive(Debug, Clone)]
pub(super) struct Solution {
    pub parameters: Vec<f64>,
    /// Half the slope of chi2 downhill, at the end.
    pub gradient: DVector<f64>,
    pub chi2: f64,
    /// Pictures computed, and sets of derivatives.
    pub pictures_computed: usize,
    pub slopes_computed: usize,
    /// Pixels less parameters.
    pub freedom: f64,
    /// Weighted columns of the last derivatives, one list per picture: (index
    /// of the parameter, sqrt(w) * derivative).
    pub columns: Vec<Vec<(usize, Vec<f32>)>>,
    /// Weighted residuals sqrt(w) (data - model).
    pub residuals: Vec<Vec<f32>>,
    /// Model pictures, without weights.
    pub models: Vec<Vec<f32>>,
    /// Normal matrix at the end.
    pub matrix: DMatrix<f64>,
    /// Where the derivatives were taken.
    pub slopes_at: Vec<f64>,
}

/// When to stop and how often to renew.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    pub max_slopes: usize,
    pub max_pictures: usize,
    /// Stop when a step promises less than this share of chi2 per degree of
    /// freedom.
    pub tolerance: f64,
}

impl Problem {
    pub fn len(&self) -> usize {
        self.own(self.pictures.len())
    }

    /// Index of the first parameter of picture `k`'s own.
    pub fn own(&self, k: usize) -> usize {
        let sizes = self.unknown.map_or(0, |_| SIZES);
        self.shared_modes.len() + self.free_shadow.len() + self.extras() + sizes + OWN * k
    }

    /// Whether the shadow's place is a parameter: the two after the shared modes.
    pub fn place_is_free(&self) -> bool {
        self.free_shadow.start == 0 && !self.free_shadow.is_empty()
    }

    /// How many parameters of camera and focal ratio are free.
    pub fn extras(&self) -> usize {
        [self.bend_sigma, self.scale_sigma, self.band_sigma]
            .iter()
            .filter(|s| **s > 0.0)
            .count()
    }

    /// Index of the camera's exponent less 1, if free.
    pub fn bend(&self) -> Option<usize> {
        (self.bend_sigma > 0.0).then(|| self.shared_modes.len() + self.free_shadow.len())
    }

    /// Index of the focal ratio's change, if free.
    pub fn scale(&self) -> Option<usize> {
        let first = self.shared_modes.len() + self.free_shadow.len();
        (self.scale_sigma > 0.0).then(|| first + usize::from(self.bend_sigma > 0.0))
    }

    /// Index of the first of scale and its inequality, where they are unknown.
    pub fn sizes(&self) -> Option<usize> {
        self.unknown.map(|_| self.own(0) - SIZES)
    }

    /// Whether picture `k` carries only by how much its Z4 differs from the first's.
    fn leans(&self, k: usize) -> bool {
        self.unknown.is_some() && k > 0
    }

    /// Index of the band's narrowing, if free.
    pub fn band(&self) -> Option<usize> {
        let first = self.shared_modes.len() + self.free_shadow.len();
        (self.band_sigma > 0.0).then(|| first + self.extras() - 1)
    }

    /// The model state of picture `k`.
    pub fn state(&self, p: &[f64], k: usize) -> State {
        let own = &p[self.own(k)..];
        let modes = self.shared_modes.len();
        let lead = if self.leans(k) {
            p[self.own(0) + A4]
        } else {
            0.0
        };
        let mut waves = vec![own[A4] + lead];
        waves.extend_from_slice(&p[..modes]);
        let mut shadow = self.shadow;
        let free = self.free_shadow.clone();
        shadow[free.clone()].copy_from_slice(&p[modes..modes + free.len()]);
        shadow[2] = shadow[2].clamp(0.0, 0.95);
        State {
            waves,
            shadow,
            at: [own[X], own[Y]],
            blur: own[BLUR].max(0.0),
            stretch: [own[STRETCH], own[STRETCH + 1]],
            registered: own[REGISTERED],
            narrowing: self
                .band()
                .map_or(self.unknown.map_or(0.0, |u| u.narrowing), |i| p[i]),
            sizes: self.sizes().map_or(Sizes::default(), |i| Sizes {
                scale: p[i],
                unequal: [p[i + 1], p[i + 2]],
                colour: own[COLOUR],
            }),
        }
    }

    fn matrix(&self, columns: &[Vec<(usize, Vec<f32>)>]) -> DMatrix<f64> {
        let mut m = DMatrix::zeros(self.len(), self.len());
        for list in columns {
            for (a, (i, ca)) in list.iter().enumerate() {
                let products = dots(ca, list[a..].iter().map(|c| c.1.as_slice()));
                for ((j, _), d) in list[a..].iter().zip(products) {
                    m[(*i, *j)] += d;
                    if i != j {
                        m[(*j, *i)] += d;
                    }
                }
            }
        }
        m
    }

    /// What is known beforehand: index, distance from what was told, weight.
    pub(super) fn priors(&self, p: &[f64]) -> Vec<(usize, f64, f64)> {
        let mut all = Vec::new();
        if self.free_shadow.end == 3 {
            let i = self.shared_modes.len() + 2 - self.free_shadow.start;
            all.push((i, self.shadow[2] - p[i], self.radius_sigma.powi(-2)));
        }
        if self.place_sigma > 0.0 && self.place_is_free() {
            let first = self.shared_modes.len();
            all.extend((first..first + 2).map(|i| (i, -p[i], self.place_sigma.powi(-2))));
        }
        if let Some(i) = self.bend() {
            all.push((i, -p[i], self.bend_sigma.powi(-2)));
        }
        if let Some(i) = self.scale() {
            all.push((i, -self.scale - p[i], self.scale_sigma.powi(-2)));
        }
        if let Some(i) = self.band() {
            all.push((i, -p[i], self.band_sigma.powi(-2)));
        }
        if let (Some(u), Some(i)) = (self.unknown, self.sizes()) {
            all.push((i, -p[i], u.scale.powi(-2)));
            let weight = |sigma: f64| u.alike / sigma.powi(2);
            all.extend([i + 1, i + 2].map(|i| (i, -p[i], weight(u.unequal))));
            for k in 0..self.pictures.len() {
                let own = self.own(k);
                let colour = own + COLOUR;
                all.push((colour, -p[colour], weight(u.colour)));
                all.extend((own + SHADE..own + SHADE + 3).map(|i| (i, -p[i], weight(u.shade))));
                if self.leans(k) {
                    all.push((own + A4, -p[own + A4], weight(u.focus)));
                }
            }
        }
        for (k, picture) in self.pictures.iter().enumerate() {
            let [mean, sigma] = picture.registered;
            if sigma > 0.0 {
                let i = self.own(k) + REGISTERED;
                all.push((i, mean - p[i], sigma.powi(-2)));
            }
        }
        all
    }

    fn gradient(&self, columns: &[Vec<(usize, Vec<f32>)>], residuals: &[Vec<f32>]) -> DVector<f64> {
        let mut g = DVector::zeros(self.len());
        for (list, r) in columns.iter().zip(residuals) {
            for (i, c) in list {
                g[*i] += dot(c, r);
            }
        }
        g
    }

    /// Model pictures, weighted residuals and chi2 at `p`.
    fn look(&mut self, p: &[f64]) -> (Vec<Vec<f32>>, Vec<Vec<f32>>, f64) {
        let mut models = Vec::new();
        let mut residuals = Vec::new();
        for k in 0..self.pictures.len() {
            let state = self.state(p, k);
            let image = self.imager(k).image(&state);
            let model = self.compose(p, k, &image);
            residuals.push(self.residuals(k, &model));
            models.push(model);
        }
        let told: f64 = self
            .priors(p)
            .iter()
            .map(|(_, gap, weight)| weight * gap * gap)
            .sum();
        let chi2 = told + residuals.iter().map(|r| dot(r, r)).sum::<f64>();
        (models, residuals, chi2)
    }

    /// What makes the pictures.
    fn imager(&mut self, k: usize) -> &mut Model {
        let picture = &mut self.pictures[k];
        match &mut picture.sloper {
            Some(sloper) if self.roughly => sloper,
            _ => &mut picture.model,
        }
    }

    /// Iterates from `start`, with the derivatives of a solution of the same pictures as
    /// long as they serve.
    pub fn solve(&mut self, start: &[f64], limits: Limits, known: Option<&Solution>) -> Solution {
        let mut p = start.to_vec();
        let (mut models, mut residuals, mut chi2) = self.look(&p);
        let (mut computed, mut renewed) = (1, 0);
        let pixels: usize = self
            .pictures
            .iter()
            .map(|p| p.root_weight.iter().filter(|w| **w > 0.0).count())
            .sum();
        let freedom = pixels.saturating_sub(self.len()).max(1) as f64;
        let mut damping = 1e-4;
        let held: Vec<usize> = self
            .scale()
            .into_iter()
            .chain(self.bend().filter(|_| self.bend_held))
            .chain(self.stretches().filter(|_| self.round))
            .chain(self.as_exposed())
            .collect();
        let mut columns = known.map_or_else(Vec::new, |k| k.columns.clone());
        // Whether the derivatives must be renewed before the next step.
        let mut stale = known.is_none();
        let mut normal = Normal {
            matrix: known.map_or_else(|| DMatrix::zeros(0, 0), |k| k.matrix.clone()),
            gradient: DVector::zeros(0),
        };
        // Where the present derivatives were taken.
        let mut renewed_at = known.map_or_else(|| p.clone(), |k| k.slopes_at.clone());
        // Half the slope of chi2, without what was known beforehand, at `p`.
        let mut pull = self.pull(&p, &residuals);
        loop {
            if stale {
                if renewed == limits.max_slopes {
                    break;
                }
                columns = (0..self.pictures.len())
                    .map(|k| {
                        let state = self.state(&p, k);
                        let picture = &mut self.pictures[k];
                        let sloper = picture.sloper.as_mut().unwrap_or(&mut picture.model);
                        let slopes = sloper.slopes(&state, self.free_shadow.clone());
                        self.columns(&p, k, slopes)
                    })
                    .collect::<Vec<_>>();
                renewed += 1;
                normal.matrix = self.matrix(&columns);
                for (i, _, weight) in self.priors(&p) {
                    normal.matrix[(i, i)] += weight;
                }
                renewed_at.clone_from(&p);
                stale = false;
            }
            normal.gradient = pull.clone();
            if let Some(i) = self.scale() {
                normal.gradient[i] = self.gradient(&columns, &residuals)[i];
            }
            for (i, gap, weight) in self.priors(&p) {
                normal.gradient[i] += weight * gap;
            }
            let Some((step, promise)) = self.step(&normal, &p, damping, &held) else {
                damping *= 10.0;
                if damping > 1e6 {
                    break;
                }
                continue;
            };
            // Single precision leaves a few parts in 10^7 of chi2 undecided.
            if promise < (limits.tolerance / freedom).max(5e-7) * chi2 {
                if self.is_near(&p, &renewed_at) {
                    // So small a step is taken on trust: it is worth less than
                    // the picture that would confirm it.
                    break;
                }
                stale = true;
                continue;
            }
            if computed >= limits.max_pictures {
                break;
            }
            let trial = self.bounded(self.moved(&p, &step));
            let (m, r, c) = self.look(&trial);
            computed += 1;
            if c.is_finite() && c < chi2 {
                let kept = (chi2 - c) / promise;
                p = trial;
                (models, residuals, chi2) = (m, r, c);
                pull = self.pull(&p, &residuals);
                damping = if kept > 0.7 { damping * 0.1 } else { damping }.max(1e-9);
                if kept < KEPT {
                    stale = true;
                }
            } else if p == renewed_at {
                damping = (damping * 10.0).max(1e-3);
                if damping > 1e6 {
                    break;
                }
            } else {
                stale = true;
            }
        }
        Solution {
            parameters: p,
            gradient: normal.gradient,
            chi2,
            pictures_computed: computed,
            slopes_computed: renewed,
            freedom,
            columns,
            residuals,
            models,
            matrix: normal.matrix,
            slopes_at: renewed_at,
        }
    }

    /// Where a solution would go next with only the parameters `held` kept where they
    /// are, and the fall of chi2 that promises.
    pub fn onward(&self, solution: &Solution, held: &[usize]) -> Option<(Vec<f64>, f64)> {
        let normal = Normal {
            matrix: solution.matrix.clone(),
            gradient: solution.gradient.clone(),
        };
        self.step(&normal, &solution.parameters, 1e-9, held)
            .map(|(step, promise)| (step.iter().copied().collect(), promise))
    }

    /// True when derivatives taken at `b` still serve at `a`: coefficients within
    /// a fiftieth of a wave (an eighth of a radian), blur within a third.
    fn is_near(&self, a: &[f64], b: &[f64]) -> bool {
        let shared = self.shared_modes.len();
        let waves = |p: &[f64], q: &[f64]| p.iter().zip(q).all(|(x, y)| (x - y).abs() < 0.02);
        let blur = |p: &[f64], i: usize| p[i + BLUR] * (1.0 - PIVOT * p[i + REGISTERED]);
        self.sizes().is_none_or(|i| (a[i] - b[i]).abs() < 0.004)
            && waves(&a[..shared], &b[..shared])
            && (0..self.pictures.len()).map(|k| self.own(k)).all(|i| {
                waves(&a[i..=i], &b[i..=i])
                    && (blur(a, i) - blur(b, i)).abs() <= 0.33 * blur(b, i).max(1.0)
            })
    }

    /// `p` moved by `step`, bounds not heeded. What enters the picture's spectrum in a straight
    /// line takes the step: of a blur itself and its product with the share of a short
    /// exposure's correction, of a band its variance, which falls about as
    /// 1 / (3 + 2 narrowing).
    fn moved(&self, p: &[f64], step: &DVector<f64>) -> Vec<f64> {
        let mut to: Vec<f64> = p.iter().zip(step.iter()).map(|(a, b)| a + b).collect();
        for own in (0..self.pictures.len()).map(|k| self.own(k)) {
            let (b, r) = (own + BLUR, own + REGISTERED);
            let product = p[b] * p[r] + p[r] * step[b] + p[b] * step[r];
            // What is left of the blur where it tells most.
            let left = to[b] - PIVOT * product;
            if step[r] == 0.0 {
                continue;
            }
            if left <= 0.0 {
                (to[b], to[r]) = (LESS_BLUR * p[b], p[r]);
                continue;
            }
            let share = product / to[b].max(1e-12);
            let within = share.clamp(SHARE_REGISTERED.start, SHARE_REGISTERED.end);
            to[r] = share;
            if within != share {
                to[b] = left / (1.0 - PIVOT * within);
            }
        }
        if let Some(i) = self.band().filter(|&i| p[i] > LEAST_BENT) {
            let before = 3.0 + 2.0 * p[i];
            let share = (1.0 - 2.0 * step[i] / before).max(1e-3);
            to[i] = (before / share - 3.0) / 2.0;
        }
        to
    }

    /// Parameters that stay within bounds.
    fn bounds(&self) -> Vec<(usize, Range<f64>)> {
        let own = (0..self.pictures.len()).flat_map(|k| {
            let own = self.own(k);
            [
                (own + BLUR, 0.0..f64::INFINITY),
                (own + REGISTERED, SHARE_REGISTERED),
            ]
        });
        own.chain(self.band().map(|i| (i, NARROWING)))
            .chain(self.sizes().map(|i| (i, MOST_SCALING)))
            .collect()
    }

    fn bounded(&self, mut p: Vec<f64>) -> Vec<f64> {
        for (i, within) in self.bounds() {
            p[i] = p[i].clamp(within.start, within.end);
        }
        for k in 0..self.pictures.len() {
            let own = self.own(k);
            let size = p[own + STRETCH].hypot(p[own + STRETCH + 1]);
            let most = MOST_STRETCH * p[own + BLUR];
            if size > most {
                p[own + STRETCH] *= most / size;
                p[own + STRETCH + 1] *= most / size;
            }
        }
        p
    }

    /// Indices of what is known of how the blurs were exposed, and of what pictures of
    /// known scale hold as told.
    pub fn as_exposed(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.pictures.len())
            .filter(|&k| self.pictures[k].registered[1] <= 0.0)
            .map(|k| self.own(k) + REGISTERED)
            .chain(
                (0..self.pictures.len())
                    .filter(|_| self.unknown.is_none())
                    .flat_map(|k| self.own(k) + COLOUR..self.own(k) + OWN),
            )
            .chain(
                self.unknown
                    .map(|_| self.own(self.pictures.len() / 2) + COLOUR),
            )
    }

    /// Indices of what the blurs have of a direction.
    pub fn stretches(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.pictures.len()).flat_map(|k| {
            let first = self.own(k) + STRETCH;
            [first, first + 1]
        })
    }

    /// The damped step and the fall of chi2 it promises. What would leave its bounds
    /// goes to them and no further, and the rest takes account of it;
    /// the parameters `held` stay where they are.
    fn step(
        &self,
        normal: &Normal,
        p: &[f64],
        damping: f64,
        held: &[usize],
    ) -> Option<(DVector<f64>, f64)> {
        let n = self.len();
        let mut fixed: Vec<(usize, f64)> = held.iter().map(|&i| (i, 0.0)).collect();
        let registered: Vec<usize> = (0..self.pictures.len())
            .map(|k| self.own(k) + REGISTERED)
            .filter(|i| !held.contains(i))
            .collect();
        let step = loop {
            let mut m = normal.matrix.clone();
            let mut g = normal.gradient.clone();
            for i in 0..n {
                m[(i, i)] *= 1.0 + damping;
            }
            for &(i, to) in &fixed {
                g -= m.column(i) * to;
            }
            for &(i, to) in &fixed {
                m.row_mut(i).fill(0.0);
                m.column_mut(i).fill(0.0);
                m[(i, i)] = 1.0;
                g[i] = to;
            }
            // Scale to a unit diagonal: parameters come in very different units.
            let scale: Vec<f64> = (0..n).map(|i| m[(i, i)].max(1e-300).sqrt()).collect();
            let scaled = DMatrix::from_fn(n, n, |i, j| m[(i, j)] / (scale[i] * scale[j]));
            let rhs = DVector::from_fn(n, |i, _| g[i] / scale[i]);
            let s = scaled.cholesky()?.solve(&rhs);
            let step = DVector::from_fn(n, |i, _| s[i] / scale[i]);
            let moved = self.moved(p, &step);
            let beyond = self.bounds().into_iter().find_map(|(i, within)| {
                let to = moved[i];
                let out = !(within.start - 1e-9..=within.end + 1e-9).contains(&to);
                // Far from straight, the way to its bound is no straight step.
                let bends = Some(i) == self.band()
                    || registered.contains(&i)
                    || registered.contains(&(i + REGISTERED - BLUR));
                let inside = within.start < p[i] && p[i] < within.end;
                (out && !(bends && inside) && fixed.iter().all(|f| f.0 != i))
                    .then(|| (i, to.clamp(within.start, within.end) - p[i]))
            });
            match beyond {
                Some(at) => fixed.push(at),
                None => break step,
            }
        };
        let promise = 2.0 * step.dot(&normal.gradient) - step.dot(&(&normal.matrix * &step));
        // A bound in the way of a long step can make it one uphill.
        (promise > -1.0 && step.iter().all(|v| v.is_finite())).then_some((step, promise))
    }
}
