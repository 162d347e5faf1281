//! The shelf: what the club lends, and how each instrument is.

use std::cmp::Reverse;
use std::collections::BTreeSet;

use askama::Template;
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::access::{Access, Route};
use super::condition::{about, sharpness};
use super::due::{self, word};
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::tables::{Cell, Paging, csv_response};
use super::{Error, address, show};
use crate::library::club::Club;
use crate::library::instruments::{Design, Instrument, State, Status};
use crate::upkeep::{Assessment, Condition, ShelfRow};

/// Rows on one page.
const PAGE_ROWS: usize = 100;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/shelf", shelf),
        Route::get(Access::Anyone, "/shelf.csv", shelf_csv),
        Route::get(Access::Anyone, "/shelf.json", shelf_json),
        Route::get(Access::Anyone, "/shelf/finder.json", finder),
    ]
}

crate::library::words! {
    /// What the shelf is sorted by.
    pub enum Order {
        /// Tag, digits by their number.
        Tag = "tag", "Tag";
        /// Design, then aperture.
        Design = "design", "Design";
        /// Largest first.
        Aperture = "aperture", "Largest first";
        /// Best condition first.
        Condition = "condition", "Best condition first";
        /// Where it is.
        State = "state", "Where it is";
        /// Place, then tag.
        Place = "place", "Place";
        /// Most asked for first.
        Waiting = "waiting", "Most waited for";
    }
}

/// What is asked of the shelf. An unknown word asks for everything.
#[derive(Debug, Clone, Default, Deserialize, Serialize)]
#[serde(default)]
struct Asked {
    q: String,
    design: String,
    place: String,
    state: String,
    condition: String,
    sort: String,
    page: String,
}

impl Asked {
    /// The same question with another page, as an address.
    fn address(&self, path: &str, page: Option<usize>) -> String {
        let page = page.filter(|&n| n > 1).map(|n| n.to_string());
        let pairs: Vec<(&str, &str)> = [
            ("q", self.q.as_str()),
            ("design", &self.design),
            ("place", &self.place),
            ("state", &self.state),
            ("condition", &self.condition),
            ("sort", &self.sort),
            ("page", page.as_deref().unwrap_or("")),
        ]
        .into_iter()
        .filter(|(_, value)| !value.is_empty())
        .collect();
        match serde_html_form::to_string(&pairs) {
            Ok(query) if !query.is_empty() => format!("{path}?{query}"),
            _ => path.to_owned(),
        }
    }

    fn is_filtered(&self) -> bool {
        [
            &self.q,
            &self.design,
            &self.place,
            &self.state,
            &self.condition,
        ]
        .iter()
        .any(|value| !value.trim().is_empty())
    }

    fn wants(&self, one: &Shelved) -> bool {
        let row = &one.row;
        let is = |asked: &str, slug: &str| asked.is_empty() || asked == slug;
        is(&self.design, row.instrument.design.slug())
            && is(&self.state, row.instrument.state().slug())
            && is(&self.condition, row.assessment.condition.slug())
            && (self.place.is_empty() || self.place == row.instrument.place)
            && plain(&self.q)
                .split_whitespace()
                .all(|word| one.searched.contains(word))
    }
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
    word::<Design>(&asked.design)?;
    word::<State>(&asked.state)?;
    word::<Condition>(&asked.condition)?;
    let snapshot = context.snapshot().await?;
    let fleet = &snapshot.fleet;
    let may_see_retired = context.may(Access::Volunteer);
    let has_retired = may_see_retired && !fleet.retired.is_empty();
    let members = match asked.state == State::Retired.slug() {
        false => fleet.members.as_slice(),
        true if may_see_retired => &fleet.retired,
        true => &[],
    };
    let rows = fleet.rows(members, context.now());
    let today = context.club().date(context.now());
    let mut conn = context.read().await?;
    let mut kept = super::reservations::kept_in_short(&mut conn, context.club(), today).await?;
    drop(conn);
    let all: Vec<Shelved> = rows
        .into_iter()
        .zip(members)
        .map(|(row, member)| Shelved {
            due_on: member.back_by,
            kept: kept.remove(&member.instrument.id).unwrap_or_default(),
            searched: searched_words(context.club(), &row.instrument),
            row,
        })
        .collect();
    let places = all
        .iter()
        .map(|one| one.row.instrument.place.clone())
        .filter(|place| !place.is_empty())
        .collect();
    let but_these = Asked {
        state: String::new(),
        condition: String::new(),
        ..asked.clone()
    };
    let counts = all
        .iter()
        .filter(|one| but_these.wants(one))
        .map(|one| (one.row.assessment.condition, one.row.instrument.state()))
        .collect();
    let mut found: Vec<Shelved> = all.into_iter().filter(|one| asked.wants(one)).collect();
    found.sort_by_cached_key(|one| tag_key(&one.row.instrument.tag));
    let of = |one: &Shelved| one.row.instrument.clone();
    match asked.sort.parse().unwrap_or(Order::Tag) {
        Order::Tag => {}
        Order::Design => found.sort_by(|a, b| {
            let (a, b) = (of(a), of(b));
            (a.design.cmp(&b.design)).then(a.aperture_mm.total_cmp(&b.aperture_mm))
        }),
        Order::Aperture => {
            found.sort_by(|a, b| of(b).aperture_mm.total_cmp(&of(a).aperture_mm));
        }
        Order::Condition => found.sort_by_key(|one| one.row.assessment.condition),
        Order::State => found.sort_by_key(|one| one.row.instrument.state()),
        Order::Place => found.sort_by_key(|one| one.row.instrument.place.to_lowercase()),
        Order::Waiting => found.sort_by_key(|one| Reverse(one.row.waiting)),
    }
    Ok(Gathered {
        found,
        places,
        counts,
        lent: fleet.members.len(),
        has_retired,
    })
}

