//! A part is lost, a loan is renewed, and the next in line gets it: by page, as people
//! do it.

use tubewright::library::people::Role;

use super::club::{Club, at_the_demo_club};
use super::visitor::{Scripts, Window};

async fn lost_renewed_and_waited_for(club: Club, scripts: Scripts) {
    let member = club.account(Role::Member).name;
    let kofi = club.signed_in(Role::Volunteer, Window::Desk, scripts).await;
    let saoirse = club.signed_in(Role::Member, Window::Phone, scripts).await;
    let ingrid = club
        .signed_in(Role::Coordinator, Window::Desk, scripts)
        .await;

    // N130 goes out to the member, for a week.
    kofi.open("/instruments/N130/lend").await;
    kofi.choose_starting("To whom", &member).await;
    kofi.tick("All of it goes along (5)").await;
    kofi.press("Lend it").await;
    kofi.sees("N130 is lent.").await;
    let loan = kofi.path().await;
    kofi.press("Loan sheet").await;
    kofi.sees("When something is wrong").await;
    kofi.photograph("loan-sheet").await;
    if scripts == Scripts::On {
        // The member signs with a finger, on the volunteer's screen.
        kofi.draws(
            ".sign-field",
            &[(-200, 20), (-80, -40), (40, 50), (180, -30)],
        )
        .await;
        kofi.press("Keep the signature").await;
        kofi.sees("The loan sheet of N130 is signed.").await;
        assert!(kofi.sees_any(".signature path").await);
        kofi.photograph("loan-sheet-signed").await;
    } else {
        assert!(
            !kofi.sees_any(".sign-field").await,
            "without scripts on paper"
        );
    }

    // The member renews what they have had for weeks; the fresh loan cannot be yet.
    saoirse.open("/my-loans").await;
    saoirse.sees("You can renew it from").await;
    saoirse.photograph("my-loans-to-renew").await;
    saoirse.press_starting("Renew until").await;
    saoirse.sees("Renewed: it is due on").await;

    // Somebody else asks for N130: then the member's time is up when it is up.
    ingrid.open("/instruments/N130/ask").await;
    ingrid.pick("What do you want it for?", "Anything").await;
    ingrid.press("Put me on the list").await;
    ingrid.sees("You are on the waiting list for N130.").await;
    saoirse.open(&loan).await;
    saoirse.sees("Somebody waits for it").await;

    // It comes back without its eyepiece, which stays on the member's account.
    kofi.open("/check-in/N130").await;
    for part in [
        "rocker box",
        "red-dot finder",
        "25 mm eyepiece",
        "primary cap",
    ] {
        kofi.tick(part).await;
    }
    kofi.photograph("without-a-part").await;
    kofi.press("Save").await;
    kofi.sees("Did not come back: 10 mm eyepiece").await;
    saoirse.open("/my-loans").await;
    saoirse.sees("On your account").await;
    saoirse.sees("N130: 10 mm eyepiece").await;
    saoirse.photograph("on-my-account").await;

    // It is kept for who asked; lending past them takes a reason.
    ingrid.open("/my-loans").await;
    ingrid.sees("It is kept for you until").await;
    kofi.open("/instruments/N130/lend").await;
    kofi.sees("is next in line").await;
    kofi.sees("Missing from its kit").await;
    kofi.photograph("past-the-next-in-line").await;
    kofi.choose_starting("To whom", &member).await;
    kofi.tick("All of it goes along (4)").await;
    kofi.press("Lend it").await;
    kofi.sees("Why it goes out all the same: please fill this in.")
        .await;
    kofi.fill(
        "Why it goes out all the same",
        "Ingrid lets it go this week.",
    )
    .await;
    kofi.press("Lend it").await;
    kofi.sees("N130 is lent.").await;
    kofi.sees("Ingrid lets it go this week.").await;

    // The coordinator settles the account; a new eyepiece comes into the kit.
    ingrid.open("/missing-kit").await;
    ingrid.sees("10 mm eyepiece").await;
    ingrid.photograph("missing-kit").await;
    let row = "//li[contains(@class, 'missing-row')][last()]";
    ingrid.press_in(row, "Settle it 10 mm eyepiece, N130").await;
    ingrid.press_in(row, "It was paid for").await;
    ingrid.press_in(row, "Settle").await;
    ingrid.sees("10 mm eyepiece of N130: paid for.").await;
    saoirse.open("/my-loans").await;
    saoirse.sees("With you now").await;
    assert!(!saoirse.words().await.contains("On your account"));
    ingrid
        .press_in(row, "It, or a new one, is in the kit: 10 mm eyepiece, N130")
        .await;
    ingrid
        .sees("10 mm eyepiece of N130: in the kit again.")
        .await;
    saoirse.open("/instruments/N130").await;
    saoirse.sees("10 mm eyepiece, primary cap.").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_part_is_lost_a_loan_renewed_and_the_next_in_line_gets_it() {
    at_the_demo_club(|club| lost_renewed_and_waited_for(club, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_without_scripts() {
    at_the_demo_club(|club| lost_renewed_and_waited_for(club, Scripts::Off)).await;
}
