//! `tubewright barrels` on pictures drawn by another program (tests/barrels/make.py, numpy
//! and scipy), whose truth stands beside them.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::process::{Command, Output};

use serde_json::Value;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/barrels/");

fn pair(name: &str) -> [String; 2] {
    ["left", "right"].map(|side| format!("{FOLDER}{name}-{side}.jpg"))
}

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .arg("barrels")
        .args(args)
        .output()
        .unwrap()
}

/// One pair at 4 arc minutes a pixel, as all of the kept ones are.
fn measured(name: &str, more: &[&str]) -> Value {
    let [left, right] = pair(name);
    let told = ["--left", &left, "--right", &right, "--magnification", "10"];
    let out = run(&[&told[..], &["--arcmin-per-px", "4", "--json"], more].concat());
    serde_json::from_slice(&out.stdout).unwrap()
}

fn angle(report: &Value, name: &str) -> [f64; 2] {
    let angle = &report["openings"][0]["apart"][name];
    ["arcmin", "sigma_arcmin"].map(|k| angle[k].as_f64().unwrap())
}

#[test]
fn angles_are_those_the_pictures_were_drawn_with() {
    let truth: Value =
        serde_json::from_slice(&std::fs::read(format!("{FOLDER}truth.json")).unwrap()).unwrap();
    for name in ["fine", "step", "diverging", "stars"] {
        let report = measured(name, &["--rest-arcmin", "0"]);
        assert_eq!(report["verdict"], "measured", "{name}");
        for part in ["convergence", "step", "turn"] {
            let [got, sigma] = angle(&report, part);
            let want = truth[name][format!("{part}_arcmin")].as_f64().unwrap();
            // A third of a pixel; and not far beyond what the error tells.
            let most = if part == "turn" { 3.0 } else { 1.5 };
            assert!((got - want).abs() < most, "{name} {part}: {got} for {want}");
            assert!(
                (got - want).abs() < 4.0 * sigma,
                "{name} {part}: {got} +- {sigma}"
            );
            assert!(sigma < 3.0, "{name} {part}: {sigma}");
        }
    }
}

