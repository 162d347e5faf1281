//! Tubewright keeps an astronomy club's loaner telescopes fit to lend.
#![forbid(unsafe_code)]

pub mod bench;
pub mod library;
pub mod optics;
pub mod startest;
pub mod upkeep;
pub mod web;
