//! The whole road from frames to a report: rings first, then the diffraction
//! fit, each checking the other.

use std::ops::ControlFlow;

use super::fit::{FitOptions, FitResult};
use super::frame::{Frame, Setup, Side};
use super::judge::{judge_stack, reason};
use super::report::{FrameCount, Reason, Report};
use super::rings::Geometry;
use super::rings_coma::GeometricComa;
use super::scatter;
use super::stack::Stack;
use optics::field;

mod answer;
mod phone;
mod reported;
mod writing;

use answer::answer;
pub use phone::measure_stills;
pub use phone::scale::{Drift, KnownScale};

pub use super::gather::{Gathered, Progress, Unreadable, gather};

/// How to measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Whether to fit the diffraction model; without, the rings alone answer.
    pub fit: bool,
    /// How to fit.
    pub fit_options: FitOptions,
    /// The coma a star has by its own distance from the middle of the frames,
    /// which is then taken for the axis; `None` leaves it in.
    pub field_coma: Option<FieldComa>,
    /// What is known of the scale of a phone's stills.
    pub known_scale: KnownScale,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            fit: true,
            fit_options: FitOptions::default(),
            field_coma: None,
            known_scale: KnownScale::default(),
        }
    }
}

impl Options {
    /// The rings alone: quick, rougher.
    #[must_use]
    pub fn rings_only() -> Self {
        Options {
            fit: false,
            ..Self::default()
        }
    }
}

/// How an instrument in line draws stars off its axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldComa {
    /// RMS coma per mm from the axis, waves at 550 nm; positive when the light
    /// flares away from the axis.
    pub rms_waves_per_mm: f64,
}

impl FieldComa {
    /// A paraboloid, as in a Newtonian: it flares outwards.
    #[must_use]
    pub fn paraboloid(setup: &Setup) -> Self {
        FieldComa {
            rms_waves_per_mm: field::newtonian_coma_rms(1.0, setup.focal_ratio()),
        }
    }
}

/// A report, and what it was made from.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What the measurement says.
    pub report: Report,
    /// The stacked donut (of a pair: the outside one); none when no frame was good.
    pub stack: Option<Stack>,
    /// The rings on that stack, in stamp pixels; none when refused.
    pub geometry: Option<Geometry>,
    /// The inside stack and rings of a pair.
    pub inside: Option<(Stack, Geometry)>,
    /// The fit; none when refused or when the rings alone answer.
    pub fitted: Option<FitResult>,
}

impl Outcome {
    /// Nothing measured, for these reasons.
    fn refused(reasons: Vec<Reason>, frames: FrameCount, stack: Option<Stack>) -> Self {
        Self {
            report: Report::refused(reasons, frames),
            stack,
            geometry: None,
            inside: None,
            fitted: None,
        }
    }
}

/// Measures a set of frames of one star, all taken at one focus.
///
/// Frames are taken from the iterator one at a time and let go; memory does
/// not grow with their number. `progress` is called after every frame and may
/// break off the measuring, which then ends refused as `cancelled`.
pub fn measure<I>(
    frames: I,
    setup: &Setup,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    measure_with(frames, setup, &Options::default(), progress)
}

/// [`measure`] with options.
pub fn measure_with<I>(
    frames: I,
    setup: &Setup,
    options: &Options,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    measure_stack(gather(frames, setup, progress), setup, options)
}

/// Measures a set taken inside focus and one taken outside together: the same
/// star through the same instrument and camera. `setup.side` says in which of
/// the pictures the vanes' direction was read.
pub fn measure_pair<I, O>(
    inside: I,
    outside: O,
    setup: &Setup,
    options: &Options,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
    O: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    let inside = gather(inside, setup, progress);
    let (seen, good) = (inside.frames.given, inside.frames.used);
    if inside.reasons.iter().any(|r| r.code == "cancelled") {
        return measure_stack(inside, setup, options);
    }
    let outside = gather(outside, setup, &mut |p| {
        progress(Progress {
            seen: p.seen + seen,
            good: p.good + good,
            measuring: p.measuring,
        })
    });
    measure_stacks(inside, outside, setup, options)
}

