//! The logbook of an instrument as a page, as paper and as CSV. Writing in it
//! by hand is in [`super::logbook_write`].

use std::collections::HashMap;

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::drift_picture::CoursePicture;
use super::extract::{Path, Query};
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, page};
use super::tables::{Cell, Paging, csv_response};
use super::{Error, address, logbook_words, show};
use crate::library::club::Club;
use crate::library::entries::EntryKind;
use crate::library::instruments::Instrument;
use crate::library::journeys::JourneyKind;
use crate::library::logbook::{self, Happening, Line, Told};
use crate::library::{CollimationId, Conn, EntryId, collimation_lists};
use crate::upkeep::Snapshot;
use crate::upkeep::drift::course::course;
use crate::upkeep::drift::from_history::day_of;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(
            Access::Volunteer,
            "/instruments/{tag}/logbook",
            show_logbook,
        ),
        Route::get(
            Access::Volunteer,
            "/instruments/{tag}/logbook.csv",
            logbook_csv,
        ),
    ]
}

/// Whether a person can correct entries of this kind by hand.
pub fn can_correct(kind: EntryKind) -> bool {
    matches!(
        kind,
        EntryKind::Journey | EntryKind::Problem | EntryKind::Note
    )
}

/// Whether a person can strike entries of this kind out.
pub fn can_strike(kind: EntryKind) -> bool {
    can_correct(kind) || matches!(kind, EntryKind::StarTest | EntryKind::BarrelCheck)
}

/// Whether this entry can be corrected or struck out. A note that belongs to a
/// loan (its day moved) was written by the house and stands as the loan does.
pub fn can_change(line: &Line) -> bool {
    can_strike(line.entry.kind)
        && !line.entry.superseded
        && !line.entry.struck
        && (line.entry.kind != EntryKind::Note || line.loan_id.is_none())
}

struct OldRow {
    words: String,
    signed: String,
}

struct LogRow {
    /// The day, short; with its time in the fold.
    day: String,
    when: String,
    by: String,
    kind: &'static str,
    words: String,
    signed: String,
    struck: String,
    before: Vec<OldRow>,
    change: String,
    borrower: String,
    /// Where the collimation session it belongs to is, or "".
    collimation: String,
}

fn signed(context: &RequestContext, line: &Line) -> String {
    format!(
        "written {}",
        show::time(context.club(), line.entry.recorded_at)
    )
}

fn row(
    context: &RequestContext,
    tag: &str,
    names: bool,
    collimations: &HashMap<EntryId, CollimationId>,
    happening: Happening,
) -> LogRow {
    let club = context.club();
    let line = &happening.last;
    LogRow {
        day: show::short_day(club.date(line.entry.happened_at), club.date(context.now())),
        by: line.entry.recorded_by.clone(),
        when: show::time(club, line.entry.happened_at),
        kind: line.entry.kind.slug(),
        words: match &line.told {
            Told::Words if line.entry.kind != EntryKind::Note => format!(
                "{}. {}",
                show::capital(line.entry.kind.label()),
                logbook_words::of(club, line)
            ),
            _ => logbook_words::of(club, line),
        },
        signed: signed(context, line),
        struck: happening
            .struck_by
            .as_ref()
            .map(|s| {
                let why = if s.entry.note.is_empty() {
                    String::new()
                } else {
                    format!(": {}", s.entry.note)
                };
                format!(
                    "Struck out by {} on {}{why}",
                    s.entry.recorded_by,
                    show::time(club, s.entry.recorded_at)
                )
            })
            .unwrap_or_default(),
        before: happening
            .before
            .iter()
            .map(|old| OldRow {
                words: logbook_words::of(club, old),
                signed: format!(
                    "{}, {}, {}",
                    show::time(club, old.entry.happened_at),
                    old.entry.recorded_by,
                    signed(context, old)
                ),
            })
            .collect(),
        change: if can_change(line) && happening.struck_by.is_none() {
            format!("{}/logbook/{}", address::instrument(tag), line.entry.id)
        } else {
            String::new()
        },
        collimation: collimations
            .get(&line.entry.id)
            .map(|id| super::collimation::sheet_address(*id))
            .unwrap_or_default(),
        borrower: if names {
            line.borrower.clone().unwrap_or_default()
        } else {
            String::new()
        },
    }
}

