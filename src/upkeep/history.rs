//! What one instrument's logbook says, put in order as the rules need it.
//!
//! Order: by when it happened; at the same instant, by when it was first told
//! (a correction keeps its place); then by the entry itself. Nothing happened
//! after it was told, so an entry dated later than its own writing counts from
//! the writing. An entry that even so lies more than a day ahead was written
//! under a wrong clock: it is set aside and named, since nobody can say when it
//! happened.

use std::collections::{HashMap, HashSet};

use chrono::Duration;

use library::barrel_checks::{BarrelCheck, LoggedBarrelCheck};
use library::instruments::Design;
use library::journeys::{Journey, JourneyKind, LoggedJourney};
use library::loans::LoanSpan;
use library::problems::LoggedProblem;
use library::second_looks::LoggedLook;
use library::star_tests::{LoggedStarTest, StarTest};
use library::telling::Telling;
use library::works::LoggedWork;
use library::{EntryId, Moment, PersonId};

use super::exposure;

/// When something happened, comparable with everything else in the logbook.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct When {
    /// The instant.
    pub moment: Moment,
    /// When it was first told.
    pub told: Moment,
    /// The entry first told: settles what is left.
    pub entry: EntryId,
}

/// Something with its place in the logbook.
#[derive(Debug, Clone, PartialEq)]
pub struct Dated<T> {
    /// When.
    pub at: When,
    /// What.
    pub what: T,
}

/// One move, and the loan it was reported for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// The move.
    pub journey: Journey,
    /// When the loan it belongs to was lent, if it belongs to one.
    pub loan_from: Option<Moment>,
}

/// An instrument's logbook as the library lists it.
#[derive(Debug, Clone, Default)]
pub struct Logbook {
    /// Moves.
    pub journeys: Vec<LoggedJourney>,
    /// Looks at a star.
    pub tests: Vec<LoggedStarTest>,
    /// Looks through both barrels.
    pub barrels: Vec<LoggedBarrelCheck>,
    /// What was found wrong.
    pub problems: Vec<LoggedProblem>,
    /// What the bench did.
    pub works: Vec<LoggedWork>,
    /// Second looks at what the bench did.
    pub second_looks: Vec<LoggedLook>,
    /// Loans.
    pub loans: Vec<LoanSpan>,
}

/// Status entries only, each list in order.
#[derive(Debug, Clone)]
pub struct History {
    /// Optical design.
    pub design: Design,
    /// Moves.
    pub moves: Vec<Dated<Move>>,
    /// Looks at a star.
    pub tests: Vec<Dated<StarTest>>,
    /// Looks through both barrels.
    pub barrels: Vec<Dated<BarrelCheck>>,
    /// What was found wrong.
    pub problems: Vec<Dated<LoggedProblem>>,
    /// What the bench did.
    pub works: Vec<Dated<LoggedWork>>,
    /// When somebody looked over what was done, and who.
    pub second_looks: Vec<Dated<PersonId>>,
    /// Who first told of each test, check and piece of work, by the entry of its place.
    pub signed: HashMap<EntryId, PersonId>,
    /// Loans, oldest first.
    pub loans: Vec<LoanSpan>,
    /// The dates of entries set aside because they lie ahead, latest last.
    pub ahead: Vec<Moment>,
}

/// How much moving about there was, in ordinary drives, the design's share
/// included.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Exposure {
    /// From journeys that were reported.
    pub reported: f64,
    /// From loans whose journeys nobody reported.
    pub assumed: f64,
    /// How many such loans.
    pub unreported_loans: usize,
}

impl Exposure {
    /// All of it.
    pub fn total(self) -> f64 {
        self.reported + self.assumed
    }
}

/// How far beyond a loan's ends a journey may be dated and still be one of
/// that loan: journeys are often dated by the day alone.
const BEFORE_LOAN_HOURS: i64 = 12;
const AFTER_LOAN_HOURS: i64 = 24;

impl History {
    /// With nothing in it.
    pub fn empty(design: Design) -> Self {
        Self {
            design,
            moves: Vec::new(),
            tests: Vec::new(),
            barrels: Vec::new(),
            problems: Vec::new(),
            works: Vec::new(),
            second_looks: Vec::new(),
            signed: HashMap::new(),
            loans: Vec::new(),
            ahead: Vec::new(),
        }
    }

