//! Lists before they are kept: what they would add, what must be decided, what is
//! wrong in which cell.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, intake as pages, show};
use crate::intake::cells::Sheet;
use crate::intake::plan::{self, Choices, Fault, Plan};
use crate::intake::{self, Looked};
use crate::library::UploadId;
use crate::library::held_lists;
use crate::library::intake::Known;

/// The most faults shown at once.
const MOST_FAULTS: usize = 200;

/// Routes.
pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/import/{id}/check", show_plan),
        Route::post(Access::Coordinator, "/import/{id}/check", answer),
        Route::post(Access::Coordinator, "/import/{id}/keep", keep),
    ]
}

/// One kind's row of counts.
struct CountRow {
    kind: String,
    added: usize,
    known: usize,
    faulty: usize,
    waiting: usize,
}

/// One question as the form asks it.
struct QuestionBlock {
    /// The field's name.
    name: String,
    words: String,
    places: String,
    options: Vec<(String, String)>,
    chosen: String,
    error: String,
}

#[derive(Template)]
#[template(path = "intake/check.html")]
struct CheckPage {
    layout: Layout,
    id: UploadId,
    lede: String,
    /// What is so, in a line.
    headline: String,
    ready: bool,
    added: String,
    counts: Vec<CountRow>,
    questions: Vec<QuestionBlock>,
    /// Whether all are answered, so that they fold away.
    answered: bool,
    faults: Vec<Fault>,
    more_faults: usize,
    leave_out: bool,
    notes: Vec<String>,
    errors: FormErrors,
}

impl CheckPage {
    fn new(
        context: &RequestContext,
        id: UploadId,
        names: &str,
        plan: Plan,
        choices: &Choices,
        errors: FormErrors,
    ) -> Self {
        let ready = plan.is_ready(choices);
        let open = plan.questions.iter().filter(|q| q.answer.is_none()).count();
        let headline = if open > 0 {
            format!("{} first.", show::counted(open, "question", "questions"))
        } else if !plan.faults.is_empty() && !choices.leave_out {
            let n = plan.faults.len();
            format!("{} to correct.", show::counted(n, "cell", "cells"))
        } else if plan.batch.is_empty() {
            "All of it is here already.".to_owned()
        } else {
            format!("Ready to keep: {}.", plan.added_words())
        };
        let lede = if plan.batch.is_empty() && open == 0 && plan.faults.is_empty() {
            format!("Nothing in {names} is new.")
        } else {
            format!("Nothing of {names} is kept yet.")
        };
        let counts = plan
            .counts
            .iter()
            .map(|(kind, c)| CountRow {
                kind: show::capital(kind.label()),
                added: c.added,
                known: c.known,
                faulty: c.faulty,
                waiting: c.waiting,
            })
            .collect();
        let added = plan.added_words();
        let questions = plan
            .questions
            .into_iter()
            .enumerate()
            .map(|(n, q)| {
                let name = format!("answer-{n}");
                let more = q.count.saturating_sub(q.places.len());
                let mut places = q.places.join(", ");
                if more > 0 {
                    places.push_str(&format!(" and {more} more"));
                }
                QuestionBlock {
                    error: errors.of(&name).to_owned(),
                    name,
                    words: q.words,
                    places,
                    options: q.options,
                    chosen: q.answer.or(q.suggested).unwrap_or_default(),
                }
            })
            .collect();
        let more_faults = plan.faults.len().saturating_sub(MOST_FAULTS);
        let mut faults = plan.faults;
        faults.truncate(MOST_FAULTS);
        Self {
            layout: context.layout("Look it over"),
            id,
            lede,
            headline,
            ready,
            added,
            counts,
            questions,
            answered: open == 0,
            faults,
            more_faults,
            leave_out: choices.leave_out,
            notes: plan.notes.into_iter().collect(),
            errors,
        }
    }
}

