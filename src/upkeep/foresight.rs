//! What the drift model says of the club's own shelf: learned once, kept in
//! mind, and brought up to date pool by pool as entries come in.
//!
//! Set limits are never touched here: what is due by them stays due.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Semaphore;

use super::drift::chain::{Chain, Fresh};
use super::drift::fit::{Learned, learn};
use super::drift::from_history::day_of;
use super::drift::outlook::{Asked, Outlook, outlook};
use super::drift::params::fresh_index;
use super::drift::plan::Need;
use super::limits::{self, Limits};
use super::recall::{Known, Marked, Recall};
use super::record::{self, Record};
use super::rules::DueCode;
use super::shelf::{Fleet, Member};
use crate::library::waits::WantsItFor;
use crate::library::{InstrumentId, Moment};

/// Keeps in mind what was learned, so that a new entry costs no more than its
/// own design's pool. Cheap to clone; clones share the memory. Nothing is stored:
/// a fresh one learns it all from the logbooks again.
#[derive(Debug, Clone, Default)]
pub struct Foreseer {
    /// The logbooks.
    pub recall: Recall,
    memory: Arc<Mutex<Memory>>,
    turns: Turns,
}

/// One fleet is worked out at a time, and one record: a second asker waits, or is
/// told what was last worked out.
#[derive(Debug, Clone)]
struct Turns {
    fleet: Arc<Semaphore>,
    record: Arc<Semaphore>,
}

impl Default for Turns {
    fn default() -> Self {
        Self {
            fleet: Arc::new(Semaphore::new(1)),
            record: Arc::new(Semaphore::new(1)),
        }
    }
}

#[derive(Debug, Default)]
struct Memory {
    learned: Option<Arc<Learned>>,
    /// Outlooks of each instrument with what each rests on, the latest last.
    outlooks: HashMap<InstrumentId, Vec<(u64, Arc<Outlook>)>>,
    /// Fingerprint of each pool's chains at its last lesson.
    keys: HashMap<usize, u64>,
    /// Lessons of single pools since the whole was learned.
    lessons: usize,
    /// Looks that the whole was learned from.
    looks: usize,
    record: Option<Arc<Record>>,
    /// How long the record took to make.
    record_took: Duration,
    /// What was worked out last, for each day looked ahead to; the latest last.
    told: Vec<Told>,
}

/// What was worked out, and when.
#[derive(Debug, Clone)]
struct Told {
    /// Everything it rests on, as a number.
    key: u64,
    coming: Option<u64>,
    today: u64,
    at: Instant,
    foresight: Foresight,
}

/// So many days looked ahead to are kept at a time.
const MOST_TOLD: usize = 4;
/// While a fleet is being worked out anew, others are told what was worked out
/// last, if that is no older than this.
const OLDEST: Duration = Duration::from_secs(60);
/// A record that takes longer than this to make is made in the background; until
/// it is there the last one is shown, and said to be behind.
const LONG_RECORD: Duration = Duration::from_secs(1);

/// So many outlooks of one instrument are remembered: of today alone, and of the
/// days that people look ahead to.
const MOST_OUTLOOKS: usize = 4;
/// After so many lessons of single pools what the pools share is worked out anew;
const LESSONS_BETWEEN: usize = 40;
/// whenever the looks have become more, or fewer, by one in so many;
const LOOKS_BETWEEN: usize = 20;
/// and always while the whole club has no more looks than this: there each one
/// counts, and learning the whole costs next to nothing.
const FEW_LOOKS: usize = 400;

impl Foreseer {
    /// What these chains teach.
    fn learned(&self, entered: &[Entered]) -> Arc<Learned> {
        let mut keys: HashMap<usize, u64> = HashMap::new();
        for e in entered {
            let key = keys.entry(e.chain().pool).or_default();
            *key = key.rotate_left(7) ^ e.fingerprint();
        }
        // A panic while learning leaves the memory as it was.
        let mut memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        let pools: HashSet<usize> = keys.keys().chain(memory.keys.keys()).copied().collect();
        let changed: Vec<usize> = pools
            .into_iter()
            .filter(|p| keys.get(p) != memory.keys.get(p))
            .collect();
        if changed.is_empty()
            && let Some(learned) = &memory.learned
        {
            return learned.clone();
        }
        let chains: Vec<&Chain> = entered.iter().map(Entered::chain).collect();
        let lessons = memory.lessons + changed.len();
        let looks = chains.iter().map(|c| c.looks()).sum::<usize>();
        let few_came =
            looks > FEW_LOOKS && looks.abs_diff(memory.looks) * LOOKS_BETWEEN <= memory.looks;
        let known = memory.learned.take().filter(|_| {
            few_came && lessons <= LESSONS_BETWEEN && changed.len() < keys.len().max(2)
        });
        let learned = match known {
            Some(learned) => {
                let mut learned = Arc::unwrap_or_clone(learned);
                for pool in changed {
                    learned.relearn(&chains, pool);
                }
                memory.lessons = lessons;
                learned
            }
            None => {
                (memory.lessons, memory.looks) = (0, looks);
                learn(&chains)
            }
        };
        let learned = Arc::new(learned);
        memory.keys = keys;
        memory.learned = Some(learned.clone());
        learned
    }

