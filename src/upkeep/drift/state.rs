//! What is known of one instrument's coma vector, and what a look does to it.
//!
//! Every error is the same along both axes and between them there is none, so
//! one variance serves for a state. Where the direction on the tube is known,
//! a state is a normal distribution and a look updates it as Kalman's filter
//! does, exactly. Where nobody told the direction (most looks), the state is a
//! *ring*: a mean of known length and unknown direction, plus the normal
//! spread; the length is then Rice-distributed. A look without a direction
//! updates a ring through the angle between the two, whose law is von Mises's;
//! the outcome is put back into a ring of equal mean and variance of the squared
//! length. See K. V. Mardia & P. E. Jupp, Directional Statistics (2000), 3.5.4
//! for the law, and Y. Bar-Shalom et al., Estimation with Applications to
//! Tracking and Navigation (2001), 11.6 for merging.

use super::chain::Look;
use super::dual::Real;
use library::star_tests::Method;

/// What is known of a coma vector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State<T> {
    /// Known direction: the mean along x. Ring: the squared radius of the ring.
    pub a: T,
    /// Known direction: the mean along y. Ring: nothing.
    pub b: T,
    /// Variance along one axis, waves squared.
    pub variance: T,
    /// Whether the direction is unknown.
    pub ring: bool,
}

/// A look's chance of being wild, by eye.
pub const WILD_BY_EYE: f64 = 0.04;
/// The same from frames.
pub const WILD_FROM_FRAMES: f64 = 0.003;
/// The same by phone: measured, but what the rings take for the scale, and a phone that cuts
/// the beam, can mislead (assumed, between the two).
pub const WILD_BY_PHONE: f64 = 0.01;
/// Chance that something moved it between two looks that nobody told of.
pub const UNTOLD_BLOW: f64 = 0.02;
/// How far such a blow moves it along one axis, waves.
pub const BLOW_WAVES: f64 = 0.08;
/// How wide wild looks scatter along one axis, waves.
pub const WILD_SPREAD_WAVES: f64 = 0.2;
/// From this concentration of the angle on, a look without direction is taken
/// to point where the state already did; below, the direction is let go.
const KEEPS_DIRECTION: f64 = 25.0;
const LEAST_VARIANCE: f64 = 1e-9;
const LN_2_PI: f64 = 1.837_877_066_409_345_3;

impl<T: Real> State<T> {
    /// Set anew: no mean, this variance.
    pub fn fresh(variance: T) -> Self {
        Self {
            a: T::of(0.0),
            b: T::of(0.0),
            variance,
            ring: false,
        }
    }

    /// Squared length of the mean.
    pub fn mean_squared(&self) -> T {
        if self.ring {
            self.a
        } else {
            self.a * self.a + self.b * self.b
        }
    }

    /// After drifting by this variance along one axis.
    pub fn drifted(&self, variance: T) -> Self {
        Self {
            variance: self.variance + variance,
            ..*self
        }
    }

