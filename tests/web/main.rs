//! The server's routes against a real SQLite file, in process.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod bench;
mod check_in;
mod commands;
mod common;
mod condition;
mod desk;
mod due;
mod due_ahead;
mod hostile;
mod instrument;
mod label;
mod lending;
mod limits;
mod logbook;
mod photos;
mod register;
mod roles;
mod shelf;
mod sign_in;
mod sitting_frames;
mod sitting_lists;
mod sitting_stages;
mod sittings;
mod star_test;
mod trail;
