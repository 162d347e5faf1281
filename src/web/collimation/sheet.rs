//! The lists of collimation sessions, running and past, and one collimation session on paper with all
//! its star checks and adjustments.

use askama::Template;
use axum::response::Response;

use super::super::access::{Access, Route};
use super::super::extract::{Path, Query};
use super::super::page::{Layout, RequestContext, page};
use super::super::tables::{Cell, csv_response};
use super::super::{Error, address, show};
use super::draw::{donut_address, tube_svg};
use super::log::{Looked, looked, screws_of, step_words, told, when};
use super::stop::{before_after, ended_words};
use super::{collimation_address, sheet_address};
use crate::bench::adjustment::{Adjustment, Purpose};
use crate::bench::advice::{Why, defocus_waves};
use crate::bench::replay::Step;
use crate::bench::words::work_words;
use crate::library::club::Club;
use crate::library::collimation_lists::{self, InShort};
use crate::library::collimations::{Collimation, Record};
use crate::library::instruments::Instrument;
use crate::library::{CollimationId, Conn, InstrumentId};

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/collimations", list),
        Route::get(Volunteer, "/collimations.csv", csv),
        Route::get(Volunteer, "/collimations/{id}/sheet", sheet),
    ]
}

/// A collimation session in a list.
pub struct Row {
    /// Where it is.
    pub path: String,
    /// Where it is on paper.
    pub sheet: String,
    /// The instrument.
    pub tag: String,
    /// Where that is.
    pub base: String,
    /// Its name.
    pub name: String,
    /// When and by whom it was begun.
    pub begun: String,
    /// Status or ended.
    pub how: String,
    /// Before, after and how many turns; "" while it runs.
    pub what: String,
    /// Whether it still runs.
    pub running: bool,
}

fn how(of: &InShort) -> &'static str {
    match of.ended.as_ref().map(|e| e.outcome.why) {
        None => "running",
        Some(Some(Why::InLine)) => "collimated",
        Some(Some(Why::Unseen)) => "that night showed no more",
        Some(Some(Why::Coarse)) => "screws too coarse",
        Some(Some(Why::Nothing)) => "looked at only",
        Some(None) => "ended early",
    }
}

impl Row {
    fn of(club: &Club, of: InShort) -> Self {
        let how = match &of.ended {
            Some(_) => how(&of).to_owned(),
            None => format!("running, last touched {}", show::time(club, of.last_at)),
        };
        Self {
            path: collimation_address(of.id),
            sheet: sheet_address(of.id),
            base: address::instrument(&of.tag),
            begun: format!("{}, {}", show::time(club, of.started_at), of.started_by),
            how: show::capital(&how),
            what: of.ended.as_ref().map_or_else(String::new, |e| {
                before_after(e.outcome.before, e.outcome.after, e.outcome.adjustments)
            }),
            running: of.ended.is_none(),
            tag: of.tag,
            name: of.name,
        }
    }
}

/// The collimation sessions of one instrument, or all, the newest first.
pub async fn rows(
    conn: &mut Conn,
    club: &Club,
    instrument: Option<InstrumentId>,
) -> Result<Vec<Row>, Error> {
    let all = collimation_lists::all(conn, instrument).await?;
    Ok(all.into_iter().map(|of| Row::of(club, of)).collect())
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    tag: String,
}

#[derive(Template)]
#[template(path = "collimation/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    back: (String, String),
    /// The instrument they are of, or "".
    base: String,
    running: Vec<Row>,
    past: Vec<Row>,
    csv: String,
}

async fn of_tag(conn: &mut Conn, asked: &Asked) -> Result<Option<Instrument>, Error> {
    match asked.tag.trim() {
        "" => Ok(None),
        tag => Ok(Some(Instrument::by_tag(conn, tag).await?)),
    }
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = of_tag(&mut conn, &asked).await?;
    let all = rows(&mut conn, context.club(), instrument.as_ref().map(|i| i.id)).await?;
    let (running, past) = all.into_iter().partition(|r| r.running);
    page(&match instrument {
        Some(i) => ListPage {
            layout: context.layout(&format!("Collimation sessions with {}", i.tag)),
            lede: i.name.clone(),
            back: (address::instrument(&i.tag), i.tag.clone()),
            base: address::instrument(&i.tag),
            csv: format!("/collimations.csv?tag={}", i.tag),
            running,
            past,
        },
        None => ListPage {
            layout: context.layout("Collimation sessions"),
            lede: "Running and ended.".to_owned(),
            back: ("/bench".to_owned(), "Bench".to_owned()),
            base: String::new(),
            csv: "/collimations.csv".to_owned(),
            running,
            past,
        },
    })
}

async fn csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = of_tag(&mut conn, &asked).await?;
    let all = collimation_lists::all(&mut conn, instrument.map(|i| i.id)).await?;
    let pair = |of: Option<(f64, f64)>| match of {
        Some((value, sigma)) => [Cell::number(value, 4), Cell::number(sigma, 4)],
        None => [Cell::from(""), Cell::from("")],
    };
    csv_response(
        &[
            "tag",
            "begun",
            "begun by",
            "ended",
            "ended by",
            "how",
            "coma before waves",
            "its sigma",
            "coma after waves",
            "its sigma",
            "adjustments",
            "star checks",
            "collimation",
        ],
        all.into_iter().map(|of| {
            let how = how(&of);
            let o = of.ended.as_ref().map(|e| &e.outcome);
            let [before, before_sigma] = pair(o.and_then(|o| o.before));
            let [after, after_sigma] = pair(o.and_then(|o| o.after));
            vec![
                Cell::from(of.tag.as_str()),
                Cell::time(context.club(), of.started_at),
                Cell::from(of.started_by.as_str()),
                Cell::from(of.ended.as_ref().map(|e| Cell::time(context.club(), e.at))),
                Cell::from(of.ended.as_ref().map_or("", |e| e.by.as_str())),
                Cell::from(how),
                before,
                before_sigma,
                after,
                after_sigma,
                Cell::Figure(o.map_or_else(String::new, |o| o.adjustments.to_string())),
                Cell::Figure(o.map_or_else(String::new, |o| o.looks.to_string())),
                Cell::Figure(of.id.to_string()),
            ]
        }),
    )
}

