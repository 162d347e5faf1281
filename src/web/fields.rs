//! Checking what was typed: one list of errors for a form, and the readers that
//! fill it.

use chrono::NaiveDate;
use serde::de::DeserializeOwned;

use crate::library;

/// The fields of one part of a form, out of all that was sent.
///
/// # Errors
/// When a field cannot be what it is sent as.
pub fn part<T: DeserializeOwned>(pairs: &[(String, String)]) -> Result<T, String> {
    let encoded = serde_html_form::to_string(pairs).map_err(|e| e.to_string())?;
    serde_html_form::from_str(&encoded).map_err(|e| e.to_string())
}

/// A mark of what a form showed when it was opened, to notice that somebody
/// else has changed it since.
pub fn shown_mark(values: &[&str]) -> String {
    use sha2::{Digest, Sha256};
    let mut hash = Sha256::new();
    for value in values {
        // With its length each, so that no two rows of values read alike.
        hash.update((value.len() as u64).to_le_bytes());
        hash.update(value.as_bytes());
    }
    library::hex(&hash.finalize()[..12])
}

/// What must be mended in a form, in the order of its fields.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FormErrors(Vec<(String, String)>);

impl FormErrors {
    /// Nothing to mend.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one: the field's name and what to do.
    pub fn add(&mut self, field: &str, words: impl Into<String>) {
        self.0.push((field.to_owned(), words.into()));
    }

    /// Adds one for each field that somebody else has changed meanwhile:
    /// its name, its label, what was typed and what stands there now.
    pub fn overtaken(&mut self, fields: &[(&str, &str, &str, &str)]) {
        for (field, label, typed, now) in fields {
            if typed.trim() != *now {
                let now = if now.is_empty() { "nothing" } else { now };
                self.add(
                    field,
                    format!("{label}: somebody else has changed this form since you opened it; here now stands: {now}. Look over what you typed and send it again to put it in place."),
                );
            }
        }
    }

    /// Whether there is nothing to mend.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The words for one field, or "".
    pub fn of(&self, field: &str) -> &str {
        self.0
            .iter()
            .find(|(name, _)| name == field)
            .map_or("", |(_, words)| words.as_str())
    }

    /// All of them.
    pub fn all(&self) -> &[(String, String)] {
        &self.0
    }

    /// Text that must be there, trimmed, of at most `longest` characters.
    pub fn text(&mut self, field: &str, label: &str, typed: &str, longest: usize) -> String {
        let text = self.optional_text(field, label, typed, longest);
        if text.is_empty() {
            self.add(field, format!("{label}: please fill this in."));
        }
        text
    }

    /// Text that may be left out, trimmed, of at most `longest` characters.
    pub fn optional_text(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        longest: usize,
    ) -> String {
        let text = typed.trim().replace("\r\n", "\n");
        let long = text.chars().count();
        if long > longest {
            self.add(
                field,
                format!("{label}: this is {long} characters long; shorten it to {longest}."),
            );
        }
        if text
            .chars()
            .any(|c| c.is_control() && c != '\n' && c != '\t')
        {
            self.add(field, format!("{label}: take out the control characters."));
        }
        text
    }

    /// A number that may be left out, within bounds. A decimal comma is taken
    /// for a point; spaces are passed over.
    pub fn optional_number(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        bounds: std::ops::RangeInclusive<f64>,
    ) -> Option<f64> {
        let plain: String = typed
            .chars()
            .filter(|c| !c.is_whitespace())
            .map(|c| if c == ',' { '.' } else { c })
            .collect();
        if plain.is_empty() {
            return None;
        }
        match plain.parse::<f64>() {
            Ok(value) if bounds.contains(&value) => Some(value),
            Ok(_) => {
                self.add(
                    field,
                    format!(
                        "{label}: give a number from {} to {}.",
                        bounds.start(),
                        bounds.end()
                    ),
                );
                None
            }
            Err(_) => {
                self.add(
                    field,
                    format!(
                        "{label}: \"{}\" is not a number. Give one like 12.5.",
                        typed.trim()
                    ),
                );
                None
            }
        }
    }

    /// A number that must be there; NaN stands in when it is wrong, and the
    /// mend is noted.
    pub fn number(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        bounds: std::ops::RangeInclusive<f64>,
    ) -> f64 {
        if typed.trim().is_empty() {
            self.add(field, format!("{label}: please give a number."));
            return f64::NAN;
        }
        self.optional_number(field, label, typed, bounds)
            .unwrap_or(f64::NAN)
    }

    /// A whole number that may be left out.
    pub fn optional_whole(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        bounds: std::ops::RangeInclusive<i64>,
    ) -> Option<i64> {
        let plain = typed.trim();
        if plain.is_empty() {
            return None;
        }
        match plain.parse::<i64>() {
            Ok(value) if bounds.contains(&value) => Some(value),
            _ => {
                self.add(
                    field,
                    format!(
                        "{label}: give a whole number from {} to {}.",
                        bounds.start(),
                        bounds.end()
                    ),
                );
                None
            }
        }
    }

    /// A date that must be there (YYYY-MM-DD, as date fields send it).
    pub fn date(&mut self, field: &str, label: &str, typed: &str) -> Option<NaiveDate> {
        let date = NaiveDate::parse_from_str(typed.trim(), "%Y-%m-%d").ok();
        if date.is_none() {
            self.add(field, format!("{label}: give a date like 2026-03-14."));
        }
        date
    }

    /// A word of a closed vocabulary that must be chosen.
    pub fn word<W: std::str::FromStr>(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
    ) -> Option<W> {
        let word = typed.parse().ok();
        if word.is_none() {
            self.add(field, format!("{label}: choose one."));
        }
        word
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_decimal_comma_is_a_point_and_bounds_are_named() {
        let mut errors = FormErrors::new();
        assert_eq!(
            errors.optional_number("a", "Aperture", " 203,2 ", 10.0..=2000.0),
            Some(203.2)
        );
        assert!(errors.is_empty());
        assert_eq!(
            errors.optional_number("a", "Aperture", "3", 10.0..=2000.0),
            None
        );
        assert_eq!(errors.of("a"), "Aperture: give a number from 10 to 2000.");
    }

    #[test]
    fn nothing_odd_passes_for_a_number() {
        for typed in ["NaN", "inf", "1e999", "0x10", "12abc", "--3"] {
            let mut errors = FormErrors::new();
            assert_eq!(
                errors.optional_number("a", "A", typed, 0.0..=100.0),
                None,
                "{typed}"
            );
            assert!(!errors.is_empty(), "{typed}");
        }
    }

    #[test]
    fn long_text_and_control_characters_are_named() {
        let mut errors = FormErrors::new();
        errors.text("n", "Name", &"x".repeat(11), 10);
        assert!(errors.of("n").contains("shorten it to 10"));
        let mut errors = FormErrors::new();
        errors.text("n", "Name", "a\u{7}b", 10);
        assert!(errors.of("n").contains("control"));
    }
}
