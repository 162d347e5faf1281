//! Several instruments and things lent to one person in one act: a set, or what is chosen.
//! A public evening goes out in the same way ([`super::outings`]).

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::{Form, Query};
use super::fields::FormErrors;
use super::lend::limit_words;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, lend_form, show, things};
use crate::library::instruments::{Instrument, State};
use crate::library::lending::{Lend, LendDetails};
use crate::library::loans::Loan;
use crate::library::people::{Offered, Person};
use crate::library::sets::Set;
use crate::library::things::Thing;
use crate::library::turns::Lines;
use crate::library::waits::{self, Wait};
use crate::library::{
    self, Conn, LoanId, Moment, PersonId, SetId, kit, loan_periods, missing_kit, reservations,
};
use crate::upkeep;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/lend-together", show_form),
        Route::post(Access::Volunteer, "/lend-together", lend),
    ]
}

/// Several loans to one person.
pub struct Together<'a> {
    /// Tags.
    pub tags: &'a [String],
    /// To whom.
    pub borrower: PersonId,
    /// Until when.
    pub due_on: NaiveDate,
    /// Why they go out all the same, or "".
    pub reason: &'a str,
    /// What else is said of each.
    pub details: LendDetails,
    /// Who lends them.
    pub by: PersonId,
    /// When.
    pub now: Moment,
}

impl Together<'_> {
    /// Lends each with all of its kit that is there. What cannot go is a mistake of the
    /// field "take"; gives the loans, and whether a reason is wanted.
    pub async fn write(
        &self,
        conn: &mut Conn,
        errors: &mut FormErrors,
    ) -> Result<(Vec<LoanId>, bool), Error> {
        let (mut lent, mut needs_reason) = (Vec::new(), false);
        for tag in self.tags {
            let thing = match Thing::by_tag(conn, tag).await {
                Err(library::Error::NotFound(_)) => {
                    errors.add("take", format!("{tag}: nothing has this tag."));
                    continue;
                }
                other => other?,
            };
            let limit_stated = match thing.is_instrument() {
                true => {
                    let instrument = Instrument::get(conn, thing.id).await?;
                    limit_words(&upkeep::shelf_row(conn, instrument, self.now).await?)
                }
                false => String::new(),
            };
            let parts = kit::present(conn, thing.id).await?;
            let loan = Lend {
                instrument: thing.id,
                borrower: self.borrower,
                at: self.now,
                by: self.by,
                due_on: self.due_on,
                limit_stated,
                kit: parts.iter().map(|p| p.id).collect(),
                override_reason: Some(self.reason.to_owned()),
                details: self.details.clone(),
            };
            if let Some(obstacle) = loan.obstacles(conn).await?.first()
                && self.reason.is_empty()
            {
                needs_reason = true;
                errors.add("take", format!("{tag}: {}", obstacle.words()));
                continue;
            }
            match loan.write(conn).await {
                Ok(id) => lent.push(id),
                Err(library::Error::Refused(why)) => errors.add("take", why),
                Err(error) => return Err(error.into()),
            }
        }
        if needs_reason {
            errors.add("override_reason", "Why: give a reason, or untick it.");
        }
        Ok((lent, needs_reason))
    }
}

// ---- the page ----

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct Fields {
    /// Tags that are proposed, whether ticked or not.
    offered: Vec<String>,
    /// Tags that go.
    take: Vec<String>,
    /// More tags, as typed.
    more: String,
    borrower: String,
    due_on: String,
    override_reason: String,
    collected_by: String,
    deposit: String,
    /// The set it began with, for its name.
    set: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    /// A set's id.
    set: String,
    /// A tag to begin with.
    take: String,
    /// The borrower to choose beforehand.
    to: String,
    /// Part of a name or address.
    who: String,
}

struct Row {
    tag: String,
    words: String,
    note: String,
    ticked: bool,
}

