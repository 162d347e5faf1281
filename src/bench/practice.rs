//! The practice bench: a simulated Schmidt-Cassegrain out of line by a hidden
//! amount, which follows from a seed and the steps taken, and from nothing kept.

use nalgebra::{DVector, Matrix2xX, Vector2};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::adjustment::{Aim, turns_of};
use super::orientation::Map;
use super::plan::response_of;
use super::replay::{Footing, SessionReplay, Step};
use super::response::Trust;
use super::screw::{Element, Mechanism, Screw, tilt_per_turn};
use optics::prescription::{Impossible, Layout, Numbers, Prescription};

/// Clear aperture of the simulated tube, mm.
pub const APERTURE_MM: f64 = 203.0;
/// Its obstruction.
pub const OBSTRUCTION: f64 = 0.34;

/// A practice collimation session, played through.
#[derive(Debug, Clone)]
pub struct Practice {
    /// Where it stands.
    pub course: SessionReplay,
    /// The true coma as seen in the picture, waves.
    pub coma: Vector2<f64>,
    /// The true coma at the start, RMS, waves.
    pub start_waves: f64,
    /// How the picture truly lies.
    pub map: Map,
}

impl Practice {
    /// From a seed and the steps taken.
    ///
    /// # Errors
    /// [`Impossible`] when the optics cannot be made (they can).
    pub fn played(seed: u64, steps: &[Step]) -> Result<Self, Impossible> {
        let numbers = Numbers::usual(Layout::SchmidtCassegrain, APERTURE_MM, 10.0 * APERTURE_MM);
        let optics = Prescription::new(Layout::SchmidtCassegrain, numbers)?;
        let per_arcmin = response_of(&optics, Element::Secondary)?.ok_or(Impossible::Unsolved)?;
        let screws: Vec<Screw> = (0..3)
            .map(|i| Screw {
                label: format!("S{}", i + 1),
                element: Element::Secondary,
                clock_deg: f64::from(i) * 120.0,
                pitch_mm: 0.7,
                lever_mm: 20.0,
                mechanism: Mechanism::Pivot,
            })
            .collect();
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let gain = rng.random_range(0.8..1.25);
        let mut truth: Matrix2xX<f64> = per_arcmin.coma_centred * tilt_per_turn(&screws) * gain;
        for mut column in truth.column_iter_mut() {
            column *= rng.random_range(0.88..1.12);
        }
        let start_waves = rng.random_range(0.18..0.5);
        let way: f64 = rng.random_range(0.0..std::f64::consts::TAU);
        let map = Map {
            turn_deg: rng.random_range(0.0..360.0),
            mirrored: false,
        };
        let mut coma = Vector2::new(way.cos(), way.sin()) * start_waves;
        let footing = Footing {
            screws,
            per_arcmin,
            learnt: None,
            on_the_tube: false,
            lies: None,
            sign_by_side: false,
            diagonal: true,
            focal_mm: numbers.focal_mm,
            aim: Aim::default(),
            trust: Trust::default(),
        };
        for step in steps {
            if let Step::Adjustment { parts, .. } = step {
                let mut turns = turns_of(parts);
                turns.resize(3, 0.0);
                for t in &mut turns {
                    *t *= rng.random_range(0.85..1.15);
                }
                coma += &truth * DVector::from_vec(turns);
            }
        }
        Ok(Self {
            course: SessionReplay::played(footing, steps),
            coma: map.matrix() * coma,
            start_waves,
            map,
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::advice::{Next, Why};
    use crate::orientation::{Shade, Side};

    #[test]
    fn whoever_follows_the_advice_brings_it_in() {
        for seed in [1, 2, 3] {
            let mut steps = Vec::new();
            let map = Practice::played(seed, &steps).unwrap().map;
            for tube_deg in [0.0, 90.0] {
                steps.push(Step::Shade {
                    shade: Shade {
                        tube_deg,
                        picture_deg: map.to_picture(tube_deg),
                        side: Side::Outside,
                    },
                    anew: false,
                });
            }
            let mut ended = None;
            for _ in 0..20 {
                let now = Practice::played(seed, &steps).unwrap();
                match now.course.next() {
                    Next::Look { .. } => steps.push(Step::Look {
                        coma: now.coma.into(),
                        sigma: 0.02,
                        eye: None,
                    }),
                    Next::Turn(adjustment) => steps.push(Step::Adjustment {
                        parts: adjustment.parts,
                        jump_deg: None,
                        tension: Vec::new(),
                    }),
                    Next::Stop(stop) => {
                        ended = Some((stop.why, now.coma.norm()));
                        break;
                    }
                }
            }
            let (why, left) = ended.unwrap();
            assert_eq!(why, Why::InLine);
            assert!(left < 0.071, "{left}");
        }
    }
}
