//! Work nights: planning one, giving it instruments (the most urgent first),
//! the sheet to print for it, and ticking off.

use std::collections::{HashMap, HashSet};
use std::ops::RangeInclusive;

use askama::Template;
use axum::response::Response;
use chrono::{Days, NaiveDate};
use serde::Deserialize;

use super::Error;
use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::jobs::JobLine;
use super::night_plan::{Advice, HOURS_EACH, advise};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::tables::{self, Cell};
use super::{address, show};
use crate::library::instruments::{Check, Design, Instrument, State};
use crate::library::jobs::{self, Job};
use crate::library::problems::{self, AsksFor};
use crate::library::work_nights::{self, NewWorkNight, WorkNight};
use crate::library::{InstrumentId, WorkNightId, adjusters};
use crate::upkeep::ShelfRow;

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/work-nights", list_page),
        Route::get(Volunteer, "/work-nights/new", new_form),
        Route::post(Volunteer, "/work-nights/new", make),
        Route::get(Volunteer, "/work-nights/{id}", night_page),
        Route::get(Volunteer, "/work-nights/{id}/sheet", sheet_page),
        Route::get(Volunteer, "/work-nights/{id}/list.csv", night_csv),
        Route::post(Volunteer, "/work-nights/{id}/assign", assign),
        Route::post(Volunteer, "/work-nights/{id}/take-off", take_off),
        Route::post(Volunteer, "/work-nights/{id}/done", tick),
        Route::post(Volunteer, "/work-nights/{id}/call-off", call_off),
    ]
}

/// Hours a night can have.
const HOURS_BOUNDS: RangeInclusive<f64> = 0.5..=24.0;
/// Pairs of hands it can have.
const HANDS_BOUNDS: RangeInclusive<i64> = 1..=100;

/// "1 hour", "2.5 hours".
fn counted(n: f64, one: &str, many: &str) -> String {
    format!(
        "{} {}",
        show::trimmed(n, 2),
        if n == 1.0 { one } else { many }
    )
}

/// "Friday 12 June 2026 at the hut: 3 hours, 4 pairs of hands".
pub fn in_short(night: &WorkNight) -> String {
    format!(
        "{} at {}: {} {}, {} {}",
        night.held_on.format("%A %-d %B %Y"),
        night.place,
        show::trimmed(night.hours, 1),
        if night.hours == 1.0 { "hour" } else { "hours" },
        night.hands,
        if night.hands == 1 {
            "pair of hands"
        } else {
            "pairs of hands"
        },
    )
}

// ---- the list ----

#[derive(Template)]
#[template(path = "work_nights/list.html")]
struct ListPage {
    layout: Layout,
    upcoming: Vec<(WorkNight, String)>,
    past: Vec<(WorkNight, String)>,
}

async fn list_page(context: RequestContext) -> Result<Response, Error> {
    let today = context.club().date(context.now());
    let all = WorkNight::all(&mut *context.read().await?).await?;
    let (mut upcoming, past): (Vec<_>, Vec<_>) = all
        .into_iter()
        .map(|n| {
            let words = in_short(&n);
            (n, words)
        })
        .partition(|(n, _)| n.held_on >= today);
    upcoming.reverse();
    page(&ListPage {
        layout: context.layout("Work nights"),
        upcoming,
        past,
    })
}

// ---- planning one ----

/// The form as typed.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct NightForm {
    held_on: String,
    place: String,
    hours: String,
    hands: String,
    note: String,
}

#[derive(Template)]
#[template(path = "work_nights/new.html")]
struct NewPage {
    layout: Layout,
    form: NightForm,
    errors: FormErrors,
}

async fn new_form(context: RequestContext) -> Result<Response, Error> {
    let last = WorkNight::all(&mut *context.read().await?)
        .await?
        .into_iter()
        .next();
    let form = last.map_or_else(
        || NightForm {
            hours: "3".to_owned(),
            hands: "4".to_owned(),
            ..NightForm::default()
        },
        |n| NightForm {
            place: n.place,
            hours: show::trimmed(n.hours, 1),
            hands: n.hands.to_string(),
            ..NightForm::default()
        },
    );
    page(&NewPage {
        layout: context.layout("Plan a work night"),
        form,
        errors: FormErrors::new(),
    })
}

