//! The README read from top to bottom by somebody who types what it says: every
//! command in it is run on folders of its own, or, where running it would change
//! this machine, need a network or build for minutes, is looked at another way.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod commands;
mod machine;

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use commands::{README, begins_with_a_program, blocks, commands, in_sentences};
use machine::{Machine, text, the_club_is_set_up};

/// Commands that are not run, by how they begin, and why not; `look_at` says what
/// is tried in place of it.
const NOT_RUN: &[(&str, &str)] = &[
    ("tests/run", "would run this test, and install programs"),
    (
        "cargo build",
        "builds for minutes; the tests run what cargo built",
    ),
    ("sudo systemctl", "would start a service on this machine"),
    (
        "journalctl",
        "reads the log of the service that was not started",
    ),
    ("docker compose", "needs a network, and builds for minutes"),
];

/// The same for commands that stand within a sentence.
const NOT_RUN_IN_A_SENTENCE: &[(&str, &str)] = &[
    (
        "tubewright COMMAND --help",
        "COMMAND stands for each of them; all are asked",
    ),
    (
        "cargo deb",
        "needs cargo-deb; .packaging/try-package runs it",
    ),
    (
        "caddy reverse-proxy",
        "another program, and asks for a certificate",
    ),
    (
        ".ci/advisories",
        "asks a database on the network; .ci/run runs it",
    ),
];

/// Looks at a command that is not run.
fn look_at(command: &str, machine: &Machine) {
    let repository = Path::new(env!("CARGO_MANIFEST_DIR"));
    let help = || text(&machine.run("tubewright serve --help").stdout);
    match command.split_whitespace().next().unwrap() {
        // A shell can read it.
        "tests/run" => {
            let path = repository.join(command);
            assert!(
                Command::new("sh")
                    .arg("-n")
                    .arg(path)
                    .status()
                    .unwrap()
                    .success()
            );
        }
        // Cargo knows the options, and builds a program of the name that is installed next.
        "cargo" => {
            let options: Vec<&str> = command.split_whitespace().skip(1).collect();
            let asked = Command::new(env!("CARGO")).args(options).arg("-h").output();
            assert!(asked.unwrap().status.success(), "{command}");
            assert!(README.contains("target/release/tubewright"));
        }
        // The unit was put where systemd looks; every line is a section or a setting, and every
        // variable is one the program reads.
        "sudo" | "journalctl" => {
            assert!(command.ends_with(" tubewright"), "{command}");
            let unit = std::fs::read_to_string(machine.at("system/tubewright.service")).unwrap();
            for line in unit.lines().filter(|line| !line.is_empty()) {
                assert!(line.starts_with(['[', '#']) || line.contains('='), "{line}");
            }
            assert!(unit.contains("ExecStart=tubewright serve\n"));
            known_variables(&unit, &help());
        }
        // The file that the image is built from is there, and every variable is known.
        "docker" => {
            let (_, compose) = blocks().into_iter().find(|(l, _)| l == "yaml").unwrap();
            let compose = compose.join("\n");
            assert!(compose.contains("dockerfile: .packaging/Containerfile"));
            assert!(repository.join(".packaging/Containerfile").is_file());
            known_variables(&compose, &help());
        }
        _ => panic!("nothing is tried in place of {command}"),
    }
}

fn known_variables(settings: &str, help: &str) {
    let mut known = 0;
    for word in settings.split(|c: char| !c.is_ascii_uppercase() && c != '_') {
        if word.starts_with("TUBEWRIGHT_") {
            assert!(help.contains(&format!("{word}=")), "{word}");
            known += 1;
        }
    }
    assert!(known > 1, "{settings}");
}

/// What a line says apart from addresses and ports.
fn without_addresses(line: &str) -> String {
    let mut all = String::new();
    for word in line.split_whitespace() {
        let word = if word.starts_with("http://") {
            "http://"
        } else {
            word
        };
        write!(all, "{word} ").unwrap();
    }
    all
}