/// What can be asked of a logbook.
fn controls(tag: &str) -> Controls {
    let here = address::instrument(tag);
    Controls {
        path: format!("{here}/logbook"),
        csv: format!("{here}/logbook.csv"),
        sought_in: "Words, or who wrote them",
        choices: vec![Choice {
            name: "kind",
            label: "Kind of entry",
            any: "every kind",
            options: EntryKind::ALL
                .iter()
                .map(|kind| (kind.slug().to_owned(), kind.label().to_owned()))
                .collect(),
        }],
        orders: &[("newest", "Newest first"), ("oldest", "Oldest first")],
        rows: PAGE_ROWS,
    }
}

/// Whether this entry is asked for.
fn is_asked(club: &Club, asked: &Asked, line: &Line) -> bool {
    let kind: Option<EntryKind> = asked.of("kind").parse().ok();
    kind.is_none_or(|kind| line.entry.kind == kind)
        && (asked.words().is_empty()
            || asked.fits(&[
                &logbook_words::of(club, line),
                &line.entry.note,
                &line.entry.recorded_by,
                line.entry.kind.label(),
            ]))
}

#[derive(Template)]
#[template(path = "logbook/logbook.html")]
struct LogbookPage {
    layout: Layout,
    instrument: Instrument,
    lede: String,
    here: String,
    list: Shown,
    rows: Vec<LogRow>,
    /// A year of coma, with what happened on the same axis.
    course: Option<CoursePicture>,
}

const PAGE_ROWS: usize = 20;
/// The days that the picture looks back, and ahead.
const YEAR_DAYS: f64 = 365.25;
const AHEAD_DAYS: f64 = 30.0;

async fn show_logbook(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let snapshot = context.snapshot().await?;
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let controls = controls(&instrument.tag);
    let oldest_first = controls.check(&asked)? == "oldest";
    let as_it_comes = controls.here(&asked) == controls.path;
    let (rows, list, entries) = match as_it_comes {
        true => {
            let count = logbook::count(&mut conn, instrument.id).await?;
            let paging = Paging::new(asked.page(), count, controls.rows);
            let skip = (paging.number - 1) * controls.rows;
            let lines = logbook::some(&mut conn, instrument.id, skip, controls.rows).await?;
            let list = controls.shown(&asked, &paging);
            (logbook::happenings(lines), list, count)
        }
        false => {
            let lines = logbook::of(&mut conn, instrument.id).await?;
            let mut happenings = logbook::happenings(lines);
            happenings.retain(|h| is_asked(context.club(), &asked, &h.last));
            if oldest_first {
                happenings.reverse();
            }
            let count = happenings.len();
            let (rows, list) = controls.page_of(&asked, happenings);
            (rows, list, count)
        }
    };
    let course = match list.before.is_empty() && !list.is_asked {
        true => a_year(&context, &mut conn, &snapshot, &instrument).await?,
        false => None,
    };
    let collimations = collimation_lists::of_entries(&mut conn, instrument.id)
        .await?
        .into_iter()
        .collect();
    drop(conn);
    let names = context.may(Access::Coordinator);
    let here = address::instrument(&instrument.tag);
    let entries = show::counted(entries, "entry", "entries");
    page(&LogbookPage {
        layout: context.layout(&format!("Logbook of {}", instrument.tag)),
        lede: format!("{}. {}.", instrument.name, show::capital(&entries)),
        course,
        rows: rows
            .into_iter()
            .map(|h| row(&context, &instrument.tag, names, &collimations, h))
            .collect(),
        list,
        here,
        instrument,
    })
}

