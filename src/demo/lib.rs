//! The demo club: an invented club with eighteen months of lending and bench
//! work behind it, told in the text files of `seed-data/` and loaded through
//! the nouns of the library, so that the rules of the house hold for it too.
//!
//! All days in the files are counted back from the day the demo is made: the
//! demo is always fresh, and on the same day always the same.

#![forbid(unsafe_code)]

mod collimations;
mod eye;
pub mod files;
mod frames;
mod limit_words;
mod pictures;
mod spares;
mod story;
pub mod things;
mod write;

use std::sync::LazyLock;

use chrono::NaiveDate;
use rayon::prelude::*;

use library::people::Role;
use library::{self, Library};

/// Why the demo club could not be made.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A file of `seed-data/` says something that cannot be.
    #[error("seed-data/{file}: {why}")]
    File {
        /// The file.
        file: String,
        /// What is the matter.
        why: String,
    },
    /// A rule of the house or the database said no.
    #[error("{at}: {source}")]
    Library {
        /// What was being written.
        at: String,
        /// What was said.
        source: library::Error,
    },
    /// A password could not be hashed.
    #[error("hashing a password: {0}")]
    Hash(String),
}

impl From<library::Error> for Error {
    fn from(source: library::Error) -> Self {
        Self::Library {
            at: "the demo club".to_owned(),
            source,
        }
    }
}

/// Shorthand.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// An account whose password the demo's start page shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// Name.
    pub name: String,
    /// Address to sign in with.
    pub email: String,
    /// Password.
    pub phrase: String,
    /// Role.
    pub role: Role,
}

static ACCOUNTS: LazyLock<Vec<Account>> = LazyLock::new(|| {
    let mut accounts: Vec<Account> = files::people()
        .unwrap_or_default()
        .into_iter()
        .filter_map(|p| {
            Some(Account {
                email: p.email(),
                name: p.name,
                phrase: p.phrase?,
                role: p.role,
            })
        })
        .collect();
    accounts.sort_by_key(|a| a.role);
    accounts
});

/// The accounts that visitors of the demo may use, one of each role, member first.
pub fn accounts() -> &'static [Account] {
    &ACCOUNTS
}

/// The zone in which the demo club lives, an IANA name.
pub fn zone() -> String {
    files::club().map(|c| c.zone).unwrap_or_default()
}

/// The demo club, read, its frames made and measured, its drawings drawn:
/// all that does not depend on the day.
pub struct Demo {
    seed: files::Seed,
    measured: write::AllMeasured,
    drawings: Vec<Option<pictures::Drawing>>,
}

impl Demo {
    /// Reads `seed-data/` and measures every frame it describes.
    ///
    /// # Errors
    /// When a file does not read, or describes a star that would not be measured.
    pub fn prepare() -> Result<Self> {
        let seed = files::Seed::read()?;
        let measured = frames::measure_all(&seed)?;
        let drawings = seed
            .instruments
            .par_iter()
            .map(|(instrument, _)| pictures::front(instrument))
            .collect();
        Ok(Self {
            seed,
            measured,
            drawings,
        })
    }

    /// Loads the demo club into an empty library, in one transaction. `hash`
    /// turns a password into what is stored of it.
    ///
    /// # Errors
    /// When the library is not empty, when a file of `seed-data/` breaks a rule
    /// of the house, or when the database says no; then nothing has been written.
    pub async fn load<E: std::fmt::Debug + Send>(
        &self,
        library: &Library,
        today: NaiveDate,
        hash: impl Fn(&str) -> std::result::Result<String, E> + Sync,
    ) -> Result<()> {
        let seed = &self.seed;
        let story = story::Story::of(seed, today)?;
        let hashes = seed
            .people
            .par_iter()
            .map(|p| p.phrase.as_deref().map(&hash).transpose())
            .collect::<std::result::Result<Vec<_>, E>>()
            .map_err(|e| Error::Hash(format!("{e:?}")))?;
        let mut tx = library.write().await?;
        write::club(
            &mut tx,
            seed,
            &story,
            &hashes,
            &self.measured,
            &self.drawings,
        )
        .await?;
        tx.commit().await?;
        Ok(())
    }
}
