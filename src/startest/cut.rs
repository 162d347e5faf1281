//! Squares cut out of frames.

use super::frame::Frame;

/// A square cut out of a frame: lone hot and cold pixels mended, `level` taken off,
/// NaN where the frame ends.
pub(crate) fn cut_out(
    frame: &Frame,
    noise: f64,
    level: f64,
    corner: [isize; 2],
    size: usize,
) -> Vec<f64> {
    let (w, h) = (frame.width as isize, frame.height as isize);
    let mut data = vec![f64::NAN; size * size];
    for j in 0..size {
        let y = corner[1] + j as isize;
        if y < 0 || y >= h {
            continue;
        }
        let first = (-corner[0]).max(0);
        let last = (w - corner[0]).min(size as isize);
        for i in first..last {
            let v = mended(frame, (corner[0] + i) as usize, y as usize, noise);
            data[j * size + i as usize] = f64::from(v) - level;
        }
    }
    data
}

/// A pixel's value, or its neighbours' middle when it stands out alone.
fn mended(frame: &Frame, x: usize, y: usize, noise: f64) -> f32 {
    let w = frame.width;
    let v = frame.data[y * w + x];
    // Two neighbours mostly settle it: with all eight the bounds are only wider.
    if x > 0 && x + 1 < w {
        let (a, b) = (frame.data[y * w + x - 1], frame.data[y * w + x + 1]);
        let room = (6.0 * noise) as f32;
        if v <= a.max(b) + room && v >= a.min(b) - room {
            return v;
        }
    }
    let mut around = [0f32; 8];
    let mut n = 0;
    for ny in y.saturating_sub(1)..(y + 2).min(frame.height) {
        for nx in x.saturating_sub(1)..(x + 2).min(w) {
            if (nx, ny) != (x, y) {
                around[n] = frame.data[ny * w + nx];
                n += 1;
            }
        }
    }
    let near = &mut around[..n];
    let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
    for &a in near.iter() {
        low = low.min(a);
        high = high.max(a);
    }
    let room = (6.0 * noise) as f32 + (high - low);
    if v <= high + room && v >= low - room {
        return v;
    }
    near.sort_by(f32::total_cmp);
    near[n / 2]
}
