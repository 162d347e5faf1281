//! `tubewright doctor`: looks the data folder over and says what to mend.

use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use chrono::{Duration, Utc};
use tubewright::backup::{self, Keep};
use tubewright::library::{self, Library, audit_log};
use tubewright::web::measuring::files;
use tubewright::web::watch;

use super::{DataArgs, REFUSED, block_on};

/// Arguments of `doctor`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Nothing is changed; the server may be running. Exit codes: 0 all is well, 3 something is to be mended.")]
pub struct DoctorArgs {
    #[command(flatten)]
    data: DataArgs,
    /// The folder backups are made in
    #[arg(long, value_name = "DIR", env = "TUBEWRIGHT_BACKUP_INTO")]
    backups: Option<PathBuf>,
    /// Which of them stay: the newest of so many days, weeks and months that have one
    #[arg(long, value_name = "DAYS,WEEKS,MONTHS", env = "TUBEWRIGHT_BACKUP_KEEP", default_value_t = Keep::default())]
    keep: Keep,
}

/// One thing looked at: fine with what was seen, or to be mended.
type Seen = Result<String, String>;

/// Looks the folder over.
pub fn run(args: DoctorArgs) -> ExitCode {
    block_on(async move {
        let folder = &args.data.data;
        let mut seen = vec![
            ("Folder", folder_of(folder)),
            ("Rights", rights(folder, args.backups.as_deref())?),
            ("Disk", disk(folder, args.backups.as_deref())),
            // Before anything opens the database and folds the log in.
            ("Write-ahead log", log(folder)),
        ];
        if let Some(backups) = &args.backups {
            seen.push(("Backups", kept(backups, args.keep)));
        }
        let foreign = library::log_trouble(folder).is_some_and(|t| t.foreign);
        let opened = if foreign {
            Err(library::Error::Refused(
                "not opened, because of its write-ahead log.".to_owned(),
            ))
        } else {
            Library::look_into(folder).await
        };
        match opened {
            Ok(library) => {
                seen.push(("Database", database(folder).await));
                seen.push(("Clock", clock(&library).await.unwrap_or_else(unread)));
                seen.push(("Audit log", chain(&library).await.unwrap_or_else(unread)));
                seen.push(("Frames", frames(&library).await.unwrap_or_else(unread)));
                library.close().await;
            }
            Err(library::Error::Refused(why)) => seen.push(("Database", Err(why))),
            Err(error) => seen.push(("Database", unread(error))),
        }
        let mut well = true;
        for (what, found) in seen {
            match found {
                Ok(words) => say!("{what}: {words}"),
                Err(mend) => {
                    well = false;
                    say!("{what}: TO MEND. {mend}");
                }
            }
        }
        Ok(if well {
            ExitCode::SUCCESS
        } else {
            ExitCode::from(REFUSED)
        })
    })
}

fn folder_of(folder: &Path) -> Seen {
    let place = folder.display();
    tempfile::Builder::new()
        .prefix(".tubewright-doctor-")
        .tempfile_in(folder)
        .and_then(|mut file| {
            std::io::Write::write_all(&mut file, &[0; 65_536])?;
            file.as_file().sync_all()
        })
        .map(|()| format!("{place} can be written."))
        .map_err(|e| {
            format!(
                "{place} cannot be written ({e}). Give the tool's user the right to, or make room on the disk."
            )
        })
}

/// What can't be read of the database, with the mend.
fn unread(error: impl Display) -> Seen {
    let error = error.to_string();
    if error.contains(library::DAMAGED) {
        return Err(error);
    }
    let error = error.trim_end_matches('.');
    Err(format!("{error}. {}", library::DAMAGED))
}

/// The main file is looked at as SQLite finds it, its log included.
async fn database(folder: &Path) -> Seen {
    let room = tempfile::tempdir().map_err(|e| e.to_string())?;
    let copy = room.path().join("copy.db");
    let library = match Library::look_into(folder).await {
        Ok(library) => library,
        Err(error) => return unread(error),
    };
    let holds = library::copy_of(&library, &copy).await;
    library.close().await;
    match holds {
        Ok(holds) => Ok(format!(
            "sound; {} instruments, {} logbook entries.",
            holds.instruments, holds.entries
        )),
        Err(error) => unread(error),
    }
}

async fn clock(library: &Library) -> anyhow::Result<Seen> {
    let now = Utc::now();
    let ahead = library.dated_ahead(now + Duration::minutes(5)).await?;
    let time = now.format("%Y-%m-%d %H:%M UTC");
    Ok(if ahead.is_empty() {
        Ok(format!("{time}; nothing is dated later."))
    } else {
        let rows: Vec<String> = ahead
            .iter()
            .map(|(column, rows, latest)| format!("{column} ({rows}, the latest {latest})"))
            .collect();
        Err(format!(
            "it is {time} by this machine, and rows are dated later: {}. If that time is wrong, set the clock and let it keep time (NTP). \
             If it is right, the clock was ahead when they were written: add a note with the true date to the logbook of each instrument concerned, \
             or restore a backup from before.",
            rows.join(", ")
        ))
    })
}

