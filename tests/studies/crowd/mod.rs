//! A large club and its busiest evening, on this machine only.

pub mod club;
pub mod people;
#[path = "../server.rs"]
pub mod server;
pub mod wire;
