//! Loans: who has an instrument, since when, with which parts, until when.

use std::collections::HashMap;

use chrono::NaiveDate;

use super::club::Club;
use super::entries::{EntryKind, NewEntry};
use super::instruments::{Instrument, Status};
use super::people::Person;
use super::{
    Conn, Error, InstrumentId, KitPartId, LoanId, Moment, PersonId, Result, problems, waits,
};

/// A loan to be made.
#[derive(Debug, Clone)]
pub struct Lend {
    /// What.
    pub instrument: InstrumentId,
    /// To whom.
    pub borrower: PersonId,
    /// When it leaves.
    pub at: Moment,
    /// Who hands it out.
    pub by: PersonId,
    /// Until when.
    pub due_on: NaiveDate,
    /// What the borrower was told it will not do.
    pub limit_stated: String,
    /// The parts that go along; the others of its kit stay.
    pub kit: Vec<KitPartId>,
    /// Why it goes out though held or at the bench; only a coordinator may.
    pub override_reason: Option<String>,
}

/// One loan with the names a page needs.
#[derive(Debug, Clone)]
pub struct Loan {
    /// Id.
    pub id: LoanId,
    /// What.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// To whom.
    pub borrower_id: PersonId,
    /// The borrower's name.
    pub borrower: String,
    /// The borrower's address; "" where they have none.
    pub borrower_email: String,
    /// When it left.
    pub lent_at: Moment,
    /// Who handed it out.
    pub lent_by: String,
    /// Until when.
    pub due_on: NaiveDate,
    /// What the borrower was told.
    pub limit_stated: String,
    /// Why it went out though held.
    pub override_reason: Option<String>,
    /// When it came back.
    pub returned_at: Option<Moment>,
    /// Who took it back.
    pub returned_to: Option<String>,
}

/// One part of a loan's kit.
#[derive(Debug, Clone)]
pub struct LoanPart {
    /// The part.
    pub id: KitPartId,
    /// What it is.
    pub name: String,
    /// Whether it went along.
    pub went_out: bool,
    /// Whether it came back; `None` while out.
    pub came_back: Option<bool>,
}

impl Lend {
    /// Hands an instrument out: loan, kit, logbook entry; the borrower's own
    /// place on the waiting list is closed.
    ///
    /// # Errors
    /// Refused when it is out already, retired, or held or at the bench
    /// without a reason to override; when the borrower has left; when it would
    /// be due before it leaves.
    pub async fn write(&self, conn: &mut Conn) -> Result<LoanId> {
        let instrument = Instrument::get(conn, self.instrument).await?;
        let borrower = Person::get(conn, self.borrower).await?;
        if borrower.left_at.is_some() {
            return Err(Error::Refused(format!(
                "{} has left the club and cannot borrow.",
                borrower.name
            )));
        }
        if instrument.open_loan.is_some() {
            return Err(Error::Refused(format!(
                "{} is out on loan already. Take it back first.",
                instrument.tag
            )));
        }
        let reason = self.override_reason.as_deref().unwrap_or("").trim();
        match instrument.status {
            Status::Shelf => {}
            Status::Retired => {
                return Err(Error::Refused(format!(
                    "{} is retired and no longer lent.",
                    instrument.tag
                )));
            }
            Status::Held | Status::Bench if reason.is_empty() => {
                return Err(Error::Refused(format!(
                    "{} is {} and is not lent until it is back on the shelf. A coordinator can override this with a reason.",
                    instrument.tag, instrument.status
                )));
            }
            Status::Held | Status::Bench => {}
        }
        if self.due_on < Club::load(conn).await?.date(self.at) {
            return Err(Error::Refused(
                "It would be due before it goes out. Choose a later day.".to_owned(),
            ));
        }
        let id = LoanId::fresh();
        let reason = (instrument.status != Status::Shelf).then_some(reason);
        sqlx::query!(
            "INSERT INTO loans (id, instrument_id, borrower_id, lent_at, lent_by, due_on, limit_stated, override_reason)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            id, self.instrument, self.borrower, self.at, self.by, self.due_on, self.limit_stated, reason
        )
        .execute(&mut *conn)
        .await?;
        for part in super::kit::of(conn, self.instrument).await? {
            let went = self.kit.contains(&part.id);
            sqlx::query!(
                "INSERT INTO loan_kit (loan_id, kit_part_id, went_out) VALUES (?, ?, ?)",
                id,
                part.id,
                went
            )
            .execute(&mut *conn)
            .await?;
        }
        let mut note = format!("Until {}.", self.due_on.format("%-d %B %Y"));
        if let Some(reason) = reason {
            note.push_str(&format!(" Lent although {}: {reason}", instrument.status));
        }
        NewEntry {
            instrument: self.instrument,
            kind: EntryKind::Lend,
            happened_at: self.at,
            recorded_at: self.at,
            by: self.by,
            loan: Some(id),
            note,
        }
        .write(conn)
        .await?;
        waits::close_lent(conn, self.instrument, self.borrower, self.at).await?;
        Ok(id)
    }
}

