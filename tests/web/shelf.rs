use axum::http::{StatusCode, header};
use tubewright::library::instruments::{Design, Instrument, Particulars, Status};
use tubewright::library::people::Role;
use tubewright::library::problems::{AsksFor, Problem, ProblemWhat};
use tubewright::library::{InstrumentId, PersonId};

use crate::common::{House, days_ago, particulars};

async fn add(house: &House, by: PersonId, p: Particulars) -> InstrumentId {
    let mut write = house.library.write().await.unwrap();
    let id = Instrument::add(&mut write, &p, days_ago(30), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    id
}

async fn stand(house: &House, id: InstrumentId, standing: Status) {
    let mut write = house.library.write().await.unwrap();
    Instrument::set_status(&mut write, id, standing, "worn out")
        .await
        .unwrap();
    write.commit().await.unwrap();
}

async fn a_shelf(house: &House) -> PersonId {
    let (by, _) = house.someone(Role::Coordinator).await;
    add(house, by, particulars("SC203")).await;
    for (tag, aperture_mm, place) in [("N76", 76.0, "Loft"), ("N203", 203.0, "Hut")] {
        add(
            house,
            by,
            Particulars {
                name: format!("{aperture_mm} mm Newtonian"),
                design: Design::Newtonian,
                aperture_mm,
                focal_mm: aperture_mm * 6.0,
                place: place.to_owned(),
                ..particulars(tag)
            },
        )
        .await;
    }
    let gone = add(house, by, particulars("OLD1")).await;
    stand(house, gone, Status::Retired).await;
    by
}

#[tokio::test]
async fn an_empty_shelf_says_so_and_shows_volunteers_where_to_begin() {
    let house = House::empty().await;
    let page = house.visitor().get("/shelf").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.words().contains("Nothing on the shelf yet"));
    assert!(
        page.attributes("a[href='/register/new']", "href")
            .is_empty()
    );
    let (_, mut volunteer) = house.someone(Role::Volunteer).await;
    let page = volunteer.get("/shelf").await;
    assert!(
        !page
            .attributes("a[href='/register/new']", "href")
            .is_empty()
    );
}

#[tokio::test]
async fn everyone_sees_the_shelf_in_the_order_of_its_tags() {
    let house = House::empty().await;
    a_shelf(&house).await;
    let (_, mut member) = house.someone(Role::Member).await;
    for client in [&mut house.visitor(), &mut member] {
        let page = client.get("/shelf").await;
        assert_eq!(page.select(".row-tag"), ["N76", "N203", "SC203"]);
        assert_eq!(page.select(".lede"), ["3 instruments."]);
        assert_eq!(page.select(".tally > .chip")[0], "3 Not checked");
        assert!(
            page.attributes("option[value='retired']", "value")
                .is_empty()
        );
    }
}

#[tokio::test]
async fn filters_and_sorting_work_together_and_on_the_saved_lists() {
    let house = House::empty().await;
    a_shelf(&house).await;
    let mut visitor = house.visitor();
    for (query, tags) in [
        ("design=newtonian", vec!["N76", "N203"]),
        ("place=Loft", vec!["N76"]),
        ("q=newt+203", vec!["N203"]),
        ("q=NEWTONIAN", vec!["N76", "N203"]),
        ("condition=ready", vec![]),
        (
            "condition=not-checked&state=on-shelf&place=Hut",
            vec!["N203", "SC203"],
        ),
        ("sort=aperture", vec!["N203", "SC203", "N76"]),
        ("sort=place", vec!["N203", "SC203", "N76"]),
        ("page=99", vec!["N76", "N203", "SC203"]),
        ("page=x", vec!["N76", "N203", "SC203"]),
    ] {
        let page = visitor.get(&format!("/shelf?{query}")).await;
        assert_eq!(page.select(".row-tag"), tags, "{query}");
        let json = visitor.get(&format!("/shelf.json?{query}")).await;
        let rows: Vec<serde_json::Value> = serde_json::from_slice(&json.body).unwrap();
        let found: Vec<_> = rows.iter().map(|r| r["tag"].as_str().unwrap()).collect();
        assert_eq!(found, tags, "{query}");
    }
    // A word that is none is said to be none, not answered with an empty list.
    for query in ["design=no-such-design", "state=lost", "condition=fine"] {
        for path in ["/shelf", "/shelf.json", "/shelf.csv"] {
            let page = visitor.get(&format!("{path}?{query}")).await;
            assert_eq!(page.status, StatusCode::BAD_REQUEST, "{path}?{query}");
        }
    }
    let page = visitor.get("/shelf?design=newtonian&sort=aperture").await;
    assert_eq!(
        page.attributes(".list-tools a", "href"),
        [
            "/shelf.csv?design=newtonian&sort=aperture",
            "/shelf.json?design=newtonian&sort=aperture"
        ]
    );
    let page = visitor.get("/shelf?q=nothing+like+it").await;
    assert!(page.words().contains("Nothing like that"));
}

