//! What came of a star test from frames: on its way, measured, or refused.

use super::Error;
use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::measuring::Circumstances;
use super::page::{Layout, RequestContext, Submission, page};
use super::{address, collimation, show};
use crate::bench::orientation::{Orientation, Shade, Side};
use crate::library::attempts::{self, Attempt, AttemptPicture, AttemptState};
use crate::library::collimation_replay;
use crate::library::collimations::{self, Collimation};
use crate::library::instruments::{Check, Instrument};
use crate::library::{AttemptId, Conn, Moment};
use crate::startest::panels;
use crate::startest::report::{Reason, Report, term_name};
use crate::upkeep;
use askama::Template;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/attempts/{id}", show_attempt),
        Route::get(Access::Volunteer, "/attempts/{id}/progress", progress),
        Route::post(Access::Volunteer, "/attempts/{id}/cancel", cancel),
        Route::post(Access::Volunteer, "/attempts/{id}/again", again),
        Route::get(Access::Volunteer, "/attempts/{id}/picture.png", picture),
        Route::get(
            Access::Volunteer,
            "/attempts/{id}/pictures/{name}",
            named_picture,
        ),
        Route::get(Access::Volunteer, "/attempts/{id}/report.json", report_json),
    ]
}

/// One figure with its error, formatted.
struct Figure {
    label: &'static str,
    value: String,
    sigma: String,
    unit: &'static str,
}

struct Outcome {
    condition: &'static str,
    sentence: String,
    reasons: Vec<String>,
    figures: Vec<Figure>,
    gauge: Option<Gauge>,
    overlay_svg: String,
    caption: String,
    notes: Vec<Reason>,
    terms: Vec<Figure>,
    coma_svg: String,
    pictures: Vec<AttemptPicture>,
}

struct Gauge {
    value: String,
    low: String,
    high: String,
    limit: String,
    words: String,
}

#[derive(Template)]
#[template(path = "star_test/attempt.html")]
struct AttemptPage {
    layout: Layout,
    id: AttemptId,
    tag: String,
    head: String,
    state: &'static str,
    seen: String,
    given: String,
    words: String,
    refused: Vec<Reason>,
    dropped: Vec<crate::startest::report::Dropped>,
    has_picture: bool,
    result: Option<Outcome>,
    /// The running collimation session that could take it in, or "".
    collimation: String,
    /// Until when it can be measured again, where it failed; or "".
    again_until: String,
    /// Where another set is sent.
    again: String,
    by_phone: bool,
    /// The session that can take the measurement in as its next star check.
    next: Option<TakeIn>,
}

/// The form that takes a measurement into a collimation session.
struct TakeIn {
    action: String,
    at: String,
    /// Whether the phone must have been held as at the session's own shade test.
    held_as_shaded: bool,
}

/// Whether the running session waits for a star check that this measurement can be.
async fn take_in(conn: &mut Conn, attempt: &Attempt) -> Result<Option<TakeIn>, Error> {
    let Some(id) = collimations::open(conn, attempt.instrument_id).await? else {
        return Ok(None);
    };
    let session = Collimation::get(conn, id).await?;
    let now = collimation_replay::progress(conn, &session).await?;
    let waits = now.at_star() && now.ready && collimation::usable(&session, attempt);
    Ok(waits.then(|| TakeIn {
        action: format!("{}/measured", collimation::collimation_address(id)),
        at: session.steps.len().to_string(),
        held_as_shaded: told_of(attempt).is_some_and(|t| t.by_phone && t.shades.is_empty()),
    }))
}

fn progress_words(seen: usize) -> String {
    match seen {
        0 => "Waiting its turn to be measured".to_owned(),
        _ => format!("Measuring: {seen} frames looked at"),
    }
}

