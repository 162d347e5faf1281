//! The imports there were, and undoing one as long as nothing rests on what it brought.

use super::{Conn, Error, ImportId, Moment, PersonId, Result, search};
use std::collections::BTreeSet;

/// From so many rows on the search index is made anew when they go.
const MANY_ROWS: i64 = 1000;

/// What an import was.
#[derive(Debug, Clone)]
pub struct Import {
    /// Id.
    pub id: ImportId,
    /// When.
    pub at: Moment,
    /// Who, by name.
    pub by: String,
    /// The files.
    pub names: String,
    /// What it brought, in words.
    pub added: String,
    /// When it was undone.
    pub undone_at: Option<Moment>,
}

/// Imports, latest first.
pub async fn imports(conn: &mut Conn) -> Result<Vec<Import>> {
    Ok(sqlx::query_as!(
        Import,
        r#"SELECT i.id AS "id: ImportId", i.at AS "at: Moment", p.name AS by, i.names, i.added,
                  i.undone_at AS "undone_at: Moment"
           FROM imports i JOIN people p ON p.id = i.by ORDER BY i.at DESC, i.id DESC"#
    )
    .fetch_all(conn)
    .await?)
}

/// One import.
pub async fn import(conn: &mut Conn, id: ImportId) -> Result<Import> {
    let all = imports(conn).await?;
    all.into_iter()
        .find(|i| i.id == id)
        .ok_or(Error::NotFound("import"))
}

/// What rests on what an import brought, in words; empty where it can be undone.
///
/// Every table that points at a row it brought is looked through, whichever there are.
pub async fn what_rests(conn: &mut Conn, import: ImportId) -> Result<Vec<String>> {
    let mut rests = Vec::new();
    let signed_in = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM people p JOIN import_rows r ON r.row_id = p.id AND r.place = 'people'
           WHERE r.import_id = ? AND p.password_hash IS NOT NULL"#,
        import
    )
    .fetch_one(&mut *conn)
    .await?;
    if signed_in > 0 {
        rests.push(format!("{signed_in} of the people have chosen a password"));
    }
    // Tables and columns by their own names in the schema, quoted.
    let quoted = |name: &str| format!("\"{}\"", name.replace('"', "\"\""));
    let points: Vec<(String, String, String)> = sqlx::query_as(
        "SELECT DISTINCT s.name, f.\"from\", f.\"table\" FROM sqlite_schema s JOIN pragma_foreign_key_list(s.name) f
         WHERE s.type = 'table' AND s.name NOT IN ('import_rows', 'imports')
           AND f.\"table\" IN ('people', 'instruments', 'kit_parts', 'loans', 'entries')",
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut found: BTreeSet<String> = BTreeSet::new();
    for (table, column, target) in points {
        let own: Vec<String> = sqlx::query_scalar(
            // The first of these tells whose row it is: an entry of a brought loan is not
            // itself brought.
            "SELECT name FROM pragma_table_info(?) WHERE name IN ('id', 'entry_id', 'loan_id')
             ORDER BY name = 'loan_id', name = 'entry_id' LIMIT 1",
        )
        .bind(&table)
        .fetch_all(&mut *conn)
        .await?;
        // A row that the import brought itself, or that goes with one, rests on nothing.
        let own = own
            .iter()
            .map(|c| {
                format!(
                    "t.{} IN (SELECT row_id FROM import_rows WHERE import_id = ?1)",
                    quoted(c)
                )
            })
            .collect::<Vec<_>>()
            .join(" OR ");
        let own = if own.is_empty() { "0".to_owned() } else { own };
        let ask = format!(
            "SELECT COUNT(*) FROM {} t WHERE t.{} IN (SELECT row_id FROM import_rows WHERE import_id = ?1 AND place = ?2)
             AND NOT COALESCE({own}, 0)",
            quoted(&table),
            quoted(&column)
        );
        let n: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(ask))
            .bind(import)
            .bind(&target)
            .fetch_one(&mut *conn)
            .await?;
        if n > 0 {
            found.insert(format!("{} in {}", count(n, "row"), words_of(&table)));
        }
    }
    rests.extend(found);
    Ok(rests)
}

fn count(n: i64, what: &str) -> String {
    if n == 1 {
        format!("1 {what}")
    } else {
        format!("{n} {what}s")
    }
}

/// What people call a table.
fn words_of(table: &str) -> String {
    match table {
        "entries" => "the logbooks".to_owned(),
        "loans" => "the loans".to_owned(),
        "waits" => "the waiting list".to_owned(),
        "sign_in_links" => "the sign-in links".to_owned(),
        "kit_parts" | "loan_kit" => "the kits".to_owned(),
        "audit_log" => "the audit log".to_owned(),
        other => other.replace('_', " "),
    }
}

/// Takes back all that an import brought.
///
/// # Errors
/// Refused when it was undone already, or while something rests on what it brought.
pub async fn undo(conn: &mut Conn, id: ImportId, by: PersonId, now: Moment) -> Result<()> {
    let found = import(conn, id).await?;
    if found.undone_at.is_some() {
        return Err(Error::Refused("That import was undone already.".to_owned()));
    }
    let rests = what_rests(conn, id).await?;
    if !rests.is_empty() {
        return Err(Error::Refused(format!(
            "This import can no longer be undone as one, because later work rests on it: {}. Correct single rows instead.",
            rests.join("; ")
        )));
    }
    let rows = sqlx::query_scalar!("SELECT COUNT(*) FROM import_rows WHERE import_id = ?", id)
        .fetch_one(&mut *conn)
        .await?;
    if rows > MANY_ROWS {
        search::many_will_go(conn).await?;
    }
    sqlx::query!("UPDATE imports SET undoing = 1 WHERE id = ?", id)
        .execute(&mut *conn)
        .await?;
    for remove in [
        "DELETE FROM journeys WHERE entry_id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'entries')",
        "DELETE FROM star_tests WHERE entry_id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'entries')",
        "DELETE FROM entries WHERE id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'entries')",
        "DELETE FROM loan_kit WHERE loan_id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'loans')",
        "DELETE FROM loans WHERE id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'loans')",
        "DELETE FROM kit_parts WHERE id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'kit_parts')",
        "DELETE FROM adjusters WHERE instrument_id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'instruments')",
        "DELETE FROM instruments WHERE id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'instruments')",
        "DELETE FROM people WHERE id IN (SELECT row_id FROM import_rows WHERE import_id = ? AND place = 'people')",
        "DELETE FROM import_rows WHERE import_id = ?",
    ] {
        sqlx::query(remove).bind(id).execute(&mut *conn).await?;
    }
    if rows > MANY_ROWS {
        search::many_are_gone(conn).await?;
    }
    sqlx::query!(
        "UPDATE imports SET undoing = 0, undone_at = ?, undone_by = ? WHERE id = ?",
        now,
        by,
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}
