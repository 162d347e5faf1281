//! A disk that plays tricks: the library of `tests/trust/disk/tricks.c`, built with
//! `cc` and preloaded into the server, and the power cut played on what it wrote down.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::OpenOptions;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::Command;

use rand::Rng;
use rand::rngs::StdRng;

/// What the disk does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Trick {
    /// When the power goes, all that was not synced may be gone, or half of it.
    PowerCut,
    /// No room (ENOSPC) from some write on.
    Enospc,
    /// Half of a write is done, then there is no room.
    Short,
    /// Writes fail (EIO).
    Write,
    /// Syncs fail (EIO).
    Sync,
    /// Reads fail (EIO).
    Read,
}

/// The library, built and ready.
pub struct Disk {
    pub trick: Trick,
    library: PathBuf,
    journal: PathBuf,
    armed: PathBuf,
}

impl Disk {
    /// Builds the library in `scratch`, which must not be the club's folder.
    pub fn new(trick: Trick, scratch: &Path) -> Self {
        let library = scratch.join("tricks.so");
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/trust/disk/tricks.c");
        let built = Command::new("cc")
            .args(["-O2", "-shared", "-fPIC", "-o"])
            .arg(&library)
            .arg(source)
            .args(["-ldl", "-lpthread"])
            .status()
            .expect("a C compiler");
        assert!(built.success(), "tricks.c could not be built");
        Self {
            trick,
            library,
            journal: scratch.join("journal"),
            armed: scratch.join("armed"),
        }
    }

    /// The environment of a server on this disk; chance says when it fails.
    pub fn environment(&self, folder: &Path, random: &mut StdRng) -> Vec<(&str, OsString)> {
        let _ = std::fs::remove_file(&self.journal);
        let _ = std::fs::remove_file(&self.armed);
        let mut all = vec![
            ("LD_PRELOAD", self.library.clone().into()),
            ("TRICKS_UNDER", folder.to_owned().into()),
        ];
        let kind = match self.trick {
            Trick::PowerCut => {
                all.push(("TRICKS_JOURNAL", self.journal.clone().into()));
                all.push(("TRICKS_SYNC_US", "4000".into()));
                return all;
            }
            Trick::Enospc => "enospc",
            Trick::Short => "short",
            Trick::Write => "write",
            Trick::Sync => "sync",
            Trick::Read => "read",
        };
        all.push(("TRICKS_FAIL", kind.into()));
        all.push(("TRICKS_ARMED", self.armed.clone().into()));
        let from: u32 = random.random_range(1..=40);
        let count: u32 = random.random_range(1..=12);
        all.push(("TRICKS_FROM", from.to_string().into()));
        all.push(("TRICKS_COUNT", count.to_string().into()));
        all
    }

    /// From now on it plays its trick.
    pub fn arm(&self) {
        std::fs::write(&self.armed, "").unwrap();
    }

    /// The power has gone: what had not been synced is taken back, all of it, none, or
    /// what chance says, writes torn at the 512 bytes of a sector. Tells how many
    /// writes were taken back or torn.
    pub fn cut(&self, random: &mut StdRng) -> usize {
        if self.trick != Trick::PowerCut {
            return 0;
        }
        let mut taken_back = 0;
        let records = read(&self.journal);
        let (pending, renames) = unsynced(&records);
        for (path, of_file) in pending {
            taken_back += of_file.settle(&path, random);
        }
        for (_, from, to) in renames.into_iter().rev() {
            // The name it had before may have been taken since.
            if random.random_bool(0.5) && !from.exists() && std::fs::rename(&to, &from).is_ok() {
                taken_back += 1;
            }
        }
        taken_back
    }
}

/// One line of the journal.
struct Record {
    kind: u8,
    path: PathBuf,
    other: PathBuf,
    place: u64,
    size: u64,
    old: Vec<u8>,
    now: Vec<u8>,
}

