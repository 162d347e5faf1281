//! Limits: what is set for each design and instrument, changing one after a
//! look at what the change would do, and every change ever made.

use std::collections::HashSet;

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::Path;
use super::page::{Layout, RequestContext, page};
use super::show::capital;
use super::tables::{self, Cell};
use super::{address, show};
use crate::library::instruments::{Design, Instrument};
use crate::library::limits::{self as set_limits, LimitSet, LimitWhat};
use crate::library::{Conn, InstrumentId, Moment};
use crate::upkeep::limits::{self, Limits, Source, about, unit};

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Coordinator;
    vec![
        Route::get(Coordinator, "/limits", list_page),
        Route::get(Coordinator, "/limits/history", history_page),
        Route::get(Coordinator, "/limits/history.csv", history_csv),
        Route::get(Coordinator, "/instruments/{tag}/limits", instrument_page),
    ]
}

/// A limit as a page shows it.
struct Shown {
    slug: &'static str,
    label: String,
    unit: &'static str,
    about: &'static str,
    value: String,
    /// Where it comes from.
    whose: &'static str,
    /// By whom and when; "" for a default.
    from: String,
}

impl Shown {
    fn of(limits: &Limits, what: LimitWhat, context: &RequestContext) -> Self {
        let limit = limits.of(what);
        let (whose, from) = match &limit.source {
            Source::BuiltIn => ("built in for its design", String::new()),
            Source::ForDesign { by, at } => ("set for its design", signed(context, by, *at)),
            Source::ForInstrument { by, at } => ("its own", signed(context, by, *at)),
        };
        Self {
            slug: what.slug(),
            label: capital(what.label()),
            unit: unit(what),
            about: about(what),
            value: show::trimmed(limit.value, 4),
            whose,
            from,
        }
    }

    fn all(limits: &Limits, context: &RequestContext) -> Vec<Self> {
        LimitWhat::ALL
            .iter()
            .map(|&what| Self::of(limits, what, context))
            .collect()
    }

    /// Those that are about instruments of a design.
    fn that_apply(limits: &Limits, design: Design, context: &RequestContext) -> Vec<Self> {
        LimitWhat::ALL
            .iter()
            .filter(|what| limits::applies(**what, design))
            .map(|&what| Self::of(limits, what, context))
            .collect()
    }
}

/// "Ida Brook, 14 March 2026".
fn signed(context: &RequestContext, by: &str, at: Moment) -> String {
    format!("{by}, {}", show::date(context.club(), at))
}

/// The limits of one design.
struct DesignRow {
    slug: &'static str,
    label: String,
    /// Under each head; none where that limit is not about this design.
    limits: Vec<Option<Shown>>,
}

// ---- the table by design ----

#[derive(Template)]
#[template(path = "limits/list.html")]
struct ListPage {
    layout: Layout,
    heads: Vec<Shown>,
    rows: Vec<DesignRow>,
    own: Vec<OwnRow>,
}

struct OwnRow {
    path: String,
    tag: String,
    name: String,
    limits: Vec<String>,
}

async fn list_page(context: RequestContext) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let sets = set_limits::history(&mut conn).await?;
    let rows = Design::ALL
        .iter()
        .map(|&design| DesignRow {
            slug: design.slug(),
            label: capital(design.label()),
            limits: LimitWhat::ALL
                .iter()
                .map(|&what| {
                    let applies = limits::applies(what, design);
                    let in_force = limits::of_design(design, &sets);
                    applies.then(|| Shown::of(&in_force, what, &context))
                })
                .collect(),
        })
        .collect();
    let own = with_settings(&mut conn, &sets)
        .await?
        .into_iter()
        .filter_map(|i| {
            let in_force = limits::in_force(i.design, i.id, &sets);
            let own: Vec<String> = LimitWhat::ALL
                .iter()
                .filter(|w| in_force.of(**w).source.is_instruments())
                .map(|&w| format!("{w}: {}", with_unit(in_force.of(w).value, w)))
                .collect();
            (!own.is_empty()).then(|| OwnRow {
                path: address::instrument(&i.tag),
                tag: i.particulars.tag,
                name: i.particulars.name,
                limits: own,
            })
        })
        .collect();
    page(&ListPage {
        layout: context.layout("Limits"),
        heads: Shown::all(&limits::of_design(Design::Newtonian, &[]), &context),
        rows,
        own,
    })
}

