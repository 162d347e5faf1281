//! Vanes that were not told: looked for in what a fit without them leaves over.

use super::kernels::plane;
use super::solve::{FLUX, Problem, SKY, Solution};

/// Bins round the ring.
const BINS: usize = 120;
/// How wide a spoke may look, 1-sigma, degrees: diffraction widens it.
const WIDTHS_DEG: [f64; 3] = [4.0, 8.0, 13.0];
/// Counts looked for.
const COUNTS: [u32; 4] = [2, 3, 4, 6];
/// Share of the residual's variation round the ring that the spokes must
/// account for, and how much darker than the rest they must be.
const LEAST_SHARE: f64 = 0.3;
const LEAST_DEPTH: f64 = 0.008;

/// Dark spokes in a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spokes {
    pub count: u32,
    /// Direction of the first in the picture, degrees clockwise from up.
    pub clock_deg: f64,
    /// Width of each in units of the pupil's radius, roughly.
    pub width: f64,
}

/// As many spokes as told are preferred when they explain this much of what the best
/// do.
const NEARLY: f64 = 0.75;

/// Spokes in the residual of picture `k`, about `centre` (where the pupil's middle
/// falls, pixels of its window) between the shadow and the outer `radius`; as many as
/// told, if those explain nearly as much as the best.
pub(super) fn spokes(
    problem: &Problem,
    solution: &Solution,
    k: usize,
    centre: [f64; 2],
    radius: f64,
    obstruction: f64,
    told_count: Option<u32>,
) -> Option<Spokes> {
    let picture = &problem.pictures[k];
    let size = picture.model.size;
    let own = &solution.parameters[problem.own(k)..];
    let (mut left, mut light) = ([0.0; BINS], [0.0; BINS]);
    let from = (obstruction + 0.12).max(0.2);
    for (i, ((&d, &m), &w)) in picture
        .data
        .iter()
        .zip(&solution.models[k])
        .zip(&picture.root_weight)
        .enumerate()
    {
        let (x, y) = (i / size, i % size);
        let (dx, up) = (x as f64 - centre[0], centre[1] - y as f64);
        let r = dx.hypot(up) / radius;
        if w <= 0.0 || !(from..0.93).contains(&r) {
            continue;
        }
        let sky = own[SKY] + own[SKY + 1] * plane(x, size) + own[SKY + 2] * plane(y, size);
        let clock = dx.atan2(up).rem_euclid(std::f64::consts::TAU);
        let bin = (clock / std::f64::consts::TAU * BINS as f64) as usize % BINS;
        left[bin] += f64::from(d - m);
        light[bin] += f64::from(m) - sky;
    }
    if own[FLUX] <= 0.0 || light.iter().any(|l| *l <= 0.0) {
        return None;
    }
    let share: Vec<f64> = left.iter().zip(&light).map(|(a, b)| a / b).collect();
    let mean = share.iter().sum::<f64>() / BINS as f64;
    let total: f64 = share.iter().map(|s| (s - mean).powi(2)).sum();
    let mut best: Option<(f64, Spokes)> = None;
    let mut as_told: Option<(f64, Spokes)> = None;
    for count in COUNTS {
        let period = 360.0 / f64::from(count);
        for (step, wide) in (0..period as usize).flat_map(|s| WIDTHS_DEG.map(|w| (s, w))) {
            let clock = step as f64;
            // One dip for each spoke.
            let dips: Vec<f64> = (0..BINS)
                .map(|b| {
                    let at = (b as f64 + 0.5) * 360.0 / BINS as f64;
                    let off = (at - clock + period / 2.0).rem_euclid(period) - period / 2.0;
                    (-0.5 * (off / wide).powi(2)).exp()
                })
                .collect();
            let middle = dips.iter().sum::<f64>() / BINS as f64;
            let (mut both, mut square) = (0.0, 0.0);
            for (d, s) in dips.iter().zip(&share) {
                both += (d - middle) * (s - mean);
                square += (d - middle).powi(2);
            }
            let depth = -both / square;
            let explained = both * both / square / total.max(1e-300);
            if depth <= LEAST_DEPTH || explained <= LEAST_SHARE {
                continue;
            }
            // The light a spoke takes, over the light per radian.
            let area = depth * wide.to_radians() * std::f64::consts::TAU.sqrt();
            let spokes = Spokes {
                count,
                clock_deg: clock,
                width: area * (1.0 + obstruction) / 2.0,
            };
            let better = |than: &mut Option<(f64, Spokes)>| {
                if than.as_ref().is_none_or(|b| explained > b.0) {
                    *than = Some((explained, spokes));
                }
            };
            better(&mut best);
            if told_count == Some(count) {
                better(&mut as_told);
            }
        }
    }
    let best = best?;
    let told = as_told.filter(|t| t.0 > NEARLY * best.0);
    Some(told.unwrap_or(best).1)
}
