//! `tubewright measure --follow`: readings over a moving window while a capture
//! program writes its frames into a folder.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use chrono::{SecondsFormat, Utc};
use serde::Serialize;
use tubewright::startest::decode::{DecodeError, FrameReader, Limits};
use tubewright::startest::follow::{Arrivals, Pace, Seen, Window};
use tubewright::startest::frame::{Frame, Setup};
use tubewright::startest::measure::Options;
use tubewright::startest::report::{Report, Verdict};

use super::figures::{figure, sentence, with_error};

use super::{BROKEN, REFUSED, USAGE, block_on, stop_signal};

/// Arguments of following.
#[derive(Debug, clap::Args)]
pub struct FollowArgs {
    /// Follow a capture: measure the frames that are written into this folder from now on,
    /// again and again, until stopped
    #[arg(
        long,
        value_name = "DIR",
        conflicts_with_all = ["frames", "inside", "outside", "pictures"]
    )]
    follow: Option<PathBuf>,
    /// Of how many of the last frames a reading is made
    #[arg(long, value_name = "FRAMES", default_value_t = 30, requires = "follow",
        value_parser = clap::value_parser!(u16).range(1..=1000))]
    window: u16,
    /// Stop following after so many seconds
    #[arg(long = "for", value_name = "SECONDS", requires = "follow",
        value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
}

impl FollowArgs {
    /// The folder to follow, if one is to be.
    pub fn folder(&self) -> Option<&Path> {
        self.follow.as_deref()
    }
}

/// Time between two looks into the folder.
const LOOK: Duration = Duration::from_millis(100);

/// What was seen of the frames so far.
#[derive(Debug, Clone, Copy, Serialize)]
struct Counts {
    /// Pictures read.
    taken: u64,
    /// Pictures that came and went between two readings.
    passed_over: u64,
    /// Files given up as unreadable.
    unreadable: u64,
    /// Files that are still being written.
    waiting: usize,
}

/// One line of JSON.
#[derive(Serialize)]
struct Line<'a> {
    at: String,
    took_ms: u128,
    frames: Counts,
    report: &'a Report,
}

/// Follows until told to stop.
pub fn run(
    args: &FollowArgs,
    folder: &Path,
    setup: &Setup,
    options: &Options,
    json: bool,
) -> ExitCode {
    let stop = Arc::new(AtomicBool::new(false));
    let mut capture = match Capture::begin(folder, usize::from(args.window), json) {
        Ok(capture) => capture,
        Err(error) => {
            eprintln!("tubewright: --follow {}: {error}", folder.display());
            return ExitCode::from(USAGE);
        }
    };
    let until = args
        .seconds
        .map(|s| Instant::now() + Duration::from_secs(s.into()));
    let (setup, options) = (setup.clone(), *options);
    block_on(async move {
        let signal = stop_signal()?;
        let told = Arc::clone(&stop);
        let work = tokio::task::spawn_blocking(move || {
            let over =
                || stop.load(Ordering::Relaxed) || until.is_some_and(|u| Instant::now() >= u);
            capture.follow(&setup, &options, &over)
        });
        let waker = tokio::spawn(async move {
            signal.await;
            told.store(true, Ordering::Relaxed);
        });
        let ended = work.await?;
        waker.abort();
        Ok(ended)
    })
}

struct Capture {
    folder: PathBuf,
    arrivals: Arrivals,
    window: Window,
    unreadable: u64,
    readings: u64,
    json: bool,
}

impl Capture {
    fn begin(folder: &Path, window: usize, json: bool) -> std::io::Result<Self> {
        let present = listing(folder, |_| true)?;
        Ok(Capture {
            folder: folder.to_owned(),
            arrivals: Arrivals::beside(present, Instant::now()),
            window: Window::of(window),
            unreadable: 0,
            readings: 0,
            json,
        })
    }

    fn follow(&mut self, setup: &Setup, options: &Options, over: &dyn Fn() -> bool) -> ExitCode {
        let mut pace = Pace::default();
        let mut out = std::io::stdout();
        eprintln!("Following {}; stop with Ctrl-C.", self.folder.display());
        while !over() {
            let began = Instant::now();
            if let Err(error) = self.take() {
                eprintln!("tubewright: --follow {}: {error}", self.folder.display());
                return ExitCode::from(BROKEN);
            }
            let now = Instant::now();
            if self.window.is_fresh() && pace.is_due(now) {
                let report = self.window.reading(setup, options).report;
                let ended = Instant::now();
                pace.done(now, ended);
                self.readings += u64::from(report.verdict == Verdict::Measured);
                let said = self.line(&report, ended.duration_since(now));
                if let Err(error) = writeln!(out, "{said}").and_then(|()| out.flush()) {
                    // A closed pipe is the reader's way to stop.
                    if error.kind() != std::io::ErrorKind::BrokenPipe {
                        eprintln!("tubewright: {error}");
                        return ExitCode::from(BROKEN);
                    }
                    break;
                }
            }
            std::thread::sleep(LOOK.saturating_sub(began.elapsed()));
        }
        self.end()
    }

