//! The people on the list: adding, changing, one-time addresses. Coordinators only.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::{Mends, shown_mark};
use super::page::{Arrival, Chrome, Desk, mend, page};
use super::show;
use super::sign_in::Nothing;
use crate::library::people::{self, NewPerson, Person, Role};
use crate::library::sessions::{self, Purpose};
use crate::library::{self, PersonId, second_factor};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/people", list),
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
        Route::post(Access::Coordinator, "/people/{id}/leave", leave),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Filter {
    q: String,
    role: String,
    page: String,
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
    chrome: Chrome,
    filter: Filter,
    lines: Vec<Line>,
    words: String,
    before: String,
    after: String,
}

const PER_PAGE: usize = 100;

async fn list(desk: Desk, Query(filter): Query<Filter>) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    let wanted = filter.q.trim().to_lowercase();
    let role: Option<Role> = filter.role.parse().ok();
    let found: Vec<Person> = Person::list(&mut conn)
        .await?
        .into_iter()
        .filter(|p| role.is_none_or(|r| p.role == r))
        .filter(|p| {
            wanted.is_empty()
                || p.name.to_lowercase().contains(&wanted)
                || p.email.contains(&wanted)
        })
        .collect();
    let number: usize = filter.page.parse().unwrap_or(1).max(1);
    let from = (number - 1).saturating_mul(PER_PAGE).min(found.len());
    let to = (from + PER_PAGE).min(found.len());
    let address = |page: usize| {
        let query = [("q", filter.q.as_str()), ("role", filter.role.as_str())];
        let query = serde_html_form::to_string(query).unwrap_or_default();
        format!("/people?{query}&page={page}")
    };
    let words = if found.is_empty() {
        String::new()
    } else {
        format!("{} to {to} of {}", from + 1, found.len())
    };
    page(&ListPage {
        chrome: desk.chrome("People"),
        lines: found[from..to]
            .iter()
            .map(|p| Line {
                id: p.id,
                name: p.name.clone(),
                email: p.email.clone(),
                role: p.role.label(),
                signs_in: if p.can_sign_in {
                    "yes"
                } else {
                    "no password yet"
                },
                since: show::date(desk.club(), p.joined_at),
            })
            .collect(),
        words,
        before: if number > 1 {
            address(number - 1)
        } else {
            String::new()
        },
        after: if to < found.len() {
            address(number + 1)
        } else {
            String::new()
        },
        filter,
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
        let role = person.role.slug();
        Self {
            name: person.name.clone(),
            email: person.email.clone(),
            role: role.to_owned(),
            shown: shown_mark(&[&person.name, &person.email, role]),
        }
    }

    /// What somebody else has changed since this form was opened.
    fn overtaken_by(&self, now: &Self) -> Mends {
        let mut mends = Mends::new();
        if self.shown != now.shown {
            mends.overtaken(&[
                ("name", "Name", &self.name, &now.name),
                ("email", "Email address", &self.email, &now.email),
                ("role", "Role", &self.role, &now.role),
            ]);
        }
        mends
    }

    fn check(&self) -> Result<NewPerson, Mends> {
        let mut mends = Mends::new();
        let role = mends.word("role", "Role", &self.role);
        let new = NewPerson {
            name: self.name.clone(),
            email: self.email.clone(),
            role: role.unwrap_or(Role::Member),
        };
        match new.check() {
            Ok(new) if mends.is_empty() => Ok(new),
            Ok(_) => Err(mends),
            Err((field, words)) => {
                mends.add(field, words);
                Err(mends)
            }
        }
    }
}

#[derive(Template)]
#[template(path = "people/form.html")]
struct FormPage {
    chrome: Chrome,
    form: PersonFields,
    mends: Mends,
    action: String,
    /// Present when an existing person is shown.
    known: Option<Known>,
}

struct Known {
    id: PersonId,
    since: String,
    can_sign_in: bool,
    second_factor: bool,
    loans: Vec<LoanLine>,
}

struct LoanLine {
    href: String,
    words: String,
}

async fn show_new(desk: Desk) -> Result<Response, Error> {
    page(&FormPage {
        chrome: desk.chrome("Add a person"),
        form: PersonFields {
            role: Role::Member.slug().to_owned(),
            ..PersonFields::default()
        },
        mends: Mends::new(),
        action: "/people/new".to_owned(),
        known: None,
    })
}

