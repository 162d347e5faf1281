//! The whole shelf with its readings, in a handful of queries.

use std::collections::HashMap;

use super::history::History;
use super::{Assessment, assess, limits};
use crate::library::instruments::{Instrument, Standing};
use crate::library::{
    Conn, InstrumentId, Moment, Result, findings, journeys, loans, star_tests, waits, works,
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
    let instruments = Instrument::all(conn).await?;
    let instruments = instruments
        .into_iter()
        .filter(|i| i.standing != Standing::Retired)
        .collect();
    rows(conn, instruments, None, now).await
}

/// Every retired instrument, by tag.
pub async fn retired(conn: &mut Conn, now: Moment) -> Result<Vec<ShelfRow>> {
    let instruments = Instrument::all(conn).await?;
    let instruments: Vec<Instrument> = instruments
        .into_iter()
        .filter(|i| i.standing == Standing::Retired)
        .collect();
    if instruments.is_empty() {
        return Ok(Vec::new());
    }
    rows(conn, instruments, None, now).await
}

/// One instrument.
pub async fn shelf_row(conn: &mut Conn, instrument: Instrument, now: Moment) -> Result<ShelfRow> {
    let id = instrument.id;
    let mut rows = rows(conn, vec![instrument], Some(id), now).await?;
    rows.pop()
        .ok_or(crate::library::Error::NotFound("instrument"))
}

fn grouped<T>(items: Vec<T>, of: impl Fn(&T) -> InstrumentId) -> HashMap<InstrumentId, Vec<T>> {
    let mut groups: HashMap<InstrumentId, Vec<T>> = HashMap::new();
    for item in items {
        groups.entry(of(&item)).or_default().push(item);
    }
    groups
}

async fn rows(
    conn: &mut Conn,
    instruments: Vec<Instrument>,
    only: Option<InstrumentId>,
    now: Moment,
) -> Result<Vec<ShelfRow>> {
    let sets = crate::library::limits::history(conn).await?;
    let mut journeys = grouped(journeys::standing(conn, only).await?, |j| j.instrument_id);
    let mut tests = grouped(star_tests::standing(conn, only).await?, |t| t.instrument_id);
    let mut findings = grouped(findings::standing(conn, only).await?, |f| f.instrument_id);
    let mut works = grouped(works::standing(conn, only).await?, |w| w.instrument_id);
    let mut spans = grouped(loans::spans(conn, only).await?, |l| l.instrument_id);
    let waiting = grouped(waits::open(conn, only, None).await?, |w| w.instrument_id);
    Ok(instruments
        .into_iter()
        .map(|instrument| {
            let id = instrument.id;
            let history = History {
                design: instrument.design,
                journeys: journeys.remove(&id).unwrap_or_default(),
                tests: tests.remove(&id).unwrap_or_default(),
                findings: findings.remove(&id).unwrap_or_default(),
                works: works.remove(&id).unwrap_or_default(),
                loans: spans.remove(&id).unwrap_or_default(),
            };
            let limits = limits::in_force(instrument.design, id, &sets);
            ShelfRow {
                assessment: assess(&history, &limits, now),
                waiting: waiting.get(&id).map_or(0, Vec::len),
                instrument,
            }
        })
        .collect())
}
