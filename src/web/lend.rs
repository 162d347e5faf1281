//! Handing an instrument out: to whom, until when, with which parts, and what
//! the borrower is told it will not do.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::cautions::{self, Caution};
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::kit_ticks::{self, KitFields, KitRow};
use super::lend_form::{self, LendFields, OwnFields, WHY};
use super::page::{Layout, RequestContext, Submission, mend, page, see_other};
use super::{Error, address, said, show, things};
use crate::library::club::Club;
use crate::library::instruments::{Check, Instrument, Status};
use crate::library::lending::{Lend, LendDetails, Obstacle};
use crate::library::loans;
use crate::library::missing_kit::{self, MissingPart};
use crate::library::people::{Offered, Person};
use crate::library::reservations::{self, Reservation};
use crate::library::things::Sort;
use crate::library::turns::{Kept, Lines};
use crate::library::waits::{self, Wait};
use crate::library::{Conn, KitPartId, PersonId, kit, lending, loan_periods};
use crate::optics::barrels::Verdict;
use crate::startest::words::waves_and_error;
use crate::upkeep::{Condition, ShelfRow};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/lend", show_form),
        Route::post(Access::Volunteer, "/instruments/{tag}/lend", lend),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    /// The borrower to choose beforehand.
    to: String,
    /// Part of a name or address.
    who: String,
    /// "yes" to enter a loan that is over.
    past: String,
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
    /// What stands against it and takes a reason; empty where nothing is known to.
    against: Vec<String>,
    /// The reservations it may go out for.
    reserved: Vec<Reservation>,
    /// Parts that are not in the kit.
    missing: Vec<String>,
    past: bool,
    past_href: String,
    open_more: bool,
    who: String,
    offered: Offered,
    waiting: Vec<Wait>,
    form: OwnFields,
    kit: KitFields,
    kit_rows: Vec<KitRow>,
    cautions: Vec<Caution>,
    errors: FormErrors,
}

/// The same of a binocular.
fn barrel_limit_words(row: &ShelfRow) -> String {
    let a = &row.assessment;
    let known = a.last_barrels.as_ref();
    match known.filter(|_| a.condition != Condition::NotChecked) {
        None => "Not looked through lately: whether it strains the eyes cannot be said.".to_owned(),
        Some(barrels) => match barrels.judged.verdict {
            Verdict::MayStrain | Verdict::NeedsBench => {
                format!("It may strain the eyes: {}.", barrels.words.to_lowercase())
            }
            Verdict::Fine | Verdict::CannotTell => "Both barrels point the same way.".to_owned(),
        },
    }
}

/// What the borrower is told, from what is known today.
pub fn limit_words(row: &ShelfRow) -> String {
    let i = &row.instrument;
    match i.design.check() {
        Check::Star => {}
        Check::Barrels => return barrel_limit_words(row),
        Check::Bench => return "For the Sun only, with its own filters in place.".to_owned(),
    }
    let known = row
        .assessment
        .coma_rms_waves
        .filter(|_| row.assessment.condition != Condition::NotChecked);
    let Some((coma, sigma)) = known else {
        return "Not looked at lately: how sharp it is cannot be said.".to_owned();
    };
    let measured = format!("coma {} waves RMS", waves_and_error(coma, sigma));
    match said::sharpness(i, &row.assessment) {
        Some(sharp) => format!(
            "{} {}.",
            said::share_words(i, coma, sharp),
            show::capital(&measured)
        ),
        None => show::capital(&measured) + ".",
    }
}

/// The case as it is now.
struct Case {
    row: ShelfRow,
    waiting: Vec<Wait>,
    kit_rows: Vec<KitRow>,
    missing: Vec<MissingPart>,
    kept: Option<Kept>,
    reserved: Vec<Reservation>,
    loan_days: i64,
}

