//! The fields in which a loan is entered, and what may stand in them.

use chrono::NaiveDate;

use super::fields::{FormErrors, part};
use super::kit_ticks::{KitFields, KitRow};
use super::show;
use crate::library::reservations::Reservation;
use crate::library::{KitPartId, PersonId, ReservationId};

/// The longest a loan may run, days.
pub const LONGEST_DAYS: i64 = 366;

/// The form, as sent.
#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
pub struct LendFields {
    /// Its own fields.
    pub own: OwnFields,
    /// The kit.
    pub kit: KitFields,
}

/// The fields besides the kit, as typed.
#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
pub struct OwnFields {
    /// To whom, an id.
    pub borrower: String,
    /// Back by this day.
    pub due_on: String,
    /// What the borrower is told.
    pub limit_stated: String,
    /// Why it goes out all the same.
    pub override_reason: String,
    /// The day it went out, "" for now.
    pub lent_on: String,
    /// The day it came back, of a loan that is over.
    pub back_on: String,
    /// Who fetches it, "" for the borrower.
    pub collected_by: String,
    /// The deposit in words.
    pub deposit: String,
    /// The reservation it goes out for, "" for none.
    pub reservation: String,
    /// "yes" where a loan that is over is entered.
    pub past: String,
}

impl OwnFields {
    /// Whether a loan that is over is entered.
    pub fn is_past(&self) -> bool {
        self.past == "yes"
    }

    /// Whether anything is said that stands behind the fold.
    pub fn says_more(&self) -> bool {
        let said = |typed: &str| !typed.trim().is_empty();
        said(&self.collected_by) || said(&self.deposit) || (said(&self.lent_on) && !self.is_past())
    }
}

impl TryFrom<Vec<(String, String)>> for LendFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            own: part(&pairs)?,
            kit: part(&pairs)?,
        })
    }
}

/// Reads the day a loan is due: not before `from`, and no more than a year later.
pub fn due_day(
    errors: &mut FormErrors,
    field: &str,
    typed: &str,
    from: NaiveDate,
) -> Option<NaiveDate> {
    let day = errors.date(field, "Back by", typed)?;
    let days = (day - from).num_days();
    if days < 0 {
        errors.add(
            field,
            format!("Back by: choose {} or a later day.", show::day(from)),
        );
        None
    } else if days > LONGEST_DAYS {
        errors.add(
            field,
            "Back by: a loan may run a year at most. Choose an earlier day.",
        );
        None
    } else {
        Some(day)
    }
}

/// A day that is today or earlier; none where it is left out.
fn past_day(
    errors: &mut FormErrors,
    (field, label): (&str, &str),
    typed: &str,
    today: NaiveDate,
) -> Option<NaiveDate> {
    if typed.trim().is_empty() {
        return None;
    }
    let day = errors.date(field, label, typed)?;
    if day > today {
        errors.add(
            field,
            format!("{label}: this day is yet to come. To keep it for a later day, reserve it."),
        );
        return None;
    }
    Some(day)
}

/// What was typed, checked.
pub struct Checked {
    /// To whom.
    pub borrower: PersonId,
    /// Back by this day.
    pub due_on: NaiveDate,
    /// The day it goes or went out.
    pub from: NaiveDate,
    /// The day it came back.
    pub back: Option<NaiveDate>,
    /// The parts that go along.
    pub kit: Vec<KitPartId>,
    /// What the borrower is told.
    pub limit_stated: String,
    /// Why it goes out all the same, or "".
    pub reason: String,
    /// Who fetches it, or "".
    pub collected_by: String,
    /// The deposit, or "".
    pub deposit: String,
    /// The reservation it goes out for.
    pub reservation: Option<ReservationId>,
}

/// What the fields are checked against.
pub struct Against<'a> {
    /// The club's day.
    pub today: NaiveDate,
    /// Days a loan of it runs.
    pub loan_days: i64,
    /// Who was chosen to borrow it, if they can.
    pub borrower: Option<PersonId>,
    /// Its kit as the page lists it.
    pub kit_rows: &'a [KitRow],
    /// The reservations it may go out for.
    pub reserved: &'a [Reservation],
}

/// Checks what was typed; what must be mended is noted.
pub fn check(case: &Against<'_>, form: &LendFields, errors: &mut FormErrors) -> Option<Checked> {
    let own = &form.own;
    let borrower = case.borrower;
    if borrower.is_none() {
        errors.add("borrower", "To whom: choose a person from the list.");
    }
    let today = case.today;
    let lent_on = past_day(errors, ("lent_on", "Lent on"), &own.lent_on, today);
    let back = past_day(errors, ("back_on", "Came back on"), &own.back_on, today);
    if own.is_past() {
        for (field, label, typed) in [
            ("lent_on", "Lent on", &own.lent_on),
            ("back_on", "Came back on", &own.back_on),
        ] {
            if typed.trim().is_empty() {
                errors.add(field, format!("{label}: give a date like 2026-03-14."));
            }
        }
    }
    let from = lent_on.unwrap_or(today);
    if back.is_some_and(|back| back < from) {
        errors.add(
            "back_on",
            "Came back on: this is before it went out. Choose a later day.",
        );
    }
    let due_on = if own.is_past() && own.due_on.trim().is_empty() {
        Some(from + chrono::Duration::days(case.loan_days))
    } else {
        due_day(errors, "due_on", &own.due_on, from)
    };
    let kit = form.kit.check(case.kit_rows, errors);
    let limit_stated = if own.is_past() {
        errors.optional_text("limit_stated", TOLD, &own.limit_stated, 500)
    } else {
        errors.text("limit_stated", TOLD, &own.limit_stated, 500)
    };
    let reason = errors.optional_text("override_reason", WHY, &own.override_reason, 500);
    let collected_by = errors.optional_text(
        "collected_by",
        "Somebody else fetches it",
        &own.collected_by,
        120,
    );
    let deposit = errors.optional_text("deposit", "Deposit", &own.deposit, 120);
    let reservation = own.reservation.parse::<ReservationId>().ok();
    let reservation = reservation.filter(|id| case.reserved.iter().any(|r| r.id == *id));
    Some(Checked {
        borrower: borrower?,
        due_on: due_on?,
        from,
        back,
        kit: kit?,
        limit_stated,
        reason,
        collected_by,
        deposit,
        reservation,
    })
    .filter(|_| errors.is_empty())
}

const TOLD: &str = "What the borrower is told";
/// What the field of the reason is called.
pub const WHY: &str = "Why it goes out all the same";
