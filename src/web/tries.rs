//! Trying a password: counted before it is checked, and checked in its turn. Every
//! door that asks for one goes through here.

use super::Error;
use super::page::RequestContext;
use crate::library::people::{self, Person};
use crate::library::sessions::Token;
use crate::library::sign_in_tries::{self, Counted, Try};
use crate::library::{self, Conn};

/// How a try came out.
#[derive(Debug)]
pub struct Checked {
    /// Whether the password was right.
    pub right: bool,
    /// The try, counted as failed; say otherwise with [`sign_in_tries::settle_try`].
    pub counted: Counted,
    /// Whether the account has signed in with this browser before.
    pub known: bool,
}

/// The longest account that is noted, bytes; RFC 5321, 4.5.3.1.3 allows 254 of an address.
const LONGEST_ACCOUNT: usize = 254;

/// An account as tries at it are counted, by what was typed.
pub fn account(typed: &str) -> String {
    let mut account = typed.trim().to_lowercase();
    while account.len() > LONGEST_ACCOUNT {
        account.pop();
    }
    account
}

/// The browser's token, where this person has signed in with it before.
pub async fn known_browser<'a>(
    conn: &mut Conn,
    context: &'a RequestContext,
    person: Option<&Person>,
) -> library::Result<Option<&'a Token>> {
    match (person, &context.visitor.browser) {
        (Some(person), Some(browser))
            if sign_in_tries::knows_browser(conn, person.id, browser).await? =>
        {
            Ok(Some(browser))
        }
        _ => Ok(None),
    }
}

/// The lane in which this caller's passwords wait for their turn.
pub fn lane(context: &RequestContext, person: Option<&Person>, known: bool) -> String {
    match person {
        Some(person) if known => format!("person {}", person.id),
        _ => context.visitor.network.clone(),
    }
}

/// Checks a password.
///
/// # Errors
/// [`Error::SlowDown`] when the account, the network or the queue must wait.
pub async fn check(
    context: &RequestContext,
    account: &str,
    person: Option<&Person>,
    password: String,
) -> Result<Checked, Error> {
    let app = &context.app;
    let (browser, stored) = {
        let mut conn = context.read().await?;
        let browser = known_browser(&mut conn, context, person).await?;
        let tried = Try {
            account,
            network: &context.visitor.network,
            browser,
        };
        // Those who must wait are told so without taking the one writer.
        if let Some(wait) = sign_in_tries::wait(&mut conn, tried, app.clock.now()).await? {
            return Err(Error::slow_down(wait));
        }
        let stored = match person {
            Some(p) => people::password_hash(&mut conn, p.id).await?,
            None => None,
        };
        (browser, stored)
    };
    let known = browser.is_some();
    let place = app.passwords.place(&lane(context, person, known), known)?;
    let mut write = app.library.write().await?;
    let tried = Try {
        account,
        network: &context.visitor.network,
        browser,
    };
    let counted = sign_in_tries::count_try(&mut write, tried, app.clock.now())
        .await?
        .map_err(Error::slow_down)?;
    write.commit().await?;
    Ok(Checked {
        right: place.check(password, stored).await?,
        counted,
        known,
    })
}
