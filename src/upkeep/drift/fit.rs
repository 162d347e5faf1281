//! Learning from the fleet: maximum marginal likelihood with shrinkage.
//!
//! Three levels. An instrument has a factor of its own on its drift variance,
//! log-normal about its pool; it is integrated out by adaptive Gauss-Hermite
//! quadrature (J. C. Naylor & A. F. M. Smith, Applied Statistics 31, 214, 1982),
//! three points each. A pool (a design) has its parameters, log-normal about the
//! fleet's middle; they are taken at the top of the posterior. The fleet's
//! middle is the mean of the pools, each weighted by how well its own logbooks
//! pin it down, and of what is believed before.

use std::borrow::Borrow;

use super::chain::Chain;
use super::climb::{Matrix, Vector, climb};
use super::follow::{Follower, Theory};
use super::likelihood::{Wild, score};
use super::params::{Beliefs, PARAMS, Params, middle_covariance};

/// An instrument's own factor as far as the quadrature follows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// Mean of its logarithm.
    pub middle: f64,
    /// Standard deviation of its logarithm.
    pub sigma: f64,
}

/// One instrument and its pool without it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// Fingerprint of its chain.
    pub fingerprint: u64,
    /// What the others alone would have the pool be.
    pub params: Params,
    /// Chance that it is one of its kind rather than an odd one, and so how much
    /// it counted in what the pool learned.
    pub usual: f64,
}

