//! One belief of what the screws do, how much play they have and what the coma is
//! now; [`super::response`] keeps some hundreds of them side by side.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use rand::Rng;
use rand_chacha::ChaCha8Rng;

use super::eye::ratio_sigma_at;
use super::learnt::{Learnt, Trust};
use super::orientation::{Candidate, Map, Reading};

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
    /// Motion each screw loses when it is turned back, turns, and where in it the
    /// screw stands: 0 when it was last turned anticlockwise to the end of it.
    pub(super) play: Vec<f64>,
    pub(super) place: Vec<f64>,
    /// This hand's error over the usual one.
    pub(super) hand: f64,
    /// What each look by eye is off by, by itself, as a share of what it says.
    pub(super) scatter: f64,
    /// Share of the last adjustment's turning that the play took, 0 to 1.
    pub(super) swallowed: f64,
}

/// What is known of a look by eye beside the air.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ring {
    /// The coma at which the ring would close, waves.
    pub(super) closing_waves: f64,
    /// By how much more than usual such looks scatter.
    pub(super) scatter: f64,
}

impl Ring {
    fn sigma_at(&self, coma: f64, scatter: f64) -> f64 {
        ratio_sigma_at(coma, self.closing_waves).hypot(scatter * self.scatter * coma)
    }
}

/// A flat belief of the coma before the first look: this much on each component,
/// waves (or mm, where a mark's place is what is looked at).
const FLAT: f64 = 50.0;

/// A belief drawn from what is known beforehand; `weight` is its share of belief.
pub(super) fn start(
    learnt: &Learnt,
    candidate: &Candidate,
    weight: f64,
    trust: &Trust,
    rng: &mut ChaCha8Rng,
) -> Belief {
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
    let play: Vec<f64> = (0..k)
        .map(|i| match learnt.play.get(i) {
            Some(&(mean, sigma)) => {
                (mean + sigma.hypot(0.1 * trust.play_turns) * normal_draw(rng)).abs()
            }
            None => trust.play_turns * rng.random_range(0.0..1.1),
        })
        .collect();
    Belief {
        map: candidate.map,
        reading: candidate.reading,
        last_reversed: false,
        weight,
        mean,
        covariance,
        place: play.iter().map(|p| p * rng.random::<f64>()).collect(),
        play,
        hand: (0.3 * normal_draw(rng)).exp(),
        scatter: rng.random_range(0.12..0.32),
        swallowed: 0.0,
    }
}

/// A number from the normal distribution (Box-Muller).
pub(super) fn normal_draw(rng: &mut ChaCha8Rng) -> f64 {
    let u: f64 = rng.random_range(1e-12..1.0);
    let v: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    (-2.0 * u.ln()).sqrt() * v.cos()
}