#[derive(Template)]
#[template(path = "lending/together.html")]
struct TogetherPage {
    layout: Layout,
    lede: String,
    back: String,
    rows: Vec<Row>,
    /// Members that cannot go, and why.
    left_out: Vec<String>,
    /// Who waits for one of them, first come first.
    waiting: Vec<Wait>,
    offered: Offered,
    who: String,
    form: Fields,
    needs_reason: bool,
    open_more: bool,
    errors: FormErrors,
}

impl TogetherPage {
    fn id(&self, person: &PersonId) -> String {
        person.to_string()
    }
}

/// Why a thing cannot go at all; "" where it can.
async fn barred(conn: &mut Conn, thing: &Thing, today: NaiveDate) -> Result<String, Error> {
    Ok(match thing.state() {
        State::OnLoan => match thing.open_loan {
            Some(id) => {
                let due_on = Loan::get(conn, id).await?.due_on;
                format!("on loan, due {}", show::short_day(due_on, today))
            }
            None => String::new(),
        },
        State::Missing | State::Retired => thing.state().label().to_owned(),
        _ => String::new(),
    })
}

async fn together_page(
    context: &RequestContext,
    mut form: Fields,
    who: String,
    needs_reason: bool,
    errors: FormErrors,
) -> Result<TogetherPage, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let mut conn = context.read().await?;
    let set = match form.set.parse::<SetId>() {
        Ok(id) => Some(Set::get(&mut conn, id).await?),
        Err(_) => None,
    };
    let due_on = form.due_on.parse::<NaiveDate>().unwrap_or(today);
    let (mut rows, mut left_out, mut waiting) = (Vec::new(), Vec::new(), Vec::new());
    for tag in form.offered.clone() {
        let Ok(thing) = Thing::by_tag(&mut conn, &tag).await else {
            continue;
        };
        let words = format!("{}, {}", thing.tag, thing.name);
        let why = barred(&mut conn, &thing, today).await?;
        if !why.is_empty() {
            left_out.push(format!("{words}: {why}"));
            continue;
        }
        for wait in waits::open(&mut conn, Some(thing.id), None).await? {
            if !waiting.iter().any(|w: &Wait| w.person_id == wait.person_id) {
                waiting.push(wait);
            }
        }
        let mut notes = Vec::new();
        if thing.state() != State::OnTheShelf {
            notes.push(thing.state().label().to_owned());
        }
        let lost = missing_kit::of(&mut conn, thing.id).await?;
        if !lost.is_empty() {
            let names: Vec<&str> = lost.iter().map(|m| m.part.as_str()).collect();
            notes.push(format!("missing: {}", names.join(", ")));
        }
        let lines = Lines::load(&mut conn, Some(thing.id), club, today).await?;
        notes.extend(
            lines
                .kept(thing.id)
                .map(|kept| format!("kept for {}", kept.person)),
        );
        let reserved = reservations::meeting(&mut conn, thing.id, today, due_on).await?;
        notes.extend(
            reserved
                .first()
                .map(|r| format!("reserved {}, for {}", r.days(), r.for_words())),
        );
        rows.push(Row {
            ticked: form.take.contains(&thing.tag),
            tag: thing.tag,
            words,
            note: notes.join("; "),
        });
    }
    let mut offered = Person::offered(&mut conn, &who, &form.borrower).await?;
    let waits = |p: &Person| waiting.iter().any(|w| w.person_id == p.id);
    offered.people.retain(|p| !waits(p));
    form.offered = rows.iter().map(|r| r.tag.clone()).collect();
    Ok(TogetherPage {
        layout: context.layout(&match &set {
            Some(set) => format!("Lend the set {}", set.name),
            None => match form.offered.as_slice() {
                [one] => format!("Lend {one}"),
                _ => "Lend together".to_owned(),
            },
        }),
        lede: match &set {
            Some(set) if !set.note.is_empty() => set.note.clone(),
            _ => "Untick what stays here. Each has its own loan and can come back by itself."
                .to_owned(),
        },
        back: if set.is_some() { "/sets" } else { "/things" }.to_owned(),
        open_more: !form.collected_by.is_empty()
            || !form.deposit.is_empty()
            || !errors.of("collected_by").is_empty()
            || !errors.of("deposit").is_empty(),
        rows,
        left_out,
        waiting,
        offered,
        who,
        form,
        needs_reason,
        errors,
    })
}

