//! A logbook as the drift model reads it: what pushed the instrument, when it
//! was looked at, and when the bench set it anew.

use library::star_tests::Method;

/// How many causes of drift there are.
pub const CAUSES: usize = 10;

/// What makes coma wander.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// Carried by hand; per carry.
    HandCarry,
    /// Car boot; per 50 km.
    Car,
    /// Rough road; per 50 km.
    RoughRoad,
    /// Flight or parcel; each.
    FlightOrParcel,
    /// Public event; each.
    PublicEvent,
    /// Knock or drop; a middling one.
    KnockOrDrop,
    /// Left outdoors; a middling night.
    LeftOutdoors,
    /// Time alone; per month of 30.44 days.
    Month,
    /// A way there or back of a loan whose journeys nobody reported; per leg.
    UntoldLeg,
    /// Settling after the bench turned its screws; each time.
    Settling,
}

impl Cause {
    /// All, in the order of [`Units`].
    pub const ALL: [Self; CAUSES] = [
        Self::HandCarry,
        Self::Car,
        Self::RoughRoad,
        Self::FlightOrParcel,
        Self::PublicEvent,
        Self::KnockOrDrop,
        Self::LeftOutdoors,
        Self::Month,
        Self::UntoldLeg,
        Self::Settling,
    ];

    /// Its place in [`Units`].
    pub fn index(self) -> usize {
        self as usize
    }

    /// It, in words.
    pub fn label(self) -> &'static str {
        match self {
            Self::HandCarry => "carried by hand",
            Self::Car => "by car",
            Self::RoughRoad => "rough roads",
            Self::FlightOrParcel => "flights and parcels",
            Self::PublicEvent => "public events",
            Self::KnockOrDrop => "knocks",
            Self::LeftOutdoors => "left outdoors",
            Self::Month => "time alone",
            Self::UntoldLeg => "loans nobody reported on",
            Self::Settling => "settling after the bench",
        }
    }

    /// One unit of it, in words.
    pub fn unit_words(self) -> &'static str {
        match self {
            Self::HandCarry => "one carry by hand",
            Self::Car => "50 km by car",
            Self::RoughRoad => "50 km of rough road",
            Self::FlightOrParcel => "one flight or parcel",
            Self::PublicEvent => "one public event",
            Self::KnockOrDrop => "one middling knock",
            Self::LeftOutdoors => "one middling night outdoors",
            Self::Month => "one month on its own",
            Self::UntoldLeg => "one way of a loan nobody reported on",
            Self::Settling => "settling after the bench",
        }
    }
}

/// Amounts of each cause, in the order of [`Cause::ALL`].
pub type Units = [f64; CAUSES];

/// Days in a month of time alone.
pub const MONTH_DAYS: f64 = 30.44;

/// One look at a star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// RMS coma, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// Error along one axis, 1 sigma, waves.
    pub sigma_waves: f64,
    /// Where on the tube it points, degrees, when somebody knew.
    pub direction_deg: Option<f64>,
    /// How it was looked at.
    pub method: Method,
}

/// Something in a logbook that concerns the drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum What {
    /// It was moved, or something befell it.
    Pushed(Cause, f64),
    /// It was looked at.
    Looked(Look),
    /// The bench lined it up.
    LinedUp,
    /// Its optics were moved for another end (cleaned, mended).
    Disturbed,
}

/// Something dated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// Days since any fixed day, the same for a whole fleet.
    pub day: f64,
    /// What.
    pub what: What,
}

/// What ends a stretch of drifting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Act {
    /// A look.
    Look(Look),
    /// Set anew, with this kind of spread.
    Reset(Fresh),
}

/// How well an instrument is set when a new stretch begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fresh {
    /// As the bench leaves it after lining up.
    LinedUp,
    /// As it is after its optics were moved for another end.
    Disturbed,
    /// As it is when its logbook begins.
    Start,
}

/// How many kinds of setting anew there are.
pub const FRESH: usize = 3;

