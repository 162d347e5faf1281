//! The due list: page, CSV, JSON.

use askama::Template;
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use serde::Deserialize;

use super::access::{Access, Route};
use super::drift_picture::Bar;
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::tables::{self, Cell};
use super::{Error, address, show};
use crate::library::club::Club;
use crate::library::instruments::{Check, State};
use crate::library::star_tests::Method;
use crate::upkeep::assessment::{DueCode, DueReason};
use crate::upkeep::drift::plan::Need;
use crate::upkeep::due_list::{
    DueList, DueRow, Filter, PRESS_WORDS, due_list, in_100, whole_due_list,
};
use crate::upkeep::figures::apart;
use crate::upkeep::reasons::URGENCY_WORDS;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/due", due_page),
        Route::get(Access::Volunteer, "/due.csv", due_csv),
        Route::get(Access::Volunteer, "/due.json", due_json),
    ]
}

/// What stands after the question mark; "" is no filter.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
struct Asked {
    design: String,
    place: String,
    state: String,
    /// A coming day to look ahead to.
    coming: String,
    /// "yes" for all of a long list, as it is printed.
    all: String,
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
            ("all", &self.all),
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
    let (filter, coming) = (asked.filter()?, asked.coming()?);
    let snapshot = context.snapshot().await?;
    let (club, now) = (context.club(), context.now());
    Ok(match filter.is_open() && coming.is_none() {
        true => whole_due_list(&snapshot, club, now).as_ref().clone(),
        false => due_list(&snapshot, club, &filter, coming, now),
    })
}

/// One instrument as the list shows it.
struct Line {
    rank: usize,
    path: String,
    tag: String,
    name: String,
    condition: &'static str,
    /// One reason, short.
    why: String,
    /// The same uncut, for paper; "" where it is short enough.
    why_whole: String,
    /// "2 more reasons", or "".
    more: String,
    bar: Option<Bar>,
    chance: String,
    next: String,
    /// "On the shelf", "On loan, back Mon 30 Nov".
    status: String,
    late: bool,
    /// All reasons, whole.
    reasons: Vec<String>,
    /// What the chances say.
    chances: Vec<String>,
    numbers: Vec<String>,
    last_test: String,
    last_test_label: &'static str,
    /// What stands where the bar would.
    no_bar: &'static str,
}

fn line(row: &DueRow, list: &DueList, club: &Club, today: NaiveDate) -> Line {
    let bar = row
        .foreseen
        .as_ref()
        .map(|f| Bar::of(f.coma_rms_waves, f.limit_rms_waves));
    let mut chances: Vec<String> = Vec::new();
    let mut numbers = Vec::new();
    if let Some(f) = &row.foreseen {
        chances.extend(f.words.iter().cloned());
        numbers.extend(f.numbers.iter().cloned());
    }
    let beside = [coming_words(row, list), need_words(row), due_for_words(row)];
    chances.extend(beside.into_iter().filter(|words| !words.is_empty()));
    let why = row.reasons.first().map_or_else(
        || "Within its limits, likely out".to_owned(),
        |reason| short_why(row, reason, club, today),
    );
    let short = cut(&why);
    Line {
        rank: row.rank,
        path: address::instrument(&row.tag),
        tag: row.tag.clone(),
        name: row.name.clone(),
        condition: row.condition.slug(),
        why_whole: if short == why { String::new() } else { why },
        why: short,
        more: match row.reasons.len() {
            ..2 => String::new(),
            n => show::counted(n - 1, "more reason", "more reasons"),
        },
        bar,
        chance: row
            .foreseen
            .as_ref()
            .map_or_else(|| "–".to_owned(), |f| show::percent(f.chance_out)),
        next: match row.waiting {
            0 => "–".to_owned(),
            n => format!("{n}\u{a0}waiting"),
        },
        status: status_words(row, today),
        late: row.overdue,
        reasons: row.reasons.iter().map(|r| r.words.clone()).collect(),
        chances,
        numbers,
        last_test: last_test_words(row),
        last_test_label: last_test_label(row),
        no_bar: match row.design.check() {
            Check::Barrels => "barrel checks",
            Check::Star | Check::Bench => "no star test",
        },
    }
}

