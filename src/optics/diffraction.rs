//! Point spread and contrast transfer of a pupil with a wavefront, one
//! wavelength, straight from the pupil integral. (The fit has its own faster
//! machinery in `startest::fit`; this is for single answers and for tests.)

use super::{REFERENCE_NM, pupil::Pupil, wavefront::Wavefront};
use std::f64::consts::TAU;

/// Amplitude and phase of a pupil at `n` x `n` midpoints, kept as a list of the
/// cells that let light through.
pub struct Sampled {
    points: Vec<(f64, f64, f64, f64)>,
    n: usize,
}

impl Sampled {
    /// `n` cells across the diameter; W in waves at 550 nm, light of
    /// `wavelength_nm`.
    pub fn new(pupil: &Pupil, wavefront: &Wavefront, wavelength_nm: f64, n: usize) -> Self {
        let h = 2.0 / n as f64;
        let scale = TAU * REFERENCE_NM / wavelength_nm;
        let mut points = Vec::with_capacity(n * n);
        for i in 0..n {
            for j in 0..n {
                let (u, v) = ((i as f64 + 0.5) * h - 1.0, (j as f64 + 0.5) * h - 1.0);
                let a = pupil.cell(u, v, h).amplitude;
                if a > 0.0 {
                    points.push((u, v, a, scale * wavefront.at(u, v)));
                }
            }
        }
        Self { points, n }
    }

    /// Intensity at image point (x, y), in units of lambda N, relative to the
    /// centre of the perfect image.
    pub fn intensity(&self, x: f64, y: f64) -> f64 {
        let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
        for &(u, v, a, phase) in &self.points {
            let p = phase - TAU * (x * u + y * v) / 2.0;
            re += a * p.cos();
            im += a * p.sin();
            sum += a;
        }
        if sum > 0.0 {
            (re * re + im * im) / (sum * sum)
        } else {
            0.0
        }
    }

    /// The image's peak relative to the perfect one (the Strehl ratio proper),
    /// searched over image points within `reach` (units of lambda N) of the
    /// chief ray.
    pub fn peak(&self, reach: f64) -> f64 {
        let (mut at, mut best) = ([0.0; 2], self.intensity(0.0, 0.0));
        let mut step = reach / 4.0;
        while step > 1e-3 {
            let centre = at;
            for i in -4..=4 {
                for j in -4..=4 {
                    let p = [
                        centre[0] + f64::from(i) * step,
                        centre[1] + f64::from(j) * step,
                    ];
                    let value = self.intensity(p[0], p[1]);
                    if value > best {
                        (at, best) = (p, value);
                    }
                }
            }
            step /= 3.0;
        }
        best
    }

    /// Contrast transfer (modulus of the optical transfer function) at the
    /// spatial frequency `s` (1 at the cut-off D/lambda), for detail that varies
    /// along the direction (cos, sin) of `angle` in the pupil plane.
    ///
    /// Autocorrelation of the pupil function at shear 2 s, the nearest whole
    /// number of cells being taken along each axis.
    pub fn contrast(&self, s: f64, angle: f64) -> f64 {
        let n = self.n as i64;
        let shift = |c: f64| (s * c * n as f64).round() as i64;
        let (di, dj) = (shift(angle.cos()), shift(angle.sin()));
        let mut grid = vec![(0.0, 0.0); self.n * self.n];
        let index = |u: f64| ((u + 1.0) * self.n as f64 / 2.0 - 0.5).round() as i64;
        let mut total = 0.0;
        for &(u, v, a, phase) in &self.points {
            grid[(index(u) * n + index(v)) as usize] = (a, phase);
            total += a * a;
        }
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..n {
            for j in 0..n {
                let (k, l) = (i + di, j + dj);
                if (0..n).contains(&k) && (0..n).contains(&l) {
                    let (a, p) = grid[(i * n + j) as usize];
                    let (b, q) = grid[(k * n + l) as usize];
                    re += a * b * (p - q).cos();
                    im += a * b * (p - q).sin();
                }
            }
        }
        if total > 0.0 {
            re.hypot(im) / total
        } else {
            0.0
        }
    }
}
