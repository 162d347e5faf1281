//! The waiting list: asking for an instrument or a thing, and the list as the desk sees it.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, reservations, show};
use crate::library::instruments::{Instrument, State, Status};
use crate::library::loans::Loan;
use crate::library::things::Thing;
use crate::library::turns::{Lines, Turn};
use crate::library::waits::{self, WantsItFor};
use crate::library::{Conn, WaitId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/instruments/{tag}/ask", show_form),
        Route::post(Access::Member, "/instruments/{tag}/ask", ask),
        Route::get(Access::Volunteer, "/instruments/{tag}/waiting", line),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/waiting/{id}/remove",
            remove,
        ),
    ]
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct AskFields {
    wants_it_for: String,
    note: String,
}

#[derive(Template)]
#[template(path = "waiting/ask.html")]
struct AskPage {
    layout: Layout,
    thing: Thing,
    /// Its own page.
    here: String,
    action: String,
    /// How an instrument is: its condition, as of when, and why.
    condition: Option<(&'static str, String, Vec<String>)>,
    sentence: String,
    line: String,
    /// For whom it is kept or reserved, naming nobody.
    kept: Vec<String>,
    /// Why asking makes no sense, or "".
    barred: String,
    form: AskFields,
    errors: FormErrors,
}

impl AskPage {
    async fn load(
        conn: &mut Conn,
        context: &RequestContext,
        tag: &str,
        form: AskFields,
        errors: FormErrors,
    ) -> Result<Self, Error> {
        let me = context.person()?.id;
        let club = context.club();
        let thing = Thing::by_tag(conn, tag).await?;
        let waits = waits::open(conn, Some(thing.id), None).await?;
        let loan = match thing.open_loan {
            Some(id) => Some(Loan::get(conn, id).await?),
            None => None,
        };
        let sentence = match &loan {
            // The day only: who has it is nobody's business but the desk's.
            Some(loan) => format!("On loan, due back {}.", show::day(loan.due_on)),
            None => format!("{}.", show::capital(thing.state().label())),
        };
        let condition = match thing.is_instrument() {
            false => None,
            true => {
                let instrument = Instrument::get(conn, thing.id).await?;
                let row = context.shelf_row(conn, instrument).await?;
                let a = row.assessment;
                let dated = a.as_of.map(|at| format!("As of {}", show::date(club, at)));
                Some((a.condition.slug(), dated.unwrap_or_default(), a.reasons))
            }
        };
        let today = club.date(context.now());
        Ok(Self {
            kept: reservations::kept_words(conn, club, thing.id, today).await?,
            layout: context.layout(&format!("Ask for {}", thing.tag)),
            here: address::thing(&thing),
            action: format!("{}/ask", address::instrument(&thing.tag)),
            condition,
            sentence,
            line: show::waiting(waits.len()),
            barred: barred(&thing, loan.as_ref(), &waits, me),
            thing,
            form,
            errors,
        })
    }
}

/// Why asking makes no sense, or "".
fn barred(
    thing: &Thing,
    loan: Option<&Loan>,
    waits: &[waits::Wait],
    me: crate::library::PersonId,
) -> String {
    if thing.status == Status::Retired {
        "It is retired and no longer lent.".to_owned()
    } else if loan.is_some_and(|l| l.borrower_id == me) {
        "You have it at home already.".to_owned()
    } else if waits.iter().any(|w| w.person_id == me) {
        "You are on its waiting list already. See My loans for your place.".to_owned()
    } else {
        String::new()
    }
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let form = AskFields {
        wants_it_for: WantsItFor::Anything.slug().to_owned(),
        note: String::new(),
    };
    page(&AskPage::load(&mut conn, &context, &tag, form, FormErrors::new()).await?)
}

async fn ask(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<AskFields>,
) -> Result<Response, Error> {
    let me = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let thing = Thing::by_tag(&mut write, &tag).await?;
    let mut errors = FormErrors::new();
    let wants = match thing.is_instrument() {
        true => errors.word::<WantsItFor>("wants_it_for", "What for", &form.wants_it_for),
        false => None,
    };
    let note = errors.optional_text("note", "Note", &form.note, 500);
    if !errors.is_empty() {
        drop(write);
        let mut conn = context.read().await?;
        return mend(&AskPage::load(&mut conn, &context, &tag, form, errors).await?);
    }
    let loan = match thing.open_loan {
        Some(id) => Some(Loan::get(&mut write, id).await?),
        None => None,
    };
    let waits = waits::open(&mut write, Some(thing.id), None).await?;
    let barred = barred(&thing, loan.as_ref(), &waits, me);
    if !barred.is_empty() {
        return Err(Error::Refused(barred));
    }
    waits::ask(&mut write, thing.id, me, wants, &note, context.now()).await?;
    write
        .finish(
            "/my-loans",
            &format!("You are on the waiting list for {}.", thing.tag),
        )
        .await
}

/// Where a person on a waiting list is, in words to them.
pub fn turn_words(turn: Turn, today: NaiveDate) -> String {
    match turn {
        Turn::Now { until } => format!(
            "You are next in line. It is kept for you until {}.",
            show::short_day(until, today)
        ),
        Turn::Later { ahead: 0 } => "You are next in line.".to_owned(),
        Turn::Later { ahead: 1 } => "One person is ahead of you.".to_owned(),
        Turn::Later { ahead } => format!("{ahead} people are ahead of you."),
        Turn::Passed { until } => format!(
            "It was kept for you until {}. You keep your place.",
            show::short_day(until, today)
        ),
    }
}

/// The same for the desk; "" for who only stands in line.
fn turn_at_the_desk(turn: Option<Turn>, today: NaiveDate) -> String {
    match turn {
        Some(Turn::Now { until }) => format!("Kept until {}", show::short_day(until, today)),
        Some(Turn::Passed { until }) => {
            format!("Was kept until {}", show::short_day(until, today))
        }
        Some(Turn::Later { .. }) | None => String::new(),
    }
}

struct LineRow {
    id: WaitId,
    person: String,
    since: String,
    turn: String,
    wish: String,
    note: String,
    lend: String,
}

#[derive(Template)]
#[template(path = "waiting/line.html")]
struct LinePage {
    layout: Layout,
    thing: Thing,
    /// Its own page.
    here: String,
    action: String,
    lede: String,
    waits: Vec<LineRow>,
    can_lend: bool,
}

async fn line(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let thing = Thing::by_tag(&mut conn, &tag).await?;
    let action = address::instrument(&thing.tag);
    let today = context.club().date(context.now());
    let lines = Lines::load(&mut conn, Some(thing.id), context.club(), today).await?;
    let waits = waits::open(&mut conn, Some(thing.id), None)
        .await?
        .into_iter()
        .map(|w| LineRow {
            turn: turn_at_the_desk(lines.turn(w.id), today),
            lend: format!("{action}/lend?to={}", w.person_id),
            id: w.id,
            person: w.person,
            since: show::date(context.club(), w.asked_at),
            wish: w
                .wants_it_for
                .map(|wish| show::capital(wish.label()))
                .unwrap_or_default(),
            note: w.note,
        })
        .collect();
    page(&LinePage {
        layout: context.layout(&format!("Waiting for {}", thing.tag)),
        lede: format!(
            "{}, {}. First come first; kept for each for {} days once it is back.",
            thing.name,
            thing.state(),
            context.club().fetch_days
        ),
        can_lend: thing.state() == State::OnTheShelf,
        here: address::thing(&thing),
        action: format!("{action}/waiting"),
        thing,
        waits,
    })
}

async fn remove(
    context: RequestContext,
    Path((tag, id)): Path<(String, WaitId)>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let thing = Thing::by_tag(&mut write, &tag).await?;
    let (waited_for, _) = waits::holder(&mut write, id).await?;
    if waited_for != thing.id {
        return Err(Error::NotFound("place on the waiting list"));
    }
    waits::close(&mut write, id, false, context.now()).await?;
    write
        .finish(
            &format!("{}/waiting", address::instrument(&thing.tag)),
            "Taken off the waiting list.",
        )
        .await
}