    /// Reads what has become whole since the last look.
    fn take(&mut self) -> std::io::Result<()> {
        let now = Instant::now();
        let found = listing(&self.folder, |path| self.arrivals.wants(path, now))?;
        for path in self.arrivals.look(found, now) {
            match pictures_in(&path) {
                Ok(frames) => {
                    self.arrivals.taken(&path, Instant::now());
                    frames.into_iter().for_each(|frame| self.window.push(frame));
                }
                Err(error) => {
                    if self.arrivals.unread(&path, Instant::now()) {
                        self.unreadable += 1;
                        eprintln!(
                            "tubewright: left out {}: {error} [{}]",
                            path.display(),
                            error.code()
                        );
                    }
                }
            }
        }
        Ok(())
    }

    fn counts(&self) -> Counts {
        Counts {
            taken: self.window.taken,
            passed_over: self.window.passed_over,
            unreadable: self.unreadable,
            waiting: self.arrivals.waiting(),
        }
    }

    fn line(&self, report: &Report, took: Duration) -> String {
        let at = Utc::now();
        if self.json {
            let line = Line {
                at: at.to_rfc3339_opts(SecondsFormat::Millis, true),
                took_ms: took.as_millis(),
                frames: self.counts(),
                report,
            };
            return serde_json::to_string(&line)
                .unwrap_or_else(|error| format!("{{\"error\":\"{error}\"}}"));
        }
        format!(
            "{}  {}",
            chrono::Local::now().format("%H:%M:%S"),
            reading(report)
        )
    }

    fn end(&self) -> ExitCode {
        let c = self.counts();
        eprintln!(
            "Frames read: {}, passed over: {}. Files unreadable: {}, unfinished: {}. Readings: {}.",
            c.taken, c.passed_over, c.unreadable, c.waiting, self.readings
        );
        if c.taken == 0 {
            eprintln!(
                "tubewright: refused: no frame was written into the folder. Start the capture, or name the folder it writes to. [no-frames]"
            );
        }
        ExitCode::from(if self.readings > 0 { 0 } else { REFUSED })
    }
}

/// A reading on one line.
fn reading(report: &Report) -> String {
    let frames = format!("{} of {} frames", report.frames.used, report.frames.given);
    match (&report.rings, &report.wavefront) {
        (Some(rings), Some(wave)) => {
            let thin = if wave.coma_rms_waves > 2.0 * wave.coma_rms_waves_sigma {
                format!(
                    "thin side at {} degrees",
                    figure(rings.thin_clock_deg, rings.thin_clock_deg_sigma, 0)
                )
            } else {
                "no thin side".to_owned()
            };
            format!(
                "coma {} waves RMS, {thin}; {frames}",
                with_error(wave.coma_rms_waves, wave.coma_rms_waves_sigma)
            )
        }
        _ => {
            let why = report.reasons.first().map(sentence);
            format!("no reading: {} ({frames})", why.unwrap_or_default())
        }
    }
}

/// The pictures of a file, all of them or none: a row that is cut short is still being written.
fn pictures_in(path: &Path) -> Result<Vec<Frame>, DecodeError> {
    FrameReader::open(path, &Limits::default())?.collect()
}

/// Files of the folder that may hold frames, as they are now.
fn listing(folder: &Path, wanted: impl Fn(&Path) -> bool) -> std::io::Result<Vec<Seen>> {
    const ENDINGS: [&str; 9] = [
        "fits", "fit", "fts", "gz", "png", "tif", "tiff", "jpg", "jpeg",
    ];
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let ending = path
            .extension()
            .and_then(|e| e.to_str())
            .unwrap_or_default();
        let hidden = path
            .file_name()
            .is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if hidden || !ENDINGS.iter().any(|e| ending.eq_ignore_ascii_case(e)) || !wanted(&path) {
            continue;
        }
        // Gone again between the two calls: renamed, as some programs do when a file is whole.
        let Ok(about) = std::fs::metadata(&path) else {
            continue;
        };
        if let (true, Ok(modified)) = (about.is_file(), about.modified()) {
            found.push(Seen {
                path,
                bytes: about.len(),
                modified,
            });
        }
    }
    Ok(found)
}
