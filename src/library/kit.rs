//! Kit: what goes out with an instrument, part by part.

use super::{Conn, InstrumentId, KitPartId, Moment, Result};

/// One part of an instrument's kit.
#[derive(Debug, Clone, PartialEq)]
pub struct KitPart {
    /// Id.
    pub id: KitPartId,
    /// What it is.
    pub name: String,
}

/// The kit as it is now, in order.
pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<KitPart>> {
    Ok(sqlx::query_as!(
        KitPart,
        r#"SELECT id AS "id: KitPartId", name FROM kit_parts
           WHERE instrument_id = ? AND removed_at IS NULL ORDER BY ordinal"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// The parts that are there: the kit without what is missing from it.
pub async fn present(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<KitPart>> {
    Ok(sqlx::query_as!(
        KitPart,
        r#"SELECT id AS "id: KitPartId", name FROM kit_parts k
           WHERE instrument_id = ? AND removed_at IS NULL
             AND NOT EXISTS (SELECT 1 FROM missing_kit m WHERE m.kit_part_id = k.id AND m.back_at IS NULL)
           ORDER BY ordinal"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// Makes the kit these parts, in this order: a part of the same name stays the
/// same part, the others are added or removed.
pub async fn set(
    conn: &mut Conn,
    instrument: InstrumentId,
    names: &[String],
    at: Moment,
) -> Result<()> {
    let mut old = of(conn, instrument).await?;
    for (ordinal, name) in (0_i64..).zip(names) {
        if let Some(found) = old.iter().position(|part| part.name == *name) {
            let part = old.remove(found);
            sqlx::query!(
                "UPDATE kit_parts SET ordinal = ? WHERE id = ?",
                ordinal,
                part.id
            )
            .execute(&mut *conn)
            .await?;
        } else {
            let id = KitPartId::fresh();
            sqlx::query!(
                "INSERT INTO kit_parts (id, instrument_id, ordinal, name) VALUES (?, ?, ?, ?)",
                id,
                instrument,
                ordinal,
                name
            )
            .execute(&mut *conn)
            .await?;
        }
    }
    for part in old {
        sqlx::query!(
            "UPDATE kit_parts SET removed_at = ? WHERE id = ?",
            at,
            part.id
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}
