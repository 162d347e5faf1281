//! Where a collimation session stands, its records played through; and the writing that
//! leads it on. The pages and the demo club both go through here.

use nalgebra::Matrix2;

use super::adjusters;
use super::collimations::{self, Collimation, Record, SessionSetup};
use super::entries::{EntryKind, NewEntry};
use super::instruments::Instrument;
use super::star_tests::{Method, StarTest};
use super::{Conn, Moment, PersonId, Result};
use bench::adjustment::Aim;
use bench::corners;
use bench::mechanical::{self, Stage};
use bench::orientation::Orientation;
use bench::plan::{Plan, Work, plan, response_of};
use bench::replay::{Eye, Footing, SessionReplay, Step};
use bench::response::Trust;
use bench::screw::{Element, Screw};
use optics::alignment::PerArcmin;
use optics::prescription::{Layout, Numbers, Prescription};
use startest::by_eye::{RINGS_ERROR, WIDTH_ERROR};

/// Where a collimation session stands.
pub struct Progress {
    /// The stages of this instrument.
    pub plan: Plan,
    /// The stage it is at.
    pub work: Work,
    /// Whether the list of what comes before was gone through.
    pub ready: bool,
    /// The stage's steps, played through.
    pub course: SessionReplay,
    /// The last stage at the star, when the collimation session has gone on from it and no
    /// screw has been turned since.
    pub star: Option<(Work, SessionReplay)>,
    /// Goes in all stages.
    pub adjustments: usize,
    /// Of them, since the stage began.
    pub goes_here: usize,
    /// Looks at the star in all stages.
    pub looks: usize,
    /// RMS coma and 1-sigma of the first look at the star, waves.
    pub before: Option<(f64, f64)>,
    /// When a screw was last turned.
    pub last_go: Option<Moment>,
    /// The optics, where they can be traced.
    pub optics: Option<Prescription>,
}

/// The plan for a collimation session's setup.
pub fn plan_of(setup: &SessionSetup) -> (Option<Prescription>, Plan) {
    let optics = setup
        .layout
        .and_then(|layout| Prescription::new(layout, setup.numbers).ok());
    let plan = match &optics {
        Some(optics) => plan(optics, &setup.screws, setup.threshold_waves),
        None => Plan {
            stages: vec![Work::LookOnly],
            words: if setup.layout.is_some() {
                "No optics of this design fit the numbers given, so nothing can be said of its screws: look at the star and log it."
            } else {
                "There is nothing on it for a club to turn. Do a star check; over its limit, someone qualified should look."
            }
            .to_owned(),
        },
    };
    (optics, plan)
}

