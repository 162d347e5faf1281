//! Making a backup.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use flate2::Compression;
use flate2::write::GzEncoder;

use super::{Error, KIND, LAYOUT, Listed, MANIFEST, Manifest, Result, at, digest};
use library::{AttemptId, DATABASE_FILE, Library, copy_of};

/// A backup that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// The file.
    pub path: PathBuf,
    /// Its length.
    pub bytes: u64,
    /// Sets of frames in it that wait to be measured.
    pub waiting: usize,
}

/// How often frames and database are copied again because they disagreed.
const TRIES: usize = 5;

/// Writes all of a club's data into one new file. The tool may run meanwhile:
/// readers and the writer go on.
///
/// # Errors
/// Refused when the file exists already; otherwise when something cannot be
/// read or written. A file that is not whole is not left behind.
pub async fn make(library: &Library, to: &Path, now: DateTime<Utc>) -> Result<Made> {
    if to.exists() {
        return Err(Error::Refused(format!(
            "{} exists already; name another file.",
            to.display()
        )));
    }
    let beside = match to.parent() {
        Some(parent) if parent.as_os_str().is_empty() => Path::new("."),
        Some(parent) => parent,
        None => return Err(Error::Refused("name a file.".to_owned())),
    };
    std::fs::create_dir_all(beside).map_err(at(beside))?;
    let room = tempfile::Builder::new()
        .prefix(".tubewright-backup-")
        .tempdir_in(beside)
        .map_err(at(beside))?;
    let waiting = gather(library, room.path()).await?;
    let count = waiting.len();
    let (place, target) = (room.path().to_owned(), to.to_owned());
    let bytes = tokio::task::spawn_blocking(move || pack(&place, &waiting, &target, now)).await??;
    Ok(Made {
        path: to.to_owned(),
        bytes,
        waiting: count,
    })
}

/// Copies frames and database into `room` so that they agree; the sets of
/// frames that the database's copy says are waiting.
async fn gather(library: &Library, room: &Path) -> Result<Vec<AttemptId>> {
    for _ in 0..TRIES {
        let (from, to) = (library.folder().join("frames"), room.join("frames"));
        let frames = to.clone();
        tokio::task::spawn_blocking(move || copy_frames(&from, &to)).await??;
        let database = room.join(DATABASE_FILE);
        if database.exists() {
            std::fs::remove_file(&database).map_err(at(&database))?;
        }
        let waiting = copy_of(library, &database).await?.waiting;
        if waiting
            .iter()
            .all(|id| frames.join(id.to_string()).is_dir())
        {
            return Ok(waiting);
        }
    }
    Err(Error::Refused(
        "frames came and went faster than they could be copied; try again in a minute.".to_owned(),
    ))
}

/// Copies what lies in the folders of tries; a file that is gone by then was
/// measured meanwhile and needs no copy.
fn copy_frames(from: &Path, to: &Path) -> Result<()> {
    if to.exists() {
        std::fs::remove_dir_all(to).map_err(at(to))?;
    }
    std::fs::create_dir_all(to).map_err(at(to))?;
    let gone = |e: &std::io::Error| e.kind() == std::io::ErrorKind::NotFound;
    let folders = match std::fs::read_dir(from) {
        Ok(folders) => folders,
        Err(e) if gone(&e) => return Ok(()),
        Err(e) => return Err(at(from)(e)),
    };
    for folder in folders {
        let folder = folder.map_err(at(from))?.path();
        let Some(name) = folder.file_name().filter(|_| folder.is_dir()) else {
            continue;
        };
        let copy = to.join(name);
        let whole = (|| -> std::io::Result<()> {
            std::fs::create_dir(&copy)?;
            for file in std::fs::read_dir(&folder)? {
                let file = file?;
                std::fs::copy(file.path(), copy.join(file.file_name()))?;
            }
            Ok(())
        })();
        match whole {
            Ok(()) => {}
            Err(e) if gone(&e) => std::fs::remove_dir_all(&copy).map_err(at(&copy))?,
            Err(e) => return Err(at(&folder)(e)),
        }
    }
    Ok(())
}

/// Packs what was gathered; the file appears under its name only once it is
/// whole and on the disk.
fn pack(room: &Path, waiting: &[AttemptId], to: &Path, now: DateTime<Utc>) -> Result<u64> {
    let mut files = vec![listed(room, DATABASE_FILE.to_owned())?];
    for id in waiting {
        let folder = room.join("frames").join(id.to_string());
        let mut names = Vec::new();
        for file in std::fs::read_dir(&folder).map_err(at(&folder))? {
            names.push(file.map_err(at(&folder))?.file_name());
        }
        names.sort();
        for name in names {
            files.push(listed(
                room,
                format!("frames/{id}/{}", name.to_string_lossy()),
            )?);
        }
    }
    let manifest = Manifest {
        kind: KIND.to_owned(),
        layout: LAYOUT,
        made_by: env!("CARGO_PKG_VERSION").to_owned(),
        made_at: now,
        files,
    };
    let part = room.join("archive");
    write_archive(room, &manifest, &part).map_err(at(&part))?;
    let bytes = std::fs::metadata(&part).map_err(at(&part))?.len();
    // Fails where the name has been taken meanwhile; nothing is overwritten.
    std::fs::hard_link(&part, to)
        .or_else(|_| {
            let mut new = std::fs::File::create_new(to)?;
            std::io::copy(&mut std::fs::File::open(&part)?, &mut new)?;
            new.sync_all()
        })
        .map_err(at(to))?;
    if let Some(parent) = to.parent().filter(|p| !p.as_os_str().is_empty()) {
        std::fs::File::open(parent)
            .and_then(|d| d.sync_all())
            .map_err(at(parent))?;
    }
    Ok(bytes)
}

fn listed(room: &Path, path: String) -> Result<Listed> {
    let file = room.join(&path);
    let mut open = std::fs::File::open(&file).map_err(at(&file))?;
    let listed = digest(&mut open, std::io::sink()).map_err(at(&file))?;
    Ok(Listed { path, ..listed })
}

fn write_archive(room: &Path, manifest: &Manifest, part: &Path) -> std::io::Result<()> {
    let file = std::fs::File::create_new(part)?;
    let mut archive = tar::Builder::new(GzEncoder::new(file, Compression::new(6)));
    let text = serde_json::to_vec_pretty(manifest)?;
    let made = u64::try_from(manifest.made_at.timestamp()).unwrap_or(0);
    let mut add = |path: &str, bytes: u64, from: &mut dyn std::io::Read| {
        let mut header = tar::Header::new_gnu();
        header.set_size(bytes);
        header.set_mode(0o600);
        header.set_mtime(made);
        archive.append_data(&mut header, path, from)
    };
    add(MANIFEST, text.len() as u64, &mut text.as_slice())?;
    for one in &manifest.files {
        let mut from = std::fs::File::open(room.join(&one.path))?;
        add(&one.path, one.bytes, &mut from)?;
    }
    let mut file = archive.into_inner()?.finish()?;
    file.flush()?;
    file.sync_all()
}
