//! What a collimation session's screen shows.

use askama::Template;

use super::super::by_eye_form::ByEyeFields;
use super::super::fields::FormErrors;
use super::super::page::{Layout, RequestContext};
use super::super::{Error, address, show};
use super::check::{AskedOnce, CheckView, asked_once, check_view, earlier, shaded_side};
use super::draw::{Stand, hand_svg, hour_of, stand_word};
use super::end::{EndView, end_view};
use super::four_stars::CornerFields;
use super::log::{LastNoted, LogLine, Looked, last_noted, log, looked};
use super::sheet::first_and_last_drawn;
use super::start::points;
use super::stop::{StopView, corners_done, mark_done, stop_words};
use super::turn::{At, TurnView, turn_view};
use super::typed::Typed;
use super::{collimation_address, sheet_address};
use crate::bench::advice::Next;
use crate::bench::before::Point;
use crate::bench::corners;
use crate::bench::mechanical::Stage;
use crate::bench::orientation::Orientation;
use crate::bench::plan::Work;
use crate::bench::replay::Step;
use crate::bench::screw::Element;
use crate::bench::words::{
    clock_words, noticed_words, side_check_why, side_check_words, work_words,
};
use crate::library::attempts::{Attempt, AttemptState};
use crate::library::club::Club;
use crate::library::collimation_replay::{Progress, has_glass_front, progress};
use crate::library::collimations::{Collimation, Record};
use crate::library::instruments::Instrument;
use crate::library::{AttemptId, Conn};

/// A measurement that can be taken in.
pub struct Measured {
    /// Which.
    pub id: AttemptId,
    /// In words.
    pub words: String,
}

#[derive(Template)]
#[template(path = "collimation/collimation.html")]
pub struct CollimationPage {
    layout: Layout,
    path: String,
    sheet: String,
    base: String,
    tag: String,
    at: String,
    /// "adjustment 3".
    doing: String,
    stages: Vec<(&'static str, &'static str)>,
    plan_words: String,
    view: &'static str,
    errors: FormErrors,
    points: Vec<(Point, bool)>,
    next_shade: String,
    next_shade_hour: String,
    hand: String,
    /// Whether a screw may be turned by what the star shows.
    turns: bool,
    shades: Vec<String>,
    shade_again: &'static str,
    contradiction: String,
    typed: Typed,
    eye: ByEyeFields,
    check: CheckView,
    once: AskedOnce,
    measured: Vec<Measured>,
    edges: CornerFields,
    noticed: &'static str,
    /// How the side of focus is checked, and why.
    side_check: (&'static str, &'static str),
    turn: Option<TurnView>,
    /// From where the tube is looked at, as forms carry it, or "".
    stand: String,
    /// The way to the same screw seen from the other side.
    other_stand: String,
    /// The way to the same screw with the drawing turned a quarter.
    turned_stand: String,
    coma: Option<(String, String)>,
    stop: Option<StopView>,
    /// First star check and last, drawn.
    pair: Option<(String, String)>,
    has_next: bool,
    next_words: &'static str,
    mark: &'static str,
    last: Option<LastNoted>,
    log: Vec<LogLine>,
    end: Option<EndView>,
}

impl CollimationPage {
    /// What must be mended of the turns told for one screw.
    fn own_mend(&self, screw: &usize) -> &str {
        self.errors.of(&format!("own-{screw}"))
    }

    /// What was typed there.
    fn own_typed(&self, screw: &usize) -> &str {
        self.typed.own.get(*screw).map_or("", String::as_str)
    }

    /// The way to another screw of the adjustment, from 1.
    fn screw_address(&self, number: usize) -> String {
        let stand = if self.stand.is_empty() {
            String::new()
        } else {
            format!("&stand={}", self.stand)
        };
        format!("{}?screw={number}{stand}", self.path)
    }

    /// What must be mended of one star at the edge of the field.
    fn oval_mend(&self, side: &usize) -> &str {
        self.errors.of(&format!("oval-{side}"))
    }

    /// What was typed there: which way, and how much.
    fn oval_typed(&self, side: &usize) -> (&str, &str) {
        (
            self.edges.drawn.get(*side).map_or("", String::as_str),
            self.edges.oval.get(*side).map_or("", String::as_str),
        )
    }
}

