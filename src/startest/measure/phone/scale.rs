//! What is known of a still's scale beside what its rings tell.

use crate::judge::said;
use crate::report::{Reason, ScaleTold};
use optics::ARCSEC_PER_RAD;
use std::ops::RangeInclusive;

/// What somebody knows of the scale of a phone's stills; nothing of it needs to be known.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct KnownScale {
    /// How much the eyepiece magnifies; counts where the stills say how wide their camera
    /// sees ([`crate::decode::Still::pixel_rad`]).
    pub magnification: Option<f64>,
    /// The star's drift through the picture, the mount's motor off.
    pub drift: Option<Drift>,
}

/// A star's drift through the picture.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Drift {
    /// Pixels of the stills a second.
    pub px_s: f64,
    /// 1-sigma of it.
    pub px_s_sigma: f64,
    /// The star's declination, degrees.
    pub declination_deg: f64,
}

/// How fast the sky goes round at the equator, arc seconds a second: 360 degrees in a
/// sidereal day of 86,164.1 s (Explanatory Supplement to the Astronomical Almanac).
const SKY_ARCSEC_S: f64 = 15.041;
/// A declination is read from a chart to about this, degrees.
const DECLINATION_SIGMA_DEG: f64 = 0.3;
/// How well a telescope's focal length and an eyepiece's are known together, and how wide a
/// phone's camera sees, each 1-sigma as a share (common practice, no source; a whole
/// millimetre of equivalent focal length is 2 % by itself).
const MAGNIFICATION_SIGMA: f64 = 0.04;
const CAMERA_SIGMA: f64 = 0.03;
/// What was told and what the rings tell differ: by so many 1-sigma.
const APART: f64 = 3.0;

/// A scale with its error: arc seconds to a pixel, and 1-sigma as a share.
pub(super) type Scale = [f64; 2];

impl Drift {
    fn scale(&self) -> Option<Scale> {
        let declination = self.declination_deg.to_radians();
        let arcsec_s = SKY_ARCSEC_S * declination.cos();
        let of_the_sky = declination.tan() * DECLINATION_SIGMA_DEG.to_radians();
        let share = (self.px_s_sigma / self.px_s).hypot(of_the_sky);
        let told = [arcsec_s / self.px_s, share.max(0.003)];
        (self.px_s > 0.0 && arcsec_s > 0.0 && share < 0.3).then_some(told)
    }
}

/// How fast a star can drift through a phone's picture, pixels a second.
const DRIFTS_PX_S: RangeInclusive<f64> = 0.5..=2000.0;

impl KnownScale {
    /// What an eyepiece may magnify.
    pub const MAGNIFIES: RangeInclusive<f64> = 5.0..=1000.0;
    /// How far from the equator a star drifts fast enough to be timed, degrees.
    pub const DECLINATIONS_DEG: RangeInclusive<f64> = -80.0..=80.0;

    /// The first of its numbers that cannot be, with its remedy: the name of the number, and
    /// the words.
    pub fn fault(&self) -> Option<(&'static str, &'static str)> {
        if self
            .magnification
            .is_some_and(|m| !Self::MAGNIFIES.contains(&m))
        {
            return Some(("magnification", "give 5 to 1000"));
        }
        let drift = self.drift?;
        if !Self::DECLINATIONS_DEG.contains(&drift.declination_deg) {
            let words = "give -80 to 80 degrees: nearer the pole a star hardly drifts";
            return Some(("declination", words));
        }
        // An error without end is no number in the attempt's record.
        let is_timed = DRIFTS_PX_S.contains(&drift.px_s)
            && drift.px_s_sigma > 0.0
            && drift.px_s_sigma <= drift.px_s;
        (!is_timed).then_some(("drift", "give 0.5 to 2000 pixels a second"))
    }

