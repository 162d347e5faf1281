//! A form sent twice acts once.
//!
//! Each form carries an idempotency key of its own, which belongs to one session
//! and one form (`club::Act`). It is written in the same
//! transaction as what the form does, with the address it led to; a second
//! arrival finds it and is led to the same place.

use super::{Conn, Moment, PersonId, Result};

/// Where an earlier arrival of this form led, if there was one.
pub async fn earlier(conn: &mut Conn, key: &str) -> Result<Option<String>> {
    Ok(
        sqlx::query_scalar!("SELECT location FROM handled_forms WHERE key = ?", key)
            .fetch_optional(conn)
            .await?,
    )
}

/// Marks a form as handled.
pub async fn mark(
    conn: &mut Conn,
    key: &str,
    person: Option<PersonId>,
    location: &str,
    now: Moment,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO handled_forms (key, person_id, at, location) VALUES (?, ?, ?, ?)",
        key,
        person,
        now,
        location
    )
    .execute(conn)
    .await?;
    Ok(())
}
