//! From a picture down a Newtonian's focuser to the next thing to do: the flat's place
//! first, then its tilt, then the primary's, one at a time. Turns come from the same course
//! as a collimation session's mechanical stages.

use optics::field::newtonian_coma_rms;
use optics::peephole::{Found, Judged, Offset, Told, Verdict, on_the_primary};
use optics::trace::ARCMIN_RAD;

use super::advice::Next;
use super::mechanical::{self, Stage};
use super::replay::{Footing, SessionReplay, Step};
use super::screw::{Element, Screw};
use super::words::{Instruction, clock_words, instructions};

/// The tube's screws, and where its focuser stands, seen from in front, degrees clockwise
/// from 12.
#[derive(Debug, Clone, PartialEq)]
pub struct Tube {
    /// All screws that are known.
    pub screws: Vec<Screw>,
    /// Clock position of the focuser.
    pub focuser_deg: f64,
}

/// What to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// The flat stands off the focuser's axis: move it so far, so that in the picture it
    /// goes to this clock position.
    MoveFlat {
        /// How far, mm.
        mm: f64,
        /// Where to in the picture, clock degrees.
        clock_deg: f64,
    },
    /// Turn screws.
    Turn(Vec<Instruction>),
    /// Tilt flat or primary, whose screws are not known, until what is seen has moved so far.
    Tilt {
        /// How far, mm at the primary.
        mm: f64,
        /// Where to in the picture, clock degrees.
        clock_deg: f64,
    },
    /// The errors are too large to act on: another picture.
    Again,
    /// Nothing here is out beyond its limit.
    Done,
    /// What matters next was not told by the picture.
    NotTold,
}

/// The next step and what it is about.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// Of the session's stages.
    pub stage: Stage,
    /// What to do.
    pub act: Act,
}

/// What to do next; `tube` where its screws are known.
#[must_use]
pub fn next(found: &Found, told: &Told, tube: Option<&Tube>) -> Advice {
    let at = |stage, act| Advice { stage, act };
    if let Some(flat) = found.flat.filter(|f| f.verdict == Verdict::Out) {
        let offset = flat.offset;
        let (mm, clock_deg) = (offset.size_mm(), back(offset));
        return at(Stage::Focuser, Act::MoveFlat { mm, clock_deg });
    }
    let lies = tube.zip(told.front_clock_deg);
    let ratio = told.focal_mm / told.aperture_mm;
    if let Some(tilt) = found.tilt.filter(|t| t.verdict == Verdict::Out) {
        let footing = lies.zip(found.to_flat_mm).map(|((tube, _), to_flat)| {
            let screws = of(tube, Element::Secondary);
            mechanical::secondary(
                screws,
                told.focal_mm,
                told.focal_mm - to_flat,
                tube.focuser_deg,
            )
        });
        // A laser along the focuser's axis would meet the mirror there, seen from the mark.
        let spot = Offset {
            right_mm: -tilt.offset.right_mm,
            up_mm: -tilt.offset.up_mm,
            ..tilt.offset
        };
        return at(Stage::Secondary, tilting(footing, spot, tilt, lies));
    }
    match found.primary {
        None => at(Stage::Primary, Act::NotTold),
        Some(primary) if primary.verdict == Verdict::Out => {
            let footing = lies.map(|(tube, _)| {
                let per_arcmin = newtonian_coma_rms(told.focal_mm * ARCMIN_RAD, ratio);
                let screws = of(tube, Element::Primary);
                let limit = optics::peephole::COMA_LEFT_WAVES * 3.0;
                mechanical::primary(screws, told.focal_mm, per_arcmin, limit)
            });
            at(
                Stage::Primary,
                tilting(footing, primary.offset, primary, lies),
            )
        }
        Some(primary) if primary.verdict == Verdict::CannotTell => at(Stage::Primary, Act::Again),
        Some(_) => at(Stage::Primary, Act::Done),
    }
}

