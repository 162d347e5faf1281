//! Returning things: one, or several that the same person has. An instrument is checked
//! in on a page of its own ([`super::check_in`]).

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page, see_other};
use super::{Error, address, check_in};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::Status;
use crate::library::loans::{Loan, Which};
use crate::library::returning::Return;
use crate::library::things::{self, Kind, Thing};
use crate::library::{Conn, LoanId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/things/{tag}/return", show_form),
        Route::post(Access::Volunteer, "/things/{tag}/return", take_back),
    ]
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct BackFields {
    /// Loans of what is back.
    back: Vec<String>,
    /// Loans of what is lost.
    lost: Vec<String>,
    note: String,
}

struct Row {
    loan: String,
    words: String,
    due: String,
    back: bool,
    lost: bool,
}

#[derive(Template)]
#[template(path = "things/back.html")]
struct BackPage {
    layout: Layout,
    lede: String,
    here: String,
    action: String,
    rows: Vec<Row>,
    /// Instruments the same person has: words and where each is checked in.
    instruments: Vec<(String, String)>,
    open_lost: bool,
    form: BackFields,
    errors: FormErrors,
}

/// A thing's open loan, and the other open loans of the same person.
async fn loans_of(conn: &mut Conn, thing: &Thing) -> Result<Option<(Loan, Vec<Loan>)>, Error> {
    let Some(id) = thing.open_loan else {
        return Ok(None);
    };
    let loan = Loan::get(conn, id).await?;
    let which = Which {
        borrower: Some(loan.borrower_id),
        open: true,
        ..Which::default()
    };
    let mut others = Loan::list(conn, which).await?;
    others.retain(|l| l.id != loan.id);
    Ok(Some((loan, others)))
}

fn back_page(
    context: &RequestContext,
    thing: &Thing,
    loan: &Loan,
    others: &[Loan],
    form: BackFields,
    errors: FormErrors,
) -> BackPage {
    let today = context.club().date(context.now());
    let words = |l: &Loan| format!("{}, {}", l.tag, l.instrument_name);
    let (instruments, others): (Vec<_>, Vec<_>) =
        others.iter().partition(|l| l.kind == Kind::Instrument);
    let rows = std::iter::once(loan).chain(others).map(|l| {
        let id = l.id.to_string();
        Row {
            words: words(l),
            due: check_in::due_words(l, today),
            back: form.back.contains(&id),
            lost: form.lost.contains(&id),
            loan: id,
        }
    });
    BackPage {
        layout: context.layout(&format!("Return {}", thing.tag)),
        lede: format!("{}, with {}", thing.name, loan.borrower),
        here: address::thing(thing),
        action: format!("{}/return", address::thing(thing)),
        rows: rows.collect(),
        instruments: instruments
            .into_iter()
            .map(|l| (words(l), address::check_in(&l.tag)))
            .collect(),
        open_lost: !form.lost.is_empty() || !errors.of("lost").is_empty(),
        form,
        errors,
    }
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let thing = Thing::by_tag(&mut conn, &tag).await?;
    if thing.is_instrument() {
        return Ok(see_other(&address::check_in(&thing.tag)));
    }
    let Some((loan, others)) = loans_of(&mut conn, &thing).await? else {
        return Ok(see_other(&address::thing(&thing)));
    };
    let form = BackFields {
        back: vec![loan.id.to_string()],
        ..BackFields::default()
    };
    let errors = FormErrors::new();
    page(&back_page(&context, &thing, &loan, &others, form, errors))
}

async fn take_back(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<BackFields>,
) -> Result<Response, Error> {
    let (by, now) = (context.person()?.id, context.now());
    let mut errors = FormErrors::new();
    let note = errors.optional_text("note", "Is anything wrong", &form.note, 500);
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let thing = Thing::by_tag(&mut write, &tag).await?;
    let Some((loan, others)) = loans_of(&mut write, &thing).await? else {
        return Err(Error::Refused(format!(
            "{} has been returned already.",
            thing.tag
        )));
    };
    let chosen = |ids: &[String]| -> Vec<Loan> {
        let all = std::iter::once(&loan).chain(&others);
        all.filter(|l| l.kind != Kind::Instrument && ids.contains(&l.id.to_string()))
            .cloned()
            .collect()
    };
    let (back, lost) = (chosen(&form.back), chosen(&form.lost));
    if form.back.len() + form.lost.len() == 0 {
        errors.add("back", "What is back: tick at least one.");
    } else if back.len() + lost.len() < form.back.len() + form.lost.len() {
        errors.add(
            "back",
            "What is back: one of these has been returned by somebody else meanwhile. Look over the list and send it again.",
        );
    } else if let Some(both) = lost.iter().find(|l| form.back.contains(&l.id.to_string())) {
        errors.add(
            "lost",
            format!("{}: tick it as back or as lost, not both.", both.tag),
        );
    }
    if !note.is_empty() && back.len() > 1 {
        errors.add(
            "note",
            "Is anything wrong: return the one that it is about by itself.",
        );
    }
    if !errors.is_empty() {
        drop(write);
        return mend(&back_page(&context, &thing, &loan, &others, form, errors));
    }
    for one in back.iter().chain(&lost) {
        Return {
            loan: one.id,
            came_back: Vec::new(),
            at: now,
            recorded_at: now,
            by,
        }
        .write(&mut write)
        .await?;
    }
    for one in &lost {
        let reason = "Did not come back from a loan.";
        things::set_status(
            &mut write,
            one.instrument_id,
            Status::Missing,
            reason,
            now,
            by,
        )
        .await?;
    }
    if let (false, Some(one)) = (note.is_empty(), back.first()) {
        noted(one.id, one, note, &context)?
            .write(&mut write)
            .await?;
    }
    let tags = |loans: &[Loan]| {
        let tags: Vec<&str> = loans.iter().map(|l| l.tag.as_str()).collect();
        tags.join(", ")
    };
    let mut notice = String::new();
    if !back.is_empty() {
        notice = format!("Returned: {}.", tags(&back));
    }
    if !lost.is_empty() {
        notice.push_str(&format!(" Missing: {}.", tags(&lost)));
    }
    write
        .finish(&address::thing(&thing), notice.trim_start())
        .await
}

fn noted(
    loan: LoanId,
    of: &Loan,
    note: String,
    context: &RequestContext,
) -> Result<NewEntry, Error> {
    Ok(NewEntry {
        instrument: of.instrument_id,
        kind: EntryKind::Note,
        happened_at: context.now(),
        recorded_at: context.now(),
        by: context.person()?.id,
        loan: Some(loan),
        note,
    })
}
