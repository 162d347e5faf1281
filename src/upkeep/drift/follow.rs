//! Following one instrument: what is believed of its coma at each point of its
//! logbook, under several theories of what kind of instrument it is.

use super::chain::{Act, CAUSES, Cause, Chain, Look, Units};
use super::mixture::{Mixture, Part};
use super::params::{Beliefs, Params, Tails};
use super::state::{BLOW_WAVES, State, UNTOLD_BLOW, wild};

/// What kind of instrument it may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Theory {
    /// Like its kind, give or take its own factor.
    Usual,
    /// Hardly moves at all.
    NeverMoves,
    /// One cause moves it far more than its kind.
    Minds(Cause),
    /// Its adjuster does not hold: it gives way after the bench.
    LetsGo,
    /// Its mirror flops: it looks otherwise at each look, whatever it went
    /// through.
    Flops,
}

/// Chance of each theory before its logbook is read: common practice, no
/// source; a flag needs the logbook to speak much louder than this.
const NEVER_MOVES: f64 = 0.02;
const MINDS: f64 = 0.03;
const LETS_GO: f64 = 0.02;
const FLOPS: f64 = 0.02;

/// Causes an instrument may mind, when it has met enough of them.
const MINDED: [Cause; 4] = [
    Cause::Car,
    Cause::RoughRoad,
    Cause::PublicEvent,
    Cause::LeftOutdoors,
];
const ENOUGH_TO_MIND: f64 = 3.0;
const MOST_MINDED: usize = 2;
/// Most parts of the state kept apart under one theory.
const MOST_PARTS: usize = 4;
const LEAST_WEIGHT: f64 = 1e-3;

/// One theory with its figures fixed.
#[derive(Debug, Clone, PartialEq)]
struct Track {
    theory: Theory,
    rates: Units,
    flop_variance: f64,
    start_variance: [f64; super::chain::FRESH],
    log_weight: f64,
    parts: Vec<(f64, State<f64>)>,
    /// Drift since the parts: its variance, and the sum over its pushes of their
    /// squared variances.
    drift: [f64; 2],
}

/// What is believed of one instrument at one point of its logbook.
#[derive(Debug, Clone, PartialEq)]
pub struct Follower {
    params: Params,
    tails: Tails,
    tracks: Vec<Track>,
}

impl Follower {
    /// Before anything happened. `chain` tells which causes it will meet.
    pub fn new(chain: &Chain, params: &Params, beliefs: &Beliefs) -> Self {
        let mut follower = Self {
            params: *params,
            tails: beliefs.tails,
            tracks: Vec::new(),
        };
        let omega = beliefs.between_instruments;
        let rates = params.per_units().map(|r| r * beliefs.tails.swell.exp());
        let with = |log_factor: f64| rates.map(|r| r * log_factor.exp());
        // A grid wide and fine enough for the instrument's own factor.
        let grid: Vec<f64> = (-3..=3).map(|i| 0.8 * f64::from(i)).collect();
        let mass: f64 = grid.iter().map(|z| (-0.5 * z * z).exp()).sum();
        let met = chain.units_in_all();
        let mut minded: Vec<Cause> = MINDED
            .into_iter()
            .filter(|c| met[c.index()] >= ENOUGH_TO_MIND)
            .collect();
        minded.sort_by(|a, b| met[b.index()].total_cmp(&met[a.index()]));
        minded.truncate(MOST_MINDED);
        let minds = if minded.is_empty() { 0.0 } else { MINDS };
        let usual = 1.0 - NEVER_MOVES - minds - LETS_GO - FLOPS;
        for z in grid {
            let weight = usual * (-0.5 * z * z).exp() / mass;
            follower.add(Theory::Usual, with(omega * z), 0.0, weight);
        }
        follower.add(Theory::NeverMoves, with(-4.5), 0.0, NEVER_MOVES);
        for side in [-0.7 * omega, 0.7 * omega] {
            for cause in &minded {
                for factor in [5.0, 15.0] {
                    let mut own = with(side);
                    own[cause.index()] *= factor;
                    let weight = MINDS / (4.0 * minded.len() as f64);
                    follower.add(Theory::Minds(*cause), own, 0.0, weight);
                }
            }
            for gives in [0.035_f64, 0.07] {
                let mut own = with(side);
                own[Cause::Settling.index()] += gives * gives;
                follower.add(Theory::LetsGo, own, 0.0, LETS_GO / 8.0);
            }
            // Or it creeps all the time.
            for factor in [8.0, 25.0] {
                let mut own = with(side);
                own[Cause::Month.index()] *= factor;
                follower.add(Theory::LetsGo, own, 0.0, LETS_GO / 8.0);
            }
            for flop in [0.025_f64, 0.05] {
                follower.add(Theory::Flops, with(side), flop * flop, FLOPS / 4.0);
            }
        }
        follower
    }

