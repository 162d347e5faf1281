//! What every page is made of: the desk at which a handler works, and the
//! layout around its content.

use std::cell::Cell;
use std::sync::Arc;

use askama::Template;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use base64::Engine;
use chrono::Duration;

use super::assets;
use super::rights::Access;
use super::visitor::{self, Visitor};
use super::{App, Error};
use crate::library::club::{Club, Paper};
use crate::library::forms::{self, FormKey};
use crate::library::instruments::Instrument;
use crate::library::people::{Person, Role};
use crate::library::turns::Lines;
use crate::library::waits::{self, Wait};
use crate::library::{Conn, Moment, PersonId, Write, audit_log};
use crate::upkeep::{ShelfRow, Snapshot};

/// The desk at which a handler works: the app and the visit.
#[derive(Clone)]
pub struct RequestContext {
    /// The app.
    pub app: App,
    /// The visit.
    pub visitor: Arc<Visitor>,
}

impl FromRequestParts<App> for RequestContext {
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Error> {
        let visitor = parts
            .extensions
            .get::<Arc<Visitor>>()
            .cloned()
            .ok_or(Error::Broken(
                "a request came past the middleware".to_owned(),
            ))?;
        Ok(Self {
            app: app.clone(),
            visitor,
        })
    }
}

impl RequestContext {
    /// A connection for condition.
    pub async fn read(&self) -> Result<sqlx::pool::PoolConnection<sqlx::Sqlite>, Error> {
        Ok(self.app.library.read().await?)
    }

    /// What follows from the logbooks, as of now. Hold no connection: the snapshot
    /// may have to be made first.
    pub async fn snapshot(&self) -> Result<Arc<Snapshot>, Error> {
        Ok(self
            .app
            .snapshots
            .now(&self.app.library, self.now())
            .await?)
    }

    /// Whose turn it is in each line, as of the snapshot's day.
    pub async fn lines(&self, conn: &mut Conn, snapshot: &Snapshot) -> Result<Arc<Lines>, Error> {
        if let Some(lines) = snapshot.kept(0) {
            return Ok(lines);
        }
        let today = self.club().date(self.now());
        let lines = Lines::load(conn, None, self.club(), today).await?;
        Ok(snapshot.keep(0, lines))
    }

    /// Everybody who waits, as of the snapshot.
    pub async fn waiting(
        &self,
        conn: &mut Conn,
        snapshot: &Snapshot,
    ) -> Result<Arc<Vec<Wait>>, Error> {
        if let Some(waiting) = snapshot.kept(0) {
            return Ok(waiting);
        }
        let waiting = waits::open(conn, None, None).await?;
        Ok(snapshot.keep(0, waiting))
    }

    /// What the rules say of one instrument, as of now.
    pub async fn shelf_row(
        &self,
        conn: &mut Conn,
        instrument: Instrument,
    ) -> Result<ShelfRow, Error> {
        Ok(self.app.snapshots.row(conn, instrument, self.now()).await?)
    }

    /// Who is signed in.
    ///
    /// # Errors
    /// [`Error::SignInFirst`] when nobody is; behind a route for members or
    /// above that cannot happen.
    pub fn person(&self) -> Result<&Person, Error> {
        self.visitor.person.as_ref().ok_or(Error::SignInFirst(None))
    }

    /// Whether the visitor may do what this access asks.
    pub fn may(&self, access: Access) -> bool {
        access.allows(self.visitor.role())
    }

    /// When the request came.
    pub fn now(&self) -> Moment {
        self.visitor.now
    }

    /// The club.
    pub fn club(&self) -> &Club {
        &self.visitor.club
    }

    /// Where the tool is reached, without a trailing slash: the club's public
    /// address, or else what the browser asked for.
    pub fn base_address(&self) -> String {
        self.visitor
            .club
            .public_address
            .clone()
            .unwrap_or_else(|| self.visitor.base.clone())
    }

    /// The layout for a page of this title.
    pub fn layout(&self, title: &str) -> Layout {
        Layout::for_visitor(&self.visitor, title)
    }

    /// Notes in the audit log what this visit did, beside the write that does it.
    ///
    /// # Errors
    /// When the library cannot be written.
    pub async fn audit(&self, conn: &mut Conn, words: &str) -> Result<(), Error> {
        let person = self.visitor.person.as_ref().map(|p| p.id);
        self.audit_of(conn, person, words).await
    }

