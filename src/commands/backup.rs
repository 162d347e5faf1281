//! `tubewright backup` and `tubewright restore`.

use std::path::PathBuf;
use std::process::ExitCode;

use chrono::Utc;
use tubewright::backup::{self, Error, Restored};
use tubewright::library::{self, Library};

use super::{DATA_FOLDER, DataArgs, REFUSED, USAGE, block_on};

/// Arguments of `backup`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
The server may be running. The file holds the whole club: database, photos, frames that wait to be \
measured, each with its checksum. `tubewright restore --check FILE` reads it back without touching anything.")]
pub struct BackupArgs {
    #[command(flatten)]
    data: DataArgs,
    /// The file to make
    #[arg(value_name = "FILE", required_unless_present = "into")]
    file: Option<PathBuf>,
    /// Make a file named by the date in this folder instead
    #[arg(long, value_name = "DIR", conflicts_with = "file")]
    into: Option<PathBuf>,
    /// Keep so many of the files named by date in that folder, and remove older ones
    #[arg(long, value_name = "COUNT", requires = "into", value_parser = clap::value_parser!(u16).range(1..))]
    keep: Option<u16>,
}

/// Arguments of `restore`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
The backup is read and checked whole before the folder is touched, and goes into an empty or new \
folder only.")]
pub struct RestoreArgs {
    /// The backup
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Only read it whole and say what is in it
    #[arg(long)]
    check: bool,
    /// The folder to put it in; made when missing
    #[arg(
        long,
        value_name = "DIR",
        env = "TUBEWRIGHT_DATA",
        default_value = DATA_FOLDER
    )]
    data: PathBuf,
}

/// Makes a backup.
pub fn backup(args: BackupArgs) -> ExitCode {
    block_on(async move {
        let now = Utc::now();
        let to = match (&args.file, &args.into) {
            (Some(file), _) => file.clone(),
            (None, Some(folder)) => folder.join(backup::file_name(now)),
            (None, None) => return Ok(ExitCode::from(USAGE)),
        };
        let library = match Library::look_into(&args.data.data).await {
            Ok(library) => library,
            Err(error) => return refused(error.into()),
        };
        let made = backup::make(&library, &to, now).await;
        library.close().await;
        let made = match made {
            Ok(made) => made,
            Err(error) => return refused(error),
        };
        println!(
            "{} made, {:.1} MB, {} sets of frames waiting to be measured in it.",
            made.path.display(),
            made.bytes as f64 / 1e6,
            made.waiting
        );
        if let (Some(folder), Some(keep)) = (&args.into, args.keep) {
            for gone in backup::keep_newest(folder, usize::from(keep))? {
                println!("{} removed.", gone.display());
            }
        }
        Ok(ExitCode::SUCCESS)
    })
}

/// Checks a backup, and puts it back.
pub fn restore(args: RestoreArgs) -> ExitCode {
    block_on(async move {
        let outcome = if args.check {
            backup::check(&args.file).await
        } else {
            backup::restore(&args.file, &args.data).await
        };
        let Restored {
            made_at,
            made_by,
            holds,
        } = match outcome {
            Ok(restored) => restored,
            Err(error) => return refused(error),
        };
        println!(
            "{}: {} instruments, {} logbook entries; made {} by version {made_by}. Every file is as it was written.",
            if holds.club.is_empty() {
                "A club without a name yet"
            } else {
                &holds.club
            },
            holds.instruments,
            holds.entries,
            made_at.format("%Y-%m-%d %H:%M UTC"),
        );
        if !args.check {
            println!(
                "It is in {}. Start it with: tubewright serve --data {}",
                args.data.display(),
                args.data.display()
            );
        }
        Ok(ExitCode::SUCCESS)
    })
}

fn refused(error: Error) -> anyhow::Result<ExitCode> {
    match error {
        Error::Refused(why)
        | Error::Damaged(why)
        | Error::Library(library::Error::Refused(why)) => {
            eprintln!("tubewright: {why}");
            Ok(ExitCode::from(REFUSED))
        }
        other => Err(other.into()),
    }
}