/// The screen.
pub async fn collimation_page(
    context: &RequestContext,
    conn: &mut Conn,
    collimation: &Collimation,
    mut typed: Typed,
    errors: FormErrors,
) -> Result<CollimationPage, Error> {
    let club = context.club();
    let instrument = Instrument::get(conn, collimation.instrument_id).await?;
    let now = progress(conn, collimation).await?;
    let next = now.course.next();
    let setup = &collimation.setup;
    let before = earlier(conn, collimation).await?;
    let me = context.person()?;
    let once = asked_once(
        &now,
        &instrument,
        setup.obstruction,
        before.as_ref(),
        (&me.name, context.now()),
    );
    let entered = typed.eye.take();
    let asks_once = match &entered {
        Some(_) => errors.all().iter().any(|(field, _)| {
            !matches!(field.as_str(), "star_ratio" | "star_clock") && field.starts_with("star_")
        }),
        None => before.is_none() || !once.why.is_empty() || typed.view == "setup",
    };
    let view = match (view_of(collimation, &now, &next), typed.view.as_str()) {
        ("shade", "") if !typed.without_shade && entered.is_none() => "shade",
        ("look", "air") => "air",
        ("look" | "shade", _) => "look",
        ("turn", "screws") => "screws",
        // Once more, though the advice is to stop.
        ("stop", "look" | "setup") if now.at_star() => "look",
        ("stop", _) if now.at_star() && entered.is_some() => "look",
        (view, _) => view,
    };
    let view = if view == "look" && asks_once {
        "setup"
    } else {
        view
    };
    let mut eye = match (entered, &before) {
        (Some(entered), _) => entered,
        (None, Some(before)) => before.eye.clone(),
        (None, None) => {
            let mut blank = ByEyeFields::after_the_last(conn, &instrument).await?;
            blank.star_side = shaded_side(&now).to_owned();
            blank.star_diagonal = if setup.diagonal { "yes" } else { "" }.to_owned();
            blank
        }
    };
    if eye.star_share_of_field.is_empty()
        && eye.star_looks_wide.is_empty()
        && eye.star_rings.is_empty()
        && errors.is_empty()
    {
        once.value.clone_into(&mut eye.star_share_of_field);
    }
    if eye.star_apparent_field.trim().is_empty() {
        eye.star_apparent_field = "50".to_owned();
    }
    let measured = if matches!(view, "look" | "setup" | "stop") && now.at_star() {
        measured(conn, club, collimation).await?
    } else {
        Vec::new()
    };
    let at = looked(now.work);
    let edges = typed.corners.take().unwrap_or_else(|| CornerFields {
        edge_width: show::trimmed(
            corners::width_arcsec(corners::DEFOCUS_WAVES, instrument.aperture_mm),
            0,
        ),
        edge_arcmin: show::trimmed(corners::EDGE_ARCMIN, 0),
        ..CornerFields::default()
    });
    let (coma, spread) = now.course.response().coma();
    let sigma = (spread.trace() / 2.0).max(0.0).sqrt();
    let looked = now.at_star() && now.course.response().looks() > 0;
    let turn = match &next {
        Next::Turn(adjustment) => turn_view(
            &now.course,
            adjustment,
            At {
                looked: at,
                glass: has_glass_front(setup.layout),
                aperture_mm: setup.numbers.aperture_mm,
                step: typed.screw,
                stand: typed.stand,
            },
        ),
        _ => None,
    };
    let end = match &collimation.ended {
        Some(ended) => Some(end_view(context, conn, collimation, &instrument, ended).await?),
        None => None,
    };
    let stand = turn.as_ref().map_or(
        typed.stand.unwrap_or(Stand::facing(Element::Secondary)),
        |t| t.stand,
    );
    let screw = typed.screw + 1;
    let path = collimation_address(collimation.id);
    let seen_from = |stand: Stand| format!("{path}?screw={screw}&stand={}", stand_word(stand));
    let here = now.plan.stages.iter().position(|w| *w == now.work);
    let next_stage = now.next_stage();
    Ok(CollimationPage {
        layout: context.layout(&format!("Collimation session with {}", collimation.tag)),
        doing: doing(view, &now),
        hand: hand_svg(Orientation::next_shade_deg(now.course.shades())),
        check: check_view(&now, setup.obstruction, &eye, instrument.aperture_mm),
        once,
        stand: typed.stand.map(stand_word).unwrap_or_default(),
        other_stand: seen_from(Stand {
            behind: !stand.behind,
            ..stand
        }),
        turned_stand: seen_from(Stand {
            top_deg: (stand.top_deg + 90.0).rem_euclid(360.0),
            ..stand
        }),
        pair: first_and_last_drawn(collimation),
        end,
        path: path.clone(),
        sheet: sheet_address(collimation.id),
        edges,
        base: address::instrument(&collimation.tag),
        tag: collimation.tag.clone(),
        at: collimation.steps.len().to_string(),
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
        points: points(&instrument, setup)
            .into_iter()
            .map(|p| {
                let ticked = typed.ready.iter().any(|r| r == p.code);
                (p, ticked)
            })
            .collect(),
        next_shade: clock_words(Orientation::next_shade_deg(now.course.shades())),
        next_shade_hour: hour_of(Orientation::next_shade_deg(now.course.shades())),
        turns: matches!(now.work, Work::Star(_)),
        shade_again: match (now.course.shades().len(), &now.course.footing().lies) {
            (0, None) => "Make the shade test",
            (1, None) => "Shade once more",
            _ => "Make the shade test again",
        },
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
        measured,
        noticed: now.course.noticed().map_or("", noticed_words),
        side_check: (
            side_check_words(setup.layout),
            side_check_why(now.course.adjustments() > 0),
        ),
        turn,
        coma: looked.then(|| (format!("{:.3}", coma.norm()), show::waves_error(sigma))),
        stop: match (&next, view) {
            (Next::Stop(stop), "stop") => Some(match at {
                Looked::Star => stop_words(
                    stop,
                    coma,
                    instrument.aperture_mm,
                    setup.obstruction,
                    setup.threshold_waves,
                ),
                Looked::Mark => mark_done(stop),
                Looked::Corners => corners_done(stop),
            }),
            _ => None,
        },
        has_next: next_stage.is_some(),
        next_words: next_stage.map_or("", work_words),
        mark: match now.work {
            Work::Mechanical(Stage::Secondary) => "laser",
            _ => "cheshire",
        },
        last: last_noted(collimation, now.work),
        log: log(club, collimation),
        typed,
        errors,
    })
}

