//! Finds stars in a frame: sky, noise, and the discs of light that stand out.
//!
//! The frame is averaged in blocks of a few pixels, each block without its
//! brightest pixel so that a hot pixel never looks like a star. The sky is a
//! quadratic surface fitted to the lower part of the blocks, which a star may
//! cover by more than half, a gradient may tilt and a vignette may bend.
//! What stands out is cut at a share of its own brightness and filled in; each
//! filled patch is a candidate.

use nalgebra::{SMatrix, SVector};

use super::frame::Frame;

/// A disc of light that may be a defocused star, in frame pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Centre of the filled disc, x from the left.
    pub x: f64,
    /// Centre of the filled disc, y down from the top.
    pub y: f64,
    /// Radius of a disc of the same area, px.
    pub radius: f64,
    /// Second moment of the filled patch over that of a disc of the same
    /// area; 1 for a disc, more for anything else.
    pub spread: f64,
    /// Sum of light over the sky.
    pub flux: f64,
    /// Typical brightness over the sky.
    pub level: f64,
    /// `level` over the noise of the picture it was outlined in, which is
    /// smoothed when the star is faint.
    pub contrast: f64,
    /// Whether the patch reaches the frame's border.
    pub touches_border: bool,
}

/// Contrast above which a candidate's outline can be trusted.
pub const CLEAR: f64 = 20.0;

/// The sky of one frame and the stars in it.
#[derive(Debug, Clone)]
pub struct Found {
    /// Brightness of the empty sky.
    pub sky: Sky,
    /// 1-sigma noise of one pixel of the sky.
    pub noise: f64,
    /// Candidates, the most light first.
    pub candidates: Vec<Candidate>,
}

impl Candidate {
    /// Distance from the centre to the nearest border of its frame, px.
    pub(crate) fn room(&self, frame: &Frame) -> f64 {
        room_at([self.x, self.y], frame)
    }
}

/// Distance from a place to the nearest border of a frame, px.
pub(crate) fn room_at([x, y]: [f64; 2], frame: &Frame) -> f64 {
    x.min(y)
        .min(frame.width as f64 - 1.0 - x)
        .min(frame.height as f64 - 1.0 - y)
}

impl Found {
    pub(crate) fn nothing() -> Self {
        Found {
            sky: Sky {
                half: [0.0; 2],
                scale: 1.0,
                coef: [0.0; 6],
            },
            noise: 0.0,
            candidates: Vec::new(),
        }
    }

    /// Another star so bright and near that it falsifies candidate `index`.
    pub(crate) fn companion_of(&self, index: usize) -> Option<&Candidate> {
        let star = &self.candidates[index];
        self.candidates.iter().enumerate().find_map(|(k, c)| {
            let apart = (c.x - star.x).hypot(c.y - star.y);
            (k != index
                && c.flux > 0.04 * star.flux
                && c.radius > 0.3 * star.radius
                && apart < 1.9 * star.radius + c.radius)
                .then_some(c)
        })
    }
}

/// A quadratic surface over the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Sky {
    half: [f64; 2],
    scale: f64,
    coef: [f64; 6],
}

impl Sky {
    fn terms(&self, x: f64, y: f64) -> [f64; 6] {
        let u = (x - self.half[0]) / self.scale;
        let v = (y - self.half[1]) / self.scale;
        [1.0, u, v, u * u, u * v, v * v]
    }

    /// The most that a coefficient differs from another surface's.
    fn differs_by(&self, other: &[f64; 6]) -> f64 {
        let apart = self.coef.iter().zip(other).map(|(a, b)| (a - b).abs());
        apart.fold(0.0, f64::max)
    }

    /// Brightness of the sky at a pixel.
    #[must_use]
    pub fn at(&self, x: f64, y: f64) -> f64 {
        self.terms(x, y)
            .iter()
            .zip(&self.coef)
            .map(|(t, c)| t * c)
            .sum()
    }
}

