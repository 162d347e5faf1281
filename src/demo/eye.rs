//! Looks by eye: from what a person told to coma.

use serde_json::json;

use super::files::{Eye, Instrument};
use crate::library::star_tests::{Method, StarTest};
use crate::optics::{REFERENCE_NM, wavefront};

/// A ratio of widths is judged to about a tenth.
const RATIO_SIGMA: f64 = 0.1;
/// A width is judged to about a fifth.
const WIDTH_SHARE_SIGMA: f64 = 0.2;

/// The star test that a look makes.
///
/// W020 = theta D / 4 with theta the donut's angular radius, and
/// W131 = W020 (1 - q) / ((1 + q) 1.5 (1 + eps)) with q the ratio of widths.
pub fn star_test(instrument: &Instrument, look: &Eye) -> StarTest {
    let theta = (look.looks_deg / look.power / 2.0).to_radians();
    let w020 = theta * instrument.aperture_mm / 4.0 / (REFERENCE_NM * 1e-6);
    let q = look.ratio;
    let scale = w020 / (1.5 * (1.0 + instrument.obstruction));
    let coma = wavefront::coma_from_w131(scale * (1.0 - q) / (1.0 + q));
    let per_ratio = wavefront::coma_from_w131(scale * 2.0 / (1.0 + q).powi(2));
    let sigma = (RATIO_SIGMA * per_ratio).hypot(WIDTH_SHARE_SIGMA * coma);
    let hour = look.thin.map(|h| h.to_string()).unwrap_or_default();
    StarTest {
        method: Method::ByEye,
        side: look.side,
        diagonal: instrument.diagonal,
        seeing: Some(look.seeing),
        magnification: Some(look.power),
        defocus_waves: Some(w020),
        thin_to_thick: Some(q),
        thin_clock_deg: look.thin.map(|h| f64::from(h % 12) * 30.0),
        coma_rms_waves: coma,
        coma_rms_waves_sigma: sigma,
        attempt_id: None,
        // The fields of the form for looks by eye, as typed.
        judged: json!({
            "typed": {
                "star_ratio": format!("{q:.1}"),
                "star_looks_wide": look.looks_deg.to_string(),
                "star_magnification": look.power.to_string(),
                "star_apparent_field": "50",
                "star_clock": hour,
                "star_side": look.side,
                "star_diagonal": if instrument.diagonal { "yes" } else { "" },
                "star_seeing": look.seeing.to_string(),
            },
            "width": {
                "judged_by": "looks-wide",
                "apparent_deg": look.looks_deg,
                "magnification": look.power,
            },
        })
        .to_string(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::files::Seed;
    use super::*;
    use crate::library::star_tests::FocusSide;

    /// Worked by hand: 1 degree at 150x is a radius of 12 arc seconds, on
    /// 203 mm W020 = 5.818e-5 x 203 / 4 mm = 5.368 waves; with q = 0.8 and
    /// eps = 0.34 W131 = 5.368 x 0.2 / (1.8 x 1.5 x 1.34) = 0.2967 waves, and
    /// the RMS 0.2967 / sqrt(72) = 0.0350 (Noll 1976).
    #[test]
    fn a_look_worked_by_hand_comes_out() {
        let seed = Seed::read().unwrap();
        let (sc, _) = seed
            .instruments
            .iter()
            .find(|(i, _)| i.tag == "SC203A")
            .unwrap();
        let look = Eye {
            looks_deg: 1.0,
            power: 150.0,
            ratio: 0.8,
            thin: Some(12),
            side: FocusSide::Inside,
            seeing: 2,
        };
        let test = star_test(sc, &look);
        assert!((test.defocus_waves.unwrap() - 5.368).abs() < 0.001);
        assert!((test.coma_rms_waves - 0.0350).abs() < 0.0001);
        assert_eq!(test.thin_clock_deg, Some(0.0));
    }
}
