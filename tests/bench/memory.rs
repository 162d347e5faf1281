//! How much memory measuring takes, for 30, 300 and 2,000 frames of 640 x 480:
//!
//!     cargo run --release -p tubewright-startest --example memory
//!
//! Each count is measured by a process of its own, which asks the kernel for its
//! peak (Linux only). Frames are made one at a time and let go, as files are read.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "row.rs"]
mod row;

use startest::measure::{Unreadable, measure};
use std::ops::ControlFlow;

fn main() {
    if let Some(count) = std::env::args().nth(1) {
        let count: usize = count.parse().expect("a number of frames");
        let frames = row::frames(count).map(Ok::<_, Unreadable>);
        let outcome = measure(frames, &row::setup(), &mut |_| ControlFlow::Continue(()));
        let wave = outcome.report.wavefront.expect("measured");
        let status = std::fs::read_to_string("/proc/self/status").expect("Linux");
        let peak = status
            .lines()
            .find_map(|l| l.strip_prefix("VmHWM:"))
            .expect("a peak");
        println!(
            "{count} frames, {} used: coma {:.4} +- {:.4}, peak memory {}",
            outcome.report.frames.used,
            wave.coma_rms_waves,
            wave.coma_rms_waves_sigma,
            peak.trim()
        );
        return;
    }
    let own = std::env::current_exe().expect("a path");
    for count in [30, 300, 2000] {
        let done = std::process::Command::new(&own)
            .arg(count.to_string())
            .status()
            .expect("it starts");
        assert!(done.success());
    }
}
