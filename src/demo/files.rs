//! The text files of `seed-data/`, carried inside the binary, as they are written.
//! `seed-data/README.md` explains every field.

mod line;

use rust_embed::RustEmbed;
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::{Error, Result};
pub use line::{Eye, Frames, Line};

use library::adjusters::{Adjuster, AdjusterKind, Element, Head};
use library::club::{Paper, Units};
use library::instruments::Design;
use library::limits::LimitWhat;
use library::people::Role;
use library::waits::WantsItFor;

#[derive(RustEmbed)]
#[folder = "../../seed-data/"]
struct Files;

/// The whole of `seed-data/`.
#[derive(Debug)]
pub struct Seed {
    /// `club.toml`.
    pub club: Club,
    /// `people.toml`.
    pub people: Vec<Person>,
    /// `instruments.toml`, each with its own logbook.
    pub instruments: Vec<(Instrument, Vec<Line>)>,
    /// `collimations.toml`.
    pub collimations: Vec<Collimation>,
    /// `things.toml`.
    pub things: super::things::Things,
    /// `spares.toml`.
    pub spares: Vec<super::spares::Listed>,
}

/// A collimation session at the bench: how the instrument truly stood, and who sat there.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Collimation {
    /// Tag.
    pub tag: String,
    /// Days ago.
    pub ago: i64,
    /// Time in the club's zone, HH:MM.
    pub at: String,
    /// Who began it.
    pub who: String,
    /// Who went on with it from the first turn, if another.
    pub then: Option<String>,
    /// True RMS coma at its start, waves at 550 nm.
    pub coma: f64,
    /// Direction of the coma vector on the tube, clock degrees from in front.
    pub towards_deg: f64,
    /// Where the tube's 12 o'clock lay in the picture, clock degrees.
    pub picture_deg: f64,
    /// Whether the picture was mirrored against the tube seen from in front.
    pub mirrored: bool,
    /// Seeing, Antoniadi.
    pub seeing: i64,
    /// Magnification.
    pub power: f64,
    /// A Newtonian's laser spot: how far off, mm.
    pub spot_mm: Option<f64>,
    /// Towards which clock degree.
    pub spot_deg: Option<f64>,
    /// Left running after so many turns.
    pub left_after: Option<usize>,
}

/// `club.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Club {
    /// Its name.
    pub name: String,
    /// IANA zone in which all times of the files are given.
    pub zone: String,
    /// Units its pages show.
    pub units: Units,
    /// Paper it prints on.
    pub paper: Paper,
    /// ISO 4217.
    pub currency: String,
    /// How to reach the lending desk.
    pub contact: String,
    /// Days a loan runs.
    pub loan_days: i64,
    /// The most that one person has at a time.
    pub loans_per_person: Option<i64>,
    /// How often members renew one loan.
    pub renewals: i64,
    /// Days late after which they do not.
    pub renew_late_days: i64,
    /// Days for which what came back is kept for the next in line.
    pub fetch_days: i64,
    /// Work nights.
    #[serde(default, rename = "work_night")]
    pub work_nights: Vec<WorkNight>,
    /// Jobs.
    #[serde(default, rename = "job")]
    pub jobs: Vec<super::spares::ListedJob>,
    /// The waiting list.
    #[serde(default, rename = "wait")]
    pub waits: Vec<Wait>,
    /// Reservations.
    #[serde(default, rename = "reservation")]
    pub reservations: Vec<Reserved>,
    /// Limits that coordinators set.
    #[serde(default, rename = "limit")]
    pub limits: Vec<Limit>,
}

/// A reservation, for a person or an event.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reserved {
    /// Tag.
    pub tag: String,
    /// For whom.
    pub person: Option<String>,
    /// For what.
    #[serde(default)]
    pub event: String,
    /// The first day, so many days to come.
    pub in_days: i64,
    /// The last day, so many to come.
    pub until_days: i64,
    /// Who reserved it.
    pub by: String,
}

/// A work night: past with `ago`, coming with `in_days`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WorkNight {
    /// Days ago.
    pub ago: Option<i64>,
    /// Days to come.
    pub in_days: Option<i64>,
    /// Where.
    pub place: String,
    /// Hours.
    pub hours: f64,
    /// Pairs of hands.
    pub hands: i64,
    /// Anything else.
    #[serde(default)]
    pub note: String,
    /// What is on its list.
    pub instruments: Vec<Assigned>,
}

/// An instrument on a work night's list.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Assigned {
    /// Tag.
    pub tag: String,
    /// Who put it there.
    pub by: String,
    /// Whether it was done that night.
    #[serde(default)]
    pub done: bool,
}

/// A place on the waiting list.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wait {
    /// For which instrument.
    pub tag: String,
    /// Who.
    pub person: String,
    /// Asked so many days ago.
    pub ago: i64,
    /// What for.
    #[serde(rename = "for")]
    pub wants_it_for: WantsItFor,
    /// In their words.
    #[serde(default)]
    pub note: String,
    /// When given up, if it was; places end by a loan of themselves.
    pub closed: Option<WaitClosed>,
}

