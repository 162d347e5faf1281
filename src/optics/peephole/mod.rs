//! Down a Newtonian's focuser by day: what an eye at a peephole sees, and what it says of
//! the flat and of the primary.
//!
//! From outside in there are the drawtube's inner end, the flat's rim, in it the primary's
//! rim, in that the flat's own dark shadow, in the shadow the bright face of the cap or
//! sight tube that holds the peephole, and before it the primary's centre mark.
//!
//! **Unfolded.** The flat is taken out and the primary put where the flat shows it. Lengths
//! are from the peephole along the focuser's axis: `d` to the drawtube's end, `b` to the
//! flat, `s` to the primary, `c = s - b`; `f` the focal length. Across the axis stand the
//! phone's lens E, the flat S, the primary's mark M, and at the peephole the primary's
//! optical axis H. Directions are tangents from the focuser's axis, which is itself at P in
//! the picture. To first order:
//!
//! - drawtube's end: P - E/d
//! - flat's rim: P + (S - E)/b, and a^2/(4 b^2) more towards the tube's front: the far half
//!   of a disc that stands at 45 degrees looks smaller than the near one
//! - mark: P + (M - E)/s
//! - bright face in the primary: on the mirror at M + (E - 2 H)/(2 - s/f)
//! - flat's shadow: at M + (S - M - 2 c (H - M)/s + (c/s)(E - M))/(1 - c/f + c/s)
//!
//! All by the law of reflection at a mirror whose normal leans by (H - M)/s - (x - M)/2f.
//! With the peephole in the focus the face stands 2 H from the mark: a primary tilted by t
//! shows it 2 f t away. The phone's own place moves the face by E against the mark and flat
//! and drawtube by more, so nothing cancels by itself; but flat and shadow are the same
//! thing seen twice, once directly and once in the primary, and tell E. Tested against an
//! exact trace of flat and paraboloid below.
//!
//! **A flat with an offset.** Light that comes to the focus in a cone of F/N cuts a plane at
//! 45 degrees in an ellipse whose middle lies a/(4 N) towards the primary and as much away
//! from the focuser (a the ellipse's minor axis; geometry of a cone cut by a plane). So a
//! flat seen in the middle from the focus has that offset; one glued on without it is seen
//! a/(4 N) towards the tube's front, and does no harm while it still catches all the light.

mod solve;
#[cfg(test)]
mod tests;

use nalgebra::Vector2;

use super::field::{newtonian_coma_rms, newtonian_field_radius_mm};
use solve::solve;

/// What is known of the telescope and of how the picture was taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Told {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// The flat's minor axis, mm.
    pub flat_mm: f64,
    /// The drawtube's inner diameter, mm; none where its end is not to be used.
    pub draw_mm: Option<f64>,
    /// How far the peephole is outside the focus, mm; negative is inside.
    pub outside_focus_mm: f64,
    /// Diameter of the peephole, mm: so far off its middle the phone's lens can be.
    pub hole_mm: f64,
    /// Where the tube's front end lies in the picture, clock degrees.
    pub front_clock_deg: Option<f64>,
}

/// A circle as seen: px of the picture from its middle, x to the right and y up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rim {
    /// Its middle, px.
    pub at_px: [f64; 2],
    /// Its radius, px.
    pub radius_px: f64,
    /// 1-sigma of each of the middle's places, px.
    pub sigma_px: f64,
}

/// The circles that were found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rims {
    /// The primary's rim, which sets the scale.
    pub primary: Rim,
    /// The drawtube's inner end.
    pub draw: Option<Rim>,
    /// The flat's rim.
    pub flat: Option<Rim>,
    /// The flat's shadow in the primary.
    pub shadow: Option<Rim>,
    /// The bright face in the primary.
    pub face: Option<Rim>,
    /// The primary's mark.
    pub mark: Option<Rim>,
}

