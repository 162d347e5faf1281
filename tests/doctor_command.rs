//! `tubewright doctor` on folders that are well and on folders that are not.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;

use tubewright::library::Library;
use tubewright::library::audit_log::{self, AuditEntry};
use tubewright::library::people::{NewPerson, Person, Role};

/// Doctor says with its backups in this folder.
fn doctor_with(folder: &Path, backups: &Path) -> (Option<i32>, String) {
    ask(Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["doctor", "--data"])
        .arg(folder)
        .arg("--backups")
        .arg(backups))
}

fn ask(command: &mut Command) -> (Option<i32>, String) {
    let said = command.output().unwrap();
    (
        said.status.code(),
        String::from_utf8(said.stdout).unwrap() + &String::from_utf8(said.stderr).unwrap(),
    )
}

fn doctor(folder: &Path) -> (Option<i32>, String) {
    ask(Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["doctor", "--data"])
        .arg(folder))
}

/// As an owner keeps the club's folder: closed to others.
fn private(folder: &Path) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::create_dir_all(folder).unwrap();
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o700)).unwrap();
}

async fn club(folder: &Path) -> Library {
    private(folder);
    let library = Library::open(folder).await.unwrap();
    let now = chrono::Utc::now();
    let mut write = library.write().await.unwrap();
    let new = NewPerson {
        name: "Ines Vale".to_owned(),
        email: "ines@club.example".to_owned(),
        role: Role::Coordinator,
        guest: false,
    };
    Person::add(&mut write, &new, now).await.unwrap();
    for words in ["one", "two", "three"] {
        let deed = AuditEntry {
            at: now,
            person: None,
            address: "192.0.2.1",
            what: "/test",
            words,
        };
        audit_log::add(&mut write, &deed).await.unwrap();
    }
    write.commit().await.unwrap();
    library
}

