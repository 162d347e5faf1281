//! Handing an instrument out: to whom, until when, with which parts, and what
//! the borrower is told it will not do.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::cautions::{self, Caution};
use super::extract::{Form, Path, Query};
use super::fields::{FormErrors, part};
use super::kit_ticks::{self, KitFields, KitRow};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, address, check_in, condition, show};
use crate::library::instruments::{Instrument, Status};
use crate::library::loans::{self, Lend};
use crate::library::people::Person;
use crate::library::waits::{self, Wait};
use crate::library::{Conn, KitPartId, PersonId, kit};
use crate::startest::words::waves_and_error;
use crate::upkeep::{self, Condition, ShelfRow};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/lend", show_form),
        Route::post(Access::Volunteer, "/instruments/{tag}/lend", lend),
    ]
}

/// The longest a loan may run, days.
pub const LONGEST_DAYS: i64 = 366;

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
struct LendFields {
    own: OwnFields,
    kit: KitFields,
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct OwnFields {
    borrower: String,
    due_on: String,
    limit_stated: String,
    override_reason: String,
}

impl TryFrom<Vec<(String, String)>> for LendFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            own: part(&pairs)?,
            kit: part(&pairs)?,
        })
    }
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    /// The borrower to choose beforehand.
    to: String,
    /// Part of a name or address.
    who: String,
}

#[derive(Template)]
#[template(path = "lending/lend.html")]
struct LendPage {
    layout: Layout,
    instrument: Instrument,
    condition: &'static str,
    dated: String,
    reasons: Vec<String>,
    action: String,
    here: String,
    check_in: String,
    /// Why it cannot go out at all, or not without a coordinator.
    barred: String,
    /// Whether a reason must be given.
    needs_reason: bool,
    who: String,
    people: Vec<Person>,
    waiting: Vec<Wait>,
    form: OwnFields,
    kit: KitFields,
    kit_rows: Vec<KitRow>,
    cautions: Vec<Caution>,
    errors: FormErrors,
}

/// What the borrower is told, from what is known today.
pub fn limit_words(row: &ShelfRow) -> String {
    let i = &row.instrument;
    if !i.design.takes_star_test() {
        return "For the Sun only, with its own filters in place.".to_owned();
    }
    let known = row
        .assessment
        .coma_rms_waves
        .filter(|_| row.assessment.condition != Condition::NotChecked);
    let Some((coma, sigma)) = known else {
        return "Not looked at lately: how sharp it is cannot be said.".to_owned();
    };
    let measured = format!("coma {} waves RMS", waves_and_error(coma, sigma));
    match condition::sharpness(i, &row.assessment) {
        Some(sharp) => format!(
            "Sharp up to about {}x; {measured}.",
            condition::about(sharp.today)
        ),
        None => show::capital(&measured) + ".",
    }
}

/// The case as it is now.
struct Case {
    row: ShelfRow,
    people: Vec<Person>,
    waiting: Vec<Wait>,
    kit_rows: Vec<KitRow>,
}

impl Case {
    async fn load(conn: &mut Conn, context: &RequestContext, tag: &str) -> Result<Self, Error> {
        let instrument = Instrument::by_tag(conn, tag).await?;
        let id = instrument.id;
        let last = match loans::latest(conn, id).await? {
            Some(loan) => loans::parts(conn, loan).await?,
            None => Vec::new(),
        };
        let note = |part: KitPartId| {
            let lack = last.iter().find(|p| p.id == part)?;
            match (lack.went_out, lack.came_back) {
                (false, _) => Some("did not go along last time"),
                (true, Some(false)) => Some("did not come back last time"),
                _ => None,
            }
        };
        let kit_rows = kit_ticks::rows(kit::of(conn, id).await?.into_iter().map(|p| {
            let note = note(p.id).unwrap_or_default().to_owned();
            (p.id, p.name, note)
        }));
        Ok(Self {
            row: upkeep::shelf_row(conn, instrument, context.now()).await?,
            people: Person::list(conn).await?,
            waiting: waits::open(conn, Some(id), None).await?,
            kit_rows,
        })
    }

    fn held(&self) -> bool {
        matches!(self.row.instrument.status, Status::Held | Status::Bench)
    }

