//! The plain rules: what an instrument's reading is, whether it is due for the
//! bench, how urgently, and why, in words.

use super::history::History;
use super::limits::Limits;
use crate::library::Moment;
use crate::library::findings::AsksFor;

words! {
    /// What can be said of an instrument's optics today. Always shown with its
    /// reason and date.
    pub enum Reading {
        /// Lined up, as far as the last look and what it has been through tell.
        InLine = "in-line", "in line";
        /// Good enough if the borrower knows the limit.
        Usable = "usable", "usable, note the limit";
        /// To the bench before the next loan.
        BenchFirst = "bench-first", "bench first";
        /// Nobody can honestly say.
        NotKnown = "not-known", "not known";
    }
}

/// One reason why an instrument is due.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct DueReason {
    /// A stable word: coma, journeys, moved, months, loans, finding, untested.
    pub code: &'static str,
    /// The reason in words, with its figures.
    pub words: String,
    /// How far past its limit: 1 is just at it.
    pub weight: f64,
}

/// Why and how urgently an instrument needs the bench.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Due {
    /// The list is sorted by this, largest first.
    pub urgency: f64,
    /// Reasons, weightiest first.
    pub reasons: Vec<DueReason>,
}

/// What the rules say of one instrument today.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// The reading.
    pub reading: Reading,
    /// Its reasons in words, weightiest first; never empty.
    pub reasons: Vec<String>,
    /// When that was last seen or reported.
    pub as_of: Option<Moment>,
    /// RMS coma at the last look and its 1-sigma, waves at 550 nm.
    pub coma_rms_waves: Option<(f64, f64)>,
    /// Exposure since it was last found in line, ordinary drives.
    pub exposure: f64,
    /// The limits in force.
    pub limits: Limits,
    /// Present when it is due.
    pub due: Option<Due>,
}

const DAYS_PER_MONTH: f64 = 30.436_875; // mean Gregorian month

/// Applies the rules.
pub fn assess(history: &History, limits: &Limits, now: Moment) -> Assessment {
    let takes_test = history.design.takes_star_test();
    let test = history.last_test();
    let in_line_at = history
        .last_in_line(limits.coma_note.value)
        .map(|t| t.happened_at);
    let exposure = history.exposure_since(in_line_at);
    let mut due = Vec::new();

    for finding in open_findings(history, AsksFor::TheBench) {
        due.push(DueReason {
            code: "finding",
            words: format!("Reported: {}", finding.finding.words),
            weight: 2.0,
        });
    }
    if let Some(test) = test {
        let (coma, sigma) = (test.test.coma_rms_waves, test.test.coma_rms_waves_sigma);
        if coma > limits.coma_bench.value {
            due.push(DueReason {
                code: "coma",
                words: format!(
                    "Coma {coma:.3} \u{b1} {sigma:.3} waves RMS, over its limit of {:.3}",
                    limits.coma_bench.value
                ),
                weight: coma / limits.coma_bench.value,
            });
        }
    }
    if takes_test {
        due.extend(due_by_wear(history, limits, exposure, in_line_at, now));
    }
    due.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    let urgency =
        due.iter().map(|r| r.weight).fold(0.0, f64::max) + 0.1 * due.len().saturating_sub(1) as f64;

    let (reading, reasons, as_of) = read(history, limits, now);
    Assessment {
        reading,
        reasons,
        as_of,
        coma_rms_waves: test.map(|t| (t.test.coma_rms_waves, t.test.coma_rms_waves_sigma)),
        exposure,
        limits: limits.clone(),
        due: (!due.is_empty()).then_some(Due {
            urgency,
            reasons: due,
        }),
    }
}

fn open_findings(
    history: &History,
    asks_for: AsksFor,
) -> impl Iterator<Item = &crate::library::findings::LoggedFinding> {
    history
        .findings
        .iter()
        .rev()
        .filter(move |f| !f.settled && f.finding.asks_for == asks_for)
}

fn months_since(at: Moment, now: Moment) -> f64 {
    (now - at).num_hours() as f64 / 24.0 / DAYS_PER_MONTH
}

