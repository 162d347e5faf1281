//! When each entry was first told, and of which loan it tells: what the rules
//! need to put a logbook in order.

use super::{Conn, EntryId, InstrumentId, Moment, PersonId, Result};

/// What is known of the telling of one entry. A correction keeps the place of
/// the entry it corrects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Telling {
    /// The entry.
    pub entry_id: EntryId,
    /// When the entry, or the first one it goes back to, was written down.
    pub first_told: Moment,
    /// That first entry.
    pub first_entry: EntryId,
    /// Who wrote that one.
    pub first_by: PersonId,
    /// When the loan it belongs to was lent, if it belongs to one.
    pub loan_from: Option<Moment>,
}

/// The telling of every standing entry of one instrument, or of all. The plus sign
/// keeps SQLite from walking all first entries of the club once for each instrument.
pub async fn of_standing(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
) -> Result<Vec<Telling>> {
    Ok(sqlx::query_as!(
        Telling,
        r#"WITH RECURSIVE chain (id, first_told, first_entry, first_by, loan_id) AS (
               SELECT e.id, e.recorded_at, e.id, e.recorded_by, e.loan_id
               FROM instruments i CROSS JOIN entries e ON e.instrument_id = i.id
               WHERE +e.supersedes IS NULL AND (?1 IS NULL OR i.id = ?1)
               UNION ALL
               SELECT c.id, chain.first_told, chain.first_entry, chain.first_by, COALESCE(c.loan_id, chain.loan_id)
               FROM entries c JOIN chain ON c.supersedes = chain.id
           )
           SELECT chain.id AS "entry_id!: EntryId", chain.first_told AS "first_told!: Moment",
                  chain.first_entry AS "first_entry!: EntryId", chain.first_by AS "first_by!: PersonId",
                  l.lent_at AS "loan_from?: Moment"
           FROM chain JOIN current_entries s ON s.id = chain.id LEFT JOIN loans l ON l.id = chain.loan_id"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}
