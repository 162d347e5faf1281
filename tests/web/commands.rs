//! The desk and the bench from the command line, beside a running house.

use std::process::{Command, Output};

use tubewright::library::people::Role;
use tubewright::library::star_tests;

use crate::common::House;

struct Shell {
    folder: std::path::PathBuf,
    by: String,
}

impl Shell {
    fn run(&self, words: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tubewright"));
        command
            .args(words)
            .env("TUBEWRIGHT_DATA", &self.folder)
            .env("TUBEWRIGHT_BY", &self.by);
        command.output().unwrap()
    }

    /// What a command that is done says.
    fn done(&self, words: &[&str]) -> String {
        let said = self.run(words);
        assert_eq!(said.status.code(), Some(0), "{words:?}: {said:?}");
        String::from_utf8(said.stdout).unwrap()
    }

    /// What a command that is refused says.
    fn refused(&self, words: &[&str]) -> String {
        let said = self.run(words);
        assert_eq!(said.status.code(), Some(3), "{words:?}: {said:?}");
        assert!(said.stdout.is_empty(), "{said:?}");
        String::from_utf8(said.stderr).unwrap()
    }
}

fn email(name: &str) -> String {
    format!("{}@club.example", name.to_lowercase().replace(' ', "."))
}

/// Lend, drive about, return, star test, due, bench, in line again.
#[tokio::test(flavor = "multi_thread")]
async fn a_scope_goes_the_whole_round_by_command() {
    let house = House::empty().await;
    let by = house.person("Ines Vale", Role::Volunteer).await;
    house.person("Otto Brand", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let shell = Shell {
        folder: house.library.folder().to_owned(),
        by: email("Ines Vale"),
    };
    let frames = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frames/");
    let bad = format!("{frames}sct-outside.fits.gz");

    let said = shell.done(&["condition", "S203"]);
    assert!(said.contains("Not checked"), "{said}");
    let to = email("Otto Brand");
    let said = shell.done(&["lend", "S203", "--to", &to]);
    assert!(said.contains("lent to Otto Brand"), "{said}");
    let said = shell.refused(&["lend", "S203", "--to", &to]);
    assert!(said.contains("out"), "{said}");
    shell.done(&["journey", "S203", "car", "--km", "120"]);
    let said = shell.refused(&["return", "S203", "--on", "2999-01-01"]);
    assert!(said.contains("yet to come"), "{said}");
    let said = shell.done(&["return", "S203"]);
    assert!(said.contains("kit complete"), "{said}");
    // A loan of last year, entered today; not one at the same time.
    let past = |on, back| {
        let mut lend = vec!["lend", "S203", "--to", &to, "--on", on, "--back", back];
        lend.extend(["--collected-by", "Otto's sister", "--deposit", "50 in cash"]);
        lend
    };
    let said = shell.done(&past("2025-11-03", "2025-11-20"));
    assert!(
        said.contains("was lent to Otto Brand from 2025-11-03 to 2025-11-20"),
        "{said}"
    );
    let said = shell.refused(&past("2025-11-19", "2025-12-01"));
    assert!(
        said.contains("was on loan from 3 November 2025 to 20 November 2025"),
        "{said}"
    );
    shell.done(&past("2025-11-20", "2025-12-01"));
    let said = shell.refused(&past("2025-12-20", "2025-12-10"));
    assert!(said.contains("before it went out"), "{said}");
    let said = shell.refused(&["return", "S203"]);
    assert!(said.contains("not out on loan"), "{said}");

    // 0.12 waves RMS went in (tests/frames/manifest.json): over the limit.
    let test = [
        "star-test",
        "S203",
        &bad,
        "--pixel-um",
        "4.8",
        "--side",
        "outside",
    ];
    let said = shell.done(&test);
    assert!(said.contains("coma 0.1"), "{said}");
    let due = shell.done(&["due"]);
    let due = due.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        due.contains("S203") && due.contains("over its limit"),
        "{due}"
    );

    shell.done(&["problem", "S203", "moving-part", "--asks-for", "the-bench"]);
    shell.done(&["move", "S203", "bench", "--reason", "Coma"]);
    let said = shell.refused(&["lend", "S203", "--to", &to]);
    assert!(said.contains("bench"), "{said}");
    let said = shell.refused(&["lend", "S203", "--to", &to, "--all-the-same", "Eclipse"]);
    assert!(said.contains("A coordinator can override"), "{said}");
    let work = [
        "work",
        "S203",
        "collimation",
        "--moved-optics",
        "--settles-all",
    ];
    let said = shell.done(&work);
    assert!(said.contains("1 problems settled"), "{said}");

    // A star that is in focus is no star test, and leaves the logbook as it is.
    let focused = format!("{frames}trap-focused.png");
    let said = shell.refused(&["star-test", "S203", &focused, "--pixel-um", "2.5"]);
    assert!(said.contains("[not-defocused]"), "{said}");
    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(tests.len(), 1);

    // A phone's stills, too (tests/frames/phone/truth.json: 0.166 waves).
    let stills: Vec<String> = (0..8)
        .map(|k| format!("{frames}phone/good/{k:02}.jpg"))
        .collect();
    let stills: Vec<&str> = stills.iter().map(String::as_str).collect();
    let said = shell.done(&[&["star-test", "S203", "--by-phone"][..], &stills].concat());
    assert!(said.contains("coma 0.16"), "{said}");
    let tests = star_tests::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(tests[1].test.method, star_tests::Method::ByPhone);
    drop(conn);

    let good = format!("{frames}sct-in-line.tif");
    shell.done(&["star-test", "S203", &good, "--pixel-um", "4.8"]);
    shell.done(&["move", "S203", "shelf", "--reason", "Lined up"]);
    let said = shell.done(&["condition", "S203", "--json"]);
    let condition: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(condition["condition"], "ready", "{condition}");
    assert_eq!(condition["state"], "on-shelf");
    assert!(!shell.done(&["due"]).contains("S203"));
}

