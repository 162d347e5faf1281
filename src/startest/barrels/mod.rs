//! Pictures through both barrels of a binocular: how far apart they stand.
//!
//! A camera on a fixed rest takes one picture through the left eyepiece and, slid over
//! without turning, one through the right. The scene is the same; how far the second has
//! to be shifted and turned to lie on the first is how far apart the barrels point. The
//! shift is of the middle of the field, where the axis is.
//!
//! `prepare` turns a picture into detail without noise, `coarse` finds shift and turn
//! by correlation, `align` refines them by least squares with their errors.

mod align;
mod coarse;
pub(crate) mod prepare;

use std::fs::File;
use std::path::Path;

use optics::barrels::{
    ARCMIN_PER_RAD, Accepted, Angle, Apart, Judged, Limits as Bounds, figure, judge, of_width,
    parallax,
};
use serde::Serialize;

use super::decode::{DecodeError, FrameReader, Limits};
use super::frame::Frame;
use super::report::{Reason, Verdict};
use align::Aligned;
use prepare::{Detail, Refused};

/// What is known of the pictures and of the binocular.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// Arc minutes at the eye that a pixel of the picture has, and its 1-sigma.
    pub scale: Scale,
    /// The binocular's magnification.
    pub magnification: f64,
    /// How far away the scene is, m; none for a star.
    pub distance_m: Option<f64>,
    /// Between the middles of both front lenses, mm.
    pub objectives_apart_mm: f64,
    /// 1-sigma by which the camera turns when it is slid from one eyepiece to the other
    /// and back, arc minutes.
    pub rest_arcmin: f64,
    /// Whether the barrels turn about a hinge.
    pub hinged: bool,
    /// From how many times what eyes accept on what is said.
    pub bounds: Bounds,
}

/// How large a pixel is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Arc minutes at the eye.
    pub arcmin_per_px: f64,
    /// Its 1-sigma.
    pub arcmin_per_px_sigma: f64,
}

/// Distances and widths are told this well, as a share (our choice).
const TOLD_SHARE: f64 = 0.03;

impl Scale {
    /// From something in the scene whose width is known.
    #[must_use]
    pub fn of_object(width_mm: f64, distance_m: f64, width_px: f64, magnification: f64) -> Self {
        // Both edges are placed to a pixel.
        let sigma = (TOLD_SHARE.hypot(TOLD_SHARE)).hypot(1.4 / width_px);
        let seen = of_width(width_mm, 0.0, distance_m, 0.0).enlarged(magnification, 0.0);
        let arcmin_per_px = seen.arcmin / width_px;
        Self {
            arcmin_per_px,
            arcmin_per_px_sigma: arcmin_per_px * sigma,
        }
    }

    /// From the width of the whole field in the picture and in degrees at the eye. A camera
    /// maps tangents, an eyepiece nearly; both may be out by some percent (our choice).
    #[must_use]
    pub fn of_field(apparent_field_deg: f64, field_px: f64) -> Self {
        let half = (0.5 * apparent_field_deg).to_radians().tan();
        let arcmin_per_px = 2.0 * half / field_px * ARCMIN_PER_RAD;
        Self {
            arcmin_per_px,
            arcmin_per_px_sigma: 0.08 * arcmin_per_px,
        }
    }

    /// As told.
    #[must_use]
    pub fn told(arcmin_per_px: f64) -> Self {
        Self {
            arcmin_per_px,
            arcmin_per_px_sigma: arcmin_per_px * TOLD_SHARE,
        }
    }
}

/// A picture made ready: small, whatever its file was.
#[derive(Debug, Clone)]
pub struct Picture {
    name: String,
    detail: Detail,
    /// How wide the eyepiece's field is, px of the picture; none where its edge does not
    /// show.
    pub field_px: Option<f64>,
}

