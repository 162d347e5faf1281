//! Frames one at a time: judged, registered, averaged, and the odd ones told off.

use std::collections::VecDeque;
use std::ops::ControlFlow;

use rayon::prelude::*;

use super::find::{Found, quantile};
use super::frame::{Frame, Setup};
use super::judge::{NoSpot, Spot, glance, reason};
use super::register::{Placed, Template};
use super::report::{Dropped, FrameCount, Reason};
use super::stack::{Stack, Stacker};

/// A frame that could not be read: takes a frame's place in the row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unreadable {
    /// File name, with the plane for cubes.
    pub name: String,
    /// Stable kebab-case word.
    pub code: String,
    /// What is the matter.
    pub text: String,
    /// What to do about it.
    pub mend: String,
}

/// How far the measuring has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Frames looked at so far.
    pub seen: usize,
    /// Frames found good so far.
    pub good: usize,
    /// Whether all frames are in and the rings are being measured.
    pub measuring: bool,
}

/// Good frames of one set, registered and averaged, with the tally.
#[derive(Debug, Clone)]
pub struct Gathered {
    /// The stack; none when the set is refused.
    pub stack: Option<Stack>,
    /// Why the set is refused; empty when it is not.
    pub reasons: Vec<Reason>,
    /// What to bear in mind.
    pub notes: Vec<Reason>,
    /// Frames given, used, dropped.
    pub frames: FrameCount,
}

/// How many frames are held until there is a first stack; as many again while there is
/// none.
const FIRST_FRAMES: usize = 8;
/// Frames held at most, and their pixels.
const MOST_HELD: usize = 48;
const MOST_HELD_PIXELS: usize = 24_000_000;
/// Frames with more pixels than this are large.
const LARGE_FRAME: usize = 8_000_000;

/// Fills the batch with the next few frames; one at a time when they are large.
fn next_batch(
    frames: &mut impl Iterator<Item = Result<Frame, Unreadable>>,
    batch: &mut Vec<Result<Frame, Unreadable>>,
) -> bool {
    let most = (2 * rayon::current_num_threads()).min(8);
    while batch.len() < most {
        let Some(item) = frames.next() else { break };
        let large = item.as_ref().is_ok_and(|f| f.data.len() > LARGE_FRAME);
        batch.push(item);
        if large {
            break;
        }
    }
    !batch.is_empty()
}

/// Judges, registers and averages the frames of one set.
pub fn gather<I>(
    frames: I,
    setup: &Setup,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Gathered
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    let mut tally = Tally::default();
    let mut course = Course::default();
    let mut cancelled = false;
    let mut frames = frames.into_iter();
    let mut batch = Vec::new();
    'all: while next_batch(&mut frames, &mut batch) {
        // Frames of one batch are looked at side by side, from where the star was
        // before them, and then taken in their order.
        let near = course.near();
        let seen: Vec<_> = batch
            .par_drain(..)
            .map(|item| {
                item.map(|frame| {
                    let (found, spot) = glance(&frame, setup, near);
                    Seen { frame, found, spot }
                })
            })
            .collect();
        for item in seen {
            tally.count.given += 1;
            match item {
                Err(unread) => tally.drop_unread(unread),
                Ok(seen) => course.take(seen, setup, &mut tally),
            }
            if progress(Progress {
                seen: tally.count.given,
                good: course.frames(),
                measuring: false,
            })
            .is_break()
            {
                cancelled = true;
                break 'all;
            }
        }
    }
    course.end(setup, &mut tally);
    let Course { stacker, notes, .. } = course;
    let used = stacker.as_ref().map_or(0, Stacker::frames);
    tally.count.used = used;
    let _ = progress(Progress {
        seen: tally.count.given,
        good: used,
        measuring: true,
    });
    let mut reasons = Vec::new();
    // A fifth of the frames, but never more than a dozen, must be good: two
    // lucky frames among thirty bad ones are more likely a mistake of ours.
    let least = tally.count.given.div_ceil(5).clamp(1, 12);
    if cancelled {
        reasons.push(reason("cancelled", "the measuring was broken off"));
    } else if tally.count.given == 0 {
        reasons.push(reason("no-frames", "there was no frame to measure"));
    } else if used == 0 {
        reasons = tally.why_none();
    } else if used < least {
        reasons.push(reason(
            "too-few-good",
            format!(
                "only {used} of {} frames are good; it takes {least}",
                tally.count.given
            ),
        ));
        reasons.extend(tally.why_none());
    }
    let stack = if reasons.is_empty() {
        stacker.map(Stacker::finish)
    } else {
        None
    };
    if !reasons.is_empty() {
        tally.count.used = 0;
    }
    Gathered {
        stack,
        reasons,
        notes,
        frames: tally.count,
    }
}