fn due_by_wear(
    history: &History,
    limits: &Limits,
    exposure: f64,
    in_line_at: Option<Moment>,
    now: Moment,
) -> Vec<DueReason> {
    let mut due = Vec::new();
    let tested = history.last_test().map(|t| t.happened_at);
    if let Some(work) = history.moved_since_test() {
        due.push(DueReason {
            code: "moved",
            words: format!(
                "Optics were moved at the bench ({}) and no star test since",
                work.what
            ),
            weight: 1.5,
        });
    }
    if tested.is_none() {
        due.push(DueReason {
            code: "untested",
            words: "Never had a star test".to_owned(),
            weight: 1.2,
        });
    }
    if exposure > limits.exposure.value {
        let since = if in_line_at.is_some() {
            "since it was last in line"
        } else {
            "and never found in line"
        };
        due.push(DueReason {
            code: "journeys",
            words: format!(
                "Moved about as much as {exposure:.0} ordinary drives {since}; the limit is {:.0}",
                limits.exposure.value
            ),
            weight: exposure / limits.exposure.value.max(0.1),
        });
    }
    if let Some(tested) = tested {
        let months = months_since(tested, now);
        if months > limits.months.value {
            due.push(DueReason {
                code: "months",
                words: format!(
                    "{months:.0} months since its last star test; the limit is {:.0}",
                    limits.months.value
                ),
                weight: months / limits.months.value.max(0.1),
            });
        }
        let loans = history.loans_since(Some(tested));
        if loans as f64 > limits.loans.value {
            due.push(DueReason {
                code: "loans",
                words: format!(
                    "{loans} loans since its last star test; the limit is {:.0}",
                    limits.loans.value
                ),
                weight: loans as f64 / limits.loans.value.max(1.0),
            });
        }
    }
    due
}

fn read(history: &History, limits: &Limits, now: Moment) -> (Reading, Vec<String>, Option<Moment>) {
    if let Some(finding) = open_findings(history, AsksFor::TheBench).next() {
        return (
            Reading::BenchFirst,
            vec![format!("Reported: {}", finding.finding.words)],
            Some(finding.happened_at),
        );
    }
    let looks: Vec<_> = open_findings(history, AsksFor::ALook).collect();
    let noted = looks
        .iter()
        .map(|f| format!("Reported: {}", f.finding.words));
    if !history.design.takes_star_test() {
        return match looks.first() {
            Some(first) => (Reading::Usable, noted.collect(), Some(first.happened_at)),
            None => (
                Reading::InLine,
                vec!["Takes no star test, and nothing is reported against it.".to_owned()],
                history.works.last().map(|w| w.happened_at),
            ),
        };
    }
    let Some(test) = history.last_test() else {
        let why = if history.works.iter().any(|w| w.moved_optics) {
            "Optics were moved at the bench and no star test since."
        } else {
            "It has never had a star test."
        };
        return (Reading::NotKnown, vec![why.to_owned()], None);
    };
    let (coma, sigma) = (test.test.coma_rms_waves, test.test.coma_rms_waves_sigma);
    let measured = format!(
        "Coma {coma:.3} \u{b1} {sigma:.3} waves RMS, {}",
        test.test.method
    );
    if let Some(work) = history.moved_since_test() {
        return (
            Reading::NotKnown,
            vec![format!(
                "Optics were moved at the bench ({}) and no star test since.",
                work.what
            )],
            Some(work.happened_at),
        );
    }
    if coma > limits.coma_bench.value {
        return (
            Reading::BenchFirst,
            vec![format!(
                "{measured}; over its limit of {:.3}.",
                limits.coma_bench.value
            )],
            Some(test.happened_at),
        );
    }
    let exposure = history.exposure_since(Some(test.happened_at));
    if exposure > limits.exposure.value {
        return (
            Reading::NotKnown,
            vec![format!(
                "It has been moved about as much as {exposure:.0} ordinary drives since its last star test; the limit is {:.0}.",
                limits.exposure.value
            )],
            Some(test.happened_at),
        );
    }
    let months = months_since(test.happened_at, now);
    if months > limits.months.value {
        return (
            Reading::NotKnown,
            vec![format!(
                "Its last star test was {months:.0} months ago; the limit is {:.0}.",
                limits.months.value
            )],
            Some(test.happened_at),
        );
    }
    let mut reasons = Vec::new();
    if coma > limits.coma_note.value {
        reasons.push(format!(
            "{measured}; worth mentioning from {:.3}.",
            limits.coma_note.value
        ));
    }
    reasons.extend(noted);
    if reasons.is_empty() {
        (
            Reading::InLine,
            vec![format!("{measured}.")],
            Some(test.happened_at),
        )
    } else {
        (Reading::Usable, reasons, Some(test.happened_at))
    }
}
