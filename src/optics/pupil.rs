//! The amplitude over the aperture: a disc, the shadow of what stands in
//! front of it, and vanes.
//!
//! Every edge is drawn by the exact area a straight edge cuts off a square
//! cell, so that the sampled pupil changes smoothly with the size and place of
//! the shadow, and its derivatives exist in closed form.

/// A pupil: rim at radius 1; the shadow may be off centre.
#[derive(Debug, Clone, PartialEq)]
pub struct Pupil {
    /// Radius of the central shadow (the obstruction by diameter), 0 to below 1.
    pub obstruction: f64,
    /// Place of the shadow's centre (u, v) in units of the pupil's radius.
    pub shadow: [f64; 2],
    /// Directions of the vanes, unit vectors from the centre outwards.
    pub vanes: Vec<[f64; 2]>,
    /// Thickness of each vane in units of the pupil's radius.
    pub vane_width: f64,
    /// Centre of a round opening in front, as wide as the rim, that cuts off what lies beyond
    /// it (a dew cap not quite in line); in the middle it cuts nothing.
    pub cap: [f64; 2],
}

/// Amplitude in one cell with its derivatives by the shadow's place and size.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cell {
    /// Share of the cell that lets light through, 0 to 1.
    pub amplitude: f64,
    /// By the shadow's u, its v and its radius.
    pub by_shadow: [f64; 3],
}

impl Pupil {
    /// A disc with a centred shadow and no vanes.
    pub fn annular(obstruction: f64) -> Self {
        Self {
            obstruction,
            shadow: [0.0; 2],
            vanes: Vec::new(),
            vane_width: 0.0,
            cap: [0.0; 2],
        }
    }

    /// Adds `count` vanes at equal angles, the first at `clock_deg` clockwise
    /// from up.
    #[must_use]
    pub fn with_vanes(mut self, count: u32, width: f64, clock_deg: f64) -> Self {
        self.vane_width = width;
        self.vanes = (0..count)
            .map(|k| {
                let t = (clock_deg + 360.0 * f64::from(k) / f64::from(count)).to_radians();
                [t.sin(), t.cos()]
            })
            .collect();
        self
    }

    /// True when a half turn maps the pupil onto itself; then one picture
    /// cannot tell the side of focus.
    pub fn has_point_symmetry(&self) -> bool {
        let centred = self.obstruction == 0.0 || self.shadow == [0.0; 2];
        centred
            && self.vanes.iter().all(|a| {
                self.vanes
                    .iter()
                    .any(|b| (a[0] + b[0]).abs() < 1e-9 && (a[1] + b[1]).abs() < 1e-9)
            })
    }

    /// The cell of side `cell` centred on (u, v).
    pub fn cell(&self, u: f64, v: f64, cell: f64) -> Cell {
        self.shade(self.open(u, v, cell), u, v, cell)
    }

    /// What rim and vanes leave of a cell.
    pub fn open(&self, u: f64, v: f64, cell: f64) -> f64 {
        let r = (u * u + v * v).sqrt();
        let (mut a, _) = edge(r - 1.0, u, v, r, cell);
        if a > 0.0 && self.cap != [0.0; 2] {
            let (u, v) = (u - self.cap[0], v - self.cap[1]);
            let r = (u * u + v * v).sqrt();
            a = a.min(edge(r - 1.0, u, v, r, cell).0);
        }
        if a > 0.0 && self.vane_width > 0.0 {
            let half = self.vane_width / 2.0;
            for d in self.vanes.iter().filter(|d| u * d[0] + v * d[1] > 0.0) {
                let off = u * d[1] - v * d[0];
                let (hi, _) = edge(off - half, d[1], -d[0], 1.0, cell);
                let (lo, _) = edge(off + half, d[1], -d[0], 1.0, cell);
                a *= 1.0 - (hi - lo);
            }
        }
        a
    }

    /// Derivative of a cell's amplitude by the place (u, v) of the rim, vanes apart.
    pub fn by_rim(u: f64, v: f64, cell: f64) -> [f64; 2] {
        let r = (u * u + v * v).sqrt();
        let (_, slope) = edge(r - 1.0, u, v, r, cell);
        if slope > 0.0 {
            [slope * u / r, slope * v / r]
        } else {
            [0.0; 2]
        }
    }

    /// What the shadow leaves of a cell of which rim and vanes leave `open`.
    #[inline]
    pub fn shade(&self, open: f64, u: f64, v: f64, cell: f64) -> Cell {
        let (du, dv) = (u - self.shadow[0], v - self.shadow[1]);
        let q2 = du * du + dv * dv;
        let reach = cell * std::f64::consts::FRAC_1_SQRT_2;
        if self.obstruction <= 0.0 || q2 >= (self.obstruction + reach).powi(2) {
            return Cell {
                amplitude: open,
                by_shadow: [0.0; 3],
            };
        }
        if self.obstruction > reach && q2 <= (self.obstruction - reach).powi(2) {
            return Cell::default();
        }
        let q = q2.sqrt();
        let (inside, slope) = edge(q - self.obstruction, du, dv, q, cell);
        let slope = open * slope;
        let by_shadow = if q > 0.0 {
            [-slope * du / q, -slope * dv / q, -slope]
        } else {
            [0.0; 3]
        };
        Cell {
            amplitude: open * (1.0 - inside),
            by_shadow,
        }
    }
}

