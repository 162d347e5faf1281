//! Starting a session for somebody who has shown who they are.

use axum::response::Response;

use super::address::own_path;
use super::page::{RequestContext, see_other};
use super::visitor::{browser_cookie_name, cookie, session_cookie_name, with_cookie};
use super::{App, Error, unsent};
use crate::library::people::Person;
use crate::library::sessions::{self, Token};
use crate::library::sign_in_tries;
use crate::library::{self, Conn, PersonId, Write};

/// Starts the session of somebody who has shown who they are, and leads on: to
/// the form that was under way in this browser, or where they were going.
pub(super) async fn enter(
    context: &RequestContext,
    mut write: Write,
    person: Person,
    browser_is_known: bool,
    next: &str,
) -> Result<Response, Error> {
    if let Some(old) = &context.visitor.token {
        sessions::end(&mut write, &Token::given(old)).await?;
    }
    let token = start(context, &mut write, person.id).await?;
    let browser = if browser_is_known {
        None
    } else {
        Some(sign_in_tries::know_browser(&mut write, person.id, context.now()).await?)
    };
    let unsent = unsent::waiting(context, &mut write, person.id).await?;
    write.commit().await?;
    let to = if unsent.is_some() {
        "/unsent"
    } else {
        own_path(next)
    };
    let response = with_session(&context.app, see_other(to), &token);
    Ok(match browser {
        Some(browser) => with_cookie(
            response,
            &cookie(
                &context.app,
                browser_cookie_name(&context.app),
                browser.text().to_owned(),
                sign_in_tries::KNOWN_LASTS,
            ),
        ),
        None => response,
    })
}

/// Starts a session on this visitor's device.
pub(super) async fn start(
    context: &RequestContext,
    conn: &mut Conn,
    person: PersonId,
) -> library::Result<Token> {
    sessions::start_on(conn, person, &context.visitor.device, context.now()).await
}

/// An answer that carries the session.
pub(super) fn with_session(app: &App, response: Response, token: &Token) -> Response {
    let cookie = cookie(
        app,
        session_cookie_name(app),
        token.text().to_owned(),
        sessions::LONGEST,
    );
    with_cookie(response, &cookie)
}
