//! Coma from what a person sees in the eyepiece.
//!
//! How wide the donut is gives the defocus, how much thinner its ring is on
//! one side gives the coma. Both are judged, so the error is wide and said.

use super::report::Wavefront;
use optics::wavefront::{annular_from_noll_coma, coma_from_w131};

/// How a person told the donut's width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DonutWidth {
    /// As a share of the diameter of an eyepiece's field whose true field is known.
    OfTrueField {
        /// Donut's diameter over the field's, above 0 to 1.
        share: f64,
        /// True field of view, degrees.
        true_field_deg: f64,
    },
    /// As a share of the field of an eyepiece of known apparent field and magnification.
    OfApparentField {
        /// Donut's diameter over the field's, above 0 to 1.
        share: f64,
        /// Apparent field of view, degrees (about 50 for a plain eyepiece).
        apparent_field_deg: f64,
        /// Magnification.
        magnification: f64,
    },
    /// By counting bright rings: a rough guide only.
    Rings {
        /// Bright rings counted from the rim to the shadow (or the middle).
        count: f64,
    },
}

/// How uneven the ring looks along its thinnest and thickest direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unevenness {
    /// Thin width over thick width, 0 to 1.
    Ratio(f64),
    /// The two widths, in any one unit.
    Widths {
        /// Width of the ring where it is thinnest.
        thin: f64,
        /// Width of the ring opposite.
        thick: f64,
    },
}

/// A star test judged by eye.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ByEye {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Obstruction by diameter. Without one, widths are judged from the middle
    /// of the innermost ring to the rim.
    pub obstruction: f64,
    /// How wide the donut is.
    pub width: DonutWidth,
    /// How uneven its ring is.
    pub unevenness: Unevenness,
    /// Where the ring is thinnest, clock degrees as seen; `None` when it looks
    /// even or the side was not noted.
    pub thin_clock_deg: Option<f64>,
    /// -1 inside focus, +1 outside or not noted.
    pub side_sign: f64,
}

/// A field of [`ByEye`] that cannot be right.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text}")]
pub struct Misjudged {
    /// Which field: "aperture", "obstruction", "width", "unevenness" or "thin side".
    pub field: &'static str,
    /// What is the matter, and what would be right.
    pub text: String,
}

/// A ratio is judged to about a tenth (common practice, no source).
pub const RATIO_ERROR: f64 = 0.1;
/// A width is judged to about a fifth (common practice, no source).
pub const WIDTH_ERROR: f64 = 0.2;
/// Rings tell the defocus to about two fifths, however well they are counted:
/// the band and the obstruction decide which of them show.
pub const RINGS_ERROR: f64 = 0.4;

/// Coma and its error from a star test by eye.
///
/// W131 = W020 (1 - q) / ((1 + q) 1.5 (1 + eps)), the ray geometry of a
/// defocused star with coma, q being thin over thick. W020 = theta D / 4 from
/// the donut's angular radius on the sky.
///
/// # Errors
/// [`Misjudged`] names the field that cannot be right.
pub fn judge_by_eye(look: &ByEye) -> Result<Wavefront, Misjudged> {
    let fault = |field, text: String| Err(Misjudged { field, text });
    if !(look.aperture_mm.is_finite() && (5.0..=10_000.0).contains(&look.aperture_mm)) {
        return fault(
            "aperture",
            "the aperture must be between 5 and 10000 mm".to_owned(),
        );
    }
    if !(0.0..=0.9).contains(&look.obstruction) {
        return fault(
            "obstruction",
            "the obstruction must be between 0 and 0.9 of the aperture".to_owned(),
        );
    }
    if look.thin_clock_deg.is_some_and(|c| !c.is_finite()) {
        return fault(
            "thin side",
            "give the thin side as a clock position".to_owned(),
        );
    }
    let q = match look.unevenness {
        Unevenness::Ratio(q) => q,
        Unevenness::Widths { thin, thick } => {
            if !(thick > 0.0 && thin >= 0.0 && thin <= thick) {
                return fault(
                    "unevenness",
                    "the thin width must be 0 or more and no more than the thick one".to_owned(),
                );
            }
            thin / thick
        }
    };
    if !(0.0..=1.0).contains(&q) {
        return fault(
            "unevenness",
            "thin over thick must be between 0 and 1".to_owned(),
        );
    }
    let (w020, width_error) = defocus(look)?;
    let lever = 1.5 * (1.0 + look.obstruction);
    let coma = coma_from_w131(w020 * (1.0 - q) / ((1.0 + q) * lever));
    let per_q = coma_from_w131(w020 * 2.0 / ((1.0 + q).powi(2) * lever));
    let sigma = (per_q * RATIO_ERROR).hypot(coma * width_error);
    // The coma vector points away from the thin side: x right, y up.
    let (x, y) = look.thin_clock_deg.map_or((0.0, 0.0), |clock| {
        let (s, c) = clock.to_radians().sin_cos();
        (-coma * s, -coma * c)
    });
    Ok(Wavefront {
        method: "by eye".to_owned(),
        coma_rms_waves: coma,
        coma_rms_waves_sigma: sigma,
        coma_annular_rms_waves: annular_from_noll_coma(coma, look.obstruction),
        coma_x_waves: x,
        coma_y_waves: y,
        coma_component_sigma_waves: sigma,
        defocus_waves: w020 * look.side_sign.signum(),
        defocus_waves_sigma: w020 * width_error,
        scatter_sigma_waves: 0.0,
        model_sigma_waves: sigma,
    })
}

