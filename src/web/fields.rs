//! Taking a form apart, and telling whether what it showed has changed since.

use serde::de::DeserializeOwned;

use crate::library;
pub use club::FormErrors;

/// The fields of one part of a form, out of all that was sent.
///
/// # Errors
/// When a field cannot be what it is sent as.
pub fn part<T: DeserializeOwned>(pairs: &[(String, String)]) -> Result<T, String> {
    let encoded = serde_html_form::to_string(pairs).map_err(|e| e.to_string())?;
    serde_html_form::from_str(&encoded).map_err(|e| e.to_string())
}

/// A mark of what a form showed when it was opened, to notice that somebody
/// else has changed it since.
pub fn shown_mark(values: &[&str]) -> String {
    use sha2::{Digest, Sha256};
    let mut hash = Sha256::new();
    for value in values {
        // With its length each, so that no two rows of values read alike.
        hash.update((value.len() as u64).to_le_bytes());
        hash.update(value.as_bytes());
    }
    library::hex(&hash.finalize()[..12])
}
