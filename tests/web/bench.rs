//! The bench and the work nights.

use axum::http::StatusCode;
use tubewright::library::entries::{Entry, EntryKind};
use tubewright::library::instruments::{Design, Instrument, Status};
use tubewright::library::people::Role;
use tubewright::library::problems;
use tubewright::library::work_nights::{WorkNight, assigned};
use tubewright::library::works;
use tubewright::library::{InstrumentId, PersonId};

use crate::common::{Client, House, days_ago, particulars};
use crate::due::{add, found, lend, tested};

async fn club() -> (House, PersonId, Client, InstrumentId) {
    let house = House::empty().await;
    let (by, client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S1", by).await;
    tested(&house, id, by, 0.01, days_ago(5)).await;
    (house, by, client, id)
}

async fn standing(house: &House, id: InstrumentId) -> (Status, String) {
    let mut conn = house.library.read().await.unwrap();
    let i = Instrument::get(&mut conn, id).await.unwrap();
    (i.status, i.status_reason)
}

async fn logged(house: &House, id: InstrumentId, kind: EntryKind) -> Vec<Entry> {
    let mut conn = house.library.read().await.unwrap();
    let mut book = Entry::of(&mut conn, id).await.unwrap();
    book.retain(|e| e.kind == kind);
    book
}

const BACK: [(&str, &str); 2] = [("to", "shelf"), ("reason", "done")];
const AWAY: [(&str, &str); 2] = [("to", "bench"), ("reason", "focuser slips")];

#[tokio::test]
async fn only_volunteers_and_coordinators_may() {
    let (house, _, _, id) = club().await;
    let night = plan(&house).await;
    let night = |rest: &str| format!("/work-nights/{night}{rest}");
    let gets = [
        "/bench".to_owned(),
        "/instruments/S1/bench".to_owned(),
        "/instruments/S1/work".to_owned(),
        "/work-nights".to_owned(),
        "/work-nights/new".to_owned(),
        night(""),
        night("/sheet"),
        night("/list.csv"),
    ];
    let posts = [
        "/instruments/S1/bench".to_owned(),
        "/instruments/S1/work".to_owned(),
        "/work-nights/new".to_owned(),
        night("/assign"),
        night("/take-off"),
        night("/done"),
        night("/call-off"),
    ];
    let (_, mut member) = house.someone(Role::Member).await;
    for path in &gets {
        assert_eq!(
            house.visitor().get(path).await.status,
            StatusCode::UNAUTHORIZED,
            "{path}"
        );
        assert_eq!(
            member.get(path).await.status,
            StatusCode::FORBIDDEN,
            "{path}"
        );
        for role in [Role::Volunteer, Role::Coordinator] {
            let (_, mut client) = house.someone(role).await;
            assert_eq!(client.get(path).await.status, StatusCode::OK, "{path}");
        }
    }
    for path in &posts {
        let fields = [
            ("to", "bench"),
            ("reason", "x"),
            ("tag", "S1"),
            ("done", "yes"),
        ];
        let page = house.visitor().post(path, &fields).await;
        assert_eq!(page.status, StatusCode::UNAUTHORIZED, "{path}");
        let page = member.post(path, &fields).await;
        assert_eq!(page.status, StatusCode::FORBIDDEN, "{path}");
    }
    assert_eq!(standing(&house, id).await.0, Status::Shelf);
    let mut conn = house.library.read().await.unwrap();
    let nights = WorkNight::all(&mut conn).await.unwrap();
    assert_eq!((nights.len(), nights[0].assigned), (1, 0));
    assert!(nights[0].called_off_at.is_none());
}

#[tokio::test]
async fn to_the_bench_and_back_with_reasons_in_the_logbook() {
    let (house, _, mut client, id) = club().await;
    assert!(
        client
            .get("/bench")
            .await
            .words()
            .contains("Nothing is at the bench")
    );
    assert_eq!(
        client.post("/instruments/s1/bench", &AWAY).await.location(),
        "/bench"
    );
    assert_eq!(
        standing(&house, id).await,
        (Status::Bench, "focuser slips".to_owned())
    );
    let page = client.get("/bench").await;
    assert_eq!(page.select("caption"), ["At the bench"]);
    assert!(page.words().contains("focuser slips"));
    assert_eq!(
        client.post("/instruments/S1/bench", &BACK).await.location(),
        "/bench"
    );
    assert_eq!(standing(&house, id).await.0, Status::Shelf);
    let notes: Vec<_> = logged(&house, id, EntryKind::Status)
        .await
        .into_iter()
        .map(|e| e.note)
        .collect();
    assert_eq!(
        notes,
        ["Now on the shelf: done", "Now at the bench: focuser slips"]
    );
}

#[tokio::test]
async fn a_move_without_reason_or_to_where_it_is_changes_nothing() {
    let (house, _, mut client, id) = club().await;
    let page = client
        .post("/instruments/S1/bench", &[("to", "held"), ("reason", " ")])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("Reason: please fill this in"));
    assert_eq!(
        page.attributes("input[name=to][checked]", "value"),
        ["held"]
    );
    let page = client
        .post(
            "/instruments/S1/bench",
            &[("to", "retired"), ("reason", "x")],
        )
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let page = client.post("/instruments/S1/bench", &BACK).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.words().contains("on the shelf already"));
    assert!(logged(&house, id, EntryKind::Status).await.is_empty());
}

