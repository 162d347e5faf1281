//! The restore drill: a backup put back into a scratch folder, opened as a server
//! would open it, and compared with what it says of itself.

use std::path::Path;

use chrono::{DateTime, Utc};

use super::{Error, Key, Result, at, private, restore};
use library::{Library, audit_log};

/// Where the last drill that went well is noted, beside the backups.
const NOTE: &str = "verified.json";

/// A drill that went well.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Drill {
    /// The backup's file name.
    pub file: String,
    /// Its number.
    pub number: u64,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// When it was put back.
    pub verified_at: DateTime<Utc>,
    /// Files in it, each with the hash it was written with.
    pub files: usize,
    /// Rows of all tables, as many as were counted when it was made.
    pub rows: i64,
}

/// Puts a backup into a scratch folder, opens the club in it as the server does
/// (its layout brought up to date), walks its audit log, and compares the rows of every
/// table with the numbers noted when it was made. The scratch folder is removed.
///
/// # Errors
/// [`Error::Damaged`] with what differs; [`Error::Refused`] where it is encrypted and
/// the key is missing or another's.
pub async fn drill(archive: &Path, key: Option<&Key>, now: DateTime<Utc>) -> Result<Drill> {
    let room = tempfile::Builder::new()
        .prefix("tubewright-drill-")
        .tempdir()
        .map_err(at(&std::env::temp_dir()))?;
    let folder = room.path().join("club");
    let restored = restore(archive, &folder, key).await?;
    let wrong = |what: String| Error::Damaged(format!("{}: {what}", archive.display()));
    // Backups made before rows were counted have none to compare.
    for (table, noted) in &restored.noted_rows {
        let held = restored.holds.rows.get(table).copied().unwrap_or(0);
        if held != *noted {
            return Err(wrong(format!(
                "{table} holds {held} rows and held {noted} when it was made."
            )));
        }
    }
    let library = Library::open(&folder).await?;
    let chain = {
        let mut conn = library.read().await?;
        audit_log::check(&mut conn).await
    };
    library.close().await;
    if let Some(number) = chain?.broken_at {
        return Err(wrong(format!(
            "row {number} of its audit log is not as it was written."
        )));
    }
    Ok(Drill {
        file: archive
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        number: restored.number,
        made_at: restored.made_at,
        verified_at: now,
        files: restored.files,
        rows: restored.holds.rows.values().sum(),
    })
}

/// Notes a drill that went well beside the backups.
///
/// # Errors
/// When it cannot be written.
pub fn note_drill(folder: &Path, drill: &Drill) -> Result<()> {
    let (note, part) = (folder.join(NOTE), folder.join(".verified.part"));
    let text = serde_json::to_vec_pretty(drill).unwrap_or_default();
    let _ = std::fs::remove_file(&part);
    private::file(&part)
        .and_then(|mut file| {
            std::io::Write::write_all(&mut file, &text)?;
            file.sync_all()?;
            std::fs::rename(&part, &note)
        })
        .map_err(at(&note))
}

/// The last drill of a folder that went well; `None` where there was none.
pub fn last_drill(folder: &Path) -> Option<Drill> {
    let text = std::fs::read(folder.join(NOTE)).ok()?;
    serde_json::from_slice(&text).ok()
}
