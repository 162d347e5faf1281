//! The steps that are not looks: gone through the list, how the picture lies,
//! turned, on to the next stage, ended.

use std::path::PathBuf;

use axum::response::Response;
use serde::Deserialize;

use super::super::Error;
use super::super::extract::{Path, Upload, UploadedFile};
use super::super::fields::FormErrors;
use super::super::page::RequestContext;
use super::check::side_of;
use super::draw::hour_deg;
use super::start::points;
use super::taking::{Taken, Taking, Turned};
use super::typed::Typed;
use crate::bench::adjustment::{PARTS, Tension};
use crate::bench::orientation::Shade;
use crate::bench::plan::Work;
use crate::bench::replay::Step;
use crate::bench::shade_frame::dark_side;
use crate::library::CollimationId;
use crate::library::collimation_end::{Ending, undo};
use crate::library::collimations::Record;
use crate::startest::decode::{FrameReader, Limits};
use crate::startest::frame::Frame;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct ReadyFields {
    ready: Vec<String>,
}

/// The list of what comes before was gone through.
pub async fn ready(Taken { step, fields }: Taken<ReadyFields>) -> Result<Response, Error> {
    let instrument = step.instrument().await?;
    let left: Vec<String> = points(&instrument, &step.collimation.setup)
        .into_iter()
        .filter(|p| !fields.ready.iter().any(|r| r == p.code))
        .map(|p| p.ask)
        .collect();
    if !left.is_empty() {
        let mut errors = FormErrors::new();
        errors.add(
            "ready",
            match left.as_slice() {
                [one, two, _, ..] => format!(
                    "Not ticked yet: {one}; {two}; and {} more. Tick each once it is so.",
                    left.len() - 2
                ),
                few => format!(
                    "Not ticked yet: {}. Tick each once it is so.",
                    few.join("; ")
                ),
            },
        );
        let typed = Typed {
            ready: fields.ready,
            ..Typed::default()
        };
        return step.mend(typed, errors).await;
    }
    step.record(&Record::Ready).await
}

/// A shade, as told.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct ShadeFields {
    at: String,
    tube_clock: String,
    dark_clock: String,
    shade_side: String,
    anew: String,
}

impl ShadeFields {
    fn tube_deg(&self, errors: &mut FormErrors) -> Option<f64> {
        let tube = hour_deg(&self.tube_clock);
        if tube.is_none() {
            errors.add(
                "tube_clock",
                "Shaded at: say which clock position of the tube was shaded.",
            );
        }
        tube
    }

    fn step(&self, tube_deg: f64, picture_deg: f64) -> Step {
        Step::Shade {
            shade: Shade {
                tube_deg,
                picture_deg,
                side: side_of(&self.shade_side),
            },
            anew: self.anew == "yes",
        }
    }

    fn typed(self) -> Typed {
        Typed {
            tube_clock: self.tube_clock,
            dark_clock: self.dark_clock,
            shade_side: self.shade_side,
            ..Typed::default()
        }
    }
}

/// A shade told by eye.
pub async fn shade(Taken { step, fields }: Taken<ShadeFields>) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let tube = fields.tube_deg(&mut errors);
    let dark = hour_deg(&fields.dark_clock);
    if dark.is_none() {
        errors.add("dark_clock", "Dark at: say where the donut went dark.");
    }
    let (Some(tube), Some(dark)) = (tube, dark) else {
        return step.mend(fields.typed(), errors).await;
    };
    step.take(fields.step(tube, dark)).await
}

fn first_frame(path: PathBuf) -> Result<Frame, String> {
    let mut reader =
        FrameReader::open(path, &Limits::default()).map_err(|e| format!("{e}. {}", e.mend()))?;
    match reader.next() {
        Some(Ok(frame)) => Ok(frame),
        Some(Err(e)) => Err(format!("{e}. {}", e.mend())),
        None => Err("there is no picture in it".to_owned()),
    }
}

/// Where the donut of two uploaded frames goes dark, or which field to mend.
async fn measured(files: &[UploadedFile]) -> Result<f64, (&'static str, String)> {
    let find = |field: &'static str, words: &str| {
        files
            .iter()
            .find(|f| f.field == field)
            .map(|f| f.file.path().to_owned())
            .ok_or_else(|| (field, words.to_owned()))
    };
    let clear = find("clear_frame", "Without the hand: choose a frame.")?;
    let shaded = find("shaded_frame", "With the hand: choose a frame.")?;
    let work = tokio::task::spawn_blocking(move || {
        let clear =
            first_frame(clear).map_err(|e| ("clear_frame", format!("Without the hand: {e}.")))?;
        let shaded =
            first_frame(shaded).map_err(|e| ("shaded_frame", format!("With the hand: {e}.")))?;
        dark_side(&clear, &shaded)
            .map(|dark| dark.clock_deg)
            .map_err(|e| ("shaded_frame", format!("With the hand: {e}.")))
    });
    work.await
        .unwrap_or_else(|e| Err(("shaded_frame", format!("With the hand: {e}."))))
}

