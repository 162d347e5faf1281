//! A snapshot must never differ from what the logbooks say: after every kind of
//! write, the shelf out of it is set beside the shelf read from nothing.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::sync::Arc;
use std::time::Duration as Wait;

use chrono::{Duration, NaiveDate, TimeZone, Utc};
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::library::barrel_checks::{self, BarrelCheck, Way};
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars, Status};
use tubewright::library::journeys::{Journey, JourneyKind};
use tubewright::library::lending::Lend;
use tubewright::library::limits::{self, LimitWhat, Whose};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::returning;
use tubewright::library::star_tests::{FocusSide, Method, StarTest};
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::works::{Work, WorkWhat};
use tubewright::library::{
    EntryId, InstrumentId, Library, LoanId, Moment, PersonId, Write, problems, second_looks, works,
};
use tubewright::upkeep::drift::fit::DriftModel;
use tubewright::upkeep::shelf::shelf;
use tubewright::upkeep::{Snapshot, Snapshots};

const DESIGNS: [Design; 5] = [
    Design::Newtonian,
    Design::SchmidtCassegrain,
    Design::MaksutovCassegrain,
    Design::Solar,
    Design::Binocular,
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
                guest: false,
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

    fn barrels(&mut self) -> BarrelCheck {
        let n = self.dice.random_range(1..=2);
        let seen = (0..n).map(|_| {
            let [side, step] = [0; 2].map(|_| self.dice.random_range(-40.0..40.0));
            barrel_checks::by_eye(side, step, None)
        });
        BarrelCheck {
            way: Way::ByEye,
            magnification: 10.0,
            hinged: true,
            distance_m: None,
            openings: seen.collect(),
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
        match self.dice.random_range(0..16) {
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
            13 => {
                let (check, entry) = (self.barrels(), self.entry(one, EntryKind::BarrelCheck));
                check.log(write, entry).await.unwrap();
                "barrel check"
            }
            14 => {
                let mut entry = self.entry(one, EntryKind::Note);
                entry.by = self.people[1];
                // Where nothing was worked on it is refused; that is no matter here.
                let _ = second_looks::sign(write, entry, Some(Moment::MIN_UTC)).await;
                "second look"
            }
            15 => {
                let club = tubewright::library::club::Club::load(write).await.unwrap();
                let club = tubewright::library::club::Club {
                    second_look: match club.second_look {
                        Some(_) => None,
                        None => Some(self.now - Duration::days(300)),
                    },
                    ..club
                };
                club.save(write).await.unwrap();
                "setting"
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
                    (LimitWhat::BarrelsNote, 0.5),
                    (LimitWhat::BarrelsBench, 1.2),
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
                    details: Default::default(),
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

    async fn snapshot(&self, snapshots: &Snapshots) -> Arc<Snapshot> {
        snapshots.now(&self.library, self.now).await.unwrap()
    }

    /// Everything that a page could show of the shelf, in words: out of a snapshot,
    /// or read from nothing.
    async fn read(&self, snapshots: Option<&Snapshots>) -> Vec<String> {
        let rows = match snapshots {
            Some(snapshots) => self.snapshot(snapshots).await.fleet.shelf(self.now),
            None => {
                let mut conn = self.library.read().await.unwrap();
                shelf(&mut conn, self.now).await.unwrap()
            }
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
    returning::return_loan(write, loan, &[], at, by)
        .await
        .unwrap();
}

#[tokio::test]
async fn after_every_kind_of_write_memory_says_what_the_logbooks_say() {
    let mut told: std::collections::BTreeMap<&str, usize> = Default::default();
    for seed in [1, 2] {
        let mut club = Club::new(16, seed).await;
        let snapshots = Snapshots::default();
        for step in 0..160 {
            let what = club.anything().await;
            *told.entry(what).or_default() += 1;
            let (kept, fresh) = (club.read(Some(&snapshots)).await, club.read(None).await);
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
        "second look",
        "setting",
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
    let snapshots = Snapshots::default();
    for days in [0, 1, 40, 400, -3, 2000] {
        club.now += Duration::days(days);
        assert_eq!(
            club.read(Some(&snapshots)).await,
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
    let snapshots = Snapshots::default();
    for days in [0, 5, 5, 5] {
        club.now += Duration::days(days);
        assert_eq!(club.read(Some(&snapshots)).await, club.read(None).await);
    }
    // And with a clock that goes back again.
    club.now -= Duration::days(15);
    assert_eq!(club.read(Some(&snapshots)).await, club.read(None).await);
}

/// Another program writes into the same folder.
#[tokio::test]
async fn a_second_program_is_noticed() {
    let mut club = Club::new(3, 5).await;
    let snapshots = Snapshots::default();
    club.read(Some(&snapshots)).await;
    let other = Library::open(club.folder.path()).await.unwrap();
    let (test, entry) = (
        club.star_test(),
        club.entry(club.instruments[0], EntryKind::StarTest),
    );
    let mut write = other.write().await.unwrap();
    test.log(&mut write, entry).await.unwrap();
    write.commit().await.unwrap();
    other.close().await;
    assert_eq!(club.read(Some(&snapshots)).await, club.read(None).await);
}

/// Chances are those that a fresh learning gives: so small a club is learned whole
/// each time.
#[tokio::test]
async fn chances_are_those_of_a_fresh_learning() {
    let mut club = Club::new(9, 6).await;
    let snapshots = Snapshots::with_patience(Wait::MAX, Wait::MAX);
    let mut compared = 0;
    for _ in 0..12 {
        for _ in 0..6 {
            club.anything().await;
        }
        let kept = club.snapshot(&snapshots).await;
        let fresh = club.snapshot(&Snapshots::default()).await;
        for id in &club.instruments {
            assert_eq!(kept.forecast(*id), fresh.forecast(*id));
            compared += usize::from(fresh.forecast(*id).is_some());
        }
        assert!(!kept.is_behind);
    }
    assert!(compared > 50);
}

/// Where learning takes long, a look counts in its own instrument's forecast at
/// once, and for the fleet as soon as the lesson behind is learned.
#[tokio::test]
async fn own_looks_count_at_once_though_the_fleet_learns_behind() {
    let mut club = Club::new(9, 6).await;
    for _ in 0..40 {
        club.anything().await;
    }
    // Without patience everything but the first lesson is learned behind.
    let snapshots = Snapshots::with_patience(Wait::ZERO, Wait::MAX);
    let first = club.snapshot(&snapshots).await;
    let foreseen = |id: &&InstrumentId| first.forecast(**id).is_some();
    let one = *club.instruments.iter().find(foreseen).unwrap();
    let (test, mut entry) = (club.star_test(), club.entry(one, EntryKind::StarTest));
    entry.happened_at = club.now;
    let mut write = club.library.write().await.unwrap();
    test.log(&mut write, entry).await.unwrap();
    write.commit().await.unwrap();

    let at_once = club.snapshot(&snapshots).await;
    let looks = |s: &Snapshot| s.forecast(one).unwrap().looks;
    assert_eq!(looks(&at_once), looks(&first) + 1, "its own counts at once");
    assert!(at_once.is_behind && std::ptr::eq(at_once.model(), first.model()));

    the_lesson_counts(&club, &snapshots).await;
}

/// What is learned behind is what a fresh learning gives.
async fn the_lesson_counts(club: &Club, snapshots: &Snapshots) {
    let fresh = club.snapshot(&Snapshots::default()).await;
    let begun = std::time::Instant::now();
    loop {
        let now = club.snapshot(snapshots).await;
        if !now.is_behind {
            for id in &club.instruments {
                assert_eq!(now.forecast(*id), fresh.forecast(*id));
            }
            assert_eq!(now.record().verdict, fresh.record().verdict);
            break;
        }
        assert!(begun.elapsed().as_secs() < 60, "the lesson never counted");
        tokio::time::sleep(Wait::from_millis(20)).await;
    }
}

/// Who comes first after a start is not kept waiting until the whole fleet is learned from:
/// lists go by the limits until then, and each instrument has a forecast by what is believed of all.
#[tokio::test]
async fn the_first_visitor_does_not_wait_for_the_lesson() {
    let mut club = Club::new(4, 11).await;
    for _ in 0..120 {
        club.anything().await;
    }
    let snapshots = Snapshots::with_patience(Wait::ZERO, Wait::ZERO);
    let first = club.snapshot(&snapshots).await;
    assert!(first.is_behind && !first.is_trusted());
    assert!(first.record().said.is_empty());
    assert_eq!(*first.model(), DriftModel::nothing());
    let fresh = club.snapshot(&Snapshots::default()).await;
    assert!(!fresh.record().said.is_empty());
    for id in &club.instruments {
        let looks = |snapshot: &Snapshot| snapshot.forecast(*id).map(|told| told.looks);
        assert_eq!(looks(&first), looks(&fresh), "its own logbook counts whole");
    }
    the_lesson_counts(&club, &snapshots).await;
}

/// While nothing is written everybody gets the same snapshot, and many who ask at
/// once after a write get one build.
#[tokio::test(flavor = "multi_thread")]
async fn one_build_serves_all_who_ask() {
    let mut club = Club::new(6, 7).await;
    let snapshots = Snapshots::default();
    let first = club.snapshot(&snapshots).await;
    assert!(Arc::ptr_eq(&first, &club.snapshot(&snapshots).await));
    while club.anything().await != "journey" {}
    let asked = (0..20).map(|_| {
        let (snapshots, library, now) = (snapshots.clone(), club.library.clone(), club.now);
        tokio::spawn(async move { snapshots.now(&library, now).await.unwrap() })
    });
    let asked: Vec<_> = asked.collect();
    let mut got = Vec::new();
    for one in asked {
        got.push(one.await.unwrap());
    }
    assert!(got.iter().all(|one| Arc::ptr_eq(one, &got[0])));
    assert!(!Arc::ptr_eq(&first, &got[0]));
}

/// Several write and each looks at once at what it wrote: no snapshot lacks it.
#[tokio::test(flavor = "multi_thread")]
async fn nobody_sees_a_snapshot_from_before_their_own_write() {
    let club = Club::new(5, 8).await;
    let snapshots = Snapshots::default();
    let writers = club.instruments.clone().into_iter().map(|one| {
        let (snapshots, library) = (snapshots.clone(), club.library.clone());
        let (now, by) = (club.now, club.people[0]);
        tokio::spawn(async move {
            for n in 1..=12 {
                let journey = Journey {
                    kind: JourneyKind::HandCarry,
                    distance_km: None,
                    severity: None,
                };
                let entry = NewEntry {
                    instrument: one,
                    kind: EntryKind::Journey,
                    happened_at: now - Duration::days(n),
                    recorded_at: now,
                    by,
                    loan: None,
                    note: String::new(),
                };
                let mut write = library.write().await.unwrap();
                journey.log(&mut write, entry).await.unwrap();
                write.commit().await.unwrap();
                let snapshot = snapshots.now(&library, now).await.unwrap();
                let seen = snapshot.member(one).unwrap().book.history.moves.len();
                assert_eq!(seen, n as usize);
            }
        })
    });
    for writer in writers.collect::<Vec<_>>() {
        writer.await.unwrap();
    }
}

/// The day of a snapshot is the club's, at half past eleven at night and half past
/// midnight there, also across both changes of the clocks; and who borrows in the
/// evening may bring back the same day.
#[tokio::test]
async fn days_are_the_clubs_own() {
    for (zone, days) in [
        ("Pacific/Kiritimati", ["2031-03-01", "2031-03-02"]),
        ("America/Los_Angeles", ["2031-03-09", "2031-11-02"]),
        ("Asia/Kolkata", ["2031-03-01", "2031-12-31"]),
        ("Europe/Lisbon", ["2031-03-30", "2031-10-26"]),
    ] {
        let mut club = Club::new(2, 9).await;
        let tz: chrono_tz::Tz = zone.parse().unwrap();
        let mut write = club.library.write().await.unwrap();
        let settings = tubewright::library::club::Club {
            zone: zone.to_owned(),
            ..Default::default()
        };
        settings.save(&mut write).await.unwrap();
        write.commit().await.unwrap();
        let snapshots = Snapshots::default();
        for (day, one) in days.into_iter().zip(club.instruments.clone()) {
            let day: NaiveDate = day.parse().unwrap();
            let at = |day: NaiveDate, hour| {
                let local = day.and_hms_opt(hour, 30, 0).unwrap();
                local.and_local_timezone(tz).unwrap().to_utc()
            };
            let mut seen = Vec::new();
            for (day, hour) in [(day, 0), (day, 23), (day.succ_opt().unwrap(), 0)] {
                club.now = at(day, hour);
                seen.push(club.snapshot(&snapshots).await);
            }
            assert!(
                Arc::ptr_eq(&seen[0], &seen[1]),
                "{zone}: one day, one snapshot"
            );
            assert!(
                !Arc::ptr_eq(&seen[1], &seen[2]),
                "{zone}: the next day, another"
            );
            let hours = (seen[2].today - seen[1].today) * 24.0;
            assert!((hours - 24.0).abs() < 1.01, "{zone}: {hours} hours");
            let mut write = club.library.write().await.unwrap();
            let out = Lend {
                instrument: one,
                borrower: club.people[2],
                at: at(day, 23),
                by: club.people[0],
                due_on: day,
                limit_stated: "Nothing".to_owned(),
                kit: Vec::new(),
                override_reason: None,
                details: Default::default(),
            };
            let yesterday = Lend {
                due_on: day.pred_opt().unwrap(),
                ..out.clone()
            };
            assert!(yesterday.write(&mut write).await.is_err(), "{zone}");
            out.write(&mut write).await.unwrap();
            write.commit().await.unwrap();
        }
    }
}
