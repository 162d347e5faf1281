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
use super::response::Shares;
use crate::optics::wavefront::{coma_from_w131, w131_from_coma};

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

impl ShadowEdge {
    /// Whether the edge was followed well enough all round to be used.
    #[must_use]
    pub fn is_clear(&self, outer_radius: f64) -> bool {
        self.kept >= 0.6 && self.rms <= 0.25 * self.radius + 0.03 * outer_radius
    }
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
    /// (a8, a7) by the light's centroid alone.
    pub light: [f64; 2],
    /// (a8, a7) by the shadow's edge alone.
    pub edges: Option<[f64; 2]>,
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
    // A little blur of our own evens out fringes and noise; the cuts know of it.
    let own_blur = SMOOTHING * (setup.lambda_n_px() * start.radius).sqrt();
    smooth(&mut stamp, size, own_blur);
    let grid = Grid { size, data: &stamp };
    let mut look = Look::new(grid, start, setup, effort, own_blur);
    let rounds = if effort == Effort::Full { 9 } else { 5 };
    for _ in 0..rounds {
        look.outer_round()?;
        if look.eps > 0.0
            && let Err(e) = look.shadow_round()
        {
            if !look.may_hide_its_shadow() {
                return Err(e);
            }
            look.forget_shadow(start);
        }
    }
    if look.eps > 0.0 && !look.shadow_is_clear() && look.may_hide_its_shadow() {
        look.forget_shadow(start);
        for _ in 0..rounds {
            look.outer_round()?;
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

/// Our own blur, in Fresnel units.
const SMOOTHING: f64 = 0.3;

/// Gaussian blur of a square picture in place; missing pixels stay missing.
fn smooth(data: &mut [f64], size: usize, sigma: f64) {
    if sigma < 0.3 {
        return;
    }
    let half = (3.0 * sigma).ceil() as usize;
    let kernel: Vec<f64> = (0..=half)
        .map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp())
        .collect();
    let mut line = vec![0.0; size];
    let mut pass = |start: usize, stride: usize| {
        for (k, v) in line.iter_mut().enumerate() {
            *v = data[start + k * stride];
        }
        for k in 0..size {
            if line[k].is_nan() {
                continue;
            }
            let (lo, hi) = (k.saturating_sub(half), (k + half).min(size - 1));
            let (mut sum, mut weight) = (0.0, 0.0);
            for j in lo..=hi {
                let w = kernel[j.abs_diff(k)];
                if line[j].is_finite() {
                    sum += w * line[j];
                    weight += w;
                }
            }
            data[start + k * stride] = sum / weight;
        }
    };
    for i in 0..size {
        pass(i * size, 1);
    }
    for i in 0..size {
        pass(i, size);
    }
}

/// The state of one measurement while it settles.
struct Look<'a> {
    grid: Grid<'a>,
    effort: Effort,
    /// Obstruction whose shadow is followed; 0 when there is none to follow.
    eps: f64,
    /// Obstruction as told.
    told: f64,
    /// lambda N of the band, px.
    grain: f64,
    outer: Circle,
    outer_fit: Option<CircleFit>,
    shadow: Circle,
    shadow_fit: Option<CircleFit>,
    /// Blur beyond diffraction, our own smoothing included.
    blur: f64,
    own_blur: f64,
    /// Share of the full light on a straight blurred edge.
    share: f64,
    level: f64,
}

impl<'a> Look<'a> {
    fn new(grid: Grid<'a>, start: Start, setup: &Setup, effort: Effort, own_blur: f64) -> Self {
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
        let shadow = if eps > 0.0 {
            darkest_disc(grid, start, eps)
        } else {
            start.centre
        };
        Look {
            grid,
            effort,
            eps,
            told: setup.obstruction,
            grain: setup.lambda_n_px(),
            outer: circle(start.centre, start.radius),
            outer_fit: None,
            shadow: circle(shadow, eps * start.radius),
            shadow_fit: None,
            blur: own_blur,
            own_blur,
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

    fn shadow_is_clear(&self) -> bool {
        self.shadow_fit.as_ref().is_some_and(|f| {
            let edge = ShadowEdge {
                centre: [f.circle.x, f.circle.y],
                radius: f.circle.radius,
                kept: f.kept,
                rms: f.rms,
            };
            edge.is_clear(self.outer.radius)
        })
    }

    /// Whether diffraction alone may fill so small a shadow. A shadow that the
    /// air has filled is another matter: then the outer edge is soft too.
    fn may_hide_its_shadow(&self) -> bool {
        let r = self.outer.radius;
        let unit = (self.grain * r).sqrt();
        self.eps * r < 1.6 * unit && self.blur < 0.16 * r
    }

    /// Goes on as with an unobstructed star, from the start.
    fn forget_shadow(&mut self, start: Start) {
        self.eps = 0.0;
        self.shadow_fit = None;
        self.outer = Circle {
            x: start.centre[0],
            y: start.centre[1],
            radius: start.radius,
            c2: 0.0,
            s2: 0.0,
        };
    }

    /// W131 / W020 as the light tells it, and the direction (image angle) of
    /// the thick side. The shadow's own place is not asked: it may be off
    /// centre without the light being crowded.
    fn skew(&self) -> (f64, f64) {
        let r = self.outer.radius;
        let light = centroid(
            self.grid,
            [self.outer.x, self.outer.y],
            1.2 * r + 1.5 * self.blur,
        );
        let (dx, dy) = (self.outer.x - light[0], self.outer.y - light[1]);
        let skew = dx.hypot(dy) / (r * (1.0 - 0.5 * self.told * self.told));
        (skew.min(0.28), dy.atan2(dx))
    }

    fn cuts(&self) -> (Cuts, f64) {
        let (skew, thick) = self.skew();
        (
            Cuts::new(
                self.outer.radius,
                self.shadow.radius,
                self.eps,
                skew,
                self.blur,
                self.share,
            ),
            thick,
        )
    }

    fn outer_round(&mut self) -> Result<(), NoRings> {
        let r = self.outer.radius;
        let polar = self.unwrap([self.outer.x, self.outer.y], 1.5 * r);
        let (cuts, thick) = self.cuts();
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
            let cut = cuts.at((t - thick).cos());
            let here = mid * cut.outer_full;
            levels.push(mid * cut.mid_full);
            let room = (0.35 * r).max(2.0);
            if let Some(edge) = polar.crossing(a, mid * cut.outer, outer, room, true) {
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
        let (cuts, thick) = self.cuts();
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
            let cut = cuts.at((t - thick).cos());
            let room = (0.6 * w).max(1.5);
            if let Some(edge) = polar.crossing(a, mid * cut.shadow, inner, room, false) {
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
            blur_sigma: (self.blur.powi(2) - self.own_blur.powi(2)).max(0.0).sqrt(),
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

/// At which share of the middle of the ring the edges are cut, in one direction.
#[derive(Debug, Clone, Copy, Default)]
struct Cut {
    /// Light on the outer edge over the mean of the ring's middle half.
    outer: f64,
    /// The same on the shadow's edge.
    shadow: f64,
    /// Unblurred light just inside the outer edge over that mean.
    outer_full: f64,
    /// Unblurred light in the middle of the ring over that mean.
    mid_full: f64,
}

/// The cuts for all directions, by the cosine of the angle from the thick side.
///
/// Along each direction the light is taken as geometry makes it, crowded where
/// the ring is thin, smeared by the blur. Diffraction and the curvature of the
/// edges come in as factors.
struct Cuts {
    table: [Cut; Cuts::STEPS],
}

impl Cuts {
    const STEPS: usize = 13;

    fn new(outer: f64, shadow: f64, eps: f64, skew: f64, sigma: f64, share: f64) -> Self {
        let has_shadow = eps > 0.0;
        // What diffraction leaves on a straight edge over what a blur leaves.
        let straight = share / 0.5;
        let soft = sigma > 0.02 * outer;
        let disc = |r: f64, a: f64| {
            if a > 0.0 {
                blurred_disc(r / sigma, a / sigma)
            } else {
                0.0
            }
        };
        let (bend_outer, bend_shadow) = match (soft, has_shadow) {
            (false, _) => (1.0, 1.0),
            (true, false) => (2.0 * disc(outer, outer), 1.0),
            (true, true) => (2.0 * disc(outer, outer), 2.0 * disc(shadow, shadow)),
        };
        let shift = 1.5 * outer * (1.0 - eps * eps) * skew;
        let inner_mean = if has_shadow {
            shadow.min(0.85 * outer)
        } else {
            0.0
        };
        let mut table = [Cut::default(); Self::STEPS];
        for (k, cut) in table.iter_mut().enumerate() {
            let cos = k as f64 / (Self::STEPS - 1) as f64 * 2.0 - 1.0;
            let density = |rho: f64| {
                let d = (1.0 + 3.0 * skew * rho * cos) * (1.0 + skew * rho * cos);
                1.0 / d.max(0.08)
            };
            // The ring is wide on the thick side (cos = 1).
            let width =
                (outer - inner_mean + if has_shadow { shift * cos } else { 0.0 }).max(0.1 * outer);
            let from = if has_shadow { 0.0 } else { 0.25 * width };
            let rho = |s: f64| eps + (1.0 - eps) * (s / width).clamp(0.0, 1.0);
            let light = |s: f64| {
                if !soft {
                    return density(rho(s));
                }
                smeared(s, sigma, width, !has_shadow, |s| density(rho(s)))
            };
            let span = width - from;
            let mid = (0..6)
                .map(|j| light(from + span * (0.25 + (f64::from(j) + 0.5) / 12.0)))
                .sum::<f64>()
                / 6.0;
            let on_outer = if soft {
                light(width)
            } else {
                0.5 * density(1.0)
            };
            let on_shadow = if soft { light(0.0) } else { 0.5 * density(eps) };
            let full_in = density(eps);
            let dark = (full_in - on_shadow).max(0.0) * bend_shadow * (1.0 - share) / 0.5;
            *cut = Cut {
                outer: (on_outer * bend_outer * straight / mid).clamp(0.05, 1.5),
                shadow: ((full_in - dark) / mid).clamp(0.05, 1.2),
                outer_full: density(1.0) / mid,
                mid_full: density((1.0 + eps) / 2.0) / mid,
            };
        }
        Cuts { table }
    }

    fn at(&self, cos: f64) -> Cut {
        let p = (cos + 1.0) / 2.0 * (Self::STEPS - 1) as f64;
        let i = (p as usize).min(Self::STEPS - 2);
        let f = p - i as f64;
        let (a, b) = (self.table[i], self.table[i + 1]);
        let mix = |u: f64, v: f64| u + f * (v - u);
        Cut {
            outer: mix(a.outer, b.outer),
            shadow: mix(a.shadow, b.shadow),
            outer_full: mix(a.outer_full, b.outer_full),
            mid_full: mix(a.mid_full, b.mid_full),
        }
    }
}

/// A strip of light from 0 to `width` (from minus infinity when `open`) under a
/// Gaussian blur, at position `s`.
fn smeared(s: f64, sigma: f64, width: f64, open: bool, light: impl Fn(f64) -> f64) -> f64 {
    let lo = if open {
        s - 3.5 * sigma
    } else {
        (s - 3.5 * sigma).max(0.0)
    };
    let hi = (s + 3.5 * sigma).min(width);
    if hi <= lo {
        return 0.0;
    }
    let n = 16;
    let h = (hi - lo) / f64::from(n);
    let sum: f64 = (0..n)
        .map(|i| {
            let x = lo + (f64::from(i) + 0.5) * h;
            (-0.5 * ((s - x) / sigma).powi(2)).exp() * light(x)
        })
        .sum();
    sum * h / (sigma * std::f64::consts::TAU.sqrt())
}

/// Centre of the darkest disc of the shadow's size within reach of the middle:
/// where to start looking for the shadow.
fn darkest_disc(grid: Grid<'_>, start: Start, eps: f64) -> [f64; 2] {
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
    ///
    /// Two readings are averaged where there are two: the shadow's circle
    /// against the outer edge, 6 N (1 - eps^2) W131, and the light's centroid
    /// against it, 2 N (2 - eps^2) W131. The light counts double: it keeps its
    /// place under blur and feels a shadow that is off centre some ten times less.
    #[must_use]
    pub fn coma(&self, setup: &Setup) -> GeometricComa {
        let light = self.coma_from_light(setup);
        let edges = self.coma_from_edges(setup);
        let w020 = setup.w020_waves(self.outer_radius);
        let (x, y) = match edges {
            Some(e) => ((e[0] + 2.0 * light[0]) / 3.0, (e[1] + 2.0 * light[1]) / 3.0),
            None => (light[0], light[1]),
        };
        let apart = edges.map_or(0.0, |e| (e[0] - light[0]).hypot(e[1] - light[1]));
        let coma = x.hypot(y);
        let per_px = setup.waves_per_px() * coma_from_w131(1.0)
            / match self.shadow {
                Some(_) => coma::shadow_offset(1.0, setup.focal_ratio(), setup.obstruction),
                None => coma::light_offset(1.0, setup.focal_ratio(), setup.obstruction),
            };
        let skew = w131_from_coma(coma) / w020;
        GeometricComa {
            x_waves: x,
            y_waves: y,
            w020_waves: w020,
            skew,
            noise_sigma: self.offset_sigma * per_px,
            model_sigma: Self::model_sigma(coma, skew, w020, apart),
            light,
            edges,
        }
    }

    /// How far the shadow would have to stand off the pupil's centre for the two
    /// readings to agree: over the outer radius, x right and y up.
    #[must_use]
    pub fn shadow_off_centre(&self, setup: &Setup) -> Option<[f64; 2]> {
        let (edges, light) = (self.coma_from_edges(setup)?, self.coma_from_light(setup));
        let (n, e2) = (setup.focal_ratio(), setup.obstruction.powi(2));
        // A shadow moved by d moves its edge by d, and the light the other way.
        let per_px = setup.waves_per_px()
            * coma_from_w131(1.0)
            * (1.0 / coma::shadow_offset(1.0, n, setup.obstruction)
                + e2 / (1.0 - e2) / coma::light_offset(1.0, n, setup.obstruction));
        Some([0, 1].map(|k| (light[k] - edges[k]) / per_px / self.outer_radius))
    }

    /// Error of the method itself, per component, waves.
    ///
    /// Found on pictures made with an independent library for telescopes with
    /// the small faults real ones have (RMS waves: spherical 0.04, astigmatism
    /// 0.07, trefoil 0.03): near focus those bend the edges, far out they do
    /// not matter. Where the two readings differ, half of that counts too.
    fn model_sigma(coma: f64, skew: f64, w020: f64, apart: f64) -> f64 {
        let share = 0.015 + 1.2 / (w020 * w020) + 0.5 * (skew - 0.2).max(0.0);
        0.003f64.hypot(share * coma).hypot(0.5 * apart)
    }

    fn shares(&self, skew: f64, setup: &Setup) -> Shares {
        let r = self.outer_radius;
        Shares {
            grain: (setup.lambda_n_px() / r).sqrt(),
            blur: self.blur_sigma / r,
            skew,
            eps: setup.obstruction,
        }
    }

    /// (a8, a7) from the light's centroid against the outer edge, whatever the
    /// shadow does.
    fn coma_from_light(&self, setup: &Setup) -> [f64; 2] {
        let offset = [
            self.light_centre[0] - self.centre[0],
            self.light_centre[1] - self.centre[1],
        ];
        let per_w131 = coma::light_offset(1.0, setup.focal_ratio(), setup.obstruction);
        self.corrected(offset, per_w131, setup, Shares::of_light)
    }

    /// (a8, a7) from the shadow's circle against the outer edge.
    fn coma_from_edges(&self, setup: &Setup) -> Option<[f64; 2]> {
        let shadow = self.shadow?;
        let offset = [
            shadow.centre[0] - self.centre[0],
            shadow.centre[1] - self.centre[1],
        ];
        let per_w131 = coma::shadow_offset(1.0, setup.focal_ratio(), setup.obstruction);
        Some(self.corrected(offset, per_w131, setup, Shares::of_edges))
    }

    fn corrected(
        &self,
        offset: [f64; 2],
        per_w131: f64,
        setup: &Setup,
        response: fn(Shares) -> f64,
    ) -> [f64; 2] {
        // The coma vector points away from the thin side; y turns to up.
        let scale = -setup.waves_per_px() / per_w131 * coma_from_w131(1.0);
        let (x, y) = (offset[0] * scale, -offset[1] * scale);
        let skew = w131_from_coma(x.hypot(y)) / setup.w020_waves(self.outer_radius);
        let whole = response(self.shares(skew, setup));
        [x / whole, y / whole]
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
        // The slices stop at 4 sigma, which leaves 6.3e-5 of a Gaussian out.
        assert!((blurred_disc(0.0, 20.0) - 1.0).abs() < 1e-4);
        assert!((blurred_disc(50.0, 50.0) - 0.5).abs() < 0.01);
        // In the middle of a disc: 1 - exp(-a^2/2).
        assert!((blurred_disc(0.0, 1.0) - (1.0 - (-0.5f64).exp())).abs() < 1e-3);
        assert!((erf(1.0) - 0.842_700_79).abs() < 1e-6);
    }
}
