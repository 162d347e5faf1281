//! Registers good frames on each other and averages them.
//!
//! Frames are laid on the centre of their outer edge, the part of the donut
//! with the most perimeter; coma that the air adds to single frames then moves
//! only the inner parts, evenly about the mean. The first frame sets the
//! sub-pixel position and is not resampled. Memory is a fixed number of
//! stamps: sums, sums of squares, and at most [`MOST_BLOCKS`] blocks of
//! consecutive frames, merged in pairs when there would be more.

use super::cut::cut_out;
use super::find::{Found, room_at};
use super::frame::{Frame, Stamp};

/// Most blocks kept apart for the scatter between frames.
pub const MOST_BLOCKS: usize = 16;

/// The registered average of the good frames.
#[derive(Debug, Clone)]
pub struct Stack {
    /// The average; missing pixels (beyond the frame's border) are 0 with an
    /// infinite sigma.
    pub stamp: Stamp,
    /// Averages of blocks of consecutive frames, all on the same pixels; empty
    /// for a single frame.
    pub blocks: Vec<Stamp>,
    /// Position of the stamp's top left pixel in the first frame used, px.
    pub corner: [f64; 2],
    /// Centre of the donut as registered, stamp px, y down.
    pub centre: [f64; 2],
    /// Outer radius of the donut as registered, px.
    pub radius: f64,
    /// Where the star stood on the average, from the middle of the frames: px,
    /// x right and y **up**.
    pub from_middle: [f64; 2],
    /// Least distance from the donut's centre to the border of any frame, px.
    pub room: f64,
}

#[derive(Clone)]
struct Sum {
    values: Vec<f64>,
    counts: Vec<u32>,
    frames: usize,
}

impl Sum {
    fn new(pixels: usize) -> Self {
        Sum {
            values: vec![0.0; pixels],
            counts: vec![0; pixels],
            frames: 0,
        }
    }

    fn add(&mut self, data: &[f64]) {
        for ((s, c), v) in self.values.iter_mut().zip(&mut self.counts).zip(data) {
            if v.is_finite() {
                *s += v;
                *c += 1;
            }
        }
        self.frames += 1;
    }

    fn merge(&mut self, other: &Sum) {
        for (s, o) in self.values.iter_mut().zip(&other.values) {
            *s += o;
        }
        for (c, o) in self.counts.iter_mut().zip(&other.counts) {
            *c += o;
        }
        self.frames += other.frames;
    }
}

/// Takes frames one at a time.
pub(crate) struct Stacker {
    pub size: usize,
    pub corner: [isize; 2],
    pub centre: [f64; 2],
    pub radius: f64,
    total: Sum,
    squares: Vec<f64>,
    noise_squares: f64,
    from_middle: [f64; 2],
    room: f64,
    blocks: Vec<Sum>,
    block_length: usize,
}

impl Stacker {
    /// `centre` and `radius` of the first frame's donut, frame px.
    pub fn new(centre: [f64; 2], radius: f64) -> Self {
        // Room for the sky all round; even, so that transforms like the size.
        let half = (1.62 * radius + 6.0).ceil() as isize;
        let size = (2 * half) as usize;
        let corner = [
            centre[0].round() as isize - half,
            centre[1].round() as isize - half,
        ];
        Stacker {
            size,
            corner,
            centre: [centre[0] - corner[0] as f64, centre[1] - corner[1] as f64],
            radius,
            total: Sum::new(size * size),
            squares: vec![0.0; size * size],
            noise_squares: 0.0,
            from_middle: [0.0; 2],
            room: f64::INFINITY,
            blocks: Vec::new(),
            block_length: 1,
        }
    }

    pub fn frames(&self) -> usize {
        self.total.frames
    }

    /// The average so far; NaN where nothing is.
    pub fn mean(&self) -> Vec<f64> {
        let of = |(s, c): (&f64, &u32)| s / f64::from(*c);
        self.total
            .values
            .iter()
            .zip(&self.total.counts)
            .map(of)
            .collect()
    }

