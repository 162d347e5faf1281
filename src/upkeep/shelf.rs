//! The whole shelf as the database has it: instruments, logbooks in order, limits
//! and who waits, read in one transaction.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{Duration, NaiveDate};
use chrono_tz::Tz;
use sqlx::Connection;

use super::drift::chain::Chain;
use super::drift::from_history::chain_of;
use super::facts::Gathered;
use super::history::{History, Logbook};
use super::limits::{self, Limits};
use super::rules::judge;
use super::{Assessment, Condition};
use library::club::Club;
use library::instruments::{Instrument, Status};
use library::limits::LimitSet;
use library::telling::Telling;
use library::waits::WantsItFor;
use library::{
    Conn, EntryId, InstrumentId, Moment, Result, barrel_checks, changes, journeys, loans, problems,
    second_looks, star_tests, telling, waits, works,
};

/// One instrument with what the rules say of it.
#[derive(Debug, Clone)]
pub struct ShelfRow {
    /// The instrument.
    pub instrument: Instrument,
    /// What the rules say.
    pub assessment: Assessment,
    /// How many people wait for it.
    pub waiting: usize,
}

/// Every instrument that is not retired, by tag, read from nothing.
pub async fn shelf(conn: &mut Conn, now: Moment) -> Result<Vec<ShelfRow>> {
    Ok(Fleet::load(conn, now).await?.shelf(now))
}

/// One instrument, read from nothing: also within a write, before it is committed.
pub async fn shelf_row(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<ShelfRow> {
    let fleet = Fleet::of_one(conn, instrument, now).await?;
    let all = fleet.members.iter().chain(&fleet.retired);
    let row = all.map(|m| fleet.row(m, now)).next();
    row.ok_or(library::Error::NotFound("instrument"))
}

/// Logbooks and limits as they stood at one moment, to be judged under those limits
/// or under others that someone thinks of setting.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// Each instrument that is not retired, by tag.
    pub members: Vec<Member>,
    /// The retired ones.
    pub retired: Vec<Member>,
    /// Every setting of a limit, newest first.
    pub sets: Vec<LimitSet>,
    /// The counter of changes when it was read.
    pub counter: i64,
    /// The club's zone.
    pub zone: Tz,
}

/// One instrument of the fleet.
#[derive(Debug, Clone)]
pub struct Member {
    /// The instrument.
    pub instrument: Instrument,
    /// Its logbook.
    pub book: Arc<Book>,
    /// The limits in force for it.
    pub limits: Limits,
    /// What the rules need of the logbook under those limits.
    gathered: Arc<Gathered>,
    /// How many people wait for it.
    pub waiting: usize,
    /// What the first of them wants it for, and since when.
    pub next_loan: Option<(WantsItFor, Moment)>,
    /// The day it is due back, while on loan.
    pub back_by: Option<NaiveDate>,
}

/// A logbook in order, and as the drift model reads it.
#[derive(Debug)]
pub struct Book {
    /// The logbook.
    pub history: History,
    /// Its chain; none for what takes no star test.
    pub chain: Option<Chain>,
    read_at: Moment,
    latest: Option<Moment>,
    stood: Mutex<HashMap<Moment, Stood>>,
}

/// How an instrument stood, by which limits and in which zone's days.
#[derive(Debug)]
struct Stood {
    limits: Limits,
    zone: Tz,
    condition: Condition,
}

impl Book {
    fn new(history: History, read_at: Moment) -> Self {
        let dates = [
            history.moves.last().map(|d| d.at.moment),
            history.tests.last().map(|d| d.at.moment),
            history.barrels.last().map(|d| d.at.moment),
            history.works.last().map(|d| d.at.moment),
            history.problems.last().map(|d| d.at.moment),
            history.second_looks.last().map(|d| d.at.moment),
        ];
        Self {
            latest: dates.into_iter().flatten().max(),
            chain: chain_of(&history),
            history,
            read_at,
            stood: Mutex::default(),
        }
    }

