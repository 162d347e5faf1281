//! `tubewright doctor` on folders that are well and on folders that are not.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;

use tubewright::library::Library;
use tubewright::library::audit_log::{self, AuditEntry};
use tubewright::library::people::{NewPerson, Person, Role};

fn doctor(folder: &Path) -> (Option<i32>, String) {
    let said = Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["doctor", "--data"])
        .arg(folder)
        .output()
        .unwrap();
    (
        said.status.code(),
        String::from_utf8(said.stdout).unwrap() + &String::from_utf8(said.stderr).unwrap(),
    )
}

async fn club(folder: &Path) -> Library {
    let library = Library::open(folder).await.unwrap();
    let now = chrono::Utc::now();
    let mut write = library.write().await.unwrap();
    let new = NewPerson {
        name: "Ines Vale".to_owned(),
        email: "ines@club.example".to_owned(),
        role: Role::Coordinator,
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
