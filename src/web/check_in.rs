//! The workshop check-in: find the instrument, tick the kit, tell what it has
//! been through and what is wrong, perhaps how a star looked. What it leads to
//! is in [`super::check_in_answer`].

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::by_eye_form::{self, ByEyeFields, ByEyeLook};
use super::cautions::{self, Caution};
use super::extract::{FormWithFiles, Path, Query};
use super::fields::{FormErrors, part};
use super::journeys::{self, JourneyFields};
use super::kit_ticks::{self, FoundFields, KitFields, KitRow};
use super::page::{Layout, OnceWrite, RequestContext, Submission, mend, page, see_other};
use super::problems::ProblemFields;
use super::star_test::no_star_test;
use super::{Error, address, check_in_answer, lend, photos, show, things, when};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::{Instrument, Status};
use crate::library::journeys::Journey;
use crate::library::loans::{self, Loan, Which};
use crate::library::missing_kit::{self, MissingPart};
use crate::library::photos::LONGEST_CAPTION;
use crate::library::problems::Problem;
use crate::library::returning::Return;
use crate::library::things::Thing;
use crate::library::{Conn, KitPartId, LoanId, MissingKitId, Moment, PersonId, kit};
use crate::upkeep::exposure::UNTOLD_DRIVE_KM;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/check-in", find),
        Route::get(Access::Volunteer, "/check-in/{tag}", show_form),
        Route::post(Access::Volunteer, "/check-in/{tag}", check_in).holding(photos::limits()),
    ]
}

// ---- finding the instrument ----

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct FindFields {
    q: String,
}

/// One instrument to choose.
struct FoundRow {
    tag: String,
    name: String,
    with: String,
    when: String,
    late: bool,
}

#[derive(Template)]
#[template(path = "check_in/find.html")]
struct FindPage {
    layout: Layout,
    q: String,
    found: Vec<FoundRow>,
    out: Vec<FoundRow>,
    /// Whether more may be out than are shown.
    more_out: bool,
    came_back: Vec<FoundRow>,
}

/// So many of what is out, and of what came back lately, are shown; a tag finds any.
const SHOWN: i64 = 40;
/// How long something counts as lately come back.
const LATELY_DAYS: i64 = 14;

async fn find(context: RequestContext, Query(form): Query<FindFields>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let q = form.q.trim().to_owned();
    let today = context.club().date(context.now());
    let mut found = Vec::new();
    if !q.is_empty() {
        let matching = matching(&mut conn, &q).await?;
        let wanted = q.to_lowercase();
        if matching.is_empty()
            && let Ok(other) = Thing::by_tag(&mut conn, &q).await
        {
            // It bore the tag before, or is no instrument.
            return Ok(see_other(&match other.is_instrument() {
                true => address::check_in(&other.tag),
                false => super::address::thing(&other),
            }));
        }
        if let Some(exact) = matching
            .iter()
            .find(|i| i.tag.to_lowercase() == wanted)
            .or(matching.first().filter(|_| matching.len() == 1))
        {
            return Ok(see_other(&address::check_in(&exact.tag)));
        }
        found = matching
            .into_iter()
            .map(|i| FoundRow {
                with: show::capital(i.state().label()),
                when: i.place.clone(),
                late: false,
                tag: i.tag.clone(),
                name: i.name.clone(),
            })
            .collect();
    }
    let open = Which {
        open: true,
        rows: Some(SHOWN),
        ..Which::default()
    };
    let out = Loan::list(&mut conn, open).await?;
    let more_out = out.len() as i64 == SHOWN;
    let out = out
        .into_iter()
        .map(|loan| FoundRow {
            with: format!("With {}", loan.borrower),
            when: due_words(&loan, today),
            late: loan.days_overdue(today).is_some(),
            tag: loan.tag,
            name: loan.instrument_name,
        })
        .collect();
    let since = context.now() - chrono::Duration::days(LATELY_DAYS);
    let came_back = loans::came_back_since(&mut conn, since, SHOWN)
        .await?
        .into_iter()
        .map(|back| FoundRow {
            tag: back.tag,
            name: back.instrument_name,
            with: String::new(),
            when: format!("Came back {}", show::date(context.club(), back.returned_at)),
            late: false,
        })
        .collect();
    page(&FindPage {
        layout: context.layout("Check in"),
        q,
        found,
        out,
        more_out,
        came_back,
    })
}

