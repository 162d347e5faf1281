//! A sitting at the bench: from the first look to "stop here". Every step is
//! written down before the next screen is shown, so that a phone may sleep and
//! a second volunteer may go on.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::by_eye_form::ByEyeFields;
use super::extract::{Form, Path};
use super::fields::Mends;
use super::page::{Arrival, Chrome, Desk, mend, page, see_other};
use super::sitting_page::{Typed, sitting_page};
use super::sitting_state::{Standing, has_glass_front, plan_of, standing, work_words};
use super::{Error, address};
use crate::bench::advice::{Feel, LEAST_RATIO, Next, PARTS};
use crate::bench::before;
use crate::bench::course::Step;
use crate::bench::mechanical::MARK_SIGMA_MM;
use crate::bench::orientation::{Shade, Side};
use crate::bench::plan::Work;
use crate::library::adjusters;
use crate::library::attempts::{Attempt, AttemptState};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::Instrument;
use crate::library::sittings::{self, Ground, Outcome, Record, Sitting, layout_of, screw_of};
use crate::library::works::{Work as BenchWork, WorkWhat};
use crate::library::{AttemptId, Conn, EntryId, SittingId};
use crate::optics::prescription::{Layout, Numbers};
use crate::startest::report::Report;
use crate::upkeep;

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/instruments/{tag}/sitting", show_start),
        Route::post(Volunteer, "/instruments/{tag}/sitting", start),
        Route::get(Volunteer, "/sittings/{id}", show),
        Route::post(Volunteer, "/sittings/{id}/ready", ready),
        Route::post(Volunteer, "/sittings/{id}/shade", shade),
        Route::post(Volunteer, "/sittings/{id}/look", look),
        Route::post(Volunteer, "/sittings/{id}/measured", measured),
        Route::post(Volunteer, "/sittings/{id}/mark", mark),
        Route::post(Volunteer, "/sittings/{id}/feel", feel),
        Route::post(Volunteer, "/sittings/{id}/go", go),
        Route::post(Volunteer, "/sittings/{id}/stage", stage),
        Route::post(Volunteer, "/sittings/{id}/end", end),
    ]
}

/// Where a sitting is.
pub fn sitting_address(id: SittingId) -> String {
    format!("/sittings/{id}")
}

// ---- the start ----

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct StartFields {
    diagonal: String,
    primary_ratio: String,
    back_focus: String,
}

#[derive(Template)]
#[template(path = "sitting/start.html")]
struct StartPage {
    chrome: Chrome,
    tag: String,
    name: String,
    base: String,
    form: StartFields,
    mends: Mends,
    has_mirrors: bool,
    takes_star_test: bool,
    stages: Vec<&'static str>,
    plan_words: String,
    points: Vec<before::Point>,
    screws: usize,
}

/// What a sitting with this instrument would rest on.
async fn ground_of(
    conn: &mut Conn,
    desk: &Desk,
    instrument: &Instrument,
    form: &StartFields,
    mends: &mut Mends,
) -> Result<Ground, Error> {
    let screws = adjusters::of(conn, instrument.id).await?;
    let row = upkeep::shelf_row(conn, instrument.clone(), desk.now()).await?;
    let layout = layout_of(instrument.design);
    let (aperture, focal) = (instrument.aperture_mm, instrument.focal_mm);
    let usual = Numbers::usual(layout.unwrap_or(Layout::Refractor), aperture, focal);
    let ratio = mends.optional_number(
        "primary_ratio",
        "Focal ratio of the primary",
        &form.primary_ratio,
        1.0..=20.0,
    );
    let back = mends.optional_number("back_focus", "Back focus", &form.back_focus, 0.0..=3000.0);
    Ok(Ground {
        layout,
        numbers: Numbers {
            primary_ratio: ratio.unwrap_or(usual.primary_ratio),
            back_focus_mm: back.unwrap_or(usual.back_focus_mm),
            ..usual
        },
        obstruction: instrument.obstruction,
        diagonal: form.diagonal == "yes",
        screws: screws.iter().filter_map(screw_of).collect(),
        threshold_waves: row.assessment.limits.coma_bench.value,
    })
}

