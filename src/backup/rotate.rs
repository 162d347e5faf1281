//! Names of backups made on a schedule, and which of them stay.

use std::path::{Path, PathBuf};

use chrono::{DateTime, NaiveDateTime, Utc};

use super::{Result, at};

const PREFIX: &str = "tubewright-";
const SUFFIX: &str = ".tar.gz";
const STAMP: &str = "%Y%m%dT%H%M%SZ";

/// The name of a backup made at this instant: `tubewright-20261125T203000Z.tar.gz`.
pub fn file_name(made_at: DateTime<Utc>) -> String {
    format!("{PREFIX}{}{SUFFIX}", made_at.format(STAMP))
}

/// When a file of this name was made; `None` for any other name.
fn made_at(name: &str) -> Option<NaiveDateTime> {
    let stamp = name.strip_prefix(PREFIX)?.strip_suffix(SUFFIX)?;
    NaiveDateTime::parse_from_str(stamp, STAMP).ok()
}

/// The backups of a folder with the instants they were made at, oldest first.
fn listed(folder: &Path) -> Result<Vec<(NaiveDateTime, PathBuf)>> {
    let mut ours = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(at(folder))? {
        let path = entry.map_err(at(folder))?.path();
        let name = path.file_name().and_then(|n| n.to_str());
        if let Some(made) = name.and_then(made_at)
            && path.is_file()
        {
            ours.push((made, path));
        }
    }
    ours.sort();
    Ok(ours)
}

/// When the newest backup of a folder was made; `None` where there is none.
///
/// # Errors
/// When the folder is there and cannot be read.
pub fn newest(folder: &Path) -> Result<Option<DateTime<Utc>>> {
    if !folder.exists() {
        return Ok(None);
    }
    Ok(listed(folder)?.last().map(|(made, _)| made.and_utc()))
}

/// Removes all but the newest backups of a folder and says which went. Files
/// that are not named as [`file_name`] names them are left alone.
///
/// # Errors
/// When the folder cannot be read or a file not be removed.
pub fn keep_newest(folder: &Path, keep: usize) -> Result<Vec<PathBuf>> {
    let mut ours = listed(folder)?;
    let surplus = ours.len().saturating_sub(keep.max(1));
    let gone: Vec<PathBuf> = ours.drain(..surplus).map(|(_, path)| path).collect();
    for path in &gone {
        std::fs::remove_file(path).map_err(at(path))?;
    }
    Ok(gone)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_newest_stay_and_strangers_are_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let day = |d: u32| {
            chrono::NaiveDate::from_ymd_opt(2026, 11, d)
                .unwrap()
                .and_hms_opt(3, 0, 0)
                .unwrap()
                .and_utc()
        };
        for d in [4, 1, 3, 2] {
            std::fs::write(folder.path().join(file_name(day(d))), "x").unwrap();
        }
        for other in ["tubewright-letter.tar.gz", "notes.txt"] {
            std::fs::write(folder.path().join(other), "x").unwrap();
        }
        let gone = keep_newest(folder.path(), 2).unwrap();
        assert_eq!(gone.len(), 2);
        let mut left: Vec<String> = std::fs::read_dir(folder.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        left.sort();
        assert_eq!(
            left,
            [
                "notes.txt",
                "tubewright-20261103T030000Z.tar.gz",
                "tubewright-20261104T030000Z.tar.gz",
                "tubewright-letter.tar.gz"
            ]
        );
        // Never all of them.
        assert_eq!(keep_newest(folder.path(), 0).unwrap().len(), 1);
    }
}
