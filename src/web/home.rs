//! The start page.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::page::{Chrome, Desk, page, see_other};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Anyone, "/", home)]
}

#[derive(Template)]
#[template(path = "home.html")]
struct Home {
    chrome: Chrome,
}

/// The demo explains itself; a club's own visitors go to the shelf.
async fn home(desk: Desk) -> Result<Response, Error> {
    if !desk.club().demo || desk.visit.person.is_some() {
        return Ok(see_other("/shelf"));
    }
    page(&Home {
        chrome: desk.chrome("The demo club"),
    })
}
