//! Logbook entries in words.

use super::show::{capital, clock, list_of, trimmed};
use super::{barrels, journeys};
use crate::library::club::Club;
use crate::library::logbook::{Line, Told};
use crate::startest::words::waves_and_error;

const ROMAN: [&str; 5] = ["I", "II", "III", "IV", "V"];

/// What an entry tells, in one or two sentences, its own note included.
pub fn of(club: &Club, line: &Line) -> String {
    let mut words = match &line.told {
        Told::Journey(journey) => format!("{}.", journeys::words(club, journey)),
        Told::Problem(problem) => {
            let kind = capital(problem.what.label());
            let told = if problem.words == kind {
                format!("{kind}.")
            } else {
                format!("{kind}: {}", ended(&problem.words))
            };
            format!("{told} Asks for {}.", problem.asks_for)
        }
        Told::Work {
            what,
            minutes,
            moved_optics,
            words,
            used,
        } => {
            let mut told = capital(what.label());
            if let Some(minutes) = minutes {
                told.push_str(&format!(", {minutes} minutes"));
            }
            told.push_str(if *moved_optics {
                ", optics moved"
            } else {
                ", optics not moved"
            });
            if words.is_empty() {
                told.push('.');
            } else {
                told.push_str(&format!(": {}", ended(words)));
            }
            if !used.is_empty() {
                let used: Vec<String> = used.iter().map(ToString::to_string).collect();
                told.push_str(&format!(" Used: {}.", list_of(&used)));
            }
            told
        }
        Told::StarTest {
            method,
            side,
            diagonal,
            seeing,
            magnification,
            thin_to_thick,
            thin_clock_deg,
            coma_rms_waves,
            coma_rms_waves_sigma,
            attempt_id: _,
        } => {
            let mut told = format!(
                "Star test {method}: coma {} waves RMS. {}",
                waves_and_error(*coma_rms_waves, *coma_rms_waves_sigma),
                capital(side.label())
            );
            if let Some(ratio) = thin_to_thick {
                told.push_str(&format!(", thin to thick {}", trimmed(*ratio, 2)));
            }
            if let Some(deg) = thin_clock_deg {
                told.push_str(&format!(", thin side at {}", clock(*deg)));
            }
            if *diagonal {
                told.push_str(", with a diagonal");
            }
            if let Some(magnification) = magnification {
                told.push_str(&format!(", at {}×", trimmed(*magnification, 0)));
            }
            let air = seeing
                .and_then(|s| usize::try_from(s - 1).ok())
                .and_then(|s| ROMAN.get(s));
            if let Some(air) = air {
                told.push_str(&format!(", air {air} on Antoniadi's scale"));
            }
            told + "."
        }
        Told::BarrelCheck {
            way,
            magnification,
            hinged,
            openings,
        } => {
            let mut told = format!("Barrel check {way} at {}x", trimmed(*magnification, 1));
            for (apart, n) in openings.iter().zip(1..) {
                if openings.len() > 1 {
                    told.push_str(&format!(", opening {n}: "));
                } else {
                    told.push_str(if *hinged { ", one opening: " } else { ": " });
                }
                told.push_str(&barrels::apart_words(apart));
            }
            told + ", at the eye."
        }
        Told::Words => String::new(),
    };
    if !line.entry.note.is_empty() {
        if !words.is_empty() {
            words.push(' ');
        }
        words.push_str(&line.entry.note);
    }
    words
}

/// A sentence with its full stop.
fn ended(words: &str) -> String {
    if words.ends_with(['.', '!', '?']) {
        words.to_owned()
    } else {
        format!("{words}.")
    }
}
