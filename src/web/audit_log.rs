//! The audit log of who did what, for coordinators.

use std::sync::{Arc, Mutex, PoisonError};

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::Query;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, page};
use super::show;
use super::tables::{Cell, Paging, csv_response};
use crate::library::audit_log::{self, AuditRow, Chain, Which};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/audit-log", list),
        Route::get(Access::Coordinator, "/audit-log.csv", csv),
    ]
}

const PAGE_ROWS: usize = 100;
/// No club's audit log is longer; a file of more would serve nobody.
const MOST_IN_A_FILE: i64 = 1_000_000;

/// What can be asked of it.
fn controls() -> Controls {
    Controls {
        path: "/audit-log".to_owned(),
        csv: "/audit-log.csv".to_owned(),
        sought_in: "Who, from where, or what",
        choices: vec![Choice::of(
            "by",
            "Done by",
            "anyone",
            &[
                ("someone", "who was signed in"),
                ("nobody", "nobody signed in"),
            ],
        )],
        orders: &[("latest", "Latest first"), ("first", "First first")],
        rows: PAGE_ROWS,
    }
}

/// The same as the library is asked.
fn which(asked: &Asked, first_first: bool) -> Which<'_> {
    Which {
        words: asked.words(),
        signed_in: match asked.of("by") {
            "someone" => Some(true),
            "nobody" => Some(false),
            _ => None,
        },
        first_first,
    }
}

/// How far the chain has been walked since the tool was started; clones share it.
#[derive(Debug, Clone, Default)]
pub struct Walked(Arc<Mutex<Option<Chain>>>);

impl Walked {
    fn last(&self) -> Option<Chain> {
        // One value, replaced whole: after a panic elsewhere it still serves.
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    fn keep(&self, chain: &Chain) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(chain.clone());
    }
}

struct Line {
    number: String,
    at: String,
    who: String,
    from: String,
    what: String,
    words: String,
}

#[derive(Template)]
#[template(path = "audit_log/list.html")]
struct ListPage {
    layout: Layout,
    rows_words: String,
    head: String,
    broken_at: Option<i64>,
    /// Whether only what came since the last walk was walked.
    in_part: bool,
    lines: Vec<Line>,
    list: Shown,
}

fn line(context: &RequestContext, row: AuditRow) -> Line {
    Line {
        number: row.number.to_string(),
        at: show::time(context.club(), row.at),
        who: row.person.unwrap_or_else(|| "nobody signed in".to_owned()),
        from: row.address,
        what: row.what,
        words: row.words,
    }
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let controls = controls();
    let which = which(&asked, controls.check(&asked)? == "first");
    let mut conn = context.read().await?;
    let total = audit_log::count(&mut conn, which).await?;
    let total = usize::try_from(total).unwrap_or_default();
    let paging = Paging::new(asked.page(), total, PAGE_ROWS);
    let skip = (paging.number - 1) * PAGE_ROWS;
    let rows = audit_log::list(&mut conn, which, skip as i64, PAGE_ROWS as i64).await?;
    // "true" walks the whole chain, not only what came since the last walk.
    let earlier = context
        .app
        .walked
        .last()
        .filter(|_| asked.of("whole") != "true");
    let chain = match &earlier {
        Some(earlier) => audit_log::check_on(&mut conn, earlier).await?,
        None => audit_log::check(&mut conn).await?,
    };
    context.app.walked.keep(&chain);
    let Chain {
        sound,
        head,
        broken_at,
    } = chain;
    page(&ListPage {
        layout: context.layout("The audit log"),
        rows_words: match sound {
            1 => "1 row".to_owned(),
            n => format!("All {n} rows"),
        },
        head,
        broken_at,
        in_part: earlier.is_some(),
        list: controls.shown(&asked, &paging),
        lines: rows.into_iter().map(|row| line(&context, row)).collect(),
    })
}

async fn csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let which = which(&asked, controls().check(&asked)? == "first");
    let mut conn = context.read().await?;
    let rows = audit_log::list(&mut conn, which, 0, MOST_IN_A_FILE).await?;
    let body = rows.into_iter().map(|row| {
        vec![
            Cell::from(row.number),
            Cell::time(context.club(), row.at),
            Cell::from(row.person.unwrap_or_default()),
            Cell::from(row.address),
            Cell::from(row.what),
            Cell::from(row.words),
        ]
    });
    csv_response(&["number", "at", "who", "from", "what", "words"], body)
}
