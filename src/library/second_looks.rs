//! A second pair of eyes: that somebody looked over what another did at the bench. It is
//! told by a note in the logbook, of which this is the detail.

use super::entries::{EntryKind, NewEntry};
use super::{Conn, EntryId, Error, InstrumentId, Moment, PersonId, Result};

/// A second look as it stands.
#[derive(Debug, Clone)]
pub struct LoggedLook {
    /// Its entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// When.
    pub happened_at: Moment,
}

/// Every standing second look at one instrument, or at all, oldest first.
pub async fn current(conn: &mut Conn, instrument: Option<InstrumentId>) -> Result<Vec<LoggedLook>> {
    Ok(sqlx::query_as!(
        LoggedLook,
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment"
           FROM second_looks s CROSS JOIN current_entries e ON e.id = s.entry_id
           WHERE ?1 IS NULL OR e.instrument_id = ?1
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// Whether this person can sign off what was done at an instrument since then; `None` where no
/// work that moved the optics, or mended something, is without a second look. (Whether the club wants
/// one, and what a star test says, is for `upkeep::rules`.)
pub async fn may_sign(
    conn: &mut Conn,
    instrument: InstrumentId,
    person: PersonId,
    since: Moment,
) -> Result<Option<bool>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT MAX(e.recorded_by <> ?2) AS "others: bool"
           FROM current_entries e JOIN works w ON w.entry_id = e.id
           WHERE e.instrument_id = ?1 AND (w.moved_optics = 1 OR w.what = 'repair')
             AND e.happened_at >= ?3 AND NOT EXISTS (
               SELECT 1 FROM second_looks s JOIN current_entries l ON l.id = s.entry_id
               WHERE l.instrument_id = ?1 AND l.happened_at >= e.happened_at AND l.recorded_by <> e.recorded_by)"#,
        instrument,
        person,
        since
    )
    .fetch_one(conn)
    .await?)
}

/// Signs work since then off as looked over; `entry.kind` and the beginning of its note are set here.
///
/// # Errors
/// Refused when the club wants none (`since` is `None`), when nothing waits for it, or only
/// what who signs did themselves.
pub async fn sign(conn: &mut Conn, mut entry: NewEntry, since: Option<Moment>) -> Result<EntryId> {
    let may = match since {
        Some(since) => may_sign(conn, entry.instrument, entry.by, since).await?,
        None => None,
    };
    match may {
        None => Err(Error::Refused(
            "No work waits for a second look here.".to_owned(),
        )),
        Some(false) => Err(Error::Refused(
            "You did this work yourself. Ask another volunteer to look it over.".to_owned(),
        )),
        Some(true) => {
            entry.kind = EntryKind::Note;
            entry.note = format!("Looked over by a second person. {}", entry.note);
            entry.note = entry.note.trim_end().to_owned();
            let id = entry.write(conn).await?;
            sqlx::query!("INSERT INTO second_looks (entry_id) VALUES (?)", id)
                .execute(conn)
                .await?;
            Ok(id)
        }
    }
}
