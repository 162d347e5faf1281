//! `tubewright backup` and `tubewright restore`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use chrono::Utc;
use tubewright::backup::{self, Drill, Error, Keep, Key, Recipient, Restored};
use tubewright::library::{self, Library};

use super::{DATA_FOLDER, DataArgs, REFUSED, USAGE, block_on};

/// Arguments of `backup`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
The server may be running. The file holds the whole club: database, photos, frames that wait to be \
measured, each with its checksum, and only its owner may read it. With --verify nothing is made: the \
backup is put back into a scratch folder, opened as the server would, compared with what it says of \
itself, and the scratch folder is removed.")]
pub struct BackupArgs {
    #[command(flatten)]
    data: DataArgs,
    /// The file to make, or with --verify to try
    #[arg(value_name = "FILE", required_unless_present = "into")]
    file: Option<PathBuf>,
    /// Make a file named by its number and the date in this folder instead; with --verify try the newest there
    #[arg(long, value_name = "DIR", conflicts_with = "file")]
    into: Option<PathBuf>,
    /// Keep the newest of so many days, weeks and months that have one in that folder, and remove
    /// the others: 7,5,12
    #[arg(long, value_name = "DAYS,WEEKS,MONTHS", requires = "into")]
    keep: Option<Keep>,
    /// Encrypt it to this public key (age1...), in the open format of age
    #[arg(long, value_name = "PUBLIC-KEY", env = "TUBEWRIGHT_BACKUP_FOR")]
    encrypt_for: Option<Recipient>,
    /// Make nothing; put a backup back into a scratch folder and compare
    #[arg(long, conflicts_with = "keep")]
    verify: bool,
    /// With --verify: the file with the secret key of an encrypted backup
    #[arg(long, value_name = "FILE", requires = "verify")]
    key: Option<PathBuf>,
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
    /// The file with the secret key of an encrypted backup
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// The folder to put it in; made when missing
    #[arg(
        long,
        value_name = "DIR",
        env = "TUBEWRIGHT_DATA",
        default_value = DATA_FOLDER
    )]
    data: PathBuf,
}

/// Makes a backup, or tries one.
pub fn backup(args: BackupArgs) -> ExitCode {
    block_on(async move {
        let now = Utc::now();
        if args.verify {
            return verify(&args).await;
        }
        let library = match Library::look_into(&args.data.data).await {
            Ok(library) => library,
            Err(error) => return refused(error.into()),
        };
        let recipient = args.encrypt_for.as_ref();
        let made = match (&args.file, &args.into) {
            (Some(file), _) => backup::make(&library, file, now, recipient).await,
            (None, Some(folder)) => backup::make_into(&library, folder, now, recipient).await,
            (None, None) => return Ok(ExitCode::from(USAGE)),
        };
        library.close().await;
        let made = match made {
            Ok(made) => made,
            Err(error) => return refused(error),
        };
        say!(
            "{} made, {:.1} MB, {} sets of frames waiting to be measured in it.",
            made.path.display(),
            made.bytes as f64 / 1e6,
            made.waiting
        );
        if let (Some(folder), Some(keep)) = (&args.into, args.keep) {
            let tidied = match backup::tidy(folder, keep, None).await {
                Ok(tidied) => tidied,
                Err(error) => return refused(error),
            };
            for gone in tidied.removed {
                say!("{} removed.", gone.display());
            }
            for spared in tidied.spared {
                say!(
                    "{} kept: none of the newer ones can be read whole.",
                    spared.display()
                );
            }
        }
        Ok(ExitCode::SUCCESS)
    })
}

async fn verify(args: &BackupArgs) -> anyhow::Result<ExitCode> {
    let newest = |folder: &Path| -> Result<PathBuf, Error> {
        let last = backup::list(folder)?.pop();
        last.map(|one| one.path)
            .ok_or_else(|| Error::Refused(format!("There is no backup in {}.", folder.display())))
    };
    let tried = async {
        let archive = match (&args.file, &args.into) {
            (Some(file), _) => file.clone(),
            (None, folder) => newest(folder.as_deref().unwrap_or(Path::new(".")))?,
        };
        let key = args.key.as_deref().map(Key::read).transpose()?;
        let done = backup::drill(&archive, key.as_ref(), Utc::now()).await?;
        if let Some(folder) = &args.into {
            backup::note_drill(folder, &done)?;
        }
        Ok(done)
    };
    match tried.await {
        Ok(done) => {
            say!("{}", drill_words(&done));
            Ok(ExitCode::SUCCESS)
        }
        Err(error) => refused(error),
    }
}

/// A drill in words.
pub fn drill_words(done: &Drill) -> String {
    format!(
        "{}, made {}, was put back on {} and agrees with itself: {} files, {} rows.",
        done.file,
        done.made_at.format("%Y-%m-%d %H:%M UTC"),
        done.verified_at.format("%Y-%m-%d %H:%M UTC"),
        done.files,
        done.rows
    )
}

/// Checks a backup, and puts it back.
pub fn restore(args: RestoreArgs) -> ExitCode {
    block_on(async move {
        let key = match args.key.as_deref().map(Key::read).transpose() {
            Ok(key) => key,
            Err(error) => return refused(error),
        };
        let outcome = if args.check {
            backup::check(&args.file, key.as_ref()).await
        } else {
            backup::restore(&args.file, &args.data, key.as_ref()).await
        };
        let Restored {
            made_at,
            made_by,
            holds,
            ..
        } = match outcome {
            Ok(restored) => restored,
            Err(error) => return refused(error),
        };
        say!(
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
            say!(
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
