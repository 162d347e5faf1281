//! The waiting list.

use super::things::Kind;
use super::{Conn, Error, InstrumentId, Moment, PersonId, Result, WaitId};

words! {
    /// What a member wants an instrument for; a planet night asks more of its
    /// alignment than a wide-field evening. Of a thing without optics nobody asks.
    pub enum WantsItFor {
        /// Moon and planets, high power.
        Planets = "planets", "Moon and planets";
        /// Wide fields, low power.
        WideField = "wide-field", "wide fields";
        /// Anything.
        Anything = "anything", "anything";
    }
}

/// One place on the waiting list with the names a page needs.
#[derive(Debug, Clone)]
pub struct Wait {
    /// Id.
    pub id: WaitId,
    /// For what.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// What kind of thing it is.
    pub kind: Kind,
    /// Who waits.
    pub person_id: PersonId,
    /// Their name.
    pub person: String,
    /// Since when.
    pub asked_at: Moment,
    /// What for, where it is an instrument.
    pub wants_it_for: Option<WantsItFor>,
    /// In their words.
    pub note: String,
}

impl Wait {
    /// Who waits, and what for: "Ines Vale, for wide fields".
    pub fn person_and_wish(&self) -> String {
        let wish = self.wants_it_for.map(|wish| format!(", for {wish}"));
        self.person.clone() + &wish.unwrap_or_default()
    }

    /// What for and their note, in a line; "" where neither is said.
    pub fn wish(&self) -> String {
        match (self.wants_it_for, self.note.as_str()) {
            (None, note) => note.to_owned(),
            (Some(wish), "") => format!("for {wish}"),
            (Some(wish), note) => format!("for {wish}: {note}"),
        }
    }
}

/// Puts a person on the waiting list of an instrument, with what they want it for, or of a
/// thing, without.
///
/// # Errors
/// Refused when they wait for it already.
pub async fn ask(
    conn: &mut Conn,
    instrument: InstrumentId,
    person: PersonId,
    wants_it_for: impl Into<Option<WantsItFor>>,
    note: &str,
    at: Moment,
) -> Result<WaitId> {
    let waiting = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM waits WHERE instrument_id = ? AND person_id = ? AND closed_at IS NULL"#,
        instrument, person
    )
    .fetch_one(&mut *conn)
    .await?;
    if waiting > 0 {
        return Err(Error::Refused(
            "You are on the waiting list for this one already.".to_owned(),
        ));
    }
    let id = WaitId::fresh();
    let wants_it_for = wants_it_for.into();
    sqlx::query!(
        "INSERT INTO waits (id, instrument_id, person_id, asked_at, wants_it_for, note) VALUES (?, ?, ?, ?, ?, ?)",
        id, instrument, person, at, wants_it_for, note
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// The things, no instruments, that somebody waits for and that are on the shelf.
pub async fn things_there(conn: &mut Conn) -> Result<Vec<InstrumentId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT i.id AS "id: InstrumentId" FROM waits w JOIN instruments i ON i.id = w.instrument_id
           WHERE w.closed_at IS NULL AND i.kind <> 'instrument' AND i.status = 'shelf'
             AND NOT EXISTS (SELECT 1 FROM loans l WHERE l.instrument_id = i.id AND l.returned_at IS NULL)"#
    )
    .fetch_all(conn)
    .await?)
}

/// The instrument and the person of an open place.
pub async fn holder(conn: &mut Conn, id: WaitId) -> Result<(InstrumentId, PersonId)> {
    sqlx::query!(
        r#"SELECT instrument_id AS "instrument_id: InstrumentId", person_id AS "person_id: PersonId"
           FROM waits WHERE id = ? AND closed_at IS NULL"#,
        id
    )
    .fetch_optional(conn)
    .await?
    .map(|r| (r.instrument_id, r.person_id))
    .ok_or(Error::NotFound("place on the waiting list"))
}

/// Takes a person off: by themselves (`withdrawn`) or by the desk (`removed`).
///
/// # Errors
/// Not found when there is no such open place.
pub async fn close(conn: &mut Conn, id: WaitId, by_themselves: bool, at: Moment) -> Result<()> {
    let outcome = if by_themselves {
        "withdrawn"
    } else {
        "removed"
    };
    let done = sqlx::query!(
        "UPDATE waits SET closed_at = ?, outcome = ? WHERE id = ? AND closed_at IS NULL",
        at,
        outcome,
        id
    )
    .execute(conn)
    .await?;
    super::one_row(&done, Error::NotFound("place on the waiting list"))
}

/// Closes the borrower's own place when they get it.
pub async fn close_lent(
    conn: &mut Conn,
    instrument: InstrumentId,
    person: PersonId,
    at: Moment,
) -> Result<()> {
    sqlx::query!(
        "UPDATE waits SET closed_at = ?, outcome = 'lent' WHERE instrument_id = ? AND person_id = ? AND closed_at IS NULL",
        at, instrument, person
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Open places, first come first, of one instrument or thing or all, of one person or all.
pub async fn open(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
    person: Option<PersonId>,
) -> Result<Vec<Wait>> {
    Ok(sqlx::query_as!(
        Wait,
        r#"SELECT w.id AS "id: WaitId", w.instrument_id AS "instrument_id: InstrumentId", i.tag,
                  i.name AS instrument_name, i.kind AS "kind: Kind", w.person_id AS "person_id: PersonId", p.name AS person,
                  w.asked_at AS "asked_at: Moment", w.wants_it_for AS "wants_it_for: WantsItFor", w.note
           FROM waits w JOIN instruments i ON i.id = w.instrument_id JOIN people p ON p.id = w.person_id
           WHERE w.closed_at IS NULL AND (?1 IS NULL OR w.instrument_id = ?1) AND (?2 IS NULL OR w.person_id = ?2)
           ORDER BY i.tag, w.asked_at, w.id"#,
        instrument, person
    )
    .fetch_all(conn)
    .await?)
}
