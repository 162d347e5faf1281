//! What a file says of the instrument and the camera.

use chrono::NaiveDateTime;

/// Facts found in a file's header that can fill a form in advance.
///
/// They are hints: camera programs copy them from settings that may be stale,
/// so a person confirms them. Values that are not positive and finite are left
/// out. FITS 4.0 reserves `DATE-OBS` and `XPOSURE`; the other keywords are
/// common practice, no source.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Hints {
    /// Pixel pitch along a row as stated by `XPIXSZ` (or `PIXSIZE1`), micrometres. Most
    /// programs write it with binning included, some without.
    pub pixel_um: Option<f64>,
    /// Binning along rows and columns (`XBINNING`, `YBINNING`).
    pub binning: Option<(u32, u32)>,
    /// Focal length (`FOCALLEN`), mm.
    pub focal_mm: Option<f64>,
    /// Clear aperture (`APTDIA`), mm.
    pub aperture_mm: Option<f64>,
    /// Exposure time of one frame (`EXPTIME`, `EXPOSURE` or `XPOSURE`), s.
    pub exposure_s: Option<f64>,
    /// Start of the exposure (`DATE-OBS`), UTC.
    pub observed_at: Option<NaiveDateTime>,
    /// Name of the filter (`FILTER`).
    pub filter: Option<String>,
    /// Whether the camera sees colour: a Bayer pattern or colour planes.
    pub colour: Option<bool>,
}

/// `DATE-OBS` in the forms of FITS 4.0 §9.1.1, `CCYY-MM-DD[Thh:mm:ss[.s...]]`.
pub(super) fn fits_datetime(text: &str) -> Option<NaiveDateTime> {
    let text = text.trim().trim_end_matches('Z');
    NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M:%S%.f")
        .ok()
        .or_else(|| {
            chrono::NaiveDate::parse_from_str(text, "%Y-%m-%d")
                .ok()
                .and_then(|day| day.and_hms_opt(0, 0, 0))
        })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn dates_in_the_forms_of_the_standard_are_read() {
        let full = fits_datetime("2024-11-03T21:14:05.25").unwrap();
        assert_eq!(full.to_string(), "2024-11-03 21:14:05.250");
        assert_eq!(
            fits_datetime("2024-11-03").unwrap().to_string(),
            "2024-11-03 00:00:00"
        );
        assert_eq!(fits_datetime("03/11/99"), None);
        assert_eq!(fits_datetime("2024-13-03T00:00:00"), None);
    }
}
