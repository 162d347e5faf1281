//! A Newtonian before the star: the mechanical stages, looked at with a
//! Cheshire or a laser and told in mm. What is looked at is a mark's place; the
//! same learning and the same advice hold for it as for coma, so a stage is a
//! [`Footing`] whose "waves" are mm.

use nalgebra::Matrix2;

use super::adjustment::Aim;
use super::replay::Footing;
use super::response::Trust;
use super::screw::Screw;
use optics::alignment::PerArcmin;
use optics::trace::ARCMIN_RAD;

/// A mechanical stage, in the order in which they are done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Focuser: square to the tube, and the flat seen round and centred in it.
    Focuser,
    /// Flat: a laser in the focuser must hit the middle of the primary.
    Secondary,
    /// Primary: its mark and the Cheshire's ring must fall together.
    Primary,
}

impl Stage {
    /// All, in order.
    pub const ALL: [Self; 3] = [Self::Focuser, Self::Secondary, Self::Primary];
}

/// 1-sigma of a mark's place read by eye, mm (common practice, no source).
pub const MARK_SIGMA_MM: f64 = 0.8;

/// The primary's mark beside the ring of the Cheshire, for primary screws.
///
/// A primary tilted by t shows the ring's reflection 2 f t from its mark (the
/// surface that faces the focus squarely lies there: geometry of a mirror of
/// radius 2 f seen from f); the mark lies towards the lower side. The aim is the
/// mark's offset that leaves a third of the threshold in coma, or what the eye
/// can read.
pub fn primary(
    screws: Vec<Screw>,
    focal_mm: f64,
    coma_per_arcmin: f64,
    threshold_waves: f64,
) -> Footing {
    let per_arcmin = -2.0 * focal_mm * ARCMIN_RAD;
    let third = threshold_waves / 3.0 / coma_per_arcmin.max(1e-9) * per_arcmin.abs();
    footing(
        screws,
        Matrix2::identity() * per_arcmin,
        focal_mm,
        third.max(1.0),
    )
}

/// The laser's spot beside the primary's mark, for the flat's screws.
///
/// A flat tilted so that its side at the focuser rises by t throws the spot
/// 2 t L, across that t L (reflection at 45 degrees); L from flat to primary.
pub fn secondary(
    screws: Vec<Screw>,
    focal_mm: f64,
    flat_to_primary_mm: f64,
    focuser_deg: f64,
) -> Footing {
    let (s, c) = focuser_deg.to_radians().sin_cos();
    // Columns: towards the focuser, and a quarter turn anticlockwise from it.
    let axes = Matrix2::new(s, -c, c, s);
    let per_arcmin = axes * Matrix2::new(2.0, 0.0, 0.0, 1.0) * axes.transpose();
    let per_arcmin = per_arcmin * (flat_to_primary_mm * ARCMIN_RAD);
    footing(screws, per_arcmin, focal_mm, 3.0)
}

fn footing(
    screws: Vec<Screw>,
    mm_per_arcmin: Matrix2<f64>,
    focal_mm: f64,
    threshold_mm: f64,
) -> Footing {
    Footing {
        screws,
        per_arcmin: PerArcmin {
            coma: mm_per_arcmin,
            coma_centred: mm_per_arcmin,
            w131: [Matrix2::zeros(); 2],
            jump_mm: Matrix2::zeros(),
        },
        learnt: None,
        on_the_tube: true,
        lies: None,
        sign_by_side: false,
        diagonal: false,
        focal_mm,
        aim: Aim {
            threshold_waves: threshold_mm,
            confidence: 0.8,
            ..Aim::default()
        },
        trust: Trust::default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use optics::alignment::per_arcmin;
    use optics::prescription::{Layout, Numbers, Prescription};
    use optics::trace::Part;

    /// The spot's matrix against the exact trace: light going the other way
    /// round lands in the picture by the same reflection at the flat, over the
    /// distance to the focus instead of to the primary.
    #[test]
    fn the_flat_throws_the_spot_as_the_trace_says() {
        let n = Numbers::usual(Layout::Newtonian, 200.0, 1200.0);
        let Ok(p) = Prescription::new(Layout::Newtonian, n) else {
            panic!("no Newtonian")
        };
        let Ok(Some(flat)) = per_arcmin(&p, Part::Flat) else {
            panic!("no flat")
        };
        let ours = secondary(Vec::new(), 1200.0, n.back_focus_mm, 90.0)
            .per_arcmin
            .coma;
        for i in 0..2 {
            let (a, b) = (flat.jump_mm[(i, i)].abs(), ours[(i, i)].abs());
            assert!((a - b).abs() < 0.01 * b, "{a} {b}");
        }
        assert!(ours[(0, 0)].abs() > 1.9 * ours[(1, 1)].abs());
    }
}