impl NightForm {
    fn check(&self, context: &RequestContext) -> Result<NewWorkNight, FormErrors> {
        let mut errors = FormErrors::new();
        let today = context.club().date(context.now());
        let held_on = errors.date("held_on", "Date", &self.held_on);
        if held_on.is_some_and(|d| d < today) {
            errors.add("held_on", "Date: that day has passed. Choose a later one.");
        }
        let furthest = today.checked_add_days(Days::new(2 * 366));
        if held_on.is_some_and(|d| furthest.is_some_and(|f| d > f)) {
            errors.add(
                "held_on",
                "Date: that is more than two years ahead. Check the year.",
            );
        }
        let place = errors.text("place", "Place", &self.place, 100);
        let hours = errors.number("hours", "Hours", &self.hours, HOURS_BOUNDS);
        let hands = errors.optional_whole("hands", "Pairs of hands", &self.hands, HANDS_BOUNDS);
        if self.hands.trim().is_empty() {
            errors.add("hands", "Pairs of hands: please give a number.");
        }
        let note = errors.optional_text("note", "Note", &self.note, 1000);
        match (held_on, hands) {
            (Some(held_on), Some(hands)) if errors.is_empty() => Ok(NewWorkNight {
                held_on,
                place,
                hours,
                hands,
                note,
            }),
            _ => Err(errors),
        }
    }
}

async fn make(context: RequestContext, form: Form<NightForm>) -> Result<Response, Error> {
    let night = match form.fields.check(&context) {
        Ok(night) => night,
        Err(errors) => {
            return mend(&NewPage {
                layout: context.layout("Plan a work night"),
                form: form.fields,
                errors,
            });
        }
    };
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let id = night.write(&mut write).await?;
    write
        .finish(
            &format!("/work-nights/{id}"),
            "The work night is planned. Now give it instruments.",
        )
        .await
}

// ---- one night ----

/// An instrument on or for the night's list.
struct Planned {
    path: String,
    tag: String,
    name: String,
    place: String,
    condition: &'static str,
    state: &'static str,
    on_loan: bool,
    check: Check,
    why: Vec<String>,
    done: bool,
    suggested: bool,
    /// Its open jobs.
    jobs: Vec<JobLine>,
}

impl Planned {
    fn of(row: &ShelfRow, jobs: &[Job], today: NaiveDate, done: bool) -> Self {
        let i = &row.instrument;
        let state = i.state();
        Self {
            path: address::instrument(&i.tag),
            tag: i.tag.clone(),
            name: i.name.clone(),
            place: i.place.clone(),
            condition: row.assessment.condition.slug(),
            state: state.slug(),
            on_loan: state == State::OnLoan,
            check: i.design.check(),
            why: row.assessment.due.as_ref().map_or_else(Vec::new, |d| {
                d.reasons.iter().map(|r| r.words.clone()).collect()
            }),
            done,
            suggested: false,
            jobs: JobLine::of(jobs, i.id, today),
        }
    }
}

impl Planned {
    /// What stands below its name where it can be ticked.
    fn note(&self) -> String {
        let jobs = self.jobs.iter();
        let jobs =
            jobs.map(|job| format!("Job: {} ({}).", job.words.trim_end_matches('.'), job.who));
        let why: Vec<String> = self.why.iter().cloned().chain(jobs).collect();
        let why = why.join(" ");
        if self.on_loan {
            format!("On loan now. {why}")
        } else {
            why
        }
    }
}

/// A night with its instruments, in the order of urgency.
struct Plan {
    night: WorkNight,
    list: Vec<(InstrumentId, Planned)>,
    /// Due or with a job, and not on this list; the most urgent first.
    others: Vec<Planned>,
    /// How many the hours and hands would do.
    room: usize,
    /// What lowers the fleet's expected loss most in the time there is.
    advice: Advice,
}

impl Plan {
    async fn load(context: &RequestContext, id: WorkNightId) -> Result<Self, Error> {
        Self::with(context, id, None).await
    }

