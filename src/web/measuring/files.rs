//! Where the frames of a try lie: `frames/<attempt>/` of the data folder, from before
//! the try is acknowledged until it has ended. Those of a try that failed stay for
//! [`attempts::FRAMES_LAST`], so that it can be measured again.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::library::{self, AttemptId, Library, Moment, attempts};
use crate::startest::decode::{FrameReader, Limits, Still};
use crate::startest::frame::Frame;
use crate::startest::measure::Unreadable;

const FRAMES: &str = "frames";

/// How long frames lie whose try was never written: an upload may be under way.
const UNKNOWN_LAST: Duration = Duration::from_secs(3600);

/// The folder where the frames of a try lie.
pub fn folder_of(library: &Library, id: AttemptId) -> PathBuf {
    library.folder().join(FRAMES).join(id.to_string())
}

/// How many syncs are under way at once: each takes as long as the disk does, and most
/// disks take many as fast as one.
const SYNCS: usize = 32;

/// Makes the folder of a try, has `fill` put the frames into it, and makes sure that
/// they are on the disk. Where that fails nothing of it is left.
///
/// # Errors
/// When a file cannot be read or the folder not be written.
fn keep_in(
    library: &Library,
    id: AttemptId,
    fill: impl FnOnce(&Path) -> std::io::Result<Vec<File>>,
) -> std::io::Result<()> {
    let all = library.folder().join(FRAMES);
    let folder = folder_of(library, id);
    std::fs::create_dir_all(&folder)?;
    let kept = fill(&folder).and_then(|mut files| {
        files.extend([File::open(&folder)?, File::open(&all)?]);
        files.chunks(SYNCS).try_for_each(sync_all)
    });
    if kept.is_err() {
        remove(library, id);
    }
    kept
}

/// Syncs these side by side.
fn sync_all(files: &[File]) -> std::io::Result<()> {
    std::thread::scope(|scope| {
        let under_way: Vec<_> = files
            .iter()
            .map(|file| scope.spawn(|| file.sync_all()))
            .collect();
        under_way.into_iter().try_for_each(|one| {
            let broken = |_| Err(std::io::Error::other("a sync panicked"));
            one.join().unwrap_or_else(broken)
        })
    })
}

/// Moves uploaded files, each with its place in the row, to where the frames of a try
/// lie.
///
/// # Errors
/// When the folder cannot be written.
pub fn keep(
    library: &Library,
    id: AttemptId,
    files: Vec<(usize, String, tempfile::NamedTempFile)>,
) -> std::io::Result<()> {
    keep_in(library, id, |folder| {
        let place = |(place, name, file): (usize, String, tempfile::NamedTempFile)| {
            let to = folder.join(kept_name(place, &name));
            file.persist(&to).map_err(|e| e.error)
        };
        files.into_iter().map(place).collect()
    })
}

/// Copies frames from elsewhere to where the frames of a try lie.
///
/// # Errors
/// When a file cannot be read or the folder not be written.
pub fn keep_copies(library: &Library, id: AttemptId, files: &[PathBuf]) -> std::io::Result<()> {
    keep_in(library, id, |folder| {
        let copy = |(place, from): (usize, &PathBuf)| {
            let name = from.file_name().map(|n| n.to_string_lossy().into_owned());
            let to = folder.join(kept_name(place, &name.unwrap_or_default()));
            std::fs::copy(from, &to)?;
            File::open(&to)
        };
        files.iter().enumerate().map(copy).collect()
    })
}

/// Removes the frames of a try; what cannot be removed now is swept later.
pub fn remove(library: &Library, id: AttemptId) {
    if let Err(error) = std::fs::remove_dir_all(folder_of(library, id))
        && error.kind() != std::io::ErrorKind::NotFound
    {
        tracing::warn!(%id, %error, "frames of an ended try could not be removed");
    }
}

/// Removes the frames that nobody wants any more: of tries that have ended, of failed
/// ones after their time, and those of no try at all when they have lain for an hour.
///
/// # Errors
/// When the library cannot be read.
pub async fn sweep(library: &Library, now: Moment) -> library::Result<()> {
    let folder = library.folder().join(FRAMES);
    let listed = tokio::task::spawn_blocking(move || kept_tries(&folder));
    let Ok(kept) = listed.await else {
        return Ok(());
    };
    let ids: Vec<AttemptId> = kept.iter().map(|(id, _)| *id).collect();
    let mut conn = library.read().await?;
    let wanted = attempts::wants_frames(&mut conn, &ids, now).await?;
    drop(conn);
    for (id, idle) in kept {
        if !wanted.get(&id).copied().unwrap_or(idle < UNKNOWN_LAST) {
            let library = library.clone();
            // Should that fail it is tried again in an hour.
            let _ = tokio::task::spawn_blocking(move || remove(&library, id)).await;
        }
    }
    Ok(())
}

