//! The plain rules: what an instrument's condition is, whether it is due for the
//! bench, how urgently, and why, in words.
//!
//! A value equal to its limit is not over it. Coma is held against its limit as
//! measured; its error never moves the limit, but the words say when what is
//! over is less than the error, and a look too coarse to tell finds nothing in
//! line. Barrels of a binocular are held against what eyes accept, with their error.
//! A loan whose journeys nobody reported counts as one untold drive there and one
//! back. An instrument made for the Sun takes no star test: a look over at the bench
//! stands in for it, and a knock sends it there.

use super::assessment::{Assessment, Condition, Due, LastBarrels, LastTest};
use super::facts::{Facts, Gathered, found_in_line, is_in_line, is_over};
use super::figures::{self, trimmed};
use super::history::History;
use super::limits::Limits;
use super::reasons::{FURTHER_REASON, due_reasons};
use super::told::{
    KNOCK_WORDS, barrel_doubt, barrel_words, coma_words, moved_words, over_words, problem_words,
    second_look_words,
};
use chrono::{DateTime, TimeZone};
use library::Moment;
use library::problems::AsksFor;
use library::star_tests::StarTest;
use optics::barrels::Verdict;

/// What one look says by itself, whatever came before or after it. `sigma` is
/// the 1-sigma of `coma`, both in waves RMS.
pub fn condition_of_look(coma: f64, sigma: f64, limits: &Limits) -> Condition {
    if is_over(coma, limits.coma_bench.value) {
        Condition::NeedsBench
    } else if is_in_line(coma, sigma, limits) {
        Condition::Ready
    } else {
        Condition::Usable
    }
}

/// Applies the rules; days and months are those of the zone that `now` is told in.
pub fn assess<Z: TimeZone>(history: &History, limits: &Limits, now: DateTime<Z>) -> Assessment {
    judge(&Gathered::of(history, limits), limits, now)
}

/// Applies them to what was gathered before, under limits of the same coma.
pub fn judge<Z: TimeZone>(gathered: &Gathered, limits: &Limits, now: DateTime<Z>) -> Assessment {
    let zone = now.timezone();
    let look = gathered.look.map(|l| l.moment.with_timezone(&zone));
    let facts = Facts {
        gathered,
        limits,
        months_over_since: look
            .clone()
            .and_then(|l| figures::months_after(l, limits.months.value)),
        months: look.map(|l| figures::months_between(l, now)),
        ahead_on: gathered.ahead.map(|a| a.with_timezone(&zone).date_naive()),
    };
    let mut reasons = due_reasons(&facts);
    reasons.sort_by(|a, b| b.weight.total_cmp(&a.weight).then(a.code.cmp(&b.code)));
    let urgency = reasons.first().map_or(0.0, |r| r.weight)
        + FURTHER_REASON * reasons.len().saturating_sub(1) as f64;
    let (condition, why, as_of) = read(&facts);
    let second_look = facts.unseen_work().map(|w| w.at.moment);
    let last_test = facts.test.as_ref().map(|t| LastTest {
        at: t.at.moment,
        method: t.what.method,
        coma_rms_waves: t.what.coma_rms_waves,
        coma_rms_waves_sigma: t.what.coma_rms_waves_sigma,
    });
    Assessment {
        condition,
        reasons: why,
        as_of,
        coma_rms_waves: last_test.map(|t| (t.coma_rms_waves, t.coma_rms_waves_sigma)),
        last_test,
        last_barrels: facts.barrels.as_ref().and_then(|b| {
            facts.judged().map(|judged| LastBarrels {
                at: b.at.moment,
                way: b.what.way,
                judged,
                words: barrel_words(&b.what, &judged),
            })
        }),
        second_look,
        only_second_look: second_look.is_some() && as_of == second_look && facts.moved.is_none(),
        exposure: facts.since_in_line.total(),
        exposure_assumed: facts.since_in_line.assumed,
        limits: limits.clone(),
        due: (!reasons.is_empty()).then(|| Due {
            urgency,
            since: reasons.iter().filter_map(|r| r.since).min(),
            reasons,
        }),
    }
}

type Read = (Condition, Vec<String>, Option<Moment>);

