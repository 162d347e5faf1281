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
    /// Measure how far the barrels of a binocular point apart, from pictures through both
    Barrels(commands::barrels::BarrelsArgs),
    /// Measure flat and primary of a Newtonian, from a picture down its focuser
    Peephole(commands::peephole::PeepholeArgs),
    /// Print which instruments are due for the bench, and why
    Due(commands::due::DueArgs),
    /// Print one instrument's reading and what borrowers are told
    Condition(commands::logbook::ConditionArgs),
    /// Hand an instrument out to a member
    Lend(commands::lending::LendArgs),
    /// Take an instrument back
    Return(commands::lending::ReturnArgs),
    /// Log a journey
    Journey(commands::logbook::JourneyArgs),
    /// Log something wrong
    Problem(commands::logbook::ProblemArgs),
    /// Measure frames with an instrument's own optics, and log the star test
    StarTest(commands::star_test::StarTestArgs),
    /// Log what was done at the bench
    Work(commands::logbook::WorkArgs),
    /// Put an instrument on the shelf, hold it for the bench, or take it there
    Move(commands::logbook::MoveArgs),
    /// Add people from the command line
    #[command(subcommand)]
    People(commands::people::PeopleCommand),
    /// Bring in a club's own lists: people, instruments, kit, loans, journeys, star tests
    Import(commands::intake::ImportArgs),
    /// Take the whole club away: one JSON document with its pictures beside it
    Export(commands::export::ExportArgs),
    /// Put the whole club into one file, also while the server runs
    Backup(commands::backup::BackupArgs),
    /// Put a backup into an empty folder, or only check it
    Restore(commands::backup::RestoreArgs),
    /// Look the data folder over and say what to mend
    Doctor(commands::doctor::DoctorArgs),
    /// Run the web tool for a club
    Serve(commands::serve::ServeArgs),
}

fn main() -> ExitCode {
    match Cli::parse().command {
        Command::Measure(args) => commands::measure::run(args),
        Command::Barrels(args) => commands::barrels::run(args),
        Command::Peephole(args) => commands::peephole::run(args),
        Command::Due(args) => commands::due::run(args),
        Command::Condition(args) => commands::logbook::condition(args),
        Command::Lend(args) => commands::lending::lend(args),
        Command::Return(args) => commands::lending::return_loan(args),
        Command::Journey(args) => commands::logbook::journey(args),
        Command::Problem(args) => commands::logbook::problem(args),
        Command::StarTest(args) => commands::star_test::star_test(args),
        Command::Work(args) => commands::logbook::work(args),
        Command::Move(args) => commands::logbook::move_to(args),
        Command::People(command) => commands::people::run(command),
        Command::Import(args) => commands::intake::run(args),
        Command::Export(args) => commands::export::run(args),
        Command::Backup(args) => commands::backup::backup(args),
        Command::Restore(args) => commands::backup::restore(args),
        Command::Doctor(args) => commands::doctor::run(args),
        Command::Serve(args) => commands::serve::run(args),
    }
}
