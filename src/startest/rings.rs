//! The geometry of the donut: outer edge, shadow, and how far apart they sit.
//!
//! The stamp is unwrapped about the current centres. In every direction the
//! edges are cut at the share of that direction's own light that a sharp edge
//! would show on its geometric place, given the diffraction of the band and
//! the blur that the outer edge itself betrays (see `edge`). Circles
//! with an ellipse term go through the edge points; all is repeated until it
//! stands still.

use super::coma::LEAST_SHADOW;
use super::cuts::Cuts;
use super::edge::{self, read_edge};
use super::frame::Setup;
use super::light::{
    SMOOTHING, Start, aperture, centroid, darkest_disc, light_noise, smooth, take_sky,
};
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

impl ShadowEdge {
    /// Whether the edge was followed well enough all round to be used.
    #[must_use]
    pub fn is_clear(&self, outer_radius: f64) -> bool {
        self.kept >= 0.6 && self.rms <= 0.25 * self.radius + 0.03 * outer_radius
    }
}

/// Why no ring geometry could be had.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoRings {
    /// The outer edge is no circle that could be followed.
    NoOuterEdge,
    /// The shadow is filled in or missing.
    NoShadow,
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
    let rounds = if effort == Effort::Full { 9 } else { 4 };
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
    let doubtful = !look.shadow_is_clear() && look.may_hide_its_shadow();
    if look.eps > 0.0 && (doubtful || look.took_a_fringe_for_an_edge()) {
        look.forget_shadow(start);
        for _ in 0..rounds {
            look.outer_round()?;
        }
    }
    Ok(look.finish(sky))
}

/// A shadow whose share of the donut is this far from the told obstruction is not that
/// obstruction's.
pub(super) const CONTRADICTS: f64 = 0.2;

/// Fresnel zones from the middle to the outer edge, below which a fringe may pass for
/// the shadow's edge; 3.7 are 3.4 waves.
const FEW_ZONES: f64 = 3.7;

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
        let eps = if setup.obstruction < LEAST_SHADOW {
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
        self.eps * r < 1.9 * unit && self.blur < 0.16 * r
    }

    /// Whether so few waves out of focus that the ring is a fringe or two wide (its
    /// edges lie (1 - obstruction) sqrt(4 W020) Fresnel zones apart), and the shadow's
    /// edge not where it was told: a bright fringe was followed in its place.
    fn took_a_fringe_for_an_edge(&self) -> bool {
        let r = self.outer.radius;
        let ratio = self
            .shadow_fit
            .as_ref()
            .map_or(0.0, |f| f.circle.radius / r);
        let zones = (r / self.grain).sqrt();
        zones < FEW_ZONES && (ratio - self.told).abs() > CONTRADICTS
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
