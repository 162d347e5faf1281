//! The air's own share of the coma, told from the instrument's.
//!
//! The mean of a few dozen short exposures keeps some of the air's coma, and a
//! perfect measurement of that mean is out by it. But coma does not come alone: in
//! Kolmogorov air a mode goes with the higher modes of its own azimuthal order
//! (R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976), eq. 25), so that once those of radial
//! order 5 and 7 are known, the standard deviation of coma is 0.76 of what it was. A
//! telescope out of line makes next to none of those itself: what the mean picture
//! shows of them is the air's, and tells its coma.
//!
//! The fit's least squares are therefore set up once more at the solution, with the
//! air's modes free in each picture: the instrument's wavefront without any belief
//! beforehand, the air's with Noll's covariance times its strength. That strength is
//! (D/r0)^(5/3) over the number of exposures that count as independent, and is read
//! from how blocks of frames differ in modes that the instrument cannot change from
//! frame to frame; blocks that hang together count for less.

use super::{
    honest,
    run::{Fitted, Work},
    solve::{BLUR, FLUX, OWN, dot},
    stage, told,
};
use crate::frame::Stamp;
use nalgebra::DMatrix;
use optics::{seeing, zernike};
use std::f64::consts::TAU;

/// Higher modes followed: radial orders 5 and 7, all that change sign with half a turn.
const HIGHER: [usize; 14] = [16, 17, 18, 19, 20, 21, 29, 30, 31, 32, 33, 34, 35, 36];
/// How much of each of them an instrument may have of its own, 1-sigma, waves RMS: as
/// much as polishing may leave.
const INSTRUMENT_SIGMA: f64 = 5e-4;
/// Secondary coma of lenses out of line as a share of their coma, 1-sigma, which make
/// up to 0.03 (`tests/optics_trace.rs`).
const SECONDARY_OF_LENSES: f64 = 0.03;
/// Fewer blocks do not tell how strong the air is.
const LEAST_BLOCKS: usize = 6;
/// Strength, in (D/r0)^(5/3), that stands for not knowing it.
const UNKNOWN: f64 = 1000.0;
/// Neighbouring blocks less alike than this count as independent.
const ALIKE: f64 = 0.15;
/// Strength is believed up to so many times what the fitted blur allows.
const MOST_OVER_BLUR: f64 = 4.0;

/// What was found of the air.
pub(super) struct AirFound {
    /// Coma vector (a8, a7) of the instrument alone.
    pub coma: [f64; 2],
    /// Covariance [xx, xy, yy] of it, waves^2.
    pub covariance: [f64; 3],
    /// How it answers to each pixel: pictures of (a8, a7) for each stamp, as
    /// windows have them.
    pub responses: Vec<[Vec<f32>; 2]>,
    /// The air's coma vector in the mean picture (of a pair: the mean of both).
    pub share: [f64; 2],
}

/// One picture's part of the enlarged problem.
struct Part {
    /// Weighted derivatives by each of the air's modes.
    columns: Vec<Vec<f32>>,
    /// Products with the fit's own columns, and with each other.
    with: DMatrix<f64>,
    own: DMatrix<f64>,
    /// Products with the residuals.
    gradient: Vec<f64>,
}

