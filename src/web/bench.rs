//! The bench: what is held, what is being worked on, what is due and when the
//! next work night is; moving instruments there and back; logging work.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;
use serde::Deserialize;

use super::Error;
use super::access::{Access, Route};
use super::due::until_words;
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::jobs::JobLine;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::spares_used::{UseField, Uses, uses};
use super::{address, collimation, show, when};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::{Check, Design, Instrument, State, Status};
use crate::library::jobs::{self, Job};
use crate::library::loans::Loan;
use crate::library::problems::{self, LoggedProblem, ProblemWhat};
use crate::library::spares::{self, Spare};
use crate::library::work_nights::{WorkNight, assigned};
use crate::library::works::{self, Work, WorkWhat};
use crate::library::{Conn, Moment};
use crate::upkeep::ShelfRow;
use crate::upkeep::due_list::{DueRow, whole_due_list};

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/bench", bench_page),
        Route::get(Volunteer, "/instruments/{tag}/bench", move_form),
        Route::post(Volunteer, "/instruments/{tag}/bench", move_it),
        Route::get(Volunteer, "/instruments/{tag}/work", work_form),
        Route::post(Volunteer, "/instruments/{tag}/work", log_work),
    ]
}

// ---- the overview ----

/// One instrument at or held for the bench.
struct BenchRow {
    path: String,
    tag: String,
    name: String,
    reason: String,
    condition: &'static str,
    due: Vec<String>,
    /// Its open jobs: what, and who by when.
    jobs: Vec<JobLine>,
    takes_star_test: bool,
    has_barrels: bool,
}

impl BenchRow {
    fn of(row: ShelfRow, jobs: &[Job], today: NaiveDate) -> Self {
        Self {
            jobs: JobLine::of(jobs, row.instrument.id, today),
            path: address::instrument(&row.instrument.tag),
            takes_star_test: row.instrument.design.takes_star_test(),
            has_barrels: row.instrument.design.check() == Check::Barrels,
            tag: row.instrument.particulars.tag,
            name: row.instrument.particulars.name,
            reason: row.instrument.status_reason,
            condition: row.assessment.condition.slug(),
            due: row
                .assessment
                .due
                .map(|d| d.reasons.into_iter().map(|r| r.words).collect())
                .unwrap_or_default(),
        }
    }
}

/// The next work night in short.
struct NextNight {
    id: String,
    words: String,
    tags: Vec<String>,
}

#[derive(Template)]
#[template(path = "bench/overview.html")]
struct BenchPage {
    layout: Layout,
    printed: String,
    at_bench: Vec<BenchRow>,
    held: Vec<BenchRow>,
    due: Vec<DueRow>,
    more_due: usize,
    next: Option<NextNight>,
    running: Vec<collimation::Row>,
    last_collimation: Option<collimation::Row>,
}

/// Where a due instrument is taken to the bench.
fn to_bench(row: &DueRow) -> String {
    format!("{}/bench?to=bench", address::instrument(&row.tag))
}

/// How many due instruments the overview shows.
const DUE_SHOWN: usize = 8;

async fn bench_page(context: RequestContext) -> Result<Response, Error> {
    let snapshot = context.snapshot().await?;
    let rows = snapshot.shelf(context.now());
    let jobs = jobs::list(&mut *context.read().await?, None).await?;
    let today = context.club().date(context.now());
    let (mut at_bench, mut held) = (Vec::new(), Vec::new());
    for row in rows.iter() {
        match row.instrument.state() {
            State::AtTheBench => at_bench.push(BenchRow::of(row.clone(), &jobs, today)),
            State::HeldForTheBench => held.push(BenchRow::of(row.clone(), &jobs, today)),
            _ => {}
        }
    }
    let list = whole_due_list(&snapshot, context.club(), context.now());
    let due = list
        .due
        .iter()
        .filter(|r| !matches!(r.state, State::AtTheBench | State::HeldForTheBench));
    let more_due = due.clone().count().saturating_sub(DUE_SHOWN);
    let due: Vec<DueRow> = due.take(DUE_SHOWN).cloned().collect();
    let mut conn = context.read().await?;
    let next = next_night(&context, &mut conn).await?;
    let (running, past): (Vec<_>, Vec<_>) = collimation::rows(&mut conn, context.club(), None)
        .await?
        .into_iter()
        .partition(|r| r.running);
    page(&BenchPage {
        layout: context.layout("Workshop"),
        printed: show::time(context.club(), context.now()),
        at_bench,
        held,
        due,
        more_due,
        next,
        running,
        last_collimation: past.into_iter().next(),
    })
}

