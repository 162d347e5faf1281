//! A collimation session at the bench: from the first look to "stop here". Every step is
//! written down before the next screen is shown, so that a phone may sleep and
//! a second volunteer may go on.
//!
//! - [`start`]: before it begins.
//! - [`taking`]: the one extractor of all its forms.
//! - [`steps`], [`looks`]: what is taken down.
//! - [`page`]: the screen, out of [`turn`], [`stop`] and [`log`].
//! - [`sheet`]: the lists of collimation sessions, and one of them on paper.
//! - [`draw`]: the tube and the stars.

pub mod draw;
pub mod log;
mod looks;
pub mod page;
mod sheet;
mod start;
mod steps;
pub mod stop;
mod taking;
pub mod turn;

pub use sheet::{Row, first_and_last_drawn, rows};

use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::{Path, Query};
use super::fields::FormErrors;
use super::page::{RequestContext, page as show_page};
use crate::library::CollimationId;
use crate::library::collimations::Collimation;

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    let mut all = vec![
        Route::get(
            Volunteer,
            "/instruments/{tag}/collimation",
            start::show_start,
        ),
        Route::post(Volunteer, "/instruments/{tag}/collimation", start::start),
        Route::get(Volunteer, "/collimations/{id}", show),
        Route::post(Volunteer, "/collimations/{id}/ready", steps::ready),
        Route::post(Volunteer, "/collimations/{id}/shade", steps::shade),
        Route::post(
            Volunteer,
            "/collimations/{id}/shade-frames",
            steps::shade_frames,
        ),
        Route::post(Volunteer, "/collimations/{id}/look", looks::look),
        Route::post(Volunteer, "/collimations/{id}/measured", looks::measured),
        Route::post(Volunteer, "/collimations/{id}/mark", looks::mark),
        Route::post(Volunteer, "/collimations/{id}/corners", looks::four_stars),
        Route::post(Volunteer, "/collimations/{id}/tension", steps::tension),
        Route::post(Volunteer, "/collimations/{id}/go", steps::adjustment),
        Route::post(Volunteer, "/collimations/{id}/stage", steps::stage),
        Route::post(Volunteer, "/collimations/{id}/back", steps::back),
        Route::post(Volunteer, "/collimations/{id}/end", steps::end),
    ];
    all.extend(sheet::routes());
    all.extend(draw::routes());
    all
}

/// Where a collimation session is.
pub fn collimation_address(id: CollimationId) -> String {
    format!("/collimations/{id}")
}

/// Where a collimation session is on paper.
pub fn sheet_address(id: CollimationId) -> String {
    format!("/collimations/{id}/sheet")
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    without: String,
}

async fn show(
    context: RequestContext,
    Path(id): Path<CollimationId>,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let collimation = Collimation::get(&mut conn, id).await?;
    let typed = page::Typed {
        without_shade: asked.without == "shade",
        ..page::Typed::default()
    };
    show_page(
        &page::collimation_page(&context, &mut conn, &collimation, typed, FormErrors::new())
            .await?,
    )
}
