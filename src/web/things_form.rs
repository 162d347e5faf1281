//! Adding and editing a thing; saying that it is missing, found or retired.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::register::release_where_ticked;
use super::register_form::check_tag;
use super::{Error, address, show};
use crate::library::instruments::Status;
use crate::library::things::{self, Kind, Particulars, Thing};
use crate::library::{self, Conn, sets::Set};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/things/new", begin),
        Route::post(Access::Volunteer, "/things/new", add),
        Route::get(Access::Volunteer, "/things/{tag}/edit", show_edit),
        Route::post(Access::Volunteer, "/things/{tag}/edit", edit),
        Route::get(Access::Volunteer, "/things/{tag}/status/{to}", show_status),
        Route::post(Access::Volunteer, "/things/{tag}/status/{to}", set_status),
    ]
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
struct ThingFields {
    tag: String,
    kind: String,
    name: String,
    place: String,
    value: String,
    notes: String,
    /// How often it had been edited when the form was opened.
    version: i64,
    /// "yes" where another's former tag is to lead here from now on.
    former_ok: String,
    /// "yes" to go on to the next one.
    another: String,
}

impl ThingFields {
    fn of(thing: &Thing) -> Self {
        Self {
            tag: thing.tag.clone(),
            kind: thing.kind.slug().to_owned(),
            name: thing.name.clone(),
            place: thing.place.clone(),
            value: thing
                .replacement_value_cents
                .map(|cents| show::trimmed(cents as f64 / 100.0, 2))
                .unwrap_or_default(),
            notes: thing.notes.clone(),
            version: thing.version,
            ..Self::default()
        }
    }

    fn check(&self, errors: &mut FormErrors) -> Option<Particulars> {
        let tag = check_tag(errors, &self.tag);
        let kind = errors.word::<Kind>("kind", "Kind", &self.kind);
        if kind == Some(Kind::Instrument) {
            errors.add(
                "kind",
                "Kind: an instrument is added on the shelf's page. Choose another kind.",
            );
        }
        let name = errors.text("name", "What it is", &self.name, 80);
        let place = errors.optional_text("place", "Its place", &self.place, 80);
        let value =
            errors.optional_number("value", "Replacement value", &self.value, 0.0..=1_000_000.0);
        let notes = errors.optional_text("notes", "Notes", &self.notes, 2000);
        let particulars = Particulars {
            tag,
            kind: kind?,
            name,
            place,
            replacement_value_cents: value.map(|v| (v * 100.0).round() as i64),
            notes,
        };
        errors.is_empty().then_some(particulars)
    }
}

#[derive(Template)]
#[template(path = "things/form.html")]
struct FormPage {
    layout: Layout,
    form: ThingFields,
    errors: FormErrors,
    kinds: &'static [Kind],
    currency: String,
    /// The thing edited, or "" when one is added.
    tag: String,
    action: String,
    back: String,
    asks_former: bool,
}

impl FormPage {
    fn new(
        context: &RequestContext,
        thing: Option<&Thing>,
        form: ThingFields,
        errors: FormErrors,
    ) -> Self {
        let tag = thing.map(|t| t.tag.clone()).unwrap_or_default();
        let base = thing.map(address::thing);
        Self {
            layout: context.layout(&match thing {
                Some(_) => format!("Edit {tag}"),
                None => "Add a thing".to_owned(),
            }),
            kinds: Kind::of_things(),
            currency: context.club().currency.clone(),
            action: base
                .as_ref()
                .map_or_else(|| "/things/new".to_owned(), |b| format!("{b}/edit")),
            back: base.unwrap_or_else(|| "/things".to_owned()),
            asks_former: errors.of("tag").contains("old labels"),
            tag,
            form,
            errors,
        }
    }
}

async fn begin(context: RequestContext) -> Result<Response, Error> {
    let form = ThingFields::default();
    page(&FormPage::new(&context, None, form, FormErrors::new()))
}

async fn add(
    context: RequestContext,
    Form { fields: form, once }: Form<ThingFields>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let Some(p) = form.check(&mut errors) else {
        return mend(&FormPage::new(&context, None, form, errors));
    };
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    release_where_ticked(&mut write, form.former_ok == "yes", &p.tag, None).await?;
    let by = context.person()?.id;
    match Thing::add(&mut write, &p, context.now(), by).await {
        Ok(_) => {}
        Err(library::Error::Refused(why)) => {
            drop(write);
            errors.add("tag", why);
            return mend(&FormPage::new(&context, None, form, errors));
        }
        Err(error) => return Err(error.into()),
    }
    let onward = match form.another.as_str() {
        "yes" => "/things/new".to_owned(),
        _ => address::thing_tag(&p.tag),
    };
    write
        .finish(&onward, &format!("{} is on the shelf.", p.tag))
        .await
}

async fn thing_of(conn: &mut Conn, tag: &str) -> Result<Thing, Error> {
    let thing = Thing::by_tag(conn, tag).await?;
    if thing.is_instrument() {
        return Err(Error::NotFound("thing"));
    }
    Ok(thing)
}

async fn show_edit(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let thing = thing_of(&mut *context.read().await?, &tag).await?;
    let form = ThingFields::of(&thing);
    page(&FormPage::new(
        &context,
        Some(&thing),
        form,
        FormErrors::new(),
    ))
}

