//! The form in which spare parts are put on the list, and what is told of them is changed.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::{FormErrors, shown_mark};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::spares::{amount, at};
use super::{Error, show};
use crate::library::spares::{self, Particulars};
use crate::library::{self, SpareId};

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/spares/new", new_form),
        Route::post(Volunteer, "/spares/new", make),
        Route::get(Volunteer, "/spares/{id}/edit", edit_form),
        Route::post(Volunteer, "/spares/{id}/edit", edit),
    ]
}

/// The form as typed.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct SpareForm {
    name: String,
    unit: String,
    amount: String,
    low_at: String,
    place: String,
    value: String,
    /// A mark of what it showed when it was opened.
    shown: String,
}

impl SpareForm {
    fn of(told: &Particulars) -> Self {
        let mut form = Self {
            name: told.name.clone(),
            unit: told.unit.clone(),
            low_at: told.low_at.map(|low| low.to_string()).unwrap_or_default(),
            place: told.place.clone(),
            value: told
                .value_cents
                .map(|cents| show::trimmed(cents / 100.0, 4))
                .unwrap_or_default(),
            ..Self::default()
        };
        let values = form.named().map(|(_, _, value)| value);
        form.shown = shown_mark(&values);
        form
    }

    fn named(&self) -> [(&'static str, &'static str, &str); 5] {
        [
            ("name", "Name", &self.name),
            ("unit", "Counted in", &self.unit),
            ("low_at", "Low from", &self.low_at),
            ("place", "Where they lie", &self.place),
            ("value", "One costs", &self.value),
        ]
    }

    fn check(&self, errors: &mut FormErrors) -> Particulars {
        Particulars {
            name: errors.text("name", "Name", &self.name, 120),
            unit: errors.text("unit", "Counted in", &self.unit, 20),
            low_at: amount(errors, "low_at", "Low from", &self.low_at, 0.0),
            place: errors.optional_text("place", "Where they lie", &self.place, 100),
            value_cents: errors
                .optional_number("value", "One costs", &self.value, 0.0..=1e6)
                .map(|value| (value * 1e4).round() / 100.0),
        }
    }
}

#[derive(Template)]
#[template(path = "spares/form.html")]
struct FormPage {
    layout: Layout,
    action: String,
    back: String,
    currency: String,
    is_new: bool,
    form: SpareForm,
    errors: FormErrors,
}

impl FormPage {
    fn new(
        context: &RequestContext,
        id: Option<SpareId>,
        form: SpareForm,
        errors: FormErrors,
    ) -> Self {
        let title = match id {
            Some(_) => "Change spare parts",
            None => "New spare parts",
        };
        Self {
            layout: context.layout(title),
            action: id.map_or_else(|| "/spares/new".to_owned(), |id| format!("{}/edit", at(id))),
            back: id.map_or_else(|| "/spares".to_owned(), at),
            currency: context.club().currency.clone(),
            is_new: id.is_none(),
            form,
            errors,
        }
    }
}

async fn new_form(context: RequestContext) -> Result<Response, Error> {
    let form = SpareForm {
        unit: "pieces".to_owned(),
        ..SpareForm::default()
    };
    page(&FormPage::new(&context, None, form, FormErrors::new()))
}

async fn make(context: RequestContext, form: Form<SpareForm>) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let told = form.fields.check(&mut errors);
    let there = amount(
        &mut errors,
        "amount",
        "How many there are",
        &form.fields.amount,
        0.0,
    );
    if !errors.is_empty() {
        return mend(&FormPage::new(&context, None, form.fields, errors));
    }
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (by, now) = (context.person()?.id, context.now());
    match spares::add(&mut write, &told, there.unwrap_or_default(), by, now).await {
        Ok(id) => {
            let notice = format!("{}: on the list of spare parts.", told.name);
            write.finish(&at(id), &notice).await
        }
        Err(library::Error::Refused(why)) => {
            drop(write);
            errors.add("name", format!("Name: {why}"));
            mend(&FormPage::new(&context, None, form.fields, errors))
        }
        Err(error) => Err(error.into()),
    }
}

async fn edit_form(context: RequestContext, Path(id): Path<SpareId>) -> Result<Response, Error> {
    let spare = spares::get(&mut *context.read().await?, id).await?;
    let form = SpareForm::of(&spare.particulars);
    page(&FormPage::new(&context, Some(id), form, FormErrors::new()))
}

async fn edit(
    context: RequestContext,
    Path(id): Path<SpareId>,
    form: Form<SpareForm>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let told = form.fields.check(&mut errors);
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let now = SpareForm::of(&spares::get(&mut write, id).await?.particulars);
    let mut again = form.fields.clone();
    if errors.is_empty() && form.fields.shown != now.shown {
        let pairs = form.fields.named().into_iter().zip(now.named());
        let pairs: Vec<_> = pairs
            .map(|((field, label, typed), (_, _, now))| (field, label, typed, now))
            .collect();
        errors.overtaken(&pairs);
        again.shown.clone_from(&now.shown);
    }
    if errors.is_empty() {
        match spares::change(&mut write, id, &told).await {
            Ok(()) => {}
            Err(library::Error::Refused(why)) => errors.add("name", format!("Name: {why}")),
            Err(error) => return Err(error.into()),
        }
    }
    if !errors.is_empty() {
        drop(write);
        return mend(&FormPage::new(&context, Some(id), again, errors));
    }
    let notice = format!("{}: changed.", told.name);
    write.finish(&at(id), &notice).await
}
