//! Which way round: from the picture to the tube, by the shade test.
//!
//! Clock positions in the picture are as displayed, on the tube as seen from in
//! front. With the star outside focus a shade at the tube's clock t darkens the
//! donut at `turn + t` or, mirrored, at `turn - t`; inside focus half a turn
//! further on.

use nalgebra::{Matrix2, Vector2};
pub use optics::focus::Side;

/// One shade: where on the tube, where the donut went dark.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Shade {
    /// Clock position shaded, from in front of the tube, degrees.
    pub tube_deg: f64,
    /// Clock position that went dark in the picture, degrees.
    pub picture_deg: f64,
    /// Side of focus it was done on.
    pub side: Side,
}

/// How the picture lies against the tube.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Map {
    /// Where the tube's 12 o'clock is in a picture taken outside focus, degrees.
    pub turn_deg: f64,
    /// Whether the picture is mirrored against the tube seen from in front.
    pub mirrored: bool,
}

impl Map {
    /// Picture clock of a tube clock, outside focus, degrees.
    pub fn to_picture(self, tube_deg: f64) -> f64 {
        let t = if self.mirrored { -tube_deg } else { tube_deg };
        (self.turn_deg + t).rem_euclid(360.0)
    }

    /// Tube clock of a picture clock, outside focus, degrees.
    pub fn to_tube(self, picture_deg: f64) -> f64 {
        let t = picture_deg - self.turn_deg;
        if self.mirrored { -t } else { t }.rem_euclid(360.0)
    }

    /// The same as a matrix on vectors (sin(clock), cos(clock)).
    pub fn matrix(self) -> Matrix2<f64> {
        let (s, c) = self.turn_deg.to_radians().sin_cos();
        if self.mirrored {
            Matrix2::new(-c, s, s, c)
        } else {
            Matrix2::new(c, s, -s, c)
        }
    }

    /// The same turned by half a turn: what holds if the side of focus was told
    /// wrongly.
    #[must_use]
    pub fn half_turned(self) -> Self {
        Self {
            turn_deg: (self.turn_deg + 180.0).rem_euclid(360.0),
            ..self
        }
    }
}

/// Whether the picture should be mirrored against the tube seen from in front:
/// someone behind the tube sees the tube's front mirrored, and every reflection
/// mirrors again. Mirrors inside the designs come in pairs (or none), so only
/// the diagonal counts. Cameras and programs may flip a picture once more.
pub fn expected_mirrored(diagonal: bool) -> bool {
    !diagonal
}

/// One way the picture may lie, with how likely it is.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Candidate {
    /// The map.
    pub map: Map,
    /// Share of belief, 0 to 1.
    pub weight: f64,
    /// 1-sigma of the turn, degrees.
    pub turn_sigma_deg: f64,
    /// What it takes from what was told.
    pub reading: Reading,
}

/// How far a way of lying agrees with what was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reading {
    /// As shades and side were told.
    AsTold,
    /// As shaded, on the other side of focus.
    OtherSide,
    /// Against the shades: one was misread. (Without shades: one of all ways.)
    Open,
}

/// What the shade test says.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Orientation {
    /// All ways that are left, most likely first; weights add up to 1.
    pub candidates: Vec<Candidate>,
    /// What does not fit together, in words.
    pub contradiction: Option<String>,
    /// How many shades it rests on.
    pub shades: usize,
}

/// 1-sigma of one shade's reading, degrees: clock hours read by eye, a hand
/// held about where it should be (common practice, no source).
pub const SHADE_SIGMA_DEG: f64 = 18.0;
/// How likely the side of focus is told wrongly (assumed).
pub const SIDE_WRONG: f64 = 0.12;
/// The same after it was checked by drawing the eyepiece out: one check in fifty is
/// read or entered wrongly (assumed).
pub const CHECK_WRONG: f64 = 0.02;
/// How likely a picture is mirrored against expectation: flipped by a program,
/// or the diagonal forgotten (assumed).
pub const MIRROR_WRONG: f64 = 0.12;

/// How likely a shade is misread beyond its error (assumed).
pub const MISREAD: f64 = 0.04;

