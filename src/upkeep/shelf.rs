//! The whole shelf with its readings, in a handful of queries.

use std::collections::HashMap;

use super::history::{History, Logbook};
use super::{Assessment, assess, limits};
use crate::library::instruments::{Instrument, Standing};
use crate::library::limits::LimitSet;
use crate::library::waits::WantsItFor;
use crate::library::{
    Conn, InstrumentId, Moment, Result, findings, journeys, loans, star_tests, telling, waits,
    works,
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

/// Every instrument that is not retired, by tag.
pub async fn shelf(conn: &mut Conn, now: Moment) -> Result<Vec<ShelfRow>> {
    Ok(Fleet::load(conn, now).await?.into_rows())
}

/// Every retired instrument, by tag.
pub async fn retired(conn: &mut Conn, now: Moment) -> Result<Vec<ShelfRow>> {
    let instruments: Vec<Instrument> = Instrument::all(conn)
        .await?
        .into_iter()
        .filter(|i| i.standing == Standing::Retired)
        .collect();
    if instruments.is_empty() {
        return Ok(Vec::new());
    }
    Ok(Fleet::of(conn, instruments, None, now).await?.into_rows())
}

/// One instrument.
pub async fn shelf_row(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<ShelfRow> {
    let id = instrument.id;
    let fleet = Fleet::of(conn, vec![instrument], Some(id), now).await?;
    fleet
        .into_rows()
        .pop()
        .ok_or(crate::library::Error::NotFound("instrument"))
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
    /// Its logbook in order.
    pub history: History,
    /// How many people wait for it.
    pub waiting: usize,
    /// What the first of them wants it for, and since when.
    pub next_loan: Option<(WantsItFor, Moment)>,
}

fn grouped<T>(items: Vec<T>, of: impl Fn(&T) -> InstrumentId) -> HashMap<InstrumentId, Vec<T>> {
    let mut groups: HashMap<InstrumentId, Vec<T>> = HashMap::new();
    for item in items {
        groups.entry(of(&item)).or_default().push(item);
    }
    groups
}

impl Fleet {
    /// Every instrument that is not retired.
    pub async fn load(conn: &mut Conn, now: Moment) -> Result<Self> {
        let instruments = Instrument::all(conn).await?;
        let instruments = instruments
            .into_iter()
            .filter(|i| i.standing != Standing::Retired)
            .collect();
        Self::of(conn, instruments, None, now).await
    }

    /// One instrument alone.
    pub async fn of_one(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<Self> {
        let id = instrument.id;
        Self::of(conn, vec![instrument], Some(id), now).await
    }

    /// When it was read.
    pub fn now(&self) -> Moment {
        self.now
    }

    async fn of(
        conn: &mut Conn,
        instruments: Vec<Instrument>,
        only: Option<InstrumentId>,
        now: Moment,
    ) -> Result<Self> {
        let sets = crate::library::limits::history(conn).await?;
        let tellings = telling::of_standing(conn, only)
            .await?
            .into_iter()
            .map(|t| (t.entry_id, t))
            .collect();
        let mut journeys = grouped(journeys::standing(conn, only).await?, |j| j.instrument_id);
        let mut tests = grouped(star_tests::standing(conn, only).await?, |t| t.instrument_id);
        let mut findings = grouped(findings::standing(conn, only).await?, |f| f.instrument_id);
        let mut works = grouped(works::standing(conn, only).await?, |w| w.instrument_id);
        let mut spans = grouped(loans::spans(conn, only).await?, |l| l.instrument_id);
        let waiting = grouped(waits::open(conn, only, None).await?, |w| w.instrument_id);
        let members = instruments
            .into_iter()
            .map(|instrument| {
                let id = instrument.id;
                let logbook = Logbook {
                    journeys: journeys.remove(&id).unwrap_or_default(),
                    tests: tests.remove(&id).unwrap_or_default(),
                    findings: findings.remove(&id).unwrap_or_default(),
                    works: works.remove(&id).unwrap_or_default(),
                    loans: spans.remove(&id).unwrap_or_default(),
                };
                Member {
                    history: History::new(instrument.design, logbook, &tellings, now),
                    waiting: waiting.get(&id).map_or(0, Vec::len),
                    next_loan: waiting
                        .get(&id)
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
        assess(&member.history, &limits, self.now)
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
