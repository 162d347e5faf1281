//! Judges one frame: is there a defocused star in it that can be measured?
//!
//! Every refusal is one of [`CODES`], with a text and a mend. Limits are set
//! where simulated traps and simulated good frames part with room on both
//! sides; `tests/measure_traps.rs` holds both kinds.

use super::find::{CLEAR, Candidate, Found, find};
use super::frame::{Frame, Setup};
use super::report::Reason;
use super::rings::{CONTRADICTS, Effort, Geometry, NoRings, Start, measure_rings};

/// Fewest pixels across a donut that can be measured.
pub const LEAST_ACROSS_PX: f64 = 12.0;

/// Largest outer radius that is measured, px; it bounds the memory a stack takes.
pub const LARGEST_RADIUS_PX: f64 = 300.0;

/// Every code a frame can be dropped or a set refused for by the measuring
/// (reading files adds its own).
pub const CODES: [&str; 16] = [
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

/// A frame that may be used: where its star is and what it looks like.
#[derive(Debug, Clone)]
pub struct Placed {
    /// Centre of the donut's outer edge in the frame, px, y down.
    pub centre: [f64; 2],
    /// Outer radius, px.
    pub radius: f64,
    /// Light over the sky.
    pub flux: f64,
    /// The quick look's geometry (positions in its own stamp).
    pub geometry: Geometry,
    /// The frame's sky, noise and candidates.
    pub found: Found,
    /// Whether a brighter star was passed over.
    pub passed_over: bool,
}

/// Judges a frame. `near` is where the star was in the frames before, if any.
///
/// # Errors
/// The reason why the frame's best star cannot be measured.
pub fn judge(frame: &Frame, setup: &Setup, near: Option<[f64; 2]>) -> Result<Placed, Reason> {
    if frame.width < 16 || frame.height < 16 || frame.data.len() != frame.width * frame.height {
        return Err(reason(
            "too-small",
            format!(
                "the picture is only {} by {} pixels",
                frame.width, frame.height
            ),
        ));
    }
    let found = find(frame);
    if found.candidates.is_empty() {
        return Err(reason("no-star", "no star stands out from the sky"));
    }
    let mut order: Vec<usize> = (0..found.candidates.len()).collect();
    if let Some([x, y]) = near {
        let most = found.candidates[0].flux;
        let follows = |c: &Candidate| {
            c.flux > 0.25 * most && (c.x - x).hypot(c.y - y) < (3.0 * c.radius).max(20.0)
        };
        order.sort_by_key(|&i| !follows(&found.candidates[i]));
    }
    let mut first_reason = None;
    for (rank, &i) in order.iter().enumerate().take(6) {
        match judge_star(frame, setup, &found, i) {
            Ok(mut placed) => {
                placed.passed_over =
                    rank > 0 && found.candidates[order[0]].radius > 0.5 * placed.radius;
                return Ok(placed);
            }
            Err(r) => {
                first_reason.get_or_insert(r);
            }
        }
    }
    Err(first_reason.unwrap_or_else(|| reason("no-star", "no star stands out from the sky")))
}

/// Waves below which a star counts as focused.
const LEAST_W020: f64 = 1.2;

fn judge_star(frame: &Frame, setup: &Setup, found: &Found, index: usize) -> Result<Placed, Reason> {
    let star = &found.candidates[index];
    let w020 = setup.w020_waves(star.radius);
    if 2.0 * star.radius < LEAST_ACROSS_PX - 2.0 {
        return Err(small(star.radius, w020));
    }
    if star.radius > LARGEST_RADIUS_PX {
        return Err(reason(
            "too-large",
            format!("the donut is {:.0} pixels across", 2.0 * star.radius),
        ));
    }
    if is_clipped(frame, found, star) {
        return Err(reason(
            "clipped",
            "the brightest part of the star is clipped: its pixels stand at the camera's limit",
        ));
    }
    if star.touches_border {
        return Err(reason(
            "cut-by-edge",
            "the star is cut by the edge of the picture",
        ));
    }
    if let Some(other) = found.candidates.iter().enumerate().find_map(|(k, c)| {
        let apart = (c.x - star.x).hypot(c.y - star.y);
        (k != index
            && c.flux > 0.04 * star.flux
            && c.radius > 0.3 * star.radius
            && apart < 1.9 * star.radius + c.radius)
            .then_some(c)
    }) {
        return Err(reason(
            "two-stars",
            format!(
                "a second star of {:.0} % of the light stands too close",
                100.0 * other.flux / star.flux
            ),
        ));
    }
    // Discs have 1.00 to 1.03, whatever their coma; a star that trailed by half
    // its radius has 1.05, two that overlap by half 1.17.
    if star.spread > 1.12 {
        let why = "the patch of light is no single disc: two stars overlap, or the star trailed";
        return Err(unless_faint(star, reason("two-stars", why)));
    }
    let patch = Patch::cut(frame, found, [star.x, star.y], 1.75 * star.radius + 6.0);
    let start = Start {
        centre: patch.to_patch([star.x, star.y]),
        radius: star.radius,
    };
    let geometry = measure_rings(patch.size, &patch.data, start, setup, Effort::Quick)
        .map_err(|e| match e {
            NoRings::NoOuterEdge => {
                reason("not-a-donut", "the outer edge of the star is not a circle that can be followed")
            }
            NoRings::NoShadow if star.spread > 1.035 => {
                reason("smeared", "the donut is drawn out and its dark middle filled: the star moved during the exposure")
            }
            NoRings::NoShadow => no_shadow(w020),
        })
        .and_then(|g| check_shape(&g, setup).map(|()| g))
        .map_err(|why| unless_faint(star, why))?;
    let centre = patch.to_frame(geometry.centre);
    let room = centre[0]
        .min(centre[1])
        .min(frame.width as f64 - 1.0 - centre[0])
        .min(frame.height as f64 - 1.0 - centre[1]);
    if room < 1.04 * geometry.outer_radius {
        return Err(reason(
            "cut-by-edge",
            "the star is cut by the edge of the picture",
        ));
    }
    Ok(Placed {
        centre,
        radius: geometry.outer_radius,
        flux: star.flux,
        geometry,
        found: found.clone(),
        passed_over: false,
    })
}

/// A shape seen through too much noise is no reason to speak of its shape.
fn unless_faint(star: &Candidate, why: Reason) -> Reason {
    if star.contrast < 0.4 * CLEAR {
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

/// A square cut out of a frame: sky taken off, lone hot and cold pixels
/// mended, NaN where the frame ends.
pub(crate) struct Patch {
    pub size: usize,
    pub data: Vec<f64>,
    /// Frame position of the patch's top left pixel.
    pub corner: [isize; 2],
}

impl Patch {
    pub fn cut(frame: &Frame, found: &Found, centre: [f64; 2], reach: f64) -> Self {
        let half = reach.ceil() as isize;
        let corner = [
            centre[0].round() as isize - half,
            centre[1].round() as isize - half,
        ];
        Self::cut_at(frame, found, corner, (2 * half + 1) as usize)
    }

    pub fn cut_at(frame: &Frame, found: &Found, corner: [isize; 2], size: usize) -> Self {
        let (w, h) = (frame.width as isize, frame.height as isize);
        let mut data = vec![f64::NAN; size * size];
        for j in 0..size {
            let y = corner[1] + j as isize;
            if y < 0 || y >= h {
                continue;
            }
            for i in 0..size {
                let x = corner[0] + i as isize;
                if x < 0 || x >= w {
                    continue;
                }
                let v = mended(frame, x as usize, y as usize, found.noise);
                data[j * size + i] = f64::from(v) - found.sky.at(x as f64, y as f64);
            }
        }
        Patch { size, data, corner }
    }

    pub fn to_patch(&self, p: [f64; 2]) -> [f64; 2] {
        [p[0] - self.corner[0] as f64, p[1] - self.corner[1] as f64]
    }

    pub fn to_frame(&self, p: [f64; 2]) -> [f64; 2] {
        [p[0] + self.corner[0] as f64, p[1] + self.corner[1] as f64]
    }
}

/// A pixel's value, or its neighbours' middle when it stands out alone.
fn mended(frame: &Frame, x: usize, y: usize, noise: f64) -> f32 {
    let w = frame.width;
    let v = frame.data[y * w + x];
    let mut around = [0f32; 8];
    let mut n = 0;
    for ny in y.saturating_sub(1)..(y + 2).min(frame.height) {
        for nx in x.saturating_sub(1)..(x + 2).min(w) {
            if (nx, ny) != (x, y) {
                around[n] = frame.data[ny * w + nx];
                n += 1;
            }
        }
    }
    let near = &mut around[..n];
    let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
    for &a in near.iter() {
        low = low.min(a);
        high = high.max(a);
    }
    let room = (6.0 * noise) as f32 + (high - low);
    if v <= high + room && v >= low - room {
        return v;
    }
    near.sort_by(f32::total_cmp);
    near[n / 2]
}
