//! The values of cells: text, days, figures with units, words.

use chrono::NaiveDate;
use library::measures::{self, INCH_MM, MILE_KM, Misread, POUND_KG, Quantity};

use super::{Line, NotTaken, Planner, Taken};
use crate::cells::{Cell, cell_name};
use crate::dates::{self, Reading};
use crate::fields::{Field, unit_words};

/// Whether a column of this field holds days.
pub(super) fn is_day(field: Field) -> bool {
    matches!(
        field,
        Field::Joined | Field::Left | Field::Lent | Field::Due | Field::Returned | Field::Date
    )
}

/// What a column of this field measures.
pub(super) fn quantity(field: Field) -> Option<Quantity> {
    match field {
        Field::Aperture | Field::Focal | Field::Optics => Some(Quantity::LengthMm),
        Field::Weight => Some(Quantity::WeightKg),
        Field::Distance => Some(Quantity::DistanceKm),
        _ => None,
    }
}

impl<'a> Line<'a> {
    /// The column of a field.
    pub(super) fn column(self, field: Field) -> Option<usize> {
        self.choice.columns.iter().position(|c| *c == Some(field))
    }

    /// The cell of a field, or an empty one; a repeated one is that above.
    pub(super) fn cell(self, field: Field) -> &'a Cell {
        static EMPTY: Cell = Cell::Empty;
        let Some(column) = self.column(field) else {
            return &EMPTY;
        };
        let here = self.sheet.cell(self.row, column);
        let repeats = self.choice.repeats && matches!(field, Field::Tag | Field::Borrower);
        if !(here.is_empty() && repeats) {
            return here;
        }
        (self.choice.header + 1..self.row)
            .rev()
            .map(|row| self.sheet.cell(row, column))
            .find(|cell| !cell.is_empty())
            .unwrap_or(&EMPTY)
    }

    /// Its words.
    pub(super) fn text(self, field: Field) -> String {
        self.cell(field).text()
    }

    /// Whether nothing stands in any column that tells something.
    pub(super) fn is_empty(self) -> bool {
        self.choice
            .columns
            .iter()
            .enumerate()
            .filter(|(_, field)| field.is_some())
            .all(|(column, _)| self.sheet.cell(self.row, column).is_empty())
    }

    /// The cell's name and its sheet.
    pub(super) fn place(self, field: Field) -> String {
        let cell = cell_name(self.row, self.column(field).unwrap_or(0));
        format!("{cell} of {}", self.sheet.words())
    }
}

