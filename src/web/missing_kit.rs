//! Kit that is missing: who has it on their account, and how that ends.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::tables::{Cell, csv_response};
use super::{Error, address, show};
use crate::library::MissingKitId;
use crate::library::missing_kit::{self, MissingPart, Outcome, Which};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/missing-kit", list),
        Route::get(Access::Volunteer, "/missing-kit.csv", list_csv),
        Route::post(Access::Volunteer, "/missing-kit/{id}/settle", settle),
        Route::post(Access::Volunteer, "/missing-kit/{id}/back", back),
    ]
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct ListFields {
    /// "all" for settled ones as well; for coordinators.
    show: String,
}

struct Row {
    id: String,
    part: String,
    tag: String,
    href: String,
    since: String,
    account: String,
    how: String,
    is_open: bool,
    is_missing: bool,
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct SettleFields {
    outcome: String,
    note: String,
}

#[derive(Template)]
#[template(path = "missing_kit/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    rows: Vec<Row>,
    all: bool,
    may_see_all: bool,
    csv: String,
    /// The row whose form came back, and what was typed in it.
    wrong: String,
    form: SettleFields,
    errors: FormErrors,
}

async fn asked_for(
    context: &RequestContext,
    fields: &ListFields,
) -> Result<Vec<MissingPart>, Error> {
    let all = fields.show == "all";
    if all && !context.may(Access::Coordinator) {
        return Err(Error::NotAllowed(Access::Coordinator));
    }
    let mut conn = context.read().await?;
    let which = Which {
        all,
        ..Which::default()
    };
    Ok(missing_kit::list(&mut conn, which).await?)
}

fn account_words(part: &MissingPart) -> String {
    match &part.borrower {
        Some(borrower) => borrower.clone(),
        None => "nobody's".to_owned(),
    }
}

/// "Paid for 3 May 2026. In the kit again since 9 May 2026."
fn how_words(context: &RequestContext, part: &MissingPart) -> String {
    let club = context.club();
    let mut words = Vec::new();
    if let (Some(outcome), Some(at)) = (part.outcome, part.settled_at) {
        words.push(format!(
            "{} {}.",
            show::capital(outcome.label()),
            show::date(club, at)
        ));
    }
    if let Some(at) = part.back_at
        && part.outcome != Some(Outcome::Returned)
    {
        words.push(format!("In the kit again since {}.", show::date(club, at)));
    }
    if !part.note.is_empty() {
        words.push(part.note.clone());
    }
    words.join(" ")
}

async fn list_page(
    context: &RequestContext,
    fields: &ListFields,
    wrong: String,
    form: SettleFields,
    errors: FormErrors,
) -> Result<ListPage, Error> {
    let parts = asked_for(context, fields).await?;
    let all = fields.show == "all";
    let on_accounts = parts
        .iter()
        .filter(|p| p.is_open() && p.loan_id.is_some())
        .count();
    let away = parts.iter().filter(|p| p.back_at.is_none()).count();
    Ok(ListPage {
        layout: context.layout("Missing kit"),
        lede: format!(
            "{} missing, {on_accounts} on a borrower's account.",
            show::counted(away, "part", "parts")
        ),
        rows: parts
            .iter()
            .map(|p| Row {
                id: p.id.to_string(),
                part: p.part.clone(),
                tag: p.tag.clone(),
                href: address::instrument(&p.tag),
                since: show::date(context.club(), p.missing_since),
                account: account_words(p),
                how: how_words(context, p),
                is_open: p.is_open(),
                is_missing: p.back_at.is_none(),
            })
            .collect(),
        all,
        may_see_all: context.may(Access::Coordinator),
        csv: format!("/missing-kit.csv{}", if all { "?show=all" } else { "" }),
        wrong,
        form,
        errors,
    })
}

async fn list(
    context: RequestContext,
    Query(fields): Query<ListFields>,
) -> Result<Response, Error> {
    let form = SettleFields::default();
    page(&list_page(&context, &fields, String::new(), form, FormErrors::new()).await?)
}

async fn list_csv(
    context: RequestContext,
    Query(fields): Query<ListFields>,
) -> Result<Response, Error> {
    let parts = asked_for(&context, &fields).await?;
    let club = context.club();
    csv_response(
        &[
            "tag",
            "instrument",
            "part",
            "missing since",
            "on the account of",
            "settled",
            "how",
            "in the kit again",
            "note",
        ],
        parts.into_iter().map(|p| {
            vec![
                Cell::from(p.tag),
                Cell::from(p.instrument_name),
                Cell::from(p.part),
                Cell::from(club.date(p.missing_since)),
                Cell::from(p.borrower),
                Cell::from(p.settled_at.map(|at| club.date(at))),
                Cell::from(p.outcome.map(|o| o.label().to_owned())),
                Cell::from(p.back_at.map(|at| club.date(at))),
                Cell::from(p.note),
            ]
        }),
    )
}

async fn settle(
    context: RequestContext,
    Path(id): Path<MissingKitId>,
    Form { fields: form, once }: Form<SettleFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut errors = FormErrors::new();
    let outcome = errors.word::<Outcome>("outcome", "What became of it", &form.outcome);
    let note = errors.optional_text("note", "Note", &form.note, 300);
    let Some(outcome) = outcome.filter(|_| errors.is_empty()) else {
        let fields = ListFields::default();
        return mend(&list_page(&context, &fields, id.to_string(), form, errors).await?);
    };
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let part = missing_kit::settle(&mut write, id, outcome, &note, by, context.now()).await?;
    let notice = format!("{} of {}: {outcome}.", show::capital(&part.part), part.tag);
    write.finish("/missing-kit", &notice).await
}

async fn back(
    context: RequestContext,
    Path(id): Path<MissingKitId>,
    Form { once, .. }: Form<super::extract::Nothing>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let part = missing_kit::is_back(&mut write, id, by, context.now()).await?;
    let notice = format!(
        "{} of {}: in the kit again.",
        show::capital(&part.part),
        part.tag
    );
    write.finish("/missing-kit", &notice).await
}

impl ListPage {
    /// The error of a row's form, or "".
    fn error(&self, row: &Row, field: &str) -> &str {
        if row.id == self.wrong {
            self.errors.of(field)
        } else {
            ""
        }
    }

    /// What was typed in a row's form.
    fn typed(&self, row: &Row) -> SettleFields {
        if row.id == self.wrong {
            self.form.clone()
        } else {
            SettleFields::default()
        }
    }
}
