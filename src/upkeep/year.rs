//! A year of the fleet in figures: how its instruments stood from month to month, what
//! was done at the bench, and what moving about cost in alignment.

use std::collections::HashMap;

use library::instruments::Design;
use library::problems::ProblemWhat;
use library::star_tests::Method;
use library::works::WorkWhat;
use library::{EntryId, InstrumentId, Moment};

use super::drift::chain::{CAUSES, Cause, Units};
use super::drift::from_history::day_of;
use super::history::{Dated, History};
use super::rules::assess;
use super::shelf::Member;
use super::snapshot::Snapshot;

/// How many instruments stood how at one moment, in the order of [`Condition::ALL`](super::Condition::ALL).
pub type Standing = [usize; 4];

/// What the bench did of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BenchWork {
    /// What.
    pub what: WorkWhat,
    /// How often.
    pub times: usize,
    /// How long in all, minutes, where that was written down.
    pub minutes: i64,
    /// How often it was not.
    pub untimed: usize,
}

/// What one unit of a cause of drift does to an instrument that was in line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// The cause.
    pub cause: Cause,
    /// Coma that it leaves, waves RMS (root mean square over many such instruments).
    pub coma_rms_waves: f64,
    /// Its standard error, natural logarithm.
    pub log_sigma: f64,
}

impl Cost {
    /// Nine chances in ten for it (1.645 standard errors to either side), waves RMS.
    pub fn nine_in_ten(&self) -> (f64, f64) {
        let factor = (1.645 * self.log_sigma).exp();
        (self.coma_rms_waves / factor, self.coma_rms_waves * factor)
    }
}

/// What moving about costs the instruments of one design.
#[derive(Debug, Clone, PartialEq)]
pub struct DesignCost {
    /// Which.
    pub design: Design,
    /// Star tests that say so, and instruments that had one.
    pub known_from: (usize, usize),
    /// By cause.
    pub costs: Vec<Cost>,
}

/// A year of the fleet.
#[derive(Debug, Clone)]
pub struct FleetYear {
    /// How the instruments stood at each of the moments asked for.
    pub standing: Vec<Standing>,
    /// What the bench did.
    pub works: Vec<BenchWork>,
    /// Star tests by method.
    pub tests: Vec<(Method, usize)>,
    /// Problems reported, and how many of those are settled by now.
    pub problems: Vec<(ProblemWhat, usize, usize)>,
    /// Journeys told of.
    pub journeys: usize,
    /// The share of the year's drift (variance of coma) that came from each cause, the
    /// greatest first; none where nothing drifted.
    pub shares: Vec<(Cause, f64)>,
    /// What moving about costs, by design.
    pub costs: Vec<DesignCost>,
}

/// The causes that a committee can do something about, and time, to compare them with.
const SHOWN: [Cause; 4] = [
    Cause::Car,
    Cause::HandCarry,
    Cause::PublicEvent,
    Cause::Month,
];

/// The year from one moment to another (the second left out), with the standing at each
/// of `moments`. `settled` tells when each problem was settled, `added` since when each
/// instrument is in the register.
///
/// Limits are those in force now; the drift is that of the snapshot's model
/// (`drift::params`: variance of coma along each of two axes per unit of a cause, so
/// that an instrument in line has sqrt(2 v) waves RMS after it).
pub fn year(
    snapshot: &Snapshot,
    settled: &HashMap<EntryId, Moment>,
    added: &HashMap<InstrumentId, Moment>,
    from: Moment,
    until: Moment,
    moments: &[Moment],
) -> FleetYear {
    let fleet = &snapshot.fleet;
    let all: Vec<&Member> = fleet.members.iter().chain(&fleet.retired).collect();
    let within = |at: Moment| at >= from && at < until;
    let histories = || all.iter().map(|m| &m.book.history);
    let works = WorkWhat::ALL.iter().filter_map(|&what| {
        let done: Vec<_> = histories()
            .flat_map(|h| &h.works)
            .filter(|w| within(w.at.moment) && w.what.what == what)
            .collect();
        (!done.is_empty()).then(|| BenchWork {
            what,
            times: done.len(),
            minutes: done.iter().filter_map(|w| w.what.minutes).sum(),
            untimed: done.iter().filter(|w| w.what.minutes.is_none()).count(),
        })
    });
    let tests = Method::ALL.iter().filter_map(|&method| {
        let tests = histories().flat_map(|h| &h.tests);
        let n = tests
            .filter(|t| within(t.at.moment) && t.what.method == method)
            .count();
        (n > 0).then_some((method, n))
    });
    let problems = ProblemWhat::ALL.iter().filter_map(|&what| {
        let told: Vec<_> = histories()
            .flat_map(|h| &h.problems)
            .filter(|p| within(p.at.moment) && p.what.problem.what == what)
            .collect();
        let mended = told.iter().filter(|p| p.what.settled).count();
        (!told.is_empty()).then_some((what, told.len(), mended))
    });
    let journeys = histories()
        .flat_map(|h| &h.moves)
        .filter(|m| within(m.at.moment))
        .count();
    FleetYear {
        standing: moments
            .iter()
            .map(|&at| standing(snapshot, settled, added, at))
            .collect(),
        works: works.collect(),
        tests: tests.collect(),
        problems: problems.collect(),
        journeys,
        shares: shares(snapshot, &all, day_of(from), day_of(until)),
        costs: costs(snapshot),
    }
}

