//! The people on the list: adding, changing, sign-in link. Coordinators only.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, GraveForm, Path, Query};
use super::fields::{FormErrors, shown_mark};
use super::lists::{Asked, Choice, Controls, Shown};
use super::me::{self, PlaceLine, SessionFields};
use super::page::{Layout, RequestContext, Submission, mend, page, see_other, with_notice};
use super::tables::{Cell, Paging, csv_response};
use super::{confirm, first_evening, post, show};
use crate::library::people::{self, NewPerson, Person, Role, Which};
use crate::library::sessions::{self, Purpose};
use crate::library::{self, PersonId, messages, second_factor};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/people", list),
        Route::get(Access::Coordinator, "/people.csv", list_csv),
        Route::get(Access::Coordinator, "/people/new", show_new),
        Route::post(Access::Coordinator, "/people/new", add),
        Route::get(Access::Coordinator, "/people/{id}", show_one),
        Route::post(Access::Coordinator, "/people/{id}", change),
        Route::post(Access::Coordinator, "/people/{id}/address", make_address),
        Route::post(
            Access::Coordinator,
            "/people/{id}/second-factor/off",
            take_factor_off,
        ),
        Route::post(
            Access::Coordinator,
            "/people/{id}/sessions/end",
            end_sessions,
        ),
        Route::post(Access::Coordinator, "/people/{id}/leave", leave),
    ]
}

struct Line {
    id: PersonId,
    name: String,
    email: String,
    role: &'static str,
    signs_in: &'static str,
    since: String,
}

#[derive(Template)]
#[template(path = "people/list.html")]
struct ListPage {
    layout: Layout,
    list: Shown,
    lines: Vec<Line>,
}

/// What can be asked of the list.
fn controls() -> Controls {
    Controls {
        path: "/people".to_owned(),
        csv: "/people.csv".to_owned(),
        sought_in: "Name or address",
        choices: vec![
            Choice::of(
                "role",
                "Role",
                "any role",
                &[
                    ("member", "members"),
                    ("volunteer", "volunteers"),
                    ("coordinator", "coordinators"),
                    (GUEST, "guests"),
                ],
            ),
            Choice::of(
                "signs-in",
                "Signs in",
                "any",
                &[
                    ("yes", "yes"),
                    ("no-password", NO_PASSWORD),
                    ("never", "never"),
                ],
            ),
        ],
        orders: &[
            ("name", "Name"),
            ("newest", "Newest first"),
            ("longest", "Longest here first"),
        ],
        rows: 50,
    }
}

/// Could sign in, and never has.
const NO_PASSWORD: &str = "no password yet";
/// What stands for a guest where a role is chosen.
const GUEST: &str = "guest";

fn role_words(person: &Person) -> &'static str {
    if person.guest {
        GUEST
    } else {
        person.role.label()
    }
}

/// The people asked for, in the order asked for: those of one page, and how many there are
/// in all; or all of them.
async fn asked_for(
    context: &RequestContext,
    asked: &Asked,
    rows: Option<usize>,
) -> Result<(Vec<Person>, usize), Error> {
    let order = controls();
    let order = order.check(asked)?;
    let mut conn = context.read().await?;
    let which = Which {
        role: asked.of("role").parse().ok(),
        guests: asked.of("role") == GUEST,
        signs_in: Some(asked.of("signs-in")).filter(|chosen| !chosen.is_empty()),
        words: asked.each_word(),
        order: Some(order)
            .filter(|order| *order != "name")
            .unwrap_or_default(),
    };
    let (page, size) = match rows {
        Some(rows) => (asked.page() as i64, rows as i64),
        None => (1, i64::MAX),
    };
    let (count, found) = Person::page(&mut conn, &which, page, size).await?;
    Ok((found, count))
}

fn signs_in(person: &Person) -> &'static str {
    match (person.can_sign_in, person.may_sign_in()) {
        (true, _) => "yes",
        (false, true) => NO_PASSWORD,
        (false, false) => "never",
    }
}

