//! Barrel checks: a look through both barrels of a binocular, by eye or by pictures, and
//! what came of the last one.

mod by_eye;
mod pictures;

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Path;
use super::fields::FormErrors;
use super::measures::typed_length;
use super::page::{Layout, RequestContext, page};
use super::{Error, address, show};
use crate::library::barrel_checks::{self, BarrelCheck, LoggedBarrelCheck};
use crate::library::club::{Club, Units};
use crate::library::instruments::{Check, Instrument};
use crate::library::measures::{INCH_MM, Misread, Quantity};
use crate::library::{Conn, adjusters};
use crate::optics::barrels::{Accepted, Angle, Apart, Judged, Verdict, figure, parallax};
use crate::upkeep::ShelfRow;
use by_eye::EyeFields;
use pictures::PictureFields;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/barrels", show_form),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/barrels/eye",
            by_eye::log,
        ),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/barrels/pictures",
            pictures::measure_and_log,
        )
        .holding(pictures::limits()),
    ]
}

/// "convergence 12′ ± 6′, step 5′ ± 3′ (left higher), turn not looked at", at the eye.
pub fn apart_words(apart: &Apart) -> String {
    let side = if apart.convergence.arcmin < 0.0 {
        "divergence"
    } else {
        "convergence"
    };
    let mut words = format!(
        "{side} {}, step {}{}",
        size(apart.convergence),
        size(apart.step),
        match figure(apart.step.arcmin, 0).as_str() {
            "0" => "",
            negative if negative.starts_with('-') => " (right higher)",
            _ => " (left higher)",
        }
    );
    if let Some(turn) = apart.turn {
        words.push_str(&format!(", turn {}", size(turn)));
    }
    words
}

/// "12′ ± 3′", without its sign.
fn size(angle: Angle) -> String {
    format!(
        "{}\u{2032} \u{b1} {}\u{2032}",
        figure(angle.arcmin.abs(), 0),
        figure(angle.sigma_arcmin.max(1.0), 0)
    )
}

/// What both forms begin with: magnification, "yes" for no hinge, objectives apart.
struct Begun {
    magnification: String,
    no_hinge: String,
    objectives: String,
}

impl Begun {
    /// As told at the last check, where there was one; `objectives` as typed then, or "".
    fn after(
        before: Option<&LoggedBarrelCheck>,
        objectives: String,
        club: &Club,
        instrument: &Instrument,
    ) -> Self {
        Self {
            magnification: before
                .map(|b| show::trimmed(b.check.magnification, 1))
                .unwrap_or_default(),
            no_hinge: match before {
                Some(b) if !b.check.hinged => "yes".to_owned(),
                _ => String::new(),
            },
            objectives: match objectives.as_str() {
                "" => usual_apart(club, instrument),
                _ => objectives,
            },
        }
    }
}

/// What the last check saw at one opening, for the table.
struct Seen {
    opening: &'static str,
    sideways: String,
    step: String,
    turn: String,
}

/// The last check and what it says.
struct Last {
    condition: &'static str,
    sentence: String,
    reasons: Vec<String>,
    dated: String,
    seen: Vec<Seen>,
    /// What a club can do about it; empty while it is fine.
    help: Vec<String>,
    /// Where it can be undone.
    entry: String,
}

#[derive(Template)]
#[template(path = "barrels/form.html")]
struct FormPage {
    layout: Layout,
    tag: String,
    name: String,
    base: String,
    has_barrels: bool,
    accepted: Accepted,
    last: Option<Last>,
    eye: EyeFields,
    pictures: PictureFields,
    errors: FormErrors,
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    page(
        &form_page(
            &context,
            &mut conn,
            instrument,
            None,
            None,
            FormErrors::new(),
        )
        .await?,
    )
}

