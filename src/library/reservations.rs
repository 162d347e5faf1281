//! Reservations: an instrument kept for a person or a public evening, from one day to
//! another.

use chrono::NaiveDate;

use super::instruments::Status;
use super::people::Person;
use super::things::Thing;
use super::{Conn, Error, InstrumentId, Moment, PersonId, ReservationId, Result};

/// The longest one may last, and how far ahead it may begin, days.
pub const LONGEST_DAYS: i64 = 366;

/// A reservation to be made.
#[derive(Debug, Clone)]
pub struct NewReservation {
    /// What.
    pub instrument: InstrumentId,
    /// The first day.
    pub from_on: NaiveDate,
    /// The last day.
    pub until_on: NaiveDate,
    /// For whom.
    pub person: Option<PersonId>,
    /// Or for what.
    pub event: String,
    /// Who reserves it.
    pub by: PersonId,
    /// When.
    pub at: Moment,
}

/// One reservation with the names a page needs.
#[derive(Debug, Clone)]
pub struct Reservation {
    /// Id.
    pub id: ReservationId,
    /// What.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// The first day.
    pub from_on: NaiveDate,
    /// The last day.
    pub until_on: NaiveDate,
    /// For whom.
    pub person_id: Option<PersonId>,
    /// Their name.
    pub person: Option<String>,
    /// For what, or "".
    pub event: String,
    /// Who reserved it.
    pub reserved_by: String,
    /// When it was cancelled.
    pub cancelled_at: Option<Moment>,
}

impl Reservation {
    /// Whether it takes up one of these days.
    pub fn meets(&self, from: NaiveDate, until: NaiveDate) -> bool {
        self.from_on <= until && self.until_on >= from
    }

    /// Its days: "5 to 6 December 2026".
    pub fn days(&self) -> String {
        days_words(self.from_on, self.until_on)
    }

    /// For whom or what, as the desk reads it.
    pub fn for_words(&self) -> String {
        match (&self.person, self.event.is_empty()) {
            (Some(person), true) => person.clone(),
            (Some(person), false) => format!("{person}, {}", self.event),
            (None, _) => self.event.clone(),
        }
    }
}

/// "6 December 2026", "5 to 6 December 2026", "28 November to 2 December 2026".
pub fn days_words(from: NaiveDate, until: NaiveDate) -> String {
    let end = super::day(until);
    if from == until {
        end
    } else if from.format("%Y-%m").to_string() == until.format("%Y-%m").to_string() {
        format!("{} to {end}", from.format("%-d"))
    } else if from.format("%Y").to_string() == until.format("%Y").to_string() {
        format!("{} to {end}", from.format("%-d %B"))
    } else {
        format!("{} to {end}", super::day(from))
    }
}

impl NewReservation {
    /// Reserves it. `today` is the club's.
    ///
    /// # Errors
    /// Refused for days that are past, the wrong way round or more than a year off, for
    /// nobody and nothing, for who has left, for what is retired, and where it is
    /// reserved on one of the days already.
    pub async fn write(&self, conn: &mut Conn, today: NaiveDate) -> Result<ReservationId> {
        let refuse = |words: &str| Err(Error::Refused(words.to_owned()));
        if self.from_on < today {
            return refuse("A reservation begins today at the earliest. Choose a later first day.");
        }
        if self.until_on < self.from_on {
            return refuse("The last day comes before the first. Choose a later last day.");
        }
        if (self.until_on - today).num_days() > LONGEST_DAYS {
            return refuse("A reservation ends within a year. Choose an earlier last day.");
        }
        let event = self.event.trim();
        if self.person.is_none() && event.is_empty() {
            return refuse("Say for whom or for what it is reserved.");
        }
        let instrument = Thing::get(conn, self.instrument).await?;
        if instrument.status == Status::Retired {
            return Err(Error::Refused(format!(
                "{} is retired and no longer lent.",
                instrument.tag
            )));
        }
        if let Some(person) = self.person {
            let person = Person::get(conn, person).await?;
            if person.left_at.is_some() {
                return Err(Error::Refused(format!(
                    "{} has left the club and cannot borrow.",
                    person.name
                )));
            }
        }
        if let Some(other) = meeting(conn, self.instrument, self.from_on, self.until_on)
            .await?
            .first()
        {
            return Err(Error::Refused(format!(
                "{} is reserved {} already, for {}. Choose other days, or cancel that first.",
                other.tag,
                other.days(),
                other.for_words()
            )));
        }
        let id = ReservationId::fresh();
        sqlx::query!(
            "INSERT INTO reservations (id, instrument_id, from_on, until_on, person_id, event, reserved_at, reserved_by)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            id, self.instrument, self.from_on, self.until_on, self.person, event, self.at, self.by
        )
        .execute(conn)
        .await?;
        Ok(id)
    }
}

