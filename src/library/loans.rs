//! Loans: who has an instrument, since when, with which parts, until when.

use std::collections::HashMap;

use chrono::NaiveDate;

use super::entries::{EntryKind, NewEntry};
use super::things::Kind;
use super::{
    Conn, Error, InstrumentId, KitPartId, LoanId, Moment, PersonId, Result, from_json, reservations,
};

/// One loan with the names a page needs.
#[derive(Debug, Clone)]
pub struct Loan {
    /// Id.
    pub id: LoanId,
    /// What.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its kind.
    pub kind: Kind,
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
    /// Why it went out though held, kept or reserved for another.
    pub override_reason: Option<String>,
    /// Who fetched it, where that was not the borrower; or "".
    pub collected_by: String,
    /// The deposit, noted; or "".
    pub deposit: String,
    /// The public evening it went out for with others, or "".
    pub event: String,
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

/// Moves the day a loan is due, and writes that into the logbook.
///
/// # Errors
/// Refused when the loan is over, was due on that day anyway, or would run into a
/// reservation for somebody else.
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
    if due_on > found.due_on {
        let next = found.due_on.succ_opt().unwrap_or(found.due_on);
        let reserved = reservations::meeting(conn, found.instrument_id, next, due_on).await?;
        if let Some(other) = reserved
            .iter()
            .find(|r| r.person_id != Some(found.borrower_id))
        {
            return Err(Error::Refused(format!(
                "{} is reserved {}, for {}. Choose a day before that, or cancel the reservation first.",
                found.tag,
                other.days(),
                other.for_words()
            )));
        }
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
            super::day(due_on),
            super::day(found.due_on)
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

/// How many instruments a person has on loan; those for a public evening do not count, nor
/// do mounts, eyepieces and other things that go with them.
pub async fn count_with(conn: &mut Conn, person: PersonId) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM loans l JOIN instruments i ON i.id = l.instrument_id AND i.kind = 'instrument'
           WHERE l.borrower_id = ? AND l.returned_at IS NULL AND l.event = ''"#,
        person
    )
    .fetch_one(conn)
    .await?)
}

/// The days of one loan, for a calendar.
#[derive(Debug, Clone, serde::Deserialize)]
pub struct LoanDays {
    /// What.
    pub tag: String,
    /// When it left.
    pub lent_at: Moment,
    /// Until when.
    pub due_on: NaiveDate,
    /// When it came back.
    pub returned_at: Option<Moment>,
}

/// The loans that have a part of the time between two moments, by tag.
pub async fn between(conn: &mut Conn, from: Moment, until: Moment) -> Result<Vec<LoanDays>> {
    let days = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_object('tag', tag, 'lent_at', lent_at, 'due_on', due_on,
                                               'returned_at', returned_at)) AS "days!: String"
           FROM (SELECT i.tag, l.lent_at, l.due_on, l.returned_at
                 FROM loans l JOIN instruments i ON i.id = l.instrument_id
                 WHERE +l.lent_at < ?2 AND (l.returned_at IS NULL OR l.returned_at >= ?1)
                 ORDER BY i.tag, l.lent_at)"#,
        from,
        until
    )
    .fetch_one(conn)
    .await?;
    from_json(&days)
}

