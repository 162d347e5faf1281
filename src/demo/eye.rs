//! Looks by eye: from what a person saw to coma.

use super::files::{Eye, Instrument};
use crate::library::star_tests::{Method, StarTest};

/// Apparent field of the eyepieces in the club's box, degrees.
const APPARENT_FIELD_DEG: f64 = 50.0;
/// A ratio of widths is judged to about a tenth.
const RATIO_SIGMA: f64 = 0.1;
/// A width is judged to about a fifth.
const WIDTH_SHARE_SIGMA: f64 = 0.2;
const WAVE_MM: f64 = 550e-6;

/// The star test that a look makes.
///
/// W020 = theta D / 4 with theta the donut's angular radius, and
/// W131 = W020 (1 - q) / ((1 + q) 1.5 (1 + eps)) with q the ratio of widths;
/// RMS = W131 / sqrt(72) (Noll 1976).
pub fn star_test(instrument: &Instrument, look: &Eye) -> StarTest {
    let field_rad = (APPARENT_FIELD_DEG / look.power).to_radians();
    let theta = look.share * field_rad / 2.0;
    let defocus_waves = theta * instrument.aperture_mm / 4.0 / WAVE_MM;
    let per_ratio = defocus_waves / (1.5 * (1.0 + instrument.obstruction)) / 72_f64.sqrt();
    let q = look.ratio;
    let coma = per_ratio * (1.0 - q) / (1.0 + q);
    let by_ratio = per_ratio * 2.0 / (1.0 + q).powi(2) * RATIO_SIGMA;
    let by_width = coma * WIDTH_SHARE_SIGMA;
    StarTest {
        method: Method::ByEye,
        side: look.side,
        diagonal: instrument.diagonal,
        seeing: Some(look.seeing),
        magnification: Some(look.power),
        defocus_waves: Some(defocus_waves),
        thin_to_thick: Some(q),
        thin_clock_deg: look.thin.map(|hour| (hour * 30.0).rem_euclid(360.0)),
        coma_rms_waves: coma,
        coma_rms_waves_sigma: by_ratio.hypot(by_width),
        attempt_id: None,
        judged: serde_json::json!({
            "donut_share_of_field": look.share,
            "apparent_field_deg": APPARENT_FIELD_DEG,
            "magnification": look.power,
            "thin_to_thick": look.ratio,
            "thin_clock": look.thin,
            "side": look.side,
            "seeing": look.seeing,
        })
        .to_string(),
    }
}
