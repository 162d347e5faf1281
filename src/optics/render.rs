//! A star as this instrument shows it, drawn by the diffraction model: for the
//! eye to compare, not for measuring.

use rustfft::num_complex::Complex32;
use std::f64::consts::TAU;

use super::REFERENCE_NM;
use super::fourier::{Scratch, Square, fast_size};
use super::pupil::Pupil;
use super::wavefront::Wavefront;

/// What to draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// The aperture.
    pub pupil: Pupil,
    /// The wavefront, defocus included, waves at 550 nm.
    pub wavefront: Wavefront,
    /// Side of the square shown, in units of lambda N.
    pub field: f64,
    /// Pixels along that side.
    pub size: usize,
    /// Full width of the band, nm (0 for one wavelength).
    pub bandwidth_nm: f64,
    /// FWHM of the air's blur, in units of lambda N.
    pub blur: f64,
}

impl Scene {
    /// The picture, row by row from the top, x right and y up, brightest about 1.
    pub fn draw(&self) -> Vec<f64> {
        let size = self.size.clamp(8, 1024);
        // One cell of the pupil for each lambda N of the field transformed; at
        // least 48, so that the pupil is drawn well.
        let across = self.field.clamp(4.0, 400.0).max(48.0);
        let step = self.field.clamp(4.0, 400.0) / size as f64;
        let n = fast_size((across / step).ceil() as usize).max(64);
        // The same pixel for all wavelengths: the pupil's size in cells changes.
        let cells = n as f64 * step;
        let lines = if self.bandwidth_nm > 0.0 { 5 } else { 1 };
        let square = Square::new(n);
        let mut scratch = Scratch::default();
        let mut sum = vec![0.0f64; n * n];
        for line in 0..lines {
            let share = if lines == 1 {
                0.0
            } else {
                f64::from(line) / f64::from(lines - 1) - 0.5
            };
            let wavelength = REFERENCE_NM + share * self.bandwidth_nm;
            let ratio = REFERENCE_NM / wavelength;
            let diameter = (cells * ratio).min(n as f64);
            let filled = (diameter.ceil() as usize + 1).min(n);
            let h = 2.0 / diameter;
            let mut field = vec![Complex32::default(); n * n];
            for i in 0..filled {
                for j in 0..filled {
                    let middle = (filled - 1) as f64 / 2.0;
                    let (u, v) = ((i as f64 - middle) * h, (j as f64 - middle) * h);
                    let a = self.pupil.cell(u, v, h).amplitude;
                    if a > 0.0 {
                        let (s, c) = (TAU * ratio * self.wavefront.at(u, v)).sin_cos();
                        field[i * n + j] = Complex32::new((a * c) as f32, (a * s) as f32);
                    }
                }
            }
            square.forward(&mut field, filled, &mut scratch);
            for (to, from) in sum.iter_mut().zip(&field) {
                *to += f64::from(from.norm_sqr());
            }
        }
        let picture = self.cut(&sum, n, size);
        let mut picture = blurred(picture, size, self.blur / step);
        let top = picture.iter().copied().fold(0.0, f64::max);
        if top > 0.0 {
            picture.iter_mut().for_each(|v| *v /= top);
        }
        picture
    }

    /// The middle of the transform, turned upright.
    fn cut(&self, sum: &[f64], n: usize, size: usize) -> Vec<f64> {
        let middle = (size / 2) as i64;
        let wrap = |k: i64| k.rem_euclid(n as i64) as usize;
        // The transform runs with exp(-2 pi i ...): a wave that rises to the right
        // lands on the left of it, so both axes turn round. An odd number of
        // transpositions in it swaps them.
        let mut out = Vec::with_capacity(size * size);
        for row in 0..size {
            for column in 0..size {
                let x = column as i64 - middle;
                let y = middle - row as i64;
                out.push(sum[wrap(y) * n + wrap(x)]);
            }
        }
        out
    }
}

