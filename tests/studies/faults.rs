//! Kills the server again and again under concurrent writes and counts what is
//! lost, done twice or done by half:
//!
//!     cargo run --release --example faults -- --rounds 300 --seed 7
//!
//! `--disk power-cut` takes back at each kill what had not been synced; `--disk enospc`
//! and the others have acts of the disk fail (Linux, with a C compiler).
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod killing;

use clap::Parser;

/// The server killed at random moments; what is left is counted.
#[derive(Debug, Parser)]
struct Args {
    /// How often the server is killed
    #[arg(long, default_value_t = 300)]
    rounds: usize,
    /// Where chance begins
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How many write at once
    #[arg(long, default_value_t = 8)]
    writers: usize,
    /// The longest a round lives, milliseconds
    #[arg(long, default_value_t = 400)]
    longest_ms: u64,
    /// The program to kill; the one built beside this study when left out
    #[arg(long)]
    binary: Option<std::path::PathBuf>,
    /// The disk plays this trick
    #[arg(long, value_enum)]
    disk: Option<killing::disk::Trick>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[tokio::main]
async fn main() -> std::process::ExitCode {
    let args = Args::parse();
    let binary = args.binary.unwrap_or_else(|| {
        let own = std::env::current_exe().unwrap();
        own.parent().unwrap().parent().unwrap().join("tubewright")
    });
    let folder = tempfile::tempdir().unwrap();
    let plan = killing::Plan {
        rounds: args.rounds,
        seed: args.seed,
        writers: args.writers,
        longest_ms: args.longest_ms,
    };
    let disk = args
        .disk
        .map(|trick| killing::disk::Disk::new(trick, folder.path()));
    let tally = killing::run(&binary, &folder.path().join("club"), plan, disk.as_ref()).await;
    if args.json {
        println!("{}", serde_json::to_string(&tally).unwrap());
    } else {
        println!(
            "{} rounds, {} writes acknowledged, {} unanswered ({} of them done all the same, {} sent again)\n\
             lost {}, done twice {}, done by half {}, unsound {}\n\
             the disk: {} unsynced writes taken back, {} requests refused in words ({} done all the same), {} with none",
            tally.rounds,
            tally.acknowledged,
            tally.unanswered,
            tally.done_unanswered,
            tally.sent_again,
            tally.lost,
            tally.twice,
            tally.halves,
            tally.unsound,
            tally.taken_back,
            tally.refused,
            tally.done_refused,
            tally.unplain
        );
    }
    if tally.is_clean() {
        std::process::ExitCode::SUCCESS
    } else {
        std::process::ExitCode::FAILURE
    }
}
