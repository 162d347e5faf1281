use axum::http::StatusCode;
use chrono::{Duration, Utc};
use tubewright::library::journeys::JourneyKind;
use tubewright::library::people::Role;
use tubewright::library::{journeys, logbook, problems, star_tests};

use crate::common::{House, days_ago};
use crate::context::{lend, look, rows, shown, status};

fn day(days_ago: i64) -> String {
    (Utc::now() - Duration::days(days_ago))
        .format("%Y-%m-%d")
        .to_string()
}

#[tokio::test]
async fn the_logbook_is_for_the_desk() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    look(&house, id, by, days_ago(3), 0.03).await;
    let mut conn = house.library.read().await.unwrap();
    let entry = logbook::of(&mut conn, id).await.unwrap()[0].entry.id;
    drop(conn);
    let before = rows(&house).await;
    for (method, path) in [
        ("GET", "/instruments/S203/logbook".to_owned()),
        ("GET", "/instruments/S203/logbook.csv".to_owned()),
        ("GET", "/instruments/S203/logbook/new/journey".to_owned()),
        ("POST", "/instruments/S203/logbook/new/note".to_owned()),
        ("GET", format!("/instruments/S203/logbook/{entry}")),
        ("POST", format!("/instruments/S203/logbook/{entry}/correct")),
        ("POST", format!("/instruments/S203/logbook/{entry}/strike")),
    ] {
        let seen = status(&mut house.visitor(), method, &path).await;
        assert_eq!(seen, StatusCode::UNAUTHORIZED, "{method} {path}");
        let seen = status(&mut member, method, &path).await;
        assert_eq!(seen, StatusCode::FORBIDDEN, "{method} {path}");
        let seen = status(&mut volunteer, method, &path).await;
        assert!(
            [
                StatusCode::OK,
                StatusCode::UNPROCESSABLE_ENTITY,
                StatusCode::CONFLICT
            ]
            .contains(&seen),
            "{method} {path}: {seen}"
        );
    }
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn a_journey_of_a_past_day_is_added_and_corrected_and_the_old_words_stay() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    client
        .post(
            "/instruments/S203/logbook/new/journey",
            &[
                ("happened_on", &day(9)),
                ("happened_at", "21:30"),
                ("journey_kind", "car"),
                ("distance", "840"),
            ],
        )
        .await
        .location();
    let page = client.get("/instruments/S203/logbook").await;
    assert!(page.words().contains("By car, 840 km."), "{}", page.words());
    let change = page.attributes("a.log-change", "href").remove(0);
    let page = client.get(&change).await;
    assert_eq!(shown(&page, "input[name=distance]"), "840");
    assert_eq!(shown(&page, "input[name=happened_at]"), "21:30");
    let fields = [
        ("happened_on", day(9)),
        ("happened_at", "21:30".to_owned()),
        ("journey_kind", "car".to_owned()),
        ("distance", "84".to_owned()),
        ("note", "A nought too many".to_owned()),
    ];
    let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let correct = format!("{change}/correct");
    client.post(&correct, &fields).await.location();
    let mut conn = house.library.read().await.unwrap();
    let told = journeys::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].journey.distance_km, Some(84.0));
    assert_eq!(
        told[0].happened_at.format("%Y-%m-%d %H:%M").to_string(),
        format!("{} 21:30", day(9))
    );
    drop(conn);
    let page = client.get("/instruments/S203/logbook").await;
    assert_eq!(page.select(".log > li").len(), 1);
    assert!(page.words().contains("By car, 84 km. A nought too many"));
    assert_eq!(page.select(".log-before .struck"), ["By car, 840 km."]);
    // The old one cannot be corrected, nor struck out, again.
    let before = rows(&house).await;
    let page = client.post(&correct, &fields).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    let page = client
        .post(&format!("{change}/strike"), &[("reason", "twice")])
        .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn striking_out_needs_a_reason_and_leaves_the_entry_readable() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    client
        .post(
            "/instruments/S203/logbook/new/problem",
            &[
                ("problem_what", "dew-or-mould"),
                ("problem_asks_for", "the-bench"),
                ("problem_words", "Spots on the plate"),
            ],
        )
        .await
        .location();
    let page = client.get("/instruments/S203/logbook").await;
    let change = page.attributes("a.log-change", "href").remove(0);
    let strike = format!("{change}/strike");
    let before = rows(&house).await;
    let page = client.post(&strike, &[("reason", " ")]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(rows(&house).await, before);
    client
        .post(&strike, &[("reason", "It was S279, not this one")])
        .await
        .location();
    let mut conn = house.library.read().await.unwrap();
    assert!(
        problems::current(&mut conn, Some(id))
            .await
            .unwrap()
            .is_empty()
    );
    drop(conn);
    let page = client.get("/instruments/S203/logbook").await;
    assert!(page.select(".log .struck")[0].contains("Spots on the plate"));
    assert!(page.words().contains("It was S279, not this one"));
    assert!(page.attributes("a.log-change", "href").is_empty());
    let before = rows(&house).await;
    let page = client.post(&strike, &[("reason", "again")]).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn a_star_test_is_struck_out_but_not_reworded_and_the_houses_own_entries_stand() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    look(&house, id, by, days_ago(3), 0.03).await;
    lend(&house, id, member, by, days_ago(2)).await;
    let mut conn = house.library.read().await.unwrap();
    let lines = logbook::of(&mut conn, id).await.unwrap();
    drop(conn);
    let (lend, test) = (lines[0].entry.id, lines[1].entry.id);
    let before = rows(&house).await;
    for path in [
        format!("/instruments/S203/logbook/{lend}/strike"),
        format!("/instruments/S203/logbook/{lend}/correct"),
        format!("/instruments/S203/logbook/{test}/correct"),
    ] {
        let page = client
            .post(&path, &[("reason", "no"), ("note", "no")])
            .await;
        assert_eq!(page.status, StatusCode::CONFLICT, "{path}");
    }
    assert_eq!(rows(&house).await, before);
    let page = client
        .get(&format!("/instruments/S203/logbook/{test}"))
        .await;
    assert_eq!(page.select("main form").len(), 1);
    client
        .post(
            &format!("/instruments/S203/logbook/{test}/strike"),
            &[("reason", "Looked at the wrong star")],
        )
        .await
        .location();
    let mut conn = house.library.read().await.unwrap();
    assert!(
        star_tests::current(&mut conn, Some(id))
            .await
            .unwrap()
            .is_empty()
    );
}