/// One line of the sheet.
struct SheetLine {
    /// When and by whom, and when it was undone.
    when: String,
    what: String,
    /// A look at the star, drawn.
    star: String,
    /// A turn, drawn.
    tube: String,
    /// Whether a stage begins here.
    stage: bool,
    /// Whether it was undone.
    struck: bool,
}

#[derive(Template)]
#[template(path = "collimation/sheet.html")]
struct SheetPage {
    layout: Layout,
    path: String,
    tag: String,
    name: String,
    size: String,
    begun: String,
    ended: Option<(String, Vec<String>)>,
    /// First and last look at the star, drawn.
    stars: Option<(String, String)>,
    aim: String,
    optics: String,
    lines: Vec<SheetLine>,
    printed: String,
}

fn star(coma: [f64; 2], w020: f64, obstruction: f64) -> String {
    let most = 3.0 / coma[0].hypot(coma[1]).max(3.0);
    donut_address(coma.map(|c| c * most), w020, obstruction)
}

fn lines(club: &Club, collimation: &Collimation) -> Vec<SheetLine> {
    let eps = collimation.setup.obstruction;
    let mut lines = Vec::new();
    for (s, work) in told(collimation) {
        let struck = s.struck.is_some();
        let mut line = SheetLine {
            when: when(club, s),
            what: String::new(),
            star: String::new(),
            tube: String::new(),
            stage: false,
            struck,
        };
        match &s.record {
            Record::Undone { .. } => {}
            Record::Stage { work } => {
                line.stage = !struck;
                line.what = work_words(*work).to_owned();
            }
            Record::Ready => line.what = "List before the session: done.".to_owned(),
            Record::Taken { taken } => {
                let at = looked(work);
                line.what = step_words(taken, at, &screws_of(collimation, work));
                match taken {
                    _ if struck => {}
                    Step::Look { coma, .. } if at == Looked::Star => {
                        let w020 = defocus_waves((*coma).into(), eps);
                        line.star = star(*coma, w020, eps);
                    }
                    Step::Adjustment { parts, .. } => {
                        let adjustment = Adjustment {
                            parts: parts.clone(),
                            purpose: Purpose::Correct,
                            expected_waves: 0.0,
                            range_waves: [0.0; 2],
                        };
                        line.tube = tube_svg(&screws_of(collimation, work), Some(&adjustment));
                    }
                    _ => {}
                }
            }
        }
        lines.push(line);
    }
    lines
}

/// The first and the last look at the star.
pub fn first_and_last(collimation: &Collimation) -> Option<([f64; 2], [f64; 2])> {
    let mut found: Option<([f64; 2], [f64; 2])> = None;
    for (step, work) in told(collimation) {
        if let Record::Taken {
            taken: Step::Look { coma, .. },
        } = &step.record
            && step.struck.is_none()
            && looked(work) == Looked::Star
        {
            found = Some((found.map_or(*coma, |(first, _)| first), *coma));
        }
    }
    found
}

/// The two drawn, at the same defocus.
pub fn first_and_last_drawn(collimation: &Collimation) -> Option<(String, String)> {
    let eps = collimation.setup.obstruction;
    first_and_last(collimation).map(|(first, last)| {
        let w020 = defocus_waves(first.into(), eps);
        (star(first, w020, eps), star(last, w020, eps))
    })
}

async fn sheet(context: RequestContext, Path(id): Path<CollimationId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let club = context.club();
    let collimation = Collimation::get(&mut conn, id).await?;
    let instrument = Instrument::get(&mut conn, collimation.instrument_id).await?;
    let setup = &collimation.setup;
    let n = &setup.numbers;
    page(&SheetPage {
        layout: context.layout(&format!(
            "Sheet of a collimation session with {}",
            collimation.tag
        )),
        path: collimation_address(id),
        tag: collimation.tag.clone(),
        name: instrument.name.clone(),
        size: format!(
            "{} aperture, {} focal length, obstruction {:.2}{}",
            show::length(club, instrument.aperture_mm),
            show::length(club, instrument.focal_mm),
            setup.obstruction,
            if setup.diagonal {
                ", with a diagonal"
            } else {
                ""
            }
        ),
        begun: format!(
            "{} by {}",
            show::time(club, collimation.started_at),
            collimation.started_by
        ),
        ended: collimation.ended.as_ref().map(|e| {
            let o = &e.outcome;
            (
                format!("{} by {}", show::time(club, e.at), e.by),
                ended_words(o.why, o.before, o.after, o.adjustments, o.better_night),
            )
        }),
        stars: first_and_last_drawn(&collimation),
        aim: format!("at most {:.3} waves RMS of coma", setup.threshold_waves),
        optics: match setup.layout {
            Some(_) => format!(
                "primary f/{}, {} from the primary back to the focus (assumed)",
                show::trimmed(n.primary_ratio, 2),
                show::length(club, n.back_focus_mm)
            ),
            None => "not traced".to_owned(),
        },
        lines: lines(club, &collimation),
        printed: show::time(club, context.now()),
    })
}
