//! What is kept in mind of the logbooks must never differ from what they say:
//! after every kind of write, the shelf out of memory is set beside the shelf read
//! from nothing.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use chrono::{DateTime, Duration, NaiveDate, TimeZone, Utc};
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars, Status};
use tubewright::library::journeys::{Journey, JourneyKind};
use tubewright::library::limits::{self, LimitWhat, Whose};
use tubewright::library::loans::{self, Lend};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::star_tests::{FocusSide, Method, StarTest};
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::works::{Work, WorkWhat};
use tubewright::library::{
    EntryId, InstrumentId, Library, LoanId, Moment, PersonId, Write, problems, works,
};
use tubewright::upkeep::foresight::{Foreseer, Foresight, Question};
use tubewright::upkeep::recall::Recall;
use tubewright::upkeep::shelf::{Fleet, shelf, shelf_recalled};

const DESIGNS: [Design; 4] = [
    Design::Newtonian,
    Design::SchmidtCassegrain,
    Design::MaksutovCassegrain,
    Design::Solar,
];

struct Club {
    library: Library,
    people: Vec<PersonId>,
    instruments: Vec<InstrumentId>,
    now: Moment,
    dice: ChaCha8Rng,
    folder: tempfile::TempDir,
}

fn particulars(n: usize) -> Particulars {
    Particulars {
        tag: format!("T{n:03}"),
        name: "203 mm telescope".to_owned(),
        design: DESIGNS[n % DESIGNS.len()],
        aperture_mm: 203.0,
        focal_mm: 1200.0,
        obstruction: 0.3,
        vane_count: 0,
        weight_kg: None,
        cool_down_min: None,
        uses_diagonal: false,
        replacement_value_cents: None,
        place: String::new(),
        notes: String::new(),
    }
}