fn start_page(
    desk: &Desk,
    instrument: &Instrument,
    ground: &Ground,
    form: StartFields,
    mends: Mends,
) -> StartPage {
    let (_, plan) = plan_of(ground);
    StartPage {
        chrome: desk.chrome(&format!("A sitting with {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        base: address::instrument(&instrument.tag),
        has_mirrors: matches!(
            ground.layout,
            Some(
                Layout::SchmidtCassegrain
                    | Layout::AplanaticSchmidtCassegrain
                    | Layout::ClassicalCassegrain
                    | Layout::RitcheyChretien
                    | Layout::MaksutovCassegrain
            )
        ),
        takes_star_test: instrument.design.takes_star_test(),
        stages: plan.stages.iter().map(|w| work_words(*w)).collect(),
        plan_words: plan.words,
        points: points(instrument, ground),
        screws: ground.screws.len(),
        form,
        mends,
    }
}

/// What comes before, for this instrument.
pub(super) fn points(instrument: &Instrument, ground: &Ground) -> Vec<before::Point> {
    before::list(&before::Tube {
        aperture_mm: instrument.aperture_mm,
        cool_down_min: instrument.cool_down_min,
        uses_diagonal: ground.diagonal,
        open_front: !has_glass_front(ground.layout),
    })
}

async fn show_start(desk: Desk, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    if let Some(open) = sittings::open(&mut conn, instrument.id).await? {
        return Ok(see_other(&sitting_address(open)));
    }
    let blank = StartFields {
        diagonal: if instrument.uses_diagonal { "yes" } else { "" }.to_owned(),
        ..StartFields::default()
    };
    let mut none = Mends::new();
    let ground = ground_of(&mut conn, &desk, &instrument, &blank, &mut none).await?;
    let filled = StartFields {
        primary_ratio: super::show::trimmed(ground.numbers.primary_ratio, 2),
        back_focus: super::show::trimmed(ground.numbers.back_focus_mm, 0),
        ..blank
    };
    page(&start_page(&desk, &instrument, &ground, filled, none))
}

async fn start(
    desk: Desk,
    Path(tag): Path<String>,
    Form { fields, once }: Form<StartFields>,
) -> Result<Response, Error> {
    let by = desk.person()?.id;
    let mut write = match desk.begin(&once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    if !instrument.design.takes_star_test() {
        return Err(Error::Refused(format!(
            "{} is for the Sun only: nothing on it is turned here, and it takes no star test.",
            instrument.tag
        )));
    }
    let mut mends = Mends::new();
    let ground = ground_of(&mut write, &desk, &instrument, &fields, &mut mends).await?;
    if mends.is_empty()
        && let Some(layout) = ground.layout
        && let Err(why) = crate::optics::prescription::Prescription::new(layout, ground.numbers)
    {
        mends.add("primary_ratio", format!("Optics: {why}."));
    }
    if !mends.is_empty() {
        return mend(&start_page(&desk, &instrument, &ground, fields, mends));
    }
    let (_, plan) = plan_of(&ground);
    let first = plan.stages.first().copied().unwrap_or(Work::LookOnly);
    let id = sittings::begin(&mut write, &instrument, &ground, first, by, desk.now()).await?;
    write.finish(&sitting_address(id), "").await
}

// ---- the screens ----

async fn show(desk: Desk, Path(id): Path<SittingId>) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    let sitting = Sitting::get(&mut conn, id).await?;
    page(&sitting_page(&desk, &mut conn, &sitting, Typed::default(), Mends::new()).await?)
}

/// The common fields of every step.
#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct At {
    /// How many records the sender saw.
    at: String,
}

impl At {
    fn ordinal(&self) -> Result<i64, Error> {
        self.at.parse().map_err(|_| {
            Error::BadRequest("This form has lost its place; open the sitting again.".to_owned())
        })
    }
}

/// A step about to be written.
struct Writing {
    write: super::page::OnceWrite,
    sitting: Sitting,
    ordinal: i64,
}

enum Begun {
    Again(Response),
    First(Box<Writing>),
}

async fn begin(desk: &Desk, id: SittingId, once: &str, at: &At) -> Result<Begun, Error> {
    let ordinal = at.ordinal()?;
    let mut write = match desk.begin(once).await? {
        Arrival::Again(response) => return Ok(Begun::Again(response)),
        Arrival::First(write) => write,
    };
    let sitting = Sitting::get(&mut write, id).await?;
    Ok(Begun::First(Box::new(Writing {
        write,
        sitting,
        ordinal,
    })))
}

impl Writing {
    async fn record(
        &mut self,
        desk: &Desk,
        record: &Record,
        entry: Option<EntryId>,
    ) -> Result<(), Error> {
        let by = desk.person()?.id;
        sittings::write(
            &mut self.write,
            self.sitting.id,
            self.ordinal,
            record,
            entry,
            by,
            desk.now(),
        )
        .await?;
        self.ordinal += 1;
        Ok(())
    }

    async fn take(
        mut self,
        desk: &Desk,
        taken: Step,
        entry: Option<EntryId>,
    ) -> Result<Response, Error> {
        self.record(desk, &Record::Taken { taken }, entry).await?;
        let to = sitting_address(self.sitting.id);
        self.write.finish(&to, "Noted.").await
    }

    async fn mend(mut self, desk: &Desk, typed: Typed, mends: Mends) -> Result<Response, Error> {
        mend(&sitting_page(desk, &mut self.write, &self.sitting, typed, mends).await?)
    }

    async fn standing(&mut self) -> Result<Standing, Error> {
        standing(&mut self.write, &self.sitting).await
    }
}

macro_rules! begun {
    ($desk:expr, $id:expr, $once:expr, $at:expr) => {
        match begin($desk, $id, $once, $at).await? {
            Begun::Again(response) => return Ok(response),
            Begun::First(writing) => *writing,
        }
    };
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct ReadyFields {
    at: String,
    ready: Vec<String>,
}

async fn ready(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<ReadyFields>,
) -> Result<Response, Error> {
    let at = At { at: fields.at };
    let mut writing = begun!(&desk, id, &once, &at);
    let instrument = Instrument::get(&mut writing.write, writing.sitting.instrument_id).await?;
    let left: Vec<String> = points(&instrument, &writing.sitting.ground)
        .into_iter()
        .filter(|p| !fields.ready.iter().any(|r| r == p.code))
        .map(|p| p.ask)
        .collect();
    if !left.is_empty() {
        let mut mends = Mends::new();
        mends.add(
            "ready",
            format!(
                "Not ticked yet: {}. Tick each once it is so.",
                left.join("; ")
            ),
        );
        let typed = Typed {
            ready: fields.ready,
            ..Typed::default()
        };
        return writing.mend(&desk, typed, mends).await;
    }
    writing.record(&desk, &Record::Ready, None).await?;
    // Said, so that the browser knows its form was taken.
    writing.write.finish(&sitting_address(id), "Noted.").await
}

/// A clock hour as degrees.
fn hour_deg(typed: &str) -> Option<f64> {
    let hour: u8 = typed.trim().parse().ok()?;
    (1..=12)
        .contains(&hour)
        .then(|| f64::from(hour % 12) * 30.0)
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct ShadeFields {
    at: String,
    tube_clock: String,
    dark_clock: String,
    shade_side: String,
    anew: String,
}

async fn shade(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<ShadeFields>,
) -> Result<Response, Error> {
    let at = At {
        at: fields.at.clone(),
    };
    let writing = begun!(&desk, id, &once, &at);
    let mut mends = Mends::new();
    let tube = hour_deg(&fields.tube_clock);
    if tube.is_none() {
        mends.add(
            "tube_clock",
            "Shaded at: say which clock position of the tube was shaded.",
        );
    }
    let dark = hour_deg(&fields.dark_clock);
    if dark.is_none() {
        mends.add("dark_clock", "Dark at: say where the donut went dark.");
    }
    let side = match fields.shade_side.as_str() {
        "inside" => Side::Inside,
        "outside" => Side::Outside,
        _ => Side::Unknown,
    };
    let (Some(tube_deg), Some(picture_deg)) = (tube, dark) else {
        let typed = Typed {
            tube_clock: fields.tube_clock,
            dark_clock: fields.dark_clock,
            shade_side: fields.shade_side,
            ..Typed::default()
        };
        return writing.mend(&desk, typed, mends).await;
    };
    let taken = Step::Shade {
        shade: Shade {
            tube_deg,
            picture_deg,
            side,
        },
        anew: fields.anew == "yes",
    };
    writing.take(&desk, taken, None).await
}

/// A look by eye, as typed.
#[derive(Debug, Default, serde::Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
struct LookFields {
    eye: ByEyeFields,
    at: At,
}

impl TryFrom<Vec<(String, String)>> for LookFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            eye: super::fields::part(&pairs)?,
            at: super::fields::part(&pairs)?,
        })
    }
}

