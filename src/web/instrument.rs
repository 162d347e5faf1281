//! Editing an instrument's register entry, retiring it, putting it back.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, OnceWrite, RequestContext, Submission, mend, page, see_other};
use super::register::{FormPage, release_where_ticked};
use super::register_changes::{changes, merge};
use super::register_form::{Checked, RegisterForm};
use super::{Error, address, design_change};
use crate::library::entries::{Entry, EntryKind, NewEntry};
use crate::library::instruments::{Instrument, Status};
use crate::library::{self, Conn, InstrumentId, adjusters, kit, waits};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/edit", show_edit),
        // The version stands in the address, so that what a browser keeps of
        // an edit is never put over a later version.
        Route::post(Access::Volunteer, "/instruments/{tag}/edit/{version}", edit),
        Route::get(
            Access::Volunteer,
            "/instruments/{tag}/edit/{version}",
            edit_anew,
        ),
        Route::get(
            Access::Coordinator,
            "/instruments/{tag}/retire",
            show_retire,
        ),
        Route::post(Access::Coordinator, "/instruments/{tag}/retire", retire),
        Route::get(
            Access::Coordinator,
            "/instruments/{tag}/reinstate",
            show_reinstate,
        ),
        Route::post(
            Access::Coordinator,
            "/instruments/{tag}/reinstate",
            reinstate,
        ),
    ]
}

/// The register entry as it stands.
async fn entry_of(conn: &mut Conn, tag: &str) -> Result<(Instrument, Checked), Error> {
    let instrument = Instrument::by_tag(conn, tag).await?;
    let parts = kit::of(conn, instrument.id).await?;
    let screws = adjusters::of(conn, instrument.id).await?;
    let entry = Checked {
        particulars: instrument.particulars.clone(),
        kit: parts.into_iter().map(|part| part.name).collect(),
        adjusters: screws,
    };
    Ok((instrument, entry))
}

fn as_form(context: &RequestContext, entry: &Checked) -> RegisterForm {
    RegisterForm::of(
        context.club(),
        &entry.particulars,
        &entry.kit,
        &entry.adjusters,
    )
}

fn edit_page(
    context: &RequestContext,
    instrument: &Instrument,
    base: &RegisterForm,
    form: RegisterForm,
    errors: FormErrors,
) -> Result<FormPage, Error> {
    let base = RegisterForm {
        id: String::new(),
        base: String::new(),
        ..base.clone()
    };
    let base = serde_json::to_string(&base).map_err(|e| Error::Broken(format!("a form: {e}")))?;
    let title = format!("Edit {}", instrument.tag);
    let form = RegisterForm {
        id: instrument.id.to_string(),
        ..form
    };
    Ok(FormPage {
        tag: instrument.tag.clone(),
        action: format!(
            "/instruments/{}/edit/{}",
            instrument.tag, instrument.version
        ),
        base,
        ..FormPage::new(context, &title, form, errors)
    })
}

async fn show_edit(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let (instrument, entry) = entry_of(&mut conn, &tag).await?;
    let form = as_form(&context, &entry);
    page(&edit_page(
        &context,
        &instrument,
        &form.clone(),
        form,
        FormErrors::new(),
    )?)
}

async fn edit_anew(Path((tag, _)): Path<(String, String)>) -> Response {
    see_other(&format!("{}/edit", address::instrument(&tag)))
}

