//! Databases of other ages: each older layout is brought up to date with its data, a
//! newer, edited or half-made one is refused and left alone. And what the schema
//! itself refuses, whatever the code does.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{AssertSqlSafe, Connection, SqlSafeStr, SqliteConnection};
use tubewright::library::{Library, MIGRATIONS, Moment, check_copy, expiry};

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

async fn opened(folder: &Path) -> SqliteConnection {
    let options = SqliteConnectOptions::new().filename(folder.join("tubewright.db"));
    SqliteConnection::connect_with(&options).await.unwrap()
}

/// A migration that was begun and never ended, or that reads otherwise than when it
/// was applied: opening refuses and changes nothing.
#[tokio::test]
async fn a_half_made_or_an_edited_layout_is_refused_and_left_alone() {
    for done in ["success = 0", "checksum = x'00'"] {
        let folder = tempfile::tempdir().unwrap();
        with_the_first(MIGRATIONS.migrations.len(), folder.path()).await;
        let mut conn = opened(folder.path()).await;
        let sql = format!("UPDATE _sqlx_migrations SET {done}");
        sqlx::raw_sql(AssertSqlSafe(sql))
            .execute(&mut conn)
            .await
            .unwrap();
        conn.close().await.unwrap();
        assert!(Library::open(folder.path()).await.is_err(), "{done}");
        let mut conn = opened(folder.path()).await;
        let entries: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM entries")
            .fetch_one(&mut conn)
            .await
            .unwrap();
        assert_eq!(entries, 1, "{done}");
    }
}

/// Where a migration fails on the way, nothing of it stays, and the next start makes
/// it whole.
#[tokio::test]
async fn a_migration_that_fails_on_the_way_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut broken = MIGRATIONS.migrations[0].clone();
    let sql = format!("{}\nSELECT nothing_there;", broken.sql.as_str());
    broken.sql = AssertSqlSafe(sql).into_sql_str();
    let mut migrator = sqlx::migrate::Migrator::DEFAULT;
    migrator.migrations = vec![broken].into();
    let options = SqliteConnectOptions::new()
        .filename(folder.path().join("tubewright.db"))
        .create_if_missing(true);
    let mut conn = SqliteConnection::connect_with(&options).await.unwrap();
    assert!(migrator.run(&mut conn).await.is_err());
    let tables: i64 =
        sqlx::query_scalar("SELECT COUNT(*) FROM sqlite_schema WHERE name = 'people'")
            .fetch_one(&mut conn)
            .await
            .unwrap();
    assert_eq!(tables, 0);
    conn.close().await.unwrap();
    Library::open(folder.path()).await.unwrap().close().await;
}

const PERSON: &str = "x'01a212622d8371c89c53f6e4cc1bee91'";
const N150: &str = "x'01a212622d8371c89c53f6e4cc1bee92'";
const OLD_NOTE: &str = "x'01a212622d8371c89c53f6e4cc1bee93'";

/// A 16-byte id in SQL.
fn id(n: u8) -> String {
    format!("x'000000000000000000000000000000{n:02x}'")
}

fn entry(n: u8, instrument: &str, kind: &str, more: (&str, &str)) -> String {
    format!(
        "INSERT INTO entries (id, instrument_id, kind, happened_at, recorded_at, recorded_by{})
         VALUES ({}, {instrument}, '{kind}', '2025-03-01T00:00:00+00:00', '2025-03-01T00:00:00+00:00', {PERSON}{})",
        more.0, id(n), more.1
    )
}

