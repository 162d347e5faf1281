//! The audit log: who did what, when, from where. Rows are only ever added, each in
//! the transaction of the write it tells of, and each with a hash over itself
//! and the hash before it (SHA-256), so that a row changed, put in or taken out
//! later breaks the chain from there on.
//!
//! Whoever can write the file can also write the whole chain anew. Against
//! that, the last number and hash can be kept elsewhere: backups carry them,
//! and the page shows them.

use futures_util::TryStreamExt;
use sha2::{Digest, Sha256};

use super::{Conn, Moment, PersonId, Result};

/// Something a person did.
#[derive(Debug, Clone, Copy)]
pub struct AuditEntry<'a> {
    /// When.
    pub at: Moment,
    /// Who; `None` where nobody was signed in.
    pub person: Option<PersonId>,
    /// The network address it came from, or "command line".
    pub address: &'a str,
    /// What was asked for: method and path, or the command.
    pub what: &'a str,
    /// What was said when it was done.
    pub words: &'a str,
}

/// A row as coordinators see it.
#[derive(Debug, Clone)]
pub struct AuditRow {
    /// Its number, from 1 on without gaps.
    pub number: i64,
    /// When.
    pub at: Moment,
    /// Who, by name.
    pub person: Option<String>,
    /// From where.
    pub address: String,
    /// What was asked for.
    pub what: String,
    /// What was said.
    pub words: String,
}

/// Whether the chain holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    /// How many rows hold together from the first.
    pub sound: i64,
    /// The last of them's hash, hexadecimal; "" where there is none.
    pub head: String,
    /// The number at which it breaks, if it does.
    pub broken_at: Option<i64>,
}

fn hash(before: &[u8], number: i64, audit_entry: &AuditEntry) -> [u8; 32] {
    let mut hash = Sha256::new();
    hash.update(before);
    hash.update(number.to_le_bytes());
    hash.update(audit_entry.at.timestamp_micros().to_le_bytes());
    hash.update(
        audit_entry
            .person
            .map(|p| *p.0.as_bytes())
            .unwrap_or_default(),
    );
    // With its length each, so that no two rows read alike.
    for text in [audit_entry.address, audit_entry.what, audit_entry.words] {
        hash.update((text.len() as u64).to_le_bytes());
        hash.update(text.as_bytes());
    }
    hash.finalize().into()
}

/// Adds an audit entry to the audit log.
pub async fn add(conn: &mut Conn, audit_entry: &AuditEntry<'_>) -> Result<()> {
    let last = sqlx::query!("SELECT number, hash FROM audit_log ORDER BY number DESC LIMIT 1")
        .fetch_optional(&mut *conn)
        .await?;
    let (number, before) = last.map_or((1, Vec::new()), |l| (l.number + 1, l.hash));
    // As it will be read back: the database keeps microseconds at most.
    let at = chrono::DateTime::from_timestamp_micros(audit_entry.at.timestamp_micros())
        .unwrap_or(audit_entry.at);
    let hash = hash(&before, number, &AuditEntry { at, ..*audit_entry }).to_vec();
    sqlx::query!(
        "INSERT INTO audit_log (number, at, person_id, address, what, words, hash) VALUES (?, ?, ?, ?, ?, ?, ?)",
        number, at, audit_entry.person, audit_entry.address, audit_entry.what, audit_entry.words, hash
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Which rows to list.
#[derive(Debug, Clone, Copy, Default)]
pub struct Which<'a> {
    /// Words that each stand in who, from where, what was asked for or what was said;
    /// capitals of plain letters apart.
    pub words: &'a str,
    /// Only what was done signed in, or only what was not.
    pub signed_in: Option<bool>,
    /// From the first on, not from the latest.
    pub first_first: bool,
}

impl Which<'_> {
    /// Its words as a JSON list, each as SQLite's LIKE takes it.
    fn patterns(&self) -> String {
        let patterns: Vec<String> = self
            .words
            .split_whitespace()
            .take(12)
            .map(|word| {
                let plain = word
                    .replace('\\', "\\\\")
                    .replace('%', "\\%")
                    .replace('_', "\\_");
                format!("%{plain}%")
            })
            .collect();
        serde_json::Value::from(patterns).to_string()
    }
}