impl Picture {
    /// Reads the first picture of a file and makes it ready; `name` is for messages.
    ///
    /// # Errors
    /// Why it cannot be read, or says nothing.
    pub fn open(path: &Path, name: &str) -> Result<Self, Reason> {
        let unreadable = |error: DecodeError| Reason {
            code: error.code().to_owned(),
            text: format!("{name}: {error}"),
            mend: error.mend().to_owned(),
        };
        let file = File::open(path).map_err(|e| unreadable(DecodeError::Io(e.to_string())))?;
        let mut reader =
            FrameReader::from_reader(name, file, &Limits::default()).map_err(unreadable)?;
        match reader.next() {
            Some(frame) => Self::of(&frame.map_err(unreadable)?),
            None => Err(Refused::Dark.reason(name)),
        }
    }

    /// Makes a frame ready.
    ///
    /// # Errors
    /// Why it says nothing.
    pub fn of(frame: &Frame) -> Result<Self, Reason> {
        let detail = Detail::of(frame).map_err(|r| r.reason(&frame.name))?;
        Ok(Self {
            name: frame.name.clone(),
            field_px: detail.field_px,
            detail,
        })
    }
}

/// A left and a right picture, or why they say nothing.
pub type Pair = Result<[Picture; 2], Reason>;

/// What the pictures say, as printed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Whether anything could be measured.
    pub verdict: Verdict,
    /// Why not, or why a pair was left out.
    pub reasons: Vec<Reason>,
    /// What to keep in mind.
    pub notes: Vec<Reason>,
    /// At each opening of the hinge, in the order given.
    pub openings: Vec<Opening>,
    /// What eyes accept, arc minutes at the eye.
    pub accepted: Accepted,
    /// What it comes to; `null` when refused.
    pub judged: Option<Judged>,
}

/// What the pictures of one opening say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Opening {
    /// Pairs used.
    pub pairs: usize,
    /// At the eye, the parallax of the scene taken off.
    pub apart: Apart,
    /// That parallax: so much the barrels would seem to converge, arc minutes at the eye.
    pub parallax_arcmin: f64,
    /// The right picture has to be shifted by this to lie on the left one, px of the
    /// picture, to the right and up.
    pub shift_px: [f64; 2],
    /// How alike both pictures are then, 0 to 1.
    pub alike: f64,
    /// The left picture's size over the right one's, less 1, and its 1-sigma.
    pub larger: Option<[f64; 2]>,
}

/// Measures pairs of pictures taken at one opening of the hinge or at several.
#[must_use]
pub fn measure(openings: &[Vec<Pair>], setup: &Setup) -> Report {
    let mut report = Report {
        verdict: Verdict::Refused,
        reasons: Vec::new(),
        notes: Vec::new(),
        openings: Vec::new(),
        accepted: Accepted::PUBLISHED,
        judged: None,
    };
    let mut all = true;
    for pairs in openings {
        let mut found = Vec::new();
        for pair in pairs {
            match aligned(pair) {
                Ok(aligned) => found.push(aligned),
                Err(reason) => report.reasons.push(reason),
            }
        }
        match opening(&found, setup) {
            Some(opening) => report.openings.push(opening),
            None => all = false,
        }
    }
    if !all || report.openings.is_empty() {
        report.openings.clear();
        return report;
    }
    let aparts: Vec<Apart> = report.openings.iter().map(|o| o.apart).collect();
    report.judged = judge(&aparts, setup.hinged, &setup.bounds);
    if report.judged.is_some() {
        report.verdict = Verdict::Measured;
    }
    report.notes = notes(&report, setup);
    report
}

fn aligned(pair: &Pair) -> Result<Aligned, Reason> {
    let [left, right] = pair.as_ref().map_err(Clone::clone)?;
    let names = format!("{} and {}", left.name, right.name);
    let (left, right) = (&left.detail, &right.detail);
    if [left.width, left.height] != [right.width, right.height] {
        return Err(Refused::Sizes.reason(&names));
    }
    let rough = coarse::find(left, right).ok_or_else(|| Refused::Unlike.reason(&names))?;
    align::refine(left, right, rough).map_err(|r| r.reason(&names))
}

/// From this 1-sigma on a turn is not told, arc minutes.
const TURN_NOT_TOLD_ARCMIN: f64 = 30.0;

