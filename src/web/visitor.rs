//! The middleware: who is asking, and may this request come in at all.
//!
//! Every request passes here. A request that changes something must come from
//! our own pages (`Sec-Fetch-Site`, or else `Origin`, as browsers send them),
//! and a form sent by someone signed in must carry their session's mark.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum_extra::extract::cookie::{Cookie, CookieJar, SameSite};
use chrono::Duration;

use super::error::ErrorPage;
use super::page::minding_the_writer;
use super::{App, Error, devices, error, peers, unsent};
use crate::library::Moment;
use crate::library::club::Club;
use crate::library::people::{Person, Role};
use crate::library::sessions::{self, Token};

/// What is known of one request.
#[derive(Debug)]
pub struct Visitor {
    /// Who is signed in.
    pub person: Option<Person>,
    /// The session's token, when signed in.
    pub token: Option<String>,
    /// Whether the password was typed in this session within the last minutes.
    pub confirmed: bool,
    /// What a browser that has signed in before carries; not yet checked.
    pub browser: Option<Token>,
    /// By which a form kept for this browser is found.
    pub unsent: Option<Token>,
    /// The kind of device, in words.
    pub device: String,
    /// The mark this session's forms must carry; empty when not signed in.
    pub form_mark: String,
    /// "day", "night" or "red".
    pub display: &'static str,
    /// Said once, after something was done.
    pub notice: Option<String>,
    /// The club.
    pub club: Club,
    /// When the request came.
    pub now: Moment,
    /// The path asked for.
    pub path: String,
    /// The address of the page asked for, to come back to; "" where it was
    /// not a page but a form sent.
    pub here: String,
    /// The network address it came from.
    pub address: String,
    /// By which tries from one place are counted: the address, of IPv6 its /64.
    pub network: String,
    /// Whether it came from this machine itself, past no proxy.
    pub local: bool,
    /// Scheme and host as the browser asked for them.
    pub base: String,
}

impl Visitor {
    /// The visitor's role; `None` when not signed in.
    pub fn role(&self) -> Option<Role> {
        self.person.as_ref().map(|p| p.role)
    }
}

/// A form that could not be handled yet: where it was going and what was typed.
#[derive(Debug, Clone)]
pub struct UnsentForm {
    /// Where it was going.
    pub action: String,
    /// Its fields, without the session's mark.
    pub fields: Vec<(String, String)>,
}

/// The largest form whose text is kept while its sender signs in, and its fields.
const KEPT_FORM_BYTES: usize = 64 * 1024;
const KEPT_FORM_FIELDS: usize = 300;

/// Fields that are never kept, nor sent on.
const SECRET_FIELDS: [&str; 5] = [
    "csrf",
    "password",
    "again",
    "old_password",
    "confirm_password",
];

/// Takes the typed fields out of a form request, so that they can be sent
/// again after signing in. `None` when there is nothing to keep, or it is an
/// upload, or too much.
pub async fn unsent_form(request: &mut Request) -> Option<UnsentForm> {
    if request.method() != Method::POST {
        return None;
    }
    let is_form = request
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|v| v.starts_with("application/x-www-form-urlencoded"));
    if !is_form {
        return None;
    }
    let action = request.uri().path().to_owned();
    let body = std::mem::replace(request.body_mut(), Body::empty());
    let bytes = axum::body::to_bytes(body, KEPT_FORM_BYTES).await.ok()?;
    if bytes.iter().filter(|b| **b == b'&').count() >= KEPT_FORM_FIELDS {
        return None;
    }
    UnsentForm::from_body(action, &bytes)
}

impl UnsentForm {
    /// From an encoded body.
    pub fn from_body(action: String, body: &[u8]) -> Option<Self> {
        let fields: Vec<(String, String)> = serde_html_form::from_bytes(body).ok()?;
        Some(Self::new(action, fields))
    }

    /// From what was sent; secrets are left out.
    pub fn new(action: String, mut fields: Vec<(String, String)>) -> Self {
        fields.retain(|(name, _)| !SECRET_FIELDS.contains(&name.as_str()));
        Self { action, fields }
    }
}

/// The name of the session cookie; the `__Host-` prefix binds it to this host
/// and to https.
pub fn session_cookie_name(app: &App) -> &'static str {
    if app.secure {
        "__Host-tubewright"
    } else {
        "tubewright"
    }
}

/// The name of the cookie by which a browser that has signed in before is known.
pub fn browser_cookie_name(app: &App) -> &'static str {
    if app.secure {
        "__Host-tubewright-browser"
    } else {
        "tubewright-browser"
    }
}

/// A cookie of ours.
pub fn cookie(app: &App, name: &'static str, value: String, lasts: Duration) -> Cookie<'static> {
    let mut cookie = Cookie::new(name, value);
    cookie.set_path("/");
    cookie.set_http_only(true);
    cookie.set_same_site(SameSite::Lax);
    cookie.set_secure(app.secure);
    cookie.set_max_age(time::Duration::seconds(lasts.num_seconds()));
    cookie
}

/// An answer that sets this cookie as well.
pub fn with_cookie(mut response: Response, cookie: &Cookie<'_>) -> Response {
    if let Ok(value) = HeaderValue::from_str(&cookie.to_string()) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
    response
}

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
        Err(error) => return error::bare(error),
    };
    request.extensions_mut().insert(visitor.clone());
    let is_head_or_get = matches!(*request.method(), Method::GET | Method::HEAD);
    let mut response = if !is_head_or_get && !is_from_our_pages(request.headers()) {
        Error::CrossSite.into_response()
    } else {
        minding_the_writer(next.run(request)).await
    };
    if let Some(page) = response.extensions_mut().remove::<ErrorPage>() {
        let kept = page.keep_unsent(&app, &visitor);
        let retry_after = response.headers().get(header::RETRY_AFTER).cloned();
        response = error::draw(&visitor, page);
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
    if let Some(token) = &token
        && let Some(holder) = sessions::holder(&mut conn, token, now).await?
    {
        if holder.is_to_be_noted(now) {
            note_use(app, token, now).await;
        }
        confirmed = holder.is_confirmed(now);
        person = Some(holder.person);
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
        confirmed,
        device: String::new(),
        person,
        display: match jar.get("display").map(Cookie::value) {
            Some("night") => "night",
            Some("red") => "red",
            _ => "day",
        },
        notice: jar
            .get("notice")
            .and_then(|c| super::page::unpack_notice(c.value())),
        club: Club::load(&mut conn).await?,
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

impl UnsentForm {
    /// The fields worth showing: what a person typed or chose, not our marks.
    pub fn shown(&self) -> Vec<(String, &str)> {
        self.fields
            .iter()
            .filter(|(name, value)| {
                !value.is_empty() && name != "once" && !name.ends_with("version")
            })
            .map(|(name, value)| (name.replace('_', " "), value.as_str()))
            .collect()
    }
}
