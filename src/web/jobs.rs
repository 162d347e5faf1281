//! Jobs: who puts which problem right, and by when. Taking one on is in [`super::job_form`].

use std::cmp::Reverse;
use std::collections::HashMap;

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::Query;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, page};
use super::shelf::tag_key;
use super::tables::{Cell, csv_response};
use super::{Error, address, show};
use crate::library::jobs::{self, Job};
use crate::library::{self, Conn, EntryId, InstrumentId, PersonId, problems};
use crate::upkeep::due_list::whole_due_list;

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/jobs", list),
        Route::get(Volunteer, "/jobs.csv", list_csv),
    ]
}

/// Where the job of a problem is taken on or changed.
pub fn form_address(problem: EntryId) -> String {
    format!("/problems/{problem}/job")
}

/// "Kofi Lindgren, by Thu 3 Dec", "No one yet", "Kofi Lindgren, 2 days late".
pub fn who_and_when(job: &Job, today: NaiveDate) -> String {
    let who = job.person.as_deref().unwrap_or("No one yet");
    match (job.days_late(today), job.terms.due_on) {
        (Some(days), _) => format!("{who}, {}", show::days_late(days)),
        (None, Some(day)) => format!("{who}, by {}", show::short_day(day, today)),
        (None, None) => who.to_owned(),
    }
}

/// A job in one line, as pages show it beside its instrument.
pub struct JobLine {
    /// The problem.
    pub words: String,
    /// Who does it by when; "" where nobody took it on.
    pub who: String,
    /// Whether its day has passed.
    pub late: bool,
    /// Where it is taken on or changed.
    pub href: String,
}

impl JobLine {
    /// The open jobs of one instrument.
    pub fn of(jobs: &[Job], instrument: InstrumentId, today: NaiveDate) -> Vec<Self> {
        jobs.iter()
            .filter(|job| job.instrument_id == instrument && job.settled_at.is_none())
            .map(|job| Self {
                words: job.problem.words.clone(),
                who: who_and_when(job, today),
                late: job.days_late(today).is_some(),
                href: form_address(job.problem_entry_id),
            })
            .collect()
    }

    /// Every open problem of one instrument, taken on or not, the latest first.
    pub async fn of_problems(
        conn: &mut Conn,
        instrument: InstrumentId,
        today: NaiveDate,
    ) -> Result<Vec<Self>, Error> {
        let jobs = jobs::list(conn, Some(instrument)).await?;
        let open = problems::open(conn, Some(instrument)).await?;
        Ok(open
            .into_iter()
            .rev()
            .map(|p| {
                let job = jobs.iter().find(|j| j.problem_entry_id == p.entry_id);
                Self {
                    words: p.problem.words,
                    who: job.map_or_else(String::new, |job| who_and_when(job, today)),
                    late: job.is_some_and(|job| job.days_late(today).is_some()),
                    href: form_address(p.entry_id),
                }
            })
            .collect())
    }
}

/// The place of each due instrument in the due list, by tag.
async fn due_ranks(context: &RequestContext) -> Result<HashMap<String, usize>, Error> {
    let snapshot = context.snapshot().await?;
    let list = whole_due_list(&snapshot, context.club(), context.now());
    let rows = list.due.iter().chain(&list.likely_out);
    Ok(rows
        .enumerate()
        .map(|(n, row)| (row.tag.clone(), n))
        .collect())
}

/// In the order in which they come: by their day, then, where they have none, as the due
/// list has their instruments.
async fn in_order(context: &RequestContext, jobs: &mut [Job]) -> Result<(), Error> {
    let ranks = due_ranks(context).await?;
    jobs.sort_by_cached_key(|job| {
        let rank = ranks.get(&job.tag).copied().unwrap_or(usize::MAX);
        (
            job.terms.due_on.unwrap_or(NaiveDate::MAX),
            rank,
            tag_key(&job.tag),
            job.begun_at,
        )
    });
    Ok(())
}

/// What a person has to do, in order. Hold no connection.
pub async fn of_person(context: &RequestContext, person: PersonId) -> Result<Vec<Job>, Error> {
    let mut mine = jobs::list(&mut *context.read().await?, None).await?;
    mine.retain(|job| job.is_of(person));
    in_order(context, &mut mine).await?;
    Ok(mine)
}

// ---- the list ----

