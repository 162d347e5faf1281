//! Three invented clubs' own spreadsheets become running clubs: all that they tell is
//! there afterwards, the same files again add nothing, and an import can be undone.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};

use chrono::{DateTime, Duration, NaiveDate, TimeZone, Utc};
use tubewright::intake::cells::Sheet;
use tubewright::intake::fields::Kind;
use tubewright::intake::plan::{Choices, Count, Plan};
use tubewright::intake::{self, Error, read};
use tubewright::library::club::{Club, Units};
use tubewright::library::imports as kept;
use tubewright::library::instruments::{Design, Instrument, State, Status};
use tubewright::library::loans::{self, Loan, Which};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::returning;
use tubewright::library::things::{self, Thing};
use tubewright::library::{
    Conn, ImportId, Library, PersonId, journeys, kit, loan_periods, search, star_tests,
};
use tubewright::upkeep::shelf::shelf;

struct House {
    library: Library,
    by: PersonId,
    now: DateTime<Utc>,
    _folder: tempfile::TempDir,
}

/// An evening in March 2026, so that the invented loans lie behind.
fn evening() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 3, 10, 20, 0, 0).unwrap()
}

async fn house(units: Units) -> House {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut write = library.write().await.unwrap();
    let club = Club {
        units,
        ..Club::default()
    };
    club.save(&mut write).await.unwrap();
    let new = NewPerson {
        name: "First Coordinator".to_owned(),
        email: "first@club.example".to_owned(),
        role: Role::Coordinator,
        guest: false,
    };
    let by = Person::add(&mut write, &new, evening()).await.unwrap();
    write.commit().await.unwrap();
    House {
        library,
        by,
        now: evening(),
        _folder: folder,
    }
}

impl House {
    async fn plan(&self, sheets: &[Sheet], choices: &Choices) -> Plan {
        let looked = intake::look(&self.library, sheets, choices, self.now).await;
        looked.unwrap().plan
    }

    async fn keep(&self, sheets: &[Sheet], choices: &Choices) -> Result<ImportId, Error> {
        let kept = intake::keep_alone(&self.library, sheets, choices, self.by, self.now).await;
        kept.map(|(id, _)| id)
    }

    /// All that stands in the tables that an import writes, without its own.
    async fn all_rows(&self) -> Vec<(String, i64)> {
        let mut conn = self.library.read().await.unwrap();
        let mut rows = Vec::new();
        for table in [
            "people",
            "instruments",
            "adjusters",
            "kit_parts",
            "loans",
            "loan_kit",
            "entries",
            "journeys",
            "star_tests",
            "import_rows",
        ] {
            let ask = format!("SELECT COUNT(*) FROM {table}");
            let n = sqlx::query_scalar(sqlx::AssertSqlSafe(ask))
                .fetch_one(&mut *conn)
                .await
                .unwrap();
            rows.push((table.to_owned(), n));
        }
        rows
    }

    async fn loan(&self, tag: &str, borrower: &str) -> Vec<Loan> {
        let mut conn = self.library.read().await.unwrap();
        let all = Loan::list(&mut conn, Which::default()).await.unwrap();
        all.into_iter()
            .filter(|l| l.tag == tag && l.borrower == borrower)
            .collect()
    }
}

fn seed(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("seed-data/spreadsheets")
        .join(name)
}

fn sheets(names: &[&str]) -> Vec<Sheet> {
    let mut sheets = Vec::new();
    for name in names {
        let bytes = std::fs::read(seed(name)).unwrap();
        sheets.extend(read::sheets(name, &bytes).unwrap());
    }
    sheets
}

fn lantern() -> Vec<Sheet> {
    sheets(&[
        "lantern/members.csv",
        "lantern/telescopes.csv",
        "lantern/gear.csv",
        "lantern/kit.csv",
        "lantern/loans.csv",
    ])
}

fn count(plan: &Plan, kind: Kind) -> Count {
    plan.counts.get(&kind).copied().unwrap_or_default()
}

fn added(plan: &Plan) -> Vec<(Kind, usize)> {
    plan.counts
        .iter()
        .map(|(kind, count)| (*kind, count.added))
        .collect()
}

