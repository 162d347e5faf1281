//! Measuring one try: from its frames on the disk to a star test in the logbook.
//!
//! Nothing here gives up because the library is held or the disk is full for a while.

use std::collections::{HashMap, HashSet};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::runtime::Handle;

use super::super::clock::Clock;
use super::circumstances::Circumstances;
use super::files;
use crate::library::attempts::{self, Attempt, AttemptPicture, AttemptState, Finished};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::star_tests::{FocusSide, StarTest};
use crate::library::{self, AttemptId, Library, Moment};
use crate::startest::decode::Limits;
use crate::startest::measure::{Outcome, Progress, measure_pair, measure_stills, measure_with};
use crate::startest::report::{Reason, Report, Verdict};
use crate::startest::{panels, pictures};

/// How long one set may take.
const DEADLINE: Duration = Duration::from_secs(300);
/// The waits between two tries at what the disk or the library refused.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(64);
/// How often the frames of a try are looked for on a disk that cannot be read.
const READS: u32 = 6;

/// What is known of the tries under way.
#[derive(Debug, Default)]
pub(super) struct Board {
    /// Frames looked at, of tries under way.
    pub(super) seen: HashMap<AttemptId, usize>,
    /// Tries to be broken off.
    pub(super) cancelled: HashSet<AttemptId>,
}

pub(super) fn lock(board: &Mutex<Board>) -> MutexGuard<'_, Board> {
    // The board holds only counters: after a panic elsewhere they still serve.
    board.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Why a try did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum Unended {
    /// The house is closing. The try is taken up at the next start.
    #[error("the tool was stopped")]
    Closing,
    /// The library or the disk kept refusing. The try waits.
    #[error("{0}. The frames are kept and wait to be measured")]
    Later(String),
    /// Something is broken here.
    #[error("{0}")]
    Broken(String),
}

/// Whoever measures: the thread of the server, or a command.
pub(super) struct Worker {
    pub(super) handle: Handle,
    pub(super) library: Library,
    pub(super) board: Arc<Mutex<Board>>,
    /// Rung when there is something to do; hung up when the house closes.
    pub(super) bell: Receiver<()>,
    /// Dates what is written.
    pub(super) clock: Clock,
    /// How often a refused write is tried again.
    pub(super) patience: u32,
}

/// Everything that is kept of a try that has ended.
#[derive(Clone)]
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
        write.commit().await
    }
}

/// The try, unless it has ended otherwise meanwhile.
async fn take_up(library: Library, id: AttemptId) -> library::Result<Option<Attempt>> {
    let attempt = Attempt::get(&mut *library.read().await?, id).await?;
    Ok((attempt.state == AttemptState::Waiting).then_some(attempt))
}

/// How a try ended: what is kept of it, and whether its frames are.
struct End {
    kept: Kept,
    frames: bool,
}

