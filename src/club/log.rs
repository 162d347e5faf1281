//! Single entries of the logbook: a journey, a problem, work at the bench.

use library::entries::{EntryKind, NewEntry};
use library::instruments::Instrument;
use library::journeys::Journey;
use library::problems::{self, Problem};
use library::works::Work;

use crate::{Act, Done, Refusal};

/// The longest journey, km: as the table of journeys has it, about once round the Earth.
pub const LONGEST_DRIVE_KM: f64 = 40_000.0;

fn now(act: &Act, instrument: &Instrument) -> Done<NewEntry> {
    Ok(NewEntry {
        instrument: instrument.id,
        kind: EntryKind::Note, // each noun sets its own
        happened_at: act.at(),
        recorded_at: act.at(),
        by: act.actor().person()?,
        loan: None,
        note: String::new(),
    })
}

/// Logs a journey that has just ended; while it is on loan, as one of that loan.
///
/// # Errors
/// Fields `distance` and `severity`, where they say nothing about such a journey or
/// are out of bounds.
pub async fn journey(act: &mut Act, tag: &str, journey: &Journey) -> Done<Instrument> {
    let kind = journey.kind;
    if journey.distance_km.is_some() && !kind.has_distance() {
        return Err(Refusal::field(
            "distance",
            format!("Distance: says nothing about a journey {kind}. Leave it out."),
        ));
    }
    if journey
        .distance_km
        .is_some_and(|km| !(km > 0.0 && km <= LONGEST_DRIVE_KM))
    {
        return Err(Refusal::field(
            "distance",
            format!("Distance: give one above 0 and up to {LONGEST_DRIVE_KM} km."),
        ));
    }
    if journey.severity.is_some() && !kind.has_severity() {
        return Err(Refusal::field(
            "severity",
            format!("How hard: says nothing about a journey {kind}. Leave it out."),
        ));
    }
    let instrument = Instrument::by_tag(act.conn(), tag).await?;
    let entry = NewEntry {
        loan: instrument.open_loan,
        ..now(act, &instrument)?
    };
    journey.log(act.conn(), entry).await?;
    Ok(instrument)
}

/// Reports a problem.
///
/// # Errors
/// When there is no such instrument.
pub async fn problem(act: &mut Act, tag: &str, problem: &Problem) -> Done<Instrument> {
    let instrument = Instrument::by_tag(act.conn(), tag).await?;
    let entry = now(act, &instrument)?;
    problem.log(act.conn(), entry).await?;
    Ok(instrument)
}

/// Notes work at the bench. With `settles_all` it settles every problem that is open,
/// beside those it names; answers with how many that are.
///
/// # Errors
/// When there is no such instrument.
pub async fn work(
    act: &mut Act,
    tag: &str,
    mut work: Work,
    settles_all: bool,
) -> Done<(Instrument, usize)> {
    let instrument = Instrument::by_tag(act.conn(), tag).await?;
    if settles_all {
        work.settles = problems::current(act.conn(), Some(instrument.id))
            .await?
            .into_iter()
            .filter(|p| !p.settled)
            .map(|p| p.entry_id)
            .collect();
    }
    let entry = now(act, &instrument)?;
    work.log(act.conn(), entry).await?;
    Ok((instrument, work.settles.len()))
}
