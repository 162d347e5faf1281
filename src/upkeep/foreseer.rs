//! What was learned of the club's shelf, kept in mind between visits and brought
//! up to date pool by pool as entries come in.
//!
//! What an instrument's own logbook says counts at once, always. What the fleet
//! teaches may lag behind by one lesson in a club so large that a lesson takes
//! long: it is then learned in the background, and visitors do not wait for it.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Semaphore;

use super::drift::chain::{Chain, Fresh};
use super::drift::fit::{Learnt, learn};
use super::drift::outlook::{Asked, Outlook, outlook};
use super::drift::params::fresh_index;
use super::foresight::Entered;
use super::recall::Recall;
use super::record::{self, Record};
use library::InstrumentId;

/// Keeps in mind what was learned, so that a new entry costs no more than its
/// own design's pool. Cheap to clone; clones share the memory. Nothing is stored:
/// a fresh one learns it all from the logbooks again.
#[derive(Debug, Clone)]
pub struct Foreseer {
    /// The logbooks.
    pub recall: Recall,
    memory: Arc<Mutex<Memory>>,
    /// One fleet is worked out at a time; a second asker waits for it.
    pub(super) turn: Arc<Semaphore>,
    /// One lesson is learned in the background at a time, and one record made.
    lessons: Arc<Semaphore>,
    records: Arc<Semaphore>,
    /// What takes longer than this is worked out in the background, and what was
    /// known before serves until it is there.
    patience: Duration,
}

impl Default for Foreseer {
    fn default() -> Self {
        Self::waiting(Duration::from_millis(250))
    }
}

impl Foreseer {
    /// One that never answers from before the newest entry, however long it takes.
    pub fn patient() -> Self {
        Self::waiting(Duration::MAX)
    }

    /// One that lets nobody wait longer than this for what can be learned in the
    /// background, going by how long it took the last time.
    pub fn waiting(patience: Duration) -> Self {
        Self {
            patience,
            recall: Recall::default(),
            memory: Arc::default(),
            turn: Arc::new(Semaphore::new(1)),
            lessons: Arc::new(Semaphore::new(1)),
            records: Arc::new(Semaphore::new(1)),
        }
    }
}

#[derive(Debug, Default)]
struct Memory {
    lesson: Option<Lesson>,
    /// Outlooks of each instrument with what each rests on, the latest last.
    outlooks: HashMap<InstrumentId, Vec<(u64, Arc<Outlook>)>>,
    record: Option<Arc<Record>>,
    /// How long the record took to make.
    record_took: Duration,
    /// What was worked out last of all, for each day looked ahead to; the latest
    /// last.
    told: Vec<Told>,
}

/// What the fleet taught.
#[derive(Debug, Clone)]
struct Lesson {
    learned: Arc<Learnt>,
    /// Fingerprint of each pool's chains.
    keys: HashMap<usize, u64>,
    /// Lessons of single pools since the whole was learned.
    singles: usize,
    /// Looks that the whole was learned from.
    looks: usize,
    /// How long the whole took, and one pool at most since.
    whole_took: Duration,
    pool_took: Duration,
}

/// What a lesson will have to learn.
struct Task {
    keys: HashMap<usize, u64>,
    /// The pools whose logbooks say something else than before.
    changed: Vec<usize>,
    looks: usize,
    /// Whether only those pools are learned anew.
    by_pool: bool,
}

/// Outlooks of each instrument that takes a star test.
pub type Outlooks = Arc<HashMap<InstrumentId, Arc<Outlook>>>;

/// The outlooks of a whole fleet.
#[derive(Debug)]
struct Told {
    /// Everything they rest on, as a number.
    key: u64,
    days: Days,
    learned: Arc<Learnt>,
    outlooks: Outlooks,
}

/// So many days looked ahead to are kept at a time.
const MOST_TOLD: usize = 4;
/// Whoever asks for the record or for a list, and no record is there yet, waits at
/// most so long for it: until then lists would stand in another order.
const FIRST_RECORD: Duration = Duration::from_secs(10);
/// So many outlooks of one instrument are remembered: for each of those days by the
/// lesson that counts, and by the one that is being learned.
const MOST_OUTLOOKS: usize = 2 * MOST_TOLD;
/// After so many lessons of single pools what the pools share is worked out anew;
const LESSONS_BETWEEN: usize = 40;
/// whenever the looks have become more, or fewer, by one in so many;
const LOOKS_BETWEEN: usize = 20;
/// and always while the whole club has no more looks than this: there each one
/// counts, and learning the whole costs next to nothing.
const FEW_LOOKS: usize = 400;

