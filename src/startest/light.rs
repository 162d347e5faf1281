//! Sums over a stamp's light: its sky, a little blur, its middle.

use super::polar::Grid;

/// Where to start looking: centre and radius in stamp px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Centre, stamp px.
    pub centre: [f64; 2],
    /// Outer radius, px.
    pub radius: f64,
}

/// Fits a plane to what lies outside the star and takes it off.
pub(super) fn take_sky(stamp: &mut [f64], size: usize, start: Start) -> [f64; 3] {
    let mid = (size - 1) as f64 / 2.0;
    let clear = (1.32 * start.radius + 2.0).powi(2);
    let outside: Vec<[f64; 3]> = stamp
        .iter()
        .enumerate()
        .filter_map(|(i, v)| {
            let (x, y) = ((i % size) as f64, (i / size) as f64);
            let r2 = (x - start.centre[0]).powi(2) + (y - start.centre[1]).powi(2);
            (v.is_finite() && r2 >= clear).then_some([x - mid, y - mid, *v])
        })
        .collect();
    let mut sky = [0.0; 3];
    let mut limit = f64::INFINITY;
    let mut rest: Vec<f64> = Vec::with_capacity(outside.len());
    for round in 0..3 {
        if round > 0 {
            rest.clear();
            rest.extend(
                outside
                    .iter()
                    .map(|p| (p[2] - sky[0] - sky[1] * p[0] - sky[2] * p[1]).abs()),
            );
            limit = 3.0 * 1.4826 * super::find::quantile(&mut rest, 0.5);
        }
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        let mut right = nalgebra::Vector3::<f64>::zeros();
        for p in &outside {
            if (p[2] - sky[0] - sky[1] * p[0] - sky[2] * p[1]).abs() <= limit {
                let t = nalgebra::Vector3::new(1.0, p[0], p[1]);
                normal += t * t.transpose();
                right += t * p[2];
            }
        }
        if let Some(c) = normal.cholesky().filter(|_| normal[(0, 0)] > 30.0) {
            let s = c.solve(&right);
            sky = [s[0], s[1], s[2]];
        }
    }
    for (i, v) in stamp.iter_mut().enumerate() {
        *v -= sky[0] + sky[1] * ((i % size) as f64 - mid) + sky[2] * ((i / size) as f64 - mid);
    }
    sky
}

/// Our own blur, in Fresnel units.
pub(super) const SMOOTHING: f64 = 0.3;

/// Gaussian blur of a square picture in place; missing pixels stay missing.
pub(super) fn smooth(data: &mut [f64], size: usize, sigma: f64) {
    if sigma < 0.3 {
        return;
    }
    let half = (3.0 * sigma).ceil() as usize;
    let kernel: Vec<f64> = (0..=half)
        .map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp())
        .collect();
    // Along rows, then turned over and along rows again: twice makes both.
    let total = kernel[0] + 2.0 * kernel[1..].iter().sum::<f64>();
    let mut inner = vec![0.0; size.saturating_sub(2 * half)];
    for _ in 0..2 {
        let mut turned = vec![0.0; size * size];
        for (y, row) in data.chunks_exact(size).enumerate() {
            // The inner part of a row all at once, one distance after the other.
            let wide = inner.len();
            for (s, v) in inner.iter_mut().zip(&row[half.min(size)..]) {
                *s = kernel[0] * v;
            }
            for (k, w) in kernel.iter().enumerate().skip(1).filter(|_| wide > 0) {
                let (left, right) = (&row[half - k..], &row[half + k..]);
                for ((s, l), r) in inner.iter_mut().zip(left).zip(right) {
                    *s += w * (l + r);
                }
            }
            for x in 0..size {
                let whole = x
                    .checked_sub(half)
                    .and_then(|i| inner.get(i))
                    .map(|s| s / total);
                turned[x * size + y] = match whole {
                    _ if row[x].is_nan() => f64::NAN,
                    Some(v) if v.is_finite() => v,
                    _ => smoothed_at(row, x, half, &kernel),
                };
            }
        }
        data.copy_from_slice(&turned);
    }
}

/// One value of a row under a symmetric kernel, missing neighbours left out.
pub(super) fn smoothed_at(row: &[f64], x: usize, half: usize, kernel: &[f64]) -> f64 {
    let (mut sum, mut weight) = (row[x] * kernel[0], kernel[0]);
    if x >= half && x + half < row.len() {
        let mut all = sum;
        let mut total = weight;
        for k in 1..=half {
            all += kernel[k] * (row[x - k] + row[x + k]);
            total += 2.0 * kernel[k];
        }
        if all.is_finite() {
            return all / total;
        }
    }
    let (lo, hi) = (x.saturating_sub(half), (x + half).min(row.len() - 1));
    for j in (lo..=hi).filter(|j| *j != x) {
        if row[j].is_finite() {
            sum += kernel[j.abs_diff(x)] * row[j];
            weight += kernel[j.abs_diff(x)];
        }
    }
    sum / weight
}

