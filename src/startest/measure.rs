//! The whole road from frames to a report.

use std::collections::VecDeque;
use std::ops::ControlFlow;

use super::find::quantile;
use super::frame::{Frame, Setup, Stamp};
use super::judge::{Placed, check_shape, judge, reason};
use super::report::{Dropped, FrameCount, Reason, Report, Rings, Wavefront};
use super::rings::{Effort, GeometricComa, Geometry, NoRings, Start, measure_rings};
use super::stack::{Stack, Stacker, with_gaps};
use crate::optics::wavefront::annular_from_noll_coma;

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

/// A report, and what it was made from.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What the measurement says.
    pub report: Report,
    /// The stacked donut; none when no frame was good.
    pub stack: Option<Stack>,
    /// The rings on the stacked donut, in stamp pixels; none when refused.
    pub geometry: Option<Geometry>,
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
    let gathered = gather(frames, setup, progress);
    measure_stack(gathered, setup)
}

/// How many good frames set the measure for the rest.
const FIRST_FRAMES: usize = 5;
/// The same for frames of many pixels, so that few of them are held at once.
const FIRST_LARGE_FRAMES: usize = 2;
/// Frames with more pixels than this are large.
const LARGE_FRAME: usize = 8_000_000;

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
    for item in frames {
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
            Ok(frame) => match judge(&frame, setup, course.near(&first)) {
                Err(why) => tally.drop(frame.name, why),
                Ok(placed) => match &mut stacker {
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
            break;
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

/// Measures the rings of a gathered set and writes the report.
#[must_use]
pub fn measure_stack(gathered: Gathered, setup: &Setup) -> Outcome {
    let Gathered {
        stack,
        reasons,
        mut notes,
        mut frames,
    } = gathered;
    let Some(stack) = stack else {
        return Outcome {
            report: Report::refused(reasons, frames),
            stack: None,
            geometry: None,
        };
    };
    let refuse = |why: Reason, mut frames: FrameCount, stack| {
        frames.used = 0;
        Outcome {
            report: Report::refused(vec![why], frames),
            stack: Some(stack),
            geometry: None,
        }
    };
    let geometry = match geometry_of(&stack.stamp, &stack, setup) {
        Ok(g) => g,
        Err(NoRings::NoOuterEdge) => {
            return refuse(
                reason(
                    "not-a-donut",
                    "the outer edge of the star cannot be followed",
                ),
                frames,
                stack,
            );
        }
        Err(NoRings::NoShadow) => {
            return refuse(
                reason(
                    "rings-unresolved",
                    "the edge of the dark middle cannot be followed",
                ),
                frames,
                stack,
            );
        }
    };
    if let Err(why) = check_shape(&geometry, setup) {
        return refuse(why, frames, stack);
    }
    let read = geometry.coma(setup);
    let between = between_blocks(&stack, setup);
    let scatter = read.noise_sigma.max(between);
    let rings = rings_of(&geometry, &read, scatter, &stack);
    let wavefront = wavefront_of(&read, scatter, setup);
    notes.extend(notes_on(&geometry, &read, scatter, setup));
    frames.used = stack.stamp.frames;
    Outcome {
        report: Report::measured(rings, wavefront, frames, notes),
        stack: Some(stack),
        geometry: Some(geometry),
    }
}

fn geometry_of(stamp: &Stamp, stack: &Stack, setup: &Setup) -> Result<Geometry, NoRings> {
    let start = Start {
        centre: stack.centre,
        radius: stack.radius,
    };
    measure_rings(stamp.size, &with_gaps(stamp), start, setup, Effort::Full)
}

/// 1-sigma of each coma component of the whole stack from how its blocks
/// differ, waves; 0 when there are fewer than three.
fn between_blocks(stack: &Stack, setup: &Setup) -> f64 {
    let looks: Vec<(f64, f64, f64)> = stack
        .blocks
        .iter()
        .filter_map(|b| {
            let start = Start {
                centre: stack.centre,
                radius: stack.radius,
            };
            let g = measure_rings(b.size, &with_gaps(b), start, setup, Effort::Quick).ok()?;
            let c = g.coma(setup);
            Some((b.frames as f64, c.x_waves, c.y_waves))
        })
        .collect();
    if looks.len() < 3 {
        return 0.0;
    }
    let weight: f64 = looks.iter().map(|l| l.0).sum();
    let mean =
        |f: fn(&(f64, f64, f64)) -> f64| looks.iter().map(|l| l.0 * f(l)).sum::<f64>() / weight;
    let (mx, my) = (mean(|l| l.1), mean(|l| l.2));
    let squares: f64 = looks
        .iter()
        .map(|l| l.0 * ((l.1 - mx).powi(2) + (l.2 - my).powi(2)) / 2.0)
        .sum();
    (squares / ((looks.len() as f64 - 1.0) * weight)).sqrt()
}

fn rings_of(g: &Geometry, read: &GeometricComa, scatter: f64, stack: &Stack) -> Rings {
    let place = |p: [f64; 2]| [p[0] + stack.corner[0], p[1] + stack.corner[1]];
    let offset = g.offset[0].hypot(g.offset[1]);
    let coma = read.x_waves.hypot(read.y_waves);
    let sigma = scatter.hypot(read.model_sigma);
    let angle = if coma > 0.0 {
        (sigma / coma).to_degrees().min(180.0)
    } else {
        180.0
    };
    let mut noise: Vec<f64> = stack
        .stamp
        .sigma
        .iter()
        .copied()
        .filter(|s| s.is_finite())
        .collect();
    Rings {
        outer_radius_px: g.outer_radius,
        shadow_radius_px: g.shadow.map(|s| s.radius),
        centre_px: place(g.centre),
        shadow_centre_px: place(g.shadow.map_or(g.light_centre, |s| s.centre)),
        offset_px: offset,
        offset_px_sigma: if coma > 0.0 {
            scatter * offset / coma
        } else {
            g.offset_sigma
        },
        thin_clock_deg: g.thin_clock_deg(),
        thin_clock_deg_sigma: angle,
        thin_to_thick: g.shadow.map(|s| {
            let width = g.outer_radius - s.radius;
            ((width - offset) / (width + offset)).clamp(0.0, 1.0)
        }),
        blur_fwhm_px: g.blur_sigma * (8.0 * std::f64::consts::LN_2).sqrt(),
        out_of_round: g.out_of_round,
        ring_level: g.level,
        ring_snr: g.level / quantile(&mut noise, 0.5).max(1e-300),
    }
}

fn wavefront_of(read: &GeometricComa, scatter: f64, setup: &Setup) -> Wavefront {
    let coma = read.x_waves.hypot(read.y_waves);
    let sigma = scatter.hypot(read.model_sigma);
    Wavefront {
        method: "geometry".to_owned(),
        coma_rms_waves: coma,
        coma_rms_waves_sigma: sigma,
        coma_annular_rms_waves: annular_from_noll_coma(coma, setup.obstruction),
        coma_x_waves: read.x_waves,
        coma_y_waves: read.y_waves,
        coma_component_sigma_waves: sigma,
        defocus_waves: read.w020_waves * setup.side_sign(),
        defocus_waves_sigma: 0.04 * read.w020_waves,
        scatter_sigma_waves: scatter,
        model_sigma_waves: read.model_sigma,
    }
}

fn notes_on(g: &Geometry, read: &GeometricComa, scatter: f64, setup: &Setup) -> Vec<Reason> {
    let mut notes = Vec::new();
    let mut note = |code: &str, text: String, mend: &str| {
        notes.push(Reason {
            code: code.to_owned(),
            text,
            mend: mend.to_owned(),
        });
    };
    if read.skew > 0.16 {
        note(
            "strong-coma",
            format!(
                "coma is {:.0} % of the defocus: the geometry reads it roughly only",
                100.0 * read.skew
            ),
            "Defocus further for a better figure, or correct this much first and measure again.",
        );
    }
    let apart = read
        .edges
        .map_or(0.0, |e| (e[0] - read.light[0]).hypot(e[1] - read.light[1]));
    let coma = read.x_waves.hypot(read.y_waves);
    if apart > 3.0 * scatter + 0.01 + 0.1 * coma
        && let Some([x, y]) = g.shadow_off_centre(setup)
    {
        let clock = x.atan2(y).to_degrees().rem_euclid(360.0);
        note(
            "readings-differ",
            format!(
                "the shadow's edge and the light itself give {apart:.3} waves of difference: the shadow may stand off centre \
                 by {:.0} % of the radius towards {clock:.0} degrees, or the camera's response may be curved (JPEG)",
                100.0 * x.hypot(y)
            ),
            "Take a set on the other side of focus as well, in a raw format.",
        );
    }
    if read.w020_waves < 3.0 {
        note(
            "little-defocus",
            format!(
                "the star is only {:.1} waves out of focus, where edges are soft",
                read.w020_waves
            ),
            "Defocus to five waves or more.",
        );
    }
    if g.shadow.is_none() && setup.obstruction >= super::coma::LEAST_SHADOW {
        note(
            "shadow-hidden",
            "so near focus diffraction fills the small dark middle: coma was read from the light alone".to_owned(),
            "Defocus further to see the shadow.",
        );
    }
    if let Some(s) = g.shadow {
        let ratio = s.radius / g.outer_radius;
        if (ratio - setup.obstruction).abs() > 0.08 {
            note(
                "obstruction-doubtful",
                format!(
                    "the shadow is {ratio:.2} of the donut, but {:.2} was told",
                    setup.obstruction
                ),
                "Measure the obstruction again; an error here spoils the coma in proportion.",
            );
        }
    }
    notes
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