#[tokio::test]
async fn the_schema_refuses_what_must_never_be() {
    let folder = tempfile::tempdir().unwrap();
    with_the_first(MIGRATIONS.migrations.len(), folder.path()).await;
    let mut conn = opened(folder.path()).await;
    let other = id(1);
    let collimation = |n: u8| {
        format!(
            "INSERT INTO collimations (id, instrument_id, started_at, started_by, setup)
             VALUES ({}, {N150}, '2025-03-01T00:00:00+00:00', {PERSON}, '{{}}')",
            id(n)
        )
    };
    let settles = format!("INSERT INTO work_settles VALUES ({}, {})", id(11), id(12));
    let good = [
        format!(
            "INSERT INTO instruments SELECT {other}, 'N200', kind, name, design, aperture_mm, focal_mm, obstruction, vane_count,
                weight_kg, cool_down_min, uses_diagonal, replacement_value_cents, place, notes, status,
                status_reason, version, added_at, added_by FROM instruments"
        ),
        format!(
            "INSERT INTO loans (id, instrument_id, borrower_id, lent_at, lent_by, due_on, limit_stated)
             VALUES ({}, {other}, {PERSON}, '2025-03-01T00:00:00+00:00', {PERSON}, '2025-04-01', '')",
            id(2)
        ),
        entry(10, N150, "journey", ("", "")),
        format!("INSERT INTO journeys (entry_id, kind) VALUES ({}, 'hand-carry')", id(10)),
        entry(11, N150, "work", ("", "")),
        format!("INSERT INTO works VALUES ({}, 'cleaning', NULL, 0, '')", id(11)),
        entry(12, &other, "problem", ("", "")),
        format!("INSERT INTO problems VALUES ({}, 'other', 'nothing', 'Dust')", id(12)),
        entry(13, N150, "note", ("", "")),
        format!(
            "INSERT INTO limits VALUES ({}, 'newtonian', NULL, 'months', 6, '2025-03-01T00:00:00+00:00', {PERSON}, 'Why')",
            id(20)
        ),
        collimation(30),
    ];
    for sql in good {
        let done = sqlx::raw_sql(AssertSqlSafe(sql.clone()))
            .execute(&mut conn)
            .await;
        assert!(done.is_ok(), "{sql}: {done:?}");
    }
    let end = format!(
        "UPDATE collimations SET ended_at = '2025-03-02T00:00:00+00:00', ended_by = {PERSON}, outcome = '{{}}' WHERE id = {}",
        id(30)
    );
    let bad = [
        // A detail under an entry of another kind, a correction across kinds or
        // instruments, a loan or a settled problem of another instrument.
        format!(
            "INSERT INTO journeys (entry_id, kind) VALUES ({}, 'hand-carry')",
            id(13)
        ),
        entry(40, N150, "work", (", supersedes", &format!(", {OLD_NOTE}"))),
        entry(
            41,
            &other,
            "note",
            (", supersedes", &format!(", {OLD_NOTE}")),
        ),
        entry(42, N150, "note", (", loan_id", &format!(", {}", id(2)))),
        settles,
        // What is never changed or removed.
        format!("DELETE FROM loans WHERE id = {}", id(2)),
        "UPDATE limits SET value = 7".to_owned(),
        "DELETE FROM limits".to_owned(),
        "UPDATE entries SET note = 'x'".to_owned(),
        "DELETE FROM journeys".to_owned(),
        format!("UPDATE collimations SET setup = '[]' WHERE id = {}", id(30)),
        // A design that is none, and a second open session.
        format!(
            "INSERT INTO limits VALUES ({}, 'gregorian', NULL, 'months', 6, '2025-03-01T00:00:00+00:00', {PERSON}, '')",
            id(21)
        ),
        collimation(31),
    ];
    for sql in bad {
        let done = sqlx::raw_sql(AssertSqlSafe(sql.clone()))
            .execute(&mut conn)
            .await;
        assert!(done.is_err(), "{sql}");
    }
    // Ended once, and then another may begin; nothing is added to the ended one.
    for (sql, goes) in [
        (end.clone(), true),
        (end, false),
        (collimation(31), true),
        (
            format!(
                "INSERT INTO collimation_steps VALUES ({}, 0, '2025-03-02T00:00:00+00:00', {PERSON}, '{{}}', NULL)",
                id(30)
            ),
            false,
        ),
    ] {
        let done = sqlx::raw_sql(AssertSqlSafe(sql.clone()))
            .execute(&mut conn)
            .await;
        assert_eq!(done.is_ok(), goes, "{sql}: {done:?}");
    }
}

