//! The one write transaction there can be at a time, and how it gets on the disk.
//!
//! SQLite writes a transaction to its log and lets the next one begin; the log is then
//! synced for all who wait, so that on a slow disk twenty people wait for one sync and
//! not for twenty. Nobody is told that something was done before the log that holds it
//! is on the disk.
//!
//! Where a sync fails it is not known what the disk holds, and trying again would only
//! seem to succeed (the system may have let the pages go). So nothing is written any
//! more by this program; the next start reads what the disk has.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use tokio::sync::{Mutex, Notify};

use super::{Conn, Error, Result};

/// A write transaction: it holds the only writer until committed or dropped.
pub struct Write {
    tx: sqlx::Transaction<'static, sqlx::Sqlite>,
    log: Log,
}

impl std::ops::Deref for Write {
    type Target = Conn;
    fn deref(&self) -> &Conn {
        &self.tx
    }
}

impl std::ops::DerefMut for Write {
    fn deref_mut(&mut self) -> &mut Conn {
        &mut self.tx
    }
}

impl Write {
    pub(super) fn new(tx: sqlx::Transaction<'static, sqlx::Sqlite>, log: Log) -> Result<Self> {
        log.sound()?;
        Ok(Self { tx, log })
    }

    /// Commits, lets the next writer begin, and returns when it is on the disk.
    ///
    /// # Errors
    /// When it could not be written, or it is not known whether it is on the disk.
    pub async fn commit(self) -> Result<()> {
        self.tx.commit().await?;
        self.log.sync().await
    }

    /// Takes everything back.
    ///
    /// # Errors
    /// When the database says no.
    pub async fn rollback(self) -> Result<()> {
        Ok(self.tx.rollback().await?)
    }
}

/// The database's log, synced for all who wait.
#[derive(Debug, Clone)]
pub(super) struct Log(Arc<State>);

#[derive(Debug)]
struct State {
    path: PathBuf,
    /// How many have committed, and how many of them are on the disk.
    committed: AtomicU64,
    synced: AtomicU64,
    turn: Mutex<()>,
    /// Why a sync failed.
    failed: OnceLock<String>,
    says_so: Notify,
}

impl Log {
    pub(super) fn of(database: &Path) -> Self {
        let mut path = database.as_os_str().to_owned();
        path.push("-wal");
        Self(Arc::new(State {
            path: path.into(),
            committed: AtomicU64::new(0),
            synced: AtomicU64::new(0),
            turn: Mutex::new(()),
            failed: OnceLock::new(),
            says_so: Notify::new(),
        }))
    }

    pub(super) fn sound(&self) -> Result<()> {
        match self.0.failed.get() {
            Some(why) => Err(Error::SyncFailed(why.clone())),
            None => Ok(()),
        }
    }

    /// Returns when a sync has failed.
    pub(super) async fn failure(&self) {
        let said = self.0.says_so.notified();
        if self.sound().is_ok() {
            said.await;
        }
    }

    /// Waits until what this caller has committed is on the disk.
    async fn sync(&self) -> Result<()> {
        let state = &self.0;
        let mine = state.committed.fetch_add(1, Ordering::SeqCst) + 1;
        let _turn = state.turn.lock().await;
        self.sound()?;
        if state.synced.load(Ordering::SeqCst) >= mine {
            return Ok(()); // by a sync that began after this commit
        }
        let covers = state.committed.load(Ordering::SeqCst);
        let path = state.path.clone();
        let synced = tokio::task::spawn_blocking(move || match File::open(path) {
            Ok(log) => log.sync_data(),
            // Folded into the database, which is synced by then, when nobody had it open.
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(error),
        })
        .await
        .unwrap_or_else(|panicked| Err(std::io::Error::other(panicked)));
        if let Err(error) = synced {
            let why = state.failed.get_or_init(|| error.to_string()).clone();
            state.says_so.notify_waiters();
            return Err(Error::SyncFailed(why));
        }
        state.synced.store(covers, Ordering::SeqCst);
        Ok(())
    }
}
