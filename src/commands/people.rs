//! `tubewright people`.

use std::process::ExitCode;

use chrono::Utc;
use tubewright::library::audit_log::{self, AuditEntry};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::sessions::{self, Purpose};
use tubewright::library::{Error, Library};

use super::{DataArgs, REFUSED, block_on};

/// Arguments of `people`.
#[derive(Debug, clap::Subcommand)]
pub enum PeopleCommand {
    /// Add a person and print a sign-in link at which they choose a password
    Add(AddArgs),
}

/// Arguments of `people add`.
#[derive(Debug, clap::Args)]
pub struct AddArgs {
    #[command(flatten)]
    data: DataArgs,
    /// Name as others see it
    #[arg(long)]
    name: String,
    /// Address they sign in with
    #[arg(long)]
    email: String,
    /// member, volunteer or coordinator
    #[arg(long, default_value = "member")]
    role: Role,
    /// Where the club reaches the tool, for the address that is printed
    #[arg(
        long,
        value_name = "URL",
        env = "TUBEWRIGHT_PUBLIC_ADDRESS",
        default_value = "http://127.0.0.1:8017"
    )]
    public_address: String,
}

/// Runs the command; the server may be running meanwhile.
pub fn run(command: PeopleCommand) -> ExitCode {
    match command {
        PeopleCommand::Add(args) => block_on(add(args)),
    }
}

async fn add(args: AddArgs) -> anyhow::Result<ExitCode> {
    let new = NewPerson {
        name: args.name,
        email: args.email,
        role: args.role,
    };
    let new = match new.check() {
        Ok(new) => new,
        Err((field, words)) => {
            eprintln!("tubewright: --{field}: {words}");
            return Ok(ExitCode::from(REFUSED));
        }
    };
    let library = Library::open(&args.data.data).await?;
    let now = Utc::now();
    let mut write = library.write().await?;
    let id = match Person::add(&mut write, &new, now).await {
        Ok(id) => id,
        Err(Error::Refused(why)) => {
            eprintln!("tubewright: {why}");
            return Ok(ExitCode::from(REFUSED));
        }
        Err(error) => return Err(error.into()),
    };
    let token = sessions::make_address(&mut write, Purpose::Welcome, Some(id), None, now).await?;
    let audit_entry = AuditEntry {
        at: now,
        person: None,
        address: "command line",
        what: "people add",
        words: &format!("Added a {}.", new.role),
    };
    audit_log::add(&mut write, &audit_entry).await?;
    write.commit().await?;
    library.close().await;
    println!(
        "{} is on the list as {}. They choose a password at this address, which works once, for three days:\n  {}/welcome/{}",
        new.name,
        new.role,
        args.public_address.trim_end_matches('/'),
        token.text()
    );
    Ok(ExitCode::SUCCESS)
}
