//! Readings while a screw is turned: stills from the page that shows the camera, measured
//! at once and kept nowhere.

use std::ops::ControlFlow;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use axum::Json;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::at_work::one_at_a_time;
use super::extract::{FormLimits, Path, Upload, UploadedFile};
use super::measuring::{UNTOLD_PIXEL_UM, stills_of};
use super::page::RequestContext;
use super::{Error, star_test};
use crate::library::instruments::Instrument;
use crate::startest::decode::Limits;
use crate::startest::frame::{Setup, Side};
use crate::startest::measure::{Options, measure_stills};
use crate::startest::report::Report;
use crate::startest::words::waves_and_error;

/// The most stills of one reading, and the largest, bytes.
const MOST_STILLS: usize = 16;
const MOST_BYTES: u64 = 4 * 1024 * 1024;
/// A reading that takes longer is given up.
const LONGEST: Duration = Duration::from_secs(20);

/// Routes.
pub fn routes() -> Vec<Route> {
    let limits = FormLimits {
        files: MOST_STILLS,
        file_bytes: MOST_BYTES,
        ..FormLimits::of(Access::Volunteer)
    };
    vec![
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/star-test/phone/reading",
            reading,
        )
        .holding(limits),
    ]
}

/// What the page shows of a reading.
#[derive(Debug, serde::Serialize)]
struct Reading {
    /// RMS coma, waves at 550 nm; none where the stills tell nothing.
    coma_rms_waves: Option<f64>,
    /// "Coma 0.120 ± 0.014 waves RMS.", or what is wrong.
    words: String,
}

impl Reading {
    fn of(report: &Report) -> Self {
        match &report.wavefront {
            Some(w) => Self {
                coma_rms_waves: Some(w.coma_rms_waves),
                words: format!(
                    "Coma {} waves RMS.",
                    waves_and_error(w.coma_rms_waves, w.coma_rms_waves_sigma)
                ),
            },
            None => Self {
                coma_rms_waves: None,
                words: report.reasons.first().map_or_else(
                    || "These pictures tell nothing.".to_owned(),
                    |why| why.sentence(),
                ),
            },
        }
    }
}

fn measured(files: &[UploadedFile], setup: &Setup) -> Report {
    let deadline = Instant::now() + LONGEST;
    let limits = Limits {
        deadline: Some(deadline),
        ..Limits::default()
    };
    let files: Vec<PathBuf> = files.iter().map(|f| f.file.path().to_owned()).collect();
    let stills = stills_of(&files, limits);
    let mut watch = |_| match Instant::now() > deadline {
        true => ControlFlow::Break(()),
        false => ControlFlow::Continue(()),
    };
    measure_stills(stills, setup, &Options::default(), &mut watch).report
}

async fn reading(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: Upload,
) -> Result<Response, Error> {
    let instrument = Instrument::by_tag(&mut *context.read().await?, &tag).await?;
    star_test::refuse_others(&instrument)?;
    let setup = Setup {
        aperture_mm: instrument.aperture_mm,
        obstruction: instrument.obstruction,
        // They stand for nothing: the rings tell the scale.
        focal_mm: instrument.focal_mm,
        pixel_um: UNTOLD_PIXEL_UM,
        wavelength_nm: 550.0,
        bandwidth_nm: 200.0,
        side: Side::Unknown,
        vanes: None,
    };
    let report = one_at_a_time(move || measured(&upload.files, &setup)).await?;
    Ok(Json(Reading::of(&report)).into_response())
}
