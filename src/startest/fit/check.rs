//! What cannot be fitted is refused before any work.

use super::{FitError, Start, stage};
use crate::frame::{Setup, Stamp};

pub(super) fn setup(s: &Setup) -> Result<(), FitError> {
    let bad = |what: &str| Err(FitError::Input(what.to_owned()));
    let positive = |v: f64| v.is_finite() && v > 0.0;
    if !positive(s.aperture_mm) || !positive(s.focal_mm) {
        return bad("aperture and focal length must be above zero");
    }
    if !positive(s.pixel_um) {
        return bad("the pixel size must be above zero");
    }
    if !(0.0..0.95).contains(&s.obstruction) {
        return bad("the obstruction must be between 0 and 0.95 of the aperture");
    }
    let half = s.bandwidth_nm / 2.0;
    if !positive(s.wavelength_nm) || !(0.0..0.8 * s.wavelength_nm).contains(&half) {
        return bad("the wavelength must be above zero and the band narrower than it");
    }
    Ok(())
}

pub(super) fn stamp(stamp: &Stamp) -> Result<(), FitError> {
    let n = stamp.size * stamp.size;
    if stamp.size < 12 || stamp.data.len() != n || stamp.sigma.len() != n {
        return Err(FitError::Stamp(format!(
            "size {}, {} values and {} sigmas",
            stamp.size,
            stamp.data.len(),
            stamp.sigma.len()
        )));
    }
    let usable = stamp
        .data
        .iter()
        .zip(&stamp.sigma)
        .filter(|(d, s)| d.is_finite() && s.is_finite() && **s >= 0.0)
        .count();
    if usable < n / 4 {
        return Err(FitError::Stamp(format!(
            "only {usable} of {n} values can be used"
        )));
    }
    Ok(())
}

pub(super) fn start(setup: &Setup, start: &Start) -> Result<(), FitError> {
    let finite = start
        .centre_px
        .iter()
        .chain(&start.coma_waves)
        .all(|v| v.is_finite());
    if !finite || !start.outer_radius_px.is_finite() || start.outer_radius_px < 3.0 {
        return Err(FitError::Input(
            "the first estimate needs a finite centre and an outer radius of 3 pixels or more"
                .to_owned(),
        ));
    }
    let w020 = stage::start_w020(setup, start);
    if !(0.7..1000.0).contains(&w020) {
        return Err(FitError::Input(format!(
            "a donut of {:.0} pixels radius would be {w020:.2} waves out of focus with the focal \
             length, aperture and pixel size given; check those three",
            start.outer_radius_px
        )));
    }
    Ok(())
}