/// Defocus from and to which a look by eye is accepted, waves.
pub const ACCEPTED_WAVES: [f64; 2] = [0.5, 100.0];

/// W020 in waves and its relative error.
fn defocus(look: &ByEye) -> Result<(f64, f64), Misjudged> {
    let wrong = |text: &str| {
        Err(Misjudged {
            field: "width",
            text: text.to_owned(),
        })
    };
    let of_field = |share: f64, field_deg: f64| {
        if !(share > 0.0 && share <= 1.0) {
            return wrong("the donut's share of the field must be above 0 and at most 1");
        }
        if !(field_deg > 0.0 && field_deg < 30.0) {
            return wrong("the true field must be above 0 and below 30 degrees");
        }
        let theta = (share * field_deg / 2.0).to_radians();
        let waves = theta * look.aperture_mm * 1000.0 / 4.0 / super::coma::WAVE_UM;
        Ok((waves, WIDTH_ERROR))
    };
    let (waves, error) = match look.width {
        DonutWidth::OfTrueField {
            share,
            true_field_deg,
        } => of_field(share, true_field_deg)?,
        DonutWidth::OfApparentField {
            share,
            apparent_field_deg,
            magnification,
        } => {
            if !(magnification > 0.0
                && magnification.is_finite()
                && (10.0..=130.0).contains(&apparent_field_deg))
            {
                return wrong(
                    "the apparent field must be 10 to 130 degrees, the magnification above 0",
                );
            }
            of_field(share, apparent_field_deg / magnification)?
        }
        DonutWidth::Rings { count } => {
            if !(1.0..=40.0).contains(&count) {
                return wrong("count between 1 and 40 rings");
            }
            (waves_from_rings(count, look.obstruction), RINGS_ERROR)
        }
    };
    let [least, most] = ACCEPTED_WAVES;
    if !(least..=most).contains(&waves) {
        return wrong(&format!(
            "this makes the star {waves:.1} waves out of focus; {least} to {most} are accepted, so check the width and the eyepiece"
        ));
    }
    Ok((waves, error))
}