fn answered(choices: &Choices, answers: &[(&str, &str)]) -> Choices {
    let mut choices = choices.clone();
    for (key, value) in answers {
        choices
            .answers
            .insert((*key).to_owned(), (*value).to_owned());
    }
    choices
}

/// The keys of the questions that are open, without a person's id.
fn open(plan: &Plan) -> Vec<&str> {
    plan.questions
        .iter()
        .filter(|q| q.answer.is_none())
        .map(|q| q.key.as_str())
        .collect()
}

/// The value of the option that says this.
fn option(plan: &Plan, key: &str, words: &str) -> String {
    let question = plan.questions.iter().find(|q| q.key == key).unwrap();
    let found = question.options.iter().find(|(_, w)| w.contains(words));
    found
        .unwrap_or_else(|| panic!("{key}: {:?}", question.options))
        .0
        .clone()
}

fn day(y: i32, m: u32, d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(y, m, d).unwrap()
}

#[tokio::test]
async fn a_club_of_csv_files_becomes_a_running_club() {
    let house = house(Units::Metric).await;
    let sheets = lantern();
    let choices = Choices::guessed(&sheets);
    let kinds: Vec<_> = choices.sheets.iter().map(|s| s.kind).collect();
    assert_eq!(
        kinds,
        [
            Kind::People,
            Kind::Instruments,
            Kind::Things,
            Kind::Kit,
            Kind::Loans
        ]
    );
    assert_eq!(choices.sheets[1].header, 2, "two lines stand above");
    assert!(choices.sheets[3].repeats, "the kit's tags stand once");

    // What must be decided: what a plain refractor is, what kind of thing a dew heater,
    // how one stands that wants a plug, whom three names mean.
    let plan = house.plan(&sheets, &choices).await;
    assert_eq!(plan.faults, [], "{:?}", plan.faults);
    assert_eq!(
        open(&plan),
        [
            "word:design:refractor",
            "word:kind:dew heater",
            "word:thing-status:wants a new plug",
            "name:elspet vance",
            "name:mr bellweather",
            "name:quill",
        ]
    );
    // Nothing is kept while a question is open.
    let before = house.all_rows().await;
    let refused = house.keep(&sheets, &choices).await.unwrap_err();
    assert!(matches!(refused, Error::NotReady(_)), "{refused}");
    assert_eq!(house.all_rows().await, before);

    let elspeth = option(&plan, "name:elspet vance", "Elspeth Vance");
    let adela = option(&plan, "name:quill", "Adela Quill");
    let choices = answered(
        &choices,
        &[
            ("word:design:refractor", "achromat"),
            ("word:kind:dew heater", "other"),
            ("word:thing-status:wants a new plug", "shelf"),
            ("name:elspet vance", &elspeth),
            ("name:mr bellweather", "guest"),
            ("name:quill", &adela),
        ],
    );
    let plan = house.plan(&sheets, &choices).await;
    assert_eq!(open(&plan), [""; 0]);
    assert_eq!(
        added(&plan),
        [
            (Kind::People, 17),      // sixteen of the list and the neighbour
            (Kind::Instruments, 11), // one of them in the list of things
            (Kind::Things, 12),
            (Kind::Kit, 18),
            (Kind::Loans, 14),
        ]
    );
    let import = house.keep(&sheets, &choices).await.unwrap();

    let mut conn = house.library.read().await.unwrap();
    let l04 = Instrument::by_tag(&mut conn, "L04").await.unwrap();
    assert_eq!(l04.design, Design::SchmidtCassegrain);
    assert_eq!((l04.aperture_mm, l04.focal_mm), (203.2, 2032.0));
    assert_eq!(l04.replacement_value_cents, Some(125_000));
    assert_eq!(l04.weight_kg, Some(5.7));
    let l03 = Instrument::by_tag(&mut conn, "L03").await.unwrap();
    assert_eq!(
        (l03.status, l03.replacement_value_cents),
        (Status::Bench, Some(89_050))
    );
    let l10 = Instrument::by_tag(&mut conn, "L10").await.unwrap();
    assert_eq!(
        (l10.status, l10.design),
        (Status::Retired, Design::Achromat)
    );
    let parts = kit::of(&mut conn, l04.id).await.unwrap();
    let parts: Vec<_> = parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(
        parts,
        [
            "Tube with caps",
            "Mount and tripod",
            "Diagonal",
            "Dew shield"
        ]
    );
    assert_things(&mut conn).await;
    drop(conn);

    // "Surname, Given", small letters and spaces, and a name without its marks.
    let tobias = house.loan("L01", "Tobias Quill").await;
    assert_eq!(tobias.len(), 2);
    let club = Club::default();
    let days: Vec<_> = tobias
        .iter()
        .map(|l| (club.date(l.lent_at), l.returned_at.map(|at| club.date(at))))
        .collect();
    assert!(
        days.contains(&(day(2025, 4, 7), Some(day(2025, 5, 9)))),
        "{days:?}"
    );
    assert!(
        days.contains(&(day(2025, 2, 3), Some(day(2025, 3, 1)))),
        "{days:?}"
    );
    assert_eq!(house.loan("L02", "Ingeborg Sørland").await.len(), 1);
    let out = house.loan("L05", "Elspeth Vance").await;
    assert_eq!((out[0].returned_at, out[0].due_on), (None, day(2026, 2, 7)));
    let mut conn = house.library.read().await.unwrap();
    let parts = loans::parts(&mut conn, out[0].id).await.unwrap();
    assert_eq!(parts.len(), 4, "an open loan has its kit with it");
    assert!(parts.iter().all(|p| p.went_out && p.came_back.is_none()));
    let people = Person::list(&mut conn).await.unwrap();
    let named = |name: &str| people.iter().find(|p| p.name == name).unwrap();
    assert_eq!(named("Maribel Oakes").role, Role::Coordinator);
    assert_eq!(named("Ingeborg Sørland").role, Role::Volunteer);
    assert!(named("Wren Penhale").guest && named("Mr. Bellweather").guest);
    assert_eq!(named("Tobias Quill").email, None);
    assert_eq!(
        club.date(named("Petra Marchbanks").joined_at),
        day(2021, 6, 5)
    );
    drop(conn);

    // The same files again: nothing new, whatever was answered.
    let again = house.plan(&sheets, &choices).await;
    assert!(again.batch.is_empty(), "{:?}", again.counts);
    assert_eq!(again.faults, []);
    assert_eq!(count(&again, Kind::Loans).known, 14);
    assert_eq!(count(&again, Kind::Things).known, 12);

    // The club runs: it can be returned and lent again, and its shelf be read.
    let mut write = house.library.write().await.unwrap();
    let back: Vec<_> = loans::parts(&mut write, out[0].id)
        .await
        .unwrap()
        .iter()
        .map(|p| p.id)
        .collect();
    let at = house.now + Duration::hours(1);
    returning::return_loan(&mut write, out[0].id, &back, at, house.by)
        .await
        .unwrap();
    let rows = shelf(&mut write, at).await.unwrap();
    assert_eq!(rows.len(), 10, "all but the retired one, and no thing");
    write.commit().await.unwrap();

    // Now something rests on it, and it says what.
    let mut write = house.library.write().await.unwrap();
    let refused = kept::undo(&mut write, import, house.by, at)
        .await
        .unwrap_err();
    assert!(refused.to_string().contains("in the logbooks"), "{refused}");
}