/// What one pool has learned.
#[derive(Debug, Clone, PartialEq)]
pub struct PoolFit {
    /// The parameters.
    pub params: Params,
    /// Their standard deviations (natural logarithms), from the scores of the
    /// instruments and the beliefs.
    pub sigmas: [f64; PARAMS],
    /// Covariance of the parameters' errors, of which those are the diagonal.
    pub covariance: Matrix,
    /// The log posterior at the top.
    pub log_posterior: f64,
    /// Each chain's own factor, in the order given.
    pub factors: Vec<Factor>,
    /// For each chain what it is held against, in the order given.
    pub apart: Vec<Apart>,
    /// How many looks it was learned from.
    pub looks: usize,
    /// At how many instruments.
    pub looked_at: usize,
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
    /// How much each instrument counts.
    weights: Vec<f64>,
    /// Sum of the outer products of the instruments' scores.
    outer: Matrix,
    /// Factors as the latest evaluation saw them.
    seen: Vec<Factor>,
    /// Each instrument's score at the latest evaluation.
    scores: Vec<Vector>,
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
            let weight = self.weights[i];
            log += weight * one;
            slope += own * weight;
            self.outer += own * own.transpose() * weight;
            self.seen[i] = seen;
            self.scores[i] = own;
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

/// How much each chain counts: an odd instrument, whose own theory explains its
/// logbook, must not teach its kind. Those known from the fit before keep what
/// they had.
fn weights(
    chains: &[&Chain],
    prints: &[u64],
    beliefs: &Beliefs,
    before: Option<&PoolFit>,
) -> Vec<f64> {
    let Some(before) = before else {
        return vec![1.0; chains.len()];
    };
    let weight = |(chain, print): (&&Chain, &u64)| {
        if chain.looks() < LOOKS_TO_BE_ODD {
            return 1.0;
        }
        let known = before.apart.iter().find(|a| a.fingerprint == *print);
        let params = known.map_or(&before.params, |a| &a.params);
        Follower::through(chain, params, beliefs, chain.steps.len()).chance_of(Theory::Usual)
    };
    chains.iter().zip(prints).map(weight).collect()
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
    let prints: Vec<u64> = chains.iter().map(|c| c.fingerprint()).collect();
    let mut pool = Pool {
        chains,
        weights: weights(chains, &prints, beliefs, before),
        expected,
        beliefs,
        seen: factors.clone(),
        factors,
        outer: Matrix::zeros(),
        scores: vec![Vector::zeros(); chains.len()],
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
    let apart = prints
        .iter()
        .zip(pool.scores.iter().zip(&pool.weights))
        .map(|(print, (own, usual))| Apart {
            fingerprint: *print,
            params: without(&params, &variances, own, *usual),
            usual: *usual,
        })
        .collect();
    PoolFit {
        params,
        sigmas,
        covariance: variances,
        apart,
        log_posterior,
        factors: pool.seen,
        looks: chains.iter().map(|c| c.looks()).sum(),
        looked_at: chains.iter().filter(|c| c.looks() > 0).count(),
        asked: top.asked + 2,
    }
}

/// Fewer looks than this show no instrument to be an odd one.
const LOOKS_TO_BE_ODD: usize = 5;

/// How far one instrument may pull its pool, natural logarithms.
const MOST_PULL: f64 = 2.0;

/// Where the pool would stand without the instrument of this score: one Newton
/// step from the top, its own part of the curvature taken out (J. Sherman & W. J.
/// Morrison, Annals of Mathematical Statistics 21, 124, 1950). Exact for a pool of
/// one, which goes back to what the fleet believes.
fn without(params: &Params, inverse: &Matrix, own: &Vector, weight: f64) -> Params {
    let towards = inverse * own * weight;
    let share = own.dot(&towards).clamp(0.0, 1.0 - 1e-6);
    let mut apart = *params;
    for (log, step) in apart.0.iter_mut().zip(towards.iter()) {
        *log -= (step / (1.0 - share)).clamp(-MOST_PULL, MOST_PULL);
    }
    apart
}

/// What a whole fleet has learned.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftModel {
    /// What the pools share.
    pub beliefs: Beliefs,
    /// Each pool's fit, by its number; none where no instrument is of it.
    pub pools: Vec<Option<PoolFit>>,
}

/// How often the fleet's middle is worked out anew.
const ROUNDS: usize = 3;
/// How much the spread between instruments leans on what is believed before: as
/// if this many instruments had been seen already.
const INSTRUMENTS_BEFORE: f64 = 12.0;

/// Learns from a whole fleet. Chains of a pool are taken in the order given.
pub fn learn<C: Borrow<Chain>>(chains: &[C]) -> DriftModel {
    let pools = chains
        .iter()
        .map(|c| c.borrow().pool + 1)
        .max()
        .unwrap_or(0);
    let mut learned = DriftModel::nothing();
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

impl DriftModel {
    /// What is believed before any logbook is read.
    pub fn nothing() -> Self {
        Self {
            beliefs: Beliefs::default(),
            pools: Vec::new(),
        }
    }

    /// Learns one pool anew, from where it stands; the others and what they
    /// share stay as they are. This is all that a new entry asks for.
    pub fn relearn<C: Borrow<Chain>>(&mut self, chains: &[C], pool: usize) {
        if self.pools.len() <= pool {
            self.pools.resize(pool + 1, None);
        }
        let own: Vec<&Chain> = chains
            .iter()
            .map(Borrow::borrow)
            .filter(|c| c.pool == pool)
            .collect();
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

    /// Parameters that one instrument is held against: of its pool as the others
    /// have it. `fingerprint` is that of its chain when the pool was learned; one
    /// that was not among them is held against the whole pool.
    pub fn params_apart(&self, pool: usize, share: f64, fingerprint: u64) -> Params {
        let fit = self.pools.get(pool).and_then(Option::as_ref);
        fit.and_then(|f| f.apart.iter().find(|a| a.fingerprint == fingerprint))
            .map_or_else(|| self.params(pool, share), |a| a.params)
    }

    /// How sure a pool's parameter is, one standard deviation (natural logarithms);
    /// without a fit, how far pools stray from the fleet's middle.
    pub fn sigma(&self, pool: usize, param: usize) -> f64 {
        match self.pools.get(pool) {
            Some(Some(fit)) => fit.sigmas[param],
            _ => self.beliefs.between_pools[param],
        }
    }

    /// How many looks a pool was learned from, and how many instruments with a
    /// look are in it.
    pub fn known_from(&self, pool: usize) -> (usize, usize) {
        match self.pools.get(pool) {
            Some(Some(fit)) => (fit.looks, fit.looked_at),
            _ => (0, 0),
        }
    }

    /// Works out the fleet's middle and the spread between instruments anew.
    fn believe<C: Borrow<Chain>>(&mut self, chains: &[C]) {
        let before = Beliefs::default();
        let shares: Vec<f64> = (0..self.pools.len())
            .map(|p| {
                let mut own = chains.iter().map(Borrow::borrow).filter(|c| c.pool == p);
                own.next().map_or(1.0, |c| c.share)
            })
            .collect();
        let fits: Vec<(&PoolFit, f64)> = self
            .pools
            .iter()
            .zip(shares)
            .filter_map(|(fit, share)| fit.as_ref().map(|f| (f, share)))
            .collect();
        let mut known = middle_covariance()
            .cholesky()
            .map_or_else(Matrix::zeros, |c| c.inverse());
        let mut off = Vector::zeros();
        for k in 0..PARAMS {
            off[k] = before.middle.0[k] - self.beliefs.middle.0[k];
        }
        let mut slope = known * off;
        let tight = Matrix::from_diagonal(&Vector::from_fn(|k, _| {
            self.beliefs.between_pools[k].powi(-2)
        }));
        for (fit, share) in &fits {
            let expected = self.beliefs.expected(*share);
            let off = Vector::from_fn(|k, _| fit.params.0[k] - expected.0[k]);
            slope += tight * off;
            known += tight - tight * fit.covariance * tight;
        }
        if let Some(known) = known.cholesky() {
            for (log, step) in self
                .beliefs
                .middle
                .0
                .iter_mut()
                .zip(known.solve(&slope).iter())
            {
                *log += step.clamp(-2.0, 2.0);
            }
        }
        let (mut n, mut squares) = (
            INSTRUMENTS_BEFORE,
            INSTRUMENTS_BEFORE * before.between_instruments.powi(2),
        );
        for (factor, apart) in fits
            .iter()
            .flat_map(|(fit, _)| fit.factors.iter().zip(&fit.apart))
        {
            n += apart.usual;
            squares += apart.usual * (factor.middle.powi(2) + factor.sigma.powi(2));
        }
        self.beliefs.between_instruments = (squares / n).sqrt().clamp(0.2, 1.5);
    }
}
