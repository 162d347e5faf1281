//! What the air does: Kolmogorov turbulence with an infinite outer scale.
//!
//! Sources: D. L. Fried, J. Opt. Soc. Am. 56, 1372 (1966) for r0 and the
//! transfer functions; R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976) for the
//! variance of each mode.

use super::{ARCSEC_PER_RAD, zernike};
use std::f64::consts::TAU;

/// Noll's Delta_1: phase variance of a full disc, piston removed, in
/// (D/r0)^(5/3) rad^2, by the exact series (his table IV prints 1.0299).
pub const PISTON_REMOVED: f64 = 1.032_42;

/// FWHM of the long-exposure Kolmogorov blur in units of lambda/r0, from its
/// transfer function.
pub const FWHM_PER_LAMBDA_OVER_R0: f64 = 0.975_86;

/// Exponent of the structure function.
const POWER: f64 = 5.0 / 3.0;
/// 6.88/2 (Fried 1966).
const TRANSFER_CONSTANT: f64 = 3.44;

/// Variance of one Zernike mode of radial order `n` >= 1 in
/// (D/r0)^(5/3) rad^2. Each of the coma pair (n = 3): 0.0062.
///
/// Ratio of neighbouring orders from Noll's eq. 25:
/// (n+2)/(n+1) * (n - 5/6)/(n + 23/6).
pub fn mode_variance(n: u32) -> f64 {
    // Order 1 from the exact series: (Delta_1 - Delta_3)/2.
    let mut v = 0.448_88;
    for k in 1..n {
        let k = f64::from(k);
        v *= (k + 2.0) / (k + 1.0) * (k - 5.0 / 6.0) / (k + 23.0 / 6.0);
    }
    v
}

/// Covariance of the Zernike modes of Noll indices `j` and `k` (2 and more) in
/// Kolmogorov air, in (D/r0)^(5/3) rad^2: nought unless both have the same
/// azimuthal order and are both cosine or both sine.
///
/// Noll 1976, eq. 25, with the gamma functions' constant such that the variances
/// are [`mode_variance`]'s.
pub fn mode_covariance(j: usize, k: usize) -> f64 {
    let ((n, m), (o, p)) = (zernike::orders(j), zernike::orders(k));
    if m != p || n == 0 || o == 0 {
        return 0.0;
    }
    let shape = |n: u32, o: u32| {
        let (n, o) = (f64::from(n), f64::from(o));
        ((n + 1.0) * (o + 1.0)).sqrt() * libm::tgamma((n + o - POWER) / 2.0)
            / (libm::tgamma((n - o + 17.0 / 3.0) / 2.0)
                * libm::tgamma((o - n + 17.0 / 3.0) / 2.0)
                * libm::tgamma((n + o + 23.0 / 3.0) / 2.0))
    };
    let sign = if n.abs_diff(o).is_multiple_of(4) {
        1.0
    } else {
        -1.0
    };
    sign * mode_variance(1) * shape(n, o) / shape(1, 1)
}

/// Noll's Delta_j: phase variance left when the first `j` modes are removed,
/// in (D/r0)^(5/3) rad^2.
pub fn residual_variance(j: usize) -> f64 {
    PISTON_REMOVED
        - (2..=j)
            .map(|k| mode_variance(zernike::orders(k).0))
            .sum::<f64>()
}

/// RMS wavefront error in waves of the turbulence in one short exposure once
/// the first `j` modes are removed.
pub fn residual_rms_waves(j: usize, d_over_r0: f64) -> f64 {
    (residual_variance(j) * d_over_r0.powf(POWER)).sqrt() / TAU
}

/// RMS length of the coma vector (both modes) in one short exposure, waves.
pub fn coma_rms_waves(d_over_r0: f64) -> f64 {
    (2.0 * mode_variance(3) * d_over_r0.powf(POWER)).sqrt() / TAU
}

/// 1-sigma floor of *one component* of the coma vector from an average of
/// `frames` exposures that are independent of each other, waves.
///
/// Exposures longer than the crossing time of the turbulence do better than
/// this, exposures taken within it worse; the scatter between blocks of frames
/// tells.
pub fn coma_floor_waves(d_over_r0: f64, frames: usize) -> f64 {
    coma_rms_waves(d_over_r0) / (2.0 * frames.max(1) as f64).sqrt()
}

/// Seeing FWHM in arc seconds from r0, both at the same wavelength.
pub fn fwhm_arcsec(r0_mm: f64, wavelength_nm: f64) -> f64 {
    FWHM_PER_LAMBDA_OVER_R0 * wavelength_nm * 1e-6 / r0_mm * ARCSEC_PER_RAD
}

/// D/r0 at [`super::REFERENCE_NM`] of an aperture whose stars are blurred by
/// `fwhm_rad` at the given wavelength; r0 grows as the wavelength to 6/5.
pub fn d_over_r0_of_blur(fwhm_rad: f64, aperture_mm: f64, wavelength_nm: f64) -> f64 {
    fwhm_rad * aperture_mm / (FWHM_PER_LAMBDA_OVER_R0 * wavelength_nm * 1e-6)
        * (wavelength_nm / super::REFERENCE_NM).powf(1.2)
}

/// r0 in mm from the seeing FWHM in arc seconds.
pub fn r0_mm(fwhm_arcsec: f64, wavelength_nm: f64) -> f64 {
    FWHM_PER_LAMBDA_OVER_R0 * wavelength_nm * 1e-6 / (fwhm_arcsec / ARCSEC_PER_RAD)
}

/// Long-exposure transfer exp(-3.44 (f lambda/r0)^(5/3)), written with the FWHM
/// of the blur: `frequency` is in cycles per unit of `fwhm`.
pub fn long_exposure_transfer(frequency: f64, fwhm: f64) -> f64 {
    (-transfer_exponent(frequency) * fwhm.max(0.0).powf(POWER)).exp()
}

/// The number k(f) in the transfer exp(-k(f) fwhm^(5/3)).
pub fn transfer_exponent(frequency: f64) -> f64 {
    TRANSFER_CONSTANT * (frequency.abs() / FWHM_PER_LAMBDA_OVER_R0).powf(POWER)
}

/// Transfer of exposures registered on their centroid before averaging
/// (Fried 1966, the "near field" short-exposure average): as
/// [`long_exposure_transfer`] with the exponent times
/// 1 - (lambda f / D)^(1/3). `cutoff` is D/lambda in the frequency's unit.
pub fn registered_transfer(frequency: f64, fwhm: f64, cutoff: f64) -> f64 {
    let tilt = 1.0 - (frequency.abs() / cutoff).min(1.0).cbrt();
    (-transfer_exponent(frequency) * tilt * fwhm.max(0.0).powf(POWER)).exp()
}