/// A shade shown by two frames, which are measured and not kept.
pub async fn shade_frames(
    context: RequestContext,
    Path(id): Path<CollimationId>,
    upload: Upload,
) -> Result<Response, Turned> {
    let fields: ShadeFields = upload.fields()?;
    let mut errors = FormErrors::new();
    let tube = fields.tube_deg(&mut errors);
    // Measured before the write begins: others need not wait for it.
    let dark = measured(&upload.files)
        .await
        .map_err(|(field, words)| errors.add(field, words))
        .ok();
    let step = Taking::read(context, id, upload.once, &fields.at).await?;
    let (Some(tube), Some(dark)) = (tube, dark) else {
        return Ok(step.mend(fields.typed(), errors).await?);
    };
    Ok(step.take(fields.step(tube, dark)).await?)
}

/// On which side of focus the star stands, as found: "" where it could not be told.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct SideFields {
    side: String,
}

/// The side of focus checked.
pub async fn side(Taken { step, fields }: Taken<SideFields>) -> Result<Response, Error> {
    let side = side_of(&fields.side);
    step.take(Step::Side { side }).await
}

/// What was turned, as told.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct GoFields {
    parts: String,
    own: Vec<String>,
    jump_clock: String,
}

/// Turned.
pub async fn adjustment(Taken { step, fields }: Taken<GoFields>) -> Result<Response, Error> {
    let screws = step.progress().await?.course.footing().screws.len();
    let mut errors = FormErrors::new();
    let mut parts: Vec<i32> = fields
        .parts
        .split(',')
        .filter_map(|p| p.trim().parse().ok())
        .collect();
    if fields.own.iter().any(|o| !o.trim().is_empty()) {
        parts = fields
            .own
            .iter()
            .enumerate()
            .map(|(i, typed)| {
                let sixteenths = errors
                    .optional_number(&format!("own-{i}"), "Turned", typed, -16.0..=16.0)
                    .unwrap_or(0.0);
                (sixteenths * f64::from(PARTS) / 16.0).round() as i32
            })
            .collect();
    }
    if parts.len() != screws || parts.iter().any(|p| p.abs() > PARTS) {
        errors.add("own-0", "Turned: give sixteenths of a turn for each screw.");
    }
    if !errors.is_empty() {
        let typed = Typed {
            own: fields.own,
            ..Typed::default()
        };
        return step.mend(typed, errors).await;
    }
    let taken = Step::Adjustment {
        parts,
        jump_deg: hour_deg(&fields.jump_clock),
        tension: Vec::new(),
    };
    step.take(taken).await
}

/// How the screws feel, as told.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct FeelFields {
    tension: Vec<String>,
}

/// A screw is tight or loose: the advice changes.
pub async fn tension(Taken { step, fields }: Taken<FeelFields>) -> Result<Response, Error> {
    let tension = fields
        .tension
        .iter()
        .map(|t| match t.as_str() {
            "tight" => Tension::Tight,
            "loose" => Tension::Loose,
            _ => Tension::Even,
        })
        .collect();
    step.take(Step::Tension { tension }).await
}

/// Which stage comes, as told.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct StageFields {
    to: String,
}

/// On to the next stage, or back to the star's screws after the corners.
pub async fn stage(Taken { step, fields }: Taken<StageFields>) -> Result<Response, Error> {
    let now = step.progress().await?;
    let to = if fields.to == "star" {
        now.plan
            .stages
            .iter()
            .copied()
            .find(|w| matches!(w, Work::Star(_)))
    } else {
        now.next_stage()
    };
    let Some(work) = to else {
        return Err(Error::Refused(
            "There is no stage after this one.".to_owned(),
        ));
    };
    step.record(&Record::Stage { work }).await
}

/// A form with nothing but its place.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Nothing {}

/// Ended.
pub async fn end(Taken { step, .. }: Taken<Nothing>) -> Result<Response, Error> {
    let (now, collimation) = (step.context().now(), &step.collimation);
    let ending = Ending::of(&mut *step.context().read().await?, collimation, now).await?;
    step.write("Saved.", async |conn, place| {
        let entry = ending.write(conn, collimation, place.ordinal, place.by, place.at);
        entry.await.map(drop)
    })
    .await
}

/// The last step undone.
pub async fn back(Taken { step, .. }: Taken<Nothing>) -> Result<Response, Error> {
    let notice = "Undone. It stays in the log, struck out.";
    step.write(notice, async |conn, place| {
        undo(conn, &step.collimation, place.ordinal, place.by, place.at).await
    })
    .await
}
