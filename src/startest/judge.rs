//! Judges frames and their stack: is there a defocused star that can be measured?
//!
//! One frame is judged only for what would harm the others: clipped, cut by the edge,
//! another star beside it. Air breaks short exposures into speckle and noise drowns
//! them; what their sum shows is judged by its shape.
//!
//! Every refusal is one of [`CODES`], with a text and a mend. Limits are set
//! where simulated traps and simulated good frames part with room on both
//! sides; `tests/measure_traps.rs` holds both kinds.

use super::find::{CLEAR, Candidate, Found, find};
use super::frame::{Frame, Setup, Stamp};
use super::light::Start;
use super::report::Reason;
use super::rings::{CONTRADICTS, Effort, Geometry, NoRings, measure_rings};
use super::stack::{Stack, with_gaps};

/// Fewest pixels across a donut that can be measured.
pub const LEAST_ACROSS_PX: f64 = 12.0;

/// Largest outer radius that is measured, px; it bounds the memory a stack takes.
pub const LARGEST_RADIUS_PX: f64 = 300.0;

/// Every code a frame can be dropped or a set refused for by the measuring
/// (reading files adds its own).
pub const CODES: [&str; 18] = [
    "no-frames",
    "no-star",
    "clipped",
    "cut-by-edge",
    "two-stars",
    "not-defocused",
    "too-small",
    "too-large",
    "rings-unresolved",
    "too-faint",
    "smeared",
    "not-a-donut",
    "obstruction-contradicts",
    "focal-length-contradicts",
    "refocused",
    "unlike-the-rest",
    "too-few-good",
    "cancelled",
];

/// A reason with its standing mend.
#[must_use]
pub fn reason(code: &str, text: impl Into<String>) -> Reason {
    let mend = match code {
        "no-frames" => "Give at least one frame of a defocused star.",
        "no-star" => {
            "Point at a bright star, rack the focuser out until it is a disc of some 40 pixels, and expose longer."
        }
        "clipped" => {
            "Expose shorter or lower the gain, so that the brightest part of the ring stays below about 80 % of full scale."
        }
        "cut-by-edge" => {
            "Bring the star to the middle of the picture, with dark sky all round the donut."
        }
        "two-stars" => {
            "Choose a star without a companion, or defocus less so that the two discs part."
        }
        "not-defocused" => {
            "Rack the focuser until the star is a disc with a dark middle: three to fifteen waves out of focus."
        }
        "too-small" => {
            "Defocus further, or use a camera with finer pixels or no binning: the donut should be 30 to 120 pixels across."
        }
        "rings-unresolved" => {
            "Defocus further, wait for steadier air, or shield the telescope from wind: the dark middle must show."
        }
        "too-faint" => {
            "Expose longer, choose a brighter star, or defocus less: the ring should stand well clear of the noise."
        }
        "smeared" => "Use shorter exposures, and wait for the gust to pass.",
        "not-a-donut" => {
            "Check that the brightest thing in the picture is a single defocused star, and that nothing stands in the light."
        }
        "obstruction-contradicts" => {
            "Check the obstruction (the shadow's diameter over the aperture's, not by area) and that these frames are of this instrument."
        }
        "focal-length-contradicts" => {
            "Check focal length (with any Barlow lens or reducer), aperture, and pixel size with binning, and that these frames are of this instrument."
        }
        "refocused" => "Take all frames of a set at one focus; wait for the tube to cool.",
        "unlike-the-rest" => "Nothing to do: the other frames agree with each other.",
        "too-few-good" => "Take more frames, or mend what most of them were dropped for.",
        "cancelled" => "Start again when ready.",
        _ => "",
    };
    Reason {
        code: code.to_owned(),
        text: text.into(),
        mend: mend.to_owned(),
    }
}

/// A note of its own, with its own mend.
pub(crate) fn said(code: &str, text: impl Into<String>, mend: &str) -> Reason {
    Reason {
        code: code.to_owned(),
        text: text.into(),
        mend: mend.to_owned(),
    }
}

/// Where one frame's star stands, as far as that frame alone tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spot {
    /// Centre of the disc, frame px, y down.
    pub centre: [f64; 2],
    /// Its radius, px.
    pub radius: f64,
    /// Whether it stands clear of the noise, so that its outline can be trusted.
    pub clear: bool,
    /// Whether a brighter star was passed over.
    pub passed_over: bool,
}

