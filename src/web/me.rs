//! What a person sets about their own signing in: the password, the second
//! factor, and where they are signed in.

use askama::Template;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::enter::{start, with_session};
use super::extract::Nothing;
use super::extract::{Form, GraveForm};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page, see_other, with_notice};
use super::post::pages::Choice;
use super::{Error, address, confirm, label, passwords, post, show, tries};
use crate::library::people::NewPerson;
use crate::library::second_factor::{self, Secret, State};
use crate::library::sessions::{self, Token};
use crate::library::sign_in_tries::{self, Ended};
use crate::library::{self, Conn, PersonId, feeds, people};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/me", show_me),
        Route::post(Access::Member, "/me/second-factor", want),
        Route::get(Access::Member, "/me/second-factor.svg", picture),
        Route::post(Access::Member, "/me/second-factor/confirm", confirm_factor),
        Route::post(Access::Member, "/me/second-factor/off", take_off),
        Route::post(Access::Member, "/me/address", change_address),
        Route::post(Access::Member, "/me/password", change_password),
        Route::post(Access::Member, "/me/sessions/end", end_session),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct CodeFields {
    code: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct AddressFields {
    email: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct PasswordFields {
    old_password: String,
    password: String,
    again: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
pub(super) struct SessionFields {
    /// A session's name; "" for all.
    pub session: String,
}

/// One place where somebody is signed in, as pages show it.
pub(super) struct PlaceLine {
    pub name: String,
    pub device: String,
    pub since: String,
    pub last_seen: String,
    /// Whether it is the session that looks at this page.
    pub here: bool,
}

/// Where somebody is signed in.
pub(super) async fn places(
    context: &RequestContext,
    conn: &mut Conn,
    person: PersonId,
) -> Result<Vec<PlaceLine>, Error> {
    let own = context.visitor.token.as_deref().map(Token::given);
    let places = sessions::places(conn, person, context.now()).await?;
    Ok(places
        .into_iter()
        .map(|place| PlaceLine {
            here: own.as_ref().is_some_and(|token| place.is_of(token)),
            device: match place.device.as_str() {
                "" => "A device of unknown kind".to_owned(),
                known => known.to_owned(),
            },
            since: show::date(context.club(), place.since),
            last_seen: show::date(context.club(), place.last_seen),
            name: place.name,
        })
        .collect())
}

#[derive(Template)]
#[template(path = "me/me.html")]
struct MePage {
    layout: Layout,
    email: String,
    /// The address as typed in its form.
    typed: String,
    since: String,
    /// Spare codes left, where the second factor is on.
    spare_left: Option<i64>,
    /// The secret to be confirmed, in groups of four.
    wanted: String,
    places: Vec<PlaceLine>,
    choices: Vec<Choice>,
    /// Since when they have a calendar feed.
    calendar: Option<String>,
    errors: FormErrors,
}

/// Writes down for who is signed in that how they sign in has changed.
async fn tell(context: &RequestContext, conn: &mut Conn, what: &str) -> Result<(), Error> {
    let (me, now) = (context.person()?.id, context.now());
    post::tell_account(conn, context.club(), me, what, None, now).await?;
    context.app.post.ring();
    Ok(())
}

/// In groups of four, as people type it.
fn grouped(secret: &Secret) -> String {
    let letters: Vec<char> = secret.base32().chars().collect();
    let groups: Vec<String> = letters.chunks(4).map(|c| c.iter().collect()).collect();
    groups.join(" ")
}

async fn me_page(context: &RequestContext, errors: FormErrors) -> Result<MePage, Error> {
    let me = context.person()?;
    let mut conn = context.read().await?;
    let (spare_left, wanted) = match second_factor::state(&mut conn, me.id).await? {
        State::Off => (None, String::new()),
        State::Wanted(secret) => (None, grouped(&secret)),
        State::On { spare_left } => (Some(spare_left), String::new()),
    };
    Ok(MePage {
        layout: context.layout("You"),
        email: me.mail().to_owned(),
        typed: me.mail().to_owned(),
        since: show::date(context.club(), me.joined_at),
        spare_left,
        wanted,
        places: places(context, &mut conn, me.id).await?,
        choices: post::pages::choices(&mut conn, me).await?,
        calendar: feeds::since(&mut conn, me.id)
            .await?
            .map(|at| show::date(context.club(), at)),
        errors,
    })
}

async fn show_me(context: RequestContext) -> Result<Response, Error> {
    page(&me_page(&context, FormErrors::new()).await?)
}

async fn want(context: RequestContext, form: GraveForm<Nothing>) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    second_factor::want(&mut write, context.person()?.id).await?;
    write
        .finish("/me#second-factor", "Now give the secret to your app.")
        .await
}

/// The secret as a code to be read by the app, for its owner only.
async fn picture(context: RequestContext) -> Result<Response, Error> {
    let me = context.person()?;
    let mut conn = context.read().await?;
    let State::Wanted(secret) = second_factor::state(&mut conn, me.id).await? else {
        return Err(Error::NotFound("picture"));
    };
    let club = address::part(&context.club().name);
    let known_as = format!(
        "otpauth://totp/{club}:{}?secret={}&issuer={club}&algorithm=SHA1&digits={}&period={}",
        address::part(me.mail()),
        secret.base32(),
        second_factor::DIGITS,
        second_factor::STEP_S
    );
    let svg = label::qr_svg(&known_as)?;
    Ok((
        [
            (header::CONTENT_TYPE, "image/svg+xml"),
            (header::CACHE_CONTROL, "no-store"),
        ],
        svg,
    )
        .into_response())
}

#[derive(Template)]
#[template(path = "me/codes.html")]
struct CodesPage {
    layout: Layout,
    codes: Vec<String>,
}

/// Turns it on, and shows the spare codes: this once only.
async fn confirm_factor(
    context: RequestContext,
    form: GraveForm<CodeFields>,
) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let me = context.person()?.id;
    let mut write = context.app.library.write().await?;
    let codes = second_factor::confirm(&mut write, me, &form.fields.code, context.now()).await?;
    let Some(codes) = codes else {
        drop(write);
        let mut errors = FormErrors::new();
        errors.add(
            "code",
            "Code: this is not the one. Wait for the next code of the app and type it; if it stays wrong, check the clock of the phone.",
        );
        return mend(&me_page(&context, errors).await?);
    };
    context
        .audit(&mut write, "Turned the second factor on.")
        .await?;
    tell(&context, &mut write, "Your second factor was turned on.").await?;
    write.commit().await?;
    page(&CodesPage {
        layout: context.layout("Your spare codes"),
        codes,
    })
}

async fn take_off(context: RequestContext, form: GraveForm<Nothing>) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let me = context.person()?.id;
    second_factor::take_off(&mut write, me).await?;
    tell(&context, &mut write, "Your second factor was turned off.").await?;
    write.finish("/me", "The second factor is off.").await
}