impl Worker {
    /// Measures a try, and writes down how it ended.
    ///
    /// # Errors
    /// When it could not be brought to its end; it still stands in the queue then.
    pub(super) fn measure(&self, id: AttemptId) -> Result<(), Unended> {
        let taken = self.persist(|| take_up(self.library.clone(), id))?;
        if let Some(attempt) = taken {
            let outcome =
                std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| self.look_at(&attempt)));
            let end = match outcome {
                Ok(Ok(end)) => end,
                Ok(Err(Unended::Closing)) => return Err(Unended::Closing),
                Ok(Err(error)) => failed(id, &error.to_string(), self.clock.now()),
                Err(_) => failed(id, "the measuring panicked", self.clock.now()),
            };
            self.persist(|| end.kept.clone().write(self.library.clone()))?;
            if !end.frames {
                files::remove(&self.library, id);
            }
        } else {
            files::remove(&self.library, id);
        }
        let mut board = lock(&self.board);
        board.seen.remove(&id);
        board.cancelled.remove(&id);
        Ok(())
    }

    /// Does it on the runtime's own threads: they do not give way. What holds the one
    /// write transaction, or opens a connection whose thread takes after its maker,
    /// must not stand behind everyone else. Does it again while the library refuses
    /// for a reason that passes.
    pub(super) fn persist<T: Send + 'static, F>(&self, work: impl Fn() -> F) -> Result<T, Unended>
    where
        F: Future<Output = library::Result<T>> + Send + 'static,
    {
        self.patiently(self.patience, || {
            match self.handle.block_on(self.handle.spawn(work())) {
                Ok(Ok(done)) => Ok(done),
                Ok(Err(library::Error::Database(sqlx::Error::PoolClosed))) => Err(Unended::Closing),
                Ok(Err(error)) if library::passes(&error) => Err(Unended::Later(error.to_string())),
                Ok(Err(error)) => Err(Unended::Broken(error.to_string())),
                Err(error) if error.is_cancelled() => Err(Unended::Closing),
                Err(error) => Err(Unended::Broken(error.to_string())),
            }
        })
    }

    fn patiently<T>(
        &self,
        times: u32,
        work: impl Fn() -> Result<T, Unended>,
    ) -> Result<T, Unended> {
        let mut wait = FIRST_WAIT;
        let mut left = times;
        loop {
            match work() {
                Err(Unended::Later(why)) if left > 0 => {
                    left -= 1;
                    tracing::warn!(%why, ?wait, "the measuring waits");
                    self.rest(wait)?;
                    wait = (2 * wait).min(LONGEST_WAIT);
                }
                ended => return ended,
            }
        }
    }

    /// Rests so long, whoever rings; not when the house closes.
    fn rest(&self, wait: Duration) -> Result<(), Unended> {
        let end = Instant::now() + wait;
        loop {
            match self
                .bell
                .recv_timeout(end.saturating_duration_since(Instant::now()))
            {
                Ok(()) => {}
                Err(RecvTimeoutError::Timeout) => return Ok(()),
                Err(RecvTimeoutError::Disconnected) => return Err(Unended::Closing),
            }
        }
    }

    fn look_at(&self, attempt: &Attempt) -> Result<End, Unended> {
        let id = attempt.id;
        let told: Circumstances = serde_json::from_str(&attempt.circumstances)
            .map_err(|e| Unended::Broken(format!("circumstances: {e}")))?;
        let folder = files::folder_of(&self.library, id);
        let files = self.patiently(READS, || {
            files::files_in(&folder).map_err(|error| match error.kind() {
                std::io::ErrorKind::NotFound => Unended::Broken("its frames are gone".to_owned()),
                _ => Unended::Later(format!("frames of a try: {error}")),
            })
        })?;
        let seen = Looked::at(&self.board, id, &told, files);
        end_of(attempt, &told, seen, self.clock.now()).map_err(Unended::Broken)
    }
}

fn failed(id: AttemptId, why: &str, at: Moment) -> End {
    tracing::error!(%id, %why, "a try at measuring failed");
    let end = Finished {
        state: AttemptState::Failed,
        frames_done: 0,
        report: None,
        picture_png: None,
        overlay_svg: None,
    };
    End {
        kept: Kept {
            id,
            end,
            panels: Vec::new(),
            test: None,
            at,
        },
        frames: true,
    }
}

/// What the measuring said.
struct Looked {
    outcome: Outcome,
    frames: usize,
    cancelled: bool,
}

