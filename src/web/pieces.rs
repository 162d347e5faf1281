//! Files that come in pieces, so that a network that goes away costs a piece and not a
//! file (`static/pieces.js`, [`super::piece`]). They lie in `pieces/<person>/` of the data folder, out of any
//! transaction, until a form names them ([`super::extract::Upload`]), which then takes them
//! just as if they had come with it.
//!
//! What bounds them: a piece is 4 MiB at most; a person has as many files and bytes here as
//! one form may hold, and their oldest make room; all people together have four times as
//! many bytes; and each is removed a day after its last piece.

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path as FilePath, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, SystemTime};

use uuid::Uuid;

use super::form_limits::FormLimits;
use super::rights::Access;
use super::uploaded::{UPLOAD_BYTES, UploadedFile};
use super::{App, Error};
use crate::library::PersonId;

/// The folder within the data folder.
const FOLDER: &str = "pieces";
/// The largest piece, bytes.
pub const PIECE_BYTES: usize = 4 * 1024 * 1024;
/// The most of all people together, bytes.
const ALL_BYTES: u64 = 4 * UPLOAD_BYTES;
/// How long after its last piece a file is kept.
const LASTS: Duration = Duration::from_secs(24 * 3600);
/// A form's text field for a file that came in pieces: this and the name of the file field.
pub const FIELD: &str = "pieces:";

/// One piece is written at a time.
#[derive(Debug, Clone, Default)]
pub struct Pieces(Arc<Mutex<()>>);

/// A file on its way: its mark, drawn by the sender, and how many bytes it has when whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Whole {
    id: Uuid,
    bytes: u64,
}

impl Whole {
    fn path(self, folder: &FilePath) -> PathBuf {
        folder.join(format!("{}.{}", self.id, self.bytes))
    }

    fn unfinished(self, folder: &FilePath) -> PathBuf {
        folder.join(format!("{}.{}.part", self.id, self.bytes))
    }

    fn of_name(name: &str) -> Option<Self> {
        let (id, bytes) = name.strip_suffix(".part").unwrap_or(name).split_once('.')?;
        Some(Self {
            id: id.parse().ok()?,
            bytes: bytes.parse().ok()?,
        })
    }
}

/// What became of a piece.
#[derive(Debug, PartialEq, Eq)]
pub enum Added {
    /// It is on the disk, and so many bytes of its file are.
    Kept(u64),
    /// It does not begin where the file ends: so many bytes are here.
    Elsewhere(u64),
    /// Nobody has room for it.
    NoRoom,
}

/// Puts a piece that begins at byte `from` to its file, of this mark and so many bytes.
///
/// # Errors
/// When it cannot be written.
pub async fn add(
    app: &App,
    person: PersonId,
    (id, bytes): (Uuid, u64),
    from: u64,
    piece: Vec<u8>,
) -> Result<Added, Error> {
    let folder = app.library.folder().join(FOLDER);
    let pieces = app.pieces.clone();
    let whole = Whole { id, bytes };
    let added = tokio::task::spawn_blocking(move || {
        let _turn = pieces.0.lock().unwrap_or_else(PoisonError::into_inner);
        add_piece(&folder, person, whole, from, &piece)
    });
    let added = added
        .await
        .map_err(|e| Error::Broken(format!("a piece of a file: {e}")))?;
    added.map_err(|e| Error::of_file(&e))
}

