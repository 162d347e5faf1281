//! What the logbooks say, kept in mind between visits.
//!
//! A logbook is read and put in order once, and again when its mark says that a
//! row was written which it rests on (see `library::marks`); a visit reads the
//! marks, not the logbooks. What follows from a logbook alone is kept beside it;
//! what depends on the day or on limits is worked out from that at each visit, or
//! kept with the values it was worked out for. So nothing here can be stale: what
//! is kept is used only while everything it rests on is the same.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use chrono::Duration;

use super::drift::chain::Chain;
use super::drift::from_history::chain_of;
use super::history::History;
use super::limits::Limits;
use super::rules::Gathered;
use library::instruments::Design;
use library::{InstrumentId, Moment};

/// Logbooks kept in mind. Cheap to clone; clones share the memory. A fresh one
/// reads them all again.
#[derive(Debug, Clone, Default)]
pub struct Recall(Arc<Mutex<HashMap<InstrumentId, Kept>>>);

#[derive(Debug)]
struct Kept {
    mark: i64,
    known: Arc<Known>,
}

impl Recall {
    /// The logbook under this mark, if it is kept and reads the same now.
    pub fn get(
        &self,
        instrument: InstrumentId,
        design: Design,
        mark: i64,
        now: Moment,
    ) -> Option<Arc<Known>> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let one = kept.get(&instrument)?;
        let serves = one.mark == mark && one.known.history.design == design;
        (serves && one.known.reads_the_same(now)).then(|| one.known.clone())
    }

    /// Keeps a logbook in mind.
    pub fn keep(&self, instrument: InstrumentId, mark: i64, known: &Arc<Known>) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let known = known.clone();
        kept.insert(instrument, Kept { mark, known });
    }
}

/// One logbook in order, with what follows from it.
#[derive(Debug)]
pub struct Known {
    /// The logbook.
    pub history: History,
    /// The latest date in it.
    latest: Option<Moment>,
    chain: OnceLock<Option<Arc<Marked>>>,
    gathered: Mutex<Vec<([u64; 2], Arc<Gathered>)>>,
}

/// A chain with its fingerprint.
#[derive(Debug)]
pub struct Marked {
    /// The chain.
    pub chain: Chain,
    /// Its fingerprint.
    pub fingerprint: u64,
}

/// So many sets of coma limits are kept at a time: those in force, and those that
/// somebody thinks of.
const MOST_LIMITS: usize = 3;

impl Known {
    /// Of a logbook in order.
    pub fn new(history: History) -> Self {
        let dates = [
            history.moves.last().map(|d| d.at.moment),
            history.tests.last().map(|d| d.at.moment),
            history.works.last().map(|d| d.at.moment),
            history.problems.last().map(|d| d.at.moment),
        ];
        Self {
            latest: dates.into_iter().flatten().max(),
            history,
            chain: OnceLock::new(),
            gathered: Mutex::default(),
        }
    }

    /// Whether the same entries would be set aside as lying ahead.
    fn reads_the_same(&self, now: Moment) -> bool {
        let horizon = now + Duration::days(1);
        self.history.ahead.is_empty() && self.latest.is_none_or(|l| l <= horizon)
    }

    /// Its chain; none for what takes no star test.
    pub fn chain(&self) -> Option<Arc<Marked>> {
        let make = || {
            let chain = chain_of(&self.history)?;
            let fingerprint = chain.fingerprint();
            Some(Arc::new(Marked { chain, fingerprint }))
        };
        self.chain.get_or_init(make).clone()
    }

    /// What the rules need of it under these limits.
    pub fn gathered(&self, limits: &Limits) -> Arc<Gathered> {
        let key = [&limits.coma_note, &limits.coma_bench].map(|l| l.value.to_bits());
        let mut kept = self.gathered.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, gathered)) = kept.iter().find(|k| k.0 == key) {
            return gathered.clone();
        }
        let gathered = Arc::new(Gathered::of(&self.history, limits));
        if kept.len() >= MOST_LIMITS {
            kept.remove(0);
        }
        kept.push((key, gathered.clone()));
        gathered
    }
}