/// Parts the air's coma from the instrument's; `blocks` holds each picture's blocks
/// of frames, `secondary` is [`super::FitOptions::secondary_coma`]. `None` where they
/// are too few, or nothing moves.
pub(super) fn part(
    fitted: &mut Fitted<'_>,
    blocks: &[&[Stamp]],
    secondary: f64,
) -> Option<AirFound> {
    if blocks.len() != fitted.stamps.len() || blocks.iter().any(|b| b.len() < LEAST_BLOCKS) {
        return None;
    }
    let low: Vec<usize> = std::iter::once(4)
        .chain(fitted.problem.shared_modes.iter().copied())
        .collect();
    // The air has the instrument's modes too, Z4 apart: that is each picture's own.
    let modes: Vec<usize> = low[1..].iter().copied().chain(HIGHER).collect();
    let mut work = fitted.work;
    let parts: Vec<Part> = (0..blocks.len())
        .map(|k| part_of(fitted, k, &low, &modes, &mut work))
        .collect();
    fitted.work = work;
    let noise = fitted.solution.chi2 / fitted.solution.freedom;
    let told = told::holding(&fitted.solution.matrix, &fitted.held);
    let p = &fitted.solution.parameters;
    let share = if fitted.setup.obstruction > 0.0 {
        secondary
    } else {
        secondary.max(SECONDARY_OF_LENSES)
    };
    let own = own_sigmas(&modes, [p[8 - 5], p[7 - 5]], share);
    let unknown = vec![UNKNOWN / TAU.powi(2); parts.len()];
    let loose = Enlarged::of(told.clone(), &parts, &modes, &own, &unknown, noise)?;
    let strengths: Vec<f64> = (0..parts.len())
        .map(|k| {
            let seen = loose.strength(fitted, &parts, k, blocks[k], &modes);
            let most = MOST_OVER_BLUR * strength_of_blur(fitted, k);
            seen.map(|s| s.min(most))
        })
        .collect::<Option<_>>()?;
    if strengths.iter().all(|s| *s <= 0.0) {
        return None;
    }
    // None at all would leave the equations without an answer.
    let strengths: Vec<f64> = strengths.iter().map(|s| s.max(1e-10)).collect();
    let found = Enlarged::of(told, &parts, &modes, &own, &strengths, noise)?;
    Some(found.answer(fitted, &parts))
}

/// How much of each of `modes` that the air alone is thought to make the instrument may
/// have itself, 1-sigma, waves; 0 for the instrument's modes.
fn own_sigmas(modes: &[usize], coma: [f64; 2], share: f64) -> Vec<f64> {
    modes
        .iter()
        .map(|j| match j {
            16 | 17 => INSTRUMENT_SIGMA.hypot(share * coma[0].hypot(coma[1])),
            j if HIGHER.contains(j) => INSTRUMENT_SIGMA,
            _ => 0.0,
        })
        .collect()
}

/// Noll's covariance of `modes`, in (D/r0)^(5/3) rad^2.
fn covariance(modes: &[usize]) -> DMatrix<f64> {
    DMatrix::from_fn(modes.len(), modes.len(), |a, b| {
        seeing::mode_covariance(modes[a], modes[b])
    })
}

/// Strength that the blur of picture `k` would have from independent snapshots.
fn strength_of_blur(fitted: &Fitted<'_>, k: usize) -> f64 {
    let setup = &fitted.setup;
    let window = &fitted.windows[k];
    let at = fitted.problem.own(k);
    let own = window.leave(&fitted.solution.parameters[at..at + OWN]);
    let fwhm_um = own[BLUR].max(0.0).powf(0.6) * setup.pixel_um;
    let d_over_r0 = seeing::d_over_r0_of_blur(
        fwhm_um * 1e-3 / setup.focal_mm,
        setup.aperture_mm,
        setup.wavelength_nm,
    );
    let frames = fitted.stamps[k].frames.max(1) as f64;
    d_over_r0.powf(5.0 / 3.0) / frames / TAU.powi(2)
}

fn part_of(fitted: &Fitted<'_>, k: usize, low: &[usize], modes: &[usize], work: &mut Work) -> Part {
    let (problem, solution) = (&fitted.problem, &fitted.solution);
    let mut state = problem.state(&solution.parameters, k);
    let flux = solution.parameters[problem.own(k) + FLUX] as f32;
    let all: Vec<usize> = low.iter().copied().chain(HIGHER).collect();
    state.waves.resize(all.len(), 0.0);
    let mut model = stage::pointing_model(
        &fitted.setup,
        &fitted.pupil,
        &all,
        &state,
        &fitted.windows[k],
    );
    let which: Vec<usize> = (low.len()..all.len()).collect();
    let mut slopes = model.some_slopes(&state, &which).into_iter();
    work.count(&model);
    let weights = &problem.pictures[k].root_weight;
    let columns: Vec<Vec<f32>> = (0..modes.len())
        .filter_map(|i| {
            let known = solution.columns[k].iter().find(|c| c.0 == i);
            match known {
                Some((_, column)) if i + 1 < low.len() => Some(column.clone()),
                _ => slopes.next().map(|mut slope| {
                    for (v, w) in slope.iter_mut().zip(weights) {
                        *v *= flux * w;
                    }
                    slope
                }),
            }
        })
        .collect();
    let mut with = DMatrix::zeros(problem.len(), columns.len());
    for (i, own) in &solution.columns[k] {
        for (j, column) in columns.iter().enumerate() {
            with[(*i, j)] = dot(own, column);
        }
    }
    // The instrument's modes come first in both, with the same columns.
    let shared = low.len() - 1;
    let mut own = DMatrix::zeros(columns.len(), columns.len());
    for b in 0..columns.len() {
        for a in 0..=b {
            own[(a, b)] = if a < shared {
                with[(a, b)]
            } else {
                dot(&columns[a], &columns[b])
            };
            own[(b, a)] = own[(a, b)];
        }
    }
    let gradient = columns
        .iter()
        .map(|c| dot(c, &solution.residuals[k]))
        .collect();
    Part {
        columns,
        with,
        own,
        gradient,
    }
}

