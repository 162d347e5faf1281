//! What the club does, one function an act: lend, return, check in, log a
//! journey, report a problem, note work, move.
//!
//! Pages and commands speak to these functions and hold no rule of their own.
//! An [`Act`] owns the one write transaction, the clock, the double-submit rule
//! and the audit log; a function takes it with typed input and answers with a
//! typed outcome, or a [`Refusal`] that names the fields to mend. Nothing slow
//! happens while an act is open: no file work, no drawing, no measuring.
//!
//! - [`act`]: the act itself.
//! - [`form_errors`]: what is to be mended, field by field.
//! - [`lend`](mod@lend): who gets an instrument, until when, and what overrides what.
//! - [`check_in`](mod@check_in): what comes back, with what, and what it went through.
//! - [`log`]: single entries of the logbook.
//! - [`status`]: from the shelf to the bench and back.

#![forbid(unsafe_code)]

pub mod act;
pub mod check_in;
pub mod form_errors;
pub mod lend;
pub mod log;
pub mod status;

pub use act::{Act, Actor, Begun};
pub use form_errors::FormErrors;

/// Why an act was not done. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// Fields of the input are to be mended.
    #[error("{}", .0.words())]
    Fields(FormErrors),
    /// The library refuses, has no such thing, or cannot be written.
    #[error(transparent)]
    Library(#[from] library::Error),
}

impl From<FormErrors> for Refusal {
    fn from(errors: FormErrors) -> Self {
        Self::Fields(errors)
    }
}

impl Refusal {
    /// One field to be mended.
    pub fn field(field: &str, words: impl Into<String>) -> Self {
        let mut errors = FormErrors::new();
        errors.add(field, words);
        Self::Fields(errors)
    }
}

/// What an act answers.
pub type Done<T> = Result<T, Refusal>;
