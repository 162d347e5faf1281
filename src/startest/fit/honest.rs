//! How sure a fit is, from its own residuals.
//!
//! The textbook covariance, the inverse normal matrix, takes each pixel's error
//! as independent of its neighbours'. What really remains after a fit is mostly
//! turbulence not averaged out and small untruths in the pupil, and that is
//! smooth over many pixels. So each parameter's response to the residuals, a
//! picture g_i, is set against their power spectrum:
//! cov_ij = sum_f conj(G_i) G_j S(f), with S the residuals' power averaged over
//! rings of equal frequency and raised by the share the fit itself took away
//! there. For white noise this is the textbook answer scaled by chi2.

use super::kernels::dots;
use super::solve::{Problem, Solution};
use nalgebra::DMatrix;
use optics::fourier::{Scratch, Square, fast_size, signed};
use rustfft::num_complex::Complex32;

/// Small untruths of any model that go all round the ring falsify focal ratio, response and
/// the place of one side's shadow by several times their sigma (pictures by an independent
/// library made us find up to ten): their sigma is taken as this many times the fit's.
pub(super) const UNTRUTH: f64 = 4.0;
/// What holds a parameter, in units of what is known of it.
const HELD: f64 = 1e12;

/// The normal matrix with the parameters `held` kept where they are.
pub(super) fn holding(matrix: &DMatrix<f64>, held: &[usize]) -> DMatrix<f64> {
    let mut m = matrix.clone();
    for &i in held {
        m[(i, i)] += HELD * m[(i, i)].max(1.0);
    }
    m
}

/// The inverse of the normal matrix; a parameter without any influence (a blur
/// held at zero still has one) gets no variance.
pub(super) fn inverse(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let n = matrix.nrows();
    let scale: Vec<f64> = (0..n).map(|i| matrix[(i, i)].max(1e-300).sqrt()).collect();
    let scaled = DMatrix::from_fn(n, n, |i, j| matrix[(i, j)] / (scale[i] * scale[j]));
    let inv = scaled.cholesky()?.inverse();
    Some(DMatrix::from_fn(n, n, |i, j| {
        inv[(i, j)] / (scale[i] * scale[j])
    }))
}

/// What the residuals do to each picture's columns.
pub(super) struct Leftover {
    /// Parameters of a picture's columns, and the covariance of the residuals'
    /// products with them.
    pictures: Vec<(Vec<usize>, DMatrix<f64>)>,
}

impl Leftover {
    /// Covariance of all parameters when those answer as `inverse` says.
    pub fn covariance(&self, inverse: &DMatrix<f64>) -> DMatrix<f64> {
        let count = inverse.nrows();
        let mut total = DMatrix::zeros(count, count);
        for (ids, sum) in &self.pictures {
            let response = DMatrix::from_fn(count, ids.len(), |i, j| inverse[(i, ids[j])]);
            total += &response * sum * response.transpose();
        }
        total
    }

    /// Adds the pull of a prior on each of these parameters, with its variance.
    pub fn believe(&mut self, pulls: &[(usize, f64)]) {
        let (ids, variances): (Vec<usize>, Vec<f64>) = pulls.iter().copied().unzip();
        let pull = DMatrix::from_diagonal(&variances.into());
        self.pictures.push((ids, pull));
    }

    /// From residuals and derivatives; `inverse` says what the fit took away.
    pub fn of(problem: &Problem, solution: &Solution, inverse: &DMatrix<f64>) -> Self {
        let mut all = Vec::new();
        for ((picture, columns), residuals) in problem
            .pictures
            .iter()
            .zip(&solution.columns)
            .zip(&solution.residuals)
        {
            let size = picture.model.size;
            let square = Square::new(fast_size(size));
            let m = square.size;
            let mut scratch = Scratch::default();
            let spectrum = |a: &[f32], b: Option<&[f32]>, scratch: &mut Scratch| {
                let mut z = vec![Complex32::default(); m * m];
                for x in 0..size {
                    for y in 0..size {
                        let i = x * size + y;
                        z[x * m + y] = Complex32::new(a[i], b.map_or(0.0, |b| b[i]));
                    }
                }
                square.forward(&mut z, size, scratch);
                z
            };
            // Half the plane is enough: everything is real in the picture. Sorted
            // by ring, so that a ring is a stretch of each list.
            let mut bins: Vec<(usize, usize, usize)> = (0..m * m)
                .filter_map(|k| {
                    let (a, b) = (signed(k / m, m), signed(k % m, m));
                    let mirror = ((m - k / m) % m) * m + (m - k % m) % m;
                    let ring = ((a * a + b * b) as f64).sqrt().round() as usize;
                    (k <= mirror).then_some((ring, k, mirror))
                })
                .collect();
            bins.sort_unstable();
            let twice = |k, mirror| if k == mirror { 1f32 } else { 2f32 };
            let r = spectrum(residuals, None, &mut scratch);
            let ids: Vec<usize> = columns.iter().map(|c| c.0).collect();
            // Two columns to a transform, parted by their symmetry; real and
            // imaginary part side by side.
            let mut hats: Vec<Vec<f32>> = Vec::with_capacity(ids.len());
            for pair in columns.chunks(2) {
                let z = spectrum(
                    &pair[0].1,
                    pair.get(1).map(|c| c.1.as_slice()),
                    &mut scratch,
                );
                for sign in &[1.0, -1.0][..pair.len()] {
                    hats.push(
                        bins.iter()
                            .flat_map(|&(_, k, mirror)| {
                                let h = (z[k] + z[mirror].conj() * *sign)
                                    * (0.5 * twice(k, mirror).sqrt());
                                if *sign > 0.0 {
                                    [h.re, h.im]
                                } else {
                                    [h.im, -h.re]
                                }
                            })
                            .collect(),
                    );
                }
            }
            let n = ids.len();
            let used = picture.root_weight.iter().filter(|w| **w > 0.0).count() as f64;
            let local = DMatrix::from_fn(n, n, |i, j| inverse[(ids[i], ids[j])]);
            let mut sum = DMatrix::<f64>::zeros(n, n);
            for ring in bins.chunk_by(|a, b| a.0 == b.0) {
                let start = bins.partition_point(|b| b.0 < ring[0].0);
                let stretch = 2 * start..2 * (start + ring.len());
                let (mut power, mut weight) = (0.0, 0.0);
                for &(_, k, mirror) in ring {
                    power += f64::from(twice(k, mirror) * r[k].norm_sqr());
                    weight += f64::from(twice(k, mirror));
                }
                let mut cross = DMatrix::<f64>::zeros(n, n);
                for i in 0..n {
                    let others = hats[i..].iter().map(|h| &h[stretch.clone()]);
                    let products = dots(&hats[i][stretch.clone()], others);
                    for (j, c) in (i..n).zip(products) {
                        cross[(i, j)] = c;
                        cross[(j, i)] = c;
                    }
                }
                // Share of white noise in this ring that the fit takes away.
                let taken = cross.component_mul(&local).sum() / (used * weight);
                sum += cross * (power / weight / (1.0 - taken).clamp(0.2, 1.0));
            }
            all.push((ids, sum / ((m * m) as f64 * used)));
        }
        Self { pictures: all }
    }
}
