//! The waiting list: asking for an instrument, and the list as the desk sees it.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, reservations, show};
use crate::library::instruments::{Instrument, Status};
use crate::library::loans::Loan;
use crate::library::turns::{Lines, Turn};
use crate::library::waits::{self, WantsItFor};
use crate::library::{Conn, WaitId};
use crate::upkeep;

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
    instrument: Instrument,
    here: String,
    condition: &'static str,
    dated: String,
    sentence: String,
    reasons: Vec<String>,
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
        let instrument = Instrument::by_tag(conn, tag).await?;
        let waits = waits::open(conn, Some(instrument.id), None).await?;
        let loan = match instrument.open_loan {
            Some(id) => Some(Loan::get(conn, id).await?),
            None => None,
        };
        let barred = barred(&instrument, loan.as_ref(), &waits, me);
        let whereabouts = match &loan {
            // The day only: who has it is nobody's business but the desk's.
            Some(loan) => format!("On loan, due back {}.", show::day(loan.due_on)),
            None => format!("{}.", show::capital(instrument.state().label())),
        };
        let line = match waits.len() {
            0 => "Nobody is waiting for it.".to_owned(),
            1 => "One person is waiting for it.".to_owned(),
            n => format!("{n} people are waiting for it."),
        };
        let today = club.date(context.now());
        let kept = reservations::kept_words(conn, club, instrument.id, today).await?;
        let row = upkeep::shelf_row(conn, instrument, context.now()).await?;
        Ok(Self {
            kept,
            layout: context.layout(&format!("Ask for {}", row.instrument.tag)),
            here: address::instrument(&row.instrument.tag),
            condition: row.assessment.condition.slug(),
            dated: row
                .assessment
                .as_of
                .map(|at| format!("As of {}", show::date(club, at)))
                .unwrap_or_default(),
            sentence: whereabouts,
            reasons: row.assessment.reasons.clone(),
            line,
            barred,
            instrument: row.instrument,
            form,
            errors,
        })
    }
}

fn barred(
    instrument: &Instrument,
    loan: Option<&Loan>,
    waits: &[waits::Wait],
    me: crate::library::PersonId,
) -> String {
    if instrument.status == Status::Retired {
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
    let mut errors = FormErrors::new();
    let wants = errors.word::<WantsItFor>("wants_it_for", "What for", &form.wants_it_for);
    let note = errors.optional_text("note", "Note", &form.note, 500);
    let Some(wants) = wants.filter(|_| errors.is_empty()) else {
        drop(write);
        let mut conn = context.read().await?;
        return mend(&AskPage::load(&mut conn, &context, &tag, form, errors).await?);
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let loan = match instrument.open_loan {
        Some(id) => Some(Loan::get(&mut write, id).await?),
        None => None,
    };
    let waits = waits::open(&mut write, Some(instrument.id), None).await?;
    let barred = barred(&instrument, loan.as_ref(), &waits, me);
    if !barred.is_empty() {
        return Err(Error::Refused(barred));
    }
    waits::ask(&mut write, instrument.id, me, wants, &note, context.now()).await?;
    write
        .finish(
            "/my-loans",
            &format!("You are on the waiting list for {}.", instrument.tag),
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
    instrument: Instrument,
    here: String,
    lede: String,
    waits: Vec<LineRow>,
    can_lend: bool,
}

async fn line(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let here = address::instrument(&instrument.tag);
    let today = context.club().date(context.now());
    let lines = Lines::load(&mut conn, Some(instrument.id), context.club(), today).await?;
    let waits = waits::open(&mut conn, Some(instrument.id), None)
        .await?
        .into_iter()
        .map(|w| LineRow {
            turn: turn_at_the_desk(lines.turn(w.id), today),
            lend: format!("{here}/lend?to={}", w.person_id),
            id: w.id,
            person: w.person,
            since: show::date(context.club(), w.asked_at),
            wish: show::capital(w.wants_it_for.label()),
            note: w.note,
        })
        .collect();
    page(&LinePage {
        layout: context.layout(&format!("Waiting for {}", instrument.tag)),
        lede: format!(
            "{}, {}. First come first; kept for each for {} days once it is back.",
            instrument.name,
            instrument.state(),
            context.club().fetch_days
        ),
        can_lend: instrument.open_loan.is_none() && instrument.status == Status::Shelf,
        here,
        instrument,
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
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let (waited_for, _) = waits::holder(&mut write, id).await?;
    if waited_for != instrument.id {
        return Err(Error::NotFound("place on the waiting list"));
    }
    waits::close(&mut write, id, false, context.now()).await?;
    write
        .finish(
            &format!("{}/waiting", address::instrument(&instrument.tag)),
            "Taken off the waiting list.",
        )
        .await
}