/// Changes the password: the old one is asked for however fresh the session is,
/// and every other session ends.
async fn change_address(
    context: RequestContext,
    form: GraveForm<AddressFields>,
) -> Result<Response, Error> {
    let me = context.person()?;
    let as_typed = NewPerson {
        name: me.name.clone(),
        email: form.fields.email.clone(),
        role: me.role,
        guest: false,
    };
    let mut errors = FormErrors::new();
    let new = match as_typed.check() {
        Ok(new) if new.email.is_empty() => {
            errors.add("email", "Email address: give one, you sign in with it.");
            None
        }
        Ok(new) => Some(new),
        Err((_, why)) => {
            errors.add("email", format!("Email address: {why}"));
            None
        }
    };
    let again = async |errors| {
        let mut shown = me_page(&context, errors).await?;
        shown.typed.clone_from(&form.fields.email);
        mend(&shown)
    };
    let Some(new) = new else {
        return again(errors).await;
    };
    confirm::asked(&context, &form).await?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    match people::change(&mut write, me.id, &new, context.now()).await {
        Ok(()) => {
            post::tell_new_address(&mut write, context.club(), me, &new.email, context.now())
                .await?;
            let said = format!("You sign in as {} from now on.", new.email);
            let done = write.finish("/me", &said).await;
            context.app.post.ring();
            done
        }
        Err(library::Error::Refused(why)) => {
            drop(write);
            errors.add("email", format!("Email address: {why}"));
            again(errors).await
        }
        Err(error) => Err(error.into()),
    }
}

async fn change_password(
    context: RequestContext,
    Form { fields: form, .. }: Form<PasswordFields>,
) -> Result<Response, Error> {
    let me = context.person()?;
    let mut errors = FormErrors::new();
    let names = [me.name.as_str(), me.mail(), &context.club().name];
    if let Some(fault) = passwords::fault(&form.password, &names) {
        errors.add("password", fault);
    } else if form.password != form.again {
        errors.add(
            "again",
            "Password again: the two are not the same. Type both once more.",
        );
    }
    if !errors.is_empty() {
        return mend(&me_page(&context, errors).await?);
    }
    let account = tries::account(me.mail());
    let checked = tries::check(&context, &account, Some(me), form.old_password).await?;
    if !checked.right {
        let mut write = context.app.library.write().await?;
        context
            .audit(&mut write, "Refused: a new password with a wrong old one.")
            .await?;
        write.commit().await?;
        errors.add(
            "old_password",
            "Present password: this is not it. Type it again.",
        );
        return mend(&me_page(&context, errors).await?);
    }
    let lane = tries::lane(&context, Some(me), checked.known);
    let place = context.app.passwords.place(&lane, true)?;
    let hash = place.hash(form.password).await?;
    let mut write = context.app.library.write().await?;
    sign_in_tries::settle_try(&mut write, checked.counted, Ended::In).await?;
    people::set_password_hash(&mut write, me.id, &hash).await?;
    let browser = context.visitor.browser.as_ref();
    // This session goes on under a new token.
    let token = start(&context, &mut write, me.id).await?;
    let ended = sessions::end_others(&mut write, me.id, &token, browser).await?;
    context.audit(&mut write, "Changed their password.").await?;
    tell(&context, &mut write, "Your password was changed.").await?;
    write.commit().await?;
    let others = match ended.saturating_sub(1) {
        0 => "You were signed in nowhere else.".to_owned(),
        1 => "You are signed out on 1 other device.".to_owned(),
        n => format!("You are signed out on {n} other devices."),
    };
    let response = with_notice(
        &context.app,
        see_other("/me"),
        &format!("Your password is changed. {others}"),
    );
    Ok(with_session(&context.app, response, &token))
}

async fn end_session(
    context: RequestContext,
    form: Form<SessionFields>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let me = context.person()?.id;
    if !sessions::end_place(&mut write, me, &form.fields.session).await? {
        return Err(Error::NotFound("session of yours"));
    }
    write
        .finish("/me#sessions", "You are signed out there.")
        .await
}