/// Mean and number of pixels between two radii.
pub(super) fn aperture(grid: Grid<'_>, centre: [f64; 2], from: f64, to: f64) -> (f64, f64) {
    let (mut sum, mut n) = (0.0, 0.0);
    for_each(grid, centre, to, |_, _, r, v| {
        if r >= from {
            sum += v;
            n += 1.0;
        }
    });
    (if n > 0.0 { sum / n } else { 0.0 }, n)
}

/// Calls for every present pixel within a radius: dx, dy, r, value.
pub(super) fn for_each(
    grid: Grid<'_>,
    centre: [f64; 2],
    radius: f64,
    mut f: impl FnMut(f64, f64, f64, f64),
) {
    let last = grid.size as f64 - 1.0;
    let lo = |c: f64| (c - radius).clamp(0.0, last).floor() as usize;
    let hi = |c: f64| (c + radius).clamp(0.0, last).ceil() as usize;
    for y in lo(centre[1])..=hi(centre[1]) {
        for x in lo(centre[0])..=hi(centre[0]) {
            let v = grid.data[y * grid.size + x];
            let (dx, dy) = (x as f64 - centre[0], y as f64 - centre[1]);
            let r2 = dx * dx + dy * dy;
            if r2 <= radius * radius && v.is_finite() {
                f(dx, dy, r2.sqrt(), v);
            }
        }
    }
}

/// Centroid of the light within a radius.
pub(super) fn centroid(grid: Grid<'_>, centre: [f64; 2], radius: f64) -> [f64; 2] {
    let (mut sx, mut sy, mut sum) = (0.0, 0.0, 0.0);
    for_each(grid, centre, radius, |dx, dy, _, v| {
        sx += v * dx;
        sy += v * dy;
        sum += v;
    });
    if sum > 0.0 {
        [centre[0] + sx / sum, centre[1] + sy / sum]
    } else {
        centre
    }
}

/// 1-sigma of each coordinate of the light's centroid, from the scatter of
/// neighbouring pixels.
pub(super) fn light_noise(grid: Grid<'_>, centre: [f64; 2], radius: f64) -> f64 {
    let (mut squares, mut lever, mut n, mut sum) = (0.0, 0.0, 0.0, 0.0);
    for_each(grid, centre, 1.2 * radius, |dx, dy, _, v| {
        let smooth = 0.25
            * (grid.at(centre[0] + dx - 1.0, centre[1] + dy)
                + grid.at(centre[0] + dx + 1.0, centre[1] + dy)
                + grid.at(centre[0] + dx, centre[1] + dy - 1.0)
                + grid.at(centre[0] + dx, centre[1] + dy + 1.0));
        if smooth.is_finite() {
            squares += (v - smooth).powi(2) / 1.25;
            n += 1.0;
        }
        lever += dx * dx;
        sum += v;
    });
    if n > 0.0 && sum > 0.0 {
        (squares / n * lever).sqrt() / sum
    } else {
        radius
    }
}

/// Centre of the darkest disc of the shadow's size within reach of the middle:
/// where to start looking for the shadow.
pub(super) fn darkest_disc(grid: Grid<'_>, start: Start, eps: f64) -> [f64; 2] {
    let reach = 0.45 * start.radius;
    let radius = 0.8 * eps * start.radius;
    let spots: Vec<[f64; 2]> = [(0.0, 1), (0.5, 6), (0.95, 12)]
        .iter()
        .flat_map(|&(share, n)| {
            (0..n).map(move |k| {
                let t = f64::from(k) / f64::from(n) * std::f64::consts::TAU;
                [share * radius * t.cos(), share * radius * t.sin()]
            })
        })
        .collect();
    let mut best = (f64::INFINITY, start.centre);
    for iy in -7i32..=7 {
        for ix in -7i32..=7 {
            let (dx, dy) = (f64::from(ix) / 7.0 * reach, f64::from(iy) / 7.0 * reach);
            if dx.hypot(dy) > reach {
                continue;
            }
            let c = [start.centre[0] + dx, start.centre[1] + dy];
            let sum: f64 = spots
                .iter()
                .map(|s| grid.at(c[0] + s[0], c[1] + s[1]))
                .filter(|v| v.is_finite())
                .sum();
            if sum < best.0 {
                best = (sum, c);
            }
        }
    }
    best.1
}
