//! Drift: how coma wanders between looks, learned from the whole fleet.
//!
//! Coma is a vector on the tube. Between looks it takes a random walk: each
//! journey of a kind, each month, each settling after the bench adds its own
//! variance along both axes. A look sees it with an error; the bench sets it
//! anew. [`chain`] is a logbook in these terms, [`state`] what one look does,
//! [`likelihood`] and [`fit`] how a fleet is learned from, [`follow`] what is
//! believed of one instrument, [`forecast`] what that means for its borrower,
//! [`plan`] what to do on a work night, [`back_test`] how well it would have
//! foretold the club's own past.
//!
//! Nothing here knows of tables, pages or other wings but `optics::eye`.

pub mod back_test;
pub mod chain;
pub mod climb;
pub mod course;
pub mod dual;
pub mod fit;
pub mod follow;
pub mod forecast;
pub mod from_history;
pub mod likelihood;
pub mod mixture;
pub mod params;
pub mod plan;
pub mod special;
pub mod state;