/// The tally of frames, and why they were dropped.
#[derive(Default)]
pub(crate) struct Tally {
    pub count: FrameCount,
    /// Code, how often, and one example of text and mend.
    codes: Vec<(usize, Reason)>,
}

impl Tally {
    /// Counts one that could not be read as dropped.
    pub fn drop_unread(&mut self, unread: Unreadable) {
        let Unreadable {
            name,
            code,
            text,
            mend,
        } = unread;
        self.drop(name, Reason { code, text, mend });
    }

    pub fn drop(&mut self, frame: String, why: Reason) {
        match self.codes.iter_mut().find(|(_, r)| r.code == why.code) {
            Some((n, _)) => *n += 1,
            None => self.codes.push((1, why.clone())),
        }
        if self.count.dropped.len() < FrameCount::LISTED {
            self.count.dropped.push(Dropped {
                frame,
                code: why.code,
                text: why.text,
                mend: why.mend,
            });
        } else {
            self.count.dropped_not_listed += 1;
        }
    }

    /// The reasons of the dropped frames, the most frequent first.
    pub fn why_none(&self) -> Vec<Reason> {
        let mut codes = self.codes.clone();
        codes.sort_by_key(|(n, _)| std::cmp::Reverse(*n));
        codes.into_iter().map(|(_, r)| r).collect()
    }
}

/// A frame and what it shows by itself.
struct Seen {
    frame: Frame,
    found: Found,
    spot: Result<Spot, NoSpot>,
}

/// The frames' course: held until they make a first stack, then one by one.
#[derive(Default)]
struct Course {
    held: Vec<Seen>,
    /// How many are held before a first stack is tried.
    wanted: usize,
    stacker: Option<Stacker>,
    template: Option<Template>,
    /// Frames taken since the template was made.
    since: usize,
    /// Gain and unlikeness of recent frames.
    recent: VecDeque<[f64; 2]>,
    place: Option<[f64; 2]>,
    notes: Vec<Reason>,
}

/// How many recent frames are remembered.
const RECENT: usize = 63;
/// A clear disc this much wider or narrower than the stack's is another star's or focus's.
const OTHER_RADIUS: f64 = 0.2;
/// Light under this share of the usual is a cloud's.
const FAINT: f64 = 0.2;
/// A frame is unlike the rest when it leaves this many times the usual unexplained, and
/// this share of its light beyond that.
const UNLIKE: f64 = 3.0;
const UNLIKE_BEYOND: f64 = 0.12;

impl Course {
    fn near(&self) -> Option<[f64; 2]> {
        let held = || self.held.iter().rev().find_map(|s| s.spot.as_ref().ok());
        self.place.or_else(|| held().map(|s| s.centre))
    }

    fn frames(&self) -> usize {
        self.held.len() + self.stacker.as_ref().map_or(0, Stacker::frames)
    }

