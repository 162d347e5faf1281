//! The start page of who is not signed in: the demo club explains itself; a
//! club's own visitors go to the shelf. Who is signed in finds [`super::today`].

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::first_evening;
use super::page::{Layout, RequestContext, page, see_other};
use crate::demo;
use crate::library::people::Role;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Anyone, "/", home)]
}

/// One thing to try.
pub struct Step {
    /// Words before the link.
    pub before: &'static str,
    /// Words of the link.
    pub link: &'static str,
    /// Where to.
    pub href: &'static str,
    /// Words after the link.
    pub after: &'static str,
}

/// A role, the account to try it with, and what to try.
pub struct DemoPart {
    /// The role's word.
    pub role: &'static str,
    does: &'static str,
    /// Whom to be.
    pub account: &'static demo::Account,
    /// Whether the visitor is this person now.
    pub signed_in: bool,
    /// What to try.
    pub steps: &'static [Step],
}

/// An instrument worth a look.
struct Story {
    tag: &'static str,
    href: &'static str,
    words: &'static str,
}

#[derive(Template)]
#[template(path = "home.html")]
struct Home {
    layout: Layout,
    parts: Vec<DemoPart>,
    stories: &'static [Story],
}

const fn step(
    before: &'static str,
    link: &'static str,
    href: &'static str,
    after: &'static str,
) -> Step {
    Step {
        before,
        link,
        href,
        after,
    }
}

const AS_MEMBER: &[Step] = &[
    step(
        "Look before borrowing: ",
        "N254",
        "/instruments/N254",
        " needs the bench, and says why.",
    ),
    step(
        "Compare ",
        "M127",
        "/instruments/M127",
        ", which never moves: what it will show, what is in the kit, how heavy it is.",
    ),
    step(
        "",
        "Ask for AS203",
        "/instruments/AS203/ask",
        " and say what for.",
    ),
    step(
        "See ",
        "your own loans",
        "/my-loans",
        ": one is out with you, one you are waiting for.",
    ),
];

const AS_VOLUNTEER: &[Step] = &[
    step(
        "SC235 is three weeks late and has just come in: ",
        "check it in",
        "/check-in/SC235",
        ", kit, journeys, problems and all.",
    ),
    step(
        "Nobody has ever looked at a star with M150: ",
        "write a star test",
        "/instruments/M150/star-test",
        ", by eye or from a camera's frames.",
    ),
    step(
        "",
        "Lend M127",
        "/instruments/M127/lend",
        " to the member who waits for it, saying its known limit.",
    ),
    step(
        "Read ",
        "the logbook of SC203B",
        "/instruments/SC203B/logbook",
        ": collimated again and again, and never for long.",
    ),
];

const AS_COORDINATOR: &[Step] = &[
    step(
        "Print ",
        "what is due for the bench",
        "/due",
        ", or save it as a table.",
    ),
    step("See ", "who has what", "/loans", ", and who is late."),
    step(
        "Plan ",
        "the coming work night",
        "/work-nights",
        " from what is due.",
    ),
    step(
        "Change ",
        "a limit of N254",
        "/instruments/N254/limits",
        " and see at once what would become due.",
    ),
];

const STORIES: &[Story] = &[
    Story {
        tag: "SC203B",
        href: "/instruments/SC203B",
        words: "has a screw that does not hold. It creeps out of collimation even on the shelf.",
    },
    Story {
        tag: "N254",
        href: "/instruments/N254",
        words: "hates car boots. Every drive shakes it out of collimation; carried by hand it stays.",
    },
    Story {
        tag: "M127",
        href: "/instruments/M127",
        words: "never moves. Driven, dropped, left out in the dew: still collimated.",
    },
];

fn part(account: &'static demo::Account, person: Option<&str>) -> DemoPart {
    let (does, steps) = match account.role {
        Role::Member => ("borrows telescopes", AS_MEMBER),
        Role::Volunteer => ("works the lending desk and the bench", AS_VOLUNTEER),
        Role::Coordinator => ("answers for the shelf", AS_COORDINATOR),
    };
    DemoPart {
        role: account.role.label(),
        does,
        account,
        signed_in: person == Some(account.email.as_str()),
        steps,
    }
}

/// The demo's three people; `person` is the e-mail address of who is signed in.
pub fn parts(person: Option<&str>) -> Vec<DemoPart> {
    demo::accounts().iter().map(|a| part(a, person)).collect()
}

async fn home(context: RequestContext) -> Result<Response, Error> {
    if context.visitor.person.is_some() {
        if first_evening::is_due(&context).await? {
            return Ok(see_other(first_evening::HERE));
        }
        return super::today::today_page(context).await;
    }
    if !context.club().demo {
        return Ok(see_other("/shelf"));
    }
    page(&Home {
        layout: context.layout("The demo club"),
        parts: parts(None),
        stories: STORIES,
    })
}
