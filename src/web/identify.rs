//! The middleware: who is asking, and may this request come in at all.
//!
//! Every request passes here. A request that changes something must come from
//! our own pages (`Sec-Fetch-Site`, or else `Origin`, as browsers send them),
//! and a form sent by someone signed in must carry their session's mark.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum_extra::extract::cookie::{Cookie, CookieJar};
use chrono::Duration;

use super::error::{ErrorPage, bare};
use super::page::{minding_the_writer, unpack_notice};
use super::visitor::{Visitor, browser_cookie_name, cookie, session_cookie_name, with_cookie};
use super::{App, Error, devices, error_page, peers, unsent};
use crate::library::Moment;
use crate::library::club::Club;
use crate::library::people::Role;
use crate::library::sessions::{self, Token};

/// The middleware itself, around every route.
pub async fn identify(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let jar = CookieJar::from_headers(request.headers());
    let path = request.uri().path().to_owned();
    let peer = peers::client(&app, &request);
    let device = request
        .headers()
        .get(header::USER_AGENT)
        .and_then(|v| v.to_str().ok())
        .map(devices::kind)
        .unwrap_or_default();
    let host = request
        .headers()
        .get(header::HOST)
        .and_then(|v| v.to_str().ok())
        .unwrap_or("localhost");
    let base = format!("{}://{host}", if app.secure { "https" } else { "http" });
    let here = match *request.method() {
        Method::GET => request.uri().to_string(),
        _ => String::new(),
    };
    let visitor = match look(&app, &jar, path, peer, base).await {
        Ok(visitor) => Arc::new(Visitor {
            here,
            device,
            ..visitor
        }),
        Err(error) => return bare(error),
    };
    request.extensions_mut().insert(visitor.clone());
    let is_head_or_get = matches!(*request.method(), Method::GET | Method::HEAD);
    let mut response = if !is_head_or_get && !is_from_our_pages(request.headers()) {
        Error::CrossSite.into_response()
    } else {
        minding_the_writer(next.run(request)).await
    };
    if let Some(page) = response.extensions_mut().remove::<ErrorPage>() {
        let kept = error_page::keep_unsent(&page, &app, &visitor);
        let retry_after = response.headers().get(header::RETRY_AFTER).cloned();
        response = error_page::draw(&visitor, page);
        if let Some(wait) = retry_after {
            response.headers_mut().insert(header::RETRY_AFTER, wait);
        }
        if let Some(token) = kept {
            let cookie = cookie(
                &app,
                unsent::cookie_name(&app),
                token.text().to_owned(),
                unsent::LASTS,
            );
            response = with_cookie(response, &cookie);
        }
    }
    if visitor.notice.is_some()
        && is_head_or_get
        && response.status().is_success()
        && is_html(&response)
    {
        let gone = cookie(&app, "notice", String::new(), Duration::zero());
        if let Ok(value) = HeaderValue::from_str(&gone.to_string()) {
            response.headers_mut().append(header::SET_COOKIE, value);
        }
    }
    response
}

fn is_html(response: &Response) -> bool {
    response
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|v| v.starts_with("text/html"))
}

/// How long a request waits for it to be noted that its session is in use.
const NOTING: std::time::Duration = std::time::Duration::from_millis(500);

/// Notes that a session is in use. Reading goes on where that cannot be written: on a
/// full disk, or while someone else holds the writer. The next view tries again.
async fn note_use(app: &App, token: &Token, now: Moment) {
    let (library, token) = (app.library.clone(), token.clone());
    // Beside the request: broken off half-way the transaction would be undone.
    let noting = tokio::spawn(async move {
        let mut write = library.write().await?;
        sessions::seen(&mut write, &token, now).await?;
        write.commit().await
    });
    if let Ok(Ok(Err(error))) = tokio::time::timeout(NOTING, noting).await {
        tracing::warn!(%error, "the use of a session could not be noted");
    }
}

async fn look(
    app: &App,
    jar: &CookieJar,
    path: String,
    peer: peers::Client,
    base: String,
) -> Result<Visitor, Error> {
    let now = app.clock.now();
    let mut conn = app.library.read().await?;
    let token = jar
        .get(session_cookie_name(app))
        .map(|c| Token::given(c.value()));
    let mut person = None;
    let mut confirmed = false;
    let mut second_factor = false;
    let mut held_back = false;
    let club = Club::load(&mut conn).await?;
    if let Some(token) = &token
        && let Some(holder) = sessions::holder(&mut conn, token, now).await?
    {
        if holder.is_to_be_noted(now) {
            note_use(app, token, now).await;
        }
        confirmed = holder.is_confirmed(now);
        second_factor = holder.second_factor;
        let mut holder = holder.person;
        held_back =
            club.second_factor_required && !second_factor && holder.role == Role::Coordinator;
        if held_back {
            holder.role = Role::Volunteer;
        }
        person = Some(holder);
    }
    let token = token.filter(|_| person.is_some());
    Ok(Visitor {
        form_mark: token.as_ref().map(Token::form_mark).unwrap_or_default(),
        token: token.map(|t| t.text().to_owned()),
        browser: jar
            .get(browser_cookie_name(app))
            .map(|c| Token::given(c.value())),
        unsent: jar
            .get(unsent::cookie_name(app))
            .map(|c| Token::given(c.value())),
        second_factor,
        held_back,
        confirmed,
        device: String::new(),
        person,
        display: match jar.get("display").map(Cookie::value) {
            Some("night") => "night",
            Some("red") => "red",
            _ => "day",
        },
        notice: jar.get("notice").and_then(|c| unpack_notice(c.value())),
        club,
        now,
        path,
        here: String::new(),
        address: peer.address,
        network: peer.network,
        local: peer.local,
        base,
    })
}

/// Whether a browser says that the request comes from our own pages. A client
/// that sends neither header is no browser and has no cookies to abuse.
fn is_from_our_pages(headers: &HeaderMap) -> bool {
    if let Some(site) = headers.get("sec-fetch-site") {
        return site == "same-origin" || site == "none";
    }
    let Some(origin) = headers.get(header::ORIGIN).and_then(|v| v.to_str().ok()) else {
        return true;
    };
    let host = headers
        .get(header::HOST)
        .and_then(|v| v.to_str().ok())
        .unwrap_or_default();
    origin
        .split_once("://")
        .is_some_and(|(_, of_origin)| !host.is_empty() && of_origin == host)
}
