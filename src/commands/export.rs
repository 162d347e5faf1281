//! `tubewright export`: the whole club as one document with its files beside it.

use std::path::PathBuf;
use std::process::ExitCode;

use chrono::Utc;
use tubewright::intake::whole;
use tubewright::library::people::{Person, Role};
use tubewright::library::sessions::{self, Purpose};
use tubewright::library::{Error, Library};

use super::{DataArgs, REFUSED, block_on};

/// Arguments of `export`.
#[derive(Debug, clap::Args)]
pub struct ExportArgs {
    /// A new folder, or a new file that ends in .zip
    #[arg(value_name = "DIR_OR_FILE")]
    to: PathBuf,
    #[command(flatten)]
    data: DataArgs,
}

/// Runs the command; the server may be running meanwhile.
pub fn run(args: ExportArgs) -> ExitCode {
    block_on(export(args))
}

async fn export(args: ExportArgs) -> anyhow::Result<ExitCode> {
    let library = Library::look_into(&args.data.data).await?;
    let written = whole::export(&library, &args.to, Utc::now()).await;
    library.close().await;
    match written {
        Ok(holdings) => {
            tell(&holdings);
            say!(
                "The whole club is in {}. It holds names and addresses: keep it where only the club can read it.",
                args.to.display()
            );
            Ok(ExitCode::SUCCESS)
        }
        Err(whole::Error::NotOne(why)) => {
            eprintln!("tubewright: {why}");
            Ok(ExitCode::from(REFUSED))
        }
        Err(error) => Err(error.into()),
    }
}

/// How many rows there are of each kind that people ask for.
fn tell(holdings: &whole::Holdings) {
    let of = |table: &str| holdings.rows.get(table).copied().unwrap_or(0);
    say!(
        "{} people, {} instruments, {} loans, {} logbook entries, {} files.",
        of("people"),
        of("instruments"),
        of("loans"),
        of("entries"),
        holdings.files
    );
}

/// Reads an export into an empty folder, and prints a sign-in link for each coordinator:
/// passwords are not in it.
pub async fn read_back(from: &std::path::Path, data: &DataArgs) -> anyhow::Result<ExitCode> {
    let library = Library::open(&data.data).await?;
    let now = Utc::now();
    let mut write = library.write().await?;
    let read = match whole::import(&mut write, from).await {
        Ok(holdings) => holdings,
        Err(whole::Error::NotOne(why) | whole::Error::Library(Error::Refused(why))) => {
            drop(write);
            library.close().await;
            eprintln!("tubewright: {why}");
            return Ok(ExitCode::from(REFUSED));
        }
        Err(error) => return Err(error.into()),
    };
    let mut links = Vec::new();
    for person in Person::list(&mut write).await? {
        if person.role == Role::Coordinator && person.may_sign_in() {
            let made =
                sessions::make_address(&mut write, Purpose::Welcome, Some(person.id), None, now);
            links.push((person.name, made.await?));
        }
    }
    write.commit().await?;
    library.close().await;
    tell(&read);
    say!(
        "The club is in {}. Passwords are not in an export; coordinators choose new ones at these addresses, which work once, for three days:",
        data.data.display()
    );
    for (name, link) in links {
        say!("  {name}: /welcome/{}", link.text());
    }
    Ok(ExitCode::SUCCESS)
}