/// "On the shelf", "On loan, back Mon 30 Nov", "4 days late"; never with whom it is.
fn status_words(row: &DueRow, today: NaiveDate) -> String {
    match row.back_by {
        Some(back) if row.overdue => {
            format!("On loan, {}", show::days_late((today - back).num_days()))
        }
        Some(back) => format!("On loan, back {}", show::short_day(back, today)),
        None => show::capital(row.state.label()),
    }
}

/// The most letters of a reason on its row.
const LETTERS: usize = 46;

/// A reason that fits its row: cut after a word, as "Fine grey threads across …".
/// The whole stands in the row's evidence, and on paper.
pub fn cut(words: &str) -> String {
    if words.chars().count() <= LETTERS {
        return words.to_owned();
    }
    let mut kept = String::new();
    for word in words.split(' ') {
        if kept.chars().count() + word.chars().count() + 2 > LETTERS {
            break;
        }
        kept.push_str(word);
        kept.push(' ');
    }
    format!(
        "{}\u{a0}…",
        kept.trim_end().trim_end_matches([',', '.', ';', ':'])
    )
}

/// What a reason says before its limit is named.
pub fn first_clause(reason: &str) -> String {
    let words = reason.split(';').next().unwrap_or_default();
    let words = words.split(". ").next().unwrap_or_default();
    words.trim_end_matches('.').to_owned()
}

/// One reason in one line; the whole of it stands in the row's evidence.
pub fn short_why(row: &DueRow, reason: &DueReason, club: &Club, today: NaiveDate) -> String {
    match reason.code {
        DueCode::Problem => {
            let words = reason.words.strip_prefix("Reported: ");
            let words = words.unwrap_or(&reason.words).trim_end_matches('.');
            match reason.since {
                Some(at) => format!("{words}, reported {}", show::ago(club.date(at), today)),
                None => words.to_owned(),
            }
        }
        DueCode::Coma => match (&row.last_test, &row.foreseen) {
            (Some(test), Some(f)) => {
                let by_eye = match test.method {
                    Method::ByEye => "By eye: coma",
                    Method::FromFrames => "Coma",
                    Method::ByPhone => "By phone: coma",
                };
                format!(
                    "{by_eye} {:.3}\u{a0}waves, limit {}",
                    test.coma_rms_waves,
                    show::trimmed(f.limit_rms_waves, 3)
                )
            }
            _ => first_clause(&reason.words),
        },
        DueCode::Knock => "Knocked; not looked over since".to_owned(),
        DueCode::Moved => format!("Optics moved; no {} since", row.design.check().words()),
        DueCode::SecondLook => "Waits for a second look".to_owned(),
        DueCode::Untested => "Never tested".to_owned(),
        DueCode::Journeys => {
            let (drives, limit) = apart(row.exposure_drives, row.exposure_limit_drives, 1);
            format!("Moved like {drives}\u{a0}drives, limit {limit}")
        }
        DueCode::Barrels => match &row.last_barrel_check {
            Some(check) => format!(
                "Barrels apart by {} times what eyes accept",
                show::trimmed(check.times_accepted, 1)
            ),
            None => first_clause(&reason.words),
        },
        DueCode::Months | DueCode::Loans => first_clause(&reason.words),
        DueCode::Ahead => "An entry is dated ahead: correct its day".to_owned(),
    }
}

/// A filter to tap.
struct Chip {
    words: String,
    href: String,
    on: bool,
}

#[derive(Template)]
#[template(path = "due/list.html")]
struct DuePage {
    layout: Layout,
    title: String,
    lede: String,
    printed: String,
    asked: Asked,
    lines: Vec<Line>,
    likely: Vec<Line>,
    /// Where all of it is shown, where only the most urgent are.
    all: String,
    chips: Vec<Chip>,
    designs: Vec<Chip>,
    places: Vec<Chip>,
    list: DueList,
    urgency_words: &'static str,
    is_coordinator: bool,
    csv: String,
    json: String,
}

/// So many of the most urgent are shown, unless all are asked for.
const SHOWN: usize = 50;

