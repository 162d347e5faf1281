//! Tries at measuring a star test from frames: kept whether measured or refused.

use std::collections::HashMap;

use chrono::Duration;

use super::{AttemptId, Conn, Error, InstrumentId, Moment, PersonId, Result};

/// How long the frames of a failed try are kept, to be measured again.
pub const FRAMES_LAST: Duration = Duration::days(30);
/// How many tries may be in hand, of one person and of all.
pub const OF_ONE: usize = 12;
pub const OF_ALL: usize = 64;

words! {
    /// How far a try has come.
    pub enum AttemptState {
        /// In the queue, or being measured.
        Waiting = "waiting", "waiting to be measured";
        /// Measured; its star test is in the logbook.
        Measured = "measured", "measured";
        /// Refused, with reasons.
        Refused = "refused", "refused";
        /// Broken off by whoever asked.
        Cancelled = "cancelled", "broken off";
        /// Something broke here.
        Failed = "failed", "failed";
    }
}

/// One try, without its pictures.
#[derive(Debug, Clone)]
pub struct Attempt {
    /// Id.
    pub id: AttemptId,
    /// Of what.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Who asked.
    pub asked_by: PersonId,
    /// Their name.
    pub asked_by_name: String,
    /// When.
    pub asked_at: Moment,
    /// How far it has come.
    pub state: AttemptState,
    /// Frames looked at so far.
    pub frames_done: i64,
    /// Files given.
    pub frames_given: i64,
    /// JSON: camera, side, seeing and so on, as told.
    pub circumstances: String,
    /// JSON: [`startest::report::Report`].
    pub report: Option<String>,
    /// The drawing over the picture.
    pub overlay_svg: Option<String>,
    /// Until when the frames of a failed one are kept.
    pub frames_until: Option<Moment>,
}

/// What a finished try leaves.
#[derive(Debug, Clone)]
pub struct Finished {
    /// Measured, refused, cancelled or failed.
    pub state: AttemptState,
    /// Frames looked at.
    pub frames_done: i64,
    /// The report as JSON.
    pub report: Option<String>,
    /// The stacked donut.
    pub picture_png: Option<Vec<u8>>,
    /// The drawing over it.
    pub overlay_svg: Option<String>,
}

