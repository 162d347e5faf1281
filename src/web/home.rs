//! The start page of who is not signed in: the demo club explains itself; a
//! club's own visitors go to the shelf. Who is signed in finds [`super::today`].

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::demo_parts::{DemoPart, parts};
use super::first_evening;
use super::page::{Layout, RequestContext, page, see_other};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Anyone, "/", home)]
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
