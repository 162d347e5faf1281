//! What was done so far, in words.

use super::super::show;
use crate::bench::course::Step;
use crate::bench::mechanical::Stage;
use crate::bench::plan::Work;
use crate::bench::screw::{Element, Screw};
use crate::bench::words::{clock_words, work_words};
use crate::library::club::Club;
use crate::library::sittings::{Record, Sitting};

/// What a stage looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Looked {
    /// A star: coma, waves.
    Star,
    /// A mark: mm.
    Mark,
    /// Four stars at the edges of the field: astigmatism, waves.
    Corners,
}

/// The screws of a stage.
pub fn screws_of(sitting: &Sitting, work: Work) -> Vec<Screw> {
    let element = match work {
        Work::Star(element) => element,
        Work::Mechanical(Stage::Secondary) => Element::Secondary,
        Work::Mechanical(_) | Work::Corners => Element::Primary,
        Work::LookOnly => return Vec::new(),
    };
    let all = sitting.ground.screws.iter();
    all.filter(|s| s.element == element).cloned().collect()
}

/// What a stage looks at.
pub fn looked(work: Work) -> Looked {
    match work {
        Work::Mechanical(_) => Looked::Mark,
        Work::Corners => Looked::Corners,
        Work::Star(_) | Work::LookOnly => Looked::Star,
    }
}

/// One line of the log.
pub struct LogLine {
    /// When and who.
    pub when: String,
    /// What.
    pub what: String,
}

/// All of it.
pub fn log(club: &Club, sitting: &Sitting) -> Vec<LogLine> {
    let mut at = Looked::Star;
    let mut screws = Vec::new();
    sitting
        .steps
        .iter()
        .map(|s| {
            let what = match &s.record {
                Record::Stage { work } => {
                    at = looked(*work);
                    screws = screws_of(sitting, *work);
                    format!("Stage: {}.", work_words(*work))
                }
                Record::Ready => "Everything before was in order.".to_owned(),
                Record::Taken { taken } => step_words(taken, at, &screws),
            };
            LogLine {
                when: format!("{}, {}", show::time(club, s.at), s.by),
                what,
            }
        })
        .collect()
}

/// A step in words.
pub fn step_words(step: &Step, at: Looked, screws: &[Screw]) -> String {
    match step {
        Step::Shade { shade, .. } => format!(
            "Shaded at {}: dark at {}.",
            clock_words(shade.tube_deg),
            clock_words(shade.picture_deg)
        ),
        Step::Look { coma, sigma, .. } if at == Looked::Corners => {
            let deg = coma[0].atan2(coma[1]).to_degrees();
            format!(
                "Edges of the field: {:.3} \u{b1} {sigma:.3} waves RMS apart from the middle, drawn out towards {} in the picture.",
                coma[0].hypot(coma[1]),
                clock_words(deg)
            )
        }
        Step::Look { coma, sigma, .. } if at == Looked::Mark && *coma == [0.0, 0.0] => {
            format!("Mark centred, \u{b1} {sigma:.1} mm.")
        }
        Step::Look { coma, sigma, .. } if at == Looked::Mark => {
            let deg = coma[0].atan2(coma[1]).to_degrees();
            format!(
                "Mark off by {:.1} \u{b1} {sigma:.1} mm towards {}.",
                coma[0].hypot(coma[1]),
                clock_words(deg)
            )
        }
        Step::Look { coma, sigma, .. } => {
            let size = coma[0].hypot(coma[1]);
            let thin = (-coma[0]).atan2(-coma[1]).to_degrees();
            if size > 0.0 {
                format!(
                    "Look: coma {size:.3} \u{b1} {sigma:.3} waves RMS, thin side at {} in the picture.",
                    clock_words(thin)
                )
            } else {
                format!("Look: even all round, \u{b1} {sigma:.3} waves RMS.")
            }
        }
        Step::Feel { .. } => "Said how the screws feel.".to_owned(),
        Step::Go {
            parts, jump_deg, ..
        } => {
            let turns: Vec<String> = parts
                .iter()
                .enumerate()
                .map(|(i, p)| {
                    let label = screws.get(i).map_or("", |s| s.label.as_str());
                    let turned = show::trimmed(f64::from(*p) / 4.0, 2);
                    format!("{label} {turned}").trim_start().to_owned()
                })
                .collect();
            let jump = jump_deg
                .map(|d| format!(" The star jumped towards {}.", clock_words(d)))
                .unwrap_or_default();
            format!(
                "Turned, sixteenths clockwise by screw: {}.{jump}",
                turns.join(", ")
            )
        }
    }
}
