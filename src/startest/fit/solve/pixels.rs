//! From a model's picture to counts, and what each parameter does to them.

use super::{A4, BLUR, COLOUR, FLUX, Problem, REGISTERED, SHADE, SKY, STRETCH, X, Y};
use crate::fit::kernels::plane;
use crate::fit::model::Slopes;
use nalgebra::DVector;

impl Problem {
    /// Sets flux and sky of picture `k` by linear least squares.
    pub fn linear_start(&mut self, p: &mut [f64], k: usize) {
        let state = self.state(p, k);
        let own = self.own(k);
        let picture = &mut self.pictures[k];
        let image = picture.model.image(&state);
        let [mut ss, mut si, mut ii, mut sd, mut id] = [0.0; 5];
        for ((m, d), w) in image.iter().zip(&picture.data).zip(&picture.root_weight) {
            let (m, d, w) = (f64::from(*m), f64::from(*d), f64::from(w * w));
            ss += w;
            si += w * m;
            ii += w * m * m;
            sd += w * d;
            id += w * m * d;
        }
        let det = ss * ii - si * si;
        if det > 0.0 {
            p[own + FLUX] = (ss * id - si * sd) / det;
            p[own + SKY] = (ii * sd - si * id) / det;
        }
    }

    pub(super) fn compose(&self, p: &[f64], k: usize, image: &[f32]) -> Vec<f32> {
        let own = &p[self.own(k)..];
        let size = self.pictures[k].model.size;
        let [flux, sky, gx, gy] = [own[FLUX], own[SKY], own[SKY + 1], own[SKY + 2]];
        let bend = self.bend().map_or(0.0, |i| p[i] as f32);
        let level = level_of(image);
        let shades = self.shades(k);
        let mut out = Vec::with_capacity(image.len());
        for (x, column) in image.chunks_exact(size).enumerate() {
            let base = sky + gx * plane(x, size);
            for (y, &v) in column.iter().enumerate() {
                let v = if bend == 0.0 {
                    v
                } else {
                    counted(v, level, bend)
                } * shades
                    .as_ref()
                    .map_or(1.0, |s| shaded(&s[x * size + y], own));
                out.push((base + gy * plane(y, size) + flux * f64::from(v)) as f32);
            }
        }
        out
    }

    /// What light that rises in x, in y and outwards does to each pixel of picture `k`, where
    /// that is free.
    fn shades(&self, k: usize) -> Option<Vec<[f32; 3]>> {
        self.unknown?;
        let picture = &self.pictures[k];
        let ([x0, y0, radius], size) = (picture.disc, picture.model.size);
        let place = |i: usize, first: f64| ((i as f64 - first) / radius).clamp(-1.3, 1.3);
        let one = |i: usize| {
            let (x, y) = (place(i / size, x0), place(i % size, y0));
            [x, y, x * x + y * y - 0.5].map(|v| v as f32)
        };
        Some((0..size * size).map(one).collect())
    }

    pub(super) fn residuals(&self, k: usize, model: &[f32]) -> Vec<f32> {
        let p = &self.pictures[k];
        p.data
            .iter()
            .zip(model)
            .zip(&p.root_weight)
            .map(|((d, m), w)| w * (d - m))
            .collect()
    }