/// Notes a new try.
pub async fn ask(
    conn: &mut Conn,
    id: AttemptId,
    instrument: InstrumentId,
    by: PersonId,
    at: Moment,
    files: i64,
    circumstances: &str,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO attempts (id, instrument_id, asked_by, asked_at, state, frames_given, circumstances)
         VALUES (?, ?, ?, ?, 'waiting', ?, ?)",
        id, instrument, by, at, files, circumstances
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Ends a try that has not ended yet. False when it had. The frames of a failed one
/// are kept a while, those of all others are of no more use.
pub async fn finish(conn: &mut Conn, id: AttemptId, end: &Finished, at: Moment) -> Result<bool> {
    let until = (end.state == AttemptState::Failed).then(|| at + FRAMES_LAST);
    let done = sqlx::query!(
        "UPDATE attempts SET state = ?, frames_done = ?, report = ?, picture_png = ?, overlay_svg = ?, finished_at = ?, frames_until = ?
         WHERE id = ? AND state = 'waiting'",
        end.state, end.frames_done, end.report, end.picture_png, end.overlay_svg, at, until, id
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Breaks a try off that has not ended yet. False when it had.
pub async fn cancel(conn: &mut Conn, id: AttemptId, at: Moment) -> Result<bool> {
    let end = Finished {
        state: AttemptState::Cancelled,
        frames_done: 0,
        report: None,
        picture_png: None,
        overlay_svg: None,
    };
    finish(conn, id, &end, at).await
}

/// Puts a failed try back in the queue. False when its frames are no longer kept, or
/// it has not failed.
pub async fn again(conn: &mut Conn, id: AttemptId, now: Moment) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE attempts SET state = 'waiting', finished_at = NULL, frames_until = NULL
         WHERE id = ? AND state = 'failed' AND frames_until > ?",
        id,
        now
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// A try that has not ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct InHand {
    /// Which.
    pub id: AttemptId,
    /// Who asked.
    pub asked_by: PersonId,
}

/// The queue: all tries that have not ended, those asked for first before the others.
pub async fn in_hand(conn: &mut Conn) -> Result<Vec<InHand>> {
    Ok(sqlx::query_as!(
        InHand,
        r#"SELECT id AS "id: AttemptId", asked_by AS "asked_by: PersonId"
           FROM attempts WHERE state = 'waiting' ORDER BY asked_at, id"#
    )
    .fetch_all(conn)
    .await?)
}

/// Why another try of this person cannot wait, in words; `None` when it can.
pub async fn no_room(conn: &mut Conn, person: PersonId) -> Result<Option<String>> {
    let in_hand = in_hand(conn).await?;
    let own = in_hand.iter().filter(|one| one.asked_by == person).count();
    Ok(if own >= OF_ONE {
        Some(format!(
            "{own} of your sets are waiting to be measured. Send these when some of them are done."
        ))
    } else if in_hand.len() >= OF_ALL {
        Some(format!(
            "{} sets are waiting to be measured. Send these again in a few minutes.",
            in_hand.len()
        ))
    } else {
        None
    })
}

/// Whether the frames of these tries are still wanted: of those in hand, and of those
/// that failed a short while ago. A try that is not known is not in the answer.
pub async fn wants_frames(
    conn: &mut Conn,
    ids: &[AttemptId],
    now: Moment,
) -> Result<HashMap<AttemptId, bool>> {
    let mut wanted = HashMap::new();
    for &id in ids {
        let row = sqlx::query_scalar!(
            r#"SELECT state = 'waiting' OR COALESCE(frames_until > ?, 0) AS "wanted!: bool"
               FROM attempts WHERE id = ?"#,
            now,
            id
        )
        .fetch_optional(&mut *conn)
        .await?;
        if let Some(row) = row {
            wanted.insert(id, row);
        }
    }
    Ok(wanted)
}

/// One more picture of a try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AttemptPicture {
    /// Its name, unique in the try.
    pub name: String,
    /// What it shows.
    pub caption: String,
}

/// Keeps a further picture of a try.
pub async fn keep_picture(
    conn: &mut Conn,
    id: AttemptId,
    place: i64,
    picture: &AttemptPicture,
    png: &[u8],
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO attempt_pictures (attempt_id, name, caption, png, place) VALUES (?, ?, ?, ?, ?)",
        id, picture.name, picture.caption, png, place
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The further pictures of a try, in order.
pub async fn pictures(conn: &mut Conn, id: AttemptId) -> Result<Vec<AttemptPicture>> {
    Ok(sqlx::query_as!(
        AttemptPicture,
        "SELECT name, caption FROM attempt_pictures WHERE attempt_id = ? ORDER BY place",
        id
    )
    .fetch_all(conn)
    .await?)
}

/// One of the further pictures of a try.
pub async fn named_picture(conn: &mut Conn, id: AttemptId, name: &str) -> Result<Vec<u8>> {
    sqlx::query_scalar!(
        "SELECT png FROM attempt_pictures WHERE attempt_id = ? AND name = ?",
        id,
        name
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("picture"))
}

/// The picture of a try.
pub async fn picture(conn: &mut Conn, id: AttemptId) -> Result<Vec<u8>> {
    sqlx::query_scalar!("SELECT picture_png FROM attempts WHERE id = ?", id)
        .fetch_optional(conn)
        .await?
        .flatten()
        .ok_or(Error::NotFound("picture"))
}

impl Attempt {
    /// One try.
    pub async fn get(conn: &mut Conn, id: AttemptId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT a.id AS "id: AttemptId", a.instrument_id AS "instrument_id: InstrumentId", i.tag,
                      a.asked_by AS "asked_by: PersonId", p.name AS asked_by_name, a.asked_at AS "asked_at: Moment",
                      a.state AS "state: AttemptState", a.frames_done, a.frames_given, a.circumstances, a.report, a.overlay_svg,
                      a.frames_until AS "frames_until: Moment"
               FROM attempts a JOIN instruments i ON i.id = a.instrument_id JOIN people p ON p.id = a.asked_by
               WHERE a.id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("try at measuring"))
    }

    /// The latest tries of one instrument.
    pub async fn latest(conn: &mut Conn, instrument: InstrumentId, most: i64) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT a.id AS "id: AttemptId", a.instrument_id AS "instrument_id: InstrumentId", i.tag,
                      a.asked_by AS "asked_by: PersonId", p.name AS asked_by_name, a.asked_at AS "asked_at: Moment",
                      a.state AS "state: AttemptState", a.frames_done, a.frames_given, a.circumstances, a.report, a.overlay_svg,
                      a.frames_until AS "frames_until: Moment"
               FROM attempts a JOIN instruments i ON i.id = a.instrument_id JOIN people p ON p.id = a.asked_by
               WHERE a.instrument_id = ? ORDER BY a.asked_at DESC, a.id DESC LIMIT ?"#,
            instrument, most
        )
        .fetch_all(conn)
        .await?)
    }
}
