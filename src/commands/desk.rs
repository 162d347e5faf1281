//! The lending desk and the bench from the command line: what a volunteer does
//! by clicking, each as one command, signed and under the same rules.

use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{Duration, NaiveDate, Utc};
use tubewright::library::attempts::{self, Attempt, AttemptState};
use tubewright::library::audit_log::{self, AuditEntry};
use tubewright::library::club::Club;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Status};
use tubewright::library::journeys::{Journey, JourneyKind};
use tubewright::library::lamp::Lamp;
use tubewright::library::lending::{Lend, LendDetails};
use tubewright::library::loans::{self, Loan};
use tubewright::library::measures::Quantity;
use tubewright::library::people::{Person, Role};
use tubewright::library::problems::{self, AsksFor, Problem, ProblemWhat};
use tubewright::library::returning::Return;
use tubewright::library::star_tests::FocusSide;
use tubewright::library::things::Sort;
use tubewright::library::works::{self, Work, WorkWhat};
use tubewright::library::{
    AttemptId, Conn, Error, Library, Moment, PersonId, Write, kit, lending, loan_periods,
};
use tubewright::startest::report::Report;
use tubewright::upkeep;
use tubewright::web::lend::limit_words;
use tubewright::web::lend_form::LONGEST_DAYS;
use tubewright::web::measuring::{self, Circumstances, UNTOLD_PIXEL_UM};
use tubewright::web::show::capital;
use tubewright::web::star_test::no_star_test;

use super::{DataArgs, REFUSED, block_on};

/// Whose hand it is and where the club's data lies.
#[derive(Debug, clap::Args)]
struct Signed {
    #[command(flatten)]
    data: DataArgs,
    /// Who does it: the address they sign in with; a volunteer or a coordinator
    #[arg(long, value_name = "EMAIL", env = "TUBEWRIGHT_BY")]
    by: String,
}

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

/// Arguments of `star-test`.
#[derive(Debug, clap::Args)]
pub struct StarTestArgs {
    /// The instrument's tag; its optics are as the register has them
    tag: String,
    /// Pictures of one defocused star, all at the same focus
    #[arg(required = true, value_name = "FRAME")]
    frames: Vec<PathBuf>,
    /// Pixel pitch of the frames, with binning, micrometres
    #[arg(
        long,
        value_name = "UM",
        env = "TUBEWRIGHT_PIXEL_UM",
        required_unless_present = "by_phone"
    )]
    pixel_um: Option<f64>,
    /// They are the stills of a phone held at the eyepiece: the scale is found from the rings
    #[arg(long)]
    by_phone: bool,
    /// inside, outside or unknown
    #[arg(long, default_value = "unknown", env = "TUBEWRIGHT_SIDE")]
    side: FocusSide,
    /// Barlow or reducer: how many times longer the focal length is with it
    #[arg(long, default_value_t = 1.0)]
    focal_factor: f64,
    /// Middle of the band, nm
    #[arg(
        long,
        value_name = "NM",
        default_value_t = 550.0,
        env = "TUBEWRIGHT_WAVELENGTH_NM"
    )]
    wavelength_nm: f64,
    /// Full width of the band, nm
    #[arg(
        long,
        value_name = "NM",
        default_value_t = 100.0,
        env = "TUBEWRIGHT_BANDWIDTH_NM"
    )]
    bandwidth_nm: f64,
    /// Taken at an artificial star so many metres away
    #[arg(long, value_name = "M")]
    lamp_m: Option<f64>,
    /// Note for the logbook
    #[arg(long, default_value = "")]
    note: String,
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

