//! Threads whose work takes its time anyway.

/// Puts this thread behind those that answer people: what it does takes its time
/// anyway.
pub fn give_way() {
    use thread_priority::{ThreadPriority, set_current_thread_priority};
    if let Err(error) = set_current_thread_priority(ThreadPriority::Min) {
        tracing::debug!(?error, "a thread keeps its priority");
    }
}
