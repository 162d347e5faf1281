//! The whole shelf with its conditions, in a handful of queries.

use std::collections::HashMap;
use std::sync::Arc;

use super::history::{History, Logbook};
use super::recall::{Known, Recall};
use super::rules::judge;
use super::{Assessment, limits};
use library::instruments::{Instrument, Status};
use library::limits::LimitSet;
use library::telling::Telling;
use library::waits::WantsItFor;
use library::{
    Conn, EntryId, InstrumentId, Moment, Result, journeys, loans, marks, problems, star_tests,
    telling, waits, works,
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
    Ok(Fleet::load(conn, now).await?.into_rows())
}

/// The same out of memory, as far as nothing was written since; `retired` asks
/// for the retired ones instead.
pub async fn shelf_recalled(
    conn: &mut Conn,
    recall: &Recall,
    retired: bool,
    now: Moment,
) -> Result<Vec<ShelfRow>> {
    let asked = |i: &Instrument| (i.status == Status::Retired) == retired;
    let fleet = Fleet::recall(conn, recall, asked, now).await?;
    Ok(fleet.into_rows())
}

/// One instrument.
pub async fn shelf_row(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<ShelfRow> {
    let fleet = Fleet::of_one(conn, instrument, now).await?;
    fleet
        .into_rows()
        .pop()
        .ok_or(library::Error::NotFound("instrument"))
}

/// Logbooks and limits as they stand, to be judged under those limits or under
/// others that someone thinks of setting.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// Each instrument, by tag.
    pub members: Vec<Member>,
    /// Every setting of a limit, newest first.
    pub sets: Vec<LimitSet>,
    now: Moment,
}

/// One instrument of the fleet.
#[derive(Debug, Clone)]
pub struct Member {
    /// The instrument.
    pub instrument: Instrument,
    /// Its logbook.
    pub known: Arc<Known>,
    /// How many people wait for it.
    pub waiting: usize,
    /// What the first of them wants it for, and since when.
    pub next_loan: Option<(WantsItFor, Moment)>,
}

impl Member {
    /// Its logbook in order.
    pub fn history(&self) -> &History {
        &self.known.history
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
        for (id, of) in grouped(problems::current(conn, only).await?, |f| f.instrument_id) {
            books.entry(id).or_default().problems = of;
        }
        for (id, of) in grouped(works::current(conn, only).await?, |w| w.instrument_id) {
            books.entry(id).or_default().works = of;
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

    fn take(&mut self, instrument: &Instrument) -> Arc<Known> {
        let book = self.books.remove(&instrument.id).unwrap_or_default();
        let history = History::new(instrument.design, book, &self.tellings, self.now);
        Arc::new(Known::new(history))
    }
}

/// Up to so many logbooks are read one by one; more, all at once.
const FEW_LOGBOOKS: usize = 12;

impl Fleet {
    /// Every instrument that is not retired, read from nothing.
    pub async fn load(conn: &mut Conn, now: Moment) -> Result<Self> {
        let asked = |i: &Instrument| i.status != Status::Retired;
        Self::recall(conn, &Recall::default(), asked, now).await
    }

    /// The same out of memory, as far as nothing was written since.
    pub async fn recalled(conn: &mut Conn, recall: &Recall, now: Moment) -> Result<Self> {
        let asked = |i: &Instrument| i.status != Status::Retired;
        Self::recall(conn, recall, asked, now).await
    }

    /// One instrument alone.
    pub async fn of_one(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<Self> {
        let known = Books::read(conn, Some(instrument.id), now)
            .await?
            .take(&instrument);
        let id = instrument.id;
        Self::gather(conn, vec![(instrument, known)], Some(id), now).await
    }

    /// When it was read.
    pub fn now(&self) -> Moment {
        self.now
    }

    async fn recall(
        conn: &mut Conn,
        recall: &Recall,
        asked: impl Fn(&Instrument) -> bool,
        now: Moment,
    ) -> Result<Self> {
        // Marks first: a logbook read after its mark is never older than it.
        let marks = marks::all(conn).await?;
        let mark_of = |i: &Instrument| marks.get(&i.id).copied();
        let mut known = Vec::new();
        let mut unknown = 0;
        for instrument in Instrument::all(conn).await?.into_iter().filter(asked) {
            let kept = mark_of(&instrument)
                .and_then(|mark| recall.get(instrument.id, instrument.design, mark, now));
            unknown += usize::from(kept.is_none());
            known.push((instrument, kept));
        }
        let mut all = if unknown > FEW_LOGBOOKS {
            Some(Books::read(conn, None, now).await?)
        } else {
            None
        };
        let mut members = Vec::with_capacity(known.len());
        for (instrument, kept) in known {
            let known = match (kept, &mut all) {
                (Some(known), _) => known,
                (None, Some(all)) => all.take(&instrument),
                (None, None) => Books::read(conn, Some(instrument.id), now)
                    .await?
                    .take(&instrument),
            };
            if let Some(mark) = mark_of(&instrument) {
                recall.keep(instrument.id, mark, &known);
            }
            members.push((instrument, known));
        }
        Self::gather(conn, members, None, now).await
    }

    async fn gather(
        conn: &mut Conn,
        members: Vec<(Instrument, Arc<Known>)>,
        only: Option<InstrumentId>,
        now: Moment,
    ) -> Result<Self> {
        let sets = library::limits::history(conn).await?;
        let waiting = grouped(waits::open(conn, only, None).await?, |w| w.instrument_id);
        let members = members
            .into_iter()
            .map(|(instrument, known)| {
                let line = waiting.get(&instrument.id);
                Member {
                    known,
                    waiting: line.map_or(0, Vec::len),
                    next_loan: line
                        .and_then(|w| w.first())
                        .map(|w| (w.wants_it_for, w.asked_at)),
                    instrument,
                }
            })
            .collect();
        Ok(Self { members, sets, now })
    }

    /// What the rules say of one member under these limits.
    pub fn judge(&self, member: &Member, sets: &[LimitSet]) -> Assessment {
        let limits = limits::in_force(member.instrument.design, member.instrument.id, sets);
        judge(&member.known.gathered(&limits), &limits, self.now)
    }

    /// What the rules say of each.
    pub fn into_rows(self) -> Vec<ShelfRow> {
        let assessments: Vec<_> = self
            .members
            .iter()
            .map(|m| self.judge(m, &self.sets))
            .collect();
        self.members
            .into_iter()
            .zip(assessments)
            .map(|(member, assessment)| ShelfRow {
                instrument: member.instrument,
                assessment,
                waiting: member.waiting,
            })
            .collect()
    }
}
