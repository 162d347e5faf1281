//! Learning from the fleet: maximum marginal likelihood with shrinkage.
//!
//! Three levels. An instrument has a factor of its own on its drift variance,
//! log-normal about its pool; it is integrated out by adaptive Gauss-Hermite
//! quadrature (J. C. Naylor & A. F. M. Smith, Applied Statistics 31, 214, 1982),
//! three points each. A pool (a design) has its parameters, log-normal about the
//! fleet's middle; they are taken at the top of the posterior. The fleet's
//! middle is the mean of the pools, each weighted by how well its own logbooks
//! pin it down, and of what is believed before.

use super::chain::Chain;
use super::climb::{Matrix, Vector, climb};
use super::likelihood::{Wild, score};
use super::params::{Beliefs, PARAMS, Params, middle_sigma};

/// An instrument's own factor as far as the quadrature follows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// Mean of its logarithm.
    pub middle: f64,
    /// Standard deviation of its logarithm.
    pub sigma: f64,
}

/// What one pool has learned.
#[derive(Debug, Clone, PartialEq)]
pub struct PoolFit {
    /// The parameters.
    pub params: Params,
    /// Their standard deviations (natural logarithms), from the scores of the
    /// instruments and the beliefs.
    pub sigmas: [f64; PARAMS],
    /// The log posterior at the top.
    pub log_posterior: f64,
    /// Each chain's own factor, in the order given.
    pub factors: Vec<Factor>,
    /// How many looks it was learned from.
    pub looks: usize,
    /// How many likelihoods of the whole pool it took.
    pub asked: usize,
}

/// Where climbing stops: the log posterior still to be gained.
const ENOUGH: f64 = 2e-3;
const NODES: [(f64, f64); 3] = [
    (-1.732_050_807_568_877_2, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_568_877_2, 1.0 / 6.0),
];

struct Pool<'a> {
    chains: &'a [&'a Chain],
    expected: Params,
    beliefs: &'a Beliefs,
    factors: Vec<Factor>,
    /// Sum of the outer products of the instruments' scores.
    outer: Matrix,
    /// Factors as the latest evaluation saw them.
    seen: Vec<Factor>,
}

impl Pool<'_> {
    fn precision(&self, k: usize) -> f64 {
        self.beliefs.between_pools[k].powi(-2)
    }

    /// Log posterior and gradient.
    fn ask(&mut self, at: &Vector) -> (f64, Vector) {
        let mut params = Params([0.0; PARAMS]);
        params.0.copy_from_slice(at.as_slice());
        let mut log = 0.0;
        let mut slope = Vector::zeros();
        self.outer = Matrix::zeros();
        for (i, chain) in self.chains.iter().enumerate() {
            let (one, own, seen) = self.one(chain, &params, self.factors[i]);
            log += one;
            slope += own;
            self.outer += own * own.transpose();
            self.seen[i] = seen;
        }
        for k in 0..PARAMS {
            let off = at[k] - self.expected.0[k];
            log -= 0.5 * off * off * self.precision(k);
            slope[k] -= off * self.precision(k);
        }
        (log, slope)
    }

    /// One instrument's marginal log likelihood, its gradient, and its factor.
    fn one(&self, chain: &Chain, params: &Params, factor: Factor) -> (f64, Vector, Factor) {
        let omega = self.beliefs.between_instruments;
        let nodes = NODES.map(|(z, weight)| {
            let t = factor.middle + factor.sigma * z;
            let told = score(chain, params, t, Wild::Some);
            let prior = -0.5 * (t / omega).powi(2) - omega.ln();
            let log = told.log + prior + weight.ln() + factor.sigma.ln() + 0.5 * z * z;
            (t, log, told)
        });
        let top = nodes.iter().map(|n| n.1).fold(f64::MIN, f64::max);
        let sum: f64 = nodes.iter().map(|n| (n.1 - top).exp()).sum();
        let mut slope = Vector::zeros();
        let (mut mean, mut square) = (0.0, 0.0);
        for (t, log, told) in &nodes {
            let share = (log - top).exp() / sum;
            slope += Vector::from_column_slice(&told.slopes) * share;
            mean += share * t;
            square += share * t * t;
        }
        let sigma = (square - mean * mean).max(0.0).sqrt();
        let seen = Factor {
            middle: mean.clamp(-4.0 * omega, 4.0 * omega),
            sigma: sigma.clamp(0.15, omega.max(0.15)),
        };
        (top + sum.ln(), slope, seen)
    }

    fn inverse_curvature(&self) -> Matrix {
        let mut curvature = self.outer;
        for k in 0..PARAMS {
            curvature[(k, k)] += self.precision(k);
        }
        curvature
            .cholesky()
            .map_or_else(Matrix::identity, |c| c.inverse())
    }
}