/// Why one frame alone offers no star.
#[derive(Debug, Clone)]
pub(crate) struct NoSpot {
    pub why: Reason,
    /// Whether the frame would harm the others (clipped, cut by the edge, another star)
    /// or is merely too poor to tell alone.
    pub harmful: bool,
}

/// The sky of a frame and where its star is. `near` is where it was in the frames before, if any. Only what makes a frame
/// harmful is judged here; shapes are judged on the stack.
pub(crate) fn glance(
    frame: &Frame,
    setup: &Setup,
    near: Option<[f64; 2]>,
) -> (Found, Result<Spot, NoSpot>) {
    if frame.width < 16 || frame.height < 16 || frame.data.len() != frame.width * frame.height {
        let text = format!(
            "the picture is only {} by {} pixels",
            frame.width, frame.height
        );
        let none = NoSpot {
            why: reason("too-small", text),
            harmful: true,
        };
        return (Found::nothing(), Err(none));
    }
    let found = find(frame);
    let spot = spot_in(frame, &found, setup, near);
    (found, spot)
}

fn spot_in(
    frame: &Frame,
    found: &Found,
    setup: &Setup,
    near: Option<[f64; 2]>,
) -> Result<Spot, NoSpot> {
    let mut order: Vec<usize> = (0..found.candidates.len()).collect();
    if let Some([x, y]) = near {
        let most = found.candidates.first().map_or(0.0, |c| c.flux);
        let follows = |c: &Candidate| {
            c.flux > 0.25 * most && (c.x - x).hypot(c.y - y) < (3.0 * c.radius).max(20.0)
        };
        order.sort_by_key(|&i| !follows(&found.candidates[i]));
    }
    let mut first = None;
    for (rank, &i) in order.iter().enumerate().take(6) {
        let star = &found.candidates[i];
        match check_candidate(frame, found, i, setup) {
            Ok(()) => {
                return Ok(Spot {
                    centre: [star.x, star.y],
                    radius: star.radius,
                    clear: star.contrast > CLEAR,
                    passed_over: rank > 0 && found.candidates[order[0]].radius > 0.5 * star.radius,
                });
            }
            Err(none) => {
                first.get_or_insert(none);
            }
        }
    }
    Err(first.unwrap_or_else(|| NoSpot {
        why: reason("no-star", "no star stands out from the sky"),
        harmful: false,
    }))
}

/// Waves below which a star counts as focused.
const LEAST_W020: f64 = 1.2;

fn check_candidate(
    frame: &Frame,
    found: &Found,
    index: usize,
    setup: &Setup,
) -> Result<(), NoSpot> {
    let star = &found.candidates[index];
    let clear = star.contrast > CLEAR;
    let none = |why: Reason, harmful: bool| Err(NoSpot { why, harmful });
    let w020 = setup.w020_waves(star.radius);
    if 2.0 * star.radius < LEAST_ACROSS_PX - 2.0 {
        return none(small(star.radius, w020), false);
    }
    if star.radius > LARGEST_RADIUS_PX {
        let text = format!("the donut is {:.0} pixels across", 2.0 * star.radius);
        return none(reason("too-large", text), clear);
    }
    if is_clipped(frame, found, star) {
        return none(
            reason(
                "clipped",
                "the brightest part of the star is clipped: its pixels stand at the camera's limit",
            ),
            true,
        );
    }
    if star.touches_border && star.room(frame) < 1.04 * star.radius {
        return none(
            reason("cut-by-edge", "the star is cut by the edge of the picture"),
            clear,
        );
    }
    if let Some(other) = found.companion_of(index) {
        return none(
            reason(
                "two-stars",
                format!(
                    "a second star of {:.0} % of the light stands too close",
                    100.0 * other.flux / star.flux
                ),
            ),
            clear,
        );
    }
    check_spread(star).map_err(|why| NoSpot {
        why,
        harmful: false,
    })
}

/// Discs have a spread of 1.00 to 1.03, whatever their coma; a star that trailed by half
/// its radius has 1.05, two that overlap by half 1.17.
fn check_spread(star: &Candidate) -> Result<(), Reason> {
    if star.spread <= 1.12 {
        return Ok(());
    }
    let why = "the patch of light is no single disc: two stars overlap, or the star trailed";
    Err(unless_faint(star.contrast, reason("two-stars", why)))
}

