//! A wavefront by its Noll coefficients, and the conversions between the ways
//! people state an aberration.
//!
//! W020, W131, W222 and W040 are *peak* coefficients: the contribution at the
//! rim of W020 r^2, W131 r^3 cos t, W222 r^2 cos^2 t, W040 r^4. The a_j are
//! Noll coefficients, RMS values on the full disc. Values on an annulus follow
//! V. N. Mahajan, "Zernike annular polynomials for imaging systems with annular
//! pupils", J. Opt. Soc. Am. 71, 75 (1981).

use super::zernike;

/// First and last Noll index a [`Wavefront`] carries.
pub const FIRST: usize = 4;
/// See [`FIRST`].
pub const LAST: usize = 15;
/// Number of coefficients.
pub const MODES: usize = LAST - FIRST + 1;

/// Noll coefficients Z4 to Z15, in waves at [`super::REFERENCE_NM`].
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wavefront {
    coefficients: [f64; MODES],
}

impl Wavefront {
    /// A flat wavefront.
    pub fn flat() -> Self {
        Self::default()
    }

    /// The coefficient of Noll index `j`; 0 for an index not carried.
    pub fn get(&self, j: usize) -> f64 {
        if (FIRST..=LAST).contains(&j) {
            self.coefficients[j - FIRST]
        } else {
            0.0
        }
    }

    /// Sets the coefficient of Noll index `j`; an index not carried is ignored.
    pub fn set(&mut self, j: usize, waves: f64) {
        if (FIRST..=LAST).contains(&j) {
            self.coefficients[j - FIRST] = waves;
        }
    }

    /// The same with one coefficient changed.
    #[must_use]
    pub fn with(mut self, j: usize, waves: f64) -> Self {
        self.set(j, waves);
        self
    }

    /// Value at a pupil point, waves.
    pub fn at(&self, u: f64, v: f64) -> f64 {
        (FIRST..=LAST)
            .filter(|&j| self.get(j) != 0.0)
            .map(|j| self.get(j) * zernike::noll(j, u, v))
            .sum()
    }

    /// The coma vector (a8, a7): its x and y components in a picture.
    pub fn coma(&self) -> [f64; 2] {
        [self.get(8), self.get(7)]
    }

    /// RMS coma, sqrt(a7^2 + a8^2).
    pub fn coma_rms(&self) -> f64 {
        self.get(7).hypot(self.get(8))
    }

    /// RMS of the whole wavefront on a full disc.
    pub fn rms(&self) -> f64 {
        self.coefficients.iter().map(|a| a * a).sum::<f64>().sqrt()
    }

    /// The wavefront that gives the same picture on a pupil with point
    /// symmetry: all even modes reversed.
    #[must_use]
    pub fn other_side(mut self) -> Self {
        for j in FIRST..=LAST {
            if zernike::is_even(j) {
                self.set(j, -self.get(j));
            }
        }
        self
    }
}

/// Defocus: W020 = 2 sqrt(3) a4.
pub fn w020_from_a4(a4: f64) -> f64 {
    2.0 * 3f64.sqrt() * a4
}
/// See [`w020_from_a4`].
pub fn a4_from_w020(w020: f64) -> f64 {
    w020 / (2.0 * 3f64.sqrt())
}
/// Coma along one axis: W131 = 3 sqrt(8) a8 = sqrt(72) a8.
pub fn w131_from_coma(coma_rms: f64) -> f64 {
    72f64.sqrt() * coma_rms
}
/// See [`w131_from_coma`].
pub fn coma_from_w131(w131: f64) -> f64 {
    w131 / 72f64.sqrt()
}
/// Astigmatism: W222 = 2 sqrt(6) a6 (a = sqrt(a5^2 + a6^2) along its own axis).
pub fn w222_from_astigmatism(astigmatism_rms: f64) -> f64 {
    2.0 * 6f64.sqrt() * astigmatism_rms
}
/// Third-order spherical: W040 = 6 sqrt(5) a11.
pub fn w040_from_a11(a11: f64) -> f64 {
    6.0 * 5f64.sqrt() * a11
}

/// W020 from how far from focus the picture was taken: delta/(8 N^2), in the
/// unit of `shift`.
pub fn w020_from_focus_shift(shift: f64, focal_ratio: f64) -> f64 {
    shift / (8.0 * focal_ratio * focal_ratio)
}
/// W020 from the donut's outer radius at the detector: R/(4 N), in the unit of
/// `outer_radius`.
pub fn w020_from_radius(outer_radius: f64, focal_ratio: f64) -> f64 {
    outer_radius / (4.0 * focal_ratio)
}
/// The donut's outer radius for a W020, same unit.
pub fn radius_from_w020(w020: f64, focal_ratio: f64) -> f64 {
    4.0 * focal_ratio * w020
}

/// RMS of coma W131 on an annulus with obstruction `eps` (by diameter), tilt
/// removed: W131 (1-e^2) sqrt(1+4e^2+e^4) / sqrt(72 (1+e^2)) (Mahajan 1981).
pub fn annular_coma_rms(w131: f64, eps: f64) -> f64 {
    let e2 = eps * eps;
    w131 * (1.0 - e2) * (1.0 + 4.0 * e2 + e2 * e2).sqrt() / (72.0 * (1.0 + e2)).sqrt()
}
/// The tilt that balances coma W131 on an annulus, as a share of W131:
/// (2/3)(1+e^2+e^4)/(1+e^2).
pub fn annular_balancing_tilt(eps: f64) -> f64 {
    let e2 = eps * eps;
    2.0 / 3.0 * (1.0 + e2 + e2 * e2) / (1.0 + e2)
}
/// RMS of defocus W020 on an annulus: W020 (1-e^2)/sqrt(12).
pub fn annular_defocus_rms(w020: f64, eps: f64) -> f64 {
    w020 * (1.0 - eps * eps) / 12f64.sqrt()
}
/// RMS of spherical aberration W040 with its best focus on an annulus:
/// W040 (1-e^2)^2 / sqrt(180).
pub fn annular_spherical_rms(w040: f64, eps: f64) -> f64 {
    w040 * (1.0 - eps * eps).powi(2) / 180f64.sqrt()
}
/// RMS coma on the instrument's own annular pupil from the Noll value.
pub fn annular_from_noll_coma(coma_rms: f64, eps: f64) -> f64 {
    annular_coma_rms(w131_from_coma(coma_rms), eps)
}
