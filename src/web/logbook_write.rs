//! Writing in the logbook by hand: a journey, a problem or a note of a past
//! day; a correction, which supersedes; a striking-out with its reason.

use askama::Template;
use axum::response::Response;
use chrono::Timelike;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::FormErrors;
use super::page::{Layout, OnceWrite, RequestContext, Submission, mend, page};
use super::problems::{LONGEST, Slot};
use super::{Error, address, journeys, logbook, logbook_words, when};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::Instrument;
use crate::library::journeys::{Journey, JourneyKind};
use crate::library::logbook::{Line, Told};
use crate::library::problems::Problem;
use crate::library::{self, Conn, EntryId, Moment};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(
            Access::Volunteer,
            "/instruments/{tag}/logbook/new/{kind}",
            show_new,
        ),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/logbook/new/{kind}",
            add,
        ),
        Route::get(
            Access::Volunteer,
            "/instruments/{tag}/logbook/{entry}",
            show_change,
        ),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/logbook/{entry}/correct",
            correct,
        ),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/logbook/{entry}/strike",
            strike,
        ),
    ]
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct EntryFields {
    happened_on: String,
    happened_at: String,
    journey_kind: String,
    distance: String,
    how_hard: String,
    problem_what: String,
    problem_asks_for: String,
    problem_words: String,
    note: String,
}

/// What an entry tells, checked.
enum Checked {
    Journey(Journey),
    Problem(Problem),
    Note,
}

impl EntryFields {
    fn slot(&self) -> Slot<'_> {
        Slot {
            title: "Problem",
            what_name: "problem_what",
            what: &self.problem_what,
            asks_for_name: "problem_asks_for",
            asks_for: &self.problem_asks_for,
            words_name: "problem_words",
            words: &self.problem_words,
        }
    }

    fn check(
        &self,
        kind: EntryKind,
        context: &RequestContext,
        errors: &mut FormErrors,
    ) -> Option<(Moment, Checked, String)> {
        let club = context.club();
        let at = when::read(
            errors,
            ("happened_on", &self.happened_on),
            ("happened_at", &self.happened_at),
            club,
            context.now(),
        );
        let (told, note) = match kind {
            EntryKind::Journey => {
                let kind = errors.word::<JourneyKind>("journey_kind", "Kind", &self.journey_kind);
                let note = errors.optional_text("note", "Note", &self.note, 2000);
                let told = kind.map(|kind| {
                    let (field, typed) = if kind.has_severity() {
                        ("how_hard", self.how_hard.as_str())
                    } else {
                        ("distance", self.distance.as_str())
                    };
                    Checked::Journey(journeys::journey(kind, field, typed, club, errors))
                });
                (told, note)
            }
            EntryKind::Problem => {
                let slot = self.slot();
                if !slot.is_given() {
                    errors.add(
                        "problem_what",
                        "What is wrong: choose one, or tell it in words.",
                    );
                }
                let note = errors.optional_text("note", "Note", &self.note, 2000);
                (slot.check(errors).map(Checked::Problem), note)
            }
            _ => {
                let note = errors.text("note", "Note", &self.note, 2000);
                (Some(Checked::Note), note)
            }
        };
        if !errors.is_empty() {
            return None;
        }
        Some((at?, told?, note))
    }

    /// The fields as an entry told them.
    fn of(context: &RequestContext, line: &Line) -> Self {
        let club = context.club();
        let local = line.entry.happened_at.with_timezone(&club.tz());
        let mut fields = Self {
            happened_on: local.format("%Y-%m-%d").to_string(),
            happened_at: local
                .with_second(0)
                .unwrap_or(local)
                .format("%H:%M")
                .to_string(),
            note: line.entry.note.clone(),
            ..Self::default()
        };
        match &line.told {
            Told::Journey(journey) => {
                fields.journey_kind = journey.kind.slug().to_owned();
                fields.distance = journey
                    .distance_km
                    .map(|km| journeys::distance_typed(club, km))
                    .unwrap_or_default();
                fields.how_hard = journey.severity.map(|s| s.to_string()).unwrap_or_default();
            }
            Told::Problem(problem) => {
                fields.problem_what = problem.what.slug().to_owned();
                fields.problem_asks_for = problem.asks_for.slug().to_owned();
                fields.problem_words = problem.words.clone();
            }
            _ => {}
        }
        fields
    }
}

