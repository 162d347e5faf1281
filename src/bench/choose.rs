//! Which adjustment: of all that the screws and a hand allow, the one after which
//! the fewest more are to be expected.
//!
//! Every adjustment is tried on draws of how it may all be (`Response::draws`): the
//! coma, what each screw does, its play and where it stands in it, what the hand
//! will make of it. How many more adjustments follow from what is left is a table
//! (`Ahead`), worked out once for these screws, this hand and these looks as the
//! fixed point of "one more adjustment, and what that leaves": all steps ahead, if
//! later ones are made with what is known by then.

use nalgebra::Vector2;

use super::adjustment::{Adjustment, Aim, MOST_PARTS, PARTS, Purpose, Tally, Tension, turns_of};
use super::response::{Draw, Response};
use super::screw::{Mechanism, Screw};

/// The most one screw is turned in one adjustment where it works slowly.
pub(super) fn most_parts(screws: &[Screw], per_turn: f64, aim: &Aim) -> i32 {
    // About a pivot half a turn is as far as the others can follow (assumed).
    let safe = if screws.iter().any(|s| s.mechanism == Mechanism::Pivot) {
        PARTS / 2
    } else {
        PARTS
    };
    // Five limits at once: more would be past the middle before it is looked at.
    let wanted = 5.0 * aim.threshold_waves / per_turn.max(1e-9) * f64::from(PARTS);
    let wanted = (wanted / 8.0).ceil() * 8.0;
    (wanted.min(f64::from(safe)) as i32).max(MOST_PARTS)
}

fn keeps_tension(screws: &[Screw]) -> bool {
    screws.iter().any(|s| s.mechanism.keeps_tension())
}

/// By how much the turns of one adjustment, and of all together, may miss adding up
/// to nothing where tension is to be kept, sixty-fourths: what the springiness of
/// three screws bears (assumed).
const GIVE: i32 = 4;
const MOST_GIVE: i32 = 8;

/// Cost of each screw beyond the first, in adjustments.
const SCREW: f64 = 0.06;
/// Cost of a thirty-second and of a sixty-fourth somewhere, in adjustments.
const CAREFUL: f64 = 0.04;
const PAPER_SCALE: f64 = 0.25;
/// More than so many times the start it should never stand at; cost of leaving it
/// there.
const MOST_WORSE: f64 = 1.5;
const WORSE: f64 = 20.0;
/// What a turn teaches counts for so much, where the way the screws work is not known.
const TEACH: f64 = 3.0;
/// A turn to learn by should move the star by this share of what is seen; cost of
/// one that moves nothing.
const LEAST_MOVE: f64 = 0.35;
const SHORT: f64 = 8.0;

/// How many more adjustments what is left will need.
pub(super) struct Ahead {
    /// By how much the coma is, in steps of `STEP` limits.
    more: Vec<f64>,
    limit: f64,
}

const STEP: f64 = 0.1;
const STEPS: usize = 140;

impl Ahead {
    /// `screw` is the coma of one turn, `hand` a hand's error in turns and as a
    /// share, `look` the error of what looks show, `reach` the most coma that one
    /// adjustment takes away.
    fn new(limit: f64, hand_waves: f64, share: f64, look: f64, reach: f64) -> Self {
        let at = |i: usize| i as f64 * STEP;
        let (hand, look, reach) = (
            (hand_waves / limit).max(0.02),
            (look / limit).clamp(0.08, 0.6),
            reach / limit,
        );
        // How likely so little is seen to be within.
        let done: Vec<f64> = (0..STEPS)
            .map(|i| 0.5 * libm::erfc((at(i) - (1.0 - 1.2 * look).max(0.4)) / look))
            .collect();
        // From each, where one more adjustment leads.
        let leads: Vec<Vec<(usize, f64)>> = (0..STEPS)
            .map(|i| {
                let r = at(i);
                let left = (r - reach).max(0.0);
                let sigma = hand.hypot(share * r.min(reach) / 1.4);
                (0..8)
                    .map(|q| {
                        let p = (f64::from(q) + 0.5) / 8.0;
                        let off = sigma * (-2.0 * (1.0 - p).ln()).sqrt();
                        let to = left.hypot(off) / STEP;
                        ((to.round() as usize).min(STEPS - 1), 0.125)
                    })
                    .collect()
            })
            .collect();
        let mut more = vec![3.0; STEPS];
        for _ in 0..40 {
            let old = more.clone();
            for i in 0..STEPS {
                let then: f64 = leads[i].iter().map(|&(to, p)| p * old[to]).sum();
                more[i] = (1.0 - done[i]) * (1.0 + then);
            }
        }
        Self { more, limit }
    }

    pub(super) fn of(&self, coma: f64) -> f64 {
        let x = coma / self.limit / STEP;
        let i = x as usize;
        if i + 1 >= STEPS {
            let last = STEPS - 1;
            return self.more[last] + 0.1 * (x - last as f64) * STEP;
        }
        let part = x - i as f64;
        self.more[i] * (1.0 - part) + self.more[i + 1] * part
    }
}

