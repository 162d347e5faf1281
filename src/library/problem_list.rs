//! Every problem that stands, as a list shows it.

use super::loan_lists::Sought;
use super::problems::{AsksFor, LoggedProblem, Problem, ProblemWhat};
use super::{Conn, EntryId, InstrumentId, Moment, Result, from_json};

/// A problem with its instrument and who wrote it down.
#[derive(Debug, Clone)]
pub struct Listed {
    /// The problem.
    pub logged: LoggedProblem,
    /// The instrument's tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// Who wrote it down.
    pub recorded_by: String,
}

/// What a list is narrowed and put in order by, in the order in which [`brief`] gathers it.
#[derive(Debug, Clone, serde::Deserialize)]
pub struct Brief {
    /// The problem.
    pub entry_id: EntryId,
    /// The instrument's tag.
    pub tag: String,
    /// The reporter's words, where words are looked for.
    pub words: String,
    /// What is wrong.
    pub what: ProblemWhat,
    /// What it asks for.
    pub asks_for: AsksFor,
    /// Whether work settled it.
    #[serde(deserialize_with = "super::bit")]
    pub settled: bool,
    /// Whether somebody has taken it on.
    #[serde(deserialize_with = "super::bit")]
    pub taken: bool,
    thing: i64,
    person: i64,
}

/// Of all of them, or only of the open ones, the newest first: those of which each of these
/// words stands in the instrument's tag or name, in what is wrong, in the reporter's words, or in
/// the name of who wrote it down.
pub async fn brief(conn: &mut Conn, only_open: bool, words: &[String]) -> Result<Vec<Brief>> {
    let with_words = !words.is_empty();
    let all = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_array(hex(id), tag, words, what, asks_for, settled, taken,
                                                      thing, person)) AS "all!: String"
           FROM (SELECT e.id, i.tag, CASE WHEN ?2 THEN f.words ELSE '' END AS words, f.what, f.asks_for,
                        o.settled, i.rowid AS thing, p.rowid AS person,
                        EXISTS (SELECT 1 FROM jobs j WHERE j.problem_entry_id = e.id AND j.ended_at IS NULL
                                AND j.person_id IS NOT NULL) AS taken
                 FROM (SELECT entry_id, 0 AS settled FROM open_problems
                       UNION ALL
                       SELECT s.entry_id, 1 FROM problems s CROSS JOIN current_entries c ON c.id = s.entry_id
                       WHERE NOT ?1 AND s.entry_id NOT IN (SELECT entry_id FROM open_problems)) o
                      CROSS JOIN entries e ON e.id = o.entry_id CROSS JOIN problems f ON f.entry_id = e.id
                      JOIN instruments i ON i.id = e.instrument_id JOIN people p ON p.id = e.recorded_by
                 ORDER BY e.happened_at DESC, e.recorded_at DESC, e.id DESC)"#,
        only_open,
        with_words
    )
    .fetch_one(&mut *conn)
    .await?;
    let mut all: Vec<Brief> = from_json(&all)?;
    if with_words {
        let sought = Sought::of(conn, words).await?;
        all.retain(|one| {
            let said = [one.words.as_str(), one.what.label()].join(" ");
            sought.all_stand_in(one.thing, one.person, &said)
        });
    }
    Ok(all)
}

/// The open ones, the newest first, so many after `skip`.
pub async fn newest_open(conn: &mut Conn, skip: i64, rows: i64) -> Result<Vec<EntryId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT e.id AS "id: EntryId" FROM open_problems o CROSS JOIN entries e ON e.id = o.entry_id
           ORDER BY e.happened_at DESC, e.recorded_at DESC, e.id DESC LIMIT ? OFFSET ?"#,
        rows,
        skip
    )
    .fetch_all(conn)
    .await?)
}

/// These, in this order.
pub async fn each(conn: &mut Conn, ids: impl IntoIterator<Item = EntryId>) -> Result<Vec<Listed>> {
    let ids = super::listed(ids.into_iter().map(|id| id.0));
    let rows = sqlx::query!(
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", f.what AS "what: ProblemWhat",
                  f.asks_for AS "asks_for: AsksFor", f.words,
                  e.id NOT IN (SELECT entry_id FROM open_problems) AS "settled!: bool",
                  i.tag, i.name, p.name AS recorded_by
           FROM json_each(?) this CROSS JOIN entries e ON e.id = unhex(this.value)
                CROSS JOIN problems f ON f.entry_id = e.id
                JOIN instruments i ON i.id = e.instrument_id JOIN people p ON p.id = e.recorded_by
           ORDER BY this.key"#,
        ids
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| Listed {
            logged: LoggedProblem {
                entry_id: r.entry_id,
                instrument_id: r.instrument_id,
                happened_at: r.happened_at,
                problem: Problem {
                    what: r.what,
                    asks_for: r.asks_for,
                    words: r.words,
                },
                settled: r.settled,
            },
            tag: r.tag,
            name: r.name,
            recorded_by: r.recorded_by,
        })
        .collect())
}

/// A problem that nobody has taken on, in short.
#[derive(Debug, Clone)]
pub struct Untaken {
    /// The instrument's tag.
    pub tag: String,
    /// When it was seen.
    pub happened_at: Moment,
    /// In the reporter's words.
    pub words: String,
}

/// The open problems of instruments that ask for something and that nobody has taken on: how
/// many, and so many of the newest.
pub async fn untaken(conn: &mut Conn, rows: i64) -> Result<(usize, Vec<Untaken>)> {
    let found = sqlx::query!(
        r#"SELECT i.tag, e.happened_at AS "happened_at: Moment", f.words, COUNT(*) OVER () AS "count!: i64"
           FROM open_problems o CROSS JOIN entries e ON e.id = o.entry_id CROSS JOIN problems f ON f.entry_id = e.id
                CROSS JOIN instruments i ON i.id = e.instrument_id
           WHERE f.asks_for <> 'nothing' AND i.kind = 'instrument' AND i.status <> 'retired'
             AND NOT EXISTS (SELECT 1 FROM jobs j WHERE j.problem_entry_id = o.entry_id AND j.ended_at IS NULL
                                AND j.person_id IS NOT NULL)
           ORDER BY e.happened_at DESC, e.recorded_at DESC, e.id DESC LIMIT ?"#,
        rows
    )
    .fetch_all(conn)
    .await?;
    let count = found.first().map_or(0, |row| row.count);
    let found = found.into_iter().map(|row| Untaken {
        tag: row.tag,
        happened_at: row.happened_at,
        words: row.words,
    });
    Ok((usize::try_from(count).unwrap_or_default(), found.collect()))
}

/// How many are open.
pub async fn count_open(conn: &mut Conn) -> Result<usize> {
    let count = sqlx::query_scalar!(r#"SELECT COUNT(*) AS "n: i64" FROM open_problems"#)
        .fetch_one(conn)
        .await?;
    Ok(usize::try_from(count).unwrap_or_default())
}
