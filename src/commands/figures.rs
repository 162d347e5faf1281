//! Figures and reasons in letters that every terminal has, and how a measurement is told.

use std::process::ExitCode;

use tubewright::startest::report::{Reason, Verdict};
use tubewright::startest::words::figure_with_error;

use super::{BROKEN, REFUSED};

/// A reason as a sentence with its mend and code.
pub fn sentence(reason: &Reason) -> String {
    format!("{} {} [{}]", reason.sentence(), reason.mend, reason.code)
}

/// A figure with its error, in letters that every terminal has.
pub fn with_error(waves: f64, sigma: f64) -> String {
    figure(waves, sigma, 3)
}

/// The same with so many decimals at least.
pub fn figure(value: f64, sigma: f64, least: usize) -> String {
    let (value, sigma) = figure_with_error(value, sigma, least);
    format!("{value} +- {sigma}")
}

/// Prints what was measured, in words or as JSON, with what was refused and why on standard
/// error, and ends the command.
pub fn tell(printed: serde_json::Result<String>, verdict: Verdict, refused: &[Reason]) -> ExitCode {
    match printed {
        Ok(text) => say!("{text}"),
        Err(error) => {
            eprintln!("tubewright: {error}");
            return ExitCode::from(BROKEN);
        }
    }
    for reason in refused {
        eprintln!("tubewright: refused: {}", sentence(reason));
    }
    match verdict {
        Verdict::Measured => ExitCode::SUCCESS,
        Verdict::Refused => ExitCode::from(REFUSED),
    }
}