/// Fits one pool, whose design moves by this share; `before` is an earlier fit
/// to begin from.
pub fn fit_pool(
    chains: &[&Chain],
    share: f64,
    beliefs: &Beliefs,
    before: Option<&PoolFit>,
) -> PoolFit {
    let expected = beliefs.expected(share);
    let fresh = Factor {
        middle: 0.0,
        sigma: beliefs.between_instruments,
    };
    let factors = before
        .filter(|b| b.factors.len() == chains.len())
        .map_or_else(|| vec![fresh; chains.len()], |b| b.factors.clone());
    let mut pool = Pool {
        chains,
        expected,
        beliefs,
        seen: factors.clone(),
        factors,
        outer: Matrix::zeros(),
    };
    let start = before.map_or(expected, |b| b.params);
    let start = Vector::from_column_slice(&start.0);
    pool.ask(&start);
    let inverse = pool.inverse_curvature();
    pool.factors.clone_from(&pool.seen);
    let top = climb(start, inverse, ENOUGH, |at| pool.ask(at));
    let (log_posterior, _) = pool.ask(&top.at);
    let variances = pool.inverse_curvature();
    let mut params = Params([0.0; PARAMS]);
    params.0.copy_from_slice(top.at.as_slice());
    let mut sigmas = [0.0; PARAMS];
    for (k, sigma) in sigmas.iter_mut().enumerate() {
        *sigma = variances[(k, k)].max(0.0).sqrt();
    }
    PoolFit {
        params,
        sigmas,
        log_posterior,
        factors: pool.seen,
        looks: chains.iter().map(|c| c.looks()).sum(),
        asked: top.asked + 2,
    }
}

/// What a whole fleet has learned.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// What the pools share.
    pub beliefs: Beliefs,
    /// Each pool's fit, by its number; none where no instrument is of it.
    pub pools: Vec<Option<PoolFit>>,
}

/// How often the fleet's middle is worked out anew.
const ROUNDS: usize = 2;
/// How much the spread between instruments leans on what is believed before: as
/// if this many instruments had been seen already.
const INSTRUMENTS_BEFORE: f64 = 12.0;

/// Learns from a whole fleet. Chains of a pool are taken in the order given.
pub fn learn(chains: &[Chain]) -> Learned {
    let pools = chains.iter().map(|c| c.pool + 1).max().unwrap_or(0);
    let mut learned = Learned::nothing();
    for round in 0..ROUNDS {
        for pool in 0..pools {
            learned.relearn(chains, pool);
        }
        if round + 1 < ROUNDS {
            learned.believe(chains);
        }
    }
    learned
}

impl Learned {
    /// What is believed before any logbook is read.
    pub fn nothing() -> Self {
        Self {
            beliefs: Beliefs::default(),
            pools: Vec::new(),
        }
    }

    /// Learns one pool anew, from where it stands; the others and what they
    /// share stay as they are. This is all that a new entry asks for.
    pub fn relearn(&mut self, chains: &[Chain], pool: usize) {
        if self.pools.len() <= pool {
            self.pools.resize(pool + 1, None);
        }
        let own: Vec<&Chain> = chains.iter().filter(|c| c.pool == pool).collect();
        let before = self.pools[pool].take();
        self.pools[pool] = own
            .first()
            .map(|first| fit_pool(&own, first.share, &self.beliefs, before.as_ref()));
    }

    /// Parameters of a pool; what the fleet believes where there is no fit.
    pub fn params(&self, pool: usize, share: f64) -> Params {
        match self.pools.get(pool) {
            Some(Some(fit)) => fit.params,
            _ => self.beliefs.expected(share),
        }
    }

    /// Works out the fleet's middle and the spread between instruments anew.
    fn believe(&mut self, chains: &[Chain]) {
        let before = Beliefs::default();
        let shares: Vec<f64> = (0..self.pools.len())
            .map(|p| chains.iter().find(|c| c.pool == p).map_or(1.0, |c| c.share))
            .collect();
        let fits: Vec<(&PoolFit, f64)> = self
            .pools
            .iter()
            .zip(shares)
            .filter_map(|(fit, share)| fit.as_ref().map(|f| (f, share)))
            .collect();
        for k in 0..PARAMS {
            let tau = self.beliefs.between_pools[k];
            let mut weight = middle_sigma(k).powi(-2);
            let mut sum = weight * before.middle.0[k];
            for (fit, share) in &fits {
                // What its logbooks alone say, the belief taken out again.
                let own = fit.sigmas[k].powi(-2) - tau.powi(-2);
                if own < 1e-3 {
                    continue;
                }
                let expected = self.beliefs.expected(*share).0[k];
                let offset = expected - self.beliefs.middle.0[k];
                let alone =
                    (fit.params.0[k] * fit.sigmas[k].powi(-2) - expected * tau.powi(-2)) / own;
                let w = (tau * tau + own.recip()).recip();
                weight += w;
                sum += w * (alone - offset).clamp(-30.0, 10.0);
            }
            self.beliefs.middle.0[k] = sum / weight;
        }
        let (mut n, mut squares) = (
            INSTRUMENTS_BEFORE,
            INSTRUMENTS_BEFORE * before.between_instruments.powi(2),
        );
        for factor in fits.iter().flat_map(|(fit, _)| &fit.factors) {
            n += 1.0;
            squares += factor.middle.powi(2) + factor.sigma.powi(2);
        }
        self.beliefs.between_instruments = (squares / n).sqrt().clamp(0.2, 1.5);
    }
}
