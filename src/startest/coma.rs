//! From lengths at the detector to waves, and back.
//!
//! `N` is the focal ratio, `eps` the obstruction by diameter, W020 and W131
//! the peak coefficients of defocus and coma at the edge of the aperture.

use super::frame::{Setup, Side};

/// The wavelength that "waves" mean everywhere in Tubewright, micrometres.
pub const WAVE_UM: f64 = 0.55;

/// Obstructions below this leave no shadow worth measuring; the light's
/// centroid is used instead.
pub const LEAST_SHADOW: f64 = 0.1;

/// Distance by which the shadow's edge circle sits off the outer edge's
/// centre, in the unit of `w131` (lengths), by geometry: 6 N (1 - eps^2) W131.
#[must_use]
pub fn shadow_offset(w131: f64, n: f64, eps: f64) -> f64 {
    6.0 * n * (1.0 - eps * eps) * w131
}

/// Distance from the outer edge's centre to the light's centroid, by geometry:
/// 2 N (2 - eps^2) W131.
#[must_use]
pub fn light_offset(w131: f64, n: f64, eps: f64) -> f64 {
    2.0 * n * (2.0 - eps * eps) * w131
}

impl Setup {
    /// Focal ratio N.
    #[must_use]
    pub fn focal_ratio(&self) -> f64 {
        self.focal_mm / self.aperture_mm
    }

    /// Waves at 550 nm per pixel of length on the detector.
    #[must_use]
    pub fn waves_per_px(&self) -> f64 {
        self.pixel_um / WAVE_UM
    }

    /// lambda N of the frames' own band, in pixels: the grain of diffraction.
    #[must_use]
    pub fn lambda_n_px(&self) -> f64 {
        self.wavelength_nm / 1000.0 * self.focal_ratio() / self.pixel_um
    }

    /// Peak defocus W020, waves at 550 nm, of a donut of this outer radius.
    #[must_use]
    pub fn w020_waves(&self, outer_radius_px: f64) -> f64 {
        outer_radius_px * self.waves_per_px() / (4.0 * self.focal_ratio())
    }

    /// Sign of W020: -1 inside focus, +1 outside or not told.
    #[must_use]
    pub fn side_sign(&self) -> f64 {
        if self.side == Side::Inside { -1.0 } else { 1.0 }
    }

    /// What is wrong with the settings: the field's name as on the command
    /// line, what is the matter and the mend; `None` when all is well.
    #[must_use]
    pub fn fault(&self) -> Option<SetupFault> {
        let fault = |field, text: String| Some(SetupFault { field, text });
        let between = |v: f64, low: f64, high: f64| v.is_finite() && v >= low && v <= high;
        if !between(self.aperture_mm, 5.0, 10_000.0) {
            return fault(
                "aperture-mm",
                format!(
                    "the aperture must be between 5 and 10000 mm, not {}",
                    self.aperture_mm
                ),
            );
        }
        if !between(self.focal_mm, 5.0, 200_000.0) {
            return fault(
                "focal-mm",
                format!(
                    "the focal length must be between 5 and 200000 mm, not {}",
                    self.focal_mm
                ),
            );
        }
        if !between(self.obstruction, 0.0, 0.9) {
            return fault(
                "obstruction",
                format!(
                    "the obstruction is the shadow's diameter over the aperture's: 0 to 0.9, not {}",
                    self.obstruction
                ),
            );
        }
        if !between(self.pixel_um, 0.1, 200.0) {
            return fault(
                "pixel-um",
                format!(
                    "the pixel pitch must be between 0.1 and 200 micrometres, not {}",
                    self.pixel_um
                ),
            );
        }
        if !between(self.wavelength_nm, 200.0, 3000.0) {
            return fault(
                "wavelength-nm",
                format!(
                    "the wavelength must be between 200 and 3000 nm, not {}",
                    self.wavelength_nm
                ),
            );
        }
        if !between(self.bandwidth_nm, 0.0, 1000.0) {
            return fault(
                "bandwidth-nm",
                format!(
                    "the bandwidth must be between 0 and 1000 nm, not {}",
                    self.bandwidth_nm
                ),
            );
        }
        let n = self.focal_ratio();
        if !between(n, 1.0, 60.0) {
            return fault(
                "focal-mm",
                format!(
                    "aperture and focal length make f/{n:.1}; star tests are measured from f/1 to f/60, so one of the two is wrong"
                ),
            );
        }
        None
    }
}

/// A setting that cannot be right.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {text}")]
pub struct SetupFault {
    /// The setting's name as on the command line, without dashes in front.
    pub field: &'static str,
    /// What is the matter, and what would be right.
    pub text: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: f64, b: f64, tol: f64) {
        assert!((a - b).abs() <= tol, "{a} is not within {tol} of {b}");
    }

    #[test]
    fn shadow_offset_of_the_worked_example() {
        // eps = 0.34, N = 10, W131 = 0.5 waves of 550 nm: 14.59 um.
        near(shadow_offset(0.5 * WAVE_UM, 10.0, 0.34), 14.59, 0.01);
    }

    #[test]
    fn ten_waves_at_f10_make_a_220_um_donut() {
        let setup = Setup {
            aperture_mm: 200.0,
            focal_mm: 2000.0,
            obstruction: 0.34,
            pixel_um: 2.2,
            wavelength_nm: 550.0,
            bandwidth_nm: 0.0,
            side: Side::Unknown,
            vanes: None,
        };
        near(setup.w020_waves(100.0), 10.0, 1e-9);
        assert_eq!(setup.fault(), None);
        let wrong = Setup {
            obstruction: f64::NAN,
            ..setup
        };
        assert_eq!(wrong.fault().map(|f| f.field), Some("obstruction"));
    }
}
