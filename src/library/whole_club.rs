//! The whole club, table by table, for whoever takes it away or brings it back: every
//! row of every table that makes it up, whatever tables there are.

use futures_util::TryStreamExt;
use sqlx::{AssertSqlSafe, Row, TypeInfo, ValueRef};

use super::{Conn, Error, Result};

/// Tables that are no part of the club: ways in, what is under way, what is counted.
const NOT_THE_CLUBS: &[&str] = &[
    "_sqlx_migrations",
    "calendar_feeds",
    "changes",
    "half_sign_ins",
    "handled_forms",
    "held_uploads",
    "known_browsers",
    "open_problems",
    "search_index",
    "search_index_config",
    "search_index_data",
    "search_index_docsize",
    "search_index_idx",
    "search_rows",
    "sessions",
    "sign_in_attempts",
    "sign_in_links",
    "spare_codes",
];

/// Columns that open a way in: they stay where they are.
const SECRETS: &[(&str, &str)] = &[
    ("people", "password_hash"),
    ("people", "totp_secret"),
    ("people", "totp_wanted"),
    ("people", "totp_last_step"),
    ("reports", "token_hash"),
    ("reports", "network"),
];

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Holds {
    /// Whole numbers.
    Integer,
    /// Figures.
    Real,
    /// Text.
    Text,
    /// Bytes.
    Blob,
}

/// One column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// What it holds.
    pub holds: Holds,
    /// Whether it may be empty.
    pub nullable: bool,
    /// Its place in the primary key, from 1; 0 where it is no part of it.
    pub key: i64,
}

/// One table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// Its name.
    pub name: String,
    /// Its columns, without those that open a way in.
    pub columns: Vec<Column>,
    /// The statement that made it, with its comments.
    pub sql: String,
}

/// One value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Nothing.
    Null,
    /// A whole number.
    Integer(i64),
    /// A figure.
    Real(f64),
    /// Text.
    Text(String),
    /// Bytes.
    Blob(Vec<u8>),
}

fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

