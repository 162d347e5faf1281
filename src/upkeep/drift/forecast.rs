//! What the model says of one instrument: the chance that it is out of line, what
//! a borrower loses, when to look again, and what kind of instrument it is.

use serde::Serialize;

use super::chain::{Act, CAUSES, Cause, Chain, Fresh, Look, Units};
use super::fit::DriftModel;
use super::follow::{Follower, Theory};
use super::mixture::Mixture;
use super::params::{Params, fresh_index};
use library::star_tests::Method;
use optics::eye;

/// Which instrument, and under which limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// Coma for the bench, waves RMS.
    pub limit_waves: f64,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Today, in the days of the chains.
    pub today: f64,
}

/// What moved it since it was last looked at or set anew.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Push {
    /// The cause.
    pub cause: Cause,
    /// How much of it, in its own unit.
    pub units: f64,
    /// How far that moves one like it, RMS length, waves.
    pub waves: f64,
}

/// What a borrower is likely to see.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sharp {
    /// Sharp up to about this magnification (the middle of what is likely).
    pub about: f64,
    /// Likely no less than this: nine chances in ten.
    pub from: f64,
    /// Likely no more than this: nine in ten.
    pub to: f64,
    /// In line it would be sharp up to this.
    pub in_line: f64,
    /// Share of that magnification expected to be lost, 0 to 1.
    pub expected_loss: f64,
    /// The same were the bench to line it up today.
    pub loss_after_bench: f64,
}

/// What kind of instrument it shows itself to be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Flag {
    /// A word for programs: never-moves, minds-journeys, lets-go, flops.
    pub code: &'static str,
    /// In a few words.
    pub title: String,
    /// The evidence, with its numbers.
    pub evidence: String,
    /// How probable, 0 to 1.
    pub chance: f64,
}

/// All of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Chance that coma is over the limit today.
    pub chance: f64,
    /// The same as days go by at its usual use: after each number of [`DAYS_AHEAD`].
    ahead: [f64; DAYS_AHEAD.len()],
    /// Coma below which it lies with 5, 25, 50, 75 and 95 chances in 100, waves.
    pub coma: [f64; 5],
    /// What a borrower sees.
    pub sharp: Sharp,
    /// How often the club would call it rightly today, and after a look.
    pub call: Call,
    /// What moved it since, the strongest first.
    pub pushes: Vec<Push>,
    /// What it shows itself to be.
    pub flags: Vec<Flag>,
    /// Looks it is known from.
    pub looks: usize,
    /// Looks that its kind is known from, and at how many instruments.
    pub kind_known_from: (usize, usize),
    /// How far it moves beside others of its kind, as a ratio of lengths.
    pub beside_kind: f64,
}

/// How much a look would tell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Call {
    /// Chance of calling it rightly (out of line or not) as things stand.
    pub now: f64,
    /// The same after a look such as it usually gets.
    pub after_look: f64,
}

impl Forecast {
    /// Chance that coma is over the limit so many days after today, at its usual
    /// use until then; on a straight line between the days looked ahead to.
    pub fn chance_after(&self, days: f64) -> f64 {
        let (mut from, mut before) = (0.0, self.chance);
        for (to, after) in DAYS_AHEAD.into_iter().zip(self.ahead) {
            if days < to {
                return before + (after - before) * (days.max(0.0) - from) / (to - from);
            }
            (from, before) = (to, after);
        }
        before
    }

    /// Days from today until one like it is out of line with a chance of
    /// [`LOOK_AGAIN_AT`]: 0 when it is so already, none for five years and more.
    pub fn look_again_days(&self) -> Option<f64> {
        let (mut from, mut before) = (0.0, self.chance);
        if before >= LOOK_AGAIN_AT {
            return Some(0.0);
        }
        for (to, after) in DAYS_AHEAD.into_iter().zip(self.ahead) {
            if after >= LOOK_AGAIN_AT {
                return Some(from + (to - from) * (LOOK_AGAIN_AT - before) / (after - before));
            }
            (from, before) = (to, after);
        }
        None
    }
}

impl Call {
    /// What the look adds.
    pub fn gain(&self) -> f64 {
        (self.after_look - self.now).max(0.0)
    }
}

/// The chance at which it is time to look again.
pub const LOOK_AGAIN_AT: f64 = 0.25;
/// How far it is looked ahead, days: finer where a chance changes fast.
const DAYS_AHEAD: [f64; 14] = [
    7.0, 14.0, 30.0, 60.0, 90.0, 120.0, 180.0, 270.0, 365.0, 545.0, 730.0, 1095.0, 1461.0, 1826.0,
];
/// From this chance on a theory is shown as a flag.
pub const FLAG_AT: f64 = 0.65;
/// How far back its usual use is taken from.
const USE_DAYS: f64 = 2.0 * 365.25;
/// Error of a look that nobody has made yet, waves: frames.
const COMING_LOOK_SIGMA: f64 = 0.010;
const PARTS_SHOWN: usize = 6;

