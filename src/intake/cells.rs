//! Sheets as they were read: rows of cells, before anybody says what they mean.

use chrono::{NaiveDate, NaiveDateTime};
use serde::{Deserialize, Serialize};

/// One cell.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Cell {
    /// Nothing.
    #[default]
    Empty,
    /// Words, spaces around them taken off.
    Text(String),
    /// A number.
    Number(f64),
    /// A day that the spreadsheet itself keeps as one.
    Day(NaiveDate),
}

/// A cell as it is held: nothing, words, a number, or `{"day": ...}`.
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Held {
    Empty(()),
    Number(f64),
    Text(String),
    Day { day: NaiveDate },
}

impl Serialize for Cell {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Empty => Held::Empty(()),
            Self::Text(text) => Held::Text(text.clone()),
            Self::Number(number) => Held::Number(*number),
            Self::Day(day) => Held::Day { day: *day },
        }
        .serialize(to)
    }
}

impl<'de> Deserialize<'de> for Cell {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        Ok(match Held::deserialize(from)? {
            Held::Empty(()) => Self::Empty,
            Held::Text(text) => Self::Text(text),
            Held::Number(number) => Self::Number(number),
            Held::Day { day } => Self::Day(day),
        })
    }
}

impl Cell {
    /// Of words as they stand in a file.
    pub fn of(text: &str) -> Self {
        // What our own CSV put before words that begin like a formula.
        let text = match text.strip_prefix('\'') {
            Some(rest) if rest.starts_with(['=', '+', '-', '@']) => rest,
            _ => text,
        };
        let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\u{feff}');
        if text.is_empty() {
            Self::Empty
        } else {
            Self::Text(text.to_owned())
        }
    }

    /// Of a moment that a spreadsheet keeps; its hour is passed over.
    pub fn of_time(time: NaiveDateTime) -> Self {
        Self::Day(time.date())
    }

    /// Whether nothing stands there.
    pub fn is_empty(&self) -> bool {
        *self == Self::Empty
    }

    /// The words, or the number or day as words.
    pub fn text(&self) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Text(text) => text.clone(),
            Self::Number(number) => format!("{number}"),
            Self::Day(day) => day.format("%Y-%m-%d").to_string(),
        }
    }
}

/// One sheet of a file.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Sheet {
    /// The file's name.
    pub file: String,
    /// The sheet's name; "" in a CSV file, which has only one.
    pub name: String,
    /// Rows from the first on, each as long as it needs to be.
    pub rows: Vec<Vec<Cell>>,
}

impl Sheet {
    /// The cell in a row and column, both from 0.
    pub fn cell(&self, row: usize, column: usize) -> &Cell {
        static EMPTY: Cell = Cell::Empty;
        self.rows
            .get(row)
            .and_then(|r| r.get(column))
            .unwrap_or(&EMPTY)
    }

    /// How many columns the widest row has.
    pub fn width(&self) -> usize {
        self.rows.iter().map(Vec::len).max().unwrap_or(0)
    }

    /// How people call it: "loans.xlsx, sheet Loans".
    pub fn words(&self) -> String {
        if self.name.is_empty() {
            self.file.clone()
        } else {
            format!("{}, sheet {}", self.file, self.name)
        }
    }
}

/// A column's letters as spreadsheets have them: 0 is A, 26 is AA.
pub fn column_letters(column: usize) -> String {
    let mut left = column + 1;
    let mut letters = Vec::new();
    while left > 0 {
        letters.push(b'A' + u8::try_from((left - 1) % 26).unwrap_or(0));
        left = (left - 1) / 26;
    }
    letters.reverse();
    letters.into_iter().map(char::from).collect()
}

/// A cell's name as spreadsheets have it: C7.
pub fn cell_name(row: usize, column: usize) -> String {
    format!("{}{}", column_letters(column), row + 1)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    // ECMA-376 (Office Open XML) part 1, 18.3.1.4: A to Z, AA to AZ, ... XFD is the
    // 16,384th column.
    #[test]
    fn cells_are_called_as_spreadsheets_call_them() {
        for (column, letters) in [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (701, "ZZ")] {
            assert_eq!(column_letters(column), letters);
        }
        assert_eq!(column_letters(16_383), "XFD");
        assert_eq!(cell_name(6, 2), "C7");
    }

    #[test]
    fn a_held_cell_is_the_same_again() {
        let cells = vec![
            Cell::Empty,
            Cell::Text("12".to_owned()),
            Cell::Number(0.1 + 0.2),
            Cell::Day(NaiveDate::from_ymd_opt(2024, 2, 29).unwrap()),
        ];
        let held = serde_json::to_string(&cells).unwrap();
        let again: Vec<Cell> = serde_json::from_str(&held).unwrap();
        assert_eq!(again, cells);
    }
}
