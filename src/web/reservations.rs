//! Reservations: what is kept for a person or a public evening, from one day to
//! another.

use std::collections::HashMap;

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::tables::{Cell, csv_response};
use super::{Error, address, show};
use crate::library::club::Club;
use crate::library::instruments::Status;
use crate::library::loans::{self, Loan};
use crate::library::people::{Offered, Person};
use crate::library::reservations::{self, NewReservation, Reservation};
use crate::library::things::Thing;
use crate::library::turns::Lines;
use crate::library::{self, Conn, InstrumentId, PersonId, ReservationId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/reservations", list),
        Route::get(Access::Volunteer, "/reservations.csv", list_csv),
        Route::post(Access::Volunteer, "/reservations/{id}/cancel", cancel),
        Route::get(Access::Volunteer, "/instruments/{tag}/reserve", show_form),
        Route::post(Access::Volunteer, "/instruments/{tag}/reserve", reserve),
    ]
}

/// So many days ahead a reservation is told on the shelf.
const SHELF_DAYS: i64 = 14;

/// For whom an instrument is kept, naming nobody: in line, and reserved.
pub async fn kept_words(
    conn: &mut Conn,
    club: &Club,
    instrument: InstrumentId,
    today: NaiveDate,
) -> Result<Vec<String>, library::Error> {
    let mut words = Vec::new();
    let lines = Lines::load(conn, Some(instrument), club, today).await?;
    if let Some(kept) = lines.kept(instrument) {
        words.push(format!(
            "Kept for the next in line until {}.",
            show::short_day(kept.until, today)
        ));
    }
    let reserved = reservations::from_day(conn, Some(instrument), today).await?;
    words.extend(reserved.iter().map(|r| format!("Reserved {}.", r.days())));
    Ok(words)
}

/// The same in a word or two for each instrument, as the shelf has room for.
pub async fn kept_in_short(
    conn: &mut Conn,
    lines: &Lines,
    today: NaiveDate,
) -> Result<HashMap<InstrumentId, String>, library::Error> {
    let soon = today + chrono::Duration::days(SHELF_DAYS);
    // Without its weekday: the shelf has many rows and few words for each.
    let day = |day: NaiveDate| day.format("%-d\u{a0}%b").to_string();
    let mut words = HashMap::new();
    for kept in lines.all_kept() {
        words.insert(
            kept.instrument_id,
            format!("kept until {}", day(kept.until)),
        );
    }
    for r in reservations::from_day(conn, None, today).await? {
        if r.from_on <= soon && !words.contains_key(&r.instrument_id) {
            let short = if r.from_on <= today {
                format!("reserved until {}", day(r.until_on))
            } else {
                format!("reserved from {}", day(r.from_on))
            };
            words.insert(r.instrument_id, short);
        }
    }
    Ok(words)
}

// ---- the list ----

struct Row {
    id: ReservationId,
    tag: String,
    href: String,
    name: String,
    days: String,
    whom: String,
    by: String,
    lend: String,
    is_now: bool,
    /// Where it is on loan into these days: until when; else "".
    on_loan: String,
}

impl Row {
    fn new(r: &Reservation, due_on: Option<NaiveDate>, today: NaiveDate) -> Self {
        let href = address::instrument(&r.tag);
        Self {
            id: r.id,
            tag: r.tag.clone(),
            name: r.instrument_name.clone(),
            days: r.days(),
            whom: r.for_words(),
            by: r.reserved_by.clone(),
            lend: match r.person_id {
                Some(person) => format!("{href}/lend?to={person}"),
                None => format!("/outings/new?event={}", address::part(&r.event)),
            },
            is_now: r.from_on <= today && due_on.is_none(),
            on_loan: match due_on.filter(|due| *due >= r.from_on || *due < today) {
                Some(due) => format!("On loan, due {}", show::short_day(due, today)),
                None => String::new(),
            },
            href,
        }
    }
}

#[derive(Template)]
#[template(path = "reservations/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    rows: Vec<Row>,
}

async fn list(context: RequestContext) -> Result<Response, Error> {
    let today = context.club().date(context.now());
    let mut conn = context.read().await?;
    let all = reservations::from_day(&mut conn, None, today).await?;
    let due = loans::due_days(&mut conn).await?;
    page(&ListPage {
        layout: context.layout("Reservations"),
        lede: format!(
            "{} from today on.",
            show::counted(all.len(), "reservation", "reservations")
        ),
        rows: all
            .iter()
            .map(|r| Row::new(r, due.get(&r.instrument_id).copied(), today))
            .collect(),
    })
}