/// What the list of gear says: kinds by words, one asked about for two rows, and loans.
async fn assert_things(conn: &mut Conn) {
    for (tag, kind) in [
        ("G01", things::Kind::Mount),
        ("G02", things::Kind::Mount),
        ("G03", things::Kind::Tripod),
        ("G04", things::Kind::Eyepiece),
        ("G-05", things::Kind::Eyepiece),
        ("G06", things::Kind::Filter),
        ("G07", things::Kind::Battery),
        ("G08", things::Kind::Finder),
        ("G09", things::Kind::Case),
        ("G10", things::Kind::Book),
        ("G11", things::Kind::Other),
        ("G12", things::Kind::Other),
    ] {
        assert_eq!(Thing::by_tag(conn, tag).await.unwrap().kind, kind, "{tag}");
    }
    let tripod = Thing::by_tag(conn, "G03").await.unwrap();
    assert_eq!(tripod.name, "Steel tripod");
    assert_eq!(tripod.place, "Hut, rack A");
    assert_eq!(tripod.replacement_value_cents, Some(9550));
    assert_eq!(tripod.notes, "one leg sticks");
    let lost = Thing::by_tag(conn, "G06").await.unwrap();
    assert_eq!(lost.state(), State::Missing);
    let l11 = Instrument::by_tag(conn, "L11").await.unwrap();
    assert_eq!((l11.design, l11.aperture_mm), (Design::Newtonian, 114.0));
    let all = Loan::list(conn, Which::default()).await.unwrap();
    let of = |tag: &str| all.iter().find(|l| l.tag == tag).unwrap();
    assert!(of("G02").returned_at.is_none() && of("G02").borrower == "Elspeth Vance");
    assert_eq!(of("G02").limit_stated, "", "nothing is told of a mount");
    assert_eq!(of("G01").borrower, "Petra Marchbanks");
    // No day stands there: the club's length of a loan.
    assert_eq!(of("G10").due_on, day(2025, 10, 5) + chrono::Days::new(28));
}

