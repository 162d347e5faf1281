//! The plain rules: what an instrument's condition is, whether it is due for the
//! bench, how urgently, and why, in words.
//!
//! A value equal to its limit is not over it. Coma is held against its limit as
//! measured; its error never moves the limit, but the words say when what is
//! over is less than the error, and a look too coarse to tell finds nothing in
//! line. Barrels of a binocular are held against what eyes accept, with their error. A loan whose journeys nobody reported counts as one untold drive there
//! and one back. An instrument made for the Sun takes no star test: a look over
//! at the bench stands in for it, and a knock sends it there.

use super::figures::{self, trimmed};
use super::history::{Dated, Exposure, History, When};
use super::limits::Limits;
use chrono::{DateTime, NaiveDate, TimeZone};
use library::barrel_checks::{BarrelCheck, Way};
use library::instruments::Check;
use library::problems::{AsksFor, LoggedProblem};
use library::star_tests::{Method, StarTest};
use library::works::WorkWhat;
use library::{Moment, PersonId};
use optics::barrels::{Accepted, Judged, Part, Verdict, figure};
use startest::words::waves_and_error;

library::words! {
    /// What can be said of an instrument's optics today. Always shown with its
    /// reason and date.
    pub enum Condition {
        /// Lined up, as far as the last look and what it has been through tell.
        Ready = "ready", "ready";
        /// Good enough if the borrower knows the limit.
        Usable = "usable", "usable with a limit";
        /// To the bench before the next loan.
        NeedsBench = "needs-bench", "needs the bench";
        /// Nobody can honestly say.
        NotChecked = "not-checked", "not checked";
    }
}

impl Condition {
    /// Whether it goes to the next in line as it is: nobody need have tested it, but what
    /// needs the bench goes there first.
    pub fn goes_out(self) -> bool {
        self != Self::NeedsBench
    }
}

library::words! {
    /// What makes an instrument due.
    pub enum DueCode {
        /// A problem asks for the bench.
        Problem = "problem", "problem";
        /// Coma over its limit.
        Coma = "coma", "coma";
        /// Barrels of a binocular over their limit.
        Barrels = "barrels", "barrels";
        /// An instrument for the Sun was knocked and not looked over since.
        Knock = "knock", "knock";
        /// Optics moved at the bench and no star test since.
        Moved = "moved", "optics moved";
        /// Nobody but who did it has looked over what the bench did.
        SecondLook = "second-look", "second look";
        /// Never had a star test, or a barrel check.
        Untested = "untested", "never tested";
        /// Journeys over their limit.
        Journeys = "journeys", "journeys";
        /// Too long without a test.
        Months = "months", "months";
        /// Too many loans without a test.
        Loans = "loans", "loans";
        /// An entry is dated ahead of today.
        Ahead = "ahead", "entry dated ahead";
    }
}

/// One reason why an instrument is due.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct DueReason {
    /// What kind of reason.
    pub code: DueCode,
    /// The reason in words, with its figures.
    pub words: String,
    /// How much it presses: see [`URGENCY_WORDS`].
    pub weight: f64,
    /// Since when it holds; none where nothing in the logbook tells.
    pub since: Option<Moment>,
}

/// Why and how urgently an instrument needs the bench.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Due {
    /// The list is sorted by this, largest first.
    pub urgency: f64,
    /// Since when at least one of its reasons holds, as far as the logbook tells.
    pub since: Option<Moment>,
    /// Reasons, weightiest first.
    pub reasons: Vec<DueReason>,
}

/// What was seen at the last star test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LastTest {
    /// When.
    pub at: Moment,
    /// How.
    pub method: Method,
    /// RMS coma, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// Its 1-sigma.
    pub coma_rms_waves_sigma: f64,
}

/// What was seen at the last look through both barrels.
#[derive(Debug, Clone, PartialEq)]
pub struct LastBarrels {
    /// When.
    pub at: Moment,
    /// How.
    pub way: Way,
    /// What it says under the limits in force.
    pub judged: Judged,
    /// In words, without a full stop.
    pub words: String,
}

/// What the rules say of one instrument today.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// The condition.
    pub condition: Condition,
    /// Its reasons in words, weightiest first; never empty.
    pub reasons: Vec<String>,
    /// When that was last seen or reported.
    pub as_of: Option<Moment>,
    /// RMS coma at the last look and its 1-sigma, waves at 550 nm.
    pub coma_rms_waves: Option<(f64, f64)>,
    /// The last star test.
    pub last_test: Option<LastTest>,
    /// The last look through both barrels, of a binocular.
    pub last_barrels: Option<LastBarrels>,
    /// The work that waits for a second pair of eyes, where the club wants one: when it was done.
    pub second_look: Option<Moment>,
    /// Whether nothing else keeps it from being lent.
    pub only_second_look: bool,
    /// Exposure since it was last found in line, ordinary drives.
    pub exposure: f64,
    /// The part of it that stands for loans whose journeys nobody reported.
    pub exposure_assumed: f64,
    /// The limits in force.
    pub limits: Limits,
    /// Present when it is due.
    pub due: Option<Due>,
}

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
const FURTHER_REASON: f64 = 0.1;

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

