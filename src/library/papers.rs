//! Papers: manuals, receipts, drawings that belong to a thing. One that is removed stays,
//! hidden.

use super::{Conn, Error, InstrumentId, Moment, PaperId, PersonId, Result};

words! {
    /// What a paper is made of.
    pub enum MediaType {
        /// Portable Document Format.
        Pdf = "application/pdf", "PDF";
        /// Plain text, UTF-8.
        Text = "text/plain", "text";
        /// A picture.
        Jpeg = "image/jpeg", "picture";
    }
}

/// A paper to be kept.
#[derive(Debug, Clone)]
pub struct NewPaper {
    /// Of what.
    pub instrument_id: InstrumentId,
    /// What it is.
    pub title: String,
    /// What it is saved as.
    pub file_name: String,
    /// What it is made of.
    pub media_type: MediaType,
    /// The file.
    pub bytes: Vec<u8>,
    /// Whether borrowers may read it; else volunteers alone.
    pub for_borrowers: bool,
}

/// A paper, without its bytes.
#[derive(Debug, Clone)]
pub struct Paper {
    /// Id.
    pub id: PaperId,
    /// Of what.
    pub instrument_id: InstrumentId,
    /// What it is.
    pub title: String,
    /// What it is saved as.
    pub file_name: String,
    /// What it is made of.
    pub media_type: MediaType,
    /// How many bytes.
    pub size: i64,
    /// Whether borrowers may read it.
    pub for_borrowers: bool,
    /// When it was added.
    pub added_at: Moment,
    /// By whom: the name.
    pub added_by: String,
}

/// The longest title, characters.
pub const LONGEST_TITLE: usize = 120;
/// The most papers of one thing.
pub const MOST_PAPERS: usize = 40;

/// Keeps a paper.
///
/// # Errors
/// Refused when the thing has as many as it may have.
pub async fn add(conn: &mut Conn, new: &NewPaper, at: Moment, by: PersonId) -> Result<PaperId> {
    if of(conn, new.instrument_id).await?.len() >= MOST_PAPERS {
        return Err(Error::Refused(format!(
            "It has {MOST_PAPERS} papers already. Remove one first."
        )));
    }
    let id = PaperId::fresh();
    sqlx::query!(
        "INSERT INTO papers (id, instrument_id, title, file_name, media_type, bytes, for_borrowers, added_at, added_by)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        id, new.instrument_id, new.title, new.file_name, new.media_type, new.bytes, new.for_borrowers, at, by
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// A thing's papers, by title.
pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<Paper>> {
    Ok(sqlx::query_as!(
        Paper,
        r#"SELECT a.id AS "id: PaperId", a.instrument_id AS "instrument_id: InstrumentId", a.title, a.file_name,
                  a.media_type AS "media_type: MediaType", length(a.bytes) AS "size!: i64",
                  a.for_borrowers AS "for_borrowers: bool", a.added_at AS "added_at: Moment", p.name AS added_by
           FROM papers a JOIN people p ON p.id = a.added_by
           WHERE a.instrument_id = ? AND a.removed_at IS NULL ORDER BY a.title, a.added_at, a.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// One paper with its bytes.
///
/// # Errors
/// Not found when there is none or it was removed.
pub async fn get(conn: &mut Conn, id: PaperId) -> Result<(Paper, Vec<u8>)> {
    let row = sqlx::query!(
        r#"SELECT a.id AS "id: PaperId", a.instrument_id AS "instrument_id: InstrumentId", a.title, a.file_name,
                  a.media_type AS "media_type: MediaType", a.bytes,
                  a.for_borrowers AS "for_borrowers: bool", a.added_at AS "added_at: Moment", p.name AS added_by
           FROM papers a JOIN people p ON p.id = a.added_by
           WHERE a.id = ? AND a.removed_at IS NULL"#,
        id
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("paper"))?;
    let paper = Paper {
        id: row.id,
        instrument_id: row.instrument_id,
        title: row.title,
        file_name: row.file_name,
        media_type: row.media_type,
        size: i64::try_from(row.bytes.len()).unwrap_or(i64::MAX),
        for_borrowers: row.for_borrowers,
        added_at: row.added_at,
        added_by: row.added_by,
    };
    Ok((paper, row.bytes))
}

/// Hides a paper; its bytes are kept.
pub async fn hide(conn: &mut Conn, id: PaperId, at: Moment) -> Result<()> {
    sqlx::query!(
        "UPDATE papers SET removed_at = ? WHERE id = ? AND removed_at IS NULL",
        at,
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}
