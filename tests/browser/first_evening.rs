//! A club's first evening: from the printed address to the first loan, every tap and
//! every field counted.

use std::cell::Cell;

use super::club::{Club, at_a_new_club};
use super::programs::word_after;
use super::visitor::{Scripts, Visitor, Window};

/// At most so many taps and fields up to a first loan.
const MOST_ACTS: usize = 25;

/// A visitor whose acts are counted.
struct Counted {
    visitor: Visitor,
    acts: Cell<usize>,
}

impl Counted {
    fn act(&self) -> &Visitor {
        self.acts.set(self.acts.get() + 1);
        &self.visitor
    }
}

async fn lends_on_the_first_evening(club: Club, window: Window, scripts: Scripts) {
    let visitor = club.visitor(window, scripts).await;
    let address = word_after(&club.said, "for three days:");
    visitor
        .open(address.strip_prefix(&club.base).unwrap())
        .await;
    let first = Counted {
        visitor,
        acts: Cell::new(0),
    };
    let phrase = "four dim rings drifting";
    for (field, text) in [
        ("Club", "Lantern Fell Astronomers"),
        ("Time zone", "Europe/Lisbon"),
        ("Your name", "Ottilie Brandt"),
        ("Email address", "ottilie@lantern.example"),
        ("Password", phrase),
        ("Password again", phrase),
    ] {
        first.act().fill(field, text).await;
    }
    first.act().press("Save").await;
    first.visitor.sees("Next: what the club lends").await;
    first.visitor.photograph("first-evening").await;
    first.act().press("Add an instrument").await;
    first
        .act()
        .press_css("label:has(input[name=design][value=newtonian])")
        .await;
    first.act().press("Continue").await;
    first.act().fill("Tag", "N203").await;
    first.act().press("Add to the register").await;
    first.visitor.sees("Next: who borrows").await;
    first.act().press("Add a person").await;
    first.act().fill("Name", "Bo Carver").await;
    first.act().press("Add to the list").await;
    first.visitor.sees("Next: the first loan").await;
    first.act().press("Lend an instrument").await;
    first.act().choose_starting("To whom", "Bo Carver").await;
    first.act().tick("All of it goes along").await;
    first.act().press("Lend it").await;
    first.visitor.sees("N203 is lent").await;
    let acts = first.acts.get();
    println!("counts: first evening: {acts} taps and fields to a first loan");
    assert!(acts <= MOST_ACTS, "{acts}");
    first.visitor.open("/first-evening").await;
    first.visitor.sees("The club is running").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_first_evening_leads_to_a_first_loan_at_a_desk() {
    at_a_new_club(|club| lends_on_the_first_evening(club, Window::Desk, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_first_evening_leads_to_a_first_loan_on_a_phone_without_scripts() {
    at_a_new_club(|club| lends_on_the_first_evening(club, Window::Phone, Scripts::Off)).await;
}
