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
    /// Coma (2), response (2 for each screw), and last the log of how much too
    /// large these looks say all of that.
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
    let mut mean = DVector::zeros(3 + 2 * k);
    mean.rows_mut(2, 2 * k).copy_from(&b);
    let mut covariance = DMatrix::zeros(3 + 2 * k, 3 + 2 * k);
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

    /// How much too large the looks say coma and response, and its log's variance.
    pub(super) fn scale(&self) -> (f64, f64) {
        let s = self.mean.len() - 1;
        (self.mean[s].exp(), self.covariance[(s, s)])
    }

    /// From here on coma and response are those that looks say which are all
    /// off by one factor, known to `share`.
    pub(super) fn in_units_of(&mut self, share: f64) {
        let s = self.mean.len() - 1;
        let mut way = DVector::zeros(s + 1);
        way.rows_mut(2, s - 2).copy_from(&self.mean.rows(2, s - 2));
        way[s] = 1.0;
        self.covariance += &way * way.transpose() * share * share;
    }

    /// The true response and its covariance: the looks' factor taken out.
    pub(super) fn response(&self) -> (DVector<f64>, DMatrix<f64>) {
        let s = self.mean.len() - 1;
        let n = s - 2;
        let factor = (-self.mean[s]).exp();
        let mean: DVector<f64> = self.mean.rows(2, n) * factor;
        // d(B exp(-s)) = exp(-s) dB - B exp(-s) ds.
        let mut by = DMatrix::zeros(n, n + 1);
        by.view_mut((0, 0), (n, n)).fill_diagonal(factor);
        by.set_column(n, &-&mean);
        let own = self.covariance.view((2, 2), (n + 1, n + 1));
        (mean, &by * own * by.transpose())
    }

    /// The true coma and its covariance, likewise.
    pub(super) fn true_coma(&self) -> (Vector2<f64>, Matrix2<f64>) {
        let s = self.mean.len() - 1;
        let factor = (-self.mean[s]).exp();
        let mean = self.coma() * factor;
        let own: Matrix2<f64> = self.covariance.fixed_view::<2, 2>(0, 0).into();
        let with: Vector2<f64> = self.covariance.fixed_view::<2, 1>(0, s).into();
        let cross = with * mean.transpose() * factor;
        let covariance = own * factor * factor - cross - cross.transpose()
            + mean * mean.transpose() * self.covariance[(s, s)];
        (mean, covariance)
    }

    /// How likely the true coma is at most `radius`: over seven values of the
    /// looks' factor, the coma as it is with each.
    pub(super) fn chance_within(&self, radius: f64) -> f64 {
        let s = self.mean.len() - 1;
        let own: Matrix2<f64> = self.covariance.fixed_view::<2, 2>(0, 0).into();
        let variance = self.covariance[(s, s)];
        if variance < 1e-8 {
            return chance_in_circle(self.coma(), own, radius * self.mean[s].exp());
        }
        let with: Vector2<f64> = self.covariance.fixed_view::<2, 1>(0, s).into();
        let left = own - with * with.transpose() / variance;
        let (mut inside, mut all) = (0.0, 0.0);
        for z in [-2.4, -1.6, -0.8, 0.0, 0.8, 1.6, 2.4f64] {
            let off = z * variance.sqrt();
            let weight = (-0.5 * z * z).exp();
            let coma = self.coma() + with / variance * off;
            inside += weight * chance_in_circle(coma, left, radius * (self.mean[s] + off).exp());
            all += weight;
        }
        inside / all
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
