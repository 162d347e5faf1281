//! What the commands of a volunteer share: each does one thing that the pages do too,
//! signed and under the same rules.

use std::process::ExitCode;

use chrono::Utc;
use tubewright::library::audit_log::{self, AuditEntry};
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::Instrument;
use tubewright::library::people::{Person, Role};
use tubewright::library::{Conn, Error, Library, Moment, PersonId, Write};

use super::{DataArgs, REFUSED};

/// Whose hand it is and where the club's data lies.
#[derive(Debug, clap::Args)]
pub struct Signed {
    #[command(flatten)]
    pub data: DataArgs,
    /// Who does it: the address they sign in with; a volunteer or a coordinator
    #[arg(long, value_name = "EMAIL", env = "TUBEWRIGHT_BY")]
    pub by: String,
}

/// One act at the desk: who does it to which instrument, and the write it is part of.
pub struct Desk {
    library: Library,
    pub write: Write,
    pub now: Moment,
    pub by: Person,
    pub instrument: Instrument,
}

/// Begins an act.
pub async fn begin(signed: &Signed, tag: &str) -> Result<Desk, Error> {
    let (library, now) = open(signed).await?;
    let mut write = library.write().await?;
    Ok(Desk {
        by: signer(&mut write, &signed.by).await?,
        instrument: Instrument::by_tag(&mut write, tag).await?,
        library,
        write,
        now,
    })
}

impl Desk {
    /// A line of its logbook; each noun sets its own kind.
    pub fn entry(&self) -> NewEntry {
        NewEntry {
            instrument: self.instrument.id,
            kind: EntryKind::Note,
            happened_at: self.now,
            recorded_at: self.now,
            by: self.by.id,
            loan: None,
            note: String::new(),
        }
    }

    /// Notes it in the audit log, commits it and closes the library.
    pub async fn finish(mut self, command: &str, said: String) -> Result<String, Error> {
        audit(&mut self.write, self.by.id, command, &said).await?;
        self.write.commit().await?;
        self.library.close().await;
        Ok(said)
    }
}

/// Says what was done, or why it was not.
pub async fn told(work: impl Future<Output = Result<String, Error>>) -> anyhow::Result<ExitCode> {
    match work.await {
        Ok(words) => {
            say!("{words}");
            Ok(ExitCode::SUCCESS)
        }
        Err(Error::Refused(why)) => {
            eprintln!("tubewright: {why}");
            Ok(ExitCode::from(REFUSED))
        }
        Err(Error::NotFound(what)) => {
            eprintln!("tubewright: there is no such {what}.");
            Ok(ExitCode::from(REFUSED))
        }
        Err(error) => Err(error.into()),
    }
}

pub async fn audit(conn: &mut Conn, by: PersonId, command: &str, words: &str) -> Result<(), Error> {
    let audit_entry = AuditEntry {
        at: Utc::now(),
        person: Some(by),
        address: "command line",
        what: command,
        words,
    };
    audit_log::add(conn, &audit_entry).await
}

/// Opens a folder that holds a club already: a mistyped one is not filled.
pub async fn open(signed: &Signed) -> Result<(Library, Moment), Error> {
    Library::look_into(&signed.data.data).await?.close().await;
    Ok((Library::open(&signed.data.data).await?, Utc::now()))
}

pub async fn person(conn: &mut Conn, named: &str, flag: &str) -> Result<Person, Error> {
    match Person::named(conn, named).await {
        Err(Error::Refused(why)) => Err(Error::Refused(format!("{flag}: {why}"))),
        other => other,
    }
}

pub async fn signer(conn: &mut Conn, email: &str) -> Result<Person, Error> {
    let by = person(conn, email, "--by").await?;
    if by.role < Role::Volunteer {
        return Err(Error::Refused(format!(
            "--by: {} is a member; this takes a volunteer or a coordinator.",
            by.name
        )));
    }
    Ok(by)
}
