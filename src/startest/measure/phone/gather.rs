//! From stills to one stack for each colour.

use super::Eyepiece;
use crate::decode::Still;
use crate::find::{Found, quantile};
use crate::frame::Frame;
use crate::gather::{Progress, Tally, Unreadable};
use crate::judge::{Spot, glance, reason};
use crate::register::{Placed, Template};
use crate::report::{FrameCount, Reason};
use crate::stack::{Stack, Stacker};
use rayon::prelude::*;
use std::ops::ControlFlow;

/// Stills placed and added up.
pub(super) struct Gathered {
    /// The sum of all colours, in which the star is judged.
    pub luminance: Stack,
    /// Red, green and blue, or grey alone.
    pub colours: Vec<Stack>,
    /// Pixels of the stills to one of the stacks, along one side.
    pub join: usize,
    /// Top left pixel of the first still used that is in the stack's frame.
    pub corner: [usize; 2],
    pub frames: FrameCount,
    /// How wide a pixel of the stills sees, radians, as all of them say alike.
    pub pixel_rad: Option<f64>,
}

/// Radius, in joined pixels, that a donut keeps at least.
const LEAST_RADIUS: f64 = 40.0;
/// A still wider than this is looked at joined, to find its star.
const WIDE: usize = 1400;
/// How far from the star's middle a still is kept, donut radii.
const KEPT: f64 = 1.75;
/// A still is clipped where so much of its donut stands so near a colour's limit, which
/// compression blurs.
const CLIPPED_SHARE: f64 = 0.012;
const CLIPPED_AT: f32 = 0.975 * 255.0;

/// A still about its star, joined.
struct Small {
    name: String,
    /// Colours, then luminance, their skies taken off.
    planes: Vec<Frame>,
    noise: Vec<f64>,
    spot: Spot,
    corner: [usize; 2],
}

