//! The list of problems, open and settled.

use std::cmp::Reverse;
use std::collections::HashMap;

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Query;
use super::jobs::{form_address, who_and_when};
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, page};
use super::shelf::tag_key;
use super::tables::{Cell, Paging, csv_response};
use super::{Error, address, show};
use crate::library::jobs::{self, Job};
use crate::library::problem_list::{self, Listed};
use crate::library::problems::{AsksFor, ProblemWhat};
use crate::library::{Conn, EntryId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/problems", list),
        Route::get(Access::Volunteer, "/problems.csv", list_csv),
    ]
}

fn controls() -> Controls {
    let options = |all: Vec<(&str, &str)>| {
        let all = all.into_iter();
        all.map(|(slug, label)| (slug.to_owned(), label.to_owned()))
            .collect()
    };
    Controls {
        path: "/problems".to_owned(),
        csv: "/problems.csv".to_owned(),
        sought_in: "Tag, words, or who reported it",
        choices: vec![
            Choice::of(
                "show",
                "Which",
                "open",
                &[("settled", "settled"), ("all", "all")],
            ),
            Choice {
                name: "what",
                label: "What is wrong",
                any: "anything",
                options: options(
                    ProblemWhat::ALL
                        .iter()
                        .map(|w| (w.slug(), w.label()))
                        .collect(),
                ),
            },
            Choice {
                name: "asks",
                label: "It asks for",
                any: "anything",
                options: options(AsksFor::ALL.iter().map(|w| (w.slug(), w.label())).collect()),
            },
            Choice::of(
                "job",
                "Taken on",
                "or not",
                &[("none", "by nobody"), ("taken", "by somebody")],
            ),
        ],
        orders: &[
            ("newest", "Newest first"),
            ("oldest", "Oldest first"),
            ("tag", "Tag"),
            ("asks", "Most urgent first"),
        ],
        rows: 50,
    }
}

/// The problems asked for, in the order asked for.
async fn asked_for(conn: &mut Conn, asked: &Asked) -> Result<Vec<EntryId>, Error> {
    let controls = controls();
    let order = controls.check(asked)?;
    let only_open = asked.of("show").is_empty();
    let mut found = problem_list::brief(conn, only_open, &asked.each_word()).await?;
    let is = |name: &str, slug: &str| asked.of(name).is_empty() || asked.of(name) == slug;
    found.retain(|one| {
        (asked.of("show") != "settled" || one.settled)
            && is("job", if one.taken { "taken" } else { "none" })
            && is("what", one.what.slug())
            && is("asks", one.asks_for.slug())
    });
    match order {
        "oldest" => found.reverse(),
        "tag" => found.sort_by_cached_key(|one| tag_key(&one.tag)),
        "asks" => found.sort_by_key(|one| Reverse(one.asks_for)),
        _ => {}
    }
    Ok(found.into_iter().map(|one| one.entry_id).collect())
}

/// What is listed of these, each with its job.
async fn with_jobs(
    conn: &mut Conn,
    ids: Vec<EntryId>,
) -> Result<Vec<(Listed, Option<Job>)>, Error> {
    let jobs = jobs::list(conn, None).await?;
    let mut jobs: HashMap<EntryId, Job> =
        jobs.into_iter().map(|j| (j.problem_entry_id, j)).collect();
    let each = problem_list::each(conn, ids).await?;
    let with_job = |one: Listed| {
        let job = jobs.remove(&one.logged.entry_id);
        (one, job)
    };
    Ok(each.into_iter().map(with_job).collect())
}

struct Row {
    tag: String,
    href: String,
    words: String,
    what: &'static str,
    asks_for: &'static str,
    when: String,
    by: String,
    settled: bool,
    work: String,
    /// Who has it, or "".
    job: String,
    job_form: String,
}

#[derive(Template)]
#[template(path = "problems/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    list: Shown,
    rows: Vec<Row>,
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let controls = controls();
    let mut conn = context.read().await?;
    let (ids, list, count) = if controls.here(&asked) == controls.path {
        // As it comes, only the page's own are read.
        let count = problem_list::count_open(&mut conn).await?;
        let paging = Paging::new(asked.page(), count, controls.rows);
        let (skip, size) = ((paging.number - 1) * controls.rows, controls.rows);
        let ids = problem_list::newest_open(&mut conn, skip as i64, size as i64).await?;
        (ids, controls.shown(&asked, &paging), count)
    } else {
        let found = asked_for(&mut conn, &asked).await?;
        let count = found.len();
        let (ids, list) = controls.page_of(&asked, found);
        (ids, list, count)
    };
    let rows = with_jobs(&mut conn, ids).await?;
    drop(conn);
    let lede = format!("{}.", show::counted(count, "problem", "problems"));
    let today = context.club().date(context.now());
    page(&ListPage {
        layout: context.layout("Problems"),
        lede,
        rows: rows
            .into_iter()
            .map(|(one, job)| {
                let page = address::instrument(&one.tag);
                let problem = one.logged.problem;
                Row {
                    href: format!("{page}/logbook?kind=problem"),
                    work: format!("{page}/work"),
                    job: job.map(|job| who_and_when(&job, today)).unwrap_or_default(),
                    job_form: form_address(one.logged.entry_id),
                    words: problem.words,
                    what: problem.what.label(),
                    asks_for: problem.asks_for.label(),
                    when: show::short_day(context.club().date(one.logged.happened_at), today),
                    by: one.recorded_by,
                    settled: one.logged.settled,
                    tag: one.tag,
                }
            })
            .collect(),
        list,
    })
}

async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let ids = asked_for(&mut conn, &asked).await?;
    let found = with_jobs(&mut conn, ids).await?;
    drop(conn);
    let club = context.club();
    csv_response(
        &[
            "tag",
            "instrument",
            "happened",
            "what",
            "asks for",
            "words",
            "written by",
            "settled",
            "job of",
            "by",
        ],
        found.into_iter().map(|(one, job)| {
            let problem = one.logged.problem;
            vec![
                Cell::from(one.tag),
                Cell::from(one.name),
                Cell::from(club.date(one.logged.happened_at)),
                Cell::from(problem.what.label()),
                Cell::from(problem.asks_for.label()),
                Cell::from(problem.words),
                Cell::from(one.recorded_by),
                Cell::from(if one.logged.settled { "yes" } else { "no" }),
                Cell::from(job.as_ref().and_then(|job| job.person.clone())),
                Cell::from(job.and_then(|job| job.terms.due_on)),
            ]
        }),
    )
}
