//! Sets: what usually goes out together. A set is a proposal and no more: each of its
//! members has its own loan, return and status.

use super::things::Thing;
use super::{Conn, Error, InstrumentId, Result, SetId};

/// The most members of one set.
pub const MOST_MEMBERS: usize = 40;

/// What usually goes out together.
#[derive(Debug, Clone)]
pub struct Set {
    /// Id.
    pub id: SetId,
    /// What it is called.
    pub name: String,
    /// Anything else.
    pub note: String,
    /// Counts edits; a form that edits an older version is refused.
    pub version: i64,
}

impl Set {
    /// One set.
    pub async fn get(conn: &mut Conn, id: SetId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: SetId", name, note, version FROM sets WHERE id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("set"))
    }

    /// Every set with its members, by name.
    pub async fn all(conn: &mut Conn) -> Result<Vec<(Self, Vec<Thing>)>> {
        let sets = sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: SetId", name, note, version FROM sets ORDER BY name"#
        )
        .fetch_all(&mut *conn)
        .await?;
        let rows = sqlx::query!(
            r#"SELECT set_id AS "set_id: SetId", instrument_id AS "instrument_id: InstrumentId" FROM set_members"#
        )
        .fetch_all(&mut *conn)
        .await?;
        let mut all = Vec::with_capacity(sets.len());
        for set in sets {
            let mut members = Vec::new();
            for row in rows.iter().filter(|row| row.set_id == set.id) {
                members.push(Thing::get(conn, row.instrument_id).await?);
            }
            all.push((set, sorted(members)));
        }
        Ok(all)
    }

    /// The sets that one thing belongs to, by name.
    pub async fn with(conn: &mut Conn, thing: InstrumentId) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT s.id AS "id: SetId", s.name, s.note, s.version
               FROM sets s JOIN set_members m ON m.set_id = s.id WHERE m.instrument_id = ? ORDER BY s.name"#,
            thing
        )
        .fetch_all(conn)
        .await?)
    }

    /// Its members, instruments first.
    pub async fn members(conn: &mut Conn, id: SetId) -> Result<Vec<Thing>> {
        let ids = sqlx::query_scalar!(
            r#"SELECT instrument_id AS "id: InstrumentId" FROM set_members WHERE set_id = ?"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let mut members = Vec::with_capacity(ids.len());
        for id in ids {
            members.push(Thing::get(conn, id).await?);
        }
        Ok(sorted(members))
    }

    /// Adds a set.
    ///
    /// # Errors
    /// Refused when another has the name, and without two members.
    pub async fn add(
        conn: &mut Conn,
        name: &str,
        note: &str,
        members: &[InstrumentId],
    ) -> Result<SetId> {
        refuse_too_few(members)?;
        refuse_taken_name(conn, name, None).await?;
        let id = SetId::fresh();
        sqlx::query!(
            "INSERT INTO sets (id, name, note) VALUES (?, ?, ?)",
            id,
            name,
            note
        )
        .execute(&mut *conn)
        .await?;
        put_members(conn, id, members).await?;
        Ok(id)
    }

    /// Rewrites a set, if nobody has since `version` was read.
    ///
    /// # Errors
    /// As [`Self::add`]; and when somebody else has changed it meanwhile.
    pub async fn change(
        conn: &mut Conn,
        id: SetId,
        version: i64,
        name: &str,
        note: &str,
        members: &[InstrumentId],
    ) -> Result<()> {
        refuse_too_few(members)?;
        refuse_taken_name(conn, name, Some(id)).await?;
        let done = sqlx::query!(
            "UPDATE sets SET name = ?, note = ?, version = version + 1 WHERE id = ? AND version = ?",
            name,
            note,
            id,
            version
        )
        .execute(&mut *conn)
        .await?;
        super::one_row(
            &done,
            Error::Refused(
                "Someone else has changed this set since you opened it. Open it again.".to_owned(),
            ),
        )?;
        sqlx::query!("DELETE FROM set_members WHERE set_id = ?", id)
            .execute(&mut *conn)
            .await?;
        put_members(conn, id, members).await
    }

    /// Takes a set apart. Its members stay as they are.
    pub async fn remove(conn: &mut Conn, id: SetId) -> Result<()> {
        sqlx::query!("DELETE FROM sets WHERE id = ?", id)
            .execute(conn)
            .await?;
        Ok(())
    }
}

/// Instruments first, then by kind and tag.
fn sorted(mut members: Vec<Thing>) -> Vec<Thing> {
    members.sort_by_key(|member| (member.kind, member.tag.to_lowercase()));
    members
}

async fn refuse_taken_name(conn: &mut Conn, name: &str, except: Option<SetId>) -> Result<()> {
    let holder = sqlx::query_scalar!(r#"SELECT id AS "id: SetId" FROM sets WHERE name = ?"#, name)
        .fetch_optional(conn)
        .await?;
    if holder.is_some() && holder != except {
        return Err(Error::Refused(format!(
            "There is a set called {name} already. Choose another name."
        )));
    }
    Ok(())
}

fn refuse_too_few(members: &[InstrumentId]) -> Result<()> {
    match members.len() {
        0 | 1 => Err(Error::Refused("Choose at least two for a set.".to_owned())),
        _ => Ok(()),
    }
}

async fn put_members(conn: &mut Conn, id: SetId, members: &[InstrumentId]) -> Result<()> {
    for member in members {
        sqlx::query!(
            "INSERT OR IGNORE INTO set_members (set_id, instrument_id) VALUES (?, ?)",
            id,
            member
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}
