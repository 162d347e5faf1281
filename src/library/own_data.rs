//! What is held about one person, to show and take away, and its removal.
//!
//! The General Data Protection Regulation (EU 2016/679) asks for both: a copy of one's
//! data in a common form (articles 15 and 20), and erasure (article 17). What a person
//! wrote in logbooks stays, for it is about instruments; their name does not.

use chrono::{Duration, NaiveDate};
use serde::Serialize;

use super::people::{self, Person};
use super::waits::WantsItFor;
use super::{Conn, Error, Moment, PersonId, Result};

/// The name of who was erased.
pub const FORMER: &str = "A former member";

/// How long a person who left is kept by name and address, unless they ask for less.
pub const KEPT_AFTER_LEAVING: Duration = Duration::days(2 * 365);

/// All that is held about one person. Instants are UTC.
#[derive(Debug, Clone, Serialize)]
pub struct OwnData {
    /// Name.
    pub name: String,
    /// Mail address, if there is one.
    pub email: Option<String>,
    /// Role.
    pub role: people::Role,
    /// Whether they borrow as a guest.
    pub guest: bool,
    /// On the list since.
    pub joined_at: Moment,
    /// Whether a password is kept; only what it can be checked by is.
    pub password: bool,
    /// Whether a second factor is on.
    pub second_factor: bool,
    /// Where they are signed in.
    pub sessions: Vec<SignedIn>,
    /// Tries at signing in of the last thirty days.
    pub sign_in_attempts: Vec<Attempt>,
    /// Loans, the newest first.
    pub loans: Vec<OwnLoan>,
    /// Places on waiting lists.
    pub waits: Vec<OwnWait>,
    /// Reservations.
    pub reservations: Vec<OwnReservation>,
    /// Kit that did not come back from a loan of theirs.
    pub missing_kit: Vec<OwnMissing>,
    /// What they reported, until it is old.
    pub reports: Vec<OwnReport>,
    /// Messages of the last ninety days.
    pub messages: Vec<OwnMessage>,
    /// What they wrote in logbooks.
    pub logbook_entries: Vec<OwnEntry>,
    /// Jobs they took on.
    pub jobs: Vec<OwnJob>,
    /// Spare parts they used, added or counted.
    pub spares: Vec<OwnMove>,
    /// What they counted when the stock was taken.
    pub counted: Vec<OwnCount>,
    /// What the audit log keeps of what they did.
    pub acts: Vec<Act>,
}

/// A place where somebody is signed in.
#[derive(Debug, Clone, Serialize)]
pub struct SignedIn {
    /// Its kind.
    pub device: String,
    /// Since.
    pub started_at: Moment,
    /// Last used.
    pub last_seen_at: Moment,
}

/// A try at signing in.
#[derive(Debug, Clone, Serialize)]
pub struct Attempt {
    /// When.
    pub at: Moment,
    /// From which network address.
    pub address: String,
    /// Whether it succeeded.
    pub succeeded: bool,
}

/// A loan.
#[derive(Debug, Clone, Serialize)]
pub struct OwnLoan {
    /// The instrument's tag.
    pub tag: String,
    /// When it left.
    pub lent_at: Moment,
    /// Until when.
    pub due_on: NaiveDate,
    /// When it came back.
    pub returned_at: Option<Moment>,
    /// Who fetched it in their place.
    pub collected_by: String,
    /// The deposit, as noted.
    pub deposit: String,
    /// When its sheet was signed on a screen.
    pub signed_at: Option<Moment>,
    /// What was drawn there, an SVG path.
    pub signature: Option<String>,
}

/// A place on a waiting list.
#[derive(Debug, Clone, Serialize)]
pub struct OwnWait {
    /// The instrument's tag.
    pub tag: String,
    /// Since.
    pub asked_at: Moment,
    /// What for, where it is an instrument.
    pub wants_it_for: Option<WantsItFor>,
    /// In their words.
    pub note: String,
    /// Until.
    pub closed_at: Option<Moment>,
}

/// A reservation.
#[derive(Debug, Clone, Serialize)]
pub struct OwnReservation {
    /// The instrument's tag.
    pub tag: String,
    /// First day.
    pub from_on: NaiveDate,
    /// Last day.
    pub until_on: NaiveDate,
    /// When it was cancelled.
    pub cancelled_at: Option<Moment>,
}

/// A part that did not come back.
#[derive(Debug, Clone, Serialize)]
pub struct OwnMissing {
    /// The instrument's tag.
    pub tag: String,
    /// The part.
    pub part: String,
    /// Since.
    pub missing_since: Moment,
    /// How it was settled.
    pub outcome: Option<String>,
}

/// A report.
#[derive(Debug, Clone, Serialize)]
pub struct OwnReport {
    /// The instrument's tag.
    pub tag: String,
    /// When it came.
    pub reported_at: Moment,
    /// What of.
    pub what: String,
    /// In their words.
    pub words: String,
    /// Whether a picture is kept with it.
    pub picture: bool,
    /// How far it is.
    pub state: String,
}