const MIXED: &str = "Tag,Kind,Name,Aperture,Focal length,Place,Value\n\
     N1,telescope,Newtonian,203 mm,1200 mm,Hut,600\n\
     M1,mount,EQ mount for N1,,,Hut,200\n\
     E1,,25 mm eyepiece,,,Drawer,40\n\
     A1,,Achromat,102 mm,1000 mm,Hut,300\n\
     B1,,Newtonian with mount,152 mm,750 mm,Hut,300\n";

#[tokio::test]
async fn a_list_of_both_is_split_and_loans_find_their_things() {
    let house = house(Units::Metric).await;
    let loans = "Tag,Borrower,Lent on,Due,Returned\n\
                 M1,first@club.example,2026-01-05,,2026-01-20\n\
                 M1,first@club.example,2026-02-05,,\n\
                 M1,first@club.example,2026-03-01,,2026-03-02\n\
                 E1,first@club.example,2026-02-05,2026-03-01,\n";
    let mut lists = read::sheets("all.csv", MIXED.as_bytes()).unwrap();
    lists.extend(read::sheets("loans.csv", loans.as_bytes()).unwrap());
    let choices = Choices::guessed(&lists);
    let plan = house.plan(&lists, &choices).await;
    assert_eq!(open(&plan), [""; 0]);
    assert_eq!(
        added(&plan),
        [
            (Kind::Instruments, 3),
            (Kind::Things, 2),
            (Kind::Kit, 0),
            (Kind::Loans, 3),
        ]
    );
    // It cannot be out twice at once, as no instrument can.
    let cells: Vec<_> = plan.faults.iter().map(|f| f.cell.as_str()).collect();
    assert_eq!(cells, ["C4"], "{:#?}", plan.faults);
    let mut write = house.library.write().await.unwrap();
    let mounts = things::Sort::Kind(things::Kind::Mount);
    loan_periods::set_for_sort(&mut write, mounts, Some(60))
        .await
        .unwrap();
    write.commit().await.unwrap();
    let before = house.all_rows().await;
    let choices = Choices {
        leave_out: true,
        ..choices
    };
    let import = house.keep(&lists, &choices).await.unwrap();
    let out = house.loan("M1", "First Coordinator").await;
    let out = out.iter().find(|l| l.returned_at.is_none()).unwrap();
    assert_eq!(
        out.due_on,
        day(2026, 2, 5) + chrono::Days::new(60),
        "as mounts are lent"
    );
    let again = house.plan(&lists, &choices).await;
    assert!(again.batch.is_empty(), "{:?}", again.counts);
    let mut write = house.library.write().await.unwrap();
    kept::undo(&mut write, import, house.by, house.now)
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert_eq!(house.all_rows().await, before);
}

