//! A collimation session's course: the steps that were taken, played through to where it
//! stands. Nothing is kept beside the steps, so that a collimation session can be taken up
//! by anyone at any time.

use nalgebra::{DVector, Matrix2xX, Vector2};

pub use super::eye::Eye;

use super::adjustment::{Aim, Tally, Tension, turns_of};
use super::advice::{Next, advise};
use super::orientation::{Orientation, Reading, Shade, Side, check_side, side_wrong};
use super::response::{Learnt, Noticed, Response, Trust};
use super::screw::{Screw, tilt_per_turn};
use optics::alignment::PerArcmin;

/// What a course rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Footing {
    /// The screws in play.
    pub screws: Vec<Screw>,
    /// What tilting their element does.
    pub per_arcmin: PerArcmin,
    /// What earlier collimation sessions taught of them, if any.
    pub learnt: Option<Learnt>,
    /// Whether looks are told by clock positions on the tube itself rather than
    /// in a picture.
    pub on_the_tube: bool,
    /// How the picture lies, where an earlier stage has found out.
    pub lies: Option<Orientation>,
    /// Whether its looks change their sign with the side of focus, so that half a
    /// turn in how the picture lies may be a side told wrongly.
    pub sign_by_side: bool,
    /// Whether a diagonal is in.
    pub diagonal: bool,
    /// Focal length, mm, to turn a jump into an angle.
    pub focal_mm: f64,
    /// When it is done.
    pub aim: Aim,
    /// How far the ray trace is trusted.
    pub trust: Trust,
}

/// One step.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case", tag = "step")]
pub enum Step {
    /// Shaded the front. Shades before the first go add to each other; one made
    /// after a turned camera starts anew (`anew`).
    Shade {
        /// What was seen.
        #[serde(flatten)]
        shade: Shade,
        /// Whether the picture has been turned since the last one.
        #[serde(default)]
        anew: bool,
    },
    /// Looked.
    Look {
        /// Coma vector in the picture, x right and y up, waves.
        coma: [f64; 2],
        /// 1-sigma per component, waves.
        sigma: f64,
        /// What is known of a look by eye beside that.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        eye: Option<Eye>,
    },
    /// Checked on which side of focus the star of the shades stands, by drawing the
    /// eyepiece out: unknown where it could not be told.
    Side {
        /// What was found.
        side: Side,
    },
    /// Told how the screws feel, without turning any.
    Tension {
        /// Screw by screw.
        tension: Vec<Tension>,
    },
    /// Turned.
    Adjustment {
        /// Sixty-fourths of each screw, clockwise facing it.
        parts: Vec<i32>,
        /// Where the star jumped in the picture, clock degrees, if noted.
        #[serde(default)]
        jump_deg: Option<f64>,
        /// How each screw feels now.
        #[serde(default)]
        tension: Vec<Tension>,
    },
}

/// Where a collimation session stands.
#[derive(Debug, Clone)]
pub struct SessionReplay {
    footing: Footing,
    /// mm of jump per turn, tube's frame.
    jump_mm: Matrix2xX<f64>,
    prior: Learnt,
    /// With the side of focus put right where it was checked.
    shades: Vec<Shade>,
    /// How likely that side is wrong.
    side_wrong: f64,
    /// What a check of it found, if one was made since the picture last lay anew.
    checked: Option<Side>,
    /// Looks and goes since the picture last lay anew.
    since: Vec<Step>,
    orientation: Orientation,
    response: Response,
    tally: Tally,
    adjustments: usize,
}

/// 1-sigma of a jump's direction read by eye, degrees (assumed).
const JUMP_SIGMA_DEG: f64 = 25.0;

