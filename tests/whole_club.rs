//! The whole club taken away and read into an empty folder is the same club, row by
//! row; and the document is what its published schema says.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod rows;

use std::path::Path;

use chrono::{DateTime, NaiveDate, TimeZone, Utc};
use rows::{all_rows, assert_same, tables};
use tubewright::demo::Demo;
use tubewright::intake::whole::{self, Error};
use tubewright::library::things::{Kind, Sort};
use tubewright::library::{Library, audit_log, loan_periods, search, waits};
use tubewright::upkeep::shelf::shelf;

fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 3, 10, 20, 0, 0).unwrap()
}

async fn opened(folder: &Path) -> Library {
    Library::open(folder).await.unwrap()
}

async fn demo_club(folder: &Path) -> Library {
    let library = opened(folder).await;
    let today = NaiveDate::from_ymd_opt(2026, 3, 9).unwrap();
    let hash = |phrase: &str| Ok::<_, ()>(format!("$argon2id$v=19$m=8,t=1,p=1${phrase}"));
    Demo::prepare()
        .unwrap()
        .load(&library, today, hash)
        .await
        .unwrap();
    library
}

#[tokio::test]
async fn an_export_read_into_an_empty_folder_is_the_same_club() {
    let room = tempfile::tempdir().unwrap();
    let first = demo_club(&room.path().join("first")).await;
    let mut write = first.write().await.unwrap();
    let mounts = Sort::Kind(Kind::Mount);
    loan_periods::set_for_sort(&mut write, mounts, Some(28))
        .await
        .unwrap();
    // Who waits for a thing is asked no wish.
    let waits = waits::open(&mut write, None, None).await.unwrap();
    assert!(waits.iter().any(|w| w.wants_it_for.is_none()));
    write.commit().await.unwrap();
    let held = all_rows(&first).await;
    for table in [
        "people",
        "instruments",
        "loans",
        "loan_periods",
        "waits",
        "entries",
        "photos",
        "collimation_steps",
    ] {
        assert!(!held[table].is_empty(), "{table} is empty in the demo club");
    }
    for (name, to) in [("folder", "away"), ("archive", "away.zip")] {
        let to = room.path().join(to);
        let written = whole::export(&first, &to, now()).await.unwrap();
        assert!(whole::is_export(&to), "{name}");
        assert!(written.files > 0, "{name}");
        // What is there is not written over.
        assert!(whole::export(&first, &to, now()).await.is_err(), "{name}");

        let second = opened(&room.path().join(name)).await;
        let mut write = second.write().await.unwrap();
        let read = whole::import(&mut write, &to).await.unwrap();
        assert!(search::is_whole(&mut write).await.unwrap(), "{name}");
        write.commit().await.unwrap();
        assert_eq!(read, written, "{name}");
        assert_same(&held, &all_rows(&second).await, name);
        // No way in came along, and the audit log still holds together.
        let mut conn = second.read().await.unwrap();
        let keys: i64 =
            sqlx::query_scalar("SELECT COUNT(*) FROM people WHERE password_hash IS NOT NULL")
                .fetch_one(&mut *conn)
                .await
                .unwrap();
        assert_eq!(keys, 0);
        assert_eq!(audit_log::check(&mut conn).await.unwrap().broken_at, None);
        // The shelf says the same, and the rules of the house hold again.
        let conditions = async |library: &Library| {
            let mut conn = library.read().await.unwrap();
            let rows = shelf(&mut conn, now()).await.unwrap();
            rows.iter()
                .map(|r| format!("{} {:?}", r.instrument.tag, r.assessment.condition))
                .collect::<Vec<_>>()
        };
        drop(conn);
        assert_eq!(conditions(&first).await, conditions(&second).await);
        let mut write = second.write().await.unwrap();
        let gone = sqlx::query("DELETE FROM entries")
            .execute(&mut *write)
            .await;
        assert!(gone.unwrap_err().to_string().contains("never removed"));
        drop(write);
        // A club is only read into an empty folder.
        let mut write = second.write().await.unwrap();
        let refused = whole::import(&mut write, &to).await.unwrap_err();
        assert!(refused.to_string().contains("empty"), "{refused}");
    }
    // By an independent validator of JSON Schema.
    let document = std::fs::read_to_string(room.path().join("away/club.json")).unwrap();
    let mut document: serde_json::Value = serde_json::from_str(&document).unwrap();
    let schema = serde_json::from_str(&published()).unwrap();
    let validator = jsonschema::options()
        .should_validate_formats(true)
        .build(&schema)
        .unwrap();
    let wrong: Vec<String> = validator
        .iter_errors(&document)
        .take(5)
        .map(|e| format!("{}: {e}", e.instance_path()))
        .collect();
    assert_eq!(wrong, [""; 0]);
    // It does not say yes to everything.
    document["tables"]["loans"][0]["due_on"] = 3.into();
    assert!(!validator.is_valid(&document));
}

fn schema_path() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("static/club.schema.json")
}

fn published() -> String {
    std::fs::read_to_string(schema_path()).unwrap()
}

#[tokio::test]
async fn the_published_schema_is_that_of_the_tables() {
    let room = tempfile::tempdir().unwrap();
    let library = opened(room.path()).await;
    let schema = whole::schema(&tables(&library).await);
    let text = format!("{}\n", serde_json::to_string_pretty(&schema).unwrap());
    if std::env::var_os("WRITE_CLUB_SCHEMA").is_some() {
        std::fs::write(schema_path(), &text).unwrap();
    }
    assert!(
        text == published(),
        "static/club.schema.json is not what the tables say: run WRITE_CLUB_SCHEMA=1 cargo test --test whole_club the_published"
    );
}

#[tokio::test]
async fn what_is_no_export_is_refused_and_leaves_nothing() {
    let room = tempfile::tempdir().unwrap();
    let library = opened(&room.path().join("club")).await;
    let empty = all_rows(&library).await;
    let folder = room.path().join("away");
    std::fs::create_dir(&folder).unwrap();
    for document in [
        "{",
        "{}",
        r#"{"format":"tubewright-club","version":99,"made_at":"2026-03-10T20:00:00Z","tables":{}}"#,
        r#"{"format":"tubewright-club","version":1,"made_at":"2026-03-10T20:00:00Z","tables":{"ships":[]}}"#,
        r#"{"format":"tubewright-club","version":1,"made_at":"2026-03-10T20:00:00Z","tables":{"people":[{"id":"x"}]}}"#,
        r#"{"format":"tubewright-club","version":1,"made_at":"2026-03-10T20:00:00Z","tables":{"photos":[{"picture":{"file":"../../etc/passwd"}}]}}"#,
    ] {
        std::fs::write(folder.join("club.json"), document).unwrap();
        let mut write = library.write().await.unwrap();
        let refused = whole::import(&mut write, &folder).await.unwrap_err();
        assert!(matches!(refused, Error::NotOne(_)), "{document}: {refused}");
        drop(write);
        assert_eq!(all_rows(&library).await, empty, "{document}");
    }
}