/// How far a screw with this play, standing there in it, moves what it holds when
/// it is turned by `made`; and where it stands then.
pub(super) fn moved(place: f64, play: f64, made: f64) -> (f64, f64) {
    let wanted = place + made;
    let moves = if wanted > play {
        wanted - play
    } else {
        wanted.min(0.0)
    };
    (moves, wanted.clamp(0.0, play))
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

    /// How likely the true coma is at most `radius`: over five values of the
    /// looks' factor, the coma as it is with each. `alike` is what looks miss alike.
    pub(super) fn chance_within(&self, radius: f64, alike: f64) -> f64 {
        let s = self.mean.len() - 1;
        let own: Matrix2<f64> = self.covariance.fixed_view::<2, 2>(0, 0).into();
        let own = own + Matrix2::identity() * alike * alike;
        let variance = self.covariance[(s, s)];
        if variance < 1e-8 {
            return chance_in_circle(self.coma(), own, radius * self.mean[s].exp());
        }
        let with: Vector2<f64> = self.covariance.fixed_view::<2, 1>(0, s).into();
        let left = own - with * with.transpose() / variance;
        let (mut inside, mut all) = (0.0, 0.0);
        for z in [-2.0, -1.0, 0.0, 1.0, 2.0f64] {
            let off = z * variance.sqrt();
            let weight = (-0.5 * z * z).exp();
            let coma = self.coma() + with / variance * off;
            inside += weight * chance_in_circle(coma, left, radius * (self.mean[s] + off).exp());
            all += weight;
        }
        inside / all
    }

    /// A look, right to `sigma` on each component; by eye beside that to what the
    /// ratio of widths tells, and to this belief's scatter. `wild` is by how much
    /// more than it says it is off.
    pub(super) fn look(&mut self, seen: Vector2<f64>, sigma: f64, by: Option<Ring>, wild: f64) {
        let cov: Matrix2<f64> = self.covariance.fixed_view::<2, 2>(0, 0).into();
        let sigma = wild
            * by.map_or(sigma, |ring| {
                let rough = ring
                    .sigma_at(seen.norm(), self.scatter)
                    .hypot(sigma)
                    .powi(2);
                let known = cov.trace() / 2.0;
                let about = (self.coma() * rough + seen * known) / (rough + known);
                ring.sigma_at(about.norm(), self.scatter).hypot(sigma)
            });
        let total = cov + Matrix2::identity() * sigma * sigma;
        let Some(inverse) = total.try_inverse() else {
            return;
        };
        let off = seen - self.coma();
        let misfit = off.dot(&(inverse * off));
        // Tails heavier than a Gaussian's: one bad look must not end a belief.
        self.weight *= (1.0 + misfit / 5.0).powf(-3.5) / total.determinant().sqrt();
        let gain = self.covariance.columns(0, 2) * inverse;
        self.mean += &gain * off;
        let reduced = &self.covariance - &gain * self.covariance.rows(0, 2);
        self.covariance = (&reduced + reduced.transpose()) * 0.5;
    }

    /// A hand's 1-sigma at such a turn, turns.
    pub(super) fn hand_sigma(&self, turns: f64, trust: &Trust) -> f64 {
        self.hand * (turns * trust.turn).hypot(trust.hand_turns)
    }

    pub(super) fn turn(&mut self, turns: &[f64], way: f64, trust: &Trust, rng: &mut ChaCha8Rng) {
        let n = self.mean.len();
        let mut step = DMatrix::identity(n, n);
        let mut error = Matrix2::zeros();
        let (mut asked, mut done) = (0.0, 0.0);
        for (i, t) in turns.iter().enumerate() {
            if *t == 0.0 {
                continue;
            }
            let sigma = self.hand_sigma(*t, trust);
            // Three points of the hand's error (Gauss-Hermite): what the play leaves.
            let (mut mean, mut square) = (0.0, 0.0);
            for (z, w) in [
                (-1.732_05, 1.0 / 6.0),
                (0.0, 2.0 / 3.0),
                (1.732_05, 1.0 / 6.0),
            ] {
                let m = moved(self.place[i], self.play[i], way * t + z * sigma).0;
                mean += w * m;
                square += w * m * m;
            }
            step[(0, 2 + 2 * i)] = mean;
            step[(1, 3 + 2 * i)] = mean;
            let b = self.column(i);
            error += b * b.transpose() * (square - mean * mean).max(0.0);
            let made = way * t + sigma * normal_draw(rng);
            self.place[i] = moved(self.place[i], self.play[i], made).1;
            asked += t.abs();
            done += mean.abs();
        }
        self.mean = &step * &self.mean;
        self.covariance = &step * &self.covariance * step.transpose();
        let mut block = self.covariance.view_mut((0, 0), (2, 2));
        block += error;
        self.last_reversed = way < 0.0;
        self.swallowed = if asked > 0.0 {
            (1.0 - done / asked).clamp(0.0, 1.0)
        } else {
            0.0
        };
    }
}

/// How likely a Gaussian vector lies within `radius` of nothing: midpoints over
/// its own two axes.
pub(super) fn chance_in_circle(mean: Vector2<f64>, covariance: Matrix2<f64>, radius: f64) -> f64 {
    let eigen = covariance.symmetric_eigen();
    let sigma = eigen.eigenvalues.map(|v| v.max(1e-12).sqrt());
    let m = eigen.eigenvectors.transpose() * mean;
    // Along the first axis by midpoints, along the second in closed form.
    let steps = 25;
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