    /// Puts a logbook in order. Whatever is missing from `tellings` counts as
    /// told when it happened.
    pub fn new(
        design: Design,
        logbook: Logbook,
        tellings: &HashMap<EntryId, Telling>,
        now: Moment,
    ) -> Self {
        let mut history = Self::empty(design);
        let horizon = now + Duration::days(1);
        let mut ahead = Vec::new();
        let mut place = |entry: EntryId, happened_at: Moment| {
            let telling = tellings.get(&entry);
            let told = telling.map_or(happened_at, |t| t.first_told);
            let moment = happened_at.min(told);
            if moment > horizon {
                ahead.push(moment);
                return None;
            }
            Some(When {
                moment,
                told,
                entry: telling.map_or(entry, |t| t.first_entry),
            })
        };
        for j in logbook.journeys {
            if let Some(at) = place(j.entry_id, j.happened_at) {
                let loan_from = tellings.get(&j.entry_id).and_then(|t| t.loan_from);
                let journey = j.journey;
                history.moves.push(Dated {
                    at,
                    what: Move { journey, loan_from },
                });
            }
        }
        for t in logbook.tests {
            if let Some(at) = place(t.entry_id, t.happened_at) {
                history.tests.push(Dated { at, what: t.test });
            }
        }
        for b in logbook.barrels {
            if let Some(at) = place(b.entry_id, b.happened_at) {
                history.barrels.push(Dated { at, what: b.check });
            }
        }
        for w in logbook.works {
            if let Some(at) = place(w.entry_id, w.happened_at) {
                history.works.push(Dated { at, what: w });
            }
        }
        for l in logbook.second_looks {
            let by = tellings.get(&l.entry_id).map(|t| t.first_by);
            if let (Some(at), Some(what)) = (place(l.entry_id, l.happened_at), by) {
                history.second_looks.push(Dated { at, what });
            }
        }
        let tests = history.tests.iter().map(|t| t.at);
        let works = history.works.iter().map(|w| w.at);
        let told = tests
            .chain(history.barrels.iter().map(|b| b.at))
            .chain(works);
        let told: HashSet<EntryId> = told.map(|at| at.entry).collect();
        let signed = tellings.values().filter(|t| told.contains(&t.first_entry));
        history.signed = signed.map(|t| (t.first_entry, t.first_by)).collect();
        for f in logbook.problems {
            // What is wrong is wrong whatever its date says.
            let at = place(f.entry_id, f.happened_at).unwrap_or(When {
                moment: now,
                told: now,
                entry: f.entry_id,
            });
            history.problems.push(Dated { at, what: f });
        }
        history.moves.sort_by_key(|d| d.at);
        history.tests.sort_by_key(|d| d.at);
        history.barrels.sort_by_key(|d| d.at);
        history.works.sort_by_key(|d| d.at);
        history.second_looks.sort_by_key(|d| d.at);
        history.problems.sort_by_key(|d| d.at);
        ahead.sort();
        history.ahead = ahead;
        history.loans = logbook.loans;
        history.loans.sort_by_key(|l| l.lent_at);
        history
    }

    /// The same logbook as it would have read at an earlier moment, by when things
    /// happened. Problems settled since stay settled.
    pub fn as_of(&self, moment: Moment) -> Self {
        fn before<T: Clone>(all: &[Dated<T>], moment: Moment) -> Vec<Dated<T>> {
            all.iter()
                .filter(|d| d.at.moment <= moment)
                .cloned()
                .collect()
        }
        Self {
            design: self.design,
            moves: before(&self.moves, moment),
            tests: before(&self.tests, moment),
            barrels: before(&self.barrels, moment),
            problems: before(&self.problems, moment),
            works: before(&self.works, moment),
            second_looks: before(&self.second_looks, moment),
            signed: self.signed.clone(),
            loans: self
                .loans
                .iter()
                .filter(|l| l.lent_at <= moment)
                .map(|l| LoanSpan {
                    returned_at: l.returned_at.filter(|r| *r <= moment),
                    ..*l
                })
                .collect(),
            ahead: Vec::new(),
        }
    }

    /// The first thing it tells of.
    pub fn begins(&self) -> Option<Moment> {
        let firsts = [
            self.moves.first().map(|d| d.at.moment),
            self.tests.first().map(|d| d.at.moment),
            self.barrels.first().map(|d| d.at.moment),
            self.works.first().map(|d| d.at.moment),
            self.problems.first().map(|d| d.at.moment),
            self.loans.first().map(|l| l.lent_at),
        ];
        firsts.into_iter().flatten().min()
    }

