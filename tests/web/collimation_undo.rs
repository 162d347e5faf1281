//! The step back in a collimation: struck out, never deleted.

use axum::http::StatusCode;
use tubewright::library::instruments::Design;
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, PersonId, star_tests, works};

use crate::collimation_stages::of_design;
use crate::collimations::{at, begun, look, shade, with_screws};
use crate::common::{Client, House};

async fn looked(client: &mut Client, collimation: &str, ratio: &str, clock: &str) {
    let place = at(client, collimation).await;
    client
        .post(&format!("{collimation}/look"), &look(&place, ratio, clock))
        .await
        .location();
}

async fn parts(client: &mut Client, collimation: &str) -> String {
    let page = client.get(collimation).await;
    let parts = page.attributes("input[name=parts]", "value");
    assert_eq!(parts.len(), 1, "{}", page.words());
    parts[0].clone()
}

/// A volunteer's collimation session whose shade test is made.
async fn shaded(house: &House) -> (Client, PersonId, InstrumentId, String) {
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = with_screws(house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    shade(&mut client, &collimation, "12", "2").await;
    (client, by, instrument, collimation)
}

async fn returned(client: &mut Client, collimation: &str) {
    let place = at(client, collimation).await;
    client
        .post(&format!("{collimation}/back"), &[("at", &place)])
        .await
        .location();
}

#[tokio::test]
async fn a_wrong_look_is_returned_and_the_advice_forgets_it() {
    let house = House::empty().await;
    let (mut client, by, instrument, collimation) = shaded(&house).await;
    // The wrong hour was tapped.
    looked(&mut client, &collimation, "0.5", "8").await;
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Last entered: star check: coma"), "{page}");
    let wrong = parts(&mut client, &collimation).await;
    returned(&mut client, &collimation).await;

    let page = client.get(&collimation).await;
    assert!(
        page.words().contains("Before the first star check"),
        "{}",
        page.words()
    );
    let struck = page.select("del").join(" ");
    assert!(struck.contains("thin side at 8"), "{struck}");
    assert!(page.words().contains("undone"), "{}", page.words());
    // What can be undone now is the shade.
    assert!(page.words().contains("Last entered: shaded at 12"));
    let sheet = client.get(&format!("{collimation}/sheet")).await;
    assert!(sheet.select("del").join(" ").contains("thin side at 8"));
    // In the logbook too: it stays, struck out, and counts no more.
    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(instrument)).await;
    assert_eq!(tests.unwrap().len(), 0);
    drop(conn);
    let logbook = client.get("/instruments/SC203/logbook").await.words();
    assert!(
        logbook.contains("Undone at the collimation session."),
        "{logbook}"
    );

    // The right look then leads where it leads where none was wrong.
    looked(&mut client, &collimation, "0.5", "4").await;
    let right = parts(&mut client, &collimation).await;
    assert_ne!(right, wrong);
    with_screws(&house, "TWIN", by).await;
    let twin = begun(&mut client, "TWIN").await;
    shade(&mut client, &twin, "12", "2").await;
    looked(&mut client, &twin, "0.5", "4").await;
    assert_eq!(right, parts(&mut client, &twin).await);
}

