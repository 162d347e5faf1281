//! Signing in and out, and the sign-in link at which a password is chosen.

use askama::Template;
use axum::http::{HeaderValue, header};
use axum::response::Response;
use chrono::Duration;

use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, mend, page, see_other, with_notice};
use super::visitor::{UnsentForm, browser_cookie_name, cookie, session_cookie_name};
use super::{App, Error, passwords, sign_in_code};
use crate::library::club::Club;
use crate::library::people::{self, NewPerson, Person, Role};
use crate::library::sessions::{self, Purpose, Token, Try};
use crate::library::{self, Conn, Moment, PersonId, Write, second_factor};

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
    /// A form that was under way: where it was going.
    pub unsent_action: String,
    /// Its fields, encoded.
    pub unsent_fields: String,
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignInPage {
    layout: Layout,
    form: SignInFields,
    errors: FormErrors,
}

/// Only a path of ours: no host, no scheme, nothing a browser reads as one.
pub fn own_path(next: &str) -> &str {
    let safe = next.starts_with('/')
        && !next.starts_with("//")
        && !next.contains(['\\', '\r', '\n', '\t', '\0']);
    if safe { next } else { "/" }
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

/// How long failures count.
const MEMORY: Duration = Duration::minutes(15);
/// Failures of one account before it must wait.
const ACCOUNT_TRIES: i64 = 5;
/// Failures from one network address before it must wait: a whole club may sit
/// behind one.
const ADDRESS_TRIES: i64 = 100;

/// Seconds to wait before this account may try again from here. A browser that
/// the account has signed in with before waits for its own failures only.
pub(super) async fn wait_seconds(
    conn: &mut Conn,
    tried: Try<'_>,
    now: Moment,
) -> library::Result<i64> {
    let since = now - MEMORY;
    if tried.browser.is_none()
        && sessions::failures_from(conn, tried.address, since).await? >= ADDRESS_TRIES
    {
        return Ok(60);
    }
    let (failures, last) = sessions::failures(conn, tried, since).await?;
    let Some(last) = last.filter(|_| failures >= ACCOUNT_TRIES) else {
        return Ok(0);
    };
    let doublings = u32::try_from((failures - ACCOUNT_TRIES).min(8)).unwrap_or(8);
    let pause = Duration::seconds(4 * 2_i64.pow(doublings)).min(MEMORY);
    Ok((last + pause - now).num_seconds().max(0))
}

/// The browser's token, where this person has signed in with it before.
pub(super) async fn known_browser<'a>(
    conn: &mut Conn,
    context: &'a RequestContext,
    person: Option<&Person>,
) -> library::Result<Option<&'a Token>> {
    match (person, &context.visitor.browser) {
        (Some(person), Some(browser))
            if sessions::knows_browser(conn, person.id, browser).await? =>
        {
            Ok(Some(browser))
        }
        _ => Ok(None),
    }
}

