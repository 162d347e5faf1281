//! Days as people write them.

use chrono::{Datelike, Days, NaiveDate};

use super::cells::Cell;

/// Which of two figures is the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Habit {
    /// 3/4/2025 is the third of April.
    DayFirst,
    /// 3/4/2025 is the fourth of March.
    MonthFirst,
}

impl Habit {
    /// As it is held among the answers.
    pub fn slug(self) -> &'static str {
        match self {
            Self::DayFirst => "day-first",
            Self::MonthFirst => "month-first",
        }
    }

    /// From an answer.
    pub fn of(answer: &str) -> Option<Self> {
        [Self::DayFirst, Self::MonthFirst]
            .into_iter()
            .find(|h| h.slug() == answer)
    }
}

/// What a cell may be as a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Nothing stands there.
    Nothing,
    /// This day, whatever the habit.
    Plain(NaiveDate),
    /// One of two, by the habit.
    Either {
        /// With the day first.
        day_first: NaiveDate,
        /// With the month first.
        month_first: NaiveDate,
    },
    /// This day, which has it the one way only.
    Only(Habit, NaiveDate),
    /// No day.
    NoDay,
}

impl Reading {
    /// The day by a habit; what can be read one way only is read that way.
    pub fn by(self, habit: Option<Habit>) -> Option<NaiveDate> {
        match (self, habit) {
            (Self::Plain(day) | Self::Only(_, day), _) => Some(day),
            (Self::Either { day_first, .. }, Some(Habit::DayFirst)) => Some(day_first),
            (Self::Either { month_first, .. }, Some(Habit::MonthFirst)) => Some(month_first),
            _ => None,
        }
    }
}

/// What a column of cells says of the habit it was written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Told {
    /// Nothing hangs on it.
    NoMatter,
    /// All of it was written in this habit.
    Plainly(Habit),
    /// Some days can be read either way, and nothing else says which.
    Open,
    /// Both habits are in it, and some days can be read either way.
    Mixed,
}

/// Looks through a column's readings.
pub fn told(readings: impl Iterator<Item = Reading>) -> Told {
    let (mut either, mut day_first, mut month_first) = (false, false, false);
    for reading in readings {
        match reading {
            Reading::Either { .. } => either = true,
            Reading::Only(Habit::DayFirst, _) => day_first = true,
            Reading::Only(Habit::MonthFirst, _) => month_first = true,
            _ => {}
        }
    }
    match (either, day_first, month_first) {
        (false, _, _) => Told::NoMatter,
        (true, true, false) => Told::Plainly(Habit::DayFirst),
        (true, false, true) => Told::Plainly(Habit::MonthFirst),
        (true, true, true) => Told::Mixed,
        (true, false, false) => Told::Open,
    }
}

/// Serial days as spreadsheets count them from 30 December 1899: those of 1955 to 2100
/// are taken for days.
const SERIALS: std::ops::RangeInclusive<f64> = 20_000.0..=73_050.0;

/// Reads a cell.
pub fn read(cell: &Cell) -> Reading {
    match cell {
        Cell::Empty => Reading::Nothing,
        Cell::Day(day) => Reading::Plain(*day),
        Cell::Number(number) => serial(*number),
        Cell::Text(text) => words(text),
    }
}

fn serial(number: f64) -> Reading {
    if !SERIALS.contains(&number) {
        return Reading::NoDay;
    }
    NaiveDate::from_ymd_opt(1899, 12, 30)
        .and_then(|start| start.checked_add_days(Days::new(number.floor() as u64)))
        .map_or(Reading::NoDay, Reading::Plain)
}

const MONTHS: [&str; 12] = [
    "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
];

const WEEKDAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

/// The month a word is, by its first three letters at least.
fn month(word: &str) -> Option<u32> {
    const LONG: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    let at = MONTHS.iter().position(|m| word.starts_with(m))?;
    (LONG[at].starts_with(word) || word == "sept").then(|| at as u32 + 1)
}

/// Two figures of a year are of this century up to 68, as POSIX has it for %y.
fn year(written: &str) -> Option<i32> {
    let year: i32 = written.parse().ok()?;
    match written.len() {
        4 => Some(year),
        2 if year <= 68 => Some(2000 + year),
        2 => Some(1900 + year),
        _ => None,
    }
}