async fn look(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<LookFields>,
) -> Result<Response, Error> {
    let by = desk.person()?.id;
    let mut writing = begun!(&desk, id, &once, &fields.at);
    let instrument = Instrument::get(&mut writing.write, writing.sitting.instrument_id).await?;
    let mut mends = Mends::new();
    let told = fields.eye.check(&mut mends);
    if let Some(told) = &told {
        if told.thin_to_thick < LEAST_RATIO {
            mends.add(
                "star_ratio",
                "Thin side against thick side: the shadow almost touches the rim, and that says no more than \"at least so much\". Go twice as far out of focus and look again.",
            );
        } else if told.thin_clock_deg.is_none() && told.thin_to_thick < 0.95 {
            mends.add(
                "star_clock",
                "Where is the thin side: an uneven ring has one, and without it no screw can be named.",
            );
        }
    }
    let test = told.and_then(|told| match told.star_test(&instrument) {
        Ok(test) => Some(test),
        Err((field, why)) => {
            mends.add(field, why);
            None
        }
    });
    let (Some(test), true) = (test, mends.is_empty()) else {
        let typed = Typed {
            eye: Some(fields.eye),
            ..Typed::default()
        };
        return writing.mend(&desk, typed, mends).await;
    };
    let (s, c) = test.thin_clock_deg.unwrap_or(0.0).to_radians().sin_cos();
    let size = if test.thin_clock_deg.is_some() {
        test.coma_rms_waves
    } else {
        0.0
    };
    // The coma vector points away from the thin side.
    let taken = Step::Look {
        coma: [-size * s, -size * c],
        sigma: test.coma_rms_waves_sigma,
    };
    let entry = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::StarTest,
        happened_at: desk.now(),
        recorded_at: desk.now(),
        by,
        loan: None,
        note: "At a sitting.".to_owned(),
    };
    let entry = test.log(&mut writing.write, entry).await?;
    writing.take(&desk, taken, Some(entry)).await
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct MeasuredFields {
    at: String,
    attempt: String,
}

