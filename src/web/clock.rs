//! The time as the house tells it: the machine's, or, for trying things out,
//! some seconds off it.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use chrono::{Duration, Utc};

use crate::library::Moment;

/// Tells the time; clones share one shift.
#[derive(Debug, Clone, Default)]
pub struct Clock {
    off_s: Arc<AtomicI64>,
}

impl Clock {
    /// Now.
    pub fn now(&self) -> Moment {
        Utc::now() + Duration::seconds(self.off_s.load(Ordering::Relaxed))
    }

    /// Sets it so far off the machine's time.
    pub fn put_off(&self, by: Duration) {
        self.off_s.store(by.num_seconds(), Ordering::Relaxed);
    }
}