/// A loan to be ended.
#[derive(Debug, Clone)]
pub struct Return {
    /// Which.
    pub loan: LoanId,
    /// The parts that are there; the others that went out are missing.
    pub came_back: Vec<KitPartId>,
    /// When it came back.
    pub at: Moment,
    /// When that is written down: now.
    pub recorded_at: Moment,
    /// Who takes it back.
    pub by: PersonId,
}

impl Return {
    /// Takes an instrument back: loan closed, kit ticked off, logbook entry, and a problem
    /// for parts that went out and did not come back. Returns their names.
    ///
    /// # Errors
    /// Refused when the loan was closed already, or began later than it is
    /// said to have ended.
    pub async fn write(&self, conn: &mut Conn) -> Result<Vec<String>> {
        let found = Loan::get(conn, self.loan).await?;
        if self.at < found.lent_at {
            return Err(Error::Refused(format!(
                "{} cannot have come back before it went out.",
                found.tag
            )));
        }
        let done = sqlx::query!(
            "UPDATE loans SET returned_at = ?, returned_to = ? WHERE id = ? AND returned_at IS NULL",
            self.at,
            self.by,
            self.loan
        )
        .execute(&mut *conn)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Error::Refused(format!(
                "{} has been returned already.",
                found.tag
            )));
        }
        let mut missing = Vec::new();
        for part in parts(conn, self.loan).await? {
            let back = self.came_back.contains(&part.id);
            sqlx::query!(
                "UPDATE loan_kit SET came_back = ? WHERE loan_id = ? AND kit_part_id = ?",
                back,
                self.loan,
                part.id
            )
            .execute(&mut *conn)
            .await?;
            if part.went_out && !back {
                missing.push(part.name);
            }
        }
        let note = if missing.is_empty() {
            "Kit complete.".to_owned()
        } else {
            format!("Did not come back: {}.", missing.join(", "))
        };
        let entry = NewEntry {
            instrument: found.instrument_id,
            kind: EntryKind::Return,
            happened_at: self.at,
            recorded_at: self.recorded_at,
            by: self.by,
            loan: Some(self.loan),
            note,
        };
        entry.write(conn).await?;
        if !missing.is_empty() {
            let words = format!("Did not come back: {}", missing.join(", "));
            let note = String::new();
            problems::part_missing(conn, words, NewEntry { note, ..entry }).await?;
        }
        Ok(missing)
    }
}

/// Takes an instrument back as it is written down: see [`Return`].
pub async fn return_loan(
    conn: &mut Conn,
    loan: LoanId,
    came_back: &[KitPartId],
    at: Moment,
    by: PersonId,
) -> Result<Vec<String>> {
    Return {
        loan,
        came_back: came_back.to_vec(),
        at,
        recorded_at: at,
        by,
    }
    .write(conn)
    .await
}

/// Moves the day a loan is due, and writes that into the logbook.
///
/// # Errors
/// Refused when the loan is over, or was due on that day anyway.
pub async fn extend(
    conn: &mut Conn,
    loan: LoanId,
    due_on: NaiveDate,
    at: Moment,
    by: PersonId,
) -> Result<()> {
    let found = Loan::get(conn, loan).await?;
    if found.returned_at.is_some() {
        return Err(Error::Refused(
            "That loan is over, so it cannot be made longer.".to_owned(),
        ));
    }
    if found.due_on == due_on {
        return Err(Error::Refused("It is due on that day already.".to_owned()));
    }
    sqlx::query!("UPDATE loans SET due_on = ? WHERE id = ?", due_on, loan)
        .execute(&mut *conn)
        .await?;
    NewEntry {
        instrument: found.instrument_id,
        kind: EntryKind::Note,
        happened_at: at,
        recorded_at: at,
        by,
        loan: Some(loan),
        note: format!(
            "Loan now until {}, before until {}.",
            due_on.format("%-d %B %Y"),
            found.due_on.format("%-d %B %Y")
        ),
    }
    .write(conn)
    .await?;
    Ok(())
}

/// An instrument's latest loan, open or over.
pub async fn latest(conn: &mut Conn, instrument: InstrumentId) -> Result<Option<LoanId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT id AS "id: LoanId" FROM loans WHERE instrument_id = ? ORDER BY lent_at DESC, id DESC LIMIT 1"#,
        instrument
    )
    .fetch_optional(conn)
    .await?)
}

/// An instrument that came back.
#[derive(Debug, Clone)]
pub struct CameBack {
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// When.
    pub returned_at: Moment,
}

/// What came back since an instant and is not out again, the latest first.
pub async fn came_back_since(conn: &mut Conn, since: Moment) -> Result<Vec<CameBack>> {
    Ok(sqlx::query_as!(
        CameBack,
        r#"SELECT i.tag AS "tag!", i.name AS "instrument_name!", MAX(l.returned_at) AS "returned_at!: Moment"
           FROM loans l JOIN instruments i ON i.id = l.instrument_id
           WHERE l.returned_at >= ?1
             AND NOT EXISTS (SELECT 1 FROM loans o WHERE o.instrument_id = i.id AND o.returned_at IS NULL)
           GROUP BY i.id ORDER BY 3 DESC"#,
        since
    )
    .fetch_all(conn)
    .await?)
}

