//! What the rules say of an instrument: its condition, whether it is due, and why.

use library::Moment;
use library::barrel_checks::Way;
use library::star_tests::Method;
use optics::barrels::Judged;

use super::limits::Limits;

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