    fn add(&mut self, theory: Theory, rates: Units, flop_variance: f64, weight: f64) {
        use super::chain::Fresh;
        let spreads = [Fresh::LinedUp, Fresh::Disturbed, Fresh::Start];
        let start_variance = spreads.map(|f| self.params.spread(f).powi(2));
        let start = State::fresh(start_variance[Fresh::Start as usize]);
        self.tracks.push(Track {
            theory,
            rates,
            flop_variance,
            start_variance,
            log_weight: weight.ln(),
            parts: vec![(1.0, start)],
            drift: [0.0; 2],
        });
    }

    /// Follows a logbook from its beginning through the steps before `steps`.
    pub fn through(chain: &Chain, params: &Params, beliefs: &Beliefs, steps: usize) -> Self {
        let mut follower = Self::new(chain, params, beliefs);
        for step in &chain.steps[..steps.min(chain.steps.len())] {
            follower.drift(&step.units);
            follower.act(&step.act);
        }
        follower
    }

    /// It was pushed.
    pub fn drift(&mut self, units: &Units) {
        for track in &mut self.tracks {
            track.drift = track.drift_after(units);
        }
    }

    /// It was looked at or set anew.
    pub fn act(&mut self, act: &Act) {
        match act {
            Act::Reset(fresh) => {
                for track in &mut self.tracks {
                    let variance = track.start_variance[*fresh as usize];
                    track.parts = vec![(1.0, State::fresh(variance))];
                    track.drift = [0.0; 2];
                }
            }
            Act::Look(look) => {
                let variance = self.tails.look_variance(&self.params, look);
                for track in &mut self.tracks {
                    track.look(look, variance, &self.tails);
                }
            }
        }
    }

    /// Log likelihood of all looks so far, over all theories.
    pub fn log_likelihood(&self) -> f64 {
        log_sum(self.tracks.iter().map(|t| t.log_weight))
    }

    /// How probable a theory is.
    pub fn chance_of(&self, theory: Theory) -> f64 {
        let all = self.log_likelihood();
        let of = self.tracks.iter().filter(|t| t.theory == theory);
        of.map(|t| (t.log_weight - all).exp()).sum()
    }

    /// Every theory held, the most probable first.
    pub fn theories(&self) -> Vec<(Theory, f64)> {
        let mut names: Vec<Theory> = Vec::new();
        for track in &self.tracks {
            if !names.contains(&track.theory) {
                names.push(track.theory);
            }
        }
        let mut told: Vec<_> = names.into_iter().map(|t| (t, self.chance_of(t))).collect();
        told.sort_by(|a, b| b.1.total_cmp(&a.1));
        told
    }

    /// Mean over the tracks of a theory (or over all) of the variance per unit of
    /// a cause, waves squared along one axis.
    pub fn rate_of(&self, cause: Cause, theory: Option<Theory>) -> f64 {
        let of = |t: &&Track| theory.is_none_or(|th| th == t.theory);
        let all = log_sum(self.tracks.iter().filter(of).map(|t| t.log_weight));
        let tracks = self.tracks.iter().filter(of);
        tracks
            .map(|t| (t.log_weight - all).exp() * t.rates[cause.index()])
            .sum()
    }

    /// How far it moves beside its kind, as a ratio of lengths: the geometric mean
    /// over all theories, by time alone.
    pub fn beside_kind(&self) -> f64 {
        let all = self.log_likelihood();
        let kind = self.params.per_unit(Cause::Month).ln() + self.tails.swell;
        let logs = self.tracks.iter().map(|t| {
            let own = t.rates[Cause::Month.index()].ln();
            (t.log_weight - all).exp() * (own - kind)
        });
        (0.5 * logs.sum::<f64>()).exp()
    }

    /// Extra scatter of each look along one axis, waves, were its mirror to flop.
    pub fn flop_waves(&self) -> f64 {
        let flops = || self.tracks.iter().filter(|t| t.theory == Theory::Flops);
        let all = log_sum(flops().map(|t| t.log_weight));
        let variance: f64 = flops()
            .map(|t| (t.log_weight - all).exp() * t.flop_variance)
            .sum();
        variance.sqrt()
    }

