//! A few rounds of `tests/studies/faults.rs`: the server killed under
//! concurrent writes. Hundreds are run by hand.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/killing/mod.rs"]
mod killing;

use std::path::Path;

#[tokio::test(flavor = "multi_thread")]
async fn what_was_acknowledged_outlives_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let plan = killing::Plan {
        rounds: 6,
        seed: 3,
        writers: 4,
        longest_ms: 400,
    };
    let binary = Path::new(env!("CARGO_BIN_EXE_tubewright"));
    let tally = killing::run(binary, &folder.path().join("club"), plan).await;
    assert!(tally.is_clean(), "{tally:?}");
    assert!(tally.acknowledged > 20, "{tally:?}");
    assert!(tally.unanswered > 0, "{tally:?}");
}