async fn show_attempt(
    context: RequestContext,
    Path(id): Path<AttemptId>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let attempt = Attempt::get(&mut conn, id).await?;
    let report: Option<Report> = match &attempt.report {
        Some(text) => Some(
            serde_json::from_str(text)
                .map_err(|e| Error::Broken(format!("a stored report: {e}")))?,
        ),
        None => None,
    };
    let result = match (&report, attempt.state) {
        (Some(report), AttemptState::Measured) => {
            Some(result_of(&mut conn, &attempt, report, context.now()).await?)
        }
        _ => None,
    };
    let seen = context.app.measuring.seen(id);
    let told = told_of(&attempt);
    let by_phone = told.as_ref().is_some_and(|t| t.by_phone);
    page(&AttemptPage {
        by_phone,
        again: if by_phone {
            address::star_test_by_phone(&attempt.tag)
        } else {
            address::new_check(&attempt.tag, Check::Star)
        },
        next: take_in(&mut conn, &attempt).await?,
        layout: context.layout(&format!("Star test of {}", attempt.tag)),
        id,
        head: format!(
            "{} {}, by {}",
            if attempt.frames_given == 1 {
                "1 file sent".to_owned()
            } else {
                format!("{} files sent", attempt.frames_given)
            },
            show::time(context.club(), attempt.asked_at),
            attempt.asked_by_name
        ),
        state: attempt.state.slug(),
        words: progress_words(seen),
        seen: seen.to_string(),
        given: attempt.frames_given.max(1).to_string(),
        refused: report
            .as_ref()
            .map(|r| r.reasons.clone())
            .unwrap_or_default(),
        dropped: report
            .as_ref()
            .map(|r| r.frames.dropped.clone())
            .unwrap_or_default(),
        has_picture: attempt.state == AttemptState::Refused
            && attempts::picture(&mut conn, id).await.is_ok(),
        result,
        collimation: collimations::open(&mut conn, attempt.instrument_id)
            .await?
            .map_or_else(String::new, collimation::collimation_address),
        again_until: attempt
            .frames_until
            .filter(|until| *until > context.now())
            .map_or_else(String::new, |until| show::date(context.club(), until)),
        tag: attempt.tag,
    })
}

/// What was told with the files; `None` of a try of before what it lacks.
fn told_of(attempt: &Attempt) -> Option<Circumstances> {
    serde_json::from_str(&attempt.circumstances).ok()
}

/// Two significant figures of an error, and the value to the same place.
fn with_error(value: f64, sigma: f64) -> (String, String) {
    let decimals = if sigma > 0.0 && sigma.is_finite() {
        (1.0 - sigma.log10().floor()).clamp(0.0, 5.0) as usize
    } else {
        3
    };
    (format!("{value:.decimals$}"), format!("{sigma:.decimals$}"))
}

