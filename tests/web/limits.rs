//! Limits: who may change them, what a change would do before it is made, and
//! that it then does just that.

use axum::http::StatusCode;
use tubewright::library::entries::{Entry, EntryKind};
use tubewright::library::instruments::Instrument;
use tubewright::library::limits;
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, PersonId};

use crate::common::{Client, House, Page, days_ago};
use crate::due::tested;

const PAGES: [&str; 5] = [
    "/limits",
    "/limits/change?design=newtonian&what=months",
    "/limits/history",
    "/limits/history.csv",
    "/instruments/S1/limits",
];

/// S1 at 0.05, S2 at 0.08 waves, both tested five days ago; S3 never.
async fn club() -> (House, PersonId, Client) {
    let house = House::empty().await;
    let (by, client) = house.someone(Role::Coordinator).await;
    for (tag, coma) in [("S1", 0.05), ("S2", 0.08)] {
        let id = house.instrument(tag, by).await;
        tested(&house, id, by, coma, days_ago(5)).await;
    }
    house.instrument("S3", by).await;
    (house, by, client)
}

fn bench_to<'a>(value: &'a str, seen: &'a str, step: &'a str) -> Vec<(&'a str, &'a str)> {
    vec![
        ("design", "schmidt-cassegrain"),
        ("what", "coma-bench"),
        ("to", "value"),
        ("value", value),
        ("seen", seen),
        ("reason", "planet season"),
        ("step", step),
    ]
}

async fn set_in_all(house: &House) -> usize {
    let mut conn = house.library.read().await.unwrap();
    limits::history(&mut conn).await.unwrap().len()
}

async fn due(client: &mut Client) -> Vec<String> {
    let mut tags = client.get("/due").await.select("tbody th .tag");
    tags.sort();
    tags
}

fn listed(page: &Page, heading: &str) -> Vec<String> {
    let html = scraper::Html::parse_document(&page.text());
    let table = scraper::Selector::parse("table").unwrap();
    let caption = scraper::Selector::parse("caption").unwrap();
    let tag = scraper::Selector::parse("tbody th .tag").unwrap();
    html.select(&table)
        .filter(|t| {
            t.select(&caption)
                .any(|c| c.text().collect::<String>() == heading)
        })
        .flat_map(|t| {
            t.select(&tag)
                .map(|a| a.text().collect::<String>())
                .collect::<Vec<_>>()
        })
        .collect()
}

#[tokio::test]
async fn only_coordinators_may() {
    let (house, _, mut coordinator) = club().await;
    for path in PAGES {
        assert_eq!(
            house.visitor().get(path).await.status,
            StatusCode::UNAUTHORIZED,
            "{path}"
        );
        for role in [Role::Member, Role::Volunteer] {
            let (_, mut client) = house.someone(role).await;
            assert_eq!(client.get(path).await.status, StatusCode::FORBIDDEN);
        }
        assert_eq!(coordinator.get(path).await.status, StatusCode::OK, "{path}");
    }
    for path in ["/limits", "/instruments/S1/limits"] {
        let fields = bench_to("0.1", "0.071", "set");
        let page = house.visitor().post(path, &fields).await;
        assert_eq!(page.status, StatusCode::UNAUTHORIZED);
        for role in [Role::Member, Role::Volunteer] {
            let (_, mut client) = house.someone(role).await;
            let page = client.post(path, &fields).await;
            assert_eq!(page.status, StatusCode::FORBIDDEN);
        }
    }
    assert_eq!(set_in_all(&house).await, 0);
}

