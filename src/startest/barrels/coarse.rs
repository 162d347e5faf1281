//! Shift and turn of one picture against the other to about a pixel of a small one:
//! masked correlation at every shift, for turns in steps.

use optics::fourier::{Scratch, Square, fast_size, signed};
use rustfft::num_complex::Complex32;

use super::align::Map;
use super::prepare::Detail;

/// Long side of the pictures that are searched, px.
const LONG_SIDE: usize = 160;
/// Turns that are looked at: up to this, in these steps, degrees.
const MOST_TURN_DEG: f64 = 6.0;
const TURN_STEP_DEG: f64 = 0.75;
/// So much of the smaller field both must show.
const LEAST_OVERLAP: f64 = 0.5;
/// Of shifts that fit alike (along a mast all do) the small one is believed: a shift of
/// the whole picture must fit better by this.
const AGAINST_FAR: f64 = 0.3;
/// Pictures whose correlation stays below this are of different scenes.
const LEAST_ALIKE: f64 = 0.3;

/// Where the right picture shows what the left one does; none where nothing fits.
pub(super) fn find(left: &Detail, right: &Detail) -> Option<Map> {
    let (left, right) = (left.smaller(LONG_SIDE), right.smaller(LONG_SIDE));
    let size = fast_size(3 * left.width.max(left.height) / 2);
    let mut fourier = Fourier {
        square: Square::new(size),
        scratch: Scratch::default(),
        size,
    };
    let of_left = fourier.spectra(&left);
    let lit = |d: &Detail| d.mask.iter().filter(|m| **m).count() as f64;
    let enough = LEAST_OVERLAP * lit(&left).min(lit(&right));
    let steps = (MOST_TURN_DEG / TURN_STEP_DEG) as i32;
    let mut best: Option<(f64, Map)> = None;
    for step in -steps..=steps {
        let turn = (f64::from(step) * TURN_STEP_DEG).to_radians();
        let of_right = fourier.spectra(&turned(&right, turn));
        let Some((alike, shift)) = fourier.best_shift(&of_left, &of_right, enough) else {
            continue;
        };
        if best.is_none_or(|b| alike > b.0) {
            // The turned picture at x + shift is the right one at turn(x + shift).
            let (s, c) = turn.sin_cos();
            let at = [c * shift[0] - s * shift[1], s * shift[0] + c * shift[1]];
            let of_picture = left.reduced;
            best = Some((
                alike,
                Map {
                    shift: [at[0] * of_picture, at[1] * of_picture],
                    turn,
                    larger: 0.0,
                    bend: 0.0,
                },
            ));
        }
    }
    best.filter(|b| b.0 >= LEAST_ALIKE).map(|b| b.1)
}

/// The right picture sampled so that a turn of it is undone.
fn turned(of: &Detail, turn: f64) -> Detail {
    let (s, c) = turn.sin_cos();
    let middle = [
        0.5 * (of.width as f64 - 1.0),
        0.5 * (of.height as f64 - 1.0),
    ];
    let mut out = of.clone();
    for y in 0..of.height {
        for x in 0..of.width {
            let (u, v) = (x as f64 - middle[0], y as f64 - middle[1]);
            let at = [c * u - s * v + middle[0], s * u + c * v + middle[1]];
            let i = y * of.width + x;
            match of.sample(at) {
                Some([value, ..]) => {
                    out.data[i] = value as f32;
                    out.mask[i] = true;
                }
                None => {
                    out.data[i] = 0.0;
                    out.mask[i] = false;
                }
            }
        }
    }
    out
}

/// Transforms of detail, of its square, and of the mask.
struct Spectra {
    data: Vec<Complex32>,
    squared: Vec<Complex32>,
    mask: Vec<Complex32>,
}

struct Fourier {
    square: Square,
    scratch: Scratch,
    size: usize,
}

impl Fourier {
    fn spectra(&mut self, of: &Detail) -> Spectra {
        let mut one = |value: &dyn Fn(usize) -> f32| {
            let mut grid = vec![Complex32::default(); self.size * self.size];
            for y in 0..of.height {
                for x in 0..of.width {
                    grid[y * self.size + x].re = value(y * of.width + x);
                }
            }
            self.square.forward(&mut grid, of.height, &mut self.scratch);
            grid
        };
        Spectra {
            data: one(&|i| of.data[i]),
            squared: one(&|i| of.data[i] * of.data[i]),
            mask: one(&|i| f32::from(u8::from(of.mask[i]))),
        }
    }

    /// Sum over x of left(x) right(x + shift), for every shift.
    fn correlate(&mut self, left: &[Complex32], right: &[Complex32]) -> Vec<Complex32> {
        let mut product: Vec<Complex32> =
            left.iter().zip(right).map(|(l, r)| l.conj() * r).collect();
        let n = self.size;
        self.square.inverse(&mut product, n, &mut self.scratch);
        product
    }

    fn best_shift(
        &mut self,
        left: &Spectra,
        right: &Spectra,
        enough: f64,
    ) -> Option<(f64, [f64; 2])> {
        let cells = (self.size * self.size) as f64;
        let both = self.correlate(&left.data, &right.data);
        let of_left = self.correlate(&left.squared, &right.mask);
        let of_right = self.correlate(&left.mask, &right.squared);
        let overlap = self.correlate(&left.mask, &right.mask);
        let most = of_left.iter().map(|v| v.re).fold(0.0, f32::max)
            * of_right.iter().map(|v| v.re).fold(0.0, f32::max);
        let far = |i: usize| {
            let [x, y] = [i % self.size, i / self.size].map(|k| signed(k, self.size) as f64);
            AGAINST_FAR * (x.hypot(y) * 1.5 / self.size as f64).powi(2)
        };
        let mut best: Option<(f64, usize)> = None;
        let powers = of_left.iter().zip(&of_right);
        for (i, ((both, overlap), (l, r))) in both.iter().zip(&overlap).zip(powers).enumerate() {
            let power = l.re * r.re;
            if f64::from(overlap.re) / cells < enough || power < 1e-3 * most {
                continue;
            }
            let alike = f64::from(both.re / power.sqrt()) - far(i);
            if best.is_none_or(|b| alike > b.0) {
                best = Some((alike, i));
            }
        }
        let (alike, i) = best?;
        let at = |k: usize| signed(k, self.size) as f64;
        Some((alike, [at(i % self.size), at(i / self.size)]))
    }
}
