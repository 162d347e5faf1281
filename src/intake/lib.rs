//! A club's own lists brought in, and the whole club taken away again.
//!
//! Files become sheets ([`read`]), sheets are told apart by their headings
//! ([`fields`]), and a plan ([`plan`]) says what would be added, what is there already,
//! what must be decided and what is wrong, cell by cell, before anything is kept. What
//! is kept goes into the library as one, and can be undone as one. [`whole`] writes the
//! whole club as one document with its files beside it, and reads it into an empty
//! folder.

#![forbid(unsafe_code)]

pub mod cells;
pub mod dates;
pub mod fields;
pub mod names;
pub mod plan;
pub mod read;
pub mod whole;

use library::audit_log::{self, AuditEntry};
use library::club::Club;
use library::held_lists::HeldUpload;
use library::intake::{self, Known};
use library::{Conn, ImportId, Library, Moment, PersonId};

use cells::Sheet;
use plan::{Choices, Plan};

/// Why lists were not kept.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A rule of the house or the database said no.
    #[error(transparent)]
    Library(#[from] library::Error),
    /// Something is still wrong or open; the plan says what.
    #[error("there is still something to decide or to correct")]
    NotReady(Box<Plan>),
    /// A file was not read, or was written by something else.
    #[error("{0}")]
    NotRead(#[from] read::NotRead),
    /// Somebody changed the club while the plan was looked over.
    #[error("somebody has changed the club meanwhile: look the plan over again")]
    Overtaken,
}

/// The files' names, for words.
pub fn names(sheets: &[Sheet]) -> String {
    let mut names: Vec<&str> = sheets.iter().map(|s| s.file.as_str()).collect();
    names.dedup();
    names.join(", ")
}

/// What an upload is held as.
///
/// # Errors
/// When it cannot be written as JSON.
pub fn to_hold(sheets: &[Sheet], choices: &Choices) -> library::Result<HeldUpload> {
    Ok(HeldUpload {
        names: names(sheets),
        sheets: json(sheets)?,
        choices: json(choices)?,
    })
}

/// The sheets and choices of a held upload.
///
/// # Errors
/// When what is held does not read.
pub fn of_held(held: &HeldUpload) -> library::Result<(Vec<Sheet>, Choices)> {
    Ok((of_json(&held.sheets)?, of_json(&held.choices)?))
}

/// As it is held.
///
/// # Errors
/// When it cannot be written as JSON.
pub fn json<T: serde::Serialize + ?Sized>(value: &T) -> library::Result<String> {
    serde_json::to_string(value)
        .map_err(|e| library::Error::Database(sqlx::Error::Encode(e.into())))
}

fn of_json<T: serde::de::DeserializeOwned>(text: &str) -> library::Result<T> {
    serde_json::from_str(text).map_err(|e| library::Error::Database(sqlx::Error::Decode(e.into())))
}

/// A plan and what it was made against.
pub struct Looked {
    /// The plan.
    pub plan: Plan,
    /// What was there.
    pub known: Known,
}

/// Plans what would be kept, off the async threads.
///
/// # Errors
/// When the library cannot be read.
pub async fn look(
    library: &Library,
    sheets: &[Sheet],
    choices: &Choices,
    now: Moment,
) -> Result<Looked, Error> {
    let (known, club) = {
        let mut conn = library.read().await?;
        (Known::read(&mut conn).await?, Club::load(&mut conn).await?)
    };
    let plan = plan::plan(sheets, choices, &known, &club, now);
    Ok(Looked { plan, known })
}

/// Keeps what was looked over, in the transaction of the caller: all of it or, where
/// this fails and the caller drops the transaction, nothing.
///
/// # Errors
/// When something is open or wrong, or the club has changed since.
pub async fn keep(
    conn: &mut Conn,
    looked: Looked,
    choices: &Choices,
    names: &str,
    by: PersonId,
    now: Moment,
) -> Result<(ImportId, String), Error> {
    if !looked.plan.is_ready(choices) {
        return Err(Error::NotReady(Box::new(looked.plan)));
    }
    if Known::read(conn).await? != looked.known {
        return Err(Error::Overtaken);
    }
    let added = looked.plan.added_words();
    let id = intake::keep(conn, &looked.plan.batch, names, &added, by, now).await?;
    Ok((id, added))
}

/// The same from the command line, with its row in the audit log.
///
/// # Errors
/// Those of [`look`] and [`keep`].
pub async fn keep_alone(
    library: &Library,
    sheets: &[Sheet],
    choices: &Choices,
    by: PersonId,
    now: Moment,
) -> Result<(ImportId, String), Error> {
    let looked = look(library, sheets, choices, now).await?;
    let mut write = library.write().await?;
    let names = names(sheets);
    let (id, added) = keep(&mut write, looked, choices, &names, by, now).await?;
    let words = format!("Kept lists ({names}): {added}.");
    let audit_entry = AuditEntry {
        at: now,
        person: Some(by),
        address: "command line",
        what: "import",
        words: &words,
    };
    audit_log::add(&mut write, &audit_entry).await?;
    write.commit().await?;
    Ok((id, added))
}