    /// Adds a frame whose donut is centred at `centre`, frame px.
    pub fn add(&mut self, frame: &Frame, found: &Found, centre: [f64; 2]) {
        let data = self.registered(frame, found, centre);
        for (q, v) in self.squares.iter_mut().zip(&data) {
            if v.is_finite() {
                *q += v * v;
            }
        }
        self.total.add(&data);
        self.noise_squares += found.noise * found.noise;
        self.from_middle[0] += centre[0] - (frame.width as f64 - 1.0) / 2.0;
        self.from_middle[1] -= centre[1] - (frame.height as f64 - 1.0) / 2.0;
        self.room = self.room.min(room_at(centre, frame));
        match self.blocks.last_mut() {
            Some(b) if b.frames < self.block_length => b.add(&data),
            _ => {
                if self.blocks.len() == MOST_BLOCKS {
                    self.halve();
                }
                let mut b = Sum::new(data.len());
                b.add(&data);
                self.blocks.push(b);
            }
        }
    }

    fn halve(&mut self) {
        let mut merged: Vec<Sum> = Vec::with_capacity(MOST_BLOCKS);
        for pair in self.blocks.chunks(2) {
            let mut sum = pair[0].clone();
            if let Some(b) = pair.get(1) {
                sum.merge(b);
            }
            merged.push(sum);
        }
        self.blocks = merged;
        self.block_length *= 2;
    }

    fn registered(&self, frame: &Frame, found: &Found, centre: [f64; 2]) -> Vec<f64> {
        let shift = [
            centre[0] - self.centre[0] - self.corner[0] as f64,
            centre[1] - self.centre[1] - self.corner[1] as f64,
        ];
        let whole = [shift[0].round(), shift[1].round()];
        let fraction = [shift[0] - whole[0], shift[1] - whole[1]];
        let corner = [
            self.corner[0] + whole[0] as isize,
            self.corner[1] + whole[1] as isize,
        ];
        // One level for the whole stamp: what slope the sky has, the fit sees itself,
        // and a surface bent to a small frame would take the star's own halo for sky.
        let sky = found.sky.at(centre[0], centre[1]);
        if fraction[0].abs() < 1e-6 && fraction[1].abs() < 1e-6 {
            return cut_out(frame, found.noise, sky, corner, self.size);
        }
        // Two pixels of margin on each side for the interpolation.
        let margin = 2;
        let wide = cut_out(
            frame,
            found.noise,
            sky,
            [corner[0] - margin, corner[1] - margin],
            self.size + 4,
        );
        shifted(&wide, self.size, fraction)
    }

    pub fn finish(mut self) -> Stack {
        // A last block much shorter than the rest joins its neighbour.
        if self.blocks.len() > 2
            && let Some(last) = self.blocks.pop_if(|b| 2 * b.frames < self.block_length)
            && let Some(before) = self.blocks.last_mut()
        {
            before.merge(&last);
        }
        let frames = self.total.frames;
        let sky_noise = (self.noise_squares / frames.max(1) as f64).sqrt();
        let growth = self.noise_growth(sky_noise);
        let stamp = stamp_of(&self.total, self.size, sky_noise, growth);
        let blocks = if frames > 1 {
            self.blocks
                .iter()
                .map(|b| stamp_of(b, self.size, sky_noise, growth))
                .collect()
        } else {
            Vec::new()
        };
        Stack {
            stamp,
            blocks,
            corner: [self.corner[0] as f64, self.corner[1] as f64],
            centre: self.centre,
            radius: self.radius,
            from_middle: self.from_middle.map(|v| v / frames.max(1) as f64),
            room: self.room,
        }
    }

