//! The coma a star away from the axis has by itself: not misalignment.

use super::{REFERENCE_NM, wavefront};

/// W131 of a paraboloid (a Newtonian in line) for a star `height_mm` from the
/// axis in the focal plane: h/(32 N^3), in waves at 550 nm. (Its
/// peak-to-valley with tilt removed is two thirds of that, h/(48 N^3).) Source: standard third-order theory; agrees with an
/// exact ray trace within 0.5 % at F/4 (tests/optics_published.rs).
pub fn newtonian_w131(height_mm: f64, focal_ratio: f64) -> f64 {
    height_mm / (32.0 * focal_ratio.powi(3)) * 1e6 / REFERENCE_NM
}

/// RMS (Noll) coma of a Newtonian in line at `height_mm` off its axis, waves.
pub fn newtonian_coma_rms(height_mm: f64, focal_ratio: f64) -> f64 {
    wavefront::coma_from_w131(newtonian_w131(height_mm, focal_ratio))
}

/// Radius of the field, mm, inside which a Newtonian's own coma stays below
/// `coma_rms` waves. About N^3/90 for 1/14 wave.
pub fn newtonian_field_radius_mm(coma_rms: f64, focal_ratio: f64) -> f64 {
    coma_rms / newtonian_coma_rms(1.0, focal_ratio)
}