async fn result_of(
    conn: &mut Conn,
    attempt: &Attempt,
    report: &Report,
    now: Moment,
) -> Result<Outcome, Error> {
    let instrument = Instrument::get(conn, attempt.instrument_id).await?;
    let row = upkeep::shelf_row(conn, instrument, now).await?;
    let limits = &row.assessment.limits;
    let mut figures = Vec::new();
    let mut gauge = None;
    let mut sentence = String::new();
    let mut condition = upkeep::Condition::NotChecked;
    if let Some(w) = &report.wavefront {
        let (coma, sigma) = (w.coma_rms_waves, w.coma_rms_waves_sigma);
        let (value, error) = (format!("{coma:.3}"), format!("{:.3}", sigma.max(0.001)));
        condition = if coma > limits.coma_bench.value {
            upkeep::Condition::NeedsBench
        } else if coma > limits.coma_note.value {
            upkeep::Condition::Usable
        } else {
            upkeep::Condition::Ready
        };
        sentence = match condition {
            upkeep::Condition::NeedsBench => format!(
                "Coma is {value} waves RMS, over the limit of {:.3}: its screws need a turn.",
                limits.coma_bench.value
            ),
            upkeep::Condition::Usable => format!(
                "Coma is {value} waves RMS: good at low and middling magnifications, soft at the highest."
            ),
            _ => format!(
                "Coma is {value} waves RMS, under what is worth mentioning ({:.3}).",
                limits.coma_note.value
            ),
        };
        figures.push(Figure {
            label: "Coma, full circle",
            value: value.clone(),
            sigma: error.clone(),
            unit: "waves RMS",
        });
        figures.push(Figure {
            label: "Coma, real pupil",
            value: format!("{:.3}", w.coma_annular_rms_waves),
            sigma: String::new(),
            unit: "waves RMS",
        });
        let (defocus, defocus_error) = with_error(w.defocus_waves, w.defocus_waves_sigma);
        figures.push(Figure {
            label: "Defocus",
            value: defocus,
            sigma: defocus_error,
            unit: "waves, peak",
        });
        let end = (2.0 * limits.coma_bench.value).max(coma + sigma) * 1.1;
        let share = |v: f64| format!("{:.1}", (100.0 * v / end).clamp(0.0, 100.0));
        gauge = Some(Gauge {
            value: share(coma),
            low: share(coma - sigma),
            high: share(coma + sigma),
            limit: share(limits.coma_bench.value),
            words: format!(
                "Coma {value} \u{b1} {error} of a limit of {:.3} waves RMS; the bar ends at {end:.2}",
                limits.coma_bench.value
            ),
        });
    }
    if let Some(r) = &report.rings {
        let (deg, error) = with_error(r.thin_clock_deg, r.thin_clock_deg_sigma);
        figures.push(Figure {
            label: "Thin side in the picture",
            value: format!("{} ({deg}\u{b0})", show::clock(r.thin_clock_deg)),
            sigma: format!("{error}\u{b0}"),
            unit: "",
        });
        if let Some(q) = r.thin_to_thick {
            figures.push(Figure {
                label: "Thin to thick",
                value: format!("{q:.2}"),
                sigma: String::new(),
                unit: "",
            });
        }
        figures.push(Figure {
            label: "Blur by the air",
            value: format!("{:.1}", r.blur_fwhm_px),
            sigma: String::new(),
            unit: "px FWHM",
        });
    }
    if let Some(thin) = thin_on_the_tube(attempt, report) {
        figures.push(Figure {
            label: "Thin side, on the tube from in front",
            value: show::clock(thin),
            sigma: String::new(),
            unit: "",
        });
    }
    if let Some(scale) = &report.scale {
        let (value, sigma) = with_error(scale.arcsec_per_px, scale.arcsec_per_px_sigma);
        figures.push(Figure {
            label: match scale.told.is_some_and(|t| t.used) {
                true => "Scale, as told and found from the rings",
                false => "Scale, found from the rings",
            },
            value,
            sigma,
            unit: "arc seconds a pixel",
        });
    }
    if let Some(strehl) = report.strehl_from_coma {
        figures.push(Figure {
            label: "Strehl ratio, from coma alone",
            value: format!("{strehl:.2}"),
            sigma: String::new(),
            unit: "",
        });
    }
    let frames = &report.frames;
    let left_out = frames.given.saturating_sub(frames.used);
    let has_shadow = report
        .rings
        .as_ref()
        .is_some_and(|r| r.shadow_radius_px.is_some());
    let caption = format!(
        "{} of {} frames, registered and averaged.{} The arrow stands at the thin side. {} from 12 round to 12, above or below the mean.",
        frames.used,
        frames.given,
        if left_out == 0 {
            String::new()
        } else {
            format!(" {left_out} left out.")
        },
        if has_shadow {
            "The bars are the ring\u{2019}s width"
        } else {
            "The bars are the light, most of it on the thin side,"
        }
    );
    Ok(Outcome {
        condition: condition.slug(),
        sentence,
        reasons: row.assessment.reasons.clone(),
        figures,
        gauge,
        overlay_svg: attempt.overlay_svg.clone().unwrap_or_default(),
        caption,
        notes: report.notes.clone(),
        terms: terms_of(report),
        coma_svg: panels::coma_svg(report, "arrow").unwrap_or_default(),
        pictures: attempts::pictures(conn, attempt.id).await?,
    })
}

/// Through which part of the front the thin side's light came, clock degrees, where shades
/// made at the same focus tell it.
fn thin_on_the_tube(attempt: &Attempt, report: &Report) -> Option<f64> {
    let told = told_of(attempt)?;
    let rings = report.rings.as_ref()?;
    // At one focus shade and ring go together, whichever side it is.
    let shades: Vec<Shade> = told
        .shades
        .iter()
        .map(|shade| Shade {
            side: Side::Outside,
            ..*shade
        })
        .collect();
    if shades.is_empty() || rings.thin_clock_deg_sigma > 60.0 {
        return None;
    }
    let lies = Orientation::from_shades(&shades, told.diagonal);
    Some(lies.best()?.map.to_tube(rings.thin_clock_deg))
}

