//! What the model would have said the day before each past look, and how that
//! compares with what the look showed.

use std::borrow::Borrow;
use std::collections::HashMap;

use super::chain::{Act, Chain, Look};
use super::fit::{DriftModel, learn};
use super::follow::Follower;
use super::special::normal_tail;
use super::state::{WILD_SPREAD_WAVES, wild};

/// One past look and what was said of it the day before.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Said {
    /// Which chain.
    pub chain: usize,
    /// Which step of it.
    pub step: usize,
    /// The day of the look.
    pub day: f64,
    /// Chance, by the model, that the look would show it over its limit.
    pub chance: f64,
    /// Whether it did.
    pub over: bool,
}

/// How many times the model learns anew on the way through the history. Each
/// look is foretold with what had been learned from looks before it.
pub const LESSONS: usize = 4;
/// A look less than this after the one before, or after the bench, is of the
/// same visit and says nothing new, days.
const SAME_VISIT_DAYS: f64 = 1.0;

/// Foretells every past look that had a day before it. `limits` are the coma
/// for the bench of each chain, waves RMS, as they stand now. Looks are foretold
/// by when things happened, not by when they were written down.
pub fn back_test<C: Borrow<Chain>>(chains: &[C], limits: &[f64]) -> Vec<Said> {
    let mut days: Vec<f64> = chains
        .iter()
        .flat_map(|c| &c.borrow().steps)
        .filter(|s| matches!(s.act, Act::Look(_)))
        .map(|s| s.day)
        .collect();
    days.sort_by(f64::total_cmp);
    let mut said = Vec::new();
    if days.is_empty() {
        return said;
    }
    let mut from = f64::NEG_INFINITY;
    for lesson in 0..LESSONS {
        let until = if lesson + 1 == LESSONS {
            f64::INFINITY
        } else {
            days[(lesson + 1) * days.len() / LESSONS]
        };
        let learned = if lesson == 0 {
            DriftModel::nothing()
        } else {
            let so_far: Vec<Chain> = chains.iter().map(|c| c.borrow().until(from)).collect();
            learn(&so_far)
        };
        for (i, (chain, limit)) in chains.iter().zip(limits).enumerate() {
            said.extend(foretell(i, chain.borrow(), *limit, &learned, from, until));
        }
        from = until;
    }
    said.sort_by(|a, b| a.day.total_cmp(&b.day).then(a.chain.cmp(&b.chain)));
    said
}

/// Foretells the looks of one chain after `from` and not after `until`.
fn foretell(
    number: usize,
    chain: &Chain,
    limit: f64,
    learned: &DriftModel,
    from: f64,
    until: f64,
) -> Vec<Said> {
    let mut said = Vec::new();
    let asked = |day: f64| day > from && day <= until;
    if !chain.steps.iter().any(|s| asked(s.day)) {
        return said;
    }
    let known = chain.until(from).fingerprint();
    let params = learned.params_apart(chain.pool, chain.share, known);
    let mut follower = Follower::new(chain, &params, &learned.beliefs);
    for (n, step) in chain.steps.iter().enumerate() {
        if step.day > until {
            break;
        }
        let before = n.checked_sub(1);
        let gap = step.day - before.map_or(chain.begins, |b| chain.steps[b].day);
        if let Act::Look(look) = &step.act
            && asked(step.day)
            && before.is_some()
            && gap > SAME_VISIT_DAYS
        {
            let units = chain.units_after(before, step.day - SAME_VISIT_DAYS);
            let mixture = follower.ahead(&units);
            let (_, chance) = wild(look);
            let spread = WILD_SPREAD_WAVES.hypot(look.sigma_waves);
            let wild_over = (-0.5 * (limit / spread).powi(2)).exp();
            let eye = Look {
                coma_rms_waves: limit,
                ..*look
            };
            let tails = &learned.beliefs.tails;
            let seen = mixture.seen_beyond(limit, tails.look_variance(&params, &eye));
            said.push(Said {
                chain: number,
                step: n,
                day: step.day,
                chance: (1.0 - chance) * seen + chance * wild_over,
                over: look.coma_rms_waves > limit,
            });
        }
        follower.drift(&step.units);
        follower.act(&step.act);
    }
    said
}

/// Mean squared distance between chances and what came (G. W. Brier, Monthly
/// Weather Review 78, 1, 1950); none without any.
pub fn brier(pairs: impl Iterator<Item = (f64, bool)>) -> Option<f64> {
    let (sum, n) = pairs.fold((0.0, 0), |(sum, n), (chance, over)| {
        (sum + (chance - f64::from(u8::from(over))).powi(2), n + 1)
    });
    (n > 0).then(|| sum / f64::from(n))
}

/// Yes and no turned into chances: how often looks after the same answer had
/// been over before, starting from one of each. What a plain rule is worth to
/// someone who has watched it.
pub fn watched(answers: &[(bool, bool)]) -> Vec<f64> {
    let mut seen = [[1.0, 1.0]; 2];
    answers
        .iter()
        .map(|(due, over)| {
            let row = &mut seen[usize::from(*due)];
            let chance = row[1] / (row[0] + row[1]);
            row[usize::from(*over)] += 1.0;
            chance
        })
        .collect()
}