/// The day asked from and the day looked ahead to, in the days of the chains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Days {
    pub(super) today: f64,
    pub(super) coming: Option<f64>,
}

impl Task {
    fn of(entered: &[Entered], before: Option<&Lesson>) -> Self {
        let keys = keys_of(entered);
        let none = HashMap::new();
        let known = before.map_or(&none, |b| &b.keys);
        let pools: HashSet<usize> = keys.keys().chain(known.keys()).copied().collect();
        let changed: Vec<usize> = pools
            .into_iter()
            .filter(|p| keys.get(p) != known.get(p))
            .collect();
        let looks = entered.iter().map(|e| e.chain().looks()).sum::<usize>();
        let by_pool = before.is_some_and(|b| {
            looks > FEW_LOOKS
                && looks.abs_diff(b.looks) * LOOKS_BETWEEN <= b.looks
                && b.singles + changed.len() <= LESSONS_BETWEEN
                && changed.len() < keys.len().max(2)
        });
        Self {
            keys,
            changed,
            looks,
            by_pool,
        }
    }

    /// How long it will take, going by the last time.
    fn will_take(&self, before: &Lesson) -> Duration {
        if self.by_pool {
            let pools = u32::try_from(self.changed.len()).unwrap_or(u32::MAX);
            before.pool_took.saturating_mul(pools)
        } else {
            before.whole_took
        }
    }

    fn learn(self, entered: &[Entered], before: Option<&Lesson>) -> Lesson {
        let chains: Vec<&Chain> = entered.iter().map(Entered::chain).collect();
        let begun = Instant::now();
        if let Some(before) = before.filter(|_| self.by_pool) {
            let mut learned = (*before.learned).clone();
            for pool in &self.changed {
                learned.relearn(&chains, *pool);
            }
            let each = begun.elapsed() / u32::try_from(self.changed.len().max(1)).unwrap_or(1);
            return Lesson {
                learned: Arc::new(learned),
                keys: self.keys,
                singles: before.singles + self.changed.len(),
                looks: before.looks,
                whole_took: before.whole_took,
                pool_took: before.pool_took.max(each),
            };
        }
        let learned = Arc::new(learn(&chains));
        let whole_took = begun.elapsed();
        Lesson {
            learned,
            keys: self.keys,
            singles: 0,
            looks: self.looks,
            whole_took,
            // Of several rounds over all pools the largest is at most a third.
            pool_took: whole_took / 3,
        }
    }
}

/// A fingerprint of each pool's chains.
fn keys_of(entered: &[Entered]) -> HashMap<usize, u64> {
    let mut keys: HashMap<usize, u64> = HashMap::new();
    for e in entered {
        let key = keys.entry(e.chain().pool).or_default();
        *key = key.rotate_left(7) ^ e.fingerprint();
    }
    keys
}

impl Foreseer {
    /// What these chains teach; what was learned before where that takes long, and
    /// then the lesson is learned in the background.
    fn learned(&self, entered: &Arc<[Entered]>, days: Days) -> Arc<Learnt> {
        let before = self.memory().lesson.clone();
        let task = Task::of(entered, before.as_ref());
        let Some(before) = before else {
            return self.learn(task, entered, None);
        };
        if task.changed.is_empty() {
            return before.learned;
        }
        if task.will_take(&before) <= self.patience {
            return self.learn(task, entered, Some(&before));
        }
        let known = before.learned.clone();
        let (foreseer, entered) = (self.clone(), entered.clone());
        in_background(&self.lessons, move || {
            let lesson = task.learn(&entered, Some(&before));
            // What will be asked next is worked out before the lesson counts.
            for days in foreseer.asked_lately(days) {
                foreseer.outlooks(entered.iter(), &lesson.learned, days);
            }
            foreseer.memory().lesson = Some(lesson);
        });
        known
    }

    /// The days asked about now, and those looked ahead to lately.
    fn asked_lately(&self, now: Days) -> Vec<Days> {
        let mut asked = vec![now];
        asked.extend(
            self.memory()
                .told
                .iter()
                .filter(|t| t.days.coming != now.coming)
                .map(|t| Days {
                    coming: t.days.coming,
                    ..now
                }),
        );
        asked
    }

    fn learn(&self, task: Task, entered: &[Entered], before: Option<&Lesson>) -> Arc<Learnt> {
        let lesson = task.learn(entered, before);
        let learned = lesson.learned.clone();
        self.memory().lesson = Some(lesson);
        learned
    }

