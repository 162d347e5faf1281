//! One wavelength of the model: the pupil on the grid that belongs to it.

use super::kernels::dot;
use crate::frame::Setup;
use optics::{pupil::Pupil, zernike};
use rustfft::num_complex::Complex32;
use std::f64::consts::TAU;

/// Cells with less light than this have lost their phase.
const LEAST_AMPLITUDE: f32 = 1e-4;

/// Counted after the modes and the shadow's three: the band's narrowing, then the rim's place.
pub(super) const BY_BAND: usize = 3;

/// The pupil on the grid that belongs to one wavelength.
#[derive(Clone)]
pub(super) struct Line {
    /// Place in the band, -1 to 1, and weight of a flat one.
    place_in_band: f64,
    weight: f64,
    /// 550 nm / wavelength.
    pub scale: f64,
    pub cell: f64,
    pub rows: usize,
    /// Position in the focal array, place in the pupil.
    pub index: Vec<u32>,
    place: Vec<[f64; 2]>,
    /// What rim and vanes leave open.
    open: Vec<f64>,
    /// Mode after mode, one value per cell.
    basis: Vec<Vec<f32>>,
    amplitude: Vec<f32>,
    by_shadow: Vec<(u32, [f32; 3])>,
    power: f64,
}

impl Line {
    pub fn new(
        pupil: &Pupil,
        [place_in_band, weight]: [f64; 2],
        scale: f64,
        cell: f64,
        focal: usize,
        modes: &[usize],
        [along, across]: [f64; 2],
    ) -> Self {
        let half = ((1.0 + along.hypot(across)) / cell + 0.5).floor();
        let rows = 2 * half as usize + 1;
        let mut index = Vec::new();
        let mut place = Vec::new();
        for row in 0..rows {
            for column in 0..rows {
                // Rows run downwards.
                let (x, y) = ((column as f64 - half) * cell, (half - row as f64) * cell);
                let (u, v) = (x + along * x + across * y, y + across * x - along * y);
                if u * u + v * v < (1.0 + 0.75 * cell).powi(2) && row < focal && column < focal {
                    index.push((row * focal + column) as u32);
                    place.push([u, v]);
                }
            }
        }
        let basis = modes
            .iter()
            .map(|&j| {
                let polynomial = zernike::Polynomial::of(j);
                place
                    .iter()
                    .map(|&[u, v]| polynomial.at(u, v) as f32)
                    .collect()
            })
            .collect();
        let mut line = Self {
            place_in_band,
            weight,
            scale,
            cell,
            rows: rows.min(focal),
            index,
            place,
            open: Vec::new(),
            basis,
            amplitude: Vec::new(),
            by_shadow: Vec::new(),
            power: 1.0,
        };
        line.open_by(pupil);
        line
    }

    /// Takes over what a pupil's rim and vanes leave open.
    pub fn open_by(&mut self, pupil: &Pupil) {
        let open = |&[u, v]: &[f64; 2]| pupil.open(u, v, self.cell);
        self.open = self.place.iter().map(open).collect();
    }

    pub fn draw(&mut self, pupil: &Pupil) {
        self.amplitude.clear();
        self.by_shadow.clear();
        self.power = 0.0;
        for (k, (&[u, v], &open)) in self.place.iter().zip(&self.open).enumerate() {
            let c = pupil.shade(open, u, v, self.cell);
            self.power += c.amplitude * c.amplitude;
            self.amplitude.push(c.amplitude as f32);
            if c.by_shadow != [0.0; 3] {
                self.by_shadow
                    .push((k as u32, c.by_shadow.map(|d| d as f32)));
            }
        }
    }

    /// What makes all pixels of this wavelength sum to `weight`.
    pub fn gain(&self, weight: f64, focal: usize) -> f32 {
        (weight / (self.power.max(1e-9) * (focal * focal) as f64)) as f32
    }

