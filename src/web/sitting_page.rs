//! What a sitting's screen shows.

use askama::Template;

use super::Error;
use super::by_eye_form::{self, ByEyeFields};
use super::fields::Mends;
use super::page::{Chrome, Desk};
use super::sitting::points;
use super::sitting_draw::{donut_address, tube_svg};
use super::sitting_state::{Standing, standing, work_words};
use super::{address, show};
use crate::bench::advice::{Feel, Go, Next, Purpose, Stop, Why, defocus_waves};
use crate::bench::before::Point;
use crate::bench::course::{Course, Step};
use crate::bench::loss::loss;
use crate::bench::mechanical::Stage;
use crate::bench::orientation::Orientation;
use crate::bench::plan::Work;
use crate::bench::words::{
    clock_words, instructions, noticed_words, purpose_words, turning_cautions,
};
use crate::library::attempts::{Attempt, AttemptState};
use crate::library::club::Club;
use crate::library::instruments::Instrument;
use crate::library::sittings::{Record, Sitting};
use crate::library::{AttemptId, Conn};

/// What was typed and must be mended.
#[derive(Debug, Default)]
pub struct Typed {
    /// Points ticked.
    pub ready: Vec<String>,
    /// Clock hour shaded.
    pub tube_clock: String,
    /// Clock hour that went dark.
    pub dark_clock: String,
    /// Side of focus of the shade.
    pub shade_side: String,
    /// The look.
    pub eye: Option<ByEyeFields>,
    /// Mark's offset.
    pub mark_mm: String,
    /// Its direction.
    pub mark_clock: String,
    /// Turns told by hand.
    pub own: Vec<String>,
}

/// What to turn.
pub struct TurnView {
    /// Sentences, one for each screw.
    pub sentences: Vec<String>,
    /// What for.
    pub purpose: &'static str,
    /// Where the star will jump, or "".
    pub jump: String,
    /// Cautions of the moment.
    pub cautions: Vec<&'static str>,
    /// The tube.
    pub svg: String,
    /// From where one faces the screws.
    pub faced_from: &'static str,
    /// As the form carries it.
    pub parts: String,
    /// Screws by label with how they feel.
    pub screws: Vec<(String, &'static str)>,
    /// How even the ring should be after it, or "".
    pub expected: String,
}

/// Two pictures side by side.
pub struct Pictures {
    /// In line.
    pub should: String,
    /// As it looks.
    pub does: String,
    /// Beneath.
    pub caption: String,
}

/// One line of what is lost.
pub struct LossLine {
    /// What.
    pub what: String,
    /// As it is.
    pub now: String,
    /// In line.
    pub perfect: String,
}

/// The end.
pub struct StopView {
    /// Head.
    pub title: &'static str,
    /// Sentences.
    pub words: Vec<String>,
    /// What is lost.
    pub losses: Vec<LossLine>,
    /// First-ring pictures.
    pub ring: Option<Pictures>,
}

/// One line of the log.
pub struct LogLine {
    /// When and who.
    pub when: String,
    /// What.
    pub what: String,
}

/// A measurement that can be taken in.
pub struct Measured {
    /// Which.
    pub id: AttemptId,
    /// In words.
    pub words: String,
}

#[derive(Template)]
#[template(path = "sitting/sitting.html")]
pub struct SittingPage {
    chrome: Chrome,
    path: String,
    base: String,
    tag: String,
    lede: String,
    at: String,
    stages: Vec<(&'static str, &'static str)>,
    plan_words: String,
    view: &'static str,
    mends: Mends,
    points: Vec<(Point, bool)>,
    next_shade: String,
    next_shade_hour: String,
    shades: Vec<String>,
    contradiction: String,
    typed: Typed,
    eye: ByEyeFields,
    eye_card: &'static str,
    defocus: String,
    measured: Vec<Measured>,
    again: bool,
    noticed: &'static str,
    turn: Option<TurnView>,
    pictures: Option<Pictures>,
    coma: Option<(String, String)>,
    stop: Option<StopView>,
    has_next: bool,
    next_words: &'static str,
    mark: &'static str,
    log: Vec<LogLine>,
    ended: Option<(String, Vec<String>)>,
}

impl SittingPage {
    /// What must be mended of the turns told for one screw.
    fn own_mend(&self, screw: &usize) -> &str {
        self.mends.of(&format!("own-{screw}"))
    }