impl Club {
    async fn new(instruments: usize, seed: u64) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let library = Library::open(folder.path()).await.unwrap();
        let now = Utc.with_ymd_and_hms(2031, 3, 1, 12, 0, 0).unwrap();
        let mut write = library.write().await.unwrap();
        let mut people = Vec::new();
        for n in 0..3 {
            let new = NewPerson {
                name: format!("Person {n}"),
                email: format!("p{n}@club.example"),
                role: Role::Coordinator,
            };
            people.push(Person::add(&mut write, &new, now).await.unwrap());
        }
        let mut ids = Vec::new();
        for n in 0..instruments {
            let p = particulars(n);
            let one = Instrument::add(&mut write, &p, now, people[0]);
            ids.push(one.await.unwrap());
        }
        write.commit().await.unwrap();
        Self {
            library,
            people,
            instruments: ids,
            now,
            dice: ChaCha8Rng::seed_from_u64(seed),
            folder,
        }
    }

    fn entry(&mut self, instrument: InstrumentId, kind: EntryKind) -> NewEntry {
        let ago = self.dice.random_range(0..400);
        NewEntry {
            instrument,
            kind,
            happened_at: self.now - Duration::days(ago) - Duration::minutes(7),
            recorded_at: self.now,
            by: self.people[0],
            loan: None,
            note: String::new(),
        }
    }

    fn journey(&mut self) -> Journey {
        let kind = *JourneyKind::ALL.choose(&mut self.dice).unwrap();
        Journey {
            kind,
            distance_km: kind
                .has_distance()
                .then(|| self.dice.random_range(5.0..300.0)),
            severity: kind.has_severity().then(|| self.dice.random_range(1..=3)),
        }
    }

    fn star_test(&mut self) -> StarTest {
        StarTest {
            method: *[Method::ByEye, Method::FromFrames]
                .choose(&mut self.dice)
                .unwrap(),
            side: FocusSide::Inside,
            diagonal: false,
            seeing: None,
            magnification: None,
            defocus_waves: None,
            thin_to_thick: None,
            thin_clock_deg: None,
            coma_rms_waves: self.dice.random_range(0.0..0.12),
            coma_rms_waves_sigma: 0.01,
            attempt_id: None,
            judged: "{}".to_owned(),
        }
    }

    /// One write of a kind chosen by the dice, in a transaction of its own.
    async fn anything(&mut self) -> &'static str {
        let mut write = self.library.write().await.unwrap();
        let one = *self.instruments.choose(&mut self.dice).unwrap();
        let told = self.act(&mut write, one).await;
        if self.dice.random::<f64>() < 0.1 {
            drop(write);
            return "rolled back";
        }
        write.commit().await.unwrap();
        told
    }

    async fn act(&mut self, write: &mut Write, one: InstrumentId) -> &'static str {
        match self.dice.random_range(0..13) {
            0 | 1 => {
                let (journey, entry) = (self.journey(), self.entry(one, EntryKind::Journey));
                journey.log(write, entry).await.unwrap();
                "journey"
            }
            2 | 3 => {
                let (test, entry) = (self.star_test(), self.entry(one, EntryKind::StarTest));
                test.log(write, entry).await.unwrap();
                "star test"
            }
            4 => {
                let problem = Problem {
                    what: ProblemWhat::Other,
                    asks_for: *AsksFor::ALL.choose(&mut self.dice).unwrap(),
                    words: "Something".to_owned(),
                };
                let entry = self.entry(one, EntryKind::Problem);
                problem.log(write, entry).await.unwrap();
                "problem"
            }
            5 => {
                let open = problems::current(write, Some(one)).await.unwrap();
                let open = open.into_iter().filter(|f| !f.settled);
                let work = Work {
                    what: *WorkWhat::ALL.choose(&mut self.dice).unwrap(),
                    minutes: Some(20),
                    moved_optics: self.dice.random::<f64>() < 0.3,
                    words: "Done".to_owned(),
                    settles: open.map(|f| f.entry_id).take(1).collect(),
                };
                let entry = self.entry(one, EntryKind::Work);
                work.log(write, entry).await.unwrap();
                "work"
            }
            6 => self.correct(write, one).await,
            7 => self.strike(write, one).await,
            8 | 9 => self.lend(write, one).await,
            10 => {
                let whose = if self.dice.random::<f64>() < 0.5 {
                    Whose::Instrument(one)
                } else {
                    Whose::Design(*DESIGNS.choose(&mut self.dice).unwrap())
                };
                let (what, value) = *[
                    (LimitWhat::ComaBench, 0.05),
                    (LimitWhat::ComaNote, 0.02),
                    (LimitWhat::Months, 3.0),
                    (LimitWhat::Exposure, 4.0),
                    (LimitWhat::Loans, 1.0),
                ]
                .choose(&mut self.dice)
                .unwrap();
                let value = (self.dice.random::<f64>() < 0.8).then_some(value);
                let set = limits::set(write, whose, what, value, "Why", self.people[0], self.now);
                set.await.unwrap();
                "limit"
            }
            11 => {
                let instrument = Instrument::get(write, one).await.unwrap();
                if instrument.open_loan.is_none() {
                    let to = *Status::ALL.choose(&mut self.dice).unwrap();
                    Instrument::set_status(write, one, to, "Why").await.unwrap();
                }
                "status"
            }
            _ => {
                let instrument = Instrument::get(write, one).await.unwrap();
                let mut p = instrument.particulars.clone();
                p.design = *DESIGNS.choose(&mut self.dice).unwrap();
                let changed = Instrument::change(write, one, instrument.version, &p);
                changed.await.unwrap();
                "design"
            }
        }
    }

    async fn correct(&mut self, write: &mut Write, one: InstrumentId) -> &'static str {
        use tubewright::library::star_tests;
        let tests = star_tests::current(write, Some(one)).await.unwrap();
        let Some(old) = tests.choose(&mut self.dice) else {
            return "nothing to correct";
        };
        let (test, entry) = (self.star_test(), self.entry(one, EntryKind::StarTest));
        let id = entry.write_correcting(write, old.entry_id).await.unwrap();
        test.write(write, id).await.unwrap();
        "correction"
    }

    async fn strike(&mut self, write: &mut Write, one: InstrumentId) -> &'static str {
        let done = works::current(write, Some(one)).await.unwrap();
        let found = problems::current(write, Some(one)).await.unwrap();
        let entries: Vec<(EntryId, EntryKind)> = done
            .iter()
            .map(|w| (w.entry_id, EntryKind::Work))
            .chain(found.iter().map(|f| (f.entry_id, EntryKind::Problem)))
            .collect();
        let Some((old, kind)) = entries.choose(&mut self.dice).copied() else {
            return "nothing to strike";
        };
        self.entry(one, kind).strike(write, old).await.unwrap();
        "struck out"
    }

    async fn lend(&mut self, write: &mut Write, one: InstrumentId) -> &'static str {
        let instrument = Instrument::get(write, one).await.unwrap();
        self.now += Duration::hours(3);
        match (instrument.open_loan, instrument.status) {
            (Some(loan), _) => {
                return_loan(write, loan, self.now, self.people[1]).await;
                "return"
            }
            (None, Status::Shelf) => {
                let out = Lend {
                    instrument: one,
                    borrower: self.people[2],
                    at: self.now,
                    by: self.people[0],
                    due_on: self.now.date_naive() + Duration::days(20),
                    limit_stated: "Nothing".to_owned(),
                    kit: Vec::new(),
                    override_reason: None,
                };
                out.write(write).await.unwrap();
                "lend"
            }
            _ => {
                let asked = waits::ask(
                    write,
                    one,
                    self.people[1],
                    WantsItFor::Planets,
                    "",
                    self.now,
                );
                // Whoever waits already is told so; that is no matter here.
                let _ = asked.await;
                "wait"
            }
        }
    }

    /// Everything that a page could show of the shelf, in words.
    async fn foresight(&self, foreseer: &Foreseer) -> Foresight {
        let mut conn = self.library.read().await.unwrap();
        let fleet = Fleet::recalled(&mut conn, &foreseer.recall, self.now)
            .await
            .unwrap();
        drop(conn);
        Foresight::of(foreseer, &fleet, Question::default())
            .await
            .unwrap()
    }

    async fn read(&self, recall: Option<&Recall>) -> Vec<String> {
        let mut conn = self.library.read().await.unwrap();
        let rows = match recall {
            None => shelf(&mut conn, self.now).await.unwrap(),
            Some(recall) => shelf_recalled(&mut conn, recall, false, self.now)
                .await
                .unwrap(),
        };
        rows.iter()
            .map(|r| {
                format!(
                    "{} {:?} {:?} {}",
                    r.instrument.tag,
                    r.instrument.state(),
                    r.assessment,
                    r.waiting
                )
            })
            .collect()
    }
}

