//! Star tests: by eye or from frames, and what came of them.

use askama::Template;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use tempfile::NamedTempFile;

use super::Error;
use super::access::{Access, Route};
use super::by_eye_form::{self, ByEyeFields};
use super::extract::{Form, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::measuring::{Circumstances, OTHER_SIDE, files};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::sign_in::Nothing;
use super::{check_in_answer, lamp, show, when};
use crate::library::attempts::{self, Attempt, AttemptPicture, AttemptState};
use crate::library::club::Club;
use crate::library::collimations;
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::{Design, Instrument};
use crate::library::lamp::Lamp;
use crate::library::star_tests::FocusSide;
use crate::library::{AttemptId, Conn, Moment};
use crate::startest::decode::{FrameReader, Hints, Limits};
use crate::startest::panels;
use crate::startest::report::{Reason, Report};
use crate::upkeep;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/star-test", show_form),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/star-test/eye",
            by_eye,
        ),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/star-test/frames",
            frames,
        ),
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

/// What the camera sees: centre and width of its band, nm.
const CAMERAS: &[(&str, &str, f64, f64)] = &[
    ("colour", "Colour camera", 540.0, 200.0),
    ("mono", "Mono camera, no filter", 550.0, 250.0),
    ("green", "Mono camera, green filter", 535.0, 90.0),
    ("red", "Mono camera, red filter", 635.0, 100.0),
    ("narrow", "Narrow band at 656 nm", 656.0, 7.0),
];

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct FrameFields {
    side: String,
    diagonal: String,
    seeing: String,
    camera: String,
    pixel_um: String,
    focal_factor: String,
    field_coma: String,
    lamp: String,
    note: String,
    taken_on: String,
    taken_at: String,
}

/// A look by eye, as typed.
#[derive(Debug, Default, serde::Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
struct LookFields {
    eye: ByEyeFields,
    own: LookOwnFields,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct LookOwnFields {
    look_note: String,
    look_on: String,
    look_at: String,
}

impl TryFrom<Vec<(String, String)>> for LookFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            eye: super::fields::part(&pairs)?,
            own: super::fields::part(&pairs)?,
        })
    }
}

#[derive(Template)]
#[template(path = "star_test/form.html")]
struct FormPage {
    layout: Layout,
    tag: String,
    name: String,
    takes_star_test: bool,
    is_newtonian: bool,
    eye: ByEyeFields,
    eye_card: &'static str,
    look: LookOwnFields,
    form: FrameFields,
    errors: FormErrors,
    cameras: Vec<(&'static str, &'static str)>,
    earlier: Vec<EarlierLine>,
}

struct EarlierLine {
    href: String,
    words: String,
}

/// The page; what is not `None` is shown as it was typed.
async fn form_page(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: &Instrument,
    look: Option<LookFields>,
    form: Option<FrameFields>,
    errors: FormErrors,
) -> Result<FormPage, Error> {
    let look = match look {
        Some(look) => look,
        None => LookFields {
            eye: ByEyeFields::after_the_last(conn, instrument).await?,
            own: LookOwnFields::default(),
        },
    };
    let form = form.unwrap_or_else(|| FrameFields::blank(instrument));
    let earlier = Attempt::latest(conn, instrument.id, 8).await?;
    Ok(FormPage {
        layout: context.layout(&format!("Star test of {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        takes_star_test: instrument.design.takes_star_test(),
        is_newtonian: instrument.design == Design::Newtonian,
        eye_card: by_eye_form::cards_for(instrument.obstruction),
        eye: look.eye,
        look: look.own,
        form,
        errors,
        cameras: CAMERAS.iter().map(|c| (c.0, c.1)).collect(),
        earlier: earlier
            .iter()
            .map(|a| EarlierLine {
                href: format!("/attempts/{}", a.id),
                words: format!(
                    "{}, {}, by {}",
                    show::time(context.club(), a.asked_at),
                    a.state,
                    a.asked_by_name
                ),
            })
            .collect(),
    })
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    page(
        &form_page(
            &context,
            &mut conn,
            &instrument,
            None,
            None,
            FormErrors::new(),
        )
        .await?,
    )
}

fn refuse_the_sun(instrument: &Instrument) -> Result<(), Error> {
    if instrument.design.takes_star_test() {
        return Ok(());
    }
    Err(Error::Refused(format!(
        "{} is for the Sun only and takes no star test.",
        instrument.tag
    )))
}

/// A look by eye, written down.
async fn by_eye(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: look, once }: Form<LookFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    refuse_the_sun(&instrument)?;
    let mut errors = FormErrors::new();
    let told = look.eye.check(&mut errors);
    let note = errors.optional_text("look_note", "Note", &look.own.look_note, 2000);
    let at = when::read(
        &mut errors,
        ("look_on", &look.own.look_on),
        ("look_at", &look.own.look_at),
        context.club(),
        context.now(),
    );
    let test = told.and_then(|told| match told.star_test(&instrument) {
        Ok(test) => Some(test),
        Err((field, why)) => {
            errors.add(field, why);
            None
        }
    });
    let (Some(test), Some(happened_at), true) = (test, at, errors.is_empty()) else {
        drop(write);
        let mut conn = context.read().await?;
        let form = form_page(&context, &mut conn, &instrument, Some(look), None, errors).await?;
        return mend(&form);
    };
    let entry = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::StarTest,
        happened_at,
        recorded_at: context.now(),
        by,
        loan: None,
        note,
    };
    test.log(&mut write, entry).await?;
    write
        .finish(
            &check_in_answer::address(&instrument.tag, context.now()),
            &format!("Star test of {} logged.", instrument.tag),
        )
        .await
}

