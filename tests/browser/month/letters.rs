//! The mails of the month, written down by hand from the rules: what leaves is this list.

use chrono::NaiveDate;
use tubewright::library::messages::{Message, State};

use super::{april, march};
use crate::own_time::OwnTime;

const ADELA: &str = "adela.quill@lantern.example";
const AMBROSE: &str = "ambrose@lantern.example";
const ELSPETH: &str = "elspeth.vance@lantern.example";
const GIDEON: &str = "gideon@lantern.example";
const INGEBORG: &str = "ingeborg@lantern.example";
const JO: &str = "jo@lantern.example";
const LUCIA: &str = "lucia@lantern.example";
const MARIBEL: &str = "maribel.oakes@lantern.example";
const PETRA: &str = "petra.m@lantern.example";
const RUFUS: &str = "rufus@lantern.example";
const SAMUEL: &str = "samuel@lantern.example";

const LINK: &str = "Lantern Fell Astronomers: your sign-in link";

/// Day, to whom, what about.
fn written_by_hand() -> Vec<(NaiveDate, &'static str, &'static str)> {
    vec![
        // The first evening. L05 and the mount G02 with it were due on 7 February; the mount
        // does not come back. What is due for the bench and late is
        // told to the coordinator on the first day of a week that holds any.
        (march(10), RUFUS, LINK),
        (march(10), ELSPETH, "L05 is 31 days late"),
        (march(10), ELSPETH, "G02 is 31 days late"),
        (
            march(10),
            MARIBEL,
            "Lantern Fell Astronomers: the week from 9 March",
        ),
        (march(11), JO, LINK),
        // Every seven days from the first day late, 8 February, on.
        (march(15), ELSPETH, "L05 is 36 days late"),
        (march(15), ELSPETH, "G02 is 36 days late"),
        (
            march(16),
            MARIBEL,
            "Lantern Fell Astronomers: the week from 16 March",
        ),
        (march(20), LUCIA, LINK),
        (march(22), ELSPETH, "L05 is 43 days late"),
        (march(22), ELSPETH, "G02 is 43 days late"),
        (
            march(23),
            MARIBEL,
            "Lantern Fell Astronomers: the week from 23 March",
        ),
        // Renewed until 26 March.
        (march(23), JO, "L07 is due back in 3 days"),
        (march(23), SAMUEL, LINK),
        // Reserved from 27 March.
        (march(24), GIDEON, "L04 is reserved for you"),
        (march(25), ADELA, "L01 is due back in 3 days"),
        // Jo brought it in the evening; it is kept until 31 March.
        (march(26), LUCIA, "L07 is here for you"),
        (march(27), PETRA, "L02 is reserved for you"),
        (march(27), AMBROSE, "L09 is due back in 3 days"),
        // The day the clocks were put on, at nine by the new time.
        (march(29), ADELA, "L01 is 1 day late"),
        (march(29), ELSPETH, "G02 is 50 days late"),
        (
            march(30),
            MARIBEL,
            "Lantern Fell Astronomers: the week from 30 March",
        ),
        (march(31), SAMUEL, "L04: what you reported is settled"),
        // Lucia's days are over.
        (april(1), SAMUEL, "L07 is here for you"),
        (
            april(2),
            INGEBORG,
            "Lantern Fell Astronomers: You were made a coordinator",
        ),
        (
            april(2),
            INGEBORG,
            "Lantern Fell Astronomers: the week from 30 March",
        ),
        (april(3), PETRA, "L02 is due back in 3 days"),
        (april(5), ELSPETH, "G02 is 57 days late"),
        (
            april(6),
            MARIBEL,
            "Lantern Fell Astronomers: the week from 6 April",
        ),
        (
            april(6),
            INGEBORG,
            "Lantern Fell Astronomers: the week from 6 April",
        ),
        // Rufus wrote down that the eyepiece was missing, and Maribel put a new one in.
        (april(8), RUFUS, "L05: what you reported is settled"),
    ]
}

/// None missing, none double, none too many.
pub async fn are_those_that_should_be(time: &OwnTime) {
    let letters = time.letters();
    let mut left: Vec<_> = letters
        .iter()
        .map(|l| (l.at.date_naive(), l.to.as_str(), l.subject.as_str()))
        .collect();
    let mut wanted = written_by_hand();
    left.sort_unstable();
    wanted.sort_unstable();
    assert_eq!(
        left, wanted,
        "the mails that left are those that should have"
    );
    let forward = letters.iter().find(|l| l.at.date_naive() == march(29));
    assert_eq!(
        forward.unwrap().at.format("%H %z").to_string(),
        "09 +0300",
        "at nine by summer time"
    );
    // Those for people without mail were said by hand, or no longer so in time.
    let mut conn = time.library().read().await.unwrap();
    let all = Message::all(&mut conn).await.unwrap();
    let mut by_hand: Vec<_> = all
        .iter()
        .filter(|m| m.address.is_none())
        .map(|m| {
            let day = m.made_at.with_timezone(&letters[0].at.timezone());
            (
                day.date_naive(),
                m.person.as_str(),
                m.subject.as_str(),
                m.state,
            )
        })
        .collect();
    by_hand.sort_unstable_by_key(|m| m.0);
    assert_eq!(
        by_hand,
        [
            (
                march(17),
                "Casimir Dunmore",
                "L06 is due back in 3 days",
                State::Told
            ),
            (
                march(18),
                "Wren Penhale",
                "L02 is 1 day late",
                State::Dropped
            ),
            (
                march(21),
                "Casimir Dunmore",
                "L06 is due back in 3 days",
                State::Dropped
            ),
        ]
    );
    let sent = all.iter().filter(|m| m.address.is_some());
    let not_sent: Vec<_> = sent.filter(|m| m.state != State::Sent).collect();
    assert!(not_sent.is_empty(), "{not_sent:#?}");
}
