//! What follows from the logbooks, all of one moment: conditions, exposures, the
//! drift forecast and the record of past ones.
//!
//! A [`Snapshot`] never changes. It holds the database's counter of changes (table
//! `changes`), read in the same transaction as everything else. Whoever wants one
//! reads the counter as it stands now and gets a snapshot that is as new, made in
//! the background by one build at a time; so nobody sees one that contradicts a
//! write made before they asked, by this process or by another. A build reads
//! again only the logbooks that changed and forecasts anew only what they touch.
//!
//! What the whole fleet teaches may lag: where learning took longer than a moment
//! the last time, it goes on behind, on a thread that gives way, and the next
//! snapshot takes it up. A server waits for the first lesson a while and then goes by what is
//! believed of all telescopes. An instrument's own logbook always counts whole.

use std::any::{Any, TypeId};
use std::collections::HashMap;
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use tokio::sync::Semaphore;

use super::drift::chain::Chain;
use super::drift::fit::{DriftModel, learn};
use super::drift::forecast::{Asked, Forecast, forecast};
use super::drift::from_history::day_of;
use super::record::{Entered, Record};
use super::shelf::{Book, Fleet, Member, ShelfRow, shelf_row};
use library::instruments::Instrument;
use library::{Conn, InstrumentId, Library, Moment, Result, changes};

/// Everything that follows from the logbooks at one moment.
#[derive(Debug)]
pub struct Snapshot {
    /// The shelf.
    pub fleet: Arc<Fleet>,
    /// The end of the day it was made on (club's zone), in the days of the chains:
    /// what came in within a day is known, and two lists of one day agree.
    pub today: f64,
    date: NaiveDate,
    lesson: Arc<Lesson>,
    forecasts: Forecasts,
    /// Whether the fleet has changed since it was learned from.
    pub is_behind: bool,
    /// What follows from it and takes long, kept for whoever asks next.
    kept: Mutex<HashMap<(TypeId, i64), Arc<dyn Any + Send + Sync>>>,
}

type Forecasts = HashMap<InstrumentId, Made>;

/// A forecast and what it was made from.
#[derive(Debug, Clone)]
struct Made {
    book: Arc<Book>,
    model: Arc<DriftModel>,
    asked: Asked,
    forecast: Arc<Forecast>,
}

/// What the fleet taught, and how well that would have predicted its past.
#[derive(Debug)]
struct Lesson {
    entered: Vec<Entered>,
    model: Arc<DriftModel>,
    record: Record,
    /// Made ahead of the snapshot that will take it up.
    forecasts: Forecasts,
    took: Duration,
}

impl Lesson {
    /// What is believed before any logbook is read.
    fn nothing(zone: Tz) -> Self {
        Self {
            entered: Vec::new(),
            model: Arc::new(DriftModel::nothing()),
            record: Record::of(&[], &[], zone),
            forecasts: Forecasts::new(),
            // So that any other is learned behind.
            took: Duration::MAX,
        }
    }

    fn of(fleet: &Fleet) -> Self {
        let begun = Instant::now();
        let entered = entered(fleet);
        let chains: Vec<&Chain> = entered
            .iter()
            .filter_map(|e| e.book.chain.as_ref())
            .collect();
        let model = Arc::new(learn(&chains));
        Self {
            record: Record::of(&entered, &chains, fleet.zone),
            model,
            forecasts: Forecasts::new(),
            took: begun.elapsed(),
            entered,
        }
    }

    fn is_of(&self, fleet: &Fleet) -> bool {
        let now = entered(fleet);
        let same = |(a, b): (&Entered, &Entered)| {
            Arc::ptr_eq(&a.book, &b.book) && a.limits == b.limits && a.tag == b.tag
        };
        now.len() == self.entered.len() && now.iter().zip(&self.entered).all(same)
    }
}

fn entered(fleet: &Fleet) -> Vec<Entered> {
    let takes_test = fleet.members.iter().filter(|m| m.book.chain.is_some());
    takes_test
        .map(|m| Entered {
            tag: m.instrument.tag.clone(),
            book: m.book.clone(),
            limits: m.limits.clone(),
        })
        .collect()
}

