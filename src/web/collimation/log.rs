//! What was done so far, in words.

use super::super::show;
use crate::bench::mechanical::Stage;
use crate::bench::orientation::Side;
use crate::bench::plan::Work;
use crate::bench::replay::Step;
use crate::bench::screw::{Element, Screw};
use crate::bench::words::{clock_words, work_words};
use crate::library::club::Club;
use crate::library::collimations::{Collimation, Record, Written};

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
pub fn screws_of(collimation: &Collimation, work: Work) -> Vec<Screw> {
    let element = match work {
        Work::Star(element) => element,
        Work::Mechanical(Stage::Secondary) => Element::Secondary,
        Work::Mechanical(_) | Work::Corners => Element::Primary,
        Work::LookOnly => return Vec::new(),
    };
    let all = collimation.setup.screws.iter();
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
    /// Whether it was undone.
    pub struck: bool,
}

/// What was written down, with the stage it belongs to; what was undone is among
/// it, the undoing is told beside it.
pub fn told(collimation: &Collimation) -> impl Iterator<Item = (&Written, Work)> {
    let mut at = Work::LookOnly;
    let is_told = |s: &&Written| !matches!(s.record, Record::Undone { .. });
    collimation.steps.iter().filter(is_told).map(move |s| {
        if let (Record::Stage { work }, None) = (&s.record, &s.struck) {
            at = *work;
        }
        (s, at)
    })
}

/// All of it, what was undone included.
pub fn log(club: &Club, collimation: &Collimation) -> Vec<LogLine> {
    let line = |(s, at): (&Written, Work)| LogLine {
        when: when(club, s),
        what: match &s.record {
            Record::Stage { work } => format!("Stage: {}.", work_words(*work)),
            Record::Ready => "List before the session: done.".to_owned(),
            Record::Taken { taken } => step_words(taken, looked(at), &screws_of(collimation, at)),
            Record::Undone { .. } => String::new(),
        },
        struck: s.struck.is_some(),
    };
    told(collimation).map(line).collect()
}

/// When, by whom, and when and by whom it was undone.
pub fn when(club: &Club, of: &Written) -> String {
    let written = format!("{}, {}", show::time(club, of.at), of.by);
    match &of.struck {
        Some((at, by)) if *by == of.by => {
            format!("{written}; undone {}", show::time(club, *at))
        }
        Some((at, by)) => format!("{written}; undone {} by {by}", show::time(club, *at)),
        None => written,
    }
}

/// What was noted last, and what taking it back does.
pub struct LastNoted {
    /// What.
    pub what: String,
    /// What to know before it is undone.
    pub words: &'static str,
}

/// The last step of a running collimation session, if it can be undone.
pub fn last_noted(collimation: &Collimation, work: Work) -> Option<LastNoted> {
    let last = collimation
        .last_noted()
        .filter(|_| collimation.ended.is_none())?;
    let (what, words) = match &last.record {
        Record::Stage { work } => (
            format!("on to \u{201c}{}\u{201d}.", work_words(*work)),
            "The stage before goes on as it stood.",
        ),
        Record::Ready => (
            "the list before the session.".to_owned(),
            "The list comes again.",
        ),
        Record::Taken { taken } => {
            let what = step_words(taken, looked(work), &screws_of(collimation, work));
            let words = match taken {
                Step::Adjustment { .. } => {
                    "Only if these turns were not made as written: what has been turned stays turned. If you turned something else, undo this and enter it under \u{201c}I turned something else\u{201d}."
                }
                Step::Look { .. } if last.entry_id.is_some() => {
                    "The star check is struck out here and in the logbook."
                }
                Step::Look { .. } if looked(work) == Looked::Star => {
                    "It is struck out here. The measurement stays in the logbook and can be taken in again."
                }
                _ => "It is struck out. Enter it again.",
            };
            (lower(what), words)
        }
        Record::Undone { .. } => return None,
    };
    Some(LastNoted { what, words })
}

fn lower(words: String) -> String {
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_lowercase().chain(letters).collect(),
        None => words,
    }
}

/// A step in words.
pub fn step_words(step: &Step, at: Looked, screws: &[Screw]) -> String {
    match step {
        Step::Shade { shade, .. } => format!(
            "Shaded at {}: dark at {}.",
            clock_words(shade.tube_deg),
            clock_words(shade.picture_deg)
        ),
        Step::Look { coma, sigma, .. } if at == Looked::Corners && *coma == [0.0, 0.0] => {
            format!("Edges of the field: alike all round, \u{b1} {sigma:.3} waves RMS.")
        }
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
                    "Star check: coma {size:.3} \u{b1} {} waves RMS, thin side at {} in the picture.",
                    show::waves_error(*sigma),
                    clock_words(thin)
                )
            } else {
                format!(
                    "Star check: even all round, \u{b1} {} waves RMS.",
                    show::waves_error(*sigma)
                )
            }
        }
        Step::Side { side } => match side {
            Side::Inside => "Checked the side of focus: inside.",
            Side::Outside => "Checked the side of focus: outside.",
            Side::Unknown => "Checked the side of focus: it could not be told.",
        }
        .to_owned(),
        Step::Tension { .. } => "Entered how the screws feel.".to_owned(),
        Step::Adjustment {
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