/// Cancels a reservation.
///
/// # Errors
/// Refused when it was cancelled already.
pub async fn cancel(conn: &mut Conn, id: ReservationId, by: PersonId, at: Moment) -> Result<()> {
    get(conn, id).await?;
    let done = sqlx::query!(
        "UPDATE reservations SET cancelled_at = ?, cancelled_by = ? WHERE id = ? AND cancelled_at IS NULL",
        at,
        by,
        id
    )
    .execute(conn)
    .await?;
    super::one_row(
        &done,
        Error::Refused("That reservation has been cancelled already.".to_owned()),
    )
}

/// One reservation.
pub async fn get(conn: &mut Conn, id: ReservationId) -> Result<Reservation> {
    sqlx::query_as!(
        Reservation,
        r#"SELECT r.id AS "id: ReservationId", r.instrument_id AS "instrument_id: InstrumentId", i.tag,
                  i.name AS instrument_name, r.from_on AS "from_on: NaiveDate", r.until_on AS "until_on: NaiveDate",
                  r.person_id AS "person_id: PersonId", p.name AS "person?: String", r.event,
                  b.name AS reserved_by, r.cancelled_at AS "cancelled_at: Moment"
           FROM reservations r JOIN instruments i ON i.id = r.instrument_id
                JOIN people b ON b.id = r.reserved_by LEFT JOIN people p ON p.id = r.person_id
           WHERE r.id = ?"#,
        id
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("reservation"))
}

/// Reservations that stand and end on this day or later, of one instrument or of all, by
/// their first day.
pub async fn from_day(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
    day: NaiveDate,
) -> Result<Vec<Reservation>> {
    Ok(sqlx::query_as!(
        Reservation,
        r#"SELECT r.id AS "id: ReservationId", r.instrument_id AS "instrument_id: InstrumentId", i.tag,
                  i.name AS instrument_name, r.from_on AS "from_on: NaiveDate", r.until_on AS "until_on: NaiveDate",
                  r.person_id AS "person_id: PersonId", p.name AS "person?: String", r.event,
                  b.name AS reserved_by, r.cancelled_at AS "cancelled_at: Moment"
           FROM reservations r JOIN instruments i ON i.id = r.instrument_id
                JOIN people b ON b.id = r.reserved_by LEFT JOIN people p ON p.id = r.person_id
           WHERE r.cancelled_at IS NULL AND r.until_on >= ?2 AND (?1 IS NULL OR r.instrument_id = ?1)
           ORDER BY r.from_on, i.tag"#,
        instrument,
        day
    )
    .fetch_all(conn)
    .await?)
}

/// Reservations of an instrument that take up one of these days, by their first day.
pub async fn meeting(
    conn: &mut Conn,
    instrument: InstrumentId,
    from: NaiveDate,
    until: NaiveDate,
) -> Result<Vec<Reservation>> {
    let mut all = from_day(conn, Some(instrument), from).await?;
    all.retain(|r| r.meets(from, until));
    Ok(all)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn days_are_said_once() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        for (from, until, words) in [
            ("2026-12-06", "2026-12-06", "6 December 2026"),
            ("2026-12-05", "2026-12-06", "5 to 6 December 2026"),
            ("2026-11-28", "2026-12-02", "28 November to 2 December 2026"),
            (
                "2026-12-30",
                "2027-01-02",
                "30 December 2026 to 2 January 2027",
            ),
        ] {
            assert_eq!(days_words(day(from), day(until)), words);
        }
    }
}