impl Case {
    async fn load(
        conn: &mut Conn,
        context: &RequestContext,
        tag: &str,
        past: bool,
    ) -> Result<Self, Error> {
        let instrument = Instrument::by_tag(conn, tag).await?;
        let id = instrument.id;
        let club = context.club();
        let today = club.date(context.now());
        let last = match loans::latest(conn, id).await? {
            Some(loan) => loans::parts(conn, loan).await?,
            None => Vec::new(),
        };
        let note = |part: KitPartId| {
            let stayed = last.iter().any(|p| p.id == part && !p.went_out) && !past;
            let words = if stayed {
                "did not go along last time"
            } else {
                ""
            };
            words.to_owned()
        };
        let parts = if past {
            kit::of(conn, id).await?
        } else {
            kit::present(conn, id).await?
        };
        let kit_rows = kit_ticks::rows(parts.into_iter().map(|p| (p.id, p.name, note(p.id))));
        let lines = Lines::load(conn, Some(id), club, today).await?;
        Ok(Self {
            loan_days: loan_periods::days_for(conn, club, id, Sort::Design(instrument.design))
                .await?,
            missing: missing_kit::of(conn, id).await?,
            kept: lines.kept(id).cloned(),
            reserved: reservations::from_day(conn, Some(id), today).await?,
            row: context.shelf_row(conn, instrument).await?,
            waiting: waits::open(conn, Some(id), None).await?,
            kit_rows,
        })
    }

    fn held(&self) -> bool {
        matches!(self.row.instrument.status, Status::Held | Status::Bench)
    }

    /// Why it cannot go out at all, or not without a coordinator; else "".
    fn barred(&self, may_override: bool) -> String {
        let i = &self.row.instrument;
        if i.open_loan.is_some() {
            "It is out on loan. Return it before it goes out again.".to_owned()
        } else if i.status == Status::Missing {
            "It is missing. Say that it is found before it goes out.".to_owned()
        } else if i.status == Status::Retired {
            "It is retired and no longer lent.".to_owned()
        } else if self.held() && !may_override {
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
        }
    }