/// All that are asked for, whatever page is shown.
async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let (found, _) = asked_for(&context, &asked, None).await?;
    csv_response(
        &["name", "email", "role", "signs in", "since"],
        found.iter().map(|p| {
            vec![
                Cell::from(p.name.as_str()),
                Cell::from(p.mail()),
                Cell::from(role_words(p)),
                Cell::from(signs_in(p)),
                Cell::from(context.club().date(p.joined_at)),
            ]
        }),
    )
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let controls = controls();
    let (rows, count) = asked_for(&context, &asked, Some(controls.rows)).await?;
    let paging = Paging::new(asked.page(), count, controls.rows);
    let list = controls.shown(&asked, &paging);
    page(&ListPage {
        layout: context.layout("People"),
        lines: rows
            .iter()
            .map(|p| Line {
                id: p.id,
                name: p.name.clone(),
                email: p.mail().to_owned(),
                role: role_words(p),
                signs_in: signs_in(p),
                since: show::date(context.club(), p.joined_at),
            })
            .collect(),
        list,
    })
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct PersonFields {
    name: String,
    email: String,
    role: String,
    /// A mark of what the form showed when it was opened.
    shown: String,
}

impl PersonFields {
    fn of(person: &Person) -> Self {
        let role = match person.guest {
            true => GUEST,
            false => person.role.slug(),
        };
        Self {
            name: person.name.clone(),
            email: person.mail().to_owned(),
            role: role.to_owned(),
            shown: shown_mark(&[&person.name, person.mail(), role]),
        }
    }

    /// What somebody else has changed since this form was opened.
    fn overtaken_by(&self, now: &Self) -> FormErrors {
        let mut errors = FormErrors::new();
        if self.shown != now.shown {
            errors.overtaken(&[
                ("name", "Name", &self.name, &now.name),
                ("email", "Email address", &self.email, &now.email),
                ("role", "Role", &self.role, &now.role),
            ]);
        }
        errors
    }

    fn check(&self) -> Result<NewPerson, FormErrors> {
        let mut errors = FormErrors::new();
        let guest = self.role == GUEST;
        let role = match guest {
            true => Some(Role::Member),
            false => errors.word("role", "Role", &self.role),
        };
        let new = NewPerson {
            name: self.name.clone(),
            email: self.email.clone(),
            role: role.unwrap_or(Role::Member),
            guest,
        };
        match new.check() {
            Ok(new) if errors.is_empty() => Ok(new),
            Ok(_) => Err(errors),
            Err((field, words)) => {
                errors.add(field, words);
                Err(errors)
            }
        }
    }
}

#[derive(Template)]
#[template(path = "people/form.html")]
struct FormPage {
    layout: Layout,
    form: PersonFields,
    errors: FormErrors,
    action: String,
    /// Present when an existing person is shown.
    known: Option<Known>,
}

struct Known {
    id: PersonId,
    since: String,
    can_sign_in: bool,
    /// Whether they could: they have an address and are no guest.
    may_sign_in: bool,
    second_factor: bool,
    places: Vec<PlaceLine>,
    loans: Vec<LoanLine>,
    /// Whether there may be more than are shown.
    more_loans: bool,
    /// Whether a link can be sent.
    sends: bool,
    /// When mail to them was refused last, and why; "" where it gets through.
    refused: String,
}

struct LoanLine {
    href: String,
    words: String,
}

async fn show_new(context: RequestContext) -> Result<Response, Error> {
    page(&FormPage {
        layout: context.layout("Add a person"),
        form: PersonFields {
            role: Role::Member.slug().to_owned(),
            ..PersonFields::default()
        },
        errors: FormErrors::new(),
        action: "/people/new".to_owned(),
        known: None,
    })
}

