//! The measuring queue: frames are measured on a thread of their own, one set
//! after another, so that pages never wait for it.
//!
//! Uploaded frames lie in `frames/<attempt>/` of the data folder until their
//! try has ended; a try that was under way when the house closed is taken up
//! again when it opens.

use std::collections::{HashMap, HashSet};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chrono::Utc;
use tokio::runtime::Handle;
use tokio::sync::mpsc;

use super::Error;
use crate::library::attempts::{self, Attempt, AttemptPicture, AttemptState, Finished};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::star_tests::{FocusSide, Method, StarTest};
use crate::library::{self, AttemptId, Library, Moment};
use crate::startest::decode::{FrameReader, Limits};
use crate::startest::frame::{Frame, Setup, Side};
use crate::startest::measure::{
    FieldComa, Options, Progress, Unreadable, measure_pair, measure_with,
};
use crate::startest::report::Verdict;
use crate::startest::{panels, pictures};

/// How many tries may wait.
const QUEUE: usize = 64;

/// The circumstances of a try, as told and as known from the register.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Circumstances {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length as used, mm.
    pub focal_mm: f64,
    /// Central obstruction by diameter.
    pub obstruction: f64,
    /// Pixel pitch, micrometres.
    pub pixel_um: f64,
    /// Centre of the band, nm.
    pub wavelength_nm: f64,
    /// Width of the band, nm.
    pub bandwidth_nm: f64,
    /// Side of focus.
    pub side: FocusSide,
    /// Whether a diagonal was in.
    pub diagonal: bool,
    /// Antoniadi, 1 to 5.
    pub seeing: Option<i64>,
    /// Words beside it.
    pub note: String,
    /// Whether frames from the other side of focus came as well; `side` is then
    /// that of the first set.
    #[serde(default)]
    pub both_sides: bool,
    /// Whether the coma that a Newtonian's star has by its distance from the
    /// middle of the frames is to be taken off.
    #[serde(default)]
    pub field_coma: bool,
    /// How many vanes the register gives the instrument.
    #[serde(default)]
    pub vane_count: u32,
    /// Whether it stands behind a meniscus.
    #[serde(default)]
    pub meniscus: bool,
    /// When the frames were taken, where that was told.
    #[serde(default)]
    pub taken_at: Option<library::Moment>,
}

impl Circumstances {
    fn options(&self) -> Options {
        let mut options = Options {
            field_coma: self
                .field_coma
                .then(|| FieldComa::paraboloid(&self.setup())),
            ..Options::default()
        };
        options.fit_options.vane_count = (self.vane_count > 0).then_some(self.vane_count);
        options
    }

    /// The setup the frames are measured with.
    pub fn setup(&self) -> Setup {
        Setup {
            aperture_mm: self.aperture_mm,
            focal_mm: self.focal_mm,
            obstruction: self.obstruction,
            pixel_um: self.pixel_um,
            wavelength_nm: self.wavelength_nm,
            bandwidth_nm: self.bandwidth_nm,
            side: match self.side {
                FocusSide::Inside => Side::Inside,
                FocusSide::Outside => Side::Outside,
                FocusSide::Unknown => Side::Unknown,
            },
            vanes: None,
        }
    }
}

#[derive(Debug, Default)]
struct Board {
    /// Frames looked at, of tries under way.
    seen: HashMap<AttemptId, usize>,
    /// Tries to be broken off.
    cancelled: HashSet<AttemptId>,
}

/// The queue's front: hand in, watch, break off.
#[derive(Debug, Clone)]
pub struct Measuring {
    queue: mpsc::Sender<AttemptId>,
    board: Arc<Mutex<Board>>,
    folder: PathBuf,
}