#[test]
fn one_star_tells_step_and_convergence_and_no_turn() {
    let report = measured("one-star", &["--rest-arcmin", "2"]);
    assert!(report["openings"][0]["apart"]["turn"].is_null());
    let ([side, _], [up, _]) = (angle(&report, "convergence"), angle(&report, "step"));
    assert!(
        (side - 14.0).abs() < 3.0 && (up + 24.0).abs() < 3.0,
        "{side} {up}"
    );
    let codes: Vec<&str> = report["notes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| n["code"].as_str().unwrap())
        .collect();
    assert_eq!(codes, ["rest", "no-turn", "one-opening"]);
}

// The limits are those of shared check values 11.
#[test]
fn the_verdict_goes_by_what_eyes_accept() {
    for (name, verdict, part) in [
        // 21' of step, 15' accepted.
        ("step", "may-strain", "step"),
        // 48' of divergence, 20' accepted: more than twice.
        ("diverging", "needs-bench", "divergence"),
    ] {
        let report = measured(name, &["--rest-arcmin", "1"]);
        assert_eq!(report["judged"]["verdict"], verdict, "{name}");
        assert_eq!(report["judged"]["worst"]["part"], part, "{name}");
    }
    let one = measured("fine", &["--rest-arcmin", "1"]);
    assert_eq!(one["judged"]["verdict"], "cannot-tell");
    assert_eq!(one["judged"]["one_opening_only"], true);
    let fixed = measured("fine", &["--rest-arcmin", "1", "--no-hinge"]);
    assert_eq!(fixed["judged"]["verdict"], "fine");
    let [left, right] = pair("diverging");
    let two = measured("fine", &["--other-left", &left, "--other-right", &right]);
    assert_eq!(two["judged"]["holds_at_one_only"], true);
    assert_eq!(two["judged"]["at_opening"], 1);
    // A rest that turns the camera by as much as is accepted tells nothing of the step.
    let loose = measured("fine", &["--rest-arcmin", "15", "--no-hinge"]);
    assert_eq!(loose["judged"]["verdict"], "cannot-tell");
}

// 120 mm at 300 m are 1.375'; at x10 13.75' of convergence that are not the barrels'.
#[test]
fn what_a_near_scene_makes_is_taken_off() {
    let far = measured("fine", &["--no-hinge"]);
    let near = measured("fine", &["--no-hinge", "--distance-m", "300"]);
    let off = angle(&far, "convergence")[0] - angle(&near, "convergence")[0];
    assert!((off - 13.75).abs() < 0.01, "{off}");
    assert!(
        near["notes"]
            .as_array()
            .unwrap()
            .iter()
            .any(|n| n["code"] == "near"),
        "{near}"
    );
}

#[test]
fn the_scale_may_come_from_something_of_known_width() {
    let [left, right] = pair("step");
    // 1 m at 300 m is 11.459'; tenfold and over 28.65 px 4.0' a pixel.
    let out = run(&[
        "--left",
        &left,
        "--right",
        &right,
        "--magnification",
        "10",
        "--object-mm",
        "1000",
        "--distance-m",
        "300",
        "--object-px",
        "28.65",
        "--json",
    ]);
    let report: Value = serde_json::from_slice(&out.stdout).unwrap();
    let [step, sigma] = angle(&report, "step");
    assert!((step - 21.0).abs() < 1.5, "{step}");
    // Width and distance are told to 3 % each, the edges to a pixel: 6.5 % in all.
    assert!(sigma > 0.06 * step, "{sigma}");
}

#[test]
fn words_say_which_picture_stands_higher_and_never_minus_nothing() {
    let [left, right] = pair("diverging");
    let out = run(&[
        "--left",
        &left,
        "--right",
        &right,
        "--magnification",
        "10",
        "--arcmin-per-px",
        "4",
    ]);
    assert_eq!(out.status.code(), Some(0));
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(said.starts_with("It needs the bench."), "{said}");
    assert!(said.contains("Divergence 48 +- "), "{said}");
    assert!(said.contains("the left picture higher"), "{said}");
    assert!(!said.contains("-0"), "{said}");
}

#[test]
fn what_says_nothing_is_refused_with_its_reason() {
    let folder = tempfile::tempdir().unwrap();
    let grey = |name: &str, value: &dyn Fn(u32, u32) -> u8| {
        let path = folder.path().join(name);
        image::GrayImage::from_fn(640, 480, |x, y| image::Luma([value(x, y)]))
            .save(&path)
            .unwrap();
        path.to_str().unwrap().to_owned()
    };
    let [fine, _] = pair("fine");
    let [_, other] = pair("step");
    let small = folder.path().join("small.png");
    image::GrayImage::new(40, 40).save(&small).unwrap();
    for (right, code) in [
        (other, "not-the-same-scene"),
        (grey("flat.png", &|_, _| 120), "no-contrast"),
        (grey("white.png", &|_, _| 255), "clipped"),
        (grey("black.png", &|_, _| 0), "dark"),
        (small.to_str().unwrap().to_owned(), "too-small"),
    ] {
        let out = run(&[
            "--left",
            &fine,
            "--right",
            &right,
            "--magnification",
            "10",
            "--arcmin-per-px",
            "4",
            "--json",
        ]);
        assert_eq!(out.status.code(), Some(3), "{code}");
        let report: Value = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(report["verdict"], "refused");
        assert_eq!(report["reasons"][0]["code"], code, "{right}");
        assert!(report["judged"].is_null() && report["openings"] == Value::Array(Vec::new()));
        let said = String::from_utf8(out.stderr).unwrap();
        assert!(said.contains(&format!("[{code}]")), "{said}");
    }
}

#[test]
fn wrong_usage_is_named() {
    let [left, right] = pair("fine");
    for (args, says) in [
        (
            vec!["--arcmin-per-px", "4", "--magnification", "0"],
            "--magnification",
        ),
        (vec!["--magnification", "10"], "--arcmin-per-px"),
        (
            vec![
                "--arcmin-per-px",
                "4",
                "--magnification",
                "10",
                "--left",
                &left,
            ],
            "as many right pictures",
        ),
    ] {
        let told = ["--left", &left, "--right", &right];
        let out = run(&[&told[..], &args].concat());
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        let said = String::from_utf8(out.stderr).unwrap();
        assert!(said.contains(says), "{said}");
    }
}