/// What is being done, and which time: "adjustment 3".
fn doing(view: &str, now: &Progress) -> String {
    match view {
        "turn" | "screws" => format!("adjustment {}", now.adjustments + 1),
        "look" | "setup" | "air" => format!("star check {}", now.looks + 1),
        "ready" => "before you start".to_owned(),
        "shade" => "shade test".to_owned(),
        "side" => "side of focus".to_owned(),
        "ended" => "ended".to_owned(),
        _ => {
            let words = work_words(now.work);
            let mut letters = words.chars();
            letters.next().map_or_else(String::new, |first| {
                first.to_lowercase().chain(letters).collect()
            })
        }
    }
}

fn view_of(collimation: &Collimation, now: &Progress, next: &Next) -> &'static str {
    if collimation.ended.is_some() {
        return "ended";
    }
    // Marks can be looked at by day and indoors; the list is for the star.
    if !now.ready && !matches!(now.work, Work::Mechanical(_)) {
        return "ready";
    }
    match now.work {
        Work::Mechanical(Stage::Focuser) => return "focuser",
        // A primary's turn puts the middle out of line: the star comes first.
        Work::Corners if now.goes_here > 0 => return "corners-turned",
        _ => {}
    }
    let fresh = now.course.response().looks() == 0
        && now.course.adjustments() == 0
        && now.course.footing().lies.is_none();
    if matches!(now.work, Work::Star(_)) && fresh && now.course.shades().is_empty() {
        return "shade";
    }
    match next {
        Next::Look { .. } | Next::Turn(_) if now.at_star() && now.course.asks_side() => "side",
        Next::Look { .. } if now.at_star() => "look",
        Next::Look { .. } if now.work == Work::Corners => "corners",
        Next::Look { .. } => "mark",
        Next::Turn(_) => "turn",
        Next::Stop(_) => "stop",
    }
}

/// Whether a set of frames was sent after the last look or turn that counts, so that it
/// shows the star as it stands now.
pub fn usable(collimation: &Collimation, attempt: &Attempt) -> bool {
    let from = collimation
        .current()
        .filter(|s| {
            matches!(
                s.record,
                Record::Taken {
                    taken: Step::Look { .. } | Step::Adjustment { .. }
                }
            )
        })
        .map(|s| s.at)
        .next_back()
        .unwrap_or(collimation.started_at);
    attempt.state == AttemptState::Measured && attempt.asked_at >= from
}

/// Measured sets of this instrument that can be taken in.
async fn measured(
    conn: &mut Conn,
    club: &Club,
    collimation: &Collimation,
) -> Result<Vec<Measured>, Error> {
    Ok(Attempt::latest(conn, collimation.instrument_id, 8)
        .await?
        .into_iter()
        .filter(|a| usable(collimation, a))
        .map(|a| Measured {
            id: a.id,
            words: format!("{}, by {}", show::time(club, a.asked_at), a.asked_by_name),
        })
        .collect())
}
