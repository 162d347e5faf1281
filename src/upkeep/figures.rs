//! Figures as the rules' words show them, and months counted by the calendar.

use chrono::Months;

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

/// Calendar months from one instant to a later one: whole months by the day of
/// the month (UTC), then the share of the month begun. 0 when not later.
///
/// From 12 January to 12 October is exactly 9; months of different length do
/// not move the day on which a limit is reached.
pub fn months_between(from: Moment, to: Moment) -> f64 {
    if to <= from {
        return 0.0;
    }
    let guess = (to - from).num_days() / 28 + 1;
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
pub fn months_after(from: Moment, months: f64) -> Option<Moment> {
    let whole = months.max(0.0).floor();
    let begun = from.checked_add_months(Months::new(whole as u32))?;
    let next = from.checked_add_months(Months::new(whole as u32 + 1))?;
    let part = (next - begun).num_seconds() as f64 * (months.max(0.0) - whole);
    begun.checked_add_signed(chrono::Duration::seconds(part as i64))
}
