//! A picture's edges: where light changes most, to a fraction of a pixel, and which way.

use crate::barrels::prepare::{percentile, reduced};

/// A grey picture, 0 black to 1 white.
#[derive(Debug, Clone)]
pub(super) struct Grey {
    pub width: usize,
    pub height: usize,
    pub data: Vec<f32>,
}

/// A place of greatest change. Positions are px, x to the right and y down.
#[derive(Debug, Clone, Copy)]
pub(super) struct Edge {
    pub x: f64,
    pub y: f64,
    /// Unit vector towards more light.
    pub way: [f64; 2],
}

impl Grey {
    /// With a long side of at most so many px, by area means.
    pub fn smaller(&self, long_side: usize) -> Self {
        let long = self.width.max(self.height);
        if long <= long_side {
            return self.clone();
        }
        let step = long as f64 / long_side as f64;
        let to = |n: usize| ((n as f64 / step).round() as usize).max(1);
        let (width, height) = (to(self.width), to(self.height));
        Self {
            width,
            height,
            data: reduced(&self.data, [self.width, self.height], [width, height]),
        }
    }

    /// Linear between px; at the border the border's.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let x = x.clamp(0.0, self.width as f64 - 1.001);
        let y = y.clamp(0.0, self.height as f64 - 1.001);
        let (i, j) = (x as usize, y as usize);
        let (u, v) = (x - i as f64, y - j as f64);
        let get = |i: usize, j: usize| {
            f64::from(self.data[j.min(self.height - 1) * self.width + i.min(self.width - 1)])
        };
        (get(i, j) * (1.0 - u) + get(i + 1, j) * u) * (1.0 - v)
            + (get(i, j + 1) * (1.0 - u) + get(i + 1, j + 1) * u) * v
    }

    /// A square about a point with `size` px along a side, each `step` px of this.
    pub fn cut(&self, middle: [f64; 2], size: usize, step: f64) -> Self {
        let half = (size as f64 - 1.0) / 2.0;
        // Means where px are joined, so that noise and fine detail do not fold.
        let n = step.ceil().max(1.0) as usize;
        let mut data = Vec::with_capacity(size * size);
        for j in 0..size {
            for i in 0..size {
                let (x, y) = (
                    middle[0] + (i as f64 - half) * step,
                    middle[1] + (j as f64 - half) * step,
                );
                let mut sum = 0.0;
                for k in 0..n * n {
                    let part = |k: usize| ((k as f64 + 0.5) / n as f64 - 0.5) * step;
                    sum += self.at(x + part(k % n), y + part(k / n));
                }
                data.push((sum / (n * n) as f64) as f32);
            }
        }
        Self {
            width: size,
            height: size,
            data,
        }
    }

    /// Blurred by a Gaussian.
    pub fn smooth(&self, sigma: f64) -> Self {
        let reach = (3.0 * sigma).ceil() as i64;
        let weights: Vec<f32> = (-reach..=reach)
            .map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp() as f32)
            .collect();
        let total: f32 = weights.iter().sum();
        let (w, h) = (self.width as i64, self.height as i64);
        let pass = |data: &[f32], dx: i64, dy: i64| -> Vec<f32> {
            (0..w * h)
                .map(|i| {
                    let (x, y) = (i % w, i / w);
                    let sum: f32 = (-reach..=reach)
                        .zip(&weights)
                        .map(|(k, weight)| {
                            let (u, v) =
                                ((x + k * dx).clamp(0, w - 1), (y + k * dy).clamp(0, h - 1));
                            weight * data[(v * w + u) as usize]
                        })
                        .sum();
                    sum / total
                })
                .collect()
        };
        let rows = pass(&self.data, 1, 0);
        Self {
            data: pass(&rows, 0, 1),
            ..*self
        }
    }

    /// 1-sigma of a px's noise: of neighbours in a row the middle one less the mean of both
    /// others has 3/2 of its variance, and half of it is within 0.6745 sigma.
    pub fn noise(&self) -> f64 {
        let off: Vec<f32> = self
            .data
            .chunks(self.width)
            .flat_map(|row| row.windows(3).map(|w| (w[1] - 0.5 * (w[0] + w[2])).abs()))
            .collect();
        f64::from(percentile(&off, 0.5)) / 0.6745 / 1.5_f64.sqrt()
    }

    /// Edges that stand out of a picture most of which has none, thinned to one px.
    pub fn edges(&self, sigma: f64) -> Vec<Edge> {
        self.thinned(sigma, None)
    }

    /// Edges steeper than `least` a px, thinned to one px.
    pub fn edges_above(&self, sigma: f64, least: f64) -> Vec<Edge> {
        self.thinned(sigma, Some(least as f32))
    }

    fn thinned(&self, sigma: f64, least: Option<f32>) -> Vec<Edge> {
        let smooth = self.smooth(sigma);
        let (w, h) = (self.width, self.height);
        let mut slopes = vec![[0.0_f32; 2]; w * h];
        for y in 1..h.saturating_sub(1) {
            for x in 1..w.saturating_sub(1) {
                let i = y * w + x;
                slopes[i] = [
                    0.5 * (smooth.data[i + 1] - smooth.data[i - 1]),
                    0.5 * (smooth.data[i + w] - smooth.data[i - w]),
                ];
            }
        }
        let size: Vec<f32> = slopes.iter().map(|s| s[0].hypot(s[1])).collect();
        let least =
            least.unwrap_or_else(|| (3.0 * percentile(&size, 0.5)).max(0.006 / sigma as f32));
        let mut edges = Vec::new();
        let steep = Self {
            width: w,
            height: h,
            data: size,
        };
        for y in 2..h.saturating_sub(2) {
            for x in 2..w.saturating_sub(2) {
                let i = y * w + x;
                let s = f64::from(steep.data[i]);
                if steep.data[i] < least {
                    continue;
                }
                let way = [f64::from(slopes[i][0]) / s, f64::from(slopes[i][1]) / s];
                let (x, y) = (x as f64, y as f64);
                let before = steep.at(x - way[0], y - way[1]);
                let after = steep.at(x + way[0], y + way[1]);
                if s < before || s <= after {
                    continue;
                }
                // The top of a parabola through the three.
                let bend = before - 2.0 * s + after;
                let top = if bend < 0.0 {
                    (0.5 * (before - after) / bend).clamp(-0.6, 0.6)
                } else {
                    0.0
                };
                edges.push(Edge {
                    x: x + top * way[0],
                    y: y + top * way[1],
                    way,
                });
            }
        }
        edges
    }
}
