//! A club's first evening: what is there, and the one thing to do next, up to the
//! first loan. Coordinators only.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::page::{Layout, RequestContext, page};
use super::{Error, address, show};
use crate::library::Conn;
use crate::library::club::{self, Beginnings};
use crate::library::instruments::Instrument;

/// Where it stands.
pub const HERE: &str = "/first-evening";
/// With fewer instruments, or people, than this and no loan, adding one leads on here.
const FEW: i64 = 3;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Coordinator, HERE, show_steps)]
}

/// One step, done or not.
struct Step {
    title: &'static str,
    done: bool,
    words: String,
    href: String,
    link: String,
}

#[derive(Template)]
#[template(path = "intake/first_evening.html")]
struct FirstEveningPage {
    layout: Layout,
    headline: &'static str,
    /// The address and words of what to do next.
    next: (String, String),
    /// Another way to do it, or "".
    also: (&'static str, &'static str),
    steps: Vec<Step>,
}

async fn show_steps(context: RequestContext) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let has = club::beginnings(&mut conn).await?;
    let first = Instrument::all(&mut conn).await?.into_iter().next();
    let lend = first.map_or_else(
        || "/shelf".to_owned(),
        |i| format!("{}/lend", address::instrument(&i.tag)),
    );
    let club = context.club();
    let counted = |n: i64, one, many| show::counted(usize::try_from(n).unwrap_or(0), one, many);
    let step = |title, done, words: String, href: &str, link: &str| Step {
        title,
        done,
        words,
        href: href.to_owned(),
        link: link.to_owned(),
    };
    let steps = vec![
        step(
            "The club",
            true,
            format!("{}, {}, {}", club.name, club.zone, club.units),
            "/club",
            "Paper, currency, address",
        ),
        step(
            "Instruments",
            has.instruments > 0,
            counted(has.instruments, "instrument", "instruments"),
            "/register/new",
            "Add one",
        ),
        step(
            "People",
            has.people > 1,
            counted(has.people, "person", "people"),
            "/people/new",
            "Add one",
        ),
        step(
            "Labels",
            false,
            "For tubes and cases".to_owned(),
            "/labels",
            "Print them",
        ),
        step(
            "The first loan",
            has.loans > 0,
            counted(has.loans, "loan", "loans"),
            &lend,
            "Lend",
        ),
    ];
    let own = |href: &str, words: &str| (href.to_owned(), words.to_owned());
    let (headline, next, also) = if has.instruments == 0 {
        (
            "Next: what the club lends",
            own("/register/new", "Add an instrument"),
            ("/import", "Bring your lists"),
        )
    } else if has.people < 2 {
        (
            "Next: who borrows",
            own("/people/new", "Add a person"),
            ("/import", "Bring your lists"),
        )
    } else if has.loans == 0 {
        (
            "Next: the first loan",
            own(&lend, "Lend an instrument"),
            ("/labels", "Print labels"),
        )
    } else {
        (
            "The club is running",
            own("/", "Today"),
            ("/labels", "Print labels"),
        )
    };
    page(&FirstEveningPage {
        layout: context.layout("First evening"),
        headline,
        next,
        also,
        steps,
    })
}

/// Whether a coordinator who comes in is led here: the club has no instrument yet.
///
/// # Errors
/// Those of the library.
pub async fn is_due(context: &RequestContext) -> Result<bool, Error> {
    if !context.may(Access::Coordinator) || context.club().demo {
        return Ok(false);
    }
    let mut conn = context.read().await?;
    Ok(club::beginnings(&mut conn).await?.instruments == 0)
}

/// Where somebody is led who has added something: here while the club begins, else
/// where it usually leads.
///
/// # Errors
/// Those of the library.
pub async fn onward(
    conn: &mut Conn,
    context: &RequestContext,
    added: fn(&Beginnings) -> i64,
    usually: String,
) -> Result<String, Error> {
    let has = club::beginnings(conn).await?;
    let begins = has.loans == 0 && added(&has) < FEW && !context.club().demo;
    Ok(if begins && context.may(Access::Coordinator) {
        HERE.to_owned()
    } else {
        usually
    })
}