fn add_piece(
    all: &FilePath,
    person: PersonId,
    whole: Whole,
    from: u64,
    bytes: &[u8],
) -> std::io::Result<Added> {
    let folder = all.join(person.to_string());
    let (done, part) = (whole.path(&folder), whole.unfinished(&folder));
    let here = match (done.exists(), fs::metadata(&part)) {
        (true, _) => whole.bytes,
        (false, Ok(part)) => part.len(),
        (false, Err(_)) => 0,
    };
    if from != here || here == whole.bytes {
        return Ok(Added::Elsewhere(here));
    }
    if here == 0 && !part.exists() {
        fs::create_dir_all(&folder)?;
        if !make_room(all, &folder, whole.bytes)? {
            return Ok(Added::NoRoom);
        }
    }
    let mut file = OpenOptions::new().create(true).append(true).open(&part)?;
    if let Err(error) = file.write_all(bytes).and_then(|()| file.sync_data()) {
        // Half a piece is none.
        file.set_len(here)?;
        return Err(error);
    }
    let here = here + bytes.len() as u64;
    if here == whole.bytes {
        fs::rename(&part, &done)?;
        File::open(&folder)?.sync_all()?;
    }
    Ok(Added::Kept(here))
}

/// Whether there is room for so many bytes more in this person's folder, once their
/// oldest files have made way.
fn make_room(all: &FilePath, folder: &FilePath, bytes: u64) -> std::io::Result<bool> {
    let mut theirs = files_in(folder)?;
    theirs.sort_by_key(|file| file.changed);
    let most = FormLimits::of(Access::Volunteer);
    let mut sum: u64 = theirs.iter().map(|file| file.bytes).sum();
    let mut count = theirs.len();
    for oldest in theirs {
        if count < most.files && sum + bytes <= most.file_bytes {
            break;
        }
        fs::remove_file(&oldest.path)?;
        sum -= oldest.bytes;
        count -= 1;
    }
    let mut everyones = 0;
    for person in fs::read_dir(all)? {
        let kept = files_in(&person?.path())?;
        everyones += kept.iter().map(|file| file.bytes).sum::<u64>();
    }
    Ok(everyones + bytes <= ALL_BYTES)
}

struct Lying {
    path: PathBuf,
    /// Of the whole file, whether or not all of it is here.
    bytes: u64,
    changed: SystemTime,
}

fn files_in(folder: &FilePath) -> std::io::Result<Vec<Lying>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        if let Some(whole) = name.to_str().and_then(Whole::of_name) {
            files.push(Lying {
                path: entry.path(),
                bytes: whole.bytes,
                changed: entry.metadata()?.modified()?,
            });
        }
    }
    Ok(files)
}

/// A whole file of this person's as an upload, by what a form says of it:
/// `<mark>/<bytes>/<name>`. It stays here too, so that a form that comes again finds it.
///
/// # Errors
/// When it is not here whole, in words, or cannot be taken.
pub fn taken(app: &App, person: PersonId, field: &str, said: &str) -> Result<UploadedFile, Error> {
    let mut parts = said.splitn(3, '/');
    let mut next = || parts.next().unwrap_or_default();
    let (id, bytes, name) = (next().parse(), next().parse(), next().to_owned());
    let gone = || {
        Error::BadRequest(format!(
            "The file {name} is not here, or not all of it. Go back, choose it again and send it."
        ))
    };
    let (Ok(id), Ok(bytes)) = (id, bytes) else {
        return Err(gone());
    };
    let folder = app.library.folder();
    let lying = Whole { id, bytes }.path(&folder.join(FOLDER).join(person.to_string()));
    let link = |to: &FilePath| {
        // Where a file cannot have two names it is copied.
        if fs::hard_link(&lying, to).is_err() {
            fs::copy(&lying, to)?;
        }
        File::open(to)
    };
    let file = tempfile::Builder::new().make_in(folder, link);
    let file = file.map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => gone(),
        _ => Error::of_file(&error),
    })?;
    let (file, path) = file.into_parts();
    Ok(UploadedFile {
        field: field.to_owned(),
        name,
        file: tempfile::NamedTempFile::from_parts(file, path),
        bytes,
    })
}

/// Removes what has lain for a day; what cannot be removed now is tried again.
pub async fn sweep(app: &App) {
    let folder = app.library.folder().join(FOLDER);
    let pieces = app.pieces.clone();
    let swept = tokio::task::spawn_blocking(move || {
        let _turn = pieces.0.lock().unwrap_or_else(PoisonError::into_inner);
        sweep_now(&folder, SystemTime::now())
    });
    match swept.await {
        Ok(Err(error)) if error.kind() != std::io::ErrorKind::NotFound => {
            tracing::warn!(%error, "old pieces of files could not be removed");
        }
        _ => {}
    }
}

