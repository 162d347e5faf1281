//! The shelf: what the club lends, and how each instrument is.

use std::cmp::Reverse;
use std::collections::BTreeSet;

use askama::Template;
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::access::{Access, Route};
use super::due;
use super::extract::Query;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, page};
use super::said::{about, sharpness};
use super::tables::{Cell, csv_response};
use super::{Error, address, show};
use crate::library::club::Club;
use crate::library::instruments::{Design, Instrument, State, Status};
use crate::library::people::plain;
use crate::upkeep::{Assessment, Condition, ShelfRow};

/// Rows on one page.
const PAGE_ROWS: usize = 50;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/shelf", shelf),
        Route::get(Access::Anyone, "/shelf.csv", shelf_csv),
        Route::get(Access::Anyone, "/shelf.json", shelf_json),
        Route::get(Access::Anyone, "/shelf/finder.json", finder),
    ]
}

/// What can be asked of the shelf: of places, those there are.
fn controls(places: &BTreeSet<String>) -> Controls {
    fn options<W: Copy>(
        all: &[W],
        words: fn(W) -> (&'static str, &'static str),
    ) -> Vec<(String, String)> {
        let all = all.iter().map(|&word| words(word));
        all.map(|(slug, label)| (slug.to_owned(), label.to_owned()))
            .collect()
    }
    Controls {
        path: "/shelf".to_owned(),
        csv: "/shelf.csv".to_owned(),
        sought_in: "Tag or words",
        choices: vec![
            Choice {
                name: "design",
                label: "Design",
                any: "Every design",
                options: options(Design::ALL, |d| (d.slug(), d.label())),
            },
            Choice {
                name: "state",
                label: "Status",
                any: "Any status",
                options: options(State::ALL, |s| (s.slug(), s.label())),
            },
            Choice {
                name: "place",
                label: "Place",
                any: "Every place",
                options: places.iter().map(|p| (p.clone(), p.clone())).collect(),
            },
            Choice {
                name: "condition",
                label: "Condition",
                any: "Every condition",
                options: options(Condition::ALL, |c| (c.slug(), c.label())),
            },
        ],
        orders: ORDERS,
        rows: PAGE_ROWS,
    }
}

/// What the shelf is sorted by.
const ORDERS: &[(&str, &str)] = &[
    ("tag", "Tag"),
    ("design", "Design"),
    ("aperture", "Largest first"),
    ("condition", "Best condition first"),
    ("state", "Where it is"),
    ("place", "Place"),
    ("waiting", "Most waited for"),
];

/// Whether anything is left out of what is shown.
fn is_filtered(asked: &Asked) -> bool {
    ["q", "design", "place", "state", "condition"]
        .iter()
        .any(|name| !asked.of(name).is_empty())
}

fn wants(asked: &Asked, one: &Shelved) -> bool {
    let row = &one.row;
    let is = |name: &str, slug: &str| asked.of(name).is_empty() || asked.of(name) == slug;
    is("design", row.instrument.design.slug())
        && is("state", row.instrument.state().slug())
        && is("condition", row.assessment.condition.slug())
        && is("place", row.instrument.place.trim())
        && asked.fits(&[&one.searched])
}

/// One instrument on the shelf, with what only a loan can tell.
struct Shelved {
    row: ShelfRow,
    due_on: Option<chrono::NaiveDate>,
    /// For whom it is kept or reserved, in a word or two; "" for nobody.
    kept: String,
    searched: String,
}

/// Tags as people sort them: N76 before N152.
pub fn tag_key(tag: &str) -> Vec<(u64, String)> {
    let mut key = Vec::new();
    let mut rest = tag;
    while let Some(first) = rest.chars().next() {
        let digits = first.is_ascii_digit();
        let end = rest
            .find(|c: char| c.is_ascii_digit() != digits)
            .unwrap_or(rest.len());
        let (part, tail) = rest.split_at(end);
        let number = part.parse().unwrap_or(u64::MAX);
        key.push(if digits {
            (number, String::new())
        } else {
            (u64::MAX, part.to_lowercase())
        });
        rest = tail;
    }
    key
}

