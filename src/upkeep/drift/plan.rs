//! What to take in hand on a work night, and in which order things press.

use serde::Serialize;

/// What the next loan needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Need {
    /// Moon and planets, high power.
    Planets,
    /// Anything.
    Anything,
    /// Wide fields, low power.
    WideField,
    /// Nobody waits.
    Nobody,
}

impl Need {
    /// How much a fault in alignment costs the next borrower, beside a loan for
    /// anything. Common practice, no source: coma that spoils a planet at 150x
    /// hides at 30x.
    pub fn weight(self) -> f64 {
        match self {
            Self::Planets => 1.5,
            Self::Anything => 1.0,
            Self::Nobody => 0.8,
            Self::WideField => 0.5,
        }
    }

    /// In words, after "The next loan".
    pub fn words(self) -> &'static str {
        match self {
            Self::Planets => "is for the Moon and planets, which asks most",
            Self::Anything => "is for anything",
            Self::WideField => "is for wide fields, which forgives most",
            Self::Nobody => "is not asked for yet",
        }
    }
}

/// After this many days of somebody waiting for it an instrument presses twice as
/// hard; it does not grow further.
pub const WAIT_DOUBLES_DAYS: f64 = 60.0;
/// After this many days of being due by itself it presses half as hard again.
pub const DUE_DAYS: f64 = 180.0;

/// How long things have waited, days.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Waited {
    /// The first in line for it.
    pub person_days: f64,
    /// The instrument itself, since it became due.
    pub due_days: f64,
}

impl Waited {
    /// What that counts, from 1.
    pub fn weight(self) -> f64 {
        let share = |days: f64, full: f64| (days / full).clamp(0.0, 1.0);
        1.0 + share(self.person_days, WAIT_DOUBLES_DAYS) + 0.5 * share(self.due_days, DUE_DAYS)
    }
}

/// How much an instrument presses: chance of trouble, times need, times wait.
pub fn press(chance_of_trouble: f64, need: Need, waited: Waited) -> f64 {
    chance_of_trouble * need.weight() * waited.weight()
}

/// One instrument that could be taken in hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Job {
    /// What taking it in hand lowers the fleet's expected loss by.
    pub gain: f64,
    /// How long one pair of hands is busy with it, minutes.
    pub minutes: f64,
}

/// What a night is made of: whose hands take what, by the number of the job.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    /// For each pair of hands, its jobs in the order to take them.
    pub hands: Vec<Vec<usize>>,
    /// What all of it lowers the expected loss by.
    pub gain: f64,
}

/// Times are rounded up to this, minutes.
const TICK_MIN: f64 = 5.0;

/// The set of jobs with the greatest gain that so many pairs of hands can do in
/// so many hours. One job needs one pair of hands and is not split.
///
/// The set is the best for all hands' time taken together (0-1 knapsack by
/// dynamic programming, R. Bellman 1957); should its jobs not divide among the
/// hands, the longest first, the time is cut by one tick until they do.
pub fn plan(jobs: &[Job], hours: f64, hands: usize) -> Plan {
    let ticks = |minutes: f64| (minutes / TICK_MIN).ceil().max(1.0) as usize;
    let night = ((hours.clamp(0.0, 24.0) * 60.0) / TICK_MIN).floor() as usize;
    let hands = hands.clamp(1, 100).min(jobs.len().max(1));
    let open: Vec<(usize, usize, f64)> = jobs
        .iter()
        .enumerate()
        .filter(|(_, j)| j.gain > 0.0 && j.minutes.is_finite())
        .map(|(n, j)| (n, ticks(j.minutes), j.gain))
        .filter(|(_, t, _)| *t <= night)
        .collect();
    let most = night * hands;
    // best[t]: the greatest gain in t ticks; taken[j][t]: whether job j is in it.
    let mut best = vec![0.0; most + 1];
    let mut taken = vec![vec![false; most + 1]; open.len()];
    for (row, (_, time, gain)) in taken.iter_mut().zip(&open) {
        for t in (*time..=most).rev() {
            let with = best[t - time] + gain;
            if with > best[t] {
                best[t] = with;
                row[t] = true;
            }
        }
    }
    for room in (0..=most).rev() {
        let mut chosen = Vec::new();
        let mut t = room;
        for (j, row) in taken.iter().enumerate().rev() {
            if row[t] {
                chosen.push(open[j]);
                t -= open[j].1;
            }
        }
        if let Some(split) = divide(&mut chosen, night, hands) {
            return Plan {
                gain: chosen.iter().map(|c| c.2).sum(),
                hands: in_order(split, jobs),
            };
        }
    }
    Plan::default()
}

/// Longest first, each to the hands with the most time left.
fn divide(
    chosen: &mut [(usize, usize, f64)],
    night: usize,
    hands: usize,
) -> Option<Vec<Vec<usize>>> {
    chosen.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let mut left = vec![night; hands];
    let mut split = vec![Vec::new(); hands];
    for (job, time, _) in chosen.iter() {
        let (hand, room) = left
            .iter()
            .copied()
            .enumerate()
            .max_by_key(|(h, r)| (*r, usize::MAX - h))?;
        if room < *time {
            return None;
        }
        left[hand] -= time;
        split[hand].push(*job);
    }
    Some(split)
}

/// What gains most in its time comes first, lest the night end early.
fn in_order(mut split: Vec<Vec<usize>>, jobs: &[Job]) -> Vec<Vec<usize>> {
    let pace = |j: &usize| jobs[*j].gain / jobs[*j].minutes.max(1.0);
    for hand in &mut split {
        hand.sort_by(|a, b| pace(b).total_cmp(&pace(a)).then(a.cmp(b)));
    }
    split.retain(|hand| !hand.is_empty());
    split
}
