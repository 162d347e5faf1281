//! Writing in the logbook by hand: a journey, a finding or a note of a past
//! day; a correction, which supersedes; a striking-out with its reason.

use askama::Template;
use axum::response::Response;
use chrono::Timelike;

use super::access::{Access, Route};
use super::extract::{Form, Path};
use super::fields::Mends;
use super::findings::{LONGEST, Slot};
use super::page::{Arrival, Chrome, Desk, OnceWrite, mend, page};
use super::{Error, address, journeys, logbook, logbook_words, when};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::findings::Finding;
use crate::library::instruments::Instrument;
use crate::library::journeys::{Journey, JourneyKind};
use crate::library::logbook::{Line, Told};
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
    finding_what: String,
    finding_asks_for: String,
    finding_words: String,
    note: String,
}

/// What an entry tells, checked.
enum Checked {
    Journey(Journey),
    Finding(Finding),
    Note,
}

impl EntryFields {
    fn slot(&self) -> Slot<'_> {
        Slot {
            title: "Finding",
            what_name: "finding_what",
            what: &self.finding_what,
            asks_for_name: "finding_asks_for",
            asks_for: &self.finding_asks_for,
            words_name: "finding_words",
            words: &self.finding_words,
        }
    }

    fn check(
        &self,
        kind: EntryKind,
        desk: &Desk,
        mends: &mut Mends,
    ) -> Option<(Moment, Checked, String)> {
        let club = desk.club();
        let at = when::read(
            mends,
            ("happened_on", &self.happened_on),
            ("happened_at", &self.happened_at),
            club,
            desk.now(),
        );
        let (told, note) = match kind {
            EntryKind::Journey => {
                let kind = mends.word::<JourneyKind>("journey_kind", "Kind", &self.journey_kind);
                let note = mends.optional_text("note", "Note", &self.note, 2000);
                let told = kind.map(|kind| {
                    let (field, typed) = if kind.has_severity() {
                        ("how_hard", self.how_hard.as_str())
                    } else {
                        ("distance", self.distance.as_str())
                    };
                    Checked::Journey(journeys::journey(kind, field, typed, club, mends))
                });
                (told, note)
            }
            EntryKind::Finding => {
                let slot = self.slot();
                if !slot.is_given() {
                    mends.add(
                        "finding_what",
                        "What is wrong: choose one, or tell it in words.",
                    );
                }
                let note = mends.optional_text("note", "Note", &self.note, 2000);
                (slot.check(mends).map(Checked::Finding), note)
            }
            _ => {
                let note = mends.text("note", "Note", &self.note, 2000);
                (Some(Checked::Note), note)
            }
        };
        if !mends.is_empty() {
            return None;
        }
        Some((at?, told?, note))
    }

    /// The fields as an entry told them.
    fn of(desk: &Desk, line: &Line) -> Self {
        let club = desk.club();
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
            Told::Finding(finding) => {
                fields.finding_what = finding.what.slug().to_owned();
                fields.finding_asks_for = finding.asks_for.slug().to_owned();
                fields.finding_words = finding.words.clone();
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
    chrome: Chrome,
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
    mends: Mends,
}

impl WritePage {
    fn new(
        desk: &Desk,
        instrument: &Instrument,
        kind: EntryKind,
        form: EntryFields,
        mends: Mends,
    ) -> Self {
        let here = address::instrument(&instrument.tag);
        Self {
            chrome: desk.chrome(&format!("Add a {kind}")),
            lede: format!("{}, {}", instrument.tag, instrument.name),
            back_href: format!("{here}/logbook"),
            action: format!("{here}/logbook/new/{}", kind.slug()),
            strike_action: String::new(),
            kind,
            can_correct: true,
            journey_kinds: JourneyKind::ALL,
            distance_unit: journeys::distance_unit(desk.club()),
            form,
            reason: String::new(),
            mends,
        }
    }

    fn change(
        desk: &Desk,
        instrument: &Instrument,
        line: &Line,
        form: EntryFields,
        reason: String,
        mends: Mends,
    ) -> Self {
        let kind = line.entry.kind;
        let entry = format!(
            "{}/logbook/{}",
            address::instrument(&instrument.tag),
            line.entry.id
        );
        let can_correct = logbook::can_correct(kind);
        Self {
            chrome: desk.chrome(&if can_correct {
                format!("Correct a {kind}")
            } else {
                format!("Strike out a {kind}")
            }),
            lede: format!(
                "{}: {}",
                instrument.tag,
                logbook_words::of(desk.club(), line)
            ),
            action: format!("{entry}/correct"),
            strike_action: format!("{entry}/strike"),
            can_correct,
            reason,
            ..Self::new(desk, instrument, kind, form, mends)
        }
    }

    fn slot(&self) -> Slot<'_> {
        self.form.slot()
    }
}