/// A frame averaged in blocks.
struct Blocks {
    step: usize,
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Blocks {
    fn new(frame: &Frame) -> Self {
        let step = match frame.width.max(frame.height) {
            0..=320 => 1,
            321..=500 => 2,
            501..=1000 => 3,
            _ => 4,
        };
        if step == 1 {
            return Blocks {
                step,
                width: frame.width,
                height: frame.height,
                data: despeckled(frame),
            };
        }
        let (width, height) = (frame.width / step, frame.height / step);
        let mut data = Vec::with_capacity(width * height);
        let mut sum = vec![0f32; width];
        let mut top = vec![0f32; width];
        let others = (step * step - 1) as f32;
        for by in 0..height {
            sum.fill(0.0);
            top.fill(f32::NEG_INFINITY);
            for y in by * step..(by + 1) * step {
                let row = &frame.data[y * frame.width..y * frame.width + width * step];
                for ((cells, s), t) in row.chunks_exact(step).zip(&mut sum).zip(&mut top) {
                    for &v in cells {
                        *s += v;
                        *t = t.max(v);
                    }
                }
            }
            data.extend(sum.iter().zip(&top).map(|(s, t)| (s - t) / others));
        }
        Blocks {
            step,
            width,
            height,
            data,
        }
    }

    /// Centre of a block in frame pixels.
    fn centre(&self, b: f64) -> f64 {
        (b + 0.5) * self.step as f64 - 0.5
    }
}

/// The frame with every pixel cut down to the second brightest of its 3 by 3
/// neighbourhood: lone bright pixels vanish, edges stay.
fn despeckled(frame: &Frame) -> Vec<f32> {
    let (w, h) = (frame.width, frame.height);
    let mut out = frame.data.clone();
    for y in 0..h {
        for x in 0..w {
            let v = frame.data[y * w + x];
            // One brighter neighbour is enough.
            if x > 0 && frame.data[y * w + x - 1] >= v
                || x + 1 < w && frame.data[y * w + x + 1] >= v
            {
                continue;
            }
            let mut top = f32::NEG_INFINITY;
            for ny in y.saturating_sub(1)..(y + 2).min(h) {
                for nx in x.saturating_sub(1)..(x + 2).min(w) {
                    if (nx, ny) != (x, y) {
                        top = top.max(frame.data[ny * w + nx]);
                    }
                }
            }
            if v > top {
                out[y * w + x] = top;
            }
        }
    }
    out
}

/// Noise of one pixel, from differences of pixels two apart (neighbours may be
/// correlated by colour interpolation). Half of the differences are taken in
/// the sky unless the star fills the frame, and the median does not care.
/// Where the camera cuts the dark half of the noise off (a black level of nothing), two
/// dark pixels differ by nothing: pairs above the darkest value are then asked.
#[must_use]
pub fn pixel_noise(frame: &Frame) -> f64 {
    noise_and_cut(frame).0
}

/// [`pixel_noise`], and whether the dark half of the noise is cut off.
fn noise_and_cut(frame: &Frame) -> (f64, bool) {
    let darkest = frame.data.iter().copied().fold(f32::INFINITY, f32::min);
    let stride = (frame.data.len() / 20_000).max(1);
    let pairs: Vec<[f32; 2]> = (0..frame.data.len().saturating_sub(2))
        .step_by(stride)
        .filter(|i| i % frame.width + 2 < frame.width)
        .map(|i| [frame.data[i], frame.data[i + 2]])
        .collect();
    let dark = |many: &dyn Fn(&[f32; 2]) -> bool| {
        pairs.iter().filter(|p| many(p)).count() as f64 / pairs.len().max(1) as f64
    };
    let one = dark(&|p| p[0] <= darkest);
    let both = dark(&|p| p[0] <= darkest && p[1] <= darkest);
    // Cut noise scatters its darkest pixels, an even dark keeps them together.
    let cut = one > CUT_BLACK && both < TOGETHER * one;
    let mut distances: Vec<f32> = pairs
        .iter()
        .filter(|p| !cut || p[0].min(p[1]) > darkest)
        .map(|p| (p[1] - p[0]).abs())
        .collect();
    // The lower quartile belongs to the sky even when a star covers half.
    let q = f64::from(quantile(&mut distances, 0.25));
    let noise = if cut {
        q / QUARTILE_OF_HALF
    } else {
        q / 0.3186 / std::f64::consts::SQRT_2
    };
    (noise, cut)
}

/// The black level cuts noise off where this share of the pixels has the darkest value.
const CUT_BLACK: f64 = 0.2;
const SMOOTHINGS_OF_CUT: usize = 4;
/// And where a dark pixel's neighbour is dark less often than this.
const TOGETHER: f64 = 0.75;
/// Lower quartile of the distance of two half-normal values (a simulation of two million).
const QUARTILE_OF_HALF: f64 = 0.238;

/// The `share` quantile of a slice, which is reordered; 0 for an empty one.
pub(crate) fn quantile<T: PartialOrd + Copy + Default>(values: &mut [T], share: f64) -> T {
    if values.is_empty() {
        return T::default();
    }
    let k = ((values.len() - 1) as f64 * share).round() as usize;
    let (_, v, _) = values.select_nth_unstable_by(k, |a, b| {
        a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal)
    });
    *v
}

