//! Spare parts and consumables: the list, and each kind with what became of it, where more
//! are added and all are counted anew. What is told of them is in [`super::spares_form`];
//! they are used in work ([`super::spares_used`]).

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::tables::{Cell, csv_response};
use super::{Error, show};
use crate::library::SpareId;
use crate::library::spares::{self, Amount, Move, MoveWhat, Spare, counted_in};

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Volunteer;
    vec![
        Route::get(Volunteer, "/spares", list),
        Route::get(Volunteer, "/spares.csv", list_csv),
        Route::get(Volunteer, "/spares/{id}", one),
        Route::post(Volunteer, "/spares/{id}/add", add),
        Route::post(Volunteer, "/spares/{id}/count", count),
        Route::post(Volunteer, "/spares/{id}/remove", remove),
    ]
}

/// Where those of one kind are.
pub fn at(id: SpareId) -> String {
    format!("/spares/{id}")
}

// ---- the list ----

fn controls() -> Controls {
    Controls {
        path: "/spares".to_owned(),
        csv: "/spares.csv".to_owned(),
        sought_in: "Name or place",
        choices: vec![Choice::of("show", "Which", "all", &[("low", "low")])],
        orders: &[("name", "Name"), ("place", "Place")],
        rows: 100,
    }
}

async fn asked_for(context: &RequestContext, asked: &Asked) -> Result<Vec<Spare>, Error> {
    let controls = controls();
    let order = controls.check(asked)?;
    let mut found = spares::all(&mut *context.read().await?).await?;
    found.retain(|one| {
        (asked.of("show") != "low" || one.is_low())
            && asked.fits(&[&one.particulars.name, &one.particulars.place])
    });
    if order == "place" {
        found.sort_by_cached_key(|one| one.particulars.place.to_lowercase());
    }
    Ok(found)
}

struct Row {
    name: String,
    href: String,
    there_are: String,
    low: bool,
    place: String,
}

#[derive(Template)]
#[template(path = "spares/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    list: Shown,
    rows: Vec<Row>,
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = asked_for(&context, &asked).await?;
    let low = found.iter().filter(|one| one.is_low()).count();
    let lede = format!(
        "{}, {low} low.",
        show::counted(found.len(), "kind", "kinds")
    );
    let (rows, list) = controls().page_of(&asked, found);
    page(&ListPage {
        layout: context.layout("Spare parts"),
        lede,
        rows: rows
            .into_iter()
            .map(|one| Row {
                href: at(one.id),
                there_are: one.there_are(),
                low: one.is_low(),
                name: one.particulars.name,
                place: one.particulars.place,
            })
            .collect(),
        list,
    })
}

async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = asked_for(&context, &asked).await?;
    csv_response(
        &["name", "amount", "unit", "low_at", "low", "place", "value"],
        found.into_iter().map(|one| {
            let (is_low, told) = (one.is_low(), one.particulars);
            vec![
                Cell::from(told.name),
                Cell::number(one.amount.units(), 3),
                Cell::from(told.unit),
                Cell::from(told.low_at.map(|low| Cell::number(low.units(), 3))),
                Cell::from(if is_low { "yes" } else { "no" }),
                Cell::from(told.place),
                Cell::from(told.value_cents.map(|c| Cell::number(c / 100.0, 4))),
            ]
        }),
    )
}

// ---- one kind ----

/// What is typed of more, or of a count.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct AmountForm {
    amount: String,
    counted: String,
    reason: String,
}

#[derive(Template)]
#[template(path = "spares/one.html")]
struct OnePage {
    layout: Layout,
    here: String,
    spare: Spare,
    low_words: String,
    value: String,
    moves: Vec<(String, String)>,
    form: AmountForm,
    errors: FormErrors,
}

fn move_words(one: &Move, unit: &str) -> String {
    let amount = counted_in(Amount(one.change.0.abs()), unit);
    let words = match (one.what, one.change.0) {
        (MoveWhat::Used, _) => {
            let tag = one.tag.as_deref().unwrap_or_default();
            format!("{amount} used at {tag}")
        }
        (MoveWhat::Added, _) => format!("{amount} added"),
        (MoveWhat::Counted, 0) => "Counted anew, as many as thought".to_owned(),
        (MoveWhat::Counted, change) => {
            let side = if change > 0 { "more" } else { "fewer" };
            format!("Counted anew, {amount} {side}")
        }
    };
    let reason = match one.words.as_str() {
        "" => String::new(),
        reason => format!(": {reason}"),
    };
    format!("{words}{reason}")
}

