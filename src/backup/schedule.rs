//! Backups by themselves, at an interval.

use std::path::PathBuf;

use chrono::{DateTime, Duration, Utc};

use super::{Result, file_name, keep_newest, make, newest};
use library::Library;

/// Where backups go, how often, and how many stay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Schedule {
    /// The folder; better on another disk than the club's data.
    pub into: PathBuf,
    /// Hours between two.
    pub every_hours: u32,
    /// How many stay.
    pub keep: u16,
}

impl Schedule {
    /// How long until the next is due, by what lies in the folder: a stop of
    /// the tool neither skips one nor makes one too many.
    fn wait(&self, now: DateTime<Utc>) -> Result<Duration> {
        let every = Duration::hours(i64::from(self.every_hours));
        Ok(match newest(&self.into)? {
            // A newest one of a day to come is a clock that was wrong.
            Some(made) if made <= now => (made + every - now).max(Duration::zero()),
            Some(_) | None => Duration::zero(),
        })
    }
}

/// How long after a failure it is tried again.
const AGAIN_MINUTES: i64 = 10;

/// Makes backups until dropped. Failures are logged and tried again.
pub async fn run(library: Library, schedule: Schedule) {
    loop {
        let wait = match schedule.wait(Utc::now()) {
            Ok(wait) if wait.is_zero() => match once(&library, &schedule).await {
                Ok(()) => continue,
                Err(error) => Err(error),
            },
            other => other,
        };
        let wait = wait.unwrap_or_else(|error| {
            tracing::error!(%error, "a backup was not made");
            Duration::minutes(AGAIN_MINUTES)
        });
        // In short steps: the machine may have slept, or its clock been set.
        let step = wait.min(Duration::minutes(AGAIN_MINUTES));
        tokio::time::sleep(step.to_std().unwrap_or_default()).await;
    }
}

async fn once(library: &Library, schedule: &Schedule) -> Result<()> {
    let now = Utc::now();
    let made = make(library, &schedule.into.join(file_name(now)), now).await?;
    tracing::info!(path = %made.path.display(), bytes = made.bytes, "backup made");
    for gone in keep_newest(&schedule.into, usize::from(schedule.keep))? {
        tracing::info!(path = %gone.display(), "old backup removed");
    }
    Ok(())
}
