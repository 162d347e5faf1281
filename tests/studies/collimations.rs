//! Simulated collimation sessions, led by the tool and by the plain rule of thumb:
//!
//!     cargo run --release --example collimations -- --seed 1 --count 500
//!
//! Any seed and count; `--json` prints every collimation session. A fifth as many more are
//! with a Ritchey-Chretien whose primary leans as well (`--corners` for another
//! number). `--rendered 36` leads so many with frames that are drawn and
//! measured, in place of the error model.
#![allow(clippy::expect_used, clippy::unwrap_used)]

mod corners;
mod hands;
mod play;
mod rendered;
mod truth;

use clap::Parser;
use play::{Outcome, Pair, THRESHOLD, collimation};

#[derive(Parser)]
struct Asked {
    /// Where the draw starts.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How many collimation sessions.
    #[arg(long, default_value_t = 500)]
    count: usize,
    /// How many collimation sessions with both mirrors of a Ritchey-Chretien; a fifth of the
    /// count unless given.
    #[arg(long)]
    corners: Option<usize>,
    /// So many collimation sessions with frames that are drawn and measured, and no others.
    #[arg(long)]
    rendered: Option<usize>,
    /// Print every collimation session as JSON instead of the table.
    #[arg(long)]
    json: bool,
}

fn main() {
    let asked = Asked::parse();
    if let Some(count) = asked.rendered {
        return rendered(asked.seed, count, asked.json);
    }
    let pairs: Vec<Pair> = (0..asked.count)
        .map(|i| collimation(asked.seed, i))
        .collect();
    let corners: Vec<corners::Outcome> = (0..asked.corners.unwrap_or(asked.count / 5))
        .map(|i| corners::collimation(asked.seed, i))
        .collect();
    if asked.json {
        let rows: Vec<_> = pairs
            .iter()
            .map(|p| serde_json::json!({ "led": p.led, "rule_of_thumb": p.rule }))
            .collect();
        let all = serde_json::json!({
            "seed": asked.seed,
            "count": asked.count,
            "threshold_waves": THRESHOLD,
            "collimations": rows,
            "both_mirrors": corners,
        });
        println!(
            "{}",
            serde_json::to_string_pretty(&all).expect("plain data")
        );
        return;
    }
    println!(
        "Seed {}, {} collimation sessions, in line at {THRESHOLD:.3} waves RMS.\n",
        asked.seed, asked.count
    );
    println!("{HEAD}");
    for method in ["frames", "eye"] {
        for (who, of) in [
            (
                "the tool",
                (|p: &Pair| p.led.clone()) as fn(&Pair) -> Outcome,
            ),
            ("rule of thumb", |p| p.rule.clone()),
        ] {
            let rows: Vec<Outcome> = pairs
                .iter()
                .map(of)
                .filter(|o| o.method == method)
                .collect();
            line(method, who, &rows);
        }
    }
    by_design(&pairs.iter().map(|p| &p.led).collect::<Vec<_>>());
    println!("\nHow the tool's collimation sessions ended:\n");
    for end in [
        "in line",
        "no more to be seen tonight",
        "screws too coarse",
        "not ended",
    ] {
        let rows: Vec<&Outcome> = pairs
            .iter()
            .map(|p| &p.led)
            .filter(|o| o.end == end)
            .collect();
        let within = rows.iter().filter(|o| o.in_line).count();
        println!("- {end}: {} ({} of them truly in line)", rows.len(), within);
    }
    both_mirrors(&corners);
}