    fn page(
        self,
        context: &RequestContext,
        asked: Asked,
        form: LendFields,
        errors: FormErrors,
    ) -> LendPage {
        let held = self.held();
        let i = &self.row.instrument;
        let may_override = context.may(Access::Coordinator);
        let barred = if i.open_loan.is_some() {
            "It is out on loan. Take it back before it goes out again.".to_owned()
        } else if i.status == Status::Retired {
            "It is retired and no longer lent.".to_owned()
        } else if held && !may_override {
            format!(
                "It is {}{} and is not lent until it is back on the shelf. A coordinator can override this with a reason.",
                i.status,
                if i.status_reason.is_empty() {
                    String::new()
                } else {
                    format!(" ({})", i.status_reason)
                }
            )
        } else {
            String::new()
        };
        let wanted = asked.who.trim().to_lowercase();
        let chosen = form.own.borrower.clone();
        let people = self
            .people
            .into_iter()
            .filter(|p| {
                wanted.is_empty()
                    || p.id.to_string() == chosen
                    || p.name.to_lowercase().contains(&wanted)
                    || p.mail().contains(&wanted)
            })
            .collect();
        let assessment = &self.row.assessment;
        LendPage {
            layout: context.layout(&format!("Lend {}", i.tag)),
            condition: assessment.condition.slug(),
            dated: assessment
                .as_of
                .map(|at| format!("As of {}", show::date(context.club(), at)))
                .unwrap_or_default(),
            reasons: assessment.reasons.clone(),
            action: format!("{}/lend", address::instrument(&i.tag)),
            here: address::instrument(&i.tag),
            check_in: check_in::address(&i.tag),
            barred,
            needs_reason: held && may_override,
            who: asked.who,
            people,
            waiting: self.waiting,
            form: form.own,
            kit: form.kit,
            cautions: cautions::of(
                context.club(),
                i,
                &self
                    .kit_rows
                    .iter()
                    .map(|r| r.key.clone())
                    .collect::<Vec<_>>(),
            ),
            kit_rows: self.kit_rows,
            instrument: self.row.instrument,
            errors,
        }
    }
}

impl LendPage {
    /// A person's id as the form sends it.
    fn id(&self, person: &PersonId) -> String {
        person.to_string()
    }

    /// Whether this person is the one chosen.
    fn is_chosen(&self, person: &PersonId) -> bool {
        person.to_string() == self.form.borrower
    }

    /// Whether they stand on the waiting list and so are listed there.
    fn waits(&self, person: &PersonId) -> bool {
        self.waiting.iter().any(|w| w.person_id == *person)
    }

    /// What this kind of instrument shows of the condition.
    fn sentence(&self) -> &'static str {
        match self.condition {
            "ready" => "Fit to lend.",
            "usable" => "Fit to lend if the borrower knows the limit.",
            "needs-bench" => "It should see the bench before the next loan.",
            _ => "Nobody can honestly say how sharp it is. Tell the borrower so.",
        }
    }
}

async fn show_form(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let case = Case::load(&mut conn, &context, &tag).await?;
    let today = context.club().date(context.now());
    let until = today + chrono::Duration::days(context.club().loan_days);
    let form = LendFields {
        own: OwnFields {
            borrower: asked.to.clone(),
            due_on: until.format("%Y-%m-%d").to_string(),
            limit_stated: limit_words(&case.row),
            override_reason: String::new(),
        },
        kit: KitFields::default(),
    };
    page(&case.page(&context, asked, form, FormErrors::new()))
}

/// Reads the day a loan is due: today or later, and no further than a year.
pub fn due_day(
    errors: &mut FormErrors,
    field: &str,
    typed: &str,
    today: NaiveDate,
) -> Option<NaiveDate> {
    let day = errors.date(field, "Back by", typed)?;
    let days = (day - today).num_days();
    if days < 0 {
        errors.add(
            field,
            "Back by: this day is past. Choose today or a later one.",
        );
        None
    } else if days > LONGEST_DAYS {
        errors.add(
            field,
            "Back by: a loan may run a year at most. Choose an earlier day.",
        );
        None
    } else {
        Some(day)
    }
}

async fn lend(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<LendFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let case = Case::load(&mut write, &context, &tag).await?;
    let mut errors = FormErrors::new();
    let borrower = form
        .own
        .borrower
        .parse::<PersonId>()
        .ok()
        .filter(|id| case.people.iter().any(|p| p.id == *id));
    if borrower.is_none() {
        errors.add("borrower", "To whom: choose a person from the list.");
    }
    let today = context.club().date(context.now());
    let due_on = due_day(&mut errors, "due_on", &form.own.due_on, today);
    let parts = form.kit.check(&case.kit_rows, &mut errors);
    let limit_stated = errors.text(
        "limit_stated",
        "What the borrower is told",
        &form.own.limit_stated,
        500,
    );
    // Only a coordinator's reason counts; for others the library refuses.
    let may_override = context.may(Access::Coordinator);
    let override_reason = (case.held() && may_override).then(|| {
        errors.text(
            "override_reason",
            "Why it goes out all the same",
            &form.own.override_reason,
            500,
        )
    });
    let (Some(borrower), Some(due_on), Some(parts), true) =
        (borrower, due_on, parts, errors.is_empty())
    else {
        drop(write);
        return mend(&case.page(&context, Asked::default(), form, errors));
    };
    let loan = Lend {
        instrument: case.row.instrument.id,
        borrower,
        at: context.now(),
        by,
        due_on,
        limit_stated,
        kit: parts,
        override_reason,
    }
    .write(&mut write)
    .await?;
    write
        .finish(
            &format!("/loans/{loan}"),
            &format!("{} is lent.", case.row.instrument.tag),
        )
        .await
}