/// What an adjustment is weighed with.
pub(super) struct Scales<'a> {
    response: &'a Response,
    screws: &'a [Screw],
    aim: &'a Aim,
    tally: &'a Tally,
    ahead: Ahead,
    /// Where it stood at the start, waves; none while it stands there.
    start: Option<f64>,
    per_turn: f64,
    most: i32,
    pub(super) draws: Vec<Draw>,
}

impl<'a> Scales<'a> {
    pub(super) fn new(
        response: &'a Response,
        screws: &'a [Screw],
        aim: &'a Aim,
        tally: &'a Tally,
    ) -> Self {
        let per_turn = response.per_turn().into_iter().fold(0.0, f64::max);
        let most = most_parts(screws, per_turn, aim);
        let (share, hand) = response.hand();
        let look = tally.sigmas.last().copied().unwrap_or(aim.threshold_waves);
        let reach = 1.5 * per_turn * f64::from(most) / f64::from(PARTS);
        // Two screws, as a rule; and what is not yet known of them.
        let ahead = Ahead::new(
            aim.threshold_waves,
            per_turn * hand,
            share.hypot(0.12),
            look / 1.6,
            reach,
        );
        let start = tally.history.first().map_or(0.0, |h| h.0);
        let turned = tally.turned.iter().any(|t| *t != 0);
        Self {
            response,
            screws,
            aim,
            tally,
            ahead,
            start: turned.then(|| start.max(response.coma().0.norm()).max(aim.threshold_waves)),
            per_turn,
            most,
            draws: response.draws(),
        }
    }

    /// How many adjustments are to be expected if nothing is turned now.
    pub(super) fn now(&self) -> f64 {
        let sum: f64 = self
            .draws
            .iter()
            .map(|d| self.ahead.of(d.coma.norm()))
            .sum();
        sum / self.draws.len().max(1) as f64
    }

    /// What is to be expected after these turns, with the costs.
    fn cost(&self, parts: &[i32], draws: &[Draw]) -> f64 {
        let turns = turns_of(parts);
        let mut sum = 0.0;
        for draw in draws {
            let size = draw.after(&turns).norm();
            sum += self.ahead.of(size);
            let bound = match self.start {
                // Not yet turned: it stands where it stood at the start.
                None => MOST_WORSE * draw.coma.norm().max(self.aim.threshold_waves),
                Some(start) => MOST_WORSE * start,
            };
            if size > bound && size > draw.coma.norm() && !draw.wrong_way {
                sum += WORSE;
            }
        }
        sum / draws.len().max(1) as f64 + self.trouble(parts)
    }

    /// What turning so is to a hand and to the springs.
    fn trouble(&self, parts: &[i32]) -> f64 {
        let touched = parts.iter().filter(|p| **p != 0).count();
        let fine = if parts.iter().any(|p| p % 2 != 0) {
            PAPER_SCALE
        } else if parts.iter().any(|p| p % 4 != 0) {
            CAREFUL
        } else {
            0.0
        };
        let net: i32 = parts
            .iter()
            .enumerate()
            .map(|(i, p)| p + self.tally.turned.get(i).copied().unwrap_or(0))
            .sum();
        let wander = f64::from(net) / f64::from(PARTS);
        SCREW * touched.saturating_sub(1) as f64 + fine + 0.3 * wander * wander
    }

    /// The best adjustment, and the cost after it; `left` narrows what is not known
    /// of the coma to that share first, as more looks would.
    pub(super) fn best(&self, left: f64) -> Option<(Vec<i32>, f64)> {
        let narrowed: Vec<Draw>;
        let draws = if left < 1.0 {
            narrowed = self.draws.iter().map(|d| d.narrowed(left)).collect();
            &narrowed
        } else {
            &self.draws
        };
        self.least(draws, |parts, draws| self.cost(parts, draws))
    }

