//! Search finds what stands, and only that: after every kind of write the rows are what the
//! tables say, and SQLite's own check of the index (FTS5, 6.5, 'integrity-check') passes.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/tube.rs"]
mod tube;

use chrono::{NaiveDate, Utc};
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::demo::Demo;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::loan_lists::{self, By};
use tubewright::library::loans::{Loan, Which};
use tubewright::library::people::{self, NewPerson, Person, Role};
use tubewright::library::problem_list::{self, Listed};
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::search::{self, Kind, Sought};
use tubewright::library::works::{Work, WorkWhat};
use tubewright::library::{Conn, InstrumentId, Library, PersonId, Write, kit, own_data};

struct House {
    write: Write,
    by: PersonId,
    one: InstrumentId,
    _folder: tempfile::TempDir,
}

/// The demo club.
async fn demo_in(folder: &tempfile::TempDir) -> Library {
    let library = Library::open(folder.path()).await.unwrap();
    let today = NaiveDate::from_ymd_opt(2026, 3, 9).unwrap();
    let hash = |phrase: &str| Ok::<_, ()>(format!("$argon2id$v=19$m=8,t=1,p=1${phrase}"));
    let demo = Demo::prepare().unwrap();
    demo.load(&library, today, hash).await.unwrap();
    library
}

fn person(name: &str, role: Role) -> NewPerson {
    let email = format!("{}@club.example", name.to_lowercase().replace(' ', "."));
    NewPerson {
        name: name.to_owned(),
        email,
        role,
        guest: false,
    }
    .check()
    .unwrap()
}

fn particulars(tag: &str) -> Particulars {
    Particulars {
        tag: tag.to_owned(),
        name: "Blue telescope".to_owned(),
        design: Design::Newtonian,
        aperture_mm: 203.0,
        focal_mm: 1200.0,
        obstruction: 0.3,
        vane_count: 0,
        uses_diagonal: false,
        place: "Cellar".to_owned(),
        notes: "Mirror was recoated".to_owned(),
        ..tube::newtonian()
    }
}

async fn house() -> House {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut write = library.write().await.unwrap();
    let by = Person::add(
        &mut write,
        &person("Vito Desk", Role::Volunteer),
        Utc::now(),
    )
    .await
    .unwrap();
    let one = Instrument::add(&mut write, &particulars("T1"), Utc::now(), by)
        .await
        .unwrap();
    House {
        write,
        by,
        one,
        _folder: folder,
    }
}

impl House {
    fn entry(&self, kind: EntryKind, note: &str) -> NewEntry {
        NewEntry {
            instrument: self.one,
            kind,
            happened_at: Utc::now(),
            recorded_at: Utc::now(),
            by: self.by,
            loan: None,
            note: note.to_owned(),
        }
    }

    async fn found(&mut self, kind: Kind, typed: &str) -> Vec<String> {
        found(&mut self.write, kind, typed).await
    }
}

async fn found(conn: &mut Conn, kind: Kind, typed: &str) -> Vec<String> {
    let sought = Sought::read(typed).unwrap();
    let hits = search::find(conn, &sought, kind, true, 0, 100)
        .await
        .unwrap();
    let count = search::count(conn, &sought, kind, true, 100).await.unwrap();
    assert_eq!(count, hits.len() as i64);
    hits.into_iter().map(|hit| hit.excerpt).collect()
}

