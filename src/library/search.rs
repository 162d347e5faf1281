//! Search over everything: SQLite's full-text index (FTS5), kept by the triggers beside
//! `search_index` in `migrations/0001_house.sql`.

use super::{Conn, Moment, PersonId, Result};

words! {
    /// What can be found.
    pub enum Kind {
        /// By tag, name, design, aperture, place, and the tags it had before.
        Instrument = "instrument", "Instruments";
        /// What goes with instruments, by tag, name, kind and place.
        Thing = "thing", "Mounts, eyepieces and other things";
        /// A part of a kit.
        Kit = "kit", "Kit";
        /// A problem that was reported.
        Problem = "problem", "Problems";
        /// Any other entry of a logbook: its words, and those of work.
        Entry = "entry", "Logbooks";
        /// What is noted of an instrument.
        Notes = "notes", "Notes";
        /// A manual, receipt or drawing, by its title and file name.
        Paper = "paper", "Papers";
        /// What is noted of a job.
        Job = "job", "Jobs";
        /// Spare parts, by name and place.
        Spare = "spare", "Spare parts";
        /// A person, by name and address.
        Person = "person", "People";
    }
}

/// Stands before what fits, in an excerpt.
pub const MARK_BEGINS: char = '\u{2}';
/// Stands behind it.
pub const MARK_ENDS: char = '\u{3}';

/// The most words of a search; the rest are left out.
const MOST_WORDS: usize = 12;

/// What is searched for: rows that hold a word beginning with each of these.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sought(Vec<String>);

impl Sought {
    /// As somebody typed it; `None` where there is no word in it. Words are parted where the
    /// index parts them: at all but letters and digits (SQLite, FTS5, 4.3.1).
    pub fn read(typed: &str) -> Option<Self> {
        let words: Vec<String> = typed
            .split(|c: char| !c.is_alphanumeric() && !is_mark(c))
            .filter(|word| word.chars().any(char::is_alphanumeric))
            .take(MOST_WORDS)
            .map(str::to_owned)
            .collect();
        (!words.is_empty()).then_some(Self(words))
    }

    /// As FTS5 is asked (its string syntax: in double quotes, nothing in them means anything).
    fn asked(&self, kind: Kind) -> String {
        let words: Vec<String> = self.0.iter().map(|word| format!("\"{word}\"*")).collect();
        format!(
            "kind : \"{}\" AND words : ({})",
            kind.slug(),
            words.join(" AND ")
        )
    }
}

/// What stands on a letter, written after it.
fn is_mark(c: char) -> bool {
    matches!(c, '\u{300}'..='\u{36f}')
}

/// Something found.
#[derive(Debug, Clone)]
pub struct Hit {
    /// The instrument it is or belongs to: its tag.
    pub tag: Option<String>,
    /// Its name, or that of spare parts.
    pub name: Option<String>,
    /// Whether that is an instrument, not a thing that goes with one.
    pub is_instrument: bool,
    /// The entry, where it is one of a logbook, and when it happened.
    pub happened_at: Option<Moment>,
    /// The person, where it is one.
    pub person: Option<(PersonId, String)>,
    /// The words around what fits, which stands between [`MARK_BEGINS`] and [`MARK_ENDS`].
    pub excerpt: String,
}

/// How many of a kind fit, counted up to `most`. Retired instruments and what is theirs
/// count where `retired` says so.
pub async fn count(
    conn: &mut Conn,
    sought: &Sought,
    kind: Kind,
    retired: bool,
    most: i64,
) -> Result<i64> {
    let asked = sought.asked(kind);
    Ok(sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n!: i64" FROM (
               SELECT 1 FROM search_index x
               WHERE search_index MATCH ?1
                 AND (?2 OR NOT EXISTS (SELECT 1 FROM search_rows r CROSS JOIN instruments i ON i.id = r.instrument_id
                                        WHERE r.number = x.rowid AND i.status = 'retired')) LIMIT ?3)"#,
        asked,
        retired,
        most
    )
    .fetch_one(conn)
    .await?)
}

