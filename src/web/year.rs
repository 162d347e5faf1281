//! The committee's year: what the shelf was used for, how long people waited, how the
//! instruments stood, what the bench did and what moving about cost, on two pages.

use std::collections::HashSet;

use askama::Template;
use axum::response::Response;
use chrono::{Datelike, Months, NaiveDate, NaiveTime};
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::show::capital;
use super::tables::{self, Cell};
use super::{Error, address, show};
use crate::library::club::Club;
use crate::library::instruments::Design;
use crate::library::missing_kit::{self, MissingPart, Which};
use crate::library::spares::{self, counted_in};
use crate::library::things::Kind;
use crate::library::year::{self as books, Lent, Owned, Waited};
use crate::library::{Conn, Moment};
use crate::upkeep::Condition;
use crate::upkeep::year::{FleetYear, year};

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

/// A year by the club's calendar, as far as it has come.
struct Span {
    of: i32,
    /// Its first moment.
    from: Moment,
    /// The first moment after it, or now.
    until: Moment,
    /// The end of each month that has begun, or now.
    months: Vec<(NaiveDate, Moment)>,
}

impl Span {
    fn of(club: &Club, of: &str, now: Moment) -> Result<Self, Error> {
        let today = club.date(now);
        let of = match of.trim() {
            "" => today.year(),
            typed => typed
                .parse()
                .ok()
                .filter(|y| (1900..=today.year()).contains(y))
                .ok_or_else(|| {
                    Error::BadRequest(format!("The year: give one from 1900 to {}.", today.year()))
                })?,
        };
        let first = |year, month| {
            NaiveDate::from_ymd_opt(year, month, 1)
                .ok_or_else(|| Error::BadRequest("The year: there is no such one.".to_owned()))
        };
        let midnight = |day| club.moment(day, NaiveTime::MIN);
        let from = midnight(first(of, 1)?);
        let mut months = Vec::new();
        for month in 1..=12 {
            let first = first(of, month)?;
            if first > today {
                break;
            }
            let next = first.checked_add_months(Months::new(1)).unwrap_or(first);
            months.push((first, midnight(next).min(now)));
        }
        let until = months.last().map_or(now, |(_, end)| *end);
        Ok(Self {
            of,
            from,
            until,
            months,
        })
    }

    fn days(&self) -> f64 {
        days(self.from, self.until)
    }
}

fn days(from: Moment, until: Moment) -> f64 {
    (until - from).num_seconds().max(0) as f64 / 86_400.0
}

/// The use of one kind of thing.
struct Use {
    label: String,
    /// How many there are now.
    own: usize,
    /// Loans begun.
    loans: usize,
    /// Days on loan within the year, over all of them.
    days_out: f64,
    /// How long those waited who got theirs within the year, days, shortest first.
    waited_days: Vec<f64>,
    /// Who waits still at its end.
    waiting: usize,
    /// Who left the list without it within the year.
    in_vain: usize,
}

impl Use {
    fn share_out(&self, span: &Span) -> Option<f64> {
        let there = self.own as f64 * span.days();
        (there > 0.0).then(|| (self.days_out / there).min(1.0))
    }
}

fn uses(span: &Span, own: &[Owned], lent: &[Lent], waited: &[Waited]) -> Vec<Use> {
    let designs = Design::ALL.iter().map(|&d| (Kind::Instrument, Some(d)));
    let things = Kind::of_things().iter().map(|&k| (k, None));
    let within = |at: Moment| at >= span.from && at < span.until;
    designs
        .chain(things)
        .map(|sort| {
            let of_sort = |kind, design| (kind, design) == sort;
            let loans = || lent.iter().filter(|l| of_sort(l.kind, l.design));
            let waits = || waited.iter().filter(|w| of_sort(w.kind, w.design));
            let closed = |w: &&Waited| w.closed_at.is_some_and(within);
            let mut waited_days: Vec<f64> = waits()
                .filter(|w| w.got_it)
                .filter(closed)
                .filter_map(|w| Some(days(w.asked_at, w.closed_at?)))
                .collect();
            waited_days.sort_by(f64::total_cmp);
            Use {
                label: match sort {
                    (_, Some(design)) => capital(design.label()),
                    (kind, None) => capital(kind.label()),
                },
                own: own.iter().filter(|o| of_sort(o.kind, o.design)).count(),
                loans: loans().filter(|l| within(l.lent_at)).count(),
                days_out: loans()
                    .map(|l| {
                        let back = l.returned_at.unwrap_or(span.until);
                        days(l.lent_at.max(span.from), back.min(span.until))
                    })
                    // Nothing adds up to zero, not to less than nothing as `sum` has it.
                    .fold(0.0, |sum, days| sum + days),
                waited_days,
                waiting: waits()
                    .filter(|w| w.closed_at.is_none_or(|c| c >= span.until))
                    .count(),
                in_vain: waits().filter(|w| !w.got_it).filter(closed).count(),
            }
        })
        .filter(|u| u.own > 0 || u.loans > 0 || u.days_out > 0.0 || u.waiting > 0)
        .collect()
}

