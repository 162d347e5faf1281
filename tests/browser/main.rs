//! The main jobs, done by clicking in a real headless Chromium against the
//! real binary. `tests/run` installs what this needs.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod club;
mod console;
mod contact_sheet;
mod own_time;
mod pdf;
mod programs;
mod visitor;

mod borrowing;
mod check_in;
mod collimation;
mod cycle;
mod due_list;
mod everyone;
mod first_evening;
mod first_start;
mod harsh_sittings;
mod lending;
mod month;
mod offline;
mod phone;
mod pictures;
mod screens;
mod slow;
mod words;

#[path = "../mail/server.rs"]
mod mail_server;
#[path = "../rows.rs"]
mod rows;

#[allow(dead_code)]
#[path = "../studies/hands.rs"]
mod hands;
#[allow(dead_code)]
#[path = "../studies/rendered.rs"]
mod rendered;
#[allow(dead_code)]
#[path = "../studies/truth.rs"]
mod truth;
#[allow(dead_code)]
#[path = "../studies/world.rs"]
mod world;
