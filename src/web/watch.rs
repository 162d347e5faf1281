//! What is amiss with the machine the tool runs on: damaged pages, a disk that fills,
//! a backup that failed or is overdue, a clock that went back. Looked at each minute,
//! the pages at the start and daily. It is told at `/health/ready`, on the
//! coordinators' shelf, and by `tubewright doctor`.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use tokio::sync::watch::Receiver;

use super::App;
use super::post::Post;
use crate::backup::Schedule;
use crate::library::{self, Library, LogTrouble, Moment, Place, check_pages};

/// How often the machine is looked at.
const EVERY: Duration = Duration::from_secs(60);
/// How often the pages of the database are read.
const PAGES_EVERY: Duration = Duration::from_secs(24 * 3600);
/// The rest between two tables while they are.
const REST: Duration = Duration::from_millis(50);
/// A clock further back than this was set back.
const CLOCK_MINUTES: i64 = 5;

/// One thing that is amiss.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amiss {
    /// In a few words that name nobody and no place: the readiness address has them.
    pub what: &'static str,
    /// What is wrong and what to do, for coordinators.
    pub words: String,
    /// Whether the tool cannot do its work so.
    pub stops: bool,
}

/// What is amiss now; clones share it.
#[derive(Debug, Clone, Default)]
pub struct Watch(Arc<Seen>);

#[derive(Debug, Default)]
struct Seen {
    amiss: Mutex<Vec<Amiss>>,
    backs_up: AtomicBool,
}

impl Watch {
    /// Everything that is.
    pub fn amiss(&self) -> Vec<Amiss> {
        self.0
            .amiss
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Whether backups are made by themselves.
    pub fn backs_up(&self) -> bool {
        self.0.backs_up.load(Ordering::Relaxed)
    }

    /// Says what is from now on.
    pub fn set(&self, amiss: Vec<Amiss>) {
        *self.0.amiss.lock().unwrap_or_else(PoisonError::into_inner) = amiss;
    }
}

/// The share of a disk that is free for the tool; `None` where the system does not say.
pub fn free_share(place: &Path) -> Option<f64> {
    #[cfg(unix)]
    {
        let disk = rustix::fs::statvfs(place).ok()?;
        (disk.f_blocks > 0).then(|| disk.f_bavail as f64 / disk.f_blocks as f64)
    }
    #[cfg(not(unix))]
    {
        let _ = place;
        None
    }
}

/// The share of a disk, free, under which it counts as full.
pub const FULL: f64 = 0.02;

/// What to say of a disk with so much free: under 10 % and under [`FULL`].
pub fn disk_words(place: &Path, free: f64) -> Option<String> {
    let place = place.display();
    let percent = 100.0 * free;
    if free < FULL {
        Some(format!(
            "The disk of {place} is nearly full: {percent:.1} % is free. Nothing can be saved once it is. Remove files that are not the club's now, or stop the tool and move its folder to a larger disk."
        ))
    } else if free < 0.1 {
        Some(format!(
            "The disk of {place} is filling up: {percent:.0} % is free. Make room in the coming days: old files, or fewer backups (--backup-keep)."
        ))
    } else {
        None
    }
}

/// Looks at the machine; clones are the same one.
#[derive(Debug, Clone)]
pub struct Watcher(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    library: Library,
    watch: Watch,
    place: Mutex<Option<Place>>,
    backups: Option<(Schedule, Receiver<Option<String>>)>,
    post: Post,
    /// What was found at the start and stays said until the next.
    at_start: Vec<Amiss>,
    /// What was found since, and stays said too.
    pages: Mutex<Option<Amiss>>,
    clock: Mutex<Option<Amiss>>,
}

impl Watcher {
    /// Looks once, and notes that the folder is served.
    ///
    /// # Errors
    /// When the database cannot be read or the note not be written.
    pub async fn start(
        app: &App,
        place: Place,
        log: Option<LogTrouble>,
        backups: Option<(Schedule, Receiver<Option<String>>)>,
    ) -> library::Result<Self> {
        let now = app.clock.now();
        let mut at_start = Vec::new();
        if let Some(trouble) = log {
            tracing::error!("{}", trouble.words);
            at_start.push(Amiss {
                what: "write-ahead log",
                words: trouble.words,
                stops: false,
            });
        }
        let written = {
            let mut conn = app.library.read().await?;
            library::last_written(&mut conn).await?
        };
        let seen = place.before.map(|left| left.at).max(written);
        at_start.extend(went_back(seen, now));
        place.note(now).map_err(|said| library::Error::Folder {
            path: app.library.folder().to_owned(),
            said,
        })?;
        let backs_up = backups.is_some();
        app.watch.0.backs_up.store(backs_up, Ordering::Relaxed);
        let watcher = Self(Arc::new(Inner {
            library: app.library.clone(),
            watch: app.watch.clone(),
            post: app.post.clone(),
            place: Mutex::new(Some(place)),
            backups,
            at_start,
            pages: Mutex::default(),
            clock: Mutex::default(),
        }));
        watcher.look(now);
        Ok(watcher)
    }