async fn show_new(
    desk: Desk,
    Path((tag, kind)): Path<(String, String)>,
) -> Result<Response, Error> {
    let kind = by_hand(&kind)?;
    let mut conn = desk.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    page(&WritePage::new(
        &desk,
        &instrument,
        kind,
        EntryFields::default(),
        Mends::new(),
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
        Checked::Finding(finding) => finding.write(write, id).await?,
        Checked::Note => {}
    }
    Ok(())
}

async fn add(
    desk: Desk,
    Path((tag, kind)): Path<(String, String)>,
    Form { fields: form, once }: Form<EntryFields>,
) -> Result<Response, Error> {
    let kind = by_hand(&kind)?;
    let by = desk.person()?.id;
    let mut write = match desk.begin(&once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let mut mends = Mends::new();
    let Some((at, told, note)) = form.check(kind, &desk, &mut mends) else {
        return mend(&WritePage::new(&desk, &instrument, kind, form, mends));
    };
    let entry = NewEntry {
        instrument: instrument.id,
        kind,
        happened_at: at,
        recorded_at: desk.now(),
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
    desk: Desk,
    Path((tag, entry)): Path<(String, EntryId)>,
) -> Result<Response, Error> {
    let mut conn = desk.read().await?;
    let (instrument, line) = entry_of(&mut conn, &tag, entry).await?;
    let form = EntryFields::of(&desk, &line);
    page(&WritePage::change(
        &desk,
        &instrument,
        &line,
        form,
        String::new(),
        Mends::new(),
    ))
}

async fn correct(
    desk: Desk,
    Path((tag, entry)): Path<(String, EntryId)>,
    Form { fields: form, once }: Form<EntryFields>,
) -> Result<Response, Error> {
    let by = desk.person()?.id;
    let mut write = match desk.begin(&once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let (instrument, line) = entry_of(&mut write, &tag, entry).await?;
    let kind = line.entry.kind;
    if !logbook::can_correct(kind) {
        return Err(Error::Refused(format!(
            "A {kind} is not reworded: strike it out and log a new one."
        )));
    }
    let mut mends = Mends::new();
    let Some((at, told, note)) = form.check(kind, &desk, &mut mends) else {
        return mend(&WritePage::change(
            &desk,
            &instrument,
            &line,
            form,
            String::new(),
            mends,
        ));
    };
    // The same day and minute left as they were keep the instant they had.
    let before = EntryFields::of(&desk, &line);
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
        recorded_at: desk.now(),
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
    desk: Desk,
    Path((tag, entry)): Path<(String, EntryId)>,
    Form { fields: form, once }: Form<StrikeFields>,
) -> Result<Response, Error> {
    let by = desk.person()?.id;
    let mut write = match desk.begin(&once).await? {
        Arrival::Again(response) => return Ok(response),
        Arrival::First(write) => write,
    };
    let (instrument, line) = entry_of(&mut write, &tag, entry).await?;
    let mut mends = Mends::new();
    let reason = mends.text("reason", "Reason", &form.reason, LONGEST);
    if !mends.is_empty() {
        let fields = EntryFields::of(&desk, &line);
        return mend(&WritePage::change(
            &desk,
            &instrument,
            &line,
            fields,
            form.reason,
            mends,
        ));
    }
    NewEntry {
        instrument: instrument.id,
        kind: line.entry.kind,
        happened_at: line.entry.happened_at,
        recorded_at: desk.now(),
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
