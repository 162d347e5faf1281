//! The form in which a problem is taken on, given to another or given back.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path};
use super::fields::{FormErrors, shown_mark};
use super::jobs::{form_address, who_and_when};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, show};
use crate::library::instruments::Instrument;
use crate::library::jobs::{self, Job, LONGEST_NOTE, Terms};
use crate::library::logbook::{self, Told};
use crate::library::people::{self, Person};
use crate::library::{Conn, EntryId, PersonId};

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/problems/{entry}/job", form),
        Route::post(Volunteer, "/problems/{entry}/job", save),
        Route::post(Volunteer, "/problems/{entry}/job/give-back", give_back),
    ]
}

/// The form as typed.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct JobForm {
    person: String,
    due_on: String,
    note: String,
    /// A mark of what it showed when it was opened.
    shown: String,
}

impl JobForm {
    fn of(terms: &Terms) -> Self {
        let mut form = Self {
            person: terms.person.map(|p| p.to_string()).unwrap_or_default(),
            due_on: terms.due_on.map(|d| d.to_string()).unwrap_or_default(),
            note: terms.note.clone(),
            shown: String::new(),
        };
        form.shown = shown_mark(&[&form.person, &form.due_on, &form.note]);
        form
    }

    fn check(&self, errors: &mut FormErrors) -> Terms {
        let person = match self.person.as_str() {
            "" => None,
            typed => errors.word("person", "Who does it", typed),
        };
        let due_on = match self.due_on.trim() {
            "" => None,
            typed => errors.date("due_on", "By when", typed),
        };
        let note = errors.optional_text("note", "Note", &self.note, LONGEST_NOTE);
        Terms {
            person,
            due_on,
            note,
        }
    }
}

#[derive(Template)]
#[template(path = "jobs/form.html")]
struct FormPage {
    layout: Layout,
    instrument: String,
    action: String,
    /// The problem, in the words of who saw it.
    words: String,
    /// Who has it, where somebody does.
    had: String,
    is_begun: bool,
    hands: Vec<(String, String)>,
    form: JobForm,
    errors: FormErrors,
}

/// A problem with its job.
struct Case {
    entry: EntryId,
    instrument: Instrument,
    words: String,
    job: Option<Job>,
}

impl Case {
    async fn load(conn: &mut Conn, entry: EntryId) -> Result<Self, Error> {
        let line = logbook::line(conn, entry).await?;
        let Told::Problem(problem) = line.told else {
            return Err(Error::NotFound("problem"));
        };
        let job = jobs::of(conn, entry).await?;
        Ok(Self {
            entry,
            instrument: Instrument::get(conn, line.entry.instrument_id).await?,
            words: problem.words,
            job: job.filter(|job| job.settled_at.is_none()),
        })
    }

    /// The form as it stands; who has nothing to change takes it on themselves.
    fn form(&self, me: PersonId) -> JobForm {
        let none = Terms::default();
        let mut form = JobForm::of(self.job.as_ref().map_or(&none, |job| &job.terms));
        if self.job.is_none() {
            form.person = me.to_string();
        }
        form
    }

    fn page(
        self,
        context: &RequestContext,
        hands: Vec<Person>,
        form: JobForm,
        errors: FormErrors,
    ) -> FormPage {
        let today = context.club().date(context.now());
        let title = match self.job {
            Some(_) => format!("Job at {}", self.instrument.tag),
            None => format!("Take on a job at {}", self.instrument.tag),
        };
        FormPage {
            layout: context.layout(&title),
            instrument: address::instrument(&self.instrument.tag),
            action: form_address(self.entry),
            words: self.words,
            is_begun: self.job.is_some(),
            had: self
                .job
                .map(|job| who_and_when(&job, today))
                .unwrap_or_default(),
            hands: hands
                .into_iter()
                .map(|p| (p.id.to_string(), p.name))
                .collect(),
            form,
            errors,
        }
    }
}

async fn form(context: RequestContext, Path(entry): Path<EntryId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let case = Case::load(&mut conn, entry).await?;
    let hands = people::hands(&mut conn).await?;
    let form = case.form(context.person()?.id);
    page(&case.page(&context, hands, form, FormErrors::new()))
}

async fn save(
    context: RequestContext,
    Path(entry): Path<EntryId>,
    form: Form<JobForm>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let terms = form.fields.check(&mut errors);
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let case = Case::load(&mut write, entry).await?;
    let none = Terms::default();
    let now = JobForm::of(case.job.as_ref().map_or(&none, |job| &job.terms));
    let hands = people::hands(&mut write).await?;
    let mut again = form.fields.clone();
    if errors.is_empty() && form.fields.shown != now.shown {
        let name = |id: &str| {
            let one = hands.iter().find(|p| p.id.to_string() == id);
            one.map_or_else(|| "no one yet".to_owned(), |p| p.name.clone())
        };
        errors.overtaken(&[
            (
                "person",
                "Who does it",
                &name(&form.fields.person),
                &name(&now.person),
            ),
            ("due_on", "By when", &form.fields.due_on, &now.due_on),
            ("note", "Note", &form.fields.note, &now.note),
        ]);
        again.shown.clone_from(&now.shown);
    }
    let (by, at) = (context.person()?.id, context.now());
    let today = context.club().date(at);
    for (field, words) in jobs::faults(&mut write, entry, &terms, today).await? {
        errors.add(field, words);
    }
    if !errors.is_empty() {
        drop(write);
        return mend(&case.page(&context, hands, again, errors));
    }
    jobs::give(&mut write, entry, &terms, today, by, at).await?;
    // The audit log keeps it, and so names nobody: the job's own rows tell who had it.
    let day = terms.due_on.map(|day| format!(", by {}", show::day(day)));
    let had = case.job.as_ref().and_then(|job| job.terms.person);
    let act = match terms.person {
        person if case.job.is_some() && person == had => "is changed",
        Some(person) if person == by => "is yours",
        Some(_) => "is given to somebody else",
        None => "is no one's yet",
    };
    let notice = format!(
        "The job at {} {act}{}.",
        case.instrument.tag,
        day.unwrap_or_default()
    );
    write
        .finish(&address::instrument(&case.instrument.tag), &notice)
        .await
}

async fn give_back(
    context: RequestContext,
    Path(entry): Path<EntryId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let by = context.person()?.id;
    let job = jobs::give_back(&mut write, entry, by, context.now()).await?;
    let notice = format!(
        "The job at {} is given back. The problem stays open.",
        job.tag
    );
    write.finish("/jobs", &notice).await
}