fn controls() -> Controls {
    Controls {
        path: "/jobs".to_owned(),
        csv: "/jobs.csv".to_owned(),
        sought_in: "Tag, words, or who does it",
        choices: vec![
            Choice::of(
                "who",
                "Who",
                "anyone",
                &[("me", "me"), ("none", "no one yet")],
            ),
            Choice::of(
                "show",
                "Which",
                "open",
                &[("late", "late"), ("settled", "settled"), ("all", "all")],
            ),
        ],
        orders: &[
            ("when", "By when"),
            ("tag", "Tag"),
            ("who", "Who"),
            ("newest", "Newest first"),
        ],
        rows: 50,
    }
}

async fn asked_for(context: &RequestContext, asked: &Asked) -> Result<Vec<Job>, Error> {
    let controls = controls();
    let order = controls.check(asked)?;
    let me = context.person()?.id;
    let today = context.club().date(context.now());
    let mut found = jobs::list(&mut *context.read().await?, None).await?;
    found.retain(|job| {
        let who = match asked.of("who") {
            "me" => job.terms.person == Some(me),
            "none" => job.terms.person.is_none(),
            _ => true,
        };
        let shown = match asked.of("show") {
            "all" => true,
            "settled" => job.settled_at.is_some(),
            "late" => job.days_late(today).is_some(),
            _ => job.settled_at.is_none(),
        };
        who && shown
            && asked.fits(&[
                &job.tag,
                &job.instrument_name,
                &job.problem.words,
                &job.terms.note,
                job.person.as_deref().unwrap_or_default(),
            ])
    });
    match order {
        "tag" => found.sort_by_cached_key(|job| tag_key(&job.tag)),
        "who" => found.sort_by_cached_key(|job| {
            let name = job.person.as_deref().map(library::people::sorted_as);
            (name.is_none(), name, job.terms.due_on)
        }),
        "newest" => found.sort_by_key(|job| Reverse(job.begun_at)),
        _ => in_order(context, &mut found).await?,
    }
    Ok(found)
}

struct Row {
    tag: String,
    href: String,
    words: String,
    note: String,
    who: String,
    when: String,
    late: bool,
    time: String,
    settled: String,
    work: String,
    change: String,
}

#[derive(Template)]
#[template(path = "jobs/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    list: Shown,
    rows: Vec<Row>,
    /// Whether any of them was worked on.
    any_time: bool,
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = asked_for(&context, &asked).await?;
    let lede = format!("{}.", show::counted(found.len(), "job", "jobs"));
    let (rows, list) = controls().page_of(&asked, found);
    let any_time = rows.iter().any(|job| job.minutes > 0);
    let (club, today) = (context.club(), context.club().date(context.now()));
    page(&ListPage {
        layout: context.layout("Jobs"),
        lede,
        rows: rows
            .into_iter()
            .map(|job| {
                let instrument = address::instrument(&job.tag);
                Row {
                    when: match (job.days_late(today), job.terms.due_on) {
                        (Some(days), _) => show::days_late(days),
                        (None, Some(day)) => show::short_day(day, today),
                        (None, None) => "No day".to_owned(),
                    },
                    late: job.days_late(today).is_some(),
                    time: show::hours(job.minutes),
                    settled: job
                        .settled_at
                        .map(|at| format!("Settled {}", show::short_day(club.date(at), today)))
                        .unwrap_or_default(),
                    who: job.person.unwrap_or_else(|| "No one yet".to_owned()),
                    work: format!("{instrument}/work"),
                    href: instrument,
                    change: form_address(job.problem_entry_id),
                    words: job.problem.words,
                    note: job.terms.note,
                    tag: job.tag,
                }
            })
            .collect(),
        list,
        any_time,
    })
}

async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = asked_for(&context, &asked).await?;
    let club = context.club();
    csv_response(
        &[
            "tag",
            "instrument",
            "problem",
            "who",
            "by",
            "note",
            "taken on",
            "minutes since",
            "settled",
        ],
        found.into_iter().map(|job| {
            vec![
                Cell::from(job.tag),
                Cell::from(job.instrument_name),
                Cell::from(job.problem.words),
                Cell::from(job.person),
                Cell::from(job.terms.due_on),
                Cell::from(job.terms.note),
                Cell::from(club.date(job.begun_at)),
                Cell::from(job.minutes),
                Cell::from(job.settled_at.map(|at| club.date(at))),
            ]
        }),
    )
}
