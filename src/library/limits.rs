//! Set limits: who set which, when and why. The newest row for an instrument
//! or a design holds; a row without a value goes back to the level above.

use super::instruments::Design;
use super::{Conn, InstrumentId, Moment, PersonId, Result};

words! {
    /// What a limit is about.
    pub enum LimitWhat {
        /// RMS coma in waves above which the limit is told to the borrower.
        ComaNote = "coma-note", "coma to mention";
        /// RMS coma in waves above which it goes to the bench first.
        ComaBench = "coma-bench", "coma for the bench";
        /// How many times what eyes accept the barrels of a binocular may point apart
        /// before the borrower is told.
        BarrelsNote = "barrels-note", "barrels to mention";
        /// The same before it goes to the bench first.
        BarrelsBench = "barrels-bench", "barrels for the bench";
        /// Weighted journeys since it was last found in line.
        Exposure = "exposure", "journeys";
        /// Months since the last star test.
        Months = "months", "months without a test";
        /// Loans since the last star test.
        Loans = "loans", "loans without a test";
    }
}

/// Whose limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// Every instrument of a design.
    Design(Design),
    /// One instrument.
    Instrument(InstrumentId),
}

/// One setting of a limit.
#[derive(Debug, Clone)]
pub struct LimitSet {
    /// The design it is for, if it is for one.
    pub design: Option<Design>,
    /// The instrument it is for, if it is for one.
    pub instrument_id: Option<InstrumentId>,
    /// What it is about.
    pub what: LimitWhat,
    /// The value; `None` goes back to the level above.
    pub value: Option<f64>,
    /// When it was set.
    pub set_at: Moment,
    /// By whom.
    pub set_by: String,
    /// Why.
    pub reason: String,
}

/// Sets a limit.
pub async fn set(
    conn: &mut Conn,
    whose: Whose,
    what: LimitWhat,
    value: Option<f64>,
    reason: &str,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let id = uuid::Uuid::now_v7();
    let (design, instrument) = match whose {
        Whose::Design(design) => (Some(design), None),
        Whose::Instrument(id) => (None, Some(id)),
    };
    sqlx::query!(
        "INSERT INTO limits (id, design, instrument_id, what, value, set_at, set_by, reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        id, design, instrument, what, value, at, by, reason
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Every setting ever made, newest first.
pub async fn history(conn: &mut Conn) -> Result<Vec<LimitSet>> {
    Ok(sqlx::query_as!(
        LimitSet,
        r#"SELECT l.design AS "design: Design", l.instrument_id AS "instrument_id: InstrumentId",
                  l.what AS "what: LimitWhat", l.value, l.set_at AS "set_at: Moment", p.name AS set_by, l.reason
           FROM limits l JOIN people p ON p.id = l.set_by ORDER BY l.set_at DESC, l.id DESC"#
    )
    .fetch_all(conn)
    .await?)
}
