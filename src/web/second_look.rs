//! Signing off what another volunteer did at the bench.

use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::condition::{Typed, with_mends};
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{RequestContext, Submission};
use super::{Error, address};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::Instrument;
use crate::library::second_looks;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::post(
        Access::Volunteer,
        "/instruments/{tag}/second-look",
        sign,
    )]
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct LookForm {
    words: String,
}

async fn sign(
    context: RequestContext,
    Path(tag): Path<String>,
    form: Form<LookForm>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let note = errors.optional_text("words", "What you looked at", &form.fields.words, 500);
    if !errors.is_empty() {
        let typed = Typed {
            looked_at: form.fields.words,
            ..Typed::default()
        };
        return with_mends(&context, &tag, errors, typed).await;
    }
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let entry = NewEntry {
        instrument: instrument.id,
        kind: EntryKind::Note,
        happened_at: context.now(),
        recorded_at: context.now(),
        by: context.person()?.id,
        loan: None,
        note,
    };
    second_looks::sign(&mut write, entry, context.club().second_look).await?;
    let notice = format!("{} is looked over.", instrument.tag);
    write
        .finish(&address::instrument(&instrument.tag), &notice)
        .await
}