/// The last year of an instrument's coma, with its journeys, knocks and work on
/// the same axis; none before its first look.
async fn a_year(
    context: &RequestContext,
    conn: &mut Conn,
    snapshot: &Snapshot,
    instrument: &Instrument,
) -> Result<Option<CoursePicture>, Error> {
    let member = snapshot.member(instrument.id);
    let chain = member
        .and_then(|m| m.book.chain.as_ref())
        .filter(|c| c.looks() > 0);
    let (Some(member), Some(chain), Some(forecast)) =
        (member, chain, snapshot.forecast(instrument.id))
    else {
        return Ok(None);
    };
    let a_year_ago = context.now() - chrono::Duration::days(YEAR_DAYS.ceil() as i64);
    let happenings = logbook::happenings(logbook::since(conn, instrument.id, a_year_ago).await?);
    let from = (snapshot.today - YEAR_DAYS).max(chain.begins);
    let drawn = course(chain, snapshot.model(), from, snapshot.today + AHEAD_DAYS);
    let club = context.club();
    let standing = happenings.iter().filter(|h| h.struck_by.is_none());
    let happened: Vec<(f64, &'static str, String)> = standing
        .filter_map(|h| {
            let kind = match &h.last.told {
                Told::Journey(j) if j.kind == JourneyKind::KnockOrDrop => "knock",
                Told::Journey(_) => "journey",
                Told::Work { .. } => "work",
                _ => return None,
            };
            let at = h.last.entry.happened_at;
            let words = logbook_words::of(club, &h.last);
            Some((
                day_of(at),
                kind,
                format!("{}: {words}", show::date(club, at)),
            ))
        })
        .collect();
    let count = |of: &str| happened.iter().filter(|(_, kind, _)| *kind == of).count();
    let words = format!(
        "Coma of {} over the last year with its error bars and its limit; marked on the same axis: {} journeys, {} knocks, work {} times. Chance that it is out of collimation today: {}.",
        instrument.tag,
        count("journey"),
        count("knock"),
        count("work"),
        show::percent(forecast.chance)
    );
    let limit = member.limits.coma_bench.value;
    Ok(CoursePicture::with(
        &drawn,
        limit,
        snapshot.today,
        words,
        &happened,
    ))
}

async fn logbook_csv(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let club = context.club();
    let names = context.may(Access::Coordinator);
    let mut lines = logbook::of(&mut conn, instrument.id).await?;
    let oldest_first = controls(&instrument.tag).check(&asked)? == "oldest";
    lines.retain(|line| is_asked(club, &asked, line));
    if oldest_first {
        lines.reverse();
    }
    let mut header = vec![
        "tag",
        "happened",
        "kind",
        "words",
        "written",
        "signed by",
        "state",
        "entry",
        "corrects",
    ];
    if names {
        header.push("borrower");
    }
    csv_response(
        &header,
        lines.into_iter().map(|line| {
            let state = if line.entry.struck {
                "strikes out"
            } else if line.entry.superseded {
                "superseded"
            } else {
                "stands"
            };
            let mut cells = vec![
                Cell::from(instrument.tag.as_str()),
                Cell::time(context.club(), line.entry.happened_at),
                Cell::from(line.entry.kind.label()),
                Cell::from(logbook_words::of(club, &line)),
                Cell::time(context.club(), line.entry.recorded_at),
                Cell::from(line.entry.recorded_by.as_str()),
                Cell::from(state),
                Cell::Figure(line.entry.id.to_string()),
                Cell::Figure(
                    line.entry
                        .supersedes
                        .map(|id| id.to_string())
                        .unwrap_or_default(),
                ),
            ];
            if names {
                cells.push(Cell::from(line.borrower));
            }
            cells
        }),
    )
}

impl LogbookPage {
    /// Where an entry of this kind is added.
    fn add(&self, kind: &str) -> String {
        format!("{}/logbook/new/{kind}", self.here)
    }
}