#[tokio::test]
async fn what_is_wrong_with_a_thing_is_named_by_its_cell() {
    let house = house(Units::Metric).await;
    let lists = read::sheets("all.csv", MIXED.as_bytes()).unwrap();
    house.keep(&lists, &Choices::guessed(&lists)).await.unwrap();
    let text = "Tag,Kind,Name,Value,State\n\
                E1,,25 mm eyepiece,,\n\
                N1,eyepiece,10 mm,,\n\
                E3,filter,UHC,cheap,\n\
                E4,,,,\n\
                ,case,For the sun,,\n\
                E6,gadget,,,\n\
                E7,Gadget,,,broken\n\
                E8,book,Charts,,missing\n";
    let loans = "Tag,Borrower,Lent on,Due,Returned\n\
                 E8,first@club.example,2026-01-05,2026-02-02,\n\
                 E9,first@club.example,2026-01-05,2026-02-02,\n";
    let tests = "Tag,Tested,Coma\nM1,2026-01-05,0.05\n";
    let kit = "Tag,Part\nM1,Counterweight\n";
    let mut lists = read::sheets("things.csv", text.as_bytes()).unwrap();
    for (name, text) in [("loans.csv", loans), ("tests.csv", tests), ("kit.csv", kit)] {
        lists.extend(read::sheets(name, text.as_bytes()).unwrap());
    }
    let choices = Choices::guessed(&lists);
    let plan = house.plan(&lists, &choices).await;
    let cells: Vec<_> = plan
        .faults
        .iter()
        .map(|f| (f.sheet.as_str(), f.cell.as_str()))
        .collect();
    assert_eq!(
        cells,
        [
            ("things.csv", "A3"),
            ("things.csv", "D4"),
            ("things.csv", "B5"),
            ("things.csv", "A6"),
            ("kit.csv", "A2"),
            ("loans.csv", "A2"),
            ("loans.csv", "A3"),
            ("tests.csv", "A2"),
        ],
        "{:#?}",
        plan.faults
    );
    for fault in &plan.faults {
        let remedies = ["Write", "Correct", "Give", "bring"];
        assert!(
            remedies.iter().any(|w| fault.words.contains(w)),
            "the remedy is told: {}",
            fault.words
        );
    }
    // One word is asked about once, whoever writes it in capitals; and an instrument is
    // one of the answers.
    let asked = &plan.questions[0];
    assert_eq!((asked.key.as_str(), asked.count), ("word:kind:gadget", 2));
    assert_eq!(asked.suggested.as_deref(), Some("other"));
    let choices = answered(&choices, &[("word:kind:gadget", "battery")]);
    let plan = house.plan(&lists, &choices).await;
    assert_eq!(open(&plan), ["word:thing-status:broken"]);
    assert!(plan.questions[1].options.iter().all(|(v, _)| v != "bench"));
    let choices = answered(&choices, &[("word:kind:gadget", "instrument")]);
    let plan = house.plan(&lists, &choices).await;
    let wanting = plan.faults.iter().filter(|f| f.words.contains("design"));
    assert_eq!(wanting.count(), 2, "{:#?}", plan.faults);
}

#[tokio::test]
async fn an_import_is_undone_as_one_and_can_be_brought_again() {
    let house = house(Units::Metric).await;
    let before = house.all_rows().await;
    let sheets = lantern();
    let choices = answered(
        &Choices {
            leave_out: true,
            ..Choices::guessed(&sheets)
        },
        &[
            ("word:design:refractor", "achromat"),
            ("word:kind:dew heater", "other"),
            ("word:thing-status:wants a new plug", "shelf"),
            ("name:elspet vance", "new"),
            ("name:mr bellweather", "new"),
            ("name:quill", "new"),
        ],
    );
    let import = house.keep(&sheets, &choices).await.unwrap();
    let first = house.all_rows().await;
    assert!(first.iter().map(|(_, n)| n).sum::<i64>() > 150, "{first:?}");
    let mut write = house.library.write().await.unwrap();
    assert_eq!(kept::what_rests(&mut write, import).await.unwrap(), [""; 0]);
    kept::undo(&mut write, import, house.by, house.now)
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert_eq!(house.all_rows().await, before);
    let mut write = house.library.write().await.unwrap();
    assert!(
        kept::undo(&mut write, import, house.by, house.now)
            .await
            .is_err()
    );
    drop(write);
    house.keep(&sheets, &choices).await.unwrap();
    assert_eq!(house.all_rows().await, first);
    // Logbooks are as lasting as ever.
    let mut write = house.library.write().await.unwrap();
    let gone = sqlx::query("DELETE FROM entries")
        .execute(&mut *write)
        .await;
    assert!(gone.unwrap_err().to_string().contains("never removed"));
}

