//! Backups: the whole club in one file, made while the tool runs, and put back
//! only after every byte of it has been checked.
//!
//! The file is a tar archive, gzipped, and encrypted to a public key where one is
//! named (`seal`), so that it can be opened without this tool. In it, in this order:
//!
//! 1. `manifest.json`: what made it, when, its number, the rows of each table, and
//!    of each further file its length and SHA-256;
//! 2. `tubewright.db`: the database as it stood at one instant (SQLite's
//!    `VACUUM INTO`), photos and pictures of stars included;
//! 3. `frames/<attempt>/<file>`: frames that still wait to be measured.
//!
//! Frames come and go while the tool runs. They are copied before the database
//! is; whatever the database's copy says is waiting must be among them, else
//! both are copied again.

#![forbid(unsafe_code)]

mod drill;
mod kept;
mod make;
mod private;
mod restore;
mod schedule;
mod seal;

pub use drill::{Drill, drill, last_drill, note_drill};
pub use kept::{Found, Keep, Tidied, file_name, list, reasons, tidy};
pub use make::{Made, make, make_into};
pub use private::open_to_others;
pub use restore::{Restored, check, restore};
pub use schedule::{Schedule, run};
pub use seal::{Key, Recipient};

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::{DateTime, Utc};

/// The kind of file a manifest says it belongs to.
const KIND: &str = "tubewright backup";
/// The layout of the archive described above.
const LAYOUT: u32 = 1;
const MANIFEST: &str = "manifest.json";
/// A manifest is small; a longer one is none of ours.
const LONGEST_MANIFEST: u64 = 64 << 20;

/// Why a backup was not made, or not returned.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The archive cannot be trusted; nothing was touched.
    #[error("{0}")]
    Damaged(String),
    /// It cannot be done here; the text says why and what to do.
    #[error("{0}")]
    Refused(String),
    /// The club's data could not be read.
    #[error(transparent)]
    Library(#[from] library::Error),
    /// A file could not be read or written.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Work on another thread broke off.
    #[error("the backup broke off: {0}")]
    BrokeOff(#[from] tokio::task::JoinError),
}

/// Shorthand.
pub type Result<T> = std::result::Result<T, Error>;

fn at(path: &std::path::Path) -> impl FnOnce(std::io::Error) -> Error + '_ {
    move |source| Error::File {
        path: path.to_owned(),
        source,
    }
}

/// What an archive holds.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
struct Manifest {
    kind: String,
    layout: u32,
    /// The tool's version that made it.
    made_by: String,
    made_at: DateTime<Utc>,
    /// Grows with every backup of a folder; 0 in those made before there was one.
    #[serde(default)]
    number: u64,
    /// Rows of each table of the database in it.
    #[serde(default)]
    rows: BTreeMap<String, i64>,
    files: Vec<Listed>,
}

/// One file of an archive.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
struct Listed {
    /// Path inside the archive, with `/`.
    path: String,
    bytes: u64,
    /// Lower-case hexadecimal.
    sha256: String,
}

/// The SHA-256 of all that is read, and how much that is.
fn digest(reader: &mut impl std::io::Read, mut to: impl std::io::Write) -> std::io::Result<Listed> {
    use sha2::Digest;
    let mut hash = sha2::Sha256::new();
    let mut bytes = 0;
    let mut block = vec![0; 1 << 16];
    loop {
        let read = reader.read(&mut block)?;
        if read == 0 {
            break;
        }
        hash.update(&block[..read]);
        to.write_all(&block[..read])?;
        bytes += read as u64;
    }
    Ok(Listed {
        path: String::new(),
        bytes,
        sha256: library::hex(&hash.finalize()),
    })
}