/// Judges what a whole stack shows: one star, one disc, rings that can be followed,
/// with room round it in the frames.
///
/// # Errors
/// The reason why the stack's star cannot be measured.
pub(crate) fn judge_stack(stack: &Stack, setup: &Setup) -> Result<Geometry, Reason> {
    let stamp = &stack.stamp;
    let picture = Frame {
        width: stamp.size,
        height: stamp.size,
        data: filled(stamp),
        full_scale: None,
        name: String::new(),
    };
    let found = find(&picture);
    let off = |c: &Candidate| (c.x - stack.centre[0]).hypot(c.y - stack.centre[1]);
    let index = (0..found.candidates.len())
        .filter(|&i| off(&found.candidates[i]) < 0.5 * stack.radius)
        .max_by(|&a, &b| {
            found.candidates[a]
                .flux
                .total_cmp(&found.candidates[b].flux)
        });
    let contrast = index.map_or(0.0, |i| found.candidates[i].contrast);
    let (mut start, mut spread) = (
        Start {
            centre: stack.centre,
            radius: stack.radius,
        },
        1.0,
    );
    if let Some(i) = index {
        let star = &found.candidates[i];
        if let Some(other) = found.companion_of(i) {
            let text = format!(
                "a second star of {:.0} % of the light stands too close",
                100.0 * other.flux / star.flux
            );
            return Err(reason("two-stars", text));
        }
        check_spread(star)?;
        spread = star.spread;
        if star.contrast > CLEAR {
            start = Start {
                centre: [star.x, star.y],
                radius: star.radius,
            };
        }
    }
    let w020 = setup.w020_waves(start.radius);
    let geometry = measure_rings(stamp.size, &with_gaps(stamp), start, setup, Effort::Full)
        .map_err(|e| match e {
            NoRings::NoOuterEdge => reason(
                "not-a-donut",
                "the outer edge of the star is not a circle that can be followed",
            ),
            NoRings::NoShadow if spread > 1.035 => reason(
                "smeared",
                "the donut is drawn out and its dark middle filled: the star moved during the exposure",
            ),
            NoRings::NoShadow => no_shadow(w020),
        })
        .and_then(|g| check_shape(&g, setup).map(|()| g))
        // Light so spread that no patch of it stands out is unresolved, not faint.
        .map_err(|why| match index {
            None if why.code == "rings-unresolved" => why,
            _ => unless_faint(contrast, why),
        })?;
    if stack.room < 0.98 * geometry.outer_radius {
        return Err(reason(
            "cut-by-edge",
            "the star is cut by the edge of the picture",
        ));
    }
    Ok(geometry)
}

/// The stamp with its gaps filled by what the sky is.
fn filled(stamp: &Stamp) -> Vec<f32> {
    let there = || {
        stamp
            .data
            .iter()
            .zip(&stamp.sigma)
            .filter(|d| d.1.is_finite())
    };
    let mut rim: Vec<f64> = there().map(|d| *d.0).collect();
    let sky = super::find::quantile(&mut rim, 0.2);
    stamp
        .data
        .iter()
        .zip(&stamp.sigma)
        .map(|(v, s)| if s.is_finite() { *v as f32 } else { sky as f32 })
        .collect()
}

/// A shape seen through too much noise is no reason to speak of its shape.
fn unless_faint(contrast: f64, why: Reason) -> Reason {
    if contrast < 0.4 * CLEAR {
        return reason(
            "too-faint",
            "the star is too faint against the noise for its shape to be judged",
        );
    }
    why
}

fn small(radius: f64, w020: f64) -> Reason {
    if w020 < LEAST_W020 {
        return reason(
            "not-defocused",
            format!(
                "the star is in focus or nearly so: only {:.0} pixels across",
                2.0 * radius
            ),
        );
    }
    reason(
        "too-small",
        format!(
            "the star is only {:.0} pixels across; it takes {LEAST_ACROSS_PX:.0}",
            2.0 * radius
        ),
    )
}

fn no_shadow(w020: f64) -> Reason {
    if w020 < LEAST_W020 {
        return reason(
            "not-defocused",
            "the star is in focus or nearly so: it has no dark middle",
        );
    }
    reason(
        "rings-unresolved",
        "the dark middle that the obstruction must leave does not show",
    )
}

