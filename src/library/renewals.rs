//! Renewals: a borrower makes a loan longer by themselves, where nobody is kept waiting.

use chrono::{Days, NaiveDate};

use super::club::Club;
use super::entries::{EntryKind, NewEntry};
use super::loans::Loan;
use super::things::Thing;
use super::{
    Conn, Error, LoanId, Moment, PersonId, RenewalId, Result, loan_periods, reservations, waits,
};

/// What the rule looks at.
#[derive(Debug, Clone, Copy)]
pub struct Facts {
    /// The day the loan is due.
    pub due_on: NaiveDate,
    /// How long a loan of this instrument runs, days.
    pub days: i64,
    /// How often it was renewed.
    pub renewed: i64,
    /// Whether somebody else waits for it.
    pub others_wait: bool,
    /// The first day on which it is reserved for somebody else, from today on.
    pub reserved_from: Option<NaiveDate>,
}

/// The rule: the day it would be due after a renewal today, or why there is none.
///
/// # Errors
/// The reason, in words for the borrower.
pub fn decide(club: &Club, facts: &Facts, today: NaiveDate) -> Result<NaiveDate, String> {
    let late = (today - facts.due_on).num_days();
    let days = Days::new(u64::try_from(facts.days).unwrap_or(0));
    let due_on = today.checked_add_days(days).unwrap_or(today);
    if late > club.renew_late_days {
        return Err("It is too late to renew it. Please bring it back.".to_owned());
    }
    if facts.others_wait {
        return Err("Somebody waits for it, so it cannot be renewed.".to_owned());
    }
    if facts.renewed >= club.renewals {
        return Err(match club.renewals {
            0 => "Loans are not renewed here. Ask the lending desk.".to_owned(),
            1 => "It has been renewed once already, and more is not possible.".to_owned(),
            n => format!("It has been renewed {n} times already, and more is not possible."),
        });
    }
    if let Some(from) = facts.reserved_from
        && from <= due_on
    {
        return Err(format!(
            "It is reserved from {}, so it cannot be renewed.",
            super::day(from)
        ));
    }
    if due_on <= facts.due_on {
        let from = facts
            .due_on
            .checked_sub_days(days)
            .and_then(|d| d.succ_opt());
        return Err(match from {
            Some(from) => format!("You can renew it from {}.", super::day(from)),
            None => "It is too early to renew it.".to_owned(),
        });
    }
    Ok(due_on)
}

/// How often a loan has been renewed by its borrower.
pub async fn count(conn: &mut Conn, loan: LoanId) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM renewals WHERE loan_id = ?"#,
        loan
    )
    .fetch_one(conn)
    .await?)
}

/// What a renewal today would come to: the inner error says why there is none.
pub async fn offer(
    conn: &mut Conn,
    club: &Club,
    loan: &Loan,
    today: NaiveDate,
) -> Result<Result<NaiveDate, String>> {
    if loan.returned_at.is_some() {
        return Ok(Err("That loan is over.".to_owned()));
    }
    let instrument = Thing::get(conn, loan.instrument_id).await?;
    let line = waits::open(conn, Some(loan.instrument_id), None).await?;
    let reserved = reservations::from_day(conn, Some(loan.instrument_id), today).await?;
    let facts = Facts {
        due_on: loan.due_on,
        days: loan_periods::days_for(conn, club, instrument.id, instrument.sort()).await?,
        renewed: count(conn, loan.id).await?,
        others_wait: line.iter().any(|w| w.person_id != loan.borrower_id),
        reserved_from: reserved
            .iter()
            .find(|r| r.person_id != Some(loan.borrower_id))
            .map(|r| r.from_on),
    };
    Ok(decide(club, &facts, today))
}

/// Renews a loan for its borrower, and writes that into the logbook. Gives the day it
/// is due now.
///
/// # Errors
/// Refused where the rule does; another's loan is not found.
pub async fn renew(
    conn: &mut Conn,
    club: &Club,
    loan: LoanId,
    borrower: PersonId,
    at: Moment,
) -> Result<NaiveDate> {
    let found = Loan::get(conn, loan).await?;
    if found.borrower_id != borrower {
        return Err(Error::NotFound("loan"));
    }
    let due_on = offer(conn, club, &found, club.date(at))
        .await?
        .map_err(Error::Refused)?;
    let id = RenewalId::fresh();
    sqlx::query!(
        "INSERT INTO renewals (id, loan_id, renewed_at, due_before, due_on) VALUES (?, ?, ?, ?, ?)",
        id,
        loan,
        at,
        found.due_on,
        due_on
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!("UPDATE loans SET due_on = ? WHERE id = ?", due_on, loan)
        .execute(&mut *conn)
        .await?;
    NewEntry {
        instrument: found.instrument_id,
        kind: EntryKind::Note,
        happened_at: at,
        recorded_at: at,
        by: borrower,
        loan: Some(loan),
        note: format!("Renewed until {}.", super::day(due_on)),
    }
    .write(conn)
    .await?;
    Ok(due_on)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn facts() -> Facts {
        Facts {
            due_on: day("2026-11-20"),
            days: 28,
            renewed: 0,
            others_wait: false,
            reserved_from: None,
        }
    }

    #[test]
    fn a_renewal_runs_a_whole_loan_from_today() {
        let due = decide(&Club::default(), &facts(), day("2026-11-18"));
        assert_eq!(due, Ok(day("2026-12-16")));
        // Late, but within what the club lets pass.
        let due = decide(&Club::default(), &facts(), day("2026-11-27"));
        assert_eq!(due, Ok(day("2026-12-25")));
    }

    #[test]
    fn each_rule_refuses_by_itself() {
        let club = Club::default();
        let today = day("2026-11-18");
        for (facts, today, words) in [
            (
                Facts {
                    others_wait: true,
                    ..facts()
                },
                today,
                "Somebody waits",
            ),
            (
                Facts {
                    renewed: club.renewals,
                    ..facts()
                },
                today,
                "renewed 2 times already",
            ),
            (
                Facts {
                    reserved_from: Some(day("2026-12-16")),
                    ..facts()
                },
                today,
                "reserved from 16 December 2026",
            ),
            (facts(), day("2026-11-28"), "too late"),
            (
                Facts {
                    due_on: day("2026-12-16"),
                    ..facts()
                },
                today,
                "renew it from 19 November 2026",
            ),
        ] {
            let why = decide(&club, &facts, today).unwrap_err();
            assert!(why.contains(words), "{why}");
        }
        let after = Facts {
            reserved_from: Some(day("2026-12-17")),
            ..facts()
        };
        assert!(decide(&club, &after, today).is_ok());
    }
}
