//! The end of a collimation session: before and after, what to do with the tube now,
//! and what borrowers will read.

use super::super::page::RequestContext;
use super::super::said::said_to_borrowers;
use super::super::{Error, show};
use super::sheet::first_and_last_drawn;
use super::stop::ended_words;
use crate::bench::plan::Work;
use crate::bench::screw::Mechanism;
use crate::library::Conn;
use crate::library::collimations::{Collimation, Ended, Record};
use crate::library::instruments::Instrument;

/// The end.
pub struct EndView {
    /// When and by whom.
    pub when: String,
    /// What came of it.
    pub words: Vec<String>,
    /// First star check and last, drawn.
    pub pair: Option<(String, String)>,
    /// What to do with the tube now.
    pub now: Vec<&'static str>,
    /// Slug of the condition that borrowers read.
    pub condition: &'static str,
    /// Its sentence.
    pub sentence: String,
}

/// The end of a session that has ended.
pub async fn end_view(
    context: &RequestContext,
    conn: &mut Conn,
    collimation: &Collimation,
    instrument: &Instrument,
    ended: &Ended,
) -> Result<EndView, Error> {
    let row = context.shelf_row(conn, instrument.clone()).await?;
    let o = &ended.outcome;
    Ok(EndView {
        when: format!(
            "In the logbook: ended {} by {}.",
            show::time(context.club(), ended.at),
            ended.by
        ),
        words: ended_words(o.why, o.before, o.after, o.adjustments, o.better_night),
        pair: first_and_last_drawn(collimation).filter(|_| o.adjustments > 0),
        now: left_to_do(collimation, instrument, o.adjustments > 0),
        condition: row.assessment.condition.slug(),
        sentence: said_to_borrowers(instrument, &row.assessment),
    })
}

/// What is left to do at the tube (common practice, no source).
fn left_to_do(
    collimation: &Collimation,
    instrument: &Instrument,
    turned: bool,
) -> Vec<&'static str> {
    let setup = &collimation.setup;
    let by_laser = collimation.current().any(|s| {
        matches!(
            s.record,
            Record::Stage {
                work: Work::Mechanical(_)
            }
        )
    });
    let mut all = Vec::new();
    if turned {
        let springs = setup
            .screws
            .iter()
            .any(|s| s.mechanism == Mechanism::Spring);
        all.push(if springs {
            "Locking screws until they touch, no further."
        } else {
            "Every screw snug, none tighter than that."
        });
    }
    if by_laser {
        all.push("Laser off and out.");
    }
    if instrument.uses_diagonal && !setup.diagonal {
        all.push("Diagonal back in.");
    }
    if turned {
        all.push("Finder set on a star that is centred.");
    }
    all.push("Caps on.");
    all
}