/// One stretch of drifting and what ends it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// What pushed it since the step before.
    pub units: Units,
    /// When the act was.
    pub day: f64,
    /// The act.
    pub act: Act,
}

/// One instrument's logbook in order.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// Its design's pool: instruments of one pool share what they learn.
    pub pool: usize,
    /// How readily its design moves beside others, by the plain rules.
    pub share: f64,
    /// Stretches, oldest first.
    pub steps: Vec<Step>,
    /// Pushes in order of time, for looking between steps.
    pushes: Vec<Push>,
    /// The first day anything is known of; infinite while nothing is.
    pub begins: f64,
}

/// One push and how many steps came before it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Push {
    day: f64,
    cause: Cause,
    amount: f64,
    steps_before: usize,
}

/// Looks above this are no coma a telescope could show; the model takes them at
/// this value, where its allowance for wild reports holds them.
pub const MOST_COMA_WAVES: f64 = 1.5;
/// Nobody knows coma better than this, whatever a report says.
pub const LEAST_SIGMA_WAVES: f64 = 0.002;
const MOST_SIGMA_WAVES: f64 = 1.0;
const MOST_UNITS: f64 = 200.0;

impl Chain {
    /// Puts entries in order of their days; those of the same day keep the order
    /// given. Figures that are no numbers are left out, absurd ones held within
    /// bounds.
    pub fn new(pool: usize, share: f64, entries: &[Entry]) -> Self {
        let mut sorted: Vec<Entry> = entries
            .iter()
            .copied()
            .filter(|e| e.day.is_finite())
            .collect();
        sorted.sort_by(|a, b| a.day.total_cmp(&b.day));
        let mut chain = Self {
            pool,
            share,
            steps: Vec::new(),
            pushes: Vec::new(),
            begins: sorted.first().map_or(f64::INFINITY, |e| e.day),
        };
        let mut units = [0.0; CAUSES];
        let mut last = chain.begins;
        for entry in sorted {
            let act = match entry.what {
                What::Pushed(cause, amount) => {
                    if amount.is_finite() && amount > 0.0 {
                        let amount = amount.min(MOST_UNITS);
                        units[cause.index()] += amount;
                        chain.pushes.push(Push {
                            day: entry.day,
                            cause,
                            amount,
                            steps_before: chain.steps.len(),
                        });
                    }
                    continue;
                }
                What::Looked(look) => match within_bounds(look) {
                    Some(look) => Act::Look(look),
                    None => continue,
                },
                What::LinedUp => Act::Reset(Fresh::LinedUp),
                What::Disturbed => Act::Reset(Fresh::Disturbed),
            };
            units[Cause::Month.index()] += (entry.day - last) / MONTH_DAYS;
            last = entry.day;
            chain.steps.push(Step {
                units,
                day: entry.day,
                act,
            });
            units = [0.0; CAUSES];
        }
        chain.add_settling();
        chain
    }

    /// The screws settle in the first stretch after the bench that lasts; a look
    /// taken in the same visit to the bench comes before they do.
    fn add_settling(&mut self) {
        let mut waits = false;
        let mut turned = f64::NEG_INFINITY;
        for step in &mut self.steps {
            if waits && step.day - turned > SAME_VISIT_DAYS {
                step.units[Cause::Settling.index()] = 1.0;
                waits = false;
            }
            if step.act == Act::Reset(Fresh::LinedUp) {
                waits = true;
                turned = step.day;
            }
        }
    }

    /// Whether the screws settle between a step and a later day.
    fn settles_after(&self, step: usize, until: f64) -> bool {
        let so_far = &self.steps[..=step];
        let turned = so_far
            .iter()
            .rposition(|s| s.act == Act::Reset(Fresh::LinedUp));
        turned.is_some_and(|t| {
            let turned_on = so_far[t].day;
            until - turned_on > SAME_VISIT_DAYS
                && so_far[t..]
                    .iter()
                    .all(|s| s.day - turned_on <= SAME_VISIT_DAYS)
        })
    }

