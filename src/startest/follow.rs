//! Following a capture as it is written: which files are whole, which frames
//! the next reading is made of, and when it is due. No clock and no disk in
//! here: both are handed in.

use std::collections::{HashMap, VecDeque};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use super::frame::{Frame, Setup};
use super::gather::Unreadable;
use super::measure::{Options, Outcome, measure_with};

/// A file as a look into the folder found it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// Where it is.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
    /// When it was last written to.
    pub modified: SystemTime,
}

/// How long a file that does not grow, and cannot be read, is waited for.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long a file that was read is looked at for being written anew.
const REMEMBERED: Duration = Duration::from_secs(10);

/// Which files of a folder are whole and not yet read.
///
/// A program that captures may make a file at its full size and fill it
/// afterwards, or write it bit by bit, or write each frame over the last. So a
/// file is handed out when two looks have found it alike in size and time; when
/// it then cannot be decoded it is handed out again after it has changed, or at every
/// look until patience ends.
#[derive(Debug)]
pub struct Arrivals {
    known: HashMap<PathBuf, Mark>,
}

#[derive(Debug)]
struct Mark {
    bytes: u64,
    modified: SystemTime,
    /// When it was first found as it is.
    since: Instant,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Waiting,
    Done,
}

impl Arrivals {
    /// What is in the folder already is no frame of this capture, unless it changes.
    #[must_use]
    pub fn beside(present: impl IntoIterator<Item = Seen>, now: Instant) -> Self {
        let known = present
            .into_iter()
            .map(|seen| (seen.path.clone(), Mark::of(&seen, now, State::Done)))
            .collect();
        Arrivals { known }
    }

    /// Whether a look needs this file's size and time: one read long ago is left alone.
    #[must_use]
    pub fn wants(&self, path: &Path, now: Instant) -> bool {
        self.known.get(path).is_none_or(|mark| {
            mark.state == State::Waiting || now.duration_since(mark.since) < REMEMBERED
        })
    }

    /// Takes a look's wanted files; answers those to be read now, oldest first.
    pub fn look(&mut self, mut listing: Vec<Seen>, now: Instant) -> Vec<PathBuf> {
        listing.sort_by(|a, b| (a.modified, &a.path).cmp(&(b.modified, &b.path)));
        let mut ready = Vec::new();
        for seen in listing {
            match self.known.get_mut(&seen.path) {
                Some(mark) if mark.bytes == seen.bytes && mark.modified == seen.modified => {
                    if mark.state == State::Waiting && seen.bytes > 0 {
                        ready.push(seen.path);
                    }
                }
                Some(mark) => *mark = Mark::of(&seen, now, State::Waiting),
                None => {
                    let mark = Mark::of(&seen, now, State::Waiting);
                    self.known.insert(seen.path, mark);
                }
            }
        }
        ready
    }

    /// The file was read whole.
    pub fn taken(&mut self, path: &Path, now: Instant) {
        if let Some(mark) = self.known.get_mut(path) {
            mark.state = State::Done;
            mark.since = now;
        }
    }

    /// The file could not be read. Whether it is given up, having stood still too long.
    pub fn unread(&mut self, path: &Path, now: Instant) -> bool {
        let Some(mark) = self.known.get_mut(path) else {
            return true;
        };
        let given_up = now.duration_since(mark.since) >= PATIENCE;
        if given_up {
            mark.state = State::Done;
            mark.since = now;
        }
        given_up
    }

    /// Files that are still being written, or waited for.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.known
            .values()
            .filter(|m| m.state == State::Waiting)
            .count()
    }
}

impl Mark {
    fn of(seen: &Seen, now: Instant, state: State) -> Self {
        Mark {
            bytes: seen.bytes,
            modified: seen.modified,
            since: now,
            state,
        }
    }
}

/// Most pixels held, whatever the number of frames.
const MOST_PIXELS: usize = 60_000_000;

/// The last frames of a capture, of which readings are made.
#[derive(Debug)]
pub struct Window {
    most: usize,
    frames: VecDeque<Frame>,
    fresh: usize,
    /// Frames that came in.
    pub taken: u64,
    /// Frames that left without having been part of any reading.
    pub passed_over: u64,
}

impl Window {
    /// A window of the last `most` frames.
    #[must_use]
    pub fn of(most: usize) -> Self {
        Window {
            most: most.max(1),
            frames: VecDeque::new(),
            fresh: 0,
            taken: 0,
            passed_over: 0,
        }
    }

    /// Takes the next frame. One of another size begins anew: the person has
    /// read out another part of the sensor.
    pub fn push(&mut self, frame: Frame) {
        self.taken += 1;
        let other = |f: &Frame| (f.width, f.height) != (frame.width, frame.height);
        if self.frames.back().is_some_and(other) {
            self.passed_over += self.fresh as u64;
            self.frames.clear();
            self.fresh = 0;
        }
        let room = (MOST_PIXELS / frame.data.len().max(1)).clamp(1, self.most);
        self.frames.push_back(frame);
        self.fresh += 1;
        while self.frames.len() > room {
            self.frames.pop_front();
            if self.fresh > self.frames.len() {
                self.fresh -= 1;
                self.passed_over += 1;
            }
        }
    }

