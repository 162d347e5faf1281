//! The whole club taken away by its coordinator and read into an empty folder.

use std::path::PathBuf;

use serde_json::json;
use tubewright::library::Library;

use super::acts::PHRASE;
use crate::club::Club;
use crate::own_time::OwnTime;
use crate::rows::{all_rows, assert_same};
use crate::visitor::Visitor;

/// The archive that the coordinator saves makes the same club again, row by row.
pub async fn comes_back_the_same(club: &Club, time: &OwnTime, maribel: &Visitor) {
    let held = all_rows(time.library()).await;
    for table in [
        "people",
        "loans",
        "missing_kit",
        "reports",
        "jobs",
        "messages",
        "renewals",
    ] {
        assert!(!held[table].is_empty(), "{table} is empty after the month");
    }
    let archive = saves_the_archive(club, maribel).await;
    let archive = archive.to_str().unwrap();
    let said = tokio::task::block_in_place(|| club.command_on("again", &["import", archive]));
    for coordinator in ["Maribel Oakes: /welcome/", "Ingeborg Sørland: /welcome/"] {
        assert!(said.contains(coordinator), "{said}");
    }
    let again = Library::open(&club.folder().join("again")).await.unwrap();
    assert_same(&held, &all_rows(&again).await, "the club read back");
    again.close().await;
}

async fn saves_the_archive(club: &Club, maribel: &Visitor) -> PathBuf {
    let params = json!({ "behavior": "allow", "downloadPath": club.folder() });
    maribel
        .devtools("Browser.setDownloadBehavior", params)
        .await;
    maribel.open("/club/export").await;
    maribel.photograph("take-away").await;
    maribel.press("Save the archive").await;
    maribel.fill("Your password", PHRASE).await;
    maribel.press("Continue").await;
    // Under its name once it is whole.
    let archive = club.folder().join("club-2026-04-10.zip");
    maribel
        .wait_until("the archive", || async { archive.exists() })
        .await;
    archive
}
