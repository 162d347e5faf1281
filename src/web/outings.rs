//! Several instruments for one public evening: out in one act, and back in one act, each
//! with its journey.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::{Form, Query};
use super::fields::{FormErrors, part};
use super::journeys::{self, JourneyFields};
use super::lend_together::Together;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, lend_form, show, things};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::lending::LendDetails;
use crate::library::loans::{self, Loan, Which};
use crate::library::people::{Offered, Person};
use crate::library::reservations;
use crate::library::returning::Return;
use crate::library::things::{Kind, Thing};
use crate::library::{Conn, KitPartId};
use crate::upkeep::Condition;
use crate::upkeep::exposure::UNTOLD_DRIVE_KM;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/outings/new", show_form),
        Route::post(Access::Volunteer, "/outings/new", go_out),
        Route::get(Access::Volunteer, "/outings/back", show_back),
        Route::post(Access::Volunteer, "/outings/back", come_back),
    ]
}

/// Where what is out for an event is returned.
pub fn back_address(event: &str) -> String {
    format!("/outings/back?event={}", address::part(event))
}

// ---- out ----

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct OutFields {
    event: String,
    borrower: String,
    due_on: String,
    /// Tags.
    take: Vec<String>,
    /// More tags, as typed.
    more: String,
    override_reason: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    event: String,
    /// Part of a name or address.
    who: String,
}

/// One instrument that can go.
struct TakeRow {
    tag: String,
    name: String,
    note: String,
    ticked: bool,
}

#[derive(Template)]
#[template(path = "lending/outing.html")]
struct OutPage {
    layout: Layout,
    rows: Vec<TakeRow>,
    /// What can go with them.
    things: Vec<TakeRow>,
    /// Whether there are more than can be ticked: their tags are typed.
    more: bool,
    who: String,
    offered: Offered,
    form: OutFields,
    needs_reason: bool,
    errors: FormErrors,
}

impl OutPage {
    fn id(&self, person: &Person) -> String {
        person.id.to_string()
    }
}

async fn out_page(
    context: &RequestContext,
    who: String,
    form: OutFields,
    needs_reason: bool,
    errors: FormErrors,
) -> Result<OutPage, Error> {
    let (club, now) = (context.club(), context.now());
    let today = club.date(now);
    let snapshot = context.snapshot().await?;
    let mut conn = context.read().await?;
    let lines = context.lines(&mut conn, &snapshot).await?;
    let reserved = reservations::from_day(&mut conn, None, today).await?;
    let due_on = form.due_on.parse::<NaiveDate>().unwrap_or(today);
    let row = |thing: Thing| {
        let member = snapshot.member(thing.id);
        let condition = member.map(|m| snapshot.fleet.judge(m, now).condition);
        let condition = condition.filter(|c| *c != Condition::Ready);
        let mut notes: Vec<String> = condition.map(|c| c.to_string()).into_iter().collect();
        notes.extend(
            lines
                .kept(thing.id)
                .map(|k| format!("kept for {}", k.person)),
        );
        let mut its = reserved.iter().filter(|r| r.instrument_id == thing.id);
        let held = its.find(|r| r.meets(today, due_on));
        notes.extend(held.map(|r| format!("reserved for {}", r.for_words())));
        TakeRow {
            ticked: form.take.contains(&thing.tag),
            tag: thing.tag,
            name: thing.name,
            note: notes.join(", "),
        }
    };
    let (instruments, more_instruments) = Thing::offered(&mut conn, true, true, &form.take).await?;
    let (things, more_things) = Thing::offered(&mut conn, false, true, &form.take).await?;
    let rows = instruments.into_iter().map(row).collect();
    let things = things.into_iter().map(row).collect();
    Ok(OutPage {
        layout: context.layout("Out for a public evening"),
        rows,
        things,
        more: more_instruments || more_things,
        offered: Person::offered(&mut conn, &who, &form.borrower).await?,
        who,
        form,
        needs_reason,
        errors,
    })
}

async fn show_form(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let today = context.club().date(context.now());
    let mut conn = context.read().await?;
    let event = asked.event.trim().to_owned();
    let reserved = reservations::from_day(&mut conn, None, today).await?;
    drop(conn);
    // What is reserved for it is ticked.
    let for_it = reserved
        .iter()
        .filter(|r| !event.is_empty() && r.event == event && r.from_on <= today);
    let until = for_it.clone().map(|r| r.until_on).max().unwrap_or(today);
    let form = OutFields {
        take: for_it.map(|r| r.tag.clone()).collect(),
        event,
        borrower: context.person()?.id.to_string(),
        due_on: until.format("%Y-%m-%d").to_string(),
        ..OutFields::default()
    };
    page(&out_page(&context, asked.who, form, false, FormErrors::new()).await?)
}

async fn go_out(
    context: RequestContext,
    Form { fields, once }: Form<OutFields>,
) -> Result<Response, Error> {
    let mut form = fields;
    let by = context.person()?.id;
    let now = context.now();
    let mut errors = FormErrors::new();
    let event = errors.text("event", "Evening", &form.event, 120);
    let today = context.club().date(now);
    let due_on = lend_form::due_day(&mut errors, "due_on", &form.due_on, today);
    let reason = errors.optional_text("override_reason", "Why", &form.override_reason, 500);
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    things::tick_typed(&mut write, &mut form.more, &mut form.take, &mut errors).await?;
    if form.take.is_empty() {
        errors.add("take", "Instruments: tick those that go.");
    }
    let borrower = Person::chosen(&mut write, &form.borrower)
        .await?
        .map(|p| p.id);
    if borrower.is_none() {
        errors.add("borrower", "Who answers for them: choose a person.");
    }
    let mut needs_reason = false;
    if let (Some(borrower), Some(due_on), true) = (borrower, due_on, errors.is_empty()) {
        let together = Together {
            tags: &form.take,
            borrower,
            due_on,
            reason: &reason,
            details: LendDetails {
                event: event.clone(),
                ..LendDetails::default()
            },
            by,
            now,
        };
        (_, needs_reason) = together.write(&mut write, &mut errors).await?;
    }
    if !errors.is_empty() {
        drop(write);
        return mend(&out_page(&context, String::new(), form, needs_reason, errors).await?);
    }
    let count = show::counted(form.take.len(), "is", "are");
    write
        .finish(&back_address(&event), &format!("{count} out for {event}."))
        .await
}

