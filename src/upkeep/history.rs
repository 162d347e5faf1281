//! What one instrument's logbook says, as the rules need it.

use crate::library::Moment;
use crate::library::findings::LoggedFinding;
use crate::library::instruments::Design;
use crate::library::journeys::LoggedJourney;
use crate::library::loans::LoanSpan;
use crate::library::star_tests::LoggedStarTest;
use crate::library::works::LoggedWork;

/// Standing entries only, each list oldest first.
#[derive(Debug, Clone)]
pub struct History {
    /// Optical design.
    pub design: Design,
    /// Moves.
    pub journeys: Vec<LoggedJourney>,
    /// Looks at a star.
    pub tests: Vec<LoggedStarTest>,
    /// What was found wrong.
    pub findings: Vec<LoggedFinding>,
    /// What the bench did.
    pub works: Vec<LoggedWork>,
    /// Loans.
    pub loans: Vec<LoanSpan>,
}

impl History {
    /// The latest star test.
    pub fn last_test(&self) -> Option<&LoggedStarTest> {
        self.tests.last()
    }

    /// The latest star test with coma at or below `coma_note_waves`.
    pub fn last_in_line(&self, coma_note_waves: f64) -> Option<&LoggedStarTest> {
        self.tests
            .iter()
            .rev()
            .find(|t| t.test.coma_rms_waves <= coma_note_waves)
    }

    /// When optics were last moved at the bench, if after the latest test.
    pub fn moved_since_test(&self) -> Option<&LoggedWork> {
        let tested = self.last_test().map(|t| t.happened_at);
        self.works
            .iter()
            .rev()
            .find(|w| w.moved_optics && tested.is_none_or(|t| w.happened_at > t))
    }

    /// Exposure after an instant, in ordinary drives, by design.
    pub fn exposure_since(&self, since: Option<Moment>) -> f64 {
        let sum: f64 = self
            .journeys
            .iter()
            .filter(|j| since.is_none_or(|s| j.happened_at > s))
            .map(|j| super::exposure::of_journey(&j.journey))
            .sum();
        sum * super::exposure::share(self.design)
    }

    /// Loans that began after an instant.
    pub fn loans_since(&self, since: Option<Moment>) -> usize {
        self.loans
            .iter()
            .filter(|l| since.is_none_or(|s| l.handed_out_at > s))
            .count()
    }
}