/// The instruments with this in their tag or name. A tag that begins so is
/// likelier meant than one that holds it somewhere.
async fn matching(conn: &mut Conn, q: &str) -> Result<Vec<Instrument>, Error> {
    let wanted = q.to_lowercase();
    let mut matching: Vec<Instrument> = Instrument::all(conn)
        .await?
        .into_iter()
        .filter(|i| {
            i.tag.to_lowercase().contains(&wanted) || i.name.to_lowercase().contains(&wanted)
        })
        .collect();
    matching.sort_by_key(|i| !i.tag.to_lowercase().starts_with(&wanted));
    Ok(matching)
}

/// When a loan is due, in words.
pub fn due_words(loan: &Loan, today: chrono::NaiveDate) -> String {
    let day = show::short_day(loan.due_on, today);
    match (loan.due_on - today).num_days() {
        0 => format!("Due today, {day}"),
        1 => format!("Due tomorrow, {day}"),
        days if days < 0 => format!("{}, was due {day}", show::days_late(-days)),
        _ => format!("Due {day}"),
    }
}

// ---- the form ----

/// The form, as typed: its own fields and those of its parts.
#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(try_from = "Vec<(String, String)>")]
struct CheckInFields {
    own: OwnFields,
    kit: KitFields,
    found: FoundFields,
    journeys: JourneyFields,
    problems: ProblemFields,
    eye: ByEyeFields,
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct OwnFields {
    /// The loan that the page showed as open, "" for none.
    loan_version: String,
    note: String,
    happened_on: String,
    happened_at: String,
}

impl TryFrom<Vec<(String, String)>> for CheckInFields {
    type Error = String;

    fn try_from(pairs: Vec<(String, String)>) -> Result<Self, String> {
        Ok(Self {
            own: part(&pairs)?,
            kit: part(&pairs)?,
            found: part(&pairs)?,
            journeys: part(&pairs)?,
            problems: part(&pairs)?,
            eye: part(&pairs)?,
        })
    }
}

#[derive(Template)]
#[template(path = "check_in/form.html")]
struct FormPage {
    layout: Layout,
    lede: String,
    instrument: Instrument,
    action: String,
    loan: Option<Loan>,
    due: String,
    standing_note: String,
    heavy: Option<Caution>,
    own: OwnFields,
    kit: KitFields,
    kit_rows: Vec<KitRow>,
    found: FoundFields,
    /// Parts that are missing, as ticks: id and words.
    missing: Vec<(String, String)>,
    journeys: JourneyFields,
    distance_unit: &'static str,
    /// What a drive of no stated distance counts as, in the club's unit.
    drive_hint: String,
    problems: ProblemFields,
    eye: ByEyeFields,
    eye_card: &'static str,
    open_eye: bool,
    open_more: bool,
    open_kit: bool,
    errors: FormErrors,
}

/// What the form is about, as it is now.
struct Case {
    instrument: Instrument,
    loan: Option<Loan>,
    kit_rows: Vec<KitRow>,
    missing: Vec<MissingPart>,
}

impl Case {
    async fn load(conn: &mut Conn, tag: &str) -> Result<Self, Error> {
        let instrument = Instrument::by_tag(conn, tag).await?;
        let loan = match instrument.open_loan {
            Some(id) => Some(Loan::get(conn, id).await?),
            None => None,
        };
        let kit_rows = match &loan {
            Some(loan) => kit_ticks::rows(
                loans::parts(conn, loan.id)
                    .await?
                    .into_iter()
                    .filter(|p| p.went_out)
                    .map(|p| (p.id, p.name, String::new())),
            ),
            None => kit_ticks::rows(
                kit::present(conn, instrument.id)
                    .await?
                    .into_iter()
                    .map(|p| (p.id, p.name, String::new())),
            ),
        };
        Ok(Self {
            missing: missing_kit::of(conn, instrument.id).await?,
            instrument,
            loan,
            kit_rows,
        })
    }