#[tokio::test(flavor = "multi_thread")]
async fn a_folder_in_use_is_well_and_stays_as_it_is() {
    let room = tempfile::tempdir().unwrap();
    let library = club(room.path()).await;
    let (code, said) = doctor(room.path());
    assert_eq!(code, Some(0), "{said}");
    for part in ["can be written", "sound", "3 rows hold together", "0 sets"] {
        assert!(said.contains(part), "{part}: {said}");
    }
    library.close().await;
    assert!(
        std::fs::read_dir(room.path())
            .unwrap()
            .all(|f| { !f.unwrap().file_name().to_string_lossy().starts_with('.') })
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_well_is_named_with_its_mend() {
    let room = tempfile::tempdir().unwrap();
    let (code, said) = doctor(room.path());
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("no club's data"), "{said}");

    let library = club(room.path()).await;
    let mut write = library.write().await.unwrap();
    for sql in [
        "DROP TRIGGER the_audit_log_is_never_changed",
        "UPDATE audit_log SET words = 'x' WHERE number = 3",
    ] {
        sqlx::query(sql).execute(&mut *write).await.unwrap();
    }
    write.commit().await.unwrap();
    let (code, said) = doctor(room.path());
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("row 3 is not as it was written"), "{said}");
    library.close().await;

    // A page of the database overwritten in the middle.
    let file = room.path().join("tubewright.db");
    let mut bytes = std::fs::read(&file).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 4096].fill(0xA5);
    std::fs::write(&file, bytes).unwrap();
    let (code, said) = doctor(room.path());
    assert_ne!(code, Some(0), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_backups_are_listed_with_why_they_are_kept() {
    let room = tempfile::tempdir().unwrap();
    let (data, backups) = (room.path().join("club"), room.path().join("backups"));
    let library = club(&data).await;
    let (code, said) = doctor_with(&data, &backups);
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("there are none in"), "{said}");
    for at in ["2026-01-01T03:00:00Z", "2026-01-02T03:00:00Z"] {
        tubewright::backup::make_into(&library, &backups, at.parse().unwrap(), None)
            .await
            .unwrap();
    }
    let (code, said) = doctor_with(&data, &backups);
    assert_eq!(code, Some(0), "{said}");
    for part in [
        "2 in ",
        "tubewright-000002-20260102T030000Z.tar.gz: kept as newest, day, week, month",
        "tubewright-000001-20260101T030000Z.tar.gz: kept as day",
        "None has been tried",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
    let tried = ask(Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["backup", "--verify", "--into"])
        .arg(&backups));
    assert_eq!(tried.0, Some(0), "{tried:?}");
    assert!(tried.1.contains("agrees with itself"), "{tried:?}");
    let ahead = "2100-01-01T00:00:00Z".parse().unwrap();
    let made = tubewright::backup::make_into(&library, &backups, ahead, None)
        .await
        .unwrap();
    let (code, said) = doctor_with(&data, &backups);
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("dated in the future"), "{said}");
    assert!(said.contains("was put back on"), "{said}");
    std::fs::remove_file(&made.path).unwrap();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&backups, std::fs::Permissions::from_mode(0o755)).unwrap();
        let (code, said) = doctor_with(&data, &backups);
        assert_eq!(code, Some(3), "{said}");
        assert!(
            said.contains("(0755)") && said.contains("chmod 700"),
            "{said}"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_dated_in_the_future_is_listed_with_its_remedy() {
    let room = tempfile::tempdir().unwrap();
    let library = club(room.path()).await;
    let mut write = library.write().await.unwrap();
    sqlx::query("UPDATE people SET joined_at = '2100-01-01T00:00:00+00:00'")
        .execute(&mut *write)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let (code, said) = doctor(room.path());
    assert_eq!(code, Some(3), "{said}");
    for part in [
        "people.joined_at (1, the latest 2100-01-01",
        "set the clock",
    ] {
        assert!(said.contains(part), "{part}: {said}");
    }
}

/// The log as a crash leaves it: the database's connections are not closed.
#[tokio::test(flavor = "multi_thread")]
async fn a_removed_and_a_foreign_write_ahead_log_are_noticed() {
    use tubewright::library::Place;
    let room = tempfile::tempdir().unwrap();
    let (data, other) = (room.path().join("club"), room.path().join("other"));
    let library = club(&data).await;
    let place = Place::take(&data).unwrap();
    place.note(chrono::Utc::now()).unwrap();
    let log = data.join("tubewright.db-wal");
    let own = std::fs::read(&log).unwrap();
    assert!(own.len() > 32);
    let (code, said) = doctor(&data);
    assert_eq!(code, Some(0), "{said}");

    let elsewhere = club(&other).await;
    let foreign = std::fs::read(other.join("tubewright.db-wal")).unwrap();
    // A copy as a crash leaves it, its server gone.
    let crashed = room.path().join("crashed");
    let crash = |wal: Option<&[u8]>| {
        let _ = std::fs::remove_dir_all(&crashed);
        tubewright::library::make_folder(&crashed).unwrap();
        for name in ["tubewright.db", "served"] {
            std::fs::copy(data.join(name), crashed.join(name)).unwrap();
        }
        if let Some(wal) = wal {
            std::fs::write(crashed.join("tubewright.db-wal"), wal).unwrap();
        }
    };
    crash(Some(&own));
    let (code, said) = doctor(&crashed);
    assert_eq!(code, Some(0), "{said}");
    crash(None);
    let (code, said) = doctor(&crashed);
    assert_eq!(code, Some(3), "{said}");
    assert!(
        said.contains("was removed") && said.contains("latest backup"),
        "{said}"
    );
    crash(Some(&foreign));
    let before = std::fs::read(crashed.join("tubewright.db")).unwrap();
    let (code, said) = doctor(&crashed);
    assert_eq!(code, Some(3), "{said}");
    assert!(
        said.contains("not the one this folder's server wrote"),
        "{said}"
    );
    // Nor does the server fold it in.
    let (code, said) = ask(Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(&crashed));
    assert_eq!(code, Some(3), "{said}");
    assert_eq!(
        std::fs::read(crashed.join("tubewright.db")).unwrap(),
        before
    );
    drop(place);
    library.close().await;
    elsewhere.close().await;
}

/// `tubewright doctor | head -1`: the reader that goes away ends nothing with a crash, and a
/// standard output that can't be written is said.
#[tokio::test]
async fn a_reader_that_goes_away_is_no_failure_and_a_full_disk_is_one() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    club(&data).await.close().await;
    let mut command = Command::new(env!("CARGO_BIN_EXE_tubewright"));
    command.args(["doctor", "--data"]).arg(&data);
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let said = command.stdout(writer).output().unwrap();
    let errors = String::from_utf8(said.stderr).unwrap();
    assert_eq!((said.status.code(), errors.as_str()), (Some(0), ""));

    let full = std::fs::OpenOptions::new().write(true).open("/dev/full");
    let said = command.stdout(full.unwrap()).output().unwrap();
    let errors = String::from_utf8(said.stderr).unwrap();
    assert_eq!(said.status.code(), Some(1));
    assert!(errors.contains("standard output"), "{errors}");
}

/// A disk that has lost pages: whichever they are, each line is still said, and the mend with it.
#[tokio::test]
async fn lost_pages_are_named_and_hide_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    club(&data).await.close().await;
    let database = data.join("tubewright.db");
    let whole = std::fs::read(&database).unwrap();
    let pages = whole.len() / 4096;
    for from in (1..pages).step_by(pages / 12) {
        let mut torn = whole.clone();
        let to = (from + pages / 12).min(pages);
        torn[from * 4096..to * 4096].fill(0xad);
        std::fs::write(&database, &torn).unwrap();
        let (code, said) = doctor(&data);
        assert_eq!(code, Some(3), "pages {from} to {to}: {said}");
        assert!(said.contains("Disk: "), "{said}");
        assert!(
            said.contains("Database: TO MEND.") && said.contains("restore the latest backup"),
            "pages {from} to {to}: {said}"
        );
    }
}