/// The enlarged normal equations, solved.
struct Enlarged {
    inverse: DMatrix<f64>,
    /// Index of each picture's first mode of the air.
    first: Vec<usize>,
    noise: f64,
}

impl Enlarged {
    /// With the air of picture `k` as strong as `strengths[k]`; `matrix` is the fit's
    /// own normal matrix, `noise` the variance of a weighted pixel.
    fn of(
        mut matrix: DMatrix<f64>,
        parts: &[Part],
        modes: &[usize],
        own_sigmas: &[f64],
        strengths: &[f64],
        noise: f64,
    ) -> Option<Self> {
        let (count, more) = (matrix.nrows(), modes.len());
        let whole = count + more * parts.len();
        matrix = matrix.resize(whole, whole, 0.0);
        let mut first = Vec::new();
        for (k, (part, strength)) in parts.iter().zip(strengths).enumerate() {
            let at = count + k * more;
            let mut believed = covariance(modes) * *strength;
            for (i, sigma) in own_sigmas.iter().enumerate() {
                believed[(i, i)] += sigma * sigma;
            }
            let belief = honest::inverse(&believed)?;
            matrix
                .view_mut((at, at), (more, more))
                .copy_from(&(&part.own + belief * noise));
            matrix
                .view_mut((0, at), (count, more))
                .copy_from(&part.with);
            matrix
                .view_mut((at, 0), (more, count))
                .copy_from(&part.with.transpose());
            first.push(at);
        }
        Some(Self {
            inverse: honest::inverse(&matrix)?,
            first,
            noise,
        })
    }

    /// How the unknown in `row` answers to each pixel of picture `k`, weighted pixels.
    fn response(&self, fitted: &Fitted<'_>, parts: &[Part], row: usize, k: usize) -> Vec<f32> {
        let mut out = vec![0f32; fitted.problem.pictures[k].data.len()];
        let mut add = |c: f64, column: &[f32]| {
            for (o, v) in out.iter_mut().zip(column) {
                *o += c as f32 * v;
            }
        };
        let shared = fitted.problem.shared_modes.len();
        for (i, column) in &fitted.solution.columns[k] {
            // The instrument's modes and the air's have their columns in common.
            let air = if *i < shared {
                self.inverse[(row, self.first[k] + i)]
            } else {
                0.0
            };
            add(self.inverse[(row, *i)] + air, column);
        }
        for (j, column) in parts[k].columns.iter().enumerate().skip(shared) {
            add(self.inverse[(row, self.first[k] + j)], column);
        }
        out
    }

