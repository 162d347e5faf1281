//! What has expired is removed: sessions, sign-in links, tries at signing in, the
//! marks of forms that arrived, old messages and old reports. The rules stand with the tables in
//! `migrations/0001_house.sql`; none of it opens anything once it has expired.

use chrono::Duration;

use super::messages::KEPT_FOR;
use super::sessions::IDLE;
use super::sign_in_tries::{HALF_LASTS, KNOWN_LASTS};
use super::{Conn, Moment, Result, own_data, reports};

/// How long a form that arrived twice is known by its mark.
pub const FORM_LASTS: Duration = Duration::days(30);
/// How long tries at signing in are kept.
pub const ATTEMPT_LASTS: Duration = Duration::days(30);

/// How long a list that was read waits to be kept.
pub const UPLOAD_LASTS: Duration = Duration::days(2);

/// Removes all that has expired, and tells how many rows that were. The server does
/// so every hour.
pub async fn remove_expired(conn: &mut Conn, now: Moment) -> Result<u64> {
    let [idle, half, known, attempt, form, message, upload] = [
        IDLE,
        HALF_LASTS,
        KNOWN_LASTS,
        ATTEMPT_LASTS,
        FORM_LASTS,
        KEPT_FOR,
        UPLOAD_LASTS,
    ]
    .map(|lasts| now - lasts);
    let removed = [
        sqlx::query!(
            "DELETE FROM sessions WHERE expires_at <= ? OR last_seen_at <= ?",
            now,
            idle
        )
        .execute(&mut *conn)
        .await?,
        sqlx::query!("DELETE FROM sign_in_links WHERE expires_at <= ?", now)
            .execute(&mut *conn)
            .await?,
        sqlx::query!("DELETE FROM half_sign_ins WHERE begun_at <= ?", half)
            .execute(&mut *conn)
            .await?,
        sqlx::query!("DELETE FROM known_browsers WHERE known_since <= ?", known)
            .execute(&mut *conn)
            .await?,
        sqlx::query!("DELETE FROM sign_in_attempts WHERE at <= ?", attempt)
            .execute(&mut *conn)
            .await?,
        sqlx::query!("DELETE FROM handled_forms WHERE at <= ?", form)
            .execute(&mut *conn)
            .await?,
        sqlx::query!("DELETE FROM messages WHERE ended_at <= ?", message)
            .execute(&mut *conn)
            .await?,
        sqlx::query!("DELETE FROM held_uploads WHERE at <= ?", upload)
            .execute(&mut *conn)
            .await?,
    ];
    let reports = reports::remove_old(conn, now).await?;
    let forgotten = own_data::forget_who_left(conn, now).await?;
    Ok(forgotten + reports + removed.iter().map(|done| done.rows_affected()).sum::<u64>())
}