/// Plans off the async threads.
async fn look(
    context: &RequestContext,
    sheets: Vec<Sheet>,
    choices: Choices,
) -> Result<Looked, Error> {
    let known = Known::read(&mut *context.read().await?).await?;
    let (club, now) = (context.club().clone(), context.now());
    tokio::task::spawn_blocking(move || {
        let plan = plan::plan(&sheets, &choices, &known, &club, now);
        Looked { plan, known }
    })
    .await
    .map_err(|e| Error::Broken(format!("planning an import: {e}")))
}

async fn show_plan(context: RequestContext, Path(id): Path<UploadId>) -> Result<Response, Error> {
    let (names, sheets, choices) = pages::held(&context, id).await?;
    let looked = look(&context, sheets, choices.clone()).await?;
    page(&CheckPage::new(
        &context,
        id,
        &names,
        looked.plan,
        &choices,
        FormErrors::new(),
    ))
}

/// Takes the answers, and shows the plan that follows.
async fn answer(
    context: RequestContext,
    Path(id): Path<UploadId>,
    form: Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let (names, sheets, mut choices) = pages::held(&context, id).await?;
    let looked = look(&context, sheets, choices.clone()).await?;
    let mut errors = FormErrors::new();
    let value = |name: &str| {
        let found = form.fields.iter().find(|(n, _)| n == name);
        found.map(|(_, v)| v.as_str())
    };
    for (n, question) in looked.plan.questions.iter().enumerate() {
        let name = format!("answer-{n}");
        // The key goes along, so that no answer falls to another question.
        if value(&format!("key-{n}")).is_some_and(|key| key != question.words) {
            errors.add(
                &name,
                "This question has changed meanwhile. Answer it again.",
            );
            continue;
        }
        match value(&name).filter(|v| question.options.iter().any(|(o, _)| o == v)) {
            Some(given) => {
                choices
                    .answers
                    .insert(question.key.clone(), given.to_owned());
            }
            None => errors.add(&name, format!("{} Choose an answer.", question.words)),
        }
    }
    choices.leave_out = value("leave_out").is_some();
    let held = intake::json(&choices)?;
    let person = context.person()?.id;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    held_lists::choose(&mut write, person, id, &held).await?;
    if errors.is_empty() {
        return write.finish(&format!("/import/{id}/check"), "").await;
    }
    // What was answered is kept; the rest is asked again.
    write.finish(&format!("/import/{id}/check"), "").await?;
    let mut plan = looked.plan;
    for question in &mut plan.questions {
        question.answer = choices.answers.get(&question.key).cloned();
    }
    mend(&CheckPage::new(
        &context, id, &names, plan, &choices, errors,
    ))
}

/// Keeps all of it, or nothing.
async fn keep(
    context: RequestContext,
    Path(id): Path<UploadId>,
    form: Form<super::extract::Nothing>,
) -> Result<Response, Error> {
    let again = || (format!("/import/{id}/check"), "Look it over again");
    let found = pages::held(&context, id).await;
    let (names, sheets, choices) = match found {
        Ok(found) => found,
        // Kept already, and this is the same form once more.
        Err(gone) => {
            return match context.begin(&form.once).await? {
                Submission::Again(response) => Ok(response),
                Submission::First(_) => Err(gone),
            };
        }
    };
    let looked = look(&context, sheets, choices.clone()).await?;
    if !looked.plan.is_ready(&choices) {
        return mend(&CheckPage::new(
            &context,
            id,
            &names,
            looked.plan,
            &choices,
            FormErrors::new(),
        ));
    }
    let person = context.person()?.id;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (import, added) =
        match intake::keep(&mut write, looked, &choices, &names, person, context.now()).await {
            Ok(kept) => kept,
            Err(intake::Error::Library(error)) => return Err(error.into()),
            Err(other) => {
                let (address, words) = again();
                return Err(Error::RefusedAt(
                    format!("Nothing was kept: {other}."),
                    (address, words),
                ));
            }
        };
    held_lists::let_go(&mut write, person, id).await?;
    write
        .finish(&format!("/imports/{import}"), &format!("Kept: {added}."))
        .await
}
