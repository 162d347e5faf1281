//! Sessions and sign-in link. Only hashes of tokens are stored.

use chrono::Duration;
use sha2::{Digest, Sha256};

use super::people::{Person, Role};
use super::{Conn, Error, Moment, PersonId, Result};

/// How long a session lasts without being used.
pub const IDLE: Duration = Duration::days(14);
/// How long a session lasts at all.
pub const LONGEST: Duration = Duration::days(60);
/// How long a sign-in link works.
pub const ADDRESS_LASTS: Duration = Duration::hours(72);

words! {
    /// What a sign-in link is for.
    pub enum Purpose {
        /// The first coordinator sets the club up.
        SetUp = "set-up", "set-up";
        /// A person on the list chooses a first password.
        Welcome = "welcome", "welcome";
        /// A person chooses a new password.
        NewPassword = "new-password", "new password";
    }
}

/// A secret of 256 random bits, given out once as text and kept only as a hash.
#[derive(Clone)]
pub struct Token(String);

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token")
    }
}

impl Token {
    /// A new one from the system's random source.
    pub fn fresh() -> Self {
        use base64::Engine;
        let bytes: [u8; 32] = rand::random();
        Self(base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bytes))
    }

    /// From what a browser sent.
    pub fn given(text: &str) -> Self {
        Self(text.to_owned())
    }

    /// The text to give out.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// What is stored.
    pub fn hash(&self) -> Vec<u8> {
        Sha256::digest(self.0.as_bytes()).to_vec()
    }

    /// The mark that this session's forms carry, so that another site's form
    /// cannot be sent in its name. It does not tell the token.
    pub fn form_mark(&self) -> String {
        use base64::Engine;
        let mut hasher = Sha256::new();
        hasher.update(b"tubewright form mark\0");
        hasher.update(self.0.as_bytes());
        base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(hasher.finalize())
    }
}

/// Starts a session.
pub async fn start(conn: &mut Conn, person: PersonId, now: Moment) -> Result<Token> {
    let token = Token::fresh();
    let hash = token.hash();
    let expires = now + LONGEST;
    sqlx::query!(
        "INSERT INTO sessions (token_hash, person_id, started_at, last_seen_at, expires_at)
         VALUES (?, ?, ?, ?, ?)",
        hash,
        person,
        now,
        now,
        expires
    )
    .execute(conn)
    .await?;
    Ok(token)
}

/// Who holds this token, if the session stands, and when it was last seen.
pub async fn holder(
    conn: &mut Conn,
    token: &Token,
    now: Moment,
) -> Result<Option<(Person, Moment)>> {
    let hash = token.hash();
    let oldest = now - IDLE;
    let row = sqlx::query!(
        r#"SELECT p.id AS "id: PersonId", p.name, p.email, p.role AS "role: Role",
                  p.joined_at AS "joined_at: Moment", s.last_seen_at AS "last_seen_at: Moment"
           FROM sessions s JOIN people p ON p.id = s.person_id
           WHERE s.token_hash = ? AND s.expires_at > ? AND s.last_seen_at > ? AND p.left_at IS NULL"#,
        hash, now, oldest
    )
    .fetch_optional(conn)
    .await?;
    Ok(row.map(|r| {
        (
            Person {
                id: r.id,
                name: r.name,
                email: r.email,
                role: r.role,
                can_sign_in: true,
                joined_at: r.joined_at,
                left_at: None,
            },
            r.last_seen_at,
        )
    }))
}