/// How long these are lent: the shortest of their lengths.
async fn days_of(conn: &mut Conn, context: &RequestContext, tags: &[String]) -> Result<i64, Error> {
    let club = context.club();
    let mut days = None::<i64>;
    for tag in tags {
        let thing = Thing::by_tag(conn, tag).await?;
        let its = loan_periods::days_for(conn, club, thing.id, thing.sort()).await?;
        days = Some(days.map_or(its, |days| days.min(its)));
    }
    Ok(days.unwrap_or(club.loan_days))
}

async fn show_form(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let mut offered = Vec::new();
    if let Ok(id) = asked.set.parse::<SetId>() {
        for member in Set::members(&mut conn, id).await? {
            offered.push(member.tag);
        }
    }
    for tag in asked.take.split(',').filter(|tag| !tag.trim().is_empty()) {
        offered.push(Thing::by_tag(&mut conn, tag).await?.tag);
    }
    let today = context.club().date(context.now());
    let days = days_of(&mut conn, &context, &offered).await?;
    let due_on = today + chrono::Duration::days(days);
    drop(conn);
    let form = Fields {
        take: offered.clone(),
        offered,
        borrower: asked.to,
        set: asked.set,
        due_on: due_on.format("%Y-%m-%d").to_string(),
        ..Fields::default()
    };
    page(&together_page(&context, form, asked.who, false, FormErrors::new()).await?)
}

async fn lend(
    context: RequestContext,
    Form { fields, once }: Form<Fields>,
) -> Result<Response, Error> {
    let mut form = fields;
    let (by, now) = (context.person()?.id, context.now());
    let today = context.club().date(now);
    let mut errors = FormErrors::new();
    let due_on = lend_form::due_day(&mut errors, "due_on", &form.due_on, today);
    let reason = errors.optional_text("override_reason", "Why", &form.override_reason, 500);
    let (label, typed) = ("Somebody else fetches it", &form.collected_by);
    let collected_by = errors.optional_text("collected_by", label, typed, 120);
    let deposit = errors.optional_text("deposit", "Deposit", &form.deposit, 120);
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (more, take) = (&mut form.more, &mut form.take);
    for tag in things::tick_typed(&mut write, more, take, &mut errors).await? {
        if !form.offered.contains(&tag) {
            form.offered.push(tag);
        }
    }
    if form.take.is_empty() {
        errors.add("take", "What goes: tick at least one.");
    }
    let borrower = Person::chosen(&mut write, &form.borrower).await?;
    if borrower.is_none() {
        errors.add("borrower", "To whom: choose a person from the list.");
    }
    let mut needs_reason = false;
    let mut lent = Vec::new();
    if let (Some(borrower), Some(due_on), true) = (&borrower, due_on, errors.is_empty()) {
        let together = Together {
            tags: &form.take,
            borrower: borrower.id,
            due_on,
            reason: &reason,
            details: LendDetails {
                collected_by,
                deposit,
                ..LendDetails::default()
            },
            by,
            now,
        };
        (lent, needs_reason) = together.write(&mut write, &mut errors).await?;
    }
    let (Some(borrower), true) = (borrower, errors.is_empty()) else {
        drop(write);
        return mend(&together_page(&context, form, String::new(), needs_reason, errors).await?);
    };
    let (location, notice) = match lent.as_slice() {
        [one] => (
            format!("/loans/{one}"),
            format!("{} is lent.", form.take[0]),
        ),
        _ => (
            format!("/loans?q={}", address::part(&borrower.name)),
            format!("{} are lent to {}.", form.take.join(", "), borrower.name),
        ),
    };
    write.finish(&location, &notice).await
}
