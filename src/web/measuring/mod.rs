//! Frames are measured on a thread of their own, one set after another, so that pages
//! never wait for it.
//!
//! The tries written in the library are the queue: one that was under way when the
//! house closed is taken up again when it opens. Of all people who have sets waiting,
//! the one served longest ago comes next.

mod circumstances;
pub mod files;
mod one;

use std::collections::HashMap;
use std::sync::mpsc::{self, RecvTimeoutError, SyncSender};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::runtime::Handle;

pub use circumstances::{Circumstances, UNTOLD_PIXEL_UM};
pub(in crate::web) use files::stills_of;
pub use files::{OTHER_SIDE, keep_copies};
use one::{Board, Worker, lock};
pub use one::{Unended, star_test};

use super::clock::Clock;
use crate::library::attempts::{self, InHand};
use crate::library::{AttemptId, Library, PersonId};

/// After so long the queue is looked at even if nobody rang.
const ROUND: Duration = Duration::from_secs(60);
/// How often a command tries again what the library refused: for about a minute.
const PATIENCE_OF_A_COMMAND: u32 = 6;

/// The queue's front: ring, watch, break off.
#[derive(Debug, Clone)]
pub struct Measuring {
    bell: SyncSender<()>,
    board: Arc<Mutex<Board>>,
}

impl Measuring {
    /// Starts the thread, which dates what it writes by this clock. Must be called on a tokio
    /// runtime.
    pub fn start(library: &Library, clock: Clock) -> Self {
        // One ring waits at most: whoever hears it looks at the whole queue.
        let (bell, hears) = mpsc::sync_channel(1);
        let board = Arc::new(Mutex::new(Board::default()));
        let worker = Worker {
            handle: Handle::current(),
            library: library.clone(),
            board: board.clone(),
            bell: hears,
            clock,
            patience: u32::MAX,
        };
        std::thread::spawn(move || {
            crate::upkeep::threads::give_way();
            if let Err(error) = worker.run() {
                tracing::debug!(%error, "the measuring ends");
            }
        });
        Self { bell, board }
    }

    /// Says that a try stands in the queue.
    pub fn ring(&self) {
        // Full: it has been rung already.
        let _ = self.bell.try_send(());
    }

    /// Frames looked at so far.
    pub fn seen(&self, id: AttemptId) -> usize {
        lock(&self.board).seen.get(&id).copied().unwrap_or(0)
    }

    /// Lets a try go that has been broken off in the library.
    pub fn let_go(&self, id: AttemptId) {
        let mut board = lock(&self.board);
        if board.seen.contains_key(&id) {
            board.cancelled.insert(id);
        }
    }
}

impl Worker {
    /// Measures what stands in the queue until the house closes.
    fn run(&self) -> Result<(), Unended> {
        let mut turns = Turns::default();
        loop {
            let library = self.library.clone();
            let queue = self.persist(move || {
                let library = library.clone();
                async move { attempts::in_hand(&mut *library.read().await?).await }
            })?;
            match turns.next(&queue) {
                Some(next) => match self.measure(next.id) {
                    Err(Unended::Closing) => return Err(Unended::Closing),
                    Err(error) => {
                        // It stays in the queue; the others have their turn meanwhile.
                        tracing::error!(id = %next.id, %error, "a try at measuring did not end");
                        turns.put_off(next.id);
                    }
                    Ok(()) => {}
                },
                None => match self.bell.recv_timeout(ROUND) {
                    Err(RecvTimeoutError::Disconnected) => return Err(Unended::Closing),
                    _ => turns.put_off.clear(),
                },
            }
        }
    }
}

/// Whose turn it is.
#[derive(Debug, Default)]
struct Turns {
    served: HashMap<PersonId, u64>,
    count: u64,
    put_off: Vec<AttemptId>,
}

impl Turns {
    /// Of the tries in the queue, in the order in which they were asked for, the first
    /// of whoever was served longest ago.
    fn next(&mut self, queue: &[InHand]) -> Option<InHand> {
        let next = queue
            .iter()
            .filter(|one| !self.put_off.contains(&one.id))
            .min_by_key(|one| self.served.get(&one.asked_by).copied().unwrap_or(0))
            .copied()?;
        self.count += 1;
        self.served.insert(next.asked_by, self.count);
        Some(next)
    }

    fn put_off(&mut self, id: AttemptId) {
        self.put_off.push(id);
    }
}

/// Measures a try whose frames are kept and which is written to the library, without a
/// queue. Blocks this thread meanwhile; call it within a multi-threaded tokio runtime.
///
/// # Errors
/// When it could not be brought to its end; it is taken up when the server starts.
pub fn measure_now(library: &Library, id: AttemptId) -> Result<(), Unended> {
    let (_rung, bell) = mpsc::sync_channel(1);
    let worker = Worker {
        handle: Handle::current(),
        library: library.clone(),
        board: Arc::default(),
        bell,
        clock: Clock::default(),
        patience: PATIENCE_OF_A_COMMAND,
    };
    tokio::task::block_in_place(|| worker.measure(id))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_was_served_longest_ago_comes_next() {
        let (ada, otto) = (PersonId::fresh(), PersonId::fresh());
        let set = |by| InHand {
            id: AttemptId::fresh(),
            asked_by: by,
        };
        let mut queue = vec![set(ada), set(ada), set(ada), set(otto)];
        let mut turns = Turns::default();
        let mut order = Vec::new();
        while let Some(next) = turns.next(&queue) {
            order.push(next.asked_by);
            queue.retain(|one| *one != next);
        }
        assert_eq!(order, [ada, otto, ada, ada]);
        let again = set(ada);
        turns.put_off(again.id);
        assert_eq!(turns.next(&[again]), None);
    }
}