fn read(facts: &Facts) -> Read {
    let asked: Vec<_> = facts.problems(AsksFor::TheBench).collect();
    if let Some(latest) = asked.first() {
        let words = asked.iter().map(|f| problem_words(f)).collect();
        return (Condition::NeedsBench, words, Some(latest.at.moment));
    }
    if let Some(knocked_at) = facts.knock {
        return (
            Condition::NeedsBench,
            vec![KNOCK_WORDS.to_owned()],
            Some(knocked_at),
        );
    }
    if let Some(work) = &facts.moved {
        return (
            Condition::NotChecked,
            vec![moved_words(work, facts.check)],
            Some(work.at.moment),
        );
    }
    let dated = facts.look.map(|l| l.moment);
    if facts.is_untested() {
        return (
            Condition::NotChecked,
            vec![format!("It has never had a {}.", facts.check.words())],
            None,
        );
    }
    if let Some(test) = &facts.test
        && look_condition(&test.what, facts.limits) == Condition::NeedsBench
    {
        let over = over_words(&test.what, facts.limits.coma_bench.value);
        let words = format!("{}; {over}.", coma_words(&test.what));
        return (Condition::NeedsBench, vec![words], dated);
    }
    let judged = facts.barrels.as_ref().zip(facts.judged());
    let of_barrels = judged.map(|(check, judged)| {
        let words = barrel_words(&check.what, &judged);
        match judged.verdict {
            Verdict::Fine => (judged.verdict, format!("{words}.")),
            _ => (
                judged.verdict,
                format!("{words}; {}.", barrel_doubt(&judged)),
            ),
        }
    });
    if let Some((Verdict::NeedsBench, words)) = &of_barrels {
        return (Condition::NeedsBench, vec![words.clone()], dated);
    }
    if let Some(work) = facts.unseen_work() {
        let words = vec![second_look_words(work)];
        return (Condition::NotChecked, words, Some(work.at.moment));
    }
    if facts.look.is_none() {
        let words = vec!["Nobody has looked it over at the bench yet.".to_owned()];
        return (Condition::NotChecked, words, None);
    }
    let stale = stale_words(facts);
    if !stale.is_empty() {
        return (Condition::NotChecked, stale, dated);
    }
    if let Some((Verdict::CannotTell, words)) = &of_barrels {
        return (Condition::NotChecked, vec![words.clone()], dated);
    }
    let mut limits_to_note = Vec::new();
    if let Some((Verdict::MayStrain, words)) = &of_barrels {
        limits_to_note.push(words.clone());
    }
    if let Some(test) = &facts.test {
        limits_to_note.extend(note_words(&test.what, facts.limits));
    }
    let looks: Vec<_> = facts.problems(AsksFor::ALook).collect();
    limits_to_note.extend(looks.iter().map(|f| problem_words(f)));
    if !limits_to_note.is_empty() {
        let dated = dated.max(looks.first().map(|f| f.at.moment));
        return (Condition::Usable, limits_to_note, dated);
    }
    let words = match (&facts.test, of_barrels) {
        (Some(test), _) => format!("{}.", coma_words(&test.what)),
        (None, Some((_, words))) => words,
        (None, None) => {
            "It takes no star test, and nothing is reported against it since the bench had it."
                .to_owned()
        }
    };
    (Condition::Ready, vec![words], dated)
}

fn look_condition(test: &StarTest, limits: &Limits) -> Condition {
    condition_of_look(test.coma_rms_waves, test.coma_rms_waves_sigma, limits)
}

/// Why the last look no longer tells how the instrument is.
fn stale_words(facts: &Facts) -> Vec<String> {
    let limits = facts.limits;
    let mut words = Vec::new();
    if is_over(facts.since_look.total(), limits.exposure.value) {
        let since = if facts.look.is_some() {
            format!("since its last {}", facts.check.words())
        } else {
            "and never looked over at the bench".to_owned()
        };
        words.push(facts.exposure_words(facts.since_look, &since));
    }
    if let Some(months) = facts.months.filter(|m| is_over(*m, limits.months.value)) {
        words.push(facts.months_words(months));
    }
    if is_over(facts.loans.len() as f64, limits.loans.value) {
        words.push(facts.loans_words());
    }
    words
}

/// What a borrower must be told of a look that does not send it to the bench.
fn note_words(test: &StarTest, limits: &Limits) -> Option<String> {
    if is_over(test.coma_rms_waves, limits.coma_note.value) {
        Some(format!(
            "{}; worth mentioning above {}.",
            coma_words(test),
            trimmed(limits.coma_note.value, 3)
        ))
    } else if found_in_line(test, limits) {
        None
    } else {
        Some(format!(
            "{}; that test is too coarse to call it collimated, its limit being {}.",
            coma_words(test),
            trimmed(limits.coma_bench.value, 3)
        ))
    }
}
