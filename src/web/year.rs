//! The committee's year: what the shelf was used for, how long people waited, how the
//! instruments stood, what the bench did and what moving about cost, on two pages.

use std::sync::Arc;

use askama::Template;
use axum::response::Response;
use chrono::{Datelike, NaiveTime};
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::show::capital;
use super::tables::{self, Cell};
use super::{Error, address, show};
use crate::library::club::Club;
use crate::library::missing_kit::{self, MissingPart, Which};
use crate::library::spares::{self, counted_in};
use crate::library::{Conn, Moment};
use crate::upkeep::Condition;
use crate::upkeep::year::{Books, FleetYear, Span, Use, Year};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/year", year_page),
        Route::get(Access::Coordinator, "/year.csv", year_csv),
    ]
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    of: String,
}

/// The year asked for.
///
/// # Errors
/// [`Error::BadRequest`] where it is none from 1900 to this one.
fn span_of(club: &Club, asked: &str, now: Moment) -> Result<Span, Error> {
    let this = club.date(now).year();
    let of = match asked.trim() {
        "" => Some(this),
        typed => typed.parse().ok().filter(|y| (1900..=this).contains(y)),
    };
    of.and_then(|of| {
        Span::of(
            of,
            |day| club.moment(day, NaiveTime::MIN),
            club.date(now),
            now,
        )
    })
    .ok_or_else(|| Error::BadRequest(format!("The year: give one from 1900 to {this}.")))
}

/// Its figures, made once for all that was written until now.
async fn figures(context: &RequestContext, asked: &Asked) -> Result<Arc<Year>, Error> {
    let span = span_of(context.club(), &asked.of, context.now())?;
    let snapshot = context.snapshot().await?;
    let key = i64::from(span.of);
    if let Some(year) = snapshot.kept(key) {
        return Ok(year);
    }
    let books = Books::read(&mut *context.read().await?, &span).await?;
    // Some hundred logbooks, each read as of twelve days.
    tokio::task::spawn_blocking(move || {
        let year = Year::of(&snapshot, &books, span);
        snapshot.keep(key, year)
    })
    .await
    .map_err(|e| Error::Broken(format!("the year's figures: {e}")))
}

/// The parts that went missing, or whose account was settled, over that time.
async fn missing(conn: &mut Conn, span: &Span) -> Result<Vec<MissingPart>, Error> {
    let all = Which {
        all: true,
        ..Which::default()
    };
    let within = |at: Moment| at >= span.from && at < span.until;
    let mut parts = missing_kit::list(conn, all).await?;
    parts.retain(|m| within(m.missing_since) || m.settled_at.is_some_and(within));
    Ok(parts)
}

// ---- the page ----

/// Pictures: width and height of one, and what its axes leave.
const WIDE: f64 = 720.0;
const HIGH: f64 = 170.0;
const LEFT: f64 = 44.0;
const TOP: f64 = 14.0;
const FOOT: f64 = 26.0;

/// A bar of a picture.
struct Bar {
    x: String,
    y: String,
    wide: String,
    high: String,
    /// What stands on it; "" for nothing.
    words: String,
    /// How it is drawn.
    kind: &'static str,
}

/// Twelve months across.
struct Picture {
    bars: Vec<Bar>,
    /// Under each month: where, and its name.
    across: Vec<(String, String)>,
    /// Along the side: where, and the figure.
    down: Vec<(String, String)>,
    /// Over the bars: across, down, and the figure.
    over: Vec<(String, String, String)>,
    /// What it shows, in words.
    words: String,
}

fn px(x: f64) -> String {
    format!("{x:.1}")
}

fn month_left(month: usize) -> f64 {
    LEFT + (WIDE - LEFT) * month as f64 / 12.0
}

const BAR_WIDE: f64 = (WIDE - LEFT) / 12.0 * 0.7;

fn months_across(span: &Span) -> Vec<(String, String)> {
    span.months
        .iter()
        .enumerate()
        .map(|(i, (first, _))| {
            let middle = month_left(i) + BAR_WIDE / 2.0;
            (px(middle), first.format("%b").to_string())
        })
        .collect()
}