fn fit_sky(blocks: &Blocks, frame: &Frame) -> (Sky, f64) {
    // Coarse cells: the median of up to 8 x 8 blocks each.
    let cell = (blocks.width.max(blocks.height) / 40).max(1);
    let mut points: Vec<(f64, f64, f64)> = Vec::new();
    let mut pool: Vec<f32> = Vec::new();
    for cy in (0..blocks.height).step_by(cell) {
        for cx in (0..blocks.width).step_by(cell) {
            pool.clear();
            let (y1, x1) = (
                (cy + cell).min(blocks.height),
                (cx + cell).min(blocks.width),
            );
            for y in cy..y1 {
                pool.extend_from_slice(&blocks.data[y * blocks.width + cx..y * blocks.width + x1]);
            }
            let v = quantile(&mut pool, 0.5);
            points.push((
                blocks.centre((cx + x1 - 1) as f64 / 2.0),
                blocks.centre((cy + y1 - 1) as f64 / 2.0),
                f64::from(v),
            ));
        }
    }
    let mut sky = Sky {
        half: [frame.width as f64 / 2.0, frame.height as f64 / 2.0],
        scale: frame.width.max(frame.height) as f64 / 2.0,
        coef: [0.0; 6],
    };
    let mut values: Vec<f64> = points.iter().map(|p| p.2).collect();
    sky.coef[0] = quantile(&mut values, 0.3);
    let spread = (quantile(&mut values, 0.6) - quantile(&mut values, 0.05)).max(1e-12);
    // A plane at the 0.35 quantile, by reweighting.
    for _ in 0..12 {
        let weight =
            |res: f64| (if res > 0.0 { 0.35 } else { 0.65 }) / res.abs().max(0.01 * spread);
        let before = sky.coef;
        if !refit::<3>(&mut sky, &points, weight) || sky.differs_by(&before) < STILL * spread {
            break;
        }
    }
    // Then a quadratic through what lies near it.
    let mut scatter = spread;
    for round in 0..10 {
        let mut below: Vec<f64> = points
            .iter()
            .map(|p| sky.at(p.0, p.1) - p.2)
            .filter(|r| *r > 0.0)
            .collect();
        scatter = (1.4826 * quantile(&mut below, 0.5)).max(1e-9 * spread);
        let limit = scatter * if round < 4 { 4.0 } else { 3.0 };
        let order = if round < 2 { 3 } else { 6 };
        let near = |res: f64| f64::from(res.abs() < limit);
        let before = sky.coef;
        let done = match order {
            3 => refit::<3>(&mut sky, &points, near),
            _ => refit::<6>(&mut sky, &points, near),
        };
        if !done || round >= 4 && sky.differs_by(&before) < STILL * scatter {
            break;
        }
    }
    (sky, scatter)
}

/// A sky that a round changes by less than this share of its scatter stands still.
const STILL: f64 = 1e-3;

/// One weighted least-squares step for the first coefficients; a surface that cannot be had
/// leaves the sky as it was.
fn refit<const TERMS: usize>(
    sky: &mut Sky,
    points: &[(f64, f64, f64)],
    weight: impl Fn(f64) -> f64,
) -> bool {
    let mut normal = SMatrix::<f64, TERMS, TERMS>::zeros();
    let mut right = SVector::<f64, TERMS>::zeros();
    let mut used = 0usize;
    for &(x, y, v) in points {
        let t = sky.terms(x, y);
        let here: f64 = t.iter().zip(&sky.coef).map(|(t, c)| t * c).sum();
        let w = weight(v - here);
        if w <= 0.0 {
            continue;
        }
        used += 1;
        for i in 0..TERMS {
            right[i] += w * t[i] * v;
            // The decomposition asks for the lower half only.
            for j in 0..=i {
                normal[(i, j)] += w * t[i] * t[j];
            }
        }
    }
    if used < 3 * TERMS {
        return false;
    }
    let Some(solved) = normal.cholesky().map(|c| c.solve(&right)) else {
        return false;
    };
    if solved.iter().any(|v| !v.is_finite()) {
        return false;
    }
    sky.coef = [0.0; 6];
    sky.coef[..TERMS].copy_from_slice(solved.as_slice());
    true
}

