//! The shade test by a camera: of two frames, one as it is and one with a hand
//! before the tube, where the donut goes dark.
//!
//! The clear frame gives the star's place and size. The shaded one is laid over
//! it where the two agree best (the star wanders between frames), and sector by
//! sector around the ring its light is compared with the clear one's. Coma,
//! vignetting and a brighter sky are in both, so they fall out.

use startest::find::{Candidate, find};
use startest::frame::Frame;

/// Where a donut went dark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dark {
    /// Direction of the dark part, clock degrees as displayed.
    pub clock_deg: f64,
    /// Share of the ring's light that the hand took, 0 to 1.
    pub share: f64,
}

/// Why two frames tell nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoShade {
    /// No star in the clear frame.
    #[error("no star stands out in the frame without the hand; expose longer, or find the star")]
    NoStar,
    /// The star is not a donut, or too small.
    #[error("the star is only a few pixels across; go further out of focus")]
    TooSmall,
    /// The donut is cut.
    #[error("the star touches the edge of the picture; bring it to the middle")]
    AtTheEdge,
    /// Nothing is darker.
    #[error(
        "no part of the donut is darker with the hand than without; hold the hand further before the rim"
    )]
    NothingDark,
    /// Nearly everything is dark.
    #[error("nearly the whole donut is dark; hold the hand less far in")]
    AllDark,
    /// It is darker all round.
    #[error(
        "the donut is darker all round, not at one side; use the same exposure for both frames and hold the hand still"
    )]
    NoSide,
}

/// Cells across the square that is compared.
const CELLS: usize = 72;
/// The donut's radius in it, cells.
const RADIUS: f64 = 22.0;
/// How far the star may have wandered, cells: more than half its width.
const WANDER: isize = 26;
/// Sectors around the ring.
const SECTORS: usize = 36;
/// A sector that keeps less than this share of its light is dark.
const DARK: f64 = 0.55;

/// Light over the sky, averaged into cells around a star.
fn cells(
    frame: &Frame,
    star: &Candidate,
    per_cell: f64,
    sky: impl Fn(f64, f64) -> f64,
) -> Vec<f64> {
    let side = CELLS as f64 + 2.0 * WANDER as f64;
    let count = side as usize;
    let mut sum = vec![0.0; count * count];
    let mut n = vec![0u32; count * count];
    let half = side / 2.0 * per_cell;
    let range = |centre: f64, most: usize| {
        let from = (centre - half).max(0.0) as usize;
        from..((centre + half).max(0.0) as usize).min(most)
    };
    for y in range(star.y, frame.height) {
        for x in range(star.x, frame.width) {
            let cell =
                |at: usize, centre: f64| ((at as f64 - centre) / per_cell + side / 2.0) as usize;
            let (i, j) = (cell(x, star.x), cell(y, star.y));
            if i < count && j < count {
                sum[j * count + i] +=
                    f64::from(frame.data[y * frame.width + x]) - sky(x as f64, y as f64);
                n[j * count + i] += 1;
            }
        }
    }
    sum.iter()
        .zip(&n)
        .map(|(s, n)| if *n == 0 { 0.0 } else { s / f64::from(*n) })
        .collect()
}