/// What the visitor asked for, in the order asked for. Retired instruments are
/// shown to volunteers, and only when they ask for them.
async fn gather(context: &RequestContext, asked: &Asked) -> Result<Gathered, Error> {
    let snapshot = context.snapshot().await?;
    let fleet = &snapshot.fleet;
    let may_see_retired = context.may(Access::Volunteer);
    let has_retired = may_see_retired && !fleet.retired.is_empty();
    let members = match asked.of("state") == State::Retired.slug() {
        false => fleet.members.as_slice(),
        true if may_see_retired => &fleet.retired,
        true => &[],
    };
    let rows = match asked.of("state") == State::Retired.slug() {
        false => snapshot.shelf(context.now()).as_ref().clone(),
        true => fleet.rows(members, context.now()),
    };
    let today = context.club().date(context.now());
    let mut conn = context.read().await?;
    let lines = context.lines(&mut conn, &snapshot).await?;
    let mut kept = super::reservations::kept_in_short(&mut conn, &lines, today).await?;
    drop(conn);
    let all: Vec<Shelved> = rows
        .into_iter()
        .zip(members)
        .map(|(row, member)| Shelved {
            due_on: member.back_by,
            kept: kept.remove(&member.instrument.id).unwrap_or_default(),
            searched: match asked.words() {
                "" => String::new(),
                _ => searched_words(context.club(), &row.instrument),
            },
            row,
        })
        .collect();
    let places: BTreeSet<String> = all
        .iter()
        .map(|one| one.row.instrument.place.clone())
        .filter(|place| !place.is_empty())
        .collect();
    // A place that is not there any more finds nothing, and is no mistake.
    let mut known = places.clone();
    known.extend(Some(asked.of("place").to_owned()).filter(|place| !place.is_empty()));
    let controls = controls(&known);
    let order = controls.check(asked)?;
    let but_these = asked.with("state", "").with("condition", "");
    let counts = all
        .iter()
        .filter(|one| wants(&but_these, one))
        .map(|one| (one.row.assessment.condition, one.row.instrument.state()))
        .collect();
    let mut found: Vec<Shelved> = all.into_iter().filter(|one| wants(asked, one)).collect();
    found.sort_by_cached_key(|one| tag_key(&one.row.instrument.tag));
    fn of(one: &Shelved) -> &Instrument {
        &one.row.instrument
    }
    match order {
        "design" => found.sort_by(|a, b| {
            let (a, b) = (of(a), of(b));
            (a.design.cmp(&b.design)).then(a.aperture_mm.total_cmp(&b.aperture_mm))
        }),
        "aperture" => {
            found.sort_by(|a, b| of(b).aperture_mm.total_cmp(&of(a).aperture_mm));
        }
        "condition" => found.sort_by_key(|one| one.row.assessment.condition),
        "state" => found.sort_by_key(|one| one.row.instrument.state()),
        "place" => found.sort_by_key(|one| one.row.instrument.place.to_lowercase()),
        "waiting" => found.sort_by_key(|one| Reverse(one.row.waiting)),
        _ => {}
    }
    Ok(Gathered {
        found,
        places,
        controls,
        counts,
        lent: fleet.members.len(),
        has_retired,
    })
}

struct Gathered {
    found: Vec<Shelved>,
    places: BTreeSet<String>,
    controls: Controls,
    /// Condition and status of each that passes the other filters.
    counts: Vec<(Condition, State)>,
    lent: usize,
    has_retired: bool,
}

/// What the words of a search are looked for in.
fn searched_words(club: &Club, i: &Instrument) -> String {
    plain(&format!(
        "{} {} {} {} {}",
        i.tag,
        i.name,
        i.design,
        i.place,
        show::length(club, i.aperture_mm)
    ))
}

/// One row as the page shows it.
struct Line {
    tag: String,
    href: String,
    name: String,
    size: String,
    condition: &'static str,
    reason: String,
    state: &'static str,
    status: &'static str,
    where_words: String,
    waiting: String,
}