/// The end of a place on the waiting list.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WaitClosed {
    /// Days ago.
    pub ago: i64,
    /// Withdrawn, or taken off by the desk.
    pub by_themselves: bool,
}

/// A limit set, for one instrument or one design.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// For this instrument.
    pub tag: Option<String>,
    /// For this design.
    pub design: Option<Design>,
    /// What it is about.
    pub what: LimitWhat,
    /// The value; none goes back to the level above.
    pub value: Option<f64>,
    /// Days ago.
    pub ago: i64,
    /// By whom.
    pub by: String,
    /// Why.
    pub why: String,
}

/// One person of `people.toml`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// Name in the other files, and the local part of the address.
    pub handle: String,
    /// Name.
    pub name: String,
    /// Role.
    pub role: Role,
    /// Joined so many days ago.
    pub joined: i64,
    /// Left so many days ago.
    pub left: Option<i64>,
    /// Password, for those that visitors may sign in as.
    pub phrase: Option<String>,
}

impl Person {
    /// An address under a domain that cannot exist (RFC 2606).
    pub fn email(&self) -> String {
        format!("{}@velmouth.example", self.handle)
    }
}

/// One instrument of `instruments.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// Tag.
    pub tag: String,
    /// Name by size and design.
    pub name: String,
    /// Design.
    pub design: Design,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Central obstruction by diameter.
    #[serde(default)]
    pub obstruction: f64,
    /// Spider vanes.
    #[serde(default)]
    pub vanes: i64,
    /// Weight of the tube, kg.
    pub weight_kg: f64,
    /// Cool-down, minutes.
    pub cool_down_min: i64,
    /// Whether it is used with a diagonal.
    #[serde(default)]
    pub diagonal: bool,
    /// Replacement value in whole units of the club's currency.
    pub value: i64,
    /// Where it lives.
    pub place: String,
    /// Notes.
    pub notes: String,
    /// In the register since so many days ago.
    pub added: i64,
    /// Kit, part by part.
    pub kit: Vec<String>,
    /// Screws, a ring at a time.
    #[serde(default)]
    pub screws: Vec<Screws>,
}

impl Instrument {
    /// Its screws, one by one.
    pub fn adjusters(&self) -> Vec<Adjuster> {
        let of_ring = |ring: &Screws| -> Vec<Adjuster> {
            let each = ring.labels.iter().zip(&ring.clock_deg);
            each.map(|(label, &clock_deg)| Adjuster {
                label: label.clone(),
                element: ring.element,
                clock_deg,
                pitch_mm: ring.pitch_mm,
                lever_mm: ring.lever_mm,
                kind: ring.kind,
                head: ring.head,
            })
            .collect()
        };
        self.screws.iter().flat_map(of_ring).collect()
    }
}

/// A ring of equal screws.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Screws {
    /// What they tilt.
    pub element: Element,
    /// As marked, one for each.
    pub labels: Vec<String>,
    /// Clock positions from in front of the tube, degrees, one for each.
    pub clock_deg: Vec<f64>,
    /// Thread pitch, mm.
    pub pitch_mm: f64,
    /// Lever arm, mm.
    pub lever_mm: f64,
    /// How they work.
    pub kind: AdjusterKind,
    /// What turns them.
    pub head: Head,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PeopleFile {
    person: Vec<Person>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct InstrumentsFile {
    instrument: Vec<Instrument>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CollimationsFile {
    collimation: Vec<Collimation>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SparesFile {
    spare: Vec<super::spares::Listed>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Logbook {
    lines: Vec<Line>,
}

fn read<T: DeserializeOwned>(name: &str) -> Result<T> {
    let wrong = |why: String| Error::File {
        file: name.to_owned(),
        why,
    };
    let file = Files::get(name).ok_or_else(|| wrong("is not there".to_owned()))?;
    let text = std::str::from_utf8(&file.data).map_err(|e| wrong(e.to_string()))?;
    toml::from_str(text).map_err(|e| wrong(e.to_string()))
}

/// Everyone of `people.toml`.
///
/// # Errors
/// When the file does not read.
pub fn people() -> Result<Vec<Person>> {
    Ok(read::<PeopleFile>("people.toml")?.person)
}

/// `club.toml`.
///
/// # Errors
/// When the file does not read.
pub fn club() -> Result<Club> {
    read("club.toml")
}

impl Seed {
    /// Reads all files.
    ///
    /// # Errors
    /// When one is missing or does not read; the text names it and the place.
    pub fn read() -> Result<Self> {
        let instruments = read::<InstrumentsFile>("instruments.toml")?
            .instrument
            .into_iter()
            .map(|i| {
                let book: Logbook = read(&format!("logbooks/{}.toml", i.tag))?;
                Ok((i, book.lines))
            })
            .collect::<Result<_>>()?;
        Ok(Self {
            club: club()?,
            people: people()?,
            things: read("things.toml")?,
            spares: read::<SparesFile>("spares.toml")?.spare,
            collimations: read::<CollimationsFile>("collimations.toml")?.collimation,
            instruments,
        })
    }
}
