//! When something happened, as people type it: a date and perhaps a time in
//! the club's zone.

use chrono::NaiveTime;

use super::fields::FormErrors;
use crate::library::Moment;
use crate::library::club::Club;

/// Reads a day that may be left out (now), and a time that may be left out
/// (noon, or now where the day is today). Nothing later than now is taken.
pub fn read(
    errors: &mut FormErrors,
    (day_field, day): (&str, &str),
    (time_field, time): (&str, &str),
    club: &Club,
    now: Moment,
) -> Option<Moment> {
    let day = day.trim();
    let time = time.trim();
    let today = club.date(now);
    let date = if day.is_empty() {
        today
    } else {
        errors.date(day_field, "Day", day)?
    };
    if date > today {
        errors.add(
            day_field,
            "Day: this is yet to come. Give today or an earlier day.",
        );
        return None;
    }
    if date < today - chrono::Duration::days(36_525) {
        errors.add(day_field, "Day: this is more than a century ago.");
        return None;
    }
    if time.is_empty() {
        return Some(club.on_day(date, now));
    }
    let parsed = NaiveTime::parse_from_str(time, "%H:%M")
        .or_else(|_| NaiveTime::parse_from_str(time, "%H:%M:%S"));
    let Ok(time) = parsed else {
        errors.add(time_field, "Time: give hours and minutes like 21:30.");
        return None;
    };
    let at = club.moment(date, time);
    if at > now {
        errors.add(
            time_field,
            "Time: this is yet to come. Give an earlier one.",
        );
        return None;
    }
    Some(at)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use chrono::NaiveDate;

    fn club() -> Club {
        Club {
            zone: "Europe/Lisbon".to_owned(),
            ..Club::default()
        }
    }

    fn at(text: &str) -> Moment {
        text.parse().unwrap()
    }

    #[test]
    fn a_past_day_is_its_noon_in_the_clubs_zone() {
        let now = at("2026-07-10T22:00:00Z");
        let mut errors = FormErrors::new();
        let told = read(&mut errors, ("on", "2026-07-08"), ("at", ""), &club(), now);
        assert_eq!(told, Some(at("2026-07-08T11:00:00Z")));
        let told = read(&mut errors, ("on", ""), ("at", ""), &club(), now);
        assert_eq!(told, Some(now));
        assert!(errors.is_empty());
    }

    #[test]
    fn nothing_that_is_yet_to_come_is_taken() {
        let now = at("2026-07-10T20:00:00Z");
        for (on, time, field) in [
            ("2026-07-11", "", "on"),
            ("2026-07-10", "23:59", "at"),
            ("2026-07-10", "quarter to", "at"),
            ("soon", "", "on"),
        ] {
            let mut errors = FormErrors::new();
            let told = read(&mut errors, ("on", on), ("at", time), &club(), now);
            assert_eq!(told, None, "{on} {time}");
            assert!(!errors.of(field).is_empty(), "{on} {time}");
        }
    }

    #[test]
    fn the_day_is_the_clubs_own_and_not_utcs() {
        let club = Club {
            zone: "Pacific/Auckland".to_owned(),
            ..Club::default()
        };
        // 20:00 UTC is already the next morning there.
        let mut errors = FormErrors::new();
        let told = read(
            &mut errors,
            ("on", "2026-07-11"),
            ("at", "07:00"),
            &club,
            at("2026-07-10T20:00:00Z"),
        );
        assert_eq!(told, Some(at("2026-07-10T19:00:00Z")));
    }

    #[test]
    fn an_hour_that_the_clocks_skipped_is_an_hour_on() {
        let date = NaiveDate::from_ymd_opt(2026, 3, 29).unwrap();
        let time = NaiveTime::from_hms_opt(1, 30, 0).unwrap();
        assert_eq!(club().moment(date, time), at("2026-03-29T01:30:00Z"));
    }
}
