//! Fleets in a file: so that one simulated elsewhere can be put to the model.

use std::collections::HashMap;
use std::io::Read;
use std::path::Path;

use chrono::{DateTime, Duration, TimeZone, Utc};
use serde::{Deserialize, Serialize};
use tubewright::library::instruments::Design;
use tubewright::library::journeys::{Journey, JourneyKind, LoggedJourney};
use tubewright::library::limits::{LimitSet, LimitWhat};
use tubewright::library::loans::LoanSpan;
use tubewright::library::star_tests::{FocusSide, LoggedStarTest, Method, StarTest};
use tubewright::library::works::{LoggedWork, WorkWhat};
use tubewright::library::{EntryId, InstrumentId};
use tubewright::upkeep::drift::chain::{Cause, What};
use tubewright::upkeep::history::{History, Logbook};
use tubewright::upkeep::limits::{Limits, in_force};

use super::simulated::{Fleet, Simulated};

/// The form of the file, for --help.
pub const FORMAT: &str = r#"THE FLEET FILE is JSON. Days are numbers, counted from any day you like;
lengths in km and mm; coma is RMS over the full circle, waves at 550 nm.

  { "ends": 2190.0,                         the last day, "today"
    "instruments": [
      { "tag": "A1",
        "design": "newtonian",              as in the club's register
        "aperture_mm": 203,
        "limit_waves": 0.071,               coma for the bench; may be left out
        "journeys": [ {"day": 3.5, "kind": "car", "distance_km": 40},
                      {"day": 9, "kind": "knock-or-drop", "severity": 2} ],
        "tests":    [ {"day": 12, "method": "from-frames",
                       "coma_rms_waves": 0.03, "sigma": 0.008} ],
        "works":    [ {"day": 13, "what": "collimation", "moved_optics": true} ],
        "loans":    [ {"from": 20, "until": 34} ],
        "truth":    [ [0, 0.021], [3.5, 0.034] ]   true coma from each day on;
      } ] }                                         may be left out

Journey kinds: hand-carry, car, rough-road, flight-or-parcel, public-event,
knock-or-drop, left-outdoors. Methods: by-eye, from-frames. Work: collimation,
cleaning, repair, part-replaced, inspection. A loan without a journey between
half a day before and a day after it counts as one nobody reported on. Entries
of one day hold in this order: way back, journeys, tests, works, way out; give
fractions of a day to settle another. "--write" prints an example."#;

/// A fleet.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FleetFile {
    /// The last day.
    pub ends: f64,
    /// Instruments.
    pub instruments: Vec<FileInstrument>,
}