#[tokio::test]
async fn what_the_preview_says_is_what_then_happens() {
    let (house, _, mut client) = club().await;
    assert_eq!(due(&mut client).await, ["S2", "S3"]);
    for (value, seen, added, removed) in [
        ("0.1", "0.071", vec![], vec!["S2"]),
        ("0.04", "0.1", vec!["S1", "S2"], vec![]),
        ("0.0501", "0.04", vec![], vec!["S1"]),
    ] {
        let before = due(&mut client).await;
        let page = client.post("/limits", &bench_to(value, seen, "look")).await;
        assert_eq!(page.status, StatusCode::OK, "{}", page.words());
        let says_added = listed(&page, "Would become due");
        let says_removed = listed(&page, "Would no longer be due");
        assert_eq!(says_added, added, "{value}");
        assert_eq!(says_removed, removed, "{value}");
        assert_eq!(due(&mut client).await, before, "a look changes nothing");
        let page = client.post("/limits", &bench_to(value, seen, "set")).await;
        assert_eq!(page.location(), "/limits");
        let mut foretold: Vec<String> = before
            .into_iter()
            .filter(|t| !says_removed.contains(t))
            .chain(says_added)
            .collect();
        foretold.sort();
        assert_eq!(due(&mut client).await, foretold, "{value}");
    }
    assert_eq!(set_in_all(&house).await, 3);
    let page = client.get("/limits/history").await;
    assert_eq!(page.select("tbody tr").len(), 3);
    assert!(page.words().contains("planet season"));
}

#[tokio::test]
async fn the_preview_carries_what_was_typed_to_the_form_that_sets_it() {
    let (_house, _, mut client) = club().await;
    let page = client
        .post("/limits", &bench_to("0,1", "0.071", "look"))
        .await;
    let names = page.attributes("main form input[type=hidden]", "name");
    let values = page.attributes("main form input[type=hidden]", "value");
    let fields: Vec<(&str, &str)> = names
        .iter()
        .map(String::as_str)
        .zip(values.iter().map(String::as_str))
        .filter(|(n, _)| *n != "csrf" && *n != "once")
        .collect();
    assert_eq!(client.post("/limits", &fields).await.location(), "/limits");
    let page = client.get("/limits").await;
    assert!(page.words().contains(
        "Coma for the bench, for every Schmidt–Cassegrain: 0.1 waves RMS instead of 0.071."
    ));
}

#[tokio::test]
async fn what_makes_no_sense_is_refused_with_a_mend_and_changes_nothing() {
    let (house, _, mut client) = club().await;
    for (value, words) in [
        ("NaN", "from 0.005 to 1"),
        ("inf", "from 0.005 to 1"),
        ("-0.1", "from 0.005 to 1"),
        ("", "please give a number"),
        ("a lot", "is not a number"),
        ("0.03", "must not be above the coma for the bench"),
    ] {
        for step in ["look", "set"] {
            let page = client
                .post("/limits", &bench_to(value, "0.071", step))
                .await;
            assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{value}");
            assert!(page.words().contains(words), "{value}: {}", page.words());
            assert_eq!(page.attributes("#f-value", "value"), [value]);
            assert_eq!(page.select("#f-reason"), ["planet season"]);
        }
    }
    let mut fields = bench_to("0.1", "0.071", "set");
    fields[5] = ("reason", " ");
    let page = client.post("/limits", &fields).await;
    assert!(page.words().contains("Reason: please fill this in"));
    let mut fields = bench_to("2.5", "6", "set");
    fields[1] = ("what", "loans");
    let page = client.post("/limits", &fields).await;
    assert!(page.words().contains("whole number"), "{}", page.words());
    let mut fields = bench_to("0.1", "0.071", "set");
    fields[2] = ("to", "back");
    let page = client.post("/limits", &fields).await;
    assert!(page.words().contains("nothing to go back from"));
    let mut fields = bench_to("0.1", "0.071", "set");
    fields[0] = ("design", "toaster");
    assert_eq!(
        client.post("/limits", &fields).await.status,
        StatusCode::NOT_FOUND
    );
    assert_eq!(set_in_all(&house).await, 0);
}

#[tokio::test]
async fn the_coma_to_mention_may_equal_the_coma_for_the_bench() {
    let (house, _, mut client) = club().await;
    let page = client
        .post("/limits", &bench_to("0.036", "0.071", "set"))
        .await;
    assert_eq!(page.location(), "/limits");
    assert_eq!(set_in_all(&house).await, 1);
}

