//! What happened to an instrument, logged from the command line; and its condition.

use std::process::ExitCode;

use chrono::Utc;
use tubewright::library::instruments::{Instrument, Status};
use tubewright::library::journeys::{Journey, JourneyKind};
use tubewright::library::measures::Quantity;
use tubewright::library::problems::{self, AsksFor, Problem, ProblemWhat};
use tubewright::library::works::{self, Work, WorkWhat};
use tubewright::library::{Error, Library};
use tubewright::upkeep;
use tubewright::web::lend::limit_words;
use tubewright::web::show::capital;

use super::desk::{Signed, begin, told};
use super::{DataArgs, block_on};

/// Arguments of `journey`.
#[derive(Debug, clap::Args)]
pub struct JourneyArgs {
    /// The instrument's tag
    tag: String,
    /// hand-carry, car, rough-road, flight-or-parcel, public-event, knock-or-drop or left-outdoors
    kind: JourneyKind,
    /// How far, there and back, km, or with its unit as 30mi; for car and rough-road
    #[arg(long, value_name = "KM", value_parser = distance_km)]
    km: Option<f64>,
    /// How hard, 1 to 3; for knock-or-drop and left-outdoors
    #[arg(long, value_parser = clap::value_parser!(i64).range(1..=3))]
    how_hard: Option<i64>,
    #[command(flatten)]
    signed: Signed,
}

/// Arguments of `problem`.
#[derive(Debug, clap::Args)]
pub struct ProblemArgs {
    /// The instrument's tag
    tag: String,
    /// optics-dirty, dew-or-mould, optics-damaged, alignment-suspect, moving-part, part-missing,
    /// electrical, case-or-strap or other
    what: ProblemWhat,
    /// nothing, a-look or the-bench
    #[arg(long, default_value = "a-look")]
    asks_for: AsksFor,
    /// In words
    #[arg(long, default_value = "")]
    words: String,
    #[command(flatten)]
    signed: Signed,
}

/// Arguments of `work`.
#[derive(Debug, clap::Args)]
pub struct WorkArgs {
    /// The instrument's tag
    tag: String,
    /// collimation, cleaning, repair, part-replaced or inspection
    what: WorkWhat,
    /// Something optical was moved, so only a new star test can say whether it is in line
    #[arg(long)]
    moved_optics: bool,
    /// How long it took, minutes
    #[arg(long, value_parser = clap::value_parser!(i64).range(1..=10_000))]
    minutes: Option<i64>,
    /// It settles every problem that is open
    #[arg(long)]
    settles_all: bool,
    /// In words
    #[arg(long, default_value = "")]
    words: String,
    #[command(flatten)]
    signed: Signed,
}

/// Arguments of `move`.
#[derive(Debug, clap::Args)]
pub struct MoveArgs {
    /// The instrument's tag
    tag: String,
    /// shelf, held or bench
    at: Status,
    /// Why
    #[arg(long, value_name = "WORDS")]
    reason: String,
    #[command(flatten)]
    signed: Signed,
}

/// Arguments of `condition`.
#[derive(Debug, clap::Args)]
pub struct ConditionArgs {
    /// The instrument's tag
    tag: String,
    /// Print one JSON object instead of words
    #[arg(long, env = "TUBEWRIGHT_JSON")]
    json: bool,
    #[command(flatten)]
    data: DataArgs,
}

/// As the table of journeys has it.
const LONGEST_DRIVE_KM: f64 = 40_000.0;

/// Logs a journey.
pub fn journey(args: JourneyArgs) -> ExitCode {
    block_on(told(async move {
        if args.km.is_some() && !args.kind.has_distance() {
            return Err(Error::Refused(format!(
                "--km: says nothing about a journey {}.",
                args.kind
            )));
        }
        if args
            .km
            .is_some_and(|km| !(km > 0.0 && km <= LONGEST_DRIVE_KM))
        {
            return Err(Error::Refused(format!(
                "--km: give a distance above 0 and up to {LONGEST_DRIVE_KM} km."
            )));
        }
        if args.how_hard.is_some() && !args.kind.has_severity() {
            return Err(Error::Refused(format!(
                "--how-hard: says nothing about a journey {}.",
                args.kind
            )));
        }
        let mut desk = begin(&args.signed, &args.tag).await?;
        let journey = Journey {
            kind: args.kind,
            distance_km: args.km,
            severity: args.how_hard,
        };
        let mut entry = desk.entry();
        entry.loan = desk.instrument.open_loan;
        journey.log(&mut desk.write, entry).await?;
        let said = format!("Logged for {}: {}.", desk.instrument.tag, args.kind);
        desk.finish("journey", said).await
    }))
}