    /// Half the slope of chi2 downhill by all parameters but the focal ratio, whose
    /// part of the answer is left at 0. `residuals` are those of [`Problem::look`] at `p`.
    pub(super) fn pull(&mut self, p: &[f64], residuals: &[Vec<f32>]) -> DVector<f64> {
        let mut g = DVector::zeros(self.len());
        for (k, residuals) in residuals.iter().enumerate() {
            let (own, state) = (self.own(k), self.state(p, k));
            let (bend_at, band_at, sizes_at) = (self.bend(), self.band(), self.sizes());
            let shadow = self.free_shadow.clone();
            let modes = self.shared_modes.len();
            let shades = self.shades(k);
            let lead = self.leans(k).then(|| self.own(0) + A4);
            let image = self.imager(k).image_again(&state);
            let picture = &self.pictures[k];
            let flux = p[own + FLUX] as f32;
            let bend = bend_at.map_or(0.0, |i| p[i] as f32);
            let level = level_of(&image);
            let size = picture.model.size;
            let (mut by_flux, mut by_bend, mut sky) = (0.0, 0.0, [0.0; 3]);
            let mut by_shade = [0.0; 3];
            let mut q = Vec::with_capacity(image.len());
            for (i, ((v, r), w)) in image
                .iter()
                .zip(residuals)
                .zip(&picture.root_weight)
                .enumerate()
            {
                let pull = r * w;
                let share = (v / level).max(LEAST_SHARE);
                let (seen, answer) = if bend_at.is_some() && bend != 0.0 {
                    (counted(*v, level, bend), (1.0 + bend) * share.powf(bend))
                } else {
                    (*v, 1.0)
                };
                let (seen, answer) = match &shades {
                    Some(s) => {
                        for (b, s) in by_shade.iter_mut().zip(&s[i]) {
                            *b += f64::from(pull * flux * seen * s);
                        }
                        let light = shaded(&s[i], &p[own..]);
                        (seen * light, answer * light)
                    }
                    None => (seen, answer),
                };
                q.push(flux * pull * answer);
                by_flux += f64::from(pull * seen);
                if bend_at.is_some() {
                    by_bend += f64::from(pull * flux * seen * share.ln());
                }
                let pull = f64::from(pull);
                sky[0] += pull;
                sky[1] += pull * plane(i / size, size);
                sky[2] += pull * plane(i % size, size);
            }
            let pull = self.imager(k).pull(&state, &q, shadow, sizes_at.is_some());
            g[own + A4] += pull.waves[0];
            if let Some(i) = lead {
                g[i] += pull.waves[0];
            }
            for (j, v) in by_shade.iter().enumerate() {
                g[own + SHADE + j] += v;
            }
            for (j, v) in pull.waves[1..].iter().chain(&pull.shadow).enumerate() {
                g[j] += v;
            }
            debug_assert_eq!(pull.waves.len() - 1, modes);
            if let (Some(i), Some(sizes)) = (sizes_at, pull.sizes) {
                for (j, v) in sizes[..3].iter().enumerate() {
                    g[i + j] += v;
                }
                g[own + COLOUR] += sizes[3];
            }
            g[own + X] += pull.at[0];
            g[own + Y] += pull.at[1];
            g[own + BLUR] += pull.blur;
            g[own + FLUX] += by_flux;
            for (j, v) in sky.iter().enumerate() {
                g[own + SKY + j] += v;
            }
            g[own + STRETCH] += pull.stretch[0];
            g[own + STRETCH + 1] += pull.stretch[1];
            g[own + REGISTERED] += pull.registered;
            if let Some(i) = band_at {
                g[i] += pull.narrowing;
            }
            if let Some(i) = bend_at {
                g[i] += by_bend;
            }
        }
        g
    }