/// Loans begun, month by month.
fn loans_picture(span: &Span, counts: &[usize]) -> Picture {
    let most = counts.iter().copied().max().unwrap_or(0).max(1) as f64;
    let room = HIGH - TOP - FOOT;
    let bars = counts.iter().enumerate().map(|(i, &n)| {
        let high = room * n as f64 / most;
        Bar {
            x: px(month_left(i)),
            y: px(HIGH - FOOT - high),
            wide: px(BAR_WIDE),
            high: px(high),
            words: n.to_string(),
            kind: "year-full",
        }
    });
    let told: Vec<String> = span
        .months
        .iter()
        .zip(counts)
        .map(|((first, _), n)| format!("{} {n}", first.format("%B")))
        .collect();
    Picture {
        bars: bars.collect(),
        across: months_across(span),
        down: Vec::new(),
        over: counts
            .iter()
            .enumerate()
            .filter(|(_, n)| **n > 0)
            .map(|(i, &n)| {
                let high = room * n as f64 / most;
                let middle = month_left(i) + BAR_WIDE / 2.0;
                (px(middle), px(HIGH - FOOT - high - 3.0), n.to_string())
            })
            .collect(),
        words: format!("Loans begun by month: {}.", told.join(", ")),
    }
}

/// How the instruments stood at the end of each month.
fn standing_picture(span: &Span, fleet: &FleetYear) -> Picture {
    let room = HIGH - TOP - FOOT;
    let mut bars = Vec::new();
    for (i, standing) in fleet.standing.iter().enumerate() {
        let all = standing.iter().sum::<usize>().max(1) as f64;
        let mut foot = HIGH - FOOT;
        for (condition, &n) in Condition::ALL.iter().zip(standing) {
            if n == 0 {
                continue;
            }
            let high = room * n as f64 / all;
            foot -= high;
            bars.push(Bar {
                x: px(month_left(i)),
                y: px(foot),
                wide: px(BAR_WIDE),
                high: px(high),
                words: n.to_string(),
                kind: match condition {
                    Condition::Ready => "year-full",
                    Condition::Usable => "year-half",
                    Condition::NeedsBench => "year-bench",
                    Condition::NotChecked => "year-open",
                },
            });
        }
    }
    let told: Vec<String> = span
        .months
        .iter()
        .zip(&fleet.standing)
        .map(|((first, _), standing)| {
            let ready = standing[Condition::Ready as usize];
            format!(
                "{} {ready} of {}",
                first.format("%B"),
                standing.iter().sum::<usize>()
            )
        })
        .collect();
    Picture {
        bars,
        across: months_across(span),
        down: [0.0, 0.5, 1.0]
            .iter()
            .map(|share| {
                let y = HIGH - FOOT - room * share;
                (px(y), format!("{:.0}\u{a0}%", share * 100.0))
            })
            .collect(),
        over: Vec::new(),
        words: format!("Ready at the end of the month: {}.", told.join(", ")),
    }
}