/// Waves of defocus at which this many bright rings show in white light.
///
/// Interpolated between simulated pictures, smoothed over a band of 24 %
/// (`check-values`: 3, 5, 8, 10 waves show 4, 6, 8, 9 rings without an
/// obstruction and 3, 5, 5, 6 with one of 0.34).
fn waves_from_rings(count: f64, eps: f64) -> f64 {
    let along = |table: &[(f64, f64)]| -> f64 {
        let mut pair = (table[0], table[1]);
        for w in table.windows(2) {
            pair = (w[0], w[1]);
            if count <= w[1].0 {
                break;
            }
        }
        let ((n0, w0), (n1, w1)) = pair;
        (w0 + (count - n0) * (w1 - w0) / (n1 - n0)).max(0.5)
    };
    let clear = along(&[(4.0, 3.0), (6.0, 5.0), (8.0, 8.0), (9.0, 10.0)]);
    let obstructed = along(&[(3.0, 3.0), (5.0, 6.5), (6.0, 10.0)]);
    let share = (eps / 0.34).clamp(0.0, 1.0);
    clear + share * (obstructed - clear)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn look() -> ByEye {
        ByEye {
            aperture_mm: 200.0,
            obstruction: 0.34,
            // 10 waves at 200 mm: theta = 4 x 5.5 um / 200 mm = 0.00011 rad = 22.69"
            // radius; in a field of half a degree the donut takes 45.4"/1800" of it.
            width: DonutWidth::OfTrueField {
                share: 0.025_21,
                true_field_deg: 0.5,
            },
            unevenness: Unevenness::Ratio(0.8),
            thin_clock_deg: Some(90.0),
            side_sign: 1.0,
        }
    }

    #[test]
    fn a_judged_ratio_gives_coma_with_its_error() {
        let wave = judge_by_eye(&look()).unwrap();
        assert!(
            (wave.defocus_waves - 10.0).abs() < 0.01,
            "{}",
            wave.defocus_waves
        );
        // W131 = 10 x 0.2 / (1.8 x 1.5 x 1.34) = 0.5528 waves; over sqrt 72: 0.06515.
        assert!(
            (wave.coma_rms_waves - 0.06515).abs() < 1e-4,
            "{}",
            wave.coma_rms_waves
        );
        assert!(wave.coma_rms_waves_sigma > 0.03 && wave.coma_rms_waves_sigma < 0.06);
        // Thin side to the right: the coma vector points left.
        assert!((wave.coma_x_waves + wave.coma_rms_waves).abs() < 1e-12);
        assert!(wave.coma_y_waves.abs() < 1e-12);
    }

    #[test]
    fn widths_magnification_and_field_agree() {
        let by_ratio = judge_by_eye(&look()).unwrap();
        let other = ByEye {
            width: DonutWidth::OfApparentField {
                share: 0.025_21,
                apparent_field_deg: 50.0,
                magnification: 100.0,
            },
            unevenness: Unevenness::Widths {
                thin: 4.0,
                thick: 5.0,
            },
            ..look()
        };
        assert_eq!(judge_by_eye(&other).unwrap(), by_ratio);
    }

    #[test]
    fn an_even_ring_has_no_coma_but_an_error() {
        let even = ByEye {
            unevenness: Unevenness::Ratio(1.0),
            thin_clock_deg: None,
            ..look()
        };
        let wave = judge_by_eye(&even).unwrap();
        assert_eq!(wave.coma_rms_waves, 0.0);
        assert!(wave.coma_rms_waves_sigma > 0.01);
    }

    #[test]
    fn rings_follow_the_simulated_counts() {
        for (count, eps, waves) in [
            (4.0, 0.0, 3.0),
            (9.0, 0.0, 10.0),
            (3.0, 0.34, 3.0),
            (6.0, 0.34, 10.0),
        ] {
            assert!((waves_from_rings(count, eps) - waves).abs() < 1e-9);
        }
    }

    #[test]
    fn what_cannot_be_is_refused_by_field() {
        let field = |l: ByEye| judge_by_eye(&l).unwrap_err().field;
        assert_eq!(
            field(ByEye {
                aperture_mm: f64::NAN,
                ..look()
            }),
            "aperture"
        );
        assert_eq!(
            field(ByEye {
                obstruction: 1.0,
                ..look()
            }),
            "obstruction"
        );
        assert_eq!(
            field(ByEye {
                unevenness: Unevenness::Widths {
                    thin: 2.0,
                    thick: 1.0
                },
                ..look()
            }),
            "unevenness"
        );
        assert_eq!(
            field(ByEye {
                width: DonutWidth::OfTrueField {
                    share: 0.9,
                    true_field_deg: 2.0
                },
                ..look()
            }),
            "width"
        );
    }
}
