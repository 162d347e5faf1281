//! What the study finds, in words and as JSON.

use std::fmt;

use serde::Serialize;
use tubewright::upkeep::assess;
use tubewright::upkeep::drift::back_test::{Class, Verdict, back_test, calibration, verdict};
use tubewright::upkeep::drift::chain::{Cause, Chain};
use tubewright::upkeep::drift::fit::{DriftModel, learn};
use tubewright::upkeep::drift::forecast::{Asked, Forecast, forecast};
use tubewright::upkeep::drift::from_history::{chain_of, day_of};
use tubewright::upkeep::history::History;
use tubewright::upkeep::limits::Limits;

use super::file::{FleetFile, moment};
use super::simulated::{Recipe, fleet};

/// One fleet's figures.
#[derive(Debug, Clone, Serialize)]
pub struct Studied {
    /// What kind of fleet.
    pub kind: String,
    /// Its seed; none for a file.
    pub seed: Option<u64>,
    pub instruments: usize,
    pub looks: usize,
    /// Share of instruments whose true coma, on the last day and on eight dates of
    /// the second half, lies within the stated interval; none without truth.
    pub within_50: Option<f64>,
    pub within_90: Option<f64>,
    /// The model against the plain rules, over all past looks.
    pub back_test: Option<Verdict>,
    pub calibration: Vec<Class>,
    /// Chance that of two instruments, one truly over its limit and one not, the
    /// first ranks higher; mean over the dates asked.
    pub ranks_model: Option<f64>,
    pub ranks_plain: Option<f64>,
    /// Standard error of their difference, from the dates.
    pub ranks_error: Option<f64>,
    /// Fitted less true logarithms of variances over their stated errors.
    #[serde(skip)]
    pub pulls: Vec<f64>,
}

struct Member {
    history: History,
    limits: Limits,
    chain: Chain,
    truth: Vec<(f64, f64)>,
    aperture_mm: f64,
}

impl Member {
    fn limit(&self) -> f64 {
        self.limits.coma_bench.value
    }

    fn coma_on(&self, day: f64) -> Option<f64> {
        let n = self.truth.partition_point(|t| t.0 <= day);
        self.truth.get(n.checked_sub(1)?).map(|t| t.1)
    }

    fn asked(&self, today: f64) -> Asked {
        Asked {
            limit_waves: self.limit(),
            aperture_mm: self.aperture_mm,
            today,
        }
    }
}

/// How often the truth lay within the 50 % and the 90 % interval.
#[derive(Default)]
struct Inside {
    asked: f64,
    within: [f64; 2],
}

impl Inside {
    fn add(&mut self, coma: f64, told: &Forecast) {
        self.asked += 1.0;
        for (sum, (low, high)) in self.within.iter_mut().zip([(1, 3), (0, 4)]) {
            *sum += f64::from(u8::from(coma > told.coma[low] && coma < told.coma[high]));
        }
    }

    fn share(&self, which: usize) -> Option<f64> {
        (self.asked > 0.0).then(|| self.within[which] / self.asked)
    }
}

/// Logs of true rates by pool number, where known.
type Truth<'a> = Option<&'a dyn Fn(usize) -> Option<[f64; 10]>>;

/// Puts the model to one fleet.
pub fn study(kind: &str, seed: Option<u64>, file: &FleetFile) -> Studied {
    study_knowing(kind, seed, file, None)
}

fn study_knowing(kind: &str, seed: Option<u64>, file: &FleetFile, truth: Truth) -> Studied {
    let zero = day_of(moment(0.0));
    let members: Vec<Member> = file
        .instruments
        .iter()
        .filter_map(|one| {
            let history = one.history(file.ends);
            let chain = chain_of(&history)?;
            Some(Member {
                limits: one.limits(),
                truth: one.truth.clone(),
                aperture_mm: one.aperture_mm,
                history,
                chain,
            })
        })
        .collect();
    let chains: Vec<Chain> = members.iter().map(|m| m.chain.clone()).collect();
    let limits: Vec<f64> = members.iter().map(Member::limit).collect();
    let learned = learn(&chains);
    let mut inside = Inside::default();
    for m in &members {
        if let Some(coma) = m.coma_on(file.ends) {
            let asked = m.asked(zero + file.ends);
            inside.add(coma, &forecast(&m.chain, &learned, &asked));
        }
    }
    let said = back_test(&chains, &limits);
    let plain: Vec<bool> = said
        .iter()
        .map(|s| {
            let m = &members[s.chain];
            let before = moment(s.day - zero - 1.0);
            assess(&m.history.as_of(before), &m.limits, before)
                .due
                .is_some()
        })
        .collect();
    let pairs: Vec<(f64, bool)> = said.iter().map(|s| (s.chance, s.over)).collect();
    let ranks = ranks(&members, &chains, file.ends, zero, &mut inside);
    Studied {
        kind: kind.to_owned(),
        seed,
        instruments: members.len(),
        looks: chains.iter().map(Chain::looks).sum(),
        within_50: inside.share(0),
        within_90: inside.share(1),
        back_test: verdict(&said, &plain),
        calibration: calibration(&pairs, 10),
        ranks_model: ranks.map(|r| r.0),
        ranks_plain: ranks.map(|r| r.1),
        ranks_error: ranks.map(|r| r.2),
        pulls: truth.map_or_else(Vec::new, |t| pulls(&learned, t)),
    }
}