// ---- back ----

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
struct BackFields {
    own: BackOwnFields,
    journeys: JourneyFields,
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct BackOwnFields {
    event: String,
    /// Ids of the loans that are back.
    back: Vec<String>,
    /// Ids of parts that did not come back.
    without: Vec<String>,
}

impl TryFrom<Vec<(String, String)>> for BackFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            own: part(&pairs)?,
            journeys: part(&pairs)?,
        })
    }
}

/// One loan of the evening.
struct BackRow {
    loan: Loan,
    id: String,
    due: String,
    parts: Vec<(String, String, bool)>,
    ticked: bool,
}

#[derive(Template)]
#[template(path = "lending/outing_back.html")]
struct BackPage {
    layout: Layout,
    lede: String,
    event: String,
    rows: Vec<BackRow>,
    journeys: JourneyFields,
    distance_unit: &'static str,
    drive_hint: String,
    errors: FormErrors,
}

async fn loans_for(conn: &mut Conn, event: &str) -> Result<Vec<Loan>, Error> {
    let open = Which {
        open: true,
        ..Which::default()
    };
    let mut all = Loan::list(conn, open).await?;
    all.retain(|l| l.event == event && !event.is_empty());
    Ok(all)
}

async fn back_page(
    context: &RequestContext,
    form: BackFields,
    errors: FormErrors,
) -> Result<BackPage, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let mut conn = context.read().await?;
    let event = form.own.event.trim().to_owned();
    let mut rows = Vec::new();
    for loan in loans_for(&mut conn, &event).await? {
        let parts = loans::parts(&mut conn, loan.id).await?;
        let id = loan.id.to_string();
        rows.push(BackRow {
            ticked: form.own.back.contains(&id),
            due: super::check_in::due_words(&loan, today),
            parts: parts
                .into_iter()
                .filter(|p| p.went_out)
                .map(|p| {
                    let part = p.id.to_string();
                    let without = form.own.without.contains(&part);
                    (part, format!("Missing: {}", p.name), without)
                })
                .collect(),
            id,
            loan,
        });
    }
    Ok(BackPage {
        layout: context.layout("Back from a public evening"),
        lede: format!("{event}: {} out.", rows.len()),
        event,
        rows,
        journeys: form.journeys,
        distance_unit: journeys::distance_unit(club),
        drive_hint: format!("Left empty: {}.", show::distance(club, UNTOLD_DRIVE_KM)),
        errors,
    })
}

async fn show_back(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let form = BackFields {
        own: BackOwnFields {
            event: asked.event,
            ..BackOwnFields::default()
        },
        ..BackFields::default()
    };
    page(&back_page(&context, form, FormErrors::new()).await?)
}

async fn come_back(
    context: RequestContext,
    Form { fields: form, once }: Form<BackFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let now = context.now();
    let mut errors = FormErrors::new();
    let told = form.journeys.check(context.club(), &mut errors);
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let all = loans_for(&mut write, form.own.event.trim()).await?;
    let left = all.len();
    let back: Vec<Loan> = all
        .into_iter()
        .filter(|l| form.own.back.contains(&l.id.to_string()))
        .collect();
    if back.is_empty() {
        errors.add("back", "Instruments: tick those that are back.");
    } else if back.len() < form.own.back.len() {
        errors.add(
            "back",
            "Instruments: one of these has been returned by somebody else meanwhile. Look over the list and send it again.",
        );
    }
    if !errors.is_empty() {
        drop(write);
        return mend(&back_page(&context, form, errors).await?);
    }
    let mut missing = Vec::new();
    for loan in &back {
        let parts = loans::parts(&mut write, loan.id).await?;
        let here = |id: &KitPartId| !form.own.without.contains(&id.to_string());
        let lost = Return {
            loan: loan.id,
            came_back: parts.iter().map(|p| p.id).filter(here).collect(),
            at: now,
            recorded_at: now,
            by,
        }
        .write(&mut write)
        .await?;
        missing.extend(
            lost.into_iter()
                .map(|part| format!("{part} of {}", loan.tag)),
        );
        // A journey counts for what has optics to lose.
        for journey in told.iter().filter(|_| loan.kind == Kind::Instrument) {
            let entry = NewEntry {
                instrument: loan.instrument_id,
                kind: EntryKind::Journey,
                happened_at: now,
                recorded_at: now,
                by,
                loan: Some(loan.id),
                note: String::new(),
            };
            journey.log(&mut write, entry).await?;
        }
    }
    let mut notice = format!("{} returned.", show::counted(back.len(), "is", "are"));
    if !missing.is_empty() {
        notice.push_str(&format!(" Missing: {}.", missing.join(", ")));
    }
    let location = if left > back.len() {
        back_address(form.own.event.trim())
    } else {
        "/check-in".to_owned()
    };
    write.finish(&location, &notice).await
}
