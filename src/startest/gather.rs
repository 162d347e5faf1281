//! Frames one at a time: judged, registered, averaged, and the odd ones told off.

use std::collections::VecDeque;
use std::ops::ControlFlow;

use rayon::prelude::*;

use super::find::quantile;
use super::frame::{Frame, Setup};
use super::judge::{Placed, judge, reason};
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

/// How many good frames set the measure for the rest.
const FIRST_FRAMES: usize = 5;
/// The same for frames of many pixels, so that few of them are held at once.
const FIRST_LARGE_FRAMES: usize = 2;
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
    let mut first: Vec<(Frame, Placed)> = Vec::new();
    let mut course = Course::default();
    let mut stacker: Option<Stacker> = None;
    let mut cancelled = false;
    let mut frames = frames.into_iter();
    let mut batch = Vec::new();
    'all: while next_batch(&mut frames, &mut batch) {
        // Frames of one batch are judged side by side, from where the star was
        // before them, and then taken in their order.
        let near = course.near(&first);
        let judged: Vec<_> = batch
            .par_drain(..)
            .map(|item| item.map(|frame| (judge(&frame, setup, near), frame)))
            .collect();
        for item in judged {
            tally.count.given += 1;
            match item {
                Err(u) => tally.drop(
                    u.name,
                    Reason {
                        code: u.code,
                        text: u.text,
                        mend: u.mend,
                    },
                ),
                Ok((Err(why), frame)) => tally.drop(frame.name, why),
                Ok((Ok(placed), frame)) => match &mut stacker {
                    Some(s) => course.take(s, frame, placed, &mut tally),
                    None => {
                        let wanted = if frame.data.len() > LARGE_FRAME {
                            FIRST_LARGE_FRAMES
                        } else {
                            FIRST_FRAMES
                        };
                        first.push((frame, placed));
                        if first.len() >= wanted {
                            stacker = course.begin(std::mem::take(&mut first), &mut tally);
                        }
                    }
                },
            }
            let good = first.len() + stacker.as_ref().map_or(0, Stacker::frames);
            if progress(Progress {
                seen: tally.count.given,
                good,
                measuring: false,
            })
            .is_break()
            {
                cancelled = true;
                break 'all;
            }
        }
    }
    if stacker.is_none() && !first.is_empty() {
        stacker = course.begin(first, &mut tally);
    }
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
        notes: course.notes,
        frames: tally.count,
    }
}

/// The tally of frames, and why they were dropped.
#[derive(Default)]
struct Tally {
    count: FrameCount,
    /// Code, how often, and one example of text and mend.
    codes: Vec<(usize, Reason)>,
}

impl Tally {
    fn drop(&mut self, frame: String, why: Reason) {
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
    fn why_none(&self) -> Vec<Reason> {
        let mut codes = self.codes.clone();
        codes.sort_by_key(|(n, _)| std::cmp::Reverse(*n));
        codes.into_iter().map(|(_, r)| r).collect()
    }
}

/// What the good frames so far look like, to tell the odd one out.
#[derive(Default)]
struct Course {
    /// Radius, flux, blur and the ellipse of recent good frames.
    recent: VecDeque<[f64; 4]>,
    place: Option<[f64; 2]>,
    notes: Vec<Reason>,
}

/// How many recent frames are remembered.
const RECENT: usize = 63;

impl Course {
    fn near(&self, first: &[(Frame, Placed)]) -> Option<[f64; 2]> {
        self.place.or_else(|| first.last().map(|(_, p)| p.centre))
    }

    fn look(placed: &Placed) -> [f64; 4] {
        let g = &placed.geometry;
        [placed.radius, placed.flux, g.blur_sigma, g.out_of_round]
    }

    fn median(&self, k: usize) -> f64 {
        let mut values: Vec<f64> = self.recent.iter().map(|l| l[k]).collect();
        quantile(&mut values, 0.5)
    }

    /// Starts the stack with the first good frames, judged against each other.
    fn begin(&mut self, first: Vec<(Frame, Placed)>, tally: &mut Tally) -> Option<Stacker> {
        self.recent = first.iter().map(|(_, p)| Self::look(p)).collect();
        if first.iter().any(|(_, p)| p.passed_over) {
            self.notes.push(Reason {
                code: "brighter-star-passed-over".to_owned(),
                text: "a brighter star in the picture could not be measured; the next one was"
                    .to_owned(),
                mend: "See the picture for which star was measured.".to_owned(),
            });
        }
        let mut stacker: Option<Stacker> = None;
        for (frame, placed) in first {
            if let Some(why) = self.odd(&placed) {
                tally.drop(frame.name, why);
                continue;
            }
            self.place = Some(placed.centre);
            stacker
                .get_or_insert_with(|| Stacker::new(placed.centre, self.median(0)))
                .add(&frame, &placed.found, placed.centre);
        }
        stacker
    }

    fn take(&mut self, stacker: &mut Stacker, frame: Frame, placed: Placed, tally: &mut Tally) {
        if let Some(why) = self.odd(&placed) {
            tally.drop(frame.name, why);
            return;
        }
        stacker.add(&frame, &placed.found, placed.centre);
        self.place = Some(placed.centre);
        self.recent.push_back(Self::look(&placed));
        if self.recent.len() > RECENT {
            self.recent.pop_front();
        }
    }

    /// Why a frame is unlike the rest, if it is.
    fn odd(&self, placed: &Placed) -> Option<Reason> {
        if self.recent.len() < 3 {
            return None;
        }
        let [radius, flux, blur, round] = Self::look(placed);
        let usual = self.median(0);
        if (radius - usual).abs() > 0.15 * usual {
            return Some(reason(
                "unlike-the-rest",
                format!(
                    "the donut is {:.0} px across, {:.0} in the other frames",
                    2.0 * radius,
                    2.0 * usual
                ),
            ));
        }
        if flux < 0.2 * self.median(1) {
            return Some(reason(
                "unlike-the-rest",
                "the star is much fainter than in the other frames",
            ));
        }
        let mut scatter: Vec<f64> = self
            .recent
            .iter()
            .map(|l| (l[3] - self.median(3)).abs())
            .collect();
        let usual_round = self.median(3);
        if round > usual_round + f64::max(0.15, 6.0 * quantile(&mut scatter, 0.5)) {
            return Some(reason(
                "smeared",
                "the donut is drawn out, unlike in the other frames: a gust or a knock",
            ));
        }
        if blur > 1.8 * self.median(2) + 0.06 * usual {
            return Some(reason(
                "smeared",
                "the star is far more blurred than in the other frames: a gust or a knock",
            ));
        }
        None
    }
}
