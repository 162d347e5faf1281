//! At which share of the ring's light its edges are cut: what geometry, blur and
//! diffraction leave on them.

/// At which share of the middle of the ring the edges are cut, in one direction.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Cut {
    /// Light on the outer edge over the mean of the ring's middle half.
    pub outer: f64,
    /// The same on the shadow's edge.
    pub shadow: f64,
    /// Unblurred light just inside the outer edge over that mean.
    pub outer_full: f64,
    /// Unblurred light in the middle of the ring over that mean.
    pub mid_full: f64,
}

/// The cuts for all directions, by the cosine of the angle from the thick side.
///
/// Along each direction the light is taken as geometry makes it, crowded where
/// the ring is thin, smeared by the blur. Diffraction and the curvature of the
/// edges come in as factors.
pub(super) struct Cuts {
    table: [Cut; Cuts::STEPS],
}

impl Cuts {
    const STEPS: usize = 13;

    pub fn new(outer: f64, shadow: f64, eps: f64, skew: f64, sigma: f64, share: f64) -> Self {
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

    pub fn at(&self, cos: f64) -> Cut {
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
        sum += (-0.5 * (r - x).powi(2)).exp() * libm::erf(half / std::f64::consts::SQRT_2);
    }
    sum * h / std::f64::consts::TAU.sqrt()
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
    }
}
