//! Measures every set of a folder that worlds/make.py made and prints a line of JSON for
//! each: `untouched --library` scores them without the whole program being built.
//!
//!     measure_sets FOLDER [ID...]
#![allow(clippy::unwrap_used, clippy::expect_used)]

use serde_json::Value;
use startest::{
    decode::{FrameReader, Limits, Still},
    frame::{Frame, Setup, Side, Vanes},
    measure::{KnownScale, Options, Unreadable, measure_pair, measure_stills, measure_with},
};
use std::{ops::ControlFlow, path::Path};

fn unreadable(name: &str, text: String) -> Unreadable {
    Unreadable {
        name: name.to_owned(),
        code: "unreadable".to_owned(),
        text,
        mend: String::new(),
    }
}

/// A phone's stills.
fn stills_of(folder: &Path, files: &Value) -> Vec<Result<Still, Unreadable>> {
    let names = files.as_array().expect("a list of files");
    let open = |name: &str| {
        Still::open(folder.join(name), &Limits::default())
            .map_err(|e| unreadable(name, e.to_string()))
    };
    names.iter().map(|n| open(n.as_str().unwrap())).collect()
}

fn frames_of(folder: &Path, files: &Value) -> Vec<Result<Frame, Unreadable>> {
    let names = files.as_array().expect("a list of files");
    let mut frames = Vec::new();
    for name in names.iter().map(|n| n.as_str().unwrap()) {
        match FrameReader::open(folder.join(name), &Limits::default()) {
            Ok(reader) => {
                frames.extend(reader.map(|f| f.map_err(|e| unreadable(name, e.to_string()))));
            }
            Err(e) => frames.push(Err(unreadable(name, e.to_string()))),
        }
    }
    frames
}

fn setup_of(told: &Value) -> Setup {
    let number = |k: &str| told[k].as_f64();
    let vanes = &told["vanes"];
    Setup {
        aperture_mm: number("aperture_mm").unwrap(),
        focal_mm: number("focal_mm").unwrap_or(1000.0),
        obstruction: number("obstruction").unwrap(),
        pixel_um: number("pixel_um").unwrap_or(2.0),
        // What the command takes where nothing is told.
        wavelength_nm: number("wavelength_nm").unwrap_or(550.0),
        bandwidth_nm: number("bandwidth_nm").unwrap_or(100.0),
        side: match told["side"].as_str() {
            Some("inside") => Side::Inside,
            Some("outside") => Side::Outside,
            _ => Side::Unknown,
        },
        vanes: vanes.is_object().then(|| Vanes {
            count: vanes["count"].as_u64().unwrap() as u32,
            width_mm: vanes["width_mm"].as_f64().unwrap(),
            clock_deg: vanes["clock_deg"].as_f64().unwrap(),
        }),
    }
}

/// What is told of a phone's scale beside its stills.
fn known_scale(told: &Value) -> KnownScale {
    KnownScale {
        magnification: None,
        drift: serde_json::from_value(told["drift"].clone()).ok(),
    }
}

/// Processor seconds of this process so far, in hundredths; 0 where the system does not tell.
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |i: usize| after.split_whitespace().nth(i)?.parse::<f64>().ok();
    (ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / 100.0
}

fn main() {
    let mut words = std::env::args().skip(1);
    let folder = words.next().expect("usage: measure_sets FOLDER [ID...]");
    let wanted: Vec<String> = words.collect();
    let folder = Path::new(&folder);
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("truth.json");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let on = &mut |_| ControlFlow::Continue(());
    for case in truth["cases"].as_array().expect("cases") {
        let id = case["id"].as_str().unwrap();
        if !wanted.is_empty() && !wanted.iter().any(|w| w == id) {
            continue;
        }
        let (files, setup) = (&case["files"], setup_of(&case["told"]));
        let options = Options {
            known_scale: known_scale(&case["told"]),
            ..Options::default()
        };
        let began = processor_seconds();
        let outcome = if files.is_object() {
            let [inside, outside] = ["inside", "outside"].map(|s| frames_of(folder, &files[s]));
            measure_pair(inside, outside, &setup, &options, on)
        } else if case["told"]["focal_mm"].is_null() {
            measure_stills(stills_of(folder, files), &setup, &options, on)
        } else {
            measure_with(frames_of(folder, files), &setup, &options, on)
        };
        let seconds = processor_seconds() - began;
        let row = serde_json::json!({"id": id, "seconds": seconds, "report": outcome.report});
        println!("{row}");
    }
}
