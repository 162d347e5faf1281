//! Jobs, and the spare parts that go with the work.
#![allow(clippy::unwrap_used)]

use chrono::{Days, Duration, TimeZone, Utc};

use super::*;
use crate::entries::{EntryKind, NewEntry};
use crate::instruments::{Design, Instrument, Particulars};
use crate::people::{self, NewPerson, Person, Role};
use crate::spares::{self, Amount};
use crate::works::{Work, WorkWhat};
use crate::{Library, Write, search};

struct House {
    write: Write,
    now: Moment,
    kofi: PersonId,
    maeve: PersonId,
    member: PersonId,
    one: InstrumentId,
    _folder: tempfile::TempDir,
}

impl House {
    async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let library = Library::open(folder.path()).await.unwrap();
        let mut write = library.write().await.unwrap();
        // Hours are added, and the day is to stay the same.
        let now = Utc.with_ymd_and_hms(2026, 3, 9, 9, 0, 0).unwrap();
        let mut people = Vec::new();
        for (name, role) in [
            ("Kofi", Role::Volunteer),
            ("Maeve", Role::Volunteer),
            ("Noor", Role::Member),
        ] {
            let new = NewPerson {
                name: name.to_owned(),
                email: format!("{name}@club.example"),
                role,
                guest: false,
            };
            people.push(Person::add(&mut write, &new, now).await.unwrap());
        }
        let particulars = Particulars {
            tag: "T1".to_owned(),
            name: "Telescope".to_owned(),
            design: Design::Newtonian,
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
        };
        let one = Instrument::add(&mut write, &particulars, now, people[0]);
        let one = one.await.unwrap();
        Self {
            write,
            now,
            kofi: people[0],
            maeve: people[1],
            member: people[2],
            one,
            _folder: folder,
        }
    }

    fn entry(&self, kind: EntryKind) -> NewEntry {
        NewEntry {
            instrument: self.one,
            kind,
            happened_at: self.now,
            recorded_at: self.now,
            by: self.maeve,
            loan: None,
            note: String::new(),
        }
    }

    async fn problem(&mut self, words: &str) -> EntryId {
        let entry = self.entry(EntryKind::Problem);
        told(words).log(&mut self.write, entry).await.unwrap()
    }

    async fn work(&mut self, minutes: i64, settles: Vec<EntryId>) -> EntryId {
        self.now += Duration::hours(1);
        let work = Work {
            what: WorkWhat::Repair,
            minutes: Some(minutes),
            moved_optics: false,
            words: "Done".to_owned(),
            settles,
        };
        let entry = self.entry(EntryKind::Work);
        work.log(&mut self.write, entry).await.unwrap()
    }

    async fn give(&mut self, problem: EntryId, terms: &Terms) -> Result<JobId> {
        let (today, by, now) = (self.now.date_naive(), self.maeve, self.now);
        give(&mut self.write, problem, terms, today, by, now).await
    }

    async fn jobs(&mut self) -> Vec<Job> {
        list(&mut self.write, None).await.unwrap()
    }
}

fn told(words: &str) -> Problem {
    Problem {
        what: ProblemWhat::MovingPart,
        asks_for: AsksFor::ALook,
        words: words.to_owned(),
    }
}

fn of_whom(person: PersonId) -> Terms {
    Terms {
        person: Some(person),
        ..Terms::default()
    }
}

#[tokio::test]
async fn a_job_passes_on_follows_corrections_and_is_closed_by_work() {
    let mut house = House::new().await;
    house.work(500, Vec::new()).await; // before anybody took it on
    let problem = house.problem("Focuser grinds").await;
    let (kofi, maeve) = (house.kofi, house.maeve);
    let today = house.now.date_naive();
    let terms = Terms {
        due_on: today.checked_add_days(Days::new(2)),
        note: "Needs felt".to_owned(),
        ..of_whom(kofi)
    };
    house.now += Duration::hours(1);
    let first = house.give(problem, &terms).await.unwrap();
    house.work(20, Vec::new()).await;
    // The day alone changes the same job; another person has one of their own.
    let sooner = Terms {
        due_on: Some(today),
        ..terms.clone()
    };
    assert_eq!(house.give(problem, &sooner).await.unwrap(), first);
    assert_ne!(house.give(problem, &of_whom(maeve)).await.unwrap(), first);
    // Corrected: the job goes along.
    let entry = house.entry(EntryKind::Problem);
    let corrected = entry.write_correcting(&mut house.write, problem).await;
    let corrected = corrected.unwrap();
    let anew = told("Focuser slips");
    anew.write(&mut house.write, corrected).await.unwrap();
    let jobs = house.jobs().await;
    assert_eq!(jobs.len(), 1);
    assert_eq!(jobs[0].problem.words, "Focuser slips");
    assert_eq!(jobs[0].person.as_deref(), Some("Maeve"));
    assert_eq!((jobs[0].minutes, jobs[0].settled_at), (20, None));
    assert!(house.give(problem, &of_whom(kofi)).await.is_err());
    house.work(40, vec![corrected]).await;
    house.work(900, Vec::new()).await; // after it was settled
    let jobs = house.jobs().await;
    assert_eq!(jobs[0].minutes, 60);
    assert!(jobs[0].settled_at.is_some() && !jobs[0].is_of(maeve));
    let (by, now) = (house.maeve, house.now);
    assert!(house.give(corrected, &of_whom(kofi)).await.is_err());
    let back = give_back(&mut house.write, corrected, by, now).await;
    assert!(back.is_err());
    assert!(search::is_whole(&mut house.write).await.unwrap());
}

