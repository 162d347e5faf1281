//! Prints what is found in pictures of `make.py`, beside their truth:
//! `cargo run -p tubewright-startest --example see_peephole FOLDER`.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use optics::peephole::{Offset, Told};
use serde_json::Value;
use startest::peephole::{Report, measure_file};
use std::path::Path;

fn told(truth: &Value) -> Told {
    let number = |name: &str| truth[name].as_f64().unwrap();
    Told {
        aperture_mm: number("aperture_mm"),
        focal_mm: number("focal_mm"),
        flat_mm: number("flat_mm"),
        draw_mm: Some(number("draw_mm")),
        outside_focus_mm: 0.0,
        hole_mm: number("hole_mm"),
        front_clock_deg: Some(number("front_clock_deg")),
    }
}

struct Row {
    name: &'static str,
    errors: Vec<f64>,
    pulls: Vec<f64>,
    sigmas: Vec<f64>,
}

impl Row {
    fn add(&mut self, offset: Option<Offset>, truth: [f64; 2], note: &mut String) {
        let Some(o) = offset else {
            note.push_str(&format!(" {}: -", self.name));
            return;
        };
        let off = [o.right_mm - truth[0], o.up_mm - truth[1]];
        self.errors.push(off[0].hypot(off[1]));
        self.pulls.extend(off.map(|x| x / o.sigma_mm));
        self.sigmas.push(o.sigma_mm);
        note.push_str(&format!(
            " {}: {:.2} ({:.1} sigma of {:.2})",
            self.name,
            off[0].hypot(off[1]),
            off[0].hypot(off[1]) / o.sigma_mm,
            o.sigma_mm
        ));
    }
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

fn main() {
    let folder = std::env::args().nth(1).unwrap();
    let folder = Path::new(&folder);
    let verbose = std::env::args().nth(2).is_some();
    let truths: Vec<Value> =
        serde_json::from_slice(&std::fs::read(folder.join("truth.json")).unwrap()).unwrap();
    let mut rows = ["flat", "tilt", "primary", "phone"].map(|name| Row {
        name,
        errors: Vec::new(),
        pulls: Vec::new(),
        sigmas: Vec::new(),
    });
    let (mut refused, mut trapped, mut traps, mut good) = (Vec::new(), Vec::new(), 0, 0);
    for truth in &truths {
        let file = truth["file"].as_str().unwrap();
        let told = told(truth);
        let report: Report = measure_file(&folder.join(file), file, &told);
        let codes: Vec<&str> = report.reasons.iter().map(|r| r.code.as_str()).collect();
        if let Some(trap) = truth["trap"].as_str() {
            traps += 1;
            let primary = report.found.and_then(|f| f.primary);
            if primary.is_none() {
                trapped.push(format!("{trap} {codes:?}"));
            } else {
                println!("NOT REFUSED {trap}: {:?}", report.found);
            }
            continue;
        }
        good += 1;
        let Some(found) = report.found else {
            refused.push(format!("{file} {codes:?}"));
            if verbose {
                println!("{file} refused {codes:?} {:#?}", report.circles);
            }
            continue;
        };
        let two = |name: &str| [0, 1].map(|i| truth[name][i].as_f64().unwrap());
        let (s, c) = told.front_clock_deg.unwrap().to_radians().sin_cos();
        let back = found.to_flat_mm.unwrap_or(f64::NAN);
        let lag = told.flat_mm.powi(2) / (4.0 * back);
        let flat = [two("flat")[0] + s * lag, two("flat")[1] + c * lag];
        let mut note = String::new();
        rows[0].add(found.flat.map(|j| j.offset), flat, &mut note);
        rows[1].add(found.tilt.map(|j| j.offset), two("axis"), &mut note);
        let twice = two("optical").map(|x| 2.0 * x);
        rows[2].add(found.primary.map(|j| j.offset), twice, &mut note);
        rows[3].add(Some(found.phone), two("phone"), &mut note);
        if verbose {
            println!("{file} chi2 {:.1}{note}", found.chi2);
            for c in &report.circles {
                println!(
                    "    {:?} {:.1?} r {:.2} +- {:.2} {:.2}",
                    c.which, c.at_px, c.radius_px, c.sigma_px, c.covered
                );
            }
        }
    }
    println!("| offset, mm | told | median error | 90 % | worst | sigma, median | pulls, RMS |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for row in rows.iter().filter(|r| !r.errors.is_empty()) {
        let rms = (row.pulls.iter().map(|p| p * p).sum::<f64>() / row.pulls.len() as f64).sqrt();
        println!(
            "| {} | {} of {good} | {:.2} | {:.2} | {:.2} | {:.2} | {rms:.2} |",
            row.name,
            row.errors.len(),
            quantile(&row.errors, 0.5),
            quantile(&row.errors, 0.9),
            quantile(&row.errors, 1.0),
            quantile(&row.sigmas, 0.5)
        );
    }
    println!("refused {} of {good}: {refused:?}", refused.len());
    println!("traps refused {} of {traps}: {trapped:?}", trapped.len());
}