    /// The same for a visit that only now shows who it is.
    ///
    /// # Errors
    /// When the library cannot be written.
    pub async fn audit_of(
        &self,
        conn: &mut Conn,
        person: Option<PersonId>,
        words: &str,
    ) -> Result<(), Error> {
        // A sign-in link is a secret while it lasts.
        let what = match self.visitor.path.strip_prefix("/welcome/") {
            Some(_) => "/welcome",
            None => &self.visitor.path,
        };
        let audit_entry = audit_log::AuditEntry {
            at: self.now(),
            person,
            address: &self.visitor.address,
            what,
            words,
        };
        Ok(audit_log::add(conn, &audit_entry).await?)
    }

    fn form_key(&self, once: &str) -> Option<FormKey> {
        let person = self.visitor.person.as_ref().map(|p| p.id);
        FormKey::of(person, &self.visitor.path, once)
    }

    /// Where this very form led, if it has been handled already; for those who have
    /// more to look up before they [`begin`](Self::begin).
    pub async fn handled(&self, once: &str) -> Result<Option<Response>, Error> {
        let Some(key) = self.form_key(once) else {
            return Ok(None);
        };
        let earlier = forms::earlier(&mut *self.read().await?, &key).await?;
        Ok(earlier.map(|location| see_other(&location)))
    }

    /// Begins the write that a form asks for, unless this very form has been
    /// handled already; then it leads where it led before.
    pub async fn begin(&self, once: &str) -> Result<Submission, Error> {
        let mut tx = self.app.library.write().await?;
        let key = self.form_key(once);
        if let Some(key) = &key
            && let Some(location) = forms::earlier(&mut tx, key).await?
        {
            return Ok(Submission::Again(see_other(&location)));
        }
        Ok(Submission::First(Box::new(OnceWrite {
            tx,
            key,
            context: self.clone(),
            _held: Held::mark(),
        })))
    }
}

tokio::task_local! {
    /// Whether the request of this task holds the one writer.
    static HOLDS_WRITER: Cell<bool>;
}

/// Handles a request so that drawing a page while it holds the writer is noticed
/// (in debug builds): nobody else can write meanwhile.
pub async fn minding_the_writer<T>(request: impl Future<Output = T>) -> T {
    HOLDS_WRITER.scope(Cell::new(false), request).await
}

/// While it lives, the request holds the writer.
struct Held;

impl Held {
    fn mark() -> Self {
        // Outside of a request nobody minds.
        let _ = HOLDS_WRITER.try_with(|held| held.set(true));
        Self
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        let _ = HOLDS_WRITER.try_with(|held| held.set(false));
    }
}

/// How a form arrives.
pub enum Submission {
    /// For the first time: do it.
    First(Box<OnceWrite>),
    /// Again: answer this.
    Again(Response),
}

/// The write transaction of one form. Dropped without
/// [`finish`](OnceWrite::finish), it changes nothing.
pub struct OnceWrite {
    tx: Write,
    key: Option<FormKey>,
    context: RequestContext,
    _held: Held,
}

impl std::ops::Deref for OnceWrite {
    type Target = Conn;
    fn deref(&self) -> &Conn {
        &self.tx
    }
}

impl std::ops::DerefMut for OnceWrite {
    fn deref_mut(&mut self) -> &mut Conn {
        &mut self.tx
    }
}

impl OnceWrite {
    /// Commits, and leads to `location`, where `notice` (may be empty) is said once.
    pub async fn finish(mut self, location: &str, notice: &str) -> Result<Response, Error> {
        if let Some(key) = &self.key {
            forms::mark(&mut self.tx, key, location, self.context.now()).await?;
        }
        self.context.audit(&mut self.tx, notice).await?;
        self.tx.commit().await?;
        Ok(with_notice(&self.context.app, see_other(location), notice))
    }
}

/// A redirect after a form: 303. What no header may hold is percent-encoded.
pub fn see_other(location: &str) -> Response {
    let mut safe = String::with_capacity(location.len());
    for c in location.chars() {
        if c.is_ascii_graphic() {
            safe.push(c);
        } else {
            let mut bytes = [0; 4];
            for byte in c.encode_utf8(&mut bytes).bytes() {
                safe.push_str(&format!("%{byte:02X}"));
            }
        }
    }
    Redirect::to(&safe).into_response()
}

/// Says something once on the next page.
pub fn with_notice(app: &App, mut response: Response, notice: &str) -> Response {
    if !notice.is_empty() {
        let packed = base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(notice);
        let cookie = visitor::cookie(app, "notice", packed, Duration::minutes(2));
        if let Ok(value) = HeaderValue::from_str(&cookie.to_string()) {
            response.headers_mut().append(header::SET_COOKIE, value);
        }
    }
    response
}

/// Reads a notice back.
pub fn unpack_notice(packed: &str) -> Option<String> {
    let bytes = base64::engine::general_purpose::URL_SAFE_NO_PAD
        .decode(packed)
        .ok()?;
    String::from_utf8(bytes)
        .ok()
        .filter(|n| !n.is_empty() && n.len() <= 600)
}