    /// What the fields are checked against.
    fn fields(&self, today: NaiveDate, borrower: Option<PersonId>) -> lend_form::Against<'_> {
        lend_form::Against {
            today,
            loan_days: self.loan_days,
            borrower,
            kit_rows: &self.kit_rows,
            reserved: &self.reserved,
        }
    }

    /// What is known to stand against lending it today for its usual time, whoever
    /// borrows it.
    fn against(&self, today: NaiveDate) -> Vec<String> {
        let i = &self.row.instrument;
        let mut against = Vec::new();
        if self.held() {
            let why = if i.status_reason.is_empty() {
                String::new()
            } else {
                format!(" {}", i.status_reason)
            };
            against.push(Obstacle::Status(i.status).words() + &why);
        }
        if let Some(kept) = &self.kept {
            let obstacle = Obstacle::KeptFor {
                person: kept.person.clone(),
                until: kept.until,
            };
            against.push(obstacle.words());
        }
        let until = today + chrono::Duration::days(self.loan_days);
        let meets = self.reserved.iter().filter(|r| r.meets(today, until));
        against.extend(meets.map(|r| Obstacle::Reserved(r.clone()).words()));
        against
    }

    fn page(
        self,
        context: &RequestContext,
        offered: Offered,
        asked: Asked,
        form: LendFields,
        against: Vec<String>,
        errors: FormErrors,
    ) -> LendPage {
        let i = &self.row.instrument;
        let past = form.own.is_past();
        let barred = match past {
            true => String::new(),
            false => self.barred(context.may(Access::Coordinator)),
        };
        let assessment = &self.row.assessment;
        let action = format!("{}/lend", address::instrument(&i.tag));
        let folded: &[&str] = match past {
            true => &["collected_by", "deposit"],
            false => &["lent_on", "collected_by", "deposit"],
        };
        LendPage {
            layout: context.layout(&if past {
                format!("Enter a past loan of {}", i.tag)
            } else {
                format!("Lend {}", i.tag)
            }),
            condition: assessment.condition.slug(),
            dated: assessment
                .as_of
                .map(|at| format!("As of {}", show::date(context.club(), at)))
                .unwrap_or_default(),
            reasons: assessment.reasons.clone(),
            past_href: format!("{action}?past=yes"),
            action,
            here: address::instrument(&i.tag),
            check_in: address::check_in(&i.tag),
            barred,
            against,
            reserved: self.reserved,
            missing: self
                .missing
                .iter()
                .map(|m| missing_words(context.club(), m))
                .collect(),
            past,
            open_more: form.own.says_more() || folded.iter().any(|f| !errors.of(f).is_empty()),
            who: asked.who,
            offered,
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

/// "10 mm eyepiece, since 14 March 2026".
pub fn missing_words(club: &Club, missing: &MissingPart) -> String {
    format!(
        "{}, since {}",
        missing.part,
        show::date(club, missing.missing_since)
    )
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

    /// A reservation's id as the form sends it.
    fn reservation_id(&self, reservation: &Reservation) -> String {
        reservation.id.to_string()
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
    if things::page_instead(&context, &tag).await?.is_some() {
        let (tag, to) = (address::part(&tag), address::part(&asked.to));
        return Ok(see_other(&format!("/lend-together?take={tag}&to={to}")));
    }
    let past = asked.past == "yes";
    let mut conn = context.read().await?;
    let case = Case::load(&mut conn, &context, &tag, past).await?;
    let today = context.club().date(context.now());
    let until = today + chrono::Duration::days(case.loan_days);
    let typed = |text: String| if past { String::new() } else { text };
    let form = LendFields {
        own: OwnFields {
            borrower: asked.to.clone(),
            due_on: typed(until.format("%Y-%m-%d").to_string()),
            limit_stated: typed(limit_words(&case.row)),
            past: asked.past.clone(),
            ..OwnFields::default()
        },
        kit: KitFields::default(),
    };
    let against = if past {
        Vec::new()
    } else {
        case.against(today)
    };
    let offered = Person::offered(&mut conn, &asked.who, &asked.to).await?;
    page(&case.page(&context, offered, asked, form, against, FormErrors::new()))
}

async fn lend(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<LendFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let (club, now) = (context.club(), context.now());
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let case = Case::load(&mut write, &context, &tag, form.own.is_past()).await?;
    let mut errors = FormErrors::new();
    let today = club.date(now);
    let borrower = Person::chosen(&mut write, &form.own.borrower).await?;
    let fields = case.fields(today, borrower.map(|p| p.id));
    let Some(checked) = lend_form::check(&fields, &form, &mut errors) else {
        let offered = Person::offered(&mut write, "", &form.own.borrower).await?;
        drop(write);
        let against = match form.own.is_past() {
            true => Vec::new(),
            false => case.against(today),
        };
        let asked = Asked::default();
        return mend(&case.page(&context, offered, asked, form, against, errors));
    };
    let id = case.row.instrument.id;
    let at = lending::begins_on(&mut write, club, id, checked.from, now).await?;
    let back_at = match checked.back {
        Some(day) => Some(lending::ends_on(&mut write, club, id, at, day, now).await?),
        None => None,
    };
    let loan = Lend {
        instrument: id,
        borrower: checked.borrower,
        at,
        by,
        due_on: checked.due_on,
        limit_stated: checked.limit_stated,
        kit: checked.kit,
        override_reason: Some(checked.reason.clone()),
        details: LendDetails {
            recorded_at: Some(now),
            back_at,
            collected_by: checked.collected_by,
            deposit: checked.deposit,
            event: String::new(),
            reservation: checked.reservation,
        },
    };
    let obstacles = loan.obstacles(&mut write).await?;
    let barred = !form.own.is_past() && !case.barred(context.may(Access::Coordinator)).is_empty();
    if !obstacles.is_empty() && checked.reason.is_empty() && !barred {
        let against: Vec<String> = obstacles.iter().map(Obstacle::words).collect();
        errors.add("override_reason", format!("{WHY}: please fill this in."));
        let offered = Person::offered(&mut write, "", &form.own.borrower).await?;
        drop(write);
        let asked = Asked::default();
        return mend(&case.page(&context, offered, asked, form, against, errors));
    }
    let loan = loan.write(&mut write).await?;
    let notice = if back_at.is_some() {
        format!("A past loan of {} is entered.", case.row.instrument.tag)
    } else {
        format!("{} is lent.", case.row.instrument.tag)
    };
    write.finish(&format!("/loans/{loan}"), &notice).await
}