/// A loan's kit, in the kit's order.
pub async fn parts(conn: &mut Conn, loan: LoanId) -> Result<Vec<LoanPart>> {
    Ok(sqlx::query_as!(
        LoanPart,
        r#"SELECT k.id AS "id: KitPartId", k.name, l.went_out AS "went_out: bool", l.came_back AS "came_back: bool"
           FROM loan_kit l JOIN kit_parts k ON k.id = l.kit_part_id
           WHERE l.loan_id = ? ORDER BY k.ordinal"#,
        loan
    )
    .fetch_all(conn)
    .await?)
}

/// Which loans to list.
#[derive(Debug, Clone, Copy, Default)]
pub struct Which {
    /// Of this instrument only.
    pub instrument: Option<InstrumentId>,
    /// Of this borrower only.
    pub borrower: Option<PersonId>,
    /// Only those still out.
    pub open: bool,
}

impl Loan {
    /// One loan.
    pub async fn get(conn: &mut Conn, id: LoanId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT l.id AS "id: LoanId", l.instrument_id AS "instrument_id: InstrumentId", i.tag,
                      i.name AS instrument_name, l.borrower_id AS "borrower_id: PersonId", b.name AS borrower,
                      COALESCE(b.email, '') AS "borrower_email!: String", l.lent_at AS "lent_at: Moment", h.name AS lent_by,
                      l.due_on AS "due_on: NaiveDate", l.limit_stated, l.override_reason,
                      l.returned_at AS "returned_at: Moment", t.name AS "returned_to?: String"
               FROM loans l JOIN instruments i ON i.id = l.instrument_id
                    JOIN people b ON b.id = l.borrower_id JOIN people h ON h.id = l.lent_by
                    LEFT JOIN people t ON t.id = l.returned_to
               WHERE l.id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("loan"))
    }

    /// Loans, those still out first by the day they are due, then the latest.
    pub async fn list(conn: &mut Conn, which: Which) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT l.id AS "id: LoanId", l.instrument_id AS "instrument_id: InstrumentId", i.tag,
                      i.name AS instrument_name, l.borrower_id AS "borrower_id: PersonId", b.name AS borrower,
                      COALESCE(b.email, '') AS "borrower_email!: String", l.lent_at AS "lent_at: Moment", h.name AS lent_by,
                      l.due_on AS "due_on: NaiveDate", l.limit_stated, l.override_reason,
                      l.returned_at AS "returned_at: Moment", t.name AS "returned_to?: String"
               FROM loans l JOIN instruments i ON i.id = l.instrument_id
                    JOIN people b ON b.id = l.borrower_id JOIN people h ON h.id = l.lent_by
                    LEFT JOIN people t ON t.id = l.returned_to
               WHERE (?1 IS NULL OR l.instrument_id = ?1) AND (?2 IS NULL OR l.borrower_id = ?2)
                 AND (NOT ?3 OR l.returned_at IS NULL)
               ORDER BY l.returned_at IS NOT NULL, CASE WHEN l.returned_at IS NULL THEN l.due_on END,
                        l.lent_at DESC"#,
            which.instrument, which.borrower, which.open
        )
        .fetch_all(conn)
        .await?)
    }

    /// Days past due on `today`; none when back or not yet due.
    pub fn days_overdue(&self, today: NaiveDate) -> Option<i64> {
        let late = (today - self.due_on).num_days();
        (self.returned_at.is_none() && late > 0).then_some(late)
    }
}

/// One loan's span, for counting loans since an instrument was last in line.
#[derive(Debug, Clone, Copy)]
pub struct LoanSpan {
    /// What.
    pub instrument_id: InstrumentId,
    /// When it left.
    pub lent_at: Moment,
    /// When it came back.
    pub returned_at: Option<Moment>,
}

/// When what is on loan is due back, by instrument.
pub async fn due_days(conn: &mut Conn) -> Result<HashMap<InstrumentId, NaiveDate>> {
    let rows = sqlx::query!(
        r#"SELECT instrument_id AS "instrument_id: InstrumentId", due_on AS "due_on: NaiveDate"
           FROM loans WHERE returned_at IS NULL"#
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| (r.instrument_id, r.due_on))
        .collect())
}

/// Every loan's span, of one instrument or of all, oldest first.
pub async fn spans(conn: &mut Conn, instrument: Option<InstrumentId>) -> Result<Vec<LoanSpan>> {
    Ok(sqlx::query_as!(
        LoanSpan,
        r#"SELECT l.instrument_id AS "instrument_id: InstrumentId", l.lent_at AS "lent_at: Moment",
                  l.returned_at AS "returned_at: Moment"
           FROM instruments i CROSS JOIN loans l ON l.instrument_id = i.id
           WHERE ?1 IS NULL OR i.id = ?1 ORDER BY l.lent_at, l.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}
