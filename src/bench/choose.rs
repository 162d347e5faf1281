//! Which go: of all that the screws allow, the one with the least coma to be
//! expected; and the one that teaches most.

use nalgebra::{DMatrix, DVector};

use super::advice::{Adjustment, Aim, MOST_PARTS, PARTS, Purpose, Tally, Tension, turns_of};
use super::response::Response;
use super::screw::{Mechanism, Screw};

/// The finest part worth giving: sixteenths, and halves and quarters of them
/// where the smallest go in sixteenths moves the coma by more than half the
/// threshold: the goes lie on a lattice with that spacing, and what is left in
/// the worst case is half of it or more.
fn finest(response: &Response, screws: &[Screw], aim: &Aim) -> i32 {
    let per_turn = response.per_turn().into_iter().fold(0.0, f64::max);
    // With tension kept two screws at 120 degrees turn against each other.
    let pair = if keeps_tension(screws) {
        3f64.sqrt()
    } else {
        1.0
    };
    let step = |part: i32| pair * per_turn * f64::from(part) / f64::from(PARTS);
    let mut part = PARTS / 16;
    while part > 1 && step(part) > 0.5 * aim.threshold_waves {
        part /= 2;
    }
    part
}

fn keeps_tension(screws: &[Screw]) -> bool {
    screws.iter().any(|s| s.mechanism.keeps_tension())
}

/// By how much the turns of a go may miss adding up to nothing where tension is
/// to be kept, sixty-fourths: where sixty-fourths are needed at all, one of them
/// is less than the springiness of the screws, and the goes it allows lie closer.
fn give(part: i32) -> i32 {
    i32::from(part == 1)
}

/// The most that all goes together may miss it by.
const MOST_GIVE: i32 = 2;

/// The go with the least expected coma, and by how much it lowers its square.
pub(super) fn best_go(
    response: &Response,
    screws: &[Screw],
    aim: &Aim,
    tally: &Tally,
) -> Option<(Adjustment, f64)> {
    best_by(&response.expected_change(), response, screws, aim, tally)
}

/// The same if the picture lies as the leading belief has it.
pub(super) fn best_if_led(
    response: &Response,
    screws: &[Screw],
    aim: &Aim,
    tally: &Tally,
) -> Option<(Adjustment, f64)> {
    best_by(&response.leading_change(), response, screws, aim, tally)
}

fn best_by(
    (g, h): &(DVector<f64>, DMatrix<f64>),
    response: &Response,
    screws: &[Screw],
    aim: &Aim,
    tally: &Tally,
) -> Option<(Adjustment, f64)> {
    let part = finest(response, screws, aim);
    let threshold2 = aim.threshold_waves.powi(2);
    let mut best: Option<(Vec<i32>, f64, f64)> = None;
    each_go(screws, part, tally, &mut |parts| {
        let touched = parts.iter().filter(|p| **p != 0).count();
        if touched == 0 {
            return;
        }
        let change = change_of(parts, g, h);
        // Fewer screws, and springs left as they were, where it costs little.
        let net: i32 = parts
            .iter()
            .enumerate()
            .map(|(i, p)| p + tally.turned.get(i).copied().unwrap_or(0))
            .sum();
        let wander = f64::from(net) / f64::from(PARTS);
        let cost = change + 0.08 * threshold2 * touched as f64 + 0.1 * threshold2 * wander * wander;
        if best.as_ref().is_none_or(|b| cost < b.1) {
            best = Some((parts.to_vec(), cost, change));
        }
    });
    let (parts, _, change) = best?;
    let expected_waves = response.after(&turns_of(&parts)).norm();
    Some((
        Adjustment {
            parts,
            purpose: Purpose::Correct,
            expected_waves,
        },
        -change,
    ))
}

fn change_of(parts: &[i32], g: &DVector<f64>, h: &DMatrix<f64>) -> f64 {
    let k = parts.len();
    let t = |i: usize| f64::from(parts[i]) / f64::from(PARTS);
    let mut change = 0.0;
    for i in 0..k {
        change += 2.0 * g[i] * t(i);
        for j in 0..k {
            change += t(i) * h[(i, j)] * t(j);
        }
    }
    change
}

