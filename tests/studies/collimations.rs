//! Simulated collimation sessions, led by the tool and by the plain rule of thumb:
//!
//!     cargo run --release -p tubewright-bench --example collimations -- --seed 1 --count 500
//!
//! Any seed and count; `--json` prints every session. `--world mild` for the kinder
//! world. `--corners 50` for so many with a Ritchey-Chretien whose primary leans as
//! well (mild world). `--nights` plays every instrument on two nights. `--rendered
//! 36` leads so many with frames that are drawn and measured, in place of the error
//! model. What is in the tables: `README.md`.
#![allow(clippy::expect_used, clippy::unwrap_used)]

mod corners;
mod hands;
mod play;
mod rendered;
mod report;
mod truth;
mod world;

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
    /// The number of the first.
    #[arg(long, default_value_t = 0)]
    from: usize,
    /// Which world: harsh or mild.
    #[arg(long, default_value = "harsh")]
    world: String,
    /// The first adjustment at the star is made the wrong way in every session.
    #[arg(long)]
    wrong_first: bool,
    /// How many collimation sessions with both mirrors of a Ritchey-Chretien.
    #[arg(long, default_value_t = 0)]
    corners: usize,
    /// So many collimation sessions with frames that are drawn and measured, and no others.
    #[arg(long)]
    rendered: Option<usize>,
    /// Every instrument on two nights, by the tool alone.
    #[arg(long)]
    nights: bool,
    /// The tool alone, without the rule of thumb.
    #[arg(long)]
    tool: bool,
    /// Print every collimation session as JSON instead of the table.
    #[arg(long)]
    json: bool,
}

fn main() {
    let asked = Asked::parse();
    let world = world::World {
        wrong_first: asked.wrong_first,
        ..world::by_name(&asked.world).expect("--world harsh or --world mild")
    };
    let print = |what: &str, rows: serde_json::Value| {
        let all = serde_json::json!({
            "seed": asked.seed, "world": world.name, "threshold_waves": THRESHOLD, what: rows,
        });
        println!(
            "{}",
            serde_json::to_string_pretty(&all).expect("plain data")
        );
    };
    println!("World {}, seed {}.\n", world.name, asked.seed);
    if let Some(count) = asked.rendered {
        let rows: Vec<Outcome> = (0..count)
            .map(|i| play::measured(world, asked.seed, i))
            .collect();
        if asked.json {
            return print("collimations", serde_json::json!(rows));
        }
        return report::by_design(&[("the tool", rows)]);
    }
    if asked.nights {
        let nights: Vec<[Outcome; 3]> = (0..asked.count)
            .map(|i| play::two_nights(world, asked.seed, i))
            .collect();
        return report::nights(&nights);
    }
    let led = |i| play::led(world, asked.seed, asked.from + i);
    if asked.tool {
        let rows: Vec<Outcome> = (0..asked.count).map(led).collect();
        if asked.json {
            return print("collimations", serde_json::json!(rows));
        }
        report::coverage(&rows);
        report::by_wrong_turn(&rows);
        return report::by_design(&[("the tool", rows)]);
    }
    let pairs: Vec<Pair> = (0..asked.count)
        .map(|i| collimation(world, asked.seed, asked.from + i))
        .collect();
    let corners: Vec<corners::Outcome> = (0..asked.corners)
        .map(|i| corners::collimation(asked.seed, i))
        .collect();
    if asked.json {
        let rows: Vec<_> = pairs
            .iter()
            .map(|p| serde_json::json!({ "led": p.led, "rule_of_thumb": p.rule, "in_quarters": p.quarters }))
            .collect();
        return print(
            "sessions",
            serde_json::json!({ "one_element": rows, "both_mirrors": corners }),
        );
    }
    let of = |which: fn(&Pair) -> &Outcome| pairs.iter().map(|p| which(p).clone()).collect();
    let tool: Vec<Outcome> = of(|p| &p.led);
    report::coverage(&tool);
    report::by_design(&[
        ("the tool", tool),
        ("rule of thumb", of(|p| &p.rule)),
        ("in quarters", of(|p| &p.quarters)),
    ]);
    report::both_mirrors(&corners);
}
