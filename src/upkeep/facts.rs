//! What the rules go by: gathered from a logbook in one pass, and set beside the limits.

use super::figures::{self, trimmed};
use super::history::{Dated, Exposure, History, When};
use super::limits::Limits;
use chrono::NaiveDate;
use library::barrel_checks::BarrelCheck;
use library::instruments::Check;
use library::problems::{AsksFor, LoggedProblem};
use library::star_tests::StarTest;
use library::works::{LoggedWork, WorkWhat};
use library::{Moment, PersonId};
use optics::barrels::{Judged, Verdict};

/// Whether a value is past its limit; equal is not, to within what adding up
/// tenths in floating point loses.
pub fn is_over(value: f64, limit: f64) -> bool {
    value > limit + 1e-9 * limit.abs().max(1.0)
}

/// Whether a look found the instrument in line: coma at or below the limit to
/// mention, and sure enough of it that one sigma more would not send it to the
/// bench.
pub fn found_in_line(test: &StarTest, limits: &Limits) -> bool {
    is_in_line(test.coma_rms_waves, test.coma_rms_waves_sigma, limits)
}

pub(crate) fn is_in_line(coma: f64, sigma: f64, limits: &Limits) -> bool {
    !is_over(coma, limits.coma_note.value) && !is_over(coma + sigma, limits.coma_bench.value)
}

/// What the rules need of a logbook, whatever the day: gathered once in a pass
/// over all of it, and good until the logbook or a coma limit changes.
#[derive(Debug, Clone)]
pub struct Gathered {
    pub(crate) check: Check,
    /// The last star test of an instrument that takes one.
    pub(crate) test: Option<Dated<StarTest>>,
    /// The last look through the barrels of a binocular.
    pub(crate) barrels: Option<Dated<BarrelCheck>>,
    /// The last look: a star test, a barrel check, or for the Sun's own the bench's.
    pub(crate) look: Option<When>,
    /// Whether a look ever found it in line.
    pub(crate) was_in_line: bool,
    pub(crate) since_in_line: Exposure,
    pub(crate) since_look: Exposure,
    /// How the exposure since it was in line added up.
    pub(crate) wear: Vec<(Moment, f64)>,
    /// When each loan since the last look began, oldest first.
    pub(crate) loans: Vec<Moment>,
    /// Open problems, the latest first.
    pub(crate) problems: Vec<Dated<LoggedProblem>>,
    /// When one of the Sun's own was last knocked, if not looked over since.
    pub(crate) knock: Option<Moment>,
    /// Work that moved optics after the last star test or barrel check.
    pub(crate) moved: Option<Dated<LoggedWork>>,
    /// The earliest work that nobody but who did it has looked over since.
    pub(crate) unseen_work: Option<Dated<LoggedWork>>,
    /// The first thing its logbook tells of.
    pub(crate) begins: Option<Moment>,
    /// The latest date set aside because it lies ahead.
    pub(crate) ahead: Option<Moment>,
}

impl Gathered {
    /// Gathers it. Of the limits only those of coma and barrels count here, which say
    /// which look found it in line, and whether work waits for a second pair of eyes.
    pub fn of(history: &History, limits: &Limits) -> Self {
        let check = history.design.check();
        let test = history.last_test().filter(|_| check == Check::Star);
        let barrels = history.last_barrels().filter(|_| check == Check::Barrels);
        let (look, in_line) = match check {
            Check::Star => {
                let mut tests = history.tests.iter().rev();
                let in_line = tests.find(|t| found_in_line(&t.what, limits));
                (test.map(|t| t.at), in_line.map(|t| t.at))
            }
            Check::Barrels => {
                let fine = |b: &&Dated<BarrelCheck>| {
                    let judged = b.what.judged(&limits.barrels());
                    judged.is_some_and(|j| j.verdict == Verdict::Fine)
                };
                let in_line = history.barrels.iter().rev().find(fine);
                (barrels.map(|b| b.at), in_line.map(|b| b.at))
            }
            Check::Bench => {
                let worked = history.last_work().map(|w| w.at);
                (worked, worked)
            }
        };
        let knock = (check == Check::Bench)
            .then(|| history.knock_since(look))
            .flatten();
        let moved = (check != Check::Bench)
            .then(|| history.moved_since(look))
            .flatten();
        Self {
            check,
            barrels: barrels.cloned(),
            look,
            was_in_line: in_line.is_some(),
            since_in_line: history.exposure_since(in_line),
            since_look: history.exposure_since(look),
            wear: history.wear_since(in_line),
            loans: look.map_or_else(Vec::new, |l| history.loans_since(Some(l))),
            problems: history.open_problems().cloned().collect(),
            knock: knock.map(|k| k.at.moment),
            moved: moved.cloned(),
            unseen_work: unseen_work(history, limits).cloned(),
            begins: history.begins(),
            ahead: history.ahead.last().copied(),
            test: test.cloned(),
        }
    }
}