async fn add(context: RequestContext, form: GraveForm<PersonFields>) -> Result<Response, Error> {
    let again = |errors, fields| {
        mend(&FormPage {
            layout: context.layout("Add a person"),
            form: fields,
            errors,
            action: "/people/new".to_owned(),
            known: None,
        })
    };
    let new = match form.fields.check() {
        Ok(new) => new,
        Err(errors) => return again(errors, form.fields),
    };
    if new.role == Role::Coordinator {
        confirm::asked(&context, &form).await?;
    }
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    match Person::add(&mut write, &new, context.now()).await {
        Ok(id) => {
            let notice = match new.address().is_some() && !new.guest {
                true => "They are on the list. Make them a sign-in link to choose a password at.",
                false => "They are on the list and can borrow.",
            };
            let usually = format!("/people/{id}");
            let onward =
                first_evening::onward(&mut write, &context, |has| has.people, usually).await?;
            write.finish(&onward, notice).await
        }
        Err(library::Error::Refused(why)) => {
            drop(write);
            let mut errors = FormErrors::new();
            errors.add("email", why);
            again(errors, form.fields)
        }
        Err(error) => Err(error.into()),
    }
}

/// So many loans of one person are shown, those still out first; the list of loans has them all.
const LOANS_SHOWN: i64 = 20;

async fn person_page(
    context: &RequestContext,
    id: PersonId,
    form: Option<PersonFields>,
    errors: FormErrors,
) -> Result<FormPage, Error> {
    let mut conn = context.read().await?;
    let person = Person::get(&mut conn, id).await?;
    if person.left_at.is_some() {
        return Err(Error::NotFound("person on the list"));
    }
    let which = library::loans::Which {
        borrower: Some(id),
        rows: Some(LOANS_SHOWN),
        ..Default::default()
    };
    let loans = library::loans::Loan::list(&mut conn, which).await?;
    let more_loans = loans.len() as i64 == LOANS_SHOWN;
    let loans = loans
        .iter()
        .map(|l| LoanLine {
            href: format!("/loans/{}", l.id),
            words: match l.returned_at {
                None => format!("{}, out, due {}", l.tag, show::day(l.due_on)),
                Some(back) => format!("{}, back {}", l.tag, show::date(context.club(), back)),
            },
        })
        .collect();
    Ok(FormPage {
        layout: context.layout(&person.name),
        form: form.unwrap_or_else(|| PersonFields::of(&person)),
        errors,
        action: format!("/people/{id}"),
        known: Some(Known {
            id,
            since: show::date(context.club(), person.joined_at),
            can_sign_in: person.can_sign_in,
            may_sign_in: person.may_sign_in(),
            second_factor: second_factor::is_on(&mut conn, id).await?,
            places: me::places(context, &mut conn, id).await?,
            loans,
            more_loans,
            sends: context.app.post.sends(),
            refused: messages::Message::refused(&mut conn, id)
                .await?
                .map(|(at, said)| format!("{}: {said}", show::date(context.club(), at)))
                .unwrap_or_default(),
        }),
    })
}

async fn show_one(context: RequestContext, Path(id): Path<PersonId>) -> Result<Response, Error> {
    page(&person_page(&context, id, None, FormErrors::new()).await?)
}

async fn change(
    context: RequestContext,
    Path(id): Path<PersonId>,
    form: GraveForm<PersonFields>,
) -> Result<Response, Error> {
    let new = match form.fields.check() {
        Ok(new) => new,
        Err(errors) => return mend(&person_page(&context, id, Some(form.fields), errors).await?),
    };
    let before = Person::get(&mut *context.read().await?, id).await?;
    let made_coordinator = new.role == Role::Coordinator && before.role != Role::Coordinator;
    if made_coordinator || new.email != before.mail() {
        confirm::asked(&context, &form).await?;
    }
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let now = PersonFields::of(&Person::get(&mut write, id).await?);
    let errors = form.fields.overtaken_by(&now);
    if !errors.is_empty() {
        drop(write);
        let again = PersonFields {
            shown: now.shown,
            ..form.fields
        };
        return mend(&person_page(&context, id, Some(again), errors).await?);
    }
    match people::change(&mut write, id, &new, context.now()).await {
        Ok(()) => {
            let club = context.club();
            post::tell_new_address(
                &mut write,
                context.club(),
                &before,
                &new.email,
                context.now(),
            )
            .await?;
            if made_coordinator {
                let what = "You were made a coordinator.";
                post::tell_account(&mut write, club, id, what, None, context.now()).await?;
            }
            let done = write.finish(&format!("/people/{id}"), "Changed.").await;
            context.app.post.ring();
            done
        }
        Err(library::Error::Refused(why)) => {
            drop(write);
            let field = if why.contains("address") {
                "email"
            } else {
                "role"
            };
            let mut errors = FormErrors::new();
            errors.add(field, why);
            mend(&person_page(&context, id, Some(form.fields), errors).await?)
        }
        Err(error) => Err(error.into()),
    }
}

