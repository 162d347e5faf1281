//! Checking a backup, and putting it into an empty folder.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Component, Path, PathBuf};

use chrono::{DateTime, Utc};
use flate2::read::GzDecoder;

use super::{
    Error, KIND, Key, LAYOUT, LONGEST_MANIFEST, MANIFEST, Manifest, Result, at, digest, private,
    seal,
};
use library::{Checked, DATABASE_FILE, check_copy};

/// A backup that was checked, and perhaps put back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Restored {
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// The tool's version that made it.
    pub made_by: String,
    /// Its number; 0 where it was made before there were numbers.
    pub number: u64,
    /// How many files are in it.
    pub files: usize,
    /// The rows each table had when it was made; none in those made before they were counted.
    pub noted_rows: BTreeMap<String, i64>,
    /// What the database in it holds.
    pub holds: Checked,
}

/// Reads a backup whole and says what is in it.
///
/// # Errors
/// [`Error::Damaged`] when anything in it is not as it was written;
/// [`Error::Refused`] where it is encrypted and the key is missing or another's.
pub async fn check(archive: &Path, key: Option<&Key>) -> Result<Restored> {
    let room = tempfile::tempdir().map_err(at(&std::env::temp_dir()))?;
    unpacked(archive, room.path(), key).await
}

/// Puts a backup into a folder that is empty or missing. All of it is unpacked
/// beside the folder and checked before the folder is touched.
///
/// # Errors
/// [`Error::Damaged`] when anything in the backup is not as it was written,
/// [`Error::Refused`] when the folder is not empty; it is as before then.
pub async fn restore(archive: &Path, folder: &Path, key: Option<&Key>) -> Result<Restored> {
    refuse_a_full_folder(folder)?;
    let beside = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    private::folder(beside).map_err(at(beside))?;
    let room = tempfile::Builder::new()
        .prefix(".tubewright-restore-")
        .tempdir_in(beside)
        .map_err(at(beside))?;
    let restored = unpacked(archive, room.path(), key).await?;
    refuse_a_full_folder(folder)?;
    if folder.exists() {
        // Into the folder that is there: its owner and rights are its own.
        for entry in std::fs::read_dir(room.path()).map_err(at(room.path()))? {
            let entry = entry.map_err(at(room.path()))?;
            let to = folder.join(entry.file_name());
            std::fs::rename(entry.path(), &to).map_err(at(&to))?;
        }
    } else {
        let whole = room.keep();
        std::fs::rename(&whole, folder).map_err(at(folder))?;
    }
    for made in [folder, beside] {
        std::fs::File::open(made)
            .and_then(|d| d.sync_all())
            .map_err(at(made))?;
    }
    Ok(restored)
}

fn refuse_a_full_folder(folder: &Path) -> Result<()> {
    match std::fs::read_dir(folder) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(e) => Err(at(folder)(e)),
        Ok(mut files) => match files.next() {
            None => Ok(()),
            Some(_) => Err(Error::Refused(format!(
                "{} is not empty. A backup goes into an empty or a new folder only; name one.",
                folder.display()
            ))),
        },
    }
}

async fn unpacked(archive: &Path, room: &Path, key: Option<&Key>) -> Result<Restored> {
    let (from, to, key) = (archive.to_owned(), room.to_owned(), key.cloned());
    let manifest = tokio::task::spawn_blocking(move || unpack(&from, &to, key.as_ref())).await??;
    let holds = check_copy(&room.join(DATABASE_FILE))
        .await
        .map_err(|e| match e {
            library::Error::Refused(why) => Error::Damaged(format!("the database in it: {why}")),
            other => other.into(),
        })?;
    if let Some(id) = holds
        .waiting
        .iter()
        .find(|id| !room.join("frames").join(id.to_string()).is_dir())
    {
        return Err(Error::Damaged(format!(
            "the frames of try {id}, which waits to be measured, are not in it."
        )));
    }
    Ok(Restored {
        made_at: manifest.made_at,
        made_by: manifest.made_by,
        number: manifest.number,
        files: manifest.files.len(),
        noted_rows: manifest.rows,
        holds,
    })
}

type Packed = tar::Archive<GzDecoder<Box<dyn Read>>>;

fn spoilt(archive: &Path, what: &str) -> Error {
    Error::Damaged(format!("{}: {what}", archive.display()))
}

