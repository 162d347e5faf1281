//! How figures and dates are shown: in the club's zone and units.

use chrono::NaiveDate;

use crate::library::Moment;
use crate::library::club::{Club, Units};
use crate::library::measures::{INCH_MM, MILE_KM, POUND_KG};
pub use crate::library::{capital, day};
pub use crate::upkeep::figures::trimmed;

/// The error of a coma, waves: never none at all.
pub fn waves_error(sigma: f64) -> String {
    if sigma < 0.0005 {
        "less than 0.001".to_owned()
    } else {
        format!("{sigma:.3}")
    }
}

/// "14 March 2026", in the club's zone.
pub fn date(club: &Club, at: Moment) -> String {
    day(club.date(at))
}

/// A day as a list names it, never broken across lines: "Sat 28 Nov" within two
/// weeks of today, "28 Nov" within half a year, "28 Nov 2024" beyond.
pub fn short_day(date: NaiveDate, today: NaiveDate) -> String {
    let away = (date - today).num_days().abs();
    let pattern = match away {
        0..=14 => "%a\u{a0}%-d\u{a0}%b",
        15..=183 => "%-d\u{a0}%b",
        _ => "%-d\u{a0}%b\u{a0}%Y",
    };
    date.format(pattern).to_string()
}

/// How long ago: "today", "yesterday", "9 days ago", "3 weeks ago", "5 months ago".
pub fn ago(date: NaiveDate, today: NaiveDate) -> String {
    match (today - date).num_days() {
        ..=0 => "today".to_owned(),
        1 => "yesterday".to_owned(),
        days @ 2..=13 => format!("{days} days ago"),
        days @ 14..=60 => format!("{} weeks ago", days / 7),
        days => format!("{} months ago", (days as f64 / 30.44).floor()),
    }
}

/// How late something is: "1 day late", "4 days late".
pub fn days_late(days: i64) -> String {
    match days {
        1 => "1\u{a0}day\u{a0}late".to_owned(),
        n => format!("{n}\u{a0}days\u{a0}late"),
    }
}

/// "3 h 20 min".
pub fn hours(minutes: i64) -> String {
    match (minutes / 60, minutes % 60) {
        (0, min) => format!("{min}\u{a0}min"),
        (h, 0) => format!("{h}\u{a0}h"),
        (h, min) => format!("{h}\u{a0}h {min}\u{a0}min"),
    }
}

/// A chance in percent, never sure of anything: "62 %", "<1 %", ">99 %".
pub fn percent(chance: f64) -> String {
    match (chance * 100.0).round() as i64 {
        ..1 => "<1\u{a0}%".to_owned(),
        100.. => ">99\u{a0}%".to_owned(),
        n => format!("{n}\u{a0}%"),
    }
}

/// How many wait for it, in a sentence.
pub fn waiting(people: usize) -> String {
    match people {
        0 => "Nobody is waiting for it.".to_owned(),
        1 => "One person is waiting for it.".to_owned(),
        n => format!("{n} people are waiting for it."),
    }
}

/// "1 row", "3 rows".
pub fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// "kit, problems and notes".
pub fn list_of(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// "14 Mar 2026 21:30", in the club's zone.
pub fn time(club: &Club, at: Moment) -> String {
    at.with_timezone(&club.tz())
        .format("%-d %b %Y %H:%M")
        .to_string()
}

/// An aperture or focal length: "203 mm", or "8 in" for clubs that measure so.
pub fn length(club: &Club, mm: f64) -> String {
    match club.units {
        Units::Metric => format!("{} mm", trimmed(mm, 1)),
        Units::Imperial => format!("{} in", trimmed(mm / INCH_MM, 1)),
    }
}

/// A weight: "4.2 kg" or "9.3 lb".
pub fn weight(club: &Club, kg: f64) -> String {
    match club.units {
        Units::Metric => format!("{} kg", trimmed(kg, 1)),
        Units::Imperial => format!("{} lb", trimmed(kg / POUND_KG, 1)),
    }
}

/// A distance: "120 km" or "75 miles".
pub fn distance(club: &Club, km: f64) -> String {
    match club.units {
        Units::Metric => format!("{} km", trimmed(km, 0)),
        Units::Imperial => format!("{} miles", trimmed(km / MILE_KM, 0)),
    }
}

/// Money: "640 EUR".
pub fn money(club: &Club, cents: i64) -> String {
    if cents % 100 == 0 {
        format!("{} {}", cents / 100, club.currency)
    } else {
        format!("{}.{:02} {}", cents / 100, cents % 100, club.currency)
    }
}

/// A clock direction as people say it: "2 o'clock" for 55 to 65 degrees or so,
/// "half past 2" between.
pub fn clock(deg: f64) -> String {
    let halves = (deg.rem_euclid(360.0) / 15.0).round().rem_euclid(24.0);
    let hour = (halves / 2.0).floor();
    let hour = if hour == 0.0 { 12.0 } else { hour };
    if halves % 2.0 == 0.0 {
        format!("{hour} o'clock")
    } else {
        format!("half past {hour}")
    }
}

/// When an instrument on loan comes back; never with whom it is.
pub fn back_by(today: NaiveDate, due_on: NaiveDate) -> String {
    let day = day(due_on);
    if due_on < today {
        format!("and was due back on {day}")
    } else {
        format!("until {day}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clock_positions_read_as_people_say_them() {
        assert_eq!(clock(0.0), "12 o'clock");
        assert_eq!(clock(359.0), "12 o'clock");
        assert_eq!(clock(15.0), "half past 12");
        assert_eq!(clock(60.0), "2 o'clock");
        assert_eq!(clock(75.0), "half past 2");
        assert_eq!(clock(345.0), "half past 11");
    }

    #[test]
    fn days_near_by_have_their_weekday_and_far_ones_their_year() {
        let day = |text: &str| -> NaiveDate { text.parse().unwrap_or_default() };
        let today = day("2026-11-28");
        for (date, short, past) in [
            ("2026-11-28", "Sat 28 Nov", "today"),
            ("2026-11-27", "Fri 27 Nov", "yesterday"),
            ("2026-11-19", "Thu 19 Nov", "9 days ago"),
            ("2026-11-01", "1 Nov", "3 weeks ago"),
            ("2026-04-28", "28 Apr 2026", "7 months ago"),
        ] {
            assert_eq!(short_day(day(date), today).replace('\u{a0}', " "), short);
            assert_eq!(ago(day(date), today), past);
        }
        assert_eq!(percent(0.999), ">99\u{a0}%");
        assert_eq!(percent(0.004), "<1\u{a0}%");
        assert_eq!(percent(0.62), "62\u{a0}%");
    }

    #[test]
    fn figures_lose_only_zeros() {
        assert_eq!(trimmed(203.0, 1), "203");
        assert_eq!(trimmed(203.25, 1), "203.2");
        assert_eq!(trimmed(200.0, 0), "200");
    }
}
