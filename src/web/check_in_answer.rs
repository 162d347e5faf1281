//! What a check-in leads to: the condition with its reasons, and the next step
//! with the key for it.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::cautions::{self, Caution};
use super::extract::{Form, Path, Query};
use super::page::{Layout, RequestContext, Submission, page};
use super::{Error, address, logbook_words, reservations, show};
use crate::library::instruments::{Check, Instrument, Status};
use crate::library::turns::Lines;
use crate::library::waits::{self, Wait};
use crate::library::{Moment, logbook, works};
use crate::upkeep::{Condition, ShelfRow};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/check-in/{tag}/answer", answer),
        Route::post(Access::Volunteer, "/check-in/{tag}/status", stand),
    ]
}

/// Where what was logged at `at` is answered.
pub fn address(tag: &str, at: Moment) -> String {
    format!(
        "{}/answer?at={}",
        address::check_in(tag),
        at.timestamp_micros()
    )
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct AnswerFields {
    /// When the check-in was written down, microseconds since 1970.
    at: Option<i64>,
}

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Next {
    /// Out on loan: nothing to decide.
    Out,
    /// No longer lent.
    Retired,
    /// Hold it for the bench: to be confirmed.
    Hold,
    /// Leave it with those held or at the bench.
    Leave,
    /// Look at a star before anyone borrows it.
    Look,
    /// Fit, but still held: put it back.
    PutBack,
    /// Fit, and someone waits.
    HandOn,
    /// Fit, and nobody waits.
    Shelve,
}

fn next(row: &ShelfRow, waiting: bool) -> Next {
    let fit = matches!(
        row.assessment.condition,
        Condition::Ready | Condition::Usable
    );
    match row.instrument.status {
        _ if row.instrument.open_loan.is_some() => Next::Out,
        Status::Retired => Next::Retired,
        Status::Held | Status::Bench | Status::Missing if fit => Next::PutBack,
        Status::Held | Status::Bench | Status::Missing => Next::Leave,
        Status::Shelf if row.assessment.condition == Condition::NeedsBench => Next::Hold,
        Status::Shelf if !fit => Next::Look,
        Status::Shelf if waiting => Next::HandOn,
        Status::Shelf => Next::Shelve,
    }
}

#[derive(Template)]
#[template(path = "check_in/answer.html")]
struct AnswerPage {
    layout: Layout,
    instrument: Instrument,
    condition: &'static str,
    dated: String,
    sentence: String,
    reasons: Vec<String>,
    /// For whom it is kept or reserved.
    kept: Vec<String>,
    logged: Vec<String>,
    next: Next,
    hold_reason: String,
    waiting: Vec<Wait>,
    here: String,
    lend: String,
    /// Where it is looked at anew, and how.
    new_check: String,
    check: Check,
    logbook: String,
    photos: String,
    heavy: Option<Caution>,
}

async fn answer(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(form): Query<AnswerFields>,
) -> Result<Response, Error> {
    let club = context.club();
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let row = context.shelf_row(&mut conn, instrument).await?;
    let mut waiting = waits::open(&mut conn, Some(row.instrument.id), None).await?;
    // Whose turn it is comes first.
    let today = club.date(context.now());
    let lines = Lines::load(&mut conn, Some(row.instrument.id), club, today).await?;
    let turn = lines.kept(row.instrument.id).map(|kept| kept.wait_id);
    waiting.sort_by_key(|w| Some(w.id) != turn);
    let kept = reservations::kept_words(&mut conn, club, row.instrument.id, today).await?;
    let logged = match form.at {
        Some(at) => logbook::of(&mut conn, row.instrument.id)
            .await?
            .into_iter()
            .rev()
            .filter(|l| l.entry.recorded_at.timestamp_micros() == at && !l.entry.superseded)
            .map(|l| {
                let words = logbook_words::of(club, &l);
                match l.told {
                    logbook::Told::Words => {
                        format!("{}. {words}", show::capital(l.entry.kind.label()))
                    }
                    _ => words,
                }
            })
            .collect(),
        None => Vec::new(),
    };
    let next = next(&row, !waiting.is_empty());
    let assessment = &row.assessment;
    let i = &row.instrument;
    page(&AnswerPage {
        layout: context.layout(&format!("What comes next for {}", i.tag)),
        condition: assessment.condition.slug(),
        dated: assessment
            .as_of
            .map(|at| format!("As of {}", show::date(club, at)))
            .unwrap_or_default(),
        sentence: show::capital(i.state().label()) + ".",
        reasons: assessment.reasons.clone(),
        kept,
        logged,
        next,
        hold_reason: assessment.reasons.first().cloned().unwrap_or_default(),
        here: address::check_in(&i.tag),
        lend: match waiting.first() {
            Some(first) => format!(
                "{}/lend?to={}",
                address::instrument(&i.tag),
                first.person_id
            ),
            None => format!("{}/lend", address::instrument(&i.tag)),
        },
        new_check: address::new_check(&i.tag, i.design.check()),
        check: i.design.check(),
        logbook: format!("{}/logbook", address::instrument(&i.tag)),
        photos: format!("{}#photos", address::instrument(&i.tag)),
        heavy: cautions::heavy(club, i),
        waiting,
        instrument: row.instrument,
    })
}

impl AnswerPage {
    /// Where it lives, in words.
    fn place(&self) -> String {
        if self.instrument.place.is_empty() {
            "Put it back on the shelf.".to_owned()
        } else {
            format!("Put it back in its place: {}.", self.instrument.place)
        }
    }
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct StatusFields {
    status: String,
    reason: String,
}

async fn stand(
    context: RequestContext,
    Path(tag): Path<String>,
    Form { fields: form, once }: Form<StatusFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let instrument = Instrument::by_tag(&mut write, &tag).await?;
    let tag = instrument.tag.clone();
    let to = match form.status.parse() {
        Ok(to @ (Status::Shelf | Status::Held)) => to,
        _ => {
            return Err(Error::BadRequest(
                "Choose the shelf or those held for the bench.".to_owned(),
            ));
        }
    };
    let row = context.shelf_row(&mut write, instrument).await?;
    let unfit = row.assessment.condition == Condition::NeedsBench;
    if to == Status::Shelf && unfit && !context.may(Access::Coordinator) {
        return Err(Error::Refused(format!(
            "{tag} reads bench first, so it stays off the shelf until the bench has had it. A coordinator can put it back all the same."
        )));
    }
    let reason = form.reason.trim();
    if reason.chars().count() > 300 {
        return Err(Error::BadRequest(
            "The reason is too long; 300 characters will do.".to_owned(),
        ));
    }
    if to == Status::Shelf && unfit && reason.is_empty() {
        return Err(Error::BadRequest(format!(
            "{tag} reads bench first. Say why it goes back on the shelf all the same."
        )));
    }
    let reason = match (reason.is_empty(), to) {
        (false, _) => reason,
        (true, Status::Shelf) => "found fit at check-in",
        (true, _) => "held at check-in",
    };
    works::put(&mut write, &row.instrument, to, reason, by, context.now()).await?;
    let answer = format!("{}/answer", address::check_in(&tag));
    write.finish(&answer, &format!("{tag} is now {to}.")).await
}
