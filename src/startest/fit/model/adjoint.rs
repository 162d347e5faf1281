//! Slopes of one number by everything at once, backwards through the model.
//!
//! A sum over pixels of q times the picture has the derivative sum q dI by each
//! parameter. Going backwards the pixels' factors q pass the filter once and each
//! wavelength's pupil once, whatever the number of modes: as dear as one picture.

use super::{Model, State, Workspace};
use crate::fit::line::weights;
use optics::fourier::signed;
use rustfft::num_complex::Complex32;
use std::{f64::consts::TAU, ops::Range};

/// Derivatives of sum q I, I being the picture of a star of flux 1.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::fit) struct Pull {
    /// One for each of [`Model::modes`].
    pub waves: Vec<f64>,
    /// By those of the shadow's u, v and radius that were asked for.
    pub shadow: Vec<f64>,
    pub at: [f64; 2],
    pub blur: f64,
    pub stretch: [f64; 2],
    pub registered: f64,
    pub narrowing: f64,
    /// By scale, its inequality (2) and colour of [`super::Sizes`], where they were asked for.
    pub sizes: Option<[f64; 4]>,
}

impl Model {
    /// The derivatives of sum `q` I at `state`, `q` as pictures are. Quickest right
    /// after [`Model::image`] of the same state.
    pub fn pull(
        &mut self,
        state: &State,
        q: &[f32],
        by_shadow: Range<usize>,
        by_sizes: bool,
    ) -> Pull {
        if self.last.as_ref().is_none_or(|l| l.state != *state) {
            self.image(state);
        }
        let Some(last) = &self.last else {
            // An image leaves its fields behind.
            return Pull::nothing(self.modes.len(), by_shadow.len());
        };
        let filter = self.filter(state);
        let (m, n, size) = (self.focal.size, self.detector.size, self.size);
        let mut work = self.workspace();
        let mut pixels = vec![Complex32::default(); n * n];
        for (x, column) in q.chunks_exact(size).enumerate() {
            for (p, v) in pixels[x * n..].iter_mut().zip(column) {
                p.re = *v;
            }
        }
        self.detector
            .forward(&mut pixels, size, &mut work.pixel_scratch);
        // Back through the filter, and what it itself owes to its parameters.
        let turn = TAU / n as f64;
        let mut by_cell = vec![Complex32::default(); m * m];
        let (mut at, mut stretch) = ([0.0; 2], [0.0; 2]);
        let (mut blur, mut registered) = (0.0, 0.0);
        for (b, h) in self.bins.iter().zip(&filter) {
            let back = pixels[b.to as usize].conj() * h;
            by_cell[b.from as usize] = back;
            let product = last.spectrum[b.from as usize] * back;
            let (re, im) = (f64::from(product.re), f64::from(product.im));
            at[0] += turn * signed(b.column as usize, m) as f64 * im;
            at[1] += turn * signed(b.row as usize, m) as f64 * im;
            let k = self.exponents[b.radius as usize];
            let third = self.thirds[b.radius as usize];
            blur -= k * (1.0 - state.registered * third) * re;
            registered += k * third * state.blur * re;
            stretch[0] -= k * f64::from(b.twice[0]) * re;
            stretch[1] -= k * f64::from(b.twice[1]) * re;
        }
        self.focal.forward(&mut by_cell, m, &mut work.scratch);
        let mut waves = vec![0.0; self.modes.len()];
        let mut shadow = vec![0.0; by_shadow.len()];
        let mut narrowing = 0.0;
        let weights = weights(&self.lines, state.narrowing);
        for (((line, a), u), weight) in self
            .lines
            .iter()
            .zip(&last.functions)
            .zip(&last.fields)
            .zip(&weights)
        {
            if self.lines.len() > 1 {
                let light: f64 = u
                    .iter()
                    .zip(&by_cell)
                    .map(|(u, g)| f64::from(g.re * u.norm_sqr()))
                    .sum();
                narrowing += f64::from(line.gain(weight[1], m)) * light;
            }
            if weight[0] < LEAST_WEIGHT {
                continue;
            }
            let field = &mut work.field;
            field.clear();
            field.extend(u.iter().zip(&by_cell).map(|(u, g)| u * g.re));
            self.focal.inverse(field, line.rows, &mut work.scratch);
            let gain = 2.0 * f64::from(line.gain(weight[0], m));
            line.pull(a, field, gain, &by_shadow, &mut waves, &mut shadow);
        }
        let sizes = by_sizes.then(|| {
            let Workspace {
                pixels,
                pixel_scratch,
                ..
            } = &mut work;
            let by_place = self.by_place();
            let (dx, dy) =
                self.to_detector(&last.spectrum, &filter, by_place, pixels, pixel_scratch);
            let mut sums = [0.0; 3];
            for (i, q) in q.iter().enumerate() {
                let x = ((i / size) as f64 - state.at[0]) as f32;
                let y = ((i % size) as f64 - state.at[1]) as f32;
                let (dx, dy) = (q * dx[i], q * dy[i]);
                sums[0] += f64::from(x * dx + y * dy - 2.0 * q * last.image[i]);
                sums[1] += f64::from(x * dx - y * dy);
                sums[2] -= f64::from(y * dx + x * dy);
            }
            // The blur is no wider in a larger picture; longer waves are fewer.
            let larger = sums[0] - 5.0 / 3.0 * (state.blur * blur);
            let fewer: f64 = state.waves.iter().zip(&waves).map(|(w, by)| w * by).sum();
            [larger, sums[1], sums[2], larger - fewer]
        });
        self.count(self.lines.len() + 2);
        self.give_back(work);
        Pull {
            sizes,
            waves,
            shadow,
            at,
            blur,
            stretch,
            registered,
            narrowing,
        }
    }
}

/// A wavelength with less of the light than this moves nothing.
pub(super) const LEAST_WEIGHT: f64 = 1e-4;

impl Pull {
    fn nothing(modes: usize, shadow: usize) -> Self {
        Pull {
            waves: vec![0.0; modes],
            shadow: vec![0.0; shadow],
            at: [0.0; 2],
            blur: 0.0,
            stretch: [0.0; 2],
            registered: 0.0,
            narrowing: 0.0,
            sizes: None,
        }
    }
}
