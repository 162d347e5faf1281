//! How much of the true coma each way of reading it shows.
//!
//! Ray geometry alone would read coma right; diffraction, blur and crowded
//! rays make both ways read a few per cent low, smoothly with three shares:
//! the Fresnel unit over the outer radius (`grain`), the blur's 1-sigma over
//! it (`blur`) and W131/W020 as read (`skew`). The coefficients are least
//! squares over 270 star pictures made with an independent optics library
//! (HCIPy): f/4 to f/15, obstruction 0 to 0.47, 3 to 16 waves out of focus,
//! bands of 0 to 250 nm, blur up to a third of the radius. Pictures not used
//! for them are left with a scatter of 2 to 5 %, most where the ring is only
//! one or two fringes wide.

/// The shares a reading depends on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shares {
    /// Fresnel unit over the outer radius, sqrt(lambda N / R).
    pub grain: f64,
    /// Blur beyond diffraction, Gaussian 1-sigma, over the outer radius.
    pub blur: f64,
    /// W131 over W020 as read, not yet corrected.
    pub skew: f64,
    /// Obstruction by diameter.
    pub eps: f64,
}

const LIGHT_CLEAR: [f64; 4] = [-0.133, -0.45, -0.196, -0.223];
const LIGHT: [f64; 10] = [
    -0.151, 0.023, -2.126, -0.311, -0.835, 0.238, -0.434, 0.295, -1.472, 0.491,
];
const EDGES: [f64; 10] = [
    0.531, -1.603, 0.133, -0.32, -2.195, 0.395, -0.407, 0.863, -2.127, -0.792,
];

impl Shares {
    /// Share of the coma that the light's centroid shows.
    #[must_use]
    pub fn of_light(self) -> f64 {
        if self.eps < super::coma::LEAST_SHADOW {
            let s = self.held();
            return 1.0 + dot(&LIGHT_CLEAR, &[s.grain, s.blur, s.skew, s.grain * s.skew]);
        }
        self.of(&LIGHT)
    }

    /// Share of the coma that the shadow's edge shows.
    #[must_use]
    pub fn of_edges(self) -> f64 {
        self.of(&EDGES)
    }

    /// Kept within what was tried.
    fn held(self) -> Self {
        Shares {
            grain: self.grain.clamp(0.1, 0.32),
            blur: self.blur.clamp(0.0, 0.17),
            skew: self.skew.clamp(0.0, 0.32),
            eps: self.eps.clamp(0.0, 0.5),
        }
    }

    fn of(self, coefficients: &[f64; 10]) -> f64 {
        let Shares {
            grain,
            blur,
            skew,
            eps,
        } = self.held();
        // What counts is the width of the ring.
        let (g, b, k) = (grain / (1.0 - eps), blur / (1.0 - eps), skew / (1.0 - eps));
        let terms = [
            g,
            g * g,
            g * g * g,
            b,
            b * b,
            k,
            g * k,
            b * k,
            skew * skew,
            eps * g,
        ];
        (1.0 + dot(coefficients, &terms)).clamp(0.55, 1.1)
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_calm_far_defocused_star_is_read_nearly_whole() {
        for eps in [0.0, 0.2, 0.34] {
            let far = Shares {
                grain: 0.12,
                blur: 0.02,
                skew: 0.05,
                eps,
            };
            assert!(
                (far.of_light() - 1.0).abs() < 0.06,
                "{eps}: {}",
                far.of_light()
            );
            assert!(
                (far.of_edges() - 1.0).abs() < 0.08,
                "{eps}: {}",
                far.of_edges()
            );
        }
    }

    #[test]
    fn blur_and_crowding_hide_coma() {
        let calm = Shares {
            grain: 0.15,
            blur: 0.0,
            skew: 0.05,
            eps: 0.34,
        };
        let blurred = Shares { blur: 0.15, ..calm };
        let crowded = Shares { skew: 0.3, ..calm };
        assert!(blurred.of_light() < calm.of_light());
        assert!(crowded.of_light() < calm.of_light());
        assert!(blurred.of_edges() < calm.of_edges());
    }
}