/// Takes a measurement of frames into the sitting; its star test is in the
/// logbook already.
async fn measured(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<MeasuredFields>,
) -> Result<Response, Error> {
    let at = At { at: fields.at };
    let mut writing = begun!(&desk, id, &once, &at);
    let attempt: AttemptId = fields
        .attempt
        .parse()
        .map_err(|_| Error::BadRequest("Choose a measurement.".to_owned()))?;
    let attempt = Attempt::get(&mut writing.write, attempt).await?;
    let report: Option<Report> = attempt
        .report
        .as_deref()
        .and_then(|text| serde_json::from_str(text).ok());
    let wavefront = report.and_then(|r| r.wavefront);
    let (true, AttemptState::Measured, Some(w)) = (
        attempt.instrument_id == writing.sitting.instrument_id,
        attempt.state,
        wavefront,
    ) else {
        return Err(Error::Refused(
            "That set of frames has no measurement for this instrument.".to_owned(),
        ));
    };
    let taken = Step::Look {
        coma: [w.coma_x_waves, w.coma_y_waves],
        sigma: w.coma_component_sigma_waves,
    };
    writing.take(&desk, taken, None).await
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct MarkFields {
    at: String,
    mark_mm: String,
    mark_clock: String,
}

async fn mark(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<MarkFields>,
) -> Result<Response, Error> {
    let at = At {
        at: fields.at.clone(),
    };
    let writing = begun!(&desk, id, &once, &at);
    let mut mends = Mends::new();
    let mm = mends.number("mark_mm", "Off by", &fields.mark_mm, 0.0..=200.0);
    let clock = hour_deg(&fields.mark_clock);
    if clock.is_none() && mm > 0.0 {
        mends.add(
            "mark_clock",
            "Towards: say which clock position of the tube it is off towards.",
        );
    }
    if !mends.is_empty() {
        let typed = Typed {
            mark_mm: fields.mark_mm,
            mark_clock: fields.mark_clock,
            ..Typed::default()
        };
        return writing.mend(&desk, typed, mends).await;
    }
    let (s, c) = clock.unwrap_or(0.0).to_radians().sin_cos();
    let taken = Step::Look {
        coma: [mm * s, mm * c],
        sigma: MARK_SIGMA_MM,
    };
    writing.take(&desk, taken, None).await
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct GoFields {
    at: String,
    parts: String,
    own: Vec<String>,
    jump_clock: String,
    feel: Vec<String>,
}

fn feel_of(typed: &[String]) -> Vec<Feel> {
    typed
        .iter()
        .map(|t| match t.as_str() {
            "tight" => Feel::Tight,
            "loose" => Feel::Loose,
            _ => Feel::Even,
        })
        .collect()
}

async fn feel(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<GoFields>,
) -> Result<Response, Error> {
    let at = At { at: fields.at };
    let writing = begun!(&desk, id, &once, &at);
    let feel = feel_of(&fields.feel);
    writing.take(&desk, Step::Feel { feel }, None).await
}

async fn go(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<GoFields>,
) -> Result<Response, Error> {
    let at = At {
        at: fields.at.clone(),
    };
    let mut writing = begun!(&desk, id, &once, &at);
    let screws = writing.standing().await?.course.footing().screws.len();
    let mut mends = Mends::new();
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
                let sixteenths = mends
                    .optional_number(&format!("own-{i}"), "Turned", typed, -16.0..=16.0)
                    .unwrap_or(0.0);
                (sixteenths * f64::from(PARTS) / 16.0).round() as i32
            })
            .collect();
    }
    if parts.len() != screws || parts.iter().any(|p| p.abs() > PARTS) {
        mends.add("own-0", "Turned: give sixteenths of a turn for each screw.");
    }
    if !mends.is_empty() {
        let typed = Typed {
            own: fields.own,
            ..Typed::default()
        };
        return writing.mend(&desk, typed, mends).await;
    }
    let taken = Step::Go {
        parts,
        jump_deg: hour_deg(&fields.jump_clock),
        feel: Vec::new(),
    };
    writing.take(&desk, taken, None).await
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct StageFields {
    at: String,
    to: String,
}

