//! A barrel check by eye.

use axum::response::Response;

use super::{Begun, Circumstances, form_page, refuse_others};
use crate::library::barrel_checks::{LoggedBarrelCheck, Way, by_eye};
use crate::library::club::{Club, Units};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::Instrument;
use crate::library::measures::{INCH_MM, Quantity, decimal};
use crate::optics::barrels::{Apart, of_width};
use crate::web::extract::{Form, Path};
use crate::web::fields::FormErrors;
use crate::web::page::{RequestContext, Submission, mend};
use crate::web::{Error, address, when};

/// The form as typed.
#[derive(Debug, Default, Clone, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub(super) struct EyeFields {
    pub magnification: String,
    pub distance: String,
    pub objectives: String,
    pub no_hinge: String,
    pub step_1: String,
    pub step_far_1: String,
    pub side_1: String,
    pub side_far_1: String,
    pub turn_1: String,
    pub turn_deg_1: String,
    pub step_2: String,
    pub step_far_2: String,
    pub side_2: String,
    pub side_far_2: String,
    pub turn_2: String,
    pub turn_deg_2: String,
    pub note: String,
    pub looked_on: String,
    pub looked_at: String,
}

/// The fields of one opening: names, and what was typed.
pub(super) struct OpeningFields<'a> {
    pub title: &'static str,
    pub hint: &'static str,
    pub step: (&'static str, &'a str),
    pub step_far: (&'static str, &'a str),
    pub side: (&'static str, &'a str),
    pub side_far: (&'static str, &'a str),
    pub turn: (&'static str, &'a str),
    pub turn_deg: (&'static str, &'a str),
}

/// The most that is taken, arc minutes at the eye: ten degrees.
const MOST_ARCMIN: f64 = 600.0;

impl EyeFields {
    /// As told at the last check, where there was one.
    pub fn after(before: Option<&LoggedBarrelCheck>, club: &Club, instrument: &Instrument) -> Self {
        let told: Self = before
            .and_then(|b| serde_json::from_str(&b.check.judged).ok())
            .unwrap_or_default();
        let begun = Begun::after(before, told.objectives, club, instrument);
        Self {
            magnification: begun.magnification,
            no_hinge: begun.no_hinge,
            objectives: begun.objectives,
            ..Self::default()
        }
    }

    pub fn openings(&self) -> [OpeningFields<'_>; 2] {
        [
            OpeningFields {
                title: "Hinge set for your eyes",
                hint: "",
                step: ("step_1", &self.step_1),
                step_far: ("step_far_1", &self.step_far_1),
                side: ("side_1", &self.side_1),
                side_far: ("side_far_1", &self.side_far_1),
                turn: ("turn_1", &self.turn_1),
                turn_deg: ("turn_deg_1", &self.turn_deg_1),
            },
            OpeningFields {
                title: "Hinge closed as far as it goes",
                hint: "Or opened wide: as far from the first as you can still look through. Leave it out where there is no hinge.",
                step: ("step_2", &self.step_2),
                step_far: ("step_far_2", &self.step_far_2),
                side: ("side_2", &self.side_2),
                side_far: ("side_far_2", &self.side_far_2),
                turn: ("turn_2", &self.turn_2),
                turn_deg: ("turn_deg_2", &self.turn_deg_2),
            },
        ]
    }

    fn check(&self, errors: &mut FormErrors, club: &Club) -> Option<(Circumstances, Vec<Apart>)> {
        let told = Circumstances::read(
            errors,
            [
                ("magnification", &self.magnification),
                ("no_hinge", &self.no_hinge),
                ("distance", &self.distance),
                ("objectives", &self.objectives),
            ],
        );
        let [first, second] = self.openings();
        let mut seen = vec![first.read(errors, club, told.as_ref())];
        if second.is_given() {
            seen.push(second.read(errors, club, told.as_ref()));
        }
        let told = told?;
        let off = told.parallax();
        let seen: Option<Vec<Apart>> = seen
            .into_iter()
            .map(|apart| {
                apart.map(|a| Apart {
                    convergence: a.convergence.minus(off),
                    ..a
                })
            })
            .collect();
        errors.is_empty().then_some((told, seen?))
    }
}