/// A page: 200, never cached where it may show what only this visitor may see.
pub fn page(template: &impl Template) -> Result<Response, Error> {
    page_with(StatusCode::OK, template)
}

/// A form that must be mended: the page again, 422.
pub fn mend(template: &impl Template) -> Result<Response, Error> {
    page_with(StatusCode::UNPROCESSABLE_ENTITY, template)
}

fn page_with(status: StatusCode, template: &impl Template) -> Result<Response, Error> {
    debug_assert!(
        !HOLDS_WRITER.try_with(Cell::get).unwrap_or(false),
        "a page is drawn while its request holds the one writer"
    );
    let html = template.render()?;
    Ok((status, [(header::CACHE_CONTROL, "no-store")], Html(html)).into_response())
}

/// One entry of the navigation.
#[derive(Debug, Clone)]
pub struct NavItem {
    /// Words.
    pub label: &'static str,
    /// Where to.
    pub href: &'static str,
    /// Whether the page shown is under it.
    pub current: bool,
}

/// Who is signed in, as the head of a page shows it.
#[derive(Debug, Clone)]
pub struct PersonChip {
    /// Name.
    pub name: String,
    /// Role in words.
    pub role: &'static str,
    /// A mark of who it is, by which a phone keeps pages and entries apart.
    pub mark: String,
    /// Whether files may come in pieces ([`super::pieces`]).
    pub sends_pieces: bool,
}

/// What surrounds a page's content.
#[derive(Debug, Clone)]
pub struct Layout {
    /// Title.
    pub title: String,
    /// The club's name.
    pub club: String,
    /// Who is signed in.
    pub person: Option<PersonChip>,
    /// Navigation.
    pub nav: Vec<NavItem>,
    /// "day", "night" or "red".
    pub display: &'static str,
    /// The address of this page, to come back to; "" where it answers a form.
    pub here: String,
    /// The mark that forms carry.
    pub csrf: String,
    /// This page's forms' own mark, so that one sent twice acts once.
    pub once: String,
    /// Said once.
    pub notice: Option<String>,
    /// Whether this is the demo club.
    pub demo: bool,
    /// The style sheet of the paper that the club prints on.
    pub paper: &'static str,
}

impl Layout {
    /// For a visit.
    pub fn for_visitor(visitor: &Visitor, title: &str) -> Self {
        Self {
            title: title.to_owned(),
            club: visitor.club.name.clone(),
            person: visitor.person.as_ref().map(|p| PersonChip {
                name: p.name.clone(),
                role: p.role.label(),
                mark: super::fields::shown_mark(&[&p.id.to_string()]),
                sends_pieces: Access::Volunteer.allows(Some(p.role)),
            }),
            nav: navigation(visitor),
            display: visitor.display,
            here: visitor.here.clone(),
            csrf: visitor.form_mark.clone(),
            once: uuid::Uuid::new_v4().to_string(),
            notice: visitor.notice.clone(),
            demo: visitor.club.demo,
            paper: match visitor.club.paper {
                Paper::A4 => "paper-a4.css",
                Paper::Letter => "paper-letter.css",
            },
        }
    }

    /// The address of a file of ours, which changes when the file does.
    pub fn asset(&self, name: &str) -> String {
        assets::address(name)
    }
}

/// Every place in the navigation beside the start page, with who sees it: at most two
/// for a member, three for a volunteer, six for a coordinator. What is not here is
/// reached from a place that is.
const PLACES: &[(&[Option<Role>], &str, &str)] = &[
    (
        &[
            None,
            Some(Role::Member),
            Some(Role::Volunteer),
            Some(Role::Coordinator),
        ],
        "Shelf",
        "/shelf",
    ),
    (&[Some(Role::Member)], "My loans", "/my-loans"),
    (&[Some(Role::Volunteer)], "Check-in", "/check-in"),
    (&[Some(Role::Coordinator)], "Due", "/due"),
    (&[Some(Role::Coordinator)], "Loans", "/loans"),
    (
        &[Some(Role::Volunteer), Some(Role::Coordinator)],
        "Workshop",
        "/bench",
    ),
    (&[Some(Role::Coordinator)], "People", "/people"),
    (&[Some(Role::Coordinator)], "Settings", "/club"),
];

fn navigation(visitor: &Visitor) -> Vec<NavItem> {
    PLACES
        .iter()
        .filter(|(seen_by, _, _)| seen_by.contains(&visitor.role()))
        .map(|&(_, label, href)| NavItem {
            label,
            href,
            current: visitor.path == href
                || visitor
                    .path
                    .strip_prefix(href)
                    .is_some_and(|rest| rest.starts_with('/')),
        })
        .collect()
}
