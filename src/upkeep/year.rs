//! A year of the club in figures: what was lent and waited for, how its instruments stood
//! from month to month, what was done at the bench, and what moving about cost in alignment.

use std::collections::{HashMap, HashSet};

use chrono::{Months, NaiveDate};
use library::instruments::Design;
use library::problems::ProblemWhat;
use library::star_tests::Method;
use library::things::Sort;
use library::works::WorkWhat;
use library::year::{self as books, Lent, Owned, Waited};
use library::{Conn, EntryId, InstrumentId, Moment, PersonId, Result};

use super::drift::chain::{CAUSES, Cause, Units};
use super::drift::from_history::day_of;
use super::history::{Dated, History};
use super::rules::assess;
use super::shelf::Member;
use super::snapshot::Snapshot;

/// A year by the club's calendar, as far as it has come.
#[derive(Debug, Clone)]
pub struct Span {
    /// Which.
    pub of: i32,
    /// Its first moment.
    pub from: Moment,
    /// The first moment after it, or now.
    pub until: Moment,
    /// The first day of each month that has begun, and the moment after its end, or now.
    pub months: Vec<(NaiveDate, Moment)>,
}

impl Span {
    /// This year as of `now`, on `today`, where days begin at `midnight`; none of one that
    /// no calendar has.
    pub fn of(
        of: i32,
        midnight: impl Fn(NaiveDate) -> Moment,
        today: NaiveDate,
        now: Moment,
    ) -> Option<Self> {
        let mut months = Vec::new();
        for month in 1..=12 {
            let first = NaiveDate::from_ymd_opt(of, month, 1)?;
            if first > today {
                break;
            }
            let next = first.checked_add_months(Months::new(1))?;
            months.push((first, midnight(next).min(now)));
        }
        Some(Self {
            of,
            from: midnight(NaiveDate::from_ymd_opt(of, 1, 1)?),
            until: months.last().map_or(now, |(_, end)| *end),
            months,
        })
    }

    fn holds(&self, at: Moment) -> bool {
        at >= self.from && at < self.until
    }
}

fn days(from: Moment, until: Moment) -> f64 {
    (until - from).num_seconds().max(0) as f64 / 86_400.0
}

/// What the year's figures are made from besides the logbooks.
#[derive(Debug)]
pub struct Books {
    lent: Vec<Lent>,
    waited: Vec<Waited>,
    own: Vec<Owned>,
    /// Those of before the span are left out: they were settled throughout.
    settled: HashMap<EntryId, Moment>,
}

impl Books {
    /// As they are written.
    ///
    /// # Errors
    /// Those of reading.
    pub async fn read(conn: &mut Conn, span: &Span) -> Result<Self> {
        Ok(Self {
            lent: books::lent(conn, span.from, span.until).await?,
            waited: books::waited(conn, span.from, span.until).await?,
            own: books::owned(conn).await?,
            settled: books::settled(conn, span.from).await?,
        })
    }
}

/// The use of one sort of thing.
#[derive(Debug, Clone)]
pub struct Use {
    /// Which.
    pub sort: Sort,
    /// How many there are now.
    pub own: usize,
    /// Loans begun.
    pub loans: usize,
    /// Days on loan within the year, over all of them.
    pub days_out: f64,
    /// The share of the time that they were on loan; none where there are none.
    pub share_out: Option<f64>,
    /// How long those waited who got theirs within the year, days, shortest first.
    pub waited_days: Vec<f64>,
    /// Who waits still at its end.
    pub waiting: usize,
    /// Who left the list without it within the year.
    pub in_vain: usize,
}

/// All that a year is told by.
#[derive(Debug)]
pub struct Year {
    /// Which, and how far it has come.
    pub span: Span,
    /// What the shelf was used for; what the club has not and nobody had is left out.
    pub uses: Vec<Use>,
    /// Loans begun in each month.
    pub begun: Vec<usize>,
    /// How many people had something on loan.
    pub borrowers: usize,
    /// How the fleet fared.
    pub fleet: FleetYear,
}

