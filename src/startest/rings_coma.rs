//! From a donut's geometry to coma and defocus, with the method's own error.

use super::coma;
use super::frame::Setup;
use super::response::Shares;
use super::rings::Geometry;
use optics::wavefront::{coma_from_w131, w131_from_coma};

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
