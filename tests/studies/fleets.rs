//! A study of the due list: does the drift model foresee what the star tests of
//! fleets with a known truth will show, and better than the plain rules do?
//!
//! `cargo run --release --example fleets -- --help` tells how it is asked.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "simulated/file.rs"]
mod file;
#[path = "simulated/report.rs"]
mod report;
#[path = "simulated/mod.rs"]
mod simulated;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;
use simulated::{Recipe, fleet};

/// Puts the drift model to fleets whose truth is known.
#[derive(Debug, Parser)]
#[command(after_long_help = file::FORMAT)]
struct Asked {
    /// Seed of the first fleet; the next have the next.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How many fleets of each kind.
    #[arg(long, default_value_t = 4)]
    count: u64,
    /// The harsher worlds: heavy-tailed steps, biased eyes, journeys not entered.
    #[arg(long)]
    harsh: bool,
    /// Report as JSON.
    #[arg(long)]
    json: bool,
    /// Put the model to a fleet from a file instead ("-": from standard input).
    #[arg(long, value_name = "FILE")]
    fleet: Option<PathBuf>,
    /// Write the first simulated fleet in that form and stop.
    #[arg(long)]
    write: bool,
}

fn main() -> ExitCode {
    let asked = Asked::parse();
    match run(&asked) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("{message}");
            ExitCode::FAILURE
        }
    }
}

fn run(asked: &Asked) -> Result<(), String> {
    if asked.write {
        let one = file::FleetFile::of(&fleet(&Recipe::default(), asked.seed));
        let text = serde_json::to_string(&one).map_err(|e| e.to_string())?;
        println!("{text}");
        return Ok(());
    }
    let told = match &asked.fleet {
        Some(path) => {
            let read = file::FleetFile::read(path)?;
            report::Told::of_file(&report::study("file", None, &read))
        }
        None => report::Told::of_simulated(asked.seed, asked.count, asked.harsh),
    };
    if asked.json {
        let text = serde_json::to_string_pretty(&told).map_err(|e| e.to_string())?;
        println!("{text}");
    } else {
        print!("{told}");
    }
    Ok(())
}