/// What came back since an instant and is not out again, the latest first, so many at most.
pub async fn came_back_since(conn: &mut Conn, since: Moment, rows: i64) -> Result<Vec<CameBack>> {
    Ok(sqlx::query_as!(
        CameBack,
        r#"SELECT i.tag AS "tag!", i.name AS "instrument_name!", MAX(l.returned_at) AS "returned_at!: Moment"
           FROM loans l CROSS JOIN instruments i ON i.id = l.instrument_id
           WHERE l.returned_at >= ?1
             AND NOT EXISTS (SELECT 1 FROM loans o WHERE o.instrument_id = i.id AND o.returned_at IS NULL)
           GROUP BY i.id ORDER BY 3 DESC LIMIT ?2"#,
        since,
        rows
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

/// How many loans are out.
#[derive(Debug, Clone, Copy)]
pub struct Out {
    /// All of them.
    pub all: usize,
    /// Those that were due before today.
    pub late: usize,
    /// Those that are due today.
    pub due_today: usize,
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
    /// Only those that came back.
    pub past: bool,
    /// Only those that went out at this moment.
    pub lent_at: Option<Moment>,
    /// All the latest first.
    pub latest_first: bool,
    /// So many are left out at the beginning.
    pub skip: i64,
    /// No more than so many.
    pub rows: Option<i64>,
}

impl Loan {
    /// One loan.
    pub async fn get(conn: &mut Conn, id: LoanId) -> Result<Self> {
        let found = Self::each(conn, [id]).await?;
        found.into_iter().next().ok_or(Error::NotFound("loan"))
    }

    /// These, in this order.
    pub async fn each(conn: &mut Conn, ids: impl IntoIterator<Item = LoanId>) -> Result<Vec<Self>> {
        let ids = super::listed(ids.into_iter().map(|id| id.0));
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT l.id AS "id: LoanId", l.instrument_id AS "instrument_id: InstrumentId", i.tag,
                      i.kind AS "kind: Kind", i.name AS instrument_name, l.borrower_id AS "borrower_id: PersonId", b.name AS borrower,
                      COALESCE(b.email, '') AS "borrower_email!: String", l.lent_at AS "lent_at: Moment", h.name AS lent_by,
                      l.due_on AS "due_on: NaiveDate", l.limit_stated, l.override_reason,
                      l.collected_by, l.deposit, l.event,
                      l.returned_at AS "returned_at: Moment", t.name AS "returned_to?: String"
               FROM json_each(?) this CROSS JOIN loans l ON l.id = unhex(this.value)
                    JOIN instruments i ON i.id = l.instrument_id
                    JOIN people b ON b.id = l.borrower_id JOIN people h ON h.id = l.lent_by
                    LEFT JOIN people t ON t.id = l.returned_to
               ORDER BY this.key"#,
            ids
        )
        .fetch_all(conn)
        .await?)
    }

    /// Loans, those still out first by the day they are due, then the latest; or all the
    /// latest first.
    pub async fn list(conn: &mut Conn, which: Which) -> Result<Vec<Self>> {
        let rows = which.rows.unwrap_or(-1);
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT l.id AS "id: LoanId", l.instrument_id AS "instrument_id: InstrumentId", i.tag,
                      i.kind AS "kind: Kind", i.name AS instrument_name, l.borrower_id AS "borrower_id: PersonId", b.name AS borrower,
                      COALESCE(b.email, '') AS "borrower_email!: String", l.lent_at AS "lent_at: Moment", h.name AS lent_by,
                      l.due_on AS "due_on: NaiveDate", l.limit_stated, l.override_reason,
                      l.collected_by, l.deposit, l.event,
                      l.returned_at AS "returned_at: Moment", t.name AS "returned_to?: String"
               -- Each arm by an index of its own: of one instrument, of one borrower, those still
               -- out, those of a page of the latest; and only then all of them.
               FROM (SELECT * FROM (
                         SELECT * FROM loans o WHERE o.instrument_id = ?1 AND (?2 IS NULL OR o.borrower_id = ?2)
                         UNION ALL
                         SELECT * FROM loans o WHERE ?1 IS NULL AND o.borrower_id = ?2
                         UNION ALL
                         SELECT * FROM loans o WHERE ?1 IS NULL AND ?2 IS NULL AND ?3 AND o.returned_at IS NULL
                         UNION ALL
                         SELECT * FROM (
                             SELECT * FROM loans o
                             WHERE ?1 IS NULL AND ?2 IS NULL AND NOT ?3 AND (?4 OR ?5)
                               AND (NOT ?4 OR o.returned_at IS NOT NULL)
                             ORDER BY o.lent_at DESC, o.id DESC LIMIT CASE WHEN ?6 < 0 THEN -1 ELSE ?6 + ?7 END)
                         UNION ALL
                         SELECT * FROM loans o WHERE ?1 IS NULL AND ?2 IS NULL AND NOT ?3 AND NOT ?4 AND NOT ?5) o
                     WHERE (NOT ?3 OR o.returned_at IS NULL) AND (NOT ?4 OR o.returned_at IS NOT NULL)
                       AND (?8 IS NULL OR o.lent_at = ?8)
                     ORDER BY ?5 OR o.returned_at IS NOT NULL,
                              CASE WHEN o.returned_at IS NULL AND NOT ?5 THEN o.due_on END, o.lent_at DESC, o.id DESC
                     LIMIT ?6 OFFSET ?7) l
                    JOIN instruments i ON i.id = l.instrument_id
                    JOIN people b ON b.id = l.borrower_id JOIN people h ON h.id = l.lent_by
                    LEFT JOIN people t ON t.id = l.returned_to
               ORDER BY ?5 OR l.returned_at IS NOT NULL,
                        CASE WHEN l.returned_at IS NULL AND NOT ?5 THEN l.due_on END, l.lent_at DESC, l.id DESC"#,
            which.instrument,
            which.borrower,
            which.open,
            which.past,
            which.latest_first,
            rows,
            which.skip,
            which.lent_at
        )
        .fetch_all(conn)
        .await?)
    }

    /// How many loans there are.
    pub async fn count(conn: &mut Conn) -> Result<usize> {
        let count = sqlx::query_scalar!(r#"SELECT COUNT(*) AS "n!: i64" FROM loans"#)
            .fetch_one(conn)
            .await?;
        Ok(usize::try_from(count).unwrap_or_default())
    }

    /// How many loans are out.
    pub async fn count_open(conn: &mut Conn, today: NaiveDate) -> Result<Out> {
        let row = sqlx::query!(
            r#"SELECT COUNT(*) AS "out!: i64", COUNT(*) FILTER (WHERE due_on < ?1) AS "late!: i64",
                      COUNT(*) FILTER (WHERE due_on = ?1) AS "due_today!: i64"
               FROM loans WHERE returned_at IS NULL"#,
            today
        )
        .fetch_one(conn)
        .await?;
        let count = |n: i64| usize::try_from(n).unwrap_or_default();
        Ok(Out {
            all: count(row.out),
            late: count(row.late),
            due_today: count(row.due_today),
        })
    }

    /// How many loans are out for each public evening, the one due first first.
    pub async fn count_events(conn: &mut Conn) -> Result<Vec<(String, i64)>> {
        let events = sqlx::query!(
            r#"SELECT event AS "event!", COUNT(*) AS "n!: i64" FROM loans WHERE returned_at IS NULL AND event <> ''
               GROUP BY event ORDER BY MIN(due_on)"#
        )
        .fetch_all(conn)
        .await?;
        let events = events.into_iter().map(|row| (row.event, row.n));
        Ok(events.collect())
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
