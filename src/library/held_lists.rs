//! Lists that were read and are looked over before they are kept, by who sent them.

use super::{Conn, Error, Moment, PersonId, Result, UploadId};

/// A list that was read and is looked over, as it is held.
#[derive(Debug, Clone)]
pub struct HeldUpload {
    /// The files, in words.
    pub names: String,
    /// The sheets, JSON.
    pub sheets: String,
    /// What was chosen of them, JSON.
    pub choices: String,
}

/// Holds an upload for the person who sent it; what they held before goes.
pub async fn hold(
    conn: &mut Conn,
    person: PersonId,
    upload: &HeldUpload,
    now: Moment,
) -> Result<UploadId> {
    let id = UploadId::fresh();
    sqlx::query!("DELETE FROM held_uploads WHERE person_id = ?", person)
        .execute(&mut *conn)
        .await?;
    sqlx::query!(
        "INSERT INTO held_uploads (id, person_id, at, names, sheets, choices) VALUES (?, ?, ?, ?, ?, ?)",
        id,
        person,
        now,
        upload.names,
        upload.sheets,
        upload.choices
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// What this person holds under this id.
pub async fn held(conn: &mut Conn, person: PersonId, id: UploadId) -> Result<HeldUpload> {
    sqlx::query_as!(
        HeldUpload,
        "SELECT names, sheets, choices FROM held_uploads WHERE id = ? AND person_id = ?",
        id,
        person
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("list being looked over"))
}

/// Keeps what was chosen.
pub async fn choose(conn: &mut Conn, person: PersonId, id: UploadId, choices: &str) -> Result<()> {
    sqlx::query!(
        "UPDATE held_uploads SET choices = ? WHERE id = ? AND person_id = ?",
        choices,
        id,
        person
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Lets an upload go.
///
/// # Errors
/// Not found when there is none of that person.
pub async fn let_go(conn: &mut Conn, person: PersonId, id: UploadId) -> Result<()> {
    let gone = sqlx::query!(
        "DELETE FROM held_uploads WHERE id = ? AND person_id = ?",
        id,
        person
    )
    .execute(conn)
    .await?;
    super::one_row(&gone, Error::NotFound("list that is held"))
}
