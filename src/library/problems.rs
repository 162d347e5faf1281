//! Problems: something wrong that a person reported.

use super::entries::{EntryKind, NewEntry};
use super::works::WorkWhat;
use super::{Conn, EntryId, InstrumentId, Moment, PersonId, Result};

words! {
    /// What is wrong.
    pub enum ProblemWhat {
        /// Dust, prints, smears.
        OpticsDirty = "optics-dirty", "optics dirty";
        /// Dew stains, mould.
        DewOrMould = "dew-or-mould", "dew or mould";
        /// Scratched, chipped, coating gone.
        OpticsDamaged = "optics-damaged", "optics damaged";
        /// Images look wrong.
        AlignmentSuspect = "alignment-suspect", "alignment suspect";
        /// Focuser, hinge, mount or cap binds or slips.
        MovingPart = "moving-part", "moving part";
        /// Something did not come back.
        PartMissing = "part-missing", "part missing";
        /// Battery, cable, heater, motor.
        Electrical = "electrical", "electrical";
        /// Case, strap, bag.
        CaseOrStrap = "case-or-strap", "case or strap";
        /// Anything else.
        Other = "other", "something else";
    }
}

words! {
    /// What a problem asks for.
    pub enum AsksFor {
        /// Known, can be lived with.
        Nothing = "nothing", "nothing, just so you know";
        /// Someone should look at the next chance.
        ALook = "a-look", "a look when there is time";
        /// Not to be lent before the bench has had it.
        TheBench = "the-bench", "the bench before the next loan";
    }
}

/// Something wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// What.
    pub what: ProblemWhat,
    /// What it asks for.
    pub asks_for: AsksFor,
    /// In the reporter's words.
    pub words: String,
}

/// A problem as it stands.
#[derive(Debug, Clone)]
pub struct LoggedProblem {
    /// Its entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// When.
    pub happened_at: Moment,
    /// The problem.
    pub problem: Problem,
    /// Whether standing work has settled it.
    pub settled: bool,
}

impl Problem {
    /// Writes the details under an entry already written.
    pub async fn write(&self, conn: &mut Conn, entry: EntryId) -> Result<()> {
        sqlx::query!(
            "INSERT INTO problems (entry_id, what, asks_for, words) VALUES (?, ?, ?, ?)",
            entry,
            self.what,
            self.asks_for,
            self.words
        )
        .execute(conn)
        .await?;
        Ok(())
    }

    /// Writes entry and details; `entry.kind` is set here.
    pub async fn log(&self, conn: &mut Conn, mut entry: NewEntry) -> Result<EntryId> {
        entry.kind = EntryKind::Problem;
        let id = entry.write(conn).await?;
        self.write(conn, id).await?;
        Ok(id)
    }
}

/// Says that parts are missing, in these words, unless that stands unsettled already.
/// `entry` tells of what, when and by whom. Gives the entry that says so.
pub async fn part_missing(conn: &mut Conn, words: String, entry: NewEntry) -> Result<EntryId> {
    let known = open(conn, Some(entry.instrument)).await?;
    let known = known.iter().find(|one| one.problem.words == words);
    if let Some(known) = known {
        return Ok(known.entry_id);
    }
    let problem = Problem {
        what: ProblemWhat::PartMissing,
        asks_for: AsksFor::ALook,
        words,
    };
    problem.log(conn, entry).await
}

/// A problem that work has settled, with who reported it.
#[derive(Debug, Clone)]
pub struct Settled {
    /// The problem's entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// Who reported it.
    pub reported_by: PersonId,
    /// Their name.
    pub reporter: String,
    /// When it was seen.
    pub reported_at: Moment,
    /// In the reporter's words.
    pub problem_words: String,
    /// When it was settled.
    pub settled_at: Moment,
    /// By what.
    pub work: WorkWhat,
    /// In the words of who did it; may be empty.
    pub work_words: String,
}

/// The problems that were settled since then by somebody else than who reported them.
pub async fn settled_since(conn: &mut Conn, since: Moment) -> Result<Vec<Settled>> {
    Ok(sqlx::query_as!(
        Settled,
        r#"SELECT o.id AS "entry_id: EntryId", o.instrument_id AS "instrument_id: InstrumentId",
                  o.recorded_by AS "reported_by: PersonId", p.name AS reporter,
                  o.happened_at AS "reported_at: Moment", f.words AS problem_words,
                  w.happened_at AS "settled_at: Moment", k.what AS "work: WorkWhat", k.words AS work_words
           FROM current_entries w JOIN works k ON k.entry_id = w.id
                JOIN work_settles s ON s.work_entry_id = w.id
                JOIN entries o ON o.id = s.problem_entry_id JOIN problems f ON f.entry_id = o.id
                JOIN people p ON p.id = o.recorded_by
           WHERE w.kind = 'work' AND w.recorded_at > ? AND w.recorded_by <> o.recorded_by AND p.left_at IS NULL
           ORDER BY w.recorded_at, o.id"#,
        since
    )
    .fetch_all(conn)
    .await?)
}

/// Every standing problem of one instrument, or of all, oldest first.
pub async fn current(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
) -> Result<Vec<LoggedProblem>> {
    let rows = sqlx::query_as!(
        Row,
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", f.what AS "what: ProblemWhat",
                  f.asks_for AS "asks_for: AsksFor", f.words,
                  e.id NOT IN (SELECT entry_id FROM open_problems) AS "settled!: bool"
           FROM instruments i CROSS JOIN current_entries e ON e.instrument_id = i.id AND e.kind = 'problem'
                JOIN problems f ON f.entry_id = e.id
           WHERE ?1 IS NULL OR i.id = ?1
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows.into_iter().map(LoggedProblem::from).collect())
}

/// Those that are not settled, of one instrument or of all, oldest first.
pub async fn open(conn: &mut Conn, instrument: Option<InstrumentId>) -> Result<Vec<LoggedProblem>> {
    let rows = sqlx::query_as!(
        Row,
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", f.what AS "what: ProblemWhat",
                  f.asks_for AS "asks_for: AsksFor", f.words, 0 AS "settled!: bool"
           FROM (SELECT entry_id FROM open_problems WHERE ?1 IS NULL
                 UNION ALL
                 SELECT i.id FROM entries i WHERE i.instrument_id = ?1 AND i.kind = 'problem'
                    AND i.id IN (SELECT entry_id FROM open_problems)) o
                CROSS JOIN entries e ON e.id = o.entry_id CROSS JOIN problems f ON f.entry_id = e.id
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows.into_iter().map(LoggedProblem::from).collect())
}

struct Row {
    entry_id: EntryId,
    instrument_id: InstrumentId,
    happened_at: Moment,
    what: ProblemWhat,
    asks_for: AsksFor,
    words: String,
    settled: bool,
}

impl From<Row> for LoggedProblem {
    fn from(row: Row) -> Self {
        Self {
            entry_id: row.entry_id,
            instrument_id: row.instrument_id,
            happened_at: row.happened_at,
            problem: Problem {
                what: row.what,
                asks_for: row.asks_for,
                words: row.words,
            },
            settled: row.settled,
        }
    }
}