fn sweep_now(all: &FilePath, now: SystemTime) -> std::io::Result<()> {
    for person in fs::read_dir(all)? {
        let folder = person?.path();
        for file in files_in(&folder)? {
            if now.duration_since(file.changed).unwrap_or_default() >= LASTS {
                fs::remove_file(&file.path)?;
            }
        }
        // Gone where nothing is left in it.
        let _ = fs::remove_dir(&folder);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn whole(n: u128, bytes: u64) -> Whole {
        Whole {
            id: Uuid::from_u128(n),
            bytes,
        }
    }

    #[test]
    fn a_file_is_whole_when_its_last_byte_is_here_and_takes_no_more() {
        let all = tempfile::tempdir().unwrap();
        let ada = PersonId(Uuid::from_u128(1));
        let add = |from, bytes: &[u8]| add_piece(all.path(), ada, whole(7, 6), from, bytes);
        assert_eq!(add(0, b"").unwrap(), Added::Kept(0));
        assert_eq!(add(0, b"abc").unwrap(), Added::Kept(3));
        // The same again, as after an answer that never came; and one with a gap before it.
        assert_eq!(add(0, b"abc").unwrap(), Added::Elsewhere(3));
        assert_eq!(add(5, b"f").unwrap(), Added::Elsewhere(3));
        let folder = all.path().join(ada.to_string());
        assert!(!whole(7, 6).path(&folder).exists());
        assert_eq!(add(3, b"def").unwrap(), Added::Kept(6));
        assert_eq!(fs::read(whole(7, 6).path(&folder)).unwrap(), b"abcdef");
        assert_eq!(add(6, b"").unwrap(), Added::Elsewhere(6));
        assert_eq!(add(0, b"x").unwrap(), Added::Elsewhere(6));
    }

    #[test]
    fn the_oldest_of_a_person_make_room_and_nobody_elses() {
        let all = tempfile::tempdir().unwrap();
        let (ada, ben) = (PersonId(Uuid::from_u128(1)), PersonId(Uuid::from_u128(2)));
        let third = UPLOAD_BYTES / 3;
        let begin = |person: PersonId, n| add_piece(all.path(), person, whole(n, third), 0, b"x");
        let is_here = |person: PersonId, n| {
            let folder = all.path().join(person.to_string());
            whole(n, third).unfinished(&folder).exists()
        };
        begin(ben, 9).unwrap();
        for n in 1..=4 {
            begin(ada, n).unwrap();
            let folder = all.path().join(ada.to_string());
            let at = SystemTime::UNIX_EPOCH + Duration::from_secs(u64::try_from(n).unwrap());
            let part = File::open(whole(n, third).unfinished(&folder)).unwrap();
            part.set_modified(at).unwrap();
        }
        assert_eq!(
            [1, 2, 3, 4].map(|n| is_here(ada, n)),
            [false, true, true, true]
        );
        assert!(is_here(ben, 9));
        sweep_now(all.path(), SystemTime::now()).unwrap();
        assert!(
            [2, 3, 4].iter().all(|n| !is_here(ada, *n)),
            "a day has passed"
        );
        assert!(is_here(ben, 9), "this is from today");
    }

    #[test]
    fn all_people_together_have_a_bound() {
        let all = tempfile::tempdir().unwrap();
        let begin = |n| {
            let person = PersonId(Uuid::from_u128(n));
            add_piece(all.path(), person, whole(n, UPLOAD_BYTES), 0, b"x").unwrap()
        };
        assert!((1..=4).all(|n| begin(n) == Added::Kept(1)));
        assert_eq!(begin(5), Added::NoRoom);
    }
}
