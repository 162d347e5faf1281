//! Kit that is missing: parts that went out and did not come back, on the account of
//! the loan they went missing on, or that were not there when the kit was counted.
//!
//! A part is missing until it, or a new one, is in the kit again. An account is open
//! until the part is returned, paid for or written off; the two may come in either
//! order.

use super::entries::{EntryKind, NewEntry};
use super::works::{Work, WorkWhat};
use super::{
    Conn, EntryId, Error, InstrumentId, KitPartId, LoanId, MissingKitId, Moment, PersonId, Result,
    problems,
};

words! {
    /// How an account is settled.
    pub enum Outcome {
        /// It came back.
        Returned = "returned", "returned";
        /// The borrower paid for it.
        Paid = "paid", "paid for";
        /// The club lets it go.
        WrittenOff = "written-off", "written off";
    }
}

/// A part that is or was missing, with the names a page needs.
#[derive(Debug, Clone)]
pub struct MissingPart {
    /// Id.
    pub id: MissingKitId,
    /// The part.
    pub kit_part_id: KitPartId,
    /// What it is.
    pub part: String,
    /// Of which instrument.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// Since when.
    pub missing_since: Moment,
    /// The loan it went missing on; on nobody's account without.
    pub loan_id: Option<LoanId>,
    /// Who had that loan.
    pub borrower_id: Option<PersonId>,
    /// Their name.
    pub borrower: Option<String>,
    /// The report in the logbook.
    pub problem_entry_id: Option<EntryId>,
    /// When the account was settled.
    pub settled_at: Option<Moment>,
    /// How.
    pub outcome: Option<Outcome>,
    /// In words.
    pub note: String,
    /// When it, or a new one, was in the kit again.
    pub back_at: Option<Moment>,
}

/// Which missing parts to list.
#[derive(Debug, Clone, Copy, Default)]
pub struct Which {
    /// Of this instrument only.
    pub instrument: Option<InstrumentId>,
    /// On this person's account only.
    pub person: Option<PersonId>,
    /// Settled and back ones as well.
    pub all: bool,
}

impl MissingPart {
    /// Whether its account is still open.
    pub fn is_open(&self) -> bool {
        self.settled_at.is_none()
    }

    /// Whether it was missing at this moment.
    pub fn was_missing(&self, at: Moment) -> bool {
        self.missing_since <= at && self.back_at.is_none_or(|back| back > at)
    }
}

/// Missing parts, those missing longest first: what is still open or not back, or all.
/// A part that was taken out of the kit is listed while its account is open.
pub async fn list(conn: &mut Conn, which: Which) -> Result<Vec<MissingPart>> {
    Ok(sqlx::query_as!(
        MissingPart,
        r#"SELECT m.id AS "id: MissingKitId", m.kit_part_id AS "kit_part_id: KitPartId", k.name AS part,
                  i.id AS "instrument_id: InstrumentId", i.tag, i.name AS instrument_name,
                  m.missing_since AS "missing_since: Moment", m.loan_id AS "loan_id: LoanId",
                  b.id AS "borrower_id?: PersonId", b.name AS "borrower?: String",
                  m.problem_entry_id AS "problem_entry_id: EntryId", m.settled_at AS "settled_at: Moment",
                  m.outcome AS "outcome: Outcome", m.note, m.back_at AS "back_at: Moment"
           FROM missing_kit m JOIN kit_parts k ON k.id = m.kit_part_id
                JOIN instruments i ON i.id = k.instrument_id
                LEFT JOIN loans l ON l.id = m.loan_id LEFT JOIN people b ON b.id = l.borrower_id
           WHERE (?1 IS NULL OR k.instrument_id = ?1) AND (?2 IS NULL OR l.borrower_id = ?2)
             AND (?3 OR (m.settled_at IS NULL AND (m.loan_id IS NOT NULL OR k.removed_at IS NULL))
                  OR (m.back_at IS NULL AND k.removed_at IS NULL))
           ORDER BY m.missing_since, i.tag, k.ordinal"#,
        which.instrument,
        which.person,
        which.all
    )
    .fetch_all(conn)
    .await?)
}

/// The parts that are not in an instrument's kit now.
pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<MissingPart>> {
    let which = Which {
        instrument: Some(instrument),
        ..Which::default()
    };
    let mut all = list(conn, which).await?;
    all.retain(|m| m.back_at.is_none());
    Ok(all)
}

/// What is on a person's account.
pub async fn on_account_of(conn: &mut Conn, person: PersonId) -> Result<Vec<MissingPart>> {
    let which = Which {
        person: Some(person),
        ..Which::default()
    };
    let mut all = list(conn, which).await?;
    all.retain(MissingPart::is_open);
    Ok(all)
}

async fn get(conn: &mut Conn, id: MissingKitId) -> Result<MissingPart> {
    let which = Which {
        all: true,
        ..Which::default()
    };
    list(conn, which)
        .await?
        .into_iter()
        .find(|m| m.id == id)
        .ok_or(Error::NotFound("missing part"))
}

