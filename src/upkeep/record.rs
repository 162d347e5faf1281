//! How well the due list foretold the club's own past, and which limits keep
//! the bench busy for nothing.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use serde::Serialize;

use super::assess;
use super::drift::back_test::{Class, Said, Verdict, back_test, calibration, verdict, watched};
use super::drift::chain::Chain;
use super::foresight::Entered;
use super::rules::DueCode;
use library::instruments::Design;
use library::limits::LimitWhat;

/// What a record was made from: looks in all, and a fingerprint of limits and
/// logbooks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Key {
    looks: usize,
    limits: u64,
    logbooks: u64,
}

/// The record.
#[derive(Debug, Clone)]
pub struct Record {
    /// What it was made from.
    pub key: Key,
    /// Past looks and what was said the day before.
    pub said: Vec<Said>,
    /// What the limits said of each, and whose look it was.
    pub plain: Vec<Plain>,
    /// The model against the plain rules; none without looks.
    pub verdict: Option<Verdict>,
    /// Chances and what came.
    pub calibration: Vec<Class>,
    /// Wear limits that alone asked for a look, and what it found.
    pub limits: Vec<LimitRecord>,
}

/// What the plain rules said of one past look the day before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Plain {
    /// The instrument's tag.
    pub tag: String,
    /// Why it would have been due; empty when it was not.
    pub why: Vec<DueCode>,
    /// That as a chance, learned by watching the rules until then.
    pub chance: f64,
}

/// What came of the looks that one limit of one design asked for by itself.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LimitRecord {
    /// The design.
    pub design: Design,
    /// Which limit.
    pub what: LimitWhat,
    /// Looks made while this limit alone said due.
    pub looks: usize,
    /// How many of them found it over its coma limit.
    pub over: usize,
}

impl LimitRecord {
    /// Looks that hardly ever found anything: at least five, at most one in ten.
    pub fn is_for_nothing(&self) -> bool {
        self.looks >= 5 && self.over * 10 <= self.looks
    }
}

/// What a record of these would be made from.
pub fn key_of(entered: &[Entered]) -> Key {
    let mut limits = 0_u64;
    let mut logbooks = 0_u64;
    let mut looks = 0;
    for e in entered {
        for what in LimitWhat::ALL {
            limits = limits.rotate_left(5) ^ e.limits.of(*what).value.to_bits();
        }
        logbooks = logbooks.rotate_left(5) ^ e.fingerprint();
        looks += e.chain().looks();
    }
    Key {
        looks,
        limits,
        logbooks,
    }
}

impl Record {
    /// Whether it still serves after entries made since: the limits are the same
    /// and fewer looks came in than a twentieth, or five.
    pub fn serves(&self, now: &Key) -> bool {
        let more = now.looks.abs_diff(self.key.looks);
        now.limits == self.key.limits && more < 5.max(self.key.looks / 20)
    }

    /// The record before it was ever made: it vouches for nothing.
    pub fn not_yet() -> Self {
        Self {
            key: Key {
                looks: 0,
                limits: 0,
                logbooks: 0,
            },
            said: Vec::new(),
            plain: Vec::new(),
            verdict: None,
            calibration: Vec::new(),
            limits: Vec::new(),
        }
    }

    /// Makes it.
    pub fn of(entered: &[Entered], key: Key) -> Self {
        let chains: Vec<Chain> = entered.iter().map(|e| e.chain().clone()).collect();
        let limits: Vec<f64> = entered.iter().map(|e| e.limits.coma_bench.value).collect();
        let said = back_test(&chains, &limits);
        let plain: Vec<Vec<DueCode>> = said
            .iter()
            .map(|s| plain_codes(&entered[s.chain], s.day - 1.0))
            .collect();
        let due: Vec<bool> = plain.iter().map(|codes| !codes.is_empty()).collect();
        let pairs: Vec<(f64, bool)> = said.iter().map(|s| (s.chance, s.over)).collect();
        let mut by_limit: HashMap<(Design, LimitWhat), (usize, usize)> = HashMap::new();
        for (s, codes) in said.iter().zip(&plain) {
            if let [one] = codes.as_slice()
                && let Some(what) = limit_of(*one)
            {
                let design = entered[s.chain].known.history.design;
                let counts = by_limit.entry((design, what)).or_default();
                counts.0 += 1;
                counts.1 += usize::from(s.over);
            }
        }
        let mut limits: Vec<LimitRecord> = by_limit
            .into_iter()
            .map(|((design, what), (looks, over))| LimitRecord {
                design,
                what,
                looks,
                over,
            })
            .collect();
        limits.sort_by_key(|l| (l.design, l.what));
        let answers: Vec<(bool, bool)> =
            due.iter().copied().zip(pairs.iter().map(|p| p.1)).collect();
        let plain = said
            .iter()
            .zip(plain)
            .zip(watched(&answers))
            .map(|((s, why), chance)| Plain {
                tag: entered[s.chain].tag.clone(),
                why,
                chance,
            })
            .collect();
        Self {
            key,
            plain,
            verdict: verdict(&said, &due).filter(|v| v.looks > 0),
            calibration: if pairs.is_empty() {
                Vec::new()
            } else {
                calibration(&pairs, 8)
            },
            said,
            limits,
        }
    }
}

/// Why the plain rules would have called it due on a day.
fn plain_codes(entered: &Entered, day: f64) -> Vec<DueCode> {
    let Some(moment) = DateTime::<Utc>::from_timestamp((day * 86_400.0) as i64, 0) else {
        return Vec::new();
    };
    let past = entered.known.history.as_of(moment);
    assess(&past, &entered.limits, moment)
        .due
        .map_or_else(Vec::new, |due| due.reasons.iter().map(|r| r.code).collect())
}

fn limit_of(code: DueCode) -> Option<LimitWhat> {
    match code {
        DueCode::Journeys => Some(LimitWhat::Exposure),
        DueCode::Months => Some(LimitWhat::Months),
        DueCode::Loans => Some(LimitWhat::Loans),
        _ => None,
    }
}