fn pulls(learned: &DriftModel, truth: &dyn Fn(usize) -> Option<[f64; 10]>) -> Vec<f64> {
    let mut pulls = Vec::new();
    for (pool, fit) in learned.pools.iter().enumerate() {
        let (Some(fit), Some(rates)) = (fit, truth(pool)) else {
            continue;
        };
        for cause in [
            Cause::Car,
            Cause::RoughRoad,
            Cause::PublicEvent,
            Cause::KnockOrDrop,
            Cause::Month,
            Cause::Settling,
        ] {
            let k = cause.index();
            pulls.push((fit.params.0[k] - rates[k]) / fit.sigmas[k]);
        }
    }
    pulls
}

/// Ranks at eight dates of the second half: the model's and the plain rules'
/// mean, and the standard error of the difference.
fn ranks(
    members: &[Member],
    chains: &[Chain],
    ends: f64,
    zero: f64,
    inside: &mut Inside,
) -> Option<(f64, f64, f64)> {
    let mut both = Vec::new();
    for n in 1..=8 {
        let day = ends * (0.5 + f64::from(n) / 16.0);
        let so_far: Vec<Chain> = chains.iter().map(|c| c.until(zero + day)).collect();
        let learned = learn(&so_far);
        let mut scored = Vec::new();
        for (m, chain) in members.iter().zip(&so_far) {
            let coma = m.coma_on(day)?;
            let over = coma > m.limit();
            let told = forecast(chain, &learned, &m.asked(zero + day));
            inside.add(coma, &told);
            let chance = told.chance;
            let plain = assess(&m.history.as_of(moment(day)), &m.limits, moment(day));
            let urgency = plain.due.map_or(0.0, |d| d.urgency);
            scored.push((chance, urgency, over));
        }
        let model = area(scored.iter().map(|s| (s.0, s.2)));
        let plain = area(scored.iter().map(|s| (s.1, s.2)));
        if let (Some(model), Some(plain)) = (model, plain) {
            both.push((model, plain));
        }
    }
    let n = both.len() as f64;
    if both.is_empty() {
        return None;
    }
    let mean = |of: fn(&(f64, f64)) -> f64| both.iter().map(of).sum::<f64>() / n;
    let (model, plain) = (mean(|b| b.0), mean(|b| b.1));
    let gap = model - plain;
    let spread = both
        .iter()
        .map(|b| (b.0 - b.1 - gap).powi(2))
        .sum::<f64>()
        .sqrt();
    Some((model, plain, spread / n))
}

/// Chance that one that is over ranks above one that is not, ties by half (the
/// area under the curve of J. A. Hanley & B. J. McNeil, Radiology 143, 29, 1982).
fn area(scored: impl Iterator<Item = (f64, bool)>) -> Option<f64> {
    let (mut over, mut under) = (Vec::new(), Vec::new());
    for (score, is_over) in scored {
        if is_over { &mut over } else { &mut under }.push(score);
    }
    if over.is_empty() || under.is_empty() {
        return None;
    }
    let mut sum = 0.0;
    for a in &over {
        for b in &under {
            sum += match a.total_cmp(b) {
                std::cmp::Ordering::Greater => 1.0,
                std::cmp::Ordering::Equal => 0.5,
                std::cmp::Ordering::Less => 0.0,
            };
        }
    }
    Some(sum / (over.len() * under.len()) as f64)
}

/// What it costs at one size.
#[derive(Debug, Clone, Serialize)]
pub struct Cost {
    pub instruments: usize,
    pub looks: usize,
    /// Learning the whole fleet and judging each instrument, one core, seconds.
    pub whole_s: f64,
    /// Learning one pool again after one new entry.
    pub one_entry_s: f64,
    /// That over the whole.
    pub share: f64,
}

/// Seconds this thread was at work, where the system tells; else by the clock.
fn busy_s(started: std::time::Instant) -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok())
        .map_or_else(|| started.elapsed().as_secs_f64(), |ns| ns * 1e-9)
}