/// Judges the shape of one donut; used for frames and for the stack alike.
///
/// # Errors
/// The reason why this is no single, resolved, round donut.
pub fn check_shape(g: &Geometry, setup: &Setup) -> Result<(), Reason> {
    let w020 = setup.w020_waves(g.outer_radius);
    if 2.0 * g.outer_radius < LEAST_ACROSS_PX {
        return Err(small(g.outer_radius, w020));
    }
    if w020 < LEAST_W020 {
        return Err(reason(
            "not-defocused",
            format!("the star is only {w020:.1} waves out of focus"),
        ));
    }
    if g.blur_sigma > 0.33 * g.outer_radius {
        return Err(reason(
            "rings-unresolved",
            "the star is blurred so much that its edge has no place",
        ));
    }
    if g.outer_kept < 0.7 || g.outer_rms > 0.07 * g.outer_radius {
        return Err(reason(
            "two-stars",
            "the outer edge is not one circle: two stars overlap, or something stands in the light",
        ));
    }
    if g.out_of_round > 0.38 {
        return Err(reason(
            "smeared",
            format!(
                "the donut is drawn out by {:.0} %: the star moved during the exposure",
                100.0 * g.out_of_round
            ),
        ));
    }
    if let Some(s) = g.shadow {
        if g.dip > 0.8 {
            return Err(no_shadow(w020));
        }
        if !s.is_clear(g.outer_radius) {
            return Err(reason(
                "rings-unresolved",
                "the edge of the dark middle cannot be followed all round",
            ));
        }
        let ratio = s.radius / g.outer_radius;
        if (ratio - setup.obstruction).abs() > CONTRADICTS {
            return Err(reason(
                "obstruction-contradicts",
                format!(
                    "the shadow is {ratio:.2} of the donut's width, but the obstruction was told as {:.2}",
                    setup.obstruction
                ),
            ));
        }
    } else if setup.obstruction < super::coma::LEAST_SHADOW && g.dip < 0.35 {
        return Err(reason(
            "obstruction-contradicts",
            "the star has a dark middle, but no obstruction was told",
        ));
    }
    Ok(())
}

/// Whether the star's brightest pixels pile up at a limit.
fn is_clipped(frame: &Frame, found: &Found, star: &Candidate) -> bool {
    let reach = 1.15 * star.radius + 2.0;
    let mut values: Vec<f32> = Vec::new();
    let y0 = (star.y - reach).max(0.0) as usize;
    let y1 = ((star.y + reach) as usize).min(frame.height - 1);
    for y in y0..=y1 {
        let half = (reach * reach - (y as f64 - star.y).powi(2))
            .max(0.0)
            .sqrt();
        let x0 = (star.x - half).max(0.0) as usize;
        let x1 = ((star.x + half).max(0.0) as usize).min(frame.width - 1);
        if x0 <= x1 {
            values.extend_from_slice(&frame.data[y * frame.width + x0..=y * frame.width + x1]);
        }
    }
    if values.is_empty() {
        return false;
    }
    let enough = (values.len() / 300).max(5);
    if let Some(full) = frame.full_scale
        && values.iter().filter(|v| **v >= 0.985 * full).count() >= enough
    {
        return true;
    }
    // A flat top at a lower limit (12 or 14 bit data, a stretched copy): many
    // pixels within a hair of the highest, and next to none just below.
    let lone = values.len() - 1 - (values.len() / 2000).max(1).min(values.len() - 1);
    let (_, high, _) = values.select_nth_unstable_by(lone, f32::total_cmp);
    let high = f64::from(*high);
    let span = high - found.sky.at(star.x, star.y);
    if span <= 0.0 {
        return false;
    }
    // Many pixels at the very highest value, and next to none in the hundredth below it.
    let top = values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let exact = values.iter().filter(|v| **v >= top).count();
    let next = values
        .iter()
        .copied()
        .filter(|v| *v < top)
        .fold(f32::NEG_INFINITY, f32::max);
    let hair = (0.01 * span).max(3.0 * f64::from(top - next));
    let near = values
        .iter()
        .filter(|v| **v < top && f64::from(top - **v) <= hair)
        .count();
    if exact >= enough.max(12) && exact > 2 * near {
        return true;
    }
    let count = |from: f64, to: f64| {
        values
            .iter()
            .filter(|v| (from..to).contains(&f64::from(**v)))
            .count()
    };
    let at_top = count(high - 0.004 * span, high + 0.02 * span);
    let below = count(high - 0.054 * span, high - 0.004 * span);
    // Evenly spread light would put 12.5 times as many below as at the top.
    at_top >= enough.max(12) && at_top > 2 * below && found.noise < 0.05 * span
}