async fn edit(
    context: RequestContext,
    Path((tag, version)): Path<(String, i64)>,
    Form { fields, once }: Form<RegisterForm>,
) -> Result<Response, Error> {
    let mut form = fields.folded();
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let tag = match form.id.parse::<InstrumentId>() {
        Ok(id) => Instrument::get(&mut write, id).await?.particulars.tag,
        Err(_) => tag,
    };
    let (instrument, old) = entry_of(&mut write, &tag).await?;
    let theirs = as_form(&context, &old);
    if version != instrument.version {
        let base = serde_json::from_str(&form.base).unwrap_or_else(|_| theirs.clone());
        let (merged, their_changes) = merge(&base, &theirs, form);
        if !their_changes.is_empty() {
            let mut errors = FormErrors::new();
            for change in their_changes {
                errors.add(change.field, change.words);
            }
            let changed_by = last_editor(&mut write, instrument.id).await?;
            drop(write);
            return mend(&FormPage {
                changed_by,
                ..edit_page(&context, &instrument, &theirs, merged, errors)?
            });
        }
        form = merged;
    }
    let new = match form.check() {
        Ok(new) => new,
        Err(errors) => {
            drop(write);
            return mend(&edit_page(&context, &instrument, &theirs, form, errors)?);
        }
    };
    if let Some(asked) = ask_design(&context, &mut write, &instrument, &form, &new).await? {
        drop(write);
        let (form, errors, design_changes) = asked;
        return mend(&FormPage {
            design_changes,
            ..edit_page(&context, &instrument, &theirs, form, errors)?
        });
    }
    let said = changes(context.club(), &old, &new);
    let page_of_it = address::instrument(&new.particulars.tag);
    if said.is_empty() {
        return write.finish(&page_of_it, "Nothing was changed.").await;
    }
    release_where_ticked(
        &mut write,
        form.former_ok == "yes",
        &new.particulars.tag,
        Some(instrument.id),
    )
    .await?;
    let changed = Instrument::change(
        &mut write,
        instrument.id,
        instrument.version,
        &new.particulars,
    )
    .await;
    match changed {
        Ok(()) => {}
        Err(library::Error::Refused(why)) => {
            drop(write);
            let mut errors = FormErrors::new();
            errors.add("tag", why);
            return mend(&edit_page(&context, &instrument, &theirs, form, errors)?);
        }
        Err(other) => return Err(other.into()),
    }
    kit::set(&mut write, instrument.id, &new.kit, context.now()).await?;
    adjusters::set(&mut write, instrument.id, &new.adjusters).await?;
    let note = format!("Changed: {}.", said.join("; "));
    log(
        &context,
        &mut write,
        instrument.id,
        EntryKind::Register,
        note,
    )
    .await?;
    write.finish(&page_of_it, "The changes are kept.").await
}

/// What is asked where the design is another: the form to show, what to say, and what the
/// design changes. None where it is the same, or the question was answered for it.
async fn ask_design(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: &Instrument,
    form: &RegisterForm,
    new: &Checked,
) -> Result<Option<(RegisterForm, FormErrors, Vec<String>)>, Error> {
    let (was, is) = (instrument.design, new.particulars.design);
    let answered = form.design_asked == is.slug();
    if was == is || (answered && form.design_choice == "keep") {
        return Ok(None);
    }
    let club = context.club();
    let mut errors = FormErrors::new();
    let mut form = form.clone();
    if answered && form.design_choice == "usual" {
        form = design_change::with_usual(club, &form, new);
        form.design_choice = "keep".to_owned();
        let words = format!(
            "Design: what is usual for a design of this kind ({is}) stands below. Look it over and save."
        );
        errors.add("design_choice", words);
    } else {
        form.design_choice = String::new();
        let words = format!(
            "Design: it was {was} and is to be {is}. Say below what is to become of its values."
        );
        errors.add("design_choice", words);
    }
    form.design_asked = is.slug().to_owned();
    let said = design_change::words(conn, club, instrument.id, was, new).await?;
    Ok(Some((form, errors, said)))
}

/// Who last changed the register entry.
async fn last_editor(conn: &mut Conn, instrument: InstrumentId) -> Result<String, Error> {
    let entries = Entry::of(conn, instrument).await?;
    Ok(entries
        .into_iter()
        .filter(|e| e.kind == EntryKind::Register)
        .max_by_key(|e| e.recorded_at)
        .map_or_else(|| "Someone".to_owned(), |e| e.recorded_by))
}