/// Where many rows go, the search index is made anew, and no word of theirs stays in it.
#[tokio::test]
async fn a_large_import_that_is_undone_leaves_no_word_in_the_index() {
    let house = house(Units::Metric).await;
    let mut text = "Name,Email\n".to_owned();
    for n in 0..1100 {
        text.push_str(&format!("Given{n} Vanishing,v{n}@club.example\n"));
    }
    let lists = read::sheets("people.csv", text.as_bytes()).unwrap();
    let before = house.all_rows().await;
    let import = house.keep(&lists, &Choices::guessed(&lists)).await.unwrap();
    let mut write = house.library.write().await.unwrap();
    kept::undo(&mut write, import, house.by, house.now)
        .await
        .unwrap();
    assert!(search::is_whole(&mut write).await.unwrap());
    write.commit().await.unwrap();
    assert_eq!(house.all_rows().await, before);
    let mut conn = house.library.read().await.unwrap();
    let left: i64 = sqlx::query_scalar(
        "SELECT COUNT(*) FROM search_index_data WHERE instr(block, CAST('ishing' AS BLOB)) > 0",
    )
    .fetch_one(&mut *conn)
    .await
    .unwrap();
    assert_eq!(left, 0);
    // What goes later one by one leaves no word behind either.
    let on: i64 = sqlx::query_scalar("SELECT v FROM search_index_config WHERE k = 'secure-delete'")
        .fetch_one(&mut *conn)
        .await
        .unwrap();
    assert_eq!(on, 1);
}

#[tokio::test]
async fn a_workbook_in_inches_with_months_first_becomes_a_running_club() {
    let house = house(Units::Imperial).await;
    let sheets = sheets(&["heron.xlsx"]);
    let choices = Choices::guessed(&sheets);
    let kinds: Vec<_> = choices.sheets.iter().map(|s| s.kind).collect();
    assert_eq!(
        kinds,
        [Kind::People, Kind::Instruments, Kind::Loans, Kind::Journeys]
    );
    let plan = house.plan(&sheets, &choices).await;
    assert_eq!(plan.faults, []);
    assert_eq!(open(&plan), ["name:caspian low"]);
    let caspian = option(&plan, "name:caspian low", "Caspian Lowe");
    let choices = answered(&choices, &[("name:caspian low", &caspian)]);
    let plan = house.plan(&sheets, &choices).await;
    assert_eq!(
        added(&plan),
        [
            (Kind::People, 12),
            (Kind::Instruments, 8),
            (Kind::Kit, 0),
            (Kind::Loans, 9),
            (Kind::Journeys, 8),
        ]
    );
    house.keep(&sheets, &choices).await.unwrap();
    // Three rows under one merged cell are one person's.
    let mut wendell = 0;
    for tag in ["01", "03", "05"] {
        wendell += house.loan(tag, "Wendell Shaw").await.len();
    }
    assert_eq!(wendell, 3);
    let club = Club::default();
    let greta = house.loan("02", "Greta Finch").await;
    assert_eq!(
        club.date(greta[0].lent_at),
        day(2025, 2, 3),
        "months stand first"
    );
    let mut conn = house.library.read().await.unwrap();
    let five = Instrument::by_tag(&mut conn, "04").await.unwrap();
    // 5 in f/12.1; one inch is 25.4 mm, one pound 0.45359237 kg.
    assert!((five.aperture_mm - 127.0).abs() < 1e-9);
    assert!((five.focal_mm - 1536.7).abs() < 1e-6);
    assert!((five.weight_kg.unwrap() - 7.5 * 0.453_592_37).abs() < 1e-9);
    let all = journeys::current(&mut conn, None).await.unwrap();
    let mut km: Vec<f64> = all.iter().filter_map(|j| j.journey.distance_km).collect();
    km.sort_by(f64::total_cmp);
    // 8.5, 12, 12 and 30 miles, and 48 km as such; one mile is 1.609344 km.
    let told = [
        8.5 * 1.609_344,
        12.0 * 1.609_344,
        12.0 * 1.609_344,
        48.0,
        30.0 * 1.609_344,
    ];
    assert_eq!(km.len(), told.len());
    for (km, told) in km.iter().zip(told) {
        assert!((km - told).abs() < 1e-9, "{km} {told}");
    }
    drop(conn);
    let again = house.plan(&sheets, &choices).await;
    assert!(again.batch.is_empty(), "{:?}", again.counts);
}