impl OpeningFields<'_> {
    fn is_given(&self) -> bool {
        !(self.step.1.is_empty() && self.side.1.is_empty())
    }

    /// At the eye, as seen.
    fn read(
        &self,
        errors: &mut FormErrors,
        club: &Club,
        told: Option<&Circumstances>,
    ) -> Option<Apart> {
        let step = sign(errors, "Step", self.step, ["left", "right"])
            .map(|sign| sign * far(errors, "Step", self.step_far, sign, club, told));
        let side = sign(errors, "Sideways", self.side, ["in", "out"])
            .map(|sign| sign * far(errors, "Sideways", self.side_far, sign, club, told));
        let turn = match self.turn.1 {
            "" => None,
            "none" => Some(0.0),
            way => {
                let sign = if way == "left" { 1.0 } else { -1.0 };
                let deg = errors.number(self.turn_deg.0, "Turn", self.turn_deg.1, 0.0..=20.0);
                Some(sign * deg * 60.0)
            }
        };
        Some(by_eye(side?, step?, turn))
    }
}

/// Which way: 0 where nothing is seen.
fn sign(
    errors: &mut FormErrors,
    label: &str,
    (field, typed): (&str, &str),
    [positive, negative]: [&str; 2],
) -> Option<f64> {
    match typed {
        "none" => Some(0.0),
        way if way == positive => Some(1.0),
        way if way == negative => Some(-1.0),
        _ => {
            errors.add(field, format!("{label}: choose one."));
            None
        }
    }
}

/// By how much, arc minutes at the eye: told so, or as a length at the target.
fn far(
    errors: &mut FormErrors,
    label: &str,
    (field, typed): (&str, &str),
    sign: f64,
    club: &Club,
    told: Option<&Circumstances>,
) -> f64 {
    if sign == 0.0 {
        return 0.0;
    }
    let plain = typed.trim();
    if let Some(number) = ["'", "\u{2032}", "\u{2019}", "arcmin", "arc minutes"]
        .iter()
        .find_map(|unit| plain.strip_suffix(unit))
    {
        match decimal(number.trim()).filter(|n| (0.0..=MOST_ARCMIN).contains(n)) {
            Some(arcmin) => return arcmin,
            None => errors.add(
                field,
                format!("{label}: give arc minutes at the eye between 0' and 600'."),
            ),
        }
        return f64::NAN;
    }
    let bare = match club.units {
        Units::Metric => 10.0,
        Units::Imperial => INCH_MM,
    };
    let Ok(width_mm) = Quantity::LengthMm.read_within(plain, bare, &(0.0..=100_000.0)) else {
        errors.add(field, format!("{label}: give how far apart both stand at the target, like 5 cm, or at the eye, like 20'."));
        return f64::NAN;
    };
    let Some(told) = told else {
        return f64::NAN;
    };
    let Some(distance_m) = told.distance_m else {
        errors.add(field, format!("{label}: a length needs the distance of the target. Give that too, or the angle at the eye, like 20'."));
        return f64::NAN;
    };
    let arcmin = of_width(width_mm, 0.0, distance_m, 0.0)
        .enlarged(told.magnification, 0.0)
        .arcmin;
    if arcmin > MOST_ARCMIN {
        errors.add(field, format!("{label}: that is more than ten degrees at the eye. Look over the length, the distance and the magnification."));
        return f64::NAN;
    }
    arcmin
}

/// A look by eye, written down.
pub(super) async fn log(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields, once }: Form<EyeFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    refuse_others(&instrument)?;
    let mut errors = FormErrors::new();
    let told = fields.check(&mut errors, context.club());
    let note = errors.optional_text("note", "Note", &fields.note, 2000);
    let at = when::read(
        &mut errors,
        ("looked_on", &fields.looked_on),
        ("looked_at", &fields.looked_at),
        context.club(),
        context.now(),
    );
    let (Some((told, seen)), Some(happened_at), true) = (told, at, errors.is_empty()) else {
        drop(write);
        let mut conn = context.read().await?;
        let form = form_page(&context, &mut conn, instrument, Some(fields), None, errors).await?;
        return mend(&form);
    };
    let typed = serde_json::to_string(&fields).map_err(|e| Error::Broken(e.to_string()))?;
    let entry = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::BarrelCheck,
        happened_at,
        recorded_at: context.now(),
        by,
        loan: None,
        note,
    };
    told.check(Way::ByEye, seen, typed)
        .log(&mut write, entry)
        .await?;
    write
        .finish(
            &format!("{}/barrels", address::instrument(&instrument.tag)),
            &format!("Barrel check of {} saved.", instrument.tag),
        )
        .await
}
