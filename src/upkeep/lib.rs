//! From logbook to what is due: limits, exposure, the condition of an
//! instrument, and why it needs the bench.
//!
//! The rules here are plain: set limits, explained in words ([`rules`] for the condition,
//! [`reasons`] for what is due). They take a
//! [`history::History`] (what the logbook says, in order) and
//! [`limits::Limits`] (what the club has set) and know nothing of tables or
//! pages. [`shelf`] reads the logbooks of the whole shelf, [`snapshot`] keeps what
//! follows from them; [`due_list`] is what page, file and command line all show.

#![forbid(unsafe_code)]

pub mod assessment;
pub mod drift;
pub mod due_list;
pub mod exposure;
pub mod facts;
pub mod figures;
pub mod history;
pub mod limits;
pub mod preview;
pub mod reasons;
pub mod record;
pub mod rules;
pub mod shelf;
pub mod snapshot;
pub mod threads;
mod told;
pub mod year;

pub use assessment::{Assessment, Condition, Due, DueCode, DueReason, LastBarrels, LastTest};
pub use rules::assess;
pub use shelf::{Fleet, ShelfRow, shelf, shelf_row};
pub use snapshot::{Snapshot, Snapshots};