    pub fn pupil_function(&self, waves: &[f64]) -> Vec<Complex32> {
        let mut turns = vec![0f32; self.index.len()];
        for (basis, &a) in self.basis.iter().zip(waves) {
            let a = (a * self.scale) as f32;
            if a != 0.0 {
                for (t, b) in turns.iter_mut().zip(basis) {
                    *t += a * b;
                }
            }
        }
        turns
            .iter()
            .zip(&self.amplitude)
            .map(|(&t, &p)| {
                let (s, c) = sin_cos_turns(t);
                Complex32::new(p * c, p * s)
            })
            .collect()
    }

    /// Writes the pupil function's derivative by parameter `k` (without the
    /// factor 2 pi i of a phase) into `field`.
    pub fn slope_field(
        &self,
        a: &[Complex32],
        k: usize,
        modes: usize,
        focal: usize,
        field: &mut [Complex32],
    ) {
        field[..self.rows * focal].fill(Complex32::default());
        if k < modes {
            for ((&i, &z), &b) in self.index.iter().zip(a).zip(&self.basis[k]) {
                field[i as usize] = z * b;
            }
        } else if k > modes + BY_BAND {
            let axis = k - modes - BY_BAND - 1;
            for ((&[u, v], &p), (&i, &z)) in self
                .place
                .iter()
                .zip(&self.amplitude)
                .zip(self.index.iter().zip(a))
            {
                if p > LEAST_AMPLITUDE && u * u + v * v > (1.0 - self.cell).powi(2) {
                    let d = Pupil::by_rim(u, v, self.cell)[axis] as f32;
                    field[i as usize] = z * (d / p);
                }
            }
        } else {
            for (cell, d) in &self.by_shadow {
                let c = *cell as usize;
                let p = self.amplitude[c];
                // A cell wholly in shadow has lost its phase: only cells the
                // edge crosses are listed, and those keep some light.
                if p > LEAST_AMPLITUDE {
                    field[self.index[c] as usize] = a[c] * (d[k - modes] / p);
                }
            }
        }
    }

    /// Adds the derivatives of `gain` sum a B by the modes and the shadow, `a` being the
    /// pupil function and `back` (laid as the focal array) the conjugate of B.
    pub fn pull(
        &self,
        a: &[Complex32],
        back: &[Complex32],
        gain: f64,
        by_shadow: &std::ops::Range<usize>,
        waves: &mut [f64],
        shadow: &mut [f64],
    ) {
        let product: Vec<Complex32> = self
            .index
            .iter()
            .zip(a)
            .map(|(&i, &a)| a * back[i as usize].conj())
            .collect();
        let turns: Vec<f32> = product.iter().map(|p| p.im).collect();
        let factor = -gain * TAU * self.scale;
        for (w, basis) in waves.iter_mut().zip(&self.basis) {
            *w += factor * dot(basis, &turns);
        }
        for (cell, d) in &self.by_shadow {
            let c = *cell as usize;
            let p = self.amplitude[c];
            if p > LEAST_AMPLITUDE {
                for (s, k) in shadow.iter_mut().zip(by_shadow.clone()) {
                    *s += gain * f64::from(product[c].re * d[k] / p);
                }
            }
        }
    }

    /// Adds the derivative of |U|^2 to the real (part 0) or imaginary part.
    pub fn add_slope(
        &self,
        u: &[Complex32],
        v: &[Complex32],
        is_amplitude: bool,
        gain: f32,
        part: usize,
        sum: &mut [Complex32],
    ) {
        let factor = if is_amplitude {
            2.0 * gain
        } else {
            -2.0 * gain * (TAU * self.scale) as f32
        };
        for ((s, u), v) in sum.iter_mut().zip(u).zip(v) {
            let product = u.conj() * v;
            let d = factor * if is_amplitude { product.re } else { product.im };
            if part == 0 {
                s.re += d;
            } else {
                s.im += d;
            }
        }
    }
}

