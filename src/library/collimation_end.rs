//! The end of a collimation session, and the step back before it.

use super::collimation_replay::{Progress, progress};
use super::collimations::{self, Collimation, Outcome, Record};
use super::entries::{Entry, EntryKind, NewEntry};
use super::works::{Work as BenchWork, WorkWhat};
use super::{Conn, EntryId, Error, Moment, PersonId, Result};
use bench::advice::{Next, Stop};
use bench::plan::Work;
use bench::replay::SessionReplay;
use bench::response::Learnt;
use bench::screw::{Element, Screw};

/// Takes the last record back that counts: it stays written, struck out, and
/// where the collimation session stands is reckoned without it. The star test of a look by
/// eye is struck out of the logbook with it. `ordinal` is how many records
/// whoever takes it back has seen.
///
/// # Errors
/// Refused when the collimation session has ended, someone has gone on with it meanwhile, or
/// there is nothing to undo.
pub async fn undo(
    conn: &mut Conn,
    collimation: &Collimation,
    ordinal: i64,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let refused = |why: &str| Err(Error::Refused(why.to_owned()));
    if collimation.ended.is_some() {
        return refused(
            "This collimation session has ended, so its steps stand as they are. A look that is wrong can be struck out in the logbook.",
        );
    }
    if ordinal != collimation.steps.len() as i64 {
        return refused(
            "Someone has gone on with this collimation session meanwhile, so its last step is not the one you saw. Nothing was undone. Open it again to see where it stands.",
        );
    }
    let Some(last) = collimation.last_noted() else {
        return refused("There is nothing to undo: the collimation session has only begun.");
    };
    let entry = match last.entry_id {
        Some(look) => strike_look(conn, collimation, look, by, at).await?,
        None => None,
    };
    let record = Record::Undone {
        ordinal: last.ordinal,
    };
    collimations::write(conn, collimation.id, ordinal, &record, entry, by, at).await
}

/// Strikes a look's star test out, unless someone has done so in the logbook.
async fn strike_look(
    conn: &mut Conn,
    collimation: &Collimation,
    look: EntryId,
    by: PersonId,
    at: Moment,
) -> Result<Option<EntryId>> {
    let found = Entry::get(conn, look).await?;
    if found.superseded {
        return Ok(None);
    }
    let strike = NewEntry {
        instrument: collimation.instrument_id,
        kind: EntryKind::StarTest,
        happened_at: found.happened_at,
        recorded_at: at,
        by,
        loan: None,
        note: "Undone at the collimation session.".to_owned(),
    };
    Ok(Some(strike.strike(conn, look).await?))
}

/// What came of a collimation session that stands here.
fn outcome(now: &Progress, threshold_waves: f64) -> (Outcome, Option<(Element, &SessionReplay)>) {
    let star: Option<(Work, &SessionReplay)> = if now.at_star() {
        Some((now.work, &now.course))
    } else {
        now.star.as_ref().map(|(work, course)| (*work, course))
    };
    let star = star.filter(|(_, course)| course.response().looks() > 0);
    let stop: Option<Stop> = star.and_then(|(_, course)| match course.next() {
        Next::Stop(stop) => Some(stop),
        _ => None,
    });
    let after = star.map(|(_, course)| {
        let (coma, spread) = course.response().coma();
        (coma.norm(), (spread.trace() / 2.0).max(0.0).sqrt())
    });
    let outcome = Outcome {
        why: stop.map(|s| s.why),
        before: now.before,
        after,
        chance_within: star.map(|(_, course)| course.response().chance_within(threshold_waves)),
        adjustments: now.adjustments,
        looks: now.looks,
        better_night: stop.is_some_and(|s| s.better_night),
    };
    let taught = star.and_then(|(work, course)| match work {
        Work::Star(element) if course.adjustments() > 0 => Some((element, course)),
        _ => None,
    });
    (outcome, taught)
}

/// What a collimation session's end will say, reckoned from its records before
/// anything is written, since they take a while to play through.
pub struct Ending {
    outcome: Outcome,
    work: BenchWork,
    happened_at: Moment,
    taught: Option<(Element, Vec<Screw>, Learnt)>,
}

impl Ending {
    /// As the session stands, were it to end at this moment.
    ///
    /// # Errors
    /// When the library cannot be read.
    pub async fn of(conn: &mut Conn, collimation: &Collimation, at: Moment) -> Result<Self> {
        let now = progress(conn, collimation).await?;
        let (outcome, taught) = outcome(&now, collimation.setup.threshold_waves);
        let mut words = format!(
            "Collimation: {}, {}.",
            counted(now.adjustments, "adjustment", "adjustments"),
            counted(now.looks, "star check", "star checks")
        );
        if let (Some((b, _)), Some((a, s))) = (outcome.before, outcome.after) {
            words.push_str(&format!(
                " Coma {b:.2} before, {a:.3} \u{b1} {} waves RMS after.",
                if s < 0.0005 {
                    "less than 0.001".to_owned()
                } else {
                    format!("{s:.3}")
                }
            ));
        }
        let work = BenchWork {
            what: if now.adjustments > 0 {
                WorkWhat::Collimation
            } else {
                WorkWhat::Inspection
            },
            minutes: Some((at - collimation.started_at).num_minutes().clamp(0, 10_000)),
            moved_optics: now.adjustments > 0,
            words,
            settles: Vec::new(),
        };
        let taught = taught.and_then(|(element, course)| {
            let learnt = course.response().learnt()?;
            Some((element, course.footing().screws.clone(), learnt))
        });
        Ok(Self {
            outcome,
            work,
            // The looks after the last turn still say how it stands.
            happened_at: now.last_go.unwrap_or(at),
            taught,
        })
    }

    /// Ends the collimation session: the work in the logbook, what was learnt of the
    /// screws, and what came of it. `ordinal` is how many records whoever ends it has seen.
    ///
    /// # Errors
    /// Refused when it has ended, or someone has gone on with it meanwhile.
    pub async fn write(
        self,
        conn: &mut Conn,
        collimation: &Collimation,
        ordinal: i64,
        by: PersonId,
        at: Moment,
    ) -> Result<EntryId> {
        collimations::still_at(conn, collimation.id, ordinal).await?;
        let entry = NewEntry {
            instrument: collimation.instrument_id,
            kind: EntryKind::Work,
            happened_at: self.happened_at,
            recorded_at: at,
            by,
            loan: None,
            note: String::new(),
        };
        let entry = self.work.log(conn, entry).await?;
        if let Some((element, screws, learnt)) = &self.taught {
            collimations::keep_learnt(conn, collimation, *element, screws, learnt, at).await?;
        }
        collimations::end(conn, collimation.id, &self.outcome, Some(entry), by, at).await?;
        Ok(entry)
    }
}

fn counted(n: usize, one: &str, many: &str) -> String {
    match n {
        0 => format!("no {many}"),
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    }
}
