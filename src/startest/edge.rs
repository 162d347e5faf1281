//! How a sharp edge looks after diffraction and blur.
//!
//! Near its edge a far defocused star is the Fresnel pattern of a straight
//! edge (Born & Wolf, section 8.7, from memory): a quarter of the full light
//! falls on the geometric edge. The air blurs that, and a fully blurred edge
//! has half of the full light there. Between the two lies one family of
//! curves, with the blur over the Fresnel unit as its only parameter.

use std::sync::OnceLock;

/// Half extent of the tabulated edge, Fresnel units.
const REACH: f64 = 9.0;
const STEP: f64 = 0.02;
/// Shares of the full light between which the width of an edge is taken.
pub const LOW: f64 = 0.15;
/// See [`LOW`].
pub const HIGH: f64 = 0.55;

/// Intensity of the Fresnel pattern of a straight edge over the open light, at
/// `v` Fresnel units (positive on the lit side).
#[must_use]
pub fn fresnel_edge(v: f64) -> f64 {
    let (c, s) = fresnel_integrals(v);
    0.5 * ((c + 0.5).powi(2) + (s + 0.5).powi(2))
}

/// C(v) and S(v) with the pi/2 convention, by Simpson's rule.
fn fresnel_integrals(v: f64) -> (f64, f64) {
    let n = 2 * ((v.abs() * v.abs() * 12.0).ceil() as usize + 12);
    let h = v / n as f64;
    let (mut c, mut s) = (0.0, 0.0);
    for i in 0..=n {
        let t = i as f64 * h;
        let w = if i == 0 || i == n {
            1.0
        } else if i % 2 == 1 {
            4.0
        } else {
            2.0
        };
        let phase = std::f64::consts::FRAC_PI_2 * t * t;
        c += w * phase.cos();
        s += w * phase.sin();
    }
    (c * h / 3.0, s * h / 3.0)
}

/// One blurred edge of the family; lengths in Fresnel units.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Blurred {
    /// Gaussian blur, 1-sigma.
    sigma: f64,
    /// Distance between the [`LOW`] and the [`HIGH`] share.
    width: f64,
    /// Share of the full light on the geometric edge.
    share: f64,
}

fn family() -> &'static [Blurred] {
    static FAMILY: OnceLock<Vec<Blurred>> = OnceLock::new();
    FAMILY.get_or_init(|| {
        let n = (2.0 * REACH / STEP) as usize + 1;
        let bare: Vec<f64> = (0..n)
            .map(|i| fresnel_edge(i as f64 * STEP - REACH))
            .collect();
        (0..66)
            .map(|k| {
                let sigma = 0.05 * 1.06f64.powi(k) - 0.05;
                blur(&bare, sigma)
            })
            .collect()
    })
}

fn blur(bare: &[f64], sigma: f64) -> Blurred {
    let half = if sigma > 0.0 {
        (4.0 * sigma / STEP).ceil() as isize
    } else {
        0
    };
    let kernel: Vec<f64> = (-half..=half)
        .map(|i| {
            if half == 0 {
                1.0
            } else {
                (-0.5 * (i as f64 * STEP / sigma).powi(2)).exp()
            }
        })
        .collect();
    let total: f64 = kernel.iter().sum();
    let last = bare.len() as isize - 1;
    let at = |i: isize| -> f64 {
        kernel
            .iter()
            .enumerate()
            .map(|(k, w)| {
                let j = i + k as isize - half;
                // Beyond the table: dark on one side, full light on the other.
                w * if j < 0 {
                    0.0
                } else if j > last {
                    1.0
                } else {
                    bare[j as usize]
                }
            })
            .sum::<f64>()
            / total
    };
    let mid = last / 2;
    // Outward until dark, then inward to the two shares.
    let mut i = mid;
    while at(i) > LOW {
        i -= 1;
    }
    let cross = |from: isize, share: f64| -> (isize, f64) {
        let mut i = from;
        let mut here = at(i);
        loop {
            let next = at(i + 1);
            if next >= share {
                return (i, (i as f64 + (share - here) / (next - here)) * STEP);
            }
            here = next;
            i += 1;
        }
    };
    let (from, low) = cross(i, LOW);
    let (_, high) = cross(from, HIGH);
    Blurred {
        sigma,
        width: high - low,
        share: at(mid),
    }
}

/// What the measured width of an edge says, with the Fresnel unit known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeState {
    /// Gaussian blur beyond diffraction, 1-sigma, in the unit of the width given.
    pub blur_sigma: f64,
    /// Share of the full light on the geometric edge, 0.25 to 0.5.
    pub share: f64,
}

/// Reads an edge: `width` between the [`LOW`] and [`HIGH`] shares of the full
/// light and `fresnel_unit`, both in the same unit.
#[must_use]
pub fn read_edge(width: f64, fresnel_unit: f64) -> EdgeState {
    let family = family();
    let w = width / fresnel_unit;
    let first = family[0];
    if !w.is_finite() || w <= first.width {
        return EdgeState {
            blur_sigma: 0.0,
            share: first.share,
        };
    }
    for pair in family.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        if w <= b.width {
            let t = ((w - a.width) / (b.width - a.width).max(1e-9)).clamp(0.0, 1.0);
            return EdgeState {
                blur_sigma: (a.sigma + t * (b.sigma - a.sigma)) * fresnel_unit,
                share: a.share + t * (b.share - a.share),
            };
        }
    }
    // Blur beyond all diffraction: a Gaussian edge, whose width between the
    // two shares is 1.1621 sigma.
    EdgeState {
        blur_sigma: w / 1.1621 * fresnel_unit,
        share: 0.5,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fresnel_edge_has_the_textbook_values() {
        // A quarter on the edge; first maximum 1.370 at v = 1.217, first
        // minimum 0.778 at v = 1.873 (Born & Wolf, section 8.7, from memory).
        assert!((fresnel_edge(0.0) - 0.25).abs() < 1e-12);
        assert!((fresnel_edge(1.217) - 1.370).abs() < 0.001);
        assert!((fresnel_edge(1.873) - 0.778).abs() < 0.001);
        assert!(fresnel_edge(-4.0) < 0.005);
    }

    #[test]
    fn a_sharp_edge_is_cut_at_a_quarter_and_a_blurred_one_near_a_half() {
        let sharp = read_edge(0.1, 1.0);
        assert!((sharp.share - 0.25).abs() < 1e-6 && sharp.blur_sigma == 0.0);
        let soft = read_edge(20.0, 1.0);
        assert!((soft.share - 0.5).abs() < 0.01);
        assert!((soft.blur_sigma - 20.0 / 1.1621).abs() < 0.05);
        let between = read_edge(1.2, 1.0);
        assert!(between.share > 0.3 && between.share < 0.5);
    }
}