fn line(club: &Club, today: chrono::NaiveDate, one: &Shelved) -> Line {
    let i = &one.row.instrument;
    let a = &one.row.assessment;
    Line {
        tag: i.tag.clone(),
        href: address::instrument(&i.tag),
        name: i.name.clone(),
        size: if plain(&i.name).contains(&plain(i.design.label())) {
            format!("f/{}", show::trimmed(i.focal_ratio(), 1))
        } else {
            size_words(club, i)
        },
        condition: a.condition.slug(),
        reason: short_reason(i, a),
        state: i.state().slug(),
        status: match i.state() {
            State::OnTheShelf => "Shelf",
            State::OnLoan => "On loan",
            State::HeldForTheBench => "Held",
            State::AtTheBench => "Bench",
            State::Missing => "Missing",
            State::Retired => "Retired",
        },
        where_words: match one.due_on {
            Some(due) => back_short(today, due),
            None => i.place.clone(),
        },
        waiting: match (one.row.waiting, one.kept.is_empty()) {
            (0, _) | (1, false) => one.kept.clone(),
            (n, true) => format!("{n}\u{a0}waiting"),
            (n, false) => format!("{n}\u{a0}waiting, {}", one.kept),
        },
    }
}

/// Why it is not simply ready, in a few words; the whole stands on its page.
fn short_reason(i: &Instrument, a: &Assessment) -> String {
    let reason = match (a.condition, a.reasons.first()) {
        (Condition::Ready, _) | (_, None) => return String::new(),
        (_, Some(reason)) => reason.as_str(),
    };
    if let Some(problem) = reason.strip_prefix("Reported: ") {
        return due::cut(problem.trim_end_matches('.'));
    }
    match (a.condition, a.coma_rms_waves) {
        (Condition::NotChecked, None) => "Never tested".to_owned(),
        (Condition::NotChecked, _) => "Test it first".to_owned(),
        (Condition::Usable, Some(_)) => match sharpness(i, a) {
            Some(sharp) => format!("Planets soft above {}×", about(sharp.today)),
            None => due::first_clause(reason),
        },
        (_, Some((coma, _))) => format!("Coma {coma:.3}\u{a0}waves"),
        (_, None) => due::first_clause(reason),
    }
}

/// "back Mon 30 Nov", "4 days late".
fn back_short(today: chrono::NaiveDate, due_on: chrono::NaiveDate) -> String {
    match (today - due_on).num_days() {
        days @ 1.. => show::days_late(days),
        _ => format!("back {}", show::short_day(due_on, today)),
    }
}

/// "Achromat, 102 mm, f/9.8".
pub fn size_words(club: &Club, i: &Instrument) -> String {
    format!(
        "{}, {}, f/{}",
        show::capital(i.design.label()),
        show::length(club, i.aperture_mm),
        show::trimmed(i.focal_ratio(), 1)
    )
}

/// A filter to tap: how many it would leave.
struct Chip {
    count: usize,
    slug: &'static str,
    words: &'static str,
    href: String,
    on: bool,
}

impl Chip {
    /// One that leaves something or is chosen; chosen, it is tapped again to be let go.
    fn of(
        slug: &'static str,
        words: &'static str,
        count: usize,
        asked: &str,
        href: String,
    ) -> Option<Self> {
        let on = asked == slug;
        (count > 0 || on).then_some(Self {
            count,
            slug,
            words,
            href,
            on,
        })
    }
}

/// What a tap on a word asks for, where another or nothing is chosen; nothing where it is.
fn tapped(controls: &Controls, asked: &Asked, name: &str, slug: &str) -> String {
    let to = if asked.of(name) == slug { "" } else { slug };
    controls.here(&asked.with(name, to))
}

/// The conditions there are.
fn condition_chips(controls: &Controls, asked: &Asked, counts: &[(Condition, State)]) -> Vec<Chip> {
    let lets = |state: State| asked.of("state").is_empty() || asked.of("state") == state.slug();
    let chips = Condition::ALL.iter().filter_map(|&condition| {
        let count = counts.iter().filter(|(c, s)| *c == condition && lets(*s));
        let to = tapped(controls, asked, "condition", condition.slug());
        let (slug, words) = (condition.slug(), condition.label());
        Chip::of(slug, words, count.count(), asked.of("condition"), to)
    });
    chips.collect()
}

