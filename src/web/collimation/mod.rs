//! A collimation session at the bench: from the first look to "stop here". Every step is
//! written down before the next screen is shown, so that a phone may sleep and
//! a second volunteer may go on.
//!
//! - [`start`]: before it begins.
//! - [`taking`]: the one extractor of all its forms.
//! - [`steps`], [`looks`]: what is taken down.
//! - [`page`]: the screen, out of [`turn`], [`check`], [`stop`] and [`log`].
//! - [`sheet`]: the lists of collimation sessions, and one of them on paper.
//! - [`draw`]: the tube and the stars.

mod check;
pub mod draw;
mod end;
mod four_stars;
pub mod log;
mod looks;
pub mod page;
mod sheet;
mod start;
mod steps;
pub mod stop;
mod taking;
pub mod turn;
mod typed;

pub use draw::{hour_deg, hour_of};
pub use page::usable;
pub use sheet::{Row, first_and_last_drawn, rows};

use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::by_eye_form::ByEyeFields;
use super::extract::{Path, Query};
use super::fields::{FormErrors, part};
use super::page::{RequestContext, mend, page as show_page};
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
        Route::post(Volunteer, "/collimations/{id}/side", steps::side),
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

/// What the address asks for beside the session.
#[derive(Debug, Default)]
struct Asked {
    place: AskedPlace,
    /// What is asked once a session, as just entered.
    eye: ByEyeFields,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct AskedPlace {
    without: String,
    /// Another screen of the step than the first: "look", "setup", "screws", "air".
    view: String,
    /// Whether what is asked once was just entered.
    setup: String,
    /// Which screw of the adjustment, from 1.
    screw: usize,
    stand: String,
}

impl TryFrom<Vec<(String, String)>> for Asked {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            place: part(&pairs)?,
            eye: part(&pairs)?,
        })
    }
}

impl<'de> serde::Deserialize<'de> for Asked {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        Vec::<(String, String)>::deserialize(from)?
            .try_into()
            .map_err(serde::de::Error::custom)
    }
}

async fn show(
    context: RequestContext,
    Path(id): Path<CollimationId>,
    Query(Asked { place, eye }): Query<Asked>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let collimation = Collimation::get(&mut conn, id).await?;
    let mut errors = FormErrors::new();
    let entered = place.setup == "done";
    if entered {
        eye.check_kept(&mut errors);
    }
    let typed = typed::Typed {
        without_shade: place.without == "shade",
        eye: entered.then_some(eye),
        view: place.view,
        screw: place.screw.saturating_sub(1),
        stand: draw::stand_of(&place.stand),
        ..typed::Typed::default()
    };
    let refused = !errors.is_empty();
    let shown = page::collimation_page(&context, &mut conn, &collimation, typed, errors).await?;
    if refused {
        mend(&shown)
    } else {
        show_page(&shown)
    }
}