fn lock(board: &Mutex<Board>) -> MutexGuard<'_, Board> {
    // The board holds only counters: after a panic elsewhere they still serve.
    board.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Measuring {
    /// Starts the thread. Must be called on a tokio runtime.
    pub fn start(library: &Library) -> Self {
        let (queue, mut waiting) = mpsc::channel(QUEUE);
        let board = Arc::new(Mutex::new(Board::default()));
        let measuring = Self {
            queue,
            board: board.clone(),
            folder: library.folder().join(FRAMES),
        };
        let folder = measuring.folder.clone();
        let library = library.clone();
        let handle = Handle::current();
        std::thread::spawn(move || {
            crate::upkeep::threads::give_way();
            let reader = library.clone();
            match on_runtime(&handle, async move { left_over(&reader).await }) {
                Ok(ids) => {
                    for id in ids {
                        measure_one(&handle, &library, &folder, &board, id);
                    }
                }
                Err(error) => tracing::error!(?error, "tries left over could not be listed"),
            }
            while let Some(id) = waiting.blocking_recv() {
                measure_one(&handle, &library, &folder, &board, id);
            }
        });
        measuring
    }

    /// The folder where the frames of a try lie.
    pub fn folder_of(&self, id: AttemptId) -> PathBuf {
        self.folder.join(id.to_string())
    }

    /// Whether another try can wait.
    pub fn has_room(&self) -> bool {
        self.queue.capacity() > 0
    }

    /// How many tries wait.
    pub fn waiting(&self) -> usize {
        self.queue.max_capacity() - self.queue.capacity()
    }

    /// Hands a try in; it has been written to the library already.
    ///
    /// # Errors
    /// When the queue is full.
    pub fn hand_in(&self, id: AttemptId) -> Result<(), Error> {
        self.queue.try_send(id).map_err(|_| {
            Error::Refused("Too many sets of frames are waiting to be measured. This one is kept and will be measured when the tool is next started.".to_owned())
        })
    }

    /// Frames looked at so far.
    pub fn seen(&self, id: AttemptId) -> usize {
        lock(&self.board).seen.get(&id).copied().unwrap_or(0)
    }

    /// Breaks a try off.
    pub fn cancel(&self, id: AttemptId) {
        lock(&self.board).cancelled.insert(id);
    }
}

/// The folder where frames lie until they have been measured.
const FRAMES: &str = "frames";

/// Copies frames from elsewhere to where the frames of a try lie.
///
/// # Errors
/// When a file cannot be read or the folder not be written.
pub fn keep_copies(library: &Library, id: AttemptId, files: &[PathBuf]) -> std::io::Result<()> {
    let folder = library.folder().join(FRAMES).join(id.to_string());
    std::fs::create_dir_all(&folder)?;
    let copied = files.iter().enumerate().try_for_each(|(place, from)| {
        let name = from
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        std::fs::copy(from, folder.join(kept_name(place, &name))).map(|_| ())
    });
    if copied.is_err() {
        std::fs::remove_dir_all(&folder)?;
    }
    copied
}

/// Measures a try whose frames are kept and which is written to the library,
/// without a queue. Blocks this thread meanwhile; call it within a
/// multi-threaded tokio runtime.
pub async fn measure_now(library: &Library, id: AttemptId) {
    let folder = library.folder().join(FRAMES);
    let board = Arc::new(Mutex::new(Board::default()));
    tokio::task::block_in_place(|| {
        measure_one(&Handle::current(), library, &folder, &board, id);
    });
}

async fn left_over(library: &Library) -> library::Result<Vec<AttemptId>> {
    let mut conn = library.read().await?;
    attempts::unfinished(&mut conn).await
}

/// Does it on the runtime's own threads: they do not give way. What holds the one
/// write transaction, or opens a connection whose thread takes after its maker,
/// must not stand behind everyone else.
fn on_runtime<T: Send + 'static>(
    handle: &Handle,
    work: impl Future<Output = library::Result<T>> + Send + 'static,
) -> Result<T, Error> {
    let ended = handle.block_on(handle.spawn(work));
    Ok(ended.map_err(|e| Error::Broken(format!("a write of the measuring: {e}")))??)
}