#[tokio::test]
async fn a_turn_that_was_not_made_is_returned_and_does_not_count() {
    let house = House::empty().await;
    let (mut client, _, instrument, collimation) = shaded(&house).await;
    looked(&mut client, &collimation, "0.5", "8").await;
    let asked = parts(&mut client, &collimation).await;
    let place = at(&mut client, &collimation).await;
    let fields = [("at", place.as_str()), ("parts", asked.as_str())];
    client
        .post(&format!("{collimation}/go"), &fields)
        .await
        .location();
    let page = client.get(&collimation).await.words();
    assert!(page.contains("what has been turned stays turned"), "{page}");
    returned(&mut client, &collimation).await;
    assert_eq!(parts(&mut client, &collimation).await, asked);
    // Step by step back to the list, and no further.
    for _ in 0..3 {
        returned(&mut client, &collimation).await;
    }
    let page = client.get(&collimation).await;
    assert!(page.words().contains("Tick each when it is so"));
    assert!(!page.words().contains("Last entered"), "{}", page.words());
    let place = at(&mut client, &collimation).await;
    let back = format!("{collimation}/back");
    let refused = client.post(&back, &[("at", &place)]).await;
    assert_eq!(refused.status, StatusCode::CONFLICT);
    assert!(refused.words().contains("nothing to undo"));
    // Ended, it counts neither look nor turn, and stays as it is.
    let ended = client
        .post(&format!("{collimation}/end"), &[("at", &place)])
        .await;
    assert_eq!(ended.location(), collimation);
    let page = client.get(&collimation).await.words();
    assert!(page.contains("No star check; nothing turned"), "{page}");
    assert!(!page.contains("Undo it"), "{page}");
    let refused = client.post(&back, &[("at", &place)]).await;
    assert_eq!(refused.status, StatusCode::CONFLICT);
    assert!(refused.words().contains("has ended"), "{}", refused.words());
    let mut conn = house.library.read().await.unwrap();
    let work = works::current(&mut conn, Some(instrument)).await.unwrap();
    assert!(!work[0].moved_optics && work[0].words.contains("no adjustments"));
}

#[tokio::test]
async fn a_step_back_acts_once_and_never_on_what_another_has_added() {
    let house = House::empty().await;
    let (by, mut first) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut first, "SC203").await;
    shade(&mut first, &collimation, "12", "2").await;
    shade(&mut first, &collimation, "3", "5").await;
    let back = format!("{collimation}/back");
    // Sent twice, it takes one step back.
    let place = at(&mut first, &collimation).await;
    for _ in 0..2 {
        first
            .post_once(&back, "one-mark", &[("at", place.as_str())])
            .await
            .location();
    }
    let page = first.get(&collimation).await;
    assert_eq!(page.select("del").len(), 1, "{}", page.words());
    assert!(page.words().contains("Last entered: shaded at 12"));

    // A second volunteer goes on; the first still sees the shade as the last.
    let stale = at(&mut first, &collimation).await;
    let (_, mut second) = house.someone(Role::Volunteer).await;
    looked(&mut second, &collimation, "0.5", "8").await;
    let late = first.post(&back, &[("at", &stale)]).await;
    assert_eq!(late.status, StatusCode::CONFLICT);
    assert!(late.attributes("main a.key", "href").contains(&collimation));
    let words = late.words();
    assert!(
        words.contains("Someone has gone on") && words.contains("Nothing was undone"),
        "{words}"
    );
    let page = first.get(&collimation).await;
    assert_eq!(page.select("del").len(), 1, "{}", page.words());
    assert!(
        page.words().contains("Last entered: star check"),
        "{}",
        page.words()
    );
    // Seen, the other's look can be undone; the log says who did.
    returned(&mut first, &collimation).await;
    let page = first.get(&collimation).await;
    assert_eq!(page.select("del").len(), 2);
    assert!(page.words().contains(" by "), "{}", page.words());
}

#[tokio::test]
async fn a_stage_gone_on_to_too_early_is_returned() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    of_design(&house, "N203", Design::Newtonian, 1015.0, by).await;
    let begin = "/instruments/N203/collimation";
    let begun = client.post(begin, &[("focuser_clock", "3")]).await;
    let collimation = begun.location().to_owned();
    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/stage"), &[("at", &place)])
        .await
        .location();
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Where the laser meets"), "{page}");
    returned(&mut client, &collimation).await;
    let page = client.get(&collimation).await;
    assert!(page.words().contains("The flat must look round"));
    assert!(page.select("del").join(" ").contains("Flat, by the laser"));
    // Gone on anew, a mark is noted in the stage it belongs to.
    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/stage"), &[("at", &place)])
        .await
        .location();
    let place = at(&mut client, &collimation).await;
    let mark = [
        ("at", place.as_str()),
        ("mark_mm", "9"),
        ("mark_clock", "12"),
    ];
    client
        .post(&format!("{collimation}/mark"), &mark)
        .await
        .location();
    let page = client.get(&collimation).await;
    assert!(
        page.words()
            .contains("Laser off while anyone is at the front")
    );
    assert!(page.words().contains("Last entered: mark off by 9.0"));
    assert_eq!(page.select("del").len(), 1);
}
