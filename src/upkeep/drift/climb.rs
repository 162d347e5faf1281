//! Climbing to the top of a smooth function of a pool's parameters: the
//! quasi-Newton method of Broyden, Fletcher, Goldfarb and Shanno with a
//! backtracking line search (J. Nocedal & S. J. Wright, Numerical Optimization,
//! 2nd ed. 2006, algorithms 6.1 and 3.1).

use nalgebra::{SMatrix, SVector};

use super::params::PARAMS;

/// A point or a gradient.
pub type Vector = SVector<f64, PARAMS>;
/// A curvature or its inverse.
pub type Matrix = SMatrix<f64, PARAMS, PARAMS>;

/// Where the climb ended.
#[derive(Debug, Clone)]
pub struct Top {
    /// The point.
    pub at: Vector,
    /// The value there.
    pub value: f64,
    /// How many times the function was asked.
    pub asked: usize,
}

const MOST_STEPS: usize = 60;
const LONGEST_STEP: f64 = 1.5;

/// Climbs from `start`. `inverse` is a first guess of the inverse curvature;
/// `ask` gives the value and the gradient. Stops when a step promises to gain
/// less than `enough`.
pub fn climb(
    start: Vector,
    mut inverse: Matrix,
    enough: f64,
    mut ask: impl FnMut(&Vector) -> (f64, Vector),
) -> Top {
    let mut at = start;
    let (mut value, mut slope) = ask(&at);
    let mut asked = 1;
    for _ in 0..MOST_STEPS {
        let mut step = inverse * slope;
        let longest = step.amax();
        if longest > LONGEST_STEP {
            step *= LONGEST_STEP / longest;
        }
        let promised = slope.dot(&step);
        if !promised.is_finite() || promised < enough {
            break;
        }
        let mut length = 1.0;
        let found = loop {
            let next = at + step * length;
            let (next_value, next_slope) = ask(&next);
            asked += 1;
            if next_value.is_finite() && next_value >= value + 1e-4 * length * promised {
                break Some((next, next_value, next_slope));
            }
            length *= 0.4;
            if length < 1e-4 {
                break None;
            }
        };
        let Some((next, next_value, next_slope)) = found else {
            break;
        };
        let moved = next - at;
        // Of the downhill function, so that its curvature is positive.
        let bend = slope - next_slope;
        let along = moved.dot(&bend);
        if along > 1e-10 * moved.norm() * bend.norm() {
            let rho = along.recip();
            let left = Matrix::identity() - moved * bend.transpose() * rho;
            inverse = left * inverse * left.transpose() + moved * moved.transpose() * rho;
        }
        (at, value, slope) = (next, next_value, next_slope);
    }
    Top { at, value, asked }
}
