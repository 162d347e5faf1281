//! A person's calendar (RFC 5545) at a secret address: what they have on loan and when it
//! is due back; for those who work here also the work nights, and what comes back.

use askama::Template;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::{Duration, NaiveDate};
use icalendar::{Calendar, Component, Event, EventLike, Property};

use crate::library::feeds;
use crate::library::loans::{Loan, Which};
use crate::library::people::{Person, Role};
use crate::library::sessions::Token;
use crate::library::work_nights::WorkNight;
use crate::library::{Conn, Moment, club::Club};
use crate::web::access::{Access, Route};
use crate::web::extract::Nothing;
use crate::web::extract::{Form, Path};
use crate::web::page::{Layout, RequestContext, Submission, page};
use crate::web::{Error, work_nights};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::post(Access::Member, "/me/calendar", make),
        Route::post(Access::Member, "/me/calendar/end", end),
        Route::get(Access::Anyone, "/calendar/{token}", feed),
    ]
}

#[derive(Template)]
#[template(path = "post/calendar.html")]
struct CalendarPage {
    layout: Layout,
    address: String,
}

/// Makes a secret address and shows it once.
async fn make(context: RequestContext, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = context.app.library.write().await?;
    let token = feeds::make(&mut write, context.person()?.id, context.now()).await?;
    context
        .audit(&mut write, "Made an address for their calendar.")
        .await?;
    write.commit().await?;
    page(&CalendarPage {
        layout: context.layout("Your calendar's address"),
        address: format!("{}/calendar/{}.ics", context.base_address(), token.text()),
    })
}

async fn end(context: RequestContext, form: Form<Nothing>) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    feeds::end(&mut write, context.person()?.id).await?;
    write
        .finish(
            "/me#calendar",
            "The address of your calendar works no more.",
        )
        .await
}

async fn feed(context: RequestContext, Path(name): Path<String>) -> Result<Response, Error> {
    let token = name.strip_suffix(".ics").unwrap_or(&name);
    let mut conn = context.read().await?;
    let person = feeds::holder(&mut conn, &Token::given(token)).await?;
    let base = context.base_address();
    let calendar = calendar(&mut conn, context.club(), &person, &base, context.now()).await?;
    Ok((
        [
            (header::CONTENT_TYPE, "text/calendar; charset=utf-8"),
            (header::CACHE_CONTROL, "private, no-store"),
        ],
        calendar.to_string(),
    )
        .into_response())
}

/// What a person's calendar holds.
async fn calendar(
    conn: &mut Conn,
    club: &Club,
    person: &Person,
    base: &str,
    now: Moment,
) -> Result<Calendar, Error> {
    let mut calendar = Calendar::new();
    calendar.name(&club.name);
    let today = club.date(now);
    let works_here = person.role != Role::Member;
    let open = Which {
        open: true,
        ..Which::default()
    };
    for loan in Loan::list(conn, open).await? {
        let own = loan.borrower_id == person.id;
        if !own && !works_here {
            continue;
        }
        let words = if own {
            format!("{} is due back", loan.tag)
        } else {
            format!("{} comes back from {}", loan.tag, loan.borrower)
        };
        let more = format!("{}\n{base}/loans/{}", loan.instrument_name, loan.id);
        let id = format!("loan-{}", loan.id);
        calendar.push(all_day(&id, loan.due_on, &words, &more, loan.lent_at));
    }
    if works_here {
        let nights = WorkNight::all(conn).await?;
        let coming = nights
            .iter()
            .filter(|n| n.called_off_at.is_none() && n.held_on >= today - Duration::days(31));
        for night in coming {
            let words = format!("Work night, {}", night.place);
            let more = format!(
                "{}\n{base}/work-nights/{}",
                work_nights::in_short(night),
                night.id
            );
            let id = format!("night-{}", night.id);
            calendar.push(all_day(&id, night.held_on, &words, &more, now));
        }
    }
    Ok(calendar.done())
}

/// A thing of one day. Its stamp is when it was last known to change.
fn all_day(id: &str, day: NaiveDate, words: &str, more: &str, stamp: Moment) -> Event {
    Event::new()
        .uid(&format!("{id}@tubewright"))
        .timestamp(stamp)
        .all_day(day)
        .summary(words)
        .description(more)
        // It does not make the day busy.
        .append_property(Property::new("TRANSP", "TRANSPARENT"))
        .done()
}