/// Connected patches of a mask, 8 neighbours each.
fn patches(mask: &[bool], width: usize, height: usize) -> Vec<Vec<usize>> {
    let mut seen = vec![false; mask.len()];
    let mut all = Vec::new();
    for start in 0..mask.len() {
        if !mask[start] || seen[start] {
            continue;
        }
        let mut patch = vec![start];
        seen[start] = true;
        let mut next = 0;
        while next < patch.len() {
            let (x, y) = (patch[next] % width, patch[next] / width);
            next += 1;
            for ny in y.saturating_sub(1)..(y + 2).min(height) {
                for nx in x.saturating_sub(1)..(x + 2).min(width) {
                    let n = ny * width + nx;
                    if mask[n] && !seen[n] {
                        seen[n] = true;
                        patch.push(n);
                    }
                }
            }
        }
        all.push(patch);
    }
    all
}

/// Finds the sky, the noise and the candidates of one frame.
#[must_use]
pub fn find(frame: &Frame) -> Found {
    let mut blocks = Blocks::new(frame);
    let (bw, bh) = (blocks.width, blocks.height);
    let (noise, cut) = noise_and_cut(frame);
    if cut {
        // Noise that reaches upwards only has no middle to be told from; a smoother picture's has.
        for _ in 0..SMOOTHINGS_OF_CUT {
            blocks.data = smoothed(&blocks.data, bw, bh);
        }
    }
    let (sky, cell_scatter) = fit_sky(&blocks, frame);
    let mut over = vec![0f32; bw * bh];
    for by in 0..bh {
        let y = blocks.centre(by as f64);
        let row = by * bw..(by + 1) * bw;
        for (bx, (o, v)) in over[row.clone()]
            .iter_mut()
            .zip(&blocks.data[row])
            .enumerate()
        {
            *o = (f64::from(*v) - sky.at(blocks.centre(bx as f64), y)) as f32;
        }
    }
    // Faint stars show better in a smoother picture; bright ones need none.
    let mut candidates = Vec::new();
    for passes in [1, 2, 4, 8, 0] {
        let (found, clear) = stand_outs(&over, cell_scatter, &blocks);
        candidates = found;
        if clear {
            break;
        }
        for _ in 0..passes {
            over = smoothed(&over, bw, bh);
        }
    }
    candidates.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    candidates.truncate(24);
    Found {
        sky,
        noise,
        candidates,
    }
}

/// Candidates of a sky-free block picture, and whether the best stands clear
/// of the noise: then its outline can be trusted.
fn stand_outs(over: &[f32], cell_scatter: f64, blocks: &Blocks) -> (Vec<Candidate>, bool) {
    // Noise of the picture itself, whatever its correlations.
    let stride = (over.len() / 20_000).max(1);
    let mut low: Vec<f32> = over
        .iter()
        .step_by(stride)
        .map(|v| -v)
        .filter(|v| *v > 0.0)
        .collect();
    let noise = (f64::from(quantile(&mut low, 0.5)) * 1.4826).max(0.2 * cell_scatter);
    let mut tops: Vec<f32> = over
        .iter()
        .copied()
        .filter(|v| f64::from(*v) > 5.0 * noise)
        .collect();
    if tops.is_empty() {
        return (Vec::new(), false);
    }
    let top = f64::from(quantile(&mut tops, 0.98));
    let threshold = (5.0 * noise).max(0.02 * top) as f32;
    let mask: Vec<bool> = over.iter().map(|v| *v > threshold).collect();
    let mut candidates = Vec::new();
    for patch in patches(&mask, blocks.width, blocks.height) {
        candidates.extend(candidates_of(&patch, over, blocks));
    }
    for c in &mut candidates {
        c.contrast = c.level / noise.max(1e-300);
    }
    let best = candidates.iter().max_by(|a, b| a.flux.total_cmp(&b.flux));
    let clear = best.is_some_and(|b| b.contrast > CLEAR);
    (candidates, clear)
}