    /// Looks until dropped.
    pub async fn run(self) {
        let mut pages_at: Option<Instant> = None;
        let (mut then, mut since) = (chrono::Utc::now(), Instant::now());
        loop {
            let now = chrono::Utc::now();
            // The machine's own count of seconds does not follow its clock.
            let passed = TimeDelta::from_std(since.elapsed()).unwrap_or_default();
            if let Some(back) = went_back(Some(then + passed), now) {
                *self.0.clock.lock().unwrap_or_else(PoisonError::into_inner) = Some(back);
            }
            (then, since) = (now, Instant::now());
            if pages_at.is_none_or(|at| at.elapsed() >= PAGES_EVERY) {
                pages_at = Some(Instant::now());
                self.read_pages().await;
            }
            self.look(now);
            if let Some(place) = &*self.0.place.lock().unwrap_or_else(PoisonError::into_inner)
                && let Err(error) = place.note(now)
            {
                tracing::warn!(%error, "that the folder is served could not be noted");
            }
            tokio::time::sleep(EVERY).await;
        }
    }

    /// Notes that all was closed; after the library was.
    pub fn close(&self) {
        let place = self
            .0
            .place
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        if let Some(Err(error)) = place.map(|place| place.close(chrono::Utc::now())) {
            tracing::warn!(%error, "that the folder was closed could not be noted");
        }
    }

    async fn read_pages(&self) {
        let found = match check_pages(self.0.library.folder(), REST).await {
            Ok(()) => None,
            Err(library::Error::Refused(words)) => {
                tracing::error!("{words}");
                Some(Amiss {
                    what: "database damaged",
                    words,
                    stops: true,
                })
            }
            Err(error) => {
                tracing::warn!(%error, "the pages of the database could not be read");
                return;
            }
        };
        *self.0.pages.lock().unwrap_or_else(PoisonError::into_inner) = found;
    }

    /// Puts together what is amiss.
    fn look(&self, now: Moment) {
        let inner = &self.0;
        let mut amiss = Vec::new();
        let held =
            |one: &Mutex<Option<Amiss>>| one.lock().unwrap_or_else(PoisonError::into_inner).clone();
        amiss.extend(held(&inner.pages));
        let mut places: Vec<PathBuf> = vec![inner.library.folder().to_owned()];
        places.extend(
            inner
                .backups
                .iter()
                .map(|(schedule, _)| schedule.into.clone()),
        );
        for place in places {
            if let Some(words) = free_share(&place).and_then(|free| disk_words(&place, free)) {
                amiss.push(Amiss {
                    what: "disk nearly full",
                    words,
                    stops: false,
                });
            }
        }
        if let Some((schedule, failed)) = &inner.backups {
            let failed = failed.borrow().clone();
            if let Some(words) = schedule.complaint(failed.as_deref(), now) {
                amiss.push(Amiss {
                    what: "backup failed or overdue",
                    words,
                    stops: false,
                });
            }
        }
        if let Some(words) = inner.post.trouble() {
            amiss.push(Amiss {
                what: "mail does not go out",
                words,
                stops: false,
            });
        }
        amiss.extend(held(&inner.clock));
        amiss.extend(inner.at_start.iter().cloned());
        inner.watch.set(amiss);
    }
}

/// A clock that now says less than was seen before.
fn went_back(seen: Option<Moment>, now: Moment) -> Option<Amiss> {
    let seen = seen.filter(|seen| *seen - now > TimeDelta::minutes(CLOCK_MINUTES))?;
    Some(Amiss {
        what: "clock went back",
        words: format!(
            "The machine's clock says {}, and it said {} before. Set it and let it keep time (NTP). `tubewright doctor` lists what is dated in the future and what to do about it.",
            now.format("%Y-%m-%d %H:%M UTC"),
            seen.format("%Y-%m-%d %H:%M UTC"),
        ),
        stops: false,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_disk_is_named_at_a_tenth_and_at_a_fiftieth() {
        let place = Path::new("/srv/club");
        assert_eq!(disk_words(place, 0.1), None);
        assert!(
            disk_words(place, 0.099)
                .unwrap()
                .contains("filling up: 10 %")
        );
        assert!(
            disk_words(place, 0.019)
                .unwrap()
                .contains("nearly full: 1.9 %")
        );
        #[cfg(unix)]
        assert!(free_share(&std::env::temp_dir()).is_some_and(|free| (0.0..=1.0).contains(&free)));
    }

    #[test]
    fn only_a_clock_minutes_behind_went_back() {
        let now: Moment = "2026-11-26T20:00:00Z".parse().unwrap();
        for (ahead, told) in [
            (-500_000, false),
            (0, false),
            (5, false),
            (6, true),
            (525_601, true),
        ] {
            let seen = Some(now + TimeDelta::minutes(ahead));
            assert_eq!(went_back(seen, now).is_some(), told, "{ahead}");
        }
        assert_eq!(went_back(None, now), None);
    }
}
