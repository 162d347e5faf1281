//! What an observer can see: limits of a perfect instrument, and what coma
//! takes away.

use super::{ARCSEC_PER_RAD, REFERENCE_NM, wavefront};

/// Acuity used unless another is given, arc minutes: the smallest angle the
/// observer tells apart in the eyepiece. One minute is the 20/20 letter stroke
/// in daylight; two to three are usual advice for comfort on faint detail. 1.5
/// is an eye with good sight on a bright planet or double star at night (common
/// practice, no source).
pub const DEFAULT_ACUITY_ARCMIN: f64 = 1.5;

/// Rayleigh's limit for two equal stars, 1.2197 lambda/D at 550 nm, arc seconds.
pub fn rayleigh_arcsec(aperture_mm: f64) -> f64 {
    1.219_67 * REFERENCE_NM * 1e-6 / aperture_mm * ARCSEC_PER_RAD
}

/// Dawes's empirical limit for two equal stars of the sixth magnitude,
/// 116/D(mm) arc seconds (W. R. Dawes, Mem. R. Astron. Soc. 35, 137, 1867).
pub fn dawes_arcsec(aperture_mm: f64) -> f64 {
    116.0 / aperture_mm
}

/// Highest magnification commonly held useful: twice the aperture in mm
/// (common practice).
pub fn highest_useful_magnification(aperture_mm: f64) -> f64 {
    2.0 * aperture_mm
}

/// Lowest magnification that gets all the light into a dark-adapted pupil of
/// 7 mm (common practice).
pub fn lowest_useful_magnification(aperture_mm: f64) -> f64 {
    aperture_mm / 7.0
}

/// Faintest star in a dark sky, magnitudes: 2 + 5 log10 D(mm) (common
/// practice; other rules differ by a few tenths).
pub fn limiting_magnitude(aperture_mm: f64) -> f64 {
    2.0 + 5.0 * aperture_mm.log10()
}

/// Width of the bright head of a comatic image on the sky, arc seconds: the
/// sagittal coma 2 W131/D of ray optics, a third of the whole flare. About half
/// of the light lies within it. `coma_rms_waves` is the Noll RMS at 550 nm.
pub fn coma_head_arcsec(coma_rms_waves: f64, aperture_mm: f64) -> f64 {
    let w131_mm = wavefront::w131_from_coma(coma_rms_waves.abs()) * REFERENCE_NM * 1e-6;
    2.0 * w131_mm / aperture_mm * ARCSEC_PER_RAD
}

/// Up to which magnification a star or planet's edge still looks sharp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sharpness {
    /// With the coma given.
    pub magnification: f64,
    /// The same instrument without coma.
    pub perfect_magnification: f64,
}

impl Sharpness {
    /// What is left of the perfect instrument's figure, 0 to 1.
    pub fn share(&self) -> f64 {
        self.magnification / self.perfect_magnification
    }
}

/// "Sharp up to about N x": the magnification at which the image's blur fills
/// the eye's acuity.
///
/// blur^2 = Rayleigh^2 + coma head^2 ([`rayleigh_arcsec`],
/// [`coma_head_arcsec`]); magnification = acuity / blur, never above
/// [`highest_useful_magnification`]. Rayleigh's limit stands for the
/// diffraction image, so that an instrument in line gives 0.65 D(mm) at 1.5
/// arc minutes. Our own formula, built of standard parts; the air is left out.
pub fn sharp_up_to(coma_rms_waves: f64, aperture_mm: f64, acuity_arcmin: f64) -> Sharpness {
    let limit = highest_useful_magnification(aperture_mm);
    let diffraction = rayleigh_arcsec(aperture_mm);
    let blur = diffraction.hypot(coma_head_arcsec(coma_rms_waves, aperture_mm));
    let acuity = acuity_arcmin * 60.0;
    Sharpness {
        magnification: (acuity / blur).min(limit),
        perfect_magnification: (acuity / diffraction).min(limit),
    }
}
