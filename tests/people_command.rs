//! `tubewright people add` as the person at the server meets it.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::{Command, Output};

fn add(folder: &Path, options: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["people", "add", "--data"])
        .arg(folder)
        .args(options)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn a_person_is_added_once_and_gets_an_address() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let person = [
        "--name",
        "Ines Vale",
        "--email",
        "ines@club.example",
        "--role",
        "coordinator",
        "--public-address",
        "https://scopes.club.example/",
    ];
    let said = add(&data, &person);
    assert_eq!(said.status.code(), Some(0), "{}", text(&said.stderr));
    let words = text(&said.stdout);
    assert!(words.contains("Ines Vale"), "{words}");
    assert!(
        words.contains("https://scopes.club.example/welcome/"),
        "{words}"
    );
    let again = add(&data, &person);
    assert_eq!(again.status.code(), Some(3));
    assert!(again.stdout.is_empty());
    assert!(
        text(&again.stderr).contains("ines@club.example"),
        "{}",
        text(&again.stderr)
    );
}

#[test]
fn what_cannot_be_is_refused_with_the_field() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let said = add(&data, &["--name", "Ines Vale", "--email", "nowhere"]);
    assert_eq!(said.status.code(), Some(3));
    assert!(text(&said.stderr).contains("--email"), "{said:?}");
    assert!(!data.exists(), "nothing is made where nothing was added");
    let said = add(
        &data,
        &[
            "--name",
            "I",
            "--email",
            "i@club.example",
            "--role",
            "chief",
        ],
    );
    assert_eq!(said.status.code(), Some(2), "{said:?}");
}
