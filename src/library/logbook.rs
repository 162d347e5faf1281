//! The logbook as it is read: every entry with the details of its kind, those
//! that were corrected or struck out included.

use optics::barrels::Apart;

use super::barrel_checks::{self, Way};
use super::entries::{Entry, EntryKind};
use super::journeys::{Journey, JourneyKind};
use super::problems::{AsksFor, Problem, ProblemWhat};
use super::spares::{self, Used};
use super::star_tests::{FocusSide, Method};
use super::works::WorkWhat;
use super::{AttemptId, Conn, EntryId, Error, InstrumentId, LoanId, Moment, Result};

/// What an entry tells beyond its own words.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// A move.
    Journey(Journey),
    /// Something wrong.
    Problem(Problem),
    /// What the bench did.
    Work {
        /// What.
        what: WorkWhat,
        /// Minutes.
        minutes: Option<i64>,
        /// Whether optics were moved.
        moved_optics: bool,
        /// In words.
        words: String,
        /// Spare parts that went into it.
        used: Vec<Used>,
    },
    /// A look at a star.
    StarTest {
        /// By eye or from frames.
        method: Method,
        /// Side of focus.
        side: FocusSide,
        /// Whether a diagonal was in.
        diagonal: bool,
        /// Antoniadi, 1 (best) to 5.
        seeing: Option<i64>,
        /// Magnification.
        magnification: Option<f64>,
        /// Thin side over thick side.
        thin_to_thick: Option<f64>,
        /// Direction of the thin side, clock degrees.
        thin_clock_deg: Option<f64>,
        /// RMS coma, waves at 550 nm.
        coma_rms_waves: f64,
        /// Its 1-sigma.
        coma_rms_waves_sigma: f64,
        /// The frames it was measured from.
        attempt_id: Option<AttemptId>,
    },
    /// A look through both barrels.
    BarrelCheck {
        /// By eye or by pictures.
        way: Way,
        /// Magnification.
        magnification: f64,
        /// Whether there is a hinge.
        hinged: bool,
        /// At each opening of the hinge, at the eye.
        openings: Vec<Apart>,
    },
    /// Nothing beyond its words.
    Words,
}

/// One entry with its details.
#[derive(Debug, Clone)]
pub struct Line {
    /// The entry.
    pub entry: Entry,
    /// The loan it belongs to.
    pub loan_id: Option<LoanId>,
    /// Who had it on that loan; for coordinators only.
    pub borrower: Option<String>,
    /// The details.
    pub told: Told,
}

struct Row {
    id: EntryId,
    instrument_id: InstrumentId,
    kind: EntryKind,
    happened_at: Moment,
    recorded_at: Moment,
    recorded_by: String,
    supersedes: Option<EntryId>,
    struck: bool,
    superseded: bool,
    note: String,
    loan_id: Option<LoanId>,
    borrower: Option<String>,
    journey_kind: Option<JourneyKind>,
    distance_km: Option<f64>,
    severity: Option<i64>,
    problem_what: Option<ProblemWhat>,
    asks_for: Option<AsksFor>,
    problem_words: Option<String>,
    work_what: Option<WorkWhat>,
    minutes: Option<i64>,
    moved_optics: Option<bool>,
    work_words: Option<String>,
    method: Option<Method>,
    side: Option<FocusSide>,
    diagonal: Option<bool>,
    seeing: Option<i64>,
    magnification: Option<f64>,
    thin_to_thick: Option<f64>,
    thin_clock_deg: Option<f64>,
    coma_rms_waves: Option<f64>,
    coma_rms_waves_sigma: Option<f64>,
    attempt_id: Option<AttemptId>,
    way: Option<Way>,
    barrels_magnification: Option<f64>,
    hinged: Option<bool>,
}