/// Says that these parts are missing: a problem in the logbook, in words that begin so,
/// and each on the account of `entry.loan`. One that is missing already stays as it is.
pub async fn report(
    conn: &mut Conn,
    parts: &[(KitPartId, String)],
    words: &str,
    entry: NewEntry,
) -> Result<()> {
    let known = of(conn, entry.instrument).await?;
    let new: Vec<&(KitPartId, String)> = parts
        .iter()
        .filter(|(id, _)| known.iter().all(|m| m.kit_part_id != *id))
        .collect();
    if new.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = new.iter().map(|(_, name)| name.as_str()).collect();
    let words = format!("{words}: {}", names.join(", "));
    let (since, loan) = (entry.happened_at, entry.loan);
    let problem = problems::part_missing(conn, words, entry).await?;
    for (part, _) in new {
        let id = MissingKitId::fresh();
        sqlx::query!(
            "INSERT INTO missing_kit (id, kit_part_id, loan_id, missing_since, problem_entry_id) VALUES (?, ?, ?, ?, ?)",
            id, part, loan, since, problem
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

/// Settles an account: the part is returned, paid for or written off. Only a returned
/// one is in the kit again.
///
/// # Errors
/// Refused when it was settled already.
pub async fn settle(
    conn: &mut Conn,
    id: MissingKitId,
    outcome: Outcome,
    note: &str,
    by: PersonId,
    at: Moment,
) -> Result<MissingPart> {
    let found = get(conn, id).await?;
    if let Some(before) = found.outcome {
        return Err(Error::Refused(format!(
            "The {} of {} is {before} already.",
            found.part, found.tag
        )));
    }
    let returned = outcome == Outcome::Returned;
    let back_at = returned.then_some(at).or(found.back_at);
    sqlx::query!(
        "UPDATE missing_kit SET settled_at = ?, settled_by = ?, outcome = ?, note = ?, back_at = ? WHERE id = ?",
        at,
        by,
        outcome,
        note,
        back_at,
        id
    )
    .execute(&mut *conn)
    .await?;
    let mut words = format!("{} {outcome}.", super::capital(&found.part));
    if !note.is_empty() {
        words.push_str(&format!(" {note}"));
    }
    if returned {
        log_back(conn, &found, words, by, at).await?;
    } else {
        entry(&found, words, by, at).write(conn).await?;
    }
    Ok(found)
}

/// Says that a missing part, or a new one in its place, is in the kit again. Who had it
/// still has it on their account, unless it is settled.
///
/// # Errors
/// Refused when it is in the kit again already.
pub async fn is_back(
    conn: &mut Conn,
    id: MissingKitId,
    by: PersonId,
    at: Moment,
) -> Result<MissingPart> {
    let found = get(conn, id).await?;
    let done = sqlx::query!(
        "UPDATE missing_kit SET back_at = ? WHERE id = ? AND back_at IS NULL",
        at,
        id
    )
    .execute(&mut *conn)
    .await?;
    if done.rows_affected() == 0 {
        return Err(Error::Refused(format!(
            "The {} of {} is in the kit again already.",
            found.part, found.tag
        )));
    }
    let words = format!("{} in the kit again.", super::capital(&found.part));
    log_back(conn, &found, words, by, at).await?;
    Ok(found)
}

/// What is found again when a kit is counted: the account is settled with it.
pub async fn found_again(
    conn: &mut Conn,
    id: MissingKitId,
    by: PersonId,
    at: Moment,
) -> Result<MissingPart> {
    if get(conn, id).await?.is_open() {
        settle(conn, id, Outcome::Returned, "", by, at).await
    } else {
        is_back(conn, id, by, at).await
    }
}

fn entry(part: &MissingPart, note: String, by: PersonId, at: Moment) -> NewEntry {
    NewEntry {
        instrument: part.instrument_id,
        kind: EntryKind::Note,
        happened_at: at,
        recorded_at: at,
        by,
        loan: part.loan_id,
        note,
    }
}

/// Writes into the logbook that a part is back; with the last part of a report, the
/// report is settled.
async fn log_back(
    conn: &mut Conn,
    part: &MissingPart,
    words: String,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let still_open = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM missing_kit WHERE problem_entry_id = ? AND back_at IS NULL"#,
        part.problem_entry_id
    )
    .fetch_one(&mut *conn)
    .await?;
    let settled = problems::current(conn, Some(part.instrument_id))
        .await?
        .iter()
        .any(|p| Some(p.entry_id) == part.problem_entry_id && p.settled);
    match part.problem_entry_id {
        Some(problem) if still_open == 0 && !settled => {
            Work {
                what: WorkWhat::Inspection,
                minutes: None,
                moved_optics: false,
                words,
                settles: vec![problem],
            }
            .log(conn, entry(part, String::new(), by, at))
            .await?;
        }
        _ => {
            entry(part, words, by, at).write(conn).await?;
        }
    }
    Ok(())
}
