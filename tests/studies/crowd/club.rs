//! A large club, made through the same functions that the pages use.

use std::path::Path;

use chrono::{Duration, Utc};
use rand::rngs::StdRng;
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use tubewright::library::designs;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::journeys::{Journey, JourneyKind};
use tubewright::library::lending::Lend;
use tubewright::library::people::{self, NewPerson, Person, Role};
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::returning::return_loan;
use tubewright::library::sessions::{self, Token};
use tubewright::library::star_tests::{FocusSide, Method, StarTest};
use tubewright::library::things::{self, Thing};
use tubewright::library::waits::WantsItFor;
use tubewright::library::works::{Work, WorkWhat};
use tubewright::library::{
    Conn, EntryId, InstrumentId, KitPartId, Library, Moment, PersonId, adjusters, kit, waits,
};

/// How large.
#[derive(Debug, Clone, Copy, serde::Serialize, clap::Args)]
pub struct Size {
    /// Instruments in the register
    #[arg(long, default_value_t = 400)]
    pub instruments: usize,
    /// Mounts, eyepieces and the like
    #[arg(long, default_value_t = 1_500)]
    pub things: usize,
    /// Members
    #[arg(long, default_value_t = 3_000)]
    pub members: usize,
    /// Loans over ten years
    #[arg(long, default_value_t = 50_000)]
    pub loans: usize,
    /// Logbook entries over ten years, those of the loans among them
    #[arg(long, default_value_t = 200_000)]
    pub entries: usize,
}

impl Size {
    /// As large as the demo club.
    pub const DEMO: Self = Self {
        instruments: 27,
        things: 40,
        members: 60,
        loans: 250,
        entries: 1_000,
    };
}

/// The people who take part in an evening, signed in.
pub struct Evening {
    pub members: Vec<Token>,
    pub volunteers: Vec<Token>,
    pub coordinators: Vec<Token>,
    pub tags: Vec<String>,
}

const DESIGNS: [(Design, &str, f64, f64); 7] = [
    (Design::SchmidtCassegrain, "S", 203.0, 2030.0),
    (Design::Newtonian, "N", 203.0, 1200.0),
    (Design::MaksutovCassegrain, "M", 127.0, 1500.0),
    (Design::RitcheyChretien, "R", 203.0, 1624.0),
    (Design::AplanaticSchmidtCassegrain, "A", 203.0, 2030.0),
    (Design::Achromat, "L", 102.0, 1000.0),
    (Design::ClassicalCassegrain, "C", 203.0, 2436.0),
];

/// One instrument under way through its ten years.
struct Tube {
    id: InstrumentId,
    kit: Vec<KitPartId>,
    /// Each component of its coma, waves; walks with its journeys.
    coma: [f64; 2],
    from_frames: bool,
    /// Problems that no work has settled.
    open: Vec<EntryId>,
}

