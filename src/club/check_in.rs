//! Checking in: what comes back, with which parts, and what it went through.

use library::entries::{EntryKind, NewEntry};
use library::instruments::Instrument;
use library::journeys::Journey;
use library::loans::{self, Loan, Return};
use library::problems::{self, AsksFor, Problem, ProblemWhat};
use library::star_tests::StarTest;
use library::{KitPartId, LoanId, Moment, kit};

use crate::{Act, Done, Refusal};

/// What is told at the check-in table, or by a command.
#[derive(Debug, Clone, Default)]
pub struct CheckIn {
    /// The instrument's tag.
    pub tag: String,
    /// The loan that its teller takes for open; `None` for none.
    pub loan: Option<LoanId>,
    /// When it happened; `None` for now.
    pub happened_at: Option<Moment>,
    /// The parts that are there; `None` where nobody looked.
    pub present: Option<Vec<KitPartId>>,
    /// Its journeys, in order.
    pub journeys: Vec<Journey>,
    /// What is wrong with it.
    pub problems: Vec<Problem>,
    /// A look at a star.
    pub star_test: Option<StarTest>,
    /// Words beside all that.
    pub note: String,
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct CheckedIn {
    /// The instrument.
    pub instrument: Instrument,
    /// The loan that ended.
    pub returned: Option<LoanId>,
    /// The parts that should be there and are not, by name.
    pub missing: Vec<String>,
}

/// Ends the loan where there is one, then writes journeys and problems down in that
/// order, so that a star test of the same evening comes after the drive home. A part
/// that is missing is a problem, however its absence was told, and is reported once.
///
/// # Errors
/// Field `kit`, when somebody else has lent or returned it meanwhile, or nobody looked
/// at the kit of a loan; `happened_on` when it would be back before it went out.
pub async fn check_in(act: &mut Act, told: CheckIn) -> Done<CheckedIn> {
    let by = act.actor().person()?;
    let now = act.at();
    let conn = act.conn();
    let instrument = Instrument::by_tag(conn, &told.tag).await?;
    if told.loan != instrument.open_loan {
        return Err(Refusal::field(
            "kit",
            if instrument.open_loan.is_none() {
                "Kit: someone else has returned it since this page was opened. Look over the rest and send it again; it is logged without the loan."
            } else {
                "Kit: it has gone out on loan since this page was opened. Tick what came back, or leave this page."
            },
        ));
    }
    let at = told.happened_at.unwrap_or(now);
    let mut missing = Vec::new();
    let mut words = "Not in the kit";
    match (told.loan, &told.present) {
        (Some(_), None) => {
            return Err(Refusal::field(
                "kit",
                "Kit: tick all of it, the parts that are there, or none of it.",
            ));
        }
        (Some(loan), Some(present)) => {
            if at < Loan::get(conn, loan).await?.lent_at {
                return Err(Refusal::field(
                    "happened_on",
                    "Day: it cannot come back before it went out. Give a later day.",
                ));
            }
            words = "Did not come back";
            missing = Return {
                loan,
                came_back: present.clone(),
                at,
                recorded_at: now,
                by,
            }
            .write(conn)
            .await?;
        }
        (None, Some(present)) => {
            let parts = kit::of(conn, instrument.id).await?;
            missing = parts
                .into_iter()
                .filter(|p| !present.contains(&p.id))
                .map(|p| p.name)
                .collect();
        }
        (None, None) => {}
    }
    let log = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::Note, // each noun sets its own
        happened_at: at,
        recorded_at: now,
        by,
        loan: told.loan,
        note: String::new(),
    };
    for journey in &told.journeys {
        journey.log(conn, log.clone()).await?;
    }
    for problem in &told.problems {
        problem.log(conn, log.clone()).await?;
    }
    if !missing.is_empty() {
        let words = format!("{words}: {}", missing.join(", "));
        let known = problems::current(conn, Some(instrument.id))
            .await?
            .iter()
            .any(|p| !p.settled && p.problem.words == words);
        if !known {
            let problem = Problem {
                what: ProblemWhat::PartMissing,
                asks_for: AsksFor::ALook,
                words,
            };
            problem.log(conn, log.clone()).await?;
        }
    }
    if let Some(test) = told.star_test {
        test.log(conn, log.clone()).await?;
    }
    if !told.note.is_empty() {
        NewEntry {
            loan: None, // a person's own words, theirs to correct
            note: told.note,
            ..log
        }
        .write(conn)
        .await?;
    }
    Ok(CheckedIn {
        instrument,
        returned: told.loan,
        missing,
    })
}

/// The parts of an open loan that went out: what a return is ticked off against.
///
/// # Errors
/// Refused when it is not out on loan.
pub async fn out_with(act: &mut Act, tag: &str) -> Done<(LoanId, Vec<loans::LoanPart>)> {
    let conn = act.conn();
    let instrument = Instrument::by_tag(conn, tag).await?;
    let loan = instrument.open_loan.ok_or_else(|| {
        library::Error::Refused(format!("{} is not out on loan.", instrument.tag))
    })?;
    let mut parts = loans::parts(conn, loan).await?;
    parts.retain(|p| p.went_out);
    Ok((loan, parts))
}
