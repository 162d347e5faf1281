//! What a visit to the shelf and to the due list costs as logbooks grow: the first
//! one after a start, which reads and learns everything, the next, which reads the
//! counter of changes alone, and the one after a new entry, which reads one logbook;
//! each as a multiple of the bare query of all current entries.
//!
//! `cargo run --release --example visits -- --per-instrument 500`
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::time::Instant;

use chrono::{DateTime, Duration, TimeZone, Utc};
use clap::Parser;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::library::club::Club;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::journeys::{self, Journey, JourneyKind};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::star_tests::{self, FocusSide, Method, StarTest};
use tubewright::library::works::{Work, WorkWhat};
use tubewright::library::{InstrumentId, Library, PersonId, Write};
use tubewright::upkeep::Snapshots;
use tubewright::upkeep::due_list::{Filter, due_list};

/// Measures visits over invented logbooks of four sizes.
#[derive(Debug, Parser)]
struct Asked {
    /// Entries in each logbook.
    #[arg(long, default_value_t = 500)]
    per_instrument: usize,
    /// How many instruments, at each size.
    #[arg(long, value_delimiter = ',', default_value = "50,100,200,400")]
    instruments: Vec<usize>,
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

const DESIGNS: [Design; 8] = [
    Design::Newtonian,
    Design::SchmidtCassegrain,
    Design::MaksutovCassegrain,
    Design::RitcheyChretien,
    Design::Achromat,
    Design::ClassicalCassegrain,
    Design::AplanaticSchmidtCassegrain,
    Design::Apochromat,
];

fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2031, 3, 1, 12, 0, 0).unwrap()
}

fn star_test(coma_rms_waves: f64) -> StarTest {
    StarTest {
        method: Method::FromFrames,
        side: FocusSide::Inside,
        diagonal: false,
        seeing: None,
        magnification: None,
        defocus_waves: None,
        thin_to_thick: None,
        thin_clock_deg: None,
        coma_rms_waves,
        coma_rms_waves_sigma: 0.008,
        attempt_id: None,
        judged: "{}".to_owned(),
    }
}

/// Ten years of one logbook: mostly drives, a look in sixteen, now and then the
/// bench.
async fn fill(
    write: &mut Write,
    instrument: InstrumentId,
    by: PersonId,
    entries: usize,
    dice: &mut ChaCha8Rng,
) {
    let mut coma = 0.02;
    for n in 0..entries {
        let at = now() - Duration::minutes(((entries - n) * 3650 * 1440 / entries) as i64);
        let mut entry = NewEntry {
            instrument,
            kind: EntryKind::Journey,
            happened_at: at,
            recorded_at: at,
            by,
            loan: None,
            note: String::new(),
        };
        coma = (coma + dice.random_range(-0.004..0.005_f64)).abs();
        match n % 16 {
            15 => {
                star_test(coma).log(write, entry).await.unwrap();
                if coma > 0.071 {
                    entry = NewEntry {
                        happened_at: at + Duration::minutes(20),
                        recorded_at: at + Duration::minutes(20),
                        kind: EntryKind::Work,
                        instrument,
                        by,
                        loan: None,
                        note: String::new(),
                    };
                    coma = 0.012;
                    let work = Work {
                        what: WorkWhat::Collimation,
                        minutes: Some(40),
                        moved_optics: true,
                        words: "Lined up".to_owned(),
                        settles: Vec::new(),
                    };
                    work.log(write, entry).await.unwrap();
                }
            }
            7 => {
                entry.kind = EntryKind::Note;
                entry.note = "Looked over.".to_owned();
                entry.write(write).await.unwrap();
            }
            _ => {
                let journey = Journey {
                    kind: JourneyKind::Car,
                    distance_km: Some(dice.random_range(5.0..90.0)),
                    severity: None,
                };
                journey.log(write, entry).await.unwrap();
            }
        }
    }
}

struct Visits {
    library: Library,
    club: Club,
    snapshots: Snapshots,
}

impl Visits {
    async fn shelf_s(&self) -> f64 {
        let begun = Instant::now();
        let snapshot = self.snapshots.now(&self.library, now()).await.unwrap();
        std::hint::black_box(snapshot.fleet.shelf(now()));
        begun.elapsed().as_secs_f64()
    }