#[test]
fn every_command_does_what_it_is_there_for() {
    let machine = Machine::new();
    let mut not_run: Vec<&str> = Vec::new();
    let mut ran = 0;
    for (language, lines) in blocks() {
        if !language.is_empty() {
            continue;
        }
        let all = commands(&lines);
        // What one command of a block exports the next ones see.
        let mut exported = String::new();
        for said in &all {
            let command = said.command.as_str();
            if let Some((start, _)) = NOT_RUN.iter().find(|(start, _)| command.starts_with(start)) {
                look_at(command, &machine);
                not_run.push(start);
            } else if command.starts_with("export ") {
                exported = format!("{command}\n");
            } else if let Some(served) = command.strip_prefix("cargo run --release -- ") {
                // What cargo would build is what the test was built with.
                let built = format!("{} {served}", env!("CARGO_BIN_EXE_tubewright"));
                machine.serve(&built, || true);
                ran += 1;
            } else if command.starts_with("tubewright serve --backup-into") {
                // A backup that is whole bears its name; until then it is hidden.
                machine.serve(command, || {
                    std::fs::read_dir(machine.at("backup")).unwrap().any(|f| {
                        let name = f.unwrap().file_name().into_string().unwrap();
                        name.starts_with("tubewright-") && name.ends_with(".tar.gz")
                    })
                });
                ran += 1;
            } else if command.starts_with("tubewright serve") {
                let printed = machine.serve(command, || true);
                the_club_is_set_up(&machine.at("data"));
                let shown = blocks();
                let shown = &shown
                    .iter()
                    .find(|(_, l)| l[0].starts_with("Nobody"))
                    .unwrap()
                    .1;
                for (line, shown) in printed.iter().zip(shown) {
                    assert_eq!(without_addresses(line), without_addresses(shown));
                }
                assert_eq!(printed.len(), shown.len());
                ran += 1;
            } else {
                // Only installing asks for another person's rights; here the folders are ours.
                let plain = command.strip_prefix("sudo ").unwrap_or(command);
                let output = machine.run(&format!("{exported}{plain}"));
                let printed = text(&output.stdout);
                for line in &said.prints {
                    assert!(
                        printed.contains(line.trim()),
                        "{command}: {line}\n{printed}"
                    );
                }
                if command.starts_with("tubewright backup") {
                    let made = machine.at("backup/club.tar.gz");
                    std::fs::copy(made, machine.at("club.tar.gz")).unwrap();
                }
                ran += 1;
            }
        }
    }
    not_run.dedup();
    let listed: Vec<&str> = NOT_RUN.iter().map(|(start, _)| *start).collect();
    assert_eq!(not_run, listed, "in the order of the README");
    assert!(ran >= 20, "only {ran} commands were run");
    let due = std::fs::read_to_string(machine.at("due.csv")).unwrap();
    assert!(due.lines().count() >= 1, "{due}");
}

#[test]
fn every_command_within_a_sentence_is_one_there_is() {
    let help = |command: &str| {
        let words: Vec<&str> = command.split_whitespace().skip(1).collect();
        let asked = Command::new(env!("CARGO_BIN_EXE_tubewright"))
            .args(&words)
            .output();
        let asked = asked.unwrap();
        assert!(asked.status.success(), "{command}");
        text(&asked.stdout)
    };
    let mut not_run: Vec<&str> = Vec::new();
    for said in in_sentences() {
        if let Some((start, _)) = NOT_RUN_IN_A_SENTENCE
            .iter()
            .find(|(s, _)| said.starts_with(s))
        {
            not_run.push(start);
            continue;
        }
        let mut words = said.split_whitespace();
        match (words.next(), words.next()) {
            (Some("tubewright"), Some(_)) => assert!(help(&said).contains("Usage:"), "{said}"),
            // A flag named in a sentence is one of some command, told by its help.
            (Some(flag), _) if flag.starts_with("--") => {
                let all: String = all_commands()
                    .iter()
                    .map(|command| help(&format!("tubewright {command} --help")))
                    .collect();
                assert!(all.contains(flag), "{flag}");
            }
            // `people add` and such: a command with its subcommand.
            (Some(first), _) if all_commands().iter().any(|c| c == first) => {
                let asked = format!("tubewright {said} --help");
                assert!(help(&asked).contains("Usage:"), "{said}");
            }
            (Some(first), Some(_)) => {
                assert!(
                    !begins_with_a_program(first),
                    "{said} is neither run nor listed"
                );
            }
            _ => {}
        }
    }
    not_run.sort_unstable();
    not_run.dedup();
    let mut listed: Vec<&str> = NOT_RUN_IN_A_SENTENCE.iter().map(|(s, _)| *s).collect();
    listed.sort_unstable();
    assert_eq!(not_run, listed);
}

/// The names of the commands, as `--help` lists them.
fn all_commands() -> Vec<String> {
    let asked = Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .arg("--help")
        .output();
    let help = text(&asked.unwrap().stdout);
    let (_, listed) = help.split_once("Commands:").unwrap();
    let (listed, _) = listed.split_once("Options:").unwrap();
    let names = listed.lines().filter_map(|line| line.strip_prefix("  "));
    names
        .filter(|line| !line.starts_with(' '))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .map(str::to_owned)
        .collect()
}

#[test]
fn it_is_short_and_its_links_lead_somewhere() {
    assert!(README.lines().count() < 250);
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut links = 0;
    for part in README.split("](").skip(1) {
        let target = part.split(')').next().unwrap();
        let (path, place) = target.split_once('#').unwrap_or((target, ""));
        if path.starts_with("http") {
            continue;
        }
        assert!(root.join(path).exists(), "{path}");
        if !place.is_empty() {
            let read = std::fs::read_to_string(root.join(path)).unwrap();
            let named = read
                .lines()
                .filter(|line| line.starts_with('#'))
                .any(|line| {
                    let name = line.trim_start_matches('#').trim().to_lowercase();
                    let name: String = name
                        .chars()
                        .filter(|c| c.is_alphanumeric() || " -".contains(*c))
                        .collect();
                    name.replace(' ', "-") == place
                });
            assert!(named, "{target}");
        }
        links += 1;
    }
    assert!(links > 8, "{links}");
}
