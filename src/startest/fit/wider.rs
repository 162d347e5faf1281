//! A last step with what the model leaves out and every instrument has a little of.
//!
//! Z12 to Z22 of a thousandth of a wave each are too faint to be sought and strong enough to
//! lean on the coma, and so does a shadow a little off centre, which from one side looks much
//! like it. Where a fit has ended, its normal equations are widened by them and
//! solved once, each held near nothing by a prior. The rim's place (a dew cap, a focuser in
//! the light) and light that falls unevenly are widened by as well, but left as told:
//! [`super::told`] asks what they leave in doubt.

use super::{
    FitOptions, honest,
    kernels::{dot, dots},
    run::Fitted,
    solve::Solution,
    stage::MOST_WAVES,
};
use nalgebra::{DMatrix, DVector};
use optics::wavefront;

/// Modes beyond the fitted ones, and what is believed of each, 1-sigma, waves: a good
/// instrument's (common practice, no source; tests/accuracy/worlds draws 0.0006 to 0.001).
const FURTHER: [usize; 11] = [12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22];
const FURTHER_SIGMA: f64 = 8e-4;
/// How far from the middle the shadow of an instrument in order is, in radii along each axis,
/// 1-sigma (common practice, no source: 0.2 mm of a 200 mm mirror).
pub(super) const SHADOW_SIGMA: f64 = 0.002;
/// Neighbouring pixels err alike: what is believed counts for so many times more against
/// chi2, which takes each for its own witness (found on world A 301, B 303).
const ALIKE: f64 = 10.0;

/// Where the widened equations have what was added.
#[derive(Debug, Clone, Default)]
pub(super) struct Wider {
    /// What is free but for a belief: its place, and the variance of the belief's pull on it.
    pub believed: Vec<(usize, f64)>,
    /// The shadow's place, where the fit held it in the middle.
    pub shadow: Vec<usize>,
    /// The rim's place; of one picture only, a pair's shadow tells.
    pub rim: Vec<usize>,
    /// How the light rises across each picture's donut, in x and in y.
    pub shades: Vec<usize>,
}

/// Widens the equations of a fit that has ended and goes the one step. Of what draws no
/// rings sharp enough (moving air, a star so far out that rays draw it, a scale that nobody
/// told) and of a fit that is to tell no stories, by the shadow's place alone.
pub(super) fn widen(fitted: &mut Fitted<'_>, options: &FitOptions) -> Wider {
    let (problem, solution) = (&mut fitted.problem, &mut fitted.solution);
    let (n, p) = (problem.len(), solution.parameters.clone());
    let pictures = problem.pictures.len();
    let waves = |k| wavefront::w020_from_a4(problem.state(&p, k).waves[0]).abs();
    let sharp = options.other_starts
        && !fitted.moving
        && problem.unknown.is_none()
        && (0..pictures).all(|k| waves(k) <= MOST_WAVES);
    // Who tells that it is centred is believed.
    let held_shadow =
        problem.shadow[2] > 0.0 && options.plausible_decentre > 0.0 && !problem.place_is_free();
    let mut modes: Vec<usize> = FURTHER.to_vec();
    modes.retain(|j| sharp && !problem.shared_modes.contains(j));
    let further = n + if held_shadow { 2 } else { 0 };
    let rim = further + modes.len();
    let shades = rim + if sharp { 2 } else { 0 };
    let count = shades + if sharp { 2 * pictures } else { 0 };
    if count == n {
        return Wider::default();
    }
    for k in 0..pictures {
        let state = problem.state(&p, k);
        let picture = &mut problem.pictures[k];
        let image = picture.model.image_again(&state);
        let sloper = picture.sloper.as_mut().unwrap_or(&mut picture.model);
        let mut slopes = Vec::new();
        if held_shadow {
            slopes.extend(sloper.slopes_by_shadow(&state));
        }
        if sharp {
            slopes.extend(sloper.slopes_beyond(&state, &modes));
            let ([x0, y0, radius], size) = (picture.disc, picture.model.size);
            let rise = |place: &dyn Fn(usize) -> f64| {
                let light = image.iter().enumerate();
                light.map(|(i, v)| v * place(i) as f32).collect()
            };
            slopes.push(rise(&|i| ((i / size) as f64 - x0) / radius));
            slopes.push(rise(&|i| ((i % size) as f64 - y0) / radius));
        }
        let weighed = problem.weighed(&p, k, &image, slopes);
        for (j, c) in weighed.into_iter().enumerate() {
            let own = if n + j < shades { 0 } else { 2 * k };
            solution.columns[k].push((n + j + own, c));
        }
    }
    enlarge(solution, n, count);
    let noise = (solution.chi2 / solution.freedom).max(1e-3);
    let mut believed = Vec::new();
    // Where rings do not tell it the shadow stays in the middle.
    let free_from = if sharp { n } else { further };
    for i in free_from..rim {
        let (alike, sigma) = if i < further {
            (honest::UNTRUTH.powi(2), SHADOW_SIGMA)
        } else {
            (ALIKE, FURTHER_SIGMA)
        };
        let weight = noise * alike / sigma.powi(2);
        solution.matrix[(i, i)] += weight;
        believed.push((i, weight * weight * sigma.powi(2)));
    }
    fitted.held.extend((n..free_from).chain(rim..count));
    let before = solution.residuals.clone();
    onward(solution, &fitted.held);
    for (k, picture) in problem.pictures.iter().enumerate() {
        let change = before[k].iter().zip(&solution.residuals[k]);
        for ((m, (a, b)), w) in solution.models[k]
            .iter_mut()
            .zip(change)
            .zip(&picture.root_weight)
        {
            if *w > 0.0 {
                *m += (a - b) / w;
            }
        }
    }
    Wider {
        believed,
        shadow: (n..further).collect(),
        rim: if pictures == 1 {
            (rim..shades).collect()
        } else {
            Vec::new()
        },
        shades: (shades..count).collect(),
    }
}

