//! Sets: what usually goes out together.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, show, things};
use crate::library::instruments::State;
use crate::library::sets::{MOST_MEMBERS, Set};
use crate::library::things::{Kind, Thing};
use crate::library::{self, Conn, SetId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/sets", list),
        Route::get(Access::Volunteer, "/sets/new", begin),
        Route::post(Access::Volunteer, "/sets/new", add),
        Route::get(Access::Volunteer, "/sets/{id}/edit", show_edit),
        Route::post(Access::Volunteer, "/sets/{id}/edit", edit),
        Route::post(Access::Volunteer, "/sets/{id}/remove", remove),
    ]
}

struct SetRow {
    name: String,
    members: Vec<(String, String, String)>,
    lend: String,
    edit: String,
    all_here: bool,
}

#[derive(Template)]
#[template(path = "sets/list.html")]
struct ListPage {
    layout: Layout,
    rows: Vec<SetRow>,
}

async fn list(context: RequestContext) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let rows = Set::all(&mut conn).await?.into_iter();
    let rows = rows.map(|(set, members)| SetRow {
        all_here: members.iter().all(|m| m.state() == State::OnTheShelf),
        members: members
            .iter()
            .map(|m| {
                let state = match m.state() {
                    State::OnTheShelf => String::new(),
                    state => state.label().to_owned(),
                };
                let words = format!("{}, {}", m.tag, m.name);
                (address::thing(m), words, state)
            })
            .collect(),
        lend: format!("/lend-together?set={}", set.id),
        edit: format!("/sets/{}/edit", set.id),
        name: set.name,
    });
    page(&ListPage {
        layout: context.layout("Sets"),
        rows: rows.collect(),
    })
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct SetFields {
    name: String,
    note: String,
    /// Tags.
    member: Vec<String>,
    /// More of them, as typed.
    more: String,
    version: i64,
}

/// One that can be chosen: tag, words, whether it is.
type Member = (String, String, bool);

#[derive(Template)]
#[template(path = "sets/form.html")]
struct FormPage {
    layout: Layout,
    action: String,
    /// Where it is taken apart, "" for a new one.
    remove: String,
    /// What can be chosen by kind: the heading, then tag, words, whether chosen.
    kinds: Vec<(String, Vec<Member>)>,
    /// Whether there are more than can be ticked: their tags are typed.
    more: bool,
    form: SetFields,
    errors: FormErrors,
}

async fn form_page(
    context: &RequestContext,
    conn: &mut Conn,
    id: Option<SetId>,
    form: SetFields,
    errors: FormErrors,
) -> Result<FormPage, Error> {
    let (mut things, more_instruments) = Thing::offered(conn, true, false, &form.member).await?;
    let (others, more_things) = Thing::offered(conn, false, false, &form.member).await?;
    things.extend(others);
    let kinds = Kind::ALL.iter().filter_map(|&kind| {
        let of: Vec<Member> = things
            .iter()
            .filter(|t| t.kind == kind)
            .map(|t| {
                let chosen = form.member.contains(&t.tag);
                (t, chosen)
            })
            .map(|(t, chosen)| (t.tag.clone(), format!("{}, {}", t.tag, t.name), chosen))
            .collect();
        (!of.is_empty()).then(|| (show::capital(kind.label()), of))
    });
    Ok(FormPage {
        layout: context.layout(match id {
            Some(_) => "Edit a set",
            None => "Add a set",
        }),
        action: id.map_or_else(|| "/sets/new".to_owned(), |id| format!("/sets/{id}/edit")),
        remove: id
            .map(|id| format!("/sets/{id}/remove"))
            .unwrap_or_default(),
        kinds: kinds.collect(),
        more: more_instruments || more_things,
        form,
        errors,
    })
}

async fn begin(context: RequestContext) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let (form, errors) = (SetFields::default(), FormErrors::new());
    page(&form_page(&context, &mut conn, None, form, errors).await?)
}

async fn show_edit(context: RequestContext, Path(id): Path<SetId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let set = Set::get(&mut conn, id).await?;
    let members = Set::members(&mut conn, id).await?;
    let form = SetFields {
        name: set.name,
        note: set.note,
        member: members.into_iter().map(|m| m.tag).collect(),
        more: String::new(),
        version: set.version,
    };
    page(&form_page(&context, &mut conn, Some(id), form, FormErrors::new()).await?)
}

async fn add(context: RequestContext, form: Form<SetFields>) -> Result<Response, Error> {
    save(context, None, form).await
}

async fn edit(
    context: RequestContext,
    Path(id): Path<SetId>,
    form: Form<SetFields>,
) -> Result<Response, Error> {
    save(context, Some(id), form).await
}

async fn save(
    context: RequestContext,
    id: Option<SetId>,
    Form { fields, once }: Form<SetFields>,
) -> Result<Response, Error> {
    let mut form = fields;
    let mut errors = FormErrors::new();
    let name = errors.text("name", "Name", &form.name, 80);
    let note = errors.optional_text("note", "Note", &form.note, 300);
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    things::tick_typed(&mut write, &mut form.more, &mut form.member, &mut errors).await?;
    if form.member.len() < 2 {
        errors.add("member", "What belongs to it: tick at least two.");
    } else if form.member.len() > MOST_MEMBERS {
        errors.add(
            "member",
            format!("What belongs to it: at most {MOST_MEMBERS} fit."),
        );
    }
    let mut members = Vec::new();
    if errors.is_empty() {
        for tag in &form.member {
            members.push(Thing::by_tag(&mut write, tag).await?.id);
        }
        let done = match id {
            Some(id) => Set::change(&mut write, id, form.version, &name, &note, &members).await,
            None => Set::add(&mut write, &name, &note, &members)
                .await
                .map(|_| ()),
        };
        match done {
            Ok(()) => {}
            Err(library::Error::Refused(why)) => errors.add("name", why),
            Err(error) => return Err(error.into()),
        }
    }
    if !errors.is_empty() {
        drop(write);
        let mut conn = context.read().await?;
        return mend(&form_page(&context, &mut conn, id, form, errors).await?);
    }
    write.finish("/sets", &format!("{name} is kept.")).await
}

async fn remove(
    context: RequestContext,
    Path(id): Path<SetId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let set = Set::get(&mut write, id).await?;
    Set::remove(&mut write, id).await?;
    let notice = format!(
        "{} is no longer a set. What belonged to it stays.",
        set.name
    );
    write.finish("/sets", &notice).await
}