    /// Of all adjustments the one at which this is least.
    fn least(
        &self,
        draws: &[Draw],
        of: impl Fn(&[i32], &[Draw]) -> f64,
    ) -> Option<(Vec<i32>, f64)> {
        // On a few draws first, then the best of them on all.
        let few = &draws[..draws.len().min(FEW)];
        let mut first: Vec<(f64, Vec<i32>)> = Vec::new();
        each_adjustment(self, &mut |parts| {
            first.push((of(parts, few), parts.to_vec()));
        });
        first.sort_by(|a, b| a.0.total_cmp(&b.0));
        first.truncate(BEST_OF);
        first
            .into_iter()
            .map(|(_, parts)| (of(&parts, draws), parts))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(cost, parts)| (parts, cost))
    }

    /// The adjustment with what is to be expected of it.
    pub(super) fn adjustment(&self, parts: Vec<i32>, purpose: Purpose) -> Adjustment {
        let turns = turns_of(&parts);
        let mut after: Vec<f64> = self.draws.iter().map(|d| d.after(&turns).norm()).collect();
        after.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let place = (share * after.len() as f64) as usize;
            after
                .get(place.min(after.len().saturating_sub(1)))
                .copied()
                .unwrap_or(0.0)
        };
        Adjustment {
            parts,
            purpose,
            expected_waves: at(0.5),
            range_waves: [at(0.05), at(0.95)],
        }
    }

    /// An adjustment that shows which way the screws work, at the least cost: not
    /// so small that play and hand make of it what they like.
    pub(super) fn to_learn(&self) -> Option<Vec<i32>> {
        let size = self.response.coma().0.norm().max(self.aim.threshold_waves);
        let look = self.tally.sigmas.last().copied().unwrap_or(0.0);
        self.least(&self.draws, |parts, draws| {
            let (taught, moves) = self.taught(parts, draws, look);
            let short = (1.0 - moves / (LEAST_MOVE * size)).max(0.0);
            self.cost(parts, draws) - TEACH * taught + SHORT * short
        })
        .map(|(parts, _)| parts)
    }

    /// What an adjustment teaches, in adjustments: by how far the draws disagree on
    /// where it leads, against what a look can tell apart. Back and forth on one
    /// axis teaches nothing new of a picture that may lie mirrored. Beside it, how far
    /// the coma moves, waves.
    fn taught(&self, parts: &[i32], draws: &[Draw], look: f64) -> (f64, f64) {
        let turns = turns_of(parts);
        let moves: Vec<Vector2<f64>> = draws
            .iter()
            .filter(|d| !d.wrong_way)
            .map(|d| d.after(&turns) - d.coma)
            .collect();
        let count = moves.len().max(1) as f64;
        let mean = moves.iter().sum::<Vector2<f64>>() / count;
        let spread = moves.iter().map(|m| (m - mean).norm_squared()).sum::<f64>() / count;
        let told = look.max(0.1 * self.aim.threshold_waves);
        let sizes = moves.iter().map(|m| m.norm()).sum::<f64>() / count;
        let taught = 0.5 * (1.0 + spread / (told * told)).ln().min(3.0);
        (taught, sizes)
    }

    /// The amounts that a hand can make and this screw may want, sixty-fourths.
    fn amounts(&self) -> Vec<i32> {
        let mut all: Vec<i32> = (1..=4).map(|n| n * 4).collect();
        let step = |parts: i32| self.per_turn * f64::from(parts) / f64::from(PARTS);
        if step(4) > 0.4 * self.aim.threshold_waves {
            all.extend([2, 6, 10]);
        }
        let size = self.response.coma().0.norm();
        if step(2) > 0.7 * self.aim.threshold_waves && size < 1.2 * self.aim.threshold_waves {
            all.extend([1, 3, 5]);
        }
        all.extend(
            [20, 24, 32, 40, 48, 64]
                .into_iter()
                .filter(|a| *a <= self.most),
        );
        let both: Vec<i32> = all.iter().flat_map(|a| [*a, -a]).collect();
        both
    }
}

/// Draws on which all are tried, and how many of them on all draws.
const FEW: usize = 20;
const BEST_OF: usize = 40;

/// Every adjustment that the screws allow: one screw, two, and of three all.
fn each_adjustment(scales: &Scales, of: &mut impl FnMut(&[i32])) {
    let k = scales.screws.len();
    let amounts = scales.amounts();
    let rules = Rules::of(scales.screws, scales.tally);
    let mut parts = vec![0; k];
    let mut offer = |parts: &[i32]| {
        if rules.allow(parts) {
            of(parts);
        }
    };
    for i in 0..k {
        for &a in &amounts {
            parts.fill(0);
            parts[i] = a;
            offer(&parts);
            for j in (i + 1)..k {
                for &b in &amounts {
                    parts.fill(0);
                    (parts[i], parts[j]) = (a, b);
                    offer(&parts);
                    // Of three screws on springs two do what all three can.
                    if k != 3 || (i, j) != (0, 1) || !rules.keep {
                        continue;
                    }
                    for &c in &amounts {
                        if (a + b + c).abs() <= GIVE / 2 {
                            parts[2] = c;
                            offer(&parts);
                        }
                    }
                    parts[2] = 0;
                }
            }
        }
    }
}

/// What the screws allow.
struct Rules<'a> {
    tally: &'a Tally,
    keep: bool,
    net: i32,
    tight: bool,
    loose: bool,
}

impl<'a> Rules<'a> {
    fn of(screws: &[Screw], tally: &'a Tally) -> Self {
        let some = |tension| {
            tally
                .tension
                .iter()
                .take(screws.len())
                .any(|f| *f == tension)
        };
        Self {
            tally,
            keep: keeps_tension(screws),
            net: tally.turned.iter().sum(),
            tight: some(Tension::Tight),
            loose: some(Tension::Loose),
        }
    }

    fn allow(&self, parts: &[i32]) -> bool {
        let sum: i32 = parts.iter().sum();
        let after = (self.net + sum).abs();
        let even =
            sum == 0 || (sum.abs() <= GIVE && (after <= MOST_GIVE || after < self.net.abs()));
        let balanced = !self.keep || even || (self.tight && sum < 0) || (self.loose && sum > 0);
        balanced
            && parts.iter().enumerate().all(|(i, &p)| {
                match self.tally.tension.get(i).copied().unwrap_or_default() {
                    Tension::Even => true,
                    Tension::Tight => p <= 0,
                    Tension::Loose => p >= 0,
                }
            })
    }
}