impl Orientation {
    /// Nothing known but, perhaps, whether the picture is mirrored.
    pub fn unknown(diagonal: bool) -> Self {
        let steps = 12;
        let mut candidates = Vec::new();
        for k in 0..steps {
            for mirrored in [false, true] {
                let share = parity_share(mirrored, diagonal);
                candidates.push(Candidate {
                    map: Map {
                        turn_deg: f64::from(k) * 360.0 / f64::from(steps),
                        mirrored,
                    },
                    weight: share / f64::from(steps),
                    turn_sigma_deg: 12.0,
                    reading: Reading::Open,
                });
            }
        }
        Self {
            candidates,
            contradiction: None,
            shades: 0,
        }
    }

    /// What is looked at is read on the tube itself (a mark in the focuser, told
    /// by clock positions from in front): no picture between.
    pub fn on_the_tube() -> Self {
        Self::known(Map {
            turn_deg: 0.0,
            mirrored: false,
        })
    }

    /// As an earlier stage has found out.
    pub fn known(map: Map) -> Self {
        Self {
            candidates: vec![Candidate {
                map,
                weight: 1.0,
                turn_sigma_deg: 10.0,
                reading: Reading::AsTold,
            }],
            contradiction: None,
            shades: 0,
        }
    }

    /// The same picture for a stage whose looks change their sign with the side of
    /// focus: told wrongly, all is as if the picture lay half a turn further on.
    #[must_use]
    pub fn by_side_of_focus(&self) -> Self {
        let candidates = self.candidates.iter().flat_map(|c| {
            [
                (c.map, 1.0 - SIDE_WRONG, c.reading),
                (c.map.half_turned(), SIDE_WRONG, Reading::OtherSide),
            ]
            .map(|(map, share, reading)| Candidate {
                map,
                weight: c.weight * share,
                reading,
                ..*c
            })
        });
        Self {
            candidates: candidates.collect(),
            contradiction: None,
            shades: 0,
        }
    }

    /// Solves rotation and parity.
    pub fn from_shades(shades: &[Shade], diagonal: bool) -> Self {
        Self::from_shades_on(shades, side_wrong(shades), diagonal)
    }

    /// The same where it is known how likely the side of focus entered with the shades
    /// is wrong, 0 to 1.
    pub fn from_shades_on(shades: &[Shade], wrong: f64, diagonal: bool) -> Self {
        if shades.is_empty() {
            return Self::unknown(diagonal);
        }
        let mut found = Vec::new();
        let mut least = f64::INFINITY;
        for mirrored in [false, true] {
            // The mean direction of `turn` over the shades.
            let turns: Vec<f64> = shades.iter().map(|s| turn_of(s, mirrored)).collect();
            let sum: Vector2<f64> = turns
                .iter()
                .map(|t| Vector2::new(t.to_radians().sin(), t.to_radians().cos()))
                .sum();
            let turn_deg = sum.x.atan2(sum.y).to_degrees().rem_euclid(360.0);
            let misfit: f64 = turns
                .iter()
                .map(|t| (apart_deg(*t, turn_deg) / SHADE_SIGMA_DEG).powi(2))
                .sum();
            let worst = turns
                .iter()
                .map(|t| apart_deg(*t, turn_deg))
                .fold(0.0, f64::max);
            least = least.min(worst);
            let weight = parity_share(mirrored, diagonal) * (-0.5 * misfit).exp().max(1e-12);
            found.push((Map { turn_deg, mirrored }, weight));
        }
        let total: f64 = found.iter().map(|(_, w)| w).sum();
        let sigma = SHADE_SIGMA_DEG / (shades.len() as f64).sqrt();
        let mut candidates: Vec<Candidate> = found
            .iter()
            .flat_map(|&(map, w)| {
                [
                    (map, 1.0 - wrong, Reading::AsTold),
                    (map.half_turned(), wrong, Reading::OtherSide),
                ]
                .map(|(map, share, reading)| Candidate {
                    map,
                    weight: (1.0 - MISREAD) * w / total * share,
                    turn_sigma_deg: sigma,
                    reading,
                })
            })
            .filter(|c| c.weight > 1e-4)
            .collect();
        // Looks and goes can still overrule the shades altogether.
        candidates.extend(
            Self::unknown(diagonal)
                .candidates
                .into_iter()
                .map(|c| Candidate {
                    weight: c.weight * MISREAD,
                    ..c
                }),
        );
        let all: f64 = candidates.iter().map(|c| c.weight).sum();
        candidates.iter_mut().for_each(|c| c.weight /= all);
        candidates.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        let best = candidates.first().map(|c| c.map);
        let contradiction = if least > 40.0 {
            Some(
                "The two shades do not fit together, whichever way the picture is turned or mirrored. Check which clock positions were shaded (12 is up, seen from in front of the tube), that both were done on the same side of focus, and do the test again."
                    .to_owned(),
            )
        } else if shades.len() > 1
            && best.is_some_and(|b| b.mirrored != expected_mirrored(diagonal))
        {
            Some(
                if diagonal {
                    "The shades say that the picture is not mirrored as it should be with a diagonal. Either the diagonal is out, or the camera's program flips the picture; the advice follows the shades."
                } else {
                    "The shades say that the picture is mirrored the other way than without a diagonal. Either a diagonal is in, or the camera's program flips the picture; the advice follows the shades."
                }
                .to_owned(),
            )
        } else {
            None
        };
        Self {
            candidates,
            contradiction,
            shades: shades.len(),
        }
    }

