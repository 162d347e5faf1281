//! How long a loan runs, by design, by kind of thing, and for single ones. Coordinators only.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::Form;
use super::fields::{FormErrors, shown_mark};
use super::page::{Layout, RequestContext, Submission, mend, page};
use crate::library::loan_periods::{self, LoanPeriod};
use crate::library::things::{Sort, Thing};
use crate::library::{self, Conn, settings};

const HERE: &str = "/club/loan-lengths";

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, HERE, show),
        Route::post(Access::Coordinator, HERE, save),
        Route::post(
            Access::Coordinator,
            "/club/loan-lengths/instrument",
            save_one,
        ),
    ]
}

/// Days by sort, in the order of [`Sort::all`].
#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct SortFields {
    days: Vec<String>,
    /// A mark of what the form showed when it was opened.
    shown: String,
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct OneFields {
    tag: String,
    instrument_days: String,
}

struct SortRow {
    id: String,
    label: &'static str,
    days: String,
    error: String,
}

#[derive(Template)]
#[template(path = "club/loan_lengths.html")]
struct LengthsPage {
    layout: Layout,
    lede: String,
    shown: String,
    /// Designs, and kinds of things: a title and its rows.
    groups: Vec<(&'static str, Vec<SortRow>)>,
    single: Vec<(String, i64)>,
    one: OneFields,
    errors: FormErrors,
}

/// Days of each sort as the form shows them.
fn typed(periods: &[LoanPeriod]) -> Vec<String> {
    let of = |sort: Sort| {
        periods
            .iter()
            .find(|p| p.sort.as_deref() == Some(sort.slug()))
    };
    Sort::all()
        .map(|s| of(s).map(|p| p.days.to_string()).unwrap_or_default())
        .collect()
}

fn mark(typed: &[String]) -> String {
    shown_mark(&typed.iter().map(String::as_str).collect::<Vec<_>>())
}

fn field(sort: Sort) -> String {
    format!("days-{}", sort.slug())
}

async fn lengths_page(
    context: &RequestContext,
    conn: &mut Conn,
    days: Option<Vec<String>>,
    one: OneFields,
    errors: FormErrors,
) -> Result<LengthsPage, Error> {
    let periods = loan_periods::all(conn).await?;
    let now = typed(&periods);
    let mut days = days.unwrap_or_else(|| now.clone());
    days.resize(now.len(), String::new());
    let rows = Sort::all().zip(days).map(|(sort, days)| {
        let row = SortRow {
            id: field(sort),
            label: sort.label(),
            days,
            error: errors.of(&field(sort)).to_owned(),
        };
        (sort, row)
    });
    let (designs, kinds): (Vec<_>, Vec<_>) =
        rows.partition(|(sort, _)| matches!(sort, Sort::Design(_)));
    let [designs, kinds] =
        [designs, kinds].map(|rows| rows.into_iter().map(|(_, row)| row).collect::<Vec<_>>());
    Ok(LengthsPage {
        layout: context.layout("How long a loan runs"),
        lede: format!(
            "{} days, unless its design or kind, or the thing itself, has a length of its own.",
            context.club().loan_days
        ),
        shown: mark(&now),
        groups: vec![
            ("Instruments, by design", designs),
            ("Things, by kind", kinds),
        ],
        single: periods
            .into_iter()
            .filter_map(|p| Some((p.tag?, p.days)))
            .collect(),
        one,
        errors,
    })
}

async fn show(context: RequestContext) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let one = OneFields::default();
    page(&lengths_page(&context, &mut conn, None, one, FormErrors::new()).await?)
}

async fn save(
    context: RequestContext,
    Form { fields: form, once }: Form<SortFields>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let days: Vec<Option<i64>> = Sort::all()
        .enumerate()
        .map(|(n, sort)| {
            let text = form.days.get(n).map_or("", String::as_str);
            let label = super::show::capital(sort.label());
            errors.optional_whole(&field(sort), &label, text, 1..=366)
        })
        .collect();
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let now = typed(&loan_periods::all(&mut write).await?);
    if form.shown != mark(&now) {
        let labels: Vec<(String, String)> = Sort::all()
            .map(|s| (field(s), super::show::capital(s.label())))
            .collect();
        let rows: Vec<_> = labels
            .iter()
            .zip(&now)
            .enumerate()
            .map(|(n, ((field, label), now))| {
                let text = form.days.get(n).map_or("", String::as_str);
                (field.as_str(), label.as_str(), text, now.as_str())
            })
            .collect();
        errors.overtaken(&rows);
    }
    if !errors.is_empty() {
        drop(write);
        let mut conn = context.read().await?;
        let one = OneFields::default();
        return mend(&lengths_page(&context, &mut conn, Some(form.days), one, errors).await?);
    }
    for ((sort, days), was) in Sort::all().zip(days).zip(&now) {
        loan_periods::set_for_sort(&mut write, sort, days).await?;
        note(&context, &mut write, sort.label(), was, days).await?;
    }
    write.finish(HERE, "Saved.").await
}

async fn save_one(
    context: RequestContext,
    Form { fields: form, once }: Form<OneFields>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let days = errors.optional_whole("instrument_days", "Days", &form.instrument_days, 1..=366);
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let thing = match Thing::by_tag(&mut write, &form.tag).await {
        Ok(thing) => Some(thing),
        Err(library::Error::NotFound(_)) => {
            errors.add(
                "tag",
                "Tag: nothing has this tag. Give one as its label has it.",
            );
            None
        }
        Err(error) => return Err(error.into()),
    };
    let Some(thing) = thing.filter(|_| errors.is_empty()) else {
        drop(write);
        let mut conn = context.read().await?;
        return mend(&lengths_page(&context, &mut conn, None, form, errors).await?);
    };
    let periods = loan_periods::all(&mut write).await?;
    let was = periods
        .iter()
        .find(|p| p.instrument_id == Some(thing.id))
        .map(|p| p.days.to_string())
        .unwrap_or_default();
    loan_periods::set_for_instrument(&mut write, thing.id, days).await?;
    note(&context, &mut write, &thing.tag, &was, days).await?;
    let notice = match days {
        Some(days) => format!("A loan of {} runs {days} days.", thing.tag),
        None => format!("{} has no length of its own now.", thing.tag),
    };
    write.finish(HERE, &notice).await
}

/// Writes a changed length into the history of settings.
async fn note(
    context: &RequestContext,
    conn: &mut Conn,
    of: &str,
    was: &str,
    days: Option<i64>,
) -> Result<(), Error> {
    let what = format!("Loan length, {of}");
    let became = days.map(|d| d.to_string()).unwrap_or_default();
    let change = [(what.as_str(), was, became.as_str())];
    Ok(settings::changed(conn, &change, context.person()?.id, context.now()).await?)
}