/// Who may read the folders and what lies in them.
fn rights(folder: &Path, backups: Option<&Path>) -> anyhow::Result<Seen> {
    let mut paths = vec![folder.to_owned()];
    if let Some(backups) = backups {
        paths.push(backups.to_owned());
        paths.extend(backup::list(backups)?.into_iter().map(|one| one.path));
    }
    let open: Vec<String> = backup::open_to_others(&paths)
        .iter()
        .map(|(path, rights)| format!("{} ({rights:04o})", path.display()))
        .collect();
    Ok(if open.is_empty() {
        Ok("only their owner may read the folder and the backups.".to_owned())
    } else {
        Err(format!(
            "others than their owner may look into {}. They hold names and addresses: chmod 700 the folders, chmod 600 the files.",
            open.join(", ")
        ))
    })
}

fn disk(folder: &Path, backups: Option<&Path>) -> Seen {
    let mut words = Vec::new();
    for place in std::iter::once(folder).chain(backups) {
        match watch::free_share(place) {
            Some(free) => match watch::disk_words(place, free) {
                Some(trouble) if free < watch::FULL => return Err(trouble),
                // Nothing fails yet: it is told, and the folder still counts as well.
                Some(soon) => words.push(soon),
                None => words.push(format!("{:.0} % free at {}", 100.0 * free, place.display())),
            },
            None => words.push(format!("not known at {}", place.display())),
        }
    }
    Ok(format!("{}.", words.join(", ")))
}

fn log(folder: &Path) -> Seen {
    match library::log_trouble(folder) {
        None => Ok("none, or the server's own.".to_owned()),
        Some(trouble) => Err(trouble.words),
    }
}

/// The backups there are, which of them stay and why, and the last restore drill.
fn kept(folder: &Path, keep: Keep) -> Seen {
    let found = backup::list(folder).map_err(|e| e.to_string())?;
    let Some(last) = found.last() else {
        return Err(format!(
            "there are none in {}. Make one: tubewright backup --into {}",
            folder.display(),
            folder.display()
        ));
    };
    let now = Utc::now() + Duration::minutes(5);
    let ahead: Vec<String> = found
        .iter()
        .filter(|one| one.made_at > now)
        .map(backup::Found::name)
        .collect();
    let drill = match backup::last_drill(folder) {
        Some(done) => super::backup::drill_words(&done),
        None => format!(
            "None has been tried: tubewright backup --verify --into {}",
            folder.display()
        ),
    };
    let mut words = format!(
        "{} in {}, the newest {}. {drill}",
        found.len(),
        folder.display(),
        last.name()
    );
    for (one, why) in found.iter().zip(backup::reasons(&found, keep)).rev() {
        let why = if why.is_empty() {
            "goes with the next backup".to_owned()
        } else {
            format!("kept as {}", why.join(", "))
        };
        words += &format!("\n  {}: {why}", one.name());
    }
    if ahead.is_empty() {
        Ok(words)
    } else {
        Err(format!(
            "dated in the future, by a clock that was ahead: {}. They count by their number, so no other is lost; remove them by hand once a newer one has been verified. {words}",
            ahead.join(", ")
        ))
    }
}

async fn chain(library: &Library) -> anyhow::Result<Seen> {
    let mut conn = library.read().await?;
    let chain = audit_log::check(&mut conn).await?;
    Ok(match chain.broken_at {
        None => Ok(format!(
            "{} rows hold together; the last one's mark is {}.",
            chain.sound,
            if chain.head.is_empty() {
                "none"
            } else {
                &chain.head
            }
        )),
        Some(number) => Err(format!(
            "row {number} is not as it was written. Somebody or something changed the database; compare with a backup."
        )),
    })
}

async fn frames(library: &Library) -> anyhow::Result<Seen> {
    let mut conn = library.read().await?;
    let waiting = library::attempts::in_hand(&mut conn).await?;
    let without: Vec<String> = waiting
        .iter()
        .filter(|one| !files::folder_of(library, one.id).is_dir())
        .map(|one| one.id.to_string())
        .collect();
    Ok(if without.is_empty() {
        Ok(format!("{} sets wait to be measured.", waiting.len()))
    } else {
        Err(format!(
            "the frames of {} are gone. They will be marked as failed at the next start; send them again.",
            without.join(", ")
        ))
    })
}