fn cost(instruments: usize) -> Cost {
    let recipe = Recipe {
        instruments,
        pools: 8,
        years: 10.0,
        ..Recipe::default()
    };
    let truth = fleet(&recipe, 1);
    let chains = truth.chains();
    let started = std::time::Instant::now();
    let (mut whole, mut one) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..3 {
        let begun = busy_s(started);
        let mut learned = learn(&chains);
        for chain in &chains {
            let asked = Asked {
                limit_waves: 0.071,
                aperture_mm: 203.0,
                today: truth.ends,
            };
            std::hint::black_box(forecast(chain, &learned, &asked));
        }
        whole = whole.min(busy_s(started) - begun);
        // One more look in the first logbook.
        let mut next = chains.clone();
        let mut entries = truth.instruments[0].entries.clone();
        if let Some(last) = entries.last().copied() {
            entries.push(tubewright::upkeep::drift::chain::Entry {
                day: truth.ends,
                ..last
            });
        }
        next[0] = Chain::new(chains[0].pool, chains[0].share, &entries);
        // Often, since the system counts in ticks longer than one lesson.
        const OFTEN: usize = 40;
        let begun = busy_s(started);
        for n in 0..OFTEN {
            let taught = if n % 2 == 0 { &next } else { &chains };
            learned.relearn(taught, next[0].pool);
        }
        one = one.min((busy_s(started) - begun) / OFTEN as f64);
    }
    Cost {
        instruments,
        looks: chains.iter().map(Chain::looks).sum(),
        whole_s: whole,
        one_entry_s: one,
        share: one / whole,
    }
}

/// The whole study.
#[derive(Debug, Clone, Serialize)]
pub struct Told {
    pub fleets: Vec<Studied>,
    /// Fleets on which the model ranks worse than the plain rules, beyond two
    /// standard errors, and at all.
    pub ranks_worse: usize,
    pub ranks_lower_at_all: usize,
    /// Fleets whose list would go by the plain rules.
    pub falls_back: usize,
    /// Mean and spread of the pulls, and how many; none without truth.
    pub pulls: Option<(f64, f64, usize)>,
    pub within_50: Option<f64>,
    pub within_90: Option<f64>,
    pub cost: Vec<Cost>,
}

impl Told {
    /// The study of one file.
    pub fn of_file(one: &Studied) -> Self {
        Self::gather(vec![one.clone()], Vec::new())
    }

    /// The study of simulated fleets, so many of each kind.
    pub fn of_simulated(seed: u64, count: u64, harsh: bool) -> Self {
        let mut fleets = Vec::new();
        let kinds = if harsh { harsh_kinds() } else { kinds() };
        for (kind, recipe) in kinds {
            for n in 0..count {
                let truth = fleet(&recipe, seed + n);
                let file = FleetFile::of(&truth);
                let by_design = |pool: usize| {
                    let mut found = file.instruments.iter().zip(&truth.instruments);
                    let one = found.find(|(f, _)| f.design as usize == pool)?.1;
                    truth.rates.get(one.chain.pool).copied()
                };
                fleets.push(study_knowing(kind, Some(seed + n), &file, Some(&by_design)));
            }
        }
        let sizes: &[usize] = if harsh { &[400] } else { &[50, 100, 200, 400] };
        Self::gather(fleets, sizes.iter().map(|n| cost(*n)).collect())
    }