impl Snapshot {
    /// Of a fleet, with the lesson given; what `known` holds is used where it was
    /// made from the very same.
    fn of(
        fleet: Arc<Fleet>,
        lesson: Arc<Lesson>,
        is_behind: bool,
        known: &[&Forecasts],
        now: Moment,
    ) -> Self {
        let (date, today) = today(&fleet, now);
        Self {
            forecasts: forecasts(&fleet, &lesson.model, today, known),
            fleet,
            today,
            date,
            lesson,
            is_behind,
            kept: Mutex::default(),
        }
    }

    /// What was made of this snapshot before, by its key.
    pub fn kept<T: Send + Sync + 'static>(&self, key: i64) -> Option<Arc<T>> {
        let kept = locked(&self.kept);
        kept.get(&(TypeId::of::<T>(), key))?.clone().downcast().ok()
    }

    /// Keeps what was made of it and of what else its counter counts.
    pub fn keep<T: Send + Sync + 'static>(&self, key: i64, made: T) -> Arc<T> {
        let made = Arc::new(made);
        locked(&self.kept).insert((TypeId::of::<T>(), key), made.clone());
        made
    }

    /// What was made of it within this minute, or else made now; what the rules say of a
    /// logbook moves with days.
    pub fn within_the_minute<T: Send + Sync + 'static>(
        &self,
        now: Moment,
        make: impl FnOnce() -> T,
    ) -> Arc<T> {
        let minute = now.timestamp().div_euclid(60);
        if let Some(kept) = self.kept::<(i64, Arc<T>)>(0)
            && kept.0 == minute
        {
            return kept.1.clone();
        }
        let made = Arc::new(make());
        self.keep(0, (minute, made.clone()));
        made
    }

    /// What the rules say of everything on the shelf, retired ones left out; in the order of
    /// the fleet's members.
    pub fn shelf(&self, now: Moment) -> Arc<Vec<ShelfRow>> {
        self.within_the_minute(now, || self.fleet.shelf(now))
    }

    /// Whether it says what a fresh one would say at this moment.
    fn serves(&self, counter: i64, now: Moment) -> bool {
        self.fleet.counter == counter
            && now.with_timezone(&self.fleet.zone).date_naive() == self.date
            && self.fleet.reads_the_same(now)
    }

    /// What is predicted of one instrument; none for what takes no star test or is
    /// retired.
    pub fn forecast(&self, instrument: InstrumentId) -> Option<&Forecast> {
        self.forecasts.get(&instrument).map(|made| &*made.forecast)
    }

    /// One member, retired ones left out.
    pub fn member(&self, instrument: InstrumentId) -> Option<&Member> {
        self.fleet
            .members
            .iter()
            .find(|m| m.instrument.id == instrument)
    }

    /// What was learned of the fleet.
    pub fn model(&self) -> &DriftModel {
        &self.lesson.model
    }

    /// How well past forecasts would have done.
    pub fn record(&self) -> &Record {
        &self.lesson.record
    }

    /// Whether lists may go by the chances: they predicted the club's own past
    /// better than the plain rules did.
    pub fn is_trusted(&self) -> bool {
        self.record().verdict.is_some_and(|v| v.trusted)
    }
}

/// The club's date, and the end of that day in the days of the chains.
fn today(fleet: &Fleet, now: Moment) -> (NaiveDate, f64) {
    let date = now.with_timezone(&fleet.zone).date_naive();
    (date, end_of(date, fleet.zone, now))
}

/// The end of a day in a zone, in the days of the chains.
fn end_of(date: NaiveDate, zone: Tz, now: Moment) -> f64 {
    let next = date.checked_add_days(Days::new(1)).unwrap_or(date);
    // Where the clocks leave midnight out, the day ends an hour later.
    let midnight = (0..3).find_map(|hour| {
        let local = next.and_hms_opt(hour, 0, 0)?;
        local.and_local_timezone(zone).earliest()
    });
    midnight.map_or_else(|| day_of(now), |end| day_of(end.to_utc()))
}