/// Share of a square cell that lies on the near side of a straight edge whose
/// signed distance from the cell's centre is `d` (negative: centre inside), the
/// edge's normal along (nx, ny) of length `norm`; and minus its derivative by
/// `d`.
fn edge(d: f64, nx: f64, ny: f64, norm: f64, cell: f64) -> (f64, f64) {
    // Projected on the normal, a uniform square is the sum of two uniform
    // variables: a trapezoid of outer half-width (a + b)/2.
    if d.abs() >= cell * std::f64::consts::FRAC_1_SQRT_2 {
        return (if d < 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let (nx, ny) = if norm > 0.0 {
        (nx.abs() / norm, ny.abs() / norm)
    } else {
        (1.0, 0.0)
    };
    let (big, small) = if nx > ny {
        (nx * cell, ny * cell)
    } else {
        (ny * cell, nx * cell)
    };
    let (outer, inner) = ((big + small) / 2.0, (big - small) / 2.0);
    let t = d.abs();
    let (beyond, density) = if t >= outer {
        (0.0, 0.0)
    } else if t > inner {
        let x = outer - t;
        (x * x / (2.0 * big * small), x / (big * small))
    } else {
        (0.5 - t / big, 1.0 / big)
    };
    (if d < 0.0 { 1.0 - beyond } else { beyond }, density)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;

    #[test]
    fn area_is_that_of_the_annulus() {
        let p = Pupil::annular(0.34);
        let h = 2.0 / 61.3;
        let mut area = 0.0;
        for i in -40..=40 {
            for j in -40..=40 {
                area += p.cell(f64::from(i) * h, f64::from(j) * h, h).amplitude * h * h;
            }
        }
        let want = std::f64::consts::PI * (1.0 - 0.34 * 0.34);
        assert!((area / want - 1.0).abs() < 1e-3, "{area} {want}");
    }

    #[test]
    fn derivatives_are_those_of_the_amplitude() {
        let h = 0.05;
        let base = Pupil {
            shadow: [0.02, -0.01],
            ..Pupil::annular(0.3)
        };
        let step = 1e-6;
        for k in 0..40 {
            let t = f64::from(k) * 0.37;
            let (u, v) = (0.31 * t.cos(), 0.29 * t.sin());
            let here = base.cell(u, v, h);
            let moved = |m: usize, s: f64| {
                let mut p = base.clone();
                match m {
                    2 => p.obstruction += s,
                    m => p.shadow[m] += s,
                }
                p.cell(u, v, h).amplitude
            };
            for m in 0..2 {
                let fd = (moved(m, step) - moved(m, -step)) / (2.0 * step);
                // The cut's direction turns a little as the centre moves, which
                // the closed form leaves out: 5 % of the greatest slope, 1/h.
                assert!((fd - here.by_shadow[m]).abs() < 0.05 / h, "{fd} {here:?}");
            }
            let fd = (moved(2, step) - moved(2, -step)) / (2.0 * step);
            assert!((fd - here.by_shadow[2]).abs() < 1e-6, "{fd} {here:?}");
        }
    }

    #[test]
    fn a_cap_leaves_the_lens_two_discs_share() {
        let p = Pupil {
            cap: [0.03, -0.04],
            ..Pupil::annular(0.0)
        };
        let h = 2.0 / 61.3;
        let mut area = 0.0;
        for i in -40..=40 {
            for j in -40..=40 {
                area += p.open(f64::from(i) * h, f64::from(j) * h, h) * h * h;
            }
        }
        // Two unit discs d apart share 2 acos(d/2) - d sqrt(1 - d^2/4) (plane geometry).
        let d = 0.05f64;
        let want = 2.0 * (d / 2.0).acos() - d * (1.0 - d * d / 4.0).sqrt();
        assert!((area / want - 1.0).abs() < 2e-3, "{area} {want}");
    }

    #[test]
    fn two_and_four_vanes_are_symmetric_three_are_not() {
        let p = |n| {
            Pupil::annular(0.2)
                .with_vanes(n, 0.01, 20.0)
                .has_point_symmetry()
        };
        assert!(p(2) && p(4) && !p(3) && !p(1));
        assert!(
            !Pupil {
                shadow: [0.01, 0.0],
                ..Pupil::annular(0.2)
            }
            .has_point_symmetry()
        );
    }
}
