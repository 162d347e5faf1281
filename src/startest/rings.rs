//! The geometry of the donut: outer edge, shadow, and how far apart they sit.
//!
//! The stamp is unwrapped about the current centres. In every direction the
//! edges are cut at the share of that direction's own light that a sharp edge
//! would show on its geometric place, given the diffraction of the band and
//! the blur that the outer edge itself betrays (see `edge`). Circles
//! with an ellipse term go through the edge points; all is repeated until it
//! stands still.

use super::coma;
use super::edge::{self, read_edge};
use super::frame::Setup;
use super::polar::{Circle, CircleFit, Grid, Polar, fit_circle};

/// Everything the geometry tells about one stamp. Positions are pixels of the
/// stamp, x right and y **down** from the centre of its top left pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct Geometry {
    /// Centre of the outer edge.
    pub centre: [f64; 2],
    /// Radius of the outer edge, px.
    pub outer_radius: f64,
    /// Longest less shortest half axis of the outer edge over its radius.
    pub out_of_round: f64,
    /// Scatter of the outer edge about its circle, px.
    pub outer_rms: f64,
    /// Share of the directions in which the outer edge was found and believed.
    pub outer_kept: f64,
    /// The shadow's edge; none for an unobstructed instrument.
    pub shadow: Option<ShadowEdge>,
    /// Centroid of the light.
    pub light_centre: [f64; 2],
    /// Shadow's centre (light's, when unobstructed) less the outer edge's, px.
    pub offset: [f64; 2],
    /// 1-sigma of each component of `offset` from noise and ragged edges, px.
    pub offset_sigma: f64,
    /// Blur beyond diffraction, Gaussian 1-sigma, px.
    pub blur_sigma: f64,
    /// Brightness of the ring over the sky.
    pub level: f64,
    /// Sky left in the stamp, which was taken off: constant, per px in x, in y,
    /// about the stamp's middle.
    pub sky: [f64; 3],
    /// Brightness in the middle of the shadow (of the disc) over the ring's.
    pub dip: f64,
    /// Light found between 1.2 and 1.6 outer radii over the light inside.
    pub stray_light: f64,
}

/// The shadow's edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShadowEdge {
    /// Centre, stamp px.
    pub centre: [f64; 2],
    /// Radius, px.
    pub radius: f64,
    /// Share of the directions in which it was found and believed.
    pub kept: f64,
    /// Scatter of the edge about its circle, px.
    pub rms: f64,
}

/// Coma read from a [`Geometry`], waves at 550 nm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GeometricComa {
    /// Noll a8: along x, to the right as displayed.
    pub x_waves: f64,
    /// Noll a7: along y, **up** as displayed.
    pub y_waves: f64,
    /// Peak defocus without sign.
    pub w020_waves: f64,
    /// W131 over W020: how near the rays are to folding (at one third).
    pub skew: f64,
    /// 1-sigma per component from noise, waves.
    pub noise_sigma: f64,
    /// 1-sigma per component from the method, waves.
    pub model_sigma: f64,
}

/// Why no ring geometry could be had.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoRings {
    /// The outer edge is no circle that could be followed.
    NoOuterEdge,
    /// The shadow is filled in or missing.
    NoShadow,
}

/// Where to start looking: centre and radius in stamp px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Centre, stamp px.
    pub centre: [f64; 2],
    /// Outer radius, px.
    pub radius: f64,
}

/// How finely to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effort {
    /// For placing and judging single frames.
    Quick,
    /// For the answer.
    Full,
}

/// Measures the rings of a square stamp (`size` by `size`, missing pixels NaN).
///
/// # Errors
/// [`NoRings`] says which edge could not be followed.
pub fn measure_rings(
    size: usize,
    data: &[f64],
    start: Start,
    setup: &Setup,
    effort: Effort,
) -> Result<Geometry, NoRings> {
    let mut stamp = data.to_vec();
    let sky = take_sky(&mut stamp, size, start);
    let grid = Grid { size, data: &stamp };
    let mut look = Look::new(grid, start, setup, effort);
    let rounds = if effort == Effort::Full { 9 } else { 5 };
    for _ in 0..rounds {
        look.outer_round()?;
        if look.eps > 0.0 {
            look.shadow_round()?;
        }
    }
    Ok(look.finish(sky))
}

