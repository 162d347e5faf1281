//! What a member has, had and waits for: their own only.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::page::{Layout, RequestContext, Submission, page};
use super::sign_in::Nothing;
use super::{Error, address, check_in, show};
use crate::library::loans::{Loan, Which};
use crate::library::waits::{self, Wait};
use crate::library::{PersonId, WaitId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/my-loans", mine),
        Route::post(Access::Member, "/my-loans/waiting/{id}/withdraw", withdraw),
    ]
}

struct MineRow {
    href: String,
    tag: String,
    name: String,
    when: String,
    late: bool,
    told: String,
}

struct WaitRow {
    id: WaitId,
    instrument: String,
    tag: String,
    name: String,
    place: String,
    wish: String,
}

#[derive(Template)]
#[template(path = "my_loans/mine.html")]
struct MinePage {
    layout: Layout,
    lede: String,
    out: Vec<MineRow>,
    past: Vec<MineRow>,
    waits: Vec<WaitRow>,
}

async fn mine(context: RequestContext) -> Result<Response, Error> {
    let me = context.person()?.id;
    let club = context.club();
    let today = club.date(context.now());
    let mut conn = context.read().await?;
    let which = Which {
        borrower: Some(me),
        ..Which::default()
    };
    let loans = Loan::list(&mut conn, which).await?;
    let row = |loan: &Loan| MineRow {
        href: format!("/loans/{}", loan.id),
        tag: loan.tag.clone(),
        name: loan.instrument_name.clone(),
        when: match loan.returned_at {
            Some(at) => format!(
                "{} to {}",
                show::date(club, loan.lent_at),
                show::date(club, at)
            ),
            None => check_in::due_words(loan, today),
        },
        late: loan.days_overdue(today).is_some(),
        told: loan.limit_stated.clone(),
    };
    let (out, past): (Vec<&Loan>, Vec<&Loan>) = loans.iter().partition(|l| l.returned_at.is_none());
    let mut rows = Vec::new();
    for wait in waits::open(&mut conn, None, Some(me)).await? {
        let line = waits::open(&mut conn, Some(wait.instrument_id), None).await?;
        rows.push(wait_row(&context, wait, &line, me));
    }
    page(&MinePage {
        layout: context.layout("My loans"),
        lede: match out.len() {
            0 => "You have nothing of the club's at home.".to_owned(),
            1 => "You have one instrument of the club's.".to_owned(),
            n => format!("You have {n} instruments of the club's."),
        },
        out: out.into_iter().map(row).collect(),
        past: past.into_iter().map(row).collect(),
        waits: rows,
    })
}

fn wait_row(context: &RequestContext, wait: Wait, line: &[Wait], me: PersonId) -> WaitRow {
    let ahead = line.iter().take_while(|w| w.person_id != me).count();
    let place = match ahead {
        0 => "You are next in line".to_owned(),
        1 => "One person is ahead of you".to_owned(),
        n => format!("{n} people are ahead of you"),
    };
    let wish = if wait.note.is_empty() {
        format!("For {}", wait.wants_it_for)
    } else {
        format!("For {}: {}", wait.wants_it_for, wait.note)
    };
    WaitRow {
        id: wait.id,
        instrument: address::instrument(&wait.tag),
        place: format!(
            "{place}, since {}",
            show::date(context.club(), wait.asked_at)
        ),
        tag: wait.tag,
        name: wait.instrument_name,
        wish,
    }
}

async fn withdraw(
    context: RequestContext,
    Path(id): Path<WaitId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let me = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (_, holder) = waits::holder(&mut write, id).await?;
    if holder != me {
        return Err(Error::NotFound("place on the waiting list"));
    }
    waits::close(&mut write, id, true, context.now()).await?;
    write
        .finish("/my-loans", "You are off that waiting list.")
        .await
}