/// Which entries a person can write by hand.
fn by_hand(slug: &str) -> Result<EntryKind, Error> {
    match slug.parse() {
        Ok(kind) if logbook::can_correct(kind) => Ok(kind),
        _ => Err(Error::NotFound("page")),
    }
}

#[derive(Template)]
#[template(path = "logbook/write.html")]
struct WritePage {
    layout: Layout,
    lede: String,
    back_href: String,
    action: String,
    strike_action: String,
    kind: EntryKind,
    can_correct: bool,
    journey_kinds: &'static [JourneyKind],
    distance_unit: &'static str,
    form: EntryFields,
    reason: String,
    errors: FormErrors,
}

impl WritePage {
    fn new(
        context: &RequestContext,
        instrument: &Instrument,
        kind: EntryKind,
        form: EntryFields,
        errors: FormErrors,
    ) -> Self {
        let here = address::instrument(&instrument.tag);
        Self {
            layout: context.layout(&format!("Add a {kind}")),
            lede: format!("{}, {}", instrument.tag, instrument.name),
            back_href: format!("{here}/logbook"),
            action: format!("{here}/logbook/new/{}", kind.slug()),
            strike_action: String::new(),
            kind,
            can_correct: true,
            journey_kinds: JourneyKind::ALL,
            distance_unit: journeys::distance_unit(context.club()),
            form,
            reason: String::new(),
            errors,
        }
    }

    fn change(
        context: &RequestContext,
        instrument: &Instrument,
        line: &Line,
        form: EntryFields,
        reason: String,
        errors: FormErrors,
    ) -> Self {
        let kind = line.entry.kind;
        let entry = format!(
            "{}/logbook/{}",
            address::instrument(&instrument.tag),
            line.entry.id
        );
        let can_correct = logbook::can_correct(kind);
        Self {
            layout: context.layout(&if can_correct {
                format!("Correct a {kind}")
            } else {
                format!("Strike out a {kind}")
            }),
            lede: format!(
                "{}: {}",
                instrument.tag,
                logbook_words::of(context.club(), line)
            ),
            action: format!("{entry}/correct"),
            strike_action: format!("{entry}/strike"),
            can_correct,
            reason,
            ..Self::new(context, instrument, kind, form, errors)
        }
    }

    fn slot(&self) -> Slot<'_> {
        self.form.slot()
    }
}

async fn show_new(
    context: RequestContext,
    Path((tag, kind)): Path<(String, String)>,
) -> Result<Response, Error> {
    let kind = by_hand(&kind)?;
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    page(&WritePage::new(
        &context,
        &instrument,
        kind,
        EntryFields::default(),
        FormErrors::new(),
    ))
}

async fn put(
    write: &mut OnceWrite,
    entry: NewEntry,
    told: Checked,
    old: Option<EntryId>,
) -> Result<(), Error> {
    let id = match old {
        Some(old) => entry.write_correcting(write, old).await?,
        None => entry.write(write).await?,
    };
    match told {
        Checked::Journey(journey) => journey.write(write, id).await?,
        Checked::Problem(problem) => problem.write(write, id).await?,
        Checked::Note => {}
    }
    Ok(())
}

async fn add(
    context: RequestContext,
    Path((tag, kind)): Path<(String, String)>,
    Form { fields: form, once }: Form<EntryFields>,
) -> Result<Response, Error> {
    let kind = by_hand(&kind)?;
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let mut errors = FormErrors::new();
    let Some((at, told, note)) = form.check(kind, &context, &mut errors) else {
        drop(write);
        return mend(&WritePage::new(&context, &instrument, kind, form, errors));
    };
    let entry = NewEntry {
        instrument: instrument.id,
        kind,
        happened_at: at,
        recorded_at: context.now(),
        by,
        loan: None,
        note,
    };
    put(&mut write, entry, told, None).await?;
    write
        .finish(
            &format!("{}/logbook", address::instrument(&instrument.tag)),
            "Written in the logbook.",
        )
        .await
}