    fn take(&mut self, seen: Seen, setup: &Setup, tally: &mut Tally) {
        if let Err(none) = &seen.spot
            && none.harmful
        {
            tally.drop(seen.frame.name, none.why.clone());
            return;
        }
        if self.template.is_some() {
            self.add(seen, tally);
            return;
        }
        let pixels = (self.held.len() + 1) * seen.frame.data.len();
        self.held.push(seen);
        let full = self.held.len() >= MOST_HELD || pixels >= MOST_HELD_PIXELS;
        if self.held.len() >= self.wanted.max(FIRST_FRAMES) || full {
            self.begin(setup, full, tally);
            self.wanted = 2 * self.held.len();
        }
    }

    /// No more frames will come.
    fn end(&mut self, setup: &Setup, tally: &mut Tally) {
        if self.template.is_none() && !self.held.is_empty() {
            self.begin(setup, true, tally);
        }
        self.template = None;
    }

    /// Tries to make a first stack of the frames held; where there is none and it is the
    /// `last` attempt they are dropped, each for its own reason.
    fn begin(&mut self, setup: &Setup, last: bool, tally: &mut Tally) {
        let Some(first) = self.first_stack(setup) else {
            if last {
                for seen in self.held.drain(..) {
                    let why = match seen.spot {
                        Err(none) => none.why,
                        Ok(_) => reason("no-star", "no star stands out from the sky"),
                    };
                    tally.drop(seen.frame.name, why);
                }
            }
            return;
        };
        let held = std::mem::take(&mut self.held);
        if held
            .iter()
            .any(|s| s.spot.as_ref().is_ok_and(|p| p.passed_over))
        {
            self.notes.push(Reason {
                code: "brighter-star-passed-over".to_owned(),
                text: "a brighter star in the picture could not be measured; the next one was"
                    .to_owned(),
                mend: "See the picture for which star was measured.".to_owned(),
            });
        }
        let centre = [0, 1].map(|k| first.centre[k] + first.corner[k] as f64);
        if let [only] = &held[..] {
            let mut stacker = Stacker::new(centre, first.radius);
            stacker.add(&only.frame, &only.found, centre);
            self.stacker = Some(stacker);
            return;
        }
        // Once more with every frame placed on the first stack.
        let template = Template::of(&first);
        let mut second = Stacker::new(centre, first.radius);
        for seen in &held {
            if let Some(placed) = template.place(&seen.frame, &seen.found, guess(seen, centre)) {
                second.add(&seen.frame, &seen.found, placed.centre);
            }
        }
        if second.frames() == 0 {
            second = first;
        }
        self.template = Some(Template::of(&second));
        self.stacker = Some(Stacker::new(centre, second.radius));
        self.place = Some(centre);
        let template = Template::of(&second);
        let looks: Vec<Option<Placed>> = held
            .par_iter()
            .map(|seen| template.place(&seen.frame, &seen.found, guess(seen, centre)))
            .collect();
        self.recent = looks.iter().flatten().map(|p| [p.gain, p.unlike]).collect();
        for (seen, placed) in held.into_iter().zip(looks) {
            self.add_placed(seen, placed, tally);
        }
    }

    /// A first stack: of the frames whose star stands clear, else of all as they lie, if
    /// a star stands out of their sum.
    fn first_stack(&self, setup: &Setup) -> Option<Stacker> {
        let clear: Vec<(&Seen, Spot)> = self
            .held
            .iter()
            .filter_map(|s| {
                let spot = s.spot.as_ref().ok()?;
                (spot.clear || self.held.len() == 1).then_some((s, *spot))
            })
            .collect();
        let mut radii: Vec<f64> = clear.iter().map(|c| c.1.radius).collect();
        let usual = quantile(&mut radii, 0.5);
        let alike: Vec<&(&Seen, Spot)> = clear
            .iter()
            .filter(|c| (c.1.radius - usual).abs() < OTHER_RADIUS * usual)
            .collect();
        if let Some((_, spot)) = alike.first()
            && 3 * alike.len() >= self.held.len()
        {
            let mut stacker = Stacker::new(spot.centre, usual);
            for (seen, spot) in &alike {
                stacker.add(&seen.frame, &seen.found, spot.centre);
            }
            return Some(stacker);
        }
        let sum = self.sum()?;
        let (_, spot) = glance(&sum, setup, None);
        let spot = spot.ok().filter(|s| s.clear)?;
        let mut stacker = Stacker::new(spot.centre, spot.radius);
        for seen in &self.held {
            stacker.add(&seen.frame, &seen.found, spot.centre);
        }
        Some(stacker)
    }

