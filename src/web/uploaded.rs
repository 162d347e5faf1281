//! A file that came with a form.

/// The most one upload may hold, all files together.
pub const UPLOAD_BYTES: u64 = 512 * 1024 * 1024;

/// One file of an upload, on disk until dropped.
#[derive(Debug)]
pub struct UploadedFile {
    /// The form's field.
    pub field: String,
    /// The name it had on the sender's machine; for words only, never a path.
    pub name: String,
    /// Its bytes.
    pub file: tempfile::NamedTempFile,
    /// How many.
    pub bytes: u64,
}
