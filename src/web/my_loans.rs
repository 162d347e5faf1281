//! What a member has, had and waits for: their own only.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::page::{Layout, RequestContext, Submission, page};
use super::reports::Seen;
use super::{Error, address, check_in, lend, show, waiting};
use crate::library::loans::{Loan, Which};
use crate::library::things::Kind;
use crate::library::turns::{Lines, Turn};
use crate::library::waits::{self, Wait};
use crate::library::{LoanId, WaitId, missing_kit, renewals, reports};
use crate::upkeep::Condition;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/my-loans", mine),
        Route::post(Access::Member, "/my-loans/waiting/{id}/withdraw", withdraw),
        // Their own loan only; which that is, the library checks.
        Route::post(Access::Member, "/my-loans/{id}/renew", renew),
    ]
}

struct MineRow {
    id: LoanId,
    href: String,
    tag: String,
    name: String,
    when: String,
    late: bool,
    told: String,
    /// How it is today, as the shelf has it; "" once it is back.
    condition: &'static str,
    reason: String,
    /// The day it would be due after a renewal, "" where there is none.
    renew_until: String,
    /// Why it cannot be renewed.
    why_not: String,
}

struct WaitRow {
    id: WaitId,
    href: String,
    tag: String,
    name: String,
    place: String,
    is_turn: bool,
    wish: String,
}

/// So many earlier loans are shown; what is held about a person lists them all.
const PAST_ROWS: usize = 10;

#[derive(Template)]
#[template(path = "my_loans/mine.html")]
struct MinePage {
    layout: Layout,
    lede: String,
    out: Vec<MineRow>,
    past: Vec<MineRow>,
    /// Whether there were more than are shown.
    more_past: bool,
    waits: Vec<WaitRow>,
    /// Parts on their account: what, and of which instrument.
    account: Vec<String>,
    reported: Vec<Seen>,
    contact: String,
}

async fn mine(context: RequestContext) -> Result<Response, Error> {
    let me = context.person()?.id;
    let club = context.club();
    let today = club.date(context.now());
    let snapshot = context.snapshot().await?;
    let mut conn = context.read().await?;
    let open = Which {
        borrower: Some(me),
        open: true,
        ..Which::default()
    };
    let over = Which {
        borrower: Some(me),
        past: true,
        rows: Some(PAST_ROWS as i64 + 1),
        ..Which::default()
    };
    let mut out = Vec::new();
    let mut past = Vec::new();
    let mut instruments = 0;
    let mut loans = Loan::list(&mut conn, open).await?;
    loans.extend(Loan::list(&mut conn, over).await?);
    for loan in loans {
        let mut row = MineRow {
            id: loan.id,
            href: format!("/loans/{}", loan.id),
            tag: loan.tag.clone(),
            name: loan.instrument_name.clone(),
            when: match loan.returned_at {
                Some(at) => format!(
                    "{} to {}",
                    show::date(club, loan.lent_at),
                    show::date(club, at)
                ),
                None => check_in::due_words(&loan, today),
            },
            late: loan.days_overdue(today).is_some(),
            told: loan.limit_stated.clone(),
            condition: "",
            reason: String::new(),
            renew_until: String::new(),
            why_not: String::new(),
        };
        if loan.returned_at.is_some() {
            past.push(row);
            continue;
        }
        instruments += usize::from(loan.kind == Kind::Instrument);
        if let Some(member) = snapshot.member(loan.instrument_id) {
            let assessment = snapshot.fleet.judge(member, context.now());
            row.condition = assessment.condition.slug();
            if assessment.condition != Condition::Ready {
                row.reason = assessment.reasons.first().cloned().unwrap_or_default();
            }
        }
        match renewals::offer(&mut conn, club, &loan, today).await? {
            Ok(until) => row.renew_until = show::short_day(until, today),
            Err(why) => row.why_not = why,
        }
        out.push(row);
    }
    let lines = Lines::of_person(&mut conn, me, club, today).await?;
    let waits = waits::open(&mut conn, None, Some(me))
        .await?
        .into_iter()
        .map(|wait| wait_row(&context, wait, &lines))
        .collect();
    let account = missing_kit::on_account_of(&mut conn, me)
        .await?
        .iter()
        .map(|m| format!("{}: {}", m.tag, lend::missing_words(club, m)))
        .collect();
    let which = reports::Which {
        person: Some(me),
        ..reports::Which::default()
    };
    let mut reported = Vec::new();
    for report in reports::list(&mut conn, &which).await? {
        reported.push(Seen::of(&context, &mut conn, report).await?);
    }
    page(&MinePage {
        layout: context.layout("My loans"),
        reported,
        lede: match (instruments, out.len() - instruments) {
            (0, 0) => "You have nothing of the club's at home.".to_owned(),
            (1, 0) => "You have one instrument of the club's.".to_owned(),
            (n, 0) => format!("You have {n} instruments of the club's."),
            (0, n) => format!(
                "You have {} of the club's.",
                show::counted(n, "thing", "things")
            ),
            (m, n) => format!(
                "You have {} and {} of the club's.",
                show::counted(m, "instrument", "instruments"),
                show::counted(n, "thing that goes with it", "things that go with it")
            ),
        },
        out,
        more_past: past.len() > PAST_ROWS,
        past: past.into_iter().take(PAST_ROWS).collect(),
        waits,
        account,
        contact: club.contact.clone(),
    })
}

fn wait_row(context: &RequestContext, wait: Wait, lines: &Lines) -> WaitRow {
    let turn = lines.turn(wait.id).unwrap_or(Turn::Later { ahead: 0 });
    let today = context.club().date(context.now());
    WaitRow {
        id: wait.id,
        href: address::of_kind(wait.kind, &wait.tag),
        wish: show::capital(&wait.wish()),
        place: format!(
            "{} You asked on {}.",
            waiting::turn_words(turn, today),
            show::date(context.club(), wait.asked_at)
        ),
        is_turn: matches!(turn, Turn::Now { .. }),
        tag: wait.tag,
        name: wait.instrument_name,
    }
}

async fn renew(
    context: RequestContext,
    Path(id): Path<LoanId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let me = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let until = renewals::renew(&mut write, context.club(), id, me, context.now()).await?;
    write
        .finish(
            "/my-loans",
            &format!("Renewed: it is due on {}.", show::day(until)),
        )
        .await
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