async fn return_loan(write: &mut Write, loan: LoanId, at: Moment, by: PersonId) {
    loans::return_loan(write, loan, &[], at, by).await.unwrap();
}

#[tokio::test]
async fn after_every_kind_of_write_memory_says_what_the_logbooks_say() {
    let mut told: std::collections::BTreeMap<&str, usize> = Default::default();
    for seed in [1, 2] {
        let mut club = Club::new(16, seed).await;
        let recall = Recall::default();
        for step in 0..160 {
            let what = club.anything().await;
            *told.entry(what).or_default() += 1;
            let (kept, fresh) = (club.read(Some(&recall)).await, club.read(None).await);
            assert_eq!(kept, fresh, "seed {seed}, step {step}: {what}");
        }
    }
    for what in [
        "journey",
        "star test",
        "problem",
        "work",
        "correction",
        "struck out",
        "lend",
        "return",
        "limit",
        "status",
        "design",
        "rolled back",
    ] {
        assert!(told.contains_key(what), "never tried: {what}: {told:?}");
    }
}

/// The day passes: what was read on one day is judged as of the next.
#[tokio::test]
async fn memory_is_judged_by_the_day_it_is_asked_on() {
    let mut club = Club::new(8, 3).await;
    for _ in 0..60 {
        club.anything().await;
    }
    let recall = Recall::default();
    for days in [0, 1, 40, 400, -3, 2000] {
        club.now += Duration::days(days);
        assert_eq!(
            club.read(Some(&recall)).await,
            club.read(None).await,
            "{days} days on"
        );
    }
}

/// An entry dated ahead is set aside until its day comes, also out of memory.
#[tokio::test]
async fn an_entry_dated_ahead_counts_when_its_day_comes() {
    let mut club = Club::new(1, 4).await;
    let mut write = club.library.write().await.unwrap();
    let mut entry = club.entry(club.instruments[0], EntryKind::StarTest);
    entry.happened_at = club.now + Duration::days(10);
    entry.recorded_at = entry.happened_at;
    let mut test = club.star_test();
    test.coma_rms_waves = 0.2;
    test.log(&mut write, entry).await.unwrap();
    write.commit().await.unwrap();
    let recall = Recall::default();
    for days in [0, 5, 5, 5] {
        club.now += Duration::days(days);
        assert_eq!(club.read(Some(&recall)).await, club.read(None).await);
    }
    // And with a clock that goes back again.
    club.now -= Duration::days(15);
    assert_eq!(club.read(Some(&recall)).await, club.read(None).await);
}

