//! How well the due list foretold the club's own past, and which limits keep
//! the bench busy for nothing.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::Serialize;

use super::assess;
use super::assessment::DueCode;
use super::drift::back_test::{Class, Said, Verdict, back_test, calibration, verdict, watched};
use super::drift::chain::Chain;
use super::limits::Limits;
use super::shelf::Book;
use library::instruments::Design;
use library::limits::LimitWhat;

/// One instrument that takes a star test, as the model and the plain rules see it.
#[derive(Debug, Clone)]
pub struct Entered {
    /// Its tag.
    pub tag: String,
    /// Its logbook.
    pub book: Arc<Book>,
    /// Limits in force.
    pub limits: Limits,
}

/// The record.
#[derive(Debug, Clone)]
pub struct Record {
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

impl Record {
    /// Makes it.
    pub fn of(entered: &[Entered], chains: &[&Chain], zone: Tz) -> Self {
        let limits: Vec<f64> = entered.iter().map(|e| e.limits.coma_bench.value).collect();
        let said = back_test(chains, &limits);
        let plain: Vec<Vec<DueCode>> = said
            .iter()
            .map(|s| plain_codes(&entered[s.chain], s.day - 1.0, zone))
            .collect();
        let due: Vec<bool> = plain.iter().map(|codes| !codes.is_empty()).collect();
        let pairs: Vec<(f64, bool)> = said.iter().map(|s| (s.chance, s.over)).collect();
        let mut by_limit: HashMap<(Design, LimitWhat), (usize, usize)> = HashMap::new();
        for (s, codes) in said.iter().zip(&plain) {
            if let [one] = codes.as_slice()
                && let Some(what) = limit_of(*one)
            {
                let design = entered[s.chain].book.history.design;
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
fn plain_codes(entered: &Entered, day: f64, zone: Tz) -> Vec<DueCode> {
    let Some(moment) = DateTime::<Utc>::from_timestamp((day * 86_400.0) as i64, 0) else {
        return Vec::new();
    };
    let past = entered.book.history.as_of(moment);
    assess(&past, &entered.limits, moment.with_timezone(&zone))
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
