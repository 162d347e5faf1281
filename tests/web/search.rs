//! One search box: each role finds what it may see elsewhere, and no more.

use axum::http::StatusCode;
use chrono::Utc;
use tubewright::library::instruments::{Instrument, Status};
use tubewright::library::people::Role;
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::{entries, kit};

use crate::common::House;

async fn scene() -> (House, tubewright::library::PersonId) {
    let house = House::empty().await;
    let by = house.person("Vera Desk", Role::Volunteer).await;
    house.person("Ines Vale", Role::Member).await;
    let one = house.instrument("S203", by).await;
    let gone = house.instrument("OLD1", by).await;
    let mut write = house.library.write().await.unwrap();
    kit::set(&mut write, one, &["Vale finder".to_owned()], Utc::now())
        .await
        .unwrap();
    let entry = entries::NewEntry {
        instrument: one,
        kind: entries::EntryKind::Problem,
        happened_at: Utc::now(),
        recorded_at: Utc::now(),
        by,
        loan: None,
        note: String::new(),
    };
    let problem = Problem {
        what: ProblemWhat::CaseOrStrap,
        asks_for: AsksFor::ALook,
        words: "Strap torn in the <b>vale</b>".to_owned(),
    };
    problem.log(&mut write, entry).await.unwrap();
    Instrument::set_status(&mut write, gone, Status::Retired, "worn out")
        .await
        .unwrap();
    write.commit().await.unwrap();
    (house, by)
}

#[tokio::test]
async fn each_role_finds_what_it_may_see_and_no_more() {
    let (house, by) = scene().await;
    let (_, mut member) = house.someone(Role::Member).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let mut volunteer = house.signed_in(by).await;
    let mut visitor = house.visitor();
    for (client, groups) in [
        (&mut visitor, vec!["Kit 1"]),
        (&mut member, vec!["Kit 1"]),
        (&mut volunteer, vec!["Kit 1", "Problems 1"]),
        (&mut coordinator, vec!["Kit 1", "Problems 1", "People 1"]),
    ] {
        let page = client.get("/search?q=vale").await;
        assert_eq!(page.status, StatusCode::OK);
        assert_eq!(page.select(".found h2"), groups);
        // What is not theirs cannot be chosen either.
        let words = client.get("/search?q=vale&in=person").await.words();
        let may = groups.contains(&"People 1");
        assert_eq!(words.contains("Ines"), may, "{words}");
    }
    for (client, finds) in [(&mut visitor, false), (&mut volunteer, true)] {
        let page = client.get("/search?q=old1").await;
        assert_eq!(page.select(".found .row-tag"), vec!["OLD1"; finds.into()]);
    }
}

#[tokio::test]
async fn what_fits_is_marked_and_nothing_found_is_markup() {
    let (house, by) = scene().await;
    let mut volunteer = house.signed_in(by).await;
    let page = volunteer.get("/search?q=torn+val").await;
    assert_eq!(page.select(".found mark"), ["torn", "vale"]);
    assert!(page.text().contains("&#60;b&#62;") && !page.text().contains("<b>vale"));
    let to = page.attributes(".found a", "href");
    assert_eq!(to, ["/instruments/S203/logbook?q=torn+val"]);
    // There, the same words find the entry.
    let words = volunteer
        .get("/instruments/S203/logbook?q=torn")
        .await
        .words();
    assert!(words.contains("Strap torn"), "{words}");
    let page = volunteer.get("/search?q=%22%3E%3Cscript%3E").await;
    assert!(!page.text().contains("<script>"));
    let words = volunteer.get("/search?q=zebra").await.words();
    assert!(words.contains("Nothing found"), "{words}");
    for odd in ["%00", "*", "%22", "in=x", "page=-5&in=kit", "%F0%9F%98%80"] {
        let page = volunteer.get(&format!("/search?q={odd}")).await;
        assert!(!page.status.is_server_error(), "{odd}");
    }
    // A key leads there: the link that the script looks for is on every page.
    let page = volunteer.get("/shelf").await;
    assert_eq!(page.attributes("a[data-search]", "href"), ["/search"]);
}

#[tokio::test]
async fn many_are_found_page_by_page_and_the_tag_itself_first() {
    let house = House::empty().await;
    let by = house.person("Vera Desk", Role::Volunteer).await;
    for n in 1..=60 {
        house.instrument(&format!("A{n}"), by).await;
    }
    let mut visitor = house.visitor();
    let page = visitor.get("/search?q=a").await;
    assert_eq!(page.select(".found h2")[0], "Instruments 60");
    assert_eq!(page.select(".found:first-of-type .row-tag").len(), 6);
    let first = visitor.get("/search?q=a1").await.select(".found .row-tag");
    assert_eq!(first[..3], ["A1", "A10", "A11"]);
    let page = visitor.get("/search?q=a&in=instrument").await;
    assert_eq!(page.select(".found .row-tag").len(), 50);
    let next = page.attributes("a[rel=next]", "href");
    assert_eq!(next, ["/search?q=a&in=instrument&page=2"]);
    let page = visitor.get(&next[0]).await;
    assert_eq!(page.select(".found .row-tag").len(), 10);
    assert_eq!(page.select(".found .row-tag")[9], "A60");
}
