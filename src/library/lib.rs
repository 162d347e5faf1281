//! The nouns and their tables.
//!
//! Each noun keeps its type, its rules and its queries in one file. SQL stands
//! in this wing only and is checked when the crate is compiled (see
//! DEVELOPERS.md). Reads take any connection; a write takes the connection of
//! a [`Write`] transaction, and several writes of one request share it.

#![forbid(unsafe_code)]

#[macro_use]
mod words;

pub mod adjusters;
pub mod attempts;
pub mod audit_log;
pub mod barrel_checks;
pub mod changes;
pub mod club;
pub mod collimation_end;
pub mod collimation_lists;
pub mod collimation_replay;
pub mod collimations;
mod copies;
pub mod demo;
pub mod designs;
pub mod entries;
pub mod expiry;
pub mod feeds;
pub mod forms;
pub mod held_lists;
pub mod imports;
pub mod instruments;
pub mod intake;
pub mod jobs;
pub mod journeys;
pub mod kit;
pub mod lamp;
pub mod lending;
pub mod limits;
pub mod loan_lists;
pub mod loan_periods;
pub mod loans;
pub mod logbook;
mod look;
pub mod measures;
pub mod messages;
pub mod missing_kit;
pub mod own_data;
pub mod papers;
pub mod people;
pub mod photos;
pub mod problem_list;
pub mod problems;
pub mod renewals;
pub mod reports;
pub mod reservations;
pub mod returning;
pub mod search;
pub mod second_factor;
pub mod second_looks;
pub mod sessions;
pub mod sets;
pub mod settings;
pub mod sign_in_tries;
pub mod signatures;
pub mod spares;
pub mod star_tests;
pub mod stock;
pub mod telling;
pub mod things;
pub mod turns;
pub mod waits;
pub mod whole_club;
mod witness;
pub mod work_nights;
pub mod works;
mod write;
pub mod year;

use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, Utc};
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteQueryResult,
    SqliteSynchronous,
};
use sqlx::{Connection, SqlitePool};

pub use audit_log::hex;
pub use copies::{Checked, check_copy, check_pages, copy_of};
pub use witness::{Left, LogTrouble, Place, log_trouble};
pub use words::{UnknownWord, capital, day};
pub use write::Write;

/// An instant, UTC.
pub type Moment = DateTime<Utc>;
/// The connection a query runs on.
pub type Conn = sqlx::SqliteConnection;

/// Why the library did not do as asked.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Nothing of that name or id.
    #[error("there is no such {0}")]
    NotFound(&'static str),
    /// The rules of the house forbid it; the text says which and what to do.
    #[error("{0}")]
    Refused(String),
    /// The data folder could not be used.
    #[error(
        "the data folder {path} cannot be used: {said}. It must belong to the user that runs this, on a disk that can be written"
    )]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said; not called source, which would be printed twice.
        said: std::io::Error,
    },
    /// The disk failed while it was to keep something; it is not known what it holds.
    #[error(
        "the disk failed while it was to keep what was written ({0}); nothing more is written until the tool is started again"
    )]
    SyncFailed(String),
    /// The database said no.
    #[error(transparent)]
    Database(#[from] sqlx::Error),
    /// The database's layout could not be brought up to date.
    #[error("the database's layout: {0}")]
    Migration(#[from] sqlx::migrate::MigrateError),
}

/// Shorthand.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// What was kept as JSON, or what a query gathered into one text, where a row for each would cost
/// more than what stands in it.
fn from_json<T: serde::de::DeserializeOwned>(text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|why| sqlx::Error::Decode(Box::new(why)).into())
}

/// The truth of SQL in such a text.
fn bit<'de, D: serde::Deserializer<'de>>(from: D) -> Result<bool, D::Error> {
    <i64 as serde::Deserialize>::deserialize(from).map(|bit| bit != 0)
}