impl Looked {
    fn at(board: &Mutex<Board>, id: AttemptId, told: &Circumstances, files: Vec<PathBuf>) -> Self {
        let (mut cancelled, mut late, mut frames) = (false, false, 0);
        let deadline = Instant::now() + DEADLINE;
        let limits = Limits {
            deadline: Some(deadline),
            ..Limits::default()
        };
        let (setup, options) = (told.setup(), told.options());
        let mut watch = |progress: Progress| {
            frames = progress.seen;
            let mut board = lock(board);
            board.seen.insert(id, progress.seen);
            cancelled = board.cancelled.contains(&id);
            late = Instant::now() > deadline;
            if cancelled || late {
                return ControlFlow::Break(());
            }
            ControlFlow::Continue(())
        };
        let mut outcome = if told.by_phone {
            measure_stills(
                files::stills_of(&files, limits),
                &setup,
                &options,
                &mut watch,
            )
        } else if told.both_sides {
            let (other, first): (Vec<PathBuf>, Vec<PathBuf>) = files
                .into_iter()
                .partition(|f| files::is_of_the_other_side(f));
            let (inside, outside) = match told.side {
                FocusSide::Outside => (other, first),
                _ => (first, other),
            };
            measure_pair(
                files::frames_of(&inside, limits.clone()),
                files::frames_of(&outside, limits),
                &setup,
                &options,
                &mut watch,
            )
        } else {
            measure_with(
                files::frames_of(&files, limits),
                &setup,
                &options,
                &mut watch,
            )
        };
        if late && !cancelled {
            let reason = Reason {
                code: "too-long".to_owned(),
                text: format!(
                    "These frames took more than {} minutes to read.",
                    DEADLINE.as_secs() / 60
                ),
                mend: "Send fewer of them, or crop them around the star: 30 frames of 256 pixels are plenty.".to_owned(),
            };
            outcome.report = Report::refused(vec![reason], outcome.report.frames);
        }
        if let Some(lamp) = &told.lamp {
            lamp.told_as_a_star(&mut outcome.report);
        }
        Self {
            outcome,
            frames,
            cancelled,
        }
    }
}

fn end_of(
    attempt: &Attempt,
    told: &Circumstances,
    seen: Looked,
    at: Moment,
) -> Result<End, String> {
    let Looked {
        outcome,
        frames,
        cancelled,
    } = seen;
    let id = attempt.id;
    let picture = |e| format!("a picture: {e}");
    let shown = outcome.stack.as_ref().filter(|_| !cancelled);
    let more = if cancelled {
        Vec::new()
    } else {
        panels::panels(&outcome).map_err(picture)?
    };
    let picture_png = shown
        .map(|stack| pictures::donut_png(&stack.stamp))
        .transpose()
        .map_err(picture)?;
    let overlay_svg = shown
        .zip(outcome.geometry.as_ref())
        .map(|(stack, geometry)| {
            pictures::overlay_svg(
                &stack.stamp,
                geometry,
                &outcome.report,
                Some(&format!("/attempts/{id}/picture.png")),
                "shot",
            )
        });
    let measured = outcome.report.verdict == Verdict::Measured && !cancelled;
    let end = Finished {
        state: match (cancelled, measured) {
            (true, _) => AttemptState::Cancelled,
            (false, true) => AttemptState::Measured,
            (false, false) => AttemptState::Refused,
        },
        frames_done: i64::try_from(frames).unwrap_or(i64::MAX),
        report: Some(serde_json::to_string(&outcome.report).map_err(|e| format!("a report: {e}"))?),
        picture_png,
        overlay_svg,
    };
    let test = measured
        .then(|| star_test(&outcome.report, told, id, &attempt.circumstances))
        .flatten()
        .map(|test| {
            let entry = NewEntry {
                instrument: attempt.instrument_id,
                kind: EntryKind::StarTest,
                happened_at: told.taken_at.unwrap_or(attempt.asked_at),
                recorded_at: at,
                by: attempt.asked_by,
                loan: None,
                note: told.note.clone(),
            };
            (test, entry)
        });
    Ok(End {
        kept: Kept {
            id,
            end,
            panels: more,
            test,
            at,
        },
        frames: false,
    })
}

/// The star test that a measured report makes.
pub fn star_test(
    report: &Report,
    told: &Circumstances,
    id: AttemptId,
    judged: &str,
) -> Option<StarTest> {
    let wavefront = report.wavefront.as_ref()?;
    let rings = report.rings.as_ref()?;
    Some(StarTest {
        method: told.method(),
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
