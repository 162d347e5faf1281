//! The club's settings. Coordinators only.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::Form;
use super::fields::{FormErrors, shown_mark};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::tables::{self, Cell};
use crate::library::Moment;
use crate::library::club::Club;
use crate::library::settings::{self, SettingChange};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/club", show),
        Route::post(Access::Coordinator, "/club", save),
        Route::get(Access::Coordinator, "/club/history", history_page),
        Route::get(Access::Coordinator, "/club/history.csv", history_csv),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct ClubFields {
    name: String,
    zone: String,
    units: String,
    paper: String,
    currency: String,
    public_address: String,
    contact: String,
    loan_days: String,
    loans_per_person: String,
    renewals: String,
    renew_late_days: String,
    fetch_days: String,
    second_factor: String,
    second_look: String,
    /// A mark of what the form showed when it was opened.
    shown: String,
}

impl ClubFields {
    fn of(club: &Club) -> Self {
        let mut fields = Self {
            name: club.name.clone(),
            zone: club.zone.clone(),
            units: club.units.slug().to_owned(),
            paper: club.paper.slug().to_owned(),
            currency: club.currency.clone(),
            public_address: club.public_address.clone().unwrap_or_default(),
            contact: club.contact.clone(),
            loan_days: club.loan_days.to_string(),
            loans_per_person: club
                .loans_per_person
                .map(|n| n.to_string())
                .unwrap_or_default(),
            renewals: club.renewals.to_string(),
            renew_late_days: club.renew_late_days.to_string(),
            fetch_days: club.fetch_days.to_string(),
            second_factor: FACTOR_WORDS[usize::from(club.second_factor_required)].to_owned(),
            second_look: LOOK_WORDS[usize::from(club.second_look.is_some())].to_owned(),
            shown: String::new(),
        };
        let values: Vec<&str> = fields.named().map(|(_, _, value)| value).to_vec();
        fields.shown = shown_mark(&values);
        fields
    }

    /// Each field's name, label and value.
    fn named(&self) -> [(&'static str, &'static str, &str); 14] {
        [
            ("name", "Club", &self.name),
            ("zone", "Time zone", &self.zone),
            ("units", "Units", &self.units),
            ("paper", "Paper", &self.paper),
            ("currency", "Currency", &self.currency),
            ("public_address", "Address", &self.public_address),
            ("contact", "Lending desk", &self.contact),
            ("loan_days", "Loan length", &self.loan_days),
            ("loans_per_person", MOST, &self.loans_per_person),
            ("renewals", RENEWALS, &self.renewals),
            ("renew_late_days", LATE, &self.renew_late_days),
            ("fetch_days", FETCH, &self.fetch_days),
            ("second_factor", FACTOR, &self.second_factor),
            ("second_look", LOOK, &self.second_look),
        ]
    }

    /// What somebody else has changed since this form was opened.
    fn overtaken_by(&self, now: &Self) -> FormErrors {
        let mut errors = FormErrors::new();
        if self.shown != now.shown {
            let pairs: Vec<_> = self
                .named()
                .into_iter()
                .zip(now.named())
                .map(|((field, label, typed), (_, _, now))| (field, label, typed, now))
                .collect();
            errors.overtaken(&pairs);
        }
        errors
    }

    /// `has_factor`: whether the person who sends it signs in with a second factor.
    fn check(&self, old: &Club, has_factor: bool, now: Moment) -> Result<Club, FormErrors> {
        let mut errors = FormErrors::new();
        let name = errors.text("name", "Club", &self.name, 120);
        let zone = self.zone.trim().to_owned();
        if zone.parse::<chrono_tz::Tz>().is_err() {
            errors.add(
                "zone",
                "Time zone: give a name like Europe/Lisbon or America/Denver.",
            );
        }
        let units = errors.word("units", "Units", &self.units);
        let paper = errors.word("paper", "Paper", &self.paper);
        let currency = self.currency.trim().to_uppercase();
        if currency.len() != 3 || !currency.chars().all(|c| c.is_ascii_uppercase()) {
            errors.add(
                "currency",
                "Currency: give its three letters, like EUR or USD.",
            );
        }
        let public = self.public_address.trim().trim_end_matches('/').to_owned();
        let is_web = public
            .strip_prefix("https://")
            .or_else(|| public.strip_prefix("http://"))
            .is_some_and(|rest| {
                !rest.is_empty()
                    && !rest
                        .contains(|c: char| c.is_whitespace() || c == '/' || c == '"' || c == '<')
            });
        if !public.is_empty() && !is_web {
            errors.add("public_address", "Address: give it as people type it, like https://scopes.example.org, without a path.");
        }
        let contact = errors.optional_text("contact", "Lending desk", &self.contact, 300);
        let loan_days = whole(
            &mut errors,
            "loan_days",
            "Loan length",
            &self.loan_days,
            1..=366,
        );
        let loans_per_person =
            errors.optional_whole("loans_per_person", MOST, &self.loans_per_person, 1..=100);
        let renewals = whole(&mut errors, "renewals", RENEWALS, &self.renewals, 0..=50);
        let late = &self.renew_late_days;
        let renew_late_days = whole(&mut errors, "renew_late_days", LATE, late, 0..=366);
        let required = FACTOR_WORDS.iter().position(|w| *w == self.second_factor);
        let second_factor_required = required == Some(1);
        if required.is_none() {
            errors.add("second_factor", format!("{FACTOR}: choose one."));
        } else if second_factor_required && !old.second_factor_required && !has_factor {
            errors.add(
                "second_factor",
                format!("{FACTOR}: turn on your own first (under your name), or this would shut you out."),
            );
        }
        let look = LOOK_WORDS.iter().position(|w| *w == self.second_look);
        if look.is_none() {
            errors.add("second_look", format!("{LOOK}: choose one."));
        }
        let fetch_days = whole(&mut errors, "fetch_days", FETCH, &self.fetch_days, 1..=90);
        match (
            units,
            paper,
            loan_days,
            renewals,
            renew_late_days,
            fetch_days,
        ) {
            (
                Some(units),
                Some(paper),
                Some(loan_days),
                Some(renewals),
                Some(renew_late_days),
                Some(fetch_days),
            ) if errors.is_empty() => Ok(Club {
                name,
                zone,
                units,
                paper,
                currency,
                public_address: (!public.is_empty()).then_some(public),
                contact,
                loan_days,
                loans_per_person,
                renewals,
                renew_late_days,
                fetch_days,
                second_factor_required,
                // Work done before it was turned on waits for nobody.
                second_look: (look == Some(1)).then(|| old.second_look.unwrap_or(now)),
                demo: old.demo,
            }),
            _ => Err(errors),
        }
    }
}

