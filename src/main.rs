//! The command line; each command in a file of its own.
#![forbid(unsafe_code)]

mod commands;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Keeps an astronomy club's loaner telescopes fit to lend.
///
/// Exit codes: 0 done, 1 something broke, 2 wrong usage, 3 input refused.
#[derive(Debug, Parser)]
#[command(name = "tubewright", version, about, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Measure coma from frames of a defocused star
    Measure(commands::measure::MeasureArgs),
    /// Print which instruments are due for the bench, and why
    Due(commands::due::DueArgs),
    /// Add people from the command line
    #[command(subcommand)]
    People(commands::people::PeopleCommand),
    /// Run the web tool for a club
    Serve(commands::serve::ServeArgs),
}

fn main() -> ExitCode {
    match Cli::parse().command {
        Command::Measure(args) => commands::measure::run(args),
        Command::Due(args) => commands::due::run(args),
        Command::People(command) => commands::people::run(command),
        Command::Serve(args) => commands::serve::run(args),
    }
}