/// A message.
#[derive(Debug, Clone, Serialize)]
pub struct OwnMessage {
    /// When it was written down.
    pub made_at: Moment,
    /// Subject.
    pub subject: String,
    /// How far it is.
    pub state: String,
}

/// An entry of a logbook.
#[derive(Debug, Clone, Serialize)]
pub struct OwnEntry {
    /// The instrument's tag.
    pub tag: String,
    /// What kind.
    pub kind: String,
    /// When it happened.
    pub happened_at: Moment,
    /// When it was written.
    pub recorded_at: Moment,
}

/// A job.
#[derive(Debug, Clone, Serialize)]
pub struct OwnJob {
    /// The instrument's tag.
    pub tag: String,
    /// The problem.
    pub words: String,
    /// Since.
    pub begun_at: Moment,
    /// By when.
    pub due_on: Option<NaiveDate>,
    /// When it was given back.
    pub ended_at: Option<Moment>,
}

/// Spare parts moved.
#[derive(Debug, Clone, Serialize)]
pub struct OwnMove {
    /// What they are.
    pub name: String,
    /// What became of them.
    pub what: String,
    /// When.
    pub at: Moment,
}

/// A thing that they saw when the stock was taken.
#[derive(Debug, Clone, Serialize)]
pub struct OwnCount {
    /// Its tag.
    pub tag: String,
    /// When.
    pub seen_at: Moment,
}

/// A row of the audit log.
#[derive(Debug, Clone, Serialize)]
pub struct Act {
    /// When.
    pub at: Moment,
    /// From which network address.
    pub address: String,
    /// On which page.
    pub what: String,
    /// In words.
    pub words: String,
}

