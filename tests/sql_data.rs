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