    /// The latest star test.
    pub fn last_test(&self) -> Option<&Dated<StarTest>> {
        self.tests.last()
    }

    /// The latest look through both barrels.
    pub fn last_barrels(&self) -> Option<&Dated<BarrelCheck>> {
        self.barrels.last()
    }

    /// The latest work of any kind at the bench.
    pub fn last_work(&self) -> Option<&Dated<LoggedWork>> {
        self.works.last()
    }

    /// The work that moved optics latest, if after the latest look.
    pub fn moved_since(&self, looked: Option<When>) -> Option<&Dated<LoggedWork>> {
        self.works
            .iter()
            .rev()
            .find(|w| w.what.moved_optics && looked.is_none_or(|t| w.at > t))
    }

    /// Open problems, the latest first.
    pub fn open_problems(&self) -> impl Iterator<Item = &Dated<LoggedProblem>> {
        self.problems.iter().rev().filter(|f| !f.what.settled)
    }

    /// Moving about after `since`; with `None`, all there ever was.
    pub fn exposure_since(&self, since: Option<When>) -> Exposure {
        let share = exposure::share(self.design);
        let reported: f64 = self
            .moves
            .iter()
            .filter(|m| since.is_none_or(|s| m.at > s))
            .map(|m| exposure::of_journey(&m.what.journey))
            .sum();
        let mut legs = 0.0;
        let mut unreported_loans = 0;
        for loan in self.loans.iter().filter(|l| !self.is_reported(l)) {
            // A test at the instant of lending comes before the drive, one
            // at the instant of returning comes after it.
            let there = since.is_none_or(|s| loan.lent_at >= s.moment);
            let back = loan
                .returned_at
                .is_some_and(|r| since.is_none_or(|s| r > s.moment));
            let of_this = f64::from(u8::from(there) + u8::from(back));
            if of_this > 0.0 {
                legs += of_this;
                unreported_loans += 1;
            }
        }
        Exposure {
            reported: reported * share,
            assumed: legs * one_untold_drive() * share,
            unreported_loans,
        }
    }

    /// Moving about after `since` as it added up: each time and the total until
    /// then, oldest first.
    pub fn wear_since(&self, since: Option<When>) -> Vec<(Moment, f64)> {
        let share = exposure::share(self.design);
        let told = self
            .moves
            .iter()
            .filter(|m| since.is_none_or(|s| m.at > s))
            .map(|m| (m.at.moment, exposure::of_journey(&m.what.journey)));
        let untold = self.loans.iter().filter(|l| !self.is_reported(l));
        let legs = untold.flat_map(|l| {
            let there = Some(l.lent_at);
            let there = there.filter(|at| since.is_none_or(|s| *at >= s.moment));
            let back = l
                .returned_at
                .filter(|at| since.is_none_or(|s| *at > s.moment));
            there.into_iter().chain(back)
        });
        let mut wear: Vec<(Moment, f64)> = told
            .chain(legs.map(|at| (at, one_untold_drive())))
            .collect();
        wear.sort_by_key(|w| w.0);
        let mut total = 0.0;
        for (_, sum) in &mut wear {
            total += *sum * share;
            *sum = total;
        }
        wear
    }

    /// Whether anyone told of a journey of this loan.
    pub fn is_reported(&self, loan: &LoanSpan) -> bool {
        let from = loan.lent_at - Duration::hours(BEFORE_LOAN_HOURS);
        let until = loan
            .returned_at
            .map(|r| r + Duration::hours(AFTER_LOAN_HOURS));
        self.moves.iter().any(|m| match m.what.loan_from {
            Some(of) => of == loan.lent_at,
            None => m.at.moment >= from && until.is_none_or(|u| m.at.moment <= u),
        })
    }

    /// When each loan began that did so at or after an instant, oldest first.
    pub fn loans_since(&self, since: Option<When>) -> Vec<Moment> {
        self.loans
            .iter()
            .map(|l| l.lent_at)
            .filter(|at| since.is_none_or(|s| *at >= s.moment))
            .collect()
    }

    /// The latest knock or drop after `since`.
    pub fn knock_since(&self, since: Option<When>) -> Option<&Dated<Move>> {
        self.moves.iter().rev().find(|m| {
            m.what.journey.kind == JourneyKind::KnockOrDrop && since.is_none_or(|s| m.at > s)
        })
    }
}

fn one_untold_drive() -> f64 {
    exposure::of_journey(&Journey {
        kind: JourneyKind::Car,
        distance_km: None,
        severity: None,
    })
}