/// The entry, if it is this instrument's and can be changed by hand.
async fn entry_of(conn: &mut Conn, tag: &str, entry: EntryId) -> Result<(Instrument, Line), Error> {
    let instrument = Instrument::by_tag(conn, tag).await?;
    let line = library::logbook::line(conn, entry).await?;
    if line.entry.instrument_id != instrument.id {
        return Err(Error::NotFound("logbook entry"));
    }
    if line.entry.superseded || line.entry.struck {
        return Err(Error::Refused(
            "That entry has been corrected or struck out already. Look at the logbook again and correct what stands now.".to_owned(),
        ));
    }
    if !logbook::can_change(&line) {
        return Err(Error::Refused(
            "The house wrote this entry itself as it happened, so it is not changed by hand. Add a note beside it.".to_owned(),
        ));
    }
    Ok((instrument, line))
}

async fn show_change(
    context: RequestContext,
    Path((tag, entry)): Path<(String, EntryId)>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let (instrument, line) = entry_of(&mut conn, &tag, entry).await?;
    let form = EntryFields::of(&context, &line);
    page(&WritePage::change(
        &context,
        &instrument,
        &line,
        form,
        String::new(),
        FormErrors::new(),
    ))
}

async fn correct(
    context: RequestContext,
    Path((tag, entry)): Path<(String, EntryId)>,
    Form { fields: form, once }: Form<EntryFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (instrument, line) = entry_of(&mut write, &tag, entry).await?;
    let kind = line.entry.kind;
    if !logbook::can_correct(kind) {
        return Err(Error::Refused(format!(
            "A {kind} is not reworded: strike it out and log a new one."
        )));
    }
    let mut errors = FormErrors::new();
    let Some((at, told, note)) = form.check(kind, &context, &mut errors) else {
        drop(write);
        return mend(&WritePage::change(
            &context,
            &instrument,
            &line,
            form,
            String::new(),
            errors,
        ));
    };
    // The same day and minute left as they were keep the instant they had.
    let before = EntryFields::of(&context, &line);
    let untouched =
        form.happened_on == before.happened_on && form.happened_at == before.happened_at;
    let new = NewEntry {
        instrument: instrument.id,
        kind,
        happened_at: if untouched {
            line.entry.happened_at
        } else {
            at
        },
        recorded_at: context.now(),
        by,
        loan: line.loan_id,
        note,
    };
    put(&mut write, new, told, Some(entry)).await?;
    write
        .finish(
            &format!("{}/logbook", address::instrument(&instrument.tag)),
            "Corrected. The old words stay in the logbook, struck through.",
        )
        .await
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct StrikeFields {
    reason: String,
}

async fn strike(
    context: RequestContext,
    Path((tag, entry)): Path<(String, EntryId)>,
    Form { fields: form, once }: Form<StrikeFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let (instrument, line) = entry_of(&mut write, &tag, entry).await?;
    let mut errors = FormErrors::new();
    let reason = errors.text("reason", "Reason", &form.reason, LONGEST);
    if !errors.is_empty() {
        let fields = EntryFields::of(&context, &line);
        drop(write);
        return mend(&WritePage::change(
            &context,
            &instrument,
            &line,
            fields,
            form.reason,
            errors,
        ));
    }
    NewEntry {
        instrument: instrument.id,
        kind: line.entry.kind,
        happened_at: line.entry.happened_at,
        recorded_at: context.now(),
        by,
        loan: line.loan_id,
        note: reason,
    }
    .strike(&mut write, entry)
    .await?;
    write
        .finish(
            &format!("{}/logbook", address::instrument(&instrument.tag)),
            "Struck out. It stays in the logbook, struck through, and counts no more.",
        )
        .await
}