/// The tables that make up the club, by name.
pub async fn tables(conn: &mut Conn) -> Result<Vec<Table>> {
    let found: Vec<(String, String)> = sqlx::query_as(
        r"SELECT name, sql FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite\_%' ESCAPE '\' ORDER BY name",
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut tables = Vec::new();
    for (name, sql) in found {
        if NOT_THE_CLUBS.contains(&name.as_str()) {
            continue;
        }
        let columns: Vec<(String, String, bool, i64)> =
            sqlx::query_as("SELECT name, type, \"notnull\" = 0 AND pk = 0, pk FROM pragma_table_info(?) ORDER BY cid")
                .bind(&name)
                .fetch_all(&mut *conn)
                .await?;
        let columns = columns
            .into_iter()
            .filter(|(column, ..)| {
                !SECRETS
                    .iter()
                    .any(|(t, c)| *t == name && *c == column.as_str())
            })
            .map(|(column, kind, nullable, key)| Column {
                name: column,
                holds: match kind.as_str() {
                    "INTEGER" => Holds::Integer,
                    "REAL" => Holds::Real,
                    "BLOB" => Holds::Blob,
                    _ => Holds::Text,
                },
                nullable,
                key,
            })
            .collect();
        tables.push(Table { name, columns, sql });
    }
    Ok(tables)
}

/// Hands each row of a table on, in the order of its primary key.
///
/// # Errors
/// Those of reading, and of whoever takes the rows.
pub async fn each_row<E: From<Error>>(
    conn: &mut Conn,
    table: &Table,
    mut take: impl FnMut(Vec<Value>) -> std::result::Result<(), E> + Send,
) -> std::result::Result<(), E> {
    let names: Vec<String> = table.columns.iter().map(|c| quoted(&c.name)).collect();
    let mut keys: Vec<&Column> = table.columns.iter().filter(|c| c.key > 0).collect();
    keys.sort_by_key(|c| c.key);
    let mut order: Vec<String> = keys.iter().map(|c| quoted(&c.name)).collect();
    if order.is_empty() {
        order.push("rowid".to_owned()); // a table without a key has it
    }
    let ask = format!(
        "SELECT {} FROM {} ORDER BY {}",
        names.join(", "),
        quoted(&table.name),
        order.join(", ")
    );
    let mut rows = sqlx::query(AssertSqlSafe(ask)).fetch(conn);
    while let Some(row) = rows.try_next().await.map_err(Error::from)? {
        let mut values = Vec::with_capacity(names.len());
        for at in 0..names.len() {
            values.push(value(&row, at).map_err(Error::from)?);
        }
        take(values)?;
    }
    Ok(())
}

fn value(row: &sqlx::sqlite::SqliteRow, at: usize) -> Result<Value, sqlx::Error> {
    let raw = row.try_get_raw(at)?;
    if raw.is_null() {
        return Ok(Value::Null);
    }
    Ok(match raw.type_info().name() {
        "INTEGER" => Value::Integer(row.try_get_unchecked(at)?),
        "REAL" => Value::Real(row.try_get_unchecked(at)?),
        "BLOB" => Value::Blob(row.try_get_unchecked(at)?),
        _ => Value::Text(row.try_get_unchecked(at)?),
    })
}

/// Rows being put into an empty library: the triggers that watch over single acts are
/// set aside until all of it is there, and foreign keys are looked at in the end.
pub struct Filling {
    triggers: Vec<(String, String)>,
}

impl Filling {
    /// Begins, in the transaction of the caller.
    ///
    /// # Errors
    /// Refused when there is anything of a club already.
    pub async fn begin(conn: &mut Conn) -> Result<Self> {
        for table in tables(conn).await? {
            let ask = format!("SELECT EXISTS (SELECT 1 FROM {})", quoted(&table.name));
            let any: bool = sqlx::query_scalar(AssertSqlSafe(ask))
                .fetch_one(&mut *conn)
                .await?;
            if any {
                return Err(Error::Refused(
                    "There is a club in this folder already. A whole club is only read into an empty one: name another with --data.".to_owned(),
                ));
            }
        }
        sqlx::query("PRAGMA defer_foreign_keys = ON")
            .execute(&mut *conn)
            .await?;
        let triggers: Vec<(String, String)> = sqlx::query_as(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' ORDER BY rowid",
        )
        .fetch_all(&mut *conn)
        .await?;
        for (name, _) in &triggers {
            sqlx::query(AssertSqlSafe(format!("DROP TRIGGER {}", quoted(name))))
                .execute(&mut *conn)
                .await?;
        }
        Ok(Self { triggers })
    }

    /// Puts one row in; columns that are left out take what the table gives them.
    ///
    /// # Errors
    /// When the table does not take it.
    pub async fn put(
        &self,
        conn: &mut Conn,
        table: &str,
        columns: &[&str],
        values: Vec<Value>,
    ) -> Result<()> {
        let names: Vec<String> = columns.iter().map(|c| quoted(c)).collect();
        let marks = vec!["?"; names.len()];
        let put = format!(
            "INSERT INTO {} ({}) VALUES ({})",
            quoted(table),
            names.join(", "),
            marks.join(", ")
        );
        let mut query = sqlx::query(AssertSqlSafe(put));
        for value in values {
            query = match value {
                Value::Null => query.bind(None::<i64>),
                Value::Integer(n) => query.bind(n),
                Value::Real(n) => query.bind(n),
                Value::Text(text) => query.bind(text),
                Value::Blob(bytes) => query.bind(bytes),
            };
        }
        query.execute(conn).await?;
        Ok(())
    }

    /// Puts the triggers back, and looks whether every row points at one that is there.
    ///
    /// # Errors
    /// Refused when one does not.
    pub async fn end(self, conn: &mut Conn) -> Result<()> {
        for (_, sql) in self.triggers {
            sqlx::query(AssertSqlSafe(sql)).execute(&mut *conn).await?;
        }
        let loose = sqlx::query("PRAGMA foreign_key_check")
            .fetch_all(&mut *conn)
            .await?;
        if !loose.is_empty() {
            return Err(Error::Refused(format!(
                "{} rows of it point at rows that are not in it. Make the export anew.",
                loose.len()
            )));
        }
        super::search::rebuild(conn).await?;
        sqlx::query("INSERT INTO open_problems SELECT entry_id FROM unsettled_problems")
            .execute(&mut *conn)
            .await?;
        // Whoever keeps in mind what the logbooks say begins anew.
        sqlx::query("INSERT INTO changes (instrument_id) VALUES (x'')")
            .execute(conn)
            .await?;
        Ok(())
    }
}