/// An offset across the axis as it lies in the picture, mm.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Offset {
    /// To the right in the picture, mm.
    pub right_mm: f64,
    /// Up in the picture, mm.
    pub up_mm: f64,
    /// 1-sigma of each, mm.
    pub sigma_mm: f64,
}

impl Offset {
    fn of(v: Vector2<f64>, sigma_mm: f64) -> Self {
        Self {
            right_mm: v.x,
            up_mm: v.y,
            sigma_mm,
        }
    }

    /// How far, mm.
    #[must_use]
    pub fn size_mm(self) -> f64 {
        self.right_mm.hypot(self.up_mm)
    }

    /// Which way, degrees clockwise from up in the picture.
    #[must_use]
    pub fn clock_deg(self) -> f64 {
        self.right_mm
            .atan2(self.up_mm)
            .to_degrees()
            .rem_euclid(360.0)
    }

    /// Against a limit, each end of a 1-sigma error.
    #[must_use]
    pub fn verdict(self, limit_mm: f64) -> Verdict {
        let size = self.size_mm();
        if size + self.sigma_mm <= limit_mm {
            Verdict::Within
        } else if size - self.sigma_mm > limit_mm {
            Verdict::Out
        } else {
            Verdict::CannotTell
        }
    }
}

/// What an offset says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Within its limit by more than its error.
    Within,
    /// Over it by more than its error.
    Out,
    /// The error reaches across.
    CannotTell,
}

/// An offset with its limit.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Judged {
    /// What was found.
    pub offset: Offset,
    /// How much does no harm, mm.
    pub limit_mm: f64,
    /// What that says.
    pub verdict: Verdict,
}

impl Judged {
    fn of(offset: Offset, limit_mm: f64) -> Self {
        Self {
            offset,
            limit_mm,
            verdict: offset.verdict(limit_mm),
        }
    }
}

/// What the circles say, for an eye on the focuser's axis: the phone's own place is out of it.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Found {
    /// The flat's rim as seen from the focuser's axis, mm at the flat.
    pub flat: Option<Judged>,
    /// The primary's rim in the flat's, mm at the flat.
    pub reflection: Option<Offset>,
    /// The primary's mark from the focuser's axis, mm at the primary: the flat's tilt.
    pub tilt: Option<Judged>,
    /// The mark from the face's middle, mm at the primary: the primary's tilt.
    pub primary: Option<Judged>,
    /// Coma that the primary's tilt leaves in the middle of the field, waves RMS at 550 nm.
    pub coma_rms_waves: Option<f64>,
    /// 1-sigma of it.
    pub coma_sigma_waves: Option<f64>,
    /// The phone's lens from the focuser's axis, mm.
    pub phone: Offset,
    /// The mark from the middle of the primary's rim, mm.
    pub mark_off: Option<Offset>,
    /// From the peephole to the flat, mm, as the flat's size in the picture tells it.
    pub to_flat_mm: Option<f64>,
    /// By how much the circles miss each other: the sum of squares over their errors, four
    /// of them free where all circles are there.
    pub chi2: f64,
    /// A flat without an offset would be seen so far towards the front, mm.
    pub no_offset_mm: f64,
}

