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

/// ASVS 4.0.3, 2.1.12: what is typed can be looked at; it is hidden again when sent, and kept nowhere.
#[tokio::test(flavor = "multi_thread")]
async fn a_password_is_shown_on_asking_and_never_kept() {
    at_a_new_club(async |club| {
        let first = club.visitor(Window::Phone, Scripts::On).await;
        let address = word_after(&club.said, "for three days:");
        first.open(address.strip_prefix(&club.base).unwrap()).await;
        let kind = "return document.querySelector('#f-password').type";
        first.fill("Club", "Lantern Fell Astronomers").await;
        first.fill("Your name", "Ottilie Brandt").await;
        first.fill("Email address", "ottilie@lantern.example").await;
        first.fill("Password", "short and sweet").await;
        assert_eq!(first.script(kind).await, "password");
        first.press_css("[data-show=f-password]").await;
        assert_eq!(first.script(kind).await, "text");
        assert_eq!(first.words_of("[data-show=f-password]").await, "Hide");
        first.press_css("[data-show=f-password]").await;
        assert_eq!(first.script(kind).await, "password");
        assert_eq!(first.words_of("[data-show=f-password]").await, "Show");

        // Sent while shown: the page that answers hides it, and the browser's store holds nothing of it.
        first.press_css("[data-show=f-password]").await;
        first.press("Save").await;
        first.sees("Nothing was saved yet").await;
        assert_eq!(first.script(kind).await, "password");
        let kept = first
            .script("return JSON.stringify(sessionStorage) + JSON.stringify(localStorage)")
            .await;
        let kept = kept.as_str().unwrap();
        assert!(!kept.contains("short and sweet"), "{kept}");
    })
    .await;
}