    /// What the fleet teaches and what follows from it, of all or of one.
    pub(super) fn work_out(
        &self,
        entered: &Arc<[Entered]>,
        key: u64,
        days: Days,
        only: Option<InstrumentId>,
    ) -> (Arc<Learnt>, Outlooks) {
        let learned = self.learned(entered, days);
        let asked = entered
            .iter()
            .filter(|e| only.is_none_or(|only| e.id == only));
        let outlooks = Arc::new(self.outlooks(asked, &learned, days));
        if only.is_none() {
            self.keep(key, days, &learned, &outlooks);
        }
        (learned, outlooks)
    }

    /// The outlook of each; those that nothing changed for are remembered.
    fn outlooks<'a>(
        &self,
        entered: impl Iterator<Item = &'a Entered>,
        learned: &Learnt,
        days: Days,
    ) -> HashMap<InstrumentId, Arc<Outlook>> {
        let keyed: Vec<(&Entered, Asked, u64)> = entered
            .map(|e| {
                let asked = Asked {
                    limit_waves: e.limits.coma_bench.value,
                    aperture_mm: e.aperture_mm,
                    today: days.today,
                    coming: days.coming,
                };
                (e, asked, rests_on(e, learned, &asked))
            })
            .collect();
        let mut told = HashMap::new();
        {
            let memory = self.memory();
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
        let mut memory = self.memory();
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
    /// behind what is known now, and being made anew. `newest` asks for one of the
    /// newest looks; whoever asks `of_one` alone hardly waits for the first record.
    pub(super) fn record(
        &self,
        entered: &Arc<[Entered]>,
        newest: bool,
        of_one: bool,
    ) -> (Arc<Record>, bool) {
        let key = record::key_of(entered);
        let (kept, took) = {
            let memory = self.memory();
            (memory.record.clone(), memory.record_took)
        };
        let may_wait = match &kept {
            Some(kept) if kept.key == key || (!newest && kept.serves(&key)) => {
                return (kept.clone(), false);
            }
            Some(_) => took <= self.patience,
            None => self.patience == Duration::MAX,
        };
        if may_wait {
            return (self.make_record(entered, key), false);
        }
        let (foreseer, ahead) = (self.clone(), entered.clone());
        in_background(&self.records, move || {
            foreseer.make_record(&ahead, key);
        });
        match kept {
            Some(kept) => (kept, true),
            None => match self.first_record(if of_one { self.patience } else { FIRST_RECORD }) {
                Some(record) => {
                    let is_behind = record.key != key;
                    (record, is_behind)
                }
                None => (Arc::new(Record::not_yet()), true),
            },
        }
    }

    /// The record that is being made for the first time, unless that takes long.
    fn first_record(&self, at_most: Duration) -> Option<Arc<Record>> {
        let begun = Instant::now();
        while begun.elapsed() < at_most {
            if let Some(record) = &self.memory().record {
                return Some(record.clone());
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        None
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

    /// What was worked out from the very same, unless the fleet has taught more
    /// since.
    pub(super) fn told(&self, key: u64) -> Option<(Arc<Learnt>, Outlooks)> {
        let memory = self.memory();
        let told = memory.told.iter().find(|t| t.key == key)?;
        let lesson = memory.lesson.as_ref()?;
        Arc::ptr_eq(&lesson.learned, &told.learned)
            .then(|| (told.learned.clone(), told.outlooks.clone()))
    }

    fn keep(&self, key: u64, days: Days, learned: &Arc<Learnt>, outlooks: &Outlooks) {
        let mut memory = self.memory();
        memory.told.retain(|t| t.days.coming != days.coming);
        if memory.told.len() >= MOST_TOLD {
            memory.told.remove(0);
        }
        memory.told.push(Told {
            key,
            days,
            learned: learned.clone(),
            outlooks: outlooks.clone(),
        });
    }
}

/// Does it on a thread that lets others go first; unless one of its kind is at it.
fn in_background(kind: &Arc<Semaphore>, work: impl FnOnce() + Send + 'static) {
    let Ok(turn) = kind.clone().try_acquire_owned() else {
        return;
    };
    let begun = std::thread::Builder::new().spawn(move || {
        crate::threads::give_way();
        work();
        drop(turn);
    });
    if let Err(error) = begun {
        tracing::warn!(%error, "no thread for work in the background");
    }
}

/// Everything that an outlook rests on, as a number that differs, as good as
/// surely, when any of it does.
fn rests_on(entered: &Entered, learned: &Learnt, asked: &Asked) -> u64 {
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
