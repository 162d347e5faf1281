//! Databases of other ages: each older layout is brought up to date with its
//! data, a newer one is refused and left alone.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use sqlx::Connection;
use sqlx::sqlite::SqliteConnectOptions;
use tubewright::library::{Library, MIGRATIONS, check_copy};

/// The first layout of all, with a row in each table that a club fills first.
const FIRST_DATA: &str = "
    INSERT INTO people (id, name, email, role, joined_at)
        VALUES (x'01a212622d8371c89c53f6e4cc1bee91', 'Ines Vale', 'ines@club.example', 'coordinator', '2025-01-02T03:04:05+00:00');
    INSERT INTO instruments (id, tag, name, design, aperture_mm, focal_mm, obstruction, vane_count, uses_diagonal, place, notes, added_at, added_by, status, status_reason)
        VALUES (x'01a212622d8371c89c53f6e4cc1bee92', 'N150', '150 mm Newtonian', 'newtonian', 150.0, 750.0, 0.3, 4, 0, '', '', '2025-01-02T03:04:05+00:00', x'01a212622d8371c89c53f6e4cc1bee91', 'shelf', '');
    INSERT INTO entries (id, instrument_id, kind, happened_at, recorded_at, recorded_by, note, struck)
        VALUES (x'01a212622d8371c89c53f6e4cc1bee93', x'01a212622d8371c89c53f6e4cc1bee92', 'note', '2025-02-02T03:04:05+00:00', '2025-02-02T03:04:05+00:00', x'01a212622d8371c89c53f6e4cc1bee91', 'Old words', 0);
";

async fn with_the_first(migrations: usize, folder: &Path) {
    let mut migrator = sqlx::migrate::Migrator::DEFAULT;
    migrator.migrations = MIGRATIONS.migrations[..migrations].to_vec().into();
    let options = SqliteConnectOptions::new()
        .filename(folder.join("tubewright.db"))
        .create_if_missing(true);
    let mut conn = sqlx::SqliteConnection::connect_with(&options)
        .await
        .unwrap();
    migrator.run(&mut conn).await.unwrap();
    sqlx::raw_sql(FIRST_DATA).execute(&mut conn).await.unwrap();
    conn.close().await.unwrap();
}

#[tokio::test]
async fn every_older_layout_is_brought_up_to_date_with_what_is_in_it() {
    for migrations in 1..=MIGRATIONS.migrations.len() {
        let folder = tempfile::tempdir().unwrap();
        with_the_first(migrations, folder.path()).await;
        let library = Library::open(folder.path()).await.unwrap();
        library.close().await;
        let holds = check_copy(&folder.path().join("tubewright.db"))
            .await
            .unwrap();
        assert_eq!((holds.instruments, holds.entries), (1, 1), "{migrations}");
    }
}

#[tokio::test]
async fn a_newer_layout_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    with_the_first(MIGRATIONS.migrations.len(), folder.path()).await;
    let file = folder.path().join("tubewright.db");
    let options = SqliteConnectOptions::new().filename(&file);
    let mut conn = sqlx::SqliteConnection::connect_with(&options)
        .await
        .unwrap();
    sqlx::raw_sql(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (999999, 'of days to come', 1, x'00', 0)",
    )
    .execute(&mut conn)
    .await
    .unwrap();
    conn.close().await.unwrap();
    for command in ["serve", "due", "doctor"] {
        let mut words = vec![command, "--data"];
        words.push(folder.path().to_str().unwrap());
        if command == "serve" {
            words.extend(["--listen", "127.0.0.1:0"]);
        }
        let said = Command::new(env!("CARGO_BIN_EXE_tubewright"))
            .args(words)
            .output()
            .unwrap();
        assert_eq!(said.status.code(), Some(3), "{command}: {said:?}");
        let all = String::from_utf8([said.stdout, said.stderr].concat()).unwrap();
        assert!(all.contains("newer"), "{command}: {all}");
    }
}

/// Someone else holds the writer: a write waits, and gives up with an error
/// rather than for ever; reading goes on.
#[tokio::test(flavor = "multi_thread")]
async fn a_locked_database_can_be_read_and_makes_writers_wait() {
    let folder = tempfile::tempdir().unwrap();
    with_the_first(MIGRATIONS.migrations.len(), folder.path()).await;
    let library = Library::open(folder.path()).await.unwrap();
    let other = Library::open(folder.path()).await.unwrap();
    let held = other.write().await.unwrap();
    assert!(library.read().await.is_ok());
    let waiting = tokio::spawn({
        let library = library.clone();
        async move { library.write().await.map(drop) }
    });
    tokio::time::sleep(Duration::from_millis(200)).await;
    assert!(!waiting.is_finished());
    held.commit().await.unwrap();
    assert!(waiting.await.unwrap().is_ok());
}
