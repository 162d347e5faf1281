//! The whole cycle by clicking, watched from the command line: lent,
//! driven about, returned, star test, due, bench, work, star test, in line.

use tubewright::library::people::Role;

use super::check_in::{coma_shown, measures};
use super::club::{Club, at_the_demo_club};
use super::visitor::{Scripts, Window};

const TAG: &str = "SC203A";

/// The reasons why it is due, as the command line tells them.
fn due(club: &Club) -> Option<String> {
    let told = tokio::task::block_in_place(|| club.command(&["due", "--json"]));
    let told: serde_json::Value = serde_json::from_str(&told).unwrap();
    told["due"]
        .as_array()
        .unwrap()
        .iter()
        .find(|row| row["tag"] == TAG)
        .map(|row| row["reasons"].to_string())
}

async fn goes_round(club: Club, scripts: Scripts) {
    let at = |rest: &str| format!("/instruments/{TAG}{rest}");
    let ingrid = club
        .signed_in(Role::Coordinator, Window::Desk, scripts)
        .await;

    ingrid.open(&at("")).await;
    ingrid.press("Lend").await;
    ingrid
        .choose_starting("To whom", "Noor Tolbeck-Reyes")
        .await;
    ingrid.tick("All of it goes along").await;
    ingrid.press("Lend it").await;
    ingrid.sees(TAG).await;
    ingrid.open(&at("")).await;
    ingrid.sees("On loan").await;

    // It cannot be lent twice.
    ingrid.open(&at("/lend")).await;
    ingrid.sees("It cannot go out now").await;

    ingrid.press("Return").await;
    ingrid.tick("All of it is here").await;
    ingrid.tick("By car").await;
    ingrid.fill("How far, there and back", "120").await;
    ingrid.tick("On rough road").await;
    ingrid.press("Save").await;
    ingrid.sees("Next step").await;

    // A star test: 0.12 waves is over its limit, 1/14 wave.
    ingrid.press("Star test or frames").await;
    measures(&ingrid, "sct-outside.fits.gz", "Outside").await;
    let coma = coma_shown(&ingrid).await;
    assert!((coma - 0.12).abs() < 0.018, "coma {coma}, 0.12 is true");
    ingrid.open(&at("")).await;
    assert_eq!(ingrid.words_of(".verdict-name").await, "Needs the bench");
    let why = due(&club).expect("it is due");
    assert!(why.contains("Coma"), "{why}");
    ingrid.go("Due").await;
    ingrid.sees(TAG).await;

    ingrid.open(&at("/bench?to=bench")).await;
    ingrid.fill("Reason", "Coma over its limit").await;
    ingrid.press("Move it").await;
    ingrid.sees("At the bench").await;
    ingrid.photograph("bench").await;

    // At the bench it cannot be lent by a volunteer.
    let kofi = club
        .signed_in(Role::Volunteer, Window::Phone, scripts)
        .await;
    kofi.open(&at("/lend")).await;
    kofi.sees("It cannot go out now").await;

    ingrid.open(&at("/work")).await;
    ingrid.pick("What was done", "Collimation").await;
    ingrid.pick("Was anything optical moved?", "Yes").await;
    ingrid
        .fill("In words", "Three small turns, star centred after each.")
        .await;
    ingrid.press("Log the work").await;
    ingrid
        .wait_until("the work to be logged", || async {
            ingrid.path().await != at("/work")
        })
        .await;
    ingrid.open(&at("")).await;
    assert_eq!(ingrid.words_of(".verdict-name").await, "Not checked");

    ingrid.open(&at("/star-test")).await;
    measures(&ingrid, "sct-in-line.tif", "Outside").await;
    let coma = coma_shown(&ingrid).await;
    assert!(coma < 0.02, "coma {coma}, none is true");
    assert_eq!(ingrid.words_of(".verdict-name").await, "Ready");

    ingrid.open(&at("/bench?to=shelf")).await;
    ingrid.fill("Reason", "Ready again").await;
    ingrid.press("Move it").await;
    ingrid.sees("is on the shelf now").await;
    ingrid.open(&at("")).await;
    ingrid.sees("On the shelf").await;
    assert_eq!(ingrid.words_of(".verdict-name").await, "Ready");
    assert_eq!(due(&club), None, "no longer due");

    // All of it stands in the logbook.
    ingrid.open(&at("/logbook")).await;
    let book = ingrid.words().await;
    for line in [
        "Ready again",
        "Three small turns",
        "Coma over its limit",
        "0.1",
    ] {
        assert!(book.contains(line), "{line} is not in: {book}");
    }
    ingrid.photograph("logbook").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scope_goes_the_whole_round() {
    at_the_demo_club(|club| goes_round(club, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scope_goes_the_whole_round_without_scripts() {
    at_the_demo_club(|club| goes_round(club, Scripts::Off)).await;
}
