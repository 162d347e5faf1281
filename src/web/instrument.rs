//! Editing an instrument's register entry, retiring it, putting it back.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::Mends;
use super::page::{Arrival, Chrome, Desk, OnceWrite, mend, page, see_other};
use super::register::FormPage;
use super::register_form::{Checked, RegisterForm, changes, merge};
use super::{Error, address};
use crate::library::entries::{Entry, EntryKind, NewEntry};
use crate::library::instruments::{Instrument, Standing};
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

fn as_form(desk: &Desk, entry: &Checked) -> RegisterForm {
    RegisterForm::of(
        desk.club(),
        &entry.particulars,
        &entry.kit,
        &entry.adjusters,
    )
}

fn edit_page(
    desk: &Desk,
    instrument: &Instrument,
    base: &RegisterForm,
    form: RegisterForm,
    mends: Mends,
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
        ..FormPage::new(desk, &title, form, mends)
    })
}

async fn show_edit(desk: Desk, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    let (instrument, entry) = entry_of(&mut conn, &tag).await?;
    let form = as_form(&desk, &entry);
    page(&edit_page(
        &desk,
        &instrument,
        &form.clone(),
        form,
        Mends::new(),
    )?)
}

async fn edit_anew(Path((tag, _)): Path<(String, String)>) -> Response {
    see_other(&format!("{}/edit", address::instrument(&tag)))
}

async fn edit(
    desk: Desk,
    Path((tag, version)): Path<(String, i64)>,
    Form { fields, once }: Form<RegisterForm>,
) -> Result<Response, Error> {
    let mut form = fields.folded();
    let mut write = match desk.begin(&once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let tag = match form.id.parse::<InstrumentId>() {
        Ok(id) => Instrument::get(&mut write, id).await?.particulars.tag,
        Err(_) => tag,
    };
    let (instrument, old) = entry_of(&mut write, &tag).await?;
    let theirs = as_form(&desk, &old);
    if version != instrument.version {
        let base = serde_json::from_str(&form.base).unwrap_or_else(|_| theirs.clone());
        let (merged, their_changes) = merge(&base, &theirs, form);
        if !their_changes.is_empty() {
            let mut mends = Mends::new();
            for change in their_changes {
                mends.add(change.field, change.words);
            }
            let changed_by = last_editor(&mut write, instrument.id).await?;
            return mend(&FormPage {
                changed_by,
                ..edit_page(&desk, &instrument, &theirs, merged, mends)?
            });
        }
        form = merged;
    }
    let new = match form.check() {
        Ok(new) => new,
        Err(mends) => return mend(&edit_page(&desk, &instrument, &theirs, form, mends)?),
    };
    let said = changes(desk.club(), &old, &new);
    let page_of_it = address::instrument(&new.particulars.tag);
    if said.is_empty() {
        return write.finish(&page_of_it, "Nothing was changed.").await;
    }
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
            let mut mends = Mends::new();
            mends.add("tag", why);
            return mend(&edit_page(&desk, &instrument, &theirs, form, mends)?);
        }
        Err(other) => return Err(other.into()),
    }
    kit::set(&mut write, instrument.id, &new.kit, desk.now()).await?;
    adjusters::set(&mut write, instrument.id, &new.adjusters).await?;
    let note = format!("Changed: {}.", said.join("; "));
    log(&desk, &mut write, instrument.id, EntryKind::Register, note).await?;
    write.finish(&page_of_it, "The changes are kept.").await
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

