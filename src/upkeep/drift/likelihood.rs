//! The log likelihood of one logbook, with its gradient.

use super::chain::{Act, CAUSES, Chain, Fresh};
use super::dual::{Dual, Real, SLOPES};
use super::params::{EYE, PARAMS, Params, fresh_index};
use super::state::{State, wild};
use library::star_tests::Method;

/// A log likelihood and its derivatives by the pool's parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Log likelihood, natural.
    pub log: f64,
    /// By each parameter.
    pub slopes: [f64; PARAMS],
    /// By the logarithm of the instrument's own factor.
    pub by_factor: f64,
}

/// Whether looks may be wild; without, a chain of looks with directions has the
/// likelihood of a plain Kalman filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wild {
    /// Some are.
    Some,
    /// None is.
    None,
}

/// Scores a logbook. `log_factor` is the instrument's own factor on its drift
/// variance.
///
/// After each look the state that follows from it and the state as it was, had
/// the look been wild, are merged into one.
pub fn score(chain: &Chain, params: &Params, log_factor: f64, wildness: Wild) -> Score {
    const TAIL: usize = PARAMS + 1;
    let factor = log_factor.exp();
    let rates = params.per_units().map(|r| r * factor);
    let eye_squared = (2.0 * params.0[EYE]).exp();
    let mut slopes = [0.0; TAIL];
    let mut log = 0.0;
    // The state and how it moves with each parameter.
    let start = params.spread(Fresh::Start).powi(2);
    let mut state = State::fresh(start);
    let mut d_a = [0.0; TAIL];
    let mut d_b = [0.0; TAIL];
    let mut d_v = [0.0; TAIL];
    d_v[fresh_index(Fresh::Start)] = 2.0 * start;
    for step in &chain.steps {
        for cause in 0..CAUSES {
            let gained = step.units[cause] * rates[cause];
            if gained != 0.0 {
                state.variance += gained;
                d_v[cause] += gained;
                d_v[PARAMS] += gained;
            }
        }
        let look = match &step.act {
            Act::Reset(fresh) => {
                let variance = params.spread(*fresh).powi(2);
                state = State::fresh(variance);
                d_a = [0.0; TAIL];
                d_b = [0.0; TAIL];
                d_v = [0.0; TAIL];
                d_v[fresh_index(*fresh)] = 2.0 * variance;
                continue;
            }
            Act::Look(look) => look,
        };
        let mut look_variance = look.sigma_waves * look.sigma_waves;
        if look.method == Method::ByEye {
            look_variance *= eye_squared;
        }
        let before = State {
            a: Dual::variable(state.a, 0),
            b: Dual::variable(state.b, 1),
            variance: Dual::variable(state.variance, 2),
            ring: state.ring,
        };
        let (told, after) = before.looked(look, Dual::variable(look_variance, 3));
        let (gained, after) = match wildness {
            Wild::None => (told, after),
            Wild::Some => {
                let (wild_log, chance) = wild(look);
                let good = told + (1.0 - chance).ln();
                let bad = wild_log + chance.ln();
                // Either could be far below the other.
                let top = good.value.max(bad);
                let both = (good + -top).exp() + (bad - top).exp();
                let sum = both.ln() + top;
                let weight = (good - sum).exp();
                (sum, State::merged(weight, &after, &before))
            }
        };
        log += gained.value;
        let mut d_s = [0.0; TAIL];
        if look.method == Method::ByEye {
            d_s[EYE] = 2.0 * look_variance;
        }
        let chain_rule = |of: &[f64; SLOPES]| {
            std::array::from_fn(|k| {
                of[0] * d_a[k] + of[1] * d_b[k] + of[2] * d_v[k] + of[3] * d_s[k]
            })
        };
        let gain: [f64; TAIL] = chain_rule(&gained.slopes);
        for (sum, more) in slopes.iter_mut().zip(gain) {
            *sum += more;
        }
        (d_a, d_b, d_v) = (
            chain_rule(&after.a.slopes),
            chain_rule(&after.b.slopes),
            chain_rule(&after.variance.slopes),
        );
        state = State {
            a: after.a.value,
            b: after.b.value,
            variance: after.variance.value,
            ring: after.ring,
        };
    }
    let mut by_params = [0.0; PARAMS];
    by_params.copy_from_slice(&slopes[..PARAMS]);
    Score {
        log,
        slopes: by_params,
        by_factor: slopes[PARAMS],
    }
}