#[tokio::test]
async fn what_is_out_on_loan_stays_there() {
    let (house, by, mut client, id) = club().await;
    let member = house.person("Greta Ostrom", Role::Member).await;
    lend(&house, id, member, by).await;
    let page = client.get("/instruments/S1/bench").await;
    assert!(page.words().contains("out on loan"), "{}", page.words());
    assert!(!page.text().contains("Ostrom"));
    assert!(page.select("main form").is_empty());
    let page = client.post("/instruments/S1/bench", &AWAY).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.words().contains("Take it back first"));
    assert_eq!(standing(&house, id).await.0, Status::Shelf);
    // Work done today cannot have been; work before it went out can.
    let page = client.post("/instruments/S1/work", &work(&[])).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("has been out on loan since"));
    let earlier = days_ago(10).date_naive().to_string();
    let page = client
        .post("/instruments/S1/work", &work(&[("on", &earlier)]))
        .await;
    assert_eq!(page.location(), "/bench");
}

fn work<'a>(changed: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    static TODAY: std::sync::LazyLock<String> =
        std::sync::LazyLock::new(|| chrono::Utc::now().date_naive().to_string());
    let mut fields = vec![
        ("what", "collimation"),
        ("on", TODAY.as_str()),
        ("minutes", "40"),
        ("moved_optics", "yes"),
        ("words", "secondary, three turns of a sixteenth"),
    ];
    for (name, value) in changed {
        fields.retain(|(n, _)| n != name);
        fields.push((name, value));
    }
    fields
}

#[tokio::test]
async fn after_optics_were_moved_the_next_step_is_a_star_test() {
    let (house, _, mut client, id) = club().await;
    let page = client.post("/instruments/S1/work", &work(&[])).await;
    assert_eq!(page.location(), "/instruments/S1/star-test");
    let mut conn = house.library.read().await.unwrap();
    let logged = works::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!((logged.len(), logged[0].minutes), (1, Some(40)));
    assert!(logged[0].moved_optics);
    assert!(
        client
            .get("/due")
            .await
            .words()
            .contains("Optics were moved at the bench (collimation)")
    );
}

#[tokio::test]
async fn work_settles_the_problems_that_were_ticked_and_no_others() {
    let (house, by, mut client, id) = club().await;
    found(&house, id, by, "focuser slips").await;
    found(&house, id, by, "cap missing").await;
    let page = client.get("/instruments/S1/work").await;
    let ids = page.attributes("input[name=settles]", "value");
    assert_eq!(ids.len(), 2);
    assert!(page.words().contains("Never force a screw"));
    assert!(page.words().contains("toward the Sun"));
    assert!(page.words().contains("qualified people"));
    let fields = work(&[
        ("what", "repair"),
        ("moved_optics", "no"),
        ("settles", &ids[0]),
    ]);
    assert_eq!(
        client
            .post("/instruments/S1/work", &fields)
            .await
            .location(),
        "/bench"
    );
    let mut conn = house.library.read().await.unwrap();
    let settled: Vec<_> = problems::current(&mut conn, Some(id))
        .await
        .unwrap()
        .into_iter()
        .map(|f| (f.problem.words, f.settled))
        .collect();
    assert_eq!(
        settled,
        [
            ("focuser slips".to_owned(), true),
            ("cap missing".to_owned(), false)
        ]
    );
    drop(conn);
    // Ticked again from an old page: not settled twice.
    let page = client.post("/instruments/S1/work", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("settled or corrected meanwhile"));
}