/// Writes a line of these words into a logbook, as of now and by who is signed in.
pub(super) async fn log(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: InstrumentId,
    kind: EntryKind,
    note: String,
) -> Result<(), Error> {
    NewEntry {
        instrument,
        kind,
        happened_at: context.now(),
        recorded_at: context.now(),
        by: context.person()?.id,
        loan: None,
        note,
    }
    .write(conn)
    .await?;
    Ok(())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct ReasonFields {
    reason: String,
}

#[derive(Template)]
#[template(path = "instrument/status.html")]
struct StatusPage {
    layout: Layout,
    tag: String,
    name: String,
    retiring: bool,
    on_loan: bool,
    waiting: usize,
    since: String,
    reason: String,
    errors: FormErrors,
}

async fn status_page(
    context: &RequestContext,
    conn: &mut Conn,
    tag: &str,
    retiring: bool,
    reason: String,
    errors: FormErrors,
) -> Result<StatusPage, Error> {
    let instrument = Instrument::by_tag(conn, tag).await?;
    refuse_if_so_already(&instrument, retiring)?;
    let verb = if retiring { "Retire" } else { "Put back" };
    Ok(StatusPage {
        layout: context.layout(&format!("{verb} {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        retiring,
        on_loan: instrument.open_loan.is_some(),
        waiting: waits::open(conn, Some(instrument.id), None).await?.len(),
        since: instrument.status_reason.clone(),
        reason,
        errors,
    })
}

fn refuse_if_so_already(instrument: &Instrument, retiring: bool) -> Result<(), Error> {
    match (retiring, instrument.status) {
        (true, Status::Retired) => Err(Error::Refused(format!(
            "{} is retired already.",
            instrument.tag
        ))),
        (false, status) if status != Status::Retired => Err(Error::Refused(format!(
            "{} is not retired: it is {status}.",
            instrument.tag
        ))),
        _ => Ok(()),
    }
}

async fn show_status(
    context: &RequestContext,
    tag: &str,
    retiring: bool,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    page(
        &status_page(
            context,
            &mut conn,
            tag,
            retiring,
            String::new(),
            FormErrors::new(),
        )
        .await?,
    )
}

async fn show_retire(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    show_status(&context, &tag, true).await
}

async fn show_reinstate(
    context: RequestContext,
    Path(tag): Path<String>,
) -> Result<Response, Error> {
    show_status(&context, &tag, false).await
}

async fn retire(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields, once }: Form<ReasonFields>,
) -> Result<Response, Error> {
    let (instrument, reason, mut write) = match stand(&context, &tag, true, fields, &once).await? {
        Stand::Answer(response) => return Ok(response),
        Stand::Forward(go) => *go,
    };
    if instrument.open_loan.is_some() {
        return Err(Error::Refused(format!(
            "{} is out on loan. Return it first, then retire it.",
            instrument.tag
        )));
    }
    Instrument::set_status(&mut write, instrument.id, Status::Retired, &reason).await?;
    let note = format!("Retired: {reason}");
    log(&context, &mut write, instrument.id, EntryKind::Status, note).await?;
    let said = format!("{} is retired and no longer lent.", instrument.tag);
    write
        .finish(&address::instrument(&instrument.tag), &said)
        .await
}

async fn reinstate(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields, once }: Form<ReasonFields>,
) -> Result<Response, Error> {
    let (instrument, reason, mut write) = match stand(&context, &tag, false, fields, &once).await? {
        Stand::Answer(response) => return Ok(response),
        Stand::Forward(go) => *go,
    };
    Instrument::set_status(&mut write, instrument.id, Status::Shelf, &reason).await?;
    let note = format!("Put back on the shelf: {reason}");
    log(&context, &mut write, instrument.id, EntryKind::Status, note).await?;
    let said = format!("{} is on the shelf again.", instrument.tag);
    write
        .finish(&address::instrument(&instrument.tag), &said)
        .await
}

enum Stand {
    Answer(Response),
    Forward(Box<(Instrument, String, OnceWrite)>),
}

/// What retiring and putting back have in common: a reason, and the write.
async fn stand(
    context: &RequestContext,
    tag: &str,
    retiring: bool,
    fields: ReasonFields,
    once: &str,
) -> Result<Stand, Error> {
    let mut errors = FormErrors::new();
    let reason = errors.text("reason", "Reason", &fields.reason, 300);
    if !errors.is_empty() {
        let mut conn = context.read().await?;
        let template =
            status_page(context, &mut conn, tag, retiring, fields.reason, errors).await?;
        return Ok(Stand::Answer(mend(&template)?));
    }
    let mut write = match context.begin(once).await? {
        Submission::Again(response) => return Ok(Stand::Answer(response)),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, tag).await?;
    refuse_if_so_already(&instrument, retiring)?;
    Ok(Stand::Forward(Box::new((instrument, reason, *write))))
}
