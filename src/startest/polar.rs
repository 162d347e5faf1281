//! Unwrapping a stamp about a centre, and circles through the edges found.

use nalgebra::{SMatrix, SVector};

/// A square picture to sample from; values that are missing are NaN.
#[derive(Clone, Copy)]
pub(crate) struct Grid<'a> {
    pub size: usize,
    pub data: &'a [f64],
}

impl Grid<'_> {
    /// Bilinear value at a position, NaN outside or beside a missing pixel.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let limit = (self.size - 1) as f64;
        if !(x >= 0.0 && y >= 0.0 && x < limit && y < limit) {
            return f64::NAN;
        }
        let (ix, iy) = (x as usize, y as usize);
        let (fx, fy) = (x - ix as f64, y - iy as f64);
        let i = iy * self.size + ix;
        let top = self.data[i] * (1.0 - fx) + self.data[i + 1] * fx;
        let low = self.data[i + self.size] * (1.0 - fx) + self.data[i + self.size + 1] * fx;
        top * (1.0 - fy) + low * fy
    }
}

/// Radial profiles at equal angles about a centre, each smoothed over its
/// neighbours in angle. Angles run from +x towards +y (down).
pub(crate) struct Polar {
    pub angles: usize,
    pub radii: usize,
    pub step: f64,
    pub values: Vec<f64>,
}

impl Polar {
    pub fn new(
        grid: Grid<'_>,
        centre: [f64; 2],
        reach: f64,
        step: f64,
        angles: usize,
        smooth_deg: f64,
    ) -> Self {
        let radii = (reach / step).ceil() as usize + 1;
        let mut raw = vec![0.0; angles * radii];
        for a in 0..angles {
            let (s, c) = (a as f64 / angles as f64 * std::f64::consts::TAU).sin_cos();
            for (k, v) in raw[a * radii..(a + 1) * radii].iter_mut().enumerate() {
                let r = k as f64 * step;
                *v = grid.at(centre[0] + r * c, centre[1] + r * s);
            }
        }
        let sigma = smooth_deg / 360.0 * angles as f64;
        let half = (2.5 * sigma).floor() as isize;
        // Loops without a question in them are quick: what is missing weighs nothing.
        let there: Vec<f64> = raw.iter().map(|v| f64::from(v.is_finite())).collect();
        for (v, there) in raw.iter_mut().zip(&there) {
            if *there == 0.0 {
                *v = 0.0;
            }
        }
        let mut values = vec![0.0; raw.len()];
        let mut weight = vec![0.0; raw.len()];
        for a in 0..angles {
            let to = a * radii..(a + 1) * radii;
            for j in -half..=half {
                let w = (-0.5 * (j as f64 / sigma.max(1e-9)).powi(2)).exp();
                let b = (a as isize + j).rem_euclid(angles as isize) as usize;
                let from = b * radii..(b + 1) * radii;
                for (s, v) in values[to.clone()].iter_mut().zip(&raw[from.clone()]) {
                    *s += w * v;
                }
                for (s, v) in weight[to.clone()].iter_mut().zip(&there[from]) {
                    *s += w * v;
                }
            }
        }
        for (v, w) in values.iter_mut().zip(&weight) {
            *v = if *w > 0.0 { *v / *w } else { f64::NAN };
        }
        Polar {
            angles,
            radii,
            step,
            values,
        }
    }

    pub fn profile(&self, a: usize) -> &[f64] {
        &self.values[a * self.radii..(a + 1) * self.radii]
    }

    pub fn angle(&self, a: usize) -> f64 {
        a as f64 / self.angles as f64 * std::f64::consts::TAU
    }

    /// Mean of one profile between two radii; NaN when nothing is there.
    pub fn mean(&self, a: usize, from: f64, to: f64) -> f64 {
        let lo = (from / self.step).ceil().max(0.0) as usize;
        let hi = ((to / self.step).floor() as usize).min(self.radii - 1);
        let (mut n, mut sum) = (0.0, 0.0);
        for v in self.profile(a).get(lo..=hi.max(lo)).unwrap_or(&[]) {
            if v.is_finite() {
                n += 1.0;
                sum += v;
            }
        }
        if n > 0.0 { sum / n } else { f64::NAN }
    }