fn words(text: &str) -> Reading {
    let text = text.to_lowercase();
    let parts: Vec<&str> = text
        .split(|c: char| !c.is_alphanumeric())
        .filter(|p| !p.is_empty())
        .collect();
    // A weekday before it, an hour behind it.
    let parts: Vec<&str> = match parts.as_slice() {
        [first, rest @ ..]
            if rest.len() >= 3 && WEEKDAYS.iter().any(|day| first.starts_with(day)) =>
        {
            rest.to_vec()
        }
        all => all.to_vec(),
    };
    if let [one] = parts.as_slice() {
        return match one.parse::<f64>() {
            Ok(number) if one.len() == 5 => serial(number),
            // 20250403
            Ok(_) if one.len() == 8 => {
                NaiveDate::parse_from_str(one, "%Y%m%d").map_or(Reading::NoDay, Reading::Plain)
            }
            _ => Reading::NoDay,
        };
    }
    let [first, second, third, rest @ ..] = parts.as_slice() else {
        return Reading::NoDay;
    };
    // An ISO moment: 2025-04-03T19:30:00.
    let third = third.split('t').next().unwrap_or(third);
    if !rest
        .iter()
        .all(|p| p.starts_with(|c: char| c.is_ascii_digit()) || matches!(*p, "am" | "pm" | "z"))
    {
        return Reading::NoDay;
    }
    let plain = |y: Option<i32>, m: u32, d: &str| {
        let d = d.trim_end_matches(|c: char| c.is_alphabetic());
        let day = y.zip(d.parse().ok());
        day.and_then(|(y, d)| NaiveDate::from_ymd_opt(y, m, d))
            .map_or(Reading::NoDay, Reading::Plain)
    };
    if let Some(m) = month(second) {
        return plain(year(third), m, first);
    }
    if let Some(m) = month(first) {
        return plain(year(third), m, second);
    }
    let (Ok(a), Ok(b)) = (first.parse::<u32>(), second.parse::<u32>()) else {
        return Reading::NoDay;
    };
    if first.len() == 4 {
        return plain(year(first), b, third);
    }
    let Some(y) = year(third) else {
        return Reading::NoDay;
    };
    let (day_first, month_first) = (
        NaiveDate::from_ymd_opt(y, b, a),
        NaiveDate::from_ymd_opt(y, a, b),
    );
    match (day_first, month_first) {
        (Some(day), Some(other)) if day == other => Reading::Plain(day),
        (Some(day_first), Some(month_first)) => Reading::Either {
            day_first,
            month_first,
        },
        // 13.2.2025 in a list of months first would be a slip: it still tells the habit.
        (Some(day), None) => Reading::Only(Habit::DayFirst, day),
        (None, Some(day)) => Reading::Only(Habit::MonthFirst, day),
        (None, None) => Reading::NoDay,
    }
}

/// Whether a day can be one of a club's: not before 1900, not far ahead.
pub fn is_likely(day: NaiveDate, today: NaiveDate) -> bool {
    day.year() >= 1900 && day.year() <= today.year() + 3
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn day(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    #[test]
    fn days_are_read_as_they_are_written() {
        for text in [
            "2025-04-03",
            "2025/4/3",
            "2025-04-03T19:30:00",
            "2025-04-03 19:30",
            "3 April 2025",
            "3rd Apr 2025",
            "3-Apr-25",
            "April 3, 2025",
            "Thu 3 Apr 2025",
            "20250403",
            "45750",
        ] {
            assert_eq!(
                read(&Cell::of(text)),
                Reading::Plain(day(2025, 4, 3)),
                "{text}"
            );
        }
        for text in [
            "yesterday",
            "2025-13-03",
            "31/2/2025",
            "3.4.",
            "12",
            "May",
            "3 x 2025",
        ] {
            assert_eq!(read(&Cell::of(text)), Reading::NoDay, "{text}");
        }
    }

    // ISO/IEC 29500-1, 18.17.4.1: in the 1900 system, serial 1 is 1 January 1900, and a
    // day later than February 1900 counts one more; 40,000 is 6 July 2009.
    #[test]
    fn serial_days_are_those_of_spreadsheets() {
        assert_eq!(
            read(&Cell::Number(40_000.0)),
            Reading::Plain(day(2009, 7, 6))
        );
        assert_eq!(
            read(&Cell::Number(45_000.75)),
            Reading::Plain(day(2023, 3, 15))
        );
        assert_eq!(read(&Cell::Number(12.0)), Reading::NoDay);
    }

    #[test]
    fn a_column_tells_its_habit_or_it_is_asked_for() {
        let told = |days: &[&str]| told(days.iter().map(|d| read(&Cell::of(d))));
        assert_eq!(
            told(&["3/4/2025", "25/4/2025"]),
            Told::Plainly(Habit::DayFirst)
        );
        assert_eq!(
            told(&["3/4/2025", "4/25/2025"]),
            Told::Plainly(Habit::MonthFirst)
        );
        assert_eq!(told(&["3/4/2025", "5/5/2025"]), Told::Open);
        assert_eq!(told(&["3/4/2025", "25/4/2025", "4/25/2025"]), Told::Mixed);
        assert_eq!(told(&["5/5/2025", "2025-04-03", ""]), Told::NoMatter);
        let either = read(&Cell::of("3.4.25"));
        assert_eq!(either.by(Some(Habit::DayFirst)), Some(day(2025, 4, 3)));
        assert_eq!(either.by(Some(Habit::MonthFirst)), Some(day(2025, 3, 4)));
        assert_eq!(either.by(None), None);
    }
}
