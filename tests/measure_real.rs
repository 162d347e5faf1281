//! Real defocused stars (Dark Energy Camera, public observatory data, cut out
//! in the GitHub repository aaronroodman/Donut, MIT licence), measured there
//! independently with scikit-image. The frames are not part of this project:
//! the test is skipped with a message where their folder is missing.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod measure_common;

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use measure_common::{pictures, rings_report};
use startest::frame::{Setup, Side};
use startest::measure::measure;
use startest::report::Verdict;

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
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"),
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

/// So far out of focus (40 waves and more) the rings answer, and the fit shows what
/// they do not know: nothing as large as an aberration, but the fine texture that
/// air and a polished mirror put on a ring, the vanes, and the ragged edge of a
/// shadow cut by the field's edge. As a measure of that, the residual is smeared
/// over a fifth of the radius: an aberration left out would survive this, texture
/// does not.
#[test]
fn what_is_left_of_real_stars_is_fine_texture() {
    let Some(folder) = folder() else { return };
    for (name, outer, ..) in MEASURED {
        let frames = pictures(&[folder.join(format!("{name}.fits"))]);
        let outcome = measure(frames, &setup(), &mut |_| ControlFlow::Continue(()));
        let report = &outcome.report;
        assert_eq!(
            report.wavefront.as_ref().unwrap().method,
            "geometry",
            "{name}"
        );
        assert!(report.notes.iter().any(|n| n.code == "far-out"), "{name}");
        let fitted = outcome.fitted.as_ref().expect(name);
        let size = outcome.stack.as_ref().unwrap().stamp.size;
        let picture = &fitted.pictures[0];
        let smooth = smeared(&picture.residual, size, outer / 5.0);
        let rms = |v: &[f64]| (v.iter().map(|x| x * x).sum::<f64>() / v.len() as f64).sqrt();
        let coarse = rms(&smooth) / rms(&picture.residual);
        println!(
            "{name}: residual {:.3} of the light, {coarse:.2} of that coarser than a fifth of the radius",
            picture.residual_share
        );
        assert!(picture.residual_share < 0.35, "{name}");
        assert!(coarse < 0.4, "{name}: {coarse}");
    }
}

/// A Gaussian blur of 1-sigma `sigma` pixels.
fn smeared(picture: &[f64], size: usize, sigma: f64) -> Vec<f64> {
    let reach = (3.0 * sigma).ceil() as i64;
    let pass = |from: &[f64]| -> Vec<f64> {
        let mut to = vec![0.0; size * size];
        for y in 0..size {
            for x in 0..size {
                let (mut sum, mut weight) = (0.0, 0.0);
                for k in -reach..=reach {
                    let w = (-0.5 * (k as f64 / sigma).powi(2)).exp();
                    let at = x as i64 + k;
                    if (0..size as i64).contains(&at) {
                        sum += w * from[y * size + at as usize];
                    }
                    weight += w;
                }
                // Turned over, so that two passes blur both ways.
                to[x * size + y] = sum / weight;
            }
        }
        to
    };
    pass(&pass(picture))
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
