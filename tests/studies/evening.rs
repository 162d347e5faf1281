//! The club's busiest evening on one machine: a large club is made, its pages
//! are set beside the demo-sized club's, then people come.
//!
//!     cargo run --release --example evening -- --minutes 10 --seed 1
//!
//! Everything stays on this machine; the server and the people share its cores.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod crowd;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use clap::Parser;
use crowd::club::{self, Evening, Size};
use crowd::people::{self, Crowd, Seen, quantile};
use crowd::server::Server;

/// The busiest evening of a large club.
#[derive(Debug, Parser)]
struct Args {
    #[command(flatten)]
    size: Size,
    /// Where chance begins
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How long the evening lasts, minutes
    #[arg(long, default_value_t = 10.0)]
    minutes: f64,
    /// People who browse
    #[arg(long, default_value_t = 60)]
    browsing: usize,
    /// Volunteers who check in
    #[arg(long, default_value_t = 8)]
    checking_in: usize,
    /// Volunteers who send thirty frames at a time
    #[arg(long, default_value_t = 3)]
    uploading: usize,
    /// The mean pause between two pages of one person, seconds
    #[arg(long, default_value_t = 4.0)]
    pause_s: f64,
    /// How long each step of the rise lasts, seconds; 0 leaves the rise out
    #[arg(long, default_value_t = 30.0)]
    step_s: f64,
    /// How often each page is asked for alone
    #[arg(long, default_value_t = 20)]
    times: usize,
    /// The program under study; the one built beside this study when left out
    #[arg(long)]
    binary: Option<PathBuf>,
    /// A frame to upload
    #[arg(long, default_value = "tests/frames/sct-outside.fits.gz")]
    frame: PathBuf,
    /// Make the large club in this folder and keep it; taken up when it is there
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// One page: alone in a small club, alone in the large one, on the evening.
#[derive(Debug, serde::Serialize)]
struct PageRow {
    page: String,
    large_to_small: f64,
    evening_median_to_alone: f64,
    evening_p95_to_alone: f64,
    evening_p95_s: f64,
    asked: usize,
}

/// One step of the rise.
#[derive(Debug, serde::Serialize)]
struct Step {
    people: usize,
    pages_a_second: f64,
    median_to_alone: f64,
    p95_s: f64,
    errors: usize,
    server_cores: f64,
}

#[derive(Debug, serde::Serialize)]
struct Found {
    size: Size,
    crowd: Crowd,
    minutes: f64,
    requests: usize,
    errors: Vec<String>,
    pages: Vec<PageRow>,
    /// Forms of a check-in sent: how many, and how long until they were safely
    /// written, seconds.
    sent: usize,
    sent_median_s: f64,
    sent_p95_s: f64,
    /// The slowest answer of each kind, seconds.
    slowest_s: BTreeMap<String, f64>,
    sets_handed_in: usize,
    sets_measured: usize,
    sets_cancelled: usize,
    sets_turned_away: usize,
    set_median_s: f64,
    /// Resident memory through the evening, MiB, at ten even instants.
    memory_mib: Vec<f64>,
    rise: Vec<Step>,
}

#[tokio::main]
async fn main() -> std::process::ExitCode {
    let args = Args::parse();
    let binary = args.binary.clone().unwrap_or_else(|| {
        let own = std::env::current_exe().unwrap();
        own.parent().unwrap().parent().unwrap().join("tubewright")
    });
    let scratch = tempfile::tempdir().unwrap();
    let frame = Arc::new(std::fs::read(&args.frame).unwrap());

    let small = scratch.path().join("small");
    club::make(&small, Size::DEMO, args.seed).await;
    let people = Arc::new(club::sign_in(&small, args.browsing).await);
    let server = Server::start(&binary, &small);
    let alone_small = people::alone(server.address, &people, args.times).await;
    drop(server);

    let large = args
        .keep
        .clone()
        .unwrap_or_else(|| scratch.path().join("large"));
    let begun = Instant::now();
    if !large.join("tubewright.db").exists() {
        club::make(&large, args.size, args.seed).await;
        eprintln!(
            "the large club is made ({:.0} s)",
            begun.elapsed().as_secs_f64()
        );
    }
    let people = Arc::new(club::sign_in(&large, args.browsing.max(600)).await);
    let server = Server::start(&binary, &large);
    let alone = people::alone(server.address, &people, args.times).await;
    eprintln!("alone: {:.0} MiB", server.memory_mib());

    let crowd = Crowd {
        browsing: args.browsing,
        checking_in: args.checking_in,
        uploading: args.uploading,
        pause_s: args.pause_s,
    };
    let lasts = Duration::from_secs_f64(args.minutes * 60.0);
    let watch = async {
        let mut memory = vec![server.memory_mib()];
        for _ in 0..9 {
            tokio::time::sleep(lasts / 9).await;
            memory.push(server.memory_mib());
        }
        memory
    };
    let (seen, memory_mib) = tokio::join!(
        people::evening(server.address, &people, crowd, lasts, &frame, args.seed),
        watch
    );
    let rise = if args.step_s > 0.0 {
        rise(&server, &people, &alone, &frame, &args).await
    } else {
        Vec::new()
    };
    let sent = seen
        .times_s
        .get("check-in sent")
        .cloned()
        .unwrap_or_default();
    let found = Found {
        size: args.size,
        crowd,
        minutes: args.minutes,
        requests: seen.times_s.values().map(Vec::len).sum(),
        pages: rows(&alone_small, &alone, &seen),
        sent: sent.len(),
        sent_median_s: quantile(&sent, 0.5),
        sent_p95_s: quantile(&sent, 0.95),
        slowest_s: seen
            .times_s
            .iter()
            .map(|(kind, times)| (kind.to_string(), times.iter().copied().fold(0.0, f64::max)))
            .collect(),
        sets_handed_in: seen.handed_in,
        sets_measured: seen.measured,
        sets_cancelled: seen.cancelled,
        sets_turned_away: seen.turned_away,
        set_median_s: quantile(&seen.measured_after_s, 0.5),
        errors: seen.errors,
        memory_mib,
        rise,
    };
    if args.json {
        println!("{}", serde_json::to_string(&found).unwrap());
    } else {
        print(&found);
    }
    if found.errors.is_empty() {
        std::process::ExitCode::SUCCESS
    } else {
        std::process::ExitCode::FAILURE
    }
}

fn rows(small: &Seen, alone: &Seen, evening: &Seen) -> Vec<PageRow> {
    let none = Vec::new();
    alone
        .times_s
        .iter()
        .map(|(page, times)| {
            let base = quantile(times, 0.5);
            let busy = evening.times_s.get(page).unwrap_or(&none);
            PageRow {
                page: (*page).to_owned(),
                large_to_small: base / quantile(&small.times_s[page], 0.5),
                evening_median_to_alone: quantile(busy, 0.5) / base,
                evening_p95_to_alone: quantile(busy, 0.95) / base,
                evening_p95_s: quantile(busy, 0.95),
                asked: busy.len(),
            }
        })
        .collect()
}

/// Ever more people, without uploads, until the median page takes ten times as
/// long as alone or something goes wrong.
async fn rise(
    server: &Server,
    people: &Arc<Evening>,
    alone: &Seen,
    frame: &Arc<Vec<u8>>,
    args: &Args,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut count = 60;
    while count <= 4_000 {
        let crowd = Crowd {
            browsing: count,
            checking_in: 8,
            uploading: 0,
            pause_s: args.pause_s,
        };
        let lasts = Duration::from_secs_f64(args.step_s);
        let cpu = server.cpu_s();
        let begun = Instant::now();
        let seen = people::evening(
            server.address,
            people,
            crowd,
            lasts,
            frame,
            args.seed + count as u64,
        )
        .await;
        let took = begun.elapsed().as_secs_f64();
        let (mut ratios, mut times) = (Vec::new(), Vec::new());
        for (page, busy) in &seen.times_s {
            if let Some(base) = alone.times_s.get(page) {
                let base = quantile(base, 0.5);
                ratios.extend(busy.iter().map(|t| t / base));
                times.extend(busy);
            }
        }
        let step = Step {
            people: count,
            pages_a_second: times.len() as f64 / took,
            median_to_alone: quantile(&ratios, 0.5),
            p95_s: quantile(&times, 0.95),
            errors: seen.errors.len(),
            server_cores: (server.cpu_s() - cpu) / took,
        };
        eprintln!("{step:?}");
        let bent = step.median_to_alone > 10.0 || step.errors > 0;
        steps.push(step);
        if bent {
            break;
        }
        count = count * 3 / 2;
    }
    steps
}

fn print(found: &Found) {
    println!(
        "{} instruments, {} members, {} loans, {} entries\n",
        found.size.instruments, found.size.members, found.size.loans, found.size.entries
    );
    println!(
        "| page | large to small club, alone | evening to alone: median | 95 % | 95 %, seconds | asked |"
    );
    println!("|-|-|-|-|-|-|");
    for row in &found.pages {
        println!(
            "| {} | {:.1} | {:.1} | {:.1} | {:.2} | {} |",
            row.page,
            row.large_to_small,
            row.evening_median_to_alone,
            row.evening_p95_to_alone,
            row.evening_p95_s,
            row.asked
        );
    }
    println!(
        "\n{} people browsing, {} checking in, {} sending 30 frames at a time, {} minutes: {} requests, {} errors",
        found.crowd.browsing,
        found.crowd.checking_in,
        found.crowd.uploading,
        found.minutes,
        found.requests,
        found.errors.len()
    );
    println!(
        "forms sent: {}; safely written after {:.2} s (median), {:.2} s (95 %)",
        found.sent, found.sent_median_s, found.sent_p95_s
    );
    if let Some((kind, seconds)) = found.slowest_s.iter().max_by(|a, b| a.1.total_cmp(b.1)) {
        println!("the slowest answer: {kind}, {seconds:.2} s");
    }
    println!(
        "sets of 30 frames: {} handed in, {} measured, {} given up, {} turned away by the full queue; median {:.1} s to the end",
        found.sets_handed_in,
        found.sets_measured,
        found.sets_cancelled,
        found.sets_turned_away,
        found.set_median_s
    );
    let memory: Vec<String> = found.memory_mib.iter().map(|m| format!("{m:.0}")).collect();
    println!("memory, MiB: {}", memory.join(", "));
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for error in &found.errors {
        *kinds.entry(error).or_default() += 1;
    }
    for (error, times) in kinds.iter().take(20) {
        println!("error, {times} times: {error}");
    }
    if !found.rise.is_empty() {
        println!(
            "\n| people at once | pages a second | median to alone | 95 %, seconds | errors | cores the server took |"
        );
        println!("|-|-|-|-|-|-|");
        for step in &found.rise {
            println!(
                "| {} | {:.0} | {:.1} | {:.2} | {} | {:.2} |",
                step.people,
                step.pages_a_second,
                step.median_to_alone,
                step.p95_s,
                step.errors,
                step.server_cores
            );
        }
    }
}