/// Makes the club in an empty folder, all in one transaction.
pub async fn make(folder: &Path, size: Size, seed: u64) {
    let library = Library::open(folder).await.unwrap();
    let mut random = StdRng::seed_from_u64(seed);
    let now = Utc::now();
    let begun = now - Duration::days(3650);
    let mut write = library.write().await.unwrap();
    let conn: &mut Conn = &mut write;
    let add = async |conn: &mut Conn, role: Role, number: usize| -> PersonId {
        let new = NewPerson {
            name: format!("{} {number:04}", capital(role.label())),
            email: format!("{}{number}@club.example", role.slug()),
            role,
            guest: false,
        };
        Person::add(conn, &new, begun).await.unwrap()
    };
    let mut members = Vec::new();
    for number in 0..size.members {
        members.push(add(conn, Role::Member, number).await);
    }
    let mut volunteers = Vec::new();
    for number in 0..20 {
        volunteers.push(add(conn, Role::Volunteer, number).await);
    }
    let mut coordinators = Vec::new();
    for number in 0..3 {
        let id = add(conn, Role::Coordinator, number).await;
        // Nobody signs in by password here; this only says that somebody could.
        people::set_password_hash(conn, id, "none").await.unwrap();
        coordinators.push(id);
    }
    let mut tubes = Vec::new();
    for number in 0..size.instruments {
        tubes.push(tube(conn, number, begun, coordinators[0], &mut random).await);
    }
    // Two entries a loan, the rest spread over what else happens.
    let others = size
        .entries
        .saturating_sub(2 * size.loans + size.instruments);
    let per_loan = others as f64 / size.loans.max(1) as f64;
    let mut owed = 0.0;
    for (place, tube) in tubes.iter_mut().enumerate() {
        let loans =
            (place + 1) * size.loans / size.instruments - place * size.loans / size.instruments;
        for loan in 0..loans {
            let step = Duration::minutes(3650 * 24 * 60 / loans as i64);
            let out = begun + step * i32::try_from(loan).unwrap() + Duration::minutes(7);
            let by = *volunteers.choose(&mut random).unwrap();
            let lend = Lend {
                instrument: tube.id,
                borrower: *members.choose(&mut random).unwrap(),
                at: out,
                by,
                due_on: (out + step).date_naive(),
                limit_stated: String::new(),
                kit: tube.kit.clone(),
                override_reason: None,
                details: Default::default(),
            };
            let id = lend.write(conn).await.unwrap();
            // A third of the last loans are still out.
            let back = out + step / 2;
            let is_out = loan + 1 == loans && place.is_multiple_of(3);
            if !is_out {
                return_loan(conn, id, &tube.kit, back, by).await.unwrap();
            }
            owed += per_loan;
            while owed >= 1.0 {
                owed -= 1.0;
                let minute = random.random_range(1..(step.num_minutes() / 2).max(2));
                let at = if is_out { out } else { back } + Duration::minutes(minute);
                let entry = NewEntry {
                    instrument: tube.id,
                    kind: EntryKind::Note,
                    happened_at: at.min(now),
                    recorded_at: at.min(now),
                    by,
                    loan: None,
                    note: String::new(),
                };
                happen(conn, tube, entry, &mut random).await;
            }
        }
        if place.is_multiple_of(4) {
            for _ in 0..3 {
                let who = *members.choose(&mut random).unwrap();
                let _ = waits::ask(conn, tube.id, who, WantsItFor::Planets, "", now).await;
            }
        }
    }
    let kinds = things::Kind::of_things();
    for number in 0..size.things {
        let kind = kinds[number % kinds.len()];
        let thing = things::Particulars {
            tag: format!("T{number:04}"),
            kind,
            name: capital(kind.label()),
            place: format!("Drawer {}", number % 30),
            replacement_value_cents: Some(4_000),
            notes: String::new(),
        };
        let id = Thing::add(conn, &thing, begun, coordinators[0])
            .await
            .unwrap();
        if number.is_multiple_of(12) {
            let lend = Lend {
                instrument: id,
                borrower: *members.choose(&mut random).unwrap(),
                at: now - Duration::days(7),
                by: volunteers[0],
                due_on: (now + Duration::days(14)).date_naive(),
                limit_stated: String::new(),
                kit: Vec::new(),
                override_reason: None,
                details: Default::default(),
            };
            lend.write(conn).await.unwrap();
        }
    }
    write.commit().await.unwrap();
    library.close().await;
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}

async fn tube(
    conn: &mut Conn,
    number: usize,
    begun: Moment,
    by: PersonId,
    random: &mut StdRng,
) -> Tube {
    let (design, letter, aperture_mm, focal_mm) = DESIGNS[number % DESIGNS.len()];
    let usual = designs::usual(design, Some(aperture_mm), Some(focal_mm));
    let particulars = Particulars {
        tag: format!("{letter}{number:03}"),
        name: designs::name(design, &format!("{aperture_mm} mm")),
        design,
        aperture_mm,
        focal_mm,
        obstruction: usual.obstruction,
        vane_count: usual.vane_count,
        weight_kg: Some(usual.weight_kg),
        cool_down_min: Some(usual.cool_down_min),
        uses_diagonal: usual.uses_diagonal,
        replacement_value_cents: Some(50_000),
        place: format!("Shelf {}", number % 12),
        notes: String::new(),
    };
    let id = Instrument::add(conn, &particulars, begun, by)
        .await
        .unwrap();
    adjusters::set(conn, id, &usual.adjusters).await.unwrap();
    kit::set(conn, id, &usual.kit, begun).await.unwrap();
    let kit = kit::of(conn, id).await.unwrap();
    Tube {
        id,
        kit: kit.iter().map(|part| part.id).collect(),
        coma: [
            random.random_range(-0.05..0.05),
            random.random_range(-0.05..0.05),
        ],
        from_frames: number.is_multiple_of(2),
        open: Vec::new(),
    }
}