/// Ids for a query to take apart with `unhex`.
fn listed(ids: impl Iterator<Item = uuid::Uuid>) -> String {
    let ids: Vec<_> = ids.map(uuid::Uuid::simple).collect();
    serde_json::json!(ids).to_string()
}

/// That a write met the row it was meant for; `otherwise` where the row has changed
/// meanwhile or is not there.
fn one_row(done: &SqliteQueryResult, otherwise: Error) -> Result<()> {
    if done.rows_affected() == 0 {
        return Err(otherwise);
    }
    Ok(())
}

/// The club's data: one folder with one SQLite database in it.
///
/// One writer and several readers: with write-ahead logging readers never wait
/// for the writer; [`Write::commit`] returns when the log is on the disk, synced for all
/// who wait at once (SQLite's own `synchronous = NORMAL` leaves that to us).
#[derive(Debug, Clone)]
pub struct Library {
    folder: PathBuf,
    readers: SqlitePool,
    writer: SqlitePool,
    log: write::Log,
}

/// The database's name in the data folder.
pub const DATABASE_FILE: &str = "tubewright.db";

/// What to do when the database has lost pages.
pub const DAMAGED: &str =
    "Stop the tool, keep a copy of the folder as it is, and restore the latest backup.";

/// SQLite's extended result code (sqlite.org/rescode.html), whose low byte is the
/// primary one; 0 where the error is not the database's.
pub fn result_code(error: &sqlx::Error) -> u32 {
    let code = error.as_database_error().and_then(|e| e.code());
    code.and_then(|c| c.parse().ok()).unwrap_or(0)
}

/// Whether an error is one that passes, so that what was refused is worth another try:
/// the database is held, or its disk is full or cannot be used just now.
pub fn passes(error: &Error) -> bool {
    match error {
        Error::SyncFailed(_) | Error::Database(sqlx::Error::PoolTimedOut | sqlx::Error::Io(_)) => {
            true
        }
        // SQLITE_BUSY, _LOCKED, _READONLY, _IOERR, _FULL, _CANTOPEN.
        Error::Database(error) => {
            matches!(result_code(error) & 0xff, 5 | 6 | 8 | 10 | 13 | 14)
        }
        _ => false,
    }
}

/// The refusal, where it is that another program has the database for itself.
fn held(folder: &Path, error: &sqlx::Error) -> Option<Error> {
    // SQLITE_BUSY and SQLITE_LOCKED.
    matches!(result_code(error) & 0xff, 5 | 6).then(|| {
        Error::Refused(format!(
            "The data in {} cannot be used: another program has held it for more than ten seconds, a backup by other means, say. Let that end, or stop it, and try again.",
            folder.display()
        ))
    })
}

/// The same, or else the error itself.
fn held_or(folder: &Path, error: sqlx::Error) -> Error {
    held(folder, &error).unwrap_or_else(|| error.into())
}

/// The migrations carried inside the binary.
pub static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations");