const FACTOR: &str = "Second factor of coordinators";
/// As the form sends them: not required, required.
const FACTOR_WORDS: [&str; 2] = ["asked", "required"];
const LOOK: &str = "Work that moved the optics";
/// As the form sends them: no second look, a second look.
const LOOK_WORDS: [&str; 2] = ["one person", "second look"];
const MOST: &str = "Instruments one person has at a time";
const RENEWALS: &str = "Renewals of one loan";
const LATE: &str = "No renewal once late by more than";
const FETCH: &str = "Kept for the next in line";

/// A whole number that must be there.
fn whole(
    errors: &mut FormErrors,
    field: &str,
    label: &str,
    typed: &str,
    bounds: std::ops::RangeInclusive<i64>,
) -> Option<i64> {
    let found = errors.optional_whole(field, label, typed, bounds.clone());
    if found.is_none() && errors.of(field).is_empty() {
        errors.add(
            field,
            format!(
                "{label}: give a whole number from {} to {}.",
                bounds.start(),
                bounds.end()
            ),
        );
    }
    found
}

#[derive(Template)]
#[template(path = "club/club.html")]
struct ClubPage {
    layout: Layout,
    form: ClubFields,
    errors: FormErrors,
}

async fn show(context: RequestContext) -> Result<Response, Error> {
    page(&ClubPage {
        layout: context.layout("The club"),
        form: ClubFields::of(context.club()),
        errors: FormErrors::new(),
    })
}

async fn save(context: RequestContext, form: Form<ClubFields>) -> Result<Response, Error> {
    let club = match form
        .fields
        .check(context.club(), context.visitor.second_factor, context.now())
    {
        Ok(club) => club,
        Err(errors) => {
            return mend(&ClubPage {
                layout: context.layout("The club"),
                form: form.fields,
                errors,
            });
        }
    };
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let now = ClubFields::of(&Club::load(&mut write).await?);
    let errors = form.fields.overtaken_by(&now);
    if !errors.is_empty() {
        drop(write);
        return mend(&ClubPage {
            layout: context.layout("The club"),
            form: ClubFields {
                shown: now.shown,
                ..form.fields
            },
            errors,
        });
    }
    club.save(&mut write).await?;
    let by = context.person()?.id;
    let became = ClubFields::of(&club);
    let mut changes = Vec::new();
    for ((_, what, was), (_, _, became)) in now.named().into_iter().zip(became.named()) {
        changes.push((what, was, became));
    }
    settings::changed(&mut write, &changes, by, context.now()).await?;
    write.finish("/club", "Saved.").await
}

// ---- what was changed ----

#[derive(Template)]
#[template(path = "club/history.html")]
struct HistoryPage {
    layout: Layout,
    rows: Vec<(String, SettingChange)>,
}

async fn history_page(context: RequestContext) -> Result<Response, Error> {
    let rows = settings::history(&mut *context.read().await?).await?;
    page(&HistoryPage {
        layout: context.layout("Changes of settings"),
        rows: rows
            .into_iter()
            .map(|row| (super::show::time(context.club(), row.changed_at), row))
            .collect(),
    })
}

async fn history_csv(context: RequestContext) -> Result<Response, Error> {
    let rows = settings::history(&mut *context.read().await?).await?;
    let rows = rows.into_iter().map(|row| {
        vec![
            Cell::time(context.club(), row.changed_at),
            row.what.into(),
            row.was.into(),
            row.became.into(),
            row.changed_by.into(),
        ]
    });
    tables::csv_response(
        &["changed_at", "setting", "was", "became", "changed_by"],
        rows,
    )
}