/// The page; what is not `None` is shown as it was typed.
async fn form_page(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: Instrument,
    eye: Option<EyeFields>,
    pictures: Option<PictureFields>,
    errors: FormErrors,
) -> Result<FormPage, Error> {
    let checks = barrel_checks::current(conn, Some(instrument.id)).await?;
    let before = checks.last();
    let eye = eye.unwrap_or_else(|| EyeFields::after(before, context.club(), &instrument));
    let pictures =
        pictures.unwrap_or_else(|| PictureFields::after(before, context.club(), &instrument));
    let has_screws = !adjusters::of(conn, instrument.id).await?.is_empty();
    let row = context.shelf_row(conn, instrument).await?;
    let last = before.and_then(|check| last(context, check, &row, has_screws));
    let instrument = row.instrument;
    Ok(FormPage {
        layout: context.layout(&format!("Barrel check of {}", instrument.tag)),
        base: address::instrument(&instrument.tag),
        has_barrels: instrument.design.check() == Check::Barrels,
        tag: instrument.particulars.tag,
        name: instrument.particulars.name,
        accepted: Accepted::PUBLISHED,
        last,
        eye,
        pictures,
        errors,
    })
}

fn last(
    context: &RequestContext,
    check: &LoggedBarrelCheck,
    row: &ShelfRow,
    has_screws: bool,
) -> Option<Last> {
    let judged = check.check.judged(&row.assessment.limits.barrels())?;
    let (condition, sentence) = match judged.verdict {
        Verdict::Fine => ("ready", "Fine: eyes join both pictures without effort."),
        Verdict::MayStrain => ("usable", "It may strain the eyes."),
        Verdict::NeedsBench => ("needs-bench", "Few eyes join the pictures without effort."),
        Verdict::CannotTell if judged.one_opening_only => (
            "not-checked",
            "Fine at one opening of the hinge. Look at another.",
        ),
        Verdict::CannotTell => (
            "not-checked",
            "Too coarse to tell. Look again, or measure pictures.",
        ),
    };
    let of = &check.check;
    let openings: &[&'static str] = match (of.openings.len(), of.hinged) {
        (1, false) => &["No hinge"],
        (1, true) => &["One opening"],
        _ => &["First opening", "Second opening"],
    };
    let mut reasons = Vec::new();
    if judged.holds_at_one_only {
        reasons.push(
            "The barrels are parallel at one opening of the hinge only, so they are not parallel to the hinge."
                .to_owned(),
        );
    }
    Some(Last {
        condition,
        sentence: sentence.to_owned(),
        reasons,
        dated: format!(
            "Checked on {}, {}, at {}\u{d7}",
            show::date(context.club(), check.happened_at),
            of.way,
            show::trimmed(of.magnification, 1)
        ),
        seen: of
            .openings
            .iter()
            .zip(openings)
            .map(|(apart, opening)| seen(apart, opening))
            .collect(),
        help: help(&judged, has_screws),
        entry: format!(
            "{}/logbook/{}",
            address::instrument(&row.instrument.tag),
            check.entry_id
        ),
    })
}

fn seen(apart: &Apart, opening: &'static str) -> Seen {
    let with = |angle: Angle, [positive, negative]: [&str; 2]| match figure(angle.arcmin, 0) {
        nothing if nothing == "0" => size(angle),
        negatively if negatively.starts_with('-') => format!("{}, {negative}", size(angle)),
        _ => format!("{}, {positive}", size(angle)),
    };
    Seen {
        opening,
        sideways: with(apart.convergence, ["eyes turn in", "eyes turn out"]),
        step: with(apart.step, ["left higher", "right higher"]),
        turn: apart.turn.map_or_else(
            || "not looked at".to_owned(),
            |turn| with(turn, ["left clockwise", "left anticlockwise"]),
        ),
    }
}