/// Works it out. Entries after today are left out.
pub fn forecast(chain: &Chain, learned: &DriftModel, asked: &Asked) -> Forecast {
    let steps = chain.steps.partition_point(|s| s.day <= asked.today);
    let params = learned.params_apart(chain.pool, chain.share, chain.fingerprint());
    let follower = Follower::through(chain, &params, &learned.beliefs, steps);
    let since = chain.units_after(steps.checked_sub(1), asked.today);
    let unseen = unseen(chain, learned, asked, &params, steps);
    let believed = |units: &Units| match unseen.as_slice() {
        [] => follower.ahead(units),
        some => Mixture::mixed(some.iter().map(|(weight, f)| (*weight, f.ahead(units)))),
    };
    let now = believed(&since);
    let limit = asked.limit_waves;
    let chance = now.beyond(limit);
    let use_per_day = usual_use(chain, asked.today);
    let later = |days: f64| {
        let mut units = since;
        for (sum, u) in units.iter_mut().zip(use_per_day) {
            *sum += u * days;
        }
        believed(&units).beyond(limit)
    };
    let shown = now.drawn_together(PARTS_SHOWN);
    Forecast {
        chance,
        ahead: DAYS_AHEAD.map(later),
        coma: shown.quantiles([0.05, 0.25, 0.5, 0.75, 0.95]),
        sharp: sharp(&shown, asked.aperture_mm, params.spread(Fresh::LinedUp)),
        call: call(&follower, &since, &now, limit),
        pushes: pushes(&follower, &since),
        flags: flags(chain, &follower, learned),
        looks: chain.looks(),
        kind_known_from: learned.known_from(chain.pool),
        beside_kind: follower.beside_kind(),
    }
}

/// Beliefs about one that was never looked at nor lined up, each with its weight:
/// how its kind starts is itself known only so well, instruments of a kind differ,
/// and nothing of its own narrows that, so both are averaged over (three points of
/// Gauss and Hermite). None for any other.
fn unseen(
    chain: &Chain,
    learned: &DriftModel,
    asked: &Asked,
    params: &Params,
    steps: usize,
) -> Vec<(f64, Follower)> {
    let seen = chain
        .steps
        .iter()
        .take_while(|s| s.day <= asked.today)
        .any(|s| matches!(s.act, Act::Look(_) | Act::Reset(Fresh::LinedUp)));
    if seen {
        return Vec::new();
    }
    let start = fresh_index(Fresh::Start);
    // The factor between instruments is on variances, this on a spread.
    let sigma = learned
        .sigma(chain.pool, start)
        .hypot(0.5 * learned.beliefs.between_instruments);
    [(-1.0, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.0, 1.0 / 6.0)]
        .into_iter()
        .map(|(side, weight)| {
            let mut own = *params;
            own.0[start] += side * 3.0_f64.sqrt() * sigma;
            let follower = Follower::through(chain, &own, &learned.beliefs, steps);
            (weight, follower)
        })
        .collect()
}

/// Its use by day over the last two years, or as long as it is known.
fn usual_use(chain: &Chain, today: f64) -> Units {
    let from = (today - USE_DAYS).max(chain.begins);
    chain
        .use_per_month(from, today)
        .map(|u| u / super::chain::MONTH_DAYS)
}

fn sharp(coma: &Mixture, aperture_mm: f64, lined_up_waves: f64) -> Sharp {
    let up_to = |waves: f64| eye::sharp_up_to(waves, aperture_mm, eye::DEFAULT_ACUITY_ARCMIN);
    let [low, middle, high] = coma.quantiles([0.1, 0.5, 0.9]);
    Sharp {
        about: up_to(middle).magnification,
        from: up_to(high).magnification,
        to: up_to(low).magnification,
        in_line: up_to(0.0).perfect_magnification,
        expected_loss: coma.mean_of(|waves| 1.0 - up_to(waves).share()),
        // At the mean length of a vector of that spread along each axis.
        loss_after_bench: 1.0 - up_to(lined_up_waves * 1.253).share(),
    }
}

/// How much a look would tell: the chance of calling it rightly, averaged over
/// what the look may show.
fn call(follower: &Follower, since: &Units, now: &Mixture, limit: f64) -> Call {
    let right = |chance: f64| chance.max(1.0 - chance);
    let chance = now.beyond(limit);
    let before = right(chance);
    if !(0.02..=0.98).contains(&chance) {
        // Hardly anything could change the call.
        return Call {
            now: before,
            after_look: before,
        };
    }
    let mut drifted = follower.clone();
    drifted.drift(since);
    let shown = now
        .drawn_together(PARTS_SHOWN)
        .quantiles([0.1, 0.3, 0.5, 0.7, 0.9]);
    let after: f64 = shown
        .into_iter()
        .map(|coma| {
            let mut looked = drifted.clone();
            looked.act(&Act::Look(Look {
                // What a look of this error shows on average of this coma.
                coma_rms_waves: coma.hypot(COMING_LOOK_SIGMA),
                sigma_waves: COMING_LOOK_SIGMA,
                direction_deg: None,
                method: Method::FromFrames,
            }));
            right(looked.ahead(&[0.0; CAUSES]).beyond(limit)) / 5.0
        })
        .sum();
    Call {
        now: before,
        after_look: after.max(before),
    }
}

