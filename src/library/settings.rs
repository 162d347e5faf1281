//! The history of the club's settings: what each was and became, when, and by whom.

use super::{Conn, Moment, PersonId, Result};

/// One change of one setting.
#[derive(Debug, Clone)]
pub struct SettingChange {
    /// When.
    pub changed_at: Moment,
    /// By whom.
    pub changed_by: String,
    /// Which setting, as its field is labelled.
    pub what: String,
    /// What it was; "" for none.
    pub was: String,
    /// What it became; "" for none.
    pub became: String,
}

/// Writes down what was changed (setting, what it was, what it became); what stayed the
/// same is passed over.
pub async fn changed(
    conn: &mut Conn,
    settings: &[(&str, &str, &str)],
    by: PersonId,
    at: Moment,
) -> Result<()> {
    for &(what, was, became) in settings {
        if was == became {
            continue;
        }
        sqlx::query!(
            "INSERT INTO settings_changes (changed_at, changed_by, what, was, became) VALUES (?, ?, ?, ?, ?)",
            at, by, what, was, became
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

/// Every change ever made, the latest first.
pub async fn history(conn: &mut Conn) -> Result<Vec<SettingChange>> {
    Ok(sqlx::query_as!(
        SettingChange,
        r#"SELECT s.changed_at AS "changed_at: Moment", p.name AS changed_by, s.what, s.was, s.became
           FROM settings_changes s JOIN people p ON p.id = s.changed_by ORDER BY s.number DESC"#
    )
    .fetch_all(conn)
    .await?)
}