    /// The outlook of each; those that nothing changed for are remembered.
    fn outlooks(
        &self,
        entered: &[Entered],
        learned: &Learned,
        today: f64,
        coming: Option<f64>,
    ) -> HashMap<InstrumentId, Arc<Outlook>> {
        let keyed: Vec<(&Entered, Asked, u64)> = entered
            .iter()
            .map(|e| {
                let asked = Asked {
                    limit_waves: e.limits.coma_bench.value,
                    aperture_mm: e.aperture_mm,
                    today,
                    coming,
                };
                (e, asked, rests_on(e, learned, &asked))
            })
            .collect();
        let mut told = HashMap::new();
        {
            let memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
            for (e, _, key) in &keyed {
                let kept = memory.outlooks.get(&e.id).into_iter().flatten();
                if let Some((_, outlook)) = kept.into_iter().find(|k| k.0 == *key) {
                    told.insert(e.id, outlook.clone());
                }
            }
        }
        let fresh: Vec<(InstrumentId, u64, Arc<Outlook>)> = keyed
            .iter()
            .filter(|(e, _, _)| !told.contains_key(&e.id))
            .map(|(e, asked, key)| (e.id, *key, Arc::new(outlook(e.chain(), learned, asked))))
            .collect();
        let mut memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        for (id, key, outlook) in fresh {
            let kept = memory.outlooks.entry(id).or_default();
            if kept.len() >= MOST_OUTLOOKS {
                kept.remove(0);
            }
            kept.push((key, outlook.clone()));
            told.insert(id, outlook);
        }
        told
    }

    /// How well the model would have foretold the past: the record kept in mind,
    /// unless limits changed or enough new looks came in since; and whether it is
    /// behind what is known now.
    fn record(&self, entered: &[Entered], afresh: bool) -> (Arc<Record>, bool) {
        let key = record::key_of(entered);
        let (kept, took) = {
            let memory = self.memory();
            (memory.record.clone(), memory.record_took)
        };
        if let Some(kept) = kept {
            if kept.key == key || (!afresh && kept.serves(&key)) {
                return (kept, false);
            }
            if took > LONG_RECORD {
                if let Ok(turn) = self.turns.record.clone().try_acquire_owned() {
                    let (foreseer, entered) = (self.clone(), entered.to_vec());
                    std::thread::spawn(move || {
                        foreseer.make_record(&entered, key);
                        drop(turn);
                    });
                }
                return (kept, true);
            }
        }
        (self.make_record(entered, key), false)
    }

    fn make_record(&self, entered: &[Entered], key: record::Key) -> Arc<Record> {
        let begun = Instant::now();
        let record = Arc::new(Record::of(entered, key));
        let mut memory = self.memory();
        memory.record_took = begun.elapsed();
        memory.record = Some(record.clone());
        record
    }

    fn memory(&self) -> MutexGuard<'_, Memory> {
        // Everything in it is replaced whole: after a panic elsewhere it serves.
        self.memory.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What was worked out from the very same.
    fn told(&self, key: u64) -> Option<Foresight> {
        let memory = self.memory();
        let told = memory.told.iter().find(|t| t.key == key)?;
        Some(told.foresight.clone())
    }

    /// What was worked out for the same days a short while ago.
    fn told_lately(&self, today: f64, coming: Option<f64>) -> Option<Foresight> {
        let memory = self.memory();
        let told = memory.told.iter().rev().find(|t| {
            t.today == today.to_bits()
                && t.coming == coming.map(f64::to_bits)
                && t.at.elapsed() < OLDEST
        })?;
        Some(told.foresight.clone())
    }

    fn keep(&self, told: Told) {
        let mut memory = self.memory();
        memory.told.retain(|t| t.coming != told.coming);
        if memory.told.len() >= MOST_TOLD {
            memory.told.remove(0);
        }
        memory.told.push(told);
    }
}

/// One instrument as the model and the plain rules both see it.
#[derive(Debug, Clone)]
pub struct Entered {
    /// Which.
    pub id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its logbook.
    pub known: Arc<Known>,
    marked: Arc<Marked>,
    /// Limits in force.
    pub limits: Limits,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
}

