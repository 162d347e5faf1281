//! What a server leaves in the data folder for whoever comes after it: that it
//! served, until when, and which write-ahead log was its own. By it a clock that went
//! back and a log that was removed or exchanged are noticed.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

use super::{DATABASE_FILE, Error, Library, Moment, Result};

/// What a server holds locked while it serves the folder, and notes itself in.
const SERVED_FILE: &str = "served";

/// So many times may a log begin anew between two notes of a server: its first salt
/// grows by one each time (sqlite.org/fileformat2.html, 4.1).
const SALTS_AHEAD: u32 = 1 << 20;

/// What a server noted last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Left {
    /// Whether it stopped by itself, its log folded into the database.
    pub closed: bool,
    /// When.
    pub at: Moment,
    /// Its log's first salt, once there was a log.
    pub salt: Option<u32>,
}

impl Left {
    /// The last note of a folder; `None` where there is none that can be read.
    pub fn read(folder: &Path) -> Option<Self> {
        Self::parse(&std::fs::read_to_string(folder.join(SERVED_FILE)).ok()?)
    }

    fn parse(text: &str) -> Option<Self> {
        let mut words = text.split_whitespace();
        let closed = match words.next()? {
            "closed" => true,
            "serving" => false,
            _ => return None,
        };
        Some(Self {
            closed,
            at: words.next()?.parse().ok()?,
            salt: words.next().and_then(|salt| salt.parse().ok()),
        })
    }
}

/// The place of the one server a folder may have. Given up when dropped, or when
/// its process ends in whatever way.
#[derive(Debug)]
pub struct Place {
    file: File,
    folder: std::path::PathBuf,
    /// What the server before this one noted last.
    pub before: Option<Left>,
}

impl Place {
    /// Takes the place, before the database is opened.
    ///
    /// # Errors
    /// [`Error::Refused`] while another server has it.
    pub fn take(folder: &Path) -> Result<Self> {
        let unusable = |said| Error::Folder {
            path: folder.to_owned(),
            said,
        };
        let file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(folder.join(SERVED_FILE))
            .map_err(unusable)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(std::fs::TryLockError::WouldBlock) => {
                return Err(Error::Refused(format!(
                    "a tubewright is already serving {}. Stop that one first, or name another folder.",
                    folder.display()
                )));
            }
            // Some disks of other machines know no locks.
            Err(std::fs::TryLockError::Error(error))
                if error.kind() == std::io::ErrorKind::Unsupported => {}
            Err(std::fs::TryLockError::Error(error)) => return Err(unusable(error)),
        }
        Ok(Self {
            before: Left::read(folder),
            file,
            folder: folder.to_owned(),
        })
    }

    /// Notes that the folder is being served.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn note(&self, now: Moment) -> std::io::Result<()> {
        let salt = log_head(&self.folder).and_then(|head| head.salt);
        self.write("serving", now, salt)
    }

    /// Notes that all was closed.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn close(self, now: Moment) -> std::io::Result<()> {
        self.write("closed", now, None)
    }

    fn write(&self, state: &str, now: Moment, salt: Option<u32>) -> std::io::Result<()> {
        let salt = salt.map_or(String::new(), |salt| salt.to_string());
        let line = format!("{state} {} {salt}\n", now.to_rfc3339());
        let mut file = &self.file;
        file.seek(SeekFrom::Start(0))?;
        file.write_all(line.as_bytes())?;
        file.set_len(line.len() as u64)?;
        file.sync_data()
    }
}

/// Whether a server has the folder now.
fn is_served(folder: &Path) -> bool {
    File::open(folder.join(SERVED_FILE)).is_ok_and(|file| {
        matches!(
            file.try_lock_shared(),
            Err(std::fs::TryLockError::WouldBlock)
        )
    })
}

/// The head of a write-ahead log that is not empty.
struct LogHead {
    /// Bytes of a page of the database it belongs to.
    page_bytes: u32,
    /// Its first salt; `None` where the head is not one.
    salt: Option<u32>,
}

fn log_head(folder: &Path) -> Option<LogHead> {
    let mut head = [0; 32];
    let mut file = File::open(folder.join(format!("{DATABASE_FILE}-wal"))).ok()?;
    if file.metadata().ok()?.len() == 0 {
        return None;
    }
    let whole = file.read_exact(&mut head).is_ok();
    let word = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    // sqlite.org/fileformat2.html, 4.1: magic number, version, page size, sequence, salts, sums.
    let ours = whole && matches!(word(0), 0x377f_0682 | 0x377f_0683);
    Some(LogHead {
        page_bytes: word(8),
        salt: ours.then(|| word(16)),
    })
}

/// Bytes of a page, as the database's own head says (sqlite.org/fileformat2.html, 1.3.2).
fn page_bytes(folder: &Path) -> Option<u32> {
    let mut head = [0; 18];
    let mut file = File::open(folder.join(DATABASE_FILE)).ok()?;
    file.read_exact(&mut head).ok()?;
    Some(match u16::from_be_bytes([head[16], head[17]]) {
        1 => 65_536,
        bytes => bytes.into(),
    })
}