#[tokio::test]
async fn an_ods_with_three_units_in_one_column_becomes_a_running_club() {
    let house = house(Units::Metric).await;
    let sheets = sheets(&["quarry.ods"]);
    let choices = Choices::guessed(&sheets);
    let kinds: Vec<_> = choices.sheets.iter().map(|s| s.kind).collect();
    assert_eq!(
        kinds,
        [
            Kind::People,
            Kind::Instruments,
            Kind::Loans,
            Kind::StarTests
        ]
    );
    let plan = house.plan(&sheets, &choices).await;
    assert_eq!(plan.faults, []);
    assert_eq!(open(&plan), ["word:status:wants a new screw"]);
    let choices = answered(&choices, &[("word:status:wants a new screw", "held")]);
    let plan = house.plan(&sheets, &choices).await;
    assert_eq!(
        added(&plan),
        [
            (Kind::People, 6),
            (Kind::Instruments, 6),
            (Kind::Kit, 17),
            (Kind::Loans, 5),
            (Kind::StarTests, 5),
        ]
    );
    house.keep(&sheets, &choices).await.unwrap();
    let mut conn = house.library.read().await.unwrap();
    for (tag, aperture, focal) in [
        ("QN1", 203.0, 1218.0),
        ("QN2", 254.0, 1270.0),
        ("QS1", 203.2, 2032.0),
        ("QM1", 127.0, 1540.0),
        ("QR1", 101.6, 1000.0),
        ("QR2", 80.0, 560.0),
    ] {
        let i = Instrument::by_tag(&mut conn, tag).await.unwrap();
        assert!((i.aperture_mm - aperture).abs() < 1e-9, "{tag}");
        assert!((i.focal_mm - focal).abs() < 1e-9, "{tag}");
    }
    let held = Instrument::by_tag(&mut conn, "QM1").await.unwrap();
    assert_eq!(held.status, Status::Held);
    let qs1 = Instrument::by_tag(&mut conn, "QS1").await.unwrap();
    let tests = star_tests::current(&mut conn, Some(qs1.id)).await.unwrap();
    assert_eq!(tests.len(), 1);
    assert!((tests[0].test.coma_rms_waves - 0.085).abs() < 1e-12);
    drop(conn);
    let again = house.plan(&sheets, &choices).await;
    assert!(again.batch.is_empty(), "{:?}", again.counts);
}

