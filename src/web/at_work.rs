//! Pictures that are measured while the visitor waits: one set at a time, off the threads
//! that serve pages.

use std::sync::LazyLock;

use tokio::sync::Semaphore;

use super::Error;

/// A large picture takes some hundred megabytes while it is read.
static TURN: LazyLock<Semaphore> = LazyLock::new(|| Semaphore::new(1));

/// Does the work when its turn has come.
///
/// # Errors
/// [`Error::Broken`] where the work stopped half way.
pub async fn one_at_a_time<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Error> {
    let turn = TURN.acquire().await;
    let _turn = turn.map_err(|e| Error::Broken(e.to_string()))?;
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|e| Error::Broken(e.to_string()))
}