/// What has expired is gone after the clean-up, what has not stays; and whoever
/// leaves the club leaves no way in.
#[tokio::test]
async fn what_has_expired_is_removed_and_whoever_left_has_no_way_in() {
    let folder = tempfile::tempdir().unwrap();
    with_the_first(MIGRATIONS.migrations.len(), folder.path()).await;
    let library = Library::open(folder.path()).await.unwrap();
    let mut write = library.write().await.unwrap();
    let now: Moment = "2026-06-15T12:00:00Z".parse().unwrap();
    let tables = [
        "sessions",
        "sign_in_links",
        "half_sign_ins",
        "known_browsers",
        "sign_in_attempts",
        "handled_forms",
    ];
    for (n, day) in ["2024-01-01", "2026-06-15"].into_iter().enumerate() {
        let at = format!("{day}T11:59:00+00:00");
        let later = format!("{day}T13:00:00+00:00");
        let sql = format!(
            "INSERT INTO sessions VALUES (x'0{n}', {PERSON}, '{at}', '{at}', '{later}', '', NULL);
             INSERT INTO sign_in_links VALUES (x'0{n}', 'welcome', {PERSON}, '{at}', NULL, '{later}', NULL);
             INSERT INTO half_sign_ins VALUES (x'0{n}', {PERSON}, '{at}', 0);
             INSERT INTO known_browsers VALUES (x'0{n}', {PERSON}, '{at}');
             INSERT INTO sign_in_attempts VALUES ({n}, 'a', 'b', '{at}', 0, NULL);
             INSERT INTO handled_forms VALUES (x'{n:064}', '{at}', '/');"
        );
        sqlx::raw_sql(AssertSqlSafe(sql))
            .execute(&mut *write)
            .await
            .unwrap();
    }
    let removed = expiry::remove_expired(&mut write, now).await.unwrap();
    assert_eq!(removed, tables.len() as u64);
    let wait = format!(
        "INSERT INTO waits VALUES ({}, {N150}, {PERSON}, '2026-06-15T11:00:00+00:00', 'anything', '', NULL, NULL)",
        id(1)
    );
    sqlx::raw_sql(AssertSqlSafe(wait))
        .execute(&mut *write)
        .await
        .unwrap();
    for (left, kept) in [(false, 1_i64), (true, 0)] {
        if left {
            let gone = format!(
                "UPDATE people SET left_at = '2026-06-15T12:00:00+00:00' WHERE id = {PERSON}"
            );
            sqlx::raw_sql(AssertSqlSafe(gone))
                .execute(&mut *write)
                .await
                .unwrap();
        }
        for table in &tables[..4] {
            let sql = format!("SELECT COUNT(*) FROM {table}");
            let rows: i64 = sqlx::query_scalar(AssertSqlSafe(sql))
                .fetch_one(&mut *write)
                .await
                .unwrap();
            assert_eq!(rows, kept, "{table}");
        }
        let open: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM waits WHERE closed_at IS NULL")
            .fetch_one(&mut *write)
            .await
            .unwrap();
        assert_eq!(open, kept);
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

/// Work settles problems, corrections of both come and go, in any order: what the triggers keep
/// as open is what follows from the logbook read as a whole.
#[tokio::test]
async fn the_open_problems_are_those_that_no_standing_work_settles() {
    use rand::{Rng, SeedableRng, seq::IndexedRandom};
    let folder = tempfile::tempdir().unwrap();
    with_the_first(MIGRATIONS.migrations.len(), folder.path()).await;
    let mut conn = opened(folder.path()).await;
    let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(20261129);
    let mut last = 20;
    let (mut problems, mut open_once, mut settled_once) = (Vec::<u8>::new(), false, false);
    for _ in 0..200 {
        let kind = if chance.random_bool(0.5) {
            "problem"
        } else {
            "work"
        };
        let standing: Vec<Vec<u8>> =
            sqlx::query_scalar("SELECT id FROM current_entries WHERE kind = ?")
                .bind(kind)
                .fetch_all(&mut conn)
                .await
                .unwrap();
        let before = standing.choose(&mut chance).map(|id| id[15]);
        let before = before.filter(|_| chance.random_bool(0.6));
        let struck = before.is_some() && chance.random_bool(0.3);
        last += 1;
        let more = match before {
            Some(old) => (
                ", supersedes, struck",
                format!(", {}, {}", id(old), i32::from(struck)),
            ),
            None => ("", String::new()),
        };
        let mut acts = vec![entry(last, N150, kind, (more.0, &more.1))];
        if kind == "problem" && !struck {
            acts.push(format!(
                "INSERT INTO problems VALUES ({}, 'other', 'a-look', 'Dust')",
                id(last)
            ));
        } else if !struck {
            acts.push(format!(
                "INSERT INTO works VALUES ({}, 'cleaning', NULL, 0, '')",
                id(last)
            ));
            let mut settles: Vec<u8> = (0..2)
                .filter_map(|_| problems.choose(&mut chance).copied())
                .collect();
            settles.dedup();
            acts.extend(
                settles
                    .iter()
                    .map(|p| format!("INSERT INTO work_settles VALUES ({}, {})", id(last), id(*p))),
            );
        }
        if kind == "problem" && !struck {
            problems.push(last);
        }
        for act in acts {
            sqlx::raw_sql(AssertSqlSafe(act))
                .execute(&mut conn)
                .await
                .unwrap();
        }
        let from_the_book: Vec<Vec<u8>> = sqlx::query_scalar(
            "WITH RECURSIVE settled (id) AS (
                 SELECT s.problem_entry_id FROM work_settles s JOIN current_entries w ON w.id = s.work_entry_id
                 UNION SELECT c.id FROM entries c JOIN settled ON c.supersedes = settled.id)
             SELECT e.id FROM current_entries e JOIN problems f ON f.entry_id = e.id
             WHERE e.id NOT IN (SELECT id FROM settled) ORDER BY e.id",
        )
        .fetch_all(&mut conn)
        .await
        .unwrap();
        for kept in ["open_problems", "unsettled_problems"] {
            let kept = format!("SELECT entry_id FROM {kept} ORDER BY entry_id");
            let kept: Vec<Vec<u8>> = sqlx::query_scalar(AssertSqlSafe(kept))
                .fetch_all(&mut conn)
                .await
                .unwrap();
            assert_eq!(kept, from_the_book, "after {last}");
        }
        open_once |= !from_the_book.is_empty();
        settled_once |= from_the_book.len() < problems.len();
    }
    assert!(open_once && settled_once);
}
