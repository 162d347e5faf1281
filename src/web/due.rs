//! The due list: page, CSV, JSON.

use askama::Template;
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::tables::{self, Cell};
use super::{Error, show};
use crate::library::instruments::{Design, State};
use crate::upkeep::drift::plan::Need;
use crate::upkeep::due_list::{DueList, DueRow, Filter, PRESS_WORDS, due_list, in_100};
use crate::upkeep::rules::URGENCY_WORDS;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/due", due_page),
        Route::get(Access::Volunteer, "/due.csv", due_csv),
        Route::get(Access::Volunteer, "/due.json", due_json),
    ]
}

/// What stands after the question mark; "" is no filter.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    design: String,
    place: String,
    state: String,
    /// A coming day to look ahead to.
    coming: String,
}

impl Asked {
    fn coming(&self) -> Result<Option<NaiveDate>, Error> {
        coming(&self.coming)
    }

    fn filter(&self) -> Result<Filter, Error> {
        Ok(Filter {
            design: word(&self.design)?,
            place: Some(self.place.clone()).filter(|p| !p.is_empty()),
            state: word(&self.state)?,
        })
    }

    /// The same filter on another address.
    fn on(&self, path: &str) -> String {
        let told: Vec<(&str, &str)> = [
            ("design", &self.design),
            ("place", &self.place),
            ("state", &self.state),
            ("coming", &self.coming),
        ]
        .into_iter()
        .map(|(name, value)| (name, value.as_str()))
        .filter(|(_, value)| !value.is_empty())
        .collect();
        match serde_html_form::to_string(&told) {
            Ok(query) if !query.is_empty() => format!("{path}?{query}"),
            _ => path.to_owned(),
        }
    }
}

pub(super) fn word<W>(typed: &str) -> Result<Option<W>, Error>
where
    W: std::str::FromStr<Err = crate::library::UnknownWord>,
{
    if typed.is_empty() {
        return Ok(None);
    }
    typed
        .parse()
        .map(Some)
        .map_err(|e: crate::library::UnknownWord| Error::BadRequest(format!("The filter: {e}.")))
}

/// A coming day as typed; "" is none.
pub(super) fn coming(typed: &str) -> Result<Option<NaiveDate>, Error> {
    if typed.trim().is_empty() {
        return Ok(None);
    }
    typed
        .trim()
        .parse()
        .map(Some)
        .map_err(|_| Error::BadRequest("The coming day: write it as 2026-06-12.".to_owned()))
}

async fn list(context: &RequestContext, asked: &Asked) -> Result<DueList, Error> {
    let filter = asked.filter()?;
    let coming = asked.coming()?;
    let snapshot = context.snapshot().await?;
    Ok(due_list(
        &snapshot,
        context.club(),
        &filter,
        coming,
        context.now(),
    ))
}

#[derive(Template)]
#[template(path = "due/list.html")]
struct DuePage {
    layout: Layout,
    lede: String,
    printed: String,
    asked: Asked,
    designs: Vec<Design>,
    places: Vec<String>,
    states: [State; 4],
    list: DueList,
    filtered: String,
    urgency_words: &'static str,
    is_coordinator: bool,
    csv: String,
    json: String,
}

async fn due_page(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let list = list(&context, &asked).await?;
    let on = show::date(context.club(), context.now());
    let all = list.instruments;
    let lede = match list.due_in_all {
        0 => format!("Nothing is due on {on}."),
        1 => format!("1 of {all} instruments on {on}."),
        n if list.ordered_by_chance => {
            format!("{n} of {all} instruments on {on}, what presses most first.")
        }
        n => format!("{n} of {all} instruments on {on}, the most urgent first."),
    };
    page(&DuePage {
        layout: context.layout("Due for the bench"),
        lede,
        printed: show::time(context.club(), context.now()),
        designs: list.designs.clone(),
        places: list
            .places
            .iter()
            .filter(|p| !p.is_empty())
            .cloned()
            .collect(),
        states: [
            State::OnTheShelf,
            State::OnLoan,
            State::HeldForTheBench,
            State::AtTheBench,
        ],
        filtered: filtered(&asked, &list)?,
        urgency_words: if list.ordered_by_chance {
            PRESS_WORDS
        } else {
            URGENCY_WORDS
        },
        is_coordinator: context.may(Access::Coordinator),
        csv: asked.on("/due.csv"),
        json: asked.on("/due.json"),
        asked,
        list,
    })
}

/// "Shown: Newtonian, at Hut: 3 of 9." or "".
fn filtered(asked: &Asked, list: &DueList) -> Result<String, Error> {
    let filter = asked.filter()?;
    if filter.is_open() {
        return Ok(String::new());
    }
    let mut parts: Vec<String> = Vec::new();
    parts.extend(filter.design.map(|d| d.to_string()));
    parts.extend(filter.place.map(|p| format!("at {p}")));
    parts.extend(filter.state.map(|s| s.to_string()));
    Ok(format!(
        "Shown: {}; {} of the {} that are due.",
        parts.join(", "),
        list.due.len(),
        list.due_in_all
    ))
}

async fn due_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let list = list(&context, &asked).await?;
    tables::csv_response(CSV_HEADER, csv_rows(&list))
}