    async fn due_s(&self) -> f64 {
        let begun = Instant::now();
        let snapshot = self.snapshots.now(&self.library, now()).await.unwrap();
        let filter = Filter::default();
        let list = due_list(&snapshot, &self.club, &filter, None, now());
        std::hint::black_box(list);
        begun.elapsed().as_secs_f64()
    }

    /// The bare query: every current journey and star test.
    async fn bare_s(&self) -> f64 {
        let begun = Instant::now();
        let mut conn = self.library.read().await.unwrap();
        std::hint::black_box(journeys::current(&mut conn, None).await.unwrap());
        std::hint::black_box(star_tests::current(&mut conn, None).await.unwrap());
        begun.elapsed().as_secs_f64()
    }
}

fn middle(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

async fn study(asked: &Asked, instruments: usize) {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut dice = ChaCha8Rng::seed_from_u64(asked.seed);
    let mut write = library.write().await.unwrap();
    let new = NewPerson {
        name: "One".to_owned(),
        email: "one@club.example".to_owned(),
        role: Role::Coordinator,
        guest: false,
    };
    let by = Person::add(&mut write, &new, now()).await.unwrap();
    let mut ids = Vec::new();
    for n in 0..instruments {
        let p = Particulars {
            tag: format!("T{n:03}"),
            name: "203 mm telescope".to_owned(),
            design: DESIGNS[n % DESIGNS.len()],
            aperture_mm: 203.0,
            focal_mm: 1600.0,
            obstruction: 0.3,
            vane_count: 0,
            weight_kg: None,
            cool_down_min: None,
            uses_diagonal: false,
            replacement_value_cents: None,
            place: String::new(),
            notes: String::new(),
        };
        let at = now() - Duration::days(3700);
        let id = Instrument::add(&mut write, &p, at, by).await.unwrap();
        fill(&mut write, id, by, asked.per_instrument, &mut dice).await;
        ids.push(id);
    }
    write.commit().await.unwrap();
    let visits = Visits {
        library,
        club: Club::default(),
        snapshots: Snapshots::default(),
    };
    let bare = middle(vec![
        visits.bare_s().await,
        visits.bare_s().await,
        visits.bare_s().await,
    ]);
    let first_shelf = visits.shelf_s().await;
    let first_due = first_shelf + visits.due_s().await;
    let (mut next, mut after) = ([Vec::new(), Vec::new()], [Vec::new(), Vec::new()]);
    for n in 0..9 {
        next[0].push(visits.shelf_s().await);
        next[1].push(visits.due_s().await);
        let one = ids[(n * 37) % ids.len()];
        let mut write = visits.library.write().await.unwrap();
        let entry = NewEntry {
            instrument: one,
            kind: EntryKind::StarTest,
            happened_at: now() - Duration::minutes(30 - n as i64),
            recorded_at: now() - Duration::minutes(30 - n as i64),
            by,
            loan: None,
            note: String::new(),
        };
        star_test(0.03).log(&mut write, entry).await.unwrap();
        write.commit().await.unwrap();
        after[0].push(visits.shelf_s().await);
        after[1].push(visits.due_s().await);
    }
    let entries = instruments * asked.per_instrument;
    for (page, first, next, after) in [
        ("shelf", first_shelf, &next[0], &after[0]),
        ("due list", first_due, &next[1], &after[1]),
    ] {
        let (next, after) = (middle(next.clone()), middle(after.clone()));
        println!(
            "{instruments:>5} {entries:>8}  {page:<9}{:>9.1}{:>10.1}{:>9.2}{:>9.2}{:>9.2}{:>9.4}{:>9.4}",
            bare * 1e3,
            first * 1e3,
            next * 1e3,
            after * 1e3,
            first / bare,
            next / bare,
            after / bare
        );
    }
}

fn main() {
    let asked = Asked::parse();
    println!(
        "{:>5} {:>8}  {:<9}{:>9}{:>10}{:>9}{:>9}{:>9}{:>9}{:>9}",
        "tubes",
        "entries",
        "page",
        "bare ms",
        "first ms",
        "next ms",
        "after ms",
        "first/b",
        "next/b",
        "after/b"
    );
    let runtime = tokio::runtime::Runtime::new().unwrap();
    for &instruments in &asked.instruments {
        runtime.block_on(study(&asked, instruments));
    }
}
