//! A barrel check by pictures.

use axum::response::Response;

use super::{Begun, Circumstances, form_page, refuse_others};
use crate::library::barrel_checks::{LoggedBarrelCheck, Way};
use crate::library::club::Club;
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::Instrument;
use crate::optics::barrels::{Apart, Limits as Bounds};
use crate::startest::barrels::{Pair, Picture, Report, Scale, Setup, measure};
use crate::startest::report::{Reason, Verdict};
use crate::web::access::Access;
use crate::web::at_work::one_at_a_time;
use crate::web::extract::{FormLimits, Path, Upload, UploadedFile};
use crate::web::fields::FormErrors;
use crate::web::page::{RequestContext, Submission, mend};
use crate::web::{Error, address};

/// The form as typed, without its files.
#[derive(Debug, Default, Clone, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub(super) struct PictureFields {
    pub p_magnification: String,
    pub p_distance: String,
    pub p_objectives: String,
    pub p_no_hinge: String,
    pub p_field: String,
    pub p_note: String,
}

/// The most pictures for one barrel at one opening.
const MOST_PICTURES: usize = 3;
/// The largest picture, bytes.
const MOST_BYTES: u64 = 20 * 1024 * 1024;
/// The places for files: left and right, at the first opening and at the second.
const PLACES: [&str; 4] = ["left_1", "right_1", "left_2", "right_2"];
/// By how much a rest turns a camera that is slid over, arc minutes (common practice, no
/// source).
const REST_ARCMIN: f64 = 4.0;

pub(super) fn limits() -> FormLimits {
    FormLimits {
        files: PLACES.len() * MOST_PICTURES,
        file_bytes: (PLACES.len() * MOST_PICTURES) as u64 * MOST_BYTES,
        ..FormLimits::of(Access::Volunteer)
    }
}

impl PictureFields {
    /// As told at the last check, where there was one.
    pub fn after(before: Option<&LoggedBarrelCheck>, club: &Club, instrument: &Instrument) -> Self {
        let told: Self = before
            .and_then(|b| serde_json::from_str(&b.check.judged).ok())
            .unwrap_or_default();
        let begun = Begun::after(before, told.p_objectives, club, instrument);
        Self {
            p_magnification: begun.magnification,
            p_no_hinge: begun.no_hinge,
            p_objectives: begun.objectives,
            p_field: told.p_field,
            ..Self::default()
        }
    }
}

/// The files of each place; says what is missing or too much.
fn placed(files: Vec<UploadedFile>, errors: &mut FormErrors) -> [Vec<UploadedFile>; 4] {
    let mut placed: [Vec<UploadedFile>; 4] = Default::default();
    for file in files {
        match PLACES.iter().position(|p| *p == file.field) {
            Some(place) => placed[place].push(file),
            None => errors.add("left_1", "Pictures: choose them in the fields for them."),
        }
    }
    for (pair, n) in [(0, 1), (2, 2)] {
        let (left, right) = (placed[pair].len(), placed[pair + 1].len());
        let field = PLACES[pair + usize::from(right != left && left > 0)];
        if left != right {
            errors.add(
                field,
                format!("Pictures of opening {n}: choose as many through the right barrel as through the left one."),
            );
        } else if left > MOST_PICTURES {
            errors.add(
                field,
                format!("Pictures of opening {n}: three for each barrel are enough."),
            );
        } else if left == 0 && pair == 0 {
            errors.add(
                field,
                "Pictures: choose one through the left barrel and one through the right.",
            );
        }
    }
    placed
}

/// Reads pictures and measures them: one picture is in memory at a time.
fn measured(
    files: &[Vec<UploadedFile>; 4],
    told: &Circumstances,
    field_deg: f64,
) -> Result<Report, Reason> {
    let open = |file: &UploadedFile| Picture::open(file.file.path(), &file.name);
    let mut openings: Vec<Vec<Pair>> = Vec::new();
    let mut fields_px = Vec::new();
    for [left, right] in [[&files[0], &files[1]], [&files[2], &files[3]]] {
        let mut pairs = Vec::new();
        for (l, r) in left.iter().zip(right) {
            let pair = [open(l)?, open(r)?];
            fields_px.extend(pair.iter().filter_map(|p| p.field_px));
            pairs.push(Ok(pair));
        }
        if !pairs.is_empty() {
            openings.push(pairs);
        }
    }
    if fields_px.is_empty() {
        return Err(Reason {
            code: "no-field".to_owned(),
            text: "the edge of the field is not in the pictures, so their scale is not known"
                .to_owned(),
            mend: "Zoom out until the whole round field shows.".to_owned(),
        });
    }
    let mean = fields_px.iter().sum::<f64>() / fields_px.len() as f64;
    let setup = Setup {
        scale: Scale::of_field(field_deg, mean),
        magnification: told.magnification,
        distance_m: told.distance_m,
        objectives_apart_mm: told.objectives_apart_mm,
        rest_arcmin: REST_ARCMIN,
        hinged: told.hinged,
        bounds: Bounds::default(),
    };
    let report = measure(&openings, &setup);
    match (report.verdict, report.reasons.first()) {
        (Verdict::Refused, Some(reason)) => Err(reason.clone()),
        _ => Ok(report),
    }
}

/// Measures pictures through both barrels and writes down what they say.
pub(super) async fn measure_and_log(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: Upload,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    refuse_others(&instrument)?;
    drop(conn);
    let fields: PictureFields = upload.fields()?;
    let mut errors = FormErrors::new();
    let told = Circumstances::read(
        &mut errors,
        [
            ("p_magnification", &fields.p_magnification),
            ("p_no_hinge", &fields.p_no_hinge),
            ("p_distance", &fields.p_distance),
            ("p_objectives", &fields.p_objectives),
        ],
    );
    let field_deg = errors.number(
        "p_field",
        "Width of the field",
        &fields.p_field,
        20.0..=110.0,
    );
    let note = errors.optional_text("p_note", "Note", &fields.p_note, 2000);
    let files = placed(upload.files, &mut errors);
    let mut seen: Vec<Apart> = Vec::new();
    let told = told.filter(|_| errors.is_empty());
    if let Some(told) = &told {
        let told = Circumstances { ..*told };
        let report = one_at_a_time(move || measured(&files, &told, field_deg)).await?;
        match report {
            Ok(report) => seen = report.openings.into_iter().map(|o| o.apart).collect(),
            Err(reason) => errors.add(
                "left_1",
                format!("Pictures: {} {}", reason.sentence(), reason.mend),
            ),
        }
    }
    let (Some(told), true) = (told, errors.is_empty()) else {
        let mut conn = context.read().await?;
        let form = form_page(&context, &mut conn, instrument, None, Some(fields), errors).await?;
        return mend(&form);
    };
    let by = context.person()?.id;
    let typed = serde_json::to_string(&fields).map_err(|e| Error::Broken(e.to_string()))?;
    let mut write = match context.begin(&upload.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let entry = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::BarrelCheck,
        happened_at: context.now(),
        recorded_at: context.now(),
        by,
        loan: None,
        note,
    };
    told.check(Way::ByPictures, seen, typed)
        .log(&mut write, entry)
        .await?;
    write
        .finish(
            &format!("{}/barrels", address::instrument(&instrument.tag)),
            &format!("Barrel check of {} saved.", instrument.tag),
        )
        .await
}
