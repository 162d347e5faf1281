//! Where collimation sessions are found again: the bench, the instrument, the logbook, a
//! sheet, a list; and that nothing is lost on the way.

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::library::star_tests;

use crate::collimations::{at, begun, look, shade, with_screws};
use crate::common::{Client, House};

/// A collimation session with a shade, a look, a turn and even looks, ended.
async fn held(client: &mut Client, tag: &str) -> String {
    let collimation = begun(client, tag).await;
    shade(client, &collimation, "12", "2").await;
    let place = at(client, &collimation).await;
    client
        .post(&format!("{collimation}/look"), &look(&place, "0.5", "8"))
        .await
        .location();
    let parts = client
        .get(&collimation)
        .await
        .attributes("input[name=parts]", "value")[0]
        .clone();
    let place = at(client, &collimation).await;
    client
        .post(
            &format!("{collimation}/go"),
            &[("at", &place), ("parts", &parts)],
        )
        .await
        .location();
    for _ in 0..2 {
        let place = at(client, &collimation).await;
        client
            .post(&format!("{collimation}/look"), &look(&place, "1.0", ""))
            .await
            .location();
    }
    let place = at(client, &collimation).await;
    client
        .post(&format!("{collimation}/end"), &[("at", &place)])
        .await
        .location();
    collimation
}

#[tokio::test]
async fn running_and_past_collimations_are_found_from_the_bench_and_the_instrument() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let bench = client.get("/bench").await;
    assert!(bench.words().contains("None is running"));
    assert!(!bench.select("a[href='/practice']").is_empty());
    let past = held(&mut client, "SC203").await;
    let running = begun(&mut client, "SC203").await;
    let bench = client.get("/bench").await;
    assert!(!bench.select(&format!("a[href='{running}']")).is_empty());
    assert!(!bench.select(&format!("a[href='{past}/sheet']")).is_empty());
    for list in ["/collimations", "/collimations?tag=SC203"] {
        let page = client.get(list).await;
        assert!(!page.select(&format!("a[href='{running}']")).is_empty());
        assert!(!page.select(&format!("a[href='{past}/sheet']")).is_empty());
    }
    assert_eq!(
        client.get("/collimations?tag=NOPE").await.status,
        StatusCode::NOT_FOUND
    );
    let csv = client.get("/collimations.csv?tag=SC203").await.text();
    assert_eq!(csv.trim().lines().count(), 3, "{csv}");
    assert!(csv.contains(",running,"), "{csv}");
    let instrument = client.get("/instruments/SC203").await;
    assert!(
        instrument
            .words()
            .contains("Continue the collimation session")
    );
    assert!(
        !instrument
            .select(&format!("a[href='{past}/sheet']"))
            .is_empty()
    );
    // The logbook leads to it from the work and from each look.
    let logbook = client.get("/instruments/SC203/logbook").await;
    assert_eq!(logbook.select(&format!("a[href='{past}/sheet']")).len(), 4);
    // Members see none of it.
    let (_, mut member) = house.someone(Role::Member).await;
    for path in [
        "/collimations",
        "/collimations.csv",
        &format!("{past}/sheet"),
    ] {
        assert_eq!(member.get(path).await.status, StatusCode::FORBIDDEN);
    }
    let seen = member.get("/instruments/SC203").await;
    assert!(seen.words().contains("Last collimation session"));
    assert!(seen.select(&format!("a[href='{past}/sheet']")).is_empty());
}

#[tokio::test]
async fn the_sheet_has_all_looks_and_turns_with_their_pictures() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let past = held(&mut client, "SC203").await;
    let sheet = client.get(&format!("{past}/sheet")).await;
    let words = sheet.words();
    for said in [
        "List before the session: done",
        "Shaded at 12",
        "Star check: coma",
        "Turned, sixteenths clockwise by screw",
        "Star check: even all round",
        "What came of it",
        "first check",
    ] {
        assert!(words.contains(said), "{said}: {words}");
    }
    assert_eq!(sheet.attributes("img.sheet-star", "src").len(), 3);
    assert_eq!(sheet.select(".sheet-tube svg").len(), 1);
    for src in sheet.attributes("img", "src") {
        assert_eq!(client.get(&src).await.status, StatusCode::OK, "{src}");
    }
}

#[tokio::test]
async fn a_form_sent_twice_after_a_lost_connection_acts_once() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    shade(&mut client, &collimation, "12", "2").await;
    let place = at(&mut client, &collimation).await;
    let fields = look(&place, "0.5", "8");
    for _ in 0..3 {
        let answer = client
            .post_once(&format!("{collimation}/look"), "look-mark", &fields)
            .await;
        assert_eq!(answer.location(), collimation);
    }
    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(instrument))
        .await
        .unwrap();
    assert_eq!(tests.len(), 1);
    drop(conn);
    let parts = client
        .get(&collimation)
        .await
        .attributes("input[name=parts]", "value")[0]
        .clone();
    let place = at(&mut client, &collimation).await;
    let adjustment = [("at", place.as_str()), ("parts", parts.as_str())];
    for _ in 0..2 {
        client
            .post_once(&format!("{collimation}/go"), "go-mark", &adjustment)
            .await
            .location();
    }
    let words = client.get(&collimation).await.words();
    assert_eq!(words.matches("Turned, sixteenths").count(), 1, "{words}");
    let place = at(&mut client, &collimation).await;
    for _ in 0..2 {
        client
            .post_once(&format!("{collimation}/end"), "end-mark", &[("at", &place)])
            .await
            .location();
    }
    // Without its place a form is told so, and changes nothing.
    let lost = client.post(&format!("{collimation}/go"), &[]).await;
    assert_eq!(lost.status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_collimation_survives_a_phone_that_sleeps_and_is_taken_over_midway() {
    let house = House::empty().await;
    let (by, mut first) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut first, "SC203").await;
    shade(&mut first, &collimation, "12", "2").await;
    let place = at(&mut first, &collimation).await;
    first
        .post(&format!("{collimation}/look"), &look(&place, "0.5", "8"))
        .await
        .location();
    let asked = |page: crate::common::Page| page.attributes("input[name=parts]", "value");
    let before = asked(first.get(&collimation).await);
    // The phone sleeps; its session is gone; the same person signs in anew.
    drop(first);
    let mut again = house.signed_in(by).await;
    assert_eq!(asked(again.get(&collimation).await), before);
    // Another goes on and turns what the first was asked to.
    let (_, mut second) = house.someone(Role::Volunteer).await;
    let page = second.get(&collimation).await;
    assert_eq!(asked(page), before);
    let place = at(&mut second, &collimation).await;
    let adjustment = [("at", place.as_str()), ("parts", before[0].as_str())];
    second
        .post(&format!("{collimation}/go"), &adjustment)
        .await
        .location();
    // The first's page, still open from before, must not turn it twice.
    let late = again.post(&format!("{collimation}/go"), &adjustment).await;
    assert_eq!(late.status, StatusCode::CONFLICT);
    assert!(late.words().contains("Someone has gone on"));
    let words = again.get(&collimation).await.words();
    assert_eq!(words.matches("Turned, sixteenths").count(), 1, "{words}");
    assert!(
        words.contains("Where is the ring thinnest?") || words.contains("Check these again"),
        "{words}"
    );
}
