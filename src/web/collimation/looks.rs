//! Looks: at a star by eye, by a measurement of frames, at a mark, at the four
//! edges of the field.

use axum::response::Response;
use serde::Deserialize;

use super::super::Error;
use super::super::by_eye_form::ByEyeFields;
use super::super::fields::{FormErrors, part};
use super::page::{Typed, usable};
use super::taking::{Taken, hour_deg, leads_back};
use crate::bench::advice::LEAST_RATIO;
use crate::bench::corners::{self, Drawn, FourStars, Oval};
use crate::bench::mechanical::MARK_SIGMA_MM;
use crate::bench::replay::Step;
use crate::library::AttemptId;
use crate::library::attempts::{Attempt, AttemptState};
use crate::library::collimation_replay;
use crate::library::instruments::Instrument;
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
        mut step,
        fields: LookFields(fields),
    }: Taken<LookFields>,
) -> Result<Response, Error> {
    let by = step.context().person()?.id;
    let which = step.collimation.instrument_id;
    let instrument = Instrument::get(step.conn(), which).await?;
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
    let (now, ordinal) = (step.context().now(), step.ordinal());
    let collimation = step.collimation.clone();
    let told = (&test, instrument.aperture_mm);
    collimation_replay::write_look(step.conn(), &collimation, ordinal, told, by, now)
        .await
        .map_err(|e| leads_back(e, collimation.id))?;
    step.finish("Saved.").await
}

/// Which measurement.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct MeasuredFields {
    attempt: String,
}

/// Takes a measurement of frames into the collimation session; its star test is in the
/// logbook already.
pub async fn measured(
    Taken { mut step, fields }: Taken<MeasuredFields>,
) -> Result<Response, Error> {
    let attempt: AttemptId = fields
        .attempt
        .parse()
        .map_err(|_| Error::BadRequest("Choose a measurement.".to_owned()))?;
    let attempt = Attempt::get(step.conn(), attempt).await?;
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
    let taken = Step::Look {
        coma: [w.coma_x_waves, w.coma_y_waves],
        sigma: w.coma_component_sigma_waves,
        eye: None,
    };
    step.take(taken, None).await
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
    step.take(taken, None).await
}

/// Four stars, as told: at 12, 3, 6 and 9 o'clock of the picture.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct CornerFields {
    /// Side of focus.
    pub edge_side: String,
    /// How wide the donut is, arc seconds.
    pub edge_width: String,
    /// How far from the middle, arc minutes.
    pub edge_arcmin: String,
    /// Which way each is drawn out.
    pub drawn: Vec<String>,
    /// Short diameter over long one of each.
    pub oval: Vec<String>,
}

impl CornerFields {
    fn check(&self, aperture_mm: f64, errors: &mut FormErrors) -> Option<FourStars> {
        let inside = match self.edge_side.as_str() {
            "inside" => Some(true),
            "outside" => Some(false),
            _ => {
                errors.add(
                    "edge_side",
                    "Side of focus: say which; without it the direction of the lean cannot be told.",
                );
                None
            }
        };
        let width = errors.number(
            "edge_width",
            "Donut\u{2019}s width",
            &self.edge_width,
            2.0..=200.0,
        );
        let edge = errors.number(
            "edge_arcmin",
            "From the middle",
            &self.edge_arcmin,
            3.0..=90.0,
        );
        let mut ovals = [Oval {
            drawn: Drawn::Round,
            ratio: 1.0,
        }; 4];
        for (i, oval) in ovals.iter_mut().enumerate() {
            let field = format!("oval-{i}");
            let side = ["12", "3", "6", "9"][i];
            oval.drawn = match self.drawn.get(i).map(String::as_str) {
                Some("round") => Drawn::Round,
                Some("middle") => Drawn::ToTheMiddle,
                Some("across") => Drawn::Across,
                _ => {
                    errors.add(
                        &field,
                        format!("Star at {side} o\u{2019}clock: say what it looks like."),
                    );
                    continue;
                }
            };
            if oval.drawn == Drawn::Round {
                continue;
            }
            let typed = self.oval.get(i).map_or("", String::as_str);
            let label = format!("Short over long at {side} o\u{2019}clock");
            match errors.optional_number(&field, &label, typed, 0.0..=1.0) {
                Some(ratio) if ratio < corners::LEAST_RATIO => errors.add(
                    &field,
                    format!("{label}: so drawn out it cannot be told. Go twice as far out of focus for all four, and say how wide the donut is then."),
                ),
                Some(ratio) => oval.ratio = ratio,
                None if errors.of(&field).is_empty() => {
                    errors.add(&field, format!("{label}: please fill this in."));
                }
                None => {}
            }
        }
        let inside = inside.filter(|_| errors.is_empty())?;
        Some(FourStars {
            ovals,
            inside,
            defocus_waves: corners::waves_of_width(width, aperture_mm),
            edge_arcmin: edge,
        })
    }
}

/// A look at the four edges of the field.
pub async fn four_stars(
    Taken { mut step, fields }: Taken<CornerFields>,
) -> Result<Response, Error> {
    let which = step.collimation.instrument_id;
    let instrument = Instrument::get(step.conn(), which).await?;
    let mut errors = FormErrors::new();
    let Some(stars) = fields.check(instrument.aperture_mm, &mut errors) else {
        let typed = Typed {
            corners: Some(fields),
            ..Typed::default()
        };
        return step.mend(typed, errors).await;
    };
    step.take(stars.step(), None).await
}