impl From<Row> for Line {
    fn from(r: Row) -> Self {
        let told = if let Some(kind) = r.journey_kind {
            Told::Journey(Journey {
                kind,
                distance_km: r.distance_km,
                severity: r.severity,
            })
        } else if let (Some(what), Some(asks_for), Some(words)) =
            (r.problem_what, r.asks_for, r.problem_words)
        {
            Told::Problem(Problem {
                what,
                asks_for,
                words,
            })
        } else if let (Some(what), Some(moved_optics), Some(words)) =
            (r.work_what, r.moved_optics, r.work_words)
        {
            Told::Work {
                what,
                minutes: r.minutes,
                moved_optics,
                words,
                used: Vec::new(),
            }
        } else if let (
            Some(method),
            Some(side),
            Some(diagonal),
            Some(coma_rms_waves),
            Some(coma_rms_waves_sigma),
        ) = (
            r.method,
            r.side,
            r.diagonal,
            r.coma_rms_waves,
            r.coma_rms_waves_sigma,
        ) {
            Told::StarTest {
                method,
                side,
                diagonal,
                seeing: r.seeing,
                magnification: r.magnification,
                thin_to_thick: r.thin_to_thick,
                thin_clock_deg: r.thin_clock_deg,
                coma_rms_waves,
                coma_rms_waves_sigma,
                attempt_id: r.attempt_id,
            }
        } else if let (Some(way), Some(magnification), Some(hinged)) =
            (r.way, r.barrels_magnification, r.hinged)
        {
            Told::BarrelCheck {
                way,
                magnification,
                hinged,
                openings: Vec::new(),
            }
        } else {
            Told::Words
        };
        Self {
            entry: Entry {
                id: r.id,
                instrument_id: r.instrument_id,
                kind: r.kind,
                happened_at: r.happened_at,
                recorded_at: r.recorded_at,
                recorded_by: r.recorded_by,
                supersedes: r.supersedes,
                struck: r.struck,
                superseded: r.superseded,
                note: r.note,
            },
            loan_id: r.loan_id,
            borrower: r.borrower,
            told,
        }
    }
}

/// A part of a logbook.
#[derive(Debug, Clone, Copy)]
struct Part {
    instrument: InstrumentId,
    /// Of this loan only.
    loan: Option<LoanId>,
    /// Only what happened since.
    since: Option<Moment>,
    /// So many happenings are left out, the newest first, and so many follow; -1 for all.
    skip: i64,
    rows: i64,
}

impl Part {
    fn whole(instrument: InstrumentId) -> Self {
        Self {
            instrument,
            loan: None,
            since: None,
            skip: 0,
            rows: -1,
        }
    }
}

/// The entries of a part of a logbook, newest first, those that were corrected or
/// struck out included, each with its corrections; or the one of this id.
async fn lines(conn: &mut Conn, part: Option<Part>, entry: Option<EntryId>) -> Result<Vec<Line>> {
    let instrument = part.map(|part| part.instrument);
    let (loan, since) = (part.and_then(|p| p.loan), part.and_then(|p| p.since));
    let (skip, rows) = part.map_or((0, 0), |part| (part.skip, part.rows));
    let mut uses = spares::uses(conn, instrument, entry).await?;
    let mut seen = barrel_checks::openings(conn, instrument, entry).await?;
    let mut lines: Vec<Line> = sqlx::query_as!(
        Row,
        r#"WITH RECURSIVE told (id) AS (
               SELECT id FROM (
                   SELECT id FROM entries o
                   WHERE o.instrument_id = ?1 AND +o.supersedes IS NULL AND (?3 IS NULL OR o.loan_id = ?3)
                     AND (?4 IS NULL OR o.happened_at >= ?4)
                   ORDER BY o.happened_at DESC, o.recorded_at DESC, o.id DESC LIMIT ?5 OFFSET ?6)
               UNION SELECT c.id FROM told JOIN entries c ON c.supersedes = told.id
           )
           SELECT e.id AS "id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.kind AS "kind: EntryKind", e.happened_at AS "happened_at: Moment",
                  e.recorded_at AS "recorded_at: Moment", p.name AS recorded_by,
                  e.supersedes AS "supersedes: EntryId", e.struck AS "struck: bool",
                  EXISTS (SELECT 1 FROM entries c WHERE c.supersedes = e.id) AS "superseded!: bool",
                  e.note, e.loan_id AS "loan_id: LoanId", b.name AS "borrower?: String",
                  j.kind AS "journey_kind?: JourneyKind", j.distance_km AS "distance_km?: f64",
                  j.severity AS "severity?: i64",
                  f.what AS "problem_what?: ProblemWhat", f.asks_for AS "asks_for?: AsksFor",
                  f.words AS "problem_words?: String",
                  w.what AS "work_what?: WorkWhat", w.minutes AS "minutes?: i64",
                  w.moved_optics AS "moved_optics?: bool", w.words AS "work_words?: String",
                  t.method AS "method?: Method", t.side AS "side?: FocusSide", t.diagonal AS "diagonal?: bool",
                  t.seeing AS "seeing?: i64", t.magnification AS "magnification?: f64",
                  t.thin_to_thick AS "thin_to_thick?: f64", t.thin_clock_deg AS "thin_clock_deg?: f64",
                  t.coma_rms_waves AS "coma_rms_waves?: f64",
                  t.coma_rms_waves_sigma AS "coma_rms_waves_sigma?: f64",
                  t.attempt_id AS "attempt_id?: AttemptId", c.way AS "way?: Way",
                  c.magnification AS "barrels_magnification?: f64", c.hinged AS "hinged?: bool"
           FROM (SELECT id FROM told UNION ALL SELECT ?2 WHERE ?2 IS NOT NULL) shown
                CROSS JOIN entries e ON e.id = shown.id JOIN people p ON p.id = e.recorded_by
                LEFT JOIN loans l ON l.id = e.loan_id LEFT JOIN people b ON b.id = l.borrower_id
                LEFT JOIN journeys j ON j.entry_id = e.id LEFT JOIN problems f ON f.entry_id = e.id
                LEFT JOIN works w ON w.entry_id = e.id LEFT JOIN star_tests t ON t.entry_id = e.id
                LEFT JOIN barrel_checks c ON c.entry_id = e.id
           ORDER BY e.happened_at DESC, e.recorded_at DESC, e.id DESC"#,
        instrument, entry, loan, since, rows, skip
    )
    .fetch_all(conn)
    .await?
    .into_iter()
    .map(Into::into)
    .collect();
    for line in &mut lines {
        match &mut line.told {
            Told::BarrelCheck { openings, .. } => {
                *openings = seen.remove(&line.entry.id).unwrap_or_default();
            }
            Told::Work { used, .. } => *used = uses.remove(&line.entry.id).unwrap_or_default(),
            _ => {}
        }
    }
    Ok(lines)
}