    fn page(self, context: &RequestContext, form: CheckInFields, errors: FormErrors) -> FormPage {
        let today = context.club().date(context.now());
        let i = &self.instrument;
        let lede = match &self.loan {
            Some(loan) => format!("{}, with {}", i.name, loan.borrower),
            None => format!("{}, {}", i.name, i.state()),
        };
        let standing_note = match i.status {
            Status::Shelf => String::new(),
            status if i.status_reason.is_empty() => format!("It is {status}."),
            status => format!("It is {status}: {}", i.status_reason),
        };
        let wrong = |fields: &[&str]| fields.iter().any(|f| !errors.of(f).is_empty());
        FormPage {
            layout: context.layout(&format!("Check in {}", i.tag)),
            lede,
            action: address::check_in(&i.tag),
            due: self
                .loan
                .as_ref()
                .map(|l| due_words(l, today))
                .unwrap_or_default(),
            standing_note,
            heavy: cautions::heavy(context.club(), i),
            distance_unit: journeys::distance_unit(context.club()),
            drive_hint: format!(
                "Left empty: {}.",
                show::distance(context.club(), UNTOLD_DRIVE_KM)
            ),
            eye_card: by_eye_form::cards_for(i.obstruction),
            open_eye: form.eye.is_given()
                || errors.all().iter().any(|(f, _)| f.starts_with("star_")),
            open_more: !form.own.note.is_empty()
                || !form.own.happened_on.is_empty()
                || wrong(&["note", "happened_on", "happened_at"]),
            open_kit: form.kit.is_given() || wrong(&["kit"]),
            found: form.found,
            missing: self
                .missing
                .iter()
                .map(|m| (m.id.to_string(), lend::missing_words(context.club(), m)))
                .collect(),
            instrument: self.instrument,
            loan: self.loan,
            own: form.own,
            kit: form.kit,
            kit_rows: self.kit_rows,
            journeys: form.journeys,
            problems: form.problems,
            eye: form.eye,
            errors,
        }
    }
}

impl FormPage {
    /// The loan the page shows as open, for the form to carry.
    fn loan_version(&self) -> String {
        self.loan
            .as_ref()
            .map(|l| l.id.to_string())
            .unwrap_or_default()
    }
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    if let Some(elsewhere) = things::page_instead(&context, &tag).await? {
        return Ok(see_other(&format!("{elsewhere}/return")));
    }
    let mut conn = context.read().await?;
    let case = Case::load(&mut conn, &tag).await?;
    let form = CheckInFields {
        eye: ByEyeFields::after_the_last(&mut conn, &case.instrument).await?,
        ..CheckInFields::default()
    };
    page(&case.page(&context, form, FormErrors::new()))
}

/// What was told, checked.
struct Checked {
    at: Moment,
    present: Vec<KitPartId>,
    /// Parts that should be there and are not, when not on loan.
    not_in_the_box: Vec<(KitPartId, String)>,
    /// Missing parts that are here again.
    found: Vec<MissingKitId>,
    journeys: Vec<Journey>,
    problems: Vec<Problem>,
    look: Option<ByEyeLook>,
    note: String,
}

impl CheckInFields {
    fn check(
        &self,
        context: &RequestContext,
        case: &Case,
        has_photo: bool,
        errors: &mut FormErrors,
    ) -> Option<Checked> {
        let present = if case.loan.is_some() || self.kit.is_given() {
            self.kit.check(&case.kit_rows, errors).unwrap_or_default()
        } else {
            case.kit_rows.iter().map(|r| r.id).collect()
        };
        let found = self.found.check(&case.missing);
        let journeys = self.journeys.check(context.club(), errors);
        let problems = self.problems.check(errors);
        let look = if !self.eye.is_given() {
            None
        } else if case.instrument.design.takes_star_test() {
            self.eye.check(errors)
        } else {
            errors.add(
                "star_ratio",
                format!("Star test: {}", no_star_test(&case.instrument)),
            );
            None
        };
        let note = errors.optional_text("note", "Note", &self.own.note, 2000);
        let at = when::read(
            errors,
            ("happened_on", &self.own.happened_on),
            ("happened_at", &self.own.happened_at),
            context.club(),
            context.now(),
        );
        let at = at.map(|at| match &case.loan {
            Some(loan) if at < loan.lent_at => {
                let club = context.club();
                if club.date(at) < club.date(loan.lent_at) {
                    errors.add(
                        "happened_on",
                        format!(
                            "Day: it went out on {}. Give that day or a later one.",
                            show::date(club, loan.lent_at)
                        ),
                    );
                }
                loan.lent_at
            }
            _ => at,
        });
        let nothing_told = case.loan.is_none()
            && !self.kit.is_given()
            && found.is_empty()
            && journeys.is_empty()
            && problems.is_empty()
            && look.is_none()
            && !has_photo
            && note.is_empty();
        if nothing_told && errors.is_empty() {
            errors.add(
                "journey",
                "Nothing was told yet. Tick a journey or the kit, tell what is wrong, fill in the star test or write a note.",
            );
        }
        if !errors.is_empty() {
            return None;
        }
        let not_in_the_box = if case.loan.is_none() && self.kit.is_given() {
            case.kit_rows
                .iter()
                .filter(|r| !present.contains(&r.id))
                .map(|r| (r.id, r.key.clone()))
                .collect()
        } else {
            Vec::new()
        };
        Some(Checked {
            at: at?,
            present,
            not_in_the_box,
            found,
            journeys,
            problems,
            look,
            note,
        })
    }
}

async fn check_in(
    context: RequestContext,
    Path(tag): Path<String>,
    FormWithFiles {
        fields: form,
        once,
        files,
    }: FormWithFiles<CheckInFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut errors = FormErrors::new();
    // Before the write begins: others need not wait for it.
    let ready = photos::prepare_all(files, &mut errors).await?;
    // The write begins before the checks: what is checked cannot change under them.
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let case = Case::load(&mut write, &tag).await?;
    let shown: Option<LoanId> = form.own.loan_version.parse().ok();
    if shown != case.loan.as_ref().map(|l| l.id) {
        errors.add(
            "kit",
            if case.loan.is_none() {
                "Kit: someone else has taken it back since this page was opened. Look over the rest and send it again; it is logged without the loan."
            } else {
                "Kit: it has gone out on loan since this page was opened. Tick what came back, or leave this page."
            },
        );
        drop(write);
        return mend(&case.page(&context, form, errors));
    }
    let Some(checked) = form.check(&context, &case, !ready.is_empty(), &mut errors) else {
        drop(write);
        return mend(&case.page(&context, form, errors));
    };
    let test = match &checked.look {
        Some(look) => match look.star_test(&case.instrument) {
            Ok(test) => Some(test),
            Err((field, why)) => {
                errors.add(field, why);
                drop(write);
                return mend(&case.page(&context, form, errors));
            }
        },
        None => None,
    };
    write_down(&mut write, &case, &checked, context.now(), by).await?;
    let log = entry(&case, &checked, context.now(), by);
    if let Some(test) = test {
        test.log(&mut write, log.clone()).await?;
    }
    if !checked.note.is_empty() {
        NewEntry {
            kind: EntryKind::Note,
            loan: None, // a person's own words, theirs to correct
            note: checked.note.clone(),
            ..log
        }
        .write(&mut write)
        .await?;
    }
    let caption: String = checked
        .problems
        .iter()
        .map(|p| p.words.as_str())
        .find(|words| !words.is_empty())
        .unwrap_or_default()
        .chars()
        .take(LONGEST_CAPTION)
        .collect();
    photos::keep(&context, &mut write, case.instrument.id, &ready, &caption).await?;
    let notice = if case.loan.is_some() {
        format!("{} is returned.", case.instrument.tag)
    } else {
        format!("Logged for {}.", case.instrument.tag)
    };
    write
        .finish(
            &check_in_answer::address(&case.instrument.tag, context.now()),
            &notice,
        )
        .await
}

fn entry(case: &Case, checked: &Checked, now: Moment, by: PersonId) -> NewEntry {
    NewEntry {
        instrument: case.instrument.id,
        kind: EntryKind::Note, // each noun sets its own
        happened_at: checked.at,
        recorded_at: now,
        by,
        loan: case.loan.as_ref().map(|l| l.id),
        note: String::new(),
    }
}

/// Takes it back if it was out, then journeys and problems in that order, so
/// that a star test of the same evening comes after the drive home.
async fn write_down(
    write: &mut OnceWrite,
    case: &Case,
    checked: &Checked,
    now: Moment,
    by: PersonId,
) -> Result<(), Error> {
    let log = entry(case, checked, now, by);
    if let Some(loan) = &case.loan {
        Return {
            loan: loan.id,
            came_back: checked.present.clone(),
            at: checked.at,
            recorded_at: now,
            by,
        }
        .write(write)
        .await?;
    } else {
        missing_kit::report(
            write,
            &checked.not_in_the_box,
            "Not in the box",
            log.clone(),
        )
        .await?;
    }
    for found in &checked.found {
        missing_kit::found_again(write, *found, by, now).await?;
    }
    for journey in &checked.journeys {
        journey.log(write, log.clone()).await?;
    }
    for problem in &checked.problems {
        problem.log(write, log.clone()).await?;
    }
    Ok(())
}
