//! How figures and dates are shown: in the club's zone and units.

use chrono::NaiveDate;

use crate::library::Moment;
use crate::library::club::{Club, Units};
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
    plain_date(club.date(at))
}

/// "14 March 2026".
pub fn plain_date(date: NaiveDate) -> String {
    date.format("%-d %B %Y").to_string()
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
        Units::Imperial => format!("{} in", trimmed(mm / 25.4, 1)),
    }
}

/// A weight: "4.2 kg" or "9.3 lb".
pub fn weight(club: &Club, kg: f64) -> String {
    match club.units {
        Units::Metric => format!("{} kg", trimmed(kg, 1)),
        Units::Imperial => format!("{} lb", trimmed(kg / 0.453_592_37, 1)),
    }
}

/// A distance: "120 km" or "75 miles".
pub fn distance(club: &Club, km: f64) -> String {
    match club.units {
        Units::Metric => format!("{} km", trimmed(km, 0)),
        Units::Imperial => format!("{} miles", trimmed(km / 1.609_344, 0)),
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

/// With a capital first.
pub fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
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
    fn figures_lose_only_zeros() {
        assert_eq!(trimmed(203.0, 1), "203");
        assert_eq!(trimmed(203.25, 1), "203.2");
        assert_eq!(trimmed(200.0, 0), "200");
    }
}