impl Planner<'_> {
    /// A day that may be left out; one that lies ahead is wrong unless it may.
    pub(super) fn day(
        &mut self,
        line: Line<'_>,
        field: Field,
        may_lie_ahead: bool,
    ) -> Taken<Option<NaiveDate>> {
        let cell = line.cell(field);
        let reading = dates::read(cell);
        let habit = line
            .column(field)
            .and_then(|column| *self.settled.get(&line.at)?.habits.get(&column)?);
        let day = match (reading, reading.by(habit)) {
            (Reading::Nothing, _) => return Ok(None),
            (Reading::NoDay, _) => {
                let words = format!(
                    "\u{201c}{}\u{201d} is not a day. Write it as 2026-03-14 or 14 March 2026.",
                    cell.text()
                );
                return self.fault(line, field, words);
            }
            (_, None) => return Err(NotTaken::Waiting),
            (_, Some(day)) => day,
        };
        if !dates::is_likely(day, self.today) {
            let words = format!(
                "The year {} cannot be right. Write it with four figures.",
                day.format("%Y")
            );
            return self.fault(line, field, words);
        }
        if day > self.today && !may_lie_ahead {
            let words = format!("{} lies ahead. Correct the day.", library::day(day));
            return self.fault(line, field, words);
        }
        Ok(Some(day))
    }

    /// A day that must be there.
    pub(super) fn needed_day(&mut self, line: Line<'_>, field: Field) -> Taken<NaiveDate> {
        match self.day(line, field, false)? {
            Some(day) => Ok(day),
            None => {
                let words = format!(
                    "No day stands here ({}). Write it as 2026-03-14.",
                    field.label()
                );
                self.fault(line, field, words)
            }
        }
    }

    /// How much a bare number of a column is, in the quantity's own unit: by the
    /// heading, by its size, or as answered.
    pub(super) fn bare_unit(
        &mut self,
        at: usize,
        column: usize,
        field: Option<Field>,
        quantity: Quantity,
    ) -> Option<f64> {
        let (sheets, choices) = (self.sheets, self.choices);
        let (sheet, choice) = (&sheets[at], &choices.sheets[at]);
        let heading = sheet.cell(choice.header, column).text();
        if let Some(size) = unit_words(&heading).iter().find_map(|w| quantity.unit(w)) {
            return Some(size);
        }
        let bare: Vec<(usize, f64)> = (choice.header + 1..sheet.rows.len())
            .filter_map(|row| match sheet.cell(row, column) {
                Cell::Number(n) => Some((row, *n)),
                Cell::Text(text) => measures::decimal(text).map(|n| (row, n)),
                _ => None,
            })
            .collect();
        let (row, _) = *bare.first()?;
        let largest = bare.iter().map(|(_, n)| *n).fold(0.0, f64::max);
        let imperial = self.club.units == library::club::Units::Imperial;
        let (options, suggested): (&[(&str, &str)], &str) = match quantity {
            // No tube is under 50 mm wide or over 50 in.
            Quantity::LengthMm if largest > 50.0 || field == Some(Field::Focal) => {
                return Some(1.0);
            }
            Quantity::LengthMm => (
                &[
                    ("in", "inches"),
                    ("cm", "centimetres"),
                    ("mm", "millimetres"),
                ],
                "in",
            ),
            Quantity::WeightKg => (
                &[("kg", "kilograms"), ("lb", "pounds")],
                if imperial { "lb" } else { "kg" },
            ),
            Quantity::DistanceKm => (
                &[("km", "kilometres"), ("mi", "miles")],
                if imperial { "mi" } else { "km" },
            ),
        };
        let written = sheet.cell(row, column).text();
        let words = format!(
            "In what unit are the numbers in the column \u{201c}{heading}\u{201d} ({}), such as {written}?",
            sheet.words()
        );
        let offered = options
            .iter()
            .map(|(value, label)| ((*value).to_owned(), format!("{written} {label}")))
            .collect();
        let answer = self.ask(
            format!("unit:{at}:{column}"),
            || words,
            cell_name(row, column),
            || offered,
            Some(suggested.to_owned()),
        )?;
        match answer.as_str() {
            "in" => Some(INCH_MM),
            "cm" => Some(10.0),
            "lb" => Some(POUND_KG),
            "mi" => Some(MILE_KM),
            _ => Some(1.0),
        }
    }

    /// How much a bare number in this field's column is.
    pub(super) fn bare(&self, line: Line<'_>, field: Field) -> Option<f64> {
        let column = line.column(field)?;
        *self.settled.get(&line.at)?.units.get(&column)?
    }

    /// A measured figure that may be left out.
    pub(super) fn measure(
        &mut self,
        line: Line<'_>,
        field: Field,
        bounds: std::ops::RangeInclusive<f64>,
    ) -> Taken<Option<f64>> {
        let cell = line.cell(field);
        let Some(quantity) = quantity(field).filter(|_| !cell.is_empty()) else {
            return Ok(None);
        };
        let bare = self.bare(line, field).unwrap_or(1.0);
        let written = cell.text();
        let (unit, example) = match quantity {
            Quantity::LengthMm => ("mm", "203 mm or 8 in"),
            Quantity::WeightKg => ("kg", "12.5 kg or 27 lb"),
            Quantity::DistanceKm => ("km", "48 km or 30 mi"),
        };
        match quantity.read_within(&written, bare, &bounds) {
            Ok(value) => Ok(Some(value)),
            Err(Misread::NotOne) => {
                let words = format!(
                    "\u{201c}{written}\u{201d} is not understood as the {}. Write it as {example}.",
                    field.label()
                );
                self.fault(line, field, words)
            }
            Err(Misread::OutOfBounds(value)) => {
                let words = format!(
                    "\u{201c}{written}\u{201d} would be {} {unit}. The {} is {} to {} {unit}: write it with its unit, as {example}.",
                    (value * 10.0).round() / 10.0,
                    field.label(),
                    bounds.start(),
                    bounds.end()
                );
                self.fault(line, field, words)
            }
        }
    }

    /// A plain number that may be left out.
    pub(super) fn number(
        &mut self,
        line: Line<'_>,
        field: Field,
        bounds: std::ops::RangeInclusive<f64>,
    ) -> Taken<Option<f64>> {
        let cell = line.cell(field);
        if cell.is_empty() {
            return Ok(None);
        }
        let written = cell.text();
        let value = match cell {
            Cell::Number(n) => Some(*n),
            _ => measures::decimal(written.trim_end_matches(['x', 'X', '×', '%']).trim()),
        };
        match value.filter(|v| bounds.contains(v)) {
            Some(value) => Ok(Some(value)),
            None => {
                let words = format!(
                    "\u{201c}{written}\u{201d} is not taken as the {}. Write a number from {} to {}.",
                    field.label(),
                    bounds.start(),
                    bounds.end()
                );
                self.fault(line, field, words)
            }
        }
    }

    /// A word out of a closed list that may be left out; one that is not known is
    /// asked about once.
    pub(super) fn word<T: Copy>(
        &mut self,
        line: Line<'_>,
        field: Field,
        read: fn(&str) -> Option<T>,
        all: &[(T, &str, &str)],
    ) -> Taken<Option<T>> {
        self.word_as(line, (field, field.slug()), read, all)
    }

    /// The same, asked apart from other words of this field: as `asked`.
    pub(super) fn word_as<T: Copy>(
        &mut self,
        line: Line<'_>,
        (field, asked): (Field, &str),
        read: impl Fn(&str) -> Option<T>,
        all: &[(T, &str, &str)],
    ) -> Taken<Option<T>> {
        let written = line.text(field);
        if written.is_empty() {
            return Ok(None);
        }
        if let Some(value) = read(&written) {
            return Ok(Some(value));
        }
        let options = || {
            all.iter()
                .map(|(_, slug, label)| ((*slug).to_owned(), (*label).to_owned()))
                .collect()
        };
        let words = || {
            format!(
                "What does \u{201c}{written}\u{201d} mean as the {}?",
                field.label()
            )
        };
        let key = format!("word:{asked}:{}", super::words::folded(&written));
        let answer = self.ask(key, words, line.place(field), options, None);
        match answer {
            None => Err(NotTaken::Waiting),
            Some(answer) => Ok(all
                .iter()
                .find(|(_, slug, _)| *slug == answer)
                .map(|(value, ..)| *value)),
        }
    }

    /// An amount of money that may be left out, in hundredths of the club's currency.
    pub(super) fn value(&mut self, line: Line<'_>) -> Taken<Option<i64>> {
        let cell = line.cell(Field::Value);
        let amount = match cell {
            Cell::Empty => return Ok(None),
            Cell::Number(n) => Some(*n),
            other => measures::money(&other.text()),
        };
        match amount.filter(|a| (0.0..=1_000_000.0).contains(a)) {
            Some(amount) => Ok(Some((amount * 100.0).round() as i64)),
            None => {
                let words = format!(
                    "\u{201c}{}\u{201d} is no amount of {}. Write it as 640 or 640.50.",
                    cell.text(),
                    self.club.currency
                );
                self.fault(line, Field::Value, words)
            }
        }
    }
}