    /// What was typed there.
    fn own_typed(&self, screw: &usize) -> &str {
        self.typed.own.get(*screw).map_or("", String::as_str)
    }
}

/// The screen.
pub async fn sitting_page(
    desk: &Desk,
    conn: &mut Conn,
    sitting: &Sitting,
    mut typed: Typed,
    mends: Mends,
) -> Result<SittingPage, Error> {
    let club = desk.club();
    let instrument = Instrument::get(conn, sitting.instrument_id).await?;
    let now = standing(conn, sitting).await?;
    let next = now.course.next();
    let ground = &sitting.ground;
    let view = view_of(sitting, &now, &next);
    let eye = match typed.eye.take() {
        Some(eye) => eye,
        None => ByEyeFields::after_the_last(conn, &instrument).await?,
    };
    let measured = if view == "look" {
        usable(conn, club, sitting).await?
    } else {
        Vec::new()
    };
    let (coma, spread) = now.course.response().coma();
    let sigma = (spread.trace() / 2.0).max(0.0).sqrt();
    let looked = now.at_star() && now.course.response().looks() > 0;
    let w020 = defocus_waves(coma, ground.obstruction);
    let pictures = (looked && matches!(view, "turn" | "stop")).then(|| Pictures {
        should: donut_address([0.0, 0.0], w020, ground.obstruction),
        does: donut_address([coma.x, coma.y], w020, ground.obstruction),
        caption: format!(
            "Drawn for this instrument, {w020:.0} waves out of focus. Left: in line. Right: as the looks say it is now."
        ),
    });
    let here = now.plan.stages.iter().position(|w| *w == now.work);
    let next_stage = now.next_stage();
    Ok(SittingPage {
        chrome: desk.chrome(&format!("Sitting with {}", sitting.tag)),
        path: super::sitting::sitting_address(sitting.id),
        base: address::instrument(&sitting.tag),
        tag: sitting.tag.clone(),
        lede: format!(
            "{}. Begun {} by {}.",
            instrument.name,
            show::time(club, sitting.started_at),
            sitting.started_by
        ),
        at: sitting.steps.len().to_string(),
        stages: now
            .plan
            .stages
            .iter()
            .enumerate()
            .map(|(i, w)| {
                let state = match here {
                    Some(h) if i < h => "done",
                    Some(h) if i == h => "now",
                    _ => "to come",
                };
                (work_words(*w), state)
            })
            .collect(),
        plan_words: now.plan.words.clone(),
        view,
        points: points(&instrument, ground)
            .into_iter()
            .map(|p| {
                let ticked = typed.ready.iter().any(|r| r == p.code);
                (p, ticked)
            })
            .collect(),
        next_shade: clock_words(Orientation::next_shade_deg(now.course.shades())),
        next_shade_hour: hour(Orientation::next_shade_deg(now.course.shades())),
        shades: now
            .course
            .shades()
            .iter()
            .map(|s| {
                format!(
                    "Shaded at {}, dark at {}.",
                    clock_words(s.tube_deg),
                    clock_words(s.picture_deg)
                )
            })
            .collect(),
        contradiction: now
            .course
            .orientation()
            .contradiction
            .clone()
            .unwrap_or_default(),
        eye,
        eye_card: by_eye_form::cards_for(ground.obstruction),
        defocus: if looked {
            format!("about {w020:.0} waves out of focus")
        } else {
            "until the donut shows a handful of rings".to_owned()
        },
        measured,
        again: matches!(next, Next::Look { again: true }),
        noticed: now.course.noticed().map_or("", noticed_words),
        turn: match &next {
            Next::Turn(go) => Some(turn_view(&now.course, go, now.at_star())),
            _ => None,
        },
        pictures,
        coma: looked.then(|| (format!("{:.3}", coma.norm()), format!("{sigma:.3}"))),
        stop: match (&next, view) {
            (Next::Stop(stop), "stop") => Some(if now.at_star() {
                stop_words(
                    stop,
                    instrument.aperture_mm,
                    ground.obstruction,
                    ground.threshold_waves,
                )
            } else {
                mark_done(stop)
            }),
            _ => None,
        },
        has_next: next_stage.is_some(),
        next_words: next_stage.map_or("", work_words),
        mark: match now.work {
            Work::Mechanical(Stage::Secondary) => "laser",
            _ => "cheshire",
        },
        log: log(club, sitting),
        ended: sitting.ended.as_ref().map(|e| {
            (
                format!("Ended {} by {}", show::time(club, e.at), e.by),
                ended_words(
                    e.outcome.why,
                    e.outcome.before,
                    e.outcome.after,
                    e.outcome.goes,
                    e.outcome.better_night,
                ),
            )
        }),
        typed,
        mends,
    })
}

fn hour(deg: f64) -> String {
    match (deg / 30.0).round() as i64 % 12 {
        0 => "12".to_owned(),
        h => h.to_string(),
    }
}

fn view_of(sitting: &Sitting, now: &Standing, next: &Next) -> &'static str {
    if sitting.ended.is_some() {
        return "ended";
    }
    if !now.ready {
        return "ready";
    }
    match now.work {
        Work::Mechanical(Stage::Focuser) => return "focuser",
        Work::Corners => return "corners",
        _ => {}
    }
    let fresh = now.course.response().looks() == 0 && now.course.goes() == 0;
    if matches!(now.work, Work::Star(_)) && fresh && now.course.shades().is_empty() {
        return "shade";
    }
    match next {
        Next::Look { .. } if now.at_star() => "look",
        Next::Look { .. } => "mark",
        Next::Turn(_) => "turn",
        Next::Stop(_) => "stop",
    }
}

