//! Work: what the bench did.

use super::entries::{EntryKind, NewEntry};
use super::instruments::{Instrument, Status};
use super::{Conn, EntryId, Error, InstrumentId, Moment, PersonId, Result};

words! {
    /// What was done.
    pub enum WorkWhat {
        /// The optics were lined up.
        Collimation = "collimation", "collimation";
        /// Cleaned.
        Cleaning = "cleaning", "cleaning";
        /// Mended.
        Repair = "repair", "repair";
        /// A part was replaced.
        PartReplaced = "part-replaced", "part replaced";
        /// Looked over, nothing done.
        Inspection = "inspection", "inspection";
    }
}

/// What was done at the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// What.
    pub what: WorkWhat,
    /// How long it took, minutes.
    pub minutes: Option<i64>,
    /// Whether anything optical was moved, so that only a new star test can
    /// say whether it is in line.
    pub moved_optics: bool,
    /// In words.
    pub words: String,
    /// The problems this settles.
    pub settles: Vec<EntryId>,
}

/// Work as it stands in a logbook.
#[derive(Debug, Clone)]
pub struct LoggedWork {
    /// Its entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// When.
    pub happened_at: Moment,
    /// What.
    pub what: WorkWhat,
    /// Minutes.
    pub minutes: Option<i64>,
    /// Whether optics were moved.
    pub moved_optics: bool,
    /// In words.
    pub words: String,
}

impl Work {
    /// Writes the details under an entry already written.
    pub async fn write(&self, conn: &mut Conn, entry: EntryId) -> Result<()> {
        sqlx::query!(
            "INSERT INTO works (entry_id, what, minutes, moved_optics, words) VALUES (?, ?, ?, ?, ?)",
            entry, self.what, self.minutes, self.moved_optics, self.words
        )
        .execute(&mut *conn)
        .await?;
        for problem in &self.settles {
            sqlx::query!(
                "INSERT INTO work_settles (work_entry_id, problem_entry_id) VALUES (?, ?)",
                entry,
                problem
            )
            .execute(&mut *conn)
            .await?;
        }
        Ok(())
    }

    /// Writes entry and details; `entry.kind` is set here.
    pub async fn log(&self, conn: &mut Conn, mut entry: NewEntry) -> Result<EntryId> {
        entry.kind = EntryKind::Work;
        let id = entry.write(conn).await?;
        self.write(conn, id).await?;
        Ok(id)
    }
}

/// Every standing piece of work of one instrument, or of all, oldest first.
pub async fn current(conn: &mut Conn, instrument: Option<InstrumentId>) -> Result<Vec<LoggedWork>> {
    Ok(sqlx::query_as!(
        LoggedWork,
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", w.what AS "what: WorkWhat", w.minutes,
                  w.moved_optics AS "moved_optics: bool", w.words
           FROM instruments i CROSS JOIN current_entries e ON e.instrument_id = i.id AND e.kind = 'work'
                JOIN works w ON w.entry_id = e.id
           WHERE ?1 IS NULL OR i.id = ?1
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// Puts an instrument on the shelf, holds it for the bench or takes it to the
/// bench, and writes the logbook entry.
///
/// # Errors
/// Refused while it is out on loan or retired, or when it stands there already.
pub async fn put(
    conn: &mut Conn,
    instrument: &Instrument,
    to: Status,
    reason: &str,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let tag = &instrument.tag;
    if instrument.open_loan.is_some() {
        return Err(Error::Refused(format!(
            "{tag} is out on loan, so it cannot go to the bench or the shelf. Take it back first."
        )));
    }
    if instrument.status == Status::Retired {
        return Err(Error::Refused(format!(
            "{tag} is retired. A coordinator can bring it back from its register page."
        )));
    }
    if instrument.status == to {
        return Err(Error::Refused(format!("{tag} is {to} already.")));
    }
    Instrument::set_status(conn, instrument.id, to, reason).await?;
    NewEntry {
        instrument: instrument.id,
        kind: EntryKind::Status,
        happened_at: at,
        recorded_at: at,
        by,
        loan: None,
        note: format!("Now {to}: {reason}"),
    }
    .write(conn)
    .await?;
    Ok(())
}
