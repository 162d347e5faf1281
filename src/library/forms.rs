//! A form sent twice acts once.
//!
//! Each form carries a mark of its own. What is kept is a hash of it together with
//! who sent it and where to, written in the same transaction as what the form does,
//! with the address it led to; a second arrival finds it and is led to the same
//! place. The same mark from another person, or on another form, is another form.

use sha2::{Digest, Sha256};

use super::{Conn, Moment, PersonId, Result};

/// One form of one person: SHA-256 of who sent it, where to, and its own mark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FormKey(Vec<u8>);

impl FormKey {
    /// Of this form; `None` where it carries no mark.
    pub fn of(person: Option<PersonId>, path: &str, once: &str) -> Option<Self> {
        if once.is_empty() {
            return None;
        }
        let person = person.map(|id| id.to_string()).unwrap_or_default();
        let mut hash = Sha256::new();
        // The lengths keep one part from running into the next.
        for part in [person.as_str(), path, once] {
            hash.update((part.len() as u64).to_be_bytes());
            hash.update(part);
        }
        Some(Self(hash.finalize().to_vec()))
    }
}

/// Where an earlier arrival of this form led, if there was one.
pub async fn earlier(conn: &mut Conn, form: &FormKey) -> Result<Option<String>> {
    Ok(sqlx::query_scalar!(
        "SELECT location FROM handled_forms WHERE form_key = ?",
        form.0
    )
    .fetch_optional(conn)
    .await?)
}

/// Marks a form as handled.
pub async fn mark(conn: &mut Conn, form: &FormKey, location: &str, now: Moment) -> Result<()> {
    sqlx::query!(
        "INSERT INTO handled_forms (form_key, at, location) VALUES (?, ?, ?)",
        form.0,
        now,
        location
    )
    .execute(conn)
    .await?;
    Ok(())
}