/// Hands an instrument out.
pub fn lend(args: LendArgs) -> ExitCode {
    block_on(told(async move {
        let (library, now) = open(&args.signed).await?;
        let mut write = library.write().await?;
        let by = signer(&mut write, &args.signed.by).await?;
        let row = {
            let instrument = Instrument::by_tag(&mut write, &args.tag).await?;
            upkeep::shelf_row(&mut write, instrument, now).await?
        };
        let instrument = &row.instrument;
        let to = person(&mut write, &args.to, "--to").await?;
        let club = Club::load(&mut write).await?;
        let from = args.on.unwrap_or_else(|| club.date(now));
        let days = loan_periods::days_for(
            &mut write,
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
        let at = lending::begins_on(&mut write, &club, instrument.id, from, now).await?;
        let back_at = match args.back {
            Some(day) => {
                Some(lending::ends_on(&mut write, &club, instrument.id, at, day, now).await?)
            }
            None => None,
        };
        let parts = kit::present(&mut write, instrument.id).await?;
        let names = parts.iter().map(|p| p.name.as_str());
        known_parts(names, &args.without, "--without")?;
        let loan = Lend {
            instrument: instrument.id,
            borrower: to.id,
            at,
            by: by.id,
            due_on,
            limit_stated: args.told.unwrap_or_else(|| limit_words(&row)),
            kit: parts
                .iter()
                .filter(|p| !args.without.contains(&p.name))
                .map(|p| p.id)
                .collect(),
            override_reason: args.all_the_same,
            details: LendDetails {
                recorded_at: Some(now),
                back_at,
                collected_by: args.collected_by.trim().to_owned(),
                deposit: args.deposit.trim().to_owned(),
                ..LendDetails::default()
            },
        };
        loan.write(&mut write).await?;
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
        finish(&library, write, by.id, "lend", &said).await?;
        Ok(said)
    }))
}

/// Takes an instrument back.
pub fn return_loan(args: ReturnArgs) -> ExitCode {
    block_on(told(async move {
        let (library, now) = open(&args.signed).await?;
        let mut write = library.write().await?;
        let by = signer(&mut write, &args.signed.by).await?;
        let instrument = Instrument::by_tag(&mut write, &args.tag).await?;
        let Some(loan) = instrument.open_loan else {
            return Err(Error::Refused(format!(
                "{} is not out on loan.",
                instrument.tag
            )));
        };
        let out: Vec<_> = loans::parts(&mut write, loan)
            .await?
            .into_iter()
            .filter(|p| p.went_out)
            .collect();
        known_parts(
            out.iter().map(|p| p.name.as_str()),
            &args.missing,
            "--missing",
        )?;
        let club = Club::load(&mut write).await?;
        let at = match args.on {
            Some(day) if day > club.date(now) => {
                return Err(Error::Refused(
                    "--on: this day is yet to come. Give today or an earlier day.".to_owned(),
                ));
            }
            Some(day) => {
                let lent_at = Loan::get(&mut write, loan).await?.lent_at;
                lending::ends_on(&mut write, &club, instrument.id, lent_at, day, now).await?
            }
            None => now,
        };
        let missing = Return {
            loan,
            came_back: out
                .iter()
                .filter(|p| !args.missing.contains(&p.name))
                .map(|p| p.id)
                .collect(),
            at,
            recorded_at: now,
            by: by.id,
        }
        .write(&mut write)
        .await?;
        let said = if missing.is_empty() {
            format!("{} is returned, kit complete.", instrument.tag)
        } else {
            format!(
                "{} is returned without {}.",
                instrument.tag,
                missing.join(", ")
            )
        };
        finish(&library, write, by.id, "return", &said).await?;
        Ok(said)
    }))
}

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
        let (library, now) = open(&args.signed).await?;
        let mut write = library.write().await?;
        let by = signer(&mut write, &args.signed.by).await?;
        let instrument = Instrument::by_tag(&mut write, &args.tag).await?;
        let journey = Journey {
            kind: args.kind,
            distance_km: args.km,
            severity: args.how_hard,
        };
        let mut entry = entry(&instrument, now, by.id);
        entry.loan = instrument.open_loan;
        journey.log(&mut write, entry).await?;
        let said = format!("Logged for {}: {}.", instrument.tag, args.kind);
        finish(&library, write, by.id, "journey", &said).await?;
        Ok(said)
    }))
}

/// As the table of journeys has it.
const LONGEST_DRIVE_KM: f64 = 40_000.0;