/// Measured sets of this instrument made since the sitting began and not yet
/// taken in.
async fn usable(conn: &mut Conn, club: &Club, sitting: &Sitting) -> Result<Vec<Measured>, Error> {
    let taken_until = sitting
        .steps
        .iter()
        .filter(|s| {
            matches!(
                s.record,
                Record::Taken {
                    taken: Step::Look { .. } | Step::Go { .. }
                }
            )
        })
        .map(|s| s.at)
        .next_back()
        .unwrap_or(sitting.started_at);
    Ok(Attempt::latest(conn, sitting.instrument_id, 8)
        .await?
        .into_iter()
        .filter(|a| a.state == AttemptState::Measured && a.asked_at >= taken_until)
        .map(|a| Measured {
            id: a.id,
            words: format!("{}, by {}", show::time(club, a.asked_at), a.asked_by_name),
        })
        .collect())
}

/// What to turn, for a sitting and for the practice bench.
pub fn turn_view(course: &Course, go: &Go, at_star: bool) -> TurnView {
    let screws = &course.footing().screws;
    let (element, mechanism) = screws.first().map_or(
        (
            crate::bench::screw::Element::Secondary,
            crate::bench::screw::Mechanism::Pivot,
        ),
        |s| (s.element, s.mechanism),
    );
    let jump = match course.jump(&go.parts) {
        Some((deg, arcmin)) if at_star => {
            let sure = course
                .response()
                .leading_map()
                .is_some_and(|(_, share)| share > 0.6);
            let far = if arcmin < 2.0 {
                format!("{:.0} arc seconds", arcmin * 60.0)
            } else {
                format!("{arcmin:.0} arc minutes")
            };
            if sure {
                format!(
                    "The star will jump about {far} towards {} in the picture: use a low power, or watch the finder, and bring it back to the centre before you look again.",
                    clock_words(deg)
                )
            } else {
                format!(
                    "The star will jump about {far}; note which way, then bring it back to the centre before you look again."
                )
            }
        }
        _ => String::new(),
    };
    TurnView {
        sentences: instructions(go, screws)
            .into_iter()
            .map(|i| i.sentence)
            .collect(),
        purpose: if at_star || go.purpose != Purpose::Correct {
            purpose_words(go)
        } else {
            "This should bring the mark closer."
        },
        jump,
        cautions: turning_cautions(element, mechanism),
        svg: tube_svg(screws, Some(go)),
        faced_from: element.faced_from(),
        parts: go
            .parts
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(","),
        screws: screws
            .iter()
            .zip(course.feel())
            .map(|(s, f)| {
                (
                    format!("{}, at {}", s.label, clock_words(s.clock_deg)),
                    match f {
                        Feel::Even => "",
                        Feel::Tight => "tight",
                        Feel::Loose => "loose",
                    },
                )
            })
            .collect(),
        expected: if at_star {
            format!(
                "Expected afterwards: about {:.2} waves RMS.",
                go.expected_waves
            )
        } else {
            format!(
                "Expected afterwards: about {:.0} mm off.",
                go.expected_waves
            )
        },
    }
}