async fn next_night(context: &RequestContext, conn: &mut Conn) -> Result<Option<NextNight>, Error> {
    let today = context.club().date(context.now());
    let Some(night) = WorkNight::next(conn, today).await? else {
        return Ok(None);
    };
    let tags = assigned(conn, night.id).await?.into_iter();
    let tags = tags.map(|a| a.tag).collect();
    Ok(Some(NextNight {
        id: night.id.to_string(),
        words: super::work_nights::in_short(&night),
        tags,
    }))
}

// ---- to the bench and back ----

/// The form as typed.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct MoveForm {
    to: String,
    reason: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Towards {
    to: String,
}

#[derive(Template)]
#[template(path = "bench/move.html")]
struct MovePage {
    layout: Layout,
    path: String,
    name: String,
    state: &'static str,
    status_reason: String,
    choices: Vec<(&'static str, &'static str)>,
    /// What speaks against lending it, should it go back to the shelf.
    against: Vec<String>,
    blocked: Option<String>,
    form: MoveForm,
    errors: FormErrors,
}

impl MovePage {
    async fn new(
        context: &RequestContext,
        instrument: Instrument,
        form: MoveForm,
        errors: FormErrors,
    ) -> Result<Self, Error> {
        let mut conn = context.read().await?;
        let blocked = match instrument.state() {
            State::OnLoan => {
                let back = match instrument.open_loan {
                    Some(loan) => show::day(Loan::get(&mut conn, loan).await?.due_on),
                    None => String::new(),
                };
                Some(format!(
                    "It is out on loan, due back by {back}, so it cannot go to the bench now. Return it first."
                ))
            }
            State::Retired => Some(
                "It is retired. A coordinator can bring it back from its register page.".to_owned(),
            ),
            State::OnTheShelf | State::HeldForTheBench | State::AtTheBench | State::Missing => None,
        };
        let choices = [
            (Status::Bench, "To the bench: someone works on it now"),
            (
                Status::Held,
                "Held for the bench: not lent until it has been there",
            ),
            (Status::Shelf, "Back on the shelf: may be lent"),
        ]
        .into_iter()
        .filter(|(to, _)| *to != instrument.status)
        .map(|(to, words)| (to.slug(), words))
        .collect();
        let row = context.shelf_row(&mut conn, instrument).await?;
        let against = row
            .assessment
            .due
            .map(|d| d.reasons.into_iter().map(|r| r.words).collect())
            .unwrap_or_default();
        let instrument = row.instrument;
        Ok(Self {
            layout: context.layout(&format!("{} and the bench", instrument.tag)),
            path: address::instrument(&instrument.tag),
            state: instrument.state().slug(),
            name: instrument.particulars.name,
            status_reason: instrument.status_reason,
            choices,
            against,
            blocked,
            form,
            errors,
        })
    }
}

async fn move_form(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(towards): Query<Towards>,
) -> Result<Response, Error> {
    let instrument = Instrument::by_tag(&mut *context.read().await?, &tag).await?;
    let to = if towards.to.is_empty() {
        match instrument.status {
            Status::Bench => "shelf".to_owned(),
            _ => "bench".to_owned(),
        }
    } else {
        towards.to
    };
    let form = MoveForm {
        to,
        reason: String::new(),
    };
    page(&MovePage::new(&context, instrument, form, FormErrors::new()).await?)
}