impl SessionReplay {
    /// Before the first step.
    pub fn new(footing: Footing) -> Self {
        let tilt = tilt_per_turn(&footing.screws);
        let traced = Learnt::from_trace(&footing.per_arcmin.coma_centred, &tilt, &footing.trust);
        let prior = footing
            .learnt
            .clone()
            .filter(|l| {
                l.screws() == footing.screws.len()
                    && l.covariance.len() == (2 * l.screws()).pow(2)
                    && l.agrees_with(&traced, &footing.trust)
            })
            .map_or(traced, |learnt| learnt.later());
        let orientation = if footing.on_the_tube {
            Orientation::on_the_tube()
        } else if let Some(found) = &footing.lies {
            found.clone()
        } else {
            Orientation::unknown(footing.diagonal)
        };
        let response = Response::new(&prior, &orientation, footing.trust);
        let k = footing.screws.len();
        Self {
            jump_mm: footing.per_arcmin.jump_mm * tilt,
            tally: Tally {
                looks_since: 0,
                sigmas: Vec::new(),
                turned: vec![0; k],
                tension: vec![Tension::Even; k],
                history: Vec::new(),
            },
            shades: Vec::new(),
            side_wrong: side_wrong(&[]),
            checked: None,
            since: Vec::new(),
            adjustments: 0,
            footing,
            prior,
            orientation,
            response,
        }
    }

    /// All steps at once.
    pub fn played(footing: Footing, steps: &[Step]) -> Self {
        let mut course = Self::new(footing);
        for step in steps {
            course.take(step);
        }
        course
    }

    /// One step.
    pub fn take(&mut self, step: &Step) {
        match step {
            Step::Shade { shade, anew } => {
                if *anew {
                    // What the screws do stays known; where the coma points in
                    // the picture does not.
                    self.prior = self.response.learnt().unwrap_or_else(|| self.prior.clone());
                    self.shades.clear();
                    self.checked = None;
                    self.since.clear();
                    self.tally.looks_since = 0;
                    self.tally.sigmas.clear();
                    self.tally.history.clear();
                }
                self.shades.push(*shade);
                if self.checked_side().is_none() {
                    self.side_wrong = side_wrong(&self.shades);
                }
                self.play_again();
            }
            Step::Side { side } if !self.shades.is_empty() => {
                self.checked = Some(*side);
                if *side != Side::Unknown {
                    self.side_wrong = check_side(&mut self.shades, *side);
                    self.play_again();
                }
            }
            // Without a shade the side says nothing.
            Step::Side { .. } => {}
            Step::Look { coma, sigma, eye } => {
                let own = eye.map_or(*sigma, |e| e.own_sigma(*coma, *sigma));
                self.tally.looks_since += 1;
                self.tally.sigmas.push(own);
                let seen = coma[0].hypot(coma[1]);
                self.tally
                    .history
                    .push((seen, own, self.tally.turned.clone()));
                self.play(step);
                self.since.push(step.clone());
            }
            Step::Tension { tension } => {
                if tension.len() == self.footing.screws.len() {
                    self.tally.tension.clone_from(tension);
                }
            }
            Step::Adjustment { parts, tension, .. } => {
                self.tally.looks_since = 0;
                self.tally.sigmas.clear();
                for (sum, p) in self.tally.turned.iter_mut().zip(parts) {
                    *sum += p;
                }
                if tension.len() == self.footing.screws.len() {
                    self.tally.tension.clone_from(tension);
                }
                self.adjustments += 1;
                self.play(step);
                self.since.push(step.clone());
            }
        }
    }

    /// Plays looks and goes again over what shades and side now say.
    fn play_again(&mut self) {
        let diagonal = self.footing.diagonal;
        self.orientation = Orientation::from_shades_on(&self.shades, self.side_wrong, diagonal);
        self.response = Response::new(&self.prior, &self.orientation, self.footing.trust);
        for earlier in std::mem::take(&mut self.since) {
            self.play(&earlier);
            self.since.push(earlier);
        }
    }

    /// What a look or a go teaches.
    fn play(&mut self, step: &Step) {
        match step {
            Step::Look { coma, sigma, eye } => match eye {
                Some(eye) => self.response.look_by(*coma, *sigma, eye),
                None => self.response.look(*coma, *sigma),
            },
            Step::Adjustment {
                parts, jump_deg, ..
            } => {
                let mut turns = turns_of(parts);
                turns.resize(self.footing.screws.len(), 0.0);
                self.response.turn(&turns);
                // A side told wrongly turns the looks round, not the jump.
                if let (Some(deg), false) = (jump_deg, self.footing.sign_by_side) {
                    self.response
                        .jumped(&turns, &self.jump_mm, *deg, JUMP_SIGMA_DEG);
                }
            }
            Step::Shade { .. } | Step::Side { .. } | Step::Tension { .. } => {}
        }
    }