/// Where the donut went dark.
///
/// # Errors
/// [`NoShade`], whose words say what to do.
pub fn dark_side(clear: &Frame, shaded: &Frame) -> Result<Dark, NoShade> {
    let found = find(clear);
    let star = found.candidates.first().ok_or(NoShade::NoStar)?;
    if star.touches_border {
        return Err(NoShade::AtTheEdge);
    }
    if star.radius < 6.0 {
        return Err(NoShade::TooSmall);
    }
    let per_cell = star.radius / RADIUS;
    let lit = cells(clear, star, per_cell, |x, y| found.sky.at(x, y));
    let dim_sky = find(shaded).sky;
    let dim = cells(shaded, star, per_cell, |x, y| dim_sky.at(x, y));
    let wide = CELLS + 2 * WANDER as usize;
    let reach = 1.15 * RADIUS;
    let disc: Vec<(isize, isize)> = (0..wide as isize)
        .flat_map(|j| (0..wide as isize).map(move |i| (i, j)))
        .filter(|&(i, j)| {
            let middle = wide as f64 / 2.0;
            (i as f64 + 0.5 - middle).hypot(j as f64 + 0.5 - middle) < reach
        })
        .collect();
    let value = |data: &[f64], i: isize, j: isize| {
        if (0..wide as isize).contains(&i) && (0..wide as isize).contains(&j) {
            data[j as usize * wide + i as usize]
        } else {
            0.0
        }
    };
    // Where the lit cells of the shaded frame look most like those of the clear
    // one: the dark ones may lie anywhere, so they have no say.
    let bright = dim.iter().copied().fold(0.0, f64::max);
    let lit_cells: Vec<(isize, isize, f64)> = (0..wide as isize)
        .flat_map(|j| (0..wide as isize).map(move |i| (i, j)))
        .map(|(i, j)| (i, j, value(&dim, i, j)))
        .filter(|(_, _, v)| *v > 0.25 * bright)
        .collect();
    let own: f64 = lit_cells.iter().map(|(_, _, v)| v * v).sum();
    let mut best = (0.0, 0, 0);
    for dy in -WANDER..=WANDER {
        for dx in -WANDER..=WANDER {
            let (mut both, mut norm) = (0.0, 0.0);
            for &(i, j, s) in &lit_cells {
                let c = value(&lit, i - dx, j - dy);
                both += c * s;
                norm += c * c;
            }
            let score = both / (own * norm).max(1e-12).sqrt();
            if score > best.0 {
                best = (score, dx, dy);
            }
        }
    }
    let (_, dx, dy) = best;
    let mut light = [[0.0f64; 2]; SECTORS];
    for &(i, j) in &disc {
        let middle = wide as f64 / 2.0;
        let (x, y) = (i as f64 + 0.5 - middle, j as f64 + 0.5 - middle);
        let clock = x.atan2(-y).to_degrees().rem_euclid(360.0);
        let sector = ((clock / 360.0 * SECTORS as f64) as usize).min(SECTORS - 1);
        light[sector][0] += value(&lit, i, j);
        light[sector][1] += value(&dim, i + dx, j + dy);
    }
    let kept: Vec<f64> = light.map(|[c, s]| (s / c.max(1e-12)).max(0.0)).to_vec();
    // The lit part sets the measure: exposures may differ, clouds pass.
    let mut sorted = kept.clone();
    sorted.sort_by(f64::total_cmp);
    let full = sorted[SECTORS * 4 / 5];
    if full < 0.2 {
        return Err(NoShade::AllDark);
    }
    let dark: Vec<f64> = kept
        .iter()
        .map(|k| (1.0 - k / full).clamp(0.0, 1.0))
        .collect();
    let count = kept.iter().filter(|k| **k < DARK * full).count();
    if count == 0 {
        return Err(NoShade::NothingDark);
    }
    if count > SECTORS * 3 / 4 {
        return Err(NoShade::AllDark);
    }
    let (mut x, mut y) = (0.0, 0.0);
    for (sector, d) in dark.iter().enumerate() {
        let (s, c) = ((sector as f64 + 0.5) / SECTORS as f64 * std::f64::consts::TAU).sin_cos();
        x += d * s;
        y += d * c;
    }
    let all: f64 = dark.iter().sum();
    if x.hypot(y) < 0.3 * all {
        return Err(NoShade::NoSide);
    }
    Ok(Dark {
        clock_deg: x.atan2(y).to_degrees().rem_euclid(360.0),
        share: all / SECTORS as f64,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::orientation::apart_deg;
    use optics::pupil::Pupil;
    use optics::render::Scene;
    use optics::wavefront::{Wavefront, a4_from_w020};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A donut with coma, a hand that takes a third of its width from one side,
    /// the star elsewhere in each frame, noise, and another exposure.
    fn frame(hand_deg: Option<f64>, at: (usize, usize), gain: f64, seed: u64) -> Frame {
        let size = 90;
        let data = Scene {
            pupil: Pupil::annular(0.34),
            wavefront: Wavefront::flat()
                .with(4, a4_from_w020(8.0))
                .with(8, 0.2)
                .with(7, -0.1),
            field: 100.0,
            size,
            bandwidth_nm: 100.0,
            blur: 2.0,
        }
        .draw();
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (width, height) = (240, 200);
        let mut out: Vec<f32> = (0..width * height)
            .map(|i| 100.0 + 0.05 * (i % width) as f32 + rng.random_range(-6.0..6.0))
            .collect();
        // Radius 4 x 8 = 32 lambda N of a field of 100 over 90 pixels.
        let radius = 32.0 / 100.0 * size as f64;
        for (i, v) in data.iter().enumerate() {
            let (x, y) = (i % size, i / size);
            let (px, py) = (x as f64 - 45.0, 45.0 - y as f64);
            let taken = hand_deg.is_some_and(|deg: f64| {
                let (s, c) = deg.to_radians().sin_cos();
                px * s + py * c > 0.35 * radius
            });
            if !taken {
                out[(at.1 + y) * width + at.0 + x] += (v * 300.0 * gain) as f32;
            }
        }
        Frame {
            width,
            height,
            data: out,
            full_scale: None,
            name: "made".to_owned(),
        }
    }

    #[test]
    fn the_dark_part_is_found_wherever_the_hand_was() {
        let clear = frame(None, (60, 50), 1.0, 1);
        for (k, deg) in [0.0, 47.0, 95.0, 140.0, 200.0, 263.0, 330.0]
            .into_iter()
            .enumerate()
        {
            let at = (50 + 5 * k, 60 - 4 * k);
            let shaded = frame(Some(deg), at, 0.8, 2 + k as u64);
            let dark = dark_side(&clear, &shaded).unwrap();
            assert!(apart_deg(dark.clock_deg, deg) < 10.0, "{deg} {dark:?}");
            assert!(dark.share > 0.1 && dark.share < 0.7, "{dark:?}");
        }
    }

    #[test]
    fn frames_that_tell_nothing_are_refused_with_the_mend() {
        let clear = frame(None, (60, 50), 1.0, 1);
        let same = frame(None, (70, 40), 0.9, 2);
        assert_eq!(dark_side(&clear, &same), Err(NoShade::NothingDark));
        let empty = Frame {
            data: vec![100.0; 240 * 200],
            ..clear.clone()
        };
        assert_eq!(dark_side(&empty, &clear), Err(NoShade::NoStar));
        let gone = dark_side(&clear, &frame(None, (60, 50), 0.0, 3));
        assert!(gone.is_err(), "{gone:?}");
    }
}