    /// Variance along one axis that these pushes add, waves squared, on average
    /// over the theories.
    pub fn drift_variance(&self, units: &Units) -> f64 {
        let all = self.log_likelihood();
        let tracks = self.tracks.iter();
        tracks
            .map(|t| (t.log_weight - all).exp() * dot(units, &t.rates))
            .sum()
    }

    /// What is believed of its coma after these pushes more. A mirror that flops
    /// counts with its flop, for the borrower meets it.
    pub fn ahead(&self, units: &Units) -> Mixture {
        let all = self.log_likelihood();
        let mut parts = Vec::new();
        for track in &self.tracks {
            let weight = (track.log_weight - all).exp();
            if weight < LEAST_WEIGHT {
                continue;
            }
            for (chance, gained) in laws(&self.tails, track.drift_after(units)) {
                parts.extend(track.parts.iter().map(|(w, state)| Part {
                    weight: weight * w * chance,
                    mean_squared: state.mean_squared(),
                    variance: state.variance + gained + track.flop_variance,
                }));
            }
        }
        Mixture::new(parts)
    }
}

impl Track {
    /// The drift with these pushes more.
    fn drift_after(&self, units: &Units) -> [f64; 2] {
        let squares = (0..CAUSES).map(|k| units[k] * self.rates[k].powi(2));
        [
            self.drift[0] + dot(units, &self.rates),
            self.drift[1] + squares.sum::<f64>(),
        ]
    }

    fn look(&mut self, look: &Look, variance: f64, tails: &Tails) {
        let (wild_log, chance) = wild(look);
        let variance = variance + self.flop_variance;
        let laws = laws(tails, self.drift);
        let drift = std::mem::take(&mut self.drift)[0];
        let mut next: Vec<(f64, State<f64>)> = Vec::with_capacity(4 * self.parts.len());
        for (weight, before) in &self.parts {
            let told = weight.ln() + (1.0 - chance).ln();
            for (share, gained) in laws.clone() {
                let (log, after) = before.drifted(gained).looked(look, variance);
                next.push((told + log + (share * (1.0 - UNTOLD_BLOW)).ln(), after));
            }
            let state = &before.drifted(drift);
            // A look that nobody would expect is wild, or somebody kept a blow to
            // themselves; the more a kind of look can be wrong, the likelier the
            // first.
            let struck = state.drifted(BLOW_WAVES * BLOW_WAVES);
            let (log, after) = struck.looked(look, variance);
            next.push((told + log + UNTOLD_BLOW.ln(), after));
            next.push((weight.ln() + wild_log + chance.ln(), *state));
        }
        let total = log_sum(next.iter().map(|n| n.0));
        self.log_weight += total;
        for part in &mut next {
            part.0 = (part.0 - total).exp();
        }
        next.retain(|n| n.0 > LEAST_WEIGHT);
        next.sort_by(|a, b| b.0.total_cmp(&a.0));
        while next.len() > MOST_PARTS {
            let (Some(last), Some(before)) = (next.pop(), next.pop()) else {
                break;
            };
            let weight = last.0 + before.0;
            let merged = State::merged(before.0 / weight, &before.1, &last.1);
            next.push((weight, merged));
        }
        let kept: f64 = next.iter().map(|n| n.0).sum();
        for part in &mut next {
            part.0 /= kept;
        }
        self.parts = next;
    }
}

/// The laws of a drift, each with its chance: one where nothing jumps.
fn laws(tails: &Tails, [variance, squares]: [f64; 2]) -> impl Iterator<Item = (f64, f64)> + Clone {
    let pushes = if squares > 0.0 {
        variance * variance / squares
    } else {
        0.0
    };
    let (chance, calm, jump) = tails.of(variance, pushes);
    let laws = match tails.jumps * variance > 0.0 {
        true => [(1.0 - chance, calm), (chance, jump)],
        false => [(1.0, variance), (0.0, variance)],
    };
    laws.into_iter().filter(|law| law.0 > 0.0)
}

fn dot(units: &Units, rates: &Units) -> f64 {
    (0..CAUSES).map(|k| units[k] * rates[k]).sum()
}

fn log_sum(logs: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = logs.clone().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + logs.map(|l| (l - top).exp()).sum::<f64>().ln()
}