    /// What to do next.
    pub fn next(&self) -> Next {
        advise(
            &self.response,
            &self.footing.screws,
            &self.footing.aim,
            &self.tally,
        )
    }

    /// What it rests on.
    pub fn footing(&self) -> &Footing {
        &self.footing
    }

    /// How the picture lies, by the shade test.
    pub fn orientation(&self) -> &Orientation {
        &self.orientation
    }

    /// The shades made since the picture last lay anew.
    pub fn shades(&self) -> &[Shade] {
        &self.shades
    }

    /// What is known of the coma and of the screws.
    pub fn response(&self) -> &Response {
        &self.response
    }

    /// How many goes there were.
    pub fn adjustments(&self) -> usize {
        self.adjustments
    }

    /// Looks since the last go.
    pub fn looks_since(&self) -> usize {
        self.tally.looks_since
    }

    /// How each screw feels.
    pub fn tension(&self) -> &[Tension] {
        &self.tally.tension
    }

    /// What went differently than asked, if a go has been looked at.
    pub fn noticed(&self) -> Option<Noticed> {
        if self.adjustments == 0 || self.tally.looks_since == 0 {
            return None;
        }
        let checked = self.checked_side().is_some();
        let noticed = match (self.response.noticed(checked)?, checked) {
            // The side is known: what is left is the turn, or how the shades were read.
            (Noticed::OneOfBoth, true) => Noticed::TurnedWrongWay,
            (Noticed::SideWrong, true) => Noticed::ShadeMisread,
            (noticed, _) => noticed,
        };
        // Where no shade test was made, none was misread.
        let misread = noticed == Noticed::ShadeMisread && self.shades.is_empty();
        (!misread).then_some(noticed)
    }

    /// On which side of focus the star stands by a check, if one could tell.
    pub fn checked_side(&self) -> Option<Side> {
        self.checked.filter(|side| *side != Side::Unknown)
    }

    /// Whether the side of focus is to be checked before anything more is turned
    /// ([`Response::doubts_side`]). It is asked once for a picture.
    pub fn asks_side(&self) -> bool {
        self.tally.looks_since > 0
            && self.checked.is_none()
            && !self.shades.is_empty()
            && !self.footing.sign_by_side
            && self.response.doubts_side()
    }