/// An instrument's whole logbook, newest first.
pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<Line>> {
    lines(conn, Some(Part::whole(instrument)), None).await
}

/// How many things happened to an instrument, corrections not counted.
pub async fn count(conn: &mut Conn, instrument: InstrumentId) -> Result<usize> {
    let count = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM entries WHERE instrument_id = ? AND +supersedes IS NULL"#,
        instrument
    )
    .fetch_one(conn)
    .await?;
    Ok(usize::try_from(count).unwrap_or_default())
}

/// So many of the things that happened to it, newest first; `skip` are passed over.
pub async fn some(
    conn: &mut Conn,
    instrument: InstrumentId,
    skip: usize,
    rows: usize,
) -> Result<Vec<Line>> {
    let part = Part {
        skip: skip as i64,
        rows: rows as i64,
        ..Part::whole(instrument)
    };
    lines(conn, Some(part), None).await
}

/// What happened to it since then, newest first.
pub async fn since(conn: &mut Conn, instrument: InstrumentId, since: Moment) -> Result<Vec<Line>> {
    let part = Part {
        since: Some(since),
        ..Part::whole(instrument)
    };
    lines(conn, Some(part), None).await
}

/// What was written of one of its loans, newest first.
pub async fn of_loan(conn: &mut Conn, instrument: InstrumentId, loan: LoanId) -> Result<Vec<Line>> {
    let part = Part {
        loan: Some(loan),
        ..Part::whole(instrument)
    };
    lines(conn, Some(part), None).await
}

/// One entry.
pub async fn line(conn: &mut Conn, entry: EntryId) -> Result<Line> {
    lines(conn, None, Some(entry))
        .await?
        .pop()
        .ok_or(Error::NotFound("logbook entry"))
}

/// One thing that happened, with what was written of it before.
#[derive(Debug, Clone)]
pub struct Happening {
    /// What stands, or, where that was struck out, what stood last.
    pub last: Line,
    /// The striking-out, where there was one.
    pub struck_by: Option<Line>,
    /// What it corrects, the latest first.
    pub before: Vec<Line>,
}

/// Groups a logbook so that each correction stands with what it corrects,
/// newest happening first.
pub fn happenings(lines: Vec<Line>) -> Vec<Happening> {
    let mut by_superseded: std::collections::HashMap<EntryId, Line> =
        std::collections::HashMap::new();
    let mut firsts = Vec::new();
    for line in lines {
        match line.entry.supersedes {
            Some(old) => {
                by_superseded.insert(old, line);
            }
            None => firsts.push(line),
        }
    }
    let mut all: Vec<Happening> = firsts
        .into_iter()
        .map(|first| {
            let mut happening = Happening {
                last: first,
                struck_by: None,
                before: Vec::new(),
            };
            while let Some(next) = by_superseded.remove(&happening.last.entry.id) {
                if next.entry.struck {
                    happening.struck_by = Some(next);
                    break;
                }
                let old = std::mem::replace(&mut happening.last, next);
                happening.before.insert(0, old);
            }
            happening
        })
        .collect();
    all.sort_by_key(|h| {
        std::cmp::Reverse((
            h.last.entry.happened_at,
            h.last.entry.recorded_at,
            h.last.entry.id,
        ))
    });
    all
}
