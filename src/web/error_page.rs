//! The page that says why a request was not done.

use askama::Template;
use axum::Json;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use serde_json::json;

use super::App;
use super::error::{ErrorPage, bare};
use super::page::Layout;
use super::visitor::{UnsentForm, Visitor};
use crate::library::sessions::Token;

/// Keeps the form that its sender must sign in for; the token is for their
/// browser.
pub fn keep_unsent(page: &ErrorPage, app: &App, visitor: &Visitor) -> Option<Token> {
    let form = page.unsent.as_ref().filter(|_| page.sign_in)?;
    if let Some(earlier) = &visitor.unsent {
        app.unsent.forget(earlier);
    }
    Some(app.unsent.keep(form.clone(), &visitor.network, visitor.now))
}

#[derive(Template)]
#[template(path = "error.html")]
struct ErrorTemplate {
    layout: Layout,
    words: String,
    sign_in: bool,
    confirm: bool,
    wrong_password: bool,
    unsent: Option<UnsentForm>,
    lead: Option<(String, &'static str)>,
    next: String,
}

/// Draws the page at the door.
pub fn draw(visitor: &Visitor, page: ErrorPage) -> Response {
    if visitor.path.ends_with(".json") {
        let body = Json(json!({ "error": page.title, "words": page.words }));
        return (page.status, body).into_response();
    }
    if visitor.path.ends_with(".csv") && !page.sign_in {
        return (page.status, format!("{}. {}\n", page.title, page.words)).into_response();
    }
    let template = ErrorTemplate {
        layout: Layout::for_visitor(visitor, page.title),
        words: page.words,
        sign_in: page.sign_in,
        confirm: page.confirm.is_some(),
        wrong_password: page.confirm == Some(true),
        unsent: page.unsent,
        lead: page.lead,
        next: visitor.path.clone(),
    };
    match template.render() {
        Ok(html) => (
            page.status,
            [(header::CACHE_CONTROL, "no-store")],
            Html(html),
        )
            .into_response(),
        Err(error) => bare(error.into()),
    }
}
