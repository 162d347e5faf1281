//! What will be due: the fleet at a glance with the chances of a coming day, and
//! how well the list has foretold the club's own past.

use std::sync::Arc;

use askama::Template;
use axum::response::Response;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::Deserialize;

use super::access::{Access, Route};
use super::drift_picture::{Bar, Dot, dots};
use super::due;
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::tables::{self, Cell};
use super::{Error, address, show};
use crate::upkeep::Snapshot;
use crate::upkeep::drift::back_test::{MOST_LUCK, Verdict};
use crate::upkeep::drift::forecast::{Forecast, LOOK_AGAIN_AT};
use crate::upkeep::drift::from_history::day_of;
use crate::upkeep::due_list::noon_of;
use crate::upkeep::record::LimitRecord;
use crate::upkeep::shelf::Member;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/due/ahead", ahead_page),
        Route::get(Access::Volunteer, "/due/ahead.csv", ahead_csv),
        Route::get(Access::Coordinator, "/due/record", record_page),
        Route::get(Access::Coordinator, "/due/record.csv", record_csv),
    ]
}

/// How far ahead the page looks unless asked otherwise, days.
const USUALLY_AHEAD_DAYS: u64 = 60;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    coming: String,
    /// "yes" for all of a long list, as it is printed.
    all: String,
}

/// One instrument of the fleet.
struct Line {
    path: String,
    tag: String,
    name: String,
    design: &'static str,
    bar: Bar,
    limit: f64,
    chance: String,
    coming: String,
    chance_coming: Option<f64>,
    look_again: String,
    /// What it shows itself to be, and the evidence.
    flags: Vec<(String, String)>,
}

struct Ahead {
    coming: NaiveDate,
    /// How far ahead that is, where the club's noon of it can be told.
    days_ahead: Option<f64>,
    snapshot: Arc<Snapshot>,
}

impl Ahead {
    /// Every instrument with a forecast, the likeliest out of collimation first.
    fn fleet(&self) -> Vec<(&Member, &Forecast)> {
        let members = self.snapshot.fleet.members.iter();
        let mut fleet: Vec<(&Member, &Forecast)> = members
            .filter_map(|m| Some((m, self.snapshot.forecast(m.instrument.id)?)))
            .collect();
        highest_first(&mut fleet, |forecast| forecast.chance);
        fleet
    }
}

/// By a figure of the forecast, then by tag.
fn highest_first(fleet: &mut [(&Member, &Forecast)], figure: impl Fn(&Forecast) -> f64) {
    fleet.sort_by(|(m, a), (n, b)| {
        figure(b)
            .total_cmp(&figure(a))
            .then_with(|| m.instrument.tag.cmp(&n.instrument.tag))
    });
}

async fn ahead(context: &RequestContext, asked: &Asked) -> Result<Ahead, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let usual = today
        .checked_add_days(Days::new(USUALLY_AHEAD_DAYS))
        .unwrap_or(today);
    let coming = due::coming(&asked.coming)?.unwrap_or(usual);
    if coming < today {
        return Err(Error::BadRequest(
            "The coming day: that day has passed. Choose a later one.".to_owned(),
        ));
    }
    let snapshot = context.snapshot().await?;
    let days_ahead = noon_of(club, coming).map(|at| day_of(at) - snapshot.today);
    Ok(Ahead {
        coming,
        days_ahead,
        snapshot,
    })
}

fn line(
    context: &RequestContext,
    member: &Member,
    forecast: &Forecast,
    days_ahead: Option<f64>,
) -> Line {
    let i = &member.instrument;
    let limit = member.limits.coma_bench.value;
    let chance_coming = days_ahead.map(|days| forecast.chance_after(days));
    let today = context.club().date(context.now());
    Line {
        path: address::instrument(&i.tag),
        tag: i.tag.clone(),
        name: i.name.clone(),
        design: i.design.slug(),
        bar: Bar::of(forecast.coma, limit),
        limit,
        chance: show::percent(forecast.chance),
        coming: chance_coming.map(show::percent).unwrap_or_default(),
        chance_coming,
        look_again: match forecast.look_again_days() {
            Some(days) if days < 1.0 => "now".to_owned(),
            Some(days) => today
                .checked_add_days(Days::new(days as u64))
                .map_or_else(|| "in years".to_owned(), |day| show::short_day(day, today)),
            None => "not for 5\u{a0}years".to_owned(),
        },
        flags: forecast
            .flags
            .iter()
            .map(|f| (f.title.clone(), f.evidence.clone()))
            .collect(),
    }
}