/// The tries whose frames lie here, with how long ago each folder was last changed.
fn kept_tries(folder: &Path) -> Vec<(AttemptId, Duration)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter_map(|entry| {
            let id = entry.file_name().to_str()?.parse().ok()?;
            let changed = entry.metadata().and_then(|m| m.modified()).ok()?;
            Some((id, changed.elapsed().unwrap_or_default()))
        })
        .collect()
}

/// The files of a try, in order.
///
/// # Errors
/// When they cannot be listed.
pub(super) fn files_in(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut files = std::fs::read_dir(folder)?
        .map(|entry| Ok(entry?.path()))
        .collect::<std::io::Result<Vec<PathBuf>>>()?;
    files.sort();
    Ok(files)
}

/// The frames of all files in a row; a file that cannot be read takes one place.
pub(super) fn frames_of(
    files: &[PathBuf],
    limits: Limits,
) -> impl Iterator<Item = Result<Frame, Unreadable>> + '_ {
    files.iter().flat_map(move |path| {
        let name = shown_name(path);
        let frames: Box<dyn Iterator<Item = Result<Frame, Unreadable>>> =
            match FrameReader::open(path, &limits) {
                Ok(reader) => Box::new(reader.map(move |frame| {
                    frame
                        .map(|mut f| {
                            f.name = shown_frame_name(&f.name);
                            f
                        })
                        .map_err(|e| unreadable(&name, &e))
                })),
                Err(error) => Box::new(std::iter::once(Err(unreadable(&name, &error)))),
            };
        frames
    })
}

/// The stills of a phone.
pub(in crate::web) fn stills_of(
    files: &[PathBuf],
    limits: Limits,
) -> impl Iterator<Item = Result<Still, Unreadable>> + '_ {
    files.iter().map(move |path| {
        let name = shown_name(path);
        Still::open(path, &limits)
            .map(|still| Still {
                name: name.clone(),
                ..still
            })
            .map_err(|error| unreadable(&name, &error))
    })
}

fn unreadable(name: &str, error: &crate::startest::decode::DecodeError) -> Unreadable {
    Unreadable {
        name: name.to_owned(),
        code: error.code().to_owned(),
        text: error.to_string(),
        mend: error.mend().to_owned(),
    }
}

/// Files lie as "0007-name": the number keeps their order.
fn shown_name(path: &Path) -> String {
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    shown_frame_name(&name)
}

fn shown_frame_name(name: &str) -> String {
    match name.split_once('-') {
        Some((number, rest)) if number.len() == 4 && number.bytes().all(|b| b.is_ascii_digit()) => {
            rest.to_owned()
        }
        _ => name.to_owned(),
    }
}

/// Files from the other side of focus are numbered from here.
pub const OTHER_SIDE: usize = 5000;

pub(super) fn is_of_the_other_side(path: &Path) -> bool {
    path.file_name()
        .and_then(|n| n.to_string_lossy().get(..4).and_then(|n| n.parse().ok()))
        .is_some_and(|n: usize| n >= OTHER_SIDE)
}

/// The name under which an uploaded file is kept: its place in the row and
/// what is harmless of its own name.
pub fn kept_name(place: usize, name: &str) -> String {
    let harmless: String = name
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-') {
                c
            } else {
                '_'
            }
        })
        .collect();
    let from = harmless.len().saturating_sub(80);
    format!("{place:04}-{}", &harmless[from..])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_leaves_its_folder() {
        for name in [
            "../../etc/passwd",
            "a/b\\c",
            "\u{202e}gnp.exe",
            "",
            &"x".repeat(500),
        ] {
            let kept = kept_name(7, name);
            assert!(kept.starts_with("0007-") && kept.len() <= 85, "{kept}");
            assert!(!kept.contains(['/', '\\']), "{kept}");
        }
        assert!(is_of_the_other_side(Path::new("/x/5003-a.png")));
        assert!(!is_of_the_other_side(Path::new("/x/0499-a.png")));
        assert_eq!(
            shown_frame_name("0007-star.fits plane 3"),
            "star.fits plane 3"
        );
    }
}