fn forecasts(
    fleet: &Fleet,
    model: &Arc<DriftModel>,
    today: f64,
    known: &[&Forecasts],
) -> Forecasts {
    let of = |m: &Member| {
        let chain = m.book.chain.as_ref()?;
        let asked = Asked {
            limit_waves: m.limits.coma_bench.value,
            aperture_mm: m.instrument.aperture_mm,
            today,
        };
        let id = m.instrument.id;
        let same = |made: &&Made| {
            Arc::ptr_eq(&made.book, &m.book)
                && Arc::ptr_eq(&made.model, model)
                && made.asked == asked
        };
        let kept = known.iter().find_map(|k| k.get(&id).filter(same)).cloned();
        let make = || Made {
            book: m.book.clone(),
            model: model.clone(),
            asked,
            forecast: Arc::new(forecast(chain, model, &asked)),
        };
        Some((id, kept.unwrap_or_else(make)))
    };
    fleet.members.iter().filter_map(of).collect()
}

/// Where pages and commands get their snapshot. Cheap to clone; clones share it.
#[derive(Debug, Clone)]
pub struct Snapshots(Arc<Shared>);

#[derive(Debug)]
struct Shared {
    latest: Mutex<Option<Arc<Snapshot>>>,
    lesson: Mutex<Option<Arc<Lesson>>>,
    /// One build at a time, and one lesson behind.
    build: Arc<Semaphore>,
    behind: Arc<Semaphore>,
    /// A lesson that took longer than this is learned behind the next time.
    patience: Duration,
    /// So long the first lesson is waited for.
    first_patience: Duration,
}

/// For who asks once and wants to know what the fleet teaches.
impl Default for Snapshots {
    fn default() -> Self {
        Self::with_patience(Duration::from_millis(250), Duration::MAX)
    }
}

/// Nobody waits longer than this for a snapshot: only the first one after a start,
/// which reads every logbook, can take so long.
pub const LONGEST_WAIT: Duration = Duration::from_secs(30);

impl Snapshots {
    /// For a server, whose first visitor after a start is not kept waiting long.
    pub fn of_server() -> Self {
        Self::with_patience(Duration::from_millis(250), Duration::from_secs(5))
    }

    /// With this patience for a lesson, and for the first one.
    pub fn with_patience(patience: Duration, first_patience: Duration) -> Self {
        Self(Arc::new(Shared {
            latest: Mutex::default(),
            lesson: Mutex::default(),
            build: Arc::new(Semaphore::new(1)),
            behind: Arc::new(Semaphore::new(1)),
            patience,
            first_patience,
        }))
    }

    /// The snapshot of now. It holds no connection while it waits: hold none
    /// yourself.
    ///
    /// # Errors
    /// Those of reading; and after [`LONGEST_WAIT`] as when no connection is to be
    /// had.
    pub async fn now(&self, library: &Library, now: Moment) -> Result<Arc<Snapshot>> {
        let counter = changes::counter(&mut *library.read().await?).await?;
        if let Some(snapshot) = self.0.latest(counter, now) {
            return Ok(snapshot);
        }
        let too_long = library::Error::Database(sqlx::Error::PoolTimedOut);
        tokio::time::timeout(LONGEST_WAIT, self.build(library, counter, now))
            .await
            .unwrap_or(Err(too_long))
    }

    /// What the rules say of one instrument now: out of the latest snapshot, where nothing that
    /// this rests on was written since, or else read from nothing. It waits for no build.
    ///
    /// # Errors
    /// Those of reading.
    pub async fn row(
        &self,
        conn: &mut Conn,
        instrument: Instrument,
        now: Moment,
    ) -> Result<ShelfRow> {
        let latest = locked(&self.0.latest).clone();
        if let Some(snapshot) = latest
            && let Some(member) = snapshot.member(instrument.id)
            && member.book.reads_the_same(now)
            && changes::is_as_it_was(conn, instrument.id, snapshot.fleet.counter).await?
        {
            return Ok(snapshot.fleet.row(member, now));
        }
        shelf_row(conn, instrument, now).await
    }

