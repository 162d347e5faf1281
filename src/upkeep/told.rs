//! What speaks for a condition and against one, in words with their figures.

use super::figures::trimmed;
use super::history::Dated;
use library::barrel_checks::BarrelCheck;
use library::instruments::Check;
use library::problems::LoggedProblem;
use library::star_tests::{Method, StarTest};
use library::works::LoggedWork;
use optics::barrels::{Accepted, Judged, Part, Verdict, figure};
use startest::words::waves_and_error;

pub(crate) const KNOCK_WORDS: &str =
    "Knocked or dropped and not looked over at the bench since; its filters guard the eye.";

/// "Coma 0.090 ± 0.010 waves RMS, from frames" or, by eye, the asymmetry first.
pub(crate) fn coma_words(test: &StarTest) -> String {
    let coma = waves_and_error(test.coma_rms_waves, test.coma_rms_waves_sigma);
    match (test.method, test.thin_to_thick) {
        (Method::ByEye, Some(ratio)) => format!(
            "Thin side {} of the thick by eye, which comes to coma {coma} waves RMS",
            trimmed(ratio, 2)
        ),
        (method, _) => format!("Coma {coma} waves RMS, {method}"),
    }
}

/// "Step 21\u{2032} \u{b1} 5\u{2032} by eye, where eyes accept 15\u{2032}": the angle that
/// says the worst, at the eye.
pub(crate) fn barrel_words(check: &BarrelCheck, judged: &Judged) -> String {
    let accepted = Accepted::PUBLISHED;
    let apart = check.openings.get(judged.at_opening);
    let (name, angle, accepts) = match judged.worst.part {
        Part::Convergence => (
            "Convergence",
            apart.map(|a| a.convergence),
            accepted.convergence_arcmin,
        ),
        Part::Divergence => (
            "Divergence",
            apart.map(|a| a.convergence),
            accepted.divergence_arcmin,
        ),
        Part::Step => ("Step", apart.map(|a| a.step), accepted.step_arcmin),
        Part::Turn => ("Turn", apart.and_then(|a| a.turn), accepted.turn_arcmin),
    };
    // The opening and its angle are those that were judged.
    let (size, sigma) = angle.map_or((0.0, 0.0), |a| (a.arcmin.abs(), a.sigma_arcmin));
    format!(
        "{name} {}\u{2032} \u{b1} {}\u{2032} {}, where eyes accept {}\u{2032}",
        figure(size, 0),
        figure(sigma.max(1.0), 0),
        check.way,
        figure(accepts, 0)
    )
}

/// Why a barrel check does not tell, or what else it says.
pub(crate) fn barrel_doubt(judged: &Judged) -> &'static str {
    if judged.verdict == Verdict::CannotTell && judged.one_opening_only {
        "it was looked at at one opening of the hinge only"
    } else if judged.verdict == Verdict::CannotTell {
        "that check is too coarse to tell"
    } else if judged.holds_at_one_only {
        "the barrels are parallel at one opening of the hinge only"
    } else if judged.verdict == Verdict::NeedsBench {
        "few eyes join the pictures without effort"
    } else {
        "it may strain the eyes"
    }
}

/// "; over its limit of 0.071", and how sure that is.
pub(crate) fn over_words(test: &StarTest, limit: f64) -> String {
    let excess = test.coma_rms_waves - limit;
    let limit = trimmed(limit, 3);
    if excess < test.coma_rms_waves_sigma {
        format!(
            "over its limit of {limit}, but by less than its error: look once more before turning anything"
        )
    } else {
        format!("over its limit of {limit}")
    }
}

pub(crate) fn problem_words(problem: &Dated<LoggedProblem>) -> String {
    let words = problem.what.problem.words.trim();
    let stop = if words.ends_with(['.', '!', '?']) {
        ""
    } else {
        "."
    };
    format!("Reported: {words}{stop}")
}

pub(crate) fn moved_words(work: &Dated<LoggedWork>, check: Check) -> String {
    format!(
        "Optics were moved at the bench ({}) and no {} since.",
        work.what.what,
        check.words()
    )
}

pub(crate) fn second_look_words(work: &Dated<LoggedWork>) -> String {
    format!(
        "Waits for a second look: nobody but who did it has looked over the {} at the bench.",
        work.what.what
    )
}