/// What is wrong with a folder's write-ahead log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogTrouble {
    /// Whether opening the database would put another file's pages into it.
    pub foreign: bool,
    /// What is wrong and what to do.
    pub words: String,
}

/// Looks at the write-ahead log before anything opens the database: SQLite itself
/// goes on without a log that was removed, and folds in a foreign one.
pub fn log_trouble(folder: &Path) -> Option<LogTrouble> {
    let log = folder.join(format!("{DATABASE_FILE}-wal"));
    let pages = page_bytes(folder)?;
    let left = Left::read(folder);
    let trouble = |foreign, words: String| Some(LogTrouble { foreign, words });
    let Some(head) = log_head(folder) else {
        return match left {
            // A server that did not close its log leaves it in the folder.
            Some(Left {
                closed: false,
                salt: Some(_),
                at,
            }) if !log.exists() => trouble(
                false,
                format!(
                    "{} was removed{}: what was written last, up to {}, may be lost. Put the file back if it was moved; otherwise compare the logbook with the latest backup.",
                    log.display(),
                    if is_served(folder) {
                        " while the tool runs"
                    } else {
                        ""
                    },
                    at.format("%Y-%m-%d %H:%M UTC"),
                ),
            ),
            _ => None,
        };
    };
    let remedy = format!(
        "Do not start the tool. Keep a copy of the folder, move {} out of it, and start, or restore the latest backup.",
        log.display()
    );
    let Some(salt) = head.salt else {
        return trouble(
            true,
            format!("{} is no write-ahead log. {remedy}", log.display()),
        );
    };
    if head.page_bytes != pages {
        return trouble(
            true,
            format!("{} belongs to another database. {remedy}", log.display()),
        );
    }
    match left {
        Some(Left {
            closed: false,
            salt: Some(noted),
            ..
        }) if salt.wrapping_sub(noted) > SALTS_AHEAD => trouble(
            true,
            format!(
                "{} is not the one this folder's server wrote. {remedy}",
                log.display()
            ),
        ),
        Some(Left { closed: true, .. }) if !is_served(folder) => trouble(
            false,
            format!(
                "{} lies here though the server closed its own. A tubewright command that was broken off leaves one, and then all is well; if the file was copied here, move it out before the next start.",
                log.display()
            ),
        ),
        _ => None,
    }
}

impl Library {
    /// Rows dated after `now`: table and column, how many, and the latest. A clock
    /// that was ahead for a time leaves such rows.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub async fn dated_ahead(&self, now: Moment) -> Result<Vec<(String, i64, String)>> {
        let mut conn = self.read().await?;
        // Not checked when compiled: whatever tables there are. What ends some day
        // is rightly in the future.
        let columns: Vec<(String, String)> = sqlx::query_as(
            r"SELECT m.name, p.name FROM sqlite_schema m, pragma_table_info(m.name) p
              WHERE m.type = 'table' AND (p.name = 'at' OR p.name LIKE '%\_at' ESCAPE '\')
                AND p.name <> 'expires_at' ORDER BY m.name, p.cid",
        )
        .fetch_all(&mut *conn)
        .await?;
        let mut ahead = Vec::new();
        for (table, column) in columns {
            let ask = format!(
                r#"SELECT COUNT(*), MAX("{column}") FROM "{table}" WHERE typeof("{column}") = 'text' AND "{column}" > ?"#
            );
            let (rows, latest): (i64, Option<String>) = sqlx::query_as(sqlx::AssertSqlSafe(ask))
                .bind(now)
                .fetch_one(&mut *conn)
                .await?;
            if rows > 0 {
                ahead.push((
                    format!("{table}.{column}"),
                    rows,
                    latest.unwrap_or_default(),
                ));
            }
        }
        Ok(ahead)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn notes_are_read_back_and_torn_ones_are_none() {
        let folder = tempfile::tempdir().unwrap();
        let now: Moment = "2026-11-26T20:00:00Z".parse().unwrap();
        let place = Place::take(folder.path()).unwrap();
        assert_eq!(place.before, None);
        assert!(is_served(folder.path()));
        assert!(matches!(Place::take(folder.path()), Err(Error::Refused(_))));
        place.write("serving", now, Some(7)).unwrap();
        let noted = Left {
            closed: false,
            at: now,
            salt: Some(7),
        };
        assert_eq!(Left::read(folder.path()), Some(noted));
        place.close(now).unwrap();
        assert!(!is_served(folder.path()));
        let closed = Left {
            closed: true,
            salt: None,
            ..noted
        };
        assert_eq!(Place::take(folder.path()).unwrap().before, Some(closed));
        for torn in ["", "serving", "serving 2026-11", "\0\0\0\0"] {
            assert_eq!(Left::parse(torn), None, "{torn:?}");
        }
    }
}