/// Notes that a session was used.
pub async fn seen(conn: &mut Conn, token: &Token, now: Moment) -> Result<()> {
    let hash = token.hash();
    sqlx::query!(
        "UPDATE sessions SET last_seen_at = ? WHERE token_hash = ?",
        now,
        hash
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Ends one session.
pub async fn end(conn: &mut Conn, token: &Token) -> Result<()> {
    let hash = token.hash();
    sqlx::query!("DELETE FROM sessions WHERE token_hash = ?", hash)
        .execute(conn)
        .await?;
    Ok(())
}

/// Ends every session of a person.
pub async fn end_all(conn: &mut Conn, person: PersonId) -> Result<()> {
    sqlx::query!("DELETE FROM sessions WHERE person_id = ?", person)
        .execute(conn)
        .await?;
    Ok(())
}

/// Makes a sign-in link; earlier unused ones for the same person and
/// purpose stop working.
pub async fn make_address(
    conn: &mut Conn,
    purpose: Purpose,
    person: Option<PersonId>,
    made_by: Option<PersonId>,
    now: Moment,
) -> Result<Token> {
    let token = Token::fresh();
    let hash = token.hash();
    let expires = now + ADDRESS_LASTS;
    sqlx::query!(
        "UPDATE sign_in_links SET expires_at = ? WHERE used_at IS NULL AND purpose = ? AND person_id IS ?",
        now, purpose, person
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "INSERT INTO sign_in_links (token_hash, purpose, person_id, made_at, made_by, expires_at)
         VALUES (?, ?, ?, ?, ?, ?)",
        hash,
        purpose,
        person,
        now,
        made_by,
        expires
    )
    .execute(conn)
    .await?;
    Ok(token)
}

/// What a sign-in link is for, while it works.
pub async fn address(
    conn: &mut Conn,
    token: &Token,
    now: Moment,
) -> Result<(Purpose, Option<PersonId>)> {
    let hash = token.hash();
    let row = sqlx::query!(
        r#"SELECT purpose AS "purpose: Purpose", person_id AS "person_id: PersonId"
           FROM sign_in_links WHERE token_hash = ? AND used_at IS NULL AND expires_at > ?"#,
        hash,
        now
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound(
        "sign-in link (it works once, for three days)",
    ))?;
    Ok((row.purpose, row.person_id))
}

/// Uses a sign-in link up.
pub async fn use_address(conn: &mut Conn, token: &Token, now: Moment) -> Result<()> {
    let hash = token.hash();
    let done = sqlx::query!(
        "UPDATE sign_in_links SET used_at = ? WHERE token_hash = ? AND used_at IS NULL AND expires_at > ?",
        now, hash, now
    )
    .execute(conn)
    .await?;
    if done.rows_affected() == 1 {
        Ok(())
    } else {
        Err(Error::NotFound(
            "sign-in link (it works once, for three days)",
        ))
    }
}

/// A try at signing in.
#[derive(Debug, Clone, Copy)]
pub struct Try<'a> {
    /// The address typed.
    pub account: &'a str,
    /// The network address it came from.
    pub address: &'a str,
    /// The browser's token, where that account has signed in with it before.
    pub browser: Option<&'a Token>,
}

/// Notes a try at signing in.
pub async fn note_attempt(
    conn: &mut Conn,
    tried: Try<'_>,
    succeeded: bool,
    now: Moment,
) -> Result<()> {
    let old = now - Duration::days(30);
    sqlx::query!("DELETE FROM sign_in_attempts WHERE at < ?", old)
        .execute(&mut *conn)
        .await?;
    let browser = tried.browser.map(Token::hash);
    sqlx::query!(
        "INSERT INTO sign_in_attempts (account, address, at, succeeded, browser) VALUES (?, ?, ?, ?, ?)",
        tried.account,
        tried.address,
        now,
        succeeded,
        browser
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Failed tries since the given instant and since the last success, by
/// account, with the time of the last one. Those of a browser that the account
/// knows are counted by themselves, so that nobody elsewhere can make it wait.
pub async fn failures(
    conn: &mut Conn,
    tried: Try<'_>,
    since: Moment,
) -> Result<(i64, Option<Moment>)> {
    let browser = tried.browser.map(Token::hash);
    let row = sqlx::query!(
        r#"SELECT COUNT(*) AS "n: i64", MAX(at) AS "last: Moment" FROM sign_in_attempts
           WHERE account = ?1 AND at > ?2 AND succeeded = 0 AND browser IS ?3
             AND at > COALESCE((SELECT MAX(at) FROM sign_in_attempts
                                WHERE account = ?1 AND succeeded = 1 AND browser IS ?3), '')"#,
        tried.account,
        since,
        browser
    )
    .fetch_one(conn)
    .await?;
    Ok((row.n, row.last))
}

/// How long a browser is known after it was last signed in with.
pub const KNOWN_LASTS: Duration = Duration::days(400);

/// Makes a browser known to a person.
pub async fn know_browser(conn: &mut Conn, person: PersonId, now: Moment) -> Result<Token> {
    let old = now - KNOWN_LASTS;
    sqlx::query!("DELETE FROM known_browsers WHERE known_since < ?", old)
        .execute(&mut *conn)
        .await?;
    let token = Token::fresh();
    let hash = token.hash();
    sqlx::query!(
        "INSERT INTO known_browsers (token_hash, person_id, known_since) VALUES (?, ?, ?)",
        hash,
        person,
        now
    )
    .execute(conn)
    .await?;
    Ok(token)
}

/// Whether this person has signed in with this browser before.
pub async fn knows_browser(conn: &mut Conn, person: PersonId, browser: &Token) -> Result<bool> {
    let hash = browser.hash();
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM known_browsers WHERE token_hash = ? AND person_id = ?"#,
        hash,
        person
    )
    .fetch_one(conn)
    .await?
        > 0)
}

/// How long the second factor may take to follow the password.
pub const HALF_LASTS: Duration = Duration::minutes(10);
/// How many codes may be tried after one right password.
pub const HALF_TRIES: i64 = 5;

/// Notes that the password was right and the second factor is still to come.
pub async fn begin_half(conn: &mut Conn, person: PersonId, now: Moment) -> Result<Token> {
    let old = now - HALF_LASTS;
    sqlx::query!("DELETE FROM half_sign_ins WHERE begun_at < ?", old)
        .execute(&mut *conn)
        .await?;
    let token = Token::fresh();
    let hash = token.hash();
    sqlx::query!(
        "INSERT INTO half_sign_ins (token_hash, person_id, begun_at) VALUES (?, ?, ?)",
        hash,
        person,
        now
    )
    .execute(conn)
    .await?;
    Ok(token)
}

/// Whose half sign-in this is, and counts one more try; `None` where it has
/// run out of time or tries.
pub async fn try_half(conn: &mut Conn, token: &Token, now: Moment) -> Result<Option<PersonId>> {
    let hash = token.hash();
    let oldest = now - HALF_LASTS;
    let row = sqlx::query!(
        r#"UPDATE half_sign_ins SET tries = tries + 1
           WHERE token_hash = ? AND begun_at > ? AND tries < ?
           RETURNING person_id AS "person_id: PersonId""#,
        hash,
        oldest,
        HALF_TRIES
    )
    .fetch_optional(conn)
    .await?;
    Ok(row.map(|r| r.person_id))
}

/// Ends a half sign-in.
pub async fn end_half(conn: &mut Conn, token: &Token) -> Result<()> {
    let hash = token.hash();
    sqlx::query!("DELETE FROM half_sign_ins WHERE token_hash = ?", hash)
        .execute(conn)
        .await?;
    Ok(())
}

/// Failed tries from one network address since the given instant.
pub async fn failures_from(conn: &mut Conn, address: &str, since: Moment) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM sign_in_attempts WHERE address = ? AND at > ? AND succeeded = 0"#,
        address, since
    )
    .fetch_one(conn)
    .await?)
}
