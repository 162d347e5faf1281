//! Jobs: who puts a problem right, and by when.
//!
//! A job is no entry of the logbook but a row beside its problem, one for each who took it
//! on. It is open until work settles the problem, or until it is given back.

use chrono::NaiveDate;

use super::entries::Entry;
use super::problems::{self, AsksFor, Problem, ProblemWhat};
use super::{Conn, EntryId, Error, InstrumentId, JobId, Moment, PersonId, Result};

/// The longest note, characters.
pub const LONGEST_NOTE: usize = 500;

/// Who does it, and by when.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Terms {
    /// Who; `None` for no one yet.
    pub person: Option<PersonId>,
    /// By which day of the club's.
    pub due_on: Option<NaiveDate>,
    /// Anything else.
    pub note: String,
}

/// A job that has not been given back.
#[derive(Debug, Clone)]
pub struct Job {
    /// Id.
    pub id: JobId,
    /// The problem's entry, as it stands.
    pub problem_entry_id: EntryId,
    /// The problem.
    pub problem: Problem,
    /// When that was seen.
    pub reported_at: Moment,
    /// At which instrument.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// Who does it, and by when.
    pub terms: Terms,
    /// The name of who does it.
    pub person: Option<String>,
    /// When they took it on.
    pub begun_at: Moment,
    /// When work that settled the problem was written down.
    pub settled_at: Option<Moment>,
    /// Work at the instrument that was written down since somebody first took the problem
    /// on, until it was settled, minutes.
    pub minutes: i64,
}

impl Job {
    /// For how many days it has been late; `None` where it is not, or is settled.
    pub fn days_late(&self, today: NaiveDate) -> Option<i64> {
        let due_on = self.terms.due_on.filter(|_| self.settled_at.is_none())?;
        Some((today - due_on).num_days()).filter(|days| *days > 0)
    }

    /// Whether this person has it and it is open.
    pub fn is_of(&self, person: PersonId) -> bool {
        self.settled_at.is_none() && self.terms.person == Some(person)
    }
}

/// The jobs of one instrument, or of all: those that were not given back and whose problem
/// stands, in the order in which they were taken on.
pub async fn list(conn: &mut Conn, instrument: Option<InstrumentId>) -> Result<Vec<Job>> {
    let rows = sqlx::query!(
        // A settlement follows the corrections of the problem, as in `unsettled_problems`.
        r#"WITH RECURSIVE told (job, entry) AS (
               SELECT id, problem_entry_id FROM jobs WHERE ended_at IS NULL
               UNION SELECT t.job, o.supersedes FROM told t JOIN entries o ON o.id = t.entry
               WHERE o.supersedes IS NOT NULL
           ), open AS (
               SELECT j.*, (SELECT MIN(w.recorded_at) FROM told t
                                JOIN work_settles s ON s.problem_entry_id = t.entry
                                JOIN current_entries w ON w.id = s.work_entry_id
                            WHERE t.job = j.id) AS settled_at,
                      (SELECT MIN(f.begun_at) FROM jobs f WHERE f.problem_entry_id = j.problem_entry_id) AS first_at
               FROM jobs j WHERE j.ended_at IS NULL
           )
           SELECT j.id AS "id: JobId", e.id AS "problem_entry_id: EntryId", f.what AS "what: ProblemWhat",
                  f.asks_for AS "asks_for: AsksFor", f.words, e.happened_at AS "reported_at: Moment",
                  i.id AS "instrument_id: InstrumentId", i.tag, i.name, j.person_id AS "person_id: PersonId",
                  p.name AS "person?: String", j.due_on AS "due_on: NaiveDate", j.note,
                  j.begun_at AS "begun_at: Moment", j.settled_at AS "settled_at: Moment",
                  (SELECT COALESCE(SUM(k.minutes), 0) FROM current_entries w JOIN works k ON k.entry_id = w.id
                   WHERE w.instrument_id = i.id AND w.kind = 'work' AND w.recorded_at >= j.first_at
                     AND w.recorded_at <= COALESCE(j.settled_at, '9999')) AS "minutes!: i64"
           FROM open j JOIN current_entries e ON e.id = j.problem_entry_id JOIN problems f ON f.entry_id = e.id
                JOIN instruments i ON i.id = e.instrument_id LEFT JOIN people p ON p.id = j.person_id
           WHERE ?1 IS NULL OR i.id = ?1
           ORDER BY j.begun_at, j.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| Job {
            id: r.id,
            problem_entry_id: r.problem_entry_id,
            problem: Problem {
                what: r.what,
                asks_for: r.asks_for,
                words: r.words,
            },
            reported_at: r.reported_at,
            instrument_id: r.instrument_id,
            tag: r.tag,
            instrument_name: r.name,
            terms: Terms {
                person: r.person_id,
                due_on: r.due_on,
                note: r.note,
            },
            person: r.person,
            begun_at: r.begun_at,
            settled_at: r.settled_at,
            minutes: r.minutes,
        })
        .collect())
}