#[tokio::test]
async fn only_who_works_here_has_jobs_and_a_day_is_not_past() {
    let mut house = House::new().await;
    let problem = house.problem("Strap torn").await;
    let (kofi, member) = (house.kofi, house.member);
    let yesterday = house.now.date_naive().checked_sub_days(Days::new(1));
    let late = Terms {
        due_on: yesterday,
        ..of_whom(kofi)
    };
    for wrong in [of_whom(member), late] {
        assert!(house.give(problem, &wrong).await.is_err(), "{wrong:?}");
    }
    house.give(problem, &of_whom(kofi)).await.unwrap();
    // Who becomes a member only has none, and the job is no one's yet.
    let now = house.now;
    let new = NewPerson {
        name: "Kofi".to_owned(),
        email: "kofi@club.example".to_owned(),
        role: Role::Member,
        guest: false,
    };
    people::change(&mut house.write, kofi, &new, now)
        .await
        .unwrap();
    assert_eq!(house.jobs().await[0].person, None);
    house.give(problem, &of_whom(house.maeve)).await.unwrap();
    let maeve = house.maeve;
    people::leave(&mut house.write, maeve, now).await.unwrap();
    assert_eq!(house.jobs().await[0].person, None);
    let back = give_back(&mut house.write, problem, member, now).await;
    back.unwrap();
    assert!(house.jobs().await.is_empty());
}

#[tokio::test]
async fn spare_parts_go_with_the_work_and_never_below_none() {
    let mut house = House::new().await;
    let (by, now) = (house.maeve, house.now);
    let new = spares::Particulars {
        name: "Grub screw".to_owned(),
        unit: "pieces".to_owned(),
        low_at: Some(Amount::of(2.0)),
        place: "Drawer".to_owned(),
        value_cents: Some(12.5),
    };
    let five = Amount::of(5.0);
    let id = spares::add(&mut house.write, &new, five, by, now)
        .await
        .unwrap();
    assert!(
        spares::add(&mut house.write, &new, five, by, now)
            .await
            .is_err()
    );
    let work = house.work(10, Vec::new()).await;
    let three = [(id, Amount::of(3.0))];
    spares::used(&mut house.write, &three, work, by, now)
        .await
        .unwrap();
    assert!(
        spares::used(&mut house.write, &three, work, by, now)
            .await
            .is_err()
    );
    let left = spares::get(&mut house.write, id).await.unwrap();
    assert_eq!((left.amount, left.is_low()), (Amount::of(2.0), true));
    // The database alone would not have it either.
    let past = sqlx::query("UPDATE spares SET amount_thousandths = -1");
    assert!(past.execute(&mut *house.write).await.is_err());
    let ten = Amount::of(10.0);
    spares::counted(&mut house.write, id, ten, "Found a bag", by, now)
        .await
        .unwrap();
    spares::more(&mut house.write, id, Amount::of(0.5), by, now)
        .await
        .unwrap();
    let moves = spares::moves(&mut house.write, id).await.unwrap();
    let sum: i64 = moves.iter().map(|m| m.change.0).sum();
    assert_eq!(sum, Amount::of(10.5).0);
    assert_eq!(moves[1].words, "Found a bag");
    let day = Duration::days(1);
    let used = spares::used_up(&mut house.write, now - day, now + day)
        .await
        .unwrap();
    assert_eq!(used[0].used.to_string(), "3\u{a0}pieces of Grub screw");
    assert_eq!(used[0].cost_cents, Some(37.5));
    spares::remove(&mut house.write, id, now).await.unwrap();
    spares::add(&mut house.write, &new, five, by, now)
        .await
        .unwrap();
    assert!(search::is_whole(&mut house.write).await.unwrap());
}
