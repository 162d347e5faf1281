//! Looks by eye: from what a person told to coma.

use serde_json::json;

use super::files::{Eye, Instrument};
use library::star_tests::{FocusSide, Method, StarTest};
use startest::by_eye::{ByEye, DonutWidth, Misjudged, Unevenness, judge_by_eye};

/// The star test that a look makes.
pub fn star_test(instrument: &Instrument, look: &Eye) -> Result<StarTest, Misjudged> {
    let thin_clock_deg = look.thin.map(|h| f64::from(h % 12) * 30.0);
    let wave = judge_by_eye(&ByEye {
        aperture_mm: instrument.aperture_mm,
        obstruction: instrument.obstruction,
        width: DonutWidth::OfTrueField {
            share: 1.0,
            true_field_deg: look.looks_deg / look.power,
        },
        unevenness: Unevenness::Ratio(look.ratio),
        thin_clock_deg,
        side_sign: if look.side == FocusSide::Inside {
            -1.0
        } else {
            1.0
        },
    })?;
    let hour = look.thin.map(|h| h.to_string()).unwrap_or_default();
    Ok(StarTest {
        method: Method::ByEye,
        side: look.side,
        diagonal: instrument.diagonal,
        seeing: Some(look.seeing),
        magnification: Some(look.power),
        defocus_waves: Some(wave.defocus_waves.abs()),
        thin_to_thick: Some(look.ratio),
        thin_clock_deg,
        coma_rms_waves: wave.coma_rms_waves,
        coma_rms_waves_sigma: wave.coma_rms_waves_sigma,
        attempt_id: None,
        // The fields of the form for looks by eye, as typed.
        judged: json!({
            "typed": {
                "star_ratio": format!("{:.1}", look.ratio),
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
    })
}
