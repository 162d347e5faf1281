//! From a measurement to advice at the tube. Plain types of its own; knows
//! nothing of tables or pages.
//!
//! - [`screw`]: thread, lever, mechanism: arc minutes per turn.
//! - [`orientation`]: which way round the picture lies (the shade test).
//! - [`shade_frame`]: the same from two frames.
//! - [`response`]: what a turn does to the coma, learnt; [`learnt`]: what is kept of it.
//! - [`eye`]: how the error of a look by eye comes about.
//! - [`advice`]: the next thing to do, and when to stop.
//!   `choose` searches for the go, `belief` holds one way it may all be.
//! - [`mechanical`]: a Newtonian before the star.
//! - [`peephole`]: the same from a picture down its focuser.
//! - [`corners`]: a Ritchey-Chretien's field, and its primary.
//! - [`before`]: what must be right before a collimation session.
//! - [`plan`]: the stages of a design.
//! - [`words`]: advice in words.
//! - [`loss`]: what the observer loses.
//! - [`practice`]: an instrument out of line by a hidden amount, for learners.
//! - [`replay`]: a collimation session's steps, played through to where it stands.

#![forbid(unsafe_code)]

pub mod adjustment;
pub mod advice;
pub mod before;
mod belief;
mod choose;
pub mod corners;
pub mod eye;
pub mod learnt;
pub mod loss;
pub mod mechanical;
pub mod orientation;
pub mod peephole;
pub mod plan;
pub mod practice;
pub mod replay;
pub mod response;
pub mod screw;
pub mod shade_frame;
pub mod words;