struct Gathered {
    found: Vec<Shelved>,
    places: BTreeSet<String>,
    /// Condition and status of each that passes the other filters.
    counts: Vec<(Condition, State)>,
    lent: usize,
    has_retired: bool,
}

/// Words as people type them: small letters, a hyphen for a dash, no accent.
fn plain(words: &str) -> String {
    words.to_lowercase().replace('–', "-").replace('é', "e")
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

/// When an instrument on loan comes back; never with whom it is.
pub fn back_by(today: chrono::NaiveDate, due_on: chrono::NaiveDate) -> String {
    let day = show::plain_date(due_on);
    if due_on < today {
        format!("and was due back on {day}")
    } else {
        format!("until {day}")
    }
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
        to: Asked,
    ) -> Option<Self> {
        let on = asked == slug;
        (count > 0 || on).then(|| Self {
            count,
            slug,
            words,
            href: to.address("/shelf", None),
            on,
        })
    }
}

/// What a tap on a word asks for, where another or nothing is chosen; nothing where it is.
fn tapped(asked: &str, slug: &str) -> String {
    if asked == slug { "" } else { slug }.to_owned()
}

/// The conditions there are.
fn condition_chips(asked: &Asked, counts: &[(Condition, State)]) -> Vec<Chip> {
    let lets = |state: State| asked.state.is_empty() || asked.state == state.slug();
    let chips = Condition::ALL.iter().filter_map(|&condition| {
        let count = counts.iter().filter(|(c, s)| *c == condition && lets(*s));
        let to = Asked {
            condition: tapped(&asked.condition, condition.slug()),
            ..asked.clone()
        };
        let (slug, words) = (condition.slug(), condition.label());
        Chip::of(slug, words, count.count(), &asked.condition, to)
    });
    chips.collect()
}

/// Where they are.
fn state_chips(asked: &Asked, counts: &[(Condition, State)]) -> Vec<Chip> {
    let lets = |c: Condition| asked.condition.is_empty() || asked.condition == c.slug();
    let chips = State::ALL.iter().filter_map(|&state| {
        let count = counts.iter().filter(|(c, s)| *s == state && lets(*c));
        let to = Asked {
            state: tapped(&asked.state, state.slug()),
            ..asked.clone()
        };
        Chip::of(state.slug(), state.label(), count.count(), &asked.state, to)
    });
    chips.collect()
}

#[derive(Template)]
#[template(path = "shelf/shelf.html")]
struct ShelfPage {
    layout: Layout,
    lede: String,
    asked: Asked,
    designs: &'static [Design],
    states: Vec<State>,
    conditions: &'static [Condition],
    orders: &'static [Order],
    places: BTreeSet<String>,
    tally: Vec<Chip>,
    /// Where they are, to choose from.
    states_here: Vec<Chip>,
    lines: Vec<Line>,
    paging: Paging,
    before: String,
    after: String,
    csv: String,
    json: String,
    is_bare: bool,
    may_add: bool,
    /// What is amiss with the machine; for coordinators.
    amiss: Vec<String>,
    /// Whether anything but condition and status is filtered or sorted by.
    more_asked: bool,
}

async fn shelf(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let gathered = gather(&context, &asked).await?;
    let found = gathered.found;
    let lede = lede(&asked, found.len(), gathered.lent);
    let paging = Paging::new(asked.page.parse().unwrap_or(1), found.len(), PAGE_ROWS);
    let today = context.club().date(context.now());
    let lines = paging
        .rows(found)
        .iter()
        .map(|one| line(context.club(), today, one))
        .collect();
    page(&ShelfPage {
        layout: context.layout("The shelf"),
        lede,
        designs: Design::ALL,
        states: State::ALL
            .iter()
            .copied()
            .filter(|&s| s != State::Retired || gathered.has_retired)
            .collect(),
        conditions: Condition::ALL,
        orders: Order::ALL,
        places: gathered.places,
        tally: condition_chips(&asked, &gathered.counts),
        states_here: state_chips(&asked, &gathered.counts),
        lines,
        before: paging
            .before()
            .map(|n| asked.address("/shelf", Some(n)))
            .unwrap_or_default(),
        after: paging
            .after()
            .map(|n| asked.address("/shelf", Some(n)))
            .unwrap_or_default(),
        csv: asked.address("/shelf.csv", None),
        json: asked.address("/shelf.json", None),
        is_bare: gathered.lent == 0 && !asked.is_filtered(),
        may_add: context.may(Access::Volunteer),
        amiss: if context.may(Access::Coordinator) {
            let amiss = context.app.watch.amiss();
            amiss.into_iter().map(|one| one.words).collect()
        } else {
            Vec::new()
        },
        more_asked: [&asked.q, &asked.design, &asked.place, &asked.sort]
            .iter()
            .any(|value| !value.is_empty()),
        paging,
        asked,
    })
}

fn lede(asked: &Asked, found: usize, lent: usize) -> String {
    let count = |n: usize| match n {
        0 => "No instruments".to_owned(),
        1 => "1 instrument".to_owned(),
        n => format!("{n} instruments"),
    };
    if asked.state == State::Retired.slug() {
        format!("{} retired.", count(found))
    } else if asked.is_filtered() {
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