    /// How it stood at a moment in the past: as it was reckoned before, as long as nothing was
    /// written in this logbook since, or as `reckon` has it.
    pub(super) fn stood(
        &self,
        at: Moment,
        limits: &Limits,
        zone: Tz,
        reckon: impl FnOnce() -> Condition,
    ) -> Condition {
        // Each is replaced whole: after a panic elsewhere it serves.
        let known = || self.stood.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(stood) = known().get(&at)
            && (&stood.limits, stood.zone) == (limits, zone)
        {
            return stood.condition;
        }
        let condition = reckon();
        let limits = limits.clone();
        known().insert(
            at,
            Stood {
                limits,
                zone,
                condition,
            },
        );
        condition
    }

    /// Whether the same entries would be set aside as lying ahead.
    pub(super) fn reads_the_same(&self, now: Moment) -> bool {
        let horizon = now + Duration::days(1);
        let ahead = self.history.ahead.first();
        self.latest.is_none_or(|l| l <= horizon)
            && ahead.is_none_or(|a| *a > horizon && (now - self.read_at).abs() < Duration::hours(1))
    }
}

fn grouped<T>(items: Vec<T>, of: impl Fn(&T) -> InstrumentId) -> HashMap<InstrumentId, Vec<T>> {
    let mut groups: HashMap<InstrumentId, Vec<T>> = HashMap::new();
    for item in items {
        groups.entry(of(&item)).or_default().push(item);
    }
    groups
}

/// Logbooks as read, to be put in order.
struct Books {
    tellings: HashMap<EntryId, Telling>,
    books: HashMap<InstrumentId, Logbook>,
    now: Moment,
}

impl Books {
    /// Of one instrument, or of all.
    async fn read(conn: &mut Conn, only: Option<InstrumentId>, now: Moment) -> Result<Self> {
        let tellings = telling::of_standing(conn, only)
            .await?
            .into_iter()
            .map(|t| (t.entry_id, t))
            .collect();
        let mut books: HashMap<InstrumentId, Logbook> = HashMap::new();
        for (id, of) in grouped(journeys::current(conn, only).await?, |j| j.instrument_id) {
            books.entry(id).or_default().journeys = of;
        }
        for (id, of) in grouped(star_tests::current(conn, only).await?, |t| t.instrument_id) {
            books.entry(id).or_default().tests = of;
        }
        for (id, of) in grouped(barrel_checks::current(conn, only).await?, |b| {
            b.instrument_id
        }) {
            books.entry(id).or_default().barrels = of;
        }
        for (id, of) in grouped(problems::current(conn, only).await?, |f| f.instrument_id) {
            books.entry(id).or_default().problems = of;
        }
        for (id, of) in grouped(works::current(conn, only).await?, |w| w.instrument_id) {
            books.entry(id).or_default().works = of;
        }
        for (id, of) in grouped(second_looks::current(conn, only).await?, |l| {
            l.instrument_id
        }) {
            books.entry(id).or_default().second_looks = of;
        }
        for (id, of) in grouped(loans::spans(conn, only).await?, |l| l.instrument_id) {
            books.entry(id).or_default().loans = of;
        }
        Ok(Self {
            tellings,
            books,
            now,
        })
    }

    fn take(&mut self, instrument: &Instrument) -> Arc<Book> {
        let book = self.books.remove(&instrument.id).unwrap_or_default();
        let history = History::new(instrument.design, book, &self.tellings, self.now);
        Arc::new(Book::new(history, self.now))
    }
}

/// Up to so many logbooks are read one by one; more, all at once.
const FEW_LOGBOOKS: usize = 12;

impl Fleet {
    /// Every instrument, read from nothing.
    pub async fn load(conn: &mut Conn, now: Moment) -> Result<Self> {
        Self::after(None, conn, now).await
    }

    /// Every instrument, in one read transaction; the logbooks that `before` holds
    /// are read again only where the database says that they changed.
    pub async fn after(before: Option<&Self>, conn: &mut Conn, now: Moment) -> Result<Self> {
        let mut read = conn.begin().await?;
        let since = before.map_or(0, |b| b.counter);
        let changed: HashSet<InstrumentId> = changes::since(&mut read, since)
            .await?
            .into_iter()
            .collect();
        let known: HashMap<InstrumentId, &Arc<Book>> = before
            .into_iter()
            .flat_map(Self::all)
            .filter(|m| !changed.contains(&m.instrument.id) && m.book.reads_the_same(now))
            .map(|m| (m.instrument.id, &m.book))
            .collect();
        let instruments = Instrument::all(&mut read).await?;
        let mut all = match instruments.len() - known.len().min(instruments.len()) {
            0..=FEW_LOGBOOKS => None,
            _ => Some(Books::read(&mut read, None, now).await?),
        };
        let mut books = Vec::with_capacity(instruments.len());
        for instrument in instruments {
            let book = match (known.get(&instrument.id), &mut all) {
                (Some(book), _) => (*book).clone(),
                (None, Some(all)) => all.take(&instrument),
                (None, None) => Books::read(&mut read, Some(instrument.id), now)
                    .await?
                    .take(&instrument),
            };
            books.push((instrument, book));
        }
        let fleet = Self::gather(&mut read, books, None, before).await?;
        read.rollback().await?;
        Ok(fleet)
    }

