//! Where a frame's star stands against the stack: cross-correlation in Fourier space.
//!
//! The whole disc speaks, so a frame is placed far below the noise of its pixels, and
//! speckle that moves one part of the edge hardly counts.

use super::cut::cut_out;
use super::find::Found;
use super::frame::Frame;
use super::stack::Stacker;
use optics::fourier::{Scratch, Square, fast_size};
use rustfft::num_complex::Complex32;

/// The stack so far, made ready to be compared with.
pub(crate) struct Template {
    size: usize,
    corner: [isize; 2],
    /// Centre of the donut in stamp px.
    centre: [f64; 2],
    square: Square,
    mask: Vec<bool>,
    /// Conjugate of the transform of the stack less its mean within the mask, as [`Square`] leaves it.
    spectrum: Vec<Complex32>,
    power: f64,
    pixels: f64,
}

/// A frame placed on the stack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Placed {
    /// Centre of the donut, frame px.
    pub centre: [f64; 2],
    /// Light over the stack's.
    pub gain: f64,
    /// Variance of what the stack does not account for, noise taken off, over that of
    /// the star's light.
    pub unlike: f64,
    /// 1-sigma of `unlike` from noise alone.
    pub unlike_sigma: f64,
}

impl Template {
    pub fn of(stack: &Stacker) -> Self {
        let n = stack.size;
        let mean = stack.mean();
        let reach = 1.35 * stack.radius;
        let mask: Vec<bool> = mean
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let (x, y) = ((i % n) as f64, (i / n) as f64);
                v.is_finite() && (x - stack.centre[0]).hypot(y - stack.centre[1]) < reach
            })
            .collect();
        let pixels = mask.iter().filter(|m| **m).count().max(1) as f64;
        let inside = || mean.iter().zip(&mask).filter(|p| *p.1).map(|p| *p.0);
        let level = inside().sum::<f64>() / pixels;
        let masked: Vec<f32> = mean
            .iter()
            .zip(&mask)
            .map(|(v, m)| if *m { (v - level) as f32 } else { 0.0 })
            .collect();
        let square = Square::new(fast_size(n));
        let mut spectrum = laid(&masked, n, square.size);
        square.forward(&mut spectrum, n, &mut Scratch::default());
        spectrum.iter_mut().for_each(|z| *z = z.conj());
        let power = masked.iter().map(|v| f64::from(v * v)).sum();
        Self {
            size: n,
            corner: stack.corner,
            centre: stack.centre,
            square,
            mask,
            spectrum,
            power,
            pixels,
        }
    }

    /// Places a frame whose star is thought to stand near `guess`, frame px.
    pub fn place(&self, frame: &Frame, found: &Found, guess: [f64; 2]) -> Option<Placed> {
        let n = self.size;
        let mut guess = guess;
        let mut scratch = Scratch::default();
        let sky = found.sky.at(guess[0], guess[1]);
        for attempt in 0..3 {
            let whole = [0, 1]
                .map(|k| (guess[k] - self.centre[k] - self.corner[k] as f64).round() as isize);
            let corner = [self.corner[0] + whole[0], self.corner[1] + whole[1]];
            let cut = cut_out(frame, found.noise, sky, corner, n);
            let there: Vec<f32> = cut
                .iter()
                .map(|v| if v.is_finite() { *v as f32 } else { 0.0 })
                .collect();
            let mut field = laid(&there, n, self.square.size);
            self.square.forward(&mut field, n, &mut scratch);
            for (f, t) in field.iter_mut().zip(&self.spectrum) {
                *f *= t;
            }
            self.square
                .inverse(&mut field, self.square.size, &mut scratch);
            let reach = (n / 4) as isize;
            let (peak, shift) = highest(&field, self.square.size, reach)?;
            let far = shift[0].abs().max(shift[1].abs());
            let at = [0, 1].map(|k| {
                self.centre[k]
                    + (corner[k] + shift[k].round() as isize) as f64
                    + (shift[k] - shift[k].round())
            });
            if far > (n / 16) as f64 && attempt < 2 {
                guess = at;
                continue;
            }
            let scale = f64::from(peak) / (self.square.size.pow(2) as f64);
            return Some(self.judged(&there, shift, at, scale, found.noise));
        }
        None
    }

    /// How a cut frame compares with the stack when moved by whole pixels of `shift`.
    fn judged(
        &self,
        cut: &[f32],
        shift: [f64; 2],
        centre: [f64; 2],
        product: f64,
        noise: f64,
    ) -> Placed {
        let n = self.size as isize;
        let [dx, dy] = shift.map(|s| s.round() as isize);
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
        for (i, _) in self.mask.iter().enumerate().filter(|(_, m)| **m) {
            let (x, y) = (i as isize % n + dx, i as isize / n + dy);
            if (0..n).contains(&x) && (0..n).contains(&y) {
                let v = f64::from(cut[(y * n + x) as usize]);
                sum += v;
                squares += v * v;
                count += 1.0;
            }
        }
        let variance = squares - sum * sum / f64::max(count, 1.0);
        let gain = product / self.power.max(1e-300);
        let light = (gain * gain * self.power).max(1e-300);
        let noise = noise * noise * count;
        Placed {
            centre,
            gain,
            unlike: (variance - light - noise) / light,
            unlike_sigma: (2.0 / self.pixels).sqrt() * (noise + light) / light,
        }
    }
}

fn laid(data: &[f32], n: usize, side: usize) -> Vec<Complex32> {
    let mut out = vec![Complex32::default(); side * side];
    for (row, from) in out.chunks_exact_mut(side).zip(data.chunks_exact(n)) {
        for (o, v) in row.iter_mut().zip(from) {
            o.re = *v;
        }
    }
    out
}

/// The highest value within `reach` of no shift, and where it is to a fraction of a
/// pixel: x, y.
fn highest(field: &[Complex32], side: usize, reach: isize) -> Option<(f32, [f64; 2])> {
    let n = side as isize;
    let at = |x: isize, y: isize| field[(y.rem_euclid(n) * n + x.rem_euclid(n)) as usize].re;
    let mut best = (f32::NEG_INFINITY, 0, 0);
    for y in -reach..=reach {
        for x in -reach..=reach {
            let v = at(x, y);
            if v > best.0 {
                best = (v, x, y);
            }
        }
    }
    let (top, x, y) = best;
    if top.is_nan() || top <= 0.0 || x.abs() == reach || y.abs() == reach {
        return None;
    }
    let peak = |low: f32, high: f32| {
        let bend = f64::from(2.0 * top - low - high);
        if bend > 0.0 {
            (0.5 * f64::from(high - low) / bend).clamp(-0.5, 0.5)
        } else {
            0.0
        }
    };
    let fx = peak(at(x - 1, y), at(x + 1, y));
    let fy = peak(at(x, y - 1), at(x, y + 1));
    Some((top, [x as f64 + fx, y as f64 + fy]))
}
