//! Decoding: files of independent libraries, colour mosaics, hostile files.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod bayer;
mod common;
mod fixtures;
mod hostile;
