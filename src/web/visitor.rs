//! What is known of one request, and what its browser carries.

use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderValue, Method, header};
use axum::response::Response;
use axum_extra::extract::cookie::{Cookie, SameSite};
use chrono::Duration;

use super::App;
use crate::library::Moment;
use crate::library::club::Club;
use crate::library::people::{Person, Role};
use crate::library::sessions::Token;

/// What is known of one request.
#[derive(Debug)]
pub struct Visitor {
    /// Who is signed in.
    pub person: Option<Person>,
    /// The session's token, when signed in.
    pub token: Option<String>,
    /// Whether they sign in with a second factor.
    pub second_factor: bool,
    /// Whether this is a coordinator who may do no more than a volunteer until their
    /// second factor is on, since the club asks for one.
    pub held_back: bool,
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
