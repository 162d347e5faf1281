//! Frames in, wavefront error with error bars out.
//!
//! The road a frame takes: [`decode`] reads files into [`frame::Frame`]s with
//! the first row on top as displayed; `find` picks out the star and judges the
//! frame (`gather`); `stack` registers the good ones; `rings` fits the outer edge and the
//! shadow's edge and turns their offset into coma; `fit` refines that with a
//! diffraction model; `scatter` asks how blocks of frames differ; `measure`
//! runs all of it and writes the report. [`barrels`] measures something else: how far
//! pictures through both barrels of a binocular stand apart; [`peephole`], what a picture
//! down a Newtonian's focuser says of flat and primary.
//!
//! Directions in a picture: x to the right, **y up**, clock degrees clockwise
//! from up. Pixel positions: x to the right and y **down** from the centre of
//! the top left pixel as displayed.

#![forbid(unsafe_code)]

pub mod barrels;
pub mod by_eye;
pub mod coma;
mod cut;
mod cuts;
pub mod decode;
pub mod edge;
pub mod find;
pub mod fit;
pub mod follow;
pub mod frame;
pub mod gather;
pub mod judge;
mod light;
pub mod measure;
mod notes;
pub mod panels;
pub mod peephole;
pub mod pictures;
mod polar;
mod register;
pub mod report;
pub mod response;
pub mod rings;
mod rings_coma;
mod scatter;
pub mod stack;
pub mod strip;
pub mod words;
