//! Whether a data folder is free for the demo club.

use std::path::Path;

use sqlx::Connection;
use sqlx::sqlite::SqliteConnectOptions;

use super::Result;

/// What a folder holds, seen without changing anything in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Holds {
    /// Nothing, or it does not exist, or only a database that nobody has used.
    Nothing,
    /// The demo club.
    Demo,
    /// A club of somebody's own, set up or about to be.
    Club,
    /// Other files.
    OtherFiles,
}

/// Looks what a folder holds.
///
/// # Errors
/// When the folder or a database in it cannot be read.
pub async fn holds(folder: &Path) -> Result<Holds> {
    let unreadable = |said| super::Error::Folder {
        path: folder.to_owned(),
        said,
    };
    if !folder.exists() {
        return Ok(Holds::Nothing);
    }
    let database = folder.join(super::DATABASE_FILE);
    if !database.exists() {
        let mut files = std::fs::read_dir(folder).map_err(unreadable)?;
        return Ok(match files.next() {
            None => Holds::Nothing,
            Some(_) => Holds::OtherFiles,
        });
    }
    let options = SqliteConnectOptions::new()
        .filename(&database)
        .read_only(true);
    let mut conn = sqlx::SqliteConnection::connect_with(&options).await?;
    // Not checked when compiled: the database may be of any age.
    let tables: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM sqlite_schema WHERE name = 'club'")
        .fetch_one(&mut conn)
        .await?;
    let holds = if tables == 0 {
        Holds::Nothing
    } else {
        let demo: Option<i64> = sqlx::query_scalar("SELECT demo FROM club")
            .fetch_optional(&mut conn)
            .await?;
        let begun: i64 = sqlx::query_scalar(
            "SELECT EXISTS (SELECT 1 FROM people) OR EXISTS (SELECT 1 FROM sign_in_links)",
        )
        .fetch_one(&mut conn)
        .await?;
        match (demo, begun) {
            (Some(1), _) => Holds::Demo,
            (None, 0) => Holds::Nothing,
            _ => Holds::Club,
        }
    };
    conn.close().await?;
    Ok(holds)
}