async fn due_json(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let list = list(&context, &asked).await?;
    Ok(([(header::CACHE_CONTROL, "no-store")], Json(list)).into_response())
}

const CSV_HEADER: &[&str] = &[
    "rank",
    "tag",
    "name",
    "design",
    "place",
    "state",
    "back_by",
    "condition",
    "urgency",
    "why",
    "last_test_on",
    "last_test_method",
    "coma_rms_waves",
    "coma_rms_waves_sigma",
    "exposure_drives",
    "exposure_assumed_drives",
    "waiting",
    "press",
    "chance_out",
    "chance_out_coming",
    "coma_likely_from",
    "coma_likely_to",
    "sharp_up_to",
    "next_loan",
    "waited_days",
    "due_days",
];

fn csv_rows(list: &DueList) -> impl Iterator<Item = Vec<Cell>> + '_ {
    list.due.iter().map(|row| {
        let why: Vec<&str> = row.reasons.iter().map(|r| r.words.as_str()).collect();
        let test = row.last_test.as_ref();
        let foreseen = row.foreseen.as_ref();
        vec![
            row.rank.into(),
            row.tag.as_str().into(),
            row.name.as_str().into(),
            row.design.slug().into(),
            row.place.as_str().into(),
            row.state.slug().into(),
            row.back_by.into(),
            row.condition.slug().into(),
            Cell::number(row.urgency, 3),
            why.join(" ").into(),
            test.map(|t| t.on).into(),
            test.map(|t| t.method.slug()).into(),
            test.map(|t| Cell::number(t.coma_rms_waves, 4)).into(),
            test.map(|t| Cell::number(t.coma_rms_waves_sigma, 4)).into(),
            Cell::number(row.exposure_drives, 2),
            Cell::number(row.exposure_assumed_drives, 2),
            row.waiting.into(),
            Cell::number(row.press, 3),
            foreseen.map(|f| Cell::number(f.chance_out, 3)).into(),
            foreseen
                .and_then(|f| f.chance_out_coming)
                .map(|c| Cell::number(c, 3))
                .into(),
            foreseen
                .map(|f| Cell::number(f.coma_rms_waves[0], 4))
                .into(),
            foreseen
                .map(|f| Cell::number(f.coma_rms_waves[4], 4))
                .into(),
            foreseen
                .and_then(|f| f.sharp)
                .map(|s| Cell::number(s.about, 0))
                .into(),
            need_slug(row.next_loan).into(),
            Cell::number(row.waited_days as f64, 0),
            Cell::number(row.due_days as f64, 0),
        ]
    })
}

/// The list as a CSV file.
///
/// # Errors
/// When the csv writer fails, which in memory it does not.
pub fn csv(list: &DueList) -> Result<Vec<u8>, csv::Error> {
    tables::csv_text(CSV_HEADER, csv_rows(list))
}

/// "14 March 2026".
pub fn day(date: NaiveDate) -> String {
    show::plain_date(date)
}

/// "until 14 March 2026", or that it is late; "" when not on loan.
pub fn until_words(row: &DueRow) -> String {
    row.back_by.map_or_else(String::new, |back| {
        if row.overdue {
            format!("overdue since {}", day(back))
        } else {
            format!("until {}", day(back))
        }
    })
}

/// Where it is now, never who has it: "on loan until 14 March 2026".
pub fn where_words(row: &DueRow) -> String {
    format!("{} {}", row.state, until_words(row))
        .trim_end()
        .to_owned()
}

/// "14 March 2026, from frames", or "never".
pub fn last_test_words(row: &DueRow) -> String {
    row.last_test.as_ref().map_or_else(
        || {
            if row.design.takes_star_test() {
                "never".to_owned()
            } else {
                "takes none".to_owned()
            }
        },
        |t| format!("{}, {}", day(t.on), t.method),
    )
}

fn need_slug(need: Need) -> &'static str {
    match need {
        Need::Planets => "planets",
        Need::Anything => "anything",
        Need::WideField => "wide-field",
        Need::Nobody => "nobody",
    }
}

/// "The next loan is for the Moon and planets, which asks most; asked for 12
/// days ago.", or "" while nobody waits.
pub fn need_words(row: &DueRow) -> String {
    if row.next_loan == Need::Nobody {
        return String::new();
    }
    let waited = match row.waited_days {
        ..1 => "asked for today".to_owned(),
        1 => "asked for yesterday".to_owned(),
        n => format!("asked for {n} days ago"),
    };
    format!("The next loan {}; {waited}.", row.next_loan.words())
}

/// "Due for 40 days.", or "" for less than a week and where nothing tells.
pub fn due_for_words(row: &DueRow) -> String {
    match row.due_days {
        ..7 => String::new(),
        n => format!("Due for {n} days."),
    }
}

/// "Chance on 12 June 2026: about 40 in 100.", or "".
pub fn coming_words(row: &DueRow, list: &DueList) -> String {
    let chance = row.foreseen.as_ref().and_then(|f| f.chance_out_coming);
    match (list.coming, chance) {
        (Some(on), Some(chance)) => {
            format!("On {}, at its usual use: {}.", day(on), in_100(chance))
        }
        _ => String::new(),
    }
}