fn packed(archive: &Path, key: Option<&Key>) -> Result<Packed> {
    Ok(tar::Archive::new(GzDecoder::new(seal::open(archive, key)?)))
}

/// What a backup that is not encrypted says of itself; no more of it is read.
pub(crate) fn manifest_of(archive: &Path) -> Result<Manifest> {
    let mut tar = packed(archive, None)?;
    let mut entries = tar.entries().map_err(at(archive))?;
    read_manifest(archive, &mut entries)
}

fn read_manifest<R: Read>(archive: &Path, entries: &mut tar::Entries<'_, R>) -> Result<Manifest> {
    let spoilt = |what: &str| spoilt(archive, what);
    let entry = entries
        .next()
        .ok_or_else(|| spoilt("it is empty."))?
        .map_err(|e| spoilt(&format!("it cannot be read whole ({e}).")))?;
    let is_ours = entry.path().is_ok_and(|p| p == Path::new(MANIFEST));
    if !is_ours || entry.size() > LONGEST_MANIFEST {
        return Err(spoilt("it is not a backup of this tool."));
    }
    let manifest = serde_json::from_reader::<_, Manifest>(entry.take(LONGEST_MANIFEST))
        .map_err(|e| spoilt(&format!("its list of files cannot be read ({e}).")))?;
    if manifest.kind != KIND {
        return Err(spoilt("it is not a backup of this tool."));
    }
    if manifest.layout > LAYOUT {
        return Err(spoilt(
            "a newer version of this tool made it. Restore it with that version.",
        ));
    }
    Ok(manifest)
}

fn unpack(archive: &Path, room: &Path, key: Option<&Key>) -> Result<Manifest> {
    let mut tar = packed(archive, key)?;
    let spoilt = |what: &str| spoilt(archive, what);
    let unreadable = |e: std::io::Error| spoilt(&format!("it cannot be read whole ({e})."));
    let mut entries = tar.entries().map_err(unreadable)?;
    let manifest = read_manifest(archive, &mut entries)?;
    for listed in &manifest.files {
        let mut entry = entries
            .next()
            .ok_or_else(|| spoilt(&format!("it ends before {}.", listed.path)))?
            .map_err(unreadable)?;
        let named = entry.path().is_ok_and(|p| p == Path::new(&listed.path));
        let plain = entry.header().entry_type().is_file();
        let Some(to) = inside(room, &listed.path).filter(|_| named && plain) else {
            return Err(spoilt(&format!(
                "where {} should be stands something else.",
                listed.path
            )));
        };
        if let Some(parent) = to.parent() {
            std::fs::create_dir_all(parent).map_err(at(parent))?;
        }
        let mut new = private::file(&to).map_err(at(&to))?;
        // One byte more than listed would be seen, and no more is written.
        let read =
            digest(&mut entry.by_ref().take(listed.bytes + 1), &mut new).map_err(unreadable)?;
        new.sync_all().map_err(at(&to))?;
        if read.bytes != listed.bytes || read.sha256 != listed.sha256 {
            return Err(spoilt(&format!(
                "{} is not as it was written.",
                listed.path
            )));
        }
    }
    if entries.next().is_some() {
        return Err(spoilt("it holds more than its list says."));
    }
    // To the end, so that the archive's own checksum is checked too.
    let mut rest = tar.into_inner();
    std::io::copy(&mut rest, &mut std::io::sink()).map_err(unreadable)?;
    if !manifest.files.iter().any(|f| f.path == DATABASE_FILE) {
        return Err(spoilt("there is no database in it."));
    }
    Ok(manifest)
}

/// Where a listed path lies in the room: the database, or a file of a try.
fn inside(room: &Path, listed: &str) -> Option<PathBuf> {
    let parts: Option<Vec<&str>> = Path::new(listed)
        .components()
        .map(|c| match c {
            Component::Normal(part) => part.to_str(),
            _ => None,
        })
        .collect();
    match parts?.as_slice() {
        [file] if *file == DATABASE_FILE => Some(room.join(file)),
        ["frames", attempt, file] => {
            let id: library::AttemptId = attempt.parse().ok()?;
            Some(room.join("frames").join(id.to_string()).join(file))
        }
        _ => None,
    }
}
