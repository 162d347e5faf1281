//! Looks: at a star by eye, by a measurement of frames, at a mark, at the four
//! edges of the field.

use axum::response::Response;
use serde::Deserialize;

use super::super::Error;
use super::super::by_eye_form::ByEyeFields;
use super::super::fields::{FormErrors, part};
use super::super::measuring::Circumstances;
use super::draw::hour_deg;
use super::four_stars::CornerFields;
use super::page::usable;
use super::taking::Taken;
use super::typed::Typed;
use crate::bench::advice::LEAST_RATIO;
use crate::bench::mechanical::MARK_SIGMA_MM;
use crate::bench::replay::Step;
use crate::library::AttemptId;
use crate::library::attempts::{Attempt, AttemptState};
use crate::library::collimation_replay::write_look;
use crate::library::collimations::Record;
use crate::startest::report::Report;

/// A star check, as entered: its fields, or that the ring is even all round.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
pub struct LookFields(ByEyeFields);

impl TryFrom<Vec<(String, String)>> for LookFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        let mut eye: ByEyeFields = part(&pairs)?;
        if pairs.iter().any(|(name, is)| name == "even" && is == "yes") {
            eye.star_ratio = "1.0".to_owned();
            eye.star_clock = String::new();
        }
        Ok(Self(eye))
    }
}

/// A look by eye.
pub async fn look(
    Taken {
        step,
        fields: LookFields(fields),
    }: Taken<LookFields>,
) -> Result<Response, Error> {
    let instrument = step.instrument().await?;
    let mut errors = FormErrors::new();
    let told = fields.check(&mut errors);
    if let Some(told) = &told {
        if told.thin_to_thick < LEAST_RATIO {
            errors.add(
                "star_ratio",
                "Thin side against thick side: the shadow almost touches the rim. Go twice as far out of focus and look again.",
            );
        } else if told.thin_clock_deg.is_none() && told.thin_to_thick < 0.95 {
            errors.add(
                "star_clock",
                "Where is the thin side: an uneven ring has one. Tap it on the clock.",
            );
        }
    }
    let test = told.and_then(|told| match told.star_test(&instrument) {
        Ok(test) => Some(test),
        Err((field, why)) => {
            errors.add(field, why);
            None
        }
    });
    let (Some(test), true) = (test, errors.is_empty()) else {
        let typed = Typed {
            eye: Some(fields),
            ..Typed::default()
        };
        return step.mend(typed, errors).await;
    };
    let told = (&test, instrument.aperture_mm);
    step.write("Saved.", async |conn, place| {
        write_look(
            conn,
            &step.collimation,
            place.ordinal,
            told,
            place.by,
            place.at,
        )
        .await
    })
    .await
}

/// Which measurement.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct MeasuredFields {
    attempt: String,
}

/// Takes a measurement of frames into the collimation session; its star test is in the
/// logbook already.
pub async fn measured(Taken { step, fields }: Taken<MeasuredFields>) -> Result<Response, Error> {
    let attempt: AttemptId = fields
        .attempt
        .parse()
        .map_err(|_| Error::BadRequest("Choose a measurement.".to_owned()))?;
    let attempt = Attempt::get(&mut *step.context().read().await?, attempt).await?;
    let report: Option<Report> = attempt
        .report
        .as_deref()
        .and_then(|text| serde_json::from_str(text).ok());
    let wavefront = report.and_then(|r| r.wavefront);
    let (true, AttemptState::Measured, Some(w)) = (
        attempt.instrument_id == step.collimation.instrument_id,
        attempt.state,
        wavefront,
    ) else {
        return Err(Error::Refused(
            "That set of frames has no measurement for this instrument.".to_owned(),
        ));
    };
    if !usable(&step.collimation, &attempt) {
        return Err(Error::Refused(
            "Those frames were sent before the last look or turn of this collimation session. Take new ones of the star as it stands now.".to_owned(),
        ));
    }
    // Shades made with the stills say how these lie, whatever lay before.
    let told: Option<Circumstances> = serde_json::from_str(&attempt.circumstances).ok();
    let mut anew = !step.progress().await?.course.shades().is_empty();
    let mut steps = Vec::new();
    for shade in told.into_iter().flat_map(|t| t.shades) {
        steps.push(Step::Shade { shade, anew });
        anew = false;
    }
    steps.push(Step::Look {
        coma: [w.coma_x_waves, w.coma_y_waves],
        sigma: w.coma_component_sigma_waves,
        eye: None,
    });
    let records = steps.into_iter().map(|taken| Record::Taken { taken });
    step.records(&records.collect::<Vec<_>>()).await
}

/// A mark, as told.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct MarkFields {
    mark_mm: String,
    mark_clock: String,
}

/// A look at a mark.
pub async fn mark(Taken { step, fields }: Taken<MarkFields>) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let mm = errors.number("mark_mm", "Off by", &fields.mark_mm, 0.0..=200.0);
    let clock = hour_deg(&fields.mark_clock);
    if clock.is_none() && mm > 0.0 {
        errors.add(
            "mark_clock",
            "Towards: say which clock position of the tube it is off towards.",
        );
    }
    if !errors.is_empty() {
        let typed = Typed {
            mark_mm: fields.mark_mm,
            mark_clock: fields.mark_clock,
            ..Typed::default()
        };
        return step.mend(typed, errors).await;
    }
    let (s, c) = clock.unwrap_or(0.0).to_radians().sin_cos();
    let taken = Step::Look {
        coma: [mm * s, mm * c],
        sigma: MARK_SIGMA_MM,
        eye: None,
    };
    step.take(taken).await
}

/// A look at the four edges of the field.
pub async fn four_stars(Taken { step, fields }: Taken<CornerFields>) -> Result<Response, Error> {
    let instrument = step.instrument().await?;
    let mut errors = FormErrors::new();
    let Some(stars) = fields.check(instrument.aperture_mm, &mut errors) else {
        let typed = Typed {
            corners: Some(fields),
            ..Typed::default()
        };
        return step.mend(typed, errors).await;
    };
    step.take(stars.step()).await
}