/// A look that would tell much.
struct NextLook {
    path: String,
    tag: String,
    words: String,
}

#[derive(Template)]
#[template(path = "due/ahead.html")]
struct AheadPage {
    layout: Layout,
    lede: String,
    printed: String,
    coming: NaiveDate,
    coming_words: String,
    lines: Vec<Line>,
    /// Where all of them are shown, where only the first are.
    all: String,
    next_looks: Vec<NextLook>,
    look_again_at: String,
    limits: Vec<String>,
    for_nothing: Vec<String>,
    trusted: bool,
    is_coordinator: bool,
    csv: String,
}

/// So many are shown, unless all are asked for.
const SHOWN: usize = 50;

async fn ahead_page(
    context: RequestContext,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let told = ahead(&context, &asked).await?;
    let on = show::short_day(told.coming, context.club().date(context.now()));
    let fleet = told.fleet();
    let mut worth_a_look = fleet.clone();
    worth_a_look.retain(|(_, forecast)| forecast.call.gain() >= 0.02);
    highest_first(&mut worth_a_look, |forecast| forecast.call.gain());
    let next_looks = worth_a_look
        .into_iter()
        .take(5)
        .map(|(member, forecast)| NextLook {
            path: address::instrument(&member.instrument.tag),
            tag: member.instrument.tag.clone(),
            words: format!(
                "{}: collimated or not would be called rightly {} of the time today, {} after a star test from frames.",
                member.instrument.name,
                show::percent(forecast.call.now),
                show::percent(forecast.call.after_look)
            ),
        })
        .collect();
    let record = told.snapshot.record();
    let (nothing, some): (Vec<&LimitRecord>, Vec<&LimitRecord>) = record
        .limits
        .iter()
        .filter(|l| l.looks >= 3)
        .partition(|l| l.is_for_nothing());
    let words = |l: &&LimitRecord| {
        format!(
            "{}, {}: {} star tests were due by this limit alone; {} found it out of collimation.",
            show::capital(l.design.label()),
            l.what,
            l.looks,
            match l.over {
                0 => "none".to_owned(),
                n => n.to_string(),
            }
        )
    };
    let count = fleet.len();
    let is_cut = count > SHOWN && asked.all != "yes";
    let shown = &fleet[..if is_cut { SHOWN } else { count }];
    let lines = shown
        .iter()
        .map(|(member, forecast)| line(&context, member, forecast, told.days_ahead))
        .collect();
    page(&AheadPage {
        layout: context.layout("Ahead"),
        lede: format!("{count} instruments, the likeliest out of collimation first"),
        all: match is_cut {
            true => format!("/due/ahead?coming={}&all=yes", told.coming),
            false => String::new(),
        },
        printed: show::time(context.club(), context.now()),
        coming: told.coming,
        coming_words: on,
        next_looks,
        look_again_at: show::percent(LOOK_AGAIN_AT),
        for_nothing: nothing.iter().map(words).collect(),
        limits: some.iter().map(words).collect(),
        trusted: told.snapshot.is_trusted(),
        is_coordinator: context.may(Access::Coordinator),
        csv: format!("/due/ahead.csv?coming={}", told.coming),
        lines,
    })
}

fn flags_words(flags: &[(String, String)]) -> String {
    let words: Vec<String> = flags.iter().map(|(t, e)| format!("{t}. {e}")).collect();
    words.join(" ")
}

async fn ahead_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let told = ahead(&context, &asked).await?;
    let fleet = told.fleet().into_iter();
    let rows = fleet.map(|(member, o)| {
        let l = line(&context, member, o, told.days_ahead);
        vec![
            l.tag.into(),
            l.name.into(),
            l.design.into(),
            Cell::number(l.limit, 4),
            Cell::number(o.coma[0], 4),
            Cell::number(o.coma[2], 4),
            Cell::number(o.coma[4], 4),
            Cell::number(o.chance, 3),
            told.coming.into(),
            l.chance_coming.map(|c| Cell::number(c, 3)).into(),
            o.look_again_days().map(|d| Cell::number(d, 0)).into(),
            Cell::number(o.call.gain(), 3),
            flags_words(&l.flags).into(),
        ]
    });
    tables::csv_response(
        &[
            "tag",
            "name",
            "design",
            "limit_rms_waves",
            "coma_likely_from",
            "coma_middle",
            "coma_likely_to",
            "chance_out",
            "coming",
            "chance_out_coming",
            "look_again_days",
            "look_gain",
            "shows_itself",
        ],
        rows,
    )
}