/// What fits of a kind, what was written last first; `skip` rows are passed over.
pub async fn find(
    conn: &mut Conn,
    sought: &Sought,
    kind: Kind,
    retired: bool,
    skip: i64,
    most: i64,
) -> Result<Vec<Hit>> {
    let asked = sought.asked(kind);
    let rows = sqlx::query!(
        r#"SELECT i.tag AS "tag?: String", COALESCE(i.name, s.name) AS "name?: String",
                  i.kind IS 'instrument' AS "is_instrument!: bool", e.happened_at AS "happened_at?: Moment",
                  p.id AS "person_id?: PersonId", p.name AS "person?: String",
                  snippet(search_index, 1, char(2), char(3), '…', 24) AS "excerpt!: String"
           FROM search_index x JOIN search_rows r ON r.number = x.rowid
                LEFT JOIN instruments i ON i.id = r.instrument_id
                LEFT JOIN entries e ON e.id = r.about LEFT JOIN people p ON p.id = r.about
                LEFT JOIN spares s ON s.id = r.about
           WHERE search_index MATCH ?1 AND (?2 OR i.status IS NOT 'retired')
           ORDER BY x.rowid DESC LIMIT ?3 OFFSET ?4"#,
        asked,
        retired,
        most,
        skip
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| Hit {
            tag: r.tag,
            name: r.name,
            is_instrument: r.is_instrument,
            happened_at: r.happened_at,
            person: r.person_id.zip(r.person),
            excerpt: r.excerpt,
        })
        .collect())
}

/// Writes all rows and the index anew, for whoever filled the tables past the triggers.
pub async fn rebuild(conn: &mut Conn) -> Result<()> {
    sqlx::query!("DELETE FROM search_rows")
        .execute(&mut *conn)
        .await?;
    sqlx::query!(
        "INSERT INTO search_rows (kind, about, instrument_id, words) SELECT kind, about, instrument_id, words FROM searchable"
    )
    .execute(&mut *conn)
    .await?;
    reindex(conn).await
}

async fn reindex(conn: &mut Conn) -> Result<()> {
    sqlx::query!("INSERT INTO search_index (search_index) VALUES ('rebuild')")
        .execute(conn)
        .await?;
    Ok(())
}

/// Before so many rows go that the index is sooner made anew ([`many_are_gone`]) than rid of
/// each word of theirs.
pub async fn many_will_go(conn: &mut Conn) -> Result<()> {
    sqlx::query!("INSERT INTO search_index (search_index, rank) VALUES ('secure-delete', 0)")
        .execute(conn)
        .await?;
    Ok(())
}

/// After [`many_will_go`]: no word of what is gone stays behind.
pub async fn many_are_gone(conn: &mut Conn) -> Result<()> {
    sqlx::query!("INSERT INTO search_index (search_index, rank) VALUES ('secure-delete', 1)")
        .execute(&mut *conn)
        .await?;
    reindex(conn).await
}

/// Whether the rows are what the view makes of the tables, and the index what it makes of
/// the rows (FTS5's own check, 6.5); for tests and for who looks after the machine.
///
/// # Errors
/// The database's, where the index is not.
pub async fn is_whole(conn: &mut Conn) -> Result<bool> {
    sqlx::query!("INSERT INTO search_index (search_index, rank) VALUES ('integrity-check', 1)")
        .execute(&mut *conn)
        .await?;
    let astray = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n!: i64" FROM (
               SELECT * FROM (SELECT kind, about, instrument_id, words FROM searchable
                   EXCEPT SELECT kind, about, instrument_id, words FROM search_rows)
               UNION ALL
               SELECT * FROM (SELECT kind, about, instrument_id, words FROM search_rows
                   EXCEPT SELECT kind, about, instrument_id, words FROM searchable))"#
    )
    .fetch_one(conn)
    .await?;
    Ok(astray == 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_typed_has_a_meaning_of_its_own() {
        let asked = |typed: &str| Sought::read(typed).map(|s| s.asked(Kind::Kit));
        assert_eq!(asked("  "), None);
        assert_eq!(asked("\" * : ( -"), None);
        assert_eq!(
            asked("dew\" OR kind:person NEAR(x)").as_deref(),
            Some(
                "kind : \"kit\" AND words : (\"dew\"* AND \"OR\"* AND \"kind\"* AND \"person\"* AND \"NEAR\"* AND \"x\"*)"
            )
        );
    }
}
