//! A member looks at a scope's condition before borrowing, and asks for it.

use tubewright::library::people::Role;

use super::club::{Club, at_the_demo_club};
use super::visitor::{Scripts, Window};

async fn looks_and_asks(club: Club, scripts: Scripts) {
    let guest = club.visitor(Window::Phone, scripts).await;
    // Without signing in: the start page, the shelf, a condition page.
    guest.open("/").await;
    guest.photograph("start").await;
    guest.open("/shelf").await;
    guest.sees("N130").await;
    guest.press_starting("N130").await;
    guest.sees("In the kit").await;
    assert_eq!(guest.path().await, "/instruments/N130");
    guest.photograph("condition").await;
    for wanted in ["rocker box", "Sun", "Ask to borrow it"] {
        guest.sees(wanted).await;
    }
    for (fold, wanted) in [
        ("Why, and the figures", "Resolv"),
        ("Weight, cool-down and size", "Focal length"),
        ("Handle it safely", "Sun"),
    ] {
        guest.press(fold).await;
        guest.sees(wanted).await;
    }
    let condition = guest.words_of(".verdict-name").await;
    assert!(
        [
            "Ready",
            "Usable with a limit",
            "Needs the bench",
            "Not checked"
        ]
        .contains(&condition.as_str()),
        "{condition}"
    );

    // Asking needs to be signed in; then it goes on where it was.
    let member = club.signed_in(Role::Member, Window::Phone, scripts).await;
    member.open("/instruments/N130").await;
    member.press("Ask to borrow it").await;
    member
        .pick("What do you want it for?", "Moon and planets")
        .await;
    member
        .fill(
            "A note for the lending desk",
            "Saturday morning would suit me.",
        )
        .await;
    member.press("Put me on the list").await;
    member.sees("You are on the waiting list for N130").await;
    member.go("My loans").await;
    member.sees("N130").await;
    member.photograph("my-loans").await;

    // The desk sees who asked; a visitor never does.
    let name = club.account(Role::Member).name;
    let volunteer = club.signed_in(Role::Volunteer, Window::Desk, scripts).await;
    volunteer.open("/instruments/N130/waiting").await;
    volunteer.sees(&name).await;
    volunteer.sees("Saturday morning would suit me.").await;
    guest.open("/instruments/N130").await;
    guest.sees("In the kit").await;
    assert!(!guest.words().await.contains(&name), "no borrower is named");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_member_looks_before_borrowing_and_asks() {
    at_the_demo_club(|club| looks_and_asks(club, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_member_looks_before_borrowing_and_asks_without_scripts() {
    at_the_demo_club(|club| looks_and_asks(club, Scripts::Off)).await;
}