#[tokio::test]
async fn work_that_makes_no_sense_is_refused_and_kept_on_the_page() {
    let (house, _, mut client, id) = club().await;
    let tomorrow = (chrono::Utc::now().date_naive() + chrono::Days::new(2)).to_string();
    for (name, value, words) in [
        ("what", "", "What was done: choose one"),
        ("moved_optics", "", "choose yes or no"),
        ("moved_optics", "no", "Collimation moves optics"),
        ("words", "", "please fill this in"),
        ("minutes", "-5", "whole number from 0"),
        ("on", &tomorrow, "yet to come"),
        ("on", "1066-10-14", "more than a century ago"),
        ("on", "yesterday", "give a date"),
        ("settles", "nonsense", "Tick again"),
    ] {
        let page = client
            .post("/instruments/S1/work", &work(&[(name, value)]))
            .await;
        assert_eq!(
            page.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{name}={value}"
        );
        assert!(
            page.words().contains(words),
            "{name}={value}: {}",
            page.words()
        );
        if name != "words" {
            assert_eq!(
                page.select("#f-words"),
                ["secondary, three turns of a sixteenth"]
            );
        }
    }
    assert!(logged(&house, id, EntryKind::Work).await.is_empty());
}

#[tokio::test]
async fn an_instrument_for_the_sun_needs_no_star_test_after_work() {
    let (house, by, mut client, _) = club().await;
    let sun = tubewright::library::instruments::Particulars {
        design: Design::Solar,
        obstruction: 0.0,
        ..particulars("H60")
    };
    add(&house, by, sun).await;
    let page = client.get("/instruments/H60/work").await;
    assert!(page.words().contains("replaced, never mended"));
    let page = client.post("/instruments/H60/work", &work(&[])).await;
    assert_eq!(page.location(), "/bench");
}

#[tokio::test]
async fn a_form_sent_twice_logs_once() {
    let (house, _, mut client, id) = club().await;
    for _ in 0..2 {
        client
            .post_once("/instruments/S1/work", "one-and-the-same", &work(&[]))
            .await
            .location();
    }
    assert_eq!(logged(&house, id, EntryKind::Work).await.len(), 1);
}

// ---- work nights ----

fn night_fields(days_ahead: u64) -> Vec<(&'static str, String)> {
    let on = chrono::Utc::now().date_naive() + chrono::Days::new(days_ahead);
    vec![
        ("held_on", on.to_string()),
        ("place", "the hut".to_owned()),
        ("hours", "1,5".to_owned()),
        ("hands", "2".to_owned()),
        ("note", "bring lamps".to_owned()),
    ]
}

async fn post_night(client: &mut Client, fields: &[(&str, String)]) -> crate::common::Page {
    let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
    client.post("/work-nights/new", &fields).await
}

async fn plan(house: &House) -> String {
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let page = post_night(&mut client, &night_fields(7)).await;
    page.location().rsplit('/').next().unwrap().to_owned()
}

