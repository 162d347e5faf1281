//! What is held about a person: shown to them, taken away as JSON, and removed on
//! request; and one page that says what is held and why.

use askama::Template;
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{GraveForm, Path};
use super::page::{Layout, RequestContext, Submission, page};
use super::{Error, confirm, show};
use crate::library::own_data::{self, KEPT_AFTER_LEAVING, OwnData};
use crate::library::{PersonId, messages};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/privacy", privacy),
        Route::get(Access::Member, "/me/data", readable),
        Route::get(Access::Member, "/me/data/file", taken),
        Route::post(Access::Coordinator, "/people/{id}/erase", erase),
    ]
}

#[derive(Template)]
#[template(path = "own_data/privacy.html")]
struct PrivacyPage {
    layout: Layout,
    contact: String,
    people_until: String,
    messages_until: String,
    signed_in: bool,
}

async fn privacy(context: RequestContext) -> Result<Response, Error> {
    page(&PrivacyPage {
        layout: context.layout("What is held about you"),
        contact: context.club().contact.clone(),
        people_until: format!(
            "Until you ask for erasure, or {} years after you left",
            KEPT_AFTER_LEAVING.num_days() / 365
        ),
        messages_until: format!("{} days", messages::KEPT_FOR.num_days()),
        signed_in: context.visitor.person.is_some(),
    })
}

/// A part of what is held, as rows of words.
struct Part {
    title: &'static str,
    rows: Vec<String>,
}

#[derive(Template)]
#[template(path = "own_data/data.html")]
struct DataPage {
    layout: Layout,
    facts: Vec<(&'static str, String)>,
    parts: Vec<Part>,
}

async fn held(context: &RequestContext) -> Result<OwnData, Error> {
    let me = context.person()?.id;
    let mut conn = context.read().await?;
    Ok(OwnData::of(&mut conn, me).await?)
}

async fn readable(context: RequestContext) -> Result<Response, Error> {
    let data = held(&context).await?;
    let club = context.club();
    let at = |at| show::time(club, at);
    let yes = |so: bool| if so { "yes" } else { "no" }.to_owned();
    let facts = vec![
        ("Name", data.name),
        ("Email address", data.email.unwrap_or_default()),
        ("Role", data.role.label().to_owned()),
        ("On the list since", show::date(club, data.joined_at)),
        ("Password", yes(data.password)),
        ("Second factor", yes(data.second_factor)),
    ];
    let until = |end: Option<_>| end.map_or("still open".to_owned(), |end| show::date(club, end));
    let parts = vec![
        Part {
            title: "Signed in on",
            rows: data
                .sessions
                .iter()
                .map(|s| {
                    format!(
                        "{}, since {}, last used {}",
                        s.device,
                        at(s.started_at),
                        at(s.last_seen_at)
                    )
                })
                .collect(),
        },
        Part {
            title: "Tries at signing in, last 30 days",
            rows: data
                .sign_in_attempts
                .iter()
                .map(|a| {
                    let how = if a.succeeded { "succeeded" } else { "failed" };
                    format!("{}, from {}: {how}", at(a.at), a.address)
                })
                .collect(),
        },
        Part {
            title: "Loans",
            rows: data
                .loans
                .iter()
                .map(|l| {
                    let beside = [&l.collected_by, &l.deposit];
                    let beside: String = beside
                        .iter()
                        .filter(|w| !w.is_empty())
                        .map(|w| format!(", {w}"))
                        .collect();
                    let signed = l
                        .signed_at
                        .map(|at| format!(", signed {}", show::date(club, at)));
                    format!(
                        "{}, {} to {}, due {}{}{beside}",
                        l.tag,
                        show::date(club, l.lent_at),
                        until(l.returned_at),
                        show::day(l.due_on),
                        signed.unwrap_or_default()
                    )
                })
                .collect(),
        },
        Part {
            title: "Waiting lists",
            rows: data
                .waits
                .iter()
                .map(|w| {
                    let wish = w.wants_it_for.map(|wish| format!(", for {wish}"));
                    format!(
                        "{}, {} to {}{}. {}",
                        w.tag,
                        show::date(club, w.asked_at),
                        until(w.closed_at),
                        wish.unwrap_or_default(),
                        w.note
                    )
                })
                .collect(),
        },
        Part {
            title: "Reservations",
            rows: data
                .reservations
                .iter()
                .map(|r| {
                    let off = if r.cancelled_at.is_some() {
                        ", cancelled"
                    } else {
                        ""
                    };
                    format!(
                        "{}, {} to {}{off}",
                        r.tag,
                        show::day(r.from_on),
                        show::day(r.until_on)
                    )
                })
                .collect(),
        },
        Part {
            title: "Missing kit",
            rows: data
                .missing_kit
                .iter()
                .map(|m| {
                    format!(
                        "{}: {}, since {}, {}",
                        m.tag,
                        m.part,
                        show::date(club, m.missing_since),
                        m.outcome.as_deref().unwrap_or("open")
                    )
                })
                .collect(),
        },
        Part {
            title: "Reports",
            rows: data
                .reports
                .iter()
                .map(|r| {
                    let with = if r.picture { ", with a picture" } else { "" };
                    format!(
                        "{}, {}: {}{with}, {}",
                        r.tag,
                        at(r.reported_at),
                        r.words,
                        r.state
                    )
                })
                .collect(),
        },
        Part {
            title: "Messages",
            rows: data
                .messages
                .iter()
                .map(|m| format!("{}: {}, {}", at(m.made_at), m.subject, m.state))
                .collect(),
        },
        Part {
            title: "Written in logbooks",
            rows: data
                .logbook_entries
                .iter()
                .map(|e| format!("{}, {}, {}", e.tag, e.kind, show::date(club, e.happened_at)))
                .collect(),
        },
        Part {
            title: "Jobs taken on",
            rows: data
                .jobs
                .iter()
                .map(|j| {
                    let (from, to) = (show::date(club, j.begun_at), until(j.ended_at));
                    format!("{}, {from} to {to}: {}", j.tag, j.words)
                })
                .collect(),
        },
        Part {
            title: "Spare parts used, added or counted",
            rows: data
                .spares
                .iter()
                .map(|m| format!("{}, {}, {}", m.name, m.what, at(m.at)))
                .collect(),
        },
        Part {
            title: "Counted when the stock was taken",
            rows: data
                .counted
                .iter()
                .map(|c| format!("{}, {}", c.tag, at(c.seen_at)))
                .collect(),
        },
        Part {
            title: "The audit log's rows of what you did",
            rows: data
                .acts
                .iter()
                .map(|a| format!("{}, from {}, {}: {}", at(a.at), a.address, a.what, a.words))
                .collect(),
        },
    ];
    page(&DataPage {
        layout: context.layout("Your data"),
        facts,
        parts,
    })
}

async fn taken(context: RequestContext) -> Result<Response, Error> {
    Ok((
        [
            (header::CACHE_CONTROL, "no-store"),
            (
                header::CONTENT_DISPOSITION,
                "attachment; filename=\"your-data.json\"",
            ),
        ],
        Json(held(&context).await?),
    )
        .into_response())
}

async fn erase(
    context: RequestContext,
    Path(id): Path<PersonId>,
    form: GraveForm<Nothing>,
) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    own_data::erase(&mut write, id, context.now()).await?;
    write
        .finish(
            "/people",
            "They are erased: what stays is a former member's.",
        )
        .await
}