    /// How the variance of one frame's pixel grows per unit of light: from the
    /// scatter between frames where there are enough, from the roughness of
    /// the picture otherwise.
    fn noise_growth(&self, sky_noise: f64) -> f64 {
        let n = self.total.frames;
        let size = self.size;
        let mean = |i: usize| self.total.values[i] / f64::from(self.total.counts[i].max(1));
        let mut rates: Vec<f64> = Vec::new();
        for y in 1..size - 1 {
            for x in 1..size - 1 {
                let i = y * size + x;
                let light = mean(i);
                if (x as f64 - self.centre[0]).hypot(y as f64 - self.centre[1]) > self.radius
                    || light < 5.0 * sky_noise
                    || [i, i - 1, i + 1, i - size, i + size]
                        .iter()
                        .any(|&k| (self.total.counts[k] as usize) < n)
                {
                    continue;
                }
                let variance = if n >= 4 {
                    (self.squares[i] / n as f64 - light * light) * n as f64 / (n as f64 - 1.0)
                } else {
                    let rough = light
                        - 0.25 * (mean(i - 1) + mean(i + 1) + mean(i - size) + mean(i + size));
                    // The square of one normal value has its median at 0.455.
                    rough * rough / 1.25 / 0.455 * n as f64
                };
                rates.push((variance - sky_noise * sky_noise) / light);
            }
        }
        super::find::quantile(&mut rates, 0.5).max(0.0)
    }
}

fn stamp_of(sum: &Sum, size: usize, sky_noise: f64, growth: f64) -> Stamp {
    let mut data = Vec::with_capacity(sum.values.len());
    let mut sigma = Vec::with_capacity(sum.values.len());
    for (s, c) in sum.values.iter().zip(&sum.counts) {
        if *c == 0 {
            data.push(0.0);
            sigma.push(f64::INFINITY);
            continue;
        }
        let n = f64::from(*c);
        let v = s / n;
        data.push(v);
        sigma.push(
            ((sky_noise * sky_noise + growth * v.max(0.0)) / n)
                .sqrt()
                .max(1e-12),
        );
    }
    Stamp {
        size,
        data,
        sigma,
        frames: sum.frames,
    }
}

/// The stamp with NaN where pixels are missing, as the ring geometry reads it.
pub(crate) fn with_gaps(stamp: &Stamp) -> Vec<f64> {
    stamp
        .data
        .iter()
        .zip(&stamp.sigma)
        .map(|(v, s)| if s.is_finite() { *v } else { f64::NAN })
        .collect()
}

/// Cubic (Catmull-Rom) shift by a fraction of a pixel; `wide` has two pixels
/// of margin on every side.
fn shifted(wide: &[f64], size: usize, fraction: [f64; 2]) -> Vec<f64> {
    let span = size + 4;
    let start = |f: f64| {
        if f < 0.0 {
            (0usize, f + 1.0)
        } else {
            (1usize, f)
        }
    };
    let (ox, fx) = start(fraction[0]);
    let (oy, fy) = start(fraction[1]);
    let (wx, wy) = (catmull_rom(fx), catmull_rom(fy));
    let mut rows = vec![0.0; span * size];
    for y in 0..span {
        for x in 0..size {
            let from = y * span + x + ox;
            rows[y * size + x] = (0..4).map(|k| wx[k] * wide[from + k]).sum();
        }
    }
    let mut out = vec![0.0; size * size];
    for y in 0..size {
        for x in 0..size {
            out[y * size + x] = (0..4).map(|k| wy[k] * rows[(y + oy + k) * size + x]).sum();
        }
    }
    out
}

fn catmull_rom(f: f64) -> [f64; 4] {
    let (f2, f3) = (f * f, f * f * f);
    [
        0.5 * (-f3 + 2.0 * f2 - f),
        0.5 * (3.0 * f3 - 5.0 * f2 + 2.0),
        0.5 * (-3.0 * f3 + 4.0 * f2 + f),
        0.5 * (f3 - f2),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shift_moves_a_smooth_hill_by_what_it_says() {
        let size = 24;
        let span = size + 4;
        let hill = |x: f64, y: f64| (-((x - 12.3f64).powi(2) + (y - 11.1f64).powi(2)) / 18.0).exp();
        let wide: Vec<f64> = (0..span * span)
            .map(|i| hill((i % span) as f64 - 2.0, (i / span) as f64 - 2.0))
            .collect();
        for fraction in [[0.3, -0.4], [-0.5, 0.5], [0.0, 0.25]] {
            let out = shifted(&wide, size, fraction);
            for y in 2..size - 2 {
                for x in 2..size - 2 {
                    let want = hill(x as f64 + fraction[0], y as f64 + fraction[1]);
                    assert!(
                        (out[y * size + x] - want).abs() < 2e-3,
                        "{fraction:?} at {x},{y}"
                    );
                }
            }
        }
    }
}
