//! `tubewright measure --follow` beside a capture that is being written.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs::{self, OpenOptions};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use serde_json::Value;

/// The row of tests/frames/manifest.json: ten frames, 0.1 waves of coma went in.
const ROW: [&str; 10] = [
    "--aperture-mm",
    "203",
    "--focal-mm",
    "2030",
    "--obstruction",
    "0.34",
    "--pixel-um",
    "6.4",
    "--side",
    "inside",
];

fn follow(folder: &Path, options: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .arg("measure")
        .args(ROW)
        .arg("--follow")
        .arg(folder)
        .args(options)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

fn frame(k: usize) -> Vec<u8> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frames/");
    fs::read(format!("{folder}row-{k:02}.png")).unwrap()
}

/// Waits until the program has looked into the folder: it says so.
fn started(child: &mut Child) -> BufReader<std::process::ChildStderr> {
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut first = String::new();
    said.read_line(&mut first).unwrap();
    assert!(first.starts_with("Following "), "{first}");
    said
}

#[test]
fn readings_come_while_frames_are_written_and_halves_are_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    // Of an earlier star; not of this capture.
    fs::write(at("earlier.png"), frame(7)).unwrap();
    let mut child = follow(folder.path(), &["--json", "--for", "300"]);
    let mut said = started(&mut child);
    fs::write(at("notes.txt"), "no frame").unwrap();
    for k in 0..10 {
        let bytes = frame(k);
        let name = at(&format!("light-{k:02}.png"));
        if k == 4 {
            let (head, tail) = bytes.split_at(bytes.len() / 2);
            fs::write(&name, head).unwrap();
            sleep(Duration::from_millis(600));
            let mut file = OpenOptions::new().append(true).open(&name).unwrap();
            file.write_all(tail).unwrap();
        } else {
            fs::write(&name, bytes).unwrap();
            sleep(Duration::from_millis(100));
        }
    }
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let (mut last, mut readings) = (Value::Null, 0);
    while last["frames"]["taken"] != 10 {
        last = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
        assert_eq!(last["frames"]["unreadable"], 0, "{last}");
        readings += 1;
    }
    assert!(
        readings >= 2,
        "one reading for a second and a half of frames"
    );
    let report = &last["report"];
    assert_eq!(report["verdict"], "measured", "{report}");
    assert_eq!(report["frames"]["given"], 10);
    let wave = &report["wavefront"];
    let figure = |name: &str| wave[name].as_f64().unwrap();
    let off = f64::hypot(
        figure("coma_x_waves") + 0.034202,
        figure("coma_y_waves") + 0.093969,
    );
    // The air leaves some of its own in ten frames.
    assert!(off < 0.02, "{off}");
    assert!(figure("coma_component_sigma_waves") > 0.0);
    // Told to stop, it says what it did.
    let stopped = Command::new("kill")
        .args(["-TERM", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(stopped.success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let mut end = String::new();
    said.read_to_string(&mut end).unwrap();
    assert!(end.contains("Frames read: 10, passed over: 0."), "{end}");
}

#[test]
fn a_broken_file_is_named_and_an_empty_folder_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut child = follow(folder.path(), &["--for", "8"]);
    let mut said = started(&mut child);
    let bytes = frame(0);
    fs::write(folder.path().join("half.png"), &bytes[..bytes.len() / 2]).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(3));
    let mut end = String::new();
    said.read_to_string(&mut end).unwrap();
    assert!(
        end.contains("left out") && end.contains("half.png"),
        "{end}"
    );
    assert!(end.contains("[no-frames]"), "{end}");
    assert!(end.contains("Files unreadable: 1,"), "{end}");
}

#[test]
fn a_folder_that_is_not_there_is_wrong_usage() {
    let folder = tempfile::tempdir().unwrap();
    let out = follow(&folder.path().join("nowhere"), &[])
        .wait_with_output()
        .unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("--follow"));
}