/// Logs a problem.
pub fn problem(args: ProblemArgs) -> ExitCode {
    block_on(told(async move {
        let mut desk = begin(&args.signed, &args.tag).await?;
        let problem = Problem {
            what: args.what,
            asks_for: args.asks_for,
            words: match args.words.trim() {
                "" => capital(args.what.label()),
                words => words.to_owned(),
            },
        };
        let entry = desk.entry();
        problem.log(&mut desk.write, entry).await?;
        let said = format!(
            "Logged for {}: {}, asks for {}.",
            desk.instrument.tag, args.what, args.asks_for
        );
        desk.finish("problem", said).await
    }))
}

/// Logs work at the bench.
pub fn work(args: WorkArgs) -> ExitCode {
    block_on(told(async move {
        let mut desk = begin(&args.signed, &args.tag).await?;
        let settles = if args.settles_all {
            problems::open(&mut desk.write, Some(desk.instrument.id))
                .await?
                .into_iter()
                .map(|f| f.entry_id)
                .collect()
        } else {
            Vec::new()
        };
        let settled = settles.len();
        let entry = desk.entry();
        Work {
            what: args.what,
            minutes: args.minutes,
            moved_optics: args.moved_optics,
            words: args.words.trim().to_owned(),
            settles,
        }
        .log(&mut desk.write, entry)
        .await?;
        let said = format!(
            "Logged for {}: {}, {settled} problems settled.",
            desk.instrument.tag, args.what
        );
        desk.finish("work", said).await
    }))
}

/// Puts an instrument on the shelf, among those held, or at the bench.
pub fn move_to(args: MoveArgs) -> ExitCode {
    block_on(told(async move {
        if args.at == Status::Retired {
            return Err(Error::Refused(
                "Retiring is done on the instrument's page, by a coordinator.".to_owned(),
            ));
        }
        let mut desk = begin(&args.signed, &args.tag).await?;
        let reason = args.reason.trim();
        if reason.is_empty() {
            return Err(Error::Refused("--reason: say why.".to_owned()));
        }
        works::put(
            &mut desk.write,
            &desk.instrument,
            args.at,
            reason,
            desk.by.id,
            desk.now,
        )
        .await?;
        let said = format!("{} is {}.", desk.instrument.tag, args.at);
        desk.finish("move", said).await
    }))
}

/// Prints the condition of one instrument with its reasons.
pub fn condition(args: ConditionArgs) -> ExitCode {
    block_on(told(async move {
        let library = Library::look_into(&args.data.data).await?;
        let mut conn = library.read().await?;
        let instrument = Instrument::by_tag(&mut conn, &args.tag).await?;
        let row = upkeep::shelf_row(&mut conn, instrument, Utc::now()).await?;
        drop(conn);
        library.close().await;
        let (i, a) = (&row.instrument, &row.assessment);
        if args.json {
            return Ok(serde_json::json!({
                "tag": i.tag,
                "name": i.name,
                "design": i.design.slug(),
                "state": i.state().slug(),
                "condition": a.condition.slug(),
                "reasons": a.reasons,
                "as_of": a.as_of,
                "coma_rms_waves": a.coma_rms_waves.map(|c| c.0),
                "coma_rms_waves_sigma": a.coma_rms_waves.map(|c| c.1),
                "told_to_borrowers": limit_words(&row),
            })
            .to_string());
        }
        Ok(format!(
            "{}, {}\n{}. {}.\n{}\n{}",
            i.tag,
            i.name,
            capital(a.condition.label()),
            capital(i.state().label()),
            a.reasons.join("\n"),
            limit_words(&row)
        ))
    }))
}

/// A distance as typed, km.
fn distance_km(typed: &str) -> Result<f64, String> {
    let read = Quantity::DistanceKm.read(typed, 1.0);
    read.ok_or_else(|| "give a distance as 48, 48km or 30mi".to_owned())
}