/// Every go that the screws allow: one screw, two, and of three all.
fn each_go(screws: &[Screw], part: i32, tally: &Tally, of: &mut impl FnMut(&[i32])) {
    let k = screws.len();
    let steps = MOST_PARTS / part;
    let rules = Rules::of(screws, part, tally);
    let mut parts = vec![0; k];
    for i in 0..k {
        for a in (-steps..=steps).filter(|a| *a != 0) {
            parts.fill(0);
            parts[i] = a * part;
            if rules.allow(&parts) {
                of(&parts);
            }
            for j in (i + 1)..k {
                for b in (-steps..=steps).filter(|b| *b != 0) {
                    parts.fill(0);
                    (parts[i], parts[j]) = (a * part, b * part);
                    if rules.allow(&parts) {
                        of(&parts);
                    }
                    if k != 3 || j != i + 1 || i != 0 {
                        continue;
                    }
                    for c in (-steps..=steps).filter(|c| *c != 0) {
                        // Springs: the common part does nothing.
                        if a.signum() == b.signum() && b.signum() == c.signum() {
                            continue;
                        }
                        parts[2] = c * part;
                        if rules.allow(&parts) {
                            of(&parts);
                        }
                    }
                }
            }
        }
    }
}

/// What the screws allow.
struct Rules<'a> {
    tally: &'a Tally,
    keep: bool,
    give: i32,
    net: i32,
    tight: bool,
    loose: bool,
}

impl<'a> Rules<'a> {
    fn of(screws: &[Screw], part: i32, tally: &'a Tally) -> Self {
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
            give: give(part),
            net: tally.turned.iter().sum(),
            tight: some(Tension::Tight),
            loose: some(Tension::Loose),
        }
    }

    fn allow(&self, parts: &[i32]) -> bool {
        let sum: i32 = parts.iter().sum();
        let after = (self.net + sum).abs();
        let even =
            sum == 0 || (sum.abs() <= self.give && (after <= MOST_GIVE || after < self.net.abs()));
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

/// A go that shows which way the screws work: large enough to be seen through the
/// error of a look, on the screw and in the direction that promise most (or
/// cost least).
pub(super) fn to_learn(response: &Response, screws: &[Screw], tally: &Tally) -> Adjustment {
    let k = screws.len();
    let per_turn = response.per_turn();
    let look = tally.sigmas.last().copied().unwrap_or(0.0);
    let seen = (2.5 * look).max(0.2);
    let (g, h) = response.expected_change();
    let mut best: Option<(Vec<i32>, f64)> = None;
    for (screw, per_turn) in per_turn.iter().enumerate() {
        let wanted = seen * f64::from(PARTS) / per_turn.max(1e-6);
        let size = ((wanted / 4.0).round() as i32 * 4).clamp(4, MOST_PARTS);
        for size in [size, -size] {
            let parts = against_the_others(screw, size, screws, tally);
            let change = change_of(&parts, &g, &h);
            if parts.iter().any(|p| *p != 0) && best.as_ref().is_none_or(|b| change < b.1) {
                best = Some((parts, change));
            }
        }
    }
    let parts = best.map_or_else(|| vec![0; k], |(parts, _)| parts);
    Adjustment {
        expected_waves: response.after(&turns_of(&parts)).norm(),
        parts,
        purpose: Purpose::Learn,
    }
}

/// One screw by `size`, the others giving way where the tension is to be kept.
fn against_the_others(screw: usize, size: i32, screws: &[Screw], tally: &Tally) -> Vec<i32> {
    let k = screws.len();
    let mut parts = vec![0; k];
    parts[screw] = size;
    if screws.iter().any(|s| s.mechanism == Mechanism::Pivot) && k == 3 {
        for (i, p) in parts.iter_mut().enumerate() {
            if i != screw {
                *p = -size / 2;
            }
        }
    } else if keeps_tension(screws) && k > 1 {
        parts[(screw + 1) % k] = -size;
    }
    for (i, p) in parts.iter_mut().enumerate() {
        match tally.tension.get(i) {
            Some(Tension::Tight) => *p = (*p).min(0),
            Some(Tension::Loose) => *p = (*p).max(0),
            _ => {}
        }
    }
    parts
}
