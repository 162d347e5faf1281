//! Copies of the whole database, for backups: made while the tool runs, and
//! checked before they are trusted.

use std::path::Path;

use sqlx::Connection;
use sqlx::sqlite::SqliteConnectOptions;

use super::{AttemptId, Error, Library, MIGRATIONS, Result};

/// What a copy holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checked {
    /// The club's name.
    pub club: String,
    /// Instruments in the register.
    pub instruments: i64,
    /// Logbook entries.
    pub entries: i64,
    /// Tries that wait to be measured.
    pub waiting: Vec<AttemptId>,
    /// Rows of each table.
    pub rows: std::collections::BTreeMap<String, i64>,
}

/// Copies the database as it stands at one instant into a new file, checks the
/// copy (see [`check_copy`]) and says what it holds. Readers and the writer go
/// on meanwhile.
pub async fn copy_of(library: &Library, to: &Path) -> Result<Checked> {
    let options = SqliteConnectOptions::new()
        .filename(library.folder().join(super::DATABASE_FILE))
        .busy_timeout(std::time::Duration::from_secs(30));
    let mut conn = sqlx::SqliteConnection::connect_with(&options).await?;
    // Not checked when compiled: this is no query of a table.
    sqlx::query("VACUUM INTO ?")
        .bind(to.to_string_lossy().into_owned())
        .execute(&mut conn)
        .await?;
    conn.close().await?;
    let file = std::fs::File::open(to).and_then(|f| f.sync_all());
    file.map_err(|said| Error::Folder {
        path: to.to_owned(),
        said,
    })?;
    check_copy(to).await
}

/// Checks that a database is sound (`PRAGMA integrity_check` and
/// `foreign_key_check`) and made by this version or an older one.
///
/// # Errors
/// Refused with the reason when it is not.
pub async fn check_copy(database: &Path) -> Result<Checked> {
    let options = SqliteConnectOptions::new()
        .filename(database)
        .immutable(true)
        .read_only(true);
    let mut conn = sqlx::SqliteConnection::connect_with(&options).await?;
    let checked = check(&mut conn).await;
    conn.close().await?;
    match checked {
        Err(Error::Database(error)) => Err(Error::Refused(format!("it cannot be read ({error})."))),
        other => other,
    }
}

/// Reads every table's pages and those of its indices (`PRAGMA quick_check`), a table
/// at a time on a connection of its own, with `rest` between two, so that the writer's
/// log can be folded in meanwhile. Once that has been done for all, the database is
/// sound as far as its pages tell.
///
/// # Errors
/// Refused with what SQLite says where a page is not sound.
pub async fn check_pages(folder: &Path, rest: std::time::Duration) -> Result<()> {
    let unsound = |said: String| {
        Error::Refused(format!(
            "The database is damaged (SQLite says: {said}). {}",
            super::DAMAGED
        ))
    };
    let damaged = |error: sqlx::Error| match super::result_code(&error) & 0xff {
        // SQLITE_IOERR, SQLITE_CORRUPT, SQLITE_NOTADB.
        10 | 11 | 26 => unsound(error.to_string()),
        _ => error.into(),
    };
    let options = SqliteConnectOptions::new()
        .filename(folder.join(super::DATABASE_FILE))
        .read_only(true)
        .busy_timeout(std::time::Duration::from_secs(10));
    let mut conn = sqlx::SqliteConnection::connect_with(&options)
        .await
        .map_err(damaged)?;
    let tables: Vec<String> =
        sqlx::query_scalar("SELECT name FROM sqlite_schema WHERE type = 'table'")
            .fetch_all(&mut conn)
            .await
            .map_err(damaged)?;
    for table in tables {
        let ask = format!("PRAGMA quick_check(\"{}\")", table.replace('"', "\"\""));
        let said: Vec<String> = sqlx::query_scalar(sqlx::AssertSqlSafe(ask))
            .fetch_all(&mut conn)
            .await
            .map_err(damaged)?;
        if said != ["ok"] {
            return Err(unsound(
                said.iter().take(3).cloned().collect::<Vec<_>>().join("; "),
            ));
        }
        tokio::time::sleep(rest).await;
    }
    conn.close().await?;
    Ok(())
}

/// Not checked when compiled: the database may be of any age, or none of ours.
async fn check(conn: &mut sqlx::SqliteConnection) -> Result<Checked> {
    let said: Vec<String> = sqlx::query_scalar("PRAGMA integrity_check(5)")
        .fetch_all(&mut *conn)
        .await?;
    if said != ["ok"] {
        return Err(Error::Refused(format!("SQLite says: {}.", said.join("; "))));
    }
    let loose = sqlx::query("PRAGMA foreign_key_check")
        .fetch_all(&mut *conn)
        .await?;
    if !loose.is_empty() {
        return Err(Error::Refused(format!(
            "{} rows point at rows that are not there.",
            loose.len()
        )));
    }
    let newest: Option<i64> =
        sqlx::query_scalar("SELECT MAX(version) FROM _sqlx_migrations WHERE success")
            .fetch_one(&mut *conn)
            .await?;
    let known = MIGRATIONS.iter().map(|m| m.version).max();
    if newest > known {
        return Err(Error::Refused(
            "a newer version of this tool wrote it. Use that version.".to_owned(),
        ));
    }
    let club: Option<String> = sqlx::query_scalar("SELECT name FROM club")
        .fetch_optional(&mut *conn)
        .await?;
    let instruments = sqlx::query_scalar("SELECT COUNT(*) FROM instruments")
        .fetch_one(&mut *conn)
        .await?;
    let entries = sqlx::query_scalar("SELECT COUNT(*) FROM entries")
        .fetch_one(&mut *conn)
        .await?;
    let waiting = sqlx::query_scalar("SELECT id FROM attempts WHERE state = 'waiting' ORDER BY id")
        .fetch_all(&mut *conn)
        .await?;
    let tables: Vec<String> = sqlx::query_scalar(
        r"SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite\_%' ESCAPE '\'",
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut rows = std::collections::BTreeMap::new();
    for table in tables {
        // A name cannot be bound; it is the schema's own, quoted.
        let count = format!("SELECT COUNT(*) FROM \"{}\"", table.replace('"', "\"\""));
        let held = sqlx::query_scalar(sqlx::AssertSqlSafe(count))
            .fetch_one(&mut *conn)
            .await?;
        rows.insert(table, held);
    }
    Ok(Checked {
        club: club.unwrap_or_default(),
        instruments,
        entries,
        waiting,
        rows,
    })
}
