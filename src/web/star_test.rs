//! Star tests: by eye or from frames.

use askama::Template;
use axum::response::Response;
use tempfile::NamedTempFile;

use super::Error;
use super::access::{Access, Route};
use super::by_eye_form::{self, ByEyeFields};
use super::extract::{Form, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::measuring::{Circumstances, OTHER_SIDE, files};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{check_in_answer, lamp, show, when};
use crate::library::attempts::{self, Attempt};
use crate::library::club::Club;
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::{Check, Design, Instrument};
use crate::library::star_tests::FocusSide;
use crate::library::{AttemptId, Conn, InstrumentId, Moment};
use crate::startest::decode::{FrameReader, Hints, Limits};
use crate::startest::measure::KnownScale;

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
    has_barrels: bool,
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
        has_barrels: instrument.design.check() == Check::Barrels,
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

/// Why it takes none.
pub fn no_star_test(instrument: &Instrument) -> String {
    let tag = &instrument.tag;
    match instrument.design.check() {
        Check::Barrels => format!("{tag} takes a barrel check in place of a star test."),
        Check::Star | Check::Bench => format!("{tag} is for the Sun only and takes no star test."),
    }
}

pub(super) fn refuse_others(instrument: &Instrument) -> Result<(), Error> {
    if instrument.design.takes_star_test() {
        return Ok(());
    }
    Err(Error::Refused(no_star_test(instrument)))
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
    refuse_others(&instrument)?;
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
        let lamp = lamp::read_for(&mut errors, "lamp", &self.lamp, instrument);
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
                by_phone: false,
                known_scale: KnownScale::default(),
                shades: Vec::new(),
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
    refuse_others(&instrument)?;
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
    let placed = in_places(upload.files);
    ask(&context, &upload.once, instrument.id, &told, placed).await
}

/// Keeps the files and asks for them to be measured; leads to the try.
pub(super) async fn ask(
    context: &RequestContext,
    once: &str,
    instrument: InstrumentId,
    told: &Circumstances,
    placed: Vec<(usize, String, NamedTempFile)>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let circumstances = serde_json::to_string(told).map_err(|e| Error::Broken(e.to_string()))?;
    let count = i64::try_from(placed.len()).unwrap_or(i64::MAX);
    let id = AttemptId::fresh();
    // On the disk before the write begins, which others wait for.
    let library = context.app.library.clone();
    tokio::task::spawn_blocking(move || files::keep(&library, id, placed))
        .await
        .map_err(|e| Error::Broken(e.to_string()))?
        .map_err(|e| Error::of_file(&e))?;
    let asked = async {
        let mut write = match context.begin(once).await? {
            Submission::Again(response) => return Ok((false, response)),
            Submission::First(write) => write,
        };
        attempts::ask(
            &mut write,
            id,
            instrument,
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
