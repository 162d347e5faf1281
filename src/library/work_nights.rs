//! Work nights: dated workshop evenings with instruments assigned to them.

use chrono::NaiveDate;

use super::instruments::{Instrument, Status};
use super::{Conn, Error, InstrumentId, Moment, PersonId, Result, WorkNightId};

/// A work night to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct NewWorkNight {
    /// The day, in the club's zone.
    pub held_on: NaiveDate,
    /// Where.
    pub place: String,
    /// How long, hours.
    pub hours: f64,
    /// How many pairs of hands.
    pub hands: i64,
    /// Anything else, in words.
    pub note: String,
}

/// A work night.
#[derive(Debug, Clone)]
pub struct WorkNight {
    /// Id.
    pub id: WorkNightId,
    /// The day, in the club's zone.
    pub held_on: NaiveDate,
    /// Where.
    pub place: String,
    /// How long, hours.
    pub hours: f64,
    /// How many pairs of hands.
    pub hands: i64,
    /// Anything else, in words.
    pub note: String,
    /// When it was called off, if it was.
    pub called_off_at: Option<Moment>,
    /// How many instruments are assigned.
    pub assigned: i64,
    /// How many of them are done.
    pub done: i64,
}

/// An instrument assigned to a work night.
#[derive(Debug, Clone)]
pub struct Assigned {
    /// What.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// When it was ticked off.
    pub done_at: Option<Moment>,
}

impl NewWorkNight {
    /// Makes it.
    pub async fn write(&self, conn: &mut Conn) -> Result<WorkNightId> {
        let id = WorkNightId::fresh();
        sqlx::query!(
            "INSERT INTO work_nights (id, held_on, place, hours, hands, note) VALUES (?, ?, ?, ?, ?, ?)",
            id, self.held_on, self.place, self.hours, self.hands, self.note
        )
        .execute(conn)
        .await?;
        Ok(id)
    }
}

impl WorkNight {
    /// One work night.
    pub async fn get(conn: &mut Conn, id: WorkNightId) -> Result<Self> {
        Self::all(conn)
            .await?
            .into_iter()
            .find(|n| n.id == id)
            .ok_or(Error::NotFound("work night"))
    }

    /// Every work night, the latest day first.
    pub async fn all(conn: &mut Conn) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT n.id AS "id: WorkNightId", n.held_on AS "held_on: NaiveDate", n.place, n.hours, n.hands,
                      n.note, n.called_off_at AS "called_off_at: Moment",
                      (SELECT COUNT(*) FROM work_night_instruments w WHERE w.work_night_id = n.id) AS "assigned!: i64",
                      (SELECT COUNT(w.done_at) FROM work_night_instruments w WHERE w.work_night_id = n.id) AS "done!: i64"
               FROM work_nights n ORDER BY n.held_on DESC, n.id DESC"#
        )
        .fetch_all(conn)
        .await?)
    }

    /// The next one on or after a day that is not called off.
    pub async fn next(conn: &mut Conn, today: NaiveDate) -> Result<Option<Self>> {
        Ok(Self::all(conn)
            .await?
            .into_iter()
            .rfind(|n| n.called_off_at.is_none() && n.held_on >= today))
    }

    /// Calls it off; what was assigned stays written.
    ///
    /// # Errors
    /// Refused when it was called off already.
    pub async fn call_off(conn: &mut Conn, id: WorkNightId, at: Moment) -> Result<()> {
        let done = sqlx::query!(
            "UPDATE work_nights SET called_off_at = ? WHERE id = ? AND called_off_at IS NULL",
            at,
            id
        )
        .execute(conn)
        .await?;
        super::one_row(
            &done,
            Error::Refused("That work night has been called off already.".to_owned()),
        )
    }

    /// Refuses changes to one that is called off.
    fn refuse_called_off(&self) -> Result<()> {
        if self.called_off_at.is_some() {
            return Err(Error::Refused(
                "That work night is called off. Choose another.".to_owned(),
            ));
        }
        Ok(())
    }
}

/// What is assigned to a work night, in the order of assigning.
pub async fn assigned(conn: &mut Conn, night: WorkNightId) -> Result<Vec<Assigned>> {
    Ok(sqlx::query_as!(
        Assigned,
        r#"SELECT w.instrument_id AS "instrument_id: InstrumentId", i.tag, w.done_at AS "done_at: Moment"
           FROM work_night_instruments w JOIN instruments i ON i.id = w.instrument_id
           WHERE w.work_night_id = ? ORDER BY w.assigned_at, w.instrument_id"#,
        night
    )
    .fetch_all(conn)
    .await?)
}

/// Assigns an instrument; one assigned already stays as it is.
///
/// # Errors
/// Refused when the night is called off or the instrument retired.
pub async fn assign(
    conn: &mut Conn,
    night: WorkNightId,
    instrument: InstrumentId,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    WorkNight::get(conn, night).await?.refuse_called_off()?;
    let found = Instrument::get(conn, instrument).await?;
    if found.status == Status::Retired {
        return Err(Error::Refused(format!(
            "{} is retired and needs no work night.",
            found.tag
        )));
    }
    sqlx::query!(
        "INSERT INTO work_night_instruments (work_night_id, instrument_id, assigned_at, assigned_by) VALUES (?, ?, ?, ?)
         ON CONFLICT DO NOTHING",
        night, instrument, at, by
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Takes an instrument off a work night.
///
/// # Errors
/// Refused when it is done already, which the night's record keeps.
pub async fn take_off(conn: &mut Conn, night: WorkNightId, instrument: InstrumentId) -> Result<()> {
    let done = sqlx::query!(
        "DELETE FROM work_night_instruments WHERE work_night_id = ? AND instrument_id = ? AND done_at IS NULL",
        night,
        instrument
    )
    .execute(conn)
    .await?;
    super::one_row(
        &done,
        Error::Refused(
            "That instrument is not on this work night's list, or is ticked off as done already."
                .to_owned(),
        ),
    )
}

/// Ticks an instrument off as done, or takes the tick back.
///
/// # Errors
/// Refused when it is not on the night's list.
pub async fn set_done(
    conn: &mut Conn,
    night: WorkNightId,
    instrument: InstrumentId,
    done: bool,
    at: Moment,
) -> Result<()> {
    let done_at = done.then_some(at);
    let changed = sqlx::query!(
        "UPDATE work_night_instruments SET done_at = ? WHERE work_night_id = ? AND instrument_id = ?",
        done_at, night, instrument
    )
    .execute(conn)
    .await?;
    super::one_row(
        &changed,
        Error::Refused("That instrument is not on this work night's list.".to_owned()),
    )
}