async fn add(desk: Desk, form: Form<PersonFields>) -> Result<Response, Error> {
    let again = |mends, fields| {
        mend(&FormPage {
            chrome: desk.chrome("Add a person"),
            form: fields,
            mends,
            action: "/people/new".to_owned(),
            known: None,
        })
    };
    let new = match form.fields.check() {
        Ok(new) => new,
        Err(mends) => return again(mends, form.fields),
    };
    let mut write = match desk.begin(&form.once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    match Person::add(&mut write, &new, desk.now()).await {
        Ok(id) => {
            let notice = format!(
                "{} is on the list. Make them a one-time address to choose a password at.",
                new.name
            );
            write.finish(&format!("/people/{id}"), &notice).await
        }
        Err(library::Error::Refused(why)) => {
            let mut mends = Mends::new();
            mends.add("email", why);
            again(mends, form.fields)
        }
        Err(error) => Err(error.into()),
    }
}

async fn person_page(
    desk: &Desk,
    id: PersonId,
    form: Option<PersonFields>,
    mends: Mends,
) -> Result<FormPage, Error> {
    let mut conn = desk.read().await?;
    let person = Person::get(&mut conn, id).await?;
    if person.left_at.is_some() {
        return Err(Error::NotFound("person on the list"));
    }
    let which = library::loans::Which {
        borrower: Some(id),
        ..Default::default()
    };
    let loans = library::loans::Loan::list(&mut conn, which).await?;
    let loans = loans
        .iter()
        .map(|l| LoanLine {
            href: format!("/loans/{}", l.id),
            words: match l.returned_at {
                None => format!("{}, out, due {}", l.tag, show::plain_date(l.due_on)),
                Some(back) => format!("{}, back {}", l.tag, show::date(desk.club(), back)),
            },
        })
        .collect();
    Ok(FormPage {
        chrome: desk.chrome(&person.name),
        form: form.unwrap_or_else(|| PersonFields::of(&person)),
        mends,
        action: format!("/people/{id}"),
        known: Some(Known {
            id,
            since: show::date(desk.club(), person.joined_at),
            can_sign_in: person.can_sign_in,
            second_factor: second_factor::is_on(&mut conn, id).await?,
            loans,
        }),
    })
}

async fn show_one(desk: Desk, Path(id): Path<PersonId>) -> Result<Response, Error> {
    page(&person_page(&desk, id, None, Mends::new()).await?)
}

async fn change(
    desk: Desk,
    Path(id): Path<PersonId>,
    form: Form<PersonFields>,
) -> Result<Response, Error> {
    let new = match form.fields.check() {
        Ok(new) => new,
        Err(mends) => return mend(&person_page(&desk, id, Some(form.fields), mends).await?),
    };
    let mut write = match desk.begin(&form.once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let now = PersonFields::of(&Person::get(&mut write, id).await?);
    let mends = form.fields.overtaken_by(&now);
    if !mends.is_empty() {
        drop(write);
        let again = PersonFields {
            shown: now.shown,
            ..form.fields
        };
        return mend(&person_page(&desk, id, Some(again), mends).await?);
    }
    match people::change(&mut write, id, &new).await {
        Ok(()) => write.finish(&format!("/people/{id}"), "Changed.").await,
        Err(library::Error::Refused(why)) => {
            drop(write);
            let field = if why.contains("address") {
                "email"
            } else {
                "role"
            };
            let mut mends = Mends::new();
            mends.add(field, why);
            mend(&person_page(&desk, id, Some(form.fields), mends).await?)
        }
        Err(error) => Err(error.into()),
    }
}

#[derive(Template)]
#[template(path = "people/address.html")]
struct AddressPage {
    chrome: Chrome,
    name: String,
    address: String,
    back: String,
}

/// Makes a one-time address and shows it once; it cannot be shown again.
async fn make_address(
    desk: Desk,
    Path(id): Path<PersonId>,
    _: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = desk.app.library.write().await?;
    let person = Person::get(&mut write, id).await?;
    if person.left_at.is_some() {
        return Err(Error::NotFound("person on the list"));
    }
    let purpose = if person.can_sign_in {
        Purpose::NewPassword
    } else {
        Purpose::Welcome
    };
    let by = desk.person()?.id;
    let token = sessions::make_address(&mut write, purpose, Some(id), Some(by), desk.now()).await?;
    desk.leave_trail(&mut write, "Made a one-time address.")
        .await?;
    write.commit().await.map_err(library::Error::from)?;
    page(&AddressPage {
        chrome: desk.chrome("A one-time address"),
        name: person.name,
        address: format!("{}/welcome/{}", desk.base_address(), token.text()),
        back: format!("/people/{id}"),
    })
}

/// For somebody whose phone is gone, once they have shown who they are.
async fn take_factor_off(
    desk: Desk,
    Path(id): Path<PersonId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match desk.begin(&form.once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let name = Person::get(&mut write, id).await?.name;
    second_factor::take_off(&mut write, id).await?;
    write
        .finish(
            &format!("/people/{id}"),
            &format!("The second factor of {name} is off."),
        )
        .await
}

async fn leave(
    desk: Desk,
    Path(id): Path<PersonId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match desk.begin(&form.once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let name = Person::get(&mut write, id).await?.name;
    people::leave(&mut write, id, desk.now()).await?;
    write
        .finish(
            "/people",
            &format!("{name} is off the list. What they signed stays."),
        )
        .await
}