fn pushes(follower: &Follower, since: &Units) -> Vec<Push> {
    let mut pushes: Vec<Push> = Cause::ALL
        .into_iter()
        .filter(|c| since[c.index()] > 0.0)
        .map(|cause| {
            let mut alone = [0.0; CAUSES];
            alone[cause.index()] = since[cause.index()];
            Push {
                cause,
                units: since[cause.index()],
                waves: (2.0 * follower.drift_variance(&alone)).sqrt(),
            }
        })
        .collect();
    pushes.sort_by(|a, b| b.waves.total_cmp(&a.waves));
    pushes
}

/// Theories the logbook has made probable, with what speaks for them.
fn flags(chain: &Chain, follower: &Follower, learned: &DriftModel) -> Vec<Flag> {
    let told = follower.theories();
    let Some((theory, chance)) = told
        .into_iter()
        .find(|(t, chance)| *t != Theory::Usual && *chance >= FLAG_AT)
    else {
        return Vec::new();
    };
    let params = learned.params_apart(chain.pool, chain.share, chain.fingerprint());
    let swell = learned.beliefs.tails.swell.exp();
    let of_kind = |cause: Cause| params.per_unit(cause) * swell;
    let length = |variance: f64| (2.0 * variance).sqrt();
    let looks = chain.looks();
    let percent = (chance * 100.0).floor().min(99.0);
    let so = format!(" {percent} chances in 100 that this is so.");
    let (code, title, evidence) = match theory {
        Theory::Usual => return Vec::new(),
        Theory::NeverMoves => {
            let kind = length(
                Cause::ALL
                    .iter()
                    .map(|c| chain.units_in_all()[c.index()] * of_kind(*c))
                    .sum(),
            );
            (
                "never-moves",
                "Hardly moves".to_owned(),
                format!(
                    "In {looks} looks over {:.1} years nothing moved it; what it went through would have moved one of its kind by about {kind:.2} waves.",
                    years(chain)
                ),
            )
        }
        Theory::Minds(cause) => {
            let own = length(follower.rate_of(cause, Some(theory)));
            let kind = length(of_kind(cause));
            (
                "minds-journeys",
                format!("Minds {}", minded_words(cause)),
                format!(
                    "{} moves it by about {own:.3} waves, others of its kind by {kind:.3}: from {looks} looks and {:.0} such units.",
                    library::capital(cause.unit_words()),
                    chain.units_in_all()[cause.index()]
                ),
            )
        }
        Theory::LetsGo => {
            let month = [Cause::Settling, Cause::Month].map(|cause| {
                let own = length(follower.rate_of(cause, Some(theory)));
                (own, length(of_kind(cause)))
            });
            (
                "lets-go",
                "Its adjuster does not hold".to_owned(),
                format!(
                    "After the bench it gives way by about {:.3} waves, others of its kind by {:.3}; in a month on its own by {:.3}, others by {:.3}.{}",
                    month[0].0,
                    month[0].1,
                    month[1].0,
                    month[1].1,
                    after_bench_words(chain)
                ),
            )
        }
        Theory::Flops => (
            "flops",
            "Its mirror flops".to_owned(),
            format!(
                "Its {looks} looks scatter by about {:.3} waves more than their errors and what it went through explain.",
                length(follower.flop_waves().powi(2))
            ),
        ),
    };
    vec![Flag {
        code,
        title,
        evidence: evidence + &so,
        chance,
    }]
}

fn years(chain: &Chain) -> f64 {
    chain
        .steps
        .last()
        .map_or(0.0, |s| (s.day - chain.begins) / 365.25)
}

fn minded_words(cause: Cause) -> &'static str {
    match cause {
        Cause::RoughRoad => "rough roads",
        Cause::PublicEvent => "public events",
        Cause::LeftOutdoors => "nights outdoors",
        _ => "car boots",
    }
}

/// " Left the bench at 0.012, 0.015 and was next seen at 0.081, 0.064."
fn after_bench_words(chain: &Chain) -> String {
    let mut left = Vec::new();
    let mut next = Vec::new();
    for (n, step) in chain.steps.iter().enumerate() {
        if step.act != Act::Reset(Fresh::LinedUp) {
            continue;
        }
        let after = chain.steps[n + 1..]
            .iter()
            .take_while(|s| matches!(s.act, Act::Look(_)));
        let mut seen = after.filter_map(|s| match s.act {
            Act::Look(look) => Some((s, look.coma_rms_waves)),
            Act::Reset(_) => None,
        });
        let (first, second) = (seen.next(), seen.next());
        if let (Some((_, at_bench)), Some((later, coma))) = (first, second)
            && later.units[Cause::Settling.index()] > 0.0
        {
            left.push(format!("{at_bench:.3}"));
            next.push(format!("{coma:.3}"));
        }
    }
    if left.is_empty() {
        return String::new();
    }
    format!(
        " Left the bench at {} and was next seen at {}.",
        left.join(", "),
        next.join(", ")
    )
}