/// The earliest work that moved the optics, or mended something, and that nobody but who did
/// it has looked over since: neither signed it off nor found the instrument in line. Only work
/// since the club wants this; of which nobody knows who did it waits for nobody.
fn unseen_work<'a>(history: &'a History, limits: &Limits) -> Option<&'a Dated<LoggedWork>> {
    let by = |at: &When| history.signed.get(&at.entry).copied();
    let fine = |b: &BarrelCheck| {
        let judged = b.judged(&limits.barrels());
        judged.is_some_and(|j| j.verdict == Verdict::Fine)
    };
    let tests = history.tests.iter();
    let tests = tests.filter(|t| found_in_line(&t.what, limits));
    let barrels = history.barrels.iter().filter(|b| fine(&b.what));
    let looks = history.second_looks.iter().map(|l| (l.at, Some(l.what)));
    let eyes: Vec<(When, Option<PersonId>)> = looks
        .chain(tests.map(|t| (t.at, by(&t.at))))
        .chain(barrels.map(|b| (b.at, by(&b.at))))
        .collect();
    let since = limits.second_look?;
    history.works.iter().find(|work| {
        let asks = work.at.moment >= since;
        let asks = asks && (work.what.moved_optics || work.what.what == WorkWhat::Repair);
        let Some(doer) = by(&work.at).filter(|_| asks) else {
            return false;
        };
        !eyes
            .iter()
            .any(|(at, eye)| *at > work.at && eye.is_some_and(|eye| eye != doer))
    })
}

/// What both the due list and the condition go by.
pub(crate) struct Facts<'a> {
    pub(crate) gathered: &'a Gathered,
    pub(crate) limits: &'a Limits,
    /// Since the last look.
    pub(crate) months: Option<f64>,
    /// When those reach their limit.
    pub(crate) months_over_since: Option<Moment>,
    /// The latest day that entries set aside are dated.
    pub(crate) ahead_on: Option<NaiveDate>,
}

impl std::ops::Deref for Facts<'_> {
    type Target = Gathered;
    fn deref(&self) -> &Gathered {
        self.gathered
    }
}

impl<'a> Facts<'a> {
    /// What the last barrel check says under the limits in force.
    pub(crate) fn judged(&self) -> Option<Judged> {
        let check = &self.barrels.as_ref()?.what;
        check.judged(&self.limits.barrels())
    }

    /// The work that waits for a second pair of eyes.
    pub(crate) fn unseen_work(&self) -> Option<&'a Dated<LoggedWork>> {
        self.gathered.unseen_work.as_ref()
    }

    /// Whether what tells how it is was never done.
    pub(crate) fn is_untested(&self) -> bool {
        match self.check {
            Check::Star => self.test.is_none(),
            Check::Barrels => self.barrels.is_none(),
            Check::Bench => false,
        }
    }

    pub(crate) fn problems(
        &self,
        asks_for: AsksFor,
    ) -> impl Iterator<Item = &'a Dated<LoggedProblem>> {
        let open = self.gathered.problems.iter();
        open.filter(move |f| f.what.problem.asks_for == asks_for)
    }

    /// "Moved about as much as 12 ordinary drives since ..., 1.6 of them assumed ...".
    pub(crate) fn exposure_words(&self, exposure: Exposure, since: &str) -> String {
        let (value, limit) = figures::apart(exposure.total(), self.limits.exposure.value, 1);
        let assumed = match exposure.unreported_loans {
            0 => String::new(),
            1 => format!(
                " Of that, {} is assumed for a loan whose journeys nobody reported.",
                trimmed(exposure.assumed, 1)
            ),
            n => format!(
                " Of that, {} is assumed for {n} loans whose journeys nobody reported.",
                trimmed(exposure.assumed, 1)
            ),
        };
        format!(
            "Moved about as much as {value} ordinary drives {since}; the limit is {limit}.{assumed}"
        )
    }

    pub(crate) fn months_words(&self, months: f64) -> String {
        let (value, limit) = figures::apart(months, self.limits.months.value, 0);
        format!(
            "Last {} {value} months ago; the limit is {limit}.",
            self.check.words()
        )
    }

    pub(crate) fn loans_words(&self) -> String {
        format!(
            "{} loans since its last {}; the limit is {}.",
            self.loans.len(),
            self.check.words(),
            trimmed(self.limits.loans.value, 1)
        )
    }
}
