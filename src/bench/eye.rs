//! Looks by eye: how their error comes about.

use optics::{REFERENCE_NM, seeing};
use startest::by_eye::RATIO_ERROR;

/// A look by eye: how its error comes about.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Eye {
    /// How well the donut's width is judged, as a share of it. It is in the
    /// look's 1-sigma, but it is misjudged alike at every look.
    pub width_share: f64,
    /// What the air adds, which the person cannot know: 1-sigma per component,
    /// waves.
    pub air_waves: f64,
}

/// Moments of air that are independent of each other and that an eye averages at
/// one look (assumed).
const MOMENTS: usize = 10;

impl Eye {
    /// For this aperture; the air by Antoniadi's scale, 1 to 5, if it was told.
    /// Which blur in arc seconds that is is assumed.
    pub fn of(width_share: f64, aperture_mm: f64, antoniadi: Option<i64>) -> Self {
        let fwhm_arcsec = match antoniadi {
            Some(1) => 1.0,
            Some(2) => 1.5,
            Some(4) => 3.5,
            Some(5) => 5.0,
            _ => 2.5,
        };
        let d_over_r0 = aperture_mm / seeing::r0_mm(fwhm_arcsec, REFERENCE_NM);
        Self {
            width_share,
            air_waves: seeing::coma_floor_waves(d_over_r0, MOMENTS),
        }
    }

    /// What is left of a look's 1-sigma when the width is taken out and the air
    /// put in.
    pub(super) fn own_sigma(&self, coma: [f64; 2], sigma: f64) -> f64 {
        self.ratio_sigma(coma, sigma).hypot(self.air_waves)
    }

    /// What of it comes from the ratio of the ring's widths.
    fn ratio_sigma(&self, coma: [f64; 2], sigma: f64) -> f64 {
        let width = self.width_share * coma[0].hypot(coma[1]);
        (sigma * sigma - width * width)
            .max(0.01 * sigma * sigma)
            .sqrt()
    }

    /// How far from focus this look was made, as the coma at which the ring would
    /// close. The ratio's error depends on the coma that is there, and a look that
    /// happens to read small must not count for more because of it.
    pub(super) fn closing_waves(&self, coma: [f64; 2], sigma: f64) -> f64 {
        let size = coma[0].hypot(coma[1]);
        let own = self.ratio_sigma(coma, sigma);
        // own = e (w + c)^2 / 2 w (`ratio_sigma_at`), solved for w.
        let half = own / RATIO_ERROR - size;
        (half + (half * half - size * size).max(0.0).sqrt()).max(LEAST_CLOSING_WAVES)
    }
}

/// 1-sigma from the ratio of widths at this coma: with x = c/w = (1 - q)/(1 + q),
/// dc/dq is w (1 + x)^2 / 2 (`judge_by_eye`).
pub(super) fn ratio_sigma_at(coma: f64, closing_waves: f64) -> f64 {
    RATIO_JUDGED * (closing_waves + coma).powi(2) / (2.0 * closing_waves)
}

/// How well the ratio is judged in one look of several; what a single star test
/// says of itself ([`RATIO_ERROR`]) has the person's own way with it in it, which
/// is reckoned with apart (assumed).
const RATIO_JUDGED: f64 = 0.1;

/// No look is asked for nearer to focus than five waves: with an obstruction of a
/// third that is 5/(1.5 1.33 root 72) = 0.29; a tenth off for what was asked and
/// done.
const LEAST_CLOSING_WAVES: f64 = 0.26;

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten short exposures of 203 mm in 2.5 arc seconds: Noll's coma modes have
    /// 0.0062 (D/r0)^(5/3) rad^2 each (JOSA 66, 207 (1976), table I). r0 = 0.98
    /// lambda/FWHM = 44.5 mm, (D/r0)^(5/6) = 3.54, 0.0444 waves a mode, over the
    /// root of ten 0.0140 (worked by hand).
    #[test]
    fn the_air_adds_what_kolmogorov_says_and_the_width_is_taken_out() {
        let eye = Eye::of(0.2, 203.0, Some(3));
        assert!((eye.air_waves - 0.0140).abs() < 3e-4, "{}", eye.air_waves);
        let sigma = 0.03f64.hypot(0.2 * 0.1);
        let own = eye.own_sigma([0.06, 0.08], sigma);
        assert!((own - 0.03f64.hypot(eye.air_waves)).abs() < 1e-9);
        assert!(Eye::of(0.2, 203.0, Some(5)).air_waves > eye.air_waves);
    }
}