    /// Whether frames came in since the last reading.
    #[must_use]
    pub fn is_fresh(&self) -> bool {
        self.fresh > 0
    }

    /// Measures what is in the window.
    pub fn reading(&mut self, setup: &Setup, options: &Options) -> Outcome {
        self.fresh = 0;
        let frames = self.frames.iter().cloned().map(Ok::<_, Unreadable>);
        measure_with(frames, setup, options, &mut |_| {
            std::ops::ControlFlow::Continue(())
        })
    }
}

/// When readings are due: a second apart, and never more than half of the time
/// spent on them, so that one core keeps up with the files.
#[derive(Debug, Clone, Copy, Default)]
pub struct Pace {
    next: Option<Instant>,
}

impl Pace {
    /// Least time from the beginning of a reading to the beginning of the next.
    const LEAST: Duration = Duration::from_secs(1);

    /// Whether a reading may begin.
    #[must_use]
    pub fn is_due(&self, now: Instant) -> bool {
        self.next.is_none_or(|next| now >= next)
    }

    /// A reading took from `began` to `ended`.
    pub fn done(&mut self, began: Instant, ended: Instant) {
        let took = ended.duration_since(began);
        self.next = Some(began + Self::LEAST.max(2 * took));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(name: &str, bytes: u64, second: u64) -> Seen {
        Seen {
            path: PathBuf::from(name),
            bytes,
            modified: SystemTime::UNIX_EPOCH + Duration::from_secs(second),
        }
    }

    fn frame(width: usize) -> Frame {
        Frame {
            width,
            height: 2,
            data: vec![0.0; 2 * width],
            full_scale: None,
            name: String::new(),
        }
    }

    #[test]
    fn a_file_is_read_once_it_stands_still_and_again_when_written_over() {
        let start = Instant::now();
        let mut a = Arrivals::beside([seen("old.fits", 9, 1)], start);
        assert!(
            a.look(vec![seen("old.fits", 9, 1), seen("a.fits", 0, 2)], start)
                .is_empty()
        );
        assert!(a.look(vec![seen("a.fits", 5, 2)], start).is_empty());
        // Made at its full size, then filled: only its time changes.
        assert!(a.look(vec![seen("a.fits", 5, 3)], start).is_empty());
        let both = || vec![seen("b.fits", 5, 1), seen("a.fits", 5, 3)];
        assert_eq!(a.look(both(), start), [PathBuf::from("a.fits")]);
        a.taken(Path::new("a.fits"), start);
        assert_eq!(a.look(both(), start), [PathBuf::from("b.fits")]);
        assert_eq!(a.waiting(), 1);
        // Old ones are left alone, one that is written over is read anew.
        a.taken(Path::new("b.fits"), start);
        assert!(!a.wants(Path::new("a.fits"), start + REMEMBERED));
        assert!(a.look(vec![seen("a.fits", 5, 4)], start).is_empty());
        assert_eq!(
            a.look(vec![seen("a.fits", 5, 4)], start),
            [PathBuf::from("a.fits")]
        );
        let changed = || vec![seen("old.fits", 12, 5)];
        assert!(a.look(changed(), start).is_empty());
        assert_eq!(a.look(changed(), start), [PathBuf::from("old.fits")]);
    }

    #[test]
    fn what_cannot_be_read_is_waited_for_and_then_given_up() {
        let start = Instant::now();
        let mut a = Arrivals::beside([], start);
        let path = Path::new("half.png");
        a.look(vec![seen("half.png", 5, 1)], start);
        assert_eq!(a.look(vec![seen("half.png", 5, 1)], start).len(), 1);
        assert!(!a.unread(path, start + PATIENCE / 2));
        // It grew: the waiting begins anew.
        let later = start + PATIENCE;
        assert!(a.look(vec![seen("half.png", 8, 2)], later).is_empty());
        assert_eq!(a.look(vec![seen("half.png", 8, 2)], later).len(), 1);
        assert!(!a.unread(path, later + PATIENCE / 2));
        assert!(a.unread(path, later + PATIENCE));
        assert!(a.look(vec![seen("half.png", 8, 2)], later).is_empty());
        assert_eq!(a.waiting(), 0);
    }

    #[test]
    fn the_window_counts_what_no_reading_saw() {
        let mut w = Window::of(3);
        for _ in 0..5 {
            w.push(frame(4));
        }
        assert_eq!((w.taken, w.passed_over, w.frames.len()), (5, 2, 3));
        w.fresh = 0;
        w.push(frame(4));
        assert_eq!((w.passed_over, w.fresh), (2, 1));
        w.push(frame(6));
        assert_eq!((w.passed_over, w.frames.len(), w.fresh), (3, 1, 1));
    }

    #[test]
    fn readings_take_at_most_half_of_the_time() {
        let start = Instant::now();
        let mut pace = Pace::default();
        assert!(pace.is_due(start));
        pace.done(start, start + Duration::from_millis(200));
        assert!(!pace.is_due(start + Duration::from_millis(999)));
        assert!(pace.is_due(start + Duration::from_secs(1)));
        pace.done(start, start + Duration::from_secs(3));
        assert!(!pace.is_due(start + Duration::from_secs(5)));
        assert!(pace.is_due(start + Duration::from_secs(6)));
    }
}
