//! A collimation session's course: the steps that were taken, played through to where it
//! stands. Nothing is kept beside the steps, so that a collimation session can be taken up
//! by anyone at any time.

use nalgebra::{DVector, Matrix2xX, Vector2};

pub use super::eye::Eye;

use super::adjustment::{Aim, Tally, Tension, turns_of};
use super::advice::{Next, advise};
use super::orientation::{Orientation, Reading, Shade};
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
    shades: Vec<Shade>,
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
                    self.since.clear();
                    self.tally.looks_since = 0;
                    self.tally.sigmas.clear();
                    self.tally.history.clear();
                }
                self.shades.push(*shade);
                self.orientation = Orientation::from_shades(&self.shades, self.footing.diagonal);
                self.response = Response::new(&self.prior, &self.orientation, self.footing.trust);
                for earlier in std::mem::take(&mut self.since) {
                    self.play(&earlier);
                    self.since.push(earlier);
                }
            }
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
            Step::Shade { .. } | Step::Tension { .. } => {}
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
        // Where no shade test was made, none was misread.
        let misread = |n: &Noticed| *n == Noticed::ShadeMisread && self.shades.is_empty();
        self.response.noticed().filter(|n| !misread(n))
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
    use crate::orientation::Side;
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

    #[test]
    fn steps_keep_their_shape_as_json() {
        let steps = vec![
            shade(0.0, 40.0),
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