async fn move_it(
    context: RequestContext,
    Path(tag): Path<String>,
    form: Form<MoveForm>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let to = match form.fields.to.as_str() {
        "bench" => Some(Status::Bench),
        "held" => Some(Status::Held),
        "shelf" => Some(Status::Shelf),
        _ => None,
    };
    if to.is_none() {
        errors.add("to", "Where to: choose one.");
    }
    let reason = errors.text("reason", "Reason", &form.fields.reason, 300);
    let instrument = Instrument::by_tag(&mut *context.read().await?, &tag).await?;
    let Some(to) = to.filter(|_| errors.is_empty()) else {
        return mend(&MovePage::new(&context, instrument, form.fields, errors).await?);
    };
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::get(&mut write, instrument.id).await?;
    works::put(
        &mut write,
        &instrument,
        to,
        &reason,
        context.person()?.id,
        context.now(),
    )
    .await?;
    let notice = format!("{} is {to} now.", instrument.tag);
    write.finish("/bench", &notice).await
}

// ---- logging work ----

/// The form as typed.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct WorkForm {
    what: String,
    on: String,
    minutes: String,
    moved_optics: String,
    words: String,
    settles: Vec<String>,
    spare_1: String,
    used_1: String,
    spare_2: String,
    used_2: String,
    spare_3: String,
    used_3: String,
}

#[derive(Template)]
#[template(path = "bench/work.html")]
struct WorkPage {
    layout: Layout,
    path: String,
    name: String,
    is_solar: bool,
    on_loan: bool,
    electrical: bool,
    problems: Vec<(String, String, String, bool)>,
    /// Spare parts there are: their ids, and how many of which.
    spares: Vec<(String, String)>,
    form: WorkForm,
    errors: FormErrors,
}

impl WorkPage {
    fn new(
        context: &RequestContext,
        instrument: Instrument,
        open: Vec<LoggedProblem>,
        spares: Vec<Spare>,
        form: WorkForm,
        errors: FormErrors,
    ) -> Self {
        Self {
            spares: spares
                .into_iter()
                .map(|s| {
                    let words = format!("{} ({})", s.particulars.name, s.there_are());
                    (s.id.to_string(), words)
                })
                .collect(),
            layout: context.layout(&format!("Log work on {}", instrument.tag)),
            path: address::instrument(&instrument.tag),
            is_solar: instrument.design == Design::Solar,
            on_loan: instrument.open_loan.is_some(),
            electrical: open
                .iter()
                .any(|f| f.problem.what == ProblemWhat::Electrical),
            problems: open
                .into_iter()
                .map(|f| {
                    let id = f.entry_id.to_string();
                    let note = format!(
                        "{}, {}; asks for {}",
                        f.problem.what,
                        show::date(context.club(), f.happened_at),
                        f.problem.asks_for
                    );
                    let ticked = form.settles.contains(&id);
                    (id, f.problem.words, note, ticked)
                })
                .collect(),
            name: instrument.particulars.name,
            form,
            errors,
        }
    }
}

async fn work_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let open = problems::open(&mut conn, Some(instrument.id)).await?;
    let spares = spares::all(&mut conn).await?;
    let form = WorkForm {
        on: context.club().date(context.now()).to_string(),
        ..WorkForm::default()
    };
    page(&WorkPage::new(
        &context,
        instrument,
        open,
        spares,
        form,
        FormErrors::new(),
    ))
}

impl WorkForm {
    /// The fields of spare parts: their names, and what was typed.
    fn spare_fields(&self) -> [UseField<'_>; 3] {
        [
            UseField("spare_1", "used_1", &self.spare_1, &self.used_1),
            UseField("spare_2", "used_2", &self.spare_2, &self.used_2),
            UseField("spare_3", "used_3", &self.spare_3, &self.used_3),
        ]
    }

    /// Whether any spare parts were typed.
    fn any_spares(&self) -> bool {
        self.spare_fields().iter().any(UseField::is_given)
    }