    /// Strength of the air of picture `k` in the mean of its blocks, waves^2 per
    /// Noll's rad^2: from how the blocks differ in modes of azimuthal order 3 and more.
    fn strength(
        &self,
        fitted: &Fitted<'_>,
        parts: &[Part],
        k: usize,
        blocks: &[Stamp],
        modes: &[usize],
    ) -> Option<f64> {
        let picture = &fitted.problem.pictures[k];
        let (window, stamp) = (&fitted.windows[k], fitted.stamps[k]);
        let told: Vec<usize> = (0..modes.len())
            .filter(|&i| HIGHER.contains(&modes[i]) && zernike::orders(modes[i]).1.abs() >= 3)
            .collect();
        let (mean, floorless) = window.cut(stamp, 0.0);
        let weighted: Vec<Vec<f32>> = blocks
            .iter()
            .map(|block| {
                let gain = gain_of(block, stamp)?;
                let (data, _) = window.cut(block, 0.0);
                Some(
                    data.iter()
                        .zip(&mean)
                        .zip(&picture.root_weight)
                        .map(|((d, m), w)| (d / gain as f32 - m) * w)
                        .collect(),
                )
            })
            .collect::<Option<_>>()?;
        let frames: Vec<f64> = blocks.iter().map(|b| b.frames as f64).collect();
        let all: f64 = frames.iter().sum();
        // Variance of the mean, what noise alone makes of it, and what neighbouring
        // blocks have in common.
        let (mut variance, mut noise, mut expected) = (0.0, 0.0, 0.0);
        let (mut neighbours, mut squares) = (0.0, 0.0);
        let sigma: Vec<f32> = picture
            .root_weight
            .iter()
            .zip(&floorless)
            .map(|(w, one)| if *one > 0.0 { w / one } else { 0.0 })
            .collect();
        for &i in &told {
            let response = self.response(fitted, parts, self.first[k] + i, k);
            let mut looks: Vec<f64> = weighted.iter().map(|b| dot(&response, b)).collect();
            let mean = looks.iter().zip(&frames).map(|(l, f)| l * f).sum::<f64>() / all;
            looks.iter_mut().for_each(|l| *l -= mean);
            let weigh: f64 = looks.iter().zip(&frames).map(|(l, f)| f * l * l).sum();
            variance += weigh / ((looks.len() - 1) as f64 * all);
            noise += response
                .iter()
                .zip(&sigma)
                .map(|(r, s)| f64::from(r * s).powi(2))
                .sum::<f64>();
            expected += seeing::mode_variance(zernike::orders(modes[i]).0);
            neighbours += looks.windows(2).map(|p| p[0] * p[1]).sum::<f64>();
            squares += looks.iter().map(|l| l * l).sum::<f64>();
        }
        // The mean taken off makes independent blocks look a little unlike.
        let alike = neighbours / squares + 1.0 / blocks.len() as f64;
        let hang = if alike > ALIKE {
            let alike = alike.min(0.8);
            (1.0 + alike) / (1.0 - alike)
        } else {
            1.0
        };
        let strength = (variance - noise).max(0.0) / expected * hang;
        strength.is_finite().then_some(strength)
    }

    /// By how much the unknown in `row` moves from where the fit ended, whose half
    /// slope downhill of chi2 is `gradient`.
    fn step(&self, gradient: &[f64], parts: &[Part], row: usize) -> f64 {
        let air = parts.iter().flat_map(|part| &part.gradient);
        gradient
            .iter()
            .chain(air)
            .zip(self.inverse.row(row).iter())
            .map(|(g, i)| g * i)
            .sum()
    }

    fn answer(&self, fitted: &Fitted<'_>, parts: &[Part]) -> AirFound {
        // Z8 and Z7 among the shared modes, which begin with Z5; the air's likewise.
        let rows = [8 - 5, 7 - 5];
        let p = &fitted.solution.parameters;
        let gradient = fitted.solution.gradient.as_slice();
        let n = parts.len() as f64;
        let at = |a: usize, b: usize| self.noise * self.inverse[(rows[a], rows[b])];
        AirFound {
            coma: rows.map(|row| p[row] + self.step(gradient, parts, row)),
            covariance: [at(0, 0), at(0, 1), at(1, 1)],
            responses: (0..parts.len())
                .map(|k| rows.map(|row| self.response(fitted, parts, row, k)))
                .collect(),
            share: rows.map(|row| {
                let each = self
                    .first
                    .iter()
                    .map(|f| self.step(gradient, parts, f + row));
                each.sum::<f64>() / n
            }),
        }
    }
}