/// Fits a plane to what lies outside the star and takes it off.
fn take_sky(stamp: &mut [f64], size: usize, start: Start) -> [f64; 3] {
    let mid = (size - 1) as f64 / 2.0;
    let mut sky = [0.0; 3];
    let mut limit = f64::INFINITY;
    for round in 0..4 {
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        let mut right = nalgebra::Vector3::<f64>::zeros();
        let mut rest: Vec<f64> = Vec::new();
        for (i, v) in stamp.iter().enumerate() {
            let (x, y) = ((i % size) as f64, (i / size) as f64);
            let r = (x - start.centre[0]).hypot(y - start.centre[1]);
            if !v.is_finite() || r < 1.32 * start.radius + 2.0 {
                continue;
            }
            let t = nalgebra::Vector3::new(1.0, x - mid, y - mid);
            let res = v - sky[0] - sky[1] * t[1] - sky[2] * t[2];
            if round > 0 {
                rest.push(res.abs());
            }
            if res.abs() <= limit {
                normal += t * t.transpose();
                right += t * *v;
            }
        }
        if round > 0 {
            limit = 3.0 * 1.4826 * super::find::quantile(&mut rest, 0.5);
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

/// The state of one measurement while it settles.
struct Look<'a> {
    grid: Grid<'a>,
    effort: Effort,
    /// Obstruction, 0 when too small to leave a shadow.
    eps: f64,
    /// lambda N of the band, px.
    grain: f64,
    outer: Circle,
    outer_fit: Option<CircleFit>,
    shadow: Circle,
    shadow_fit: Option<CircleFit>,
    blur: f64,
    /// Share of the full light on a straight blurred edge.
    share: f64,
    level: f64,
}

impl<'a> Look<'a> {
    fn new(grid: Grid<'a>, start: Start, setup: &Setup, effort: Effort) -> Self {
        let eps = if setup.obstruction < coma::LEAST_SHADOW {
            0.0
        } else {
            setup.obstruction
        };
        let circle = |c: [f64; 2], radius| Circle {
            x: c[0],
            y: c[1],
            radius,
            c2: 0.0,
            s2: 0.0,
        };
        // The light leans to where the shadow lies: a first guess at the shadow.
        let light = centroid(grid, start.centre, 1.25 * start.radius);
        let lean = if eps > 0.0 {
            3.0 * (1.0 - eps * eps) / (2.0 - eps * eps)
        } else {
            0.0
        };
        let guess = |k: usize| {
            let d = (light[k] - start.centre[k]) * lean;
            start.centre[k] + d.clamp(-0.3 * start.radius, 0.3 * start.radius)
        };
        Look {
            grid,
            effort,
            eps,
            grain: setup.lambda_n_px(),
            outer: circle(start.centre, start.radius),
            outer_fit: None,
            shadow: circle([guess(0), guess(1)], eps * start.radius),
            shadow_fit: None,
            blur: 0.0,
            share: 0.3,
            level: 0.0,
        }
    }

    fn angles(&self) -> usize {
        match self.effort {
            Effort::Quick => 72,
            Effort::Full => {
                ((2.0 * std::f64::consts::PI * self.outer.radius) as usize).clamp(120, 360)
            }
        }
    }

    fn unwrap(&self, centre: [f64; 2], reach: f64) -> Polar {
        let step = (self.outer.radius / 60.0).clamp(0.25, 1.0);
        Polar::new(self.grid, centre, reach, step, self.angles(), 5.0)
    }

    /// W131 / W020 as it stands, and the direction (image angle) of the thick side.
    fn skew(&self) -> (f64, f64) {
        if self.eps == 0.0 {
            return (0.0, 0.0);
        }
        let (dx, dy) = (self.outer.x - self.shadow.x, self.outer.y - self.shadow.y);
        let skew = dx.hypot(dy) / (1.5 * self.outer.radius * (1.0 - self.eps * self.eps));
        (skew.min(0.25), dy.atan2(dx))
    }

    /// Brightness at pupil radius `rho` over that at mid ring, `cos` being
    /// towards the thick side: rays crowd where the ring is thin.
    fn crowding(&self, skew: f64, rho: f64, cos: f64) -> f64 {
        let density =
            |r: f64| 1.0 / ((1.0 + 3.0 * skew * r * cos) * (1.0 + skew * r * cos)).max(0.05);
        (density(rho) / density((1.0 + self.eps) / 2.0)).clamp(0.4, 2.5)
    }

    fn outer_round(&mut self) -> Result<(), NoRings> {
        let r = self.outer.radius;
        let polar = self.unwrap([self.outer.x, self.outer.y], 1.5 * r);
        let blurred = Blurred::of(r, self.shadow.radius, self.blur, self.share, self.eps > 0.0);
        let (skew, thick) = self.skew();
        let mut points = vec![None; polar.angles];
        let mut widths = Vec::new();
        let mut levels = Vec::new();
        for (a, point) in points.iter_mut().enumerate() {
            let t = polar.angle(a);
            let outer = self.outer.at(t);
            let inner = if self.eps > 0.0 {
                reach_of(self.shadow, [self.outer.x, self.outer.y], t).min(0.85 * outer)
            } else {
                0.25 * outer
            };
            let w = outer - inner;
            let mid = polar.mean(a, inner + 0.25 * w, inner + 0.75 * w);
            if mid.is_nan() || mid <= 0.0 {
                continue;
            }
            let full = mid / blurred.mid;
            levels.push(full);
            let here = full * self.crowding(skew, 1.0, (t - thick).cos());
            let room = (0.35 * r).max(2.0);
            if let Some(edge) = polar.crossing(a, here * blurred.outer, outer, room, true) {
                *point = Some([self.outer.x + edge * t.cos(), self.outer.y + edge * t.sin()]);
                let low = polar.crossing(a, here * edge::LOW, edge, room, true);
                let high = polar.crossing(a, here * edge::HIGH, edge, room, true);
                if let (Some(low), Some(high)) = (low, high)
                    && low > high
                {
                    widths.push(low - high);
                }
            }
        }
        self.level = super::find::quantile(&mut levels, 0.5);
        if widths.len() * 3 > polar.angles {
            let width = super::find::quantile(&mut widths, 0.5);
            let read = read_edge(width, (self.grain * r).sqrt());
            self.blur = read.blur_sigma.min(0.5 * r);
            self.share = read.share;
        }
        let fit = fit_circle(&points, self.outer, true).ok_or(NoRings::NoOuterEdge)?;
        self.outer = fit.circle;
        self.outer_fit = Some(fit);
        Ok(())
    }

    fn shadow_round(&mut self) -> Result<(), NoRings> {
        let r = self.outer.radius;
        let centre = [self.shadow.x, self.shadow.y];
        let polar = self.unwrap(centre, 1.3 * r);
        let blurred = Blurred::of(r, self.shadow.radius, self.blur, self.share, true);
        let (skew, thick) = self.skew();
        let mut points = vec![None; polar.angles];
        for (a, point) in points.iter_mut().enumerate() {
            let t = polar.angle(a);
            let outer = reach_of(self.outer, centre, t);
            let inner = self.shadow.at(t);
            let w = (outer - inner).max(1.0);
            let mid = polar.mean(a, inner + 0.25 * w, inner + 0.75 * w);
            if mid.is_nan() || mid <= 0.0 {
                continue;
            }
            let here = mid / blurred.mid * self.crowding(skew, self.eps, (t - thick).cos());
            let room = (0.6 * w).max(1.5);
            if let Some(edge) = polar.crossing(a, here * blurred.shadow, inner, room, false) {
                *point = Some([centre[0] + edge * t.cos(), centre[1] + edge * t.sin()]);
            }
        }
        let fit = fit_circle(&points, self.shadow, true).ok_or(NoRings::NoShadow)?;
        let off = (fit.circle.x - self.outer.x).hypot(fit.circle.y - self.outer.y);
        if off + 0.5 * fit.circle.radius > r || fit.circle.radius > 0.9 * r {
            return Err(NoRings::NoShadow);
        }
        self.shadow = fit.circle;
        self.shadow_fit = Some(fit);
        Ok(())
    }

    fn finish(self, sky: [f64; 3]) -> Geometry {
        let r = self.outer.radius;
        let centre = [self.outer.x, self.outer.y];
        let light = centroid(self.grid, centre, 1.2 * r + 1.5 * self.blur);
        let (outer_rms, outer_kept, outer_sigma) = self
            .outer_fit
            .as_ref()
            .map_or((0.0, 0.0, r), |f| (f.rms, f.kept, f.centre_sigma));
        let (shadow, other, other_sigma) = match &self.shadow_fit {
            Some(f) => {
                let at = [f.circle.x, f.circle.y];
                let edge = ShadowEdge {
                    centre: at,
                    radius: f.circle.radius,
                    kept: f.kept,
                    rms: f.rms,
                };
                (Some(edge), at, f.centre_sigma)
            }
            None => (None, light, light_noise(self.grid, centre, r)),
        };
        let (dip_centre, dip_radius) = shadow.as_ref().map_or((centre, 0.25 * r), |s| {
            (s.centre, (0.5 * s.radius).max(1.0))
        });
        let (dip, _) = aperture(self.grid, dip_centre, 0.0, dip_radius);
        let (inside, n_in) = aperture(self.grid, centre, 0.0, 1.2 * r);
        let (outside, n_out) =
            aperture(self.grid, centre, 1.2 * r + self.blur, 1.6 * r + self.blur);
        Geometry {
            centre,
            outer_radius: r,
            out_of_round: self.outer.out_of_round(),
            outer_rms,
            outer_kept,
            shadow,
            light_centre: light,
            offset: [other[0] - centre[0], other[1] - centre[1]],
            offset_sigma: outer_sigma.hypot(other_sigma),
            blur_sigma: self.blur,
            level: self.level,
            sky,
            dip: dip / self.level,
            stray_light: outside * n_out / (inside * n_in).max(1e-300),
        }
    }
}

/// Where a ray from `from` at angle `t` meets a circle that surrounds it.
fn reach_of(circle: Circle, from: [f64; 2], t: f64) -> f64 {
    let (dx, dy) = (circle.x - from[0], circle.y - from[1]);
    let along = dx * t.cos() + dy * t.sin();
    let across = dx * t.sin() - dy * t.cos();
    along + (circle.at(t).powi(2) - across * across).max(0.0).sqrt()
}

/// Mean and number of pixels between two radii.
fn aperture(grid: Grid<'_>, centre: [f64; 2], from: f64, to: f64) -> (f64, f64) {
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
fn for_each(grid: Grid<'_>, centre: [f64; 2], radius: f64, mut f: impl FnMut(f64, f64, f64, f64)) {
    let last = grid.size as f64 - 1.0;
    let lo = |c: f64| (c - radius).clamp(0.0, last).floor() as usize;
    let hi = |c: f64| (c + radius).clamp(0.0, last).ceil() as usize;
    for y in lo(centre[1])..=hi(centre[1]) {
        for x in lo(centre[0])..=hi(centre[0]) {
            let v = grid.data[y * grid.size + x];
            let (dx, dy) = (x as f64 - centre[0], y as f64 - centre[1]);
            let r = dx.hypot(dy);
            if r <= radius && v.is_finite() {
                f(dx, dy, r, v);
            }
        }
    }
}

/// Centroid of the light within a radius.
fn centroid(grid: Grid<'_>, centre: [f64; 2], radius: f64) -> [f64; 2] {
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
fn light_noise(grid: Grid<'_>, centre: [f64; 2], radius: f64) -> f64 {
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

/// What blur does to a ring of even light: shares of the full light.
struct Blurred {
    /// Mean over the middle half of the ring.
    mid: f64,
    /// On the outer edge.
    outer: f64,
    /// On the shadow's edge.
    shadow: f64,
}

impl Blurred {
    fn of(outer: f64, shadow: f64, sigma: f64, share: f64, has_shadow: bool) -> Self {
        // `share` is what diffraction and blur leave on a straight edge; a
        // blur alone would leave a half.
        let straight = share / 0.5;
        if sigma < 0.02 * outer {
            return Blurred {
                mid: 1.0,
                outer: share,
                shadow: share,
            };
        }
        let disc = |r: f64, a: f64| {
            if a > 0.0 {
                blurred_disc(r / sigma, a / sigma)
            } else {
                0.0
            }
        };
        let ring = |r: f64| disc(r, outer) - if has_shadow { disc(r, shadow) } else { 0.0 };
        let inner = if has_shadow { shadow } else { 0.25 * outer };
        let w = outer - inner;
        let mid = (0..5)
            .map(|k| ring(inner + w * (0.3 + 0.1 * f64::from(k))))
            .sum::<f64>()
            / 5.0;
        let on_outer = ring(outer) * straight;
        let on_shadow = 1.0 - (1.0 - ring(shadow)) * (1.0 - share) / 0.5;
        Blurred {
            mid: mid.clamp(0.3, 1.0),
            outer: on_outer.clamp(0.1, 0.6),
            shadow: on_shadow.clamp(0.1, 0.9),
        }
    }
}

/// Brightness at radius `r` of an even disc of radius `a` under a Gaussian blur
/// of 1-sigma 1, over the disc's own.
fn blurred_disc(r: f64, a: f64) -> f64 {
    // Slices across the disc: each is an erf in one direction, a Gaussian in the other.
    let n = 48;
    let (lo, hi) = ((r - 4.0).max(-a), (r + 4.0).min(a));
    if hi <= lo {
        return 0.0;
    }
    let h = (hi - lo) / f64::from(n);
    let mut sum = 0.0;
    for i in 0..n {
        let x = lo + (f64::from(i) + 0.5) * h;
        let half = (a * a - x * x).max(0.0).sqrt();
        sum += (-0.5 * (r - x).powi(2)).exp() * erf(half / std::f64::consts::SQRT_2);
    }
    sum * h / std::f64::consts::TAU.sqrt()
}

/// Error function (Abramowitz & Stegun 7.1.26, from memory; within 1.5e-7).
fn erf(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736
                + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    (1.0 - poly * (-x * x).exp()).copysign(x)
}

impl Geometry {
    /// Coma and defocus this geometry implies.
    #[must_use]
    pub fn coma(&self, setup: &Setup) -> GeometricComa {
        let n = setup.focal_ratio();
        let eps = setup.obstruction;
        let unit = setup.waves_per_px();
        let per_w131 = match self.shadow {
            Some(_) => coma::shadow_offset(1.0, n, eps),
            None => coma::light_offset(1.0, n, 0.0),
        };
        // The coma vector points away from the thin side; y turns to up.
        let scale = -unit / per_w131 / 72f64.sqrt();
        let w020 = setup.w020_waves(self.outer_radius);
        let (x, y) = (self.offset[0] * scale, -self.offset[1] * scale);
        let w131 = x.hypot(y) * 72f64.sqrt();
        let skew = w131 / w020;
        GeometricComa {
            x_waves: x,
            y_waves: y,
            w020_waves: w020,
            skew,
            noise_sigma: self.offset_sigma * scale.abs(),
            model_sigma: 0.01,
        }
    }

    /// Clock degrees of the thin side.
    #[must_use]
    pub fn thin_clock_deg(&self) -> f64 {
        self.offset[0]
            .atan2(-self.offset[1])
            .to_degrees()
            .rem_euclid(360.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_blurred_disc_keeps_its_middle_and_halves_its_edge() {
        assert!((blurred_disc(0.0, 20.0) - 1.0).abs() < 1e-6);
        assert!((blurred_disc(50.0, 50.0) - 0.5).abs() < 0.01);
        // In the middle of a disc: 1 - exp(-a^2/2).
        assert!((blurred_disc(0.0, 1.0) - (1.0 - (-0.5f64).exp())).abs() < 1e-3);
        assert!((erf(1.0) - 0.842_700_79).abs() < 1e-6);
    }
}