fn mark_done(stop: &Stop) -> StopView {
    StopView {
        title: if stop.why == Why::InLine {
            "This mark is where it should be"
        } else {
            "This is as near as the mark can be read"
        },
        words: vec![format!(
            "Left: {:.1} \u{b1} {:.1} mm. The star decides the rest.",
            stop.left_waves, stop.left_sigma_waves
        )],
        losses: Vec::new(),
        ring: None,
    }
}

/// The end of a stage at the star, for a sitting and for the practice bench.
pub fn stop_words(stop: &Stop, aperture_mm: f64, obstruction: f64, threshold: f64) -> StopView {
    let chance = (100.0 * stop.chance_within).round().min(99.0);
    let left = format!(
        "What is left: {:.3} \u{b1} {:.3} waves RMS, against a limit of {threshold:.3}; inside it with {chance:.0} % certainty.",
        stop.left_waves, stop.left_sigma_waves
    );
    let (title, first) = match stop.why {
        Why::InLine => (
            "Stop here: it is in line",
            "More turning could only make it worse.".to_owned(),
        ),
        Why::Unseen => (
            "Stop here: tonight shows no more",
            "What may be left is smaller than tonight\u{2019}s air, or the eye, can show; turning on would be guessing.".to_owned(),
        ),
        Why::Coarse => (
            "Stop here: the screws are too coarse",
            "The smallest turn a hand can make would not bring it closer.".to_owned(),
        ),
        Why::Nothing => (
            "Nothing here to turn",
            if stop.chance_within > 0.7 {
                "The look is logged; it is inside its limit.".to_owned()
            } else {
                "The look is logged. It is not surely inside its limit: it goes to someone qualified.".to_owned()
            },
        ),
    };
    let mut words = vec![first, left];
    if stop.why != Why::Nothing {
        words.push(if stop.better_night {
            "A steadier night is worth another sitting.".to_owned()
        } else {
            "A better night is not needed for this.".to_owned()
        });
    }
    let l = loss(stop.left_waves, aperture_mm, obstruction);
    let mut losses = vec![LossLine {
        what: "Strehl ratio, coma alone".to_owned(),
        now: format!("{:.2}", l.strehl),
        perfect: "1.00".to_owned(),
    }];
    losses.extend(l.contrasts.iter().map(|c| LossLine {
        what: format!(
            "Contrast of detail {} arc seconds from stripe to stripe",
            show::trimmed(c.period_arcsec, 1)
        ),
        now: format!("{:.0} %", 100.0 * c.with_coma),
        perfect: format!("{:.0} %", 100.0 * c.in_line),
    }));
    losses.push(LossLine {
        what: format!(
            "Sharp up to about, for an eye of {} arc minutes",
            show::trimmed(l.acuity_arcmin, 1)
        ),
        now: format!("{:.0}x", l.sharp.magnification),
        perfect: format!("{:.0}x", l.sharp.perfect_magnification),
    });
    StopView {
        title,
        words,
        losses,
        ring: Some(Pictures {
            should: donut_address([0.0, 0.0], 0.0, obstruction),
            does: donut_address([stop.left_waves.min(3.0), 0.0], 0.0, obstruction),
            caption: "For the best nights: the star in focus at the highest power the air bears. Left: in line, the first ring is even all round. Right: with what is left here (its direction aside).".to_owned(),
        }),
    }
}