/// Takes the stills in, one at a time.
pub(super) fn gather<I>(
    stills: I,
    eyepiece: &Eyepiece<'_>,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<Gathered, (Vec<Reason>, FrameCount)>
where
    I: IntoIterator<Item = Result<Still, Unreadable>>,
{
    let mut tally = Tally::default();
    let mut join = None;
    let mut kept: Vec<Small> = Vec::new();
    let mut seen_rad: Vec<Option<f64>> = Vec::new();
    for item in stills {
        tally.count.given += 1;
        match item {
            Err(unread) => tally.drop_unread(unread),
            Ok(still) => {
                seen_rad.push(still.pixel_rad);
                match small(&still, eyepiece, &mut join) {
                    Ok(s) => kept.push(s),
                    Err(why) => tally.drop(still.name, why),
                }
            }
        }
        let now = Progress {
            seen: tally.count.given,
            good: kept.len(),
            measuring: false,
        };
        if progress(now).is_break() {
            let why = reason("cancelled", "the measuring was broken off");
            return Err((vec![why], tally.count));
        }
    }
    if tally.count.given == 0 {
        let why = reason("no-frames", "there was no still to measure");
        return Err((vec![why], tally.count));
    }
    let stacks = stacked(kept, &mut tally);
    let used = stacks.as_ref().map_or(0, |s| s.1[0].stamp.frames);
    let least = tally.count.given.div_ceil(3).min(12);
    let _ = progress(Progress {
        seen: tally.count.given,
        good: used,
        measuring: true,
    });
    match stacks {
        Some((corner, mut stacks)) if used >= least => {
            tally.count.used = used;
            let Some(luminance) = stacks.pop() else {
                return Err((tally.why_none(), tally.count));
            };
            Ok(Gathered {
                luminance,
                colours: stacks,
                join: join.unwrap_or(1),
                corner,
                frames: tally.count,
                pixel_rad: seen_rad.first().copied().flatten().filter(|first| {
                    let alike = |r: &Option<f64>| r.is_some_and(|r| (r / first - 1.0).abs() < 1e-3);
                    seen_rad.iter().all(alike)
                }),
            })
        }
        _ => {
            let mut reasons = tally.why_none();
            if used > 0 {
                let text = format!(
                    "only {used} of {} stills are good; it takes {least}",
                    tally.count.given
                );
                reasons.insert(0, reason("too-few-good", text));
            }
            Err((reasons, tally.count))
        }
    }
}

/// The mean of `join` x `join` pixels of a part of a picture.
fn joined(
    data: &[f32],
    width: usize,
    corner: [usize; 2],
    size: [usize; 2],
    join: usize,
) -> Vec<f32> {
    let mut out = vec![0f32; size[0] * size[1]];
    for (y, row) in out.chunks_exact_mut(size[0]).enumerate() {
        for dy in 0..join {
            let at = (corner[1] + y * join + dy) * width + corner[0];
            for (v, part) in row.iter_mut().zip(data[at..].chunks_exact(join)) {
                *v += part.iter().sum::<f32>();
            }
        }
    }
    let share = 1.0 / (join * join) as f32;
    out.iter_mut().for_each(|v| *v *= share);
    out
}

fn luminance(colours: &[Vec<f32>]) -> Vec<f32> {
    match colours {
        [r, g, b] => r
            .iter()
            .zip(g)
            .zip(b)
            .map(|((r, g), b)| 0.25 * r + 0.5 * g + 0.25 * b)
            .collect(),
        _ => colours.first().cloned().unwrap_or_default(),
    }
}

fn frame(width: usize, height: usize, data: Vec<f32>) -> Frame {
    Frame {
        width,
        height,
        data,
        full_scale: None,
        name: String::new(),
    }
}

fn small(
    still: &Still,
    eyepiece: &Eyepiece<'_>,
    join: &mut Option<usize>,
) -> Result<Small, Reason> {
    let step = still.width.max(still.height).div_ceil(WIDE);
    let size = [still.width / step, still.height / step];
    let seen: Vec<Vec<f32>> = still
        .colours
        .iter()
        .map(|c| joined(c, still.width, [0, 0], size, step))
        .collect();
    let first = frame(size[0], size[1], luminance(&seen));
    let setup = eyepiece.any_setup();
    let spot = glance(&first, &setup, None).1.map_err(|none| none.why)?;
    let scale = step as f64;
    let centre = spot.centre.map(|c| (c + 0.5) * scale - 0.5);
    let radius = spot.radius * scale;
    clipped(still, centre, radius)?;
    let join = *join.get_or_insert(((radius / LEAST_RADIUS) as usize).max(1));
    let half = KEPT * radius + 4.0;
    let low = centre.map(|c| (c - half).max(0.0) as usize);
    let high = [
        ((centre[0] + half) as usize).min(still.width),
        ((centre[1] + half) as usize).min(still.height),
    ];
    let size = [0, 1].map(|k| (high[k] - low[k]) / join);
    let mut planes: Vec<Vec<f32>> = still
        .colours
        .iter()
        .map(|c| joined(c, still.width, low, size, join))
        .collect();
    planes.push(luminance(&planes));
    let [centre, radius] = [
        [0, 1].map(|k| (centre[k] - low[k] as f64 + 0.5) / join as f64 - 0.5),
        [radius / join as f64; 2],
    ];
    let radius = radius[0];
    let (mut frames, mut noise) = (Vec::new(), Vec::new());
    for mut plane in planes {
        let mut dark: Vec<f32> = plane
            .iter()
            .enumerate()
            .filter(|(i, _)| {
                let (x, y) = ((i % size[0]) as f64, (i / size[0]) as f64);
                (x - centre[0]).hypot(y - centre[1]) > 1.4 * radius
            })
            .map(|(_, v)| *v)
            .collect();
        let sky = quantile(&mut dark, 0.4);
        let mut spread: Vec<f32> = dark.iter().map(|v| (v - sky).abs()).collect();
        noise.push(f64::from(1.4826 * quantile(&mut spread, 0.5)).max(1e-3));
        plane.iter_mut().for_each(|v| *v -= sky);
        frames.push(frame(size[0], size[1], plane));
    }
    Ok(Small {
        name: still.name.clone(),
        planes: frames,
        noise,
        spot: Spot {
            centre,
            radius,
            ..spot
        },
        corner: low,
    })
}

/// Whether too much of the donut stands at a colour's limit.
fn clipped(still: &Still, centre: [f64; 2], radius: f64) -> Result<(), Reason> {
    let reach = 1.15 * radius;
    let (mut full, mut all) = (0usize, 0usize);
    let rows = |c: f64, most: usize| {
        (c - reach).max(0.0) as usize..((c + reach).max(0.0) as usize + 1).min(most)
    };
    for y in rows(centre[1], still.height) {
        for x in rows(centre[0], still.width) {
            if (x as f64 - centre[0]).hypot(y as f64 - centre[1]) < reach {
                all += 1;
                let i = y * still.width + x;
                full += usize::from(still.colours.iter().any(|c| c[i] > CLIPPED_AT));
            }
        }
    }
    if full as f64 > CLIPPED_SHARE * all as f64 {
        let share = 100.0 * full as f64 / all as f64;
        return Err(reason(
            "clipped",
            format!("{share:.0} % of the star stands at the limit of a colour"),
        ));
    }
    Ok(())
}

/// A donut this much wider or narrower than the usual is another star's or focus's; light
/// under this share of the usual is a cloud's.
const OTHER_RADIUS: f64 = 0.2;
const FAINT: f64 = 0.2;
/// A still is left out when it leaves this many times the usual unexplained and this share
/// of its light beyond that.
const UNLIKE: f64 = 2.5;
const UNLIKE_BEYOND: f64 = 0.08;

/// The stacks of all planes, and where the first still's part began.
fn stacked(stills: Vec<Small>, tally: &mut Tally) -> Option<([usize; 2], Vec<Stack>)> {
    let mut radii: Vec<f64> = stills.iter().map(|s| s.spot.radius).collect();
    let usual = quantile(&mut radii, 0.5);
    let (alike, other): (Vec<Small>, Vec<Small>) = stills
        .into_iter()
        .partition(|s| (s.spot.radius - usual).abs() < OTHER_RADIUS * usual);
    for s in other {
        let text = format!(
            "the donut's radius is {:.0} % of the other stills'",
            100.0 * s.spot.radius / usual
        );
        tally.drop(s.name, reason("unlike-the-rest", text));
    }
    let lead = alike.first()?;
    let last = lead.planes.len() - 1;
    let dark = |noise: f64| Found {
        noise,
        ..Found::nothing()
    };
    let mut first = Stacker::new(lead.spot.centre, usual);
    for s in &alike {
        first.add(&s.planes[last], &dark(s.noise[last]), s.spot.centre);
    }
    let template = Template::of(&first);
    let placed: Vec<Option<Placed>> = alike
        .par_iter()
        .map(|s| template.place(&s.planes[last], &dark(s.noise[last]), s.spot.centre))
        .collect();
    let middle = |of: &dyn Fn(&Placed) -> f64| {
        let mut values: Vec<f64> = placed.iter().flatten().map(of).collect();
        quantile(&mut values, 0.5)
    };
    let (gain, unlike) = (middle(&|p| p.gain), middle(&|p| p.unlike).max(0.0));
    let mut stackers: Vec<Stacker> = lead
        .planes
        .iter()
        .map(|_| Stacker::new(lead.spot.centre, usual))
        .collect();
    let corner = lead.corner;
    for (s, placed) in alike.into_iter().zip(placed) {
        let why = match placed {
            None => "the star of the other stills is not where it was",
            Some(p) if p.gain < FAINT * gain => "the star is much fainter than in the other stills",
            Some(p) if p.unlike > UNLIKE * unlike + UNLIKE_BEYOND + 5.0 * p.unlike_sigma => {
                "the donut is drawn out or blurred, unlike in the other stills"
            }
            Some(p) => {
                for ((plane, noise), stacker) in
                    s.planes.into_iter().zip(s.noise).zip(&mut stackers)
                {
                    let bright = p.gain as f32;
                    let mut plane = plane;
                    plane.data.iter_mut().for_each(|v| *v /= bright);
                    stacker.add(&plane, &dark(noise / p.gain), p.centre);
                }
                continue;
            }
        };
        tally.drop(s.name, reason("unlike-the-rest", why));
    }
    let stacks: Vec<Stack> = stackers
        .into_iter()
        .filter(|s| s.frames() > 0)
        .map(Stacker::finish)
        .collect();
    (stacks.len() == last + 1).then_some((corner, stacks))
}