#[derive(Template)]
#[template(path = "people/address.html")]
struct AddressPage {
    layout: Layout,
    name: String,
    address: String,
    back: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct LinkFields {
    /// "yes" sends it.
    by_mail: String,
}

/// Makes a sign-in link and sends it, or shows it once; it cannot be shown again.
async fn make_address(
    context: RequestContext,
    Path(id): Path<PersonId>,
    form: GraveForm<LinkFields>,
) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let mut write = context.app.library.write().await?;
    let person = Person::get(&mut write, id).await?;
    if person.left_at.is_some() {
        return Err(Error::NotFound("person on the list"));
    }
    if !person.may_sign_in() {
        return Err(library::Error::Refused(format!(
            "{} does not sign in. Give them an email address and a role first.",
            person.name
        ))
        .into());
    }
    let by = context.person()?.id;
    if form.fields.by_mail == "yes" {
        post::pages::send_link(&context, &mut write, &person, Some(by)).await?;
        let said = format!("A sign-in link is on its way to {}.", person.mail());
        context.audit(&mut write, "Sent a sign-in link.").await?;
        write.commit().await?;
        context.app.post.ring();
        let back = see_other(&format!("/people/{id}"));
        return Ok(with_notice(&context.app, back, &said));
    }
    let purpose = Purpose::of(&person);
    let token =
        sessions::make_address(&mut write, purpose, Some(id), Some(by), context.now()).await?;
    context.audit(&mut write, "Made a sign-in link.").await?;
    write.commit().await?;
    page(&AddressPage {
        layout: context.layout("A sign-in link"),
        name: person.name,
        address: format!("{}/welcome/{}", context.base_address(), token.text()),
        back: format!("/people/{id}"),
    })
}

/// For somebody whose phone is gone, once they have shown who they are.
async fn take_factor_off(
    context: RequestContext,
    Path(id): Path<PersonId>,
    form: GraveForm<Nothing>,
) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    Person::get(&mut write, id).await?;
    second_factor::take_off(&mut write, id).await?;
    let what = "Your second factor was turned off by a coordinator.";
    post::tell_account(&mut write, context.club(), id, what, None, context.now()).await?;
    context.app.post.ring();
    write
        .finish(&format!("/people/{id}"), "Their second factor is off.")
        .await
}

/// Signs somebody out: of one device, or of all.
async fn end_sessions(
    context: RequestContext,
    Path(id): Path<PersonId>,
    form: Form<SessionFields>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    Person::get(&mut write, id).await?;
    let said = if form.fields.session.is_empty() {
        sessions::end_all(&mut write, id).await?;
        "They are signed out everywhere."
    } else if sessions::end_place(&mut write, id, &form.fields.session).await? {
        "They are signed out there."
    } else {
        return Err(Error::NotFound("session of theirs"));
    };
    write.finish(&format!("/people/{id}"), said).await
}

async fn leave(
    context: RequestContext,
    Path(id): Path<PersonId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    people::leave(&mut write, id, context.now()).await?;
    write
        .finish("/people", "They are off the list. What they signed stays.")
        .await
}
