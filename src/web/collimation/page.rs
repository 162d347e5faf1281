//! What a collimation session's screen shows.

use askama::Template;

use super::super::by_eye_form::{self, ByEyeFields};
use super::super::fields::FormErrors;
use super::super::page::{Layout, RequestContext};
use super::super::{Error, address, show};
use super::draw::donut_address;
use super::log::{LastNoted, LogLine, Looked, last_noted, log, looked};
use super::looks::CornerFields;
use super::start::points;
use super::stop::{StopView, corners_done, ended_words, mark_done, stop_words};
use super::taking::hour_of;
use super::turn::{TurnView, turn_view};
use super::{collimation_address, sheet_address};
use crate::bench::advice::{Next, defocus_waves};
use crate::bench::before::Point;
use crate::bench::corners;
use crate::bench::mechanical::Stage;
use crate::bench::orientation::Orientation;
use crate::bench::plan::Work;
use crate::bench::replay::Step;
use crate::bench::words::{clock_words, noticed_words, work_words};
use crate::library::attempts::{Attempt, AttemptState};
use crate::library::club::Club;
use crate::library::collimation_replay::{Progress, has_glass_front, progress};
use crate::library::collimations::{Collimation, Record};
use crate::library::instruments::Instrument;
use crate::library::{AttemptId, Conn};
use crate::startest::by_eye::ACCEPTED_WAVES;

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
    /// Whether the shade test is left for later.
    pub without_shade: bool,
    /// The look.
    pub eye: Option<ByEyeFields>,
    /// Mark's offset.
    pub mark_mm: String,
    /// Its direction.
    pub mark_clock: String,
    /// Turns told by hand.
    pub own: Vec<String>,
    /// The four edges of the field.
    pub corners: Option<CornerFields>,
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
    lede: String,
    at: String,
    stages: Vec<(&'static str, &'static str)>,
    plan_words: String,
    view: &'static str,
    errors: FormErrors,
    points: Vec<(Point, bool)>,
    next_shade: String,
    next_shade_hour: String,
    /// Whether a screw may be turned by what the star shows.
    turns: bool,
    shades: Vec<String>,
    shade_again: &'static str,
    contradiction: String,
    typed: Typed,
    eye: ByEyeFields,
    eye_card: &'static str,
    defocus: String,
    measured: Vec<Measured>,
    edges: CornerFields,
    again: bool,
    noticed: &'static str,
    turn: Option<TurnView>,
    pictures: Option<Pictures>,
    coma: Option<(String, String)>,
    stop: Option<StopView>,
    has_next: bool,
    next_words: &'static str,
    mark: &'static str,
    last: Option<LastNoted>,
    log: Vec<LogLine>,
    ended: Option<(String, Vec<String>)>,
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
    let view = match view_of(collimation, &now, &next) {
        "shade" if typed.without_shade || typed.eye.is_some() => "look",
        view => view,
    };
    let eye = match typed.eye.take() {
        Some(eye) => eye,
        None => ByEyeFields::after_the_last(conn, &instrument).await?,
    };
    let measured = if matches!(view, "look" | "stop") && now.at_star() {
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
    let w020 = defocus_waves(coma, setup.obstruction);
    let pictures = (looked && matches!(view, "turn" | "stop")).then(|| Pictures {
        should: donut_address([0.0, 0.0], w020, setup.obstruction),
        does: donut_address([coma.x, coma.y], w020, setup.obstruction),
        caption: format!(
            "Drawn for this instrument, {w020:.0} waves out of focus. Left: in line. Right: as the looks say it is now."
        ),
    });
    let here = now.plan.stages.iter().position(|w| *w == now.work);
    let next_stage = now.next_stage();
    Ok(CollimationPage {
        layout: context.layout(&format!("Collimation session with {}", collimation.tag)),
        path: collimation_address(collimation.id),
        sheet: sheet_address(collimation.id),
        edges,
        base: address::instrument(&collimation.tag),
        tag: collimation.tag.clone(),
        lede: format!(
            "{}. Begun {} by {}.",
            instrument.name,
            show::time(club, collimation.started_at),
            collimation.started_by
        ),
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
            (0, None) => "Make the shade test: it tells which way the screws work",
            (1, None) => "Shade once more: it settles whether the picture is mirrored",
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
        eye_card: by_eye_form::cards_for(setup.obstruction),
        defocus: if looked {
            how_far(w020, instrument.aperture_mm, &eye.star_magnification)
        } else {
            "so far out of focus that the donut shows a handful of rings".to_owned()
        },
        eye,
        measured,
        again: matches!(next, Next::Look { again: true }),
        noticed: now.course.noticed().map_or("", noticed_words),
        turn: match &next {
            Next::Turn(adjustment) => Some(turn_view(
                &now.course,
                adjustment,
                at,
                has_glass_front(setup.layout),
                setup.numbers.aperture_mm,
            )),
            _ => None,
        },
        pictures,
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
        ended: collimation.ended.as_ref().map(|e| {
            (
                format!("Ended {} by {}", show::time(club, e.at), e.by),
                ended_words(
                    e.outcome.why,
                    e.outcome.before,
                    e.outcome.after,
                    e.outcome.adjustments,
                    e.outcome.better_night,
                ),
            )
        }),
        typed,
        errors,
    })
}

/// How far out of focus to look, as one can see it at the eyepiece.
fn how_far(w020: f64, aperture_mm: f64, magnification: &str) -> String {
    let wide = corners::width_arcsec(w020, aperture_mm);
    let looks = magnification
        .trim()
        .parse()
        .ok()
        .filter(|power: &f64| (10.0..=1000.0).contains(power))
        .map_or_else(String::new, |power| {
            format!(
                ", which looks {:.1}\u{b0} wide at {power:.0}x",
                wide * power / 3600.0
            )
        });
    let [least, most] = ACCEPTED_WAVES.map(|waves| corners::width_arcsec(waves, aperture_mm));
    format!(
        "about {w020:.0} waves out of focus: a donut {wide:.0} arc seconds wide{looks}. From {least:.0} to {most:.0} arc seconds is accepted: go farther out where the shadow touches the rim"
    )
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