/// What a collimation session with this instrument rests on; the usual numbers of its design
/// where none are given.
///
/// # Errors
/// When the library cannot be read.
pub async fn setup(
    conn: &mut Conn,
    instrument: &Instrument,
    numbers: Option<Numbers>,
    diagonal: bool,
    focuser_deg: f64,
    threshold_waves: f64,
) -> Result<SessionSetup> {
    let layout = collimations::layout_of(instrument.design);
    let usual = Numbers::usual(
        layout.unwrap_or(Layout::Refractor),
        instrument.aperture_mm,
        instrument.focal_mm,
    );
    let screws = adjusters::of(conn, instrument.id).await?;
    Ok(SessionSetup {
        layout,
        numbers: numbers.unwrap_or(usual),
        obstruction: instrument.obstruction,
        diagonal,
        focuser_deg,
        screws: screws.iter().filter_map(collimations::screw_of).collect(),
        threshold_waves,
    })
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

fn footing(
    setup: &SessionSetup,
    optics: Option<&Prescription>,
    work: Work,
    lies: Option<&Orientation>,
) -> Footing {
    let plain = |screws: Vec<Screw>, per_arcmin: PerArcmin| Footing {
        screws,
        per_arcmin,
        learnt: None,
        on_the_tube: false,
        lies: None,
        sign_by_side: false,
        diagonal: setup.diagonal,
        focal_mm: setup.numbers.focal_mm,
        aim: Aim {
            threshold_waves: setup.threshold_waves,
            ..Aim::default()
        },
        trust: Trust::default(),
    };
    let response = |element| {
        optics
            .and_then(|o| response_of(o, element).ok().flatten())
            .unwrap_or_else(nothing)
    };
    let screws = |element| of_element(&setup.screws, element);
    match work {
        Work::Star(element) => plain(screws(element), response(element)),
        Work::Mechanical(Stage::Primary) => mechanical::primary(
            screws(Element::Primary),
            setup.numbers.focal_mm,
            response(Element::Primary).coma_centred_rms(),
            setup.threshold_waves,
        ),
        Work::Mechanical(Stage::Secondary) => mechanical::secondary(
            screws(Element::Secondary),
            setup.numbers.focal_mm,
            setup.numbers.focal_mm - setup.numbers.back_focus_mm,
            setup.focuser_deg,
        ),
        Work::Corners => optics
            .and_then(|o| {
                let (screws, limit) = (screws(Element::Primary), setup.threshold_waves);
                corners::footing(o, screws, lies.cloned(), setup.diagonal, limit).ok()
            })
            .unwrap_or_else(|| plain(Vec::new(), nothing())),
        Work::Mechanical(Stage::Focuser) | Work::LookOnly => plain(Vec::new(), nothing()),
    }
}

/// Plays a collimation session through.
///
/// # Errors
/// When the library cannot be read.
pub async fn progress(conn: &mut Conn, collimation: &Collimation) -> Result<Progress> {
    let (optics, plan) = plan_of(&collimation.setup);
    let setup = &collimation.setup;
    let mut at = Progress {
        work: plan.stages.first().copied().unwrap_or(Work::LookOnly),
        plan,
        ready: false,
        course: SessionReplay::new(footing(setup, optics.as_ref(), Work::LookOnly, None)),
        star: None,
        adjustments: 0,
        goes_here: 0,
        looks: 0,
        before: None,
        last_go: None,
        optics,
    };
    let mut learnt_here = None;
    let mut corners: Option<SessionReplay> = None;
    let mut lies = None;
    let mut shades: Vec<Step> = Vec::new();
    for written in collimation.current() {
        match &written.record {
            Record::Stage { work } => {
                if matches!(at.work, Work::Star(_)) && at.course.response().looks() > 0 {
                    let response = at.course.response();
                    lies = Some(response.found());
                    if at.goes_here > 0 {
                        learnt_here = response.learnt().map(|learnt| (at.work, learnt));
                    }
                    at.star = Some((at.work, at.course.clone()));
                }
                if at.work == Work::Corners {
                    corners = Some(at.course.clone());
                }
                at.work = *work;
                at.goes_here = 0;
                if let (Some(earlier), Work::Corners) = (&corners, work) {
                    // What the primary's screws do to the corners stays known.
                    at.course = earlier.clone();
                    continue;
                }
                let mut rests = footing(setup, at.optics.as_ref(), *work, lies.as_ref());
                if let Work::Star(element) = work {
                    rests.learnt = match &learnt_here {
                        Some((earlier, learnt)) if earlier == work => Some(learnt.clone()),
                        _ => {
                            collimations::learnt(
                                conn,
                                collimation.instrument_id,
                                *element,
                                &rests.screws,
                                collimation.started_at,
                            )
                            .await?
                        }
                    };
                }
                let again = matches!(work, Work::Star(_)) && lies.is_some();
                if again {
                    // How the picture lies is known better than by the shades.
                    rests.lies.clone_from(&lies);
                }
                at.course = SessionReplay::new(rests);
                if matches!(work, Work::Star(_)) && !again {
                    shades.iter().for_each(|shade| at.course.take(shade));
                }
            }
            Record::Ready => at.ready = true,
            Record::Undone { .. } => {}
            Record::Taken { taken } => {
                match taken {
                    Step::Shade { anew, .. } => {
                        if *anew {
                            shades.clear();
                        }
                        shades.push(taken.clone());
                    }
                    Step::Side { .. } => shades.push(taken.clone()),
                    Step::Look { coma, sigma, .. } if at.at_star() => {
                        at.looks += 1;
                        at.before.get_or_insert((coma[0].hypot(coma[1]), *sigma));
                    }
                    Step::Adjustment { .. } => {
                        at.adjustments += 1;
                        at.goes_here += 1;
                        at.last_go = Some(written.at);
                        at.star = None;
                    }
                    _ => {}
                }
                at.course.take(taken);
            }
        }
    }
    Ok(at)
}

impl Progress {
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

/// The look that a star test of this aperture is: the coma vector points away from
/// the thin side.
pub fn look_of(test: &StarTest, aperture_mm: f64) -> Step {
    let (s, c) = test.thin_clock_deg.unwrap_or(0.0).to_radians().sin_cos();
    let size = match test.thin_clock_deg {
        Some(_) => test.coma_rms_waves,
        None => 0.0,
    };
    Step::Look {
        coma: [-size * s, -size * c],
        sigma: test.coma_rms_waves_sigma,
        eye: (test.method == Method::ByEye)
            .then(|| Eye::of(width_error(&test.judged), aperture_mm, test.seeing)),
    }
}

/// How well the donut's width was told, as a share of it.
fn width_error(judged: &str) -> f64 {
    let told: Option<serde_json::Value> = serde_json::from_str(judged).ok();
    match told.as_ref().map(|t| &t["width"]["judged_by"]) {
        Some(by) if by == "rings" => RINGS_ERROR,
        _ => WIDTH_ERROR,
    }
}

/// Writes a look down: its star test in the logbook, and the step.
///
/// # Errors
/// As [`collimations::write`].
pub async fn write_look(
    conn: &mut Conn,
    collimation: &Collimation,
    ordinal: i64,
    (test, aperture_mm): (&StarTest, f64),
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let entry = NewEntry {
        instrument: collimation.instrument_id,
        kind: EntryKind::StarTest,
        happened_at: at,
        recorded_at: at,
        by,
        loan: None,
        note: "At a collimation session.".to_owned(),
    };
    let entry = test.log(conn, entry).await?;
    let taken = look_of(test, aperture_mm);
    let record = Record::Taken { taken };
    collimations::write(conn, collimation.id, ordinal, &record, Some(entry), by, at).await
}

/// Whether the front has glass over the whole aperture.
pub fn has_glass_front(layout: Option<Layout>) -> bool {
    layout.is_some_and(|layout| !layout.open_in_front())
}
