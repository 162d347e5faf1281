//! Zernike polynomials on the unit disc in Noll's order and with Noll's
//! normalisation: the mean square of each over the disc is 1.
//!
//! Source: R. J. Noll, "Zernike polynomials and atmospheric turbulence",
//! J. Opt. Soc. Am. 66, 207 (1976). A coefficient is thus an RMS wavefront
//! error by itself, on a pupil without obstruction.

/// The highest Noll index for which [`noll`] has a closed form.
pub const MAX_NOLL: usize = 15;

/// Radial order n and azimuthal frequency m of Noll index `j`; m is negative
/// for the sine member of a pair.
///
/// # Panics
/// Never; `j = 0` is treated as 1.
pub fn orders(j: usize) -> (u32, i32) {
    let j = j.max(1) as u32;
    let mut n = 0u32;
    while (n + 1) * (n + 2) / 2 < j {
        n += 1;
    }
    // Position within the row of order n, counted from 0.
    let k = j - n * (n + 1) / 2 - 1;
    let m = if n.is_multiple_of(2) {
        2 * k.div_ceil(2)
    } else {
        2 * (k / 2) + 1
    } as i32;
    // Noll: even j is a cosine, odd j a sine.
    if m == 0 || j.is_multiple_of(2) {
        (n, m)
    } else {
        (n, -m)
    }
}

/// Noll's Zernike polynomial `j` (1 to 15) at the pupil point (x, y), rim at
/// radius 1. Outside 1..=15 the answer is NaN.
#[inline]
pub fn noll(j: usize, x: f64, y: f64) -> f64 {
    let (xx, yy) = (x * x, y * y);
    let r2 = xx + yy;
    match j {
        1 => 1.0,
        2 => 2.0 * x,
        3 => 2.0 * y,
        4 => 3f64.sqrt() * (2.0 * r2 - 1.0),
        5 => 6f64.sqrt() * 2.0 * x * y,
        6 => 6f64.sqrt() * (xx - yy),
        7 => 8f64.sqrt() * (3.0 * r2 - 2.0) * y,
        8 => 8f64.sqrt() * (3.0 * r2 - 2.0) * x,
        9 => 8f64.sqrt() * y * (3.0 * xx - yy),
        10 => 8f64.sqrt() * x * (xx - 3.0 * yy),
        11 => 5f64.sqrt() * ((6.0 * r2 - 6.0) * r2 + 1.0),
        12 => 10f64.sqrt() * (4.0 * r2 - 3.0) * (xx - yy),
        13 => 10f64.sqrt() * (4.0 * r2 - 3.0) * 2.0 * x * y,
        14 => 10f64.sqrt() * (xx * xx - 6.0 * xx * yy + yy * yy),
        15 => 10f64.sqrt() * 4.0 * x * y * (xx - yy),
        _ => f64::NAN,
    }
}

/// One of Noll's polynomials of any index, made ready to be asked at many points.
#[derive(Debug, Clone)]
pub struct Polynomial {
    /// Coefficients of r^|m|, r^(|m|+2), ... up to r^n, normalised.
    radial: Vec<f64>,
    m: i32,
}

impl Polynomial {
    /// The polynomial of Noll index `j`; 0 is treated as 1.
    #[must_use]
    pub fn of(j: usize) -> Self {
        let (n, m) = orders(j);
        let size = m.unsigned_abs();
        let factorial = |k: u32| (1..=k).map(f64::from).product::<f64>();
        let pair = if m == 0 { 1.0 } else { 2.0 };
        let norm = (f64::from(n + 1) * pair).sqrt();
        // From r^n down, then turned round.
        let mut radial: Vec<f64> = (0..=(n - size) / 2)
            .map(|s| {
                let sign = if s % 2 == 0 { norm } else { -norm };
                sign * factorial(n - s)
                    / (factorial(s) * factorial((n + size) / 2 - s) * factorial((n - size) / 2 - s))
            })
            .collect();
        radial.reverse();
        Self { radial, m }
    }

    /// Its value at the pupil point (x, y), rim at radius 1.
    #[must_use]
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let r2 = x * x + y * y;
        let radial = self.radial.iter().rev().fold(0.0, |sum, c| sum * r2 + c);
        // r^|m| times cosine and sine of |m| times the angle.
        let (mut c, mut s) = (1.0, 0.0);
        for _ in 0..self.m.unsigned_abs() {
            (c, s) = (c * x - s * y, c * y + s * x);
        }
        radial * if self.m < 0 { s } else { c }
    }
}

/// True when the polynomial keeps its value under a half turn of the pupil
/// (radial order even): the modes whose sign one picture cannot tell.
pub fn is_even(j: usize) -> bool {
    orders(j).0.is_multiple_of(2)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    /// The textbook definition, by factorials, for any index.
    fn by_factorials(j: usize, x: f64, y: f64) -> f64 {
        let (n, m) = orders(j);
        let am = m.unsigned_abs();
        let fact = |k: u32| (1..=k).map(f64::from).product::<f64>();
        let (r, t) = (x.hypot(y), y.atan2(x));
        let radial: f64 = (0..=(n - am) / 2)
            .map(|s| {
                let sign = if s % 2 == 0 { 1.0 } else { -1.0 };
                sign * fact(n - s) / (fact(s) * fact((n + am) / 2 - s) * fact((n - am) / 2 - s))
                    * r.powi((n - 2 * s) as i32)
            })
            .sum();
        let norm = f64::from(n + 1).sqrt();
        match m {
            0 => norm * radial,
            m if m > 0 => norm * 2f64.sqrt() * radial * (f64::from(m) * t).cos(),
            m => norm * 2f64.sqrt() * radial * (f64::from(-m) * t).sin(),
        }
    }

    #[test]
    fn indices_follow_nolls_table_i() {
        let want = [
            (1, (0, 0)),
            (2, (1, 1)),
            (3, (1, -1)),
            (4, (2, 0)),
            (5, (2, -2)),
            (6, (2, 2)),
            (7, (3, -1)),
            (8, (3, 1)),
            (9, (3, -3)),
            (10, (3, 3)),
            (11, (4, 0)),
            (12, (4, 2)),
            (13, (4, -2)),
            (14, (4, 4)),
            (15, (4, -4)),
            (22, (6, 0)),
        ];
        for (j, nm) in want {
            assert_eq!(orders(j), nm, "Z{j}");
        }
    }

    #[test]
    fn closed_forms_agree_with_the_definition() {
        for j in 1..=MAX_NOLL {
            for (x, y) in [(0.3, 0.2), (-0.7, 0.1), (0.05, -0.9), (0.0, 0.6)] {
                assert!(
                    (noll(j, x, y) - by_factorials(j, x, y)).abs() < 1e-12,
                    "Z{j}"
                );
            }
        }
    }

    #[test]
    fn polynomials_of_any_index_agree_with_the_definition() {
        for j in 1..=66 {
            let polynomial = Polynomial::of(j);
            for (x, y) in [(0.3, 0.2), (-0.7, 0.1), (0.05, -0.9), (0.0, 0.6)] {
                let want = by_factorials(j, x, y);
                assert!((polynomial.at(x, y) - want).abs() < 1e-10, "Z{j}");
            }
        }
    }

    #[test]
    fn half_turn_parity() {
        for j in 1..=MAX_NOLL {
            let s = if is_even(j) { 1.0 } else { -1.0 };
            assert!((noll(j, -0.3, -0.5) - s * noll(j, 0.3, 0.5)).abs() < 1e-12);
        }
    }
}