#[tokio::test]
async fn what_is_written_corrected_struck_out_and_renamed_is_found_as_it_stands() {
    let mut house = house().await;
    let one = house.one;
    assert_eq!(house.found(Kind::Instrument, "t1").await.len(), 1);
    assert_eq!(
        house.found(Kind::Instrument, "newt cell 203").await.len(),
        1
    );
    assert!(house.found(Kind::Instrument, "recoated").await.is_empty());
    assert_eq!(
        house.found(Kind::Notes, "recoat").await,
        ["Mirror was \u{2}recoated\u{3}"]
    );
    // An old label still leads there; notes that are gone are not found.
    let changed = Particulars {
        notes: String::new(),
        ..particulars("N203")
    };
    Instrument::change(&mut house.write, one, 1, &changed)
        .await
        .unwrap();
    for tag in ["T1", "N203"] {
        assert_eq!(house.found(Kind::Instrument, tag).await.len(), 1, "{tag}");
    }
    assert!(house.found(Kind::Notes, "recoated").await.is_empty());

    let parts = ["Finder", "Filtre éclipse"].map(str::to_owned);
    kit::set(&mut house.write, one, &parts, Utc::now())
        .await
        .unwrap();
    assert_eq!(house.found(Kind::Kit, "eclipse").await.len(), 1);
    kit::set(&mut house.write, one, &parts[..1], Utc::now())
        .await
        .unwrap();
    assert!(house.found(Kind::Kit, "eclipse").await.is_empty());

    let problem = |words: &str| Problem {
        what: ProblemWhat::MovingPart,
        asks_for: AsksFor::ALook,
        words: words.to_owned(),
    };
    let entry = house.entry(EntryKind::Problem, "");
    let first = problem("The focuser grinds")
        .log(&mut house.write, entry)
        .await
        .unwrap();
    assert_eq!(house.found(Kind::Problem, "grind").await.len(), 1);
    let entry = house.entry(EntryKind::Problem, "");
    let second = entry
        .write_correcting(&mut house.write, first)
        .await
        .unwrap();
    problem("The focuser slips")
        .write(&mut house.write, second)
        .await
        .unwrap();
    assert!(house.found(Kind::Problem, "grind").await.is_empty());
    assert_eq!(house.found(Kind::Problem, "focuser slips").await.len(), 1);
    assert!(house.found(Kind::Entry, "focuser").await.is_empty());
    let entry = house.entry(EntryKind::Problem, "It was another instrument");
    entry.strike(&mut house.write, second).await.unwrap();
    assert!(house.found(Kind::Problem, "focuser").await.is_empty());
    assert!(house.found(Kind::Problem, "another").await.is_empty());

    let work = Work {
        what: WorkWhat::Repair,
        minutes: Some(20),
        moved_optics: false,
        words: "New grub screw".to_owned(),
        settles: Vec::new(),
    };
    let entry = house.entry(EntryKind::Work, "with Ines");
    work.log(&mut house.write, entry).await.unwrap();
    assert_eq!(house.found(Kind::Entry, "grub ines").await.len(), 1);

    let ada = Person::add(
        &mut house.write,
        &person("Émile Quill", Role::Member),
        Utc::now(),
    )
    .await
    .unwrap();
    assert_eq!(house.found(Kind::Person, "emile").await.len(), 1);
    people::change(
        &mut house.write,
        ada,
        &person("Ada Quill", Role::Member),
        Utc::now(),
    )
    .await
    .unwrap();
    assert!(house.found(Kind::Person, "emile").await.is_empty());
    assert_eq!(house.found(Kind::Person, "ada.quill@club").await.len(), 1);
    assert!(search::is_whole(&mut house.write).await.unwrap());
    own_data::erase(&mut house.write, ada, Utc::now())
        .await
        .unwrap();
    assert!(house.found(Kind::Person, "quill").await.is_empty());
    assert!(search::is_whole(&mut house.write).await.unwrap());
    // The check can fail.
    sqlx::query("DROP TRIGGER a_kit_part_is_searched")
        .execute(&mut *house.write)
        .await
        .unwrap();
    kit::set(&mut house.write, one, &parts, Utc::now())
        .await
        .unwrap();
    assert!(!search::is_whole(&mut house.write).await.unwrap());
    search::rebuild(&mut house.write).await.unwrap();
    assert!(search::is_whole(&mut house.write).await.unwrap());
}

