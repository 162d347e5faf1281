//! Calendar feeds: a secret address for each person who wants one. Only its hash is kept.

use super::people::Person;
use super::sessions::Token;
use super::{Conn, Error, Moment, PersonId, Result};

/// Since when somebody has a feed; none where they have none.
pub async fn since(conn: &mut Conn, person: PersonId) -> Result<Option<Moment>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT made_at AS "made_at: Moment" FROM calendar_feeds WHERE person_id = ?"#,
        person
    )
    .fetch_optional(conn)
    .await?)
}

/// Makes a new secret address; the one before works no more.
pub async fn make(conn: &mut Conn, person: PersonId, at: Moment) -> Result<Token> {
    let token = Token::fresh();
    let hash = token.hash();
    sqlx::query!(
        "INSERT INTO calendar_feeds (person_id, token_hash, made_at) VALUES (?, ?, ?)
         ON CONFLICT (person_id) DO UPDATE SET token_hash = excluded.token_hash, made_at = excluded.made_at",
        person,
        hash,
        at
    )
    .execute(conn)
    .await?;
    Ok(token)
}

/// Ends a feed: its address works no more.
pub async fn end(conn: &mut Conn, person: PersonId) -> Result<()> {
    sqlx::query!("DELETE FROM calendar_feeds WHERE person_id = ?", person)
        .execute(conn)
        .await?;
    Ok(())
}

/// Whose feed this is.
///
/// # Errors
/// Not found when the address is nobody's, or was ended.
pub async fn holder(conn: &mut Conn, token: &Token) -> Result<Person> {
    let hash = token.hash();
    let person = sqlx::query_scalar!(
        r#"SELECT person_id AS "person_id: PersonId" FROM calendar_feeds WHERE token_hash = ?"#,
        hash
    )
    .fetch_optional(&mut *conn)
    .await?
    .ok_or(Error::NotFound("calendar"))?;
    Person::get(conn, person).await
}