fn measure_one(
    handle: &Handle,
    library: &Library,
    folder: &Path,
    board: &Arc<Mutex<Board>>,
    id: AttemptId,
) {
    let frames = folder.join(id.to_string());
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        measure_attempt(handle, library, &frames, board, id)
    }));
    let failure = match outcome {
        Ok(Ok(())) => None,
        Ok(Err(error)) => Some(format!("{error:?}")),
        Err(_) => Some("the measuring panicked".to_owned()),
    };
    if let Some(why) = failure {
        tracing::error!(%id, %why, "a try at measuring failed");
        let end = Finished {
            state: AttemptState::Failed,
            frames_done: 0,
            report: None,
            picture_png: None,
            overlay_svg: None,
        };
        let library = library.clone();
        let noted = on_runtime(handle, async move {
            let mut write = library.write().await?;
            attempts::finish(&mut write, id, &end, Utc::now()).await?;
            Ok(write.commit().await?)
        });
        if let Err(error) = noted {
            tracing::error!(%id, ?error, "a failed try could not be noted");
        }
    }
    let mut board = lock(board);
    board.seen.remove(&id);
    board.cancelled.remove(&id);
    drop(board);
    if let Err(error) = std::fs::remove_dir_all(&frames)
        && error.kind() != std::io::ErrorKind::NotFound
    {
        tracing::warn!(%id, %error, "frames of an ended try could not be removed");
    }
}

/// Takes a try out of the queue; none when it has ended otherwise meanwhile.
async fn take_up(library: Library, id: AttemptId) -> library::Result<Option<Attempt>> {
    let mut write = library.write().await?;
    if !attempts::begin(&mut write, id).await? {
        return Ok(None);
    }
    let attempt = Attempt::get(&mut write, id).await?;
    write.commit().await?;
    Ok(Some(attempt))
}

/// Everything that is kept of a try that has ended.
struct Kept {
    id: AttemptId,
    end: Finished,
    panels: Vec<panels::Panel>,
    test: Option<(StarTest, NewEntry)>,
    at: Moment,
}

impl Kept {
    async fn write(self, library: Library) -> library::Result<()> {
        let mut write = library.write().await?;
        if attempts::finish(&mut write, self.id, &self.end, self.at).await? {
            for (place, panel) in (0..).zip(self.panels) {
                let picture = AttemptPicture {
                    name: panel.name,
                    caption: panel.caption,
                };
                attempts::keep_picture(&mut write, self.id, place, &picture, &panel.png).await?;
            }
            if let Some((test, entry)) = self.test {
                test.log(&mut write, entry).await?;
            }
        }
        Ok(write.commit().await?)
    }
}