    async fn build(&self, library: &Library, counter: i64, now: Moment) -> Result<Arc<Snapshot>> {
        let turn = self.0.build.clone().acquire_owned().await;
        let turn = turn.map_err(|_| ended())?;
        // Whoever had the turn before may have made it.
        if let Some(snapshot) = self.0.latest(counter, now) {
            return Ok(snapshot);
        }
        let (shared, library) = (self.0.clone(), library.clone());
        // A build goes on when its asker has gone away: the next one wants it too.
        let built = tokio::spawn(async move {
            let _turn = turn;
            let before = locked(&shared.latest).clone();
            let fleet = {
                let mut conn = library.read().await?;
                Fleet::after(before.as_ref().map(|b| &*b.fleet), &mut conn, now).await?
            };
            tokio::task::spawn_blocking(move || shared.finish(fleet, before.as_deref(), now))
                .await
                .map_err(|_| ended())
        });
        built.await.map_err(|_| ended())?
    }
}

impl Shared {
    /// The latest, if it serves and nothing was learned since.
    fn latest(&self, counter: i64, now: Moment) -> Option<Arc<Snapshot>> {
        let latest = locked(&self.latest).clone()?;
        let lesson = locked(&self.lesson).clone()?;
        (latest.serves(counter, now) && Arc::ptr_eq(&latest.lesson, &lesson)).then_some(latest)
    }

    fn finish(
        self: &Arc<Self>,
        fleet: Fleet,
        before: Option<&Snapshot>,
        now: Moment,
    ) -> Arc<Snapshot> {
        let fleet = Arc::new(fleet);
        let lesson = locked(&self.lesson).clone();
        let lesson = match lesson {
            Some(lesson) if lesson.is_of(&fleet) || lesson.took > self.patience => lesson,
            None if let Some(learned) = self.learn_behind(&fleet, now) => {
                // Where it takes too long, what is learned replaces this.
                let _ = learned.recv_timeout(self.first_patience);
                let mut lesson = locked(&self.lesson);
                let nothing = || Arc::new(Lesson::nothing(fleet.zone));
                lesson.get_or_insert_with(nothing).clone()
            }
            _ => {
                let lesson = Arc::new(Lesson::of(&fleet));
                *locked(&self.lesson) = Some(lesson.clone());
                lesson
            }
        };
        let is_behind = !lesson.is_of(&fleet);
        let mut known = vec![&lesson.forecasts];
        known.extend(before.map(|b| &b.forecasts));
        let snapshot = Snapshot::of(fleet, lesson.clone(), is_behind, &known, now);
        let snapshot = Arc::new(snapshot);
        *locked(&self.latest) = Some(snapshot.clone());
        if is_behind {
            self.learn_behind(&snapshot.fleet, now);
        }
        snapshot
    }

    /// Learns from a fleet on a thread that gives way, unless one is at it; then
    /// rests as long as that took, so that no more than half a core goes into it.
    /// Tells when it has learned.
    fn learn_behind(self: &Arc<Self>, fleet: &Arc<Fleet>, now: Moment) -> Option<Receiver<()>> {
        let turn = self.behind.clone().try_acquire_owned().ok()?;
        let (shared, fleet) = (self.clone(), fleet.clone());
        let (tell, learned) = std::sync::mpsc::channel();
        let begun = std::thread::Builder::new().spawn(move || {
            crate::threads::give_way();
            let mut lesson = Lesson::of(&fleet);
            let (_, today) = today(&fleet, now);
            lesson.forecasts = forecasts(&fleet, &lesson.model, today, &[]);
            let rest = lesson.took;
            *locked(&shared.lesson) = Some(Arc::new(lesson));
            // Nobody may wait for it any more.
            let _ = tell.send(());
            std::thread::sleep(rest);
            drop(turn);
        });
        begun
            .inspect_err(|error| tracing::warn!(%error, "no thread for work in the background"))
            .ok()?;
        Some(learned)
    }
}

/// Everything in it is replaced whole: after a panic elsewhere it serves.
fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn ended() -> library::Error {
    library::Error::Refused("The tool is shutting down.".to_owned())
}
