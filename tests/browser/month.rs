//! Three invented clubs' spreadsheets become running clubs in one evening, and one of them
//! lends for a month by a clock of its own: the mails that left are exactly those that
//! should have, and its export makes the same club again.

mod acts;
mod days;
mod evening;
mod letters;
mod reports;
mod taken_away;

use chrono::NaiveDate;
use chrono_tz::Tz;

use crate::club::at_a_new_club;
use crate::own_time::at_a_new_club_on;
use crate::visitor::{Scripts, Window};
use evening::Lists;

/// A day of March 2026.
fn march(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, day).unwrap()
}

/// A day of April 2026.
fn april(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 4, day).unwrap()
}

const LANTERN: Lists = Lists {
    club: "Lantern Fell Astronomers",
    zone: "Europe/Helsinki",
    units: "Metric",
    founder: ("Maribel Oakes", "maribel.oakes@lantern.example"),
    files: &[
        "lantern/members.csv",
        "lantern/telescopes.csv",
        "lantern/gear.csv",
        "lantern/kit.csv",
        "lantern/loans.csv",
    ],
    answers: &[
        ("“refractor”", "achromat"),
        ("“dew heater”", "other thing"),
        ("“wants a new plug”", "on the shelf"),
        ("“Elspet Vance”", "Elspeth Vance"),
        (
            "Bellweather",
            "nobody on the list: add Mr. Bellweather as a guest",
        ),
        ("“Quill”", "Adela Quill"),
    ],
    kept: "16 people, 11 instruments, 12 things, 18 kit parts, 14 loans",
    tags: ["L04", "L07"],
};

const HERON: Lists = Lists {
    club: "Heron Point Stargazers",
    zone: "America/Denver",
    units: "Imperial",
    founder: ("Delphine Marsh", "delphine@heron.example"),
    files: &["heron.xlsx"],
    answers: &[("“Caspian Low”", "Caspian Lowe")],
    kept: "11 people, 8 instruments, 9 loans, 8 journeys",
    tags: ["03", "07"],
};

const QUARRY: Lists = Lists {
    club: "Quarry Lane Observers",
    zone: "Asia/Kolkata",
    units: "Metric",
    founder: ("Agnes Thorne", "agnes@quarry.example"),
    files: &["quarry.ods"],
    answers: &[("“wants a new screw”", "held")],
    kept: "5 people, 6 instruments, 17 kit parts, 5 loans, 5 star tests",
    tags: ["QN1", "QS1"],
};

#[tokio::test(flavor = "multi_thread")]
async fn a_club_of_csv_files_runs_for_a_month() {
    // A Tuesday; the clocks are put on in the night to Sunday 29 March.
    let begins = (march(10), "19:30");
    at_a_new_club_on(begins, Tz::Europe__Helsinki, |club, time| async move {
        let how = (Window::Desk, Scripts::On);
        let (maribel, labels) = evening::begins(&club, &LANTERN, how).await;
        let month = days::Month::begin(club.clone(), time.clone(), maribel, labels).await;
        month.first_week().await;
        month.second_week().await;
        month.third_week().await;
        month.fourth_week().await;
        letters::are_those_that_should_be(&time).await;
        taken_away::comes_back_the_same(&club, &time, &month.maribel).await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_workbook_becomes_a_running_club_without_scripts() {
    at_a_new_club(|club| async move {
        evening::begins(&club, &HERON, (Window::Desk, Scripts::Off)).await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sheet_of_three_units_becomes_a_running_club_on_a_phone() {
    at_a_new_club(|club| async move {
        evening::begins(&club, &QUARRY, (Window::Phone, Scripts::On)).await;
    })
    .await;
}
