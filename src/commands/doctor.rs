//! `tubewright doctor`: looks the data folder over and says what to mend.

use std::path::Path;
use std::process::ExitCode;

use chrono::{Duration, Utc};
use tubewright::library::{self, Library, audit_log};

use super::{DataArgs, REFUSED, block_on};

/// Arguments of `doctor`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Nothing is changed; the server may be running. Exit codes: 0 all is well, 3 something is to be mended.")]
pub struct DoctorArgs {
    #[command(flatten)]
    data: DataArgs,
}

/// One thing looked at: fine with what was seen, or to be mended.
type Seen = Result<String, String>;

/// Looks the folder over.
pub fn run(args: DoctorArgs) -> ExitCode {
    block_on(async move {
        let folder = &args.data.data;
        let mut seen = vec![("Folder", folder_of(folder))];
        match Library::look_into(folder).await {
            Ok(library) => {
                seen.push(("Database", database(folder).await));
                seen.push(("Clock", clock(&library).await?));
                seen.push(("Trail", chain(&library).await?));
                seen.push(("Frames", frames(&library).await?));
                library.close().await;
            }
            Err(library::Error::Refused(why)) => seen.push(("Database", Err(why))),
            Err(error) => return Err(error.into()),
        }
        let mut well = true;
        for (what, found) in seen {
            match found {
                Ok(words) => println!("{what}: {words}"),
                Err(mend) => {
                    well = false;
                    println!("{what}: TO MEND. {mend}");
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

/// The main file is looked at as SQLite finds it, its log included.
async fn database(folder: &Path) -> Seen {
    let room = tempfile::tempdir().map_err(|e| e.to_string())?;
    let copy = room.path().join("copy.db");
    let library = Library::look_into(folder)
        .await
        .map_err(|e| e.to_string())?;
    let holds = library::copy_of(&library, &copy).await;
    library.close().await;
    match holds {
        Ok(holds) => Ok(format!(
            "sound; {} instruments, {} logbook entries.",
            holds.instruments, holds.entries
        )),
        Err(error) => Err(format!(
            "{error} Stop the tool, keep a copy of the folder as it is, and restore the latest backup."
        )),
    }
}

async fn clock(library: &Library) -> anyhow::Result<Seen> {
    let now = Utc::now();
    let mut conn = library.read().await?;
    Ok(match library::last_written(&mut conn).await? {
        Some(last) if last > now + Duration::minutes(5) => Err(format!(
            "the last entry was written at {last}, and now it is {now}. Set the machine's clock and let it keep time (NTP)."
        )),
        _ => Ok(format!(
            "{} UTC, after the last entry.",
            now.format("%Y-%m-%d %H:%M")
        )),
    })
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
    let waiting = library::attempts::unfinished(&mut conn).await?;
    let folder = library.folder().join("frames");
    let without: Vec<String> = waiting
        .iter()
        .filter(|id| !folder.join(id.to_string()).is_dir())
        .map(ToString::to_string)
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