#[tokio::test]
async fn what_is_wrong_is_named_by_its_cell_and_nothing_is_kept() {
    let house = house(Units::Metric).await;
    let text = "Tag,Design,Aperture,Focal length,Weight\n\
                N1,Newtonian,203 mm,1200 mm,9 kg\n\
                N1,Newtonian,203 mm,1200 mm,9 kg\n\
                N 2!,Newtonian,203 mm,1200 mm,9 kg\n\
                N3,Newtonian,wide,1200 mm,9 kg\n\
                N4,Newtonian,203 mm,,heavy\n\
                N5,,203 mm,1200 mm,9 kg\n";
    let loans = "Tag,Borrower,Lent on,Due,Returned\n\
                 N1,first@club.example,2026-01-05,2026-02-02,2026-01-04\n\
                 N9,first@club.example,2026-01-05,2026-02-02,\n\
                 N1,first@club.example,2027-01-05,,\n\
                 N1,nobody@club.example,2026-01-05,,\n\
                 N1,first@club.example,2026-01-05,,\n\
                 N1,first@club.example,2026-02-05,,2026-02-25\n";
    let mut lists = read::sheets("scopes.csv", text.as_bytes()).unwrap();
    lists.extend(read::sheets("loans.csv", loans.as_bytes()).unwrap());
    let choices = Choices::guessed(&lists);
    let plan = house.plan(&lists, &choices).await;
    let cells: Vec<_> = plan
        .faults
        .iter()
        .map(|f| (f.sheet.as_str(), f.cell.as_str()))
        .collect();
    assert_eq!(
        cells,
        [
            ("scopes.csv", "A3"),
            ("scopes.csv", "A4"),
            ("scopes.csv", "C5"),
            ("scopes.csv", "D6"),
            ("scopes.csv", "B7"),
            ("loans.csv", "E2"),
            ("loans.csv", "A3"),
            ("loans.csv", "C4"),
            ("loans.csv", "B5"),
            ("loans.csv", "C7"),
        ],
        "{:#?}",
        plan.faults
    );
    for fault in &plan.faults {
        assert!(
            ["Write", "Correct", "Give", "bring"]
                .iter()
                .any(|w| fault.words.contains(w)),
            "the remedy is told: {}",
            fault.words
        );
    }
    let before = house.all_rows().await;
    assert!(matches!(
        house.keep(&lists, &choices).await,
        Err(Error::NotReady(_))
    ));
    assert_eq!(house.all_rows().await, before);
    // Only when that was chosen are the other rows kept without them.
    let choices = Choices {
        leave_out: true,
        ..choices
    };
    house.keep(&lists, &choices).await.unwrap();
    assert_eq!(house.loan("N1", "First Coordinator").await.len(), 1);
}

#[tokio::test]
async fn a_day_that_can_be_two_is_asked_once_for_its_column() {
    let house = house(Units::Metric).await;
    let text = "Name,Joined\nAda Brook,3/4/2021\nBo Carver,5/6/2022\n";
    let lists = read::sheets("people.csv", text.as_bytes()).unwrap();
    let choices = Choices::guessed(&lists);
    let plan = house.plan(&lists, &choices).await;
    assert_eq!(open(&plan), ["date:0:1"]);
    assert_eq!(count(&plan, Kind::People).waiting, 2);
    for (answer, joined) in [
        ("day-first", day(2021, 4, 3)),
        ("month-first", day(2021, 3, 4)),
    ] {
        let choices = answered(&choices, &[("date:0:1", answer)]);
        let plan = house.plan(&lists, &choices).await;
        let ada = &plan.batch.people[0];
        assert_eq!(Club::default().date(ada.joined_at), joined);
    }
}

#[tokio::test]
async fn a_change_meanwhile_keeps_a_plan_from_being_kept() {
    let house = house(Units::Metric).await;
    let lists = read::sheets("people.csv", b"Name,Email\nAda Brook,ada@club.example\n").unwrap();
    let choices = Choices::guessed(&lists);
    let looked = intake::look(&house.library, &lists, &choices, house.now)
        .await
        .unwrap();
    let mut write = house.library.write().await.unwrap();
    let new = NewPerson {
        name: "Ada Brook".to_owned(),
        email: "ada@club.example".to_owned(),
        role: Role::Member,
        guest: false,
    };
    Person::add(&mut write, &new, house.now).await.unwrap();
    write.commit().await.unwrap();
    let mut write = house.library.write().await.unwrap();
    let kept = intake::keep(
        &mut write,
        looked,
        &choices,
        "people.csv",
        house.by,
        house.now,
    )
    .await;
    assert!(matches!(kept, Err(Error::Overtaken)));
}