/// The job of a problem, if somebody took it on.
pub async fn of(conn: &mut Conn, problem: EntryId) -> Result<Option<Job>> {
    let instrument = Entry::get(conn, problem).await?.instrument_id;
    let all = list(conn, Some(instrument)).await?;
    Ok(all.into_iter().find(|j| j.problem_entry_id == problem))
}

/// What of these terms cannot be so, by the field's name, with the remedy: who does not work
/// here, or a day that has passed and did not stand there before.
pub async fn faults(
    conn: &mut Conn,
    problem: EntryId,
    terms: &Terms,
    today: NaiveDate,
) -> Result<Vec<(&'static str, String)>> {
    let mut faults = Vec::new();
    if let Some(person) = terms.person {
        let works_here = sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n!: i64" FROM people
               WHERE id = ? AND left_at IS NULL AND role IN ('volunteer', 'coordinator')"#,
            person
        )
        .fetch_one(&mut *conn)
        .await?;
        if works_here == 0 {
            let words = "Who does it: they do not work here. Choose a volunteer, or no one yet.";
            faults.push(("person", words.to_owned()));
        }
    }
    let known = of(conn, problem).await?.and_then(|job| job.terms.due_on);
    if terms.due_on.is_some_and(|day| day < today) && terms.due_on != known {
        let words = "By when: that day has passed. Choose a later one.";
        faults.push(("due_on", words.to_owned()));
    }
    Ok(faults)
}

/// Gives an open problem to somebody, or changes by when and the note. Where somebody else
/// had it, their job ends and another begins.
///
/// # Errors
/// Refused when the problem is settled, corrected or struck out, and with the first of
/// [`faults`].
pub async fn give(
    conn: &mut Conn,
    problem: EntryId,
    terms: &Terms,
    today: NaiveDate,
    by: PersonId,
    at: Moment,
) -> Result<JobId> {
    let instrument = Entry::get(conn, problem).await?.instrument_id;
    let open = problems::open(conn, Some(instrument)).await?;
    if !open.iter().any(|p| p.entry_id == problem) {
        return Err(Error::Refused(
            "That problem is settled, or was corrected. Look at the list of problems again."
                .to_owned(),
        ));
    }
    let faults = faults(conn, problem, terms, today).await?;
    if let Some((_, words)) = faults.into_iter().next() {
        return Err(Error::Refused(words));
    }
    let before = of(conn, problem).await?;
    match before {
        Some(job) if job.terms.person == terms.person => {
            sqlx::query!(
                "UPDATE jobs SET due_on = ?, note = ? WHERE id = ?",
                terms.due_on,
                terms.note,
                job.id
            )
            .execute(conn)
            .await?;
            Ok(job.id)
        }
        before => {
            if let Some(job) = before {
                end(conn, job.id, by, at).await?;
            }
            begin(conn, problem, terms, by, at).await
        }
    }
}

async fn begin(
    conn: &mut Conn,
    problem: EntryId,
    terms: &Terms,
    by: PersonId,
    at: Moment,
) -> Result<JobId> {
    let id = JobId::fresh();
    sqlx::query!(
        "INSERT INTO jobs (id, problem_entry_id, person_id, due_on, note, begun_at, begun_by)
         VALUES (?, ?, ?, ?, ?, ?, ?)",
        id,
        problem,
        terms.person,
        terms.due_on,
        terms.note,
        at,
        by
    )
    .execute(conn)
    .await?;
    Ok(id)
}

async fn end(conn: &mut Conn, id: JobId, by: PersonId, at: Moment) -> Result<()> {
    sqlx::query!(
        "UPDATE jobs SET ended_at = ?, ended_by = ? WHERE id = ? AND ended_at IS NULL",
        at,
        by,
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Gives the job of a problem back: the problem stays, and nobody is to do it.
///
/// # Errors
/// Refused when nobody has it, or when it is settled.
pub async fn give_back(conn: &mut Conn, problem: EntryId, by: PersonId, at: Moment) -> Result<Job> {
    let job = of(conn, problem).await?;
    let job = job
        .filter(|j| j.settled_at.is_none())
        .ok_or_else(|| Error::Refused("That job was given back or settled already.".to_owned()))?;
    end(conn, job.id, by, at).await?;
    Ok(job)
}

/// Whatever a person who no longer works here had to do is no one's yet.
pub async fn free(conn: &mut Conn, person: PersonId, at: Moment) -> Result<()> {
    for job in list(conn, None).await? {
        if job.is_of(person) {
            end(conn, job.id, person, at).await?;
            let terms = Terms {
                person: None,
                ..job.terms
            };
            begin(conn, job.problem_entry_id, &terms, person, at).await?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
