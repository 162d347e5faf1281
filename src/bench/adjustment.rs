//! An adjustment: what is turned, how far and what for; and what a session has
//! turned and seen so far.

/// When a collimation session is done.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Aim {
    /// RMS coma that counts as in line, waves at 550 nm.
    pub threshold_waves: f64,
    /// With which certainty, 0 to 1.
    pub confidence: f64,
    /// How many of its sigmas the coma must be for a screw to be turned: more
    /// where a turn costs much.
    pub sigmas_to_turn: f64,
}

impl Default for Aim {
    fn default() -> Self {
        Self {
            threshold_waves: 0.071,
            confidence: 0.97,
            sigmas_to_turn: 1.1,
        }
    }
}

/// Parts of a turn in which advice is given: sixty-fourths.
pub const PARTS: i32 = 64;
/// The most one screw is turned in one adjustment, unless it works so slowly that
/// a quarter of a turn hardly shows: a quarter.
pub const MOST_PARTS: i32 = PARTS / 4;
/// How a screw feels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tension {
    /// Turns as it should.
    #[default]
    Even,
    /// Stiff: must not be tightened further.
    Tight,
    /// Slack: must not be loosened further.
    Loose,
}

/// A go at the screws.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Adjustment {
    /// Sixty-fourths of a turn of each screw, clockwise as seen facing it.
    pub parts: Vec<i32>,
    /// What for.
    pub purpose: Purpose,
    /// RMS coma expected afterwards, waves: as likely more as less.
    pub expected_waves: f64,
    /// It will be from this to that in nine cases of ten.
    #[serde(default)]
    pub range_waves: [f64; 2],
}

/// What a go is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// To bring the coma down.
    Correct,
    /// To find out which way the screws work.
    Learn,
    /// Back to where the star looked best, after goes that made it worse.
    Back,
}

impl Adjustment {
    /// Turns of each screw.
    pub fn turns(&self) -> Vec<f64> {
        turns_of(&self.parts)
    }

    /// Whether a coma lies in the range that was said.
    pub fn holds(&self, waves: f64) -> bool {
        (self.range_waves[0]..=self.range_waves[1]).contains(&waves)
    }
}

/// Turns of sixty-fourths.
pub fn turns_of(parts: &[i32]) -> Vec<f64> {
    parts
        .iter()
        .map(|&p| f64::from(p) / f64::from(PARTS))
        .collect()
}

/// What is kept of a collimation session beside the response.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tally {
    /// Looks since the last go.
    pub looks_since: usize,
    /// Errors of those looks, waves, one for each.
    pub sigmas: Vec<f64>,
    /// Sixty-fourths turned so far, by screw.
    pub turned: Vec<i32>,
    /// How each screw feels.
    pub tension: Vec<Tension>,
    /// After every look: what it saw, RMS waves, with its error, and how far the
    /// screws had been turned by then.
    pub history: Vec<(f64, f64, Vec<i32>)>,
}

impl Tally {
    /// How many adjustments were looked at, as far as the looks tell.
    pub(super) fn adjustments(&self) -> usize {
        self.history.windows(2).filter(|w| w[0].2 != w[1].2).count()
    }

    /// The way back to where the star looked best, a quarter turn at most, when
    /// goes have since made it clearly worse: two goes or more while the beliefs
    /// are still at odds, one when nothing else is left to try.
    pub(super) fn way_back(&self, least_goes: usize) -> Option<Vec<i32>> {
        let (seen, sigma, now) = self.history.last()?;
        let best = (0..self.history.len())
            .min_by(|&a, &b| self.history[a].0.total_cmp(&self.history[b].0))?;
        let (least, least_sigma, place) = &self.history[best];
        let mut adjustments = 0;
        for pair in self.history[best..].windows(2) {
            adjustments += usize::from(pair[0].2 != pair[1].2);
        }
        let clearly = 2.0 * sigma.hypot(*least_sigma);
        if adjustments < least_goes || *seen < 1.3 * least + clearly {
            return None;
        }
        let back: Vec<i32> = place.iter().zip(now).map(|(a, b)| a - b).collect();
        let largest = back.iter().map(|p| p.abs()).max()?;
        if largest == 0 {
            return None;
        }
        let share = f64::from(MOST_PARTS.min(largest)) / f64::from(largest);
        Some(
            back.iter()
                .map(|&p| (f64::from(p) * share).trunc() as i32)
                .collect(),
        )
    }
}
