//! The server's routes against a real SQLite file, in process.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod check_in;
mod common;
mod condition;
mod desk;
mod instrument;
mod label;
mod lending;
mod logbook;
mod photos;
mod register;
mod roles;
mod shelf;
mod sign_in;
mod star_test;
