//! The due list: who may see it, what it says, and what leaves the house.

use axum::http::StatusCode;
use chrono::Duration;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::lending::Lend;
use tubewright::library::people::Role;
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::star_tests::{FocusSide, Method, StarTest};
use tubewright::library::{InstrumentId, Moment, PersonId};

use crate::common::{House, days_ago, particulars};

pub fn entry(instrument: InstrumentId, by: PersonId, at: Moment) -> NewEntry {
    NewEntry {
        instrument,
        kind: EntryKind::Note,
        happened_at: at,
        recorded_at: at,
        by,
        loan: None,
        note: String::new(),
    }
}

pub fn star_test(coma: f64) -> StarTest {
    StarTest {
        method: Method::FromFrames,
        side: FocusSide::Outside,
        diagonal: false,
        seeing: None,
        magnification: None,
        defocus_waves: None,
        thin_to_thick: None,
        thin_clock_deg: None,
        coma_rms_waves: coma,
        coma_rms_waves_sigma: 0.005,
        attempt_id: None,
        judged: "{}".to_owned(),
    }
}

pub async fn tested(house: &House, instrument: InstrumentId, by: PersonId, coma: f64, at: Moment) {
    let mut write = house.library.write().await.unwrap();
    star_test(coma)
        .log(&mut write, entry(instrument, by, at))
        .await
        .unwrap();
    write.commit().await.unwrap();
}

pub async fn found(house: &House, instrument: InstrumentId, by: PersonId, words: &str) {
    let mut write = house.library.write().await.unwrap();
    Problem {
        what: ProblemWhat::MovingPart,
        asks_for: AsksFor::TheBench,
        words: words.to_owned(),
    }
    .log(&mut write, entry(instrument, by, days_ago(2)))
    .await
    .unwrap();
    write.commit().await.unwrap();
}