    /// Log density of a look, were it not wild, and the state after it;
    /// `look_variance` is its error's, waves squared.
    pub fn looked(&self, look: &Look, look_variance: T) -> (T, Self) {
        let rho = look.coma_rms_waves;
        let total = self.variance + look_variance;
        let gain = self.variance / total;
        let left = look_variance / total;
        let variance = floored(left * self.variance);
        match (self.ring, look.direction_deg) {
            (false, Some(deg)) => {
                let (y, x) = deg.to_radians().sin_cos();
                let (dx, dy) = (-self.a + rho * x, -self.b + rho * y);
                let log = -(dx * dx + dy * dy) / (total * 2.0) + -total.ln() + -LN_2_PI;
                let after = Self {
                    a: self.a + gain * dx,
                    b: self.b + gain * dy,
                    variance,
                    ring: false,
                };
                (log, after)
            }
            (ring, direction) => {
                let u = self.mean_squared();
                let w = u * (rho * rho) / (total * total);
                let ln_i0 = w.ln_i0_of_square();
                let ratio = w.ratio_of_square();
                let log = ln_i0 + -((u + rho * rho) / (total * 2.0)) + -total.ln();
                // Squared length of the mean after, averaged over the angle.
                let turn = u * gain * left * ratio * (2.0 * rho * rho) / total;
                let squared = left * left * u + gain * gain * (rho * rho) + turn;
                let known_before = !ring && u.value() > 0.0;
                match direction {
                    Some(deg) => {
                        // The ring takes the look's direction for its own.
                        let along = left * u * ratio * rho / total + gain * rho;
                        let spread = floored((squared + -(along * along)) * 0.5 + variance);
                        let (y, x) = deg.to_radians().sin_cos();
                        let after = Self {
                            a: along * x,
                            b: along * y,
                            variance: spread,
                            ring: false,
                        };
                        (log + -LN_2_PI, after)
                    }
                    None if known_before && w.value() > KEEPS_DIRECTION * KEEPS_DIRECTION => {
                        // Along the mean m: (left + gain rho A/|m|) m.
                        let stretch = left + gain * ratio * (rho * rho) / total;
                        let (a, b) = (self.a * stretch, self.b * stretch);
                        let spread = floored((squared + -(a * a + b * b)) * 0.5 + variance);
                        let after = Self {
                            a,
                            b,
                            variance: spread,
                            ring: false,
                        };
                        (log + rho.max(1e-6).ln(), after)
                    }
                    None => {
                        let var_cos = -ratio + -(w * ratio * ratio) + 1.0;
                        let swing = gain * left;
                        let ring_part = swing * swing * u * var_cos * (4.0 * rho * rho);
                        let mean = squared + variance * 2.0;
                        let spread =
                            ring_part + squared * variance * 4.0 + variance * variance * 4.0;
                        (log + rho.max(1e-6).ln(), ring_of(mean, spread))
                    }
                }
            }
        }
    }

    /// Mean and variance of the squared length.
    fn squared_length(&self) -> (T, T) {
        let u = self.mean_squared();
        let v = self.variance;
        (u + v * 2.0, u * v * 4.0 + v * v * 4.0)
    }

    /// Two states that may each be true, merged into one.
    pub fn merged(weight: T, first: &Self, second: &Self) -> Self {
        let other = -weight + 1.0;
        if first.ring || second.ring {
            let ((m1, v1), (m2, v2)) = (first.squared_length(), second.squared_length());
            let gap = m1 - m2;
            return ring_of(
                weight * m1 + other * m2,
                weight * v1 + other * v2 + weight * other * gap * gap,
            );
        }
        let (dx, dy) = (first.a - second.a, first.b - second.b);
        let apart = weight * other * (dx * dx + dy * dy) * 0.5;
        Self {
            a: weight * first.a + other * second.a,
            b: weight * first.b + other * second.b,
            variance: floored(weight * first.variance + other * second.variance + apart),
            ring: false,
        }
    }
}

/// The ring whose squared length has this mean and variance.
fn ring_of<T: Real>(mean: T, spread: T) -> State<T> {
    let rest = mean * mean - spread;
    let (radius_squared, variance) = if rest.value() > 1e-8 * mean.value() * mean.value() {
        let root = rest.sqrt();
        // (mean - root)/2 without losing digits.
        (root, spread / ((mean + root) * 2.0))
    } else {
        (T::of(0.0), mean * 0.5)
    };
    State {
        a: radius_squared,
        b: T::of(0.0),
        variance: floored(variance),
        ring: true,
    }
}

fn floored<T: Real>(variance: T) -> T {
    if variance.value() > LEAST_VARIANCE {
        variance
    } else {
        T::of(LEAST_VARIANCE)
    }
}

/// Log density of a wild look, and its chance before looking.
pub fn wild(look: &Look) -> (f64, f64) {
    let spread = WILD_SPREAD_WAVES * WILD_SPREAD_WAVES + look.sigma_waves * look.sigma_waves;
    let rho = look.coma_rms_waves;
    let log = -rho * rho / (2.0 * spread) - spread.ln();
    let log = match look.direction_deg {
        Some(_) => log - LN_2_PI,
        None => log + rho.max(1e-6).ln(),
    };
    let chance = match look.method {
        Method::ByEye => WILD_BY_EYE,
        Method::FromFrames => WILD_FROM_FRAMES,
        Method::ByPhone => WILD_BY_PHONE,
    };
    (log, chance)
}