/// A Gaussian of this FWHM in pixels.
fn blurred(picture: Vec<f64>, size: usize, fwhm: f64) -> Vec<f64> {
    if fwhm < 0.3 {
        return picture;
    }
    let sigma = fwhm / 2.354_8;
    let reach = (3.0 * sigma).ceil() as i64;
    let kernel: Vec<f64> = (-reach..=reach)
        .map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp())
        .collect();
    let total: f64 = kernel.iter().sum();
    let pass = |from: &[f64], by_row: bool| -> Vec<f64> {
        let mut to = vec![0.0; size * size];
        for a in 0..size {
            for b in 0..size {
                let mut sum = 0.0;
                for (k, w) in (-reach..=reach).zip(&kernel) {
                    let c = (b as i64 + k).clamp(0, size as i64 - 1) as usize;
                    sum += w * if by_row {
                        from[a * size + c]
                    } else {
                        from[c * size + a]
                    };
                }
                to[if by_row { a * size + b } else { b * size + a }] = sum / total;
            }
        }
        to
    };
    pass(&pass(&picture, true), false)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wavefront::{a4_from_w020, coma_from_w131};

    fn scene(wavefront: Wavefront, field: f64) -> Scene {
        Scene {
            pupil: Pupil::annular(0.34),
            wavefront,
            field,
            size: 160,
            bandwidth_nm: 0.0,
            blur: 0.0,
        }
    }

    fn middle_of(picture: &[f64], size: usize, step: f64) -> [f64; 2] {
        let (mut x, mut y, mut all) = (0.0, 0.0, 0.0);
        for (i, v) in picture.iter().enumerate() {
            x += v * ((i % size) as f64 - (size / 2) as f64);
            y += v * ((size / 2) as f64 - (i / size) as f64);
            all += v;
        }
        [x / all * step, y / all * step]
    }

    /// Light's middle of a comatic image: 2 N W131 (1 + eps^2) along the coma
    /// vector (check values, section 3), in focus and out of it.
    #[test]
    fn the_light_lies_where_the_coma_points() {
        let want = 2.0 * 1.0 * (1.0 + 0.34f64.powi(2));
        for defocus in [0.0, 6.0, -6.0] {
            for (j, axis) in [(8, 0), (7, 1)] {
                let w = Wavefront::flat()
                    .with(4, a4_from_w020(defocus))
                    .with(j, coma_from_w131(1.0));
                // Tilt is removed from Z7 and Z8: 2/3 of W131 at the rim, 4/3 N.
                let s = scene(w, 64.0);
                let middle = middle_of(&s.draw(), s.size, 64.0 / 160.0);
                let want = want - 4.0 / 3.0;
                assert!(
                    (middle[axis] - want).abs() < 0.2,
                    "{defocus} {j} {middle:?} {want}"
                );
                assert!(middle[1 - axis].abs() < 0.1, "{middle:?}");
            }
        }
    }

    /// A donut's outer radius: 4 N W020.
    #[test]
    fn the_donut_is_as_wide_as_its_defocus_says() {
        let w = Wavefront::flat().with(4, a4_from_w020(8.0));
        let s = scene(w, 90.0);
        let picture = s.draw();
        let mean = |from: f64, to: f64| {
            let (mut sum, mut count) = (0.0, 0.0);
            for (i, v) in picture.iter().enumerate() {
                let x = (i % 160) as f64 - 80.0;
                let y = 80.0 - (i / 160) as f64;
                let r = x.hypot(y) * 90.0 / 160.0;
                if (from..to).contains(&r) {
                    sum += v;
                    count += 1.0;
                }
            }
            sum / count
        };
        let ring = mean(14.0, 30.0);
        // The shadow's radius is 0.34 x 32 = 10.9, with a bright spot amidst.
        assert!(mean(3.0, 8.0) < 0.25 * ring, "{} {ring}", mean(3.0, 8.0));
        assert!(mean(36.0, 44.0) < 0.05 * ring);
    }

    /// In focus without error: first dark ring of eps 0.34 at 1.092 lambda N
    /// (check values, section 1).
    #[test]
    fn the_first_dark_ring_is_where_it_belongs() {
        let s = scene(Wavefront::flat(), 8.0);
        let picture = s.draw();
        let row = &picture[80 * 160 + 80..81 * 160];
        let dark = (0..40)
            .min_by(|&a, &b| row[a].total_cmp(&row[b]))
            .unwrap_or(0);
        assert!((dark as f64 * 8.0 / 160.0 - 1.092).abs() < 0.06, "{dark}");
    }
}