/// How the instruments stood at one moment; those that are retired now are left out, as
/// nobody wrote down since when they count as such.
fn standing(
    snapshot: &Snapshot,
    settled: &HashMap<EntryId, Moment>,
    added: &HashMap<InstrumentId, Moment>,
    at: Moment,
) -> Standing {
    let mut counts = [0; 4];
    let there = snapshot.fleet.members.iter();
    for member in there.filter(|m| {
        let begun = [
            m.book.history.begins(),
            added.get(&m.instrument.id).copied(),
        ];
        begun.into_iter().flatten().any(|b| b <= at)
    }) {
        let history = stood(&member.book.history, settled, at);
        let condition = assess(
            &history,
            &member.limits,
            at.with_timezone(&snapshot.fleet.zone),
        );
        counts[condition.condition as usize] += 1;
    }
    counts
}

/// A logbook as it read at a moment, with what was settled since still open.
fn stood(history: &History, settled: &HashMap<EntryId, Moment>, at: Moment) -> History {
    let mut then = history.as_of(at);
    let open = |p: &Dated<library::problems::LoggedProblem>| {
        let when = settled.get(&p.what.entry_id).or(settled.get(&p.at.entry));
        when.is_some_and(|w| *w > at)
    };
    for problem in &mut then.problems {
        problem.what.settled &= !open(problem);
    }
    then
}

fn shares(snapshot: &Snapshot, all: &[&Member], from: f64, until: f64) -> Vec<(Cause, f64)> {
    let mut sums: Units = [0.0; CAUSES];
    for chain in all.iter().filter_map(|m| m.book.chain.as_ref()) {
        let rates = snapshot.model().params(chain.pool, chain.share).per_units();
        let units = chain.units_between(from, until);
        for ((sum, rate), amount) in sums.iter_mut().zip(rates).zip(units) {
            *sum += rate * amount;
        }
    }
    let total: f64 = sums.iter().sum();
    let mut shares: Vec<(Cause, f64)> = Cause::ALL
        .iter()
        .map(|&cause| (cause, sums[cause.index()] / total))
        .filter(|(_, share)| *share > 0.0)
        .collect();
    shares.sort_by(|a, b| b.1.total_cmp(&a.1));
    shares
}

fn costs(snapshot: &Snapshot) -> Vec<DesignCost> {
    Design::ALL
        .iter()
        .filter_map(|&design| {
            let mut own = snapshot.fleet.members.iter();
            let chain = own.find_map(|m| {
                let chain = m.book.chain.as_ref();
                chain.filter(|_| m.instrument.design == design)
            })?;
            let model = snapshot.model();
            let params = model.params(chain.pool, chain.share);
            let known_from = model.known_from(chain.pool);
            (known_from.0 > 0).then(|| DesignCost {
                design,
                known_from,
                costs: SHOWN
                    .iter()
                    .map(|&cause| Cost {
                        cause,
                        coma_rms_waves: (2.0 * params.per_unit(cause)).sqrt(),
                        // Of the variance's logarithm; that of its root is half of it.
                        log_sigma: model.sigma(chain.pool, cause.index()) / 2.0,
                    })
                    .collect(),
            })
        })
        .collect()
}