fn of(tube: &Tube, element: Element) -> Vec<Screw> {
    let all = tube.screws.iter().filter(|s| s.element == element);
    all.cloned().collect()
}

/// The clock position opposite to an offset's.
fn back(offset: Offset) -> f64 {
    (offset.clock_deg() + 180.0).rem_euclid(360.0)
}

/// By screws where they are known, else which way what is seen has to go.
fn tilting(
    footing: Option<Footing>,
    look: Offset,
    seen: Judged,
    lies: Option<(&Tube, f64)>,
) -> Act {
    let by_hand = Act::Tilt {
        mm: seen.offset.size_mm(),
        clock_deg: back(seen.offset),
    };
    let (Some(footing), Some((tube, front))) = (footing, lies) else {
        return by_hand;
    };
    if footing.screws.len() < 2 {
        return by_hand;
    }
    let screws = footing.screws.clone();
    let look = Step::Look {
        coma: on_the_primary(look, front, tube.focuser_deg),
        sigma: look.sigma_mm,
        eye: None,
    };
    match SessionReplay::played(footing, &[look]).next() {
        Next::Turn(adjustment) => Act::Turn(instructions(&adjustment, &screws)),
        Next::Look { .. } => Act::Again,
        Next::Stop(_) => by_hand,
    }
}