/// RMS coma that may be left, waves: a third of the fourteenth of a wave from which on a
/// telescope is out (Maréchal's criterion; the third is the bench's own aim).
pub const COMA_LEFT_WAVES: f64 = 0.071 / 3.0;
/// A laser's spot so far from the mark is near enough, mm (common practice, no source).
pub const TILT_LIMIT_MM: f64 = 3.0;
/// How well a peephole's distance from the focus is told, mm (our choice).
const OUTSIDE_SIGMA_MM: f64 = 15.0;
/// How well diameters are told, as a share (our choice).
const TOLD_SHARE: f64 = 0.01;
/// How well the front's clock position is told, degrees (our choice).
const FRONT_SIGMA_DEG: f64 = 5.0;
/// A mark sits so near the middle of its mirror, mm, 1 sigma (common practice, no source).
const MARK_SIGMA_MM: f64 = 0.5;
/// What the circles say. None where they contradict what was told beyond sense (a flat
/// behind the primary).
#[must_use]
pub fn find(rims: &Rims, told: &Told) -> Option<Found> {
    let best = solve(rims, told)?;
    let s = told.focal_mm + told.outside_focus_mm;
    if best.to_flat.is_some_and(|b| !(0.0..s).contains(&b)) {
        return None;
    }
    // What was told errs too: each by itself, and what that changes.
    let base = best.all(told);
    let mut sigmas = best.sigmas;
    let others = [
        Told {
            outside_focus_mm: told.outside_focus_mm + OUTSIDE_SIGMA_MM,
            ..*told
        },
        Told {
            flat_mm: told.flat_mm * (1.0 + TOLD_SHARE),
            ..*told
        },
        Told {
            draw_mm: told.draw_mm.map(|d| d * (1.0 + TOLD_SHARE)),
            ..*told
        },
        Told {
            front_clock_deg: told.front_clock_deg.map(|d| d + FRONT_SIGMA_DEG),
            ..*told
        },
    ];
    for other in others {
        let Some(solved) = solve(rims, &other) else {
            continue;
        };
        for ((sigma, a), b) in sigmas.iter_mut().zip(solved.all(&other)).zip(base) {
            *sigma = sigma.hypot((a - b).norm() / 2f64.sqrt());
        }
    }
    let at = |i: usize| Offset::of(base[i], sigmas[i]);
    let ratio = told.focal_mm / told.aperture_mm;
    let tells_primary = rims.face.is_some() && rims.mark.is_some();
    // The optical axis passes the mirror's middle, the mark nearly does.
    let primary = tells_primary.then(|| {
        let sigma = sigmas[3].hypot(MARK_SIGMA_MM / 2f64.sqrt());
        Judged::of(Offset::of(base[3], sigma), mark_limit_mm(ratio))
    });
    let coma = |mm: f64| newtonian_coma_rms(mm / 2.0, ratio);
    Some(Found {
        flat: (rims.flat.is_some() && rims.draw.is_some()).then(|| {
            let to_flat = best.to_flat.unwrap_or(s);
            let spare = 0.5 * (told.flat_mm - told.aperture_mm * to_flat / s);
            Judged::of(at(1), spare.max(1.0))
        }),
        reflection: rims.flat.map(|_| at(5)),
        tilt: rims.draw.map(|_| Judged::of(at(2), TILT_LIMIT_MM)),
        primary,
        coma_rms_waves: primary.map(|p| coma(p.offset.size_mm())),
        coma_sigma_waves: primary.map(|p| coma(p.offset.sigma_mm)),
        phone: at(0),
        mark_off: rims.mark.map(|_| at(4)),
        to_flat_mm: best.to_flat,
        chi2: best.chi2,
        no_offset_mm: told.flat_mm / (4.0 * ratio),
    })
}

/// How far the mark may stand from the face's middle, mm at the primary: twice the field
/// in which a paraboloid's own coma stays below [`COMA_LEFT_WAVES`].
#[must_use]
pub fn mark_limit_mm(focal_ratio: f64) -> f64 {
    2.0 * newtonian_field_radius_mm(COMA_LEFT_WAVES, focal_ratio)
}

/// From the picture to the tube seen from in front: turns an offset in the picture into
/// x (3 o'clock) and y (12 o'clock) on the primary, which the flat shows mirrored. The
/// tube's front lies at `front_clock_deg` in the picture, the focuser at `focuser_deg` on
/// the tube.
#[must_use]
pub fn on_the_primary(offset: Offset, front_clock_deg: f64, focuser_deg: f64) -> [f64; 2] {
    let (s, c) = front_clock_deg.to_radians().sin_cos();
    let up = offset.right_mm * s + offset.up_mm * c;
    let right = offset.right_mm * c - offset.up_mm * s;
    let (s, c) = focuser_deg.to_radians().sin_cos();
    [-right * c + up * s, right * s + up * c]
}
