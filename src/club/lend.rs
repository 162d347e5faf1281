//! Lending: who gets an instrument, until when, and what overrides what.

use chrono::{Duration, NaiveDate};
use library::club::Club;
use library::instruments::{Instrument, Status};
use library::people::Person;
use library::{KitPartId, LoanId, PersonId, kit, loans};

use crate::{Act, Done, FormErrors, Refusal};

/// The longest a loan may run, days.
pub const LONGEST_DAYS: i64 = 366;

/// A loan somebody wants to make.
#[derive(Debug, Clone)]
pub struct Lend {
    /// The instrument's tag.
    pub tag: String,
    /// To whom.
    pub borrower: PersonId,
    /// Until when; the club's usual period where nobody said.
    pub due_on: Option<NaiveDate>,
    /// What the borrower is told it will not do.
    pub limit_stated: String,
    /// The parts that go along; the others of its kit stay.
    pub kit: Vec<KitPartId>,
    /// Why it goes out though held or at the bench.
    pub override_reason: Option<String>,
}

/// A loan made.
#[derive(Debug, Clone)]
pub struct Lent {
    /// Its id.
    pub loan: LoanId,
    /// What, by its tag.
    pub tag: String,
    /// To whom, by name.
    pub borrower: String,
    /// Until when.
    pub due_on: NaiveDate,
}

/// The day a loan is due by the club's habit, when it is made today.
pub fn usual_due_day(club: &Club, today: NaiveDate) -> NaiveDate {
    today + Duration::days(club.loan_days)
}

/// The one rule for the day a loan is due: today or later, a year off at most.
///
/// # Errors
/// The field `due_on`, and what to choose.
pub fn check_due_day(errors: &mut FormErrors, due_on: NaiveDate, today: NaiveDate) {
    let days = (due_on - today).num_days();
    if days < 0 {
        errors.add(
            "due_on",
            "Back by: this day is past. Choose today or a later one.",
        );
    } else if days > LONGEST_DAYS {
        errors.add(
            "due_on",
            "Back by: a loan may run a year at most. Choose an earlier day.",
        );
    }
}

/// Lends an instrument: loan, kit, logbook entry; the borrower's own place on the
/// waiting list is closed.
///
/// # Errors
/// Fields `due_on`, `limit_stated`, `override_reason`, `kit`; refused by the library
/// when it is out already, retired, or held or at the bench and no coordinator says
/// why it goes out all the same, or when the borrower has left.
pub async fn lend(act: &mut Act, input: Lend) -> Done<Lent> {
    let by = act.actor().person()?;
    let (at, coordinator) = (act.at(), act.actor().is_coordinator());
    let conn = act.conn();
    let instrument = Instrument::by_tag(conn, &input.tag).await?;
    let club = Club::load(conn).await?;
    let today = club.date(at);
    let due_on = input.due_on.unwrap_or_else(|| usual_due_day(&club, today));
    let mut errors = FormErrors::new();
    check_due_day(&mut errors, due_on, today);
    let limit_stated = errors.text(
        "limit_stated",
        "What the borrower is told",
        &input.limit_stated,
        500,
    );
    let parts = kit::of(conn, instrument.id).await?;
    if input.kit.iter().any(|k| !parts.iter().any(|p| p.id == *k)) {
        errors.add(
            "kit",
            "Kit: the list has changed since this page was opened. Tick it again.",
        );
    }
    let held = matches!(instrument.status, Status::Held | Status::Bench);
    // Only a coordinator's reason counts; for others the library refuses.
    let given = input.override_reason.unwrap_or_default();
    let override_reason = if held && coordinator {
        Some(errors.text(
            "override_reason",
            "Why it goes out all the same",
            &given,
            500,
        ))
    } else {
        None
    };
    if !errors.is_empty() {
        return Err(Refusal::Fields(errors));
    }
    let loan = loans::Lend {
        instrument: instrument.id,
        borrower: input.borrower,
        at,
        by,
        due_on,
        limit_stated,
        kit: input.kit,
        override_reason,
    }
    .write(conn)
    .await?;
    Ok(Lent {
        loan,
        tag: instrument.tag.clone(),
        borrower: Person::get(conn, input.borrower).await?.name,
        due_on,
    })
}

/// Moves the day a loan is due.
///
/// # Errors
/// Field `due_on`; refused when the loan is over, or due on that day anyway.
pub async fn extend(act: &mut Act, loan: LoanId, due_on: NaiveDate) -> Done<()> {
    let by = act.actor().person()?;
    let at = act.at();
    let conn = act.conn();
    let today = Club::load(conn).await?.date(at);
    let mut errors = FormErrors::new();
    check_due_day(&mut errors, due_on, today);
    if !errors.is_empty() {
        return Err(Refusal::Fields(errors));
    }
    Ok(loans::extend(conn, loan, due_on, at, by).await?)
}