async fn edit(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<ThingFields>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let thing = thing_of(&mut write, &tag).await?;
    let mut errors = FormErrors::new();
    let Some(p) = form.check(&mut errors) else {
        drop(write);
        return mend(&FormPage::new(&context, Some(&thing), form, errors));
    };
    if form.version != thing.version {
        // What stands there now is said; sending it again puts this form's words in place.
        let now = ThingFields::of(&thing);
        let kind = now.kind.parse::<Kind>().map_or("", Kind::label);
        let typed_kind = form.kind.parse::<Kind>().map_or("", Kind::label);
        errors.overtaken(&[
            ("tag", "Tag", &form.tag, &now.tag),
            ("kind", "Kind", typed_kind, kind),
            ("name", "What it is", &form.name, &now.name),
            ("place", "Its place", &form.place, &now.place),
            ("value", "Replacement value", &form.value, &now.value),
            ("notes", "Notes", &form.notes, &now.notes),
        ]);
        if !errors.is_empty() {
            drop(write);
            let version = thing.version;
            let form = ThingFields { version, ..form };
            return mend(&FormPage::new(&context, Some(&thing), form, errors));
        }
    }
    release_where_ticked(&mut write, form.former_ok == "yes", &p.tag, Some(thing.id)).await?;
    let (now, by) = (context.now(), context.person()?.id);
    match Thing::change(&mut write, thing.id, thing.version, &p, now, by).await {
        Ok(()) => {}
        Err(library::Error::Refused(why)) => {
            drop(write);
            errors.add("tag", why);
            return mend(&FormPage::new(&context, Some(&thing), form, errors));
        }
        Err(error) => return Err(error.into()),
    }
    write
        .finish(&address::thing_tag(&p.tag), "The changes are kept.")
        .await
}

// ---- missing, found, retired ----

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct ReasonFields {
    reason: String,
}

#[derive(Template)]
#[template(path = "things/status.html")]
struct StatusPage {
    layout: Layout,
    name: String,
    back: String,
    tag: String,
    action: String,
    /// What it comes to.
    words: &'static str,
    button: &'static str,
    grave: bool,
    on_loan: bool,
    /// Why it is as it is now.
    since: String,
    /// The sets it is taken for.
    sets: Vec<String>,
    reason: String,
    errors: FormErrors,
}

/// Only a coordinator retires, and puts back what is retired.
fn may(context: &RequestContext, thing: &Thing, to: Status) -> Result<(), Error> {
    let grave = to == Status::Retired || thing.status == Status::Retired;
    match grave && !context.may(Access::Coordinator) {
        true => Err(Error::NotAllowed(Access::Coordinator)),
        false => Ok(()),
    }
}

fn target(to: &str) -> Result<Status, Error> {
    match to.parse() {
        Ok(to @ (Status::Missing | Status::Shelf | Status::Retired)) => Ok(to),
        _ => Err(Error::NotFound("page")),
    }
}

async fn status_page(
    context: &RequestContext,
    conn: &mut Conn,
    thing: &Thing,
    to: Status,
    reason: String,
    errors: FormErrors,
) -> Result<StatusPage, Error> {
    let tag = &thing.tag;
    let (title, words, button) = match to {
        Status::Missing => (
            format!("{tag} is missing"),
            "It is not lent until somebody says that it is found. Look in its place and in the cases of its set first.",
            "Say that it is missing",
        ),
        Status::Retired => (
            format!("Retire {tag}"),
            "It is no longer lent and leaves the list. What happened with it stays, and it can be put back.",
            "Retire it",
        ),
        _ => (
            format!("{tag} is on the shelf again"),
            "It may be lent from now on.",
            "Put it on the shelf",
        ),
    };
    Ok(StatusPage {
        layout: context.layout(&title),
        name: thing.name.clone(),
        back: address::thing(thing),
        tag: tag.clone(),
        action: format!("/things/{}/status/{}", address::part(tag), to.slug()),
        words,
        button,
        grave: to != Status::Shelf,
        on_loan: thing.open_loan.is_some(),
        since: thing.status_reason.clone(),
        sets: match to {
            Status::Retired => Set::with(conn, thing.id).await?,
            _ => Vec::new(),
        }
        .into_iter()
        .map(|set| set.name)
        .collect(),
        reason,
        errors,
    })
}

async fn show_status(
    context: RequestContext,
    Path((tag, to)): Path<(String, String)>,
) -> Result<Response, Error> {
    let to = target(&to)?;
    let mut conn = context.read().await?;
    let thing = Thing::by_tag(&mut conn, &tag).await?;
    may(&context, &thing, to)?;
    let errors = FormErrors::new();
    page(&status_page(&context, &mut conn, &thing, to, String::new(), errors).await?)
}

async fn set_status(
    context: RequestContext,
    Path((tag, to)): Path<(String, String)>,
    Form { fields: form, once }: Form<ReasonFields>,
) -> Result<Response, Error> {
    let to = target(&to)?;
    let mut errors = FormErrors::new();
    let reason = errors.text("reason", "Reason", &form.reason, 300);
    if !errors.is_empty() {
        let mut conn = context.read().await?;
        let thing = Thing::by_tag(&mut conn, &tag).await?;
        may(&context, &thing, to)?;
        return mend(&status_page(&context, &mut conn, &thing, to, form.reason, errors).await?);
    }
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let thing = Thing::by_tag(&mut write, &tag).await?;
    may(&context, &thing, to)?;
    let (now, by) = (context.now(), context.person()?.id);
    things::set_status(&mut write, thing.id, to, &reason, now, by).await?;
    let notice = match to {
        Status::Shelf => format!("{tag} is on the shelf again."),
        to => format!("{tag} is {to}."),
    };
    write.finish(&address::thing(&thing), &notice).await
}