#[derive(Template)]
#[template(path = "year/year.html")]
struct YearPage {
    layout: Layout,
    lede: String,
    printed: String,
    of: i32,
    next: Option<i32>,
    facts: Vec<(&'static str, String)>,
    loans: Picture,
    standing: Picture,
    uses: Vec<UseRow>,
    works: Vec<(String, String, String)>,
    tests: String,
    problems: Vec<(String, String, String)>,
    shares: String,
    costs: Vec<CostRow>,
    missing: Vec<MissingRow>,
    /// Spare parts used: what, how many, what that cost.
    used_up: Vec<(String, String, String)>,
    used_up_cost: String,
    csv: String,
}

struct UseRow {
    label: String,
    cells: [String; 6],
}

struct CostRow {
    design: String,
    /// The middle, and nine chances in ten.
    costs: Vec<(String, String)>,
    known_from: String,
}

struct MissingRow {
    href: String,
    tag: String,
    part: String,
    since: String,
    became: String,
}

fn some_days(days: f64) -> String {
    match days.round() as i64 {
        1 => "1\u{a0}day".to_owned(),
        n => format!("{n}\u{a0}days"),
    }
}

async fn year_page(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let told = figures(&context, &asked).await?;
    let mut conn = context.read().await?;
    let missing = missing(&mut conn, &told.span).await?;
    let used_up = spares::used_up(&mut conn, told.span.from, told.span.until).await?;
    drop(conn);
    let (club, span, fleet) = (context.club(), &told.span, &told.fleet);
    let this_year = club.date(context.now()).year();
    let of_months = fleet.standing.iter();
    let (ready, all) = of_months.fold((0, 0), |(ready, all), s| {
        (
            ready + s[Condition::Ready as usize],
            all + s.iter().sum::<usize>(),
        )
    });
    let mut waits: Vec<f64> = told
        .uses
        .iter()
        .flat_map(|u| u.waited_days.clone())
        .collect();
    waits.sort_by(f64::total_cmp);
    let minutes: i64 = fleet.works.iter().map(|w| w.minutes).sum();
    let tests: usize = fleet.tests.iter().map(|(_, n)| n).sum();
    let mut facts = vec![
        ("Loans", told.begun.iter().sum::<usize>().to_string()),
        ("Borrowers", told.borrowers.to_string()),
        ("Star tests", tests.to_string()),
        ("At the bench", show::hours(minutes)),
    ];
    if all > 0 {
        let share = 100.0 * f64::from(ready as u32) / f64::from(all as u32);
        facts.insert(2, ("Ready", format!("{share:.0}\u{a0}% of the time")));
    }
    if let Some(half) = middle(&waits) {
        facts.push(("Half waited under", some_days(half)));
    }
    page(&YearPage {
        layout: context.layout(&format!("The year {}", span.of)),
        lede: format!(
            "{} to {}.",
            show::date(club, span.from),
            show::day(club.date(span.until - chrono::Duration::seconds(1)))
        ),
        printed: show::date(club, context.now()),
        of: span.of,
        next: (span.of < this_year).then_some(span.of + 1),
        facts,
        loans: loans_picture(span, &told.begun),
        standing: standing_picture(span, fleet),
        uses: told.uses.iter().map(use_row).collect(),
        works: fleet
            .works
            .iter()
            .map(|w| {
                let time = match w.untimed {
                    0 => show::hours(w.minutes),
                    n => format!("{} ({n} without a time)", show::hours(w.minutes)),
                };
                (capital(w.what.label()), w.times.to_string(), time)
            })
            .collect(),
        tests: show::list_of(
            &fleet
                .tests
                .iter()
                .map(|(method, n)| format!("{n} {}", method.label()))
                .collect::<Vec<_>>(),
        ),
        problems: fleet
            .problems
            .iter()
            .map(|(what, n, mended)| (capital(what.label()), n.to_string(), mended.to_string()))
            .collect(),
        shares: show::list_of(
            &fleet
                .shares
                .iter()
                .filter(|(_, share)| *share >= 0.005)
                .map(|(cause, share)| format!("{} {:.0}\u{a0}%", cause.label(), share * 100.0))
                .collect::<Vec<_>>(),
        ),
        costs: fleet
            .costs
            .iter()
            .map(|c| CostRow {
                design: capital(c.design.label()),
                costs: c
                    .costs
                    .iter()
                    .map(|cost| {
                        let (low, high) = cost.nine_in_ten();
                        (
                            format!("{:.3}", cost.coma_rms_waves),
                            format!("{low:.3} to {high:.3}"),
                        )
                    })
                    .collect(),
                known_from: format!("{} on {}", c.known_from.0, c.known_from.1),
            })
            .collect(),
        missing: missing
            .into_iter()
            .map(|m| MissingRow {
                href: address::instrument(&m.tag),
                since: show::date(club, m.missing_since),
                became: match m.outcome {
                    Some(outcome) => capital(outcome.label()),
                    None => "Open".to_owned(),
                },
                tag: m.tag,
                part: m.part,
            })
            .collect(),
        used_up_cost: {
            let costs: Vec<f64> = used_up.iter().filter_map(|u| u.cost_cents).collect();
            match costs.is_empty() {
                true => String::new(),
                false => show::money(club, costs.iter().sum::<f64>().round() as i64),
            }
        },
        used_up: used_up
            .into_iter()
            .map(|u| {
                let cost = u.cost_cents.map(|c| show::money(club, c.round() as i64));
                let amount = counted_in(u.used.amount, &u.used.unit);
                (u.used.name, amount, cost.unwrap_or_default())
            })
            .collect(),
        csv: format!("/year.csv?of={}", span.of),
    })
}

/// The middle one of what is in order; of an even number the mean of the middle two.
fn middle(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    (n > 0).then(|| (sorted[(n - 1) / 2] + sorted[n / 2]) / 2.0)
}

fn use_row(of: &Use) -> UseRow {
    let some = |n: usize| match n {
        0 => String::new(),
        n => n.to_string(),
    };
    let waited = middle(&of.waited_days).map(some_days);
    let out = of.share_out;
    UseRow {
        label: capital(of.sort.label()),
        cells: [
            of.own.to_string(),
            of.loans.to_string(),
            out.map_or_else(String::new, |s| format!("{:.0}\u{a0}%", s * 100.0)),
            waited.unwrap_or_default(),
            some(of.waiting),
            some(of.in_vain),
        ],
    }
}

async fn year_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let told = figures(&context, &asked).await?;
    tables::csv_response(
        &[
            "kind",
            "owned",
            "loans",
            "days_out",
            "share_out",
            "waited_median_days",
            "waiting",
            "left_the_list",
        ],
        told.uses.iter().map(|u| {
            vec![
                Cell::from(capital(u.sort.label())),
                u.own.into(),
                u.loans.into(),
                Cell::number(u.days_out, 1),
                Cell::from(u.share_out.map(|s| Cell::number(s, 3))),
                Cell::from(middle(&u.waited_days).map(|d| Cell::number(d, 1))),
                u.waiting.into(),
                u.in_vain.into(),
            ]
        }),
    )
}