    /// One instrument alone.
    async fn of_one(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<Self> {
        let id = Some(instrument.id);
        let book = Books::read(conn, id, now).await?.take(&instrument);
        Self::gather(conn, vec![(instrument, book)], id, None).await
    }

    async fn gather(
        conn: &mut Conn,
        books: Vec<(Instrument, Arc<Book>)>,
        only: Option<InstrumentId>,
        before: Option<&Self>,
    ) -> Result<Self> {
        let known: HashMap<InstrumentId, &Member> = before
            .into_iter()
            .flat_map(Self::all)
            .map(|m| (m.instrument.id, m))
            .collect();
        let sets = library::limits::history(conn).await?;
        let club = Club::load(conn).await?;
        let waiting = grouped(waits::open(conn, only, None).await?, |w| w.instrument_id);
        let back_by = loans::due_days(conn).await?;
        let members = books.into_iter().map(|(instrument, book)| {
            let line = waiting.get(&instrument.id);
            let first = line.and_then(|w| w.first());
            let limits = Limits {
                second_look: club.second_look,
                ..limits::in_force(instrument.design, instrument.id, &sets)
            };
            let same = known
                .get(&instrument.id)
                .filter(|m| Arc::ptr_eq(&m.book, &book) && limits.gather_alike(&m.limits));
            Member {
                gathered: same.map_or_else(
                    || Arc::new(Gathered::of(&book.history, &limits)),
                    |m| m.gathered.clone(),
                ),
                limits,
                waiting: line.map_or(0, Vec::len),
                next_loan: first.and_then(|w| Some((w.wants_it_for?, w.asked_at))),
                back_by: back_by.get(&instrument.id).copied(),
                book,
                instrument,
            }
        });
        let (retired, members) =
            members.partition(|m: &Member| m.instrument.status == Status::Retired);
        Ok(Self {
            members,
            retired,
            counter: changes::counter(conn).await?,
            zone: club.tz(),
            sets,
        })
    }

    fn all(&self) -> impl Iterator<Item = &Member> {
        self.members.iter().chain(&self.retired)
    }

    /// Whether each logbook would read the same at this moment.
    pub fn reads_the_same(&self, now: Moment) -> bool {
        self.all().all(|m| m.book.reads_the_same(now))
    }

    /// What the rules say of one member.
    pub fn judge(&self, member: &Member, now: Moment) -> Assessment {
        let now = now.with_timezone(&self.zone);
        judge(&member.gathered, &member.limits, now)
    }

    /// What they would say under these settings of limits.
    pub fn judge_under(&self, sets: &[LimitSet], member: &Member, now: Moment) -> Assessment {
        let i = &member.instrument;
        let limits = Limits {
            second_look: member.limits.second_look,
            ..limits::in_force(i.design, i.id, sets)
        };
        let now = now.with_timezone(&self.zone);
        if limits.gather_alike(&member.limits) {
            judge(&member.gathered, &limits, now)
        } else {
            judge(&Gathered::of(&member.book.history, &limits), &limits, now)
        }
    }

    /// What the rules say of everything on the shelf, retired ones left out.
    pub fn shelf(&self, now: Moment) -> Vec<ShelfRow> {
        self.rows(&self.members, now)
    }

    pub(super) fn row(&self, member: &Member, now: Moment) -> ShelfRow {
        ShelfRow {
            instrument: member.instrument.clone(),
            assessment: self.judge(member, now),
            waiting: member.waiting,
        }
    }

    /// What the rules say of each of these members.
    pub fn rows(&self, members: &[Member], now: Moment) -> Vec<ShelfRow> {
        members.iter().map(|m| self.row(m, now)).collect()
    }
}
