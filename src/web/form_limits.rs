//! How much a form may hold.

use axum::extract::Request;

use super::Error;
use super::rights::Access;
use super::uploaded::UPLOAD_BYTES;

/// The most that a form may hold. Counted before anything is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FormLimits {
    /// Bytes of text, names of fields and files included.
    pub text_bytes: usize,
    /// Fields.
    pub fields: usize,
    /// Files.
    pub files: usize,
    /// Bytes of all files together.
    pub file_bytes: u64,
}

impl FormLimits {
    /// For whoever may use a route: little for those who are not signed in, files
    /// for those who work here.
    pub fn of(access: Access) -> Self {
        let (kib, fields) = match access {
            Access::Anyone => (16, 40),
            _ => (256, 2_000),
        };
        let (files, file_bytes) = match access {
            Access::Anyone | Access::Member => (0, 0),
            Access::Volunteer | Access::Coordinator => (500, UPLOAD_BYTES),
        };
        Self {
            text_bytes: kib * 1024,
            fields,
            files,
            file_bytes,
        }
    }

    /// The limits of the route that this request came by.
    pub fn at(request: &Request) -> Self {
        request
            .extensions()
            .get::<Self>()
            .copied()
            .unwrap_or(Self::of(Access::Anyone))
    }

    /// Says so.
    pub fn too_much_text(&self) -> Error {
        Error::TooLarge(format!(
            "This form may hold {} KiB of text in {} fields. Shorten the longest field and send it again.",
            self.text_bytes / 1024,
            self.fields
        ))
    }

    /// Says so.
    pub fn too_much(&self) -> Error {
        Error::TooLarge(format!(
            "This form may hold {} files of {} MB in all, and {} KiB of text in {} fields. Send fewer at a time.",
            self.files,
            self.file_bytes / 1024 / 1024,
            self.text_bytes / 1024,
            self.fields
        ))
    }
}
