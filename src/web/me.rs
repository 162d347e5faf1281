//! What a person sets about their own signing in: the second factor, and
//! signing out everywhere.

use askama::Template;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::extract::Form;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::sign_in::Nothing;
use super::{Error, address, label, show};
use crate::library::second_factor::{self, Secret, State};
use crate::library::{self, people};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/me", show_me),
        Route::post(Access::Member, "/me/second-factor", want),
        Route::get(Access::Member, "/me/second-factor.svg", picture),
        Route::post(Access::Member, "/me/second-factor/confirm", confirm),
        Route::post(Access::Member, "/me/second-factor/off", take_off),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct CodeFields {
    code: String,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct PasswordFields {
    password: String,
}

#[derive(Template)]
#[template(path = "me/me.html")]
struct MePage {
    layout: Layout,
    email: String,
    since: String,
    /// Spare codes left, where the second factor is on.
    spare_left: Option<i64>,
    /// The secret to be confirmed, in groups of four.
    wanted: String,
    errors: FormErrors,
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
        layout: context.layout("Your signing in"),
        email: me.email.clone(),
        since: show::date(context.club(), me.joined_at),
        spare_left,
        wanted,
        errors,
    })
}

async fn show_me(context: RequestContext) -> Result<Response, Error> {
    page(&me_page(&context, FormErrors::new()).await?)
}

async fn want(context: RequestContext, form: Form<Nothing>) -> Result<Response, Error> {
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
        address::part(&me.email),
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
async fn confirm(context: RequestContext, form: Form<CodeFields>) -> Result<Response, Error> {
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
    write.commit().await.map_err(library::Error::from)?;
    page(&CodesPage {
        layout: context.layout("Your spare codes"),
        codes,
    })
}

async fn take_off(context: RequestContext, form: Form<PasswordFields>) -> Result<Response, Error> {
    let me = context.person()?;
    let stored = {
        let mut conn = context.read().await?;
        people::password_hash(&mut conn, me.id).await?
    };
    let right = context
        .app
        .passwords
        .check(form.fields.password.clone(), stored)
        .await?;
    if !right {
        let mut errors = FormErrors::new();
        errors.add("password", "Password: this is not yours. Type it again.");
        return mend(&me_page(&context, errors).await?);
    }
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    second_factor::take_off(&mut write, me.id).await?;
    write.finish("/me", "The second factor is off.").await
}
