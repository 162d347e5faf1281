//! A month at a glance: what is out and due back, what is reserved, and the work nights.

use askama::Template;
use axum::response::Response;
use chrono::{Datelike, Days, Months, NaiveDate, NaiveTime};

use super::Error;
use super::access::{Access, Route};
use super::extract::Query;
use super::page::{Layout, RequestContext, page};
use super::show;
use crate::library::instruments::State;
use crate::library::loans::{self, LoanDays};
use crate::library::reservations::{self, Reservation};
use crate::library::work_nights::WorkNight;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Member, "/calendar", calendar)]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    /// Like 2026-11; this month when left out.
    month: String,
}

/// One day of the month, or of the weeks at its ends.
struct Day {
    number: u32,
    /// As the list on a phone names it.
    words: String,
    in_month: bool,
    is_today: bool,
    out: usize,
    lines: Vec<Line>,
}

/// What is to be said of a day: a kind and the tags or words.
struct Line {
    kind: &'static str,
    words: String,
    href: String,
}

#[derive(Template)]
#[template(path = "lending/calendar.html")]
struct CalendarPage {
    layout: Layout,
    lede: String,
    weeks: Vec<Vec<Day>>,
    before: String,
    after: String,
    month: String,
    is_volunteer: bool,
}

/// So many tags a day has room for.
const TAGS_SHOWN: usize = 12;

fn joined<'a>(tags: impl Iterator<Item = &'a str>) -> String {
    let mut tags: Vec<&str> = tags.collect();
    let more = tags.len().saturating_sub(TAGS_SHOWN);
    tags.truncate(TAGS_SHOWN);
    match more {
        0 => tags.join(", "),
        n => format!("{} and {n} more", tags.join(", ")),
    }
}

/// What there is on one day.
struct Facts<'a> {
    loans: &'a [(NaiveDate, NaiveDate, &'a LoanDays)],
    reserved: &'a [Reservation],
    nights: &'a [WorkNight],
    today: NaiveDate,
    /// Whether events may be named and nights opened.
    is_volunteer: bool,
}

impl Facts<'_> {
    fn lines(&self, day: NaiveDate) -> Vec<Line> {
        let mut lines = Vec::new();
        let mut say = |kind, words: String, href: String| {
            if !words.is_empty() {
                lines.push(Line { kind, words, href });
            }
        };
        for night in self.nights.iter().filter(|n| n.held_on == day) {
            let href = match self.is_volunteer {
                true => format!("/work-nights/{}", night.id),
                false => String::new(),
            };
            say("Work night", night.place.clone(), href);
        }
        let due = self
            .loans
            .iter()
            .filter(|(_, _, l)| l.due_on == day && l.returned_at.is_none());
        let due = joined(due.map(|(_, _, l)| l.tag.as_str()));
        say(
            if day < self.today { "Was due" } else { "Due" },
            due,
            String::new(),
        );
        for r in self.reserved.iter().filter(|r| r.meets(day, day)) {
            let words = match r.event.is_empty() || !self.is_volunteer {
                true => r.tag.clone(),
                false => format!("{}, {}", r.tag, r.event),
            };
            say("Reserved", words, String::new());
        }
        let back = self
            .loans
            .iter()
            .filter(|(_, back, l)| *back == day && l.returned_at.is_some());
        say(
            "Came back",
            joined(back.map(|(_, _, l)| l.tag.as_str())),
            String::new(),
        );
        lines
    }

    fn out(&self, day: NaiveDate) -> usize {
        if day > self.today {
            let still = |l: &LoanDays| l.returned_at.is_none() && l.due_on >= day;
            return self.loans.iter().filter(|(_, _, l)| still(l)).count();
        }
        let on =
            |(from, back, _): &&(NaiveDate, NaiveDate, &LoanDays)| *from <= day && *back >= day;
        self.loans.iter().filter(on).count()
    }
}

async fn calendar(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let this_month = today.with_day(1).unwrap_or(today);
    let first = match asked.month.trim() {
        "" => this_month,
        typed => NaiveDate::parse_from_str(&format!("{typed}-01"), "%Y-%m-%d")
            .ok()
            .filter(|day| (1900..=2200).contains(&day.year()))
            .ok_or_else(|| Error::BadRequest("Month: give one like 2026-11.".to_owned()))?,
    };
    let next = first.checked_add_months(Months::new(1)).unwrap_or(first);
    let monday = first - Days::new(u64::from(first.weekday().num_days_from_monday()));
    let snapshot = context.snapshot().await?;
    let mut conn = context.read().await?;
    let from = club.moment(monday, NaiveTime::MIN);
    let until = club.moment(next + Days::new(7), NaiveTime::MIN);
    let loans = loans::between(&mut conn, from, until).await?;
    let spans: Vec<_> = loans
        .iter()
        .map(|l| {
            let back = l.returned_at.map_or(today, |at| club.date(at));
            (club.date(l.lent_at), back, l)
        })
        .collect();
    let reserved = reservations::from_day(&mut conn, None, monday).await?;
    let mut nights = WorkNight::all(&mut conn).await?;
    nights.retain(|n| n.called_off_at.is_none() && n.held_on >= monday);
    drop(conn);
    let is_volunteer = context.may(Access::Volunteer);
    let facts = Facts {
        loans: &spans,
        reserved: &reserved,
        nights: &nights,
        today,
        is_volunteer,
    };
    let mut weeks = Vec::new();
    let mut start = monday;
    while start < next {
        let week = (0..7).map(|n| start + Days::new(n));
        weeks.push(
            week.map(|day| Day {
                number: day.day(),
                words: day.format("%A %-d %B").to_string(),
                in_month: day >= first && day < next,
                is_today: day == today,
                out: facts.out(day),
                lines: facts.lines(day),
            })
            .collect(),
        );
        start = start + Days::new(7);
    }
    let states = snapshot.fleet.members.iter().map(|m| m.instrument.state());
    let states: Vec<State> = states.collect();
    let count = |of: State| states.iter().filter(|s| **s == of).count();
    let link = |day: NaiveDate| format!("/calendar?month={}", day.format("%Y-%m"));
    page(&CalendarPage {
        layout: context.layout("Calendar"),
        lede: format!(
            "{}. Today {} out, {} held or at the bench.",
            first.format("%B %Y"),
            count(State::OnLoan),
            count(State::AtTheBench) + count(State::HeldForTheBench)
        ),
        weeks,
        before: link(first.pred_opt().unwrap_or(first)),
        after: link(next),
        month: show::capital(&first.format("%B %Y").to_string()),
        is_volunteer,
    })
}
