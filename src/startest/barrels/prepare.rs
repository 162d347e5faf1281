//! A picture as detail: what is left of it when light and noise are taken away.

use super::super::frame::Frame;
use super::super::report::Reason;

/// Long side that pictures are measured at, px: more tells no more, since the error of
/// the rest is far above it.
const LONG_SIDE: usize = 900;
/// Larger a share at the full scale than this hides the scene.
const MOST_CLIPPED: f64 = 0.4;
/// Detail whose RMS is below this share of the light is none.
const LEAST_DETAIL: f64 = 0.0005;
/// So much of the field's radius is looked at.
const INNER: f64 = 0.9;

/// Why a picture or a pair says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Refused {
    Small,
    Clipped,
    Dark,
    NoContrast,
    Sizes,
    Unlike,
}

impl Refused {
    pub fn reason(self, name: &str) -> Reason {
        let (code, text, mend) = match self {
            Self::Small => (
                "too-small",
                "the picture has fewer than 64 pixels along a side",
                "Send the whole picture.",
            ),
            Self::Clipped => (
                "clipped",
                "most of the scene is at the full scale",
                "Take it again with less exposure.",
            ),
            Self::Dark => (
                "dark",
                "there is no light in the picture",
                "Hold the camera in the middle of the exit pupil and take it again.",
            ),
            Self::NoContrast => (
                "no-contrast",
                "the scene has too little detail to tell a shift",
                "Take a roof edge, a mast or a bright star, in focus.",
            ),
            Self::Sizes => (
                "sizes",
                "the pictures differ in size",
                "Take both with the same camera at the same zoom.",
            ),
            Self::Unlike => (
                "not-the-same-scene",
                "the pictures do not show the same scene",
                "Leave binocular and rest as they are and slide only the camera.",
            ),
        };
        Reason {
            code: code.to_owned(),
            text: format!("{name}: {text}"),
            mend: mend.to_owned(),
        }
    }
}

/// Detail of a picture. Positions are px of the reduced picture from its middle, x to
/// the right and y down.
#[derive(Debug, Clone)]
pub(super) struct Detail {
    pub width: usize,
    pub height: usize,
    /// Detail; 0 outside the mask.
    pub data: Vec<f32>,
    /// Where there is light of the field.
    pub mask: Vec<bool>,
    /// Px of the picture as taken in one px here.
    pub reduced: f64,
    /// Middle of the field where its edge shows, else of the picture.
    pub middle: [f64; 2],
    /// Width of the field, px of the picture as taken.
    pub field_px: Option<f64>,
}

impl Detail {
    pub fn of(frame: &Frame) -> Result<Self, Refused> {
        if frame.width.min(frame.height) < 64 {
            return Err(Refused::Small);
        }
        let clipped = frame.full_scale.map_or(0, |full| {
            frame.data.iter().filter(|v| **v >= 0.995 * full).count()
        });
        if clipped as f64 > MOST_CLIPPED * frame.data.len() as f64 {
            return Err(Refused::Clipped);
        }
        let step = (frame.width.max(frame.height) as f64 / LONG_SIDE as f64).max(1.0);
        let (width, height) = (
            (frame.width as f64 / step) as usize,
            (frame.height as f64 / step) as usize,
        );
        let light = reduced(&frame.data, [frame.width, frame.height], [width, height]);
        // A star is a few px in a dark sky.
        let bright = light.iter().copied().fold(f32::MIN, f32::max);
        let dark = percentile(&light, 0.005).min(0.0);
        if bright - dark <= 0.0 || bright <= 1e-3 * frame.full_scale.unwrap_or(0.0) {
            return Err(Refused::Dark);
        }
        // The root evens out noise and keeps detail in shadows.
        let root: Vec<f32> = light
            .iter()
            .map(|v| ((v - dark) / (bright - dark)).max(0.0).sqrt())
            .collect();
        let field = Field::of(&light, [width, height]);
        let mask: Vec<bool> = (0..width * height)
            .map(|i| field.is_none_or(|f| f.holds((i % width) as f64, (i / width) as f64)))
            .collect();
        let mut data = without_light(&root, &mask, [width, height]);
        let noise = floor_of(&data, &root, &mask, width);
        for v in &mut data {
            *v = v.signum() * (v.abs() - noise).max(0.0);
        }
        let lit = mask.iter().filter(|m| **m).count().max(1) as f64;
        let power = data.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / lit;
        if power.sqrt() < LEAST_DETAIL {
            return Err(Refused::NoContrast);
        }
        let middle = field.map_or([0.0, 0.0], |f| {
            [
                f.centre[0] - 0.5 * (width as f64 - 1.0),
                f.centre[1] - 0.5 * (height as f64 - 1.0),
            ]
        });
        Ok(Self {
            width,
            height,
            data,
            mask,
            reduced: frame.width as f64 / width as f64,
            middle,
            field_px: field.map(|f| 2.0 * f.radius / INNER * frame.width as f64 / width as f64),
        })
    }

