//! Numbers that carry their derivatives, so that the filter is written once and
//! its likelihood has an exact gradient (forward differentiation; A. Griewank
//! and A. Walther, Evaluating Derivatives, SIAM 2008, chapter 3).

use std::ops::{Add, Div, Mul, Neg, Sub};

use super::special;

/// What the filter computes with: plain numbers, or [`Dual`] ones.
pub trait Real:
    Copy
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + Add<f64, Output = Self>
    + Mul<f64, Output = Self>
{
    /// A constant.
    fn of(value: f64) -> Self;
    /// The value alone.
    fn value(self) -> f64;
    /// A function of this one number, from its value and derivative here.
    fn map(self, value: f64, slope: f64) -> Self;

    /// Square root of a positive number.
    fn sqrt(self) -> Self {
        let root = self.value().sqrt();
        self.map(root, 0.5 / root)
    }
    /// Natural logarithm.
    fn ln(self) -> Self {
        self.map(self.value().ln(), self.value().recip())
    }
    /// Exponential.
    fn exp(self) -> Self {
        let e = self.value().exp();
        self.map(e, e)
    }
    /// ln I0(x) of w = x^2 >= 0.
    fn ln_i0_of_square(self) -> Self {
        let (ln_i0, b) = special::ln_i0_and_ratio(self.value());
        self.map(ln_i0, 0.5 * b)
    }
    /// I1(x)/(x I0(x)) of w = x^2 >= 0.
    fn ratio_of_square(self) -> Self {
        let w = self.value();
        let (_, b) = special::ln_i0_and_ratio(w);
        self.map(b, special::ratio_slope(w, b))
    }
}

impl Real for f64 {
    fn of(value: f64) -> Self {
        value
    }
    fn value(self) -> f64 {
        self
    }
    fn map(self, value: f64, _: f64) -> Self {
        value
    }
}

/// How many derivatives a [`Dual`] carries: by the two numbers that place a
/// state, by its variance, and by the variance of the look.
pub const SLOPES: usize = 4;

/// A value and its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual {
    /// The value.
    pub value: f64,
    /// Its derivatives.
    pub slopes: [f64; SLOPES],
}

impl Dual {
    /// The variable numbered `which`.
    pub fn variable(value: f64, which: usize) -> Self {
        let mut slopes = [0.0; SLOPES];
        slopes[which] = 1.0;
        Self { value, slopes }
    }

    fn combine(self, other: Self, value: f64, mine: f64, others: f64) -> Self {
        let mut slopes = [0.0; SLOPES];
        for (s, (a, b)) in slopes.iter_mut().zip(self.slopes.iter().zip(other.slopes)) {
            *s = mine * a + others * b;
        }
        Self { value, slopes }
    }
}

impl Real for Dual {
    fn of(value: f64) -> Self {
        Self {
            value,
            slopes: [0.0; SLOPES],
        }
    }
    fn value(self) -> f64 {
        self.value
    }
    fn map(self, value: f64, slope: f64) -> Self {
        Self {
            value,
            slopes: self.slopes.map(|s| s * slope),
        }
    }
}

impl Add for Dual {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        self.combine(other, self.value + other.value, 1.0, 1.0)
    }
}

impl Sub for Dual {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self.combine(other, self.value - other.value, 1.0, -1.0)
    }
}

impl Mul for Dual {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        self.combine(other, self.value * other.value, other.value, self.value)
    }
}

impl Div for Dual {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let q = self.value / other.value;
        self.combine(other, q, other.value.recip(), -q / other.value)
    }
}

impl Neg for Dual {
    type Output = Self;
    fn neg(self) -> Self {
        self.map(-self.value, -1.0)
    }
}

impl Add<f64> for Dual {
    type Output = Self;
    fn add(self, other: f64) -> Self {
        Self {
            value: self.value + other,
            ..self
        }
    }
}

impl Mul<f64> for Dual {
    type Output = Self;
    fn mul(self, other: f64) -> Self {
        self.map(self.value * other, other)
    }
}