impl FrameFields {
    fn blank(instrument: &Instrument) -> Self {
        Self {
            diagonal: if instrument.uses_diagonal { "yes" } else { "" }.to_owned(),
            side: FocusSide::Unknown.slug().to_owned(),
            camera: "colour".to_owned(),
            focal_factor: "1".to_owned(),
            ..Self::default()
        }
    }

    fn check(
        &self,
        instrument: &Instrument,
        hints: Option<&Hints>,
        [files, others]: [usize; 2],
        club: &Club,
        now: Moment,
    ) -> Result<Circumstances, FormErrors> {
        let mut errors = FormErrors::new();
        if files == 0 {
            errors.add("frames", "Frames: choose one or more files.");
        }
        let typed = errors.optional_number("pixel_um", "Pixel size", &self.pixel_um, 0.5..=50.0);
        let pixel_um = typed.or_else(|| {
            hints
                .and_then(|h| h.pixel_um)
                .filter(|p| (0.5..=50.0).contains(p))
        });
        if pixel_um.is_none() && errors.of("pixel_um").is_empty() {
            errors.add("pixel_um", "Pixel size: these frames do not tell it. Give the camera's pixel pitch in micrometres, like 3.76, times the binning.");
        }
        let factor = errors.optional_number(
            "focal_factor",
            "Barlow or reducer",
            &self.focal_factor,
            0.2..=10.0,
        );
        let side = errors.word("side", "Side of focus", &self.side);
        if others > 0 && side == Some(FocusSide::Unknown) {
            errors.add(
                "side",
                "Side of focus: with frames from both sides, say which side the first ones are from.",
            );
        }
        let seeing = errors.optional_whole("seeing", "Seeing", &self.seeing, 1..=5);
        let camera = CAMERAS.iter().find(|c| c.0 == self.camera);
        if camera.is_none() {
            errors.add("camera", "Camera: choose one.");
        }
        let lamp = lamp::read(&mut errors, "lamp", &self.lamp).and_then(|m| {
            Lamp::at(instrument, m)
                .map_err(|unfit| errors.add("lamp", format!("Artificial star: {unfit}.")))
                .ok()
        });
        let note = errors.optional_text("note", "Note", &self.note, 1000);
        let taken_at = when::read(
            &mut errors,
            ("taken_on", &self.taken_on),
            ("taken_at", &self.taken_at),
            club,
            now,
        );
        match (pixel_um, side, camera) {
            (Some(pixel_um), Some(side), Some(camera)) if errors.is_empty() => Ok(Circumstances {
                both_sides: others > 0,
                field_coma: self.field_coma == "yes" && instrument.design == Design::Newtonian,
                taken_at,
                lamp,
                vane_count: u32::try_from(instrument.vane_count).unwrap_or(0),
                meniscus: instrument.design == Design::MaksutovCassegrain,
                aperture_mm: instrument.aperture_mm,
                focal_mm: instrument.focal_mm * factor.unwrap_or(1.0),
                obstruction: instrument.obstruction,
                pixel_um,
                wavelength_nm: camera.2,
                bandwidth_nm: camera.3,
                side,
                diagonal: self.diagonal == "yes",
                seeing,
                note,
            }),
            _ => Err(errors),
        }
    }
}