#[tokio::test]
async fn a_command_is_signed_by_someone_who_may() {
    let house = House::empty().await;
    let by = house.person("Ines Vale", Role::Volunteer).await;
    house.person("Otto Brand", Role::Member).await;
    house.instrument("S203", by).await;
    let shell = |by: &str| Shell {
        folder: house.library.folder().to_owned(),
        by: by.to_owned(),
    };
    let words = ["journey", "S203", "car"];
    let said = shell(&email("Otto Brand")).refused(&words);
    assert!(said.contains("is a member"), "{said}");
    let said = shell("nobody@club.example").refused(&words);
    assert!(said.contains("nobody@club.example"), "{said}");
    let volunteer = shell(&email("Ines Vale"));
    let said = volunteer.refused(&["journey", "S999", "car"]);
    assert!(said.contains("no such instrument"), "{said}");
    for words in [
        &["journey", "S203", "car", "--km", "-3"][..],
        &["journey", "S203", "hand-carry", "--km", "3"],
        &[
            "lend",
            "S203",
            "--to",
            &email("Otto Brand"),
            "--until",
            "2020-01-01",
        ],
        &[
            "lend",
            "S203",
            "--to",
            &email("Otto Brand"),
            "--without",
            "Moon",
        ],
    ] {
        let said = volunteer.run(words);
        assert!(
            matches!(said.status.code(), Some(2 | 3)),
            "{words:?}: {said:?}"
        );
        assert!(said.stdout.is_empty());
    }
    let said = volunteer.run(&["journey", "S203", "by-broom"]);
    assert_eq!(said.status.code(), Some(2), "{said:?}");
    // A mistyped folder is not filled.
    let nowhere = Shell {
        folder: house.library.folder().join("elsewhere"),
        by: email("Ines Vale"),
    };
    nowhere.refused(&["journey", "S203", "car"]);
    assert!(!nowhere.folder.exists());
}