#[tokio::test]
async fn many_writes_in_any_order_leave_the_index_whole() {
    let mut rng = ChaCha8Rng::seed_from_u64(17);
    let mut house = house().await;
    let words = ["dew", "coma", "strap", "focuser", "café", "Öl"];
    let mut standing = Vec::new();
    for turn in 0..300 {
        let note = format!(
            "{} {}",
            words.choose(&mut rng).unwrap(),
            words.choose(&mut rng).unwrap()
        );
        match rng.random_range(0..5) {
            0 | 1 => {
                let entry = house.entry(EntryKind::Note, &note);
                standing.push(entry.write(&mut house.write).await.unwrap());
            }
            2 if !standing.is_empty() => {
                let at = rng.random_range(0..standing.len());
                let entry = house.entry(EntryKind::Note, &note);
                standing[at] = entry
                    .write_correcting(&mut house.write, standing[at])
                    .await
                    .unwrap();
            }
            3 if !standing.is_empty() => {
                let old = standing.swap_remove(rng.random_range(0..standing.len()));
                let entry = house.entry(EntryKind::Note, "struck out");
                entry.strike(&mut house.write, old).await.unwrap();
            }
            _ => {
                let version = Instrument::get(&mut house.write, house.one)
                    .await
                    .unwrap()
                    .version;
                let tag = format!("T{}", turn % 7);
                let changed = Particulars {
                    notes: note,
                    ..particulars(&tag)
                };
                Instrument::change(&mut house.write, house.one, version, &changed)
                    .await
                    .unwrap();
            }
        }
        if turn % 25 == 0 {
            assert!(
                search::is_whole(&mut house.write).await.unwrap(),
                "turn {turn}"
            );
        }
    }
    assert!(search::is_whole(&mut house.write).await.unwrap());
    assert!(house.found(Kind::Entry, "struck").await.is_empty());
    assert_eq!(
        found(&mut house.write, Kind::Instrument, "blue")
            .await
            .len(),
        1
    );
}

#[tokio::test]
async fn the_demo_clubs_index_is_whole_and_what_is_typed_never_breaks_it() {
    let folder = tempfile::tempdir().unwrap();
    let library = demo_in(&folder).await;
    let mut write = library.write().await.unwrap();
    assert!(search::is_whole(&mut write).await.unwrap());
    for kind in Kind::ALL {
        for typed in [
            "a",
            "*",
            "\"",
            "x\" OR kind : person",
            "NEAR(a b, 2)",
            "a AND",
            "^a",
            "{words}: a",
            "-a",
            "\u{0}a",
            "a\u{0}b",
            "½",
            "e\u{301}",
            "a' OR 1=1 --",
            &"longword ".repeat(500),
            "日本語 a",
            "\u{2}a\u{3}",
        ] {
            if let Some(sought) = Sought::read(typed) {
                search::find(&mut write, &sought, *kind, false, 0, 10)
                    .await
                    .unwrap_or_else(|e| panic!("{kind:?} {typed:?}: {e}"));
            }
        }
    }
}

