//! The mark of each logbook: drawn anew, by the database itself, with every row
//! that an instrument's reading rests on (migration 0042).

use std::collections::HashMap;

use super::{Conn, InstrumentId, Result};

/// The mark of each instrument's logbook. Read it before the logbook: what is
/// read after it is then never older than it.
pub async fn all(conn: &mut Conn) -> Result<HashMap<InstrumentId, i64>> {
    let rows = sqlx::query!(
        r#"SELECT instrument_id AS "instrument_id: InstrumentId", mark FROM logbook_marks"#
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| (r.instrument_id, r.mark))
        .collect())
}
