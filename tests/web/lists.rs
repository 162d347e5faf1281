//! Lists: words, choices, order and page stand in the address, and the file is the list as
//! it is shown.

use axum::http::StatusCode;
use chrono::Utc;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::people::Role;
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};

use crate::common::{Client, House, Page, days_ago};
use crate::context::lend;

fn first_column(csv: &Page) -> Vec<String> {
    assert_eq!(csv.status, StatusCode::OK);
    let text = csv.text();
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    rows.records().map(|r| r.unwrap()[0].to_owned()).collect()
}

async fn file(client: &mut Client, page: &Page) -> Vec<String> {
    let files = page.attributes(".list-tools a[href*='.csv']", "href");
    first_column(&client.get(&files[0]).await)
}

#[tokio::test]
async fn people_are_found_sorted_and_paged_and_the_file_is_the_same_list() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Coordinator).await;
    for n in 0..105 {
        house.person(&format!("Member {n:03}"), Role::Member).await;
    }
    house.person("\u{c9}mile Quill", Role::Volunteer).await;
    let page = client.get("/people?q=EMILE").await;
    assert_eq!(page.select("tbody th"), ["\u{c9}mile Quill"]);
    let page = client.get("/people?role=member&sort=newest").await;
    assert_eq!(page.select("tbody th").len(), 50);
    assert_eq!(page.select("tbody th")[0], "Member 104");
    let next = page.attributes("a[rel=next]", "href");
    assert_eq!(next, ["/people?role=member&sort=newest&page=2"]);
    let rows = file(&mut client, &page).await;
    assert_eq!((rows.len(), rows[0].as_str()), (105, "Member 104"));
    let page = client.get(&next[0]).await;
    assert_eq!(page.select("tbody th").len(), 50);
    assert_eq!(
        page.attributes("a[rel=prev]", "href"),
        ["/people?role=member&sort=newest"]
    );
    // What was asked for is shown as asked for.
    assert_eq!(
        page.attributes("select[name=sort] option[selected]", "value"),
        ["newest"]
    );
    for wrong in [
        "/people?role=king",
        "/people?sort=x",
        "/loans?sort=x",
        "/problems?what=x",
        "/audit-log?by=x",
    ] {
        let page = client.get(wrong).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{wrong}");
        assert!(page.words().contains("Choose one of"), "{}", page.words());
    }
}

#[tokio::test]
async fn loans_are_sorted_by_what_is_asked_and_past_ones_are_the_coordinators() {
    let house = House::empty().await;
    let by = house.person("Vera Desk", Role::Volunteer).await;
    for (tag, name, days) in [("N2", "Zoe", 30), ("N10", "Ada", 3), ("N1", "Mo", 10)] {
        let id = house.instrument(tag, by).await;
        let who = house.person(name, Role::Member).await;
        lend(&house, id, who, by, days_ago(days)).await;
    }
    let mut client = house.signed_in(by).await;
    for (query, tags) in [
        ("", vec!["N2", "N1", "N10"]),
        ("sort=tag", vec!["N1", "N2", "N10"]),
        ("sort=borrower", vec!["N10", "N1", "N2"]),
        ("sort=latest", vec!["N10", "N1", "N2"]),
        ("show=overdue", vec!["N2"]),
        ("q=ada", vec!["N10"]),
        ("show=event", vec![]),
    ] {
        let page = client.get(&format!("/loans?{query}")).await;
        assert_eq!(page.select("tbody th"), tags, "{query}");
        if !tags.is_empty() {
            assert_eq!(file(&mut client, &page).await, tags, "{query}");
        }
    }
    for past in ["/loans?show=past", "/loans.csv?show=all"] {
        assert_eq!(client.get(past).await.status, StatusCode::FORBIDDEN);
    }
    let page = client.get("/loans").await;
    assert!(
        page.select("select[name=show] option")
            .iter()
            .all(|o| o != "past")
    );
}

#[tokio::test]
async fn problems_stand_in_one_list_open_ones_first_of_all() {
    let house = House::empty().await;
    let by = house.person("Vera Desk", Role::Volunteer).await;
    let mut client = house.signed_in(by).await;
    assert!(
        client
            .get("/problems")
            .await
            .words()
            .contains("No problem is open")
    );
    let id = house.instrument("S203", by).await;
    for (words, asks_for) in [
        ("Dust", AsksFor::Nothing),
        ("Cell loose", AsksFor::TheBench),
    ] {
        let mut write = house.library.write().await.unwrap();
        let entry = NewEntry {
            instrument: id,
            kind: EntryKind::Problem,
            happened_at: Utc::now(),
            recorded_at: Utc::now(),
            by,
            loan: None,
            note: String::new(),
        };
        let problem = Problem {
            what: ProblemWhat::MovingPart,
            asks_for,
            words: words.to_owned(),
        };
        problem.log(&mut write, entry).await.unwrap();
        write.commit().await.unwrap();
    }
    let page = client.get("/problems?asks=the-bench").await;
    assert_eq!(page.select("tbody tr").len(), 1);
    assert!(page.words().contains("Cell loose"));
    let page = client.get("/problems?q=vera&sort=asks").await;
    assert!(page.select("tbody tr")[0].contains("Cell loose"));
    assert_eq!(file(&mut client, &page).await.len(), 2);
    assert!(
        client
            .get("/problems?show=settled")
            .await
            .words()
            .contains("No problem fits")
    );
}

#[tokio::test]
async fn a_logbook_and_the_audit_log_are_searched_and_turned_round() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    house.instrument("S203", by).await;
    for note in ["first cap fits", "second cap is lost", "third"] {
        let fields = [("note", note)];
        client
            .post("/instruments/S203/logbook/new/note", &fields)
            .await
            .location();
    }
    let page = client
        .get("/instruments/S203/logbook?q=CAP&sort=oldest")
        .await;
    let rows = page.select(".log > li");
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert!(rows[0].contains("first cap"), "{rows:?}");
    let files = page.attributes(".list-tools a[href*='.csv']", "href");
    assert_eq!(files, ["/instruments/S203/logbook.csv?q=CAP&sort=oldest"]);
    let csv = client.get(&files[0]).await.text();
    assert_eq!(csv.lines().count(), 3, "{csv}");

    let all = client.get("/audit-log").await.select("tbody tr").len();
    assert!(all >= 3);
    let page = client.get("/audit-log?q=logbook+NOTE&sort=first").await;
    assert_eq!(page.select("tbody tr").len(), 3);
    assert_eq!(file(&mut client, &page).await, ["1", "2", "3"]);
    // What LIKE takes for more than itself is taken as typed.
    for odd in ["%25", "_", "%5C", "%25%25%5C_"] {
        let page = client.get(&format!("/audit-log?q=zz{odd}")).await;
        assert!(page.words().contains("No row fits"), "{odd}");
    }
    assert!(
        client
            .get("/audit-log?by=nobody")
            .await
            .words()
            .contains("No row fits")
    );
}