/// The journal; a last record that the kill cut short is left out.
fn read(journal: &Path) -> Vec<Record> {
    let bytes = std::fs::read(journal).unwrap_or_default();
    let mut rest = bytes.as_slice();
    let mut records = Vec::new();
    let take = |rest: &mut &[u8], n: usize| -> Option<Vec<u8>> {
        let (head, tail) = rest.split_at_checked(n)?;
        *rest = tail;
        Some(head.to_vec())
    };
    let path = |bytes: Vec<u8>| PathBuf::from(String::from_utf8(bytes).unwrap());
    while let Some(head) = take(&mut rest, 56) {
        let head: Vec<u64> = head
            .chunks_exact(8)
            .map(|n| u64::from_ne_bytes(n.try_into().unwrap()))
            .collect();
        let parts: Option<Vec<Vec<u8>>> = head[1..5]
            .iter()
            .map(|n| take(&mut rest, usize::try_from(*n).unwrap()))
            .collect();
        let Some([name, other, old, now]) = parts.and_then(|p| <[Vec<u8>; 4]>::try_from(p).ok())
        else {
            break;
        };
        records.push(Record {
            kind: u8::try_from(head[0]).unwrap(),
            path: path(name),
            other: path(other),
            place: head[5],
            size: head[6],
            old,
            now,
        });
    }
    records
}

/// What of one file was not safe.
#[derive(Default)]
struct Pending<'a> {
    /// It was made, as the record of this number, and neither it nor its folder synced.
    made: Option<u64>,
    /// Its changes with their numbers.
    changes: Vec<(u64, &'a Record)>,
}

/// A rename: its number, the name before and after.
type Renamed = (u64, PathBuf, PathBuf);

/// What was not synced when the power went: by file, and the renames.
fn unsynced(records: &[Record]) -> (BTreeMap<PathBuf, Pending<'_>>, Vec<Renamed>) {
    let mut files: BTreeMap<PathBuf, Pending<'_>> = BTreeMap::new();
    let mut renames: Vec<Renamed> = Vec::new();
    for (number, record) in (0..).zip(records) {
        match record.kind {
            // The first `place` records were there when it began.
            b's' => {
                let safe = record.place;
                for (path, pending) in &mut files {
                    let own = *path == record.path;
                    if own {
                        pending.changes.retain(|(n, _)| *n >= safe);
                    }
                    if own || path.parent() == Some(&record.path) {
                        pending.made = pending.made.filter(|n| *n >= safe);
                    }
                }
                renames.retain(|(n, _, to)| *n >= safe || to.parent() != Some(&record.path));
            }
            b'm' => files.entry(record.path.clone()).or_default().made = Some(number),
            b'r' => {
                if let Some(pending) = files.remove(&record.other) {
                    files.insert(record.path.clone(), pending);
                }
                renames.push((number, record.other.clone(), record.path.clone()));
            }
            _ => files
                .entry(record.path.clone())
                .or_default()
                .changes
                .push((number, record)),
        }
    }
    (files, renames)
}

impl Pending<'_> {
    fn settle(&self, path: &Path, random: &mut StdRng) -> usize {
        let Ok(mut file) = OpenOptions::new().read(true).write(true).open(path) else {
            return 0; // removed since
        };
        let survives: f64 = [0.0, 0.5, 1.0][random.random_range(0..3)];
        let mut content = Vec::new();
        file.read_to_end(&mut content).unwrap();
        // Back to what was safe, then on with what survives, in its order.
        for (_, change) in self.changes.iter().rev() {
            let place = usize::try_from(change.place).unwrap();
            let size = usize::try_from(change.size).unwrap();
            if content.len() < place + change.old.len() {
                content.resize(place + change.old.len(), 0);
            }
            content[place..place + change.old.len()].copy_from_slice(&change.old);
            content.resize(size, 0);
        }
        let mut taken_back = 0;
        for (_, change) in &self.changes {
            if !random.random_bool(survives) {
                taken_back += 1;
                continue;
            }
            let place = usize::try_from(change.place).unwrap();
            if change.kind == b't' {
                content.resize(place, 0);
                continue;
            }
            let mut kept = change.now.len();
            if survives < 1.0 && kept > 512 && random.random_bool(0.3) {
                kept = random.random_range(0..kept / 512) * 512;
                taken_back += 1;
            }
            if content.len() < place + kept {
                content.resize(place + kept, 0);
            }
            content[place..place + kept].copy_from_slice(&change.now[..kept]);
        }
        if self.made.is_some() && survives == 0.0 {
            drop(file);
            std::fs::remove_file(path).unwrap();
            return taken_back + 1;
        }
        file.seek(SeekFrom::Start(0)).unwrap();
        file.set_len(0).unwrap();
        file.write_all(&content).unwrap();
        taken_back
    }
}