/// Normal equations of the columns from `n` on beside those there are.
fn enlarge(solution: &mut Solution, n: usize, count: usize) {
    let mut matrix = DMatrix::zeros(count, count);
    matrix.view_mut((0, 0), (n, n)).copy_from(&solution.matrix);
    let mut gradient = DVector::zeros(count);
    gradient.rows_mut(0, n).copy_from(&solution.gradient);
    for (list, r) in solution.columns.iter().zip(&solution.residuals) {
        for (i, ci) in list.iter().filter(|c| c.0 >= n) {
            gradient[*i] += dot(ci, r);
            let others: Vec<_> = list.iter().filter(|c| c.0 <= *i).collect();
            let products = dots(ci, others.iter().map(|c| c.1.as_slice()));
            for ((j, _), d) in others.iter().zip(products) {
                matrix[(*i, *j)] += d;
                if i != j {
                    matrix[(*j, *i)] += d;
                }
            }
        }
    }
    solution.matrix = matrix;
    solution.gradient = gradient;
    solution.parameters.resize(count, 0.0);
}

/// One step to where the equations say, in a straight line: parameters, residuals and
/// gradient follow.
fn onward(solution: &mut Solution, held: &[usize]) {
    let Some(inverse) = honest::inverse(&honest::holding(&solution.matrix, held)) else {
        return;
    };
    let mut pull = solution.gradient.clone();
    for &i in held {
        pull[i] = 0.0;
    }
    let mut step = inverse * pull;
    for &i in held {
        step[i] = 0.0;
    }
    if !step.iter().all(|v| v.is_finite()) {
        return;
    }
    for (columns, residuals) in solution.columns.iter().zip(&mut solution.residuals) {
        let before = dot(residuals, residuals);
        for (i, c) in columns.iter().filter(|c| step[c.0] != 0.0) {
            let by = step[*i] as f32;
            for (r, c) in residuals.iter_mut().zip(c) {
                *r -= by * c;
            }
        }
        solution.chi2 += dot(residuals, residuals) - before;
    }
    solution.gradient -= &solution.matrix * &step;
    for (p, s) in solution.parameters.iter_mut().zip(step.iter()) {
        *p += s;
    }
}
