//! One belief of what the screws do and of the coma now; [`super::response`]
//! keeps a handful of them side by side.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::orientation::{Candidate, Map, Reading};
use super::response::{Learnt, Trust};

/// One belief: a way the picture may lie, a history of wrong turns.
#[derive(Debug, Clone)]
pub(super) struct Belief {
    pub(super) map: Map,
    pub(super) reading: Reading,
    /// Whether the last go was made the wrong way round in this belief.
    pub(super) last_reversed: bool,
    pub(super) weight: f64,
    pub(super) mean: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
}

/// A flat belief of the coma before the first look: this much on each component,
/// waves (or mm, where a mark's place is what is looked at).
const FLAT: f64 = 50.0;

pub(super) fn start(learnt: &Learnt, candidate: &Candidate) -> Belief {
    let k = learnt.screws();
    let m = candidate.map.matrix();
    let mut turn = DMatrix::zeros(2 * k, 2 * k);
    for i in 0..k {
        turn.view_mut((2 * i, 2 * i), (2, 2)).copy_from(&m);
    }
    let b = &turn * DVector::from_column_slice(&learnt.waves_per_turn);
    let own = DMatrix::from_row_slice(2 * k, 2 * k, &learnt.covariance);
    // All columns turned together by the shade test's error.
    let mut across = DVector::zeros(2 * k);
    for i in 0..k {
        across[2 * i] = b[2 * i + 1];
        across[2 * i + 1] = -b[2 * i];
    }
    let sigma = candidate.turn_sigma_deg.to_radians();
    let spread = &turn * own * turn.transpose() + &across * across.transpose() * sigma.powi(2);
    let mut mean = DVector::zeros(2 + 2 * k);
    mean.rows_mut(2, 2 * k).copy_from(&b);
    let mut covariance = DMatrix::zeros(2 + 2 * k, 2 + 2 * k);
    covariance
        .view_mut((2, 2), (2 * k, 2 * k))
        .copy_from(&spread);
    covariance[(0, 0)] = FLAT * FLAT;
    covariance[(1, 1)] = FLAT * FLAT;
    Belief {
        map: candidate.map,
        reading: candidate.reading,
        last_reversed: false,
        weight: candidate.weight,
        mean,
        covariance,
    }
}

impl Belief {
    pub(super) fn coma(&self) -> Vector2<f64> {
        Vector2::new(self.mean[0], self.mean[1])
    }

    pub(super) fn column(&self, screw: usize) -> Vector2<f64> {
        Vector2::new(self.mean[2 + 2 * screw], self.mean[3 + 2 * screw])
    }

    /// Trace of the 2 x 2 block of the covariance that begins there.
    pub(super) fn trace(&self, r: usize, r2: usize) -> f64 {
        self.covariance[(r, r2)] + self.covariance[(r + 1, r2 + 1)]
    }

    pub(super) fn look(&mut self, seen: Vector2<f64>, sigma: f64) {
        let n = self.mean.len();
        let cov: Matrix2<f64> = self.covariance.fixed_view::<2, 2>(0, 0).into();
        let total = cov + Matrix2::identity() * sigma * sigma;
        let Some(inverse) = total.try_inverse() else {
            return;
        };
        let off = seen - self.coma();
        let misfit = off.dot(&(inverse * off));
        // Tails heavier than a Gaussian's: one bad look must not end a belief.
        self.weight *= (1.0 + misfit / 4.0).powi(-3) / total.determinant().sqrt();
        let gain = self.covariance.columns(0, 2) * inverse;
        self.mean += &gain * off;
        let reduced = &self.covariance - &gain * self.covariance.rows(0, 2);
        self.covariance = (&reduced + reduced.transpose()) * 0.5;
        debug_assert_eq!(self.mean.len(), n);
    }

    pub(super) fn turn(&mut self, turns: &[f64], way: f64, trust: &Trust) {
        let n = self.mean.len();
        let mut step = DMatrix::identity(n, n);
        let mut error = Matrix2::zeros();
        for (i, t) in turns.iter().enumerate() {
            step[(0, 2 + 2 * i)] = way * t;
            step[(1, 3 + 2 * i)] = way * t;
            if *t != 0.0 {
                let b = self.column(i);
                let lost = (t * trust.turn).hypot(trust.slack_turns);
                error += b * b.transpose() * lost * lost;
            }
        }
        self.mean = &step * &self.mean;
        self.covariance = &step * &self.covariance * step.transpose();
        let mut block = self.covariance.view_mut((0, 0), (2, 2));
        block += error;
        self.last_reversed = way < 0.0;
    }
}

/// How likely a Gaussian vector lies within `radius` of nothing: midpoints over
/// its own two axes.
pub(super) fn chance_in_circle(mean: Vector2<f64>, covariance: Matrix2<f64>, radius: f64) -> f64 {
    let eigen = covariance.symmetric_eigen();
    let sigma = eigen.eigenvalues.map(|v| v.max(1e-12).sqrt());
    let m = eigen.eigenvectors.transpose() * mean;
    // Along the first axis by midpoints, along the second in closed form.
    let steps = 41;
    let (mut inside, mut all) = (0.0, 0.0);
    for i in 0..steps {
        let z = (f64::from(i) + 0.5) / f64::from(steps) * 8.0 - 4.0;
        let weight = (-0.5 * z * z).exp();
        all += weight;
        let x = m.x + sigma.x * z;
        if x.abs() < radius {
            let half = (radius * radius - x * x).sqrt();
            inside += weight * (normal((half - m.y) / sigma.y) - normal((-half - m.y) / sigma.y));
        }
    }
    inside / all
}

/// The normal distribution function.
fn normal(x: f64) -> f64 {
    0.5 * libm::erfc(-x / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rayleigh: a centred round Gaussian lies within r with chance
    /// 1 - exp(-r^2 / 2 sigma^2).
    #[test]
    fn the_chance_within_a_circle_is_rayleighs() {
        for (r, s) in [(1.0, 1.0), (0.071, 0.036), (0.5, 0.2)] {
            let got = chance_in_circle(Vector2::zeros(), Matrix2::identity() * s * s, r);
            let want = 1.0 - (-0.5 * r * r / (s * s)).exp();
            assert!((got - want).abs() < 0.005, "{got} {want}");
        }
        let far = chance_in_circle(Vector2::new(1.0, 0.0), Matrix2::identity() * 1e-4, 0.5);
        assert!(far < 1e-9);
    }
}