    /// The same with a long side of at most so many px.
    pub fn smaller(&self, long_side: usize) -> Self {
        let long = self.width.max(self.height);
        if long <= long_side {
            return self.clone();
        }
        let step = long as f64 / long_side as f64;
        let (width, height) = (
            ((self.width as f64 / step) as usize).max(1),
            ((self.height as f64 / step) as usize).max(1),
        );
        let from = [self.width, self.height];
        let lit: Vec<f32> = self.mask.iter().map(|m| f32::from(u8::from(*m))).collect();
        let mask: Vec<bool> = reduced(&lit, from, [width, height])
            .into_iter()
            .map(|share| share > 0.99)
            .collect();
        let mut data = reduced(&self.data, from, [width, height]);
        for (v, m) in data.iter_mut().zip(&mask) {
            if !m {
                *v = 0.0;
            }
        }
        let step = self.width as f64 / width as f64;
        Self {
            width,
            height,
            data,
            mask,
            reduced: self.reduced * step,
            middle: [self.middle[0] / step, self.middle[1] / step],
            field_px: self.field_px,
        }
    }
}

/// The eyepiece's field where its edge shows in the picture: it is the eyepiece's and
/// says nothing of where the barrel points.
#[derive(Debug, Clone, Copy)]
struct Field {
    centre: [f64; 2],
    radius: f64,
}

impl Field {
    /// None where the light reaches the corners, or is no disc.
    fn of(light: &[f32], [width, height]: [usize; 2]) -> Option<Self> {
        let smooth = boxed(light, [width, height], 3);
        let corner = width.min(height) / 24;
        let edges = [
            corner / 2,
            width - 1 - corner,
            corner / 2,
            height - 1 - corner,
        ];
        let in_corners: Vec<f32> = (0..corner * corner / 4)
            .flat_map(|i| {
                let (x, y) = (i % (corner / 2), i / (corner / 2));
                let [l, r, t, b] = edges;
                [
                    (l + x, t + y),
                    (r + x, t + y),
                    (l + x, b + y),
                    (r + x, b + y),
                ]
            })
            .map(|(x, y)| smooth[y.min(height - 1) * width + x.min(width - 1)])
            .collect();
        let dark = percentile(&in_corners, 0.75);
        let bright = percentile(&smooth, 0.9);
        if in_corners.is_empty() || dark > 0.2 * bright {
            return None;
        }
        // A shadow in the scene has some light, the stop has none.
        let least = dark + 0.02 * (bright - dark);
        let lit = |x: usize, y: usize| smooth[y * width + x] > least;
        let (mut n, mut sum) = (0.0, [0.0; 2]);
        for y in 0..height {
            for x in 0..width {
                if lit(x, y) {
                    n += 1.0;
                    sum[0] += x as f64;
                    sum[1] += y as f64;
                }
            }
        }
        if n < 0.12 * (width * height) as f64 {
            return None;
        }
        let centre = [sum[0] / n, sum[1] / n];
        let radius = (n / std::f64::consts::PI).sqrt();
        // So far from the edge that detail taken off the mean does not reach it.
        let inner = Self {
            centre,
            radius: INNER * radius,
        };
        let (mut within, mut dark) = (0.0, 0.0);
        for y in 0..height {
            for x in 0..width {
                if inner.holds(x as f64, y as f64) {
                    within += 1.0;
                    dark += f64::from(u8::from(!lit(x, y)));
                }
            }
        }
        (dark < 0.15 * within).then_some(inner)
    }

    fn holds(&self, x: f64, y: f64) -> bool {
        (x - self.centre[0]).hypot(y - self.centre[1]) < self.radius
    }
}

/// Area means on a coarser grid; parts of px count by their share.
pub(crate) fn reduced(data: &[f32], [w, h]: [usize; 2], [width, height]: [usize; 2]) -> Vec<f32> {
    if [w, h] == [width, height] {
        return data.to_vec();
    }
    let across = spans(w, width);
    let down = spans(h, height);
    let mut rows = vec![0.0_f32; width * h];
    for y in 0..h {
        for (x, span) in across.iter().enumerate() {
            rows[y * width + x] = span.iter().map(|(i, s)| data[y * w + i] * s).sum();
        }
    }
    let mut out = vec![0.0_f32; width * height];
    for (y, span) in down.iter().enumerate() {
        for (i, share) in span {
            let from = &rows[i * width..(i + 1) * width];
            for (to, v) in out[y * width..(y + 1) * width].iter_mut().zip(from) {
                *to += v * share;
            }
        }
    }
    out
}

