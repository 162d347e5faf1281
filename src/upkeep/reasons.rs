//! What makes an instrument due for the bench, and how much each reason presses.

use super::assessment::{DueCode, DueReason};
use super::facts::{Facts, is_over};
use super::told::{
    KNOCK_WORDS, barrel_doubt, barrel_words, coma_words, moved_words, over_words, problem_words,
    second_look_words,
};
use library::Moment;
use library::instruments::Check;
use library::problems::AsksFor;
use optics::barrels::Verdict;

/// How the order of the due list comes about, for the page that shows it.
pub const URGENCY_WORDS: &str = "The most urgent stands first. Each reason counts by how far it is past its limit: \
     coma, or how far barrels point apart, at twice its limit counts 2. A problem that asks for the bench counts 3, optics moved without a star test or barrel check since \
     (or, for the Sun's own instruments, a knock) 2, never tested 1.5, work that waits for a second look 1. Journeys, months and loans count at most 2.5, \
     for they say what may have happened, not what was seen. The weightiest reason counts whole, each further one adds a \
     tenth. Where two are equal, the tag decides.";

const FINDING_WEIGHT: f64 = 3.0;
const MOVED_WEIGHT: f64 = 2.0;
const KNOCK_WEIGHT: f64 = 2.0;
const UNTESTED_WEIGHT: f64 = 1.5;
const SECOND_LOOK_WEIGHT: f64 = 1.0;
const AHEAD_WEIGHT: f64 = 1.0;
const MOST_WEAR_WEIGHT: f64 = 2.5;
const MOST_COMA_WEIGHT: f64 = 10.0;
pub(crate) const FURTHER_REASON: f64 = 0.1;

pub(crate) fn due_reasons(facts: &Facts) -> Vec<DueReason> {
    let limits = facts.limits;
    let mut due = Vec::new();
    let mut add = |code, weight: f64, since: Option<Moment>, words: String| {
        due.push(DueReason {
            code,
            words,
            weight,
            since,
        });
    };
    for problem in facts.problems(AsksFor::TheBench) {
        let since = Some(problem.at.moment);
        add(
            DueCode::Problem,
            FINDING_WEIGHT,
            since,
            problem_words(problem),
        );
    }
    if let Some(test) = &facts.test {
        let (coma, limit) = (test.what.coma_rms_waves, limits.coma_bench.value);
        if is_over(coma, limit) {
            let words = format!(
                "{}; {}.",
                coma_words(&test.what),
                over_words(&test.what, limit)
            );
            add(
                DueCode::Coma,
                share_of(coma, limit, MOST_COMA_WEIGHT),
                Some(test.at.moment),
                words,
            );
        }
    }
    if let (Some(barrels), Some(judged)) = (&facts.barrels, facts.judged())
        && judged.verdict == Verdict::NeedsBench
    {
        let words = format!(
            "{}; {}.",
            barrel_words(&barrels.what, &judged),
            barrel_doubt(&judged)
        );
        add(
            DueCode::Barrels,
            share_of(
                judged.worst.value,
                limits.barrels_bench.value,
                MOST_COMA_WEIGHT,
            ),
            Some(barrels.at.moment),
            words,
        );
    }
    if facts.knock.is_some() {
        add(
            DueCode::Knock,
            KNOCK_WEIGHT,
            facts.knock,
            KNOCK_WORDS.to_owned(),
        );
    }
    if let Some(work) = &facts.moved {
        let since = Some(work.at.moment);
        let words = moved_words(work, facts.check);
        add(DueCode::Moved, MOVED_WEIGHT, since, words);
    } else if facts.is_untested() {
        add(
            DueCode::Untested,
            UNTESTED_WEIGHT,
            facts.begins,
            format!("Never had a {}.", facts.check.words()),
        );
    }
    if let Some(work) = facts.unseen_work() {
        let since = Some(work.at.moment);
        add(
            DueCode::SecondLook,
            SECOND_LOOK_WEIGHT,
            since,
            second_look_words(work),
        );
    }
    let exposure = facts.since_in_line;
    if is_over(exposure.total(), limits.exposure.value) {
        let since = match (facts.check != Check::Bench, facts.was_in_line) {
            (true, true) => "since it was last found collimated",
            (true, false) => "and never found collimated",
            (false, true) => "since the bench last looked it over",
            (false, false) => "and never looked over at the bench",
        };
        add(
            DueCode::Journeys,
            share_of(exposure.total(), limits.exposure.value, MOST_WEAR_WEIGHT),
            worn_out_at(&facts.wear, limits.exposure.value),
            facts.exposure_words(exposure, since),
        );
    }
    if let Some(months) = facts.months.filter(|m| is_over(*m, limits.months.value)) {
        add(
            DueCode::Months,
            share_of(months, limits.months.value, MOST_WEAR_WEIGHT),
            facts.months_over_since,
            facts.months_words(months),
        );
    }
    if is_over(facts.loans.len() as f64, limits.loans.value) {
        add(
            DueCode::Loans,
            share_of(
                facts.loans.len() as f64,
                limits.loans.value,
                MOST_WEAR_WEIGHT,
            ),
            facts
                .loans
                .get(limits.loans.value.max(0.0) as usize)
                .copied(),
            facts.loans_words(),
        );
    }
    if let Some(ahead) = facts.ahead_on {
        add(
            DueCode::Ahead,
            AHEAD_WEIGHT,
            None,
            format!(
                "An entry is dated {}, which has not come yet, so it is left out here. Correct its date.",
                library::day(ahead)
            ),
        );
    }
    due
}

/// When moving about went over its limit.
fn worn_out_at(wear: &[(Moment, f64)], limit: f64) -> Option<Moment> {
    wear.iter().find(|w| is_over(w.1, limit)).map(|w| w.0)
}

/// How far past a limit, between 1 and `most`; a limit of nothing is past at once.
fn share_of(value: f64, limit: f64, most: f64) -> f64 {
    if limit > 0.0 {
        (value / limit).clamp(1.0, most)
    } else {
        most
    }
}
