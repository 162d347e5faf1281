//! Before a collimation: what it would rest on, and its first record.

use askama::Template;
use axum::response::Response;

use super::super::extract::{Form, Path};
use super::super::fields::FormErrors;
use super::super::page::{Layout as PageLayout, RequestContext, Submission, mend, page, see_other};
use super::super::{Error, address, show, star_test};
use super::collimation_address;
use crate::bench::before;
use crate::bench::plan::Work;
use crate::bench::words::work_words;
use crate::library::Conn;
use crate::library::collimation_lists;
use crate::library::collimation_replay::{has_glass_front, plan_of, setup};
use crate::library::collimations::{self, Collimation, SessionSetup, layout_of, usual_focuser_deg};
use crate::library::instruments::{Check, Instrument};
use crate::optics::prescription::{Layout, Numbers, Prescription};

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
pub struct StartFields {
    diagonal: String,
    focuser_clock: String,
    primary_ratio: String,
    back_focus: String,
}

#[derive(Template)]
#[template(path = "collimation/start.html")]
struct StartPage {
    layout: PageLayout,
    tag: String,
    name: String,
    base: String,
    form: StartFields,
    errors: FormErrors,
    has_mirrors: bool,
    has_focuser: bool,
    takes_star_test: bool,
    has_barrels: bool,
    stages: Vec<&'static str>,
    plan_words: String,
    points: Vec<before::Point>,
    screws: usize,
    /// Whether screws matter to this design at all.
    turns: bool,
}

/// What a collimation session with this instrument would rest on.
async fn setup_of(
    conn: &mut Conn,
    context: &RequestContext,
    instrument: &Instrument,
    form: &StartFields,
    errors: &mut FormErrors,
) -> Result<SessionSetup, Error> {
    let row = context.shelf_row(conn, instrument.clone()).await?;
    let layout = layout_of(instrument.design);
    let (aperture, focal) = (instrument.aperture_mm, instrument.focal_mm);
    let usual = Numbers::usual(layout.unwrap_or(Layout::Refractor), aperture, focal);
    let ratio = errors.optional_number(
        "primary_ratio",
        "Focal ratio of the primary",
        &form.primary_ratio,
        1.0..=20.0,
    );
    let back =
        errors.optional_length_mm("back_focus", "Back focus", &form.back_focus, 0.0..=3000.0);
    let focuser = super::draw::hour_deg(&form.focuser_clock);
    if layout == Some(Layout::Newtonian) && focuser.is_none() && !form.focuser_clock.is_empty() {
        errors.add("focuser_clock", "Focuser: choose its clock position.");
    }
    let numbers = Numbers {
        primary_ratio: ratio.unwrap_or(usual.primary_ratio),
        back_focus_mm: back.unwrap_or(usual.back_focus_mm),
        ..usual
    };
    Ok(setup(
        conn,
        instrument,
        Some(numbers),
        form.diagonal == "yes",
        focuser.unwrap_or_else(usual_focuser_deg),
        row.assessment.limits.coma_bench.value,
    )
    .await?)
}

fn start_page(
    context: &RequestContext,
    instrument: &Instrument,
    setup: &SessionSetup,
    form: StartFields,
    errors: FormErrors,
) -> StartPage {
    let (_, plan) = plan_of(setup);
    StartPage {
        layout: context.layout(&format!("A collimation session with {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        base: address::instrument(&instrument.tag),
        has_mirrors: matches!(
            setup.layout,
            Some(
                Layout::SchmidtCassegrain
                    | Layout::AplanaticSchmidtCassegrain
                    | Layout::ClassicalCassegrain
                    | Layout::RitcheyChretien
                    | Layout::MaksutovCassegrain
            )
        ),
        has_focuser: setup.layout == Some(Layout::Newtonian),
        takes_star_test: instrument.design.takes_star_test(),
        has_barrels: instrument.design.check() == Check::Barrels,
        stages: plan.stages.iter().map(|w| work_words(*w)).collect(),
        plan_words: plan.words,
        points: points(instrument, setup),
        screws: setup.screws.len(),
        turns: !matches!(setup.layout, Some(Layout::Refractor) | None),
        form,
        errors,
    }
}

/// What comes before, for this instrument.
pub fn points(instrument: &Instrument, setup: &SessionSetup) -> Vec<before::Point> {
    before::list(&before::Tube {
        aperture_mm: instrument.aperture_mm,
        cool_down_min: instrument.cool_down_min,
        uses_diagonal: setup.diagonal,
        open_front: !has_glass_front(setup.layout),
        // A Newtonian and most two-mirror designs have it; those corrected for it
        // (aplanatic) and lenses do not (Schroeder, Astronomical Optics, ch. 6; from
        // memory).
        coma_off_axis: matches!(
            setup.layout,
            Some(
                Layout::Newtonian
                    | Layout::SchmidtCassegrain
                    | Layout::ClassicalCassegrain
                    | Layout::MaksutovCassegrain
            )
        ),
    })
}

pub async fn show_start(
    context: RequestContext,
    Path(tag): Path<String>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    if let Some(open) = collimations::open(&mut conn, instrument.id).await? {
        return Ok(see_other(&collimation_address(open)));
    }
    // The focuser stands where it stood the last time.
    let earlier = match collimation_lists::last_ended(&mut conn, instrument.id).await? {
        Some(id) => Collimation::get(&mut conn, id).await?.setup.focuser_deg,
        None => usual_focuser_deg(),
    };
    let blank = StartFields {
        focuser_clock: super::draw::hour_of(earlier),
        diagonal: if instrument.uses_diagonal { "yes" } else { "" }.to_owned(),
        ..StartFields::default()
    };
    let mut none = FormErrors::new();
    let setup = setup_of(&mut conn, &context, &instrument, &blank, &mut none).await?;
    let filled = StartFields {
        primary_ratio: show::trimmed(setup.numbers.primary_ratio, 2),
        back_focus: show::trimmed(setup.numbers.back_focus_mm, 0),
        ..blank
    };
    page(&start_page(&context, &instrument, &setup, filled, none))
}

pub async fn start(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields, once }: Form<StartFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    if !instrument.design.takes_star_test() {
        return Err(Error::Refused(star_test::no_star_test(&instrument)));
    }
    let mut errors = FormErrors::new();
    let setup = setup_of(&mut write, &context, &instrument, &fields, &mut errors).await?;
    if errors.is_empty()
        && let Some(layout) = setup.layout
        && let Err(why) = Prescription::new(layout, setup.numbers)
    {
        errors.add("primary_ratio", format!("Optics: {why}."));
    }
    if !errors.is_empty() {
        drop(write);
        return mend(&start_page(&context, &instrument, &setup, fields, errors));
    }
    let (_, plan) = plan_of(&setup);
    let first = plan.stages.first().copied().unwrap_or(Work::LookOnly);
    let id = collimations::begin(&mut write, &instrument, &setup, first, by, context.now()).await?;
    write.finish(&collimation_address(id), "").await
}