    /// The work told, and when it happened.
    fn check(
        &self,
        context: &RequestContext,
        instrument: &Instrument,
        out_since: Option<Moment>,
        open: &[LoggedProblem],
        spares: &[Spare],
    ) -> Result<(Work, Moment, Uses), FormErrors> {
        let mut errors = FormErrors::new();
        let what = errors.word::<WorkWhat>("what", "What was done", &self.what);
        let at = when::read(
            &mut errors,
            ("on", &self.on),
            ("on", ""),
            context.club(),
            context.now(),
        );
        let minutes = errors.optional_whole("minutes", "Minutes", &self.minutes, 0..=10_000);
        let moved = match self.moved_optics.as_str() {
            "yes" => Some(true),
            "no" => Some(false),
            _ => {
                errors.add(
                    "moved_optics",
                    "Whether optics were moved: choose yes or no.",
                );
                None
            }
        };
        if what == Some(WorkWhat::Collimation) && moved == Some(false) {
            errors.add(
                "moved_optics",
                "Collimation moves optics. Choose yes, or choose inspection if nothing was turned.",
            );
        }
        let words = errors.text("words", "In words", &self.words, 2000);
        if let (Some(at), Some(out)) = (at, out_since)
            && at >= out
        {
            errors.add(
                "on",
                format!(
                    "{} has been out on loan since {}, so the work was before that. Give the day it was done, or take it back first.",
                    instrument.tag,
                    show::date(context.club(), out)
                ),
            );
        }
        let mut settles = Vec::new();
        for id in &self.settles {
            match open.iter().find(|f| f.entry_id.to_string() == *id) {
                Some(problem) => settles.push(problem.entry_id),
                None => errors.add(
                    "settles",
                    "One of the ticked problems has been settled or corrected meanwhile. Tick again what this settles.",
                ),
            }
        }
        let uses = uses(&self.spare_fields(), spares, &mut errors);
        match (what, at, moved) {
            (Some(what), Some(at), Some(moved_optics)) if errors.is_empty() => Ok((
                Work {
                    what,
                    minutes,
                    moved_optics,
                    words,
                    settles,
                },
                at,
                uses,
            )),
            _ => Err(errors),
        }
    }
}

async fn log_work(
    context: RequestContext,
    Path(tag): Path<String>,
    form: Form<WorkForm>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let open = problems::open(&mut write, Some(instrument.id)).await?;
    let spares = spares::all(&mut write).await?;
    let out_since = match instrument.open_loan {
        Some(loan) => Some(Loan::get(&mut write, loan).await?.lent_at),
        None => None,
    };
    let told = form
        .fields
        .check(&context, &instrument, out_since, &open, &spares);
    let (work, at, uses) = match told {
        Ok(told) => told,
        Err(errors) => {
            drop(write);
            let page = WorkPage::new(&context, instrument, open, spares, form.fields, errors);
            return mend(&page);
        }
    };
    let entry = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::Work,
        happened_at: at,
        recorded_at: context.now(),
        by: context.person()?.id,
        loan: None,
        note: String::new(),
    };
    let by = entry.by;
    let id = work.log(&mut write, entry).await?;
    spares::used(&mut write, &uses, id, by, context.now()).await?;
    let settled = match work.settles.len() {
        0 => String::new(),
        1 => " One problem settled.".to_owned(),
        n => format!(" {n} problems settled."),
    };
    let check = instrument.design.check();
    let test_next = work.moved_optics && check != Check::Bench && instrument.open_loan.is_none();
    let (location, notice) = if test_next {
        (
            address::new_check(&instrument.tag, check),
            format!(
                "Work logged.{settled} Optics were moved, so only a {} can say whether it is collimated.",
                check.words()
            ),
        )
    } else {
        (
            "/bench".to_owned(),
            format!("Work on {} logged.{settled}", instrument.tag),
        )
    };
    write.finish(&location, &notice).await
}