/// Logs a problem.
pub fn problem(args: ProblemArgs) -> ExitCode {
    block_on(told(async move {
        let (library, now) = open(&args.signed).await?;
        let mut write = library.write().await?;
        let by = signer(&mut write, &args.signed.by).await?;
        let instrument = Instrument::by_tag(&mut write, &args.tag).await?;
        let problem = Problem {
            what: args.what,
            asks_for: args.asks_for,
            words: match args.words.trim() {
                "" => capital(args.what.label()),
                words => words.to_owned(),
            },
        };
        problem
            .log(&mut write, entry(&instrument, now, by.id))
            .await?;
        let said = format!(
            "Logged for {}: {}, asks for {}.",
            instrument.tag, args.what, args.asks_for
        );
        finish(&library, write, by.id, "problem", &said).await?;
        Ok(said)
    }))
}

/// Logs work at the bench.
pub fn work(args: WorkArgs) -> ExitCode {
    block_on(told(async move {
        let (library, now) = open(&args.signed).await?;
        let mut write = library.write().await?;
        let by = signer(&mut write, &args.signed.by).await?;
        let instrument = Instrument::by_tag(&mut write, &args.tag).await?;
        let settles = if args.settles_all {
            problems::current(&mut write, Some(instrument.id))
                .await?
                .into_iter()
                .filter(|f| !f.settled)
                .map(|f| f.entry_id)
                .collect()
        } else {
            Vec::new()
        };
        let settled = settles.len();
        Work {
            what: args.what,
            minutes: args.minutes,
            moved_optics: args.moved_optics,
            words: args.words.trim().to_owned(),
            settles,
        }
        .log(&mut write, entry(&instrument, now, by.id))
        .await?;
        let said = format!(
            "Logged for {}: {}, {settled} problems settled.",
            instrument.tag, args.what
        );
        finish(&library, write, by.id, "work", &said).await?;
        Ok(said)
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
        let (library, now) = open(&args.signed).await?;
        let mut write = library.write().await?;
        let by = signer(&mut write, &args.signed.by).await?;
        let instrument = Instrument::by_tag(&mut write, &args.tag).await?;
        let reason = args.reason.trim();
        if reason.is_empty() {
            return Err(Error::Refused("--reason: say why.".to_owned()));
        }
        works::put(&mut write, &instrument, args.at, reason, by.id, now).await?;
        let said = format!("{} is {}.", instrument.tag, args.at);
        finish(&library, write, by.id, "move", &said).await?;
        Ok(said)
    }))
}

