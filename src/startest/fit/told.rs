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

use super::{
    FitOptions,
    honest::{self, Leftover, UNTRUTH},
    solve::Problem,
    solve::Solution,
    wider::{SHADOW_SIGMA, Wider},
};
use nalgebra::{DMatrix, DVector};

/// How often, before looking, focal length or response is told wrong.
const OFTEN: f64 = 0.2;
/// The same for focal ratio and response that are held as told, where nothing else was found
/// wrong, and where something was: who told one thing wrong told others wrong.
const OFTEN_SCALE: f64 = 0.06;
const OFTEN_BENT: f64 = 0.05;
const OFTEN_AMONG_OTHERS: f64 = 0.5;
/// How far what was told of the sizes is off together when it is, where the picture does not
/// speak for more.
const SCALE_SIGMA: f64 = 0.015;
/// How often something cuts into the light beside the rim (a dew cap, a focuser) or light falls
/// unevenly (dust, the edge of the field), and how far the rim then moves, in radii, and the
/// light rises over a radius, 1-sigma. All of these as found on world A 301, B 303.
const OFTEN_CUT: f64 = 0.12;
/// The same for the rim where a shadow was found off centre: a cap looks much like it.
const OFTEN_CUT_INSTEAD: f64 = 0.5;
const RIM_SIGMA: f64 = 0.006;
const SHADE_SIGMA: f64 = 0.02;
/// An obstruction this far from the told one counts as wrong.
const OBSTRUCTION_WRONG: f64 = 0.015;
/// As [`UNTRUTH`], where it is asked whether to leave what was told at all.
const UNTRUTH_TO_LEAVE: f64 = 11.0;
/// With the modes that are else left out ([`super::wider`]) less is untrue.
const UNTRUTH_TO_DOUBT: f64 = 2.0;
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

/// Something that was told, or taken for granted, and may be otherwise.
struct Belief {
    /// Its parameters; none where it is not in question.
    at: Vec<usize>,
    /// How far each may be off, 1-sigma, when it is.
    sigma: f64,
    /// How often it is, before looking; `None` where it was taken from the picture.
    often: Option<f64>,
    /// How many times the fit's sigma the picture's word on it is trusted to.
    untruth: f64,
}

/// What to add to the covariance of the parameters `rows` for what was told of
/// focal ratio and camera and taken for granted of rim and light; `held` lists what the
/// solution holds as told.
#[expect(clippy::too_many_arguments, reason = "all of it is the fit's end")]
pub(super) fn doubt(
    problem: &Problem,
    solution: &Solution,
    leftover: &Leftover,
    held: &[usize],
    wider: &Wider,
    options: &FitOptions,
    vanes_found: bool,
    cut: bool,
    rows: [usize; 2],
) -> [f64; 3] {
    let told_obstruction = problem.shadow[2];
    let seen = problem.state(&solution.parameters, 0).shadow[2];
    let others_wrong = vanes_found
        || (seen - told_obstruction).abs() > OBSTRUCTION_WRONG
        || problem.scale().is_some_and(|i| !held.contains(&i))
        || problem.bend().is_some_and(|i| !held.contains(&i))
        || problem.stretches().any(|i| !held.contains(&i));
    let often = |alone: f64| {
        if others_wrong {
            OFTEN_AMONG_OTHERS
        } else {
            alone
        }
    };
    let placed = problem.place_sigma > 0.0 && problem.place_is_free();
    let first = problem.shared_modes.len();
    let beliefs = [
        Belief {
            at: problem.scale().into_iter().collect(),
            sigma: options.focal_sigma.min(SCALE_SIGMA),
            often: Some(often(OFTEN_SCALE)),
            untruth: UNTRUTH_TO_DOUBT,
        },
        Belief {
            at: problem.bend().into_iter().collect(),
            sigma: options.response_sigma,
            often: Some(often(OFTEN_BENT)),
            untruth: UNTRUTH_TO_DOUBT,
        },
        Belief {
            at: (first..first + 2).filter(|_| placed).collect(),
            sigma: problem.place_sigma,
            often: None,
            untruth: UNTRUTH,
        },
        Belief {
            at: wider
                .shadow
                .iter()
                .copied()
                .filter(|i| held.contains(i))
                .collect(),
            sigma: SHADOW_SIGMA,
            often: None,
            untruth: UNTRUTH,
        },
        Belief {
            at: wider.rim.clone(),
            sigma: RIM_SIGMA,
            often: if cut {
                None
            } else if placed {
                Some(OFTEN_CUT_INSTEAD)
            } else {
                Some(OFTEN_CUT)
            },
            untruth: UNTRUTH_TO_DOUBT,
        },
        Belief {
            at: wider.shades.clone(),
            sigma: SHADE_SIGMA,
            often: Some(OFTEN_CUT),
            untruth: UNTRUTH_TO_DOUBT,
        },
    ];
    let mut extra = [0.0; 3];
    for belief in beliefs.iter().filter(|b| !b.at.is_empty()) {
        if let Some(more) = belief.doubt(problem, solution, leftover, held, rows) {
            extra = [0, 1, 2].map(|k| extra[k] + more[k]);
        }
    }
    extra
}