    /// The most likely map and its share of belief.
    pub fn best(&self) -> Option<Candidate> {
        self.candidates.first().copied()
    }

    /// Where to shade next: a quarter turn from the first, so that parity shows.
    pub fn next_shade_deg(shades: &[Shade]) -> f64 {
        shades
            .first()
            .map_or(0.0, |s| (s.tube_deg + 90.0).rem_euclid(360.0))
    }
}

/// How likely the side of focus entered with these shades is wrong, 0 to 1. Where none
/// was entered, outside is taken, which is as likely wrong as right.
pub fn side_wrong(shades: &[Shade]) -> f64 {
    if shades.iter().any(|s| s.side != Side::Unknown) {
        SIDE_WRONG
    } else {
        0.5
    }
}

/// The side of focus was checked and is inside or outside: puts it right in the shades,
/// all of which were made on that side, and answers with how likely it is still wrong.
/// What was entered and what was checked are taken for independent (Bayes' rule).
pub fn check_side(shades: &mut [Shade], side: Side) -> f64 {
    let wrong = side_wrong(shades);
    let taken = |s: &Shade| match s.side {
        Side::Inside => Side::Inside,
        Side::Outside | Side::Unknown => Side::Outside,
    };
    let agrees = shades.last().is_none_or(|s| taken(s) == side);
    for shade in shades {
        shade.side = match (taken(shade), agrees) {
            (Side::Inside, true) | (Side::Outside | Side::Unknown, false) => Side::Inside,
            (Side::Inside, false) | (Side::Outside | Side::Unknown, true) => Side::Outside,
        };
    }
    let before = if agrees { wrong } else { 1.0 - wrong };
    let still = before * CHECK_WRONG;
    still / (still + (1.0 - before) * (1.0 - CHECK_WRONG))
}

fn parity_share(mirrored: bool, diagonal: bool) -> f64 {
    if mirrored == expected_mirrored(diagonal) {
        1.0 - MIRROR_WRONG
    } else {
        MIRROR_WRONG
    }
}

/// The turn that this shade alone asks for.
fn turn_of(shade: &Shade, mirrored: bool) -> f64 {
    let t = if mirrored {
        -shade.tube_deg
    } else {
        shade.tube_deg
    };
    let half = if shade.side == Side::Inside {
        180.0
    } else {
        0.0
    };
    (shade.picture_deg - t - half).rem_euclid(360.0)
}