#[tokio::test]
async fn a_limit_changed_by_another_meanwhile_is_not_overwritten() {
    let (house, _, mut client) = club().await;
    client
        .post("/limits", &bench_to("0.1", "0.071", "set"))
        .await
        .location();
    let page = client
        .post("/limits", &bench_to("0.2", "0.071", "set"))
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words().contains("it is 0.1 waves RMS now"),
        "{}",
        page.words()
    );
    assert_eq!(set_in_all(&house).await, 1);
}

#[tokio::test]
async fn back_to_the_default_is_a_change_like_any_other() {
    let (_house, _, mut client) = club().await;
    client
        .post("/limits", &bench_to("0.1", "0.071", "set"))
        .await
        .location();
    assert_eq!(due(&mut client).await, ["S3"]);
    let mut fields = bench_to("", "0.1", "look");
    fields[2] = ("to", "back");
    let page = client.post("/limits", &fields).await;
    assert_eq!(listed(&page, "Would become due"), ["S2"]);
    fields[6] = ("step", "set");
    client.post("/limits", &fields).await.location();
    assert_eq!(due(&mut client).await, ["S2", "S3"]);
    assert!(
        client
            .get("/limits/history")
            .await
            .words()
            .contains("back to the level above")
    );
}

async fn logbook(house: &House, id: InstrumentId) -> Vec<Entry> {
    let mut conn = house.library.read().await.unwrap();
    Entry::of(&mut conn, id).await.unwrap()
}

#[tokio::test]
async fn an_instruments_own_limit_stands_in_its_logbook() {
    let (house, by, mut client) = club().await;
    let id = {
        let mut conn = house.library.read().await.unwrap();
        Instrument::by_tag(&mut conn, "S2").await.unwrap().id
    };
    let fields = bench_to("0.1", "0.071", "look");
    let page = client.post("/instruments/S2/limits", &fields).await;
    assert_eq!(listed(&page, "Would no longer be due"), ["S2"]);
    let fields = bench_to("0.1", "0.071", "set");
    let page = client.post("/instruments/S2/limits", &fields).await;
    assert_eq!(page.location(), "/instruments/S2/limits");
    assert_eq!(due(&mut client).await, ["S3"]);
    let book = logbook(&house, id).await;
    let entry = book.iter().find(|e| e.kind == EntryKind::Limit).unwrap();
    assert!(
        entry
            .note
            .contains("for S2: 0.1 waves RMS instead of 0.071. planet season")
    );
    let page = client.get("/instruments/S2/limits").await;
    assert!(page.words().contains("its own"));
    assert!(
        client
            .get("/limits")
            .await
            .words()
            .contains("coma for the bench: 0.1 waves RMS")
    );
    // A change for the design leaves it alone, and the preview says so.
    let page = client
        .post("/limits", &bench_to("0.06", "0.071", "look"))
        .await;
    assert!(page.words().contains("1 of 3 keep a limit of their own"));
    assert!(listed(&page, "Would become due").is_empty());
    // The design's coma to mention may not pass any instrument's own.
    let own = bench_to("0.04", "0.1", "set");
    client.post("/instruments/S2/limits", &own).await.location();
    let mut fields = bench_to("0.05", "0.036", "look");
    fields[1] = ("what", "coma-note");
    let page = client.post("/limits", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words().contains("as it would be for S2"),
        "{}",
        page.words()
    );
    let _ = by;
}

#[tokio::test]
async fn the_history_leaves_the_house_as_csv() {
    let (_house, _, mut client) = club().await;
    let mut fields = bench_to("0.1", "0.071", "set");
    fields[5] = ("reason", "=cmd|, \"planets\"");
    client.post("/limits", &fields).await.location();
    let text = client.get("/limits/history.csv").await.text();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let row = reader.records().next().unwrap().unwrap();
    assert_eq!(&row[1], "every Schmidt–Cassegrain");
    assert_eq!((&row[2], &row[3]), ("coma-bench", "0.1"));
    assert_eq!(&row[6], "'=cmd|, \"planets\"");
}