/// One class of a calibration plot.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Class {
    /// Mean chance given.
    pub said: f64,
    /// Share that was over.
    pub came: f64,
    /// A 90 % interval of that share (E. B. Wilson, JASA 22, 209, 1927).
    pub came_between: (f64, f64),
    /// How many looks.
    pub looks: usize,
}

/// Chances in classes of about equal size, the lowest first.
pub fn calibration(pairs: &[(f64, bool)], most_classes: usize) -> Vec<Class> {
    let mut sorted = pairs.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let classes = most_classes.min(sorted.len() / 8).max(1);
    let size = sorted.len().div_ceil(classes).max(1);
    sorted
        .chunks(size)
        .map(|class| {
            let n = class.len() as f64;
            let came = class.iter().filter(|c| c.1).count() as f64 / n;
            Class {
                said: class.iter().map(|c| c.0).sum::<f64>() / n,
                came,
                came_between: wilson(came, n),
                looks: class.len(),
            }
        })
        .collect()
}

fn wilson(share: f64, n: f64) -> (f64, f64) {
    const Z: f64 = 1.644_853_627;
    let z2 = Z * Z / n;
    let middle = (share + 0.5 * z2) / (1.0 + z2);
    let half = Z * (share * (1.0 - share) / n + z2 / (4.0 * n)).sqrt() / (1.0 + z2);
    ((middle - half).max(0.0), (middle + half).min(1.0))
}

/// Whether the chances foretell better than the plain rule.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Verdict {
    /// Looks foretold.
    pub looks: usize,
    /// Of them, over their limit.
    pub over: usize,
    /// The model's Brier score.
    pub model: f64,
    /// The plain rule's, as yes and no.
    pub plain_bare: f64,
    /// The plain rule's, as chances learned by watching it.
    pub plain: f64,
    /// Standard error of the difference plain less model: looks at one instrument
    /// are taken together, since what is misjudged once is misjudged again.
    pub difference_error: f64,
    /// Were the model no better, the chance of so great a difference by luck.
    pub luck: f64,
    /// Whether the list may go by the model.
    pub trusted: bool,
}

/// Fewer looks than this, or fewer of either outcome than the next, tell nothing.
pub const LEAST_LOOKS: usize = 25;
const LEAST_OF_EACH: usize = 3;

/// The list goes by the model only where luck would make it look so much better
/// in no more than one club in twenty: a one-sided test of the paired differences.
pub const MOST_LUCK: f64 = 0.05;

/// Standard error of the mean of paired differences, with those of one chain taken
/// together (K.-Y. Liang & S. L. Zeger, Biometrika 73, 13, 1986), and no less than
/// that of differences taken each by itself.
fn standard_error(said: &[Said], gaps: &[f64], mean: f64) -> f64 {
    let n = gaps.len() as f64;
    let mut by_chain: HashMap<usize, f64> = HashMap::new();
    for (s, gap) in said.iter().zip(gaps) {
        *by_chain.entry(s.chain).or_default() += gap - mean;
    }
    let groups = by_chain.len() as f64;
    let alone = gaps.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0) / n;
    let together = by_chain.values().map(|sum| sum * sum).sum::<f64>() / (n * n) * groups
        / (groups - 1.0).max(1.0);
    alone.max(together).sqrt()
}

/// Weighs the model against the plain rule; `plain_due` goes with `said`.
pub fn verdict(said: &[Said], plain_due: &[bool]) -> Option<Verdict> {
    let answers: Vec<(bool, bool)> = plain_due
        .iter()
        .zip(said)
        .map(|(due, s)| (*due, s.over))
        .collect();
    let as_chances = watched(&answers);
    let miss = |chance: f64, over: bool| (chance - f64::from(u8::from(over))).powi(2);
    let gaps: Vec<f64> = said
        .iter()
        .zip(&as_chances)
        .map(|(s, plain)| miss(*plain, s.over) - miss(s.chance, s.over))
        .collect();
    let n = gaps.len() as f64;
    let mean = gaps.iter().sum::<f64>() / n;
    let error = standard_error(said, &gaps, mean);
    let luck = match (mean > 0.0, error > 0.0) {
        (true, true) => normal_tail(mean / error),
        (true, false) => 0.0,
        (false, _) => 1.0,
    };
    let over = said.iter().filter(|s| s.over).count();
    let enough =
        said.len() >= LEAST_LOOKS && over >= LEAST_OF_EACH && said.len() - over >= LEAST_OF_EACH;
    Some(Verdict {
        looks: said.len(),
        over,
        model: brier(said.iter().map(|s| (s.chance, s.over)))?,
        plain_bare: brier(
            answers
                .iter()
                .map(|(due, over)| (f64::from(u8::from(*due)), *over)),
        )?,
        plain: brier(as_chances.iter().copied().zip(said.iter().map(|s| s.over)))?,
        difference_error: error,
        luck,
        trusted: enough && luck <= MOST_LUCK,
    })
}
