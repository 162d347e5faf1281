//! From logbook to what is due: limits, exposure, the reading of an
//! instrument, and why it needs the bench.
//!
//! The rules here are plain: set limits, explained in words. They take a
//! [`history::History`] (what the logbook says) and [`limits::Limits`] (what
//! the club has set) and know nothing of tables or pages.

pub mod exposure;
pub mod history;
pub mod limits;
pub mod rules;
pub mod shelf;

pub use rules::{Assessment, Due, DueReason, Reading, assess};
pub use shelf::{ShelfRow, shelf, shelf_row};