    /// All that is known, together; `pixel_rad` is how wide a pixel of the stills sees in the
    /// middle, radians at the eyepiece, where they say so.
    pub(super) fn scale(&self, pixel_rad: Option<f64>) -> Option<Scale> {
        let seen = self.magnification.filter(|m| *m > 1.0).zip(pixel_rad);
        let seen = seen.map(|(magnification, rad)| {
            [
                rad / magnification * ARCSEC_PER_RAD,
                MAGNIFICATION_SIGMA.hypot(CAMERA_SIGMA),
            ]
        });
        let known = [seen, self.drift.and_then(|d| d.scale())];
        let weight: f64 = known.iter().flatten().map(|s| s[1].powi(-2)).sum();
        let sum: f64 = known
            .iter()
            .flatten()
            .map(|s| s[0].ln() * s[1].powi(-2))
            .sum();
        (weight > 0.0).then(|| [(sum / weight).exp(), weight.sqrt().recip()])
    }
}

/// Whether a scale that was told and one that the rings told may be the same.
pub(super) fn agree(told: Scale, rings: Scale) -> bool {
    (told[0] / rings[0]).ln().abs() <= APART * told[1].hypot(rings[1])
}

/// What a report says of a scale that was told.
pub(super) fn told_report([arcsec_per_px, share]: Scale, used: bool) -> ScaleTold {
    ScaleTold {
        arcsec_per_px,
        arcsec_per_px_sigma: share * arcsec_per_px,
        used,
    }
}

/// A note on a scale that contradicts the rings.
pub(super) fn contradicts(told: Scale, rings: Scale) -> Reason {
    said(
        "scale-told-otherwise",
        format!(
            "what was told makes {:.3} arc seconds to a pixel, the rings {:.3}: the rings are gone by",
            told[0], rings[0]
        ),
        "Check the magnification and whether the stills were cropped; for the drift, whether the motor was off and the phone still.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_on_the_equator_crosses_fifteen_arc_seconds_in_a_second() {
        let drift = |px_s, declination_deg| KnownScale {
            drift: Some(Drift {
                px_s,
                px_s_sigma: 0.01 * px_s,
                declination_deg,
            }),
            magnification: None,
        };
        let [scale, share] = drift(15.041, 0.0).scale(None).unwrap_or_default();
        assert!((scale - 1.0).abs() < 1e-9 && (share - 0.01).abs() < 1e-9);
        // Half as fast at 60 degrees, from the cosine.
        let [scale, _] = drift(15.041, 60.0).scale(None).unwrap_or_default();
        assert!((scale - 0.5).abs() < 1e-9);
        // A star at the pole, or one that stands still, tells nothing.
        for nothing in [drift(15.0, 90.0), drift(0.0, 0.0), drift(f64::NAN, 0.0)] {
            assert_eq!(nothing.scale(None), None, "{nothing:?}");
        }
    }

    #[test]
    fn a_drift_timed_without_an_error_of_its_own_is_no_drift() {
        let timed = |px_s_sigma| KnownScale {
            drift: Some(Drift {
                px_s: 20.0,
                px_s_sigma,
                declination_deg: 10.0,
            }),
            magnification: None,
        };
        assert_eq!(timed(0.2).fault(), None);
        for sigma in [0.0, -1.0, 30.0, f64::INFINITY, f64::NAN] {
            assert_eq!(timed(sigma).fault().map(|f| f.0), Some("drift"), "{sigma}");
        }
    }

    #[test]
    fn two_sources_are_weighed_by_their_errors() {
        let both = KnownScale {
            magnification: Some(100.0),
            drift: Some(Drift {
                px_s: 15.041,
                px_s_sigma: 0.15041,
                declination_deg: 0.0,
            }),
        };
        // 100 times, 1.1 arc seconds a pixel: 10 % more than the drift's, at five times its error.
        let pixel_rad = 110.0 / ARCSEC_PER_RAD;
        let [scale, share] = both.scale(Some(pixel_rad)).unwrap_or_default();
        let weights = [0.01f64.powi(-2), 0.05f64.powi(-2)];
        let mean = (weights[1] * 1.1f64.ln() / (weights[0] + weights[1])).exp();
        assert!((scale - mean).abs() < 1e-9, "{scale}");
        assert!((share - (weights[0] + weights[1]).sqrt().recip()).abs() < 1e-9);
        // Without what the stills say of their camera the magnification tells nothing.
        assert_eq!(both.scale(None), both.with_drift_alone().scale(Some(1.0)));
    }

    impl KnownScale {
        fn with_drift_alone(self) -> Self {
            Self {
                magnification: None,
                ..self
            }
        }
    }
}
