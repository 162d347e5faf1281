//! Tries at signing in: how many may fail before one must wait, which browsers a person
//! is known by, and the time between the password and the second factor.

use chrono::Duration;

use super::sessions::Token;
use super::{Conn, Moment, PersonId, Result};

/// A try at signing in.
#[derive(Debug, Clone, Copy)]
pub struct Try<'a> {
    /// The address typed.
    pub account: &'a str,
    /// The network it came from.
    pub network: &'a str,
    /// The browser's token, where that account has signed in with it before.
    pub browser: Option<&'a Token>,
}

/// How long failures count.
pub const MEMORY: Duration = Duration::minutes(15);
/// Failures of one account before it must wait.
pub const ACCOUNT_TRIES: i64 = 5;
/// Failures from one network before it must wait: a whole club may sit behind
/// one address.
pub const NETWORK_TRIES: i64 = 100;
/// How long a network waits then.
const NETWORK_WAIT: Duration = Duration::seconds(60);

/// How long this try must wait, if at all. A browser that the account knows waits
/// for its own failures only. Tries dated ahead of the clock, from before it was
/// set back, do not count.
pub async fn wait(conn: &mut Conn, tried: Try<'_>, now: Moment) -> Result<Option<Duration>> {
    let since = now - MEMORY;
    if tried.browser.is_none()
        && failures_from(conn, tried.network, since, now).await? >= NETWORK_TRIES
    {
        return Ok(Some(NETWORK_WAIT));
    }
    let (failures, last) = failures(conn, tried, since, now).await?;
    let Some(last) = last.filter(|_| failures >= ACCOUNT_TRIES) else {
        return Ok(None);
    };
    let doublings = u32::try_from((failures - ACCOUNT_TRIES).min(8)).unwrap_or(8);
    let pause = Duration::seconds(4 * 2_i64.pow(doublings)).min(MEMORY);
    let left = (last + pause - now).min(pause);
    Ok((left > Duration::zero()).then_some(left))
}

/// A try that is counted, as failed until [`settle_try`] says otherwise.
#[derive(Debug, Clone, Copy)]
pub struct Counted(i64);

/// Counts a try before it is checked, so that tries sent all at once are counted
/// like those sent one after another; or says how long it must wait. `now` must
/// be read inside the transaction.
pub async fn count_try(
    conn: &mut Conn,
    tried: Try<'_>,
    now: Moment,
) -> Result<std::result::Result<Counted, Duration>> {
    // From before the clock was set back; what is old goes by `expiry`.
    sqlx::query!("DELETE FROM sign_in_attempts WHERE at > ?", now)
        .execute(&mut *conn)
        .await?;
    if let Some(wait) = wait(conn, tried, now).await? {
        return Ok(Err(wait));
    }
    let browser = tried.browser.map(Token::hash);
    let id = sqlx::query_scalar!(
        r#"INSERT INTO sign_in_attempts (account, address, at, succeeded, browser)
           VALUES (?, ?, ?, 0, ?) RETURNING id AS "id!: i64""#,
        tried.account,
        tried.network,
        now,
        browser
    )
    .fetch_one(conn)
    .await?;
    Ok(Ok(Counted(id)))
}

/// How a counted try ended, where it did not fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// The person is in: failures before it no longer count.
    In,
    /// It was right, but opened nothing by itself: as if it had not been.
    Half,
}

/// Says of a counted try that it did not fail.
pub async fn settle_try(conn: &mut Conn, counted: Counted, ended: Ended) -> Result<()> {
    match ended {
        Ended::In => {
            sqlx::query!(
                "UPDATE sign_in_attempts SET succeeded = 1 WHERE id = ?",
                counted.0
            )
            .execute(conn)
            .await?
        }
        Ended::Half => {
            sqlx::query!("DELETE FROM sign_in_attempts WHERE id = ?", counted.0)
                .execute(conn)
                .await?
        }
    };
    Ok(())
}

/// Failed tries since the given instant and since the last success, by
/// account, with the time of the last one. Those of a browser that the account
/// knows are counted by themselves, so that nobody elsewhere can make it wait.
async fn failures(
    conn: &mut Conn,
    tried: Try<'_>,
    since: Moment,
    now: Moment,
) -> Result<(i64, Option<Moment>)> {
    let browser = tried.browser.map(Token::hash);
    // By the order in which they were counted: two may bear one instant.
    let row = sqlx::query!(
        r#"SELECT COUNT(*) AS "n: i64", MAX(at) AS "last: Moment" FROM sign_in_attempts
           WHERE account = ?1 AND at > ?2 AND at <= ?4 AND succeeded = 0 AND browser IS ?3
             AND id > COALESCE((SELECT MAX(id) FROM sign_in_attempts
                                WHERE account = ?1 AND succeeded = 1 AND browser IS ?3), 0)"#,
        tried.account,
        since,
        browser,
        now
    )
    .fetch_one(conn)
    .await?;
    Ok((row.n, row.last))
}

/// Failed tries from one network since the given instant.
async fn failures_from(conn: &mut Conn, network: &str, since: Moment, now: Moment) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM sign_in_attempts
           WHERE address = ? AND at > ? AND at <= ? AND succeeded = 0"#,
        network,
        since,
        now
    )
    .fetch_one(conn)
    .await?)
}

/// How long a browser is known after it was last signed in with.
pub const KNOWN_LASTS: Duration = Duration::days(400);

/// Makes a browser known to a person.
pub async fn know_browser(conn: &mut Conn, person: PersonId, now: Moment) -> Result<Token> {
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
    sqlx::query!("DELETE FROM half_sign_ins WHERE begun_at > ?", now)
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
           WHERE token_hash = ? AND begun_at > ? AND begun_at <= ? AND tries < ?
           RETURNING person_id AS "person_id: PersonId""#,
        hash,
        oldest,
        now,
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