async fn list_csv(context: RequestContext) -> Result<Response, Error> {
    let today = context.club().date(context.now());
    let mut conn = context.read().await?;
    let all = reservations::from_day(&mut conn, None, today).await?;
    csv_response(
        &[
            "tag",
            "instrument",
            "from",
            "until",
            "person",
            "event",
            "reserved by",
        ],
        all.into_iter().map(|r| {
            vec![
                Cell::from(r.tag),
                Cell::from(r.instrument_name),
                Cell::from(r.from_on),
                Cell::from(r.until_on),
                Cell::from(r.person),
                Cell::from(r.event),
                Cell::from(r.reserved_by),
            ]
        }),
    )
}

async fn cancel(
    context: RequestContext,
    Path(id): Path<ReservationId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let found = reservations::get(&mut write, id).await?;
    reservations::cancel(&mut write, id, by, context.now()).await?;
    write
        .finish(
            "/reservations",
            &format!("{} is no longer reserved {}.", found.tag, found.days()),
        )
        .await
}

// ---- the form ----

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct ReserveFields {
    from_on: String,
    until_on: String,
    person: String,
    event: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    /// Part of a person's name.
    who: String,
}

#[derive(Template)]
#[template(path = "reservations/form.html")]
struct FormPage {
    layout: Layout,
    instrument: Thing,
    here: String,
    barred: String,
    standing: Vec<String>,
    who: String,
    offered: Offered,
    form: ReserveFields,
    errors: FormErrors,
}

async fn form_page(
    context: &RequestContext,
    conn: &mut Conn,
    tag: &str,
    who: String,
    form: ReserveFields,
    errors: FormErrors,
) -> Result<FormPage, Error> {
    let instrument = Thing::by_tag(conn, tag).await?;
    let today = context.club().date(context.now());
    let mut standing: Vec<String> = reservations::from_day(conn, Some(instrument.id), today)
        .await?
        .iter()
        .map(|r| format!("Reserved {}, for {}.", r.days(), r.for_words()))
        .collect();
    if let Some(loan) = instrument.open_loan {
        let due_on = Loan::get(conn, loan).await?.due_on;
        standing.push(format!("On loan, due {}.", show::short_day(due_on, today)));
    }
    let offered = Person::offered(conn, &who, &form.person).await?;
    Ok(FormPage {
        layout: context.layout(&format!("Reserve {}", instrument.tag)),
        here: address::thing(&instrument),
        barred: match instrument.status {
            Status::Retired => "It is retired and no longer lent.".to_owned(),
            _ => String::new(),
        },
        standing,
        who,
        offered,
        instrument,
        form,
        errors,
    })
}

impl FormPage {
    fn id(&self, person: &Person) -> String {
        person.id.to_string()
    }
}

async fn show_form(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let form = ReserveFields::default();
    let errors = FormErrors::new();
    page(&form_page(&context, &mut conn, &tag, asked.who, form, errors).await?)
}

async fn reserve(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<ReserveFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let today = context.club().date(context.now());
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Thing::by_tag(&mut write, &tag).await?;
    let mut errors = FormErrors::new();
    let from_on = errors.date("from_on", "First day", &form.from_on);
    let until_on = if form.until_on.trim().is_empty() {
        from_on
    } else {
        errors.date("until_on", "Last day", &form.until_on)
    };
    let person = form.person.parse::<PersonId>().ok();
    let event = errors.optional_text("event", "For what", &form.event, 120);
    if person.is_none() && event.is_empty() {
        errors.add(
            "person",
            "For whom: choose a person, or say below for what.",
        );
    }
    let reserved = match (from_on, until_on, errors.is_empty()) {
        (Some(from_on), Some(until_on), true) => {
            let new = NewReservation {
                instrument: instrument.id,
                from_on,
                until_on,
                person,
                event,
                by,
                at: context.now(),
            };
            match new.write(&mut write, today).await {
                Ok(_) => Some(new),
                Err(library::Error::Refused(why)) => {
                    errors.add("from_on", why);
                    None
                }
                Err(error) => return Err(error.into()),
            }
        }
        _ => None,
    };
    let Some(new) = reserved else {
        drop(write);
        let mut conn = context.read().await?;
        let who = String::new();
        return mend(&form_page(&context, &mut conn, &tag, who, form, errors).await?);
    };
    let due_on = match instrument.open_loan {
        Some(loan) => Some(Loan::get(&mut write, loan).await?.due_on),
        None => None,
    };
    let days = reservations::days_words(new.from_on, new.until_on);
    let mut notice = format!("{} is reserved {days}.", instrument.tag);
    if let Some(due_on) = due_on.filter(|due| *due >= new.from_on) {
        notice.push_str(&format!(
            " It is on loan until {}: ask for it back before that.",
            show::short_day(due_on, today)
        ));
    }
    write.finish("/reservations", &notice).await
}
