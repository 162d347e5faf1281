//! Backups by themselves, at an interval, and the monthly restore drill.

use std::path::PathBuf;

use chrono::{DateTime, Duration, Utc};

use super::{
    Found, Keep, Recipient, Result, drill, kept, last_drill, make_into, note_drill, seal, tidy,
};
use library::Library;

/// Where backups go, how often, and which stay.
#[derive(Debug, Clone)]
pub struct Schedule {
    /// The folder; better on another disk than the club's data.
    pub into: PathBuf,
    /// Hours between two.
    pub every_hours: u32,
    /// Which stay.
    pub keep: Keep,
    /// Days between two restore drills; 0 for none.
    pub verify_every_days: u32,
    /// Whose public key they are encrypted to.
    pub recipient: Option<Recipient>,
}

impl Schedule {
    /// How long until the next is due, by what lies in the folder: a stop of
    /// the tool neither skips one nor makes one too many.
    fn wait(&self, now: DateTime<Utc>) -> Result<Duration> {
        let every = Duration::hours(i64::from(self.every_hours));
        Ok(match kept::list(&self.into)?.last() {
            // A newest one of a day to come is a clock that was wrong.
            Some(last) if last.made_at <= now => (last.made_at + every - now).max(Duration::zero()),
            Some(_) | None => Duration::zero(),
        })
    }

    /// What is wrong with the backups, in words that name the remedy; `None` where
    /// nothing is. `failed` is what the last round said of itself.
    pub fn complaint(&self, failed: Option<&str>, now: DateTime<Utc>) -> Option<String> {
        let place = self.into.display();
        if let Some(why) = failed {
            return Some(why.to_owned());
        }
        match kept::list(&self.into) {
            Err(error) => Some(format!("The backups cannot be looked at: {error}.")),
            Ok(found) => match found.last() {
                None => Some(format!("There is no backup in {place} yet.")),
                Some(last) if last.made_at > now => Some(format!(
                    "The newest backup, {}, is dated in the future. Set the machine's clock.",
                    last.name()
                )),
                Some(last)
                    if now - last.made_at > Duration::hours(2 * i64::from(self.every_hours)) =>
                {
                    Some(format!(
                        "A backup is overdue: the newest in {place} was made {} UTC. Look whether that folder can be written.",
                        last.made_at.format("%Y-%m-%d %H:%M")
                    ))
                }
                Some(_) => None,
            },
        }
    }

    /// The backup a drill is due for, if one is.
    fn to_verify(&self, now: DateTime<Utc>) -> Result<Option<Found>> {
        let every = Duration::days(i64::from(self.verify_every_days));
        let fresh = |at: DateTime<Utc>| at <= now && now - at < every;
        if every.is_zero() || last_drill(&self.into).is_some_and(|d| fresh(d.verified_at)) {
            return Ok(None);
        }
        let newest = kept::list(&self.into)?.pop();
        // The server has no secret key; whoever has runs the drill by hand.
        Ok(match newest {
            Some(one) if !seal::is_encrypted(&one.path)? => Some(one),
            _ => None,
        })
    }
}

/// How long after a failure it is tried again.
const AGAIN_MINUTES: i64 = 10;

/// Makes backups until dropped. What a try failed with is sent to `failed` until one
/// succeeds, and tried again.
pub async fn run(
    library: Library,
    schedule: Schedule,
    failed: tokio::sync::watch::Sender<Option<String>>,
) {
    loop {
        let wait = match round(&library, &schedule).await {
            Ok(wait) => {
                failed.send_replace(None);
                wait
            }
            Err(error) => {
                tracing::error!("{error}");
                failed.send_replace(Some(error));
                Duration::minutes(AGAIN_MINUTES)
            }
        };
        // In short steps: the machine may have slept, or its clock been set.
        let step = wait.min(Duration::minutes(AGAIN_MINUTES));
        tokio::time::sleep(step.to_std().unwrap_or_default()).await;
    }
}

/// Makes the backup and the drill that are due; how long until the next backup is.
/// What went wrong is told in words that name the remedy.
async fn round(library: &Library, schedule: &Schedule) -> std::result::Result<Duration, String> {
    let place = schedule.into.display();
    backups_due(library, schedule).await.map_err(|why| {
        format!(
            "The last backup into {place} failed: {why} It is tried again every {AGAIN_MINUTES} minutes; make room or rights there."
        )
    })?;
    drill_due(schedule).await.map_err(|why| {
        format!(
            "The restore drill of the newest backup in {place} failed: {why} Make a backup by hand, try it with backup --verify, and keep the older ones until one holds."
        )
    })?;
    schedule.wait(Utc::now()).map_err(|why| why.to_string())
}

async fn backups_due(library: &Library, schedule: &Schedule) -> Result<()> {
    let now = Utc::now();
    if schedule.wait(now)?.is_zero() {
        let made = make_into(library, &schedule.into, now, schedule.recipient.as_ref()).await?;
        tracing::info!(path = %made.path.display(), bytes = made.bytes, "backup made");
        let tidied = tidy(&schedule.into, schedule.keep, None).await?;
        for gone in tidied.removed {
            tracing::info!(path = %gone.display(), "old backup removed");
        }
    }
    Ok(())
}

async fn drill_due(schedule: &Schedule) -> Result<()> {
    let now = Utc::now();
    if let Some(one) = schedule.to_verify(now)? {
        let done = drill(&one.path, None, now).await?;
        note_drill(&schedule.into, &done)?;
        tracing::info!(path = %one.path.display(), rows = done.rows, "restore drill went well");
    }
    Ok(())
}
