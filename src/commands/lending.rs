//! Lending and taking back from the command line.

use std::process::ExitCode;

use chrono::{Duration, NaiveDate};
use tubewright::library::club::Club;
use tubewright::library::lending::{Lend, LendDetails};
use tubewright::library::loans::{self, Loan};
use tubewright::library::returning::Return;
use tubewright::library::things::Sort;
use tubewright::library::{Error, kit, lending, loan_periods};
use tubewright::upkeep;
use tubewright::web::lend::limit_words;
use tubewright::web::lend_form::LONGEST_DAYS;

use super::block_on;
use super::desk::{Signed, begin, person, told};

/// Arguments of `lend`.
#[derive(Debug, clap::Args)]
pub struct LendArgs {
    /// The instrument's tag
    tag: String,
    /// To whom: their email address, or their name
    #[arg(long, value_name = "PERSON")]
    to: String,
    /// Back by this day, like 2026-12-24; the club's usual length of a loan when left out
    #[arg(long, value_name = "DAY")]
    until: Option<NaiveDate>,
    /// A part of the kit that stays here; may be given several times
    #[arg(long, value_name = "PART")]
    without: Vec<String>,
    /// What the borrower is told it will not do; from its condition when left out
    #[arg(long, value_name = "WORDS")]
    told: Option<String>,
    /// Why it goes out though it is held or at the bench (for coordinators), kept for the
    /// next in line, reserved, or one more than the club lends to one person
    #[arg(long, value_name = "REASON")]
    all_the_same: Option<String>,
    /// The day it went out, like 2026-11-24; now when left out
    #[arg(long, value_name = "DAY")]
    on: Option<NaiveDate>,
    /// The day it came back, kit complete, of a loan that is over already
    #[arg(long, value_name = "DAY", requires = "on")]
    back: Option<NaiveDate>,
    /// Who fetches it, where that is not the borrower
    #[arg(long, value_name = "NAME", default_value = "")]
    collected_by: String,
    /// The deposit, noted only
    #[arg(long, value_name = "WORDS", default_value = "")]
    deposit: String,
    #[command(flatten)]
    signed: Signed,
}

/// Arguments of `return`.
#[derive(Debug, clap::Args)]
pub struct ReturnArgs {
    /// The instrument's tag
    tag: String,
    /// A part of the kit that did not come back; may be given several times
    #[arg(long, value_name = "PART")]
    missing: Vec<String>,
    /// The day it came back, like 2026-11-24; now when left out
    #[arg(long, value_name = "DAY")]
    on: Option<NaiveDate>,
    #[command(flatten)]
    signed: Signed,
}

/// Hands an instrument out.
pub fn lend(args: LendArgs) -> ExitCode {
    block_on(told(async move {
        let mut desk = begin(&args.signed, &args.tag).await?;
        let row = upkeep::shelf_row(&mut desk.write, desk.instrument.clone(), desk.now).await?;
        let instrument = &row.instrument;
        let to = person(&mut desk.write, &args.to, "--to").await?;
        let club = Club::load(&mut desk.write).await?;
        let from = args.on.unwrap_or_else(|| club.date(desk.now));
        let days = loan_periods::days_for(
            &mut desk.write,
            &club,
            instrument.id,
            Sort::Design(instrument.design),
        )
        .await?;
        let due_on = args.until.unwrap_or_else(|| from + Duration::days(days));
        if !(0..=LONGEST_DAYS).contains(&(due_on - from).num_days()) {
            return Err(Error::Refused(
                "--until: give the day it goes out or a later one, a year off at most.".to_owned(),
            ));
        }
        let at = lending::begins_on(&mut desk.write, &club, instrument.id, from, desk.now).await?;
        let back_at = match args.back {
            Some(day) => Some(
                lending::ends_on(&mut desk.write, &club, instrument.id, at, day, desk.now).await?,
            ),
            None => None,
        };
        let parts = kit::present(&mut desk.write, instrument.id).await?;
        let names = parts.iter().map(|p| p.name.as_str());
        known_parts(names, &args.without, "--without")?;
        let loan = Lend {
            instrument: instrument.id,
            borrower: to.id,
            at,
            by: desk.by.id,
            due_on,
            limit_stated: args.told.unwrap_or_else(|| limit_words(&row)),
            kit: parts
                .iter()
                .filter(|p| !args.without.contains(&p.name))
                .map(|p| p.id)
                .collect(),
            override_reason: args.all_the_same,
            details: LendDetails {
                recorded_at: Some(desk.now),
                back_at,
                collected_by: args.collected_by.trim().to_owned(),
                deposit: args.deposit.trim().to_owned(),
                ..LendDetails::default()
            },
        };
        loan.write(&mut desk.write).await?;
        let said = match args.back {
            Some(back) => format!(
                "{} was lent to {} from {from} to {back}.",
                instrument.tag, to.name
            ),
            None => format!(
                "{} is lent to {} until {due_on}. Tell them: {}",
                instrument.tag, to.name, loan.limit_stated
            ),
        };
        desk.finish("lend", said).await
    }))
}

/// Takes an instrument back.
pub fn return_loan(args: ReturnArgs) -> ExitCode {
    block_on(told(async move {
        let mut desk = begin(&args.signed, &args.tag).await?;
        let Some(loan) = desk.instrument.open_loan else {
            return Err(Error::Refused(format!(
                "{} is not out on loan.",
                desk.instrument.tag
            )));
        };
        let out: Vec<_> = loans::parts(&mut desk.write, loan)
            .await?
            .into_iter()
            .filter(|p| p.went_out)
            .collect();
        known_parts(
            out.iter().map(|p| p.name.as_str()),
            &args.missing,
            "--missing",
        )?;
        let club = Club::load(&mut desk.write).await?;
        let at = match args.on {
            Some(day) if day > club.date(desk.now) => {
                return Err(Error::Refused(
                    "--on: this day is yet to come. Give today or an earlier day.".to_owned(),
                ));
            }
            Some(day) => {
                let lent_at = Loan::get(&mut desk.write, loan).await?.lent_at;
                lending::ends_on(
                    &mut desk.write,
                    &club,
                    desk.instrument.id,
                    lent_at,
                    day,
                    desk.now,
                )
                .await?
            }
            None => desk.now,
        };
        let missing = Return {
            loan,
            came_back: out
                .iter()
                .filter(|p| !args.missing.contains(&p.name))
                .map(|p| p.id)
                .collect(),
            at,
            recorded_at: desk.now,
            by: desk.by.id,
        }
        .write(&mut desk.write)
        .await?;
        let said = if missing.is_empty() {
            format!("{} is returned, kit complete.", desk.instrument.tag)
        } else {
            format!(
                "{} is returned without {}.",
                desk.instrument.tag,
                missing.join(", ")
            )
        };
        desk.finish("return", said).await
    }))
}

/// Refuses names that no part has, and says which there are.
fn known_parts<'a>(
    parts: impl Iterator<Item = &'a str> + Clone,
    named: &[String],
    flag: &str,
) -> Result<(), Error> {
    match named.iter().find(|n| !parts.clone().any(|p| p == *n)) {
        None => Ok(()),
        Some(unknown) => Err(Error::Refused(format!(
            "{flag}: no part is called {unknown}; there are: {}.",
            parts.collect::<Vec<_>>().join(", ")
        ))),
    }
}
