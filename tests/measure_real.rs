//! Real defocused stars (Dark Energy Camera, public observatory data, cut out
//! in the GitHub repository aaronroodman/Donut, MIT licence), measured there
//! independently with scikit-image. The frames are not part of this project:
//! the test is skipped with a message where their folder is missing.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod measure_common;

use std::path::{Path, PathBuf};

use measure_common::{measured_or_refused, pictures, rings_report};
use tubewright::startest::frame::{Setup, Side};
use tubewright::startest::report::Verdict;

/// File, outer radius, shadow radius, shadow offset (px), thin side (clock
/// degrees), as in the folder's own README.
const MEASURED: [(&str, f64, f64, f64, f64); 8] = [
    ("sky-00153648.S25.0019", 17.9, 7.5, 2.4, 28.0),
    ("sky-00236392.S25.0001", 98.5, 47.8, 7.9, 10.0),
    ("sky-00236392.S4.0003", 99.3, 39.9, 1.4, 36.0),
    ("sky-00284692.S25.0020", 22.1, 10.4, 3.4, 38.0),
    ("sky-00284696.S4.0008", 22.5, 9.2, 2.4, 76.0),
    ("sky-00345461.S25.0018", 20.4, 10.2, 4.4, 53.0),
    ("sky-00487890.S4.0054", 23.3, 9.8, 0.7, 112.0),
    ("sky-00804541.S4.0096", 23.3, 10.4, 0.8, 58.0),
];

fn folder() -> Option<PathBuf> {
    let shared = std::env::var_os("TUBEWRIGHT_SHARED").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"),
        PathBuf::from,
    );
    let folder = shared.join("real-frames");
    if !folder.is_dir() {
        eprintln!("skipped: {} is not there", folder.display());
        return None;
    }
    Some(folder)
}

fn setup() -> Setup {
    Setup {
        aperture_mm: 3934.0,
        focal_mm: 11_730.0,
        obstruction: 0.42,
        pixel_um: 15.0,
        wavelength_nm: 640.0,
        bandwidth_nm: 150.0,
        side: Side::Unknown,
        vanes: None,
    }
}

/// So far out of focus (45 waves and more) no fit is made.
#[test]
fn stars_far_out_of_focus_are_left_to_the_rings() {
    let Some(folder) = folder() else { return };
    let star = folder.join("sky-00487890.S4.0054.fits");
    let report = measured_or_refused(&[star], &setup());
    assert!(report.fit.is_none());
    assert_eq!(report.wavefront.unwrap().method, "geometry");
    assert!(report.notes.iter().any(|n| n.code == "far-out"));
}

#[test]
fn real_stars_agree_with_the_independent_measurement() {
    let Some(folder) = folder() else { return };
    let setup = setup();
    for (name, outer, shadow, offset, thin) in MEASURED {
        let report = rings_report(pictures(&[folder.join(format!("{name}.fits"))]), &setup);
        assert_eq!(
            report.verdict,
            Verdict::Measured,
            "{name}: {:?}",
            report.reasons
        );
        let rings = report.rings.unwrap();
        let wide = rings.outer_radius_px / outer - 1.0;
        assert!(wide.abs() < 0.04, "{name}: outer radius off by {wide:.3}");
        let inner = rings.shadow_radius_px.unwrap() / shadow - 1.0;
        assert!(
            inner.abs() < 0.12,
            "{name}: shadow radius off by {inner:.3}"
        );
        let room = if outer > 50.0 { 2.5 } else { 0.8 };
        assert!(
            (rings.offset_px - offset).abs() < room,
            "{name}: offset {:.2}, not {offset}",
            rings.offset_px
        );
        if offset > 2.0 {
            let turn = (rings.thin_clock_deg - thin + 180.0).rem_euclid(360.0) - 180.0;
            assert!(
                turn.abs() < 30.0,
                "{name}: thin side off by {turn:.0} degrees"
            );
        }
    }
}
