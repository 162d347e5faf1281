//! Where a sitting stands: its records played through.

use nalgebra::Matrix2;

use super::Error;
use crate::bench::advice::Aim;
use crate::bench::course::{Course, Footing, Step};
use crate::bench::mechanical::{self, Stage};
use crate::bench::plan::{Plan, Work, plan, response_of};
use crate::bench::response::Trust;
use crate::bench::screw::{Element, Screw};
use crate::library::sittings::{self, Record, Sitting};
use crate::library::{Conn, Moment};
use crate::optics::alignment::PerArcmin;
use crate::optics::prescription::{Layout, Prescription};

/// Where a sitting stands.
pub struct Standing {
    /// The stages of this instrument.
    pub plan: Plan,
    /// The stage it is at.
    pub work: Work,
    /// How many stages of the plan were begun.
    pub begun: usize,
    /// Whether the list of what comes before was gone through.
    pub ready: bool,
    /// The stage's steps, played through.
    pub course: Course,
    /// Goes in all stages.
    pub goes: usize,
    /// Looks at the star in all stages.
    pub looks: usize,
    /// RMS coma and 1-sigma of the first look at the star, waves.
    pub before: Option<(f64, f64)>,
    /// When a screw was last turned.
    pub last_go: Option<Moment>,
    /// The optics, where they can be traced.
    pub optics: Option<Prescription>,
}

/// The plan for a sitting's ground.
pub fn plan_of(ground: &sittings::Ground) -> (Option<Prescription>, Plan) {
    let optics = ground
        .layout
        .and_then(|layout| Prescription::new(layout, ground.numbers).ok());
    let plan = match &optics {
        Some(optics) => plan(optics, &ground.screws, ground.threshold_waves),
        None => Plan {
            stages: vec![Work::LookOnly],
            words: if ground.layout.is_some() {
                "No optics of this design fit the numbers given, so nothing can be said of its screws: look at the star and log it."
            } else {
                "There is nothing on it for a club to turn: look and log it; if it is out of its limit, it goes to someone qualified."
            }
            .to_owned(),
        },
    };
    (optics, plan)
}

fn nothing() -> PerArcmin {
    PerArcmin {
        coma: Matrix2::zeros(),
        coma_centred: Matrix2::zeros(),
        w131: [Matrix2::zeros(); 2],
        jump_mm: Matrix2::zeros(),
    }
}

fn of_element(screws: &[Screw], element: Element) -> Vec<Screw> {
    screws
        .iter()
        .filter(|s| s.element == element)
        .cloned()
        .collect()
}

fn footing(sitting: &Sitting, optics: Option<&Prescription>, work: Work) -> Footing {
    let ground = &sitting.ground;
    let plain = |screws: Vec<Screw>, per_arcmin: PerArcmin| Footing {
        screws,
        per_arcmin,
        learnt: None,
        on_the_tube: false,
        lies: None,
        diagonal: ground.diagonal,
        focal_mm: ground.numbers.focal_mm,
        aim: Aim {
            threshold_waves: ground.threshold_waves,
            ..Aim::default()
        },
        trust: Trust::default(),
    };
    let response = |element| {
        optics
            .and_then(|o| response_of(o, element).ok().flatten())
            .unwrap_or_else(nothing)
    };
    match work {
        Work::Star(element) => plain(of_element(&ground.screws, element), response(element)),
        Work::Mechanical(Stage::Primary) => mechanical::primary(
            of_element(&ground.screws, Element::Primary),
            ground.numbers.focal_mm,
            response(Element::Primary).coma_centred_rms(),
            ground.threshold_waves,
        ),
        Work::Mechanical(Stage::Secondary) => mechanical::secondary(
            of_element(&ground.screws, Element::Secondary),
            ground.numbers.focal_mm,
            ground.numbers.focal_mm - ground.numbers.back_focus_mm,
            90.0,
        ),
        Work::Mechanical(Stage::Focuser) | Work::Corners | Work::LookOnly => {
            plain(Vec::new(), nothing())
        }
    }
}

/// Plays a sitting through.
pub async fn standing(conn: &mut Conn, sitting: &Sitting) -> Result<Standing, Error> {
    let (optics, plan) = plan_of(&sitting.ground);
    let mut at = Standing {
        work: plan.stages.first().copied().unwrap_or(Work::LookOnly),
        plan,
        begun: 0,
        ready: false,
        course: Course::new(footing(sitting, optics.as_ref(), Work::LookOnly)),
        goes: 0,
        looks: 0,
        before: None,
        last_go: None,
        optics,
    };
    let mut learnt_here = None;
    let mut shades: Vec<Step> = Vec::new();
    for written in &sitting.steps {
        match &written.record {
            Record::Stage { work } => {
                if at.goes > 0 && matches!(at.work, Work::Star(_)) {
                    learnt_here = at
                        .course
                        .response()
                        .learnt()
                        .map(|learnt| (at.work, learnt));
                }
                at.work = *work;
                at.begun += 1;
                let mut ground = footing(sitting, at.optics.as_ref(), *work);
                if let Work::Star(element) = work {
                    ground.learnt = match &learnt_here {
                        Some((earlier, learnt)) if earlier == work => Some(learnt.clone()),
                        _ => {
                            sittings::learnt(
                                conn,
                                sitting.instrument_id,
                                *element,
                                &ground.screws,
                                sitting.started_at,
                            )
                            .await?
                        }
                    };
                }
                at.course = Course::new(ground);
                if matches!(work, Work::Star(_)) {
                    shades.iter().for_each(|shade| at.course.take(shade));
                }
            }
            Record::Ready => at.ready = true,
            Record::Taken { taken } => {
                let at_star = !matches!(at.work, Work::Mechanical(_));
                match taken {
                    Step::Shade { anew, .. } => {
                        if *anew {
                            shades.clear();
                        }
                        shades.push(taken.clone());
                    }
                    Step::Look { coma, sigma } if at_star => {
                        at.looks += 1;
                        at.before.get_or_insert((coma[0].hypot(coma[1]), *sigma));
                    }
                    Step::Go { .. } => {
                        at.goes += 1;
                        at.last_go = Some(written.at);
                    }
                    _ => {}
                }
                at.course.take(taken);
            }
        }
    }
    Ok(at)
}

impl Standing {
    /// The stage after this one.
    pub fn next_stage(&self) -> Option<Work> {
        let here = self.plan.stages.iter().position(|w| *w == self.work)?;
        self.plan.stages.get(here + 1).copied()
    }

    /// Whether a look is at the star rather than at a mark.
    pub fn at_star(&self) -> bool {
        matches!(self.work, Work::Star(_) | Work::LookOnly)
    }
}

/// A stage in words.
pub fn work_words(work: Work) -> &'static str {
    match work {
        Work::Mechanical(Stage::Focuser) => "Focuser",
        Work::Mechanical(Stage::Secondary) => "Flat, by the laser",
        Work::Mechanical(Stage::Primary) => "Primary, by its mark",
        Work::Star(Element::Primary) => "Star: primary",
        Work::Star(Element::Secondary) => "Star: secondary",
        Work::Star(Element::ObjectiveCell) => "Star: objective",
        Work::Corners => "Corners of the field",
        Work::LookOnly => "A look at the star",
    }
}

/// Whether the front has glass over the whole aperture.
pub fn has_glass_front(layout: Option<Layout>) -> bool {
    matches!(
        layout,
        Some(
            Layout::SchmidtCassegrain
                | Layout::AplanaticSchmidtCassegrain
                | Layout::MaksutovCassegrain
                | Layout::Refractor
        )
    )
}
