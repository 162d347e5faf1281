//! Tubewright keeps an astronomy club's loaner telescopes fit to lend.
//!
//! The house has a few wings, each standing only on those named before it:
//!
//! - [`optics`]: pure physics, no files and no clocks: wavefronts, pupils,
//!   diffraction, seeing, what the eye sees.
//! - [`startest`]: frames in, wavefront error with its error out.
//! - [`bench`]: from a measurement to advice at the tube.
//! - [`library`]: the club's nouns and their tables.
//! - [`backup`]: the whole club in one file, and back.
//! - [`upkeep`]: from logbooks to readings and to what is due.
//! - [`demo`]: the invented club of `seed-data/`, made afresh.
//! - [`intake`]: a club's own lists brought in, and the whole club taken away.
//! - [`web`]: pages, forms, sign-in.
//!
//! `optics` and `startest` know nothing of tables or pages.
#![forbid(unsafe_code)]

pub mod web;

// `bench` alone would name the attribute, too.
pub use {::backup, ::bench, ::demo, ::intake, ::library, ::optics, ::startest, ::upkeep};