    /// As it would be with other hours and hands than those it is planned for.
    async fn with(
        context: &RequestContext,
        id: WorkNightId,
        tried: Option<(f64, i64)>,
    ) -> Result<Self, Error> {
        let mut conn = context.read().await?;
        let today = context.club().date(context.now());
        let jobs = jobs::list(&mut conn, None).await?;
        let mut night = WorkNight::get(&mut conn, id).await?;
        let planned = (night.hours, night.hands);
        (night.hours, night.hands) = tried.unwrap_or(planned);
        let assigned: HashMap<InstrumentId, bool> = work_nights::assigned(&mut conn, id)
            .await?
            .into_iter()
            .map(|a| (a.instrument_id, a.done_at.is_some()))
            .collect();
        drop(conn);
        let mut rows = context
            .snapshot()
            .await?
            .shelf(context.now())
            .as_ref()
            .clone();
        let urgency = |r: &ShelfRow| r.assessment.due.as_ref().map_or(0.0, |d| d.urgency);
        // Rows come by tag and the sort keeps the order of equals.
        rows.sort_by(|a, b| urgency(b).total_cmp(&urgency(a)));
        let room = ((night.hours * night.hands as f64 / HOURS_EACH)
            .floor()
            .max(1.0)) as usize;
        let (mut list, mut others) = (Vec::new(), Vec::new());
        for row in &rows {
            if let Some(&done) = assigned.get(&row.instrument.id) {
                list.push((row.instrument.id, Planned::of(row, &jobs, today, done)));
            } else {
                let one = Planned::of(row, &jobs, today, false);
                if !one.why.is_empty() || !one.jobs.is_empty() {
                    others.push(one);
                }
            }
        }
        let free = room.saturating_sub(list.len());
        let advice = advise(context, &night, &assigned).await?;
        if advice.trusted {
            for one in &mut others {
                one.suggested = advice.tags.contains(&one.tag);
            }
        } else {
            for one in others.iter_mut().filter(|j| !j.on_loan).take(free) {
                one.suggested = true;
            }
        }
        (night.hours, night.hands) = planned;
        Ok(Self {
            night,
            list,
            others,
            room,
            advice,
        })
    }
}

fn id_of(typed: &str) -> Result<WorkNightId, Error> {
    typed.parse().map_err(|_| Error::NotFound("work night"))
}

#[derive(Template)]
#[template(path = "work_nights/night.html")]
struct NightPage {
    layout: Layout,
    id: String,
    words: String,
    night: WorkNight,
    list: Vec<Planned>,
    others: Vec<Planned>,
    room: usize,
    called_off: bool,
    advice: Advice,
    /// Hours and hands tried out, in words; "" when they are the night's own.
    tried: String,
    hours: String,
    hands: String,
    errors: FormErrors,
}

/// Hours and hands to try out; "" is the night's own.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Try {
    hours: String,
    hands: String,
}

impl Try {
    /// What is tried, if anything; `own` is what the night is planned for.
    fn check(&self, own: (f64, i64), errors: &mut FormErrors) -> Option<(f64, i64)> {
        let bounds = HOURS_BOUNDS;
        let hours = errors.optional_number("hours", "Hours", &self.hours, bounds);
        let hands = errors.optional_whole("hands", "Pairs of hands", &self.hands, HANDS_BOUNDS);
        let tried = (hours.unwrap_or(own.0), hands.unwrap_or(own.1));
        (errors.is_empty() && tried != own).then_some(tried)
    }
}

async fn night_page(
    context: RequestContext,
    Path(id): Path<String>,
    Query(asked): Query<Try>,
) -> Result<Response, Error> {
    let id = id_of(&id)?;
    let night = WorkNight::get(&mut *context.read().await?, id).await?;
    let mut errors = FormErrors::new();
    let tried = asked.check((night.hours, night.hands), &mut errors);
    let plan = Plan::with(&context, id, tried).await?;
    let answer = if errors.is_empty() { page } else { mend };
    let or_own = |typed: String, own: String| if typed.trim().is_empty() { own } else { typed };
    answer(&NightPage {
        tried: tried.map_or_else(String::new, |(hours, hands)| {
            format!(
                "Tried out: {} and {}. The night itself stays as planned.",
                counted(hours, "hour", "hours"),
                counted(hands as f64, "pair of hands", "pairs of hands")
            )
        }),
        hours: or_own(asked.hours, show::trimmed(night.hours, 2)),
        hands: or_own(asked.hands, night.hands.to_string()),
        errors,
        layout: context.layout(&format!("Work night, {}", show::day(plan.night.held_on))),
        id: id.to_string(),
        words: in_short(&plan.night),
        called_off: plan.night.called_off_at.is_some(),
        night: plan.night,
        list: plan.list.into_iter().map(|(_, one)| one).collect(),
        others: plan.others,
        room: plan.room,
        advice: plan.advice,
    })
}

// ---- the sheet ----

/// One instrument on the printed sheet.
struct Sheet {
    one: Planned,
    facts: String,
    screws: String,
    problems: Vec<String>,
    is_solar: bool,
}

#[derive(Template)]
#[template(path = "work_nights/sheet.html")]
struct SheetPage {
    layout: Layout,
    id: String,
    words: String,
    note: String,
    printed: String,
    sheets: Vec<Sheet>,
    any_solar: bool,
}

