//! Lists that leave the house: CSV as RFC 4180 has it, and pages of a long list.

use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::Error;
use super::show::trimmed;
use crate::library::Moment;
use crate::library::club::Club;

/// One cell of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cell {
    /// Words, as someone typed them.
    Text(String),
    /// A figure or a date of ours.
    Figure(String),
}

impl Cell {
    /// A number with at most so many decimals.
    pub fn number(value: f64, decimals: usize) -> Self {
        Self::Figure(trimmed(value, decimals))
    }

    /// A time by the club's clocks, with its offset from UTC (RFC 3339), so that its day
    /// is the one that the pages tell.
    pub fn time(club: &Club, at: Moment) -> Self {
        let local = at.with_timezone(&club.tz());
        Self::Figure(local.to_rfc3339_opts(chrono::SecondsFormat::Secs, false))
    }

    /// What the file holds. A spreadsheet runs text that begins like a formula,
    /// so such text gets an apostrophe before it, which a spreadsheet shows as
    /// nothing; figures stay as they are.
    pub fn written(&self) -> String {
        match self {
            Self::Figure(figure) => figure.clone(),
            Self::Text(text) if begins_like_a_formula(text) => format!("'{text}"),
            Self::Text(text) => text.clone(),
        }
    }
}

/// Whether a spreadsheet may take this for a formula: by its first sign, in full
/// width or small form too (Unicode's compatibility forms), or by the first one
/// behind what some programs leave out.
fn begins_like_a_formula(text: &str) -> bool {
    if text.starts_with(['\t', '\r', '\n']) {
        return true;
    }
    let left_out = |c: char| {
        c.is_whitespace() || c.is_control() || matches!(c, '\u{200b}'..='\u{200f}' | '\u{feff}')
    };
    text.trim_start_matches(left_out).starts_with([
        '=', '+', '-', '@', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}', '\u{fe66}', '\u{fe62}',
        '\u{fe63}', '\u{fe6b}', '\u{2212}',
    ])
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<i64> for Cell {
    fn from(number: i64) -> Self {
        Self::Figure(number.to_string())
    }
}

impl From<usize> for Cell {
    fn from(number: usize) -> Self {
        Self::Figure(number.to_string())
    }
}

impl From<chrono::NaiveDate> for Cell {
    fn from(date: chrono::NaiveDate) -> Self {
        Self::Figure(date.format("%Y-%m-%d").to_string())
    }
}

impl<T: Into<Self>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or_else(|| Self::Figure(String::new()), Into::into)
    }
}

/// A table as a CSV file to save (RFC 4180: CRLF, quotes where needed, one
/// header line). The file takes its name from the address.
pub fn csv_response(
    header: &[&str],
    rows: impl IntoIterator<Item = Vec<Cell>>,
) -> Result<Response, Error> {
    let text = csv_text(header, rows).map_err(|e| Error::Broken(format!("a CSV file: {e}")))?;
    Ok((
        [
            (
                header::CONTENT_TYPE,
                "text/csv; charset=utf-8; header=present",
            ),
            (header::CONTENT_DISPOSITION, "attachment"),
            (header::CACHE_CONTROL, "no-store"),
        ],
        text,
    )
        .into_response())
}

/// The text of such a file.
pub fn csv_text(
    header: &[&str],
    rows: impl IntoIterator<Item = Vec<Cell>>,
) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    writer.write_record(header)?;
    for row in rows {
        writer.write_record(row.iter().map(Cell::written))?;
    }
    writer
        .into_inner()
        .map_err(|e| csv::Error::from(e.into_error()))
}

/// One page of a long list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Paging {
    /// Which page, from 1.
    pub number: usize,
    /// How many rows there are in all.
    pub total: usize,
    /// How many rows a page holds.
    pub size: usize,
}

impl Paging {
    /// The page asked for, or the last one there is.
    pub fn new(asked: usize, total: usize, size: usize) -> Self {
        let size = size.max(1);
        Self {
            number: asked.clamp(1, total.div_ceil(size).max(1)),
            total,
            size,
        }
    }

    /// The rows of this page.
    pub fn rows<T>(&self, all: Vec<T>) -> Vec<T> {
        all.into_iter()
            .skip((self.number - 1) * self.size)
            .take(self.size)
            .collect()
    }

    /// The page before, if there is one.
    pub fn before(&self) -> Option<usize> {
        (self.number > 1).then(|| self.number - 1)
    }

    /// The page after, if there is one.
    pub fn after(&self) -> Option<usize> {
        (self.number * self.size < self.total).then_some(self.number + 1)
    }

    /// "101 to 130 of 130".
    pub fn words(&self) -> String {
        let first = (self.number - 1) * self.size + 1;
        let last = (self.number * self.size).min(self.total);
        if self.total == 0 {
            "none".to_owned()
        } else {
            format!("{first} to {last} of {}", self.total)
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn text_that_looks_like_a_formula_is_defused_and_figures_are_not() {
        // OWASP, CSV Injection: = + - @, tab, carriage return, line feed, and the
        // full-width forms.
        for typed in [
            "=1+1",
            "+1",
            "-1",
            "@x",
            "\tx",
            "\rx",
            "\nx",
            "＝1+1",
            "＋1",
            "－1",
            "＠x",
            " =1+1",
            "\u{feff}=1+1",
            "\u{200b}@x",
            "\u{2212}1",
            "﹦1",
        ] {
            assert_eq!(Cell::from(typed).written(), format!("'{typed}"));
        }
        assert_eq!(Cell::from("N203 - spare").written(), "N203 - spare");
        assert_eq!(Cell::number(-0.5, 2).written(), "-0.5");
        assert_eq!(Cell::from(None::<i64>).written(), "");
    }

    // RFC 4180, section 2: CRLF after every record, fields with a comma, a
    // quote or a line break in quotes, quotes doubled.
    #[test]
    fn a_file_is_as_rfc_4180_has_it() {
        let rows = vec![vec![Cell::from("8\" tube, blue"), Cell::from(3_usize)]];
        let text = csv_text(&["what", "how many"], rows).unwrap();
        assert_eq!(
            String::from_utf8(text).unwrap(),
            "what,how many\r\n\"8\"\" tube, blue\",3\r\n"
        );
    }

    #[test]
    fn a_page_too_far_is_the_last_one() {
        let page = Paging::new(9, 230, 100);
        assert_eq!(
            (page.number, page.before(), page.after()),
            (3, Some(2), None)
        );
        assert_eq!(page.words(), "201 to 230 of 230");
        assert_eq!(page.rows((0..230).collect()).len(), 30);
        assert_eq!(Paging::new(0, 0, 100).words(), "none");
    }
}
