//! The messages in words: plain text, one thing each, with what to do.

use std::fmt::Write as _;

use chrono::NaiveDate;

use crate::library::Moment;
use crate::library::club::Club;
use crate::web::show;

/// What surrounds a message: a greeting before it, and after it who writes.
pub fn letter(club: &Club, name: &str, lines: &[String]) -> String {
    let mut text = format!("Hello {name},\n\n");
    for line in lines {
        let _ = writeln!(text, "{line}\n");
    }
    text.push_str(&signed(club));
    text
}

/// What mail ends with where its reader may do without: how to get fewer.
pub fn fewer(base: &str) -> String {
    format!("\nChoose which messages you get: {base}/me#messages\n")
}

fn signed(club: &Club) -> String {
    if club.contact.is_empty() {
        format!("{}\n", club.name)
    } else {
        format!("{}\n{}\n", club.name, club.contact)
    }
}

/// "Tuesday 14 March".
pub fn day(date: NaiveDate) -> String {
    date.format("%A %-d %B %Y").to_string()
}

/// How somebody signs in has changed.
pub fn account(club: &Club, what: &str, at: Moment) -> String {
    format!(
        "{what}\n\nThis was on {}. If it was you, there is nothing to do. If not, tell the club at once, so that somebody can sign you out everywhere.\n\n{}",
        show::time(club, at),
        signed(club)
    )
}

/// A link to choose a password at.
pub fn sign_in_link(club: &Club, name: &str, link: &str) -> String {
    format!(
        "Hello {name},\n\nOpen this link and choose a password. It works once, for three days:\n\n{link}\n\nIf you did not ask for it, leave it: without the link nothing changes.\n\n{}",
        signed(club)
    )
}

/// Whether mail arrives.
pub fn trial(club: &Club, name: &str) -> String {
    format!(
        "Hello {name},\n\nThis is a test message. Mail from {} reaches you.\n\n{}",
        club.name,
        signed(club)
    )
}