    /// Where a profile crosses `level`, nearest to `near` and within `room`:
    /// downward going out when `falling`, upward otherwise.
    pub fn crossing(
        &self,
        a: usize,
        level: f64,
        near: f64,
        room: f64,
        falling: bool,
    ) -> Option<f64> {
        let p = self.profile(a);
        let lo = ((near - room) / self.step).floor().max(0.0) as usize;
        let hi = (((near + room) / self.step).ceil() as usize).min(self.radii.saturating_sub(2));
        let mut best: Option<f64> = None;
        for k in lo..=hi {
            let (u, v) = (p[k], p[k + 1]);
            let hit = if falling {
                u >= level && v < level
            } else {
                u < level && v >= level
            };
            if hit {
                let r = (k as f64 + (u - level) / (u - v)) * self.step;
                if best.is_none_or(|b| (r - near).abs() < (b - near).abs()) {
                    best = Some(r);
                }
            }
        }
        best.filter(|r| (r - near).abs() <= room)
    }
}

/// A circle with an ellipse term: the distance of the edge from the centre at
/// angle t is `radius + c2 cos 2t + s2 sin 2t`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Circle {
    pub x: f64,
    pub y: f64,
    pub radius: f64,
    pub c2: f64,
    pub s2: f64,
}

/// How well a circle follows its points.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CircleFit {
    pub circle: Circle,
    /// Root mean square of the residuals of the points kept.
    pub rms: f64,
    /// Share of all angles that carry a point which was kept.
    pub kept: f64,
    /// 1-sigma of each centre coordinate, from how the residuals wander along
    /// the edge (their third to ninth harmonics).
    pub centre_sigma: f64,
}

impl Circle {
    pub fn at(&self, angle: f64) -> f64 {
        self.radius + self.c2 * (2.0 * angle).cos() + self.s2 * (2.0 * angle).sin()
    }

    /// Longest less shortest half axis over the radius.
    pub fn out_of_round(&self) -> f64 {
        2.0 * self.c2.hypot(self.s2) / self.radius
    }
}

/// Points further off than this many robust 1-sigmas have no say.
const STRAY: f64 = 3.0;

/// Points further off than this many, and than 6 % of the radius, are not
/// believed to be the edge at all.
const BELIEVED: f64 = 5.0;

/// Fits a circle with an ellipse term to edge points at equal angles about
/// `start`'s centre, by Gauss-Newton with Tukey weights. Points that stray
/// (vane shadows, a hot pixel, a neighbour) lose their say.
pub(crate) fn fit_circle(
    points: &[Option<[f64; 2]>],
    start: Circle,
    ellipse: bool,
) -> Option<CircleFit> {
    let all: Vec<[f64; 2]> = points.iter().flatten().copied().collect();
    if all.len() < 12 || all.len() * 2 < points.len() {
        return None;
    }
    let mut circle = start;
    let mut residuals = vec![0.0; all.len()];
    let mut scale = f64::INFINITY;
    for round in 0..12 {
        let terms = if ellipse && round >= 2 { 5 } else { 3 };
        for (p, r) in all.iter().zip(&mut residuals) {
            let (dx, dy) = (p[0] - circle.x, p[1] - circle.y);
            *r = dx.hypot(dy) - circle.at(dy.atan2(dx));
        }
        let mut size: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        scale = (1.4826 * super::find::quantile(&mut size, 0.5)).max(1e-4 * circle.radius);
        let mut normal = SMatrix::<f64, 5, 5>::zeros();
        let mut right = SVector::<f64, 5>::zeros();
        for (p, r) in all.iter().zip(&residuals) {
            let w = tukey(r / (STRAY * scale));
            if w == 0.0 {
                continue;
            }
            let t = (p[1] - circle.y).atan2(p[0] - circle.x);
            let row = [t.cos(), t.sin(), 1.0, (2.0 * t).cos(), (2.0 * t).sin()];
            for i in 0..terms {
                right[i] += w * row[i] * r;
                for j in 0..terms {
                    normal[(i, j)] += w * row[i] * row[j];
                }
            }
        }
        for i in terms..5 {
            normal[(i, i)] = 1.0;
        }
        let step = normal.cholesky()?.solve(&right);
        circle.x += step[0];
        circle.y += step[1];
        circle.radius += step[2];
        circle.c2 += step[3];
        circle.s2 += step[4];
        if !(circle.radius.is_finite() && circle.radius > 0.0) {
            return None;
        }
        if round > 3 && step.amax() < 1e-5 * circle.radius {
            break;
        }
    }
    let believed = (BELIEVED * scale).max(0.06 * circle.radius);
    let kept: Vec<f64> = residuals
        .iter()
        .copied()
        .filter(|r| r.abs() < believed)
        .collect();
    let rms = (kept.iter().map(|r| r * r).sum::<f64>() / kept.len().max(1) as f64).sqrt();
    Some(CircleFit {
        circle,
        rms,
        kept: kept.len() as f64 / points.len() as f64,
        centre_sigma: wander(&all, circle, believed),
    })
}