/// Where they are.
fn state_chips(controls: &Controls, asked: &Asked, counts: &[(Condition, State)]) -> Vec<Chip> {
    let lets = |c: Condition| asked.of("condition").is_empty() || asked.of("condition") == c.slug();
    let chips = State::ALL.iter().filter_map(|&state| {
        let count = counts.iter().filter(|(c, s)| *s == state && lets(*c));
        let to = tapped(controls, asked, "state", state.slug());
        Chip::of(
            state.slug(),
            state.label(),
            count.count(),
            asked.of("state"),
            to,
        )
    });
    chips.collect()
}

#[derive(Template)]
#[template(path = "shelf/shelf.html")]
struct ShelfPage {
    layout: Layout,
    lede: String,
    list: Shown,
    tally: Vec<Chip>,
    /// Where they are, to choose from.
    states_here: Vec<Chip>,
    lines: Vec<Line>,
    json: String,
    is_bare: bool,
    may_add: bool,
    /// What is amiss with the machine; for coordinators.
    amiss: Vec<String>,
    by_state: bool,
    /// Whether anything but condition and status is filtered or sorted by.
    more_asked: bool,
}

async fn shelf(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let gathered = gather(&context, &asked).await?;
    let found = gathered.found;
    let lede = lede(&asked, found.len(), gathered.lent);
    let today = context.club().date(context.now());
    let mut controls = gathered.controls;
    let tally = condition_chips(&controls, &asked, &gathered.counts);
    let states_here = state_chips(&controls, &asked, &gathered.counts);
    let json = controls.at("/shelf.json", &asked);
    for choice in &mut controls.choices {
        let retired = choice.name == "state" && !gathered.has_retired;
        choice
            .options
            .retain(|(slug, _)| !(retired && slug == State::Retired.slug()));
    }
    controls
        .choices
        .retain(|choice| choice.name != "place" || !gathered.places.is_empty());
    let (rows, list) = controls.page_of(&asked, found);
    page(&ShelfPage {
        layout: context.layout("The shelf"),
        lede,
        tally,
        states_here,
        lines: rows
            .iter()
            .map(|one| line(context.club(), today, one))
            .collect(),
        json,
        is_bare: gathered.lent == 0 && !is_filtered(&asked),
        may_add: context.may(Access::Volunteer),
        amiss: if context.may(Access::Coordinator) {
            let amiss = context.app.watch.amiss();
            amiss.into_iter().map(|one| one.words).collect()
        } else {
            Vec::new()
        },
        by_state: !asked.of("state").is_empty(),
        more_asked: ["q", "design", "place", "sort"]
            .iter()
            .any(|name| !asked.of(name).is_empty()),
        list,
    })
}

fn lede(asked: &Asked, found: usize, lent: usize) -> String {
    let count = |n: usize| match n {
        0 => "No instruments".to_owned(),
        1 => "1 instrument".to_owned(),
        n => format!("{n} instruments"),
    };
    if asked.of("state") == State::Retired.slug() {
        format!("{} retired.", count(found))
    } else if is_filtered(asked) {
        format!("{found} of {}.", count(lent).to_lowercase())
    } else {
        format!("{}.", count(found))
    }
}

