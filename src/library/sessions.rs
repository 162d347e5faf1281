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

impl Purpose {
    /// Of a link for somebody on the list.
    pub fn of(person: &Person) -> Self {
        if person.can_sign_in {
            Self::NewPassword
        } else {
            Self::Welcome
        }
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

impl Place {
    /// Whether this is the session of this token.
    pub fn is_of(&self, token: &Token) -> bool {
        super::hex(&token.hash()[..8]) == self.name
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

/// How long after the password was typed a session may do what is grave.
pub const CONFIRMED: Duration = Duration::minutes(10);
/// How far a clock may be set back before what is dated ahead of it is set back too.
const AHEAD: Duration = Duration::minutes(5);

/// Starts a session.
pub async fn start(conn: &mut Conn, person: PersonId, now: Moment) -> Result<Token> {
    start_on(conn, person, "", now).await
}

/// Starts a session on a device of this kind. The password has just been typed.
pub async fn start_on(
    conn: &mut Conn,
    person: PersonId,
    device: &str,
    now: Moment,
) -> Result<Token> {
    settle(conn, now).await?;
    let over = now - IDLE;
    sqlx::query!(
        "DELETE FROM sessions WHERE expires_at < ? OR last_seen_at < ?",
        now,
        over
    )
    .execute(&mut *conn)
    .await?;
    let token = Token::fresh();
    let hash = token.hash();
    let expires = now + LONGEST;
    sqlx::query!(
        "INSERT INTO sessions (token_hash, person_id, started_at, last_seen_at, expires_at, device, confirmed_at)
         VALUES (?, ?, ?, ?, ?, ?, ?)",
        hash,
        person,
        now,
        now,
        expires,
        device,
        now
    )
    .execute(conn)
    .await?;
    Ok(token)
}

/// A session that stands.
#[derive(Debug)]
pub struct Holder {
    /// Whose it is.
    pub person: Person,
    /// When it was last noted as used.
    pub last_seen: Moment,
    /// When the password was last typed in it.
    pub confirmed: Option<Moment>,
    /// Whether they sign in with a second factor.
    pub second_factor: bool,
}

impl Holder {
    /// Whether its use should be noted: half an hour has passed, or the clock has
    /// been set back since.
    pub fn is_to_be_noted(&self, now: Moment) -> bool {
        now - self.last_seen > Duration::minutes(30) || self.last_seen - now > AHEAD
    }

    /// Whether the password was typed so lately that what is grave may be done.
    pub fn is_confirmed(&self, now: Moment) -> bool {
        self.confirmed
            .is_some_and(|at| at <= now + AHEAD && now - at < CONFIRMED)
    }
}

/// Who holds this token, if the session stands.
pub async fn holder(conn: &mut Conn, token: &Token, now: Moment) -> Result<Option<Holder>> {
    let hash = token.hash();
    let oldest = now - IDLE;
    let row = sqlx::query!(
        r#"SELECT p.id AS "id: PersonId", p.name, p.email, p.role AS "role: Role", p.guest AS "guest: bool",
                  p.joined_at AS "joined_at: Moment", s.last_seen_at AS "last_seen_at: Moment",
                  s.confirmed_at AS "confirmed_at: Moment",
                  p.totp_secret IS NOT NULL AS "second_factor!: bool"
           FROM sessions s JOIN people p ON p.id = s.person_id
           WHERE s.token_hash = ? AND s.expires_at > ? AND s.last_seen_at > ? AND p.left_at IS NULL"#,
        hash, now, oldest
    )
    .fetch_optional(conn)
    .await?;
    Ok(row.map(|r| Holder {
        person: Person {
            id: r.id,
            name: r.name,
            email: r.email,
            role: r.role,
            guest: r.guest,
            can_sign_in: true,
            joined_at: r.joined_at,
            left_at: None,
        },
        last_seen: r.last_seen_at,
        confirmed: r.confirmed_at,
        second_factor: r.second_factor,
    }))
}

/// Notes that a session was used.
pub async fn seen(conn: &mut Conn, token: &Token, now: Moment) -> Result<()> {
    settle(conn, now).await?;
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

/// Notes that the password has just been typed again in this session.
pub async fn confirm(conn: &mut Conn, token: &Token, now: Moment) -> Result<()> {
    let hash = token.hash();
    sqlx::query!(
        "UPDATE sessions SET confirmed_at = ? WHERE token_hash = ?",
        now,
        hash
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Where the clock has been set back, sets back with it what it dated: sessions
/// and sign-in links then last as long as they would have, and no longer.
///
/// A session that was last used in what is now the future is taken as used now,
/// with its start and its end as far from that as they were.
pub async fn settle(conn: &mut Conn, now: Moment) -> Result<()> {
    let ahead = now + AHEAD;
    let sessions = sqlx::query!(
        r#"SELECT token_hash, started_at AS "started_at: Moment", last_seen_at AS "last_seen_at: Moment",
                  expires_at AS "expires_at: Moment"
           FROM sessions WHERE last_seen_at > ?"#,
        ahead
    )
    .fetch_all(&mut *conn)
    .await?;
    for one in sessions {
        let by = one.last_seen_at - now;
        let (started, expires) = (one.started_at - by, one.expires_at - by);
        sqlx::query!(
            "UPDATE sessions SET started_at = ?, last_seen_at = ?, expires_at = ?, confirmed_at = NULL
             WHERE token_hash = ?",
            started,
            now,
            expires,
            one.token_hash
        )
        .execute(&mut *conn)
        .await?;
    }
    let links = sqlx::query!(
        r#"SELECT token_hash, made_at AS "made_at: Moment", expires_at AS "expires_at: Moment"
           FROM sign_in_links WHERE used_at IS NULL AND made_at > ?"#,
        ahead
    )
    .fetch_all(&mut *conn)
    .await?;
    for one in links {
        let expires = one.expires_at - (one.made_at - now);
        sqlx::query!(
            "UPDATE sign_in_links SET made_at = ?, expires_at = ? WHERE token_hash = ?",
            now,
            expires,
            one.token_hash
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

/// One place where a person is signed in.
#[derive(Debug, Clone)]
pub struct Place {
    /// A name for it that opens nothing.
    pub name: String,
    /// The kind of device, in words; may be "".
    pub device: String,
    /// Since when.
    pub since: Moment,
    /// When it was last noted as used.
    pub last_seen: Moment,
}

/// Where a person is signed in, the latest used first.
pub async fn places(conn: &mut Conn, person: PersonId, now: Moment) -> Result<Vec<Place>> {
    let oldest = now - IDLE;
    Ok(sqlx::query_as!(
        Place,
        r#"SELECT lower(hex(substr(token_hash, 1, 8))) AS "name!: String", device,
                  started_at AS "since: Moment", last_seen_at AS "last_seen: Moment"
           FROM sessions WHERE person_id = ? AND expires_at > ? AND last_seen_at > ?
           ORDER BY last_seen_at DESC, token_hash"#,
        person,
        now,
        oldest
    )
    .fetch_all(conn)
    .await?)
}

/// Ends one of a person's sessions, by its [`Place::name`]; whether there was one.
pub async fn end_place(conn: &mut Conn, person: PersonId, name: &str) -> Result<bool> {
    let done = sqlx::query!(
        "DELETE FROM sessions WHERE person_id = ? AND lower(hex(substr(token_hash, 1, 8))) = ?",
        person,
        name
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() > 0)
}

/// Ends every session of a person but this one, and forgets the browsers known
/// to them but this one's; how many sessions.
pub async fn end_others(
    conn: &mut Conn,
    person: PersonId,
    token: &Token,
    browser: Option<&Token>,
) -> Result<u64> {
    let (hash, browser) = (token.hash(), browser.map(Token::hash));
    sqlx::query!(
        "DELETE FROM known_browsers WHERE person_id = ?1 AND token_hash IS NOT ?2",
        person,
        browser
    )
    .execute(&mut *conn)
    .await?;
    let done = sqlx::query!(
        "DELETE FROM sessions WHERE person_id = ? AND token_hash <> ?",
        person,
        hash
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
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
    super::one_row(
        &done,
        Error::NotFound("sign-in link (it works once, for three days)"),
    )
}