/// A list of loans narrowed by words reads the loans of few; beside it a look at each loan of
/// the demo club, whose words stand in one text.
#[tokio::test]
async fn loans_found_by_words_are_those_that_a_look_at_each_finds() {
    let folder = tempfile::tempdir().unwrap();
    let library = demo_in(&folder).await;
    let today = NaiveDate::from_ymd_opt(2026, 3, 9).unwrap();
    let mut write = library.write().await.unwrap();
    sqlx::query("UPDATE loans SET event = 'Open evening, Velm\u{f3}uth' WHERE id IN (SELECT id FROM loans LIMIT 3)")
        .execute(&mut *write)
        .await
        .unwrap();
    let conn: &mut Conn = &mut write;
    let all = Loan::list(conn, Which::default()).await.unwrap();
    let texts = all.iter().map(|l| {
        let words = [&*l.tag, &l.instrument_name, &l.borrower, &l.event].join(" ");
        (l, people::plain(&words))
    });
    let texts: Vec<(&Loan, String)> = texts.collect();
    let asked = asked_in(texts.iter().map(|(_, text)| text.as_str()));
    let mut hits = 0;
    for words in asked {
        for (open, past) in [(false, false), (true, false), (false, true)] {
            let which = loan_lists::Asked {
                words: words.clone(),
                open,
                past,
                ..Default::default()
            };
            let found = loan_lists::found(conn, &which, today).await.unwrap();
            let fits = |(l, text): &&(&Loan, String)| {
                let out = l.returned_at.is_none();
                (!open || out) && (!past || !out) && words.iter().all(|word| text.contains(word))
            };
            let each: Vec<&Loan> = texts.iter().filter(fits).map(|(l, _)| *l).collect();
            hits += each.len();
            let of_each: Vec<_> = each
                .iter()
                .map(|l| {
                    (
                        l.id,
                        l.returned_at.is_none(),
                        l.days_overdue(today).is_some(),
                        l.tag.as_str(),
                    )
                })
                .collect();
            let of_found: Vec<_> = found
                .iter()
                .map(|f| (f.id, f.out, f.late, f.tag.as_str()))
                .collect();
            assert_eq!(of_found, of_each, "{words:?}");
        }
    }
    assert!(hits > 1000, "{hits}");
    // Page by page by borrower or thing, they are the same, in the same order.
    for (by, past) in [By::Borrower, By::Thing]
        .into_iter()
        .flat_map(|by| [(by, true), (by, false)])
    {
        let which = loan_lists::Asked {
            past,
            by_borrower: by == By::Borrower,
            ..Default::default()
        };
        let mut whole = loan_lists::found(conn, &which, today).await.unwrap();
        if by == By::Thing {
            whole.sort_by(|a, b| a.tag.cmp(&b.tag));
        }
        let all = loan_lists::all(conn, by).await.unwrap();
        let mut paged = Vec::new();
        for first in (0..whole.len() + 7).step_by(7) {
            let page = first..first + 7;
            let some = loan_lists::page_by(conn, by, &all, &which, page, today);
            paged.extend(some.await.unwrap());
        }
        assert!(whole.len() > 20 && paged == whole, "{by:?} {past}");
    }
}

/// Every word of these texts, alone, as its beginning, and with another's; and none.
fn asked_in<'a>(texts: impl Iterator<Item = &'a str>) -> Vec<Vec<String>> {
    let mut words: Vec<String> = texts
        .flat_map(|text| text.split_whitespace().map(str::to_owned))
        .collect();
    words.sort();
    words.dedup();
    let mut asked: Vec<Vec<String>> = words.iter().map(|word| vec![word.clone()]).collect();
    let mut rng = ChaCha8Rng::seed_from_u64(17);
    for _ in 0..300 {
        let mut some: Vec<String> = Vec::new();
        for _ in 0..rng.random_range(1..4) {
            let word = words.choose(&mut rng).unwrap();
            some.push(word.chars().take(rng.random_range(1..6)).collect());
        }
        asked.push(some);
    }
    asked.push(Vec::new());
    asked
}

/// The problems that hold each word, open ones and all, beside a plain look through all of them.
#[tokio::test]
async fn problems_are_found_by_every_word_that_stands_in_them() {
    let folder = tempfile::tempdir().unwrap();
    let library = demo_in(&folder).await;
    let conn: &mut Conn = &mut library.read().await.unwrap();
    let ids = problem_list::brief(conn, false, &[]).await.unwrap();
    let ids = ids.into_iter().map(|one| one.entry_id);
    let all = problem_list::each(conn, ids).await.unwrap();
    let texts: Vec<(&Listed, String)> = all
        .iter()
        .map(|one| {
            let problem = &one.logged.problem;
            let words = [
                &*one.tag,
                &one.name,
                problem.what.label(),
                &problem.words,
                &one.recorded_by,
            ];
            (one, people::plain(&words.join(" ")))
        })
        .collect();
    let mut hits = 0;
    for words in asked_in(texts.iter().map(|(_, text)| text.as_str())) {
        for only_open in [false, true] {
            let found = problem_list::brief(conn, only_open, &words).await.unwrap();
            let found: Vec<_> = found.iter().map(|f| (f.entry_id, f.settled)).collect();
            let fits = |(one, text): &&(&Listed, String)| {
                (!only_open || !one.logged.settled) && words.iter().all(|word| text.contains(word))
            };
            let each: Vec<_> = texts
                .iter()
                .filter(fits)
                .map(|(one, _)| (one.logged.entry_id, one.logged.settled))
                .collect();
            hits += each.len();
            assert_eq!(found, each, "{words:?}");
        }
    }
    assert!(hits > 500, "{hits}");
}
