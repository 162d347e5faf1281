//! The server's routes against a real SQLite file, in process.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod check_in;
mod common;
mod desk;
mod lending;
mod logbook;
mod sign_in;
mod star_test;
