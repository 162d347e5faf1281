//! How wide the ring is around the clock: what an eye compares when it looks for the thin
//! side, told as one bar for each direction.

use super::frame::Stamp;
use super::polar::{Grid, Polar};
use super::rings::Geometry;

/// Directions that get a bar: every ten degrees.
pub const BARS: usize = 36;
/// Profiles are smoothed over so much on either side, degrees (1-sigma), so that the bars
/// show the ring and not the noise of single pixels.
const SMOOTH_DEG: f64 = 6.0;
/// A side of the ring lies where the light falls to this share of its direction's bright
/// part. Half is where a sharp edge falls under any even blur.
const EDGE: f64 = 0.5;
/// Of a direction's values within the donut, the share that lies under its bright part.
const BRIGHT: f64 = 0.9;
/// How far from the middle the ring may reach, outer radii.
const REACH: f64 = 1.25;
/// Between samples along a direction, px.
const STEP_PX: f64 = 0.25;

/// The ring around the clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// For every ten degrees clockwise from up: the width of the ring over its mean width,
    /// or where the pupil has no shadow the light in that direction over its mean. None
    /// where no edge was found.
    pub bars: Vec<Option<f64>>,
    /// The same, of the circles that go through the edges.
    pub smooth: Vec<f64>,
    /// Whether `bars` are widths; else they are light.
    pub are_widths: bool,
}

/// Measures the ring of a stack in every direction about the middle of its outer edge.
#[must_use]
pub fn strip(stamp: &Stamp, geometry: &Geometry) -> Strip {
    let middle = (stamp.size as f64 - 1.0) / 2.0;
    let [c, gx, gy] = geometry.sky;
    let data: Vec<f64> = (0..stamp.data.len())
        .map(|i| {
            let (x, y) = ((i % stamp.size) as f64, (i / stamp.size) as f64);
            match stamp.sigma[i].is_finite() {
                true => stamp.data[i] - c - gx * (x - middle) - gy * (y - middle),
                false => f64::NAN,
            }
        })
        .collect();
    let grid = Grid {
        size: stamp.size,
        data: &data,
    };
    let reach = REACH * geometry.outer_radius;
    let polar = Polar::new(grid, geometry.centre, reach, STEP_PX, BARS, SMOOTH_DEG);
    // Angles of `polar` run from +x towards +y; the clock runs the same way from -y.
    let at_clock = |bar: usize| (bar + BARS - BARS / 4) % BARS;
    let are_widths = geometry.shadow.is_some();
    let raw: Vec<Option<f64>> = (0..BARS)
        .map(|bar| {
            let profile = polar.profile(at_clock(bar));
            match are_widths {
                true => width(profile, geometry.outer_radius, inner_edge(geometry, bar)),
                false => light(profile),
            }
        })
        .collect();
    let found: Vec<f64> = raw.iter().flatten().copied().collect();
    let mean = found.iter().sum::<f64>() / found.len().max(1) as f64;
    let smooth = (0..BARS)
        .map(|bar| between_circles(geometry, bar))
        .collect();
    Strip {
        bars: raw
            .into_iter()
            .map(|one| one.filter(|_| mean > 0.0).map(|one| one / mean))
            .collect(),
        smooth,
        are_widths,
    }
}

/// From the inner to the outer side of the ring along one direction, px, where the circle
/// of the shadow lies at `inner`.
fn width(profile: &[f64], outer_radius: f64, inner: f64) -> Option<f64> {
    let within = ((outer_radius / STEP_PX) as usize).min(profile.len());
    let mut values: Vec<f64> = profile[..within]
        .iter()
        .copied()
        .filter(|v| v.is_finite())
        .collect();
    if values.is_empty() {
        return None;
    }
    let level = EDGE * super::find::quantile(&mut values, BRIGHT);
    let crosses = |k: usize| {
        let (a, b) = (profile[k], profile[k + 1]);
        ((a >= level) != (b >= level)).then(|| (k as f64 + (level - a) / (b - a)) * STEP_PX)
    };
    let last = profile.len().checked_sub(1)?;
    // A bright spot may stand in the middle of the shadow: the ring begins behind the dark.
    let shadow = ((inner / STEP_PX).max(1.0) as usize).min(last);
    let darkest = (0..shadow).min_by(|a, b| profile[*a].total_cmp(&profile[*b]))?;
    let inner = (darkest..last).find_map(crosses)?;
    let outer = (0..last).rev().find_map(crosses)?;
    (level > 0.0 && outer > inner).then_some(outer - inner)
}

/// All light along one direction.
fn light(profile: &[f64]) -> Option<f64> {
    let sum: f64 = profile
        .iter()
        .enumerate()
        .filter(|(_, v)| v.is_finite())
        .map(|(k, v)| k as f64 * v)
        .sum();
    (sum > 0.0).then_some(sum)
}

/// How far the shadow's circle lies from the middle of the outer edge in a direction, px;
/// 0 without a shadow.
fn inner_edge(geometry: &Geometry, bar: usize) -> f64 {
    let Some(shadow) = &geometry.shadow else {
        return 0.0;
    };
    let towards = towards(geometry, bar);
    let across = geometry.offset[0].powi(2) + geometry.offset[1].powi(2) - towards.powi(2);
    towards + (shadow.radius.powi(2) - across).max(0.0).sqrt()
}

/// The part of the offset that points in a direction, px.
fn towards(geometry: &Geometry, bar: usize) -> f64 {
    let (s, c) = (bar as f64 / BARS as f64 * std::f64::consts::TAU).sin_cos();
    geometry.offset[0] * s - geometry.offset[1] * c
}

/// From circle to circle in a direction, over the mean. For a pupil without a shadow, what
/// light that grows evenly across the disc has in a direction when its middle lies at d:
/// 1 + (8/3) (d/R) cos, as the integrals over a disc of radius R give it.
fn between_circles(geometry: &Geometry, bar: usize) -> f64 {
    let outer = geometry.outer_radius;
    match &geometry.shadow {
        Some(shadow) => (outer - inner_edge(geometry, bar)) / (outer - shadow.radius),
        None => 1.0 + 8.0 / 3.0 * towards(geometry, bar) / outer,
    }
}