async fn due_page(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let list = list(&context, &asked).await?;
    let club = context.club();
    let today = club.date(context.now());
    let instruments = show::counted(list.instruments, "instrument", "instruments");
    let lede = match (list.due_in_all, list.due.len()) {
        (0, _) => String::new(),
        (all, shown) if shown < all => format!("{shown} of the {all} that are due"),
        _ => format!("of {instruments}"),
    };
    let most = match asked.all == "yes" {
        true => usize::MAX,
        false => SHOWN,
    };
    let of = |rows: &[DueRow]| {
        let rows = rows.iter().take(most);
        rows.map(|row| line(row, &list, club, today)).collect()
    };
    let (lines, likely) = (of(&list.due), of(&list.likely_out));
    let all = match list.due.len().max(list.likely_out.len()) > most {
        true => Asked {
            all: "yes".to_owned(),
            ..asked.clone()
        }
        .on("/due"),
        false => String::new(),
    };
    page(&DuePage {
        title: match list.due_in_all {
            0 => "Nothing is due".to_owned(),
            n => format!("{n} due for the bench"),
        },
        layout: context.layout("Due for the bench"),
        lede,
        printed: show::time(context.club(), context.now()),
        chips: state_chips(&asked, &list),
        designs: design_chips(&asked, &list),
        places: place_chips(&asked, &list),
        urgency_words: if list.ordered_by_chance {
            PRESS_WORDS
        } else {
            URGENCY_WORDS
        },
        is_coordinator: context.may(Access::Coordinator),
        csv: asked.on("/due.csv"),
        json: asked.on("/due.json"),
        lines,
        likely,
        all,
        asked,
        list,
    })
}

fn state_chips(asked: &Asked, list: &DueList) -> Vec<Chip> {
    let all = Chip {
        words: format!("All {}", list.due_in_all),
        href: Asked::default().on("/due"),
        on: asked.state.is_empty() && asked.design.is_empty() && asked.place.is_empty(),
    };
    let states = [
        State::OnTheShelf,
        State::OnLoan,
        State::HeldForTheBench,
        State::AtTheBench,
    ];
    let states = states.into_iter().filter_map(|state| {
        let n = list.states.iter().filter(|s| **s == state).count();
        let on = asked.state == state.slug();
        let to = Asked {
            state: state.slug().to_owned(),
            ..asked.clone()
        };
        (n > 0 || on).then(|| Chip {
            words: format!("{} {n}", show::capital(state.label())),
            href: to.on("/due"),
            on,
        })
    });
    std::iter::once(all).chain(states).collect()
}

fn design_chips(asked: &Asked, list: &DueList) -> Vec<Chip> {
    let designs = list.designs.iter().map(|design| Chip {
        words: show::capital(design.label()),
        on: asked.design == design.slug(),
        href: Asked {
            design: design.slug().to_owned(),
            ..asked.clone()
        }
        .on("/due"),
    });
    designs.collect()
}

fn place_chips(asked: &Asked, list: &DueList) -> Vec<Chip> {
    let places = list.places.iter().filter(|place| !place.is_empty());
    let places = places.map(|place| Chip {
        words: place.clone(),
        on: asked.place == *place,
        href: Asked {
            place: place.clone(),
            ..asked.clone()
        }
        .on("/due"),
    });
    places.collect()
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

/// "until 14 March 2026", or that it is late; "" when not on loan.
pub fn until_words(row: &DueRow) -> String {
    row.back_by.map_or_else(String::new, |back| {
        if row.overdue {
            format!("overdue since {}", show::day(back))
        } else {
            format!("until {}", show::day(back))
        }
    })
}

/// Where it is now, never who has it: "on loan until 14 March 2026".
pub fn where_words(row: &DueRow) -> String {
    format!("{} {}", row.state, until_words(row))
        .trim_end()
        .to_owned()
}

/// What [`last_test_words`] are about.
pub fn last_test_label(row: &DueRow) -> &'static str {
    match row.design.check() {
        Check::Barrels => "Last barrel check",
        Check::Star | Check::Bench => "Last star test",
    }
}

/// "14 March 2026, from frames", or "never": the last star test, or barrel check.
pub fn last_test_words(row: &DueRow) -> String {
    if row.design.check() == Check::Barrels {
        let last = row.last_barrel_check.as_ref();
        return last.map_or_else(
            || "never".to_owned(),
            |c| format!("{}, {}", show::day(c.on), c.way),
        );
    }
    row.last_test.as_ref().map_or_else(
        || {
            if row.design.takes_star_test() {
                "never".to_owned()
            } else {
                "takes none".to_owned()
            }
        },
        |t| format!("{}, {}", show::day(t.on), t.method),
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
            format!(
                "On {}, at its usual use: {}.",
                show::day(on),
                in_100(chance)
            )
        }
        _ => String::new(),
    }
}