/// Weights of the lines of a band that is darker towards its ends than a flat one by
/// exp(-narrowing x^2), x from -1 to 1 across it, and their derivatives by `narrowing`.
pub(super) fn weights(lines: &[Line], narrowing: f64) -> Vec<[f64; 2]> {
    let bare: Vec<f64> = lines
        .iter()
        .map(|l| l.weight * (-narrowing * l.place_in_band.powi(2)).exp())
        .collect();
    let all: f64 = bare.iter().sum();
    let mean = lines
        .iter()
        .zip(&bare)
        .map(|(l, b)| b * l.place_in_band.powi(2))
        .sum::<f64>()
        / all;
    lines
        .iter()
        .zip(&bare)
        .map(|(l, b)| [b / all, b / all * (mean - l.place_in_band.powi(2))])
        .collect()
}

/// Wavelengths (nm), places in the band (-1 to 1) and weights that sum to 1:
/// Gauss-Legendre over the band.
pub(super) fn spectrum(setup: &Setup, lines: usize) -> Vec<(f64, [f64; 2])> {
    if setup.bandwidth_nm <= 0.0 || lines <= 1 {
        return vec![(setup.wavelength_nm, [0.0, 1.0])];
    }
    gauss_legendre(lines)
        .into_iter()
        .map(|(x, w)| {
            (
                setup.wavelength_nm + x * setup.bandwidth_nm / 2.0,
                [x, w / 2.0],
            )
        })
        .collect()
}

/// Nodes and weights on (-1, 1), by Newton's method on the Legendre recurrence.
fn gauss_legendre(n: usize) -> Vec<(f64, f64)> {
    let order = n as f64;
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (order + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (mut p0, mut p1) = (1.0, x);
                for k in 2..=n {
                    let k = k as f64;
                    (p0, p1) = (p1, ((2.0 * k - 1.0) * x * p1 - (k - 1.0) * p0) / k);
                }
                slope = order * (x * p1 - p0) / (x * x - 1.0);
                x -= p1 / slope;
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// The nearest whole number to `t`, up to some millions: beyond this sum single precision
/// has no fractions. A loop over many needs no call for it.
fn nearest(t: f32) -> f32 {
    const NO_FRACTIONS: f32 = 12_582_912.0;
    (t + NO_FRACTIONS) - NO_FRACTIONS
}

/// Sine and cosine of 2 pi t, to 1e-6; written so that it vectorises.
#[inline]
fn sin_cos_turns(t: f32) -> (f32, f32) {
    // Reduce to a quarter turn either way of 0 or 1/2.
    let t = t - nearest(t);
    let half = nearest(2.0 * t);
    let x = std::f32::consts::TAU * (t - 0.5 * half);
    let sign = 1.0 - 2.0 * half.abs();
    let y = x * x;
    let s = x
        * (1.0
            + y * (-1.0 / 6.0
                + y * (1.0 / 120.0
                    + y * (-1.0 / 5040.0 + y * (1.0 / 362_880.0 - y / 39_916_800.0)))));
    let c = 1.0
        + y * (-0.5
            + y * (1.0 / 24.0 + y * (-1.0 / 720.0 + y * (1.0 / 40_320.0 - y / 3_628_800.0))));
    (sign * s, sign * c)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    #[test]
    fn gauss_legendre_integrates_polynomials_exactly() {
        for n in 2..=9 {
            let rule = gauss_legendre(n);
            for k in 0..2 * n as i32 {
                let sum: f64 = rule.iter().map(|(x, w)| w * x.powi(k)).sum();
                let want = if k % 2 == 0 {
                    2.0 / f64::from(k + 1)
                } else {
                    0.0
                };
                assert!((sum - want).abs() < 1e-12, "{n} points, x^{k}");
            }
        }
    }

    #[test]
    fn sine_and_cosine_of_turns() {
        for k in -4000..4000 {
            let t = k as f32 * 0.002_37;
            let (s, c) = sin_cos_turns(t);
            let (es, ec) = (TAU * f64::from(t)).sin_cos();
            assert!(
                (f64::from(s) - es).abs() < 3e-6 && (f64::from(c) - ec).abs() < 3e-6,
                "{t}"
            );
        }
    }
}