impl Year {
    /// Out of the books and the logbooks.
    pub fn of(snapshot: &Snapshot, books: &Books, span: Span) -> Self {
        let added = books.own.iter().map(|o| (o.id, o.added_at)).collect();
        let ends: Vec<Moment> = span.months.iter().map(|(_, end)| *end).collect();
        let borrowers: HashSet<PersonId> = books.lent.iter().map(|l| l.borrower_id).collect();
        let mut begun = vec![0; ends.len()];
        for loan in books.lent.iter().filter(|l| span.holds(l.lent_at)) {
            if let Some(month) = ends.iter().position(|end| loan.lent_at < *end) {
                begun[month] += 1;
            }
        }
        Self {
            uses: Sort::all()
                .filter_map(|sort| used(sort, &span, books))
                .collect(),
            begun,
            borrowers: borrowers.len(),
            fleet: year(
                snapshot,
                &books.settled,
                &added,
                span.from,
                span.until,
                &ends,
            ),
            span,
        }
    }
}

fn used(sort: Sort, span: &Span, books: &Books) -> Option<Use> {
    let is = |kind, design: Option<Design>| sort == design.map_or(Sort::Kind(kind), Sort::Design);
    let loans = || books.lent.iter().filter(|l| is(l.kind, l.design));
    let waits = || books.waited.iter().filter(|w| is(w.kind, w.design));
    let closed = |w: &&Waited| w.closed_at.is_some_and(|at| span.holds(at));
    let mut waited_days: Vec<f64> = waits()
        .filter(|w| w.got_it)
        .filter(closed)
        .filter_map(|w| Some(days(w.asked_at, w.closed_at?)))
        .collect();
    waited_days.sort_by(f64::total_cmp);
    let own = books.own.iter().filter(|o| is(o.kind, o.design)).count();
    let days_out = loans()
        .map(|l| {
            let back = l.returned_at.unwrap_or(span.until);
            days(l.lent_at.max(span.from), back.min(span.until))
        })
        // Nothing adds up to zero, not to less than nothing as `sum` has it.
        .fold(0.0, |sum, days| sum + days);
    let there = own as f64 * days(span.from, span.until);
    let used = Use {
        sort,
        own,
        loans: loans().filter(|l| span.holds(l.lent_at)).count(),
        days_out,
        share_out: (there > 0.0).then(|| (days_out / there).min(1.0)),
        waited_days,
        waiting: waits()
            .filter(|w| w.closed_at.is_none_or(|c| c >= span.until))
            .count(),
        in_vain: waits().filter(|w| !w.got_it).filter(closed).count(),
    };
    let is_any = used.own > 0 || used.loans > 0 || used.days_out > 0.0 || used.waiting > 0;
    is_any.then_some(used)
}

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
fn year(
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
            .map(|&at| standing(snapshot, settled, added, at, at < until))
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
/// nobody wrote down since when they count as such. What `is_past` is kept with each logbook.
fn standing(
    snapshot: &Snapshot,
    settled: &HashMap<EntryId, Moment>,
    added: &HashMap<InstrumentId, Moment>,
    at: Moment,
    is_past: bool,
) -> Standing {
    let mut counts = [0; 4];
    let zone = snapshot.fleet.zone;
    let there = snapshot.fleet.members.iter();
    for member in there.filter(|m| {
        let begun = [
            m.book.history.begins(),
            added.get(&m.instrument.id).copied(),
        ];
        begun.into_iter().flatten().any(|b| b <= at)
    }) {
        let (book, limits) = (&member.book, &member.limits);
        let reckon = || {
            let history = stood(&book.history, settled, at);
            assess(&history, limits, at.with_timezone(&zone)).condition
        };
        let condition = match is_past {
            true => book.stood(at, limits, zone, reckon),
            false => reckon(),
        };
        counts[condition as usize] += 1;
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