/// On to the next stage, or back to the star's screws after the corners.
async fn stage(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<StageFields>,
) -> Result<Response, Error> {
    let at = At { at: fields.at };
    let mut writing = begun!(&desk, id, &once, &at);
    let now = writing.standing().await?;
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
    writing.record(&desk, &Record::Stage { work }, None).await?;
    // Said, so that the browser knows its form was taken.
    writing.write.finish(&sitting_address(id), "Noted.").await
}

async fn end(
    desk: Desk,
    Path(id): Path<SittingId>,
    Form { fields, once }: Form<At>,
) -> Result<Response, Error> {
    let by = desk.person()?.id;
    let mut writing = begun!(&desk, id, &once, &fields);
    if writing.sitting.ended.is_some() || writing.ordinal != writing.sitting.steps.len() as i64 {
        return Err(Error::Refused(
            "Someone has gone on with this sitting meanwhile, or ended it. Open it again to see where it stands.".to_owned(),
        ));
    }
    let now = writing.standing().await?;
    let stop = match now.course.next() {
        Next::Stop(stop) if now.at_star() => Some(stop),
        _ => None,
    };
    let seen = now.at_star() && now.course.response().looks() > 0;
    let (coma, spread) = now.course.response().coma();
    let after = seen.then(|| (coma.norm(), (spread.trace() / 2.0).max(0.0).sqrt()));
    let outcome = Outcome {
        why: stop.map(|s| s.why),
        before: now.before,
        after,
        chance_within: after.map(|_| {
            now.course
                .response()
                .chance_within(writing.sitting.ground.threshold_waves)
        }),
        goes: now.goes,
        looks: now.looks,
        better_night: stop.is_some_and(|s| s.better_night),
    };
    let mut words = format!(
        "Sitting: {}, {}.",
        counted(now.goes, "turn of the screws", "turns of the screws"),
        counted(now.looks, "look at the star", "looks at the star")
    );
    if let (Some((b, _)), Some((a, s))) = (outcome.before, after) {
        words.push_str(&format!(
            " Coma {b:.2} before, {a:.3} \u{b1} {s:.3} waves RMS after."
        ));
    }
    let entry = BenchWork {
        what: if now.goes > 0 {
            WorkWhat::Collimation
        } else {
            WorkWhat::Inspection
        },
        minutes: Some(
            (desk.now() - writing.sitting.started_at)
                .num_minutes()
                .clamp(0, 10_000),
        ),
        moved_optics: now.goes > 0,
        words,
        settles: Vec::new(),
    }
    .log(
        &mut writing.write,
        NewEntry {
            instrument: writing.sitting.instrument_id,
            kind: EntryKind::Work,
            // The looks after the last turn still say how it stands.
            happened_at: now.last_go.unwrap_or(desk.now()),
            recorded_at: desk.now(),
            by,
            loan: None,
            note: String::new(),
        },
    )
    .await?;
    if let Work::Star(element) = now.work
        && now.goes > 0
        && let Some(learnt) = now.course.response().learnt()
    {
        sittings::keep_learnt(
            &mut writing.write,
            &writing.sitting,
            element,
            &now.course.footing().screws,
            &learnt,
            desk.now(),
        )
        .await?;
    }
    sittings::end(
        &mut writing.write,
        id,
        &outcome,
        Some(entry),
        by,
        desk.now(),
    )
    .await?;
    writing
        .write
        .finish(&sitting_address(id), "The sitting is in the logbook.")
        .await
}

fn counted(n: usize, one: &str, many: &str) -> String {
    match n {
        0 => format!("no {many}"),
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    }
}