/// Measures frames with the instrument's optics, and logs the star test.
pub fn star_test(args: StarTestArgs) -> ExitCode {
    block_on(told(async move {
        let (library, now) = open(&args.signed).await?;
        let mut conn = library.read().await?;
        let instrument = Instrument::by_tag(&mut conn, &args.tag).await?;
        drop(conn);
        if !instrument.design.takes_star_test() {
            return Err(Error::Refused(no_star_test(&instrument)));
        }
        let lamp = args
            .lamp_m
            .map(|m| Lamp::at(&instrument, m))
            .transpose()
            .map_err(|unfit| Error::Refused(format!("--lamp-m: {unfit}.")))?;
        let circumstances = Circumstances {
            both_sides: false,
            field_coma: false,
            aperture_mm: instrument.aperture_mm,
            focal_mm: instrument.focal_mm * args.focal_factor,
            obstruction: instrument.obstruction,
            pixel_um: args.pixel_um.unwrap_or(UNTOLD_PIXEL_UM),
            wavelength_nm: args.wavelength_nm,
            bandwidth_nm: args.bandwidth_nm,
            side: args.side,
            diagonal: instrument.uses_diagonal,
            seeing: None,
            note: args.note.trim().to_owned(),
            vane_count: u32::try_from(instrument.vane_count).unwrap_or(0),
            meniscus: instrument.design == Design::MaksutovCassegrain,
            taken_at: None,
            lamp,
            by_phone: args.by_phone,
            shades: Vec::new(),
        };
        if let Some(fault) = circumstances.setup().fault() {
            return Err(Error::Refused(format!("--{fault}")));
        }
        let id = AttemptId::fresh();
        measuring::keep_copies(&library, id, &args.frames)
            .map_err(|e| Error::Refused(format!("the frames could not be read: {e}")))?;
        let told = serde_json::to_string(&circumstances)
            .map_err(|e| Error::Refused(format!("the circumstances: {e}")))?;
        let files = i64::try_from(args.frames.len()).unwrap_or(i64::MAX);
        let asked = async {
            let mut write = library.write().await?;
            let by = signer(&mut write, &args.signed.by).await?;
            attempts::ask(&mut write, id, instrument.id, by.id, now, files, &told).await?;
            audit(
                &mut write,
                by.id,
                "star-test",
                "Frames sent to be measured.",
            )
            .await?;
            write.commit().await
        };
        if let Err(error) = asked.await {
            measuring::files::remove(&library, id);
            return Err(error);
        }
        measuring::measure_now(&library, id).map_err(|e| Error::Refused(format!("{e}.")))?;
        let attempt = Attempt::get(&mut *library.read().await?, id).await?;
        library.close().await;
        let report: Option<Report> = attempt
            .report
            .as_deref()
            .and_then(|text| serde_json::from_str(text).ok());
        match (attempt.state, report) {
            (
                AttemptState::Measured,
                Some(Report {
                    wavefront: Some(w), ..
                }),
            ) => Ok(format!(
                "Star test of {} logged: coma {} waves RMS.",
                instrument.tag,
                super::figures::with_error(w.coma_rms_waves, w.coma_rms_waves_sigma)
            )),
            (AttemptState::Refused, Some(report)) => Err(Error::Refused(
                report
                    .reasons
                    .iter()
                    .map(super::figures::sentence)
                    .collect::<Vec<_>>()
                    .join(" "),
            )),
            (state, _) => Err(Error::Refused(format!("The measuring ended as {state}."))),
        }
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

/// Says what was done, or why it was not.
async fn told(work: impl Future<Output = Result<String, Error>>) -> anyhow::Result<ExitCode> {
    match work.await {
        Ok(words) => {
            say!("{words}");
            Ok(ExitCode::SUCCESS)
        }
        Err(Error::Refused(why)) => {
            eprintln!("tubewright: {why}");
            Ok(ExitCode::from(REFUSED))
        }
        Err(Error::NotFound(what)) => {
            eprintln!("tubewright: there is no such {what}.");
            Ok(ExitCode::from(REFUSED))
        }
        Err(error) => Err(error.into()),
    }
}

async fn audit(conn: &mut Conn, by: PersonId, command: &str, words: &str) -> Result<(), Error> {
    let audit_entry = AuditEntry {
        at: Utc::now(),
        person: Some(by),
        address: "command line",
        what: command,
        words,
    };
    audit_log::add(conn, &audit_entry).await
}

/// Notes a write in the audit_log, commits it and closes the library.
async fn finish(
    library: &Library,
    mut write: Write,
    by: PersonId,
    command: &str,
    words: &str,
) -> Result<(), Error> {
    audit(&mut write, by, command, words).await?;
    write.commit().await?;
    library.close().await;
    Ok(())
}

/// Opens a folder that holds a club already: a mistyped one is not filled.
async fn open(signed: &Signed) -> Result<(Library, Moment), Error> {
    Library::look_into(&signed.data.data).await?.close().await;
    Ok((Library::open(&signed.data.data).await?, Utc::now()))
}

/// A distance as typed, km.
fn distance_km(typed: &str) -> Result<f64, String> {
    let read = Quantity::DistanceKm.read(typed, 1.0);
    read.ok_or_else(|| "give a distance as 48, 48km or 30mi".to_owned())
}

async fn person(conn: &mut Conn, named: &str, flag: &str) -> Result<Person, Error> {
    match Person::named(conn, named).await {
        Err(Error::Refused(why)) => Err(Error::Refused(format!("{flag}: {why}"))),
        other => other,
    }
}

async fn signer(conn: &mut Conn, email: &str) -> Result<Person, Error> {
    let by = person(conn, email, "--by").await?;
    if by.role < Role::Volunteer {
        return Err(Error::Refused(format!(
            "--by: {} is a member; this takes a volunteer or a coordinator.",
            by.name
        )));
    }
    Ok(by)
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

fn entry(instrument: &Instrument, now: Moment, by: PersonId) -> NewEntry {
    NewEntry {
        instrument: instrument.id,
        kind: EntryKind::Note, // each noun sets its own
        happened_at: now,
        recorded_at: now,
        by,
        loan: None,
        note: String::new(),
    }
}
