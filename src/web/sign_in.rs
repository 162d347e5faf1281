//! Signing in and out, and the one-time addresses at which a password is chosen.

use askama::Template;
use axum::http::{HeaderValue, header};
use axum::response::Response;
use chrono::Duration;

use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::Mends;
use super::page::{Chrome, Desk, mend, page, see_other, with_notice};
use super::visit::{UnsentForm, browser_cookie_name, cookie, session_cookie_name};
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
    chrome: Chrome,
    form: SignInFields,
    mends: Mends,
}

/// Only a path of ours: no host, no scheme, nothing a browser reads as one.
pub fn own_path(next: &str) -> &str {
    let safe = next.starts_with('/')
        && !next.starts_with("//")
        && !next.contains(['\\', '\r', '\n', '\t', '\0']);
    if safe { next } else { "/" }
}

async fn show(desk: Desk, Query(form): Query<SignInFields>) -> Result<Response, Error> {
    if desk.visit.person.is_some() {
        return Ok(see_other(own_path(&form.next)));
    }
    page(&SignInPage {
        chrome: desk.chrome("Sign in"),
        form: SignInFields {
            password: String::new(),
            ..form
        },
        mends: Mends::new(),
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
    desk: &'a Desk,
    person: Option<&Person>,
) -> library::Result<Option<&'a Token>> {
    match (person, &desk.visit.browser) {
        (Some(person), Some(browser))
            if sessions::knows_browser(conn, person.id, browser).await? =>
        {
            Ok(Some(browser))
        }
        _ => Ok(None),
    }
}

async fn sign_in(
    desk: Desk,
    Form { fields: form, .. }: Form<SignInFields>,
) -> Result<Response, Error> {
    let account = form.email.trim().to_lowercase();
    let (person, browser, stored) = {
        let mut conn = desk.read().await?;
        let person = Person::by_email(&mut conn, &account)
            .await?
            .filter(|p| p.left_at.is_none());
        let browser = known_browser(&mut conn, &desk, person.as_ref()).await?;
        let tried = Try {
            account: &account,
            address: &desk.visit.address,
            browser,
        };
        let wait = wait_seconds(&mut conn, tried, desk.now()).await?;
        if wait > 0 {
            return Err(Error::SlowDown(wait));
        }
        let stored = match &person {
            Some(p) => people::password_hash(&mut conn, p.id).await?,
            None => None,
        };
        (person, browser, stored)
    };
    let right = desk
        .app
        .passwords
        .check(form.password.clone(), stored)
        .await?;
    let mut write = desk.app.library.write().await?;
    let tried = Try {
        account: &account,
        address: &desk.visit.address,
        browser,
    };
    let who = person.as_ref().map(|p| p.id);
    if let Some(id) = who.filter(|_| right)
        && second_factor::is_on(&mut write, id).await?
    {
        let half = sessions::begin_half(&mut write, id, desk.now()).await?;
        write.commit().await.map_err(library::Error::from)?;
        return sign_in_code::ask(&desk, &half, form);
    }
    sessions::note_attempt(&mut write, tried, right, desk.now()).await?;
    let said = match (&who, right) {
        (Some(_), true) => "Signed in.",
        (Some(_), false) => "Sign-in refused: wrong password.",
        (None, _) => "Sign-in refused: no such account.",
    };
    desk.leave_trail_of(&mut write, who, said).await?;
    let Some(person) = person.filter(|_| right) else {
        write.commit().await.map_err(library::Error::from)?;
        let mut mends = Mends::new();
        mends.add(
            "email",
            "This address and password do not go together. Check both, or ask a coordinator for a one-time address.",
        );
        return mend(&SignInPage {
            chrome: desk.chrome("Sign in"),
            form: SignInFields {
                password: String::new(),
                ..form
            },
            mends,
        });
    };
    enter(&desk, write, person, browser.is_some(), &form).await
}

/// Starts the session of somebody who has shown who they are, and leads on.
pub(super) async fn enter(
    desk: &Desk,
    mut write: Write,
    person: Person,
    browser_is_known: bool,
    form: &SignInFields,
) -> Result<Response, Error> {
    if let Some(old) = &desk.visit.token {
        sessions::end(&mut write, &Token::given(old)).await?;
    }
    let token = sessions::start(&mut write, person.id, desk.now()).await?;
    let browser = if browser_is_known {
        None
    } else {
        Some(sessions::know_browser(&mut write, person.id, desk.now()).await?)
    };
    write.commit().await.map_err(library::Error::from)?;
    let response = if form.unsent_action.is_empty() {
        see_other(own_path(&form.next))
    } else {
        resume(desk, &token, person, form)?
    };
    let mut response = with_session(&desk.app, response, &token);
    if let Some(browser) = browser {
        let cookie = cookie(
            &desk.app,
            browser_cookie_name(&desk.app),
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
    chrome: Chrome,
    unsent: UnsentForm,
}

/// The form that was under way, with the new session's mark, to be sent on.
fn resume(
    desk: &Desk,
    token: &Token,
    person: Person,
    form: &SignInFields,
) -> Result<Response, Error> {
    let fields = serde_html_form::from_str(&form.unsent_fields).map_err(|_| {
        Error::BadRequest("What you typed could not be read back. Open the page again.".to_owned())
    })?;
    let mut chrome = desk.chrome("Send what you typed");
    chrome.csrf = token.form_mark();
    chrome.person = Some(super::page::PersonChip {
        name: person.name,
        role: person.role.label(),
    });
    page(&ResumePage {
        chrome,
        unsent: UnsentForm {
            action: own_path(&form.unsent_action).to_owned(),
            fields,
        },
    })
}

async fn sign_out(desk: Desk, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = desk.app.library.write().await?;
    if let Some(token) = &desk.visit.token {
        sessions::end(&mut write, &Token::given(token)).await?;
        desk.leave_trail(&mut write, "Signed out.").await?;
    }
    write.commit().await.map_err(library::Error::from)?;
    Ok(signed_out(&desk, "You are signed out."))
}

async fn sign_out_everywhere(desk: Desk, _: Form<Nothing>) -> Result<Response, Error> {
    let mut write = desk.app.library.write().await?;
    sessions::end_all(&mut write, desk.person()?.id).await?;
    desk.leave_trail(&mut write, "Signed out on every device.")
        .await?;
    write.commit().await.map_err(library::Error::from)?;
    Ok(signed_out(&desk, "You are signed out on every device."))
}

fn signed_out(desk: &Desk, notice: &str) -> Response {
    let mut response = with_notice(&desk.app, see_other("/"), notice);
    let gone = cookie(
        &desk.app,
        session_cookie_name(&desk.app),
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
    chrome: Chrome,
    form: WelcomeFields,
    mends: Mends,
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

async fn show_welcome(desk: Desk, Path(token): Path<String>) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    let (purpose, person) = invited(&mut conn, &Token::given(&token), desk.now()).await?;
    page(&WelcomePage {
        chrome: desk.chrome(welcome_title(purpose)),
        form: WelcomeFields {
            zone: "UTC".to_owned(),
            ..WelcomeFields::default()
        },
        mends: Mends::new(),
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
    desk: Desk,
    Path(token_text): Path<String>,
    Form { fields: form, .. }: Form<WelcomeFields>,
) -> Result<Response, Error> {
    let token = Token::given(&token_text);
    let (purpose, person) = {
        let mut conn = desk.read().await?;
        invited(&mut conn, &token, desk.now()).await?
    };
    let mut mends = Mends::new();
    let mut founder = None;
    if person.is_none() {
        mends.text("club", "Club", &form.club, 120);
        if form.zone.trim().parse::<chrono_tz::Tz>().is_err() {
            mends.add(
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
            Err((field, words)) => mends.add(field, words),
        }
    }
    let email = person
        .as_ref()
        .map_or(form.email.as_str(), |p| p.email.as_str());
    if let Some(fault) = passwords::fault(&form.password, email) {
        mends.add("password", fault);
    } else if form.password != form.again {
        mends.add(
            "again",
            "Password again: the two are not the same. Type both once more.",
        );
    }
    if !mends.is_empty() {
        return mend(&WelcomePage {
            chrome: desk.chrome(welcome_title(purpose)),
            is_set_up: person.is_none(),
            who: person.map(|p| p.name).unwrap_or_default(),
            action: format!("/welcome/{token_text}"),
            form: WelcomeFields {
                password: String::new(),
                again: String::new(),
                ..form
            },
            mends,
        });
    }
    let hash = desk.app.passwords.hash(form.password.clone()).await?;
    let mut write = desk.app.library.write().await?;
    sessions::use_address(&mut write, &token, desk.now()).await?;
    let id: PersonId = match (person, founder) {
        (Some(p), _) => p.id,
        (None, Some(founder)) => {
            let club = Club {
                name: form.club.trim().to_owned(),
                zone: form.zone.trim().to_owned(),
                ..Club::load(&mut write).await?
            };
            club.save(&mut write).await?;
            Person::add(&mut write, &founder, desk.now()).await?
        }
        (None, None) => return Err(Error::Broken("a set-up without a founder".to_owned())),
    };
    people::set_password_hash(&mut write, id, &hash).await?;
    sessions::end_all(&mut write, id).await?;
    let session = sessions::start(&mut write, id, desk.now()).await?;
    desk.leave_trail_of(
        &mut write,
        Some(id),
        "Chose a password by a one-time address.",
    )
    .await?;
    write.commit().await.map_err(library::Error::from)?;
    let response = with_notice(
        &desk.app,
        see_other("/"),
        "Your password is set and you are signed in.",
    );
    Ok(with_session(&desk.app, response, &session))
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct DisplayFields {
    value: String,
    back: String,
}

async fn set_display(
    desk: Desk,
    Form { fields: form, .. }: Form<DisplayFields>,
) -> Result<Response, Error> {
    let value = match form.value.as_str() {
        "night" => "night",
        "red" => "red",
        _ => "day",
    };
    let mut response = see_other(own_path(&form.back));
    let cookie = cookie(&desk.app, "display", value.to_owned(), Duration::days(365));
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
