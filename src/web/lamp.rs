//! An artificial star: the field that tells of one, and the page on setting one up.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Path;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, page};
use super::{Error, show};
use crate::library::club::{Club, Units};
use crate::library::instruments::Instrument;
use crate::library::lamp::{Lamp, Traced, Unfit};
use crate::library::measures::{INCH_MM, Misread, Quantity};
use crate::optics::lamp::{Focusing, ball_mm, largest_source_mm};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(
        Access::Member,
        "/instruments/{tag}/artificial-star",
        placing,
    )]
}

/// How far away a lamp may stand, m.
const DISTANCES_M: std::ops::RangeInclusive<f64> = 1.0..=5000.0;
/// The distances of the table, m.
const SHOWN_M: [f64; 6] = [10.0, 20.0, 30.0, 50.0, 100.0, 200.0];

/// The distance of an artificial star, m; `None` at a star in the sky. A bare figure is
/// in metres.
pub fn read(errors: &mut FormErrors, field: &str, typed: &str) -> Option<f64> {
    if typed.trim().is_empty() {
        return None;
    }
    let mm = DISTANCES_M.start() * 1000.0..=DISTANCES_M.end() * 1000.0;
    match Quantity::LengthMm.read_within(typed, 1000.0, &mm) {
        Ok(mm) => Some(mm / 1000.0),
        Err(wrong) => {
            let found = match wrong {
                Misread::NotOne => String::new(),
                Misread::OutOfBounds(mm) => format!("that is {:.1} m; ", mm / 1000.0),
            };
            errors.add(
                field,
                format!("Artificial star: {found}give its distance in metres, 1 to 5000, or with its unit, as 100 ft."),
            );
            None
        }
    }
}

/// The lamp of an instrument at the distance typed, in metres unless another unit stands
/// with it; none where nothing is typed.
pub fn read_for(
    errors: &mut FormErrors,
    field: &str,
    typed: &str,
    instrument: &Instrument,
) -> Option<Lamp> {
    let metres = read(errors, field, typed)?;
    Lamp::at(instrument, metres)
        .map_err(|unfit| errors.add(field, format!("Artificial star: {unfit}.")))
        .ok()
}

struct Row {
    away: String,
    source: String,
    ball: String,
    travel: String,
    spherical: String,
    coma: String,
}

/// Where to put a lamp.
struct Places {
    far_enough: String,
    mirror_moves: bool,
    open_front: bool,
    rows: Vec<Row>,
}

#[derive(Template)]
#[template(path = "star_test/artificial_star.html")]
struct PlacingPage {
    layout: Layout,
    tag: String,
    name: String,
    places: Result<Places, String>,
}

/// "20 m" or "66 ft".
fn metres(club: &Club, m: f64) -> String {
    match club.units {
        Units::Metric => format!("{m:.0}\u{a0}m"),
        Units::Imperial => format!("{:.0}\u{a0}ft", m * 1000.0 / (12.0 * INCH_MM)),
    }
}

fn places(club: &Club, instrument: &Instrument) -> Result<Places, Unfit> {
    let traced = Traced::of(instrument)?;
    let rows = SHOWN_M
        .into_iter()
        .filter_map(|m| traced.lamp(m).ok())
        .map(|lamp| {
            let source = largest_source_mm(instrument.aperture_mm, lamp.distance_m * 1000.0);
            Row {
                away: metres(club, lamp.distance_m),
                source: format!("{source:.3}\u{a0}mm"),
                ball: format!("{:.0}\u{a0}mm", ball_mm(source).floor().max(1.0)),
                travel: format!("{:.0}\u{a0}mm", lamp.travel_mm.ceil()),
                spherical: format!("{:.3}", lamp.spherical_rms_waves.abs()),
                coma: format!("{:.0}\u{a0}%", 100.0 * lamp.coma_share),
            }
        })
        .collect();
    Ok(Places {
        far_enough: metres(club, traced.far_enough_m()?),
        mirror_moves: traced.focusing() == Focusing::PrimaryMoves,
        open_front: traced.open_in_front(),
        rows,
    })
}

async fn placing(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let instrument = Instrument::by_tag(&mut *context.read().await?, &tag).await?;
    page(&PlacingPage {
        layout: context.layout(&format!("An artificial star for {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        places: places(context.club(), &instrument)
            .map_err(|unfit| show::capital(&format!("{unfit}."))),
    })
}
