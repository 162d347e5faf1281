//! Signing in and out, and the sign-in link at which a password is chosen.

use askama::Template;
use axum::http::{HeaderName, HeaderValue};
use axum::response::Response;
use chrono::Duration;

use super::access::{Access, Route};
use super::address::own_path;
use super::enter::{enter, start, with_session};
use super::extract::{Form, Nothing, Path, Query};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, mend, page, see_other, with_notice};
use super::visitor::{cookie, session_cookie_name, with_cookie};
use super::{Error, passwords, sign_in_code, tries};
use crate::library::club::{Club, Units};
use crate::library::people::{self, NewPerson, Person, Role};
use crate::library::sessions::{self, Purpose, Token};
use crate::library::sign_in_tries::{self, Ended};
use crate::library::{self, Conn, Moment, PersonId, second_factor};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/sign-in", show),
        Route::post(Access::Anyone, "/sign-in", sign_in),
        Route::post(Access::Member, "/sign-out", sign_out),
        Route::post(Access::Member, "/sign-out-everywhere", sign_out_everywhere),
        Route::get(Access::Anyone, "/welcome/{token}", show_welcome),
        Route::post(Access::Anyone, "/welcome/{token}", welcome),
        Route::post(Access::Anyone, "/display", set_display),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
pub(super) struct SignInFields {
    pub email: String,
    pub password: String,
    /// Where to go afterwards.
    pub next: String,
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignInPage {
    layout: Layout,
    form: SignInFields,
    errors: FormErrors,
}

async fn show(
    context: RequestContext,
    Query(form): Query<SignInFields>,
) -> Result<Response, Error> {
    if context.visitor.person.is_some() {
        return Ok(see_other(own_path(&form.next)));
    }
    page(&SignInPage {
        layout: context.layout("Sign in"),
        form: SignInFields {
            password: String::new(),
            ..form
        },
        errors: FormErrors::new(),
    })
}

async fn sign_in(
    context: RequestContext,
    Form { fields: form, .. }: Form<SignInFields>,
) -> Result<Response, Error> {
    let account = tries::account(&form.email);
    let person = {
        let mut conn = context.read().await?;
        Person::by_email(&mut conn, &account)
            .await?
            .filter(|p| p.left_at.is_none())
    };
    let password = form.password.clone();
    let checked = tries::check(&context, &account, person.as_ref(), password).await?;
    let right = checked.right;
    let mut write = context.app.library.write().await?;
    let who = person.as_ref().map(|p| p.id);
    if let Some(id) = who.filter(|_| right)
        && second_factor::is_on(&mut write, id).await?
    {
        sign_in_tries::settle_try(&mut write, checked.counted, Ended::Half).await?;
        let half = sign_in_tries::begin_half(&mut write, id, context.now()).await?;
        write.commit().await?;
        return sign_in_code::ask(&context, &half, form.next);
    }
    if right {
        sign_in_tries::settle_try(&mut write, checked.counted, Ended::In).await?;
    }
    let said = match (&who, right) {
        (Some(_), true) => "Signed in.",
        (Some(_), false) => "Sign-in refused: wrong password.",
        (None, _) => "Sign-in refused: no such account.",
    };
    context.audit_of(&mut write, who, said).await?;
    let Some(person) = person.filter(|_| right) else {
        write.commit().await?;
        let mut errors = FormErrors::new();
        errors.add(
            "email",
            "This address and password do not go together. Check both, or ask a coordinator for a sign-in link.",
        );
        return mend(&SignInPage {
            layout: context.layout("Sign in"),
            form: SignInFields {
                password: String::new(),
                ..form
            },
            errors,
        });
    };
    enter(&context, write, person, checked.known, &form.next).await
}

async fn sign_out(context: RequestContext, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = context.app.library.write().await?;
    if let Some(token) = &context.visitor.token {
        sessions::end(&mut write, &Token::given(token)).await?;
        context.audit(&mut write, "Signed out.").await?;
    }
    write.commit().await?;
    Ok(signed_out(&context, "You are signed out."))
}

async fn sign_out_everywhere(context: RequestContext, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = context.app.library.write().await?;
    sessions::end_all(&mut write, context.person()?.id).await?;
    context
        .audit(&mut write, "Signed out on every device.")
        .await?;
    write.commit().await?;
    Ok(signed_out(&context, "You are signed out on every device."))
}

fn signed_out(context: &RequestContext, notice: &str) -> Response {
    if let Some(token) = &context.visitor.unsent {
        context.app.unsent.forget(token);
    }
    let mut response = with_notice(&context.app, see_other("/"), notice);
    // What a form under way has kept in this browser, and pages it may hold (W3C, Clear
    // Site Data; heeded over https only).
    response.headers_mut().insert(
        HeaderName::from_static("clear-site-data"),
        HeaderValue::from_static("\"cache\", \"storage\""),
    );
    let gone = cookie(
        &context.app,
        session_cookie_name(&context.app),
        String::new(),
        Duration::zero(),
    );
    with_cookie(response, &gone)
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct WelcomeFields {
    name: String,
    email: String,
    club: String,
    zone: String,
    units: String,
    password: String,
    again: String,
}

#[derive(Template)]
#[template(path = "welcome.html")]
struct WelcomePage {
    layout: Layout,
    form: WelcomeFields,
    errors: FormErrors,
    is_set_up: bool,
    who: String,
    action: String,
}

async fn invited(
    conn: &mut Conn,
    token: &Token,
    now: Moment,
) -> library::Result<(Purpose, Option<Person>)> {
    let (purpose, id) = sessions::address(conn, token, now).await?;
    let person = match id {
        Some(id) => Some(Person::get(conn, id).await?),
        None => None,
    };
    Ok((purpose, person))
}

async fn show_welcome(
    context: RequestContext,
    Path(token): Path<String>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let (purpose, person) = invited(&mut conn, &Token::given(&token), context.now()).await?;
    page(&WelcomePage {
        layout: context.layout(welcome_title(purpose)),
        form: WelcomeFields {
            zone: "UTC".to_owned(),
            units: Units::Metric.slug().to_owned(),
            ..WelcomeFields::default()
        },
        errors: FormErrors::new(),
        is_set_up: person.is_none(),
        who: person.map(|p| p.name).unwrap_or_default(),
        action: format!("/welcome/{token}"),
    })
}

fn welcome_title(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::SetUp => "Set the club up",
        Purpose::Welcome => "Choose a password",
        Purpose::NewPassword => "Choose a new password",
    }
}

async fn welcome(
    context: RequestContext,
    Path(token_text): Path<String>,
    Form { fields: form, .. }: Form<WelcomeFields>,
) -> Result<Response, Error> {
    let token = Token::given(&token_text);
    let (purpose, person) = {
        let mut conn = context.read().await?;
        invited(&mut conn, &token, context.now()).await?
    };
    let mut errors = FormErrors::new();
    let mut founder = None;
    if person.is_none() {
        errors.text("club", "Club", &form.club, 120);
        if form.zone.trim().parse::<chrono_tz::Tz>().is_err() {
            errors.add(
                "zone",
                "Time zone: give a name like Europe/Lisbon or America/Denver.",
            );
        }
        let new = NewPerson {
            name: form.name.clone(),
            email: form.email.clone(),
            role: Role::Coordinator,
            guest: false,
        };
        match new.check() {
            Ok(new) => founder = Some(new),
            Err((field, words)) => errors.add(field, words),
        }
    }
    let names = match &person {
        Some(p) => [p.name.as_str(), p.mail(), &context.club().name],
        None => [form.name.as_str(), &form.email, &form.club],
    };
    if let Some(fault) = passwords::fault(&form.password, &names) {
        errors.add("password", fault);
    } else if form.password != form.again {
        errors.add(
            "again",
            "Password again: the two are not the same. Type both once more.",
        );
    }
    if !errors.is_empty() {
        return mend(&WelcomePage {
            layout: context.layout(welcome_title(purpose)),
            is_set_up: person.is_none(),
            who: person.map(|p| p.name).unwrap_or_default(),
            action: format!("/welcome/{token_text}"),
            form: WelcomeFields {
                password: String::new(),
                again: String::new(),
                ..form
            },
            errors,
        });
    }
    let place = context
        .app
        .passwords
        .place(&context.visitor.network, true)?;
    let hash = place.hash(form.password.clone()).await?;
    let mut write = context.app.library.write().await?;
    sessions::use_address(&mut write, &token, context.now()).await?;
    let id: PersonId = match (person, founder) {
        (Some(p), _) => p.id,
        (None, Some(founder)) => {
            let club = Club {
                name: form.club.trim().to_owned(),
                zone: form.zone.trim().to_owned(),
                units: form.units.parse().unwrap_or(Units::Metric),
                ..Club::load(&mut write).await?
            };
            club.save(&mut write).await?;
            Person::add(&mut write, &founder, context.now()).await?
        }
        (None, None) => return Err(Error::Broken("a set-up without a founder".to_owned())),
    };
    people::set_password_hash(&mut write, id, &hash).await?;
    sessions::end_all(&mut write, id).await?;
    context
        .audit_of(&mut write, Some(id), "Chose a password by a sign-in link.")
        .await?;
    // A link stands for the password only.
    if second_factor::is_on(&mut write, id).await? {
        let half = sign_in_tries::begin_half(&mut write, id, context.now()).await?;
        write.commit().await?;
        return sign_in_code::ask(&context, &half, String::new());
    }
    let session = start(&context, &mut write, id).await?;
    write.commit().await?;
    // A first coordinator is led on to the first evening from there.
    let response = with_notice(
        &context.app,
        see_other("/"),
        "Your password is set and you are signed in.",
    );
    Ok(with_session(&context.app, response, &session))
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct DisplayFields {
    value: String,
    back: String,
}

async fn set_display(
    context: RequestContext,
    Form { fields: form, .. }: Form<DisplayFields>,
) -> Result<Response, Error> {
    let value = match form.value.as_str() {
        "night" => "night",
        "red" => "red",
        _ => "day",
    };
    let cookie = cookie(
        &context.app,
        "display",
        value.to_owned(),
        Duration::days(365),
    );
    Ok(with_cookie(see_other(own_path(&form.back)), &cookie))
}