/// What a club can do: common practice, no source.
fn help(judged: &Judged, has_screws: bool) -> Vec<String> {
    if judged.verdict < Verdict::MayStrain {
        return Vec::new();
    }
    let turned = judged.worst.part == crate::optics::barrels::Part::Turn;
    let mut help = Vec::new();
    if turned {
        help.push("A turned picture comes from a prism that sits askew. A club does not open that: send it to a repairer.".to_owned());
        return help;
    }
    if judged.holds_at_one_only {
        help.push("What holds at one opening only must be set to the hinge as well. That needs a repairer's bench; a club can only set it for the one person who uses it.".to_owned());
    }
    if has_screws {
        help.push("The register has tilt screws for it. Turn one by 1/16 turn (22\u{b0}), note which way, and look again at both openings.".to_owned());
        help.push("Better: go on with that screw. Worse: turn it back and try the other. Stop after 1/4 turn in all: then a prism has moved and it goes to a repairer.".to_owned());
    } else {
        help.push("Some models have eccentric rings around the front lenses, under the trim. Turn one ring a little, look again at both openings, and go back where it gets worse.".to_owned());
        help.push("The register has no tilt screws for it. Where you find neither rings nor screws, send it to a repairer: forcing the barrels bends the hinge.".to_owned());
    }
    help
}

fn refuse_others(instrument: &Instrument) -> Result<(), Error> {
    if instrument.design.check() == Check::Barrels {
        return Ok(());
    }
    Err(Error::Refused(format!(
        "{} is no binocular: a barrel check says nothing of it.",
        instrument.tag
    )))
}

/// What both ways ask for.
struct Circumstances {
    magnification: f64,
    hinged: bool,
    distance_m: Option<f64>,
    objectives_apart_mm: f64,
}

/// How well a distance is told, as a share (our choice).
const DISTANCE_SHARE: f64 = 0.05;

impl Circumstances {
    fn read(
        errors: &mut FormErrors,
        [magnification, no_hinge, distance, objectives]: [(&str, &str); 4],
    ) -> Option<Self> {
        let (field, typed) = magnification;
        let magnification = errors.number(field, "Magnification", typed, 2.0..=60.0);
        let (field, typed) = distance;
        let distance_m = if typed.trim().is_empty() {
            None
        } else {
            let bounds = 20_000.0..=50_000_000.0;
            match Quantity::LengthMm.read_within(typed, 1000.0, &bounds) {
                Ok(mm) => Some(mm / 1000.0),
                Err(wrong) => {
                    let found = match wrong {
                        Misread::NotOne => String::new(),
                        Misread::OutOfBounds(mm) => {
                            format!("that is {} m; ", show::trimmed(mm / 1000.0, 1))
                        }
                    };
                    errors.add(field, format!("Distance of the target: {found}give it in metres, 20 or more, or with its unit, as 500 yd. Leave it empty at a star."));
                    None
                }
            }
        };
        let (field, typed) = objectives;
        let objectives_apart_mm =
            errors.length_mm(field, "Between the front lenses", typed, 30.0..=400.0);
        errors.is_empty().then_some(Self {
            magnification,
            hinged: no_hinge.1 != "yes",
            distance_m,
            objectives_apart_mm,
        })
    }

    /// The check, from how far apart both pictures were seen.
    fn check(&self, way: barrel_checks::Way, seen: Vec<Apart>, judged: String) -> BarrelCheck {
        BarrelCheck {
            way,
            magnification: self.magnification,
            hinged: self.hinged,
            distance_m: self.distance_m,
            openings: seen,
            judged,
        }
    }

    /// How good barrels converge on the target, at the eye.
    fn parallax(&self) -> Angle {
        self.distance_m.map_or(Angle::new(0.0, 0.0), |distance| {
            parallax(
                self.objectives_apart_mm,
                distance,
                DISTANCE_SHARE * distance,
                self.magnification,
            )
        })
    }
}

/// What the form begins with: as told at the last check, else a usual distance between
/// the lenses (prisms that step outwards; common practice, no source).
fn usual_apart(club: &Club, instrument: &Instrument) -> String {
    let mm = (instrument.aperture_mm + 60.0).max(100.0);
    match club.units {
        Units::Metric => typed_length(club, mm.round()),
        Units::Imperial => typed_length(club, (mm / INCH_MM).round() * INCH_MM),
    }
}
