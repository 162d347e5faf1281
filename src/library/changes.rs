//! The counter that the database bumps with every write which a condition, a
//! forecast or the due list rests on (table `changes`).

use super::{Conn, InstrumentId, Result};

/// The counter as it stands; 0 before anything was written.
pub async fn counter(conn: &mut Conn) -> Result<i64> {
    Ok(
        sqlx::query_scalar!(r#"SELECT COALESCE(MAX(counter), 0) AS "counter!: i64" FROM changes"#)
            .fetch_one(conn)
            .await?,
    )
}

/// Whether neither this instrument's logbook nor anything that concerns all has changed after
/// it stood there; what is written and not yet committed in this transaction counts.
pub async fn is_as_it_was(conn: &mut Conn, instrument: InstrumentId, counter: i64) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT NOT EXISTS (SELECT 1 FROM changes WHERE instrument_id IN (?1, x'') AND counter > ?2) AS "so!: bool""#,
        instrument,
        counter
    )
    .fetch_one(conn)
    .await?)
}

/// The instruments whose logbooks, or which themselves, changed after it stood there.
pub async fn since(conn: &mut Conn, counter: i64) -> Result<Vec<InstrumentId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT instrument_id AS "id: InstrumentId" FROM changes
           WHERE counter > ? AND length(instrument_id) = 16"#,
        counter
    )
    .fetch_all(conn)
    .await?)
}