impl Library {
    /// Opens the data folder, making it and its database when missing, and
    /// brings the database's layout up to date.
    pub async fn open(folder: &Path) -> Result<Self> {
        let unusable = |said| Error::Folder {
            path: folder.to_owned(),
            said,
        };
        make_folder(folder).map_err(unusable)?;
        // SQLite would only say that it cannot open the file.
        tempfile::tempfile_in(folder).map_err(unusable)?;
        let options = SqliteConnectOptions::new()
            .filename(folder.join(DATABASE_FILE))
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Normal)
            .foreign_keys(true)
            .busy_timeout(Duration::from_secs(10))
            // Lists run to hundreds of rows: fewer changes of thread, and most of a
            // large club's pages stay in memory (KiB of cache for each connection).
            .row_buffer_size(500)
            .pragma("cache_size", "-8000");
        let writer = SqlitePoolOptions::new()
            .max_connections(1)
            .idle_timeout(None)
            .max_lifetime(None)
            // Where a commit failed, on a full disk say, SQLite has rolled back by
            // itself and the connection still counts a transaction: it would
            // refuse every later one. A fresh connection takes its place.
            .after_release(|conn, _| {
                Box::pin(async move {
                    conn.ping().await?;
                    Ok(!conn.is_in_transaction())
                })
            })
            .connect_with(options.clone())
            .await
            .map_err(|error| held_or(folder, error))?;
        MIGRATIONS.run(&writer).await.map_err(|error| match error {
            sqlx::migrate::MigrateError::VersionMissing(_)
            | sqlx::migrate::MigrateError::VersionTooNew(..) => Error::Refused(format!(
                "{} was written by a newer version of this tool. Use that version, or restore a backup that is older.",
                folder.join(DATABASE_FILE).display()
            )),
            sqlx::migrate::MigrateError::Execute(error) => held_or(folder, error),
            other => other.into(),
        })?;
        let readers = SqlitePoolOptions::new()
            // Two cores can hardly read for more at a time.
            .max_connections(8)
            .idle_timeout(None)
            .max_lifetime(None)
            .connect_with(options.read_only(true).create_if_missing(false))
            .await?;
        Ok(Self {
            folder: folder.to_owned(),
            readers,
            writer,
            log: write::Log::of(&folder.join(DATABASE_FILE)),
        })
    }

    /// The data folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// A connection for reading.
    pub async fn read(&self) -> Result<sqlx::pool::PoolConnection<sqlx::Sqlite>> {
        Ok(self.readers.acquire().await?)
    }

    /// Begins the one write transaction there can be at a time.
    pub async fn write(&self) -> Result<Write> {
        let tx = self.writer.begin_with("BEGIN IMMEDIATE").await?;
        Write::new(tx, self.log.clone())
    }

    /// Returns when the disk has failed to keep something: from then on nothing is
    /// written until the library is opened anew.
    pub async fn failure(&self) {
        self.log.failure().await;
    }

    /// Whether the disk has kept everything so far.
    ///
    /// # Errors
    /// [`Error::SyncFailed`] with what the system said.
    pub fn sound(&self) -> Result<()> {
        self.log.sound()
    }

    /// Closes all connections, folding the write-ahead log into the database.
    pub async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
    }
}

/// Makes a data folder where there is none; only its owner may look into it.
///
/// # Errors
/// What the system says.
pub fn make_folder(folder: &Path) -> std::io::Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// When the latest entry was written down; `None` where there is none.
pub async fn last_written(conn: &mut Conn) -> Result<Option<Moment>> {
    Ok(
        sqlx::query_scalar!(r#"SELECT MAX(recorded_at) AS "at?: Moment" FROM entries"#)
            .fetch_one(conn)
            .await?,
    )
}

id!(
    /// A person.
    PersonId
);
id!(
    /// An instrument, or a thing that goes with one.
    InstrumentId
);
id!(
    /// What usually goes out together.
    SetId
);
id!(
    /// A stock-taking.
    StockTakingId
);
id!(
    /// A logbook entry.
    EntryId
);
id!(
    /// A loan.
    LoanId
);
id!(
    /// A kit part.
    KitPartId
);
id!(
    /// A try at measuring frames.
    AttemptId
);
id!(
    /// A place on the waiting list.
    WaitId
);
id!(
    /// A message to somebody.
    MessageId
);
id!(
    /// A part that is missing.
    MissingKitId
);
id!(
    /// A renewal.
    RenewalId
);
id!(
    /// A reservation.
    ReservationId
);
id!(
    /// A report.
    ReportId
);
id!(
    /// A photo.
    PhotoId
);
id!(
    /// Somebody's part in putting a problem right.
    JobId
);
id!(
    /// Spare parts of one kind.
    SpareId
);
id!(
    /// A manual, a receipt, a drawing.
    PaperId
);
id!(
    /// A collimation session at the bench.
    CollimationId
);
id!(
    /// A work night.
    WorkNightId
);
id!(
    /// A list that is looked over before it is kept.
    UploadId
);
id!(
    /// Lists that were kept as one.
    ImportId
);