/// Another program writes into the same folder, and a memory of another club's
/// folder is of no use for this one even where ids and counts agree.
#[tokio::test]
async fn a_second_program_and_a_copy_of_the_folder_are_noticed() {
    let mut club = Club::new(3, 5).await;
    let recall = Recall::default();
    club.read(Some(&recall)).await;
    let other = Library::open(club.folder.path()).await.unwrap();
    let (test, entry) = (
        club.star_test(),
        club.entry(club.instruments[0], EntryKind::StarTest),
    );
    let mut write = other.write().await.unwrap();
    test.log(&mut write, entry).await.unwrap();
    write.commit().await.unwrap();
    other.close().await;
    assert_eq!(club.read(Some(&recall)).await, club.read(None).await);

    // A copy, as a backup is; then each goes its own way by one entry of the same
    // kind. The memory of the one must not serve the other.
    let copy = tempfile::tempdir().unwrap();
    club.library.close().await;
    for file in std::fs::read_dir(club.folder.path()).unwrap() {
        let file = file.unwrap();
        std::fs::copy(file.path(), copy.path().join(file.file_name())).unwrap();
    }
    club.library = Library::open(club.folder.path()).await.unwrap();
    let restored = Library::open(copy.path()).await.unwrap();
    for (library, coma) in [(club.library.clone(), 0.01), (restored.clone(), 0.11)] {
        let mut test = test.clone();
        test.coma_rms_waves = coma;
        let mut entry = club.entry(club.instruments[1], EntryKind::StarTest);
        entry.happened_at = club.now;
        let mut write = library.write().await.unwrap();
        test.log(&mut write, entry).await.unwrap();
        write.commit().await.unwrap();
    }
    assert_eq!(club.read(Some(&recall)).await, club.read(None).await);
    club.library = restored;
    assert_eq!(club.read(Some(&recall)).await, club.read(None).await);
}

/// Chances out of memory: today's and a coming day's are those that a fresh
/// learning gives; so small a club is learned whole each time.
#[tokio::test]
async fn chances_out_of_memory_are_those_of_a_fresh_learning() {
    let mut club = Club::new(9, 6).await;
    let foreseer = Foreseer::patient();
    let coming: DateTime<Utc> = Utc.from_utc_datetime(
        &NaiveDate::from_ymd_opt(2032, 1, 1)
            .unwrap()
            .and_hms_opt(12, 0, 0)
            .unwrap(),
    );
    let mut compared = 0;
    for _ in 0..12 {
        for _ in 0..6 {
            club.anything().await;
        }
        let mut conn = club.library.read().await.unwrap();
        let kept = Fleet::recalled(&mut conn, &foreseer.recall, club.now)
            .await
            .unwrap();
        let fresh = Fleet::load(&mut conn, club.now).await.unwrap();
        for coming in [None, Some(coming)] {
            let question = Question {
                coming,
                ..Question::default()
            };
            let kept = Foresight::of(&foreseer, &kept, question).await.unwrap();
            let fresh = Foresight::of(&Foreseer::patient(), &fresh, question)
                .await
                .unwrap();
            assert_eq!(kept.outlooks.len(), fresh.outlooks.len());
            for (id, told) in kept.outlooks.iter() {
                let new = &fresh.outlooks[id];
                assert_eq!(told.looks, new.looks);
                assert!((told.chance - new.chance).abs() < 1e-9, "{told:?} {new:?}");
                let (a, b) = (told.chance_coming, new.chance_coming);
                assert!(a.zip(b).is_none_or(|(a, b)| (a - b).abs() < 1e-9));
                assert_eq!(a.is_some(), b.is_some());
                compared += 1;
            }
        }
    }
    assert!(compared > 50);
}

/// Where lessons take long, a look counts in its own instrument's outlook at once,
/// and for the fleet as soon as the lesson in the background is learned.
#[tokio::test]
async fn own_looks_count_at_once_though_the_fleet_learns_behind() {
    let mut club = Club::new(9, 6).await;
    for _ in 0..40 {
        club.anything().await;
    }
    // Without patience everything but the first lesson is learned behind.
    let foreseer = Foreseer::waiting(std::time::Duration::ZERO);
    let first = club.foresight(&foreseer).await;
    let one = club.instruments[0];
    let (test, mut entry) = (club.star_test(), club.entry(one, EntryKind::StarTest));
    entry.happened_at = club.now;
    let mut write = club.library.write().await.unwrap();
    test.log(&mut write, entry).await.unwrap();
    write.commit().await.unwrap();

    let at_once = club.foresight(&foreseer).await;
    assert_eq!(
        at_once.outlooks[&one].looks,
        first.outlooks[&one].looks + 1,
        "its own look counts at once"
    );
    assert!(std::sync::Arc::ptr_eq(&at_once.learned, &first.learned));

    let fresh = club.foresight(&Foreseer::patient()).await;
    let begun = std::time::Instant::now();
    loop {
        let now = club.foresight(&foreseer).await;
        let same = fresh.outlooks.iter().all(|(id, new)| {
            let told = &now.outlooks[id];
            told.looks == new.looks && (told.chance - new.chance).abs() < 1e-9
        });
        if same {
            break;
        }
        assert!(begun.elapsed().as_secs() < 60, "the lesson never counted");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    // The record follows too: not behind for ever.
    while club.foresight(&foreseer).await.record_is_behind {
        assert!(begun.elapsed().as_secs() < 60, "the record stays behind");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
}
