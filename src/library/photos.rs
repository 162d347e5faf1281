//! Photos of instruments. One that is removed stays, hidden.

use super::{Conn, Error, InstrumentId, Moment, PersonId, PhotoId, Result};

/// A photo made ready to be kept: upright, of a size for pages, without what
/// the camera wrote into it.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// JPEG.
    pub picture: Vec<u8>,
    /// A small JPEG.
    pub thumbnail: Vec<u8>,
    /// Width of the picture, pixels.
    pub width_px: u32,
    /// Height of the picture, pixels.
    pub height_px: u32,
}

/// One photo, without its bytes.
#[derive(Debug, Clone)]
pub struct Photo {
    /// Id.
    pub id: PhotoId,
    /// Of what.
    pub instrument_id: InstrumentId,
    /// Words beside it.
    pub caption: String,
    /// Width, pixels.
    pub width_px: i64,
    /// Height, pixels.
    pub height_px: i64,
    /// When it was added.
    pub added_at: Moment,
    /// By whom: the name.
    pub added_by: String,
}

/// Which of its two sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// For a page of its own.
    Full,
    /// For a list.
    Small,
}

/// The longest caption, characters.
pub const LONGEST_CAPTION: usize = 200;

/// Keeps a photo.
pub async fn add(
    conn: &mut Conn,
    instrument: InstrumentId,
    photo: &Prepared,
    caption: &str,
    at: Moment,
    by: PersonId,
) -> Result<PhotoId> {
    let id = PhotoId::fresh();
    sqlx::query!(
        "INSERT INTO photos (id, instrument_id, caption, media_type, width_px, height_px, picture, thumbnail, added_at, added_by)
         VALUES (?, ?, ?, 'image/jpeg', ?, ?, ?, ?, ?, ?)",
        id, instrument, caption, photo.width_px, photo.height_px, photo.picture, photo.thumbnail, at, by
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// An instrument's photos, oldest first.
pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<Photo>> {
    Ok(sqlx::query_as!(
        Photo,
        r#"SELECT f.id AS "id: PhotoId", f.instrument_id AS "instrument_id: InstrumentId", f.caption,
                  f.width_px, f.height_px, f.added_at AS "added_at: Moment", p.name AS added_by
           FROM photos f JOIN people p ON p.id = f.added_by
           WHERE f.instrument_id = ? AND f.removed_at IS NULL ORDER BY f.added_at, f.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// One photo.
///
/// # Errors
/// Not found when there is none or it was removed.
pub async fn get(conn: &mut Conn, id: PhotoId) -> Result<Photo> {
    sqlx::query_as!(
        Photo,
        r#"SELECT f.id AS "id: PhotoId", f.instrument_id AS "instrument_id: InstrumentId", f.caption,
                  f.width_px, f.height_px, f.added_at AS "added_at: Moment", p.name AS added_by
           FROM photos f JOIN people p ON p.id = f.added_by
           WHERE f.id = ? AND f.removed_at IS NULL"#,
        id
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("photo"))
}

/// A photo's bytes.
///
/// # Errors
/// Not found when there is none or it was removed.
pub async fn bytes(conn: &mut Conn, id: PhotoId, size: Size) -> Result<Vec<u8>> {
    let small = size == Size::Small;
    sqlx::query_scalar!(
        r#"SELECT CASE WHEN ? THEN thumbnail ELSE picture END AS "bytes!: Vec<u8>"
           FROM photos WHERE id = ? AND removed_at IS NULL"#,
        small,
        id
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("photo"))
}

/// Writes other words beside a photo.
pub async fn set_caption(conn: &mut Conn, id: PhotoId, caption: &str) -> Result<()> {
    sqlx::query!("UPDATE photos SET caption = ? WHERE id = ?", caption, id)
        .execute(conn)
        .await?;
    Ok(())
}

/// Hides a photo; its bytes are kept.
pub async fn hide(conn: &mut Conn, id: PhotoId, at: Moment) -> Result<()> {
    sqlx::query!(
        "UPDATE photos SET removed_at = ? WHERE id = ? AND removed_at IS NULL",
        at,
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}