/// Pairs of one opening together.
fn opening(found: &[Aligned], setup: &Setup) -> Option<Opening> {
    let scale = setup.scale;
    let rest = setup.rest_arcmin;
    let seen = |shift: [f64; 2], sigma: f64| {
        let arcmin = shift[0] * scale.arcmin_per_px;
        let of_scale = shift[0] * scale.arcmin_per_px_sigma;
        Angle::new(arcmin, (sigma * scale.arcmin_per_px).hypot(of_scale))
    };
    // Each pair as if alone; the scale errs alike in all.
    let side: Vec<[f64; 2]> = found
        .iter()
        .map(|a| [a.apart_px[0], a.sigma_px[0]])
        .collect();
    let up: Vec<[f64; 2]> = found
        .iter()
        .map(|a| [a.apart_px[1], a.sigma_px[1]])
        .collect();
    let turns: Vec<[f64; 2]> = found
        .iter()
        .map(|a| [a.turn_arcmin, a.turn_sigma_arcmin])
        .collect();
    let rest_px = rest / scale.arcmin_per_px;
    let side = together(&side, rest_px)?;
    let up = together(&up, rest_px)?;
    let turn = together(&turns, rest)?;
    let off = setup.distance_m.map_or(Angle::new(0.0, 0.0), |distance| {
        parallax(
            setup.objectives_apart_mm,
            distance,
            TOLD_SHARE * distance,
            setup.magnification,
        )
    });
    let larger: Vec<[f64; 2]> = found.iter().map(|a| [a.larger, a.larger_sigma]).collect();
    Some(Opening {
        pairs: found.len(),
        apart: Apart {
            convergence: seen([side[0], 0.0], side[1]).minus(off),
            step: seen([up[0], 0.0], up[1]),
            turn: (turn[1] < TURN_NOT_TOLD_ARCMIN).then(|| Angle::new(turn[0], turn[1])),
        },
        parallax_arcmin: off.arcmin,
        shift_px: [side[0], up[0]],
        alike: found.iter().map(|a| a.alike).fold(1.0, f64::min),
        larger: together(&larger, 0.0).filter(|l| l[1] < 0.01),
    })
}

/// Mean of values with their 1-sigma; what they scatter beyond it counts. One alone has
/// the rest's error as told.
fn together(values: &[[f64; 2]], rest: f64) -> Option<[f64; 2]> {
    let n = values.len() as f64;
    if values.is_empty() {
        return None;
    }
    let mean = values.iter().map(|v| v[0]).sum::<f64>() / n;
    let own = values.iter().map(|v| v[1] * v[1]).sum::<f64>().sqrt() / n;
    if values.len() < 3 {
        return Some([mean, own.hypot(rest / n.sqrt())]);
    }
    let scatter = values.iter().map(|v| (v[0] - mean).powi(2)).sum::<f64>() / (n - 1.0);
    Some([mean, own.max((scatter / n).sqrt())])
}

fn notes(report: &Report, setup: &Setup) -> Vec<Reason> {
    let mut notes = Vec::new();
    let mut note = |code: &str, text: String, mend: &str| {
        notes.push(Reason {
            code: code.to_owned(),
            text,
            mend: mend.to_owned(),
        });
    };
    if let Some(o) = report.openings.iter().find(|o| o.parallax_arcmin > 10.0) {
        note(
            "near",
            format!(
                "the scene is so near that good barrels would seem to converge by {} arc minutes; that is taken off",
                figure(o.parallax_arcmin, 0)
            ),
            "Take something farther away where you can.",
        );
    }
    if setup.rest_arcmin > 0.0 && report.openings.iter().any(|o| o.pairs < 3) {
        note(
            "rest",
            format!(
                "the rest may turn the camera by {} arc minutes, and fewer than three pairs cannot tell",
                figure(setup.rest_arcmin, 0)
            ),
            "Slide the camera over and back and take three pairs or more.",
        );
    }
    if report.openings.iter().any(|o| o.apart.turn.is_none()) {
        note(
            "no-turn",
            "one point, or detail close together, does not tell a turn".to_owned(),
            "Take a scene with detail all over the field, or put the star in its middle.",
        );
    }
    if report.judged.is_some_and(|j| j.one_opening_only) {
        note(
            "one-opening",
            "the hinge was looked at at one opening only".to_owned(),
            "Take another pair with the barrels farther apart or closer.",
        );
    }
    notes
}