impl Advice {
    /// In words, one sentence or instruction each; the first is what to do.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let part = match self.stage {
            Stage::Primary => "primary",
            Stage::Focuser | Stage::Secondary => "flat",
        };
        let seen = match self.stage {
            Stage::Primary => "the mark stands in the middle of the bright face",
            Stage::Focuser | Stage::Secondary => "the mark stands on the focuser\u{2019}s axis",
        };
        match &self.act {
            Act::MoveFlat { mm, clock_deg } => vec![format!(
                "Move the flat by {mm:.1} mm, so that it goes towards {} in the picture.",
                clock_words(*clock_deg)
            )],
            Act::Turn(all) => all.iter().map(Instruction::sentence).collect(),
            Act::Tilt { mm, clock_deg } => vec![format!(
                "Tilt the {part} until the mark has gone {mm:.1} mm towards {} in the picture: then {seen}.",
                clock_words(*clock_deg)
            )],
            Act::Again => vec![
                "Take another picture: this one is too close to the limit to tell.".to_owned(),
            ],
            Act::Done => vec![
                "Nothing here is out beyond its limit. Check it on a star.".to_owned(),
            ],
            Act::NotTold => vec![
                "Take another picture in which the primary\u{2019}s mark stands before the bright face.".to_owned(),
            ],
        }
    }

    /// A stable word for what to do.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self.act {
            Act::MoveFlat { .. } => "move-flat",
            Act::Turn(_) => "turn",
            Act::Tilt { .. } => "tilt",
            Act::Again => "again",
            Act::Done => "done",
            Act::NotTold => "not-told",
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::screw::{Mechanism, tilt_per_turn};
    use nalgebra::{DVector, Vector2};

    const TOLD: Told = Told {
        aperture_mm: 200.0,
        focal_mm: 1000.0,
        flat_mm: 50.0,
        draw_mm: Some(46.0),
        outside_focus_mm: 0.0,
        hole_mm: 3.0,
        front_clock_deg: Some(0.0),
    };

    fn tube() -> Tube {
        let screws = [Element::Primary, Element::Secondary]
            .into_iter()
            .flat_map(|element| {
                [("A", 0.0), ("B", 120.0), ("C", 240.0)].map(|(label, clock_deg)| Screw {
                    label: label.to_owned(),
                    element,
                    clock_deg,
                    pitch_mm: 0.7,
                    lever_mm: if element == Element::Primary {
                        130.0
                    } else {
                        20.0
                    },
                    mechanism: Mechanism::Spring,
                })
            })
            .collect();
        Tube {
            screws,
            focuser_deg: 90.0,
        }
    }

    fn judged(right_mm: f64, up_mm: f64, sigma_mm: f64, limit_mm: f64) -> Option<Judged> {
        let offset = Offset {
            right_mm,
            up_mm,
            sigma_mm,
        };
        Some(Judged {
            offset,
            limit_mm,
            verdict: offset.verdict(limit_mm),
        })
    }

    fn found() -> Found {
        Found {
            flat: judged(0.2, 0.1, 0.3, 3.0),
            reflection: None,
            tilt: judged(0.5, 0.2, 1.5, 3.0),
            primary: judged(0.1, 0.1, 0.3, 0.9),
            coma_rms_waves: None,
            coma_sigma_waves: None,
            phone: Offset {
                right_mm: 0.0,
                up_mm: 0.0,
                sigma_mm: 0.3,
            },
            mark_off: None,
            to_flat_mm: Some(190.0),
            chi2: 1.0,
            no_offset_mm: 2.5,
        }
    }

    // Common practice, no source: flat before primary, its place before its tilt.
    #[test]
    fn the_flat_comes_before_the_primary_and_its_place_before_its_tilt() {
        let tube = tube();
        let next = |f: &Found| next(f, &TOLD, Some(&tube));
        let mut f = found();
        assert_eq!(next(&f).act, Act::Done);
        f.primary = judged(6.0, 0.0, 0.3, 0.9);
        assert_eq!(next(&f).stage, Stage::Primary);
        f.tilt = judged(0.0, 20.0, 1.5, 3.0);
        assert_eq!(next(&f).stage, Stage::Secondary);
        f.flat = judged(0.0, 5.0, 0.3, 3.0);
        let advice = next(&f);
        assert_eq!((advice.stage, advice.code()), (Stage::Focuser, "move-flat"));
        assert_eq!(
            advice.words(),
            ["Move the flat by 5.0 mm, so that it goes towards 6 o\u{2019}clock in the picture."]
        );
    }

    // A primary that leans by t puts the mark 2 f t from the ring (mechanical.rs). What is
    // told takes most of the lean away: a look and a turn at the screws themselves.
    #[test]
    fn the_turn_takes_the_primarys_lean_away() {
        let tube = tube();
        for lean in [[2.0, 0.0], [0.0, -3.0], [-2.0, 2.0]] {
            let lean = Vector2::from(lean);
            // On the tube, then as the picture has it with the front up and the focuser at 3.
            let mark = lean * (-2.0 * TOLD.focal_mm * ARCMIN_RAD);
            let mut f = found();
            f.primary = judged(mark.y, mark.x, 0.2, 0.9);
            let Act::Turn(all) = next(&f, &TOLD, Some(&tube)).act else {
                panic!("no turn")
            };
            let screws = of(&tube, Element::Primary);
            let mut turns = DVector::zeros(3);
            for one in &all {
                let sign = if one.clockwise { 1.0 } else { -1.0 };
                turns[one.screw] = sign * one.degrees / 360.0;
            }
            let left = lean + tilt_per_turn(&screws) * turns;
            assert!(left.norm() < 0.45 * lean.norm(), "{lean} {left}");
        }
    }

    #[test]
    fn without_screws_or_the_front_the_way_in_the_picture_is_told() {
        let mut f = found();
        f.primary = judged(3.0, 0.0, 0.3, 0.9);
        let want = "Tilt the primary until the mark has gone 3.0 mm towards 9 o\u{2019}clock in the \
                    picture: then the mark stands in the middle of the bright face.";
        assert_eq!(next(&f, &TOLD, None).words(), [want]);
        let unknown = Told {
            front_clock_deg: None,
            ..TOLD
        };
        assert_eq!(next(&f, &unknown, Some(&tube())).words(), [want]);
        f.primary = judged(0.8, 0.0, 0.3, 0.9);
        assert_eq!(next(&f, &TOLD, None).act, Act::Again);
        f.primary = None;
        assert_eq!(next(&f, &TOLD, None).act, Act::NotTold);
    }
}
