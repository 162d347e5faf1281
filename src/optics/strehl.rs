//! Strehl ratio from the RMS wavefront error, each approximation under its own
//! name because they differ in the second place already at 1/14 wave.
//!
//! All take `rms_waves`, the RMS wavefront error in waves of the light looked
//! at, tilt removed.

use std::f64::consts::TAU;

/// exp(-(2 pi sigma)^2), often called the extended Maréchal approximation;
/// the closest of the three for coma up to W131 of about 1.5 waves. This is the
/// one Tubewright shows.
pub fn exponential(rms_waves: f64) -> f64 {
    (-(TAU * rms_waves).powi(2)).exp()
}

/// (1 - (2 pi sigma)^2 / 2)^2, Maréchal's own (Born & Wolf, §9.1); zero where
/// the bracket would change sign.
pub fn marechal(rms_waves: f64) -> f64 {
    (1.0 - (TAU * rms_waves).powi(2) / 2.0).max(0.0).powi(2)
}

/// 1 - (2 pi sigma)^2, the first-order form; never below zero.
pub fn first_order(rms_waves: f64) -> f64 {
    (1.0 - (TAU * rms_waves).powi(2)).max(0.0)
}

/// The RMS error, in waves, at which [`exponential`] gives `strehl`
/// (0 < `strehl` <= 1); NaN outside.
pub fn rms_for_exponential(strehl: f64) -> f64 {
    if strehl > 0.0 && strehl <= 1.0 {
        (-strehl.ln()).sqrt() / TAU
    } else {
        f64::NAN
    }
}
