//! Making a backup.

use std::io::Write;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use flate2::Compression;
use flate2::write::GzEncoder;

use super::{
    Error, KIND, LAYOUT, Listed, MANIFEST, Manifest, Recipient, Result, at, digest, file_name,
    kept, private, seal,
};
use library::{Checked, DATABASE_FILE, Library, copy_of};

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

/// Writes all of a club's data into a new file of a folder, named by its number and
/// the instant; see [`make`].
///
/// # Errors
/// As [`make`].
pub async fn make_into(
    library: &Library,
    folder: &Path,
    now: DateTime<Utc>,
    recipient: Option<&Recipient>,
) -> Result<Made> {
    let name = file_name(kept::next_number(folder)?, now, recipient.is_some());
    make(library, &folder.join(name), now, recipient).await
}

/// Writes all of a club's data into one new file that only its owner may read,
/// encrypted where there is a recipient. The tool may run meanwhile: readers and the
/// writer go on.
///
/// # Errors
/// Refused when the file exists already; otherwise when something cannot be
/// read or written. A file that is not whole is not left behind.
pub async fn make(
    library: &Library,
    to: &Path,
    now: DateTime<Utc>,
    recipient: Option<&Recipient>,
) -> Result<Made> {
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
    private::folder(beside).map_err(at(beside))?;
    let room = tempfile::Builder::new()
        .prefix(".tubewright-backup-")
        .tempdir_in(beside)
        .map_err(at(beside))?;
    let holds = gather(library, room.path()).await?;
    let count = holds.waiting.len();
    let number = kept::next_number(beside)?;
    let (place, target, recipient) = (room.path().to_owned(), to.to_owned(), recipient.cloned());
    let bytes = tokio::task::spawn_blocking(move || {
        let manifest = manifest(&place, holds, number, now)?;
        pack(&place, &manifest, &target, recipient.as_ref())
    })
    .await??;
    Ok(Made {
        path: to.to_owned(),
        bytes,
        waiting: count,
    })
}

/// Copies frames and database into `room` so that they agree; what the
/// database's copy holds.
async fn gather(library: &Library, room: &Path) -> Result<Checked> {
    for _ in 0..TRIES {
        let (from, to) = (library.folder().join("frames"), room.join("frames"));
        let frames = to.clone();
        tokio::task::spawn_blocking(move || copy_frames(&from, &to)).await??;
        let database = room.join(DATABASE_FILE);
        if database.exists() {
            std::fs::remove_file(&database).map_err(at(&database))?;
        }
        let holds = copy_of(library, &database).await?;
        if holds
            .waiting
            .iter()
            .all(|id| frames.join(id.to_string()).is_dir())
        {
            return Ok(holds);
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

/// The list of what was gathered.
fn manifest(room: &Path, holds: Checked, number: u64, now: DateTime<Utc>) -> Result<Manifest> {
    let mut files = vec![listed(room, DATABASE_FILE.to_owned())?];
    for id in &holds.waiting {
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
    Ok(Manifest {
        kind: KIND.to_owned(),
        layout: LAYOUT,
        made_by: env!("CARGO_PKG_VERSION").to_owned(),
        made_at: now,
        number,
        rows: holds.rows,
        files,
    })
}

/// Packs what was gathered; the file appears under its name only once it is
/// whole and on the disk.
fn pack(room: &Path, manifest: &Manifest, to: &Path, recipient: Option<&Recipient>) -> Result<u64> {
    let part = room.join("archive");
    private::file(&part)
        .and_then(|file| seal::write(file, recipient, |out| write_archive(room, manifest, out)))
        .map_err(at(&part))?;
    let bytes = std::fs::metadata(&part).map_err(at(&part))?.len();
    // Fails where the name has been taken meanwhile; nothing is overwritten.
    std::fs::hard_link(&part, to)
        .or_else(|_| {
            let mut new = private::file(to)?;
            std::io::copy(&mut std::fs::File::open(&part)?, &mut new)?;
            new.sync_all()
        })
        .map_err(at(to))?;
    if recipient.is_some() {
        seal::note_sum(to)?;
    }
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

fn write_archive(room: &Path, manifest: &Manifest, out: &mut dyn Write) -> std::io::Result<()> {
    let mut archive = tar::Builder::new(GzEncoder::new(out, Compression::new(6)));
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
    archive.into_inner()?.finish()?.flush()
}
