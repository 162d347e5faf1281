//! Fits every stamp of a folder and prints the answers as JSON: the Rust half
//! of `tests/reference/compare.py`, which writes the folder.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use startest::{
    fit::{FitOptions, Start, fit},
    frame::{Setup, Side, Stamp},
};
use std::{path::Path, time::Instant};

fn numbers(path: &Path) -> Vec<f64> {
    let bytes = std::fs::read(path).expect("a file of little-endian doubles");
    bytes
        .chunks_exact(8)
        .map(|b| f64::from_le_bytes(b.try_into().unwrap()))
        .collect()
}

fn main() {
    let folder = std::env::args()
        .nth(1)
        .expect("usage: fit_stamps FOLDER [--as-told]");
    // What the reference does: all that is told is held.
    let options = if std::env::args().any(|a| a == "--as-told") {
        FitOptions {
            obstruction_sigma: 0.0,
            focal_sigma: 0.0,
            response_sigma: 0.0,
            ..FitOptions::default()
        }
    } else {
        FitOptions::default()
    };
    let folder = Path::new(&folder);
    let text = std::fs::read_to_string(folder.join("cases.json")).expect("cases.json");
    let cases: Vec<serde_json::Value> = serde_json::from_str(&text).expect("a list of cases");
    let rows: Vec<serde_json::Value> = cases
        .iter()
        .enumerate()
        .map(|(i, case)| {
            let told = |k: &str| case["setup"][k].as_f64().unwrap();
            let setup = Setup {
                aperture_mm: told("aperture_mm"),
                focal_mm: told("focal_mm"),
                obstruction: told("obstruction"),
                pixel_um: told("pixel_um"),
                wavelength_nm: told("wavelength_nm"),
                bandwidth_nm: told("bandwidth_nm"),
                side: match case["setup"]["side"].as_str() {
                    Some("inside") => Side::Inside,
                    Some("outside") => Side::Outside,
                    _ => Side::Unknown,
                },
                vanes: None,
            };
            let stamp = Stamp {
                size: case["size"].as_u64().unwrap() as usize,
                data: numbers(&folder.join(format!("{i}.data"))),
                sigma: numbers(&folder.join(format!("{i}.sigma"))),
                frames: case["frames"].as_u64().unwrap() as usize,
            };
            let guess = |k: &str| case["start"][k].as_f64().unwrap();
            let start = Start {
                centre_px: [guess("x"), guess("y")],
                outer_radius_px: guess("r"),
                shadow_radius_px: None,
                coma_waves: [guess("cx"), guess("cy")],
                coma_sigma_waves: 0.03,
            };
            let began = Instant::now();
            let found = fit(&stamp, &setup, &start, &options).expect("a fit");
            let seconds = began.elapsed().as_secs_f64();
            serde_json::json!({
                "coma": found.coma(),
                "sigma": found.coma_sigma(),
                "seconds": seconds,
                "transforms": found.work.transforms,
                "transform_size": found.work.transform_size,
                "pictures": found.work.pictures,
                "slopes": found.work.slopes,
            })
        })
        .collect();
    println!("{}", serde_json::Value::from(rows));
}