/// Which px of `from` make up each of `to`, and by which share.
fn spans(from: usize, to: usize) -> Vec<Vec<(usize, f32)>> {
    let step = from as f64 / to as f64;
    (0..to)
        .map(|i| {
            let (a, b) = (i as f64 * step, (i + 1) as f64 * step);
            (a as usize..from.min(b.ceil() as usize))
                .map(|k| {
                    let share = (b.min(k as f64 + 1.0) - a.max(k as f64)) / step;
                    (k, share as f32)
                })
                .collect()
        })
        .collect()
}

/// Of nothing, nothing.
pub(crate) fn percentile(values: &[f32], share: f64) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let mut sorted = values.to_vec();
    let at = ((sorted.len() - 1) as f64 * share) as usize;
    *sorted.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Below this detail is noise: four times what neighbouring px differ by; where detail is
/// a few points in much that may be black, a good deal more than all other px have.
fn floor_of(data: &[f32], root: &[f32], mask: &[bool], width: usize) -> f32 {
    const FEW: f64 = 0.005;
    let lit = data.iter().zip(mask).filter(|p| *p.1);
    let sizes: Vec<f32> = lit.map(|p| p.0.abs()).collect();
    let most = sizes.iter().copied().fold(0.0, f32::max);
    let large = sizes.iter().filter(|v| **v > 0.25 * most).count();
    // A px less the mean of both beside it has 3/2 of the variance of noise, half of it
    // within 0.6745 sigma.
    let differences: Vec<f32> = (1..root.len().saturating_sub(1))
        .filter(|i| i % width > 0 && i % width < width - 1 && mask[*i])
        .map(|i| (root[i] - 0.5 * (root[i - 1] + root[i + 1])).abs())
        .collect();
    let noise = 4.0 * percentile(&differences, 0.5) / 0.6745 / 1.5_f32.sqrt();
    if large as f64 > FEW * sizes.len() as f64 {
        return noise;
    }
    // What compression leaves around a bright point stays below an eighth of its root.
    noise
        .max(2.5 * percentile(&sizes, 1.0 - FEW))
        .max(0.125 * most)
}

/// Takes the mean of the neighbourhood off, within the mask.
fn without_light(root: &[f32], mask: &[bool], [width, height]: [usize; 2]) -> Vec<f32> {
    let reach = width.max(height) / 20;
    let lit: Vec<f32> = mask.iter().map(|m| f32::from(u8::from(*m))).collect();
    let shown: Vec<f32> = root.iter().zip(&lit).map(|(v, m)| v * m).collect();
    let smooth = |data: &[f32]| {
        let once = boxed(data, [width, height], reach);
        boxed(&once, [width, height], reach)
    };
    let (light, share) = (smooth(&shown), smooth(&lit));
    root.iter()
        .zip(mask)
        .zip(light.iter().zip(&share))
        .map(|((v, m), (l, s))| if *m && *s > 0.0 { v - l / s } else { 0.0 })
        .collect()
}

/// Sums over boxes of `2 reach + 1`, over their full size.
fn boxed(data: &[f32], [width, height]: [usize; 2], reach: usize) -> Vec<f32> {
    let full = (2 * reach + 1) as f64;
    let line = |get: &dyn Fn(usize) -> f32, n: usize, put: &mut dyn FnMut(usize, f32)| {
        let mut sum: f64 = (0..reach.min(n)).map(|i| f64::from(get(i))).sum();
        for i in 0..n {
            if i + reach < n {
                sum += f64::from(get(i + reach));
            }
            if i > reach {
                sum -= f64::from(get(i - reach - 1));
            }
            put(i, (sum / full) as f32);
        }
    };
    let mut rows = vec![0.0; data.len()];
    for y in 0..height {
        let get = |x: usize| data[y * width + x];
        line(&get, width, &mut |x, v| rows[y * width + x] = v);
    }
    let mut out = vec![0.0; data.len()];
    for x in 0..width {
        let get = |y: usize| rows[y * width + x];
        line(&get, height, &mut |y, v| out[y * width + x] = v);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_over_boxes_is_that_of_each_by_itself() {
        let (w, h, reach) = (11, 7, 2);
        let data: Vec<f32> = (0..w * h).map(|i| ((i * i) % 13) as f32).collect();
        let got = boxed(&data, [w, h], reach);
        for y in 0..h {
            for x in 0..w {
                let mut sum = 0.0;
                for j in y.saturating_sub(reach)..(y + reach + 1).min(h) {
                    for i in x.saturating_sub(reach)..(x + reach + 1).min(w) {
                        sum += data[j * w + i];
                    }
                }
                assert!((got[y * w + x] - sum / 25.0).abs() < 1e-4, "{x} {y}");
            }
        }
    }

    #[test]
    fn a_coarser_picture_keeps_the_light() {
        let data: Vec<f32> = (0..130 * 70).map(|i| ((i * 7) % 29) as f32).collect();
        let out = reduced(&data, [130, 70], [90, 48]);
        let mean = |d: &[f32]| d.iter().sum::<f32>() / d.len() as f32;
        assert!((mean(&out) / mean(&data) - 1.0).abs() < 1e-4);
    }
}
