//! What is foreseen, on the due list, on its own pages and on an instrument's.

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::library::waits::{self, WantsItFor};
use tubewright::web::access::Access;

use crate::common::{House, days_ago};
use crate::due::tested;
use crate::roles;

#[tokio::test]
async fn the_pages_open_to_whom_they_are_for() {
    let house = House::empty().await;
    for (path, access) in [
        ("/due/ahead", Access::Volunteer),
        ("/due/ahead.csv", Access::Volunteer),
        ("/due/record", Access::Coordinator),
        ("/due/record.csv", Access::Coordinator),
    ] {
        for (role, mut client) in roles::everyone(&house).await {
            let status = client.get(path).await.status;
            roles::check(access, role, status, StatusCode::OK, path);
        }
    }
}

#[tokio::test]
async fn a_limit_keeps_it_due_whatever_the_chance() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    // In line ten months ago and not moved since: the limit of nine months asks
    // for it, though the chance that it is out is small.
    let id = house.instrument("S1", by).await;
    for days in [900, 800, 700, 600, 500, 400, 310] {
        tested(&house, id, by, 0.008, days_ago(days)).await;
    }
    let page = client.get("/due").await;
    assert_eq!(page.select("tbody th .tag"), ["S1"]);
    assert!(page.words().contains("the limit is 9"), "{}", page.words());
    let json: serde_json::Value =
        serde_json::from_slice(&client.get("/due.json").await.body).unwrap();
    let row = &json["due"][0];
    assert_eq!(row["reasons"][0]["code"], "months");
    let chance = row["foreseen"]["chance_out"].as_f64().unwrap();
    assert!(chance < 0.2, "{chance}");
    let coma = row["foreseen"]["coma_rms_waves"].as_array().unwrap();
    assert!(coma.windows(2).all(|w| w[0].as_f64() <= w[1].as_f64()));
    // So short a past tells nothing of the chances: the limits order the list.
    assert_eq!(json["ordered_by_chance"], false);
    assert!(page.words().contains("do not order the list"));
}

#[tokio::test]
async fn a_row_tells_its_chance_its_next_loan_and_its_numbers() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let asker = house.person("Greta Ostrom", Role::Member).await;
    let id = house.instrument("S1", by).await;
    tested(&house, id, by, 0.12, days_ago(30)).await;
    let mut write = house.library.write().await.unwrap();
    waits::ask(&mut write, id, asker, WantsItFor::Planets, "", days_ago(12))
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = client.get("/due?coming=2999-01-01").await;
    let words = page.words();
    assert!(
        words.contains("Chance that it is out of collimation today"),
        "{words}"
    );
    assert!(
        words.contains("The next loan is for the Moon and planets"),
        "{words}"
    );
    assert!(words.contains("asked for 12 days ago"), "{words}");
    assert!(
        words.contains("On 1 January 2999, at its usual use"),
        "{words}"
    );
    assert!(!words.contains("Ostrom"));
    let fold = page.select("details .numbers li").join(" ");
    assert!(fold.contains("its limit is 0.071"), "{fold}");
    assert!(
        fold.contains("times 1.5 for what the next loan needs"),
        "{fold}"
    );
    for wrong in ["/due?coming=soon", "/due/ahead?coming=1999-01-01"] {
        let status = client.get(wrong).await.status;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{wrong}");
    }
}

#[tokio::test]
async fn the_fleet_at_a_glance_lists_every_one_that_takes_a_star_test() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    let page = client.get("/due/ahead").await;
    assert!(page.words().contains("No instruments yet"));
    let page = client.get("/due/record").await;
    assert!(page.words().contains("Nothing to judge by yet"));
    let good = house.instrument("S1", by).await;
    let bad = house.instrument("S2", by).await;
    house.instrument("S3", by).await;
    for days in [300, 200, 100, 5] {
        tested(&house, good, by, 0.01, days_ago(days)).await;
        tested(&house, bad, by, 0.15, days_ago(days)).await;
    }
    let page = client.get("/due/ahead").await;
    assert_eq!(page.select("tbody th .tag"), ["S2", "S3", "S1"]);
    let bars = page.attributes("svg.bar-art", "aria-label");
    assert_eq!(bars.len(), 3);
    assert!(bars[0].contains("limit 0.071"), "{bars:?}");
    let csv = client.get("/due/ahead.csv").await.text();
    assert_eq!(csv.lines().count(), 4);
    // Three looks of each had a day before them.
    let page = client.get("/due/record").await;
    assert!(
        page.words().contains("6 past looks, 3 of them"),
        "{}",
        page.words()
    );
    assert!(page.words().contains("too few to tell") || page.words().contains("no better"));
    assert!(!page.select("svg.course-art").is_empty());
    // And each of them in the file.
    let text = client.get("/due/record.csv").await.text();
    assert!(text.starts_with("tag,looked_on,chance_said,limits_said_due,"));
    assert!(text.contains("\r\n"));
    let rows: Vec<csv::StringRecord> = csv::Reader::from_reader(text.as_bytes())
        .records()
        .map(Result::unwrap)
        .collect();
    assert_eq!(rows.len(), 6);
    for row in &rows {
        let chance: f64 = row[2].parse().unwrap();
        assert!((0.0..=1.0).contains(&chance));
        assert_eq!(&row[6] == "yes", &row[0] == "S2", "{row:?}");
    }
    // S3 was never looked at: its kind speaks for it, and the page says so.
    let page = client.get("/due").await;
    assert!(
        page.words()
            .contains("Never tested: judged by 8 looks at 2 instruments of its design."),
        "{}",
        page.words()
    );
}

#[tokio::test]
async fn an_instruments_page_draws_its_coma_over_time_for_everyone() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S1", by).await;
    let page = house.visitor().get("/instruments/S1").await;
    assert!(page.select("svg.course-art").is_empty());
    tested(&house, id, by, 0.02, days_ago(200)).await;
    tested(&house, id, by, 0.05, days_ago(20)).await;
    let page = house.visitor().get("/instruments/S1").await;
    assert_eq!(page.attributes("svg.course-art circle", "cx").len(), 2);
    let words = page.attributes("svg.course-art", "aria-label").join(" ");
    assert!(words.contains("2 looks"), "{words}");
    for band in page.attributes("svg.course-art polygon", "points") {
        assert!(band.split(' ').count() > 2);
        assert!(!band.contains("NaN") && !band.contains("inf"), "{band}");
    }
}