#[tokio::test]
async fn a_work_night_suggests_the_most_urgent_within_its_hours_and_hands() {
    let (house, by, mut client, s1) = club().await;
    // Five that were never tested, S1 with a problem: room for 1.5 x 2 = 3.
    for tag in ["A1", "A2", "A3", "A4", "A5"] {
        house.instrument(tag, by).await;
    }
    found(&house, s1, by, "focuser slips").await;
    let night = plan(&house).await;
    let at = format!("/work-nights/{night}");
    let page = client.get(&at).await;
    assert!(page.words().contains("room for 3"));
    assert_eq!(
        page.attributes("input[name=tag][type=checkbox]", "value"),
        ["S1", "A1", "A2", "A3", "A4", "A5"]
    );
    assert_eq!(
        page.attributes("input[name=tag][checked]", "value"),
        ["S1", "A1", "A2"]
    );
    let page = client
        .post(
            &format!("{at}/assign"),
            &[("tag", "A2"), ("tag", "S1"), ("tag", "")],
        )
        .await;
    assert_eq!(page.location(), at);
    let page = client.get(&at).await;
    assert_eq!(page.select("tbody th .tag"), ["S1", "A2"]);
    let page = client.get("/bench").await;
    assert!(
        page.words().contains("Assigned: S1 , A2"),
        "{}",
        page.words()
    );
    let page = client.get(&format!("{at}/sheet")).await;
    assert_eq!(page.select(".job-sheet .tag"), ["S1", "A2"]);
    assert!(page.words().contains("Reported: focuser slips."));
    assert!(!page.words().contains("Open problem:"));
    assert!(page.words().contains("Never force a screw"));
    let text = client.get(&format!("{at}/list.csv")).await.text();
    assert_eq!(
        csv::Reader::from_reader(text.as_bytes()).records().count(),
        2
    );
}

#[tokio::test]
async fn ticking_off_taking_off_and_calling_off() {
    let (house, _, mut client, s1) = club().await;
    let night = plan(&house).await;
    let at = format!("/work-nights/{night}");
    let s1_fields = [("tag", "S1")];
    client
        .post(&format!("{at}/assign"), &s1_fields)
        .await
        .location();
    client
        .post(&format!("{at}/done"), &[("tag", "S1"), ("done", "yes")])
        .await
        .location();
    let id = night.parse().unwrap();
    let done = |house: &House| {
        let library = house.library.clone();
        async move {
            let mut conn = library.read().await.unwrap();
            assigned(&mut conn, id).await.unwrap()
        }
    };
    let list = done(&house).await;
    assert_eq!((list.len(), list[0].instrument_id), (1, s1));
    assert!(list[0].done_at.is_some());
    // What is done stays on the record.
    let page = client.post(&format!("{at}/take-off"), &s1_fields).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    client
        .post(&format!("{at}/done"), &[("tag", "S1"), ("done", "no")])
        .await
        .location();
    client
        .post(&format!("{at}/take-off"), &s1_fields)
        .await
        .location();
    assert!(done(&house).await.is_empty());
    assert_eq!(
        client.post(&format!("{at}/call-off"), &[]).await.location(),
        "/work-nights"
    );
    let page = client.post(&format!("{at}/assign"), &s1_fields).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.words().contains("called off"));
    assert!(
        client
            .get("/bench")
            .await
            .words()
            .contains("None is planned")
    );
    let page = client.get("/work-nights/not-a-night").await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn the_nearest_night_ahead_is_the_next_one() {
    let (house, _, mut client, _) = club().await;
    post_night(&mut client, &night_fields(30)).await.location();
    let near = plan(&house).await;
    let page = client.get("/bench").await;
    assert_eq!(
        page.attributes("main .panel a[href^='/work-nights/']", "href"),
        [format!("/work-nights/{near}")]
    );
}

#[tokio::test]
async fn a_work_night_that_makes_no_sense_is_refused_and_kept_on_the_page() {
    let (house, _, mut client, _) = club().await;
    for (name, value, words) in [
        ("held_on", "2020-01-01", "has passed"),
        ("held_on", "2999-01-01", "Check the year"),
        ("hours", "NaN", "from 0.5 to 24"),
        ("hours", "", "please give a number"),
        ("hands", "0", "from 1 to 100"),
        ("hands", "", "please give a number"),
        ("place", "", "please fill this in"),
    ] {
        let mut fields = night_fields(7);
        for field in &mut fields {
            if field.0 == name {
                field.1 = value.to_owned();
            }
        }
        let page = post_night(&mut client, &fields).await;
        assert_eq!(
            page.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{name}={value}"
        );
        assert!(
            page.words().contains(words),
            "{name}={value}: {}",
            page.words()
        );
        assert_eq!(page.select("#f-note"), ["bring lamps"]);
    }
    let mut conn = house.library.read().await.unwrap();
    assert!(WorkNight::all(&mut conn).await.unwrap().is_empty());
}