/// How many rows there are of these.
pub async fn count(conn: &mut Conn, which: Which<'_>) -> Result<i64> {
    let patterns = which.patterns();
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n!: i64" FROM audit_log t LEFT JOIN people p ON p.id = t.person_id
           WHERE (?1 IS NULL OR (t.person_id IS NOT NULL) = ?1)
             AND NOT EXISTS (SELECT 1 FROM json_each(?2) w WHERE
                 COALESCE(p.name, '') || ' ' || t.address || ' ' || t.what || ' ' || t.words NOT LIKE w.value ESCAPE '\')"#,
        which.signed_in,
        patterns
    )
    .fetch_one(conn)
    .await?)
}

/// Rows of these, `skip` of them passed over.
pub async fn list(
    conn: &mut Conn,
    which: Which<'_>,
    skip: i64,
    most: i64,
) -> Result<Vec<AuditRow>> {
    let patterns = which.patterns();
    // Twice, so that either way is read along the key.
    if which.first_first {
        return Ok(sqlx::query_as!(
            AuditRow,
            r#"SELECT t.number, t.at AS "at: Moment", p.name AS "person?", t.address, t.what, t.words
               FROM audit_log t LEFT JOIN people p ON p.id = t.person_id
               WHERE (?1 IS NULL OR (t.person_id IS NOT NULL) = ?1)
                 AND NOT EXISTS (SELECT 1 FROM json_each(?2) w WHERE COALESCE(p.name, '') || ' ' || t.address
                     || ' ' || t.what || ' ' || t.words NOT LIKE w.value ESCAPE '\')
               ORDER BY t.number ASC LIMIT ?3 OFFSET ?4"#,
            which.signed_in,
            patterns,
            most,
            skip
        )
        .fetch_all(conn)
        .await?);
    }
    Ok(sqlx::query_as!(
            AuditRow,
            r#"SELECT t.number, t.at AS "at: Moment", p.name AS "person?", t.address, t.what, t.words
               FROM audit_log t LEFT JOIN people p ON p.id = t.person_id
               WHERE (?1 IS NULL OR (t.person_id IS NOT NULL) = ?1)
                 AND NOT EXISTS (SELECT 1 FROM json_each(?2) w WHERE COALESCE(p.name, '') || ' ' || t.address
                     || ' ' || t.what || ' ' || t.words NOT LIKE w.value ESCAPE '\')
               ORDER BY t.number DESC LIMIT ?3 OFFSET ?4"#,
            which.signed_in,
            patterns,
            most,
            skip
        )
        .fetch_all(conn)
        .await?)
}

/// Walks the whole chain from its first row.
pub async fn check(conn: &mut Conn) -> Result<Chain> {
    walk(conn, 0, Vec::new()).await
}

/// Walks on from where an earlier walk ended, if that row still carries the
/// mark it had then; else from the first.
pub async fn check_on(conn: &mut Conn, earlier: &Chain) -> Result<Chain> {
    let last = sqlx::query_scalar!("SELECT hash FROM audit_log WHERE number = ?", earlier.sound)
        .fetch_optional(&mut *conn)
        .await?;
    match last {
        Some(hash) if earlier.broken_at.is_none() && hex(&hash) == earlier.head => {
            walk(conn, earlier.sound, hash).await
        }
        _ => check(conn).await,
    }
}

async fn walk(conn: &mut Conn, mut sound: i64, mut before: Vec<u8>) -> Result<Chain> {
    let after = sound;
    let mut rows = sqlx::query!(
        r#"SELECT number, at AS "at: Moment", person_id AS "person_id: PersonId", address, what, words, hash
           FROM audit_log WHERE number > ? ORDER BY number"#,
        after
    )
    .fetch(conn);
    while let Some(row) = rows.try_next().await? {
        let audit_entry = AuditEntry {
            at: row.at,
            person: row.person_id,
            address: &row.address,
            what: &row.what,
            words: &row.words,
        };
        if row.number != sound + 1 || hash(&before, row.number, &audit_entry)[..] != row.hash[..] {
            return Ok(Chain {
                sound,
                head: hex(&before),
                broken_at: Some(row.number),
            });
        }
        sound = row.number;
        before = row.hash;
    }
    Ok(Chain {
        sound,
        head: hex(&before),
        broken_at: None,
    })
}

/// Bytes as lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
