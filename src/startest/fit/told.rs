//! How far an answer hangs on what was told.
//!
//! Focal ratio and camera response are held as told unless the picture speaks
//! against them beyond doubt (see `run`), and so is a single picture's shadow held
//! in the middle. Held or taken, they stay uncertain, and
//! the coma leans on them: a focal length told 4 % too long makes 4 % more coma
//! where the rings are too blurred to tell. Each is therefore given two stories:
//! it is as told, or it is off by an amount drawn from its prior. The picture
//! weighs them (Bayes), and what the second story leaves of doubt goes into the
//! covariance through the coma's slope by that quantity.

use super::{FitOptions, honest::Leftover, solve::Problem, solve::Solution};
use nalgebra::DMatrix;

/// How often, before looking, focal length or response is told wrong.
const OFTEN: f64 = 0.2;
/// The same for one that is held as told, where nothing else was found wrong, and
/// where something was: who told one thing wrong told others wrong. Calm frames told
/// right would have the first at 0.015; a focal length wrong by 4 % in blurred rings
/// then goes unseen with a sigma far too small.
const OFTEN_ALONE: f64 = 0.12;
const OFTEN_AMONG_OTHERS: f64 = 0.5;
/// An obstruction this far from the told one counts as wrong.
const OBSTRUCTION_WRONG: f64 = 0.015;
/// Small untruths of any model that go all round the ring falsify focal ratio and
/// response by several times their sigma (pictures by an independent library
/// made us find up to ten): their sigma is taken as this many times the fit's,
/// and as more where it is asked whether to leave what was told at all.
pub(super) const UNTRUTH: f64 = 4.0;
const UNTRUTH_TO_LEAVE: f64 = 11.0;
/// What holds a parameter, in units of what is known of it.
const HELD: f64 = 1e12;

/// The normal matrix with the parameters `held` kept where they are.
pub(super) fn holding(matrix: &DMatrix<f64>, held: &[usize]) -> DMatrix<f64> {
    let mut m = matrix.clone();
    for &i in held {
        m[(i, i)] += HELD * m[(i, i)].max(1.0);
    }
    m
}

/// What speaks against a story of what was told: `worse` is by how much its chi2,
/// scaled to the noise, is above the best story's, `free` are the quantities it
/// does not take as told with their distance from that and its prior 1-sigma.
pub(super) fn cost(worse: f64, pictures: usize, free: &[Option<(f64, f64)>]) -> f64 {
    let odds = 2.0 * ((1.0 - OFTEN) / OFTEN).ln();
    let told: f64 = free
        .iter()
        .flatten()
        .map(|(off, sigma)| odds + (off / sigma).powi(2))
        .sum();
    worse / (UNTRUTH_TO_LEAVE.powi(2) * pictures as f64) + told
}

/// What to add to the covariance of the parameters `rows` for what was told of
/// focal ratio and camera; `held` lists what the solution holds as told.
pub(super) fn doubt(
    problem: &Problem,
    solution: &Solution,
    leftover: &Leftover,
    held: &[usize],
    options: &FitOptions,
    vanes_found: bool,
    rows: [usize; 2],
) -> [f64; 3] {
    let mut extra = [0.0; 3];
    // A second picture tells twice as much, but is untrue in the same way.
    let untruth = UNTRUTH.powi(2) * problem.pictures.len() as f64;
    let told_obstruction = problem.shadow[2];
    let seen = problem.state(&solution.parameters, 0).shadow[2];
    let others_wrong = vanes_found
        || (seen - told_obstruction).abs() > OBSTRUCTION_WRONG
        || problem.scale().is_some_and(|i| !held.contains(&i))
        || problem.bend().is_some_and(|i| !held.contains(&i))
        || problem.stretches().any(|i| !held.contains(&i));
    let often = if others_wrong {
        OFTEN_AMONG_OTHERS
    } else {
        OFTEN_ALONE
    };
    let placed = problem.place_sigma > 0.0 && problem.free_shadow.start == 0;
    let place = |axis| placed.then(|| problem.shared_modes.len() + axis);
    let told = [
        (problem.scale(), options.focal_sigma),
        (problem.bend(), options.response_sigma),
        (place(0), problem.place_sigma),
        (place(1), problem.place_sigma),
    ];
    for (index, prior_sigma) in told {
        let Some(i) = index else { continue };
        let others: Vec<usize> = held.iter().copied().filter(|&h| h != i).collect();
        let Some(inverse) = super::honest::inverse(&holding(&solution.matrix, &others)) else {
            continue;
        };
        let known = inverse[(i, i)].recip();
        // What the picture alone knows of it.
        let share = 1.0 - prior_sigma.powi(-2) / known;
        let prior = prior_sigma.powi(2);
        let (off, variance) = if share > 1e-3 {
            let step = (inverse.row(i) * &solution.gradient)[0];
            let spread = leftover.covariance(&inverse)[(i, i)].max(0.0) * untruth;
            (step / share, spread / share.powi(2))
        } else {
            (0.0, 1e6 * prior)
        };
        let taken = !held.contains(&i);
        let second = second_moment(off, variance, prior, (!taken).then_some(often));
        let slope = rows.map(|r| inverse[(r, i)] * known);
        extra[0] += slope[0] * slope[0] * second;
        extra[1] += slope[0] * slope[1] * second;
        extra[2] += slope[1] * slope[1] * second;
    }
    extra
}

/// Mean square distance of the true value from the one used: `off` is how far the
/// picture would have it from there, with `variance`; `often` is how often such a
/// thing is told wrong, `None` where it was taken from the picture, so that only its
/// error counts.
fn second_moment(off: f64, variance: f64, prior: f64, often: Option<f64>) -> f64 {
    let both = variance + prior;
    let left = variance * prior / both;
    let Some(often) = often else { return left };
    let lean = (often / (1.0 - often)).ln()
        + 0.5 * (variance / both).ln()
        + 0.5 * off * off * (variance.recip() - both.recip());
    let wrong = 1.0 / (1.0 + (-lean).exp());
    wrong * ((off * prior / both).powi(2) + left)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sharp_picture_that_agrees_leaves_little_doubt() {
        let prior = 0.03f64.powi(2);
        let agrees = second_moment(0.001, 0.003f64.powi(2), prior, Some(OFTEN)).sqrt();
        assert!(agrees < 0.0015, "{agrees}");
        // One that tells nothing leaves the prior, as often as it is wrong.
        let blind = second_moment(0.0, 1e3, prior, Some(OFTEN)).sqrt();
        assert!((blind - 0.03 * OFTEN.sqrt()).abs() < 1e-3, "{blind}");
        // One that speaks against it leaves nearly all of the difference.
        let against = second_moment(0.03, 0.005f64.powi(2), prior, Some(OFTEN)).sqrt();
        assert!((0.025..0.032).contains(&against), "{against}");
    }

    #[test]
    fn what_was_taken_keeps_its_own_error() {
        let taken = second_moment(0.0, 0.01f64.powi(2), 0.03f64.powi(2), None).sqrt();
        assert!((taken - 0.00949).abs() < 1e-4, "{taken}");
    }
}