impl Belief {
    /// Covariance [xx, xy, yy] of the parameters `rows` that it leaves.
    fn doubt(
        &self,
        problem: &Problem,
        solution: &Solution,
        leftover: &Leftover,
        held: &[usize],
        rows: [usize; 2],
    ) -> Option<[f64; 3]> {
        let (at, n) = (&self.at, self.at.len());
        let prior = self.sigma.powi(2);
        let others: Vec<usize> = held.iter().copied().filter(|i| !at.contains(i)).collect();
        let mut matrix = honest::holding(&solution.matrix, &others);
        let mut gradient = solution.gradient.clone();
        for (i, gap, weight) in problem.priors(&solution.parameters) {
            if at.contains(&i) {
                matrix[(i, i)] -= weight;
                gradient[i] -= weight * gap;
            }
        }
        // A picture that tells nothing of it leaves the prior.
        let noise = solution.chi2 / solution.freedom;
        for &i in at {
            matrix[(i, i)] += 1e-6 * noise / prior;
        }
        let inverse = honest::inverse(&matrix)?;
        let own = |m: &DMatrix<f64>| DMatrix::from_fn(n, n, |a, b| m[(at[a], at[b])]);
        let answers = own(&inverse).try_inverse()?;
        // A second picture tells twice as much, but is untrue in the same way.
        let untruth = self.untruth.powi(2) * problem.pictures.len() as f64;
        let variance = own(&leftover.covariance(&inverse)) * untruth;
        let off = DVector::from_fn(n, |a, _| (inverse.row(at[a]) * &gradient)[0]);
        let often = self.often.filter(|_| held.contains(&at[0]));
        let second = second_moment(&off, &variance, prior, often)?;
        let lean = DMatrix::from_fn(2, n, |r, a| inverse[(rows[r], at[a])]) * answers;
        let more = &lean * second * lean.transpose();
        Some([more[(0, 0)], more[(0, 1)], more[(1, 1)]])
    }
}

/// Mean of the square of the distance of the true value from the one used: `off` is how far
/// the picture would have it from there, with `variance`; `often` is how often such a
/// thing is told wrong, `None` where it was taken from the picture, so that only its
/// error counts.
fn second_moment(
    off: &DVector<f64>,
    variance: &DMatrix<f64>,
    prior: f64,
    often: Option<f64>,
) -> Option<DMatrix<f64>> {
    let n = off.len();
    let both = variance + DMatrix::from_diagonal_element(n, n, prior);
    let of_both = both.clone().cholesky()?.inverse();
    let left = variance * &of_both * prior;
    let Some(often) = often else {
        return Some(left);
    };
    let of_one = variance.clone().cholesky()?.inverse();
    let lean = (often / (1.0 - often)).ln()
        + 0.5 * (variance.determinant() / both.determinant()).ln()
        + 0.5 * (off.transpose() * (of_one - &of_both) * off)[0];
    let wrong = 1.0 / (1.0 + (-lean).exp());
    let mean = of_both * off * prior;
    Some((left + &mean * mean.transpose()) * wrong)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn sigma_left(off: f64, sigma: f64, prior: f64, often: Option<f64>) -> f64 {
        let variance = DMatrix::from_element(1, 1, sigma.powi(2));
        let off = DVector::from_element(1, off);
        second_moment(&off, &variance, prior.powi(2), often).unwrap()[(0, 0)].sqrt()
    }

    #[test]
    fn a_sharp_picture_that_agrees_leaves_little_doubt() {
        let agrees = sigma_left(0.001, 0.003, 0.03, Some(OFTEN));
        assert!(agrees < 0.0015, "{agrees}");
        // One that tells nothing leaves the prior, as often as it is wrong.
        let blind = sigma_left(0.0, 30.0, 0.03, Some(OFTEN));
        assert!((blind - 0.03 * OFTEN.sqrt()).abs() < 1e-3, "{blind}");
        // One that speaks against it leaves nearly all of the difference.
        let against = sigma_left(0.03, 0.005, 0.03, Some(OFTEN));
        assert!((0.025..0.032).contains(&against), "{against}");
    }

    #[test]
    fn what_was_taken_keeps_its_own_error() {
        let taken = sigma_left(0.0, 0.01, 0.03, None);
        assert!((taken - 0.00949).abs() < 1e-4, "{taken}");
    }
}