async fn sign_in(
    context: RequestContext,
    Form { fields: form, .. }: Form<SignInFields>,
) -> Result<Response, Error> {
    let account = form.email.trim().to_lowercase();
    let (person, browser, stored) = {
        let mut conn = context.read().await?;
        let person = Person::by_email(&mut conn, &account)
            .await?
            .filter(|p| p.left_at.is_none());
        let browser = known_browser(&mut conn, &context, person.as_ref()).await?;
        let tried = Try {
            account: &account,
            address: &context.visitor.address,
            browser,
        };
        let wait = wait_seconds(&mut conn, tried, context.now()).await?;
        if wait > 0 {
            return Err(Error::SlowDown(wait));
        }
        let stored = match &person {
            Some(p) => people::password_hash(&mut conn, p.id).await?,
            None => None,
        };
        (person, browser, stored)
    };
    let right = context
        .app
        .passwords
        .check(form.password.clone(), stored)
        .await?;
    let mut write = context.app.library.write().await?;
    let tried = Try {
        account: &account,
        address: &context.visitor.address,
        browser,
    };
    let who = person.as_ref().map(|p| p.id);
    if let Some(id) = who.filter(|_| right)
        && second_factor::is_on(&mut write, id).await?
    {
        let half = sessions::begin_half(&mut write, id, context.now()).await?;
        write.commit().await.map_err(library::Error::from)?;
        return sign_in_code::ask(&context, &half, form);
    }
    sessions::note_attempt(&mut write, tried, right, context.now()).await?;
    let said = match (&who, right) {
        (Some(_), true) => "Signed in.",
        (Some(_), false) => "Sign-in refused: wrong password.",
        (None, _) => "Sign-in refused: no such account.",
    };
    context.audit_of(&mut write, who, said).await?;
    let Some(person) = person.filter(|_| right) else {
        write.commit().await.map_err(library::Error::from)?;
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
    enter(&context, write, person, browser.is_some(), &form).await
}

/// Starts the session of somebody who has shown who they are, and leads on.
pub(super) async fn enter(
    context: &RequestContext,
    mut write: Write,
    person: Person,
    browser_is_known: bool,
    form: &SignInFields,
) -> Result<Response, Error> {
    if let Some(old) = &context.visitor.token {
        sessions::end(&mut write, &Token::given(old)).await?;
    }
    let token = sessions::start(&mut write, person.id, context.now()).await?;
    let browser = if browser_is_known {
        None
    } else {
        Some(sessions::know_browser(&mut write, person.id, context.now()).await?)
    };
    write.commit().await.map_err(library::Error::from)?;
    let response = if form.unsent_action.is_empty() {
        see_other(own_path(&form.next))
    } else {
        resume(context, &token, person, form)?
    };
    let mut response = with_session(&context.app, response, &token);
    if let Some(browser) = browser {
        let cookie = cookie(
            &context.app,
            browser_cookie_name(&context.app),
            browser.text().to_owned(),
            sessions::KNOWN_LASTS,
        );
        if let Ok(value) = HeaderValue::from_str(&cookie.to_string()) {
            response.headers_mut().append(header::SET_COOKIE, value);
        }
    }
    Ok(response)
}

fn with_session(app: &App, mut response: Response, token: &Token) -> Response {
    let cookie = cookie(
        app,
        session_cookie_name(app),
        token.text().to_owned(),
        sessions::LONGEST,
    );
    if let Ok(value) = HeaderValue::from_str(&cookie.to_string()) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
    response
}

#[derive(Template)]
#[template(path = "resume.html")]
struct ResumePage {
    layout: Layout,
    unsent: UnsentForm,
}

/// The form that was under way, with the new session's mark, to be sent on.
fn resume(
    context: &RequestContext,
    token: &Token,
    person: Person,
    form: &SignInFields,
) -> Result<Response, Error> {
    let fields = serde_html_form::from_str(&form.unsent_fields).map_err(|_| {
        Error::BadRequest("What you typed could not be read back. Open the page again.".to_owned())
    })?;
    let mut layout = context.layout("Send what you typed");
    layout.csrf = token.form_mark();
    layout.person = Some(super::page::PersonChip {
        name: person.name,
        role: person.role.label(),
    });
    page(&ResumePage {
        layout,
        unsent: UnsentForm {
            action: own_path(&form.unsent_action).to_owned(),
            fields,
        },
    })
}

async fn sign_out(context: RequestContext, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = context.app.library.write().await?;
    if let Some(token) = &context.visitor.token {
        sessions::end(&mut write, &Token::given(token)).await?;
        context.audit(&mut write, "Signed out.").await?;
    }
    write.commit().await.map_err(library::Error::from)?;
    Ok(signed_out(&context, "You are signed out."))
}

async fn sign_out_everywhere(context: RequestContext, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = context.app.library.write().await?;
    sessions::end_all(&mut write, context.person()?.id).await?;
    context
        .audit(&mut write, "Signed out on every device.")
        .await?;
    write.commit().await.map_err(library::Error::from)?;
    Ok(signed_out(&context, "You are signed out on every device."))
}

fn signed_out(context: &RequestContext, notice: &str) -> Response {
    let mut response = with_notice(&context.app, see_other("/"), notice);
    let gone = cookie(
        &context.app,
        session_cookie_name(&context.app),
        String::new(),
        Duration::zero(),
    );
    if let Ok(value) = HeaderValue::from_str(&gone.to_string()) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
    response
}

/// A form without fields of its own.
#[derive(Debug, serde::Deserialize)]
pub struct Nothing {}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct WelcomeFields {
    name: String,
    email: String,
    club: String,
    zone: String,
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
        };
        match new.check() {
            Ok(new) => founder = Some(new),
            Err((field, words)) => errors.add(field, words),
        }
    }
    let email = person
        .as_ref()
        .map_or(form.email.as_str(), |p| p.email.as_str());
    if let Some(fault) = passwords::fault(&form.password, email) {
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
    let hash = context.app.passwords.hash(form.password.clone()).await?;
    let mut write = context.app.library.write().await?;
    sessions::use_address(&mut write, &token, context.now()).await?;
    let id: PersonId = match (person, founder) {
        (Some(p), _) => p.id,
        (None, Some(founder)) => {
            let club = Club {
                name: form.club.trim().to_owned(),
                zone: form.zone.trim().to_owned(),
                ..Club::load(&mut write).await?
            };
            club.save(&mut write).await?;
            Person::add(&mut write, &founder, context.now()).await?
        }
        (None, None) => return Err(Error::Broken("a set-up without a founder".to_owned())),
    };
    people::set_password_hash(&mut write, id, &hash).await?;
    sessions::end_all(&mut write, id).await?;
    let session = sessions::start(&mut write, id, context.now()).await?;
    context
        .audit_of(&mut write, Some(id), "Chose a password by a sign-in link.")
        .await?;
    write.commit().await.map_err(library::Error::from)?;
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
    let mut response = see_other(own_path(&form.back));
    let cookie = cookie(
        &context.app,
        "display",
        value.to_owned(),
        Duration::days(365),
    );
    if let Ok(value) = HeaderValue::from_str(&cookie.to_string()) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::own_path;

    #[test]
    fn only_our_own_paths_are_followed() {
        assert_eq!(own_path("/shelf?x=1"), "/shelf?x=1");
        for bad in [
            "//evil.example",
            "https://evil.example",
            "/\\evil.example",
            "",
            "javascript:1",
            "/a\r\nb",
        ] {
            assert_eq!(own_path(bad), "/", "{bad}");
        }
    }
}
