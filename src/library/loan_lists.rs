//! Loans in a list of many thousands: which of them fit, in which order, without reading what
//! stands of each.

use std::collections::HashMap;

use chrono::NaiveDate;

use super::people::plain;
use super::{Conn, LoanId, Result};

/// What is asked of the list.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// Words that must each stand in the tag or name of what was lent, in the borrower's name,
    /// or in the evening's, as [`plain`] has them.
    pub words: Vec<String>,
    /// Only those still out.
    pub open: bool,
    /// Only those that came back.
    pub past: bool,
    /// Only those for a public evening.
    pub for_an_event: bool,
    /// By the borrower's name.
    pub by_borrower: bool,
    /// All the latest first, not those still out before the others by the day they are due.
    pub latest_first: bool,
}

/// A loan that fits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The loan.
    pub id: LoanId,
    /// Its row in the table, as long as nothing is written.
    pub row: i64,
    /// Whether it is still out.
    pub out: bool,
    /// Whether it was due before today, and is still out.
    pub late: bool,
    /// The tag of what was lent.
    pub tag: String,
}

/// Which of the words stand in what, by its row: a bit for each.
type Held = HashMap<i64, u64>;

/// The bits of the words that stand in a text.
fn held(words: &[String], text: &str) -> u64 {
    let text = plain(text);
    (0..64)
        .zip(words)
        .filter(|(_, word)| text.contains(word.as_str()))
        .fold(0, |bits, (place, _)| bits | 1 << place)
}

/// The rows that hold the word of this place, as JSON.
fn of_word(held: &Held, place: usize) -> (usize, String) {
    let rows: Vec<String> = held
        .iter()
        .filter(|(_, bits)| *bits >> place & 1 == 1)
        .map(|(row, _)| row.to_string())
        .collect();
    (rows.len(), format!("[{}]", rows.join(",")))
}

/// The loans that fit, in order.
///
/// Words are looked for among instruments and people, of which there are few; then only the
/// loans of those that hold the rarest word are read, by their indexes.
pub async fn found(conn: &mut Conn, asked: &Asked, today: NaiveDate) -> Result<Vec<Found>> {
    let words = &asked.words[..asked.words.len().min(64)];
    let things = sqlx::query!(r#"SELECT rowid AS "row!: i64", tag, name FROM instruments"#)
        .fetch_all(&mut *conn)
        .await?;
    let mut things_hold = Held::new();
    let mut people_hold = Held::new();
    for (place, word) in words.iter().enumerate() {
        let people = sqlx::query_scalar!(
            r#"SELECT rowid AS "row!: i64" FROM people WHERE instr(replace(sorted_as, char(8211), '-'), ?) > 0"#,
            word
        )
        .fetch_all(&mut *conn)
        .await?;
        for row in people {
            *people_hold.entry(row).or_default() |= 1 << place;
        }
    }
    if !words.is_empty() {
        things_hold.extend(things.iter().map(|thing| {
            (
                thing.row,
                held(words, &format!("{} {}", thing.tag, thing.name)),
            )
        }));
    }
    let rarest = (0..words.len())
        .map(|place| (of_word(&things_hold, place), of_word(&people_hold, place)))
        .min_by_key(|(things, people)| things.0 + people.0);
    let (of_things, of_people) = rarest.map(|(things, people)| (things.1, people.1)).unzip();
    let rows = sqlx::query!(
        r#"SELECT l.id AS "id: LoanId", l.rowid AS "row!: i64", i.rowid AS "thing!: i64", b.rowid AS "person!: i64", l.event,
                  l.returned_at IS NULL AS "out!: bool", l.returned_at IS NULL AND l.due_on < ?1 AS "late!: bool"
           -- By an index of their own, or all of them.
           FROM (SELECT o.rowid AS number FROM loans o WHERE ?2 IS NULL AND NOT ?4
                 UNION ALL
                 SELECT o.rowid FROM loans o WHERE ?2 IS NULL AND ?4 AND o.returned_at IS NULL
                 UNION ALL
                 SELECT * FROM (
                     SELECT o.rowid FROM loans o WHERE o.instrument_id IN (
                         SELECT id FROM instruments WHERE rowid IN (SELECT value FROM json_each(?2)))
                     UNION
                     SELECT o.rowid FROM loans o WHERE o.borrower_id IN (
                         SELECT id FROM people WHERE rowid IN (SELECT value FROM json_each(?3)))
                     UNION
                     SELECT o.rowid FROM loans o WHERE ?2 IS NOT NULL AND o.event <> '')) fit
                JOIN loans l ON l.rowid = fit.number
                JOIN instruments i ON i.id = l.instrument_id JOIN people b ON b.id = l.borrower_id
           WHERE (NOT ?4 OR l.returned_at IS NULL) AND (NOT ?5 OR l.returned_at IS NOT NULL)
             AND (NOT ?6 OR l.event <> '')
           ORDER BY CASE WHEN ?7 THEN b.sorted_as END, ?8 OR l.returned_at IS NOT NULL,
                    CASE WHEN l.returned_at IS NULL AND NOT ?8 THEN l.due_on END, l.lent_at DESC, l.id DESC"#,
        today,
        of_things,
        of_people,
        asked.open,
        asked.past,
        asked.for_an_event,
        asked.by_borrower,
        asked.latest_first
    )
    .fetch_all(conn)
    .await?;
    let tags: HashMap<i64, String> = things.into_iter().map(|t| (t.row, t.tag)).collect();
    let all = (0..words.len()).fold(0, |bits, place| bits | 1 << place);
    let fits = |thing: i64, person: i64, event: &str| {
        let of = |held: &Held, row: i64| held.get(&row).copied().unwrap_or_default();
        let here = of(&things_hold, thing) | of(&people_hold, person);
        here == all || (!event.is_empty() && here | held(words, event) == all)
    };
    Ok(rows
        .into_iter()
        .filter(|row| fits(row.thing, row.person, &row.event))
        .map(|row| Found {
            id: row.id,
            row: row.row,
            out: row.out,
            late: row.late,
            tag: tags.get(&row.thing).cloned().unwrap_or_default(),
        })
        .collect())
}