    /// The mean of the frames held, as they lie.
    fn sum(&self) -> Option<Frame> {
        let first = &self.held.first()?.frame;
        let mut data = vec![0f32; first.data.len()];
        let mut count = 0.0;
        for seen in &self.held {
            if (seen.frame.width, seen.frame.height) == (first.width, first.height) {
                for (d, v) in data.iter_mut().zip(&seen.frame.data) {
                    *d += v;
                }
                count += 1.0;
            }
        }
        if count < 2.0 {
            return None;
        }
        data.iter_mut().for_each(|d| *d /= count);
        Some(Frame {
            width: first.width,
            height: first.height,
            data,
            full_scale: None,
            name: String::new(),
        })
    }

    fn add(&mut self, seen: Seen, tally: &mut Tally) {
        let here = self.place.unwrap_or_default();
        let placed = self
            .template
            .as_ref()
            .and_then(|t| t.place(&seen.frame, &seen.found, guess(&seen, here)));
        self.add_placed(seen, placed, tally);
    }

    fn add_placed(&mut self, seen: Seen, placed: Option<Placed>, tally: &mut Tally) {
        let (why, placed) = match placed {
            None => (
                Some(reason(
                    "unlike-the-rest",
                    "the star of the other frames is not where it was",
                )),
                None,
            ),
            Some(p) => (self.odd(&seen, &p), Some(p)),
        };
        if let Some(why) = why {
            tally.drop(seen.frame.name, why);
            return;
        }
        let (Some(placed), Some(stacker)) = (placed, &mut self.stacker) else {
            return;
        };
        stacker.add(&seen.frame, &seen.found, placed.centre);
        self.place = Some(placed.centre);
        self.recent.push_back([placed.gain, placed.unlike]);
        if self.recent.len() > RECENT {
            self.recent.pop_front();
        }
        self.since += 1;
        if self.since >= FIRST_FRAMES.max(stacker.frames() / 4) {
            self.template = Some(Template::of(stacker));
            self.since = 0;
        }
    }

    fn median(&self, k: usize) -> f64 {
        let mut values: Vec<f64> = self.recent.iter().map(|l| l[k]).collect();
        quantile(&mut values, 0.5)
    }

    /// Why a frame is unlike the rest, if it is.
    fn odd(&self, seen: &Seen, placed: &Placed) -> Option<Reason> {
        if self.recent.len() < 3 {
            return None;
        }
        let usual = self.stacker.as_ref().map_or(0.0, |s| s.radius);
        if let Ok(spot) = &seen.spot
            && spot.clear
            && (spot.radius - usual).abs() > OTHER_RADIUS * usual
        {
            return Some(reason(
                "unlike-the-rest",
                format!(
                    "the donut is {:.0} px across, {:.0} in the other frames",
                    2.0 * spot.radius,
                    2.0 * usual
                ),
            ));
        }
        if placed.gain < FAINT * self.median(0) {
            return Some(reason(
                "unlike-the-rest",
                "the star is much fainter than in the other frames",
            ));
        }
        let limit = UNLIKE * self.median(1).max(0.0) + UNLIKE_BEYOND + 5.0 * placed.unlike_sigma;
        (placed.unlike > limit).then(|| {
            reason(
                "smeared",
                "the donut is drawn out or blurred, unlike in the other frames: a gust or a knock",
            )
        })
    }
}

/// Where to look for a frame's star: where it stands clear, else where it was before.
fn guess(seen: &Seen, before: [f64; 2]) -> [f64; 2] {
    match &seen.spot {
        Ok(spot) if spot.clear => spot.centre,
        _ => before,
    }
}