    /// What pushed it after the step numbered `step` (or since the beginning)
    /// until a day.
    pub fn units_after(&self, step: Option<usize>, until: f64) -> Units {
        let from = step.map_or(self.begins, |s| self.steps[s].day);
        let mut units = [0.0; CAUSES];
        let begin = step.map_or(0, |s| self.pushes.partition_point(|p| p.steps_before <= s));
        for push in self.pushes[begin..].iter().take_while(|p| p.day <= until) {
            units[push.cause.index()] += push.amount;
        }
        units[Cause::Month.index()] = ((until - from) / MONTH_DAYS).max(0.0);
        if step.is_some_and(|s| self.settles_after(s, until)) {
            units[Cause::Settling.index()] = 1.0;
        }
        units
    }

    /// What pushed it between two days, time left out, per month of that span.
    pub fn use_per_month(&self, from: f64, until: f64) -> Units {
        let months = ((until - from) / MONTH_DAYS).max(1.0);
        let mut units = self.units_between(from, until).map(|u| u / months);
        units[Cause::Month.index()] = 1.0;
        units
    }

    /// What it went through after one day until another, time included from when it
    /// begins.
    pub fn units_between(&self, from: f64, until: f64) -> Units {
        let mut units = [0.0; CAUSES];
        for push in self
            .pushes
            .iter()
            .filter(|p| p.day > from && p.day <= until)
        {
            units[push.cause.index()] += push.amount;
        }
        units[Cause::Month.index()] = (until - from.max(self.begins)).max(0.0) / MONTH_DAYS;
        units
    }

    /// All it went through.
    pub fn units_in_all(&self) -> Units {
        let mut units = [0.0; CAUSES];
        for step in &self.steps {
            for (sum, u) in units.iter_mut().zip(step.units) {
                *sum += u;
            }
        }
        units
    }

    /// How many looks it had.
    pub fn looks(&self) -> usize {
        self.steps
            .iter()
            .filter(|s| matches!(s.act, Act::Look(_)))
            .count()
    }

    /// A number that differs, as good as surely, for any other logbook.
    pub fn fingerprint(&self) -> u64 {
        use std::hash::{DefaultHasher, Hash, Hasher};
        let mut hasher = DefaultHasher::new();
        let mut number = |x: f64| x.to_bits().hash(&mut hasher);
        number(self.begins);
        number(self.share);
        for step in &self.steps {
            number(step.day);
            step.units.into_iter().for_each(&mut number);
            match step.act {
                Act::Look(look) => {
                    number(look.coma_rms_waves);
                    number(look.sigma_waves);
                    number(look.direction_deg.unwrap_or(f64::NAN));
                    number(look.method as u8 as f64);
                }
                Act::Reset(fresh) => number(-1.0 - fresh as u8 as f64),
            }
        }
        for push in &self.pushes {
            number(push.day);
            number(push.cause as u8 as f64);
            number(push.amount);
        }
        hasher.finish()
    }

    /// The same logbook as it stood at the end of a day.
    pub fn until(&self, day: f64) -> Self {
        Self {
            pool: self.pool,
            share: self.share,
            begins: self.begins,
            steps: self
                .steps
                .iter()
                .copied()
                .filter(|s| s.day <= day)
                .collect(),
            pushes: self
                .pushes
                .iter()
                .copied()
                .filter(|p| p.day <= day)
                .collect(),
        }
    }
}

/// A look this soon after the bench's turn belongs to the same visit, in days.
const SAME_VISIT_DAYS: f64 = 1.0;

fn within_bounds(look: Look) -> Option<Look> {
    let usable = look.coma_rms_waves.is_finite()
        && look.coma_rms_waves >= 0.0
        && look.sigma_waves.is_finite()
        && look.sigma_waves > 0.0;
    usable.then(|| Look {
        coma_rms_waves: look.coma_rms_waves.min(MOST_COMA_WAVES),
        sigma_waves: look.sigma_waves.clamp(LEAST_SIGMA_WAVES, MOST_SIGMA_WAVES),
        direction_deg: look.direction_deg.filter(|d| d.is_finite()),
        method: look.method,
    })
}