/// Ritchey-Chretiens with both mirrors out.
fn both_mirrors(all: &[corners::Outcome]) {
    if all.is_empty() {
        return;
    }
    println!("\nBoth mirrors of a Ritchey-Chretien 203 mm f/8, its corners by eye:\n");
    println!(
        "| middle looked at | collimation sessions | adjustments: median | 95 % within | most | of them at the primary | middle in line | sides even | both | largest turn asked | worse than at the start |"
    );
    println!("|-|-|-|-|-|-|-|-|-|-|-|");
    for method in ["frames", "eye"] {
        let rows: Vec<&corners::Outcome> = all.iter().filter(|o| o.method == method).collect();
        if rows.is_empty() {
            continue;
        }
        let adjustments = sorted(rows.iter().map(|o| o.adjustments));
        let primary = sorted(rows.iter().map(|o| o.primary_goes));
        let share = |of: &dyn Fn(&corners::Outcome) -> bool| {
            percent(rows.iter().filter(|o| of(o)).count(), rows.len())
        };
        println!(
            "| {method} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
            rows.len(),
            at(&adjustments, 0.5),
            at(&adjustments, 0.95),
            adjustments.last().copied().unwrap_or(0),
            at(&primary, 0.5),
            share(&|o| o.left_waves <= THRESHOLD),
            share(&|o| o.left_lean_waves <= THRESHOLD),
            share(&|o| o.in_line),
            rows.iter().map(|o| o.largest_turn).fold(0.0, f64::max),
            rows.iter()
                .filter(|o| {
                    o.left_waves > o.start_waves.max(THRESHOLD)
                        || o.left_lean_waves > o.start_lean_waves.max(THRESHOLD)
                })
                .count(),
        );
    }
}

const HEAD: &str = "| looked at | led by | collimation sessions | adjustments: median | 95 % within | most | looks: median | end in line | said in line, was not | largest turn asked | worse than at the start |\n|-|-|-|-|-|-|-|-|-|-|-|";

fn by_design(all: &[&Outcome]) {
    println!("\nThe tool by design:\n");
    println!(
        "| design | collimation sessions | adjustments: median | 95 % within | of them at the mark | end in line |"
    );
    println!("|-|-|-|-|-|-|");
    for kind in truth::KINDS {
        let rows: Vec<&&Outcome> = all.iter().filter(|o| o.kind == kind.name).collect();
        if rows.is_empty() {
            continue;
        }
        let adjustments = sorted(rows.iter().map(|o| o.adjustments));
        let mark = sorted(rows.iter().map(|o| o.mechanical));
        println!(
            "| {} | {} | {} | {} | {} | {} |",
            kind.name,
            rows.len(),
            at(&adjustments, 0.5),
            at(&adjustments, 0.95),
            at(&mark, 0.5),
            percent(rows.iter().filter(|o| o.in_line).count(), rows.len()),
        );
    }
}

/// Collimation sessions whose frames are drawn and measured.
fn rendered(seed: u64, count: usize, json: bool) {
    let rows: Vec<Outcome> = (0..count).map(|i| play::measured(seed, i)).collect();
    if json {
        let all = serde_json::json!({
            "seed": seed,
            "rendered": count,
            "threshold_waves": THRESHOLD,
            "collimations": rows,
        });
        println!(
            "{}",
            serde_json::to_string_pretty(&all).expect("plain data")
        );
        return;
    }
    println!("Seed {seed}, {count} collimation sessions, frames drawn and measured.\n");
    println!("{HEAD}");
    line("frames, drawn and measured", "the tool", &rows);
    by_design(&rows.iter().collect::<Vec<_>>());
}

fn line(method: &str, who: &str, rows: &[Outcome]) {
    if rows.is_empty() {
        return;
    }
    let adjustments = sorted(rows.iter().map(|o| o.adjustments));
    let looks = sorted(rows.iter().map(|o| o.looks));
    let largest = rows.iter().map(|o| o.largest_turn).fold(0.0, f64::max);
    println!(
        "| {method} | {who} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
        rows.len(),
        at(&adjustments, 0.5),
        at(&adjustments, 0.95),
        adjustments.last().copied().unwrap_or(0),
        at(&looks, 0.5),
        percent(rows.iter().filter(|o| o.in_line).count(), rows.len()),
        percent(
            rows.iter()
                .filter(|o| o.end == "in line" && !o.in_line)
                .count(),
            rows.len()
        ),
        largest,
        rows.iter()
            .filter(|o| o.left_waves > o.start_waves.max(THRESHOLD))
            .count(),
    );
}

fn sorted(values: impl Iterator<Item = usize>) -> Vec<usize> {
    let mut values: Vec<usize> = values.collect();
    values.sort_unstable();
    values
}

/// The value at or below which this share lies.
fn at(sorted: &[usize], share: f64) -> usize {
    let place = (share * sorted.len() as f64).ceil() as usize;
    sorted[place.clamp(1, sorted.len()) - 1]
}

fn percent(of: usize, all: usize) -> String {
    format!("{:.1} %", 100.0 * of as f64 / all as f64)
}
