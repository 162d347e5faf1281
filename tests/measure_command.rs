//! `tubewright measure` as a person or a script meets it.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::process::{Command, Output};

use serde_json::Value;

const SCT: [&str; 8] = [
    "--aperture-mm",
    "203",
    "--focal-mm",
    "2030",
    "--obstruction",
    "0.34",
    "--pixel-um",
    "4.8",
];

fn run(frames: &[&str], options: &[&str]) -> Output {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frames/");
    Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .arg("measure")
        .args(frames.iter().map(|f| format!("{folder}{f}")))
        .args(options)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn a_good_frame_is_told_in_words_and_in_json() {
    let words = run(&["sct-outside.fits.gz"], &SCT);
    assert_eq!(words.status.code(), Some(0));
    let said = text(&words.stdout);
    assert!(said.contains("waves RMS"));
    // Places follow the error: none is shown as nothing.
    assert!(!said.contains("+- 0.000 "), "{said}");
    assert!(!said.contains("+- 0.000."), "{said}");
    assert!(!said.contains("blur of 0.0"), "{said}");
    let json = run(
        &["sct-outside.fits.gz"],
        &[&SCT[..], &["--side", "outside", "--json"]].concat(),
    );
    assert_eq!(json.status.code(), Some(0));
    let report: Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(report["verdict"], "measured");
    assert_eq!(report["frames"]["given"], 1);
    assert_eq!(report["frames"]["used"], 1);
    // 0.12 waves towards 210 degrees went in (tests/frames/manifest.json).
    let coma = report["wavefront"]["coma_rms_waves"].as_f64().unwrap();
    assert!((coma - 0.12).abs() < 0.01, "{coma}");
    assert!(report["wavefront"]["defocus_waves"].as_f64().unwrap() > 0.0);
    let thin = report["rings"]["thin_clock_deg"].as_f64().unwrap();
    assert!((thin - 30.0).abs() < 3.0, "{thin}");
    let annular = report["wavefront"]["coma_annular_rms_waves"]
        .as_f64()
        .unwrap();
    let strehl = report["strehl_from_coma"].as_f64().unwrap();
    assert!((strehl - (-(std::f64::consts::TAU * annular).powi(2)).exp()).abs() < 1e-9);
}

#[test]
fn a_refused_set_says_why_on_both_streams() {
    let out = run(
        &["trap-focused.png"],
        &[&SCT[..6], &["--pixel-um", "2.5", "--json"]].concat(),
    );
    assert_eq!(out.status.code(), Some(3));
    let report: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(report["verdict"], "refused");
    assert_eq!(report["reasons"][0]["code"], "not-defocused");
    assert!(report["wavefront"].is_null());
    assert!(text(&out.stderr).contains("not-defocused"));
}

#[test]
fn an_unreadable_file_among_good_ones_is_left_out() {
    let out = run(
        &[
            "trap-truncated.fits",
            "sct-outside.fits.gz",
            "no-such-file.png",
        ],
        &[&SCT[..], &["--json"]].concat(),
    );
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let report: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(report["frames"]["given"], 3);
    assert_eq!(report["frames"]["used"], 1);
    assert_eq!(report["frames"]["dropped"].as_array().unwrap().len(), 2);
}

#[test]
fn settings_that_cannot_be_are_wrong_usage_and_named() {
    for (flag, value) in [
        ("--obstruction", "1"),
        ("--obstruction", "nan"),
        ("--aperture-mm", "-200"),
        ("--focal-mm", "0"),
        ("--pixel-um", "inf"),
        ("--wavelength-nm", "5"),
    ] {
        let mut options: Vec<&str> = SCT.to_vec();
        match options.iter().position(|o| *o == flag) {
            Some(i) => options[i + 1] = value,
            None => options.extend([flag, value]),
        }
        let out = run(&["sct-outside.fits.gz"], &options);
        assert_eq!(out.status.code(), Some(2), "{flag} {value}");
        assert!(
            text(&out.stderr).contains(flag),
            "{flag} {value}: {}",
            text(&out.stderr)
        );
        assert!(out.stdout.is_empty());
    }
    assert_eq!(run(&[], &SCT).status.code(), Some(2));
}

/// Traced independently (tests/optics_trace.rs has the table): at 20 focal lengths a
/// Schmidt-Cassegrain whose mirror moves shows +0.0397 waves RMS of spherical aberration that
/// is not its own. A paraboloid: W040 = (D/2)^4 / (4 R^3) (1 - ((1 - m) / (1 + m))^2) with
/// m = 1/(L - 1), which for 203 mm f/10 and L = 10 is 1.427e-4 mm or 0.2595 waves, over
/// 6 root 5 (Noll's Z11) 0.0193.
#[test]
fn at_an_artificial_star_what_its_distance_makes_is_told_apart() {
    let frame = &["sct-outside.fits.gz"];
    let plain = run(frame, &[&SCT[..], &["--json"]].concat());
    let plain: Value = serde_json::from_slice(&plain.stdout).unwrap();
    for (design, metres, waves) in [
        ("schmidt-cassegrain", "40.6", "0.040 waves"),
        ("newtonian", "20.3", "0.019 waves"),
    ] {
        let lamp = ["--lamp-m", metres, "--design", design, "--json"];
        let out = run(frame, &[&SCT[..], &lamp].concat());
        assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
        let report: Value = serde_json::from_slice(&out.stdout).unwrap();
        let notes = report["notes"].to_string();
        assert!(notes.contains("artificial-star"), "{notes}");
        assert!(notes.contains(waves), "{design}: {notes}");
        // With a mirror that moves the distance hardly touches coma.
        let coma = |r: &Value| r["wavefront"]["coma_rms_waves"].as_f64().unwrap();
        let share = coma(&report) / coma(&plain);
        assert!(
            design == "newtonian" || (share - 1.0).abs() < 0.06,
            "{share}"
        );
    }
    // Nearer than any focuser follows, or without what it takes.
    let near = ["--lamp-m", "4", "--design", "schmidt-cassegrain"];
    for (lamp, says) in [(&near[..], "farther away"), (&near[..2], "--design")] {
        let out = run(frame, &[&SCT[..], lamp].concat());
        assert_eq!(out.status.code(), Some(2));
        assert!(text(&out.stderr).contains(says), "{}", text(&out.stderr));
    }
    let phone = [&SCT[..6], &["--json"]].concat();
    let out = run(frame, &phone);
    assert_eq!(out.status.code(), Some(2));
    assert!(text(&out.stderr).contains("--pixel-um"));
}

#[test]
fn settings_may_come_from_the_environment() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frames/");
    let out = Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["measure", &format!("{folder}sct-outside.fits.gz")])
        .env("TUBEWRIGHT_APERTURE_MM", "203")
        .env("TUBEWRIGHT_FOCAL_MM", "2030")
        .env("TUBEWRIGHT_OBSTRUCTION", "0.34")
        .env("TUBEWRIGHT_PIXEL_UM", "4.8")
        .env("TUBEWRIGHT_JSON", "true")
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    assert!(serde_json::from_slice::<Value>(&out.stdout).is_ok());
}

#[test]
fn stills_of_a_phone_are_measured_without_focal_length_and_pixel() {
    let stills: Vec<String> = (0..8).map(|k| format!("phone/good/{k:02}.jpg")).collect();
    let stills: Vec<&str> = stills.iter().map(String::as_str).collect();
    let told = ["--aperture-mm", "271", "--obstruction", "0.336"];
    let json = run(&stills, &[&told[..], &["--json"]].concat());
    assert_eq!(json.status.code(), Some(0), "{}", text(&json.stderr));
    let report: Value = serde_json::from_slice(&json.stdout).unwrap();
    // 0.1620 went in (tests/frames/phone/truth.json).
    let scale = report["scale"]["arcsec_per_px"].as_f64().unwrap();
    assert!((scale / 0.162 - 1.0).abs() < 0.06, "{scale}");
    let words = text(&run(&stills, &told).stdout);
    assert!(words.contains("arc seconds a pixel"), "{words}");
    // One of the two alone is a slip.
    let half = run(&stills, &[&told[..], &["--focal-mm", "2000"]].concat());
    assert_eq!(half.status.code(), Some(2));
}
