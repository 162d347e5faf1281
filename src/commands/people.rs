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
    /// Print who is on the list: name, address, role
    List(ListArgs),
}

/// Arguments of `people list`.
#[derive(Debug, clap::Args)]
pub struct ListArgs {
    #[command(flatten)]
    data: DataArgs,
}

/// Arguments of `people add`.
#[derive(Debug, clap::Args)]
pub struct AddArgs {
    #[command(flatten)]
    data: DataArgs,
    /// Name as others see it
    #[arg(long)]
    name: String,
    /// Address they sign in with; left out for somebody without mail, who does not sign in
    #[arg(long, default_value = "")]
    email: String,
    /// A guest: borrows without being a member, and does not sign in
    #[arg(long)]
    guest: bool,
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
        PeopleCommand::List(args) => block_on(list(args)),
    }
}

async fn add(args: AddArgs) -> anyhow::Result<ExitCode> {
    let new = NewPerson {
        name: args.name,
        email: args.email,
        role: args.role,
        guest: args.guest,
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
    let signs_in = new.address().is_some() && !new.guest;
    let token = match signs_in {
        true => {
            Some(sessions::make_address(&mut write, Purpose::Welcome, Some(id), None, now).await?)
        }
        false => None,
    };
    let audit_entry = AuditEntry {
        at: now,
        person: None,
        address: "command line",
        what: "people add",
        words: &format!("Added a {}.", what(new.guest, new.role)),
    };
    audit_log::add(&mut write, &audit_entry).await?;
    write.commit().await?;
    library.close().await;
    let Some(token) = token else {
        say!(
            "{} is on the list as {} and does not sign in.",
            new.name,
            what(new.guest, new.role)
        );
        return Ok(ExitCode::SUCCESS);
    };
    say!(
        "{} is on the list as {}. They choose a password at this address, which works once, for three days:\n  {}/welcome/{}",
        new.name,
        new.role,
        args.public_address.trim_end_matches('/'),
        token.text()
    );
    Ok(ExitCode::SUCCESS)
}

fn what(guest: bool, role: Role) -> &'static str {
    if guest { "guest" } else { role.label() }
}

/// One person a line, with tabs between.
async fn list(args: ListArgs) -> anyhow::Result<ExitCode> {
    let library = Library::look_into(&args.data.data).await?;
    let people = Person::list(&mut *library.read().await?).await?;
    library.close().await;
    for person in people {
        let role = what(person.guest, person.role);
        say!("{}\t{}\t{role}", person.name, person.mail());
    }
    Ok(ExitCode::SUCCESS)
}