impl OwnData {
    /// Gathers it.
    pub async fn of(conn: &mut Conn, id: PersonId) -> Result<Self> {
        let person = Person::get(conn, id).await?;
        let second_factor = super::second_factor::is_on(conn, id).await?;
        let account = person.mail().to_owned();
        let sessions = sqlx::query_as!(
            SignedIn,
            r#"SELECT device, started_at AS "started_at: Moment", last_seen_at AS "last_seen_at: Moment"
               FROM sessions WHERE person_id = ? ORDER BY started_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let sign_in_attempts = sqlx::query_as!(
            Attempt,
            r#"SELECT at AS "at: Moment", address, succeeded AS "succeeded: bool"
               FROM sign_in_attempts WHERE account = ? AND account <> '' ORDER BY at DESC"#,
            account
        )
        .fetch_all(&mut *conn)
        .await?;
        let loans = sqlx::query_as!(
            OwnLoan,
            r#"SELECT i.tag, l.lent_at AS "lent_at: Moment", l.due_on AS "due_on: NaiveDate",
                      l.returned_at AS "returned_at: Moment", l.collected_by, l.deposit,
                      s.signed_at AS "signed_at?: Moment", s.strokes AS "signature?: String"
               FROM loans l JOIN instruments i ON i.id = l.instrument_id LEFT JOIN signatures s ON s.loan_id = l.id
               WHERE l.borrower_id = ? ORDER BY l.lent_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let waits = sqlx::query_as!(
            OwnWait,
            r#"SELECT i.tag, w.asked_at AS "asked_at: Moment", w.wants_it_for AS "wants_it_for: WantsItFor", w.note, w.closed_at AS "closed_at: Moment"
               FROM waits w JOIN instruments i ON i.id = w.instrument_id
               WHERE w.person_id = ? ORDER BY w.asked_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let reservations = sqlx::query_as!(
            OwnReservation,
            r#"SELECT i.tag, r.from_on AS "from_on: NaiveDate", r.until_on AS "until_on: NaiveDate",
                      r.cancelled_at AS "cancelled_at: Moment"
               FROM reservations r JOIN instruments i ON i.id = r.instrument_id
               WHERE r.person_id = ? ORDER BY r.from_on DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let missing_kit = sqlx::query_as!(
            OwnMissing,
            r#"SELECT i.tag, k.name AS part, m.missing_since AS "missing_since: Moment", m.outcome
               FROM missing_kit m JOIN kit_parts k ON k.id = m.kit_part_id
                    JOIN instruments i ON i.id = k.instrument_id JOIN loans l ON l.id = m.loan_id
               WHERE l.borrower_id = ? ORDER BY m.missing_since DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let reports = sqlx::query_as!(
            OwnReport,
            r#"SELECT i.tag, r.reported_at AS "reported_at: Moment", r.what, r.words,
                      r.picture IS NOT NULL AS "picture!: bool", r.state
               FROM reports r JOIN instruments i ON i.id = r.instrument_id
               WHERE r.person_id = ? ORDER BY r.reported_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let messages = sqlx::query_as!(
            OwnMessage,
            r#"SELECT made_at AS "made_at: Moment", subject, state FROM messages
               WHERE person_id = ? ORDER BY made_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let logbook_entries = sqlx::query_as!(
            OwnEntry,
            r#"SELECT i.tag, e.kind, e.happened_at AS "happened_at: Moment", e.recorded_at AS "recorded_at: Moment"
               FROM entries e JOIN instruments i ON i.id = e.instrument_id
               WHERE e.recorded_by = ? ORDER BY e.recorded_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let jobs = sqlx::query_as!(
            OwnJob,
            r#"SELECT i.tag, f.words, j.begun_at AS "begun_at: Moment", j.due_on AS "due_on: NaiveDate",
                      j.ended_at AS "ended_at: Moment"
               FROM jobs j JOIN problems f ON f.entry_id = j.problem_entry_id
                    JOIN entries e ON e.id = f.entry_id JOIN instruments i ON i.id = e.instrument_id
               WHERE j.person_id = ? ORDER BY j.begun_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let spares = sqlx::query_as!(
            OwnMove,
            r#"SELECT s.name, m.what, m.at AS "at: Moment" FROM spare_moves m JOIN spares s ON s.id = m.spare_id
               WHERE m.by = ? ORDER BY m.number DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let counted = sqlx::query_as!(
            OwnCount,
            r#"SELECT i.tag, c.seen_at AS "seen_at!: Moment"
               FROM stock_counts c JOIN instruments i ON i.id = c.instrument_id
               WHERE c.seen_by = ? ORDER BY c.seen_at DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let acts = sqlx::query_as!(
            Act,
            r#"SELECT at AS "at: Moment", address, what, words FROM audit_log
               WHERE person_id = ? ORDER BY number DESC"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        Ok(Self {
            name: person.name,
            email: person.email,
            role: person.role,
            guest: person.guest,
            joined_at: person.joined_at,
            password: person.can_sign_in,
            second_factor,
            sessions,
            sign_in_attempts,
            loans,
            waits,
            reservations,
            missing_kit,
            reports,
            messages,
            logbook_entries,
            jobs,
            spares,
            counted,
            acts,
        })
    }
}

/// Takes a person off the list and removes who they were: name, address, words of their
/// own, messages, tries at signing in. Loans, waits, jobs, logbook entries and acts stay, as
/// a former member's.
///
/// # Errors
/// As [`people::leave`] refuses; also while kit of theirs is missing and not settled.
pub async fn erase(conn: &mut Conn, id: PersonId, at: Moment) -> Result<()> {
    let person = Person::get(conn, id).await?;
    let owed = super::missing_kit::on_account_of(conn, id).await?;
    if !owed.is_empty() {
        return Err(Error::Refused(
            "Kit of theirs is still missing. Settle it first: returned, paid or written off."
                .to_owned(),
        ));
    }
    if person.left_at.is_none() {
        people::leave(conn, id, at).await?;
    }
    forget(conn, id, person.mail()).await
}

async fn forget(conn: &mut Conn, id: PersonId, account: &str) -> Result<()> {
    sqlx::query!("DELETE FROM messages WHERE person_id = ?", id)
        .execute(&mut *conn)
        .await?;
    // What became of them stands in the logbooks.
    sqlx::query!("DELETE FROM reports WHERE person_id = ?", id)
        .execute(&mut *conn)
        .await?;
    sqlx::query!("DELETE FROM unwanted_messages WHERE person_id = ?", id)
        .execute(&mut *conn)
        .await?;
    sqlx::query!(
        "DELETE FROM sign_in_attempts WHERE account = ? AND account <> ''",
        account
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "UPDATE waits SET note = '' WHERE person_id = ? AND note <> ''",
        id
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "DELETE FROM signatures WHERE loan_id IN (SELECT id FROM loans WHERE borrower_id = ?)",
        id
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "UPDATE loans SET collected_by = '', deposit = '' WHERE borrower_id = ? AND (collected_by <> '' OR deposit <> '')",
        id
    )
    .execute(&mut *conn)
    .await?;
    let sorted_as = people::sorted_as(FORMER);
    sqlx::query!(
        "UPDATE people SET name = ?, sorted_as = ?, email = NULL, role = 'member', guest = 0 WHERE id = ?",
        FORMER,
        sorted_as,
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Removes who those were that left long ago; how many that were. The server does so
/// every hour.
pub async fn forget_who_left(conn: &mut Conn, now: Moment) -> Result<u64> {
    let long_ago = now - KEPT_AFTER_LEAVING;
    let gone = sqlx::query!(
        r#"SELECT id AS "id: PersonId", COALESCE(email, '') AS "email!: String" FROM people
           WHERE left_at <= ? AND name <> ?"#,
        long_ago,
        FORMER
    )
    .fetch_all(&mut *conn)
    .await?;
    for one in &gone {
        forget(conn, one.id, &one.email).await?;
    }
    Ok(gone.len() as u64)
}
