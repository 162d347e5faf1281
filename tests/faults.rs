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
    let tally = killing::run(binary, &folder.path().join("club"), plan, None).await;
    assert!(tally.is_clean(), "{tally:?}");
    assert!(tally.acknowledged > 20, "{tally:?}");
    assert!(tally.unanswered > 0, "{tally:?}");
}

/// A power cut takes back what the disk was not told to keep: nothing acknowledged is
/// among it.
#[cfg(target_os = "linux")]
#[tokio::test(flavor = "multi_thread")]
async fn what_was_acknowledged_outlives_a_power_cut() {
    let folder = tempfile::tempdir().unwrap();
    let plan = killing::Plan {
        rounds: 6,
        seed: 5,
        writers: 4,
        longest_ms: 400,
    };
    let binary = Path::new(env!("CARGO_BIN_EXE_tubewright"));
    let disk = killing::disk::Disk::new(killing::disk::Trick::PowerCut, folder.path());
    let tally = killing::run(binary, &folder.path().join("club"), plan, Some(&disk)).await;
    assert!(tally.is_clean(), "{tally:?}");
    assert!(tally.acknowledged > 20, "{tally:?}");
    assert!(tally.taken_back > 0, "the cut took nothing back: {tally:?}");
}

/// Acts of the disk that fail are told in words, and cost nothing that was
/// acknowledged before or after.
#[cfg(target_os = "linux")]
#[tokio::test(flavor = "multi_thread")]
async fn a_disk_that_fails_is_told_in_words() {
    use killing::disk::Trick;
    let binary = Path::new(env!("CARGO_BIN_EXE_tubewright"));
    for (seed, trick) in (11..).zip([
        Trick::Enospc,
        Trick::Short,
        Trick::Write,
        Trick::Sync,
        Trick::Read,
    ]) {
        let folder = tempfile::tempdir().unwrap();
        let plan = killing::Plan {
            rounds: 4,
            seed,
            writers: 4,
            longest_ms: 600,
        };
        let disk = killing::disk::Disk::new(trick, folder.path());
        let tally = killing::run(binary, &folder.path().join("club"), plan, Some(&disk)).await;
        assert!(tally.is_clean(), "{trick:?}: {tally:?}");
        assert!(
            tally.refused > 0 || trick == Trick::Read,
            "{trick:?} failed nothing: {tally:?}"
        );
    }
}