async fn one_page(
    context: &RequestContext,
    id: SpareId,
    form: AmountForm,
    errors: FormErrors,
) -> Result<OnePage, Error> {
    let mut conn = context.read().await?;
    let spare = spares::get(&mut conn, id).await?;
    let moves = spares::moves(&mut conn, id).await?;
    let told = &spare.particulars;
    Ok(OnePage {
        layout: context.layout(&told.name),
        here: at(id),
        low_words: match told.low_at {
            Some(low) => format!("{} or fewer", counted_in(low, &told.unit)),
            None => "never".to_owned(),
        },
        value: told
            .value_cents
            .map_or_else(String::new, |cents| money_words(context, cents)),
        moves: moves
            .iter()
            .map(|one| {
                let when = show::date(context.club(), one.at);
                (format!("{when}, {}", one.by), move_words(one, &told.unit))
            })
            .collect(),
        spare,
        form,
        errors,
    })
}

/// Money that may be less than a cent.
fn money_words(context: &RequestContext, cents: f64) -> String {
    if cents.fract() == 0.0 {
        show::money(context.club(), cents as i64)
    } else {
        let units = show::trimmed(cents / 100.0, 4);
        format!("{units} {}", context.club().currency)
    }
}

async fn one(context: RequestContext, Path(id): Path<SpareId>) -> Result<Response, Error> {
    page(&one_page(&context, id, AmountForm::default(), FormErrors::new()).await?)
}

/// An amount that was typed; `None` where it is amiss or left out.
pub fn amount(
    errors: &mut FormErrors,
    field: &str,
    label: &str,
    typed: &str,
    least: f64,
) -> Option<Amount> {
    let found = errors.optional_number(field, label, typed, least..=Amount::MOST);
    found.map(Amount::of)
}

async fn add(
    context: RequestContext,
    Path(id): Path<SpareId>,
    form: Form<AmountForm>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let more = amount(
        &mut errors,
        "amount",
        "How many came",
        &form.fields.amount,
        0.001,
    );
    if more.is_none() && errors.is_empty() {
        errors.add("amount", "How many came: please give a number.");
    }
    let Some(more) = more else {
        return mend(&one_page(&context, id, form.fields, errors).await?);
    };
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let by = context.person()?.id;
    let spare = spares::more(&mut write, id, more, by, context.now()).await?;
    let told = &spare.particulars;
    let came = counted_in(more, &told.unit);
    let notice = format!(
        "{}: {came} added, {} there now.",
        told.name,
        spare.there_are()
    );
    write.finish(&at(id), &notice).await
}

async fn count(
    context: RequestContext,
    Path(id): Path<SpareId>,
    form: Form<AmountForm>,
) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let typed = &form.fields;
    let there = amount(
        &mut errors,
        "counted",
        "How many there are",
        &typed.counted,
        0.0,
    );
    if there.is_none() && errors.is_empty() {
        errors.add("counted", "How many there are: please give a number.");
    }
    let reason = errors.text("reason", "Why they were counted", &typed.reason, 300);
    let Some(there) = there.filter(|_| errors.is_empty()) else {
        return mend(&one_page(&context, id, form.fields, errors).await?);
    };
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let before = spares::get(&mut write, id).await?.there_are();
    let by = context.person()?.id;
    let spare = spares::counted(&mut write, id, there, &reason, by, context.now()).await?;
    let notice = format!(
        "{}: counted anew, {} in place of {before}: {reason}",
        spare.particulars.name,
        spare.there_are()
    );
    write.finish(&at(id), &notice).await
}

async fn remove(
    context: RequestContext,
    Path(id): Path<SpareId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let name = spares::get(&mut write, id).await?.particulars.name;
    spares::remove(&mut write, id, context.now()).await?;
    let notice = format!("{name}: off the list of spare parts.");
    write.finish("/spares", &notice).await
}
