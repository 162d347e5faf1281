//! Looks by eye: how their error comes about.

use optics::{REFERENCE_NM, seeing};

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
        let width = self.width_share * coma[0].hypot(coma[1]);
        let own = (sigma * sigma - width * width).max(0.01 * sigma * sigma);
        own.sqrt().hypot(self.air_waves)
    }
}

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