/// One set, looked at by its rings.
struct Look {
    side: Side,
    stack: Stack,
    geometry: Geometry,
    read: GeometricComa,
    /// 1-sigma per component from blocks and noise, by the rings.
    scatter: f64,
    frames: FrameCount,
    notes: Vec<Reason>,
}

/// Why a set gave no rings.
struct NoLook {
    reasons: Vec<Reason>,
    frames: FrameCount,
    stack: Option<Stack>,
}

/// Measures a gathered set and writes the report.
#[must_use]
pub fn measure_stack(gathered: Gathered, setup: &Setup, options: &Options) -> Outcome {
    match look(gathered, setup, setup.side) {
        Ok(one) => answer(vec![one], setup, options),
        Err(no) => Outcome::refused(no.reasons, no.frames, no.stack),
    }
}

/// Measures two gathered sets together and writes the report.
#[must_use]
pub fn measure_stacks(
    inside: Gathered,
    outside: Gathered,
    setup: &Setup,
    options: &Options,
) -> Outcome {
    let looks = [(inside, Side::Inside), (outside, Side::Outside)].map(|(gathered, side)| {
        let here = Setup {
            side,
            ..setup.clone()
        };
        look(gathered, &here, side)
    });
    match looks {
        [Ok(i), Ok(o)] => answer(vec![i, o], setup, options),
        [i, o] => {
            let mut reasons = Vec::new();
            let mut frames = FrameCount::default();
            let mut stack = None;
            for (set, name) in [(i, "inside"), (o, "outside")] {
                let count = match set {
                    Ok(good) => good.frames,
                    Err(no) => {
                        reasons.extend(no.reasons.into_iter().map(|r| Reason {
                            text: format!("{name} focus: {}", r.text),
                            ..r
                        }));
                        stack = stack.or(no.stack);
                        no.frames
                    }
                };
                frames = together(frames, count);
            }
            frames.used = 0;
            Outcome::refused(reasons, frames, stack)
        }
    }
}

fn together(mut a: FrameCount, b: FrameCount) -> FrameCount {
    a.given += b.given;
    a.used += b.used;
    a.dropped.extend(b.dropped);
    a.dropped_not_listed += b.dropped_not_listed;
    if a.dropped.len() > FrameCount::LISTED {
        a.dropped_not_listed += a.dropped.len() - FrameCount::LISTED;
        a.dropped.truncate(FrameCount::LISTED);
    }
    a
}

fn look(gathered: Gathered, setup: &Setup, side: Side) -> Result<Look, Box<NoLook>> {
    let Gathered {
        stack,
        reasons,
        notes,
        mut frames,
    } = gathered;
    let Some(stack) = stack else {
        return Err(Box::new(NoLook {
            reasons,
            frames,
            stack: None,
        }));
    };
    let found = judge_stack(&stack, setup);
    let geometry = match found {
        Ok(g) => g,
        Err(why) => {
            frames.used = 0;
            return Err(Box::new(NoLook {
                reasons: vec![why],
                frames,
                stack: Some(stack),
            }));
        }
    };
    let read = geometry.coma(setup);
    let blocks = scatter::by_rings(&stack, setup);
    if let Some([first, last]) = blocks.refocused {
        frames.used = 0;
        return Err(Box::new(NoLook {
            reasons: vec![reason(
                "refocused",
                format!(
                    "the focus moved during the row: the donut was {:.0} px across at its begin and {:.0} at its end",
                    2.0 * first,
                    2.0 * last
                ),
            )],
            frames,
            stack: Some(stack),
        }));
    }
    let scatter = read.noise_sigma.max(blocks.sigma);
    frames.used = stack.stamp.frames;
    Ok(Look {
        side,
        stack,
        geometry,
        read,
        scatter,
        frames,
        notes,
    })
}
