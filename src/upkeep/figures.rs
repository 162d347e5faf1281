//! Figures as the rules' words show them, and months counted by the calendar.

use chrono::{DateTime, Duration, Months, NaiveDateTime, TimeZone};

use library::Moment;

/// A number with at most so many decimals, without trailing zeros.
pub fn trimmed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A value past its limit and the limit, with as many decimals as it takes to
/// see the difference (at least `decimals`, at most four).
pub fn apart(value: f64, limit: f64, decimals: usize) -> (String, String) {
    (decimals..=4)
        .map(|d| (trimmed(value, d), trimmed(limit, d)))
        .find(|(v, l)| v != l)
        .unwrap_or_else(|| {
            (
                format!("just over {}", trimmed(limit, 4)),
                trimmed(limit, 4),
            )
        })
}

/// Calendar months from one instant to a later one, by the clocks of their zone:
/// whole months by the day of the month, then the share of the month begun. 0 when
/// not later.
///
/// From 12 January to 12 October is exactly 9; months of different length do
/// not move the day on which a limit is reached.
pub fn months_between<Z: TimeZone>(from: DateTime<Z>, to: DateTime<Z>) -> f64 {
    if to <= from {
        return 0.0;
    }
    let (from, to) = (from.naive_local(), to.naive_local());
    let guess = (to - from).num_days().max(0) / 28 + 1;
    let mut whole = u32::try_from(guess).unwrap_or(u32::MAX);
    let after = |months: u32| from.checked_add_months(Months::new(months));
    while whole > 0 && after(whole).is_none_or(|m| m > to) {
        whole -= 1;
    }
    let (Some(begun), Some(next)) = (after(whole), after(whole + 1)) else {
        return f64::from(whole);
    };
    let part = (to - begun).num_seconds() as f64 / (next - begun).num_seconds().max(1) as f64;
    f64::from(whole) + part.clamp(0.0, 1.0)
}

/// The instant from which [`months_between`] is so many; `None` beyond the
/// calendar.
pub fn months_after<Z: TimeZone>(from: DateTime<Z>, months: f64) -> Option<Moment> {
    let (zone, from) = (from.timezone(), from.naive_local());
    let whole = months.max(0.0).floor();
    let begun = from.checked_add_months(Months::new(whole as u32))?;
    let next = from.checked_add_months(Months::new(whole as u32 + 1))?;
    let part = (next - begun).num_seconds() as f64 * (months.max(0.0) - whole);
    at(
        &zone,
        begun.checked_add_signed(Duration::seconds(part as i64))?,
    )
}

/// The instant at which a zone's clocks show this; where they leave it out, an hour
/// later.
fn at<Z: TimeZone>(zone: &Z, local: NaiveDateTime) -> Option<Moment> {
    let shown = |local: NaiveDateTime| local.and_local_timezone(zone.clone()).earliest();
    let there = shown(local).or_else(|| shown(local + Duration::hours(1)))?;
    Some(there.to_utc())
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use chrono_tz::Tz;

    use super::*;

    const ZONES: [Tz; 4] = [
        Tz::Pacific__Kiritimati,
        Tz::America__Los_Angeles,
        Tz::Asia__Kolkata,
        Tz::Europe__Lisbon,
    ];

    fn there(zone: Tz, day: (i32, u32, u32), hour: u32, minute: u32) -> DateTime<Tz> {
        let local = NaiveDate::from_ymd_opt(day.0, day.1, day.2)
            .and_then(|d| d.and_hms_opt(hour, minute, 0))
            .unwrap_or_default();
        at(&zone, local).unwrap_or_default().with_timezone(&zone)
    }

    /// Nine months end at the same time of the same day of the month by the club's
    /// clocks, late in the evening and early in the morning, whichever way the clocks
    /// were put meanwhile (both zones that change do so between January and October,
    /// and between July and April).
    #[test]
    fn months_are_those_of_the_clubs_calendar() {
        for zone in ZONES {
            for (hour, minute) in [(23, 30), (0, 30)] {
                for (from, to) in [
                    ((2026, 1, 12), (2026, 10, 12)),
                    ((2026, 7, 31), (2027, 4, 30)),
                ] {
                    let (from, to) = (
                        there(zone, from, hour, minute),
                        there(zone, to, hour, minute),
                    );
                    let nine = months_between(from, to);
                    assert!((nine - 9.0).abs() < 1e-9, "{zone} {hour}:{minute}: {nine}");
                    let after = months_after(from, 9.0);
                    assert_eq!(after, Some(to.to_utc()), "{zone} {hour}:{minute}");
                    let before = to - Duration::minutes(1);
                    assert!(months_between(from, before) < 9.0, "{zone}");
                }
            }
        }
    }

    /// A time that the clocks leave out (Lisbon, 29 March 2026, 1:30; Los Angeles, 8
    /// March, 2:30) is met an hour later; one that they show twice, the first time.
    #[test]
    fn changes_of_the_clocks_are_crossed() {
        for (zone, from, out) in [
            (Tz::Europe__Lisbon, (2026, 2, 28), (2026, 3, 28)),
            (Tz::America__Los_Angeles, (2026, 2, 8), (2026, 3, 8)),
        ] {
            for minute in [0, 30, 59] {
                let begun = there(zone, from, 2, minute);
                let then = months_after(begun, 1.0).unwrap_or_default();
                let months = months_between(begun, then.with_timezone(&zone));
                assert!((0.99..1.01).contains(&months), "{zone} {out:?}: {months}");
            }
        }
        let twice = there(Tz::Europe__Lisbon, (2026, 9, 25), 1, 30);
        let first = months_after(twice, 1.0).map(|m| m.to_rfc3339());
        assert_eq!(first.as_deref(), Some("2026-10-25T00:30:00+00:00"));
    }
}