fn log(club: &Club, sitting: &Sitting) -> Vec<LogLine> {
    let mut mm = false;
    sitting
        .steps
        .iter()
        .map(|s| {
            let what = match &s.record {
                Record::Stage { work } => {
                    mm = matches!(work, Work::Mechanical(_));
                    format!("Stage: {}.", work_words(*work))
                }
                Record::Ready => "Everything before was in order.".to_owned(),
                Record::Taken { taken } => step_words(taken, mm),
            };
            LogLine {
                when: format!("{}, {}", show::time(club, s.at), s.by),
                what,
            }
        })
        .collect()
}

/// A step in words.
pub fn step_words(step: &Step, mm: bool) -> String {
    match step {
        Step::Shade { shade, .. } => format!(
            "Shaded at {}: dark at {}.",
            clock_words(shade.tube_deg),
            clock_words(shade.picture_deg)
        ),
        Step::Look { coma, sigma } if mm => {
            let deg = coma[0].atan2(coma[1]).to_degrees();
            format!(
                "Mark off by {:.1} \u{b1} {sigma:.1} mm towards {}.",
                coma[0].hypot(coma[1]),
                clock_words(deg)
            )
        }
        Step::Look { coma, sigma } => {
            let size = coma[0].hypot(coma[1]);
            let thin = (-coma[0]).atan2(-coma[1]).to_degrees();
            if size > 0.0 {
                format!(
                    "Look: coma {size:.3} \u{b1} {sigma:.3} waves RMS, thin side at {} in the picture.",
                    clock_words(thin)
                )
            } else {
                format!("Look: even all round, \u{b1} {sigma:.3} waves RMS.")
            }
        }
        Step::Feel { .. } => "Said how the screws feel.".to_owned(),
        Step::Go {
            parts, jump_deg, ..
        } => {
            let turns: Vec<String> = parts
                .iter()
                .map(|p| show::trimmed(f64::from(*p) / 4.0, 2))
                .collect();
            let jump = jump_deg
                .map(|d| format!(" The star jumped towards {}.", clock_words(d)))
                .unwrap_or_default();
            format!(
                "Turned, sixteenths clockwise by screw: {}.{jump}",
                turns.join(", ")
            )
        }
    }
}

fn ended_words(
    why: Option<Why>,
    before: Option<(f64, f64)>,
    after: Option<(f64, f64)>,
    goes: usize,
    better_night: bool,
) -> Vec<String> {
    let mut words = vec![
        match why {
            Some(Why::InLine) => "It ended in line.",
            Some(Why::Unseen) => {
                "It ended because that night\u{2019}s air or eye could show no more."
            }
            Some(Why::Coarse) => "It ended because the screws could not be turned more finely.",
            Some(Why::Nothing) => "There was nothing to turn.",
            None => "It was broken off before the advice was to stop.",
        }
        .to_owned(),
    ];
    words.push(before_after(before, after, goes));
    if better_night {
        words.push("A steadier night is worth another sitting.".to_owned());
    }
    words
}

/// Before and after in one sentence.
pub fn before_after(before: Option<(f64, f64)>, after: Option<(f64, f64)>, goes: usize) -> String {
    let turns = match goes {
        0 => "nothing turned".to_owned(),
        1 => "one turn of the screws".to_owned(),
        n => format!("{n} turns of the screws"),
    };
    match (before, after) {
        (Some((b, bs)), Some((a, s))) => format!(
            "Coma {b:.2} \u{b1} {bs:.2} waves RMS before, {a:.3} \u{b1} {s:.3} after; {turns}."
        ),
        (Some((b, bs)), None) => format!("Coma {b:.2} \u{b1} {bs:.2} waves RMS before; {turns}."),
        _ => format!("No look at the star; {turns}."),
    }
}
