//! Every problem that stands, as a list shows it.

use std::collections::HashMap;

use super::problems::{self, LoggedProblem};
use super::{Conn, EntryId, Result};

/// A problem with its instrument and who wrote it down.
#[derive(Debug, Clone)]
pub struct Listed {
    /// The problem.
    pub logged: LoggedProblem,
    /// The instrument's tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// Who wrote it down.
    pub recorded_by: String,
}

/// All of them, or only the open ones; oldest first.
pub async fn listed(conn: &mut Conn, only_open: bool) -> Result<Vec<Listed>> {
    let logged = match only_open {
        true => problems::open(conn, None).await?,
        false => problems::current(conn, None).await?,
    };
    let rows = sqlx::query!(
        r#"SELECT e.id AS "id: EntryId", i.tag, i.name, p.name AS recorded_by
           FROM problems f JOIN entries e ON e.id = f.entry_id JOIN instruments i ON i.id = e.instrument_id
                JOIN people p ON p.id = e.recorded_by
           WHERE f.entry_id IN (SELECT entry_id FROM open_problems
                                UNION ALL SELECT entry_id FROM problems WHERE NOT ?1)"#,
        only_open
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut told: HashMap<EntryId, (String, String, String)> = rows
        .into_iter()
        .map(|r| (r.id, (r.tag, r.name, r.recorded_by)))
        .collect();
    Ok(logged
        .into_iter()
        .filter_map(|logged| {
            let (tag, name, recorded_by) = told.remove(&logged.entry_id)?;
            Some(Listed {
                logged,
                tag,
                name,
                recorded_by,
            })
        })
        .collect())
}