// ---- the record ----

#[derive(Template)]
#[template(path = "due/record.html")]
struct RecordPage {
    layout: Layout,
    lede: String,
    printed: String,
    dots: Vec<Dot>,
    scores: Vec<(&'static str, String, &'static str)>,
    verdict: String,
    /// Whether the newest looks are still being worked in.
    is_behind: bool,
}

/// Whether the list goes by the chances, and why, in words.
fn verdict_words(v: &Verdict) -> String {
    let gap = v.plain - v.model;
    let error = v.difference_error;
    if gap <= 0.0 {
        format!(
            "The chances predicted this club's star tests no better than its limits did (worse by {:.3}, \u{b1} {error:.3}), so the due list goes by the limits.",
            -gap
        )
    } else if v.trusted {
        format!(
            "The chances predicted this club's star tests better than its limits did: by {gap:.3}, \u{b1} {error:.3}. Were they no better, luck would make them look so in about {} clubs, which is rare enough; so the due list goes by them.",
            in_1000(v.luck)
        )
    } else if v.luck <= MOST_LUCK {
        format!(
            "{} star tests, {} of them over their limit, are too few to tell, so the due list goes by the limits.",
            v.looks, v.over
        )
    } else {
        format!(
            "The chances predicted this club's star tests better than its limits did by {gap:.3}, \u{b1} {error:.3}, which may well be luck: were they no better, about {} clubs would see as much. Until that is {} or fewer, the due list goes by the limits.",
            in_1000(v.luck),
            in_1000(MOST_LUCK)
        )
    }
}

/// "37 in 1000", and never none.
fn in_1000(chance: f64) -> String {
    match (chance * 1000.0).round() as i64 {
        ..1 => "less than 1 in 1000".to_owned(),
        n => format!("{n} in 1000"),
    }
}

/// Every past look with what was said of it the day before.
async fn record_csv(context: RequestContext) -> Result<Response, Error> {
    let snapshot = context.snapshot().await?;
    let record = snapshot.record();
    let rows = record.said.iter().zip(&record.plain).map(|(said, plain)| {
        let at = DateTime::<Utc>::from_timestamp((said.day * 86_400.0) as i64, 0);
        let why: Vec<&str> = plain.why.iter().map(|c| c.slug()).collect();
        vec![
            plain.tag.as_str().into(),
            at.map(|at| context.club().date(at)).into(),
            Cell::number(said.chance, 4),
            yes_no(!plain.why.is_empty()).into(),
            why.join(" ").into(),
            Cell::number(plain.chance, 4),
            yes_no(said.over).into(),
        ]
    });
    tables::csv_response(
        &[
            "tag",
            "looked_on",
            "chance_said",
            "limits_said_due",
            "limits_why",
            "limits_chance",
            "over_limit",
        ],
        rows,
    )
}

fn yes_no(yes: bool) -> &'static str {
    if yes { "yes" } else { "no" }
}

async fn record_page(context: RequestContext) -> Result<Response, Error> {
    let snapshot = context.snapshot().await?;
    let record = snapshot.record();
    let (lede, verdict, scores) = match record.verdict {
        None if snapshot.is_behind => (
            "The past looks are being gone through for the first time since the start.".to_owned(),
            "The list goes by the limits alone until that is done; open this page again in a minute."
                .to_owned(),
            Vec::new(),
        ),
        None => (
            "No past look had a day before it yet.".to_owned(),
            "The list goes by the limits alone until there are looks to judge the chances by."
                .to_owned(),
            Vec::new(),
        ),
        Some(v) => {
            let words = verdict_words(&v);
            let scores = vec![
                (
                    "The chances",
                    format!("{:.3}", v.model),
                    "what the model said the day before",
                ),
                (
                    "The limits, watched",
                    format!("{:.3}", v.plain),
                    "due or not, each taken as often right as it had been before",
                ),
                (
                    "The limits, bare",
                    format!("{:.3}", v.plain_bare),
                    "due taken as a sure yes, not due as a sure no",
                ),
            ];
            (
                format!(
                    "{} past looks, {} of them over their limit, and what was said of each the day before.",
                    v.looks, v.over
                ),
                words,
                scores,
            )
        }
    };
    page(&RecordPage {
        is_behind: snapshot.is_behind,
        layout: context.layout("How well the due list has predicted"),
        lede,
        printed: show::time(context.club(), context.now()),
        dots: dots(&record.calibration),
        scores,
        verdict,
    })
}