    fn gather(fleets: Vec<Studied>, cost: Vec<Cost>) -> Self {
        let gap = |s: &&Studied| Some((s.ranks_model? - s.ranks_plain?, s.ranks_error?));
        let pulls: Vec<f64> = fleets.iter().flat_map(|s| s.pulls.clone()).collect();
        let n = pulls.len() as f64;
        let mean = pulls.iter().sum::<f64>() / n;
        let spread = (pulls.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        let weighted = |of: fn(&Studied) -> Option<f64>| {
            let known: Vec<(f64, f64)> = fleets
                .iter()
                .filter_map(|s| Some((of(s)?, s.instruments as f64)))
                .collect();
            let all: f64 = known.iter().map(|k| k.1).sum();
            (all > 0.0).then(|| known.iter().map(|k| k.0 * k.1).sum::<f64>() / all)
        };
        Self {
            ranks_worse: fleets
                .iter()
                .filter_map(|s| gap(&s))
                .filter(|(g, e)| *g < -2.0 * e)
                .count(),
            ranks_lower_at_all: fleets
                .iter()
                .filter_map(|s| gap(&s))
                .filter(|(g, _)| *g < 0.0)
                .count(),
            falls_back: fleets
                .iter()
                .filter(|s| s.back_test.is_none_or(|b| !b.trusted))
                .count(),
            pulls: (pulls.len() > 1).then_some((mean, spread, pulls.len())),
            within_50: weighted(|s| s.within_50),
            within_90: weighted(|s| s.within_90),
            fleets,
            cost,
        }
    }
}

/// Kinds of simulated fleets.
fn kinds() -> Vec<(&'static str, Recipe)> {
    let usual = Recipe::default();
    vec![
        (
            "alike",
            Recipe {
                between_instruments: 0.05,
                between_pools: 0.05,
                ..usual.clone()
            },
        ),
        ("varied", usual.clone()),
        (
            "odd ones",
            Recipe {
                odd: 0.25,
                ..usual.clone()
            },
        ),
        (
            "by eye, wild",
            Recipe {
                by_eye: 0.9,
                wild: 0.06,
                ..usual.clone()
            },
        ),
        (
            "untold",
            Recipe {
                told: 0.2,
                ..usual.clone()
            },
        ),
        (
            "small club",
            Recipe {
                instruments: 24,
                years: 4.0,
                ..usual.clone()
            },
        ),
    ]
}

/// The harsher worlds, beside the same with normal steps and true eyes: fleets of 40
/// over six years, and one of 12 over two.
fn harsh_kinds() -> Vec<(&'static str, Recipe)> {
    let normal = Recipe {
        instruments: 40,
        ..Recipe::default()
    };
    let harsh = Recipe {
        heavy: true,
        eye_bias: 0.25,
        unentered: 0.4,
        ..normal.clone()
    };
    let small = |recipe: &Recipe| Recipe {
        instruments: 12,
        years: 2.0,
        ..recipe.clone()
    };
    vec![
        ("normal small", small(&normal)),
        ("harsh small", small(&harsh)),
        (
            "heavy tails",
            Recipe {
                heavy: true,
                ..normal.clone()
            },
        ),
        (
            "eyes biased",
            Recipe {
                eye_bias: 0.25,
                ..normal.clone()
            },
        ),
        (
            "unentered",
            Recipe {
                unentered: 0.4,
                ..normal.clone()
            },
        ),
        ("normal", normal),
        ("harsh", harsh),
    ]
}

impl fmt::Display for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let or_dash = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), |x| format!("{x:.3}"));
        writeln!(
            f,
            "{:<14}{:>5}{:>7}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}  by",
            "fleet",
            "seed",
            "looks",
            "in 50%",
            "in 90%",
            "Brier",
            "plain",
            "yes/no",
            "ranks",
            "plain",
            "error"
        )?;
        for s in &self.fleets {
            let b = s.back_test;
            writeln!(
                f,
                "{:<14}{:>5}{:>7}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}  {}",
                s.kind,
                s.seed.map_or_else(|| "-".to_owned(), |n| n.to_string()),
                s.looks,
                or_dash(s.within_50),
                or_dash(s.within_90),
                or_dash(b.map(|b| b.model)),
                or_dash(b.map(|b| b.plain)),
                or_dash(b.map(|b| b.plain_bare)),
                or_dash(s.ranks_model),
                or_dash(s.ranks_plain),
                or_dash(s.ranks_error),
                if b.is_some_and(|b| b.trusted) {
                    "model"
                } else {
                    "plain rules"
                }
            )?;
        }
        writeln!(
            f,
            "\nRanks lower than the plain rules on {} of {} fleets, by more than two standard errors on {}.",
            self.ranks_lower_at_all,
            self.fleets.len(),
            self.ranks_worse
        )?;
        writeln!(
            f,
            "The list goes by the plain rules on {} of them.",
            self.falls_back
        )?;
        if let (Some(half), Some(most)) = (self.within_50, self.within_90) {
            writeln!(
                f,
                "True coma within the 50 % interval: {half:.3}; within the 90 % interval: {most:.3}."
            )?;
        }
        if let Some((mean, spread, n)) = self.pulls {
            writeln!(
                f,
                "Pulls of {n} parameters: mean {mean:.2}, spread {spread:.2}."
            )?;
        }
        if let [one] = self.fleets.as_slice() {
            writeln!(f, "\n  said   came   between      looks")?;
            for c in &one.calibration {
                let (low, high) = c.came_between;
                writeln!(
                    f,
                    "{:>6.3} {:>6.3}   {low:.3}-{high:.3} {:>6}",
                    c.said, c.came, c.looks
                )?;
            }
        }
        if !self.cost.is_empty() {
            writeln!(f, "\nCost on one core over ten years:")?;
            for c in &self.cost {
                writeln!(
                    f,
                    "{:>5} instruments {:>6} looks: whole {:.3} s, one new entry {:.4} s ({:.1} % of it)",
                    c.instruments,
                    c.looks,
                    c.whole_s,
                    c.one_entry_s,
                    100.0 * c.share
                )?;
            }
        }
        Ok(())
    }
}
