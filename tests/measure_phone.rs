//! A phone's stills at an eyepiece, whose scale nobody tells: JPEG files by another library
//! (tests/accuracy/phone/make.py, two-mirror telescope, D/r0 1.2, eight stills), with their truth.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use serde_json::Value;
use startest::decode::{Limits, Still};
use startest::frame::{Setup, Side};
use startest::measure::{Drift, KnownScale, Options, Unreadable, measure_stills};
use startest::report::{Report, Verdict};
use std::{ops::ControlFlow, path::PathBuf};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/frames/phone")
}

fn case(id: &str) -> Value {
    let text = std::fs::read_to_string(folder().join("truth.json")).unwrap();
    let all: Value = serde_json::from_str(&text).unwrap();
    let cases = all["cases"].as_array().unwrap();
    cases.iter().find(|c| c["id"] == id).unwrap().clone()
}

fn report_of(case: &Value) -> Report {
    report_knowing(case, KnownScale::default())
}

fn report_knowing(case: &Value, known_scale: KnownScale) -> Report {
    let options = Options {
        known_scale,
        ..Options::default()
    };
    let told = Setup {
        aperture_mm: case["told"]["aperture_mm"].as_f64().unwrap(),
        obstruction: case["told"]["obstruction"].as_f64().unwrap(),
        // They stand for nothing.
        focal_mm: 1000.0,
        pixel_um: 2.0,
        wavelength_nm: 550.0,
        bandwidth_nm: 100.0,
        side: Side::Unknown,
        vanes: None,
    };
    let stills: Vec<Result<Still, Unreadable>> = case["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| Ok(Still::open(folder().join(f.as_str().unwrap()), &Limits::default()).unwrap()))
        .collect();
    let on = &mut |_| ControlFlow::Continue(());
    measure_stills(stills, &told, &options, on).report
}

#[test]
fn coma_waves_and_scale_come_out_of_stills_alone() {
    let case = case("good");
    let report = report_of(&case);
    assert_eq!(report.verdict, Verdict::Measured, "{:?}", report.reasons);
    let (wave, scale) = (report.wavefront.unwrap(), report.scale.unwrap());
    let truth = &case["truth"];
    let coma = [0, 1].map(|k| truth["coma"][k].as_f64().unwrap());
    let off = (wave.coma_x_waves - coma[0]).hypot(wave.coma_y_waves - coma[1]);
    // The goal of issue 18 is 0.007 waves at the 90th percentile.
    assert!(off < 0.007, "{off}");
    assert!(off < 3.03 * wave.coma_component_sigma_waves, "{off}");
    let waves = wave.defocus_waves / truth["w020"].as_f64().unwrap() - 1.0;
    assert!(waves.abs() < 0.06, "{waves}");
    let share = scale.arcsec_per_px / truth["arcsec_per_px"].as_f64().unwrap() - 1.0;
    assert!(share.abs() < 0.06, "{share}");
    assert!(scale.arcsec_per_px_sigma > 0.0 && wave.defocus_waves_sigma > 0.0);
}

/// A star drifts 15.041 arc seconds a second at the equator (a sidereal day of 86,164.1 s);
/// timed, that tells the scale better than the rings do. One timed on another star's
/// declination, or with the motor on, is told apart.
#[test]
fn a_timed_drift_tells_the_scale_beside_the_rings() {
    let case = case("good");
    let true_scale = case["truth"]["arcsec_per_px"].as_f64().unwrap();
    let drifting = |share: f64| KnownScale {
        magnification: None,
        drift: Some(Drift {
            px_s: 15.041 / (true_scale * share),
            px_s_sigma: 0.008 * 15.041 / (true_scale * share),
            declination_deg: 0.0,
        }),
    };
    let alone = report_of(&case).scale.unwrap();
    let report = report_knowing(&case, drifting(1.0));
    let scale = report.scale.unwrap();
    assert!(scale.told.unwrap().used);
    let off = |found: f64| (found / true_scale - 1.0).abs();
    println!(
        "counts: scale by the rings off {:.4}, with the drift {:.4}",
        off(alone.arcsec_per_px),
        off(scale.arcsec_per_px)
    );
    assert!(
        off(scale.arcsec_per_px) < 0.012,
        "{}",
        off(scale.arcsec_per_px)
    );
    assert!(scale.arcsec_per_px_sigma < alone.arcsec_per_px_sigma);

    let report = report_knowing(&case, drifting(1.6));
    let misled = report.scale.unwrap();
    assert!(!misled.told.unwrap().used);
    assert_eq!(misled.arcsec_per_px, alone.arcsec_per_px);
    let codes: Vec<&str> = report.notes.iter().map(|n| n.code.as_str()).collect();
    assert!(codes.contains(&"scale-told-otherwise"), "{codes:?}");
}

/// The equivalent focal length of a phone's camera (Exif 2.32, tag 41989) says how wide a pixel
/// sees: the diagonal of 36 x 24 mm film is 43.267 mm.
#[test]
fn a_still_says_how_wide_its_camera_sees() {
    let case = case("good");
    let plain = folder().join(case["files"][0].as_str().unwrap());
    let bytes = std::fs::read(&plain).unwrap();
    let short = |tag: u16, value: u16| {
        let mut entry = tag.to_be_bytes().to_vec();
        entry.extend([0, 3, 0, 0, 0, 1]);
        entry.extend(value.to_be_bytes());
        entry.extend([0, 0]);
        entry
    };
    let mut body =
        b"Exif\0\0MM\0\x2a\0\0\0\x08\0\x01\x87\x69\0\x04\0\0\0\x01\0\0\0\x1a\0\0\0\0\0\x01"
            .to_vec();
    body.extend(short(0xa405, 26));
    body.extend([0; 4]);
    let mut told = bytes[..2].to_vec();
    told.extend([0xff, 0xe1, 0, body.len() as u8 + 2]);
    told.extend(body);
    told.extend(&bytes[2..]);
    let read = |bytes: Vec<u8>| {
        Still::from_reader("still.jpg", std::io::Cursor::new(bytes), &Limits::default()).unwrap()
    };
    let still = read(told);
    let diagonal = (still.width as f64).hypot(still.height as f64);
    let rad = still.pixel_rad.unwrap();
    assert!((rad * 26.0 * diagonal / 43.267 - 1.0).abs() < 1e-9, "{rad}");
    let without = read(bytes);
    assert_eq!(without.pixel_rad, None);
    assert_eq!(without.colours, still.colours);
}

#[test]
fn the_direction_does_not_need_the_scale() {
    let case = case("good");
    let wave = report_of(&case).wavefront.unwrap();
    let coma = [0, 1].map(|k| case["truth"]["coma"][k].as_f64().unwrap());
    let turn = (wave.coma_y_waves.atan2(wave.coma_x_waves) - coma[1].atan2(coma[0])).to_degrees();
    let turn = (turn + 180.0).rem_euclid(360.0) - 180.0;
    assert!(turn.abs() < 2.0, "{turn}");
}

#[test]
fn saturated_focused_and_double_stars_are_refused() {
    for id in ["saturated", "in-focus", "double"] {
        let report = report_of(&case(id));
        assert_eq!(report.verdict, Verdict::Refused, "{id}");
        assert!(
            !report.reasons.is_empty() && report.wavefront.is_none(),
            "{id}"
        );
    }
    assert!(
        report_of(&case("saturated"))
            .reasons
            .iter()
            .any(|r| r.code == "clipped")
    );
}

/// Nobody told a focal length, and a phone gives no raw frames: no note may speak of them.
#[test]
fn no_note_asks_for_what_a_phone_has_not() {
    for note in report_of(&case("good")).notes {
        let words = format!("{} {}", note.text, note.mend);
        for of_a_camera in ["focal length", "raw format", "pixel size"] {
            assert!(!words.contains(of_a_camera), "{words}");
        }
    }
}
