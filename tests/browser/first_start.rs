//! A club's first day: the printed address, the first coordinator, signing in.

use super::club::{Club, at_a_new_club};
use super::programs::word_after;
use super::visitor::{Scripts, Window};

async fn sets_the_club_up(club: Club, window: Window, scripts: Scripts) {
    let first = club.visitor(window, scripts).await;
    let address = word_after(&club.said, "for three days:");
    let path = address.strip_prefix(&club.base).unwrap();
    first.open(path).await;

    // A password too short: the page says so, and keeps what was typed.
    first.fill("Club", "Lantern Fell Astronomers").await;
    first.fill("Time zone", "Europe/Lisbon").await;
    first.fill("Your name", "Ottilie Brandt").await;
    first.fill("Email address", "ottilie@lantern.example").await;
    first.fill("Password", "short").await;
    first.fill("Password again", "short").await;
    first.press("Save").await;
    first.sees("At least 15 characters").await;
    first.photograph("mend").await;
    assert_eq!(first.holds("Your name").await, "Ottilie Brandt");
    assert_eq!(first.holds("Club").await, "Lantern Fell Astronomers");

    let phrase = "four dim rings drifting";
    first.fill("Password", phrase).await;
    first.fill("Password again", phrase).await;
    first.press("Save").await;
    first
        .wait_until("going in", || async { first.path().await != path })
        .await;
    first.go("Settings").await;
    assert_eq!(first.holds("Time zone").await, "Europe/Lisbon");

    // The address works once, and the password works from elsewhere.
    let second = club.visitor(window, scripts).await;
    second.open_in_vain(path).await;
    second.sees("Not found").await;
    second.sign_in("ottilie@lantern.example", phrase).await;
    second.open("/people").await;
    second.sees("Ottilie Brandt").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_first_coordinator_sets_a_club_up_at_a_desk() {
    at_a_new_club(|club| sets_the_club_up(club, Window::Desk, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_first_coordinator_sets_a_club_up_on_a_phone_without_scripts() {
    at_a_new_club(|club| sets_the_club_up(club, Window::Phone, Scripts::Off)).await;
}
