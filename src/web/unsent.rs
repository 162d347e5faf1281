//! Forms that met a closed door: kept here while their sender signs in, bound to
//! that browser by a cookie, and shown to be looked over before they are sent on.
//! Nothing of them comes from an address. Kept in memory only, and few of them:
//! whoever is not signed in can have one kept.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use askama::Template;
use axum::response::Response;
use chrono::Duration;

use super::access::{Access, Route};
use super::extract::Form;
use super::extract::Nothing;
use super::page::{Layout, RequestContext, page, see_other};
use super::visitor::{self, UnsentForm};
use super::{App, Error};
use crate::library::Moment;
use crate::library::forms::{self, FormKey};
use crate::library::sessions::Token;

/// How long one is kept.
pub const LASTS: Duration = Duration::minutes(30);
/// How many are kept at once, of all browsers and of one network.
const OF_ALL: usize = 200;
const OF_ONE: usize = 10;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/unsent", show),
        Route::post(Access::Member, "/unsent/forget", forget),
    ]
}

#[derive(Debug)]
struct Kept {
    form: UnsentForm,
    network: String,
    at: Moment,
}

/// The forms that are kept.
#[derive(Debug, Clone, Default)]
pub struct Unsent(Arc<Mutex<HashMap<Vec<u8>, Kept>>>);

impl Unsent {
    /// Keeps a form; the oldest of the same network, or of all, makes room.
    pub fn keep(&self, form: UnsentForm, network: &str, now: Moment) -> Token {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|_, kept| kept.at <= now && now - kept.at < LASTS);
        let of_one = all.values().filter(|k| k.network == network).count();
        let oldest = all
            .iter()
            .filter(|(_, kept)| of_one < OF_ONE || kept.network == network)
            .min_by_key(|(_, kept)| kept.at)
            .map(|(hash, _)| hash.clone());
        if (of_one >= OF_ONE || all.len() >= OF_ALL)
            && let Some(oldest) = oldest
        {
            all.remove(&oldest);
        }
        let token = Token::fresh();
        let network = network.to_owned();
        all.insert(
            token.hash(),
            Kept {
                form,
                network,
                at: now,
            },
        );
        token
    }

    /// The form kept under this token.
    pub fn of(&self, token: &Token, now: Moment) -> Option<UnsentForm> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.get(&token.hash())
            .filter(|kept| kept.at <= now && now - kept.at < LASTS)
            .map(|kept| kept.form.clone())
    }

    /// Forgets it.
    pub fn forget(&self, token: &Token) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.remove(&token.hash());
    }
}

/// The name of the cookie that binds a kept form to its browser.
pub fn cookie_name(app: &App) -> &'static str {
    if app.secure {
        "__Host-tubewright-unsent"
    } else {
        "tubewright-unsent"
    }
}

/// What this browser has kept here and has not sent since.
pub async fn waiting(
    context: &RequestContext,
    conn: &mut crate::library::Conn,
    person: crate::library::PersonId,
) -> Result<Option<UnsentForm>, Error> {
    let Some(token) = &context.visitor.unsent else {
        return Ok(None);
    };
    let Some(form) = context.app.unsent.of(token, context.now()) else {
        return Ok(None);
    };
    let once = form.fields.iter().find(|(name, _)| name == "once");
    if let Some((_, once)) = once
        && let Some(key) = FormKey::of(Some(person), &form.action, once)
        && forms::earlier(conn, &key).await?.is_some()
    {
        context.app.unsent.forget(token);
        return Ok(None);
    }
    Ok(Some(form))
}

#[derive(Template)]
#[template(path = "unsent.html")]
struct UnsentPage {
    layout: Layout,
    unsent: Option<UnsentForm>,
}

async fn show(context: RequestContext) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let unsent = waiting(&context, &mut conn, context.person()?.id).await?;
    page(&UnsentPage {
        layout: context.layout("Send what you typed?"),
        unsent,
    })
}

async fn forget(context: RequestContext, _: Form<Nothing>) -> Result<Response, Error> {
    if let Some(token) = &context.visitor.unsent {
        context.app.unsent.forget(token);
    }
    let gone = visitor::cookie(
        &context.app,
        cookie_name(&context.app),
        String::new(),
        Duration::zero(),
    );
    let response = see_other("/");
    Ok(visitor::with_cookie(response, &gone))
}