/// What only the diffraction fit tells.
fn terms_of(report: &Report) -> Vec<Figure> {
    let Some(fit) = &report.fit else {
        return Vec::new();
    };
    let mut figures: Vec<Figure> = fit
        .terms
        .iter()
        .map(|t| {
            let (value, sigma) = with_error(t.waves, t.sigma_waves);
            Figure {
                label: term_name(t.noll),
                value,
                sigma,
                unit: "waves RMS",
            }
        })
        .collect();
    if let Some(d) = fit.shadow_decentre {
        let (value, sigma) = with_error(100.0 * d.x.hypot(d.y), 100.0 * d.sigma);
        figures.push(Figure {
            label: "Shadow off centre",
            value,
            sigma,
            unit: "% of the radius",
        });
    }
    if let Some(other) = &report.cross_check {
        let (value, sigma) = with_error(other.coma_rms_waves, other.coma_rms_waves_sigma);
        figures.push(Figure {
            label: if other.method == "geometry" {
                "Coma by the rings alone"
            } else {
                "Coma by the fit"
            },
            value,
            sigma,
            unit: "waves RMS",
        });
    }
    if let Some(air) = report.air {
        figures.push(Figure {
            label: "Coma the air leaves",
            value: format!("{:.4}", air.coma_floor_waves),
            sigma: String::new(),
            unit: "waves RMS",
        });
        if let Some([x, y]) = air.coma_taken_off_waves {
            figures.push(Figure {
                label: "Coma of the air, taken off",
                value: format!("{:.4}", x.hypot(y)),
                sigma: String::new(),
                unit: "waves RMS",
            });
        }
    }
    figures
}

#[derive(Template)]
#[template(path = "star_test/progress.html")]
struct ProgressPart {
    id: AttemptId,
    ended: bool,
    words: String,
}

async fn progress(context: RequestContext, Path(id): Path<AttemptId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let attempt = Attempt::get(&mut conn, id).await?;
    let seen = context.app.measuring.seen(id);
    page(&ProgressPart {
        id,
        ended: attempt.state != AttemptState::Waiting,
        words: progress_words(seen),
    })
}

async fn cancel(
    context: RequestContext,
    Path(id): Path<AttemptId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    Attempt::get(&mut write, id).await?;
    let ended = attempts::cancel(&mut write, id, context.now()).await?;
    let words = if ended { "Broken off." } else { "" };
    let response = write.finish(&format!("/attempts/{id}"), words).await?;
    context.app.measuring.let_go(id);
    Ok(response)
}

async fn again(
    context: RequestContext,
    Path(id): Path<AttemptId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    Attempt::get(&mut write, id).await?;
    if !attempts::again(&mut write, id, context.now()).await? {
        return Err(Error::Refused(
            "The frames of this set are no longer kept. Send them again.".to_owned(),
        ));
    }
    let response = write.finish(&format!("/attempts/{id}"), "").await?;
    context.app.measuring.ring();
    Ok(response)
}

async fn picture(context: RequestContext, Path(id): Path<AttemptId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    Ok(shown_for_good(attempts::picture(&mut conn, id).await?))
}

/// A picture that never changes.
fn shown_for_good(png: Vec<u8>) -> Response {
    (
        [
            (header::CONTENT_TYPE, HeaderValue::from_static("image/png")),
            (
                header::CACHE_CONTROL,
                HeaderValue::from_static("private, max-age=31536000, immutable"),
            ),
        ],
        png,
    )
        .into_response()
}

async fn named_picture(
    context: RequestContext,
    Path((id, name)): Path<(AttemptId, String)>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let png = attempts::named_picture(&mut conn, id, name.trim_end_matches(".png")).await?;
    Ok(shown_for_good(png))
}

async fn report_json(
    context: RequestContext,
    Path(id): Path<AttemptId>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let attempt = Attempt::get(&mut conn, id).await?;
    let report = attempt.report.ok_or(Error::NotFound("report"))?;
    Ok(([(header::CONTENT_TYPE, "application/json")], report).into_response())
}
