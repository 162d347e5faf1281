//! The server's routes against a real SQLite file, in process.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod bench;
mod common;
mod due;
mod limits;
mod sign_in;
mod star_test;
