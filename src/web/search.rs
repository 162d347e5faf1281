//! Search over everything that the visitor's role may see, from one box.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Query;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, page};
use super::tables::Paging;
use super::{Error, address, show};
use crate::library::people::sorted_as;
use crate::library::search::{self, Hit, Kind, MARK_BEGINS, MARK_ENDS, Sought};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Anyone, "/search", found)]
}

/// Rows of a kind where all kinds are shown.
const FEW: usize = 6;
/// Rows of a page where one kind is.
const PAGE_ROWS: usize = 50;
/// So many are counted, and no more: a word that is everywhere is not worth the count.
const MOST: usize = 300;

/// Who finds what: what the shelf and an instrument's page show is for anyone, logbooks
/// are for the desk, people for coordinators.
fn access(kind: Kind) -> Access {
    match kind {
        Kind::Instrument | Kind::Thing | Kind::Kit => Access::Anyone,
        Kind::Problem | Kind::Entry | Kind::Notes | Kind::Paper | Kind::Job | Kind::Spare => {
            Access::Volunteer
        }
        Kind::Person => Access::Coordinator,
    }
}

/// One thing found.
struct Row {
    href: String,
    tag: String,
    name: String,
    /// Words, and whether they are what was looked for.
    excerpt: Vec<(bool, String)>,
    when: String,
}

struct Group {
    title: &'static str,
    count: String,
    rows: Vec<Row>,
    /// Where all of them are, or "".
    all: String,
}

#[derive(Template)]
#[template(path = "search/search.html")]
struct SearchPage {
    layout: Layout,
    list: Shown,
    groups: Vec<Group>,
    /// What can be found here.
    within: String,
}

fn excerpt(text: &str) -> Vec<(bool, String)> {
    let mut parts = Vec::new();
    let (mut marked, mut part) = (false, String::new());
    for c in text.chars() {
        if c == MARK_BEGINS || c == MARK_ENDS {
            parts.push((marked, std::mem::take(&mut part)));
            marked = c == MARK_BEGINS;
        } else {
            part.push(c);
        }
    }
    parts.push((marked, part));
    parts.retain(|(_, words)| !words.is_empty());
    parts
}

fn row(context: &RequestContext, kind: Kind, typed: &str, hit: Hit) -> Row {
    let tag = hit.tag.unwrap_or_default();
    let page = if hit.is_instrument {
        address::instrument(&tag)
    } else {
        address::thing_tag(&tag)
    };
    let href = match (kind, &hit.person) {
        (Kind::Person, Some((id, _))) => format!("/people/{id}"),
        (Kind::Problem | Kind::Entry, _) if hit.is_instrument => {
            let query = serde_html_form::to_string([("q", typed)]).unwrap_or_default();
            format!("{page}/logbook?{query}")
        }
        (Kind::Job | Kind::Spare, _) => {
            let query = serde_html_form::to_string([("q", typed)]).unwrap_or_default();
            let list = if kind == Kind::Job {
                "jobs?show=all&"
            } else {
                "spares?"
            };
            format!("/{list}{query}")
        }
        (Kind::Paper, _) => format!("{}/papers", address::instrument(&tag)),
        _ => page,
    };
    let excerpt = excerpt(&hit.excerpt);
    Row {
        href,
        name: hit
            .person
            .map_or(hit.name.unwrap_or_default(), |(_, name)| name),
        // An instrument and a person are told by their names.
        excerpt: match kind {
            Kind::Instrument | Kind::Thing => Vec::new(),
            _ => excerpt,
        },
        when: hit
            .happened_at
            .map(|at| show::date(context.club(), at))
            .unwrap_or_default(),
        tag,
    }
}

/// What is named stands by its name, the one asked for by its tag first; what was written
/// stands as it was found, the latest first.
fn in_order(kind: Kind, typed: &str, hits: &mut [Hit]) {
    match kind {
        Kind::Instrument
        | Kind::Thing
        | Kind::Kit
        | Kind::Notes
        | Kind::Paper
        | Kind::Job
        | Kind::Spare => hits.sort_by_cached_key(|hit| {
            let tag = hit.tag.clone().unwrap_or_default();
            (
                !tag.eq_ignore_ascii_case(typed),
                super::shelf::tag_key(&tag),
                hit.excerpt.clone(),
            )
        }),
        Kind::Person => {
            hits.sort_by_cached_key(|hit| hit.person.as_ref().map(|(_, name)| sorted_as(name)));
        }
        Kind::Problem | Kind::Entry => {}
    }
}

async fn found(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let kinds: Vec<Kind> = Kind::ALL
        .iter()
        .copied()
        .filter(|&kind| context.may(access(kind)))
        .collect();
    let controls = Controls {
        path: "/search".to_owned(),
        csv: String::new(),
        sought_in: "Words or a tag",
        choices: vec![Choice {
            name: "in",
            label: "In",
            any: "everything",
            options: kinds
                .iter()
                .map(|kind| (kind.slug().to_owned(), kind.label().to_owned()))
                .collect(),
        }],
        orders: &[],
        rows: PAGE_ROWS,
    };
    controls.check(&asked)?;
    let typed: String = asked.words().chars().take(200).collect();
    let only: Option<Kind> = asked.of("in").parse().ok();
    let retired = context.may(Access::Volunteer);
    let mut groups = Vec::new();
    let mut paging = Paging::new(1, 0, PAGE_ROWS);
    if let Some(sought) = Sought::read(&typed) {
        let mut conn = context.read().await?;
        for &kind in &kinds {
            if only.is_some_and(|only| only != kind) {
                continue;
            }
            // One more than is counted, to know whether there are more.
            let most = MOST as i64 + 1;
            let total = search::count(&mut conn, &sought, kind, retired, most).await?;
            let total = usize::try_from(total).unwrap_or_default();
            if total == 0 {
                continue;
            }
            let asked_page = if only.is_some() { asked.page() } else { 1 };
            let size = if only.is_some() { PAGE_ROWS } else { FEW };
            paging = Paging::new(asked_page, total.min(MOST), size);
            let skip = (paging.number - 1) * size;
            let hits = if matches!(kind, Kind::Problem | Kind::Entry) {
                let (skip, size) = (skip as i64, size as i64);
                search::find(&mut conn, &sought, kind, retired, skip, size).await?
            } else {
                let most = MOST as i64;
                let mut hits = search::find(&mut conn, &sought, kind, retired, 0, most).await?;
                in_order(kind, &typed, &mut hits);
                paging.rows(hits)
            };
            groups.push(Group {
                title: kind.label(),
                count: match total {
                    n if n > MOST => format!("more than {MOST}"),
                    n => n.to_string(),
                },
                all: if only.is_none() && total > FEW {
                    controls.here(&asked.with("in", kind.slug()))
                } else {
                    String::new()
                },
                rows: hits
                    .into_iter()
                    .map(|hit| row(&context, kind, &typed, hit))
                    .collect(),
            });
        }
    }
    if only.is_none() {
        paging = Paging::new(1, 0, PAGE_ROWS);
    }
    let within: Vec<String> = kinds.iter().map(|k| k.label().to_lowercase()).collect();
    page(&SearchPage {
        layout: context.layout("Search"),
        list: controls.shown(&asked, &paging),
        groups,
        within: format!("Finds {}.", show::list_of(&within)),
    })
}