async fn log(
    desk: &Desk,
    conn: &mut Conn,
    instrument: InstrumentId,
    kind: EntryKind,
    note: String,
) -> Result<(), Error> {
    NewEntry {
        instrument,
        kind,
        happened_at: desk.now(),
        recorded_at: desk.now(),
        by: desk.person()?.id,
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
#[template(path = "instrument/standing.html")]
struct StandingPage {
    chrome: Chrome,
    tag: String,
    name: String,
    retiring: bool,
    on_loan: bool,
    waiting: usize,
    since: String,
    reason: String,
    mends: Mends,
}

async fn standing_page(
    desk: &Desk,
    conn: &mut Conn,
    tag: &str,
    retiring: bool,
    reason: String,
    mends: Mends,
) -> Result<StandingPage, Error> {
    let instrument = Instrument::by_tag(conn, tag).await?;
    refuse_if_so_already(&instrument, retiring)?;
    let verb = if retiring { "Retire" } else { "Put back" };
    Ok(StandingPage {
        chrome: desk.chrome(&format!("{verb} {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        retiring,
        on_loan: instrument.open_loan.is_some(),
        waiting: waits::open(conn, Some(instrument.id), None).await?.len(),
        since: instrument.standing_reason.clone(),
        reason,
        mends,
    })
}

fn refuse_if_so_already(instrument: &Instrument, retiring: bool) -> Result<(), Error> {
    match (retiring, instrument.standing) {
        (true, Standing::Retired) => Err(Error::Refused(format!(
            "{} is retired already.",
            instrument.tag
        ))),
        (false, standing) if standing != Standing::Retired => Err(Error::Refused(format!(
            "{} is not retired: it is {standing}.",
            instrument.tag
        ))),
        _ => Ok(()),
    }
}

async fn show_standing(desk: &Desk, tag: &str, retiring: bool) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    page(&standing_page(desk, &mut conn, tag, retiring, String::new(), Mends::new()).await?)
}

async fn show_retire(desk: Desk, Path(tag): Path<String>) -> Result<Response, Error> {
    show_standing(&desk, &tag, true).await
}

async fn show_reinstate(desk: Desk, Path(tag): Path<String>) -> Result<Response, Error> {
    show_standing(&desk, &tag, false).await
}

async fn retire(
    desk: Desk,
    Path(tag): Path<String>,
    Form { fields, once }: Form<ReasonFields>,
) -> Result<Response, Error> {
    let (instrument, reason, mut write) = match stand(&desk, &tag, true, fields, &once).await? {
        Stand::Answer(response) => return Ok(response),
        Stand::Forward(go) => *go,
    };
    if instrument.open_loan.is_some() {
        return Err(Error::Refused(format!(
            "{} is out on loan. Take it back first, then retire it.",
            instrument.tag
        )));
    }
    Instrument::set_standing(&mut write, instrument.id, Standing::Retired, &reason).await?;
    let note = format!("Retired: {reason}");
    log(&desk, &mut write, instrument.id, EntryKind::Standing, note).await?;
    let said = format!("{} is retired and no longer lent.", instrument.tag);
    write
        .finish(&address::instrument(&instrument.tag), &said)
        .await
}

async fn reinstate(
    desk: Desk,
    Path(tag): Path<String>,
    Form { fields, once }: Form<ReasonFields>,
) -> Result<Response, Error> {
    let (instrument, reason, mut write) = match stand(&desk, &tag, false, fields, &once).await? {
        Stand::Answer(response) => return Ok(response),
        Stand::Forward(go) => *go,
    };
    Instrument::set_standing(&mut write, instrument.id, Standing::Shelf, &reason).await?;
    let note = format!("Put back on the shelf: {reason}");
    log(&desk, &mut write, instrument.id, EntryKind::Standing, note).await?;
    let said = format!("{} is on the shelf again.", instrument.tag);
    write
        .finish(&address::instrument(&instrument.tag), &said)
        .await
}

enum Stand {
    Answer(Response),
    Adjustment(Box<(Instrument, String, OnceWrite)>),
}

/// What retiring and putting back have in common: a reason, and the write.
async fn stand(
    desk: &Desk,
    tag: &str,
    retiring: bool,
    fields: ReasonFields,
    once: &str,
) -> Result<Stand, Error> {
    let mut mends = Mends::new();
    let reason = mends.text("reason", "Reason", &fields.reason, 300);
    if !mends.is_empty() {
        let mut conn = desk.read().await?;
        let template = standing_page(desk, &mut conn, tag, retiring, fields.reason, mends).await?;
        return Ok(Stand::Answer(mend(&template)?));
    }
    let mut write = match desk.begin(once).await? {
        Arrival::Again(response) => return Ok(Stand::Answer(response)),
        Arrival::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, tag).await?;
    refuse_if_so_already(&instrument, retiring)?;
    Ok(Stand::Forward(Box::new((instrument, reason, write))))
}