fn measure_attempt(
    handle: &Handle,
    library: &Library,
    folder: &Path,
    board: &Arc<Mutex<Board>>,
    id: AttemptId,
) -> Result<(), Error> {
    let Some(attempt) = on_runtime(handle, take_up(library.clone(), id))? else {
        return Ok(());
    };
    let told: Circumstances = serde_json::from_str(&attempt.circumstances)
        .map_err(|e| Error::Broken(format!("circumstances: {e}")))?;
    let files = files_in(folder)?;
    let mut cancelled = false;
    let mut seen = 0;
    let (setup, options) = (told.setup(), told.options());
    let mut watch = |progress: Progress| {
        seen = progress.seen;
        let mut board = lock(board);
        board.seen.insert(id, progress.seen);
        if board.cancelled.contains(&id) {
            cancelled = true;
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    };
    let outcome = if told.both_sides {
        let (other, first): (Vec<PathBuf>, Vec<PathBuf>) =
            files.into_iter().partition(|f| is_of_the_other_side(f));
        let (inside, outside) = match told.side {
            FocusSide::Outside => (other, first),
            _ => (first, other),
        };
        measure_pair(
            frames_of(&inside),
            frames_of(&outside),
            &setup,
            &options,
            &mut watch,
        )
    } else {
        measure_with(frames_of(&files), &setup, &options, &mut watch)
    };
    let more = if cancelled {
        Vec::new()
    } else {
        panels::panels(&outcome).map_err(|e| Error::Broken(format!("a picture: {e}")))?
    };
    let report = serde_json::to_string(&outcome.report)
        .map_err(|e| Error::Broken(format!("a report: {e}")))?;
    let picture_png = match &outcome.stack {
        Some(stack) if !cancelled => Some(
            pictures::donut_png(&stack.stamp)
                .map_err(|e| Error::Broken(format!("a picture: {e}")))?,
        ),
        _ => None,
    };
    let overlay_svg = match (&outcome.stack, &outcome.geometry) {
        (Some(stack), Some(geometry)) if !cancelled => Some(pictures::overlay_svg(
            &stack.stamp,
            geometry,
            &outcome.report,
            Some(&format!("/attempts/{id}/picture.png")),
            "shot",
        )),
        _ => None,
    };
    let measured = outcome.report.verdict == Verdict::Measured && !cancelled;
    let end = Finished {
        state: if cancelled {
            AttemptState::Cancelled
        } else if measured {
            AttemptState::Measured
        } else {
            AttemptState::Refused
        },
        frames_done: i64::try_from(seen).unwrap_or(i64::MAX),
        report: Some(report),
        picture_png,
        overlay_svg,
    };
    let now = Utc::now();
    let test = if measured {
        star_test(&outcome.report, &told, id, &attempt.circumstances).map(|test| {
            let entry = NewEntry {
                instrument: attempt.instrument_id,
                kind: EntryKind::StarTest,
                happened_at: told.taken_at.unwrap_or(attempt.asked_at),
                recorded_at: now,
                by: attempt.asked_by,
                loan: None,
                note: told.note.clone(),
            };
            (test, entry)
        })
    } else {
        None
    };
    let kept = Kept {
        id,
        end,
        panels: more,
        test,
        at: now,
    };
    on_runtime(handle, kept.write(library.clone()))
}

/// The star test that a measured report makes.
pub fn star_test(
    report: &crate::startest::report::Report,
    told: &Circumstances,
    id: AttemptId,
    judged: &str,
) -> Option<StarTest> {
    let wavefront = report.wavefront.as_ref()?;
    let rings = report.rings.as_ref()?;
    Some(StarTest {
        method: Method::FromFrames,
        side: told.side,
        diagonal: told.diagonal,
        seeing: told.seeing,
        magnification: None,
        defocus_waves: Some(wavefront.defocus_waves),
        thin_to_thick: rings.thin_to_thick.map(|q| q.clamp(0.0, 1.0)),
        thin_clock_deg: Some(rings.thin_clock_deg.rem_euclid(360.0)).filter(|d| *d < 360.0),
        coma_rms_waves: wavefront.coma_rms_waves,
        coma_rms_waves_sigma: wavefront.coma_rms_waves_sigma.max(1e-6),
        attempt_id: Some(id),
        judged: judged.to_owned(),
    })
}

fn files_in(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let broken = |e: std::io::Error| Error::Broken(format!("frames of a try: {e}"));
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(broken)? {
        files.push(entry.map_err(broken)?.path());
    }
    files.sort();
    Ok(files)
}

/// The frames of all files in a row; a file that cannot be read takes one place.
fn frames_of(files: &[PathBuf]) -> impl Iterator<Item = Result<Frame, Unreadable>> + '_ {
    files.iter().flat_map(|path| {
        let name = shown_name(path);
        let frames: Box<dyn Iterator<Item = Result<Frame, Unreadable>>> =
            match FrameReader::open(path, &Limits::default()) {
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

fn is_of_the_other_side(path: &Path) -> bool {
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