#[tokio::test]
async fn retired_instruments_are_for_volunteers_who_ask() {
    let house = House::empty().await;
    a_shelf(&house).await;
    let (_, mut volunteer) = house.someone(Role::Volunteer).await;
    let page = volunteer.get("/shelf?state=retired").await;
    assert_eq!(page.select(".row-tag"), ["OLD1"]);
    let page = house.visitor().get("/shelf?state=retired").await;
    assert_eq!(page.select(".row-tag"), Vec::<String>::new());
    let csv = house.visitor().get("/shelf.csv?state=retired").await;
    assert!(!csv.text().contains("OLD1"));
}

#[tokio::test]
async fn a_long_shelf_comes_in_pages_of_fifty() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Coordinator).await;
    let mut write = house.library.write().await.unwrap();
    for n in 0..130 {
        Instrument::add(&mut write, &particulars(&format!("T-{n}")), days_ago(1), by)
            .await
            .unwrap();
    }
    write.commit().await.unwrap();
    let mut visitor = house.visitor();
    let first = visitor.get("/shelf?place=Hut").await;
    assert_eq!(first.select(".row-tag").len(), 50);
    assert_eq!(first.select(".pager-words"), ["1 to 50 of 130"]);
    let next = first.attributes("a[rel=next]", "href");
    assert_eq!(next, ["/shelf?place=Hut&page=2"]);
    let second = visitor.get(&next[0]).await;
    assert_eq!(second.select(".row-tag").len(), 50);
    let third = visitor
        .get(&second.attributes("a[rel=next]", "href")[0])
        .await;
    assert_eq!(third.select(".row-tag").len(), 30);
    assert_eq!(third.select(".row-tag")[29], "T-129");
    let csv = visitor.get("/shelf.csv").await;
    assert_eq!(csv.text().matches("\r\n").count(), 131);
}

// RFC 4180; a spreadsheet runs a cell that begins like a formula.
#[tokio::test]
async fn the_csv_reads_back_and_holds_no_formula() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Coordinator).await;
    add(
        &house,
        by,
        Particulars {
            name: "=HYPERLINK(\"http://x.example\",\"8\"\" tube\")".to_owned(),
            place: "Hut, \"back\"\nrack".to_owned(),
            ..particulars("N1")
        },
    )
    .await;
    let page = house.visitor().get("/shelf.csv").await;
    assert_eq!(
        page.headers[header::CONTENT_TYPE],
        "text/csv; charset=utf-8; header=present"
    );
    assert_eq!(page.headers[header::CONTENT_DISPOSITION], "attachment");
    let mut reader = csv::Reader::from_reader(page.body.as_slice());
    let header = reader.headers().unwrap().clone();
    let record = reader.records().next().unwrap().unwrap();
    let cell = |name: &str| &record[header.iter().position(|h| h == name).unwrap()];
    assert_eq!(
        cell("name"),
        "'=HYPERLINK(\"http://x.example\",\"8\"\" tube\")"
    );
    assert_eq!(cell("place"), "Hut, \"back\"\nrack");
    assert_eq!(cell("aperture_mm"), "203");
    assert_eq!(cell("focal_ratio"), "10");
    assert_eq!(cell("condition"), "not checked");
}

#[tokio::test]
async fn the_finder_offers_the_nearest_tags_first() {
    let house = House::empty().await;
    a_shelf(&house).await;
    let mut visitor = house.visitor();
    let page = visitor.get("/shelf/finder.json?q=203").await;
    let found: Vec<serde_json::Value> = serde_json::from_slice(&page.body).unwrap();
    let tags: Vec<_> = found.iter().map(|f| f["tag"].as_str().unwrap()).collect();
    assert_eq!(tags, ["N203", "SC203"]);
    assert_eq!(found[0]["words"], "203 mm Newtonian, on the shelf");
    let page = visitor.get("/shelf/finder.json?q=newt+76").await;
    assert!(page.text().contains("N76"));
    for q in ["", "%20", "OLD1", "zzz"] {
        let page = visitor.get(&format!("/shelf/finder.json?q={q}")).await;
        assert_eq!(page.text(), "[]", "{q}");
    }
    let script = visitor.get("/static/script.js").await;
    assert!(script.text().contains("dataset.finder"));
}

#[tokio::test]
async fn a_problem_for_the_bench_shows_on_the_shelf() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Coordinator).await;
    let id = add(&house, by, particulars("SC203")).await;
    let mut write = house.library.write().await.unwrap();
    Problem {
        what: ProblemWhat::MovingPart,
        asks_for: AsksFor::TheBench,
        words: "Focuser slips".to_owned(),
    }
    .log(
        &mut write,
        tubewright::library::entries::NewEntry {
            instrument: id,
            kind: tubewright::library::entries::EntryKind::Problem,
            happened_at: days_ago(2),
            recorded_at: days_ago(2),
            by,
            loan: None,
            note: String::new(),
        },
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = house.visitor().get("/shelf?condition=needs-bench").await;
    assert_eq!(page.select(".row-tag"), ["SC203"]);
    assert!(page.select(".row-read")[0].contains("Focuser slips"));
}
