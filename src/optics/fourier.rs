//! Two-dimensional Fourier transforms of square arrays, single precision.
//!
//! Most arrays here are mostly empty (a pupil fills a part of its grid), so the
//! rows that hold nothing are skipped. A forward transform leaves its result
//! **transposed** and an inverse expects it so: a pair needs two transpositions
//! instead of four, and a pointwise product in between does not care.
//!
//! Single precision carries 1e-6 of the brightest value, a thousandth of what a
//! photograph of a star is good for.

use rustfft::{Fft, FftPlanner, num_complex::Complex32};
use std::sync::Arc;

/// Transforms of one size.
#[derive(Clone)]
pub struct Square {
    /// Side of the array.
    pub size: usize,
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
}

/// Scratch space for [`Square`]; one per thread.
#[derive(Debug, Default)]
pub struct Scratch {
    rows: Vec<Complex32>,
    fft: Vec<Complex32>,
}

impl Square {
    /// Plans transforms of side `size`.
    pub fn new(size: usize) -> Self {
        let mut planner = FftPlanner::new();
        Self {
            size,
            forward: planner.plan_fft_forward(size),
            inverse: planner.plan_fft_inverse(size),
        }
    }

    /// Forward transform of `data` (side `size`, only the first `filled` rows
    /// hold anything). The result, transposed, replaces `data`.
    pub fn forward(&self, data: &mut Vec<Complex32>, filled: usize, scratch: &mut Scratch) {
        self.run(&*self.forward, data, filled, self.size, scratch);
    }

    /// Inverse transform, not divided by the number of cells, of a transposed
    /// spectrum. Only the first `wanted` rows of the result are right; the rest
    /// is left undefined.
    pub fn inverse(&self, data: &mut Vec<Complex32>, wanted: usize, scratch: &mut Scratch) {
        self.run(&*self.inverse, data, self.size, wanted, scratch);
    }

    fn run(
        &self,
        fft: &dyn Fft<f32>,
        data: &mut Vec<Complex32>,
        filled: usize,
        wanted: usize,
        scratch: &mut Scratch,
    ) {
        let n = self.size;
        let (filled, wanted) = (filled.min(n), wanted.min(n));
        scratch
            .fft
            .resize(fft.get_inplace_scratch_len(), Complex32::default());
        scratch.rows.resize(n * n, Complex32::default());
        fft.process_with_scratch(&mut data[..filled * n], &mut scratch.fft);
        transpose(data, &mut scratch.rows, n, filled, wanted);
        fft.process_with_scratch(&mut scratch.rows[..wanted * n], &mut scratch.fft);
        std::mem::swap(data, &mut scratch.rows);
    }
}

/// Writes the first `filled` rows of `from` as columns of the first `wanted`
/// rows of `to`, and zeros after them.
fn transpose(from: &[Complex32], to: &mut [Complex32], n: usize, filled: usize, wanted: usize) {
    const BLOCK: usize = 16;
    for c0 in (0..wanted).step_by(BLOCK) {
        let c1 = (c0 + BLOCK).min(wanted);
        for r0 in (0..filled).step_by(BLOCK) {
            let r1 = (r0 + BLOCK).min(filled);
            for c in c0..c1 {
                for (r, t) in (r0..r1).zip(&mut to[c * n + r0..c * n + r1]) {
                    *t = from[r * n + c];
                }
            }
        }
        for c in c0..c1 {
            to[c * n + filled..(c + 1) * n].fill(Complex32::default());
        }
    }
}

/// The smallest size of the form 2^a 3^b 5^c (a >= 2) that is at least `n`:
/// sizes that transform fast.
pub fn fast_size(n: usize) -> usize {
    let mut m = n.max(4).next_multiple_of(4);
    loop {
        let mut k = m;
        for p in [2_usize, 3, 5] {
            while k.is_multiple_of(p) {
                k /= p;
            }
        }
        if k == 1 {
            return m;
        }
        m += 4;
    }
}

/// Signed frequency index of position `k` in an array of `n`.
pub fn signed(k: usize, n: usize) -> i64 {
    if 2 * k < n {
        k as i64
    } else {
        k as i64 - n as i64
    }
}
