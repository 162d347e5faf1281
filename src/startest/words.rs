//! Figures and reasons in words, alike on the page, in the logbook and on the
//! command line.

use super::report::{Dropped, Reason};

/// A figure in waves and its 1-sigma: three places, or as many more as the error
/// needs for a figure of its own ("0.1203", "0.0004").
#[must_use]
pub fn waves_with_error(waves: f64, sigma: f64) -> (String, String) {
    figure_with_error(waves, sigma, 3)
}

/// A figure and its 1-sigma with `least` places, or as many more as the error needs
/// for a figure of its own.
#[must_use]
pub fn figure_with_error(figure: f64, sigma: f64, least: usize) -> (String, String) {
    let places = if sigma.is_finite() && sigma > 0.0 {
        // 0.00097 rounds to 0.001.
        let needed = (-(sigma * 1.0526).log10()).ceil();
        (needed.clamp(0.0, 6.0) as usize).max(least)
    } else {
        least
    };
    (format!("{figure:.places$}"), format!("{sigma:.places$}"))
}

/// The same as one piece of text: "0.1203 \u{b1} 0.0004".
#[must_use]
pub fn waves_and_error(waves: f64, sigma: f64) -> String {
    let (waves, sigma) = waves_with_error(waves, sigma);
    format!("{waves} \u{b1} {sigma}")
}

impl Reason {
    /// What is the matter as a sentence: a capital in front, a full stop behind.
    #[must_use]
    pub fn sentence(&self) -> String {
        sentence(&self.text)
    }
}

impl Dropped {
    /// What is the matter as a sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        sentence(&self.text)
    }
}

fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let mut text: String = letters
        .next()
        .map(|first| first.to_uppercase().collect::<String>())
        .unwrap_or_default();
    text.push_str(letters.as_str());
    if !text.ends_with(['.', '?', '!']) {
        text.push('.');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_follow_the_error() {
        let said = |w, s| waves_and_error(w, s);
        assert_eq!(said(0.12034, 0.0004), "0.1203 \u{b1} 0.0004");
        assert_eq!(said(0.02, 0.005), "0.020 \u{b1} 0.005");
        assert_eq!(said(0.02, 0.00097), "0.020 \u{b1} 0.001");
        assert_eq!(said(0.3, 0.1), "0.300 \u{b1} 0.100");
        let (deg, error) = figure_with_error(29.98, 0.23, 0);
        assert_eq!((deg.as_str(), error.as_str()), ("30.0", "0.2"));
        assert_eq!(said(0.3, 0.0), "0.300 \u{b1} 0.000");
    }

    #[test]
    fn reasons_are_sentences() {
        let of = |text: &str| {
            Reason {
                code: String::new(),
                text: text.to_owned(),
                mend: String::new(),
            }
            .sentence()
        };
        assert_eq!(of("no star is there"), "No star is there.");
        assert_eq!(of("\u{e9}toile."), "\u{c9}toile.");
        assert_eq!(of(""), ".");
    }
}
