//! What only the demo needs of the tables: to see whether a folder is free
//! for it, and rows that no screen writes in this way.

use std::path::Path;

use chrono::NaiveDate;
use sqlx::Connection;
use sqlx::sqlite::SqliteConnectOptions;

use super::{Conn, InstrumentId, Moment, PersonId, PhotoId, Result, WorkNightId};

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
    let unreadable = |source| super::Error::Folder {
        path: folder.to_owned(),
        source,
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
            "SELECT EXISTS (SELECT 1 FROM people) OR EXISTS (SELECT 1 FROM one_time_addresses)",
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

/// Notes that a person has left.
pub async fn set_left(conn: &mut Conn, person: PersonId, at: Moment) -> Result<()> {
    sqlx::query!("UPDATE people SET left_at = ? WHERE id = ?", at, person)
        .execute(conn)
        .await?;
    Ok(())
}

/// A work night.
#[derive(Debug, Clone)]
pub struct WorkNight {
    /// The day.
    pub held_on: NaiveDate,
    /// Where.
    pub place: String,
    /// How long, hours.
    pub hours: f64,
    /// How many pairs of hands.
    pub hands: i64,
    /// Anything else.
    pub note: String,
}

/// Adds a work night.
pub async fn add_work_night(conn: &mut Conn, night: &WorkNight) -> Result<WorkNightId> {
    let id = WorkNightId::fresh();
    sqlx::query!(
        "INSERT INTO work_nights (id, held_on, place, hours, hands, note) VALUES (?, ?, ?, ?, ?, ?)",
        id,
        night.held_on,
        night.place,
        night.hours,
        night.hands,
        night.note
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// Puts an instrument on a work night's list.
pub async fn assign(
    conn: &mut Conn,
    night: WorkNightId,
    instrument: InstrumentId,
    at: Moment,
    by: PersonId,
    done_at: Option<Moment>,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO work_night_instruments (work_night_id, instrument_id, assigned_at, assigned_by, done_at)
         VALUES (?, ?, ?, ?, ?)",
        night,
        instrument,
        at,
        by,
        done_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// A picture of an instrument.
#[derive(Debug, Clone)]
pub struct Picture {
    /// What it shows.
    pub caption: String,
    /// Columns.
    pub width_px: i64,
    /// Rows.
    pub height_px: i64,
    /// The picture, PNG.
    pub picture: Vec<u8>,
    /// A small one, PNG.
    pub thumbnail: Vec<u8>,
}

/// Adds a picture to an instrument's photos.
pub async fn add_picture(
    conn: &mut Conn,
    instrument: InstrumentId,
    p: &Picture,
    at: Moment,
    by: PersonId,
) -> Result<PhotoId> {
    let id = PhotoId::fresh();
    sqlx::query!(
        "INSERT INTO photos (id, instrument_id, caption, media_type, width_px, height_px, picture, thumbnail, added_at, added_by)
         VALUES (?, ?, ?, 'image/png', ?, ?, ?, ?, ?, ?)",
        id, instrument, p.caption, p.width_px, p.height_px, p.picture, p.thumbnail, at, by
    )
    .execute(conn)
    .await?;
    Ok(id)
}