impl Entered {
    /// Its chain.
    pub fn chain(&self) -> &Chain {
        &self.marked.chain
    }

    /// The fingerprint of its chain.
    pub fn fingerprint(&self) -> u64 {
        self.marked.fingerprint
    }
}

/// Everything that an outlook rests on, as a number that differs, as good as
/// surely, when any of it does.
fn rests_on(entered: &Entered, learned: &Learned, asked: &Asked) -> u64 {
    use std::hash::{DefaultHasher, Hash, Hasher};
    let chain = entered.chain();
    let mut hasher = DefaultHasher::new();
    entered.fingerprint().hash(&mut hasher);
    let params = learned.params_apart(chain.pool, chain.share, entered.fingerprint());
    let own = [
        learned.beliefs.between_instruments,
        asked.limit_waves,
        asked.aperture_mm,
        asked.today,
    ];
    let start = fresh_index(Fresh::Start);
    learned.known_from(chain.pool).hash(&mut hasher);
    learned.sigma(chain.pool, start).to_bits().hash(&mut hasher);
    for number in params.0.iter().chain(&own).chain(asked.coming.iter()) {
        number.to_bits().hash(&mut hasher);
    }
    hasher.finish()
}

/// What is foreseen for a fleet.
#[derive(Debug, Clone)]
pub struct Foresight {
    /// What was learned.
    pub learned: Arc<Learned>,
    /// Of each instrument that takes a star test.
    pub outlooks: Arc<HashMap<InstrumentId, Arc<Outlook>>>,
    /// How well it would have foretold the club's own past.
    pub record: Arc<Record>,
    /// Whether that record is being made anew and this one is behind.
    pub record_is_behind: bool,
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
        // The day counts whole: what came in within it is known, and two lists of one
        // day agree.
        let today = day_of(fleet.now()).floor() + 1.0;
        let coming = coming.map(day_of);
        let key = key_of(&entered, today, coming);
        let shutting_down =
            || crate::library::Error::Refused("The tool is shutting down.".to_owned());
        if let Some(told) = foreseer.told(key).filter(|_| !afresh) {
            return Ok(told);
        }
        let turn = match foreseer.turns.fleet.clone().try_acquire_owned() {
            Ok(turn) => turn,
            Err(_) => {
                if let Some(told) = foreseer.told_lately(today, coming) {
                    return Ok(told);
                }
                let turn = foreseer.turns.fleet.clone().acquire_owned().await;
                turn.map_err(|_| shutting_down())?
            }
        };
        tokio::task::spawn_blocking(move || {
            // It may have been worked out while this waited for its turn.
            let foresight = match foreseer.told(key) {
                Some(mut told) => {
                    (told.record, told.record_is_behind) = foreseer.record(&entered, afresh);
                    told
                }
                None => {
                    let learned = foreseer.learned(&entered);
                    let outlooks = foreseer.outlooks(&entered, &learned, today, coming);
                    let (record, record_is_behind) = foreseer.record(&entered, afresh);
                    Self {
                        learned,
                        outlooks: Arc::new(outlooks),
                        record,
                        record_is_behind,
                        today,
                    }
                }
            };
            foreseer.keep(Told {
                key,
                coming: coming.map(f64::to_bits),
                today: today.to_bits(),
                at: Instant::now(),
                foresight: foresight.clone(),
            });
            drop(turn);
            foresight
        })
        .await
        .map_err(|_| shutting_down())
    }

    /// Whether lists may go by the chances: they foretold the club's own past
    /// better than the plain rules did.
    pub fn is_trusted(&self) -> bool {
        self.record.verdict.is_some_and(|v| v.trusted)
    }
}

/// Everything that what is foreseen of a fleet rests on, as a number that
/// differs, as good as surely, when any of it does.
fn key_of(entered: &[Entered], today: f64, coming: Option<f64>) -> u64 {
    use std::hash::{DefaultHasher, Hash, Hasher};
    let mut hasher = DefaultHasher::new();
    record::key_of(entered).hash(&mut hasher);
    today.to_bits().hash(&mut hasher);
    coming.map(f64::to_bits).hash(&mut hasher);
    for e in entered {
        e.id.hash(&mut hasher);
        e.fingerprint().hash(&mut hasher);
        e.aperture_mm.to_bits().hash(&mut hasher);
    }
    hasher.finish()
}

fn entered(fleet: &Fleet) -> Vec<Entered> {
    fleet
        .members
        .iter()
        .filter_map(|m| {
            Some(Entered {
                id: m.instrument.id,
                tag: m.instrument.tag.clone(),
                marked: m.known.chain()?,
                known: m.known.clone(),
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
