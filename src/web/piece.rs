//! A piece of a file comes in.

use axum::Json;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use uuid::Uuid;

use super::access::{Access, Route};
use super::extract::{Path, Query, mark_of_header};
use super::page::RequestContext;
use super::pieces::{self, Added, PIECE_BYTES};
use super::uploaded::UPLOAD_BYTES;
use super::{App, Error};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::post(Access::Volunteer, "/pieces/{id}", add)]
}

#[derive(Debug, Deserialize)]
struct Place {
    from: u64,
    of: u64,
}

/// A piece's bytes, once the session's mark has been checked.
struct Piece(Vec<u8>);

impl FromRequest<App> for Piece {
    type Rejection = Error;

    async fn from_request(request: Request, _: &App) -> Result<Self, Error> {
        mark_of_header(&request)?;
        let bytes = axum::body::to_bytes(request.into_body(), PIECE_BYTES).await;
        let bytes = bytes.map_err(|_| {
            Error::TooLarge("A piece of a file may have 4 MiB, and came whole or not at all. Send the form without scripts.".to_owned())
        })?;
        Ok(Self(bytes.to_vec()))
    }
}

/// Answers how many bytes of the file are here: with 409 where the piece does not begin
/// there, so that an empty piece at the beginning asks where to go on.
async fn add(
    context: RequestContext,
    Path(id): Path<Uuid>,
    Query(Place { from, of }): Query<Place>,
    Piece(bytes): Piece,
) -> Result<Response, Error> {
    if of == 0 || of > UPLOAD_BYTES || from.saturating_add(bytes.len() as u64) > of {
        return Err(Error::BadRequest(format!(
            "A piece of {} bytes from byte {from} is none of a file of {of} bytes. Send the file again.",
            bytes.len()
        )));
    }
    let person = context.person()?.id;
    let added = pieces::add(&context.app, person, (id, of), from, bytes).await?;
    let answer = |status, bytes| (status, Json(json!({ "bytes": bytes }))).into_response();
    match added {
        Added::Kept(here) => Ok(answer(StatusCode::OK, here)),
        Added::Elsewhere(here) => Ok(answer(StatusCode::CONFLICT, here)),
        Added::NoRoom => Err(Error::TooLarge(
            "Too many files are on their way here at present. Wait an hour, or send fewer."
                .to_owned(),
        )),
    }
}