async fn sheet_page(context: RequestContext, Path(id): Path<String>) -> Result<Response, Error> {
    let id = id_of(&id)?;
    let plan = Plan::load(&context, id).await?;
    let mut conn = context.read().await?;
    let mut sheets = Vec::new();
    for (instrument, one) in plan.list {
        let i = Instrument::get(&mut conn, instrument).await?;
        let screws = adjusters::of(&mut conn, instrument)
            .await?
            .into_iter()
            .map(|a| format!("{} at {}", a.label, show::clock(a.clock_deg)))
            .collect::<Vec<_>>()
            .join(", ");
        let open = problems::open(&mut conn, Some(instrument)).await?;
        sheets.push(Sheet {
            facts: format!(
                "{}, {}, f/{}",
                i.design,
                show::length(context.club(), i.aperture_mm),
                show::trimmed(i.focal_ratio(), 1)
            ),
            screws,
            problems: open
                .into_iter()
                // Those that ask for the bench stand among the reasons already.
                .filter(|f| f.problem.asks_for != AsksFor::TheBench)
                .filter(|f| one.jobs.iter().all(|job| job.words != f.problem.words))
                .map(|f| f.problem.words)
                .collect(),
            is_solar: i.design == Design::Solar,
            one,
        });
    }
    page(&SheetPage {
        layout: context.layout(&format!(
            "Sheet for the work night, {}",
            show::day(plan.night.held_on)
        )),
        id: id.to_string(),
        words: in_short(&plan.night),
        note: plan.night.note,
        printed: show::time(context.club(), context.now()),
        any_solar: sheets.iter().any(|s| s.is_solar),
        sheets,
    })
}

async fn night_csv(context: RequestContext, Path(id): Path<String>) -> Result<Response, Error> {
    let plan = Plan::load(&context, id_of(&id)?).await?;
    let on = plan.night.held_on;
    let rows = plan.list.into_iter().map(|(_, one)| {
        vec![
            on.into(),
            one.tag.into(),
            one.name.into(),
            one.place.into(),
            one.state.into(),
            one.condition.into(),
            one.why.join(" ").into(),
            Cell::Figure(if one.done { "yes" } else { "no" }.to_owned()),
        ]
    });
    tables::csv_response(
        &[
            "held_on",
            "tag",
            "name",
            "place",
            "state",
            "condition",
            "why",
            "done",
        ],
        rows,
    )
}

// ---- changing its list ----

/// Tags ticked, and one typed.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Tags {
    tag: Vec<String>,
}

async fn assign(
    context: RequestContext,
    Path(id): Path<String>,
    form: Form<Tags>,
) -> Result<Response, Error> {
    let id = id_of(&id)?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let tags: HashSet<&str> = form
        .fields
        .tag
        .iter()
        .map(|t| t.trim())
        .filter(|t| !t.is_empty())
        .collect();
    if tags.is_empty() {
        return Err(Error::Refused(
            "No instrument was ticked or named. Go back and tick one.".to_owned(),
        ));
    }
    let by = context.person()?.id;
    for tag in &tags {
        let instrument = Instrument::by_tag(&mut write, tag).await?;
        work_nights::assign(&mut write, id, instrument.id, by, context.now()).await?;
    }
    let notice = match tags.len() {
        1 => "One instrument added.".to_owned(),
        n => format!("{n} instruments added."),
    };
    write.finish(&format!("/work-nights/{id}"), &notice).await
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct OneTag {
    tag: String,
    done: String,
}

async fn take_off(
    context: RequestContext,
    Path(id): Path<String>,
    form: Form<OneTag>,
) -> Result<Response, Error> {
    let id = id_of(&id)?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &form.fields.tag).await?;
    work_nights::take_off(&mut write, id, instrument.id).await?;
    let notice = format!("{} is off the list.", instrument.tag);
    write.finish(&format!("/work-nights/{id}"), &notice).await
}

async fn tick(
    context: RequestContext,
    Path(id): Path<String>,
    form: Form<OneTag>,
) -> Result<Response, Error> {
    let id = id_of(&id)?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let done = form.fields.done == "yes";
    let instrument = Instrument::by_tag(&mut write, &form.fields.tag).await?;
    work_nights::set_done(&mut write, id, instrument.id, done, context.now()).await?;
    let notice = if done {
        format!("{} is done.", instrument.tag)
    } else {
        format!("{} is open again.", instrument.tag)
    };
    write.finish(&format!("/work-nights/{id}"), &notice).await
}

async fn call_off(
    context: RequestContext,
    Path(id): Path<String>,
    form: Form<OneTag>,
) -> Result<Response, Error> {
    let id = id_of(&id)?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    WorkNight::call_off(&mut write, id, context.now()).await?;
    write
        .finish("/work-nights", "The work night is called off.")
        .await
}