#[tokio::test]
async fn an_entry_of_another_instrument_is_not_found_here() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    house.instrument("S279", by).await;
    look(&house, id, by, days_ago(3), 0.03).await;
    let mut conn = house.library.read().await.unwrap();
    let entry = logbook::of(&mut conn, id).await.unwrap()[0].entry.id;
    drop(conn);
    let path = format!("/instruments/S279/logbook/{entry}");
    assert_eq!(client.get(&path).await.status, StatusCode::NOT_FOUND);
    let page = client
        .post(&format!("{path}/strike"), &[("reason", "no")])
        .await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn what_cannot_be_is_not_written() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let tomorrow = day(-1);
    let before = rows(&house).await;
    for (kind, fields, field) in [
        (
            "journey",
            vec![("journey_kind", "teleport")],
            "journey_kind",
        ),
        (
            "journey",
            vec![("journey_kind", "car"), ("distance", "0")],
            "distance",
        ),
        (
            "journey",
            vec![("journey_kind", "knock-or-drop"), ("how_hard", "9")],
            "how_hard",
        ),
        (
            "journey",
            vec![("journey_kind", "car"), ("happened_on", tomorrow.as_str())],
            "happened_on",
        ),
        ("problem", vec![], "problem_what"),
        ("note", vec![("note", "   ")], "note"),
    ] {
        let path = format!("/instruments/S203/logbook/new/{kind}");
        let page = client.post(&path, &fields).await;
        assert_eq!(
            page.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{kind} {field}"
        );
        assert_eq!(
            page.attributes("#errors a", "href"),
            [format!("#f-{field}")],
            "{kind}"
        );
    }
    for kind in ["star-test", "work", "lend", "nonsense"] {
        let page = client
            .post(
                &format!("/instruments/S203/logbook/new/{kind}"),
                &[("note", "x")],
            )
            .await;
        assert_eq!(page.status, StatusCode::NOT_FOUND, "{kind}");
    }
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn the_logbook_reads_newest_first_by_kind_and_as_csv() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    for (days, kind) in [(5, "car"), (1, "public-event"), (9, "hand-carry")] {
        client
            .post(
                "/instruments/S203/logbook/new/journey",
                &[("happened_on", &day(days)), ("journey_kind", kind)],
            )
            .await
            .location();
    }
    client
        .post(
            "/instruments/S203/logbook/new/note",
            &[("note", "=1+1, \"quoted\"\nand a second line")],
        )
        .await
        .location();
    let page = client.get("/instruments/S203/logbook?kind=journey").await;
    let words: Vec<String> = page.select(".log > li > p:first-of-type");
    let ends: Vec<&str> = ["Public event.", "By car.", "Carried by hand."].to_vec();
    assert_eq!(words.len(), ends.len());
    for (said, end) in words.iter().zip(ends) {
        assert!(said.ends_with(end), "{said}");
    }
    assert_eq!(JourneyKind::ALL.len(), 7);
    let page = client.get("/instruments/S203/logbook?kind=work").await;
    assert_eq!(page.select(".empty-title"), ["Nothing like that"]);
    let text = client.get("/instruments/S203/logbook.csv").await.text();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let records: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), 4);
    assert_eq!(&records[0][3], "'=1+1, \"quoted\"\nand a second line");
    assert!(text.contains("\r\n"));
}