/// One instrument.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileInstrument {
    pub tag: String,
    pub design: Design,
    pub aperture_mm: f64,
    #[serde(default)]
    pub limit_waves: Option<f64>,
    #[serde(default)]
    pub journeys: Vec<FileJourney>,
    #[serde(default)]
    pub tests: Vec<FileTest>,
    #[serde(default)]
    pub works: Vec<FileWork>,
    #[serde(default)]
    pub loans: Vec<FileLoan>,
    #[serde(default)]
    pub truth: Vec<(f64, f64)>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileJourney {
    pub day: f64,
    pub kind: JourneyKind,
    #[serde(default)]
    pub distance_km: Option<f64>,
    #[serde(default)]
    pub severity: Option<i64>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileTest {
    pub day: f64,
    pub method: Method,
    pub coma_rms_waves: f64,
    pub sigma: f64,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileWork {
    pub day: f64,
    pub what: WorkWhat,
    pub moved_optics: bool,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileLoan {
    pub from: f64,
    #[serde(default)]
    pub until: Option<f64>,
}

/// The moment of a day; days that no calendar holds become its nearest.
pub fn moment(day: f64) -> DateTime<Utc> {
    let start = Utc.with_ymd_and_hms(2000, 1, 1, 0, 0, 0).unwrap();
    let seconds = (day.clamp(-300_000.0, 300_000.0) * 86_400.0).round() as i64;
    start + Duration::seconds(seconds)
}

/// Designs of simulated pools; their shares are those of `simulated::SHARES`.
const DESIGNS: [Design; 8] = [
    Design::SchmidtCassegrain,
    Design::Newtonian,
    Design::MaksutovCassegrain,
    Design::RitcheyChretien,
    Design::Achromat,
    Design::ClassicalCassegrain,
    Design::AplanaticSchmidtCassegrain,
    Design::Apochromat,
];

impl FleetFile {
    /// Reads one.
    pub fn read(path: &Path) -> Result<Self, String> {
        let mut text = String::new();
        if path == Path::new("-") {
            std::io::stdin()
                .read_to_string(&mut text)
                .map_err(|e| format!("standard input: {e}"))?;
        } else {
            text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
        }
        serde_json::from_str(&text).map_err(|e| format!("{}: {e}", path.display()))
    }

    /// A simulated fleet in this form.
    pub fn of(fleet: &Fleet) -> Self {
        let instruments = fleet.instruments.iter().enumerate();
        Self {
            ends: fleet.ends,
            instruments: instruments
                .map(|(n, one)| FileInstrument::of(n, one))
                .collect(),
        }
    }
}

impl FileInstrument {
    fn of(number: usize, one: &Simulated) -> Self {
        let mut told = Self {
            tag: format!("T{}", number + 1),
            design: DESIGNS[one.chain.pool % DESIGNS.len()],
            aperture_mm: 203.0,
            limit_waves: Some(one.limit),
            journeys: Vec::new(),
            tests: Vec::new(),
            works: Vec::new(),
            loans: one
                .loans
                .iter()
                .map(|(from, until)| FileLoan {
                    from: *from,
                    until: Some(*until),
                })
                .collect(),
            truth: one.truth.clone(),
        };
        for entry in &one.entries {
            let day = entry.day;
            match entry.what {
                What::Pushed(Cause::UntoldLeg, _) => {}
                What::Pushed(cause, units) => told.journeys.push(journey(day, cause, units)),
                What::Looked(look) => told.tests.push(FileTest {
                    day,
                    method: look.method,
                    coma_rms_waves: look.coma_rms_waves,
                    sigma: look.sigma_waves,
                }),
                What::LinedUp => told.works.push(FileWork {
                    day,
                    what: WorkWhat::Collimation,
                    moved_optics: true,
                }),
                What::Disturbed => told.works.push(FileWork {
                    day,
                    what: WorkWhat::Repair,
                    moved_optics: true,
                }),
            }
        }
        told
    }

    /// Its logbook in order, as it stands on a day.
    pub fn history(&self, ends: f64) -> History {
        let instrument_id = InstrumentId::fresh();
        let mut logbook = Logbook::default();
        for j in &self.journeys {
            logbook.journeys.push(LoggedJourney {
                entry_id: EntryId::fresh(),
                instrument_id,
                happened_at: moment(j.day),
                journey: Journey {
                    kind: j.kind,
                    distance_km: j.distance_km,
                    severity: j.severity,
                },
            });
        }
        for t in &self.tests {
            logbook.tests.push(LoggedStarTest {
                entry_id: EntryId::fresh(),
                instrument_id,
                happened_at: moment(t.day),
                test: StarTest {
                    method: t.method,
                    side: FocusSide::Unknown,
                    diagonal: false,
                    seeing: None,
                    magnification: None,
                    defocus_waves: None,
                    thin_to_thick: None,
                    thin_clock_deg: None,
                    coma_rms_waves: t.coma_rms_waves,
                    coma_rms_waves_sigma: t.sigma,
                    attempt_id: None,
                    judged: "{}".to_owned(),
                },
            });
        }
        for w in &self.works {
            logbook.works.push(LoggedWork {
                entry_id: EntryId::fresh(),
                instrument_id,
                happened_at: moment(w.day),
                what: w.what,
                minutes: None,
                moved_optics: w.moved_optics,
                words: String::new(),
            });
        }
        for l in &self.loans {
            logbook.loans.push(LoanSpan {
                instrument_id,
                lent_at: moment(l.from),
                returned_at: l.until.map(moment),
            });
        }
        History::new(self.design, logbook, &HashMap::new(), moment(ends))
    }

    /// The limits in force for it.
    pub fn limits(&self) -> Limits {
        let id = InstrumentId::fresh();
        let own = self.limit_waves.map(|value| LimitSet {
            design: None,
            instrument_id: Some(id),
            what: LimitWhat::ComaBench,
            value: Some(value),
            set_at: moment(0.0),
            set_by: String::new(),
            reason: String::new(),
        });
        in_force(self.design, id, &own.into_iter().collect::<Vec<_>>())
    }
}

fn journey(day: f64, cause: Cause, units: f64) -> FileJourney {
    let (kind, km) = match cause {
        Cause::Car => (JourneyKind::Car, Some(units * 50.0)),
        Cause::RoughRoad => (JourneyKind::RoughRoad, Some(units * 50.0)),
        Cause::FlightOrParcel => (JourneyKind::FlightOrParcel, None),
        Cause::PublicEvent => (JourneyKind::PublicEvent, None),
        Cause::KnockOrDrop => (JourneyKind::KnockOrDrop, None),
        Cause::LeftOutdoors => (JourneyKind::LeftOutdoors, None),
        _ => (JourneyKind::HandCarry, None),
    };
    let severity = kind.has_severity().then_some(2);
    FileJourney {
        day,
        kind,
        distance_km: km,
        severity,
    }
}