async fn shelf_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = gather(&context, &asked).await?.found;
    let header = [
        "tag",
        "name",
        "design",
        "aperture_mm",
        "focal_mm",
        "focal_ratio",
        "state",
        "back_by",
        "place",
        "condition",
        "reasons",
        "as_of",
        "coma_rms_waves",
        "coma_rms_waves_sigma",
        "waiting",
    ];
    let rows = found.into_iter().map(|one| {
        let i = &one.row.instrument;
        let a = &one.row.assessment;
        vec![
            i.tag.as_str().into(),
            i.name.as_str().into(),
            i.design.label().into(),
            Cell::number(i.aperture_mm, 2),
            Cell::number(i.focal_mm, 2),
            Cell::number(i.focal_ratio(), 2),
            i.state().label().into(),
            one.due_on.into(),
            i.place.as_str().into(),
            a.condition.label().into(),
            a.reasons.join(" ").into(),
            a.as_of.map(|at| context.club().date(at)).into(),
            a.coma_rms_waves
                .map(|(coma, _)| Cell::number(coma, 4))
                .into(),
            a.coma_rms_waves
                .map(|(_, sigma)| Cell::number(sigma, 4))
                .into(),
            one.row.waiting.into(),
        ]
    });
    csv_response(&header, rows)
}

/// One instrument of /shelf.json.
#[derive(Debug, Serialize)]
struct JsonRow {
    tag: String,
    name: String,
    design: Design,
    aperture_mm: f64,
    focal_mm: f64,
    focal_ratio: f64,
    state: State,
    back_by: Option<chrono::NaiveDate>,
    place: String,
    condition: Condition,
    reasons: Vec<String>,
    as_of: Option<chrono::NaiveDate>,
    coma_rms_waves: Option<f64>,
    coma_rms_waves_sigma: Option<f64>,
    waiting: usize,
    href: String,
}

async fn shelf_json(
    context: RequestContext,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let found = gather(&context, &asked).await?.found;
    let rows: Vec<JsonRow> = found
        .into_iter()
        .map(|one| {
            let i = one.row.instrument;
            let a = one.row.assessment;
            JsonRow {
                href: address::instrument(&i.tag),
                focal_ratio: i.focal_ratio(),
                state: i.state(),
                design: i.design,
                aperture_mm: i.aperture_mm,
                focal_mm: i.focal_mm,
                back_by: one.due_on,
                condition: a.condition,
                reasons: a.reasons,
                as_of: a.as_of.map(|at| context.club().date(at)),
                coma_rms_waves: a.coma_rms_waves.map(|c| c.0),
                coma_rms_waves_sigma: a.coma_rms_waves.map(|c| c.1),
                waiting: one.row.waiting,
                tag: i.particulars.tag,
                name: i.particulars.name,
                place: i.particulars.place,
            }
        })
        .collect();
    Ok(([(header::CACHE_CONTROL, "no-store")], Json(rows)).into_response())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Sought {
    q: String,
}

/// One instrument the finder offers.
#[derive(Debug, Serialize)]
struct Found {
    tag: String,
    words: String,
}

/// The most the finder offers.
const FINDER_ROWS: usize = 8;

/// The instruments that match what is being typed: the tag itself, tags that
/// begin so, tags that hold it, then names and designs.
async fn finder(context: RequestContext, Query(sought): Query<Sought>) -> Result<Response, Error> {
    let q = plain(sought.q.trim());
    let mut found = Vec::new();
    if !q.is_empty() {
        let mut conn = context.read().await?;
        for i in Instrument::all(&mut conn).await? {
            if i.status == Status::Retired {
                continue;
            }
            let tag = i.tag.to_lowercase();
            let searched = searched_words(context.club(), &i);
            let rank = if tag == q {
                0
            } else if tag.starts_with(&q) {
                1
            } else if tag.contains(&q) {
                2
            } else if q.split_whitespace().all(|word| searched.contains(word)) {
                3
            } else {
                continue;
            };
            found.push((rank, tag_key(&i.tag), i));
        }
    }
    found.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
    let found: Vec<Found> = found
        .into_iter()
        .take(FINDER_ROWS)
        .map(|(_, _, i)| Found {
            words: format!("{}, {}", i.name, i.state()),
            tag: i.particulars.tag,
        })
        .collect();
    Ok(([(header::CACHE_CONTROL, "no-store")], Json(found)).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_sort_by_their_numbers() {
        let mut tags = ["N203", "N76", "A-2", "n152", "A-10", "N203-B"];
        tags.sort_by_key(|tag| tag_key(tag));
        assert_eq!(tags, ["A-2", "A-10", "N76", "n152", "N203", "N203-B"]);
    }
}