pub async fn add(house: &House, by: PersonId, p: Particulars) -> InstrumentId {
    let mut write = house.library.write().await.unwrap();
    let id = Instrument::add(&mut write, &p, days_ago(300), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    id
}

pub async fn lend(house: &House, instrument: InstrumentId, to: PersonId, by: PersonId) {
    let mut write = house.library.write().await.unwrap();
    Lend {
        instrument,
        borrower: to,
        at: days_ago(3),
        by,
        due_on: (days_ago(3) + Duration::days(28)).date_naive(),
        limit_stated: "none".to_owned(),
        kit: Vec::new(),
        override_reason: None,
        details: Default::default(),
    }
    .write(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
}

#[tokio::test]
async fn volunteers_and_coordinators_see_it_and_nobody_else_does() {
    let house = House::empty().await;
    for path in ["/due", "/due.csv", "/due.json"] {
        assert_eq!(
            house.visitor().get(path).await.status,
            StatusCode::UNAUTHORIZED,
            "{path}"
        );
        let (_, mut member) = house.someone(Role::Member).await;
        assert_eq!(member.get(path).await.status, StatusCode::FORBIDDEN);
        for role in [Role::Volunteer, Role::Coordinator] {
            let (_, mut client) = house.someone(role).await;
            assert_eq!(client.get(path).await.status, StatusCode::OK, "{path}");
        }
    }
}

#[tokio::test]
async fn an_empty_shelf_and_a_shelf_with_nothing_due_say_so() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    assert!(
        client
            .get("/due")
            .await
            .words()
            .contains("No instruments yet")
    );
    let id = house.instrument("S1", by).await;
    tested(&house, id, by, 0.01, days_ago(5)).await;
    let page = client.get("/due").await;
    assert!(page.words().contains("Nothing is due"), "{}", page.words());
    assert!(page.select("table").is_empty());
    let json: serde_json::Value =
        serde_json::from_slice(&client.get("/due.json").await.body).unwrap();
    assert_eq!(json["due"].as_array().unwrap().len(), 0);
    assert_eq!(json["instruments"], 1);
}

/// N203: a problem, 3. S1: coma at twice its limit, 2. A1 and B1: never tested,
/// 1.5 each, so by tag.
async fn club() -> (House, PersonId) {
    let house = House::empty().await;
    let by = house.person("Ida Brook", Role::Volunteer).await;
    let s1 = house.instrument("S1", by).await;
    tested(&house, s1, by, 0.142, days_ago(5)).await;
    let n203 = add(
        &house,
        by,
        Particulars {
            design: Design::Newtonian,
            name: "203 mm \"Newtonian\", blue".to_owned(),
            place: "Barn".to_owned(),
            ..particulars("N203")
        },
    )
    .await;
    tested(&house, n203, by, 0.01, days_ago(5)).await;
    found(&house, n203, by, "=SUM(A1) slips,\nand \"sticks\"").await;
    house.instrument("b1", by).await;
    house.instrument("A1", by).await;
    (house, by)
}

#[tokio::test]
async fn the_most_urgent_stands_first_and_equal_ones_go_by_tag() {
    let (house, by) = club().await;
    let mut client = house.signed_in(by).await;
    let page = client.get("/due").await;
    assert_eq!(page.select("tbody th .tag"), ["N203", "S1", "A1", "b1"]);
    assert!(
        page.words()
            .contains("4 due for the bench of 4 instruments")
    );
    // One reason a row, short; the evidence is folded below it.
    let why = page.select("tbody .evidence summary strong");
    // Cut on the row; whole for paper and in the evidence.
    assert!(why[0].starts_with("=SUM(A1) slips, and \"sticks\", reported 2 …"));
    assert!(why[0].ends_with("reported 2 days ago"), "{}", why[0]);
    assert_eq!(
        why[1..],
        [
            "Coma 0.142 waves, limit 0.071",
            "Never tested",
            "Never tested"
        ]
    );
    assert!(page.words().contains("How the order comes about"));
    assert_eq!(
        page.attributes("tbody th .tag", "href")[0],
        "/instruments/N203"
    );
    let why = page.select("tbody tr:first-child .reasons:not(.chances) li");
    assert_eq!(why.len(), 1);
    assert!(why[0].starts_with("Reported:"));
}

#[tokio::test]
async fn where_it_is_names_no_borrower() {
    let (house, by) = club().await;
    let member = house.person("Greta Ostrom", Role::Member).await;
    let s1 = {
        let mut conn = house.library.read().await.unwrap();
        Instrument::by_tag(&mut conn, "S1").await.unwrap().id
    };
    lend(&house, s1, member, by).await;
    let mut client = house.signed_in(by).await;
    for path in ["/due", "/due.csv", "/due.json"] {
        let page = client.get(path).await;
        assert!(!page.text().contains("Ostrom"), "{path}");
    }
    let page = client.get("/due").await;
    assert!(page.words().contains("On loan, back"), "{}", page.words());
    // The loan, whose journeys nobody has told of, counts for a drive there.
    let json: serde_json::Value =
        serde_json::from_slice(&client.get("/due.json").await.body).unwrap();
    let row = &json["due"][1];
    assert_eq!(row["tag"], "S1");
    assert_eq!(row["state"], "on-loan");
    assert_eq!(row["exposure_assumed_drives"], 1.0);
    assert!(row["back_by"].is_string());
}

#[tokio::test]
async fn filters_choose_and_keep_the_rank_in_the_whole_list() {
    let (house, by) = club().await;
    let mut client = house.signed_in(by).await;
    let page = client.get("/due?design=newtonian").await;
    assert_eq!(page.select("tbody th .tag"), ["N203"]);
    let page = client.get("/due?place=Hut&state=on-shelf").await;
    assert_eq!(page.select("tbody th .tag"), ["S1", "A1", "b1"]);
    assert_eq!(page.select("tbody td.due-no")[0], "2");
    assert!(page.words().contains("3 of the 4 that are due"));
    assert_eq!(
        page.attributes(".list-tools a[href*='?']", "href"),
        [
            "/due.csv?place=Hut&state=on-shelf",
            "/due.json?place=Hut&state=on-shelf"
        ]
    );
    // The filters are addresses to tap; the chosen ones are marked.
    assert_eq!(
        page.attributes(".chips [aria-current]", "href"),
        [
            "/due?place=Hut&state=on-shelf",
            "/due?place=Hut&state=on-shelf"
        ]
    );
    let all = page.attributes(".chips > a", "href");
    assert_eq!(all, ["/due", "/due?place=Hut&state=on-shelf"]);
    let page = client.get("/due?state=at-bench").await;
    assert!(page.words().contains("None of these is due"));
    assert_eq!(
        client.get("/due?design=toaster").await.status,
        StatusCode::BAD_REQUEST
    );
}

// RFC 4180: what the csv crate reads back is what was written, CRLF between
// records; text that a spreadsheet would run gets an apostrophe.
#[tokio::test]
async fn the_csv_round_trips_and_runs_nothing() {
    let (house, by) = club().await;
    let page = house.signed_in(by).await.get("/due.csv").await;
    assert!(
        page.headers["content-type"]
            .to_str()
            .unwrap()
            .starts_with("text/csv")
    );
    let text = page.text();
    assert!(text.contains("\r\n"));
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    let at = |name: &str| header.iter().position(|h| h == name).unwrap();
    let rows: Vec<_> = reader.records().map(|r| r.unwrap()).collect();
    assert_eq!(rows.len(), 4);
    assert_eq!(&rows[0][at("name")], "203 mm \"Newtonian\", blue");
    assert_eq!(
        &rows[0][at("why")],
        "Reported: =SUM(A1) slips,\nand \"sticks\"."
    );
    assert_eq!(&rows[1][at("coma_rms_waves")], "0.142");
    assert_eq!(&rows[2][at("last_test_on")], "");
    // A name that begins like a formula.
    add(
        &house,
        by,
        Particulars {
            name: "=1+1".to_owned(),
            ..particulars("ZZ9")
        },
    )
    .await;
    let text = house.signed_in(by).await.get("/due.csv").await.text();
    assert!(text.contains(",'=1+1,"), "{text}");
}

#[tokio::test]
async fn retired_instruments_are_never_due() {
    let (house, by) = club().await;
    let mut write = house.library.write().await.unwrap();
    let n203 = Instrument::by_tag(&mut write, "N203").await.unwrap();
    Instrument::set_status(
        &mut write,
        n203.id,
        tubewright::library::instruments::Status::Retired,
        "worn out",
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = house.signed_in(by).await.get("/due").await;
    assert_eq!(page.select("tbody th .tag"), ["S1", "A1", "b1"]);
}

#[tokio::test]
async fn a_correction_and_a_striking_out_are_honoured() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let s1 = house.instrument("S1", by).await;
    tested(&house, s1, by, 0.01, days_ago(9)).await;
    let mut write = house.library.write().await.unwrap();
    let wrong = star_test(0.3)
        .log(&mut write, entry(s1, by, days_ago(5)))
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert_eq!(client.get("/due").await.select("tbody tr").len(), 1);
    // Corrected to a smaller value: no longer due.
    let mut write = house.library.write().await.unwrap();
    let mut correction = entry(s1, by, days_ago(5));
    correction.kind = EntryKind::StarTest;
    let corrected = correction
        .write_correcting(&mut write, wrong)
        .await
        .unwrap();
    star_test(0.02).write(&mut write, corrected).await.unwrap();
    write.commit().await.unwrap();
    assert!(client.get("/due").await.words().contains("Nothing is due"));
    // A journey of 1000 km makes it due; struck out, it never was.
    let mut write = house.library.write().await.unwrap();
    let drive = tubewright::library::journeys::Journey {
        kind: tubewright::library::journeys::JourneyKind::Car,
        distance_km: Some(1000.0),
        severity: None,
    };
    let journey = drive
        .log(&mut write, entry(s1, by, days_ago(1)))
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = client.get("/due").await;
    assert!(
        page.words().contains("Moved like 20 drives"),
        "{}",
        page.words()
    );
    let mut write = house.library.write().await.unwrap();
    let mut strike = entry(s1, by, days_ago(1));
    strike.kind = EntryKind::Journey;
    strike.strike(&mut write, journey).await.unwrap();
    write.commit().await.unwrap();
    assert!(client.get("/due").await.words().contains("Nothing is due"));
}

fn command(house_folder: &std::path::Path, flags: &[&str]) -> std::process::Output {
    std::process::Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .arg("due")
        .arg("--data")
        .arg(house_folder)
        .args(flags)
        .output()
        .unwrap()
}

#[tokio::test]
async fn the_command_line_gives_the_same_list_beside_a_running_server() {
    let (house, by) = club().await;
    let mut client = house.signed_in(by).await;
    let folder = house.library.folder().to_owned();
    let said = command(&folder, &["--json"]);
    assert!(said.status.success(), "{said:?}");
    let mut of_command: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    let mut of_page: serde_json::Value =
        serde_json::from_slice(&client.get("/due.json").await.body).unwrap();
    for json in [&mut of_command, &mut of_page] {
        json["made_at"].take();
    }
    assert_eq!(of_command, of_page);
    let csv = command(&folder, &["--csv"]).stdout;
    assert_eq!(csv, client.get("/due.csv").await.body);
    let table = String::from_utf8(command(&folder, &[]).stdout).unwrap();
    let places: Vec<_> = ["N203", "S1", "A1", "b1"]
        .iter()
        .map(|t| table.find(&format!("  {t} ")).unwrap())
        .collect();
    assert!(places.windows(2).all(|w| w[0] < w[1]), "{table}");
    assert!(table.contains("Never had a star test."));
}

#[test]
fn a_folder_without_data_is_refused_and_stays_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("nowhere");
    for path in [missing.as_path(), folder.path()] {
        let said = command(path, &[]);
        assert_eq!(said.status.code(), Some(3), "{said:?}");
        let words = String::from_utf8(said.stderr).unwrap();
        assert!(words.contains("--data"), "{words}");
    }
    assert!(!missing.exists());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    // A file that is no database of ours.
    std::fs::write(folder.path().join("tubewright.db"), b"not a database").unwrap();
    assert_eq!(command(folder.path(), &[]).status.code(), Some(3));
    assert_eq!(
        command(&missing, &["--json", "--csv"]).status.code(),
        Some(2)
    );
}