/// "0.071 waves RMS".
pub(super) fn with_unit(value: f64, what: LimitWhat) -> String {
    format!("{} {}", show::trimmed(value, 4), unit(what))
}

// ---- one instrument's ----

#[derive(Template)]
#[template(path = "limits/instrument.html")]
struct InstrumentPage {
    layout: Layout,
    path: String,
    lede: String,
    rows: Vec<Shown>,
}

async fn instrument_page(
    context: RequestContext,
    Path(tag): Path<String>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let sets = set_limits::history(&mut conn).await?;
    let in_force = limits::in_force(instrument.design, instrument.id, &sets);
    page(&InstrumentPage {
        layout: context.layout(&format!("Limits of {}", instrument.tag)),
        lede: instrument.name.clone(),
        path: address::instrument(&instrument.tag),
        rows: Shown::that_apply(&in_force, instrument.design, &context),
    })
}

// ---- every change ever made ----

struct HistoryRow {
    at: String,
    whose: String,
    what: &'static str,
    value: String,
    by: String,
    reason: String,
}

#[derive(Template)]
#[template(path = "limits/history.html")]
struct HistoryPage {
    layout: Layout,
    rows: Vec<HistoryRow>,
}

/// The instruments that some limit was set for, by tag.
async fn with_settings(conn: &mut Conn, sets: &[LimitSet]) -> Result<Vec<Instrument>, Error> {
    let ids: HashSet<InstrumentId> = sets.iter().filter_map(|set| set.instrument_id).collect();
    let mut instruments = Vec::with_capacity(ids.len());
    for id in ids {
        instruments.push(Instrument::get(conn, id).await?);
    }
    instruments.sort_by(|a, b| a.tag.cmp(&b.tag));
    Ok(instruments)
}

/// Each setting with the words for whose limit it is.
async fn settings(context: &RequestContext) -> Result<Vec<(LimitSet, String)>, Error> {
    let mut conn = context.read().await?;
    let sets = set_limits::history(&mut conn).await?;
    let instruments = with_settings(&mut conn, &sets).await?;
    Ok(sets
        .into_iter()
        .map(|set| {
            let whose = match (set.design, set.instrument_id) {
                (Some(design), _) => format!("every {design}"),
                (None, Some(id)) => instruments
                    .iter()
                    .find(|i| i.id == id)
                    .map_or_else(String::new, |i| i.tag.clone()),
                (None, None) => String::new(),
            };
            (set, whose)
        })
        .collect())
}

async fn history_page(context: RequestContext) -> Result<Response, Error> {
    let rows = settings(&context)
        .await?
        .into_iter()
        .map(|(set, whose)| HistoryRow {
            at: show::time(context.club(), set.set_at),
            whose,
            what: set.what.label(),
            value: set.value.map_or_else(
                || "back to the level above".to_owned(),
                |v| with_unit(v, set.what),
            ),
            by: set.set_by,
            reason: set.reason,
        })
        .collect();
    page(&HistoryPage {
        layout: context.layout("Changes of limits"),
        rows,
    })
}

async fn history_csv(context: RequestContext) -> Result<Response, Error> {
    let rows = settings(&context).await?.into_iter().map(|(set, whose)| {
        vec![
            Cell::time(context.club(), set.set_at),
            whose.into(),
            set.what.slug().into(),
            set.value.map(|v| Cell::number(v, 4)).into(),
            unit(set.what).into(),
            set.set_by.into(),
            set.reason.into(),
        ]
    });
    tables::csv_response(
        &[
            "set_at", "whose", "limit", "value", "unit", "set_by", "reason",
        ],
        rows,
    )
}