    /// Where the star will jump in the picture when these turns are made: clock
    /// degrees, and how far in arc minutes on the sky.
    pub fn jump(&self, parts: &[i32]) -> Option<(f64, f64)> {
        let (mut map, _) = self.response.leading_map()?;
        if self.footing.sign_by_side && self.response.leading_reading() == Some(Reading::OtherSide)
        {
            map = map.half_turned();
        }
        let turns = DVector::from_vec(turns_of(parts));
        let adjustment: Vector2<f64> = map.matrix() * (&self.jump_mm * turns);
        let arcmin = adjustment.norm() / self.footing.focal_mm / optics::trace::ARCMIN_RAD;
        (arcmin > 0.0).then(|| {
            (
                adjustment
                    .x
                    .atan2(adjustment.y)
                    .to_degrees()
                    .rem_euclid(360.0),
                arcmin,
            )
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::orientation::apart_deg;
    use crate::screw::{Element, Mechanism};
    use nalgebra::Matrix2;

    fn footing() -> Footing {
        let screws = [0.0, 120.0, 240.0]
            .map(|clock_deg| Screw {
                label: String::new(),
                element: Element::Secondary,
                clock_deg,
                pitch_mm: 0.7,
                lever_mm: 20.0,
                mechanism: Mechanism::Pivot,
            })
            .to_vec();
        Footing {
            screws,
            per_arcmin: PerArcmin {
                coma: Matrix2::identity() * 0.02,
                coma_centred: Matrix2::identity() * 0.03,
                w131: [Matrix2::identity(); 2],
                jump_mm: Matrix2::identity() * 0.3,
            },
            learnt: None,
            on_the_tube: false,
            lies: None,
            sign_by_side: false,
            diagonal: true,
            focal_mm: 2000.0,
            aim: Aim::default(),
            trust: Trust::default(),
        }
    }

    fn shade(tube_deg: f64, picture_deg: f64) -> Step {
        Step::Shade {
            shade: Shade {
                tube_deg,
                picture_deg,
                side: Side::Outside,
            },
            anew: false,
        }
    }

    #[test]
    fn playing_the_steps_again_leads_to_the_same_place() {
        let steps = [
            shade(0.0, 40.0),
            Step::Look {
                coma: [0.2, 0.1],
                sigma: 0.02,
                eye: None,
            },
            Step::Adjustment {
                parts: vec![-4, 2, 2],
                jump_deg: Some(200.0),
                tension: vec![],
            },
            Step::Look {
                coma: [0.1, 0.0],
                sigma: 0.02,
                eye: None,
            },
        ];
        let mut walked = SessionReplay::new(footing());
        for step in &steps {
            walked.take(step);
        }
        let played = SessionReplay::played(footing(), &steps);
        assert_eq!(walked.next(), played.next());
        assert_eq!(played.adjustments(), 1);
        // A late second shade counts for the looks before it too.
        let late = SessionReplay::played(footing(), &[steps[1].clone(), steps[0].clone()]);
        let early = SessionReplay::played(footing(), &[steps[0].clone(), steps[1].clone()]);
        assert_eq!(late.next(), early.next());
    }

    #[test]
    fn what_a_misread_collimation_taught_is_not_gone_by() {
        let traced = SessionReplay::new(footing()).prior;
        let with = |factor: f64| {
            let mut learnt = traced.clone();
            learnt.waves_per_turn.iter_mut().for_each(|w| *w *= factor);
            SessionReplay::new(Footing {
                learnt: Some(learnt.clone()),
                ..footing()
            })
            .prior
                == learnt.later()
        };
        assert!(with(1.5) && with(0.6));
        // Backwards, and next to nothing.
        assert!(!with(-1.0) && !with(0.05));
    }

    #[test]
    fn a_tube_without_screws_can_still_be_looked_at() {
        let footing = Footing {
            screws: Vec::new(),
            ..footing()
        };
        let look = Step::Look {
            coma: [0.2, 0.1],
            sigma: 0.02,
            eye: None,
        };
        let course = SessionReplay::played(footing, &[look]);
        let Next::Stop(stop) = course.next() else {
            panic!()
        };
        assert_eq!(stop.why, crate::advice::Why::Nothing);
        assert!((stop.left_waves - 0.2236).abs() < 1e-3);
    }

    #[test]
    fn a_tight_screw_changes_the_advice_at_once() {
        let mut course = SessionReplay::new(footing());
        course.take(&shade(0.0, 0.0));
        course.take(&shade(90.0, 90.0));
        course.take(&Step::Look {
            coma: [0.0, -0.3],
            sigma: 0.01,
            eye: None,
        });
        let Next::Turn(adjustment) = course.next() else {
            panic!()
        };
        // The screw that was asked for goes no further that way.
        let asked = adjustment.parts.iter().position(|p| *p != 0).unwrap();
        let tightens = adjustment.parts[asked] > 0;
        let mut tension = vec![Tension::Even; 3];
        tension[asked] = if tightens {
            Tension::Tight
        } else {
            Tension::Loose
        };
        course.take(&Step::Tension { tension });
        let Next::Turn(adjustment) = course.next() else {
            panic!()
        };
        let now = adjustment.parts[asked];
        assert!(if tightens { now <= 0 } else { now >= 0 }, "{adjustment:?}");
    }

    /// The first turn was made the wrong way, and the star answered as it does on the
    /// other side of focus.
    fn worse() -> SessionReplay {
        let mut course = SessionReplay::new(footing());
        course.take(&shade(0.0, 0.0));
        course.take(&shade(90.0, 90.0));
        let look = |y: f64| Step::Look {
            coma: [0.0, y],
            sigma: 0.01,
            eye: None,
        };
        course.take(&look(-0.3));
        assert!(!course.asks_side());
        course.take(&Step::Adjustment {
            parts: vec![4, -2, -2],
            jump_deg: None,
            tension: Vec::new(),
        });
        assert!(!course.asks_side());
        // A sixteenth on S1 about a pivot: 7.5', 0.225 waves, down instead of up.
        course.take(&look(-0.525));
        course
    }

    #[test]
    fn a_checked_side_tells_a_wrong_turn_from_a_wrong_side() {
        let asked = worse();
        let both = [Noticed::OneOfBoth, Noticed::SideWrong].map(Some);
        assert!(both.contains(&asked.noticed()), "{:?}", asked.noticed());
        assert!(asked.asks_side());
        let with = |side| {
            let mut course = asked.clone();
            course.take(&Step::Side { side });
            assert!(!course.asks_side());
            course
        };
        let next = |course: &SessionReplay| match course.next() {
            Next::Turn(adjustment) => adjustment,
            other => panic!("{other:?}"),
        };
        // Outside, as entered: then it was the turn. What else is left is that the shades
        // were misread, so the next turn does no great harm under either.
        let as_entered = with(Side::Outside);
        assert_eq!(as_entered.noticed(), Some(Noticed::TurnedWrongWay));
        let entered = next(&as_entered);
        assert!(entered.range_waves[1] < 1.4 * 0.525, "{entered:?}");
        // Inside: nothing is left to be noticed, and the next turn is to bring it down.
        let other = with(Side::Inside);
        assert_eq!(other.noticed(), None);
        assert_eq!(other.checked_side(), Some(Side::Inside));
        let inside = next(&other);
        assert!(inside.expected_waves < 0.3, "{inside:?}");
        // Who cannot tell changes nothing but the asking.
        let open = with(Side::Unknown);
        assert_eq!(open.noticed(), asked.noticed());
        assert_eq!(open.next(), asked.next());
        // A picture that lies anew is asked for anew.
        let mut anew = other;
        anew.take(&Step::Shade {
            shade: Shade {
                tube_deg: 0.0,
                picture_deg: 40.0,
                side: Side::Outside,
            },
            anew: true,
        });
        assert_eq!(anew.checked_side(), None);
    }

    #[test]
    fn who_entered_no_side_is_asked_before_the_first_turn() {
        let mut course = SessionReplay::new(footing());
        course.take(&Step::Shade {
            shade: Shade {
                tube_deg: 0.0,
                picture_deg: 0.0,
                side: Side::Unknown,
            },
            anew: false,
        });
        course.take(&Step::Look {
            coma: [0.0, -0.3],
            sigma: 0.01,
            eye: None,
        });
        assert!(course.asks_side());
        let mut sure = course.clone();
        sure.take(&Step::Side { side: Side::Inside });
        assert_eq!(sure.shades()[0].side, Side::Inside);
        let best = sure.orientation().best().unwrap();
        assert!(apart_deg(best.map.turn_deg, 180.0) < 1e-6 && best.weight > 0.7);
    }

    #[test]
    fn steps_keep_their_shape_as_json() {
        let steps = vec![
            shade(0.0, 40.0),
            Step::Side { side: Side::Inside },
            Step::Look {
                coma: [0.2, 0.1],
                sigma: 0.02,
                eye: None,
            },
            Step::Adjustment {
                parts: vec![-4, 2, 2],
                jump_deg: None,
                tension: vec![Tension::Tight; 3],
            },
        ];
        let json = serde_json::to_string(&steps).unwrap();
        assert_eq!(serde_json::from_str::<Vec<Step>>(&json).unwrap(), steps);
    }

    #[test]
    fn the_star_jumps_where_the_lifted_side_throws_it() {
        let mut course = SessionReplay::new(footing());
        course.take(&shade(0.0, 90.0));
        course.take(&Step::Look {
            coma: [0.2, 0.1],
            sigma: 0.02,
            eye: None,
        });
        // An eighth on S1 about a pivot: 0.7/20 -> 120' a turn, 15', 4.5 mm.
        let (deg, arcmin) = course.jump(&[8, -4, -4]).unwrap();
        assert!((deg - 90.0).abs() < 1.0, "{deg}");
        assert!(
            (arcmin - 4.5 / 2000.0 / optics::trace::ARCMIN_RAD).abs() < 0.2,
            "{arcmin}"
        );
    }
}