fn tukey(u: f64) -> f64 {
    let k = 1.0 - u * u;
    if k > 0.0 { k * k } else { 0.0 }
}

/// The error of a centre coordinate: what the residuals put into one harmonic
/// (cosine or sine) on average over the third to the ninth. Noise that is
/// smoothed along the edge is counted in full this way.
fn wander(points: &[[f64; 2]], circle: Circle, limit: f64) -> f64 {
    let (mut power, mut count) = (0.0, 0.0);
    for m in 3..=9 {
        let (mut c, mut s, mut n) = (0.0, 0.0, 0.0);
        for p in points {
            let (dx, dy) = (p[0] - circle.x, p[1] - circle.y);
            let t = dy.atan2(dx);
            let r = dx.hypot(dy) - circle.at(t);
            if r.abs() < limit {
                c += r * (f64::from(m) * t).cos();
                s += r * (f64::from(m) * t).sin();
                n += 1.0;
            }
        }
        if n > 0.0 {
            power += (2.0 * c / n).powi(2) + (2.0 * s / n).powi(2);
            count += 2.0;
        }
    }
    (power / f64::max(count, 1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(circle: Circle, n: usize) -> Vec<Option<[f64; 2]>> {
        (0..n)
            .map(|i| {
                let t = i as f64 / n as f64 * std::f64::consts::TAU;
                Some([
                    circle.x + circle.at(t) * t.cos(),
                    circle.y + circle.at(t) * t.sin(),
                ])
            })
            .collect()
    }

    #[test]
    fn a_circle_is_recovered_from_a_poor_start_and_with_a_third_of_strays() {
        let truth = Circle {
            x: 31.3,
            y: 28.9,
            radius: 17.0,
            c2: 0.4,
            s2: -0.2,
        };
        let mut edge = points(truth, 120);
        for (i, p) in edge.iter_mut().enumerate() {
            if i % 30 < 4 {
                *p = Some([31.0 + i as f64 % 7.0, 29.0]);
            }
            if i % 30 == 5 {
                *p = None;
            }
        }
        let start = Circle {
            x: 30.0,
            y: 30.0,
            radius: 15.0,
            c2: 0.0,
            s2: 0.0,
        };
        let fit = fit_circle(&edge, start, true).expect("a circle");
        assert!((fit.circle.x - truth.x).abs() < 1e-3, "{fit:?}");
        assert!((fit.circle.y - truth.y).abs() < 1e-3);
        assert!((fit.circle.radius - truth.radius).abs() < 1e-3);
        assert!((fit.circle.c2 - truth.c2).abs() < 1e-3);
        assert!(fit.kept < 0.9);
    }

    #[test]
    fn too_few_points_make_no_circle() {
        let truth = Circle {
            x: 0.0,
            y: 0.0,
            radius: 5.0,
            c2: 0.0,
            s2: 0.0,
        };
        let mut edge = points(truth, 40);
        for p in edge.iter_mut().skip(15) {
            *p = None;
        }
        assert!(fit_circle(&edge, truth, true).is_none());
    }

    #[test]
    fn crossings_are_found_between_samples() {
        // A cone: 10 at the centre, falling by 1 per px.
        let size = 31;
        let data: Vec<f64> = (0..size * size)
            .map(|i| 10.0 - (((i % size) as f64 - 15.0).hypot((i / size) as f64 - 15.0)))
            .collect();
        let polar = Polar::new(Grid { size, data: &data }, [15.0, 15.0], 14.0, 0.5, 64, 4.0);
        let r = polar.crossing(0, 4.0, 5.0, 3.0, true).expect("crosses");
        assert!((r - 6.0).abs() < 0.1, "{r}");
        assert!(polar.crossing(0, 4.0, 5.0, 3.0, false).is_none());
    }
}