/// One thing that happens between two loans: mostly a journey, every third
/// time a star test, now and then a problem, work or a note.
async fn happen(conn: &mut Conn, tube: &mut Tube, mut entry: NewEntry, random: &mut StdRng) {
    let mut step = |scale: f64| -> f64 {
        // The sum of three even draws: near enough to a bell for a walk.
        (0..3).map(|_| random.random_range(-1.0..1.0)).sum::<f64>() * scale
    };
    let moved = [step(0.012), step(0.012)];
    let seen = [step(0.008), step(0.008)];
    match random.random_range(0..12) {
        0..6 => {
            tube.coma[0] += moved[0];
            tube.coma[1] += moved[1];
            let journey = Journey {
                kind: JourneyKind::Car,
                distance_km: Some(f64::from(random.random_range(5..120))),
                severity: None,
            };
            journey.log(conn, entry).await.unwrap();
        }
        6..9 => {
            let test = StarTest {
                method: if tube.from_frames {
                    Method::FromFrames
                } else {
                    Method::ByEye
                },
                side: FocusSide::Outside,
                diagonal: false,
                seeing: Some(random.random_range(1..=4)),
                magnification: (!tube.from_frames).then_some(200.0),
                defocus_waves: Some(8.0),
                thin_to_thick: Some(random.random_range(0.5..1.0)),
                thin_clock_deg: Some(random.random_range(0.0..360.0)),
                coma_rms_waves: (tube.coma[0] + seen[0]).hypot(tube.coma[1] + seen[1]),
                coma_rms_waves_sigma: if tube.from_frames { 0.008 } else { 0.03 },
                attempt_id: None,
                judged: "{}".to_owned(),
            };
            test.log(conn, entry).await.unwrap();
        }
        9 => {
            let problem = Problem {
                what: ProblemWhat::MovingPart,
                asks_for: AsksFor::ALook,
                words: "The focuser is stiff when cold.".to_owned(),
            };
            tube.open.push(problem.log(conn, entry).await.unwrap());
        }
        10 => {
            tube.coma = [moved[0], moved[1]];
            let work = Work {
                what: WorkWhat::Collimation,
                minutes: Some(40),
                moved_optics: true,
                words: "Lined up.".to_owned(),
                settles: std::mem::take(&mut tube.open),
            };
            work.log(conn, entry).await.unwrap();
        }
        _ => {
            entry.note = "Cap found in the case.".to_owned();
            entry.write(conn).await.unwrap();
        }
    }
}

/// Signs people in straight in the folder's database, as the evening needs them.
pub async fn sign_in(folder: &Path, browsing: usize) -> Evening {
    let library = Library::open(folder).await.unwrap();
    let mut write = library.write().await.unwrap();
    let now = Utc::now();
    let mut evening = Evening {
        members: Vec::new(),
        volunteers: Vec::new(),
        coordinators: Vec::new(),
        tags: Vec::new(),
    };
    for person in Person::list(&mut write).await.unwrap() {
        let (seats, most) = match person.role {
            Role::Member => (&mut evening.members, browsing),
            Role::Volunteer => (&mut evening.volunteers, 20),
            Role::Coordinator => (&mut evening.coordinators, 3),
        };
        if seats.len() < most {
            seats.push(sessions::start(&mut write, person.id, now).await.unwrap());
        }
    }
    // The first instruments that take a star test.
    for instrument in Instrument::all(&mut write).await.unwrap() {
        if instrument.design.takes_star_test() {
            evening.tags.push(instrument.tag.clone());
        }
    }
    write.commit().await.unwrap();
    library.close().await;
    evening
}
