//! Labels: a code that leads to the page of the instrument or thing, its tag in large type.

use std::fmt::Write as _;

use askama::Template;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use qrcode::{Color, EcLevel, QrCode};
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::{Path, Query};
use super::page::{Layout, RequestContext, page};
use super::{App, Error};
use crate::library::club::{Club, Paper};
use crate::library::things::Thing;

/// Clear modules around a code (ISO/IEC 18004 asks for four).
const QUIET_ZONE: usize = 4;
/// The most labels on one sheet's page.
const MOST_LABELS: usize = 400;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/label", one),
        Route::get(Access::Anyone, "/instruments/{tag}/qr.svg", code),
        Route::get(Access::Volunteer, "/labels", sheet),
    ]
}

/// Where a label leads: the club's public address, or else the address this
/// very request came to.
pub fn address(
    app: &App,
    club: &Club,
    headers: &HeaderMap,
    thing: &Thing,
) -> Result<String, Error> {
    let base = match club.public_address.as_deref().map(str::trim) {
        Some(public) if !public.is_empty() => public.trim_end_matches('/').to_owned(),
        _ => {
            let host = headers
                .get(header::HOST)
                .and_then(|v| v.to_str().ok())
                .filter(|host| {
                    !host.is_empty()
                        && host
                            .chars()
                            .all(|c| c.is_ascii_alphanumeric() || ".-:[]".contains(c))
                })
                .ok_or_else(|| {
                    Error::BadRequest(
                        "This request does not say where it came to. Set the club's public address first.".to_owned(),
                    )
                })?;
            format!("{}://{host}", if app.secure { "https" } else { "http" })
        }
    };
    let kind = match thing.is_instrument() {
        true => "instruments",
        false => "things",
    };
    Ok(format!("{base}/{kind}/{}", thing.tag))
}

/// The code for an address as an SVG drawing, error correction M.
pub fn qr_svg(address: &str) -> Result<String, Error> {
    let code = QrCode::with_error_correction_level(address, EcLevel::M)
        .map_err(|e| Error::Broken(format!("a label's code: {e}")))?;
    let modules = code.width();
    let side = modules + 2 * QUIET_ZONE;
    let mut dark = String::new();
    for (row, cells) in code.to_colors().chunks(modules).enumerate() {
        let mut column = 0;
        for run in cells.chunk_by(|a, b| a == b) {
            if run[0] == Color::Dark {
                let (x, y, w) = (column + QUIET_ZONE, row + QUIET_ZONE, run.len());
                let _ = write!(dark, "M{x} {y}h{w}v1h-{w}z");
            }
            column += run.len();
        }
    }
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" width=\"{0}\" height=\"{0}\" shape-rendering=\"crispEdges\"><rect width=\"{side}\" height=\"{side}\" fill=\"#fff\"/><path d=\"{dark}\" fill=\"#000\"/></svg>",
        side * 8
    ))
}

async fn code(
    context: RequestContext,
    Path(tag): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let thing = Thing::by_tag(&mut conn, &tag).await?;
    let address = address(&context.app, context.club(), &headers, &thing)?;
    Ok((
        [
            (header::CONTENT_TYPE, "image/svg+xml"),
            (header::CACHE_CONTROL, "no-cache"),
        ],
        qr_svg(&address)?,
    )
        .into_response())
}

/// One label.
struct Label {
    tag: String,
    name: String,
    /// Its own page.
    href: String,
    /// Where its code leads.
    address: String,
    how: &'static str,
}

#[derive(Template)]
#[template(path = "label/labels.html")]
struct LabelsPage {
    layout: Layout,
    title: String,
    labels: Vec<Label>,
    /// One large label alone.
    alone: bool,
    /// "A4" or "Letter".
    paper: &'static str,
    /// The address is only that of this request.
    is_local: bool,
    /// Every instrument to choose from, with whether it is chosen.
    choices: Vec<(String, String, bool)>,
    /// Things that go with them, in the same way.
    things: Vec<(String, String, bool)>,
    /// Whether there are more than are offered: their tags are typed.
    more: bool,
    unknown: Vec<String>,
}

fn labels_page(
    context: &RequestContext,
    headers: &HeaderMap,
    title: String,
    things: &[&Thing],
) -> Result<LabelsPage, Error> {
    let club = context.club();
    let labels = things
        .iter()
        .map(|i| {
            Ok(Label {
                tag: i.tag.clone(),
                name: i.name.clone(),
                how: match i.is_instrument() {
                    true => "Scan for its condition; check it in here.",
                    false => "Scan to see where it belongs; return it here.",
                },
                href: super::address::thing(i),
                address: address(&context.app, club, headers, i)?,
            })
        })
        .collect::<Result<_, Error>>()?;
    Ok(LabelsPage {
        layout: context.layout(&title),
        title,
        labels,
        alone: false,
        paper: match club.paper {
            Paper::A4 => "A4",
            Paper::Letter => "Letter",
        },
        is_local: club
            .public_address
            .as_deref()
            .is_none_or(|a| a.trim().is_empty()),
        choices: Vec::new(),
        things: Vec::new(),
        more: false,
        unknown: Vec::new(),
    })
}

async fn one(
    context: RequestContext,
    Path(tag): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let thing = Thing::by_tag(&mut conn, &tag).await?;
    let title = format!("Label of {}", thing.tag);
    page(&LabelsPage {
        alone: true,
        ..labels_page(&context, &headers, title, &[&thing])?
    })
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    tags: Vec<String>,
}

/// Labels of the instruments and things asked for, several on a sheet; tags repeated or
/// with commas between them.
async fn sheet(
    context: RequestContext,
    Query(asked): Query<Asked>,
    headers: HeaderMap,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let tags = asked.tags.iter().flat_map(|tags| tags.split(','));
    let tags = tags.map(str::trim).filter(|tag| !tag.is_empty());
    let tags: Vec<&str> = tags.take(MOST_LABELS).collect();
    let (mut chosen, unknown) = Thing::typed(&mut conn, &tags.join(",")).await?;
    chosen.truncate(MOST_LABELS);
    let ticked: Vec<String> = chosen.iter().map(|thing| thing.tag.clone()).collect();
    let (instruments, more_instruments) = Thing::offered(&mut conn, true, false, &ticked).await?;
    let (things, more_things) = Thing::offered(&mut conn, false, false, &ticked).await?;
    drop(conn);
    let offered = |all: Vec<Thing>| {
        let one = all.into_iter().map(|i| {
            let is_chosen = ticked.contains(&i.tag);
            (i.tag, i.name, is_chosen)
        });
        one.collect()
    };
    let chosen: Vec<&Thing> = chosen.iter().collect();
    page(&LabelsPage {
        choices: offered(instruments),
        things: offered(things),
        more: more_instruments || more_things,
        unknown,
        ..labels_page(&context, &headers, "Labels".to_owned(), &chosen)?
    })
}