/// What the shelf was used for.
struct Used {
    span: Span,
    uses: Vec<Use>,
    lent: Vec<Lent>,
    own: Vec<Owned>,
}

async fn used(context: &RequestContext, conn: &mut Conn, asked: &Asked) -> Result<Used, Error> {
    let span = Span::of(context.club(), &asked.of, context.now())?;
    let lent = books::lent(conn, span.from, span.until).await?;
    let waited = books::waited(conn, span.from, span.until).await?;
    let own = books::owned(conn).await?;
    Ok(Used {
        uses: uses(&span, &own, &lent, &waited),
        span,
        lent,
        own,
    })
}

/// How the fleet fared over that time.
async fn fared(context: &RequestContext, used: &Used) -> Result<FleetYear, Error> {
    let snapshot = context.snapshot().await?;
    let settled = books::settled(&mut *context.read().await?).await?;
    let added = used.own.iter().map(|o| (o.id, o.added_at)).collect();
    let ends: Vec<Moment> = used.span.months.iter().map(|(_, end)| *end).collect();
    let (from, until) = (used.span.from, used.span.until);
    // Some hundred logbooks, each read as of twelve days.
    tokio::task::spawn_blocking(move || year(&snapshot, &settled, &added, from, until, &ends))
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
fn loans_picture(span: &Span, lent: &[Lent]) -> Picture {
    let mut begins = span.from;
    let counts: Vec<usize> = span
        .months
        .iter()
        .map(|(_, end)| {
            let from = std::mem::replace(&mut begins, *end);
            let begun = lent
                .iter()
                .filter(|l| l.lent_at >= from && l.lent_at < *end);
            begun.count()
        })
        .collect();
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
        .zip(&counts)
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
    let mut conn = context.read().await?;
    let told = used(&context, &mut conn, &asked).await?;
    let missing = missing(&mut conn, &told.span).await?;
    let used_up = spares::used_up(&mut conn, told.span.from, told.span.until).await?;
    drop(conn);
    let fleet = &fared(&context, &told).await?;
    let (club, span) = (context.club(), &told.span);
    let this_year = club.date(context.now()).year();
    let begun = told.lent.iter().filter(|l| l.lent_at >= span.from);
    let borrowers: HashSet<_> = told.lent.iter().map(|l| l.borrower_id).collect();
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
        ("Loans", begun.count().to_string()),
        ("Borrowers", borrowers.len().to_string()),
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
        loans: loans_picture(span, &told.lent),
        standing: standing_picture(span, fleet),
        uses: told.uses.iter().map(|u| use_row(u, span)).collect(),
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

fn use_row(of: &Use, span: &Span) -> UseRow {
    let some = |n: usize| match n {
        0 => String::new(),
        n => n.to_string(),
    };
    let waited = middle(&of.waited_days).map(some_days);
    let out = of.share_out(span);
    UseRow {
        label: of.label.clone(),
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
    let told = used(&context, &mut *context.read().await?, &asked).await?;
    let span = &told.span;
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
                Cell::from(u.label.clone()),
                u.own.into(),
                u.loans.into(),
                Cell::number(u.days_out, 1),
                Cell::from(u.share_out(span).map(|s| Cell::number(s, 3))),
                Cell::from(middle(&u.waited_days).map(|d| Cell::number(d, 1))),
                u.waiting.into(),
                u.in_vain.into(),
            ]
        }),
    )
}