fn is_in_line(coma: f64, sigma: f64, limits: &Limits) -> bool {
    !is_over(coma, limits.coma_note.value) && !is_over(coma + sigma, limits.coma_bench.value)
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

/// What the rules need of a logbook, whatever the day: gathered once in a pass
/// over all of it, and good until the logbook or a coma limit changes.
#[derive(Debug, Clone)]
pub struct Gathered {
    check: Check,
    /// The last star test of an instrument that takes one.
    test: Option<Dated<StarTest>>,
    /// The last look through the barrels of a binocular.
    barrels: Option<Dated<BarrelCheck>>,
    /// The last look: a star test, a barrel check, or for the Sun's own the bench's.
    look: Option<When>,
    /// Whether a look ever found it in line.
    was_in_line: bool,
    since_in_line: Exposure,
    since_look: Exposure,
    /// How the exposure since it was in line added up.
    wear: Vec<(Moment, f64)>,
    /// When each loan since the last look began, oldest first.
    loans: Vec<Moment>,
    /// Open problems, the latest first.
    problems: Vec<Dated<LoggedProblem>>,
    /// When one of the Sun's own was last knocked, if not looked over since.
    knock: Option<Moment>,
    /// Work that moved optics after the last star test or barrel check.
    moved: Option<Dated<library::works::LoggedWork>>,
    /// The earliest work that nobody but who did it has looked over since.
    unseen_work: Option<Dated<library::works::LoggedWork>>,
    /// The first thing its logbook tells of.
    begins: Option<Moment>,
    /// The latest date set aside because it lies ahead.
    ahead: Option<Moment>,
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
fn unseen_work<'a>(
    history: &'a History,
    limits: &Limits,
) -> Option<&'a Dated<library::works::LoggedWork>> {
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
struct Facts<'a> {
    gathered: &'a Gathered,
    limits: &'a Limits,
    /// Since the last look.
    months: Option<f64>,
    /// When those reach their limit.
    months_over_since: Option<Moment>,
    /// The latest day that entries set aside are dated.
    ahead_on: Option<NaiveDate>,
}

impl std::ops::Deref for Facts<'_> {
    type Target = Gathered;
    fn deref(&self) -> &Gathered {
        self.gathered
    }
}

impl<'a> Facts<'a> {
    /// What the last barrel check says under the limits in force.
    fn judged(&self) -> Option<Judged> {
        let check = &self.barrels.as_ref()?.what;
        check.judged(&self.limits.barrels())
    }

    /// The work that waits for a second pair of eyes.
    fn unseen_work(&self) -> Option<&'a Dated<library::works::LoggedWork>> {
        self.gathered.unseen_work.as_ref()
    }

    /// Whether what tells how it is was never done.
    fn is_untested(&self) -> bool {
        match self.check {
            Check::Star => self.test.is_none(),
            Check::Barrels => self.barrels.is_none(),
            Check::Bench => false,
        }
    }

    fn problems(&self, asks_for: AsksFor) -> impl Iterator<Item = &'a Dated<LoggedProblem>> {
        let open = self.gathered.problems.iter();
        open.filter(move |f| f.what.problem.asks_for == asks_for)
    }

    /// "Moved about as much as 12 ordinary drives since ..., 1.6 of them assumed ...".
    fn exposure_words(&self, exposure: Exposure, since: &str) -> String {
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

    fn months_words(&self, months: f64) -> String {
        let (value, limit) = figures::apart(months, self.limits.months.value, 0);
        format!(
            "Last {} {value} months ago; the limit is {limit}.",
            self.check.words()
        )
    }

    fn loans_words(&self) -> String {
        format!(
            "{} loans since its last {}; the limit is {}.",
            self.loans.len(),
            self.check.words(),
            trimmed(self.limits.loans.value, 1)
        )
    }
}

const KNOCK_WORDS: &str =
    "Knocked or dropped and not looked over at the bench since; its filters guard the eye.";

/// "Coma 0.090 ± 0.010 waves RMS, from frames" or, by eye, the asymmetry first.
fn coma_words(test: &StarTest) -> String {
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
fn barrel_words(check: &BarrelCheck, judged: &Judged) -> String {
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
fn barrel_doubt(judged: &Judged) -> &'static str {
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
fn over_words(test: &StarTest, limit: f64) -> String {
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

fn due_reasons(facts: &Facts) -> Vec<DueReason> {
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

fn problem_words(problem: &Dated<LoggedProblem>) -> String {
    let words = problem.what.problem.words.trim();
    let stop = if words.ends_with(['.', '!', '?']) {
        ""
    } else {
        "."
    };
    format!("Reported: {words}{stop}")
}

fn moved_words(work: &Dated<library::works::LoggedWork>, check: Check) -> String {
    format!(
        "Optics were moved at the bench ({}) and no {} since.",
        work.what.what,
        check.words()
    )
}

fn second_look_words(work: &Dated<library::works::LoggedWork>) -> String {
    format!(
        "Waits for a second look: nobody but who did it has looked over the {} at the bench.",
        work.what.what
    )
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
