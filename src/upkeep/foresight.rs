//! What the drift model says of the club's own shelf: learned once, kept in
//! mind, and brought up to date pool by pool as entries come in.
//!
//! Set limits are never touched here: what is due by them stays due.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, PoisonError};

use super::drift::chain::Chain;
use super::drift::fit::{Learned, learn};
use super::drift::from_history::{chain_of, day_of};
use super::drift::outlook::{Asked, Outlook, outlook};
use super::drift::plan::Need;
use super::limits::{self, Limits};
use super::record::{self, Record};
use super::rules::DueCode;
use super::shelf::{Fleet, Member};
use crate::library::waits::WantsItFor;
use crate::library::{InstrumentId, Moment};

/// Keeps in mind what was learned, so that a new entry costs no more than its
/// own design's pool. Cheap to clone; clones share the memory. Nothing is stored:
/// a fresh one learns it all from the logbooks again.
#[derive(Debug, Clone, Default)]
pub struct Foreseer(Arc<Mutex<Memory>>);

#[derive(Debug, Default)]
struct Memory {
    learned: Option<Learned>,
    /// Fingerprint of each pool's chains at its last lesson.
    keys: HashMap<usize, u64>,
    /// Lessons of single pools since the whole was learned.
    lessons: usize,
    record: Option<Arc<Record>>,
}

/// After so many lessons of single pools what the pools share is worked out anew.
const LESSONS_BETWEEN: usize = 40;

impl Foreseer {
    /// What these chains teach.
    fn learned(&self, chains: &[Chain]) -> Learned {
        let mut keys: HashMap<usize, u64> = HashMap::new();
        for chain in chains {
            let key = keys.entry(chain.pool).or_default();
            *key = key.rotate_left(7) ^ chain.fingerprint();
        }
        // A panic while learning leaves the memory as it was.
        let mut memory = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let pools: HashSet<usize> = keys.keys().chain(memory.keys.keys()).copied().collect();
        let changed: Vec<usize> = pools
            .into_iter()
            .filter(|p| keys.get(p) != memory.keys.get(p))
            .collect();
        let lessons = memory.lessons + changed.len();
        let known = memory
            .learned
            .take()
            .filter(|_| lessons <= LESSONS_BETWEEN && changed.len() < keys.len().max(2));
        let learned = match known {
            Some(mut learned) => {
                for pool in changed {
                    learned.relearn(chains, pool);
                }
                memory.lessons = lessons;
                learned
            }
            None => {
                memory.lessons = 0;
                learn(chains)
            }
        };
        memory.keys = keys;
        memory.learned = Some(learned.clone());
        learned
    }

    /// How well the model would have foretold the past: the record kept in mind,
    /// unless limits changed or enough new looks came in since.
    fn record(&self, entered: &[Entered], afresh: bool) -> Arc<Record> {
        let key = record::key_of(entered);
        let kept = {
            let memory = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            memory.record.clone()
        };
        if let Some(kept) = kept
            && (kept.key == key || (!afresh && kept.serves(&key)))
        {
            return kept;
        }
        let record = Arc::new(Record::of(entered, key));
        let mut memory = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        memory.record = Some(record.clone());
        record
    }
}

/// One instrument as the model and the plain rules both see it.
#[derive(Debug, Clone)]
pub struct Entered {
    /// Which.
    pub id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its chain.
    pub chain: Chain,
    /// Its logbook.
    pub history: super::history::History,
    /// Limits in force.
    pub limits: Limits,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
}

/// What is foreseen for a fleet.
#[derive(Debug, Clone)]
pub struct Foresight {
    /// What was learned.
    pub learned: Learned,
    /// Of each instrument that takes a star test.
    pub outlooks: HashMap<InstrumentId, Outlook>,
    /// How well it would have foretold the club's own past.
    pub record: Arc<Record>,
    /// Today, in the days of the chains.
    pub today: f64,
}

impl Foresight {
    /// Works it out, away from the threads that answer requests. `coming` is a
    /// later moment to look ahead to.
    ///
    /// # Errors
    /// Only when the runtime is shutting down.
    pub async fn of(
        foreseer: &Foreseer,
        fleet: &Fleet,
        coming: Option<Moment>,
        afresh: bool,
    ) -> Result<Self, crate::library::Error> {
        let entered = entered(fleet);
        let foreseer = foreseer.clone();
        // The hour just begun counts whole: what came in within it is known, and two
        // lists made a moment apart agree.
        let today = (day_of(fleet.now()) * 24.0).ceil() / 24.0;
        let coming = coming.map(day_of);
        tokio::task::spawn_blocking(move || {
            let chains: Vec<Chain> = entered.iter().map(|e| e.chain.clone()).collect();
            let learned = foreseer.learned(&chains);
            let outlooks = entered
                .iter()
                .map(|e| {
                    let asked = Asked {
                        limit_waves: e.limits.coma_bench.value,
                        aperture_mm: e.aperture_mm,
                        today,
                        coming,
                    };
                    (e.id, outlook(&e.chain, &learned, &asked))
                })
                .collect();
            let record = foreseer.record(&entered, afresh);
            Self {
                learned,
                outlooks,
                record,
                today,
            }
        })
        .await
        .map_err(|_| crate::library::Error::Refused("The tool is shutting down.".to_owned()))
    }

    /// Whether lists may go by the chances: they foretold the club's own past
    /// better than the plain rules did.
    pub fn is_trusted(&self) -> bool {
        self.record.verdict.is_some_and(|v| v.trusted)
    }
}

fn entered(fleet: &Fleet) -> Vec<Entered> {
    fleet
        .members
        .iter()
        .filter_map(|m| {
            Some(Entered {
                id: m.instrument.id,
                tag: m.instrument.tag.clone(),
                chain: chain_of(&m.history)?,
                history: m.history.clone(),
                limits: limits::in_force(m.instrument.design, m.instrument.id, &fleet.sets),
                aperture_mm: m.instrument.aperture_mm,
            })
        })
        .collect()
}

/// What the next loan of a member needs, and for how many days it has been
/// waited for.
pub fn next_loan(member: &Member, now: Moment) -> (Need, f64) {
    member
        .next_loan
        .map_or((Need::Nobody, 0.0), |(wants, since)| {
            let need = match wants {
                WantsItFor::Planets => Need::Planets,
                WantsItFor::WideField => Need::WideField,
                WantsItFor::Anything => Need::Anything,
            };
            (need, (day_of(now) - day_of(since)).max(0.0))
        })
}

/// Chance of trouble that a reason carries which says nothing of coma: common
/// practice, no source.
pub fn trouble_of(code: DueCode) -> f64 {
    match code {
        DueCode::Finding | DueCode::Knock => 0.9,
        DueCode::Ahead => 0.2,
        _ => 0.0,
    }
}

/// Chance that something is wrong: out of line, or what the other reasons say.
/// `chance_out` is none for what takes no star test; then its reasons stand for
/// one chance in three.
pub fn chance_of_trouble(chance_out: Option<f64>, codes: impl Iterator<Item = DueCode>) -> f64 {
    let other = codes.map(trouble_of).fold(0.0, f64::max);
    let out = chance_out.unwrap_or(1.0 / 3.0);
    1.0 - (1.0 - out) * (1.0 - other)
}