    pub(super) fn columns(&self, p: &[f64], k: usize, s: Slopes) -> Vec<(usize, Vec<f32>)> {
        let own = self.own(k);
        let flux = p[own + FLUX] as f32;
        let picture = &self.pictures[k];
        let size = picture.model.size;
        let mut out = Vec::new();
        let plain = |mut c: Vec<f32>| {
            for (v, w) in c.iter_mut().zip(&picture.root_weight) {
                *v *= w;
            }
            c
        };
        if let Some(i) = self.scale() {
            let state = self.state(p, k);
            let column = (0..size * size)
                .map(|at| {
                    let (x, y) = (
                        (at / size) as f64 - state.at[0],
                        (at % size) as f64 - state.at[1],
                    );
                    flux * (x as f32 * s.at[0][at] + y as f32 * s.at[1][at] - 2.0 * s.image[at])
                })
                .collect();
            out.push((i, plain(column)));
        }
        let shades = self.shades(k);
        let light: Option<Vec<f32>> = shades
            .as_ref()
            .map(|s| s.iter().map(|s| shaded(s, &p[own..])).collect());
        if let Some(first) = self.sizes() {
            let state = self.state(p, k);
            let factor = |at: usize| flux * light.as_ref().map_or(1.0, |l| l[at]);
            let column = |of: &dyn Fn(f32, f32, f32, f32, usize) -> f32| {
                let all = (0..size * size).map(|at| {
                    let x = ((at / size) as f64 - state.at[0]) as f32;
                    let y = ((at % size) as f64 - state.at[1]) as f32;
                    factor(at) * of(x, y, s.at[0][at], s.at[1][at], at)
                });
                plain(all.collect())
            };
            // The blur is no wider in a larger picture.
            let blur = (5.0 / 3.0 * state.blur) as f32;
            let larger = |x: f32, y: f32, dx: f32, dy: f32, at: usize| {
                x * dx + y * dy - 2.0 * s.image[at] - blur * s.blur[at]
            };
            out.push((first, column(&larger)));
            out.push((first + 1, column(&|x, y, dx, dy, _| x * dx - y * dy)));
            out.push((first + 2, column(&|x, y, dx, dy, _| -(y * dx + x * dy))));
            // Longer waves: a larger picture of fewer of them.
            out.push((
                own + COLOUR,
                column(&|x, y, dx, dy, at| {
                    let fewer: f32 = state
                        .waves
                        .iter()
                        .zip(&s.waves)
                        .map(|(w, by)| *w as f32 * by[at])
                        .sum();
                    larger(x, y, dx, dy, at) - fewer
                }),
            ));
        }
        // What the camera makes of a little more light, times the weight.
        let mut answer: Vec<f32> = picture.root_weight.clone();
        let mut seen = s.image.clone();
        if let Some(light) = &light {
            for (a, l) in answer.iter_mut().zip(light) {
                *a *= l;
            }
        }
        if let Some(i) = self.bend() {
            let level = level_of(&s.image);
            let bend = p[i] as f32;
            let mut by_bend = Vec::with_capacity(s.image.len());
            for ((a, v), seen) in answer.iter_mut().zip(&s.image).zip(&mut seen) {
                *seen = counted(*v, level, bend);
                let share = (v / level).max(LEAST_SHARE);
                by_bend.push(*seen * share.ln());
                *a *= (1.0 + bend) * share.powf(bend);
            }
            if let Some(light) = &light {
                by_bend.iter_mut().zip(light).for_each(|(b, l)| *b *= l);
            }
            out.push((i, plain(by_bend.iter().map(|b| flux * b).collect())));
        }
        if let (Some(shades), Some(light)) = (&shades, &light) {
            for j in 0..3 {
                let column = seen.iter().zip(shades).map(|(v, s)| flux * v * s[j]);
                out.push((own + SHADE + j, plain(column.collect())));
            }
            seen.iter_mut().zip(light).for_each(|(v, l)| *v *= l);
        }
        let weigh = |mut c: Vec<f32>, factor: f32| {
            for (v, w) in c.iter_mut().zip(&answer) {
                *v *= factor * w;
            }
            c
        };
        if self.leans(k) {
            out.push((self.own(0) + A4, weigh(s.waves[0].clone(), flux)));
        }
        for (j, c) in s.waves.into_iter().enumerate() {
            out.push((if j == 0 { own + A4 } else { j - 1 }, weigh(c, flux)));
        }
        for (j, c) in s.shadow.into_iter().enumerate() {
            out.push((self.shared_modes.len() + j, weigh(c, flux)));
        }
        let [dx, dy] = s.at;
        out.push((own + X, weigh(dx, flux)));
        out.push((own + Y, weigh(dy, flux)));
        out.push((own + BLUR, weigh(s.blur, flux)));
        out.push((own + FLUX, plain(seen)));
        let of = |f: &dyn Fn(usize, usize) -> f64| {
            (0..size * size)
                .map(|i| f(i / size, i % size) as f32)
                .collect::<Vec<f32>>()
        };
        out.push((own + SKY, plain(of(&|_, _| 1.0))));
        out.push((own + SKY + 1, plain(of(&|x, _| plane(x, size)))));
        out.push((own + SKY + 2, plain(of(&|_, y| plane(y, size)))));
        let [along, across] = s.stretch;
        out.push((own + STRETCH, weigh(along, flux)));
        out.push((own + STRETCH + 1, weigh(across, flux)));
        out.push((own + REGISTERED, weigh(s.registered, flux)));
        if let Some(i) = self.band() {
            out.push((i, weigh(s.narrowing, flux)));
        }
        out
    }
}

impl Problem {
    /// What weighted pixels make of a little more light in the `slopes` of a picture of flux 1.
    pub fn weighed(
        &self,
        p: &[f64],
        k: usize,
        image: &[f32],
        slopes: Vec<Vec<f32>>,
    ) -> Vec<Vec<f32>> {
        let flux = p[self.own(k) + FLUX] as f32;
        let bend = self.bend().map_or(0.0, |i| p[i] as f32);
        let level = level_of(image);
        let answer: Vec<f32> = image
            .iter()
            .zip(&self.pictures[k].root_weight)
            .map(|(v, w)| {
                let share = (v / level).max(LEAST_SHARE);
                w * flux
                    * if bend == 0.0 {
                        1.0
                    } else {
                        (1.0 + bend) * share.powf(bend)
                    }
            })
            .collect();
        let by = |slope: Vec<f32>| slope.iter().zip(&answer).map(|(s, a)| s * a).collect();
        slopes.into_iter().map(by).collect()
    }
}

/// Brightness of a picture where its light is: sum of squares over sum.
fn level_of(image: &[f32]) -> f32 {
    let (mut squares, mut sum) = (0.0f32, 0.0f32);
    for v in image {
        squares += v * v;
        sum += v;
    }
    (squares / sum.max(1e-30)).max(1e-30)
}

/// Light fainter than this share of the level is counted as light of that share.
const LEAST_SHARE: f32 = 1e-3;

/// What a camera makes of light `v` whose counts go with the light to the power
/// 1 + `bend`, alike at `level`.
fn counted(v: f32, level: f32, bend: f32) -> f32 {
    v * (v / level).max(LEAST_SHARE).powf(bend)
}

/// Share of the light that uneven light leaves, own parameters given.
fn shaded(shades: &[f32; 3], own: &[f64]) -> f32 {
    let rise: f32 = shades
        .iter()
        .zip(&own[SHADE..])
        .map(|(s, a)| s * *a as f32)
        .sum();
    (1.0 + rise).max(0.1)
}