/// A block's light over the whole stamp's, sky apart; `None` if it has none.
fn gain_of(block: &Stamp, stamp: &Stamp) -> Option<f64> {
    let both: Vec<(f64, f64)> = block
        .data
        .iter()
        .zip(&block.sigma)
        .zip(stamp.data.iter().zip(&stamp.sigma))
        .filter(|((_, s), (_, t))| s.is_finite() && t.is_finite())
        .map(|((b, _), (d, _))| (*b, *d))
        .collect();
    let n = both.len() as f64;
    let (mb, md) = (
        both.iter().map(|p| p.0).sum::<f64>() / n,
        both.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let (mut bd, mut dd) = (0.0, 0.0);
    for (b, d) in both {
        bd += (b - mb) * (d - md);
        dd += (d - md).powi(2);
    }
    let gain = bd / dd;
    (gain.is_finite() && gain > 0.0).then_some(gain)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;
    use nalgebra::DVector;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn normal(rng: &mut ChaCha8Rng) -> f64 {
        // Twelve uniform values have a variance of 1.
        (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
    }

    /// Pictures that are linear in everything: what is left of the air's coma once
    /// its higher modes are seen has the variance that was foretold, and that is
    /// 0.756 squared of the whole with orders 5 and 7 known (from Noll's covariance).
    #[test]
    fn the_airs_higher_modes_tell_its_coma() {
        const PIXELS: usize = 300;
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let modes: Vec<usize> = (5..=11).chain(HIGHER).collect();
        let none = vec![0.0; modes.len()];
        let slopes = DMatrix::from_fn(PIXELS, modes.len(), |_, _| 300.0 * normal(&mut rng));
        let instrument = slopes.columns(0, 7).into_owned();
        let strength = 1e-2_f64;
        let drawing = covariance(&modes).cholesky().unwrap().l() * strength.sqrt();
        let own = slopes.transpose() * &slopes;
        let matrix = instrument.transpose() * &instrument;
        let mut part = Part {
            columns: Vec::new(),
            with: instrument.transpose() * &slopes,
            own,
            gradient: Vec::new(),
        };
        let parts = std::slice::from_mut(&mut part);
        let enlarged =
            Enlarged::of(matrix.clone(), parts, &modes, &none, &[strength], 1.0).unwrap();
        let plain = honest::inverse(&matrix).unwrap();
        let (mut squares, mut plain_squares) = (0.0, 0.0);
        let draws = 3000;
        for _ in 0..draws {
            let air = &drawing * DVector::from_fn(modes.len(), |_, _| normal(&mut rng));
            let seen = &slopes * air + DVector::from_fn(PIXELS, |_, _| normal(&mut rng));
            let gradient = instrument.transpose() * &seen;
            parts[0].gradient = (slopes.transpose() * &seen).as_slice().to_vec();
            // The instrument itself has none.
            squares += enlarged.step(gradient.as_slice(), parts, 8 - 5).powi(2);
            plain_squares += (plain.row(8 - 5) * &gradient)[0].powi(2);
        }
        let spread = (squares / f64::from(draws)).sqrt();
        let foretold = enlarged.inverse[(8 - 5, 8 - 5)].sqrt();
        // 3000 draws know a spread to 1.3 %.
        assert!(
            (spread / foretold - 1.0).abs() < 0.05,
            "{spread} {foretold}"
        );
        let whole = (strength * seeing::mode_variance(3)).sqrt();
        assert!((spread / whole - 0.756).abs() < 0.05, "{}", spread / whole);
        assert!((plain_squares / f64::from(draws)).sqrt() > 0.95 * whole);
    }

    #[test]
    fn without_air_nothing_is_taken_off() {
        let modes: Vec<usize> = (5..=11).chain(HIGHER).collect();
        let none = vec![0.0; modes.len()];
        let mut rng = ChaCha8Rng::seed_from_u64(12);
        let slopes = DMatrix::from_fn(300, modes.len(), |_, _| 300.0 * normal(&mut rng));
        let instrument = slopes.columns(0, 7).into_owned();
        let seen = &slopes * DVector::from_element(modes.len(), 0.001);
        let part = Part {
            columns: Vec::new(),
            with: instrument.transpose() * &slopes,
            own: slopes.transpose() * &slopes,
            gradient: (slopes.transpose() * &seen).as_slice().to_vec(),
        };
        let matrix = instrument.transpose() * &instrument;
        let gradient = instrument.transpose() * &seen;
        let plain = (honest::inverse(&matrix).unwrap().row(8 - 5) * &gradient)[0];
        let parts = [part];
        let enlarged = Enlarged::of(matrix, &parts, &modes, &none, &[1e-10], 1.0).unwrap();
        let coma = enlarged.step(gradient.as_slice(), &parts, 8 - 5);
        let air = enlarged.step(gradient.as_slice(), &parts, enlarged.first[0] + 8 - 5);
        assert!((coma - plain).abs() < 1e-6, "{coma} {plain}");
        assert!(air.abs() < 1e-6, "{air}");
    }
}