/// How far two clock directions are apart, degrees, 0 to 180.
pub fn apart_deg(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(360.0);
    d.min(360.0 - d)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn shade(map: Map, tube_deg: f64, side: Side) -> Shade {
        let half = if side == Side::Inside { 180.0 } else { 0.0 };
        Shade {
            tube_deg,
            picture_deg: (map.to_picture(tube_deg) + half).rem_euclid(360.0),
            side,
        }
    }

    #[test]
    fn two_shades_give_rotation_and_parity_on_either_side() {
        for mirrored in [false, true] {
            for turn in 0..24 {
                for side in [Side::Inside, Side::Outside] {
                    let map = Map {
                        turn_deg: f64::from(turn) * 15.0,
                        mirrored,
                    };
                    let shades = [shade(map, 30.0, side), shade(map, 120.0, side)];
                    for diagonal in [false, true] {
                        let found = Orientation::from_shades(&shades, diagonal);
                        let best = found.best().unwrap();
                        assert_eq!(best.map.mirrored, mirrored);
                        assert!(apart_deg(best.map.turn_deg, map.turn_deg) < 1e-6);
                        assert!(best.weight > 0.8);
                        let odd = mirrored != expected_mirrored(diagonal);
                        assert_eq!(found.contradiction.is_some(), odd);
                    }
                }
            }
        }
    }

    #[test]
    fn one_shade_and_the_diagonal_do_for_a_start() {
        let map = Map {
            turn_deg: 75.0,
            mirrored: false,
        };
        let found = Orientation::from_shades(&[shade(map, 0.0, Side::Outside)], true);
        let best = found.best().unwrap();
        assert!(!best.map.mirrored && apart_deg(best.map.turn_deg, 75.0) < 1e-6);
        // The mirrored way and the other side of focus are kept in mind.
        let told = found
            .candidates
            .iter()
            .filter(|c| c.reading != Reading::Open);
        assert_eq!(told.count(), 4);
        let sum: f64 = found.candidates.iter().map(|c| c.weight).sum();
        assert!((sum - 1.0).abs() < 1e-9);
    }

    /// Bayes' rule by hand: of 1000 sides entered 120 are wrong. Checked once with an
    /// error of 1 in 50, 880 x 0.98 are rightly and 120 x 0.02 wrongly said to be as
    /// entered; 120 x 0.98 rightly and 880 x 0.02 wrongly to be the other.
    #[test]
    fn a_checked_side_counts_beside_the_one_entered() {
        let told = [shade(
            Map {
                turn_deg: 75.0,
                mirrored: false,
            },
            0.0,
            Side::Outside,
        )];
        let mut shades = told;
        let wrong = check_side(&mut shades, Side::Outside);
        assert_eq!(shades, told);
        assert!((wrong - 2.4 / 864.8).abs() < 1e-9, "{wrong}");
        let wrong = check_side(&mut shades, Side::Inside);
        assert_eq!(shades[0].side, Side::Inside);
        assert!((wrong - 17.6 / 135.2).abs() < 1e-9, "{wrong}");
        let found = Orientation::from_shades_on(&shades, wrong, true);
        let best = found.best().unwrap();
        assert!(apart_deg(best.map.turn_deg, 255.0) < 1e-6 && best.weight > 0.7);
        assert_eq!(best.reading, Reading::AsTold);
        // Where no side was entered, only the check tells.
        let mut open = [Shade {
            side: Side::Unknown,
            ..told[0]
        }];
        assert!((check_side(&mut open, Side::Inside) - CHECK_WRONG).abs() < 1e-9);
        assert_eq!(open[0].side, Side::Inside);
    }

    #[test]
    fn shades_that_cannot_both_be_are_pointed_out() {
        let shades = [(0.0, 0.0), (90.0, 180.0)].map(|(tube_deg, picture_deg)| Shade {
            tube_deg,
            picture_deg,
            side: Side::Outside,
        });
        let found = Orientation::from_shades(&shades, true);
        assert!(found.contradiction.unwrap().contains("do not fit together"));
    }

    #[test]
    fn the_matrix_says_what_the_clocks_say() {
        for mirrored in [false, true] {
            let map = Map {
                turn_deg: 200.0,
                mirrored,
            };
            for tube in [0.0, 33.0, 210.0] {
                let v = |deg: f64| Vector2::new(deg.to_radians().sin(), deg.to_radians().cos());
                assert!((map.matrix() * v(tube) - v(map.to_picture(tube))).norm() < 1e-12);
                assert!(apart_deg(map.to_tube(map.to_picture(tube)), tube) < 1e-9);
            }
        }
    }
}