/// What the first file says of camera and optics, when it says anything.
async fn hints_of(files: &[UploadedFile]) -> Option<Hints> {
    let path = files.first()?.file.path().to_owned();
    tokio::task::spawn_blocking(move || {
        FrameReader::open(path, &Limits::default())
            .ok()
            .map(|reader| reader.hints().clone())
    })
    .await
    .ok()
    .flatten()
}

async fn frames(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: Upload,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    refuse_the_sun(&instrument)?;
    let fields: FrameFields = upload.fields()?;
    let hints = hints_of(&upload.files).await;
    let others = upload.files.iter().filter(|f| is_other(f)).count();
    let files = [upload.files.len() - others, others];
    let told = match fields.check(
        &instrument,
        hints.as_ref(),
        files,
        context.club(),
        context.now(),
    ) {
        Ok(told) => told,
        Err(errors) => {
            return mend(
                &form_page(&context, &mut conn, &instrument, None, Some(fields), errors).await?,
            );
        }
    };
    let by = context.person()?.id;
    if let Some(why) = attempts::no_room(&mut conn, by).await? {
        let mut errors = FormErrors::new();
        errors.add("frames", format!("Frames: {why}"));
        return mend(
            &form_page(&context, &mut conn, &instrument, None, Some(fields), errors).await?,
        );
    }
    drop(conn);
    let circumstances = serde_json::to_string(&told).map_err(|e| Error::Broken(e.to_string()))?;
    let count = i64::try_from(upload.files.len()).unwrap_or(i64::MAX);
    let id = AttemptId::fresh();
    // On the disk before the write begins, which others wait for.
    let library = context.app.library.clone();
    let placed = in_places(upload.files);
    tokio::task::spawn_blocking(move || files::keep(&library, id, placed))
        .await
        .map_err(|e| Error::Broken(e.to_string()))?
        .map_err(|e| Error::of_file(&e))?;
    let asked = async {
        let mut write = match context.begin(&upload.once).await? {
            Submission::Again(response) => return Ok((false, response)),
            Submission::First(write) => write,
        };
        attempts::ask(
            &mut write,
            id,
            instrument.id,
            by,
            context.now(),
            count,
            &circumstances,
        )
        .await?;
        let response = write.finish(&format!("/attempts/{id}"), "").await?;
        Ok((true, response))
    };
    let asked = asked.await;
    if matches!(asked, Ok((true, _))) {
        context.app.measuring.ring();
    } else {
        let library = context.app.library.clone();
        // What is left over all the same is swept.
        let _ = tokio::task::spawn_blocking(move || files::remove(&library, id)).await;
    }
    asked.map(|(_, response)| response)
}

/// Whether a file came by the field for the other side of focus.
fn is_other(upload: &UploadedFile) -> bool {
    upload.field == "frames_other"
}

/// The files with their places in the row; those of the other side come after all
/// others.
fn in_places(uploads: Vec<UploadedFile>) -> Vec<(usize, String, NamedTempFile)> {
    uploads
        .into_iter()
        .enumerate()
        .map(|(place, upload)| {
            let place = place + if is_other(&upload) { OTHER_SIDE } else { 0 };
            (place, upload.name, upload.file)
        })
        .collect()
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
    page(&AttemptPage {
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
            .map_or_else(String::new, super::collimation::collimation_address),
        again_until: attempt
            .frames_until
            .filter(|until| *until > context.now())
            .map_or_else(String::new, |until| show::date(context.club(), until)),
        tag: attempt.tag,
    })
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
        let (value, error) = with_error(coma, sigma);
        condition = if coma > limits.coma_bench.value {
            upkeep::Condition::NeedsBench
        } else if coma > limits.coma_note.value {
            upkeep::Condition::Usable
        } else {
            upkeep::Condition::Ready
        };
        sentence = match condition {
            upkeep::Condition::NeedsBench => format!(
                "Coma is {value} waves RMS, over the limit of {:.3}: it wants its adjusters turned.",
                limits.coma_bench.value
            ),
            upkeep::Condition::Usable => format!(
                "Coma is {value} waves RMS: good for low and middling powers, soft at the highest."
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
            value: with_error(w.coma_annular_rms_waves, sigma).0,
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
    let caption = format!(
        "{} of {} frames, registered and averaged.{} The outer edge is drawn whole, the shadow dashed; the pointer stands at the thin side.",
        frames.used,
        frames.given,
        if left_out == 0 {
            String::new()
        } else {
            format!(" {left_out} left out.")
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
                label: panels::term_name(t.noll),
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
