//! The query data in `.sqlx/`, with which the project builds where there is no
//! database, says what a database made from the migrations says.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use sqlx::{AssertSqlSafe, Column, Either, Executor, SqlSafeStr, Statement, TypeInfo};
use tubewright::library::Library;

#[derive(Deserialize)]
struct Kept {
    query: String,
    describe: Described,
}

#[derive(Deserialize)]
struct Described {
    columns: Vec<KeptColumn>,
    parameters: Parameters,
}

#[derive(Deserialize)]
struct KeptColumn {
    name: String,
    type_info: serde_json::Value,
}

#[derive(Deserialize)]
struct Parameters {
    #[serde(rename = "Right")]
    count: usize,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn kept() -> Vec<(PathBuf, Kept)> {
    let mut all: Vec<(PathBuf, Kept)> = fs::read_dir(root().join(".sqlx"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "json"))
        .map(|path| {
            let kept = serde_json::from_str(&fs::read_to_string(&path).unwrap())
                .unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            (path, kept)
        })
        .collect();
    all.sort_by(|a, b| a.0.cmp(&b.0));
    assert!(!all.is_empty(), ".sqlx/ is empty");
    all
}

#[tokio::test]
async fn every_kept_query_is_what_the_migrations_make_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut conn = library.read().await.unwrap();
    let mut wrong = Vec::new();
    for (path, kept) in kept() {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let sql = AssertSqlSafe(kept.query.clone()).into_sql_str();
        let statement = match (&mut *conn).prepare(sql).await {
            Ok(statement) => statement,
            Err(why) => {
                wrong.push(format!("{name}: {why}: {}", kept.query));
                continue;
            }
        };
        let told: Vec<&str> = statement.columns().iter().map(Column::name).collect();
        let known: Vec<&str> = kept
            .describe
            .columns
            .iter()
            .map(|c| c.name.as_str())
            .collect();
        if told != known {
            wrong.push(format!("{name}: columns {known:?} are now {told:?}"));
        }
        for (now, then) in statement.columns().iter().zip(&kept.describe.columns) {
            // Of an expression, preparing tells no type; running it would.
            let now_type = now.type_info().name();
            let then_type = match then.type_info.as_str() {
                Some("Text") => "TEXT",
                Some("Blob") => "BLOB",
                Some("Integer") => "INTEGER",
                Some("Float") => "REAL",
                _ => "another",
            };
            if now_type != "NULL" && now_type != then_type {
                wrong.push(format!(
                    "{name}: {} was {then_type} and is {now_type}",
                    then.name
                ));
            }
        }
        let parameters = match statement.parameters() {
            Some(Either::Left(types)) => types.len(),
            Some(Either::Right(count)) => count,
            None => 0,
        };
        if parameters != kept.describe.parameters.count {
            wrong.push(format!("{name}: takes {parameters} parameters now"));
        }
    }
    assert!(
        wrong.is_empty(),
        "source .ci/sql-env and build again: {wrong:#?}"
    );
}

fn read_sources(folder: &Path, into: &mut String) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            read_sources(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push_str(&fs::read_to_string(&path).unwrap());
        }
    }
}

/// The build needs data for every query it holds; data left over from a query
/// that is gone would only mislead.
#[test]
fn no_query_data_is_left_over() {
    let mut sources = String::new();
    read_sources(&root().join("src"), &mut sources);
    let left_over: Vec<String> = kept()
        .into_iter()
        .filter(|(_, kept)| {
            let escaped = kept.query.replace('"', "\\\"");
            !sources.contains(&kept.query) && !sources.contains(&escaped)
        })
        .map(|(path, kept)| format!("{}: {}", path.display(), kept.query))
        .collect();
    assert!(left_over.is_empty(), "delete these: {left_over:#?}");
}

/// Queries that read every loan or entry there ever was, by what each begins with, and why.
const READ_ALL: &[(&str, &str)] = &[
    (
        "SELECT instrument_id AS \"instrument: InstrumentId\", borrower_id",
        "a club's own lists are compared with all there is",
    ),
    (
        "SELECT e.instrument_id AS \"instrument: InstrumentId\", e.happened_at AS \"at: Moment\", t.coma",
        "the same",
    ),
    (
        "SELECT (SELECT COUNT(*) FROM instruments",
        "counts a hundred at most",
    ),
    (
        "SELECT COUNT(*) AS \"n!: i64\" FROM loans",
        "counts an index",
    ),
    (
        "WITH fit AS MATERIALIZED ( SELECT id FROM people",
        "the latest few hundred loans",
    ),
    (
        "SELECT l.id AS \"id: LoanId\"",
        "a list of all of them, where nothing narrower is asked for",
    ),
    (
        "SELECT json_group_array(json_array(hex(id), out",
        "a file of all of them, the few columns that tell which",
    ),
];

#[tokio::test]
async fn no_page_reads_every_loan_or_entry_there_ever_was() {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut conn = library.read().await.unwrap();
    let mut used = vec![false; READ_ALL.len()];
    for (_, kept) in kept() {
        let mut words: Vec<&str> = kept.query.split_whitespace().collect();
        let plain = words.join(" ");
        // What stands last has a neighbour, too.
        words.push("");
        let named = |name: &str| {
            let table = words
                .windows(3)
                .find(|w| matches!(w[0], "FROM" | "JOIN") && (w[1] == name || w[2] == name));
            table.map_or("", |w| w[1].trim_end_matches(')'))
        };
        let ask = format!("EXPLAIN QUERY PLAN {}", kept.query);
        let mut explained = sqlx::query(AssertSqlSafe(ask));
        for _ in 0..kept.describe.parameters.count {
            explained = explained.bind(None::<i64>);
        }
        let plan = explained.fetch_all(&mut *conn).await.unwrap();
        let scans = plan.iter().any(|row| {
            let step: String = sqlx::Row::get(row, "detail");
            let mut step = step.split_whitespace();
            let reads = step.next() == Some("SCAN");
            let what = step.next().unwrap_or_default();
            reads && matches!(named(what), "loans" | "entries" | "current_entries")
        });
        // The index by what is superseded holds nearly all entries under "none".
        let none = words
            .windows(3)
            .find(|w| w[0].ends_with("supersedes") && w[1..] == ["IS", "NULL"]);
        assert!(
            none.is_none_or(|w| w[0].starts_with('+')),
            "say +supersedes: {plain}"
        );
        let known = READ_ALL
            .iter()
            .position(|(begins, _)| plain.starts_with(begins));
        match known {
            Some(known) => used[known] |= scans,
            None => assert!(!scans, "it reads them all, and grows with them: {plain}"),
        }
    }
    let unused = READ_ALL.iter().zip(used).find(|(_, used)| !used);
    assert!(unused.is_none(), "this one is in order now: {unused:?}");
}
