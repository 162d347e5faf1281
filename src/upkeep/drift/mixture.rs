//! What is believed of the length of a coma vector: several Rice laws, each with
//! its weight.

use super::special::marcum_q1;

/// One of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// How probable.
    pub weight: f64,
    /// Squared length of the mean, waves squared.
    pub mean_squared: f64,
    /// Variance along one axis, waves squared.
    pub variance: f64,
}

/// All of them, weights adding up to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixture(Vec<Part>);

/// Parts weighing less than this next to the heaviest are left out.
const LEAST_SHARE: f64 = 3e-3;

impl Mixture {
    /// From parts whose weights need not add up yet.
    pub fn new(mut parts: Vec<Part>) -> Self {
        let top = parts.iter().map(|p| p.weight).fold(0.0, f64::max);
        parts.retain(|p| p.weight > LEAST_SHARE * top);
        let sum: f64 = parts.iter().map(|p| p.weight).sum();
        for part in &mut parts {
            part.weight /= sum;
        }
        Self(parts)
    }

    /// Several beliefs in one, each with its weight.
    pub fn mixed(beliefs: impl Iterator<Item = (f64, Self)>) -> Self {
        let parts = beliefs.flat_map(|(weight, belief)| {
            belief.0.into_iter().map(move |part| Part {
                weight: weight * part.weight,
                ..part
            })
        });
        Self::new(parts.collect())
    }

    /// Chance that coma is above a value, waves RMS.
    pub fn beyond(&self, coma_waves: f64) -> f64 {
        self.seen_beyond(coma_waves, 0.0)
    }

    /// Chance that a look with this error variance along one axis shows more.
    pub fn seen_beyond(&self, coma_waves: f64, look_variance: f64) -> f64 {
        let parts = self.0.iter();
        parts
            .map(|p| {
                let sigma = (p.variance + look_variance).sqrt();
                p.weight * marcum_q1(p.mean_squared.sqrt() / sigma, coma_waves / sigma)
            })
            .sum::<f64>()
            .clamp(0.0, 1.0)
    }

    /// Mean of the squared length, waves squared.
    pub fn mean_square(&self) -> f64 {
        let parts = self.0.iter();
        parts
            .map(|p| p.weight * (p.mean_squared + 2.0 * p.variance))
            .sum()
    }

    /// The lengths below which it lies with each of these chances, each to within
    /// a hundredth of its spread or so: read off a table.
    pub fn quantiles<const N: usize>(&self, chances: [f64; N]) -> [f64; N] {
        let table = self.table();
        chances.map(|chance| table.length(chance))
    }

    fn table(&self) -> Table {
        // Wide enough for all but the last thousandth.
        let reach = |p: &Part| p.mean_squared.sqrt() + 3.8 * p.variance.sqrt();
        let top = self.0.iter().map(reach).fold(1e-6, f64::max);
        let heights = std::array::from_fn(|i| {
            // Finer towards nothing, where most lengths lie.
            let length = top * (i as f64 / (ROWS - 1) as f64).powf(1.5);
            (length, 1.0 - self.beyond(length))
        });
        Table(heights)
    }

    /// The same with the parts drawn together to at most `most`, for figures that
    /// need no more: neighbours by mean square are merged.
    pub fn drawn_together(&self, most: usize) -> Self {
        let mut parts = self.0.clone();
        let size = |p: &Part| p.mean_squared + 2.0 * p.variance;
        parts.sort_by(|a, b| size(a).total_cmp(&size(b)));
        while parts.len() > most.max(1) {
            let lightest = (0..parts.len() - 1).min_by(|a, b| {
                let pair = |i: usize| parts[i].weight + parts[i + 1].weight;
                pair(*a).total_cmp(&pair(*b))
            });
            let Some(i) = lightest else { break };
            let second = parts.remove(i + 1);
            parts[i] = merged(&parts[i], &second);
        }
        Self(parts)
    }

    /// Mean of a function of the length, by its middle in nine equally probable
    /// slices.
    pub fn mean_of(&self, of: impl Fn(f64) -> f64) -> f64 {
        const SLICES: [f64; 9] = [
            1.0 / 18.0,
            3.0 / 18.0,
            5.0 / 18.0,
            7.0 / 18.0,
            0.5,
            11.0 / 18.0,
            13.0 / 18.0,
            15.0 / 18.0,
            17.0 / 18.0,
        ];
        let lengths = self.quantiles(SLICES);
        lengths.into_iter().map(of).sum::<f64>() / 9.0
    }
}

const ROWS: usize = 36;

/// Lengths and the chances of lying below them.
struct Table([(f64, f64); ROWS]);

impl Table {
    fn length(&self, chance: f64) -> f64 {
        let next = self.0.partition_point(|row| row.1 < chance);
        let Some(above) = self.0.get(next) else {
            return self.0[ROWS - 1].0;
        };
        let Some(below) = next.checked_sub(1).map(|n| self.0[n]) else {
            return above.0;
        };
        let share = (chance - below.1) / (above.1 - below.1).max(1e-12);
        below.0 + share * (above.0 - below.0)
    }
}

/// Two parts in one, of equal mean and variance of the squared length.
fn merged(a: &Part, b: &Part) -> Part {
    let weight = a.weight + b.weight;
    let (wa, wb) = (a.weight / weight, b.weight / weight);
    let mean = |p: &Part| p.mean_squared + 2.0 * p.variance;
    let spread = |p: &Part| 4.0 * p.mean_squared * p.variance + 4.0 * p.variance * p.variance;
    let gap = mean(a) - mean(b);
    let m = wa * mean(a) + wb * mean(b);
    let s = wa * spread(a) + wb * spread(b) + wa * wb * gap * gap;
    let root = (m * m - s).max(0.0).sqrt();
    Part {
        weight,
        mean_squared: root,
        variance: ((m - root) * 0.5).max(1e-9),
    }
}
