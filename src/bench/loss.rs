//! What an observer loses by coma, beside a perfect instrument of that size.

use crate::optics::diffraction::Sampled;
use crate::optics::eye::{DEFAULT_ACUITY_ARCMIN, Sharpness, sharp_up_to};
use crate::optics::pupil::Pupil;
use crate::optics::wavefront::{Wavefront, annular_from_noll_coma};
use crate::optics::{ARCSEC_PER_RAD, REFERENCE_NM, strehl};

/// Contrast at one size of detail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contrast {
    /// Share of the cut-off frequency D/lambda.
    pub share_of_cutoff: f64,
    /// Width of one light and one dark stripe together on the sky, arc seconds.
    pub period_arcsec: f64,
    /// What is left of the detail's contrast, 0 to 1, over directions.
    pub with_coma: f64,
    /// The same instrument in line.
    pub in_line: f64,
}

/// What is lost.
#[derive(Debug, Clone, PartialEq)]
pub struct Loss {
    /// Strehl ratio if coma is the only error: exp(-(2 pi sigma)^2) on the
    /// annulus.
    pub strehl: f64,
    /// Coarse, middling and fine detail: a tenth, a quarter and half of the
    /// cut-off.
    pub contrasts: [Contrast; 3],
    /// Up to which magnification it looks sharp.
    pub sharp: Sharpness,
    /// The acuity that rests on, arc minutes.
    pub acuity_arcmin: f64,
}

/// Shares of the cut-off.
const DETAIL: [f64; 3] = [0.1, 0.25, 0.5];
/// Cells across the pupil.
const CELLS: usize = 80;

/// What coma takes from an instrument.
pub fn loss(coma_rms_waves: f64, aperture_mm: f64, obstruction: f64) -> Loss {
    let pupil = Pupil::annular(obstruction);
    let sampled = |coma: f64| {
        let w = Wavefront::flat().with(8, coma);
        Sampled::new(&pupil, &w, REFERENCE_NM, CELLS)
    };
    let (here, perfect) = (sampled(coma_rms_waves), sampled(0.0));
    let cutoff_per_rad = aperture_mm / (REFERENCE_NM * 1e-6);
    let contrasts = DETAIL.map(|share| {
        // Along the coma, across it, and between.
        let mean = |s: &Sampled| {
            [0.0, 0.25, 0.5, 0.75]
                .map(|t| s.contrast(share, t * std::f64::consts::PI))
                .iter()
                .sum::<f64>()
                / 4.0
        };
        Contrast {
            share_of_cutoff: share,
            period_arcsec: ARCSEC_PER_RAD / (share * cutoff_per_rad),
            with_coma: mean(&here),
            in_line: mean(&perfect),
        }
    });
    Loss {
        strehl: strehl::exponential(annular_from_noll_coma(coma_rms_waves, obstruction)),
        contrasts,
        sharp: sharp_up_to(coma_rms_waves, aperture_mm, DEFAULT_ACUITY_ARCMIN),
        acuity_arcmin: DEFAULT_ACUITY_ARCMIN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast of a clear circle in line at s of the cut-off:
    /// (2/pi)(acos s - s sqrt(1 - s^2)) (Born & Wolf, 9.5).
    #[test]
    fn a_perfect_circle_keeps_the_textbook_contrast() {
        let perfect = loss(0.0, 100.0, 0.0);
        for c in perfect.contrasts {
            let s = c.share_of_cutoff;
            let want = 2.0 / std::f64::consts::PI * (s.acos() - s * (1.0 - s * s).sqrt());
            assert!((c.in_line - want).abs() < 0.02, "{s} {} {want}", c.in_line);
            assert_eq!(c.in_line, c.with_coma);
        }
        assert_eq!(perfect.strehl, 1.0);
        // Period at half the cut-off: 2 lambda/D = 2.27 arc seconds at 100 mm.
        assert!((perfect.contrasts[2].period_arcsec - 2.269).abs() < 0.01);
    }

    #[test]
    fn coma_takes_contrast_and_magnification() {
        let some = loss(0.1, 200.0, 0.34);
        let more = loss(0.2, 200.0, 0.34);
        for (a, b) in some.contrasts.iter().zip(&more.contrasts) {
            assert!(b.with_coma < a.with_coma && a.with_coma < a.in_line);
        }
        assert!(more.strehl < some.strehl && some.strehl < 0.72);
        assert!(more.sharp.magnification < some.sharp.magnification);
        assert!(some.sharp.magnification < some.sharp.perfect_magnification);
    }
}
