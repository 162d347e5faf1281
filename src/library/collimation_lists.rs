//! Collimation sessions found again: the open one, the last, all of them in short, and those
//! that entries of a logbook belong to.

use super::collimations::Ended;
use super::{CollimationId, Conn, EntryId, InstrumentId, Moment, Result, from_json};

/// An instrument with an open collimation session.
#[derive(Debug, Clone)]
pub struct Running {
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
}

/// The instruments with an open collimation session, by tag.
pub async fn running(conn: &mut Conn) -> Result<Vec<Running>> {
    Ok(sqlx::query_as!(
        Running,
        r#"SELECT i.tag, i.name FROM collimations s JOIN instruments i ON i.id = s.instrument_id
           WHERE s.ended_at IS NULL ORDER BY i.tag COLLATE NOCASE"#
    )
    .fetch_all(conn)
    .await?)
}

/// The last collimation session of an instrument that has ended.
pub async fn last_ended(
    conn: &mut Conn,
    instrument: InstrumentId,
) -> Result<Option<CollimationId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT s.id AS "id: CollimationId" FROM collimations s
           WHERE s.instrument_id = ? AND s.ended_at IS NOT NULL ORDER BY s.ended_at DESC, s.id DESC LIMIT 1"#,
        instrument
    )
    .fetch_optional(conn)
    .await?)
}

/// A collimation session in short.
#[derive(Debug, Clone)]
pub struct InShort {
    /// Which.
    pub id: CollimationId,
    /// Of what.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// When it began.
    pub started_at: Moment,
    /// Who began it.
    pub started_by: String,
    /// When the last thing was written down.
    pub last_at: Moment,
    /// Its end; none while it runs.
    pub ended: Option<Ended>,
}

/// Every collimation session, or those of one instrument, the newest first.
pub async fn all(conn: &mut Conn, instrument: Option<InstrumentId>) -> Result<Vec<InShort>> {
    let rows = sqlx::query!(
        r#"SELECT s.id AS "id: CollimationId", i.tag, i.name, s.started_at AS "started_at: Moment", p.name AS started_by,
                  (SELECT MAX(t.at) FROM collimation_steps t WHERE t.collimation_id = s.id) AS "last_at?: Moment",
                  s.ended_at AS "ended_at?: Moment", q.name AS "ended_by?: String", s.outcome AS "outcome?: String"
           FROM collimations s JOIN instruments i ON i.id = s.instrument_id JOIN people p ON p.id = s.started_by
           LEFT JOIN people q ON q.id = s.ended_by
           WHERE ?1 IS NULL OR s.instrument_id = ?1
           ORDER BY s.started_at DESC, s.id DESC"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter()
        .map(|r| {
            let ended = match (r.ended_at, r.ended_by, r.outcome) {
                (Some(at), Some(by), Some(outcome)) => Some(Ended {
                    at,
                    by,
                    outcome: from_json(&outcome)?,
                }),
                _ => None,
            };
            Ok(InShort {
                id: r.id,
                tag: r.tag,
                name: r.name,
                started_at: r.started_at,
                started_by: r.started_by,
                last_at: r.last_at.unwrap_or(r.started_at),
                ended,
            })
        })
        .collect()
}

/// The collimation sessions that left an entry in an instrument's logbook: the work at
/// their end, and the looks by eye on the way.
pub async fn of_entries(
    conn: &mut Conn,
    instrument: InstrumentId,
) -> Result<Vec<(EntryId, CollimationId)>> {
    let rows = sqlx::query!(
        r#"SELECT t.entry_id AS "entry!: EntryId", t.collimation_id AS "collimation!: CollimationId"
           FROM collimation_steps t JOIN collimations s ON s.id = t.collimation_id
           WHERE s.instrument_id = ?1 AND t.entry_id IS NOT NULL
           UNION
           SELECT s.work_entry_id AS "entry!: EntryId", s.id AS "collimation!: CollimationId"
           FROM collimations s WHERE s.instrument_id = ?1 AND s.work_entry_id IS NOT NULL"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows.into_iter().map(|r| (r.entry, r.collimation)).collect())
}