/// A 3 by 3 binomial blur, edges repeated.
fn smoothed(data: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut rows = vec![0f32; data.len()];
    let last = width - 1;
    for (row, out) in data.chunks_exact(width).zip(rows.chunks_exact_mut(width)) {
        for (o, v) in out[1..].iter_mut().zip(row.windows(3)) {
            *o = 0.25 * (v[0] + v[2]) + 0.5 * v[1];
        }
        out[0] = 0.25 * (row[0] + row[1.min(last)]) + 0.5 * row[0];
        out[last] = 0.25 * (row[last.saturating_sub(1)] + row[last]) + 0.5 * row[last];
    }
    let mut out = vec![0f32; data.len()];
    for (y, out) in out.chunks_exact_mut(width).enumerate() {
        let row = |y: usize| &rows[y * width..(y + 1) * width];
        let (up, down) = (row(y.saturating_sub(1)), row((y + 1).min(height - 1)));
        for (((o, u), d), v) in out.iter_mut().zip(up).zip(down).zip(row(y)) {
            *o = 0.25 * (u + d) + 0.5 * v;
        }
    }
    out
}

/// Cuts one patch at a share of its own brightness and measures the parts.
fn candidates_of(patch: &[usize], over: &[f32], blocks: &Blocks) -> Vec<Candidate> {
    if patch.len() < 4 {
        return Vec::new();
    }
    let (sum, squares) = patch.iter().fold((0.0, 0.0), |(s, q), &i| {
        (s + f64::from(over[i]), q + f64::from(over[i]).powi(2))
    });
    let mean = squares / sum;
    let mut lit: Vec<f32> = patch
        .iter()
        .map(|&i| over[i])
        .filter(|v| f64::from(*v) > 0.1 * mean)
        .collect();
    let level = f64::from(quantile(&mut lit, 0.5));
    let cut = 0.3 * level;
    // A box with one block of room all round, so that holes can be told from outside.
    let (w, h) = (blocks.width, blocks.height);
    let (mut x0, mut x1, mut y0, mut y1) = (w, 0, h, 0);
    for &i in patch {
        x0 = x0.min(i % w);
        x1 = x1.max(i % w);
        y0 = y0.min(i / w);
        y1 = y1.max(i / w);
    }
    let (bw, bh) = (x1 - x0 + 3, y1 - y0 + 3);
    let mut lit = vec![false; bw * bh];
    for &i in patch {
        if f64::from(over[i]) > cut {
            lit[(i / w - y0 + 1) * bw + (i % w - x0 + 1)] = true;
        }
    }
    let step = blocks.step as f64;
    let mut found = Vec::new();
    for part in patches(&lit, bw, bh) {
        if part.len() < 3 {
            continue;
        }
        let mut own = vec![false; bw * bh];
        let mut flux = 0.0;
        let mut touches = false;
        for &i in &part {
            own[i] = true;
            let (x, y) = (x0 + i % bw - 1, y0 + i / bw - 1);
            flux += f64::from(over[y * w + x]) * step * step;
            touches |= x == 0 || y == 0 || x + 1 == w || y + 1 == h;
        }
        let filled = fill(&own, bw, bh);
        let (mut n, mut sx, mut sy, mut sq) = (0.0, 0.0, 0.0, 0.0);
        for (i, _) in filled.iter().enumerate().filter(|(_, f)| **f) {
            let (x, y) = ((i % bw) as f64, (i / bw) as f64);
            n += 1.0;
            sx += x;
            sy += y;
            sq += x * x + y * y;
        }
        let (mx, my) = (sx / n, sy / n);
        let moment = sq / n - mx * mx - my * my + 1.0 / 6.0;
        found.push(Candidate {
            x: blocks.centre(mx + x0 as f64 - 1.0),
            y: blocks.centre(my + y0 as f64 - 1.0),
            radius: (n / std::f64::consts::PI).sqrt() * step,
            spread: moment * std::f64::consts::TAU / n,
            flux,
            level,
            contrast: 0.0,
            touches_border: touches,
        });
    }
    found
}

/// The patch with its holes filled: all that the outside cannot reach.
fn fill(own: &[bool], width: usize, height: usize) -> Vec<bool> {
    let mut outside = vec![false; own.len()];
    let mut open = vec![0usize];
    outside[0] = true;
    while let Some(i) = open.pop() {
        let (x, y) = (i % width, i / width);
        let mut step = |n: usize| {
            if !own[n] && !outside[n] {
                outside[n] = true;
                open.push(n);
            }
        };
        if x > 0 {
            step(i - 1);
        }
        if x + 1 < width {
            step(i + 1);
        }
        if y > 0 {
            step(i - width);
        }
        if y + 1 < height {
            step(i + width);
        }
    }
    outside.iter().map(|o| !o).collect()
}
