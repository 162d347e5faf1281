//! Loans in a list of many thousands: which of them fit, in which order, without reading what
//! stands of each.

use std::collections::HashMap;
use std::ops::Range;

use chrono::NaiveDate;

use super::people::plain;
use super::{Conn, LoanId, Result, from_json};

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

/// What loans can be gathered by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// What was lent.
    Thing,
    /// Whom it was lent to.
    Borrower,
}

/// One of those.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Deserialize)]
pub struct One {
    /// Tag of the thing, or the borrower's name as [`sorted_as`](super::people::sorted_as) has it.
    pub name: String,
    row: i64,
}

/// A loan that fits.
#[derive(Debug, Clone, PartialEq, Eq, serde::Deserialize)]
pub struct Found {
    /// The loan.
    pub id: LoanId,
    /// Whether it is still out.
    #[serde(deserialize_with = "super::bit")]
    pub out: bool,
    /// Whether it was due before today, and is still out.
    #[serde(deserialize_with = "super::bit")]
    pub late: bool,
    /// The tag of what was lent.
    pub tag: String,
    thing: i64,
    person: i64,
    event: String,
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

/// The rows that hold the word of this place.
fn of_word(held: &Held, place: usize) -> Vec<i64> {
    let holds = |(_, bits): &(&i64, &u64)| *bits >> place & 1 == 1;
    held.iter().filter(holds).map(|(row, _)| *row).collect()
}

/// The loans that fit, in order.
///
/// Words are looked for among instruments and people, of which there are few; then only the
/// loans of those that hold the rarest word are read, by their indexes.
pub async fn found(conn: &mut Conn, asked: &Asked, today: NaiveDate) -> Result<Vec<Found>> {
    let words = &asked.words[..asked.words.len().min(64)];
    if words.is_empty() {
        return read(conn, asked, None, today).await;
    }
    let things = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_array(rowid, tag || ' ' || name)) AS "all!: String" FROM instruments"#
    )
    .fetch_one(&mut *conn)
    .await?;
    let things: Vec<(i64, String)> = from_json(&things)?;
    let things_hold: Held = things
        .iter()
        .map(|(row, text)| (*row, held(words, text)))
        .collect();
    let mut people_hold = Held::new();
    for (place, word) in words.iter().enumerate() {
        let people = sqlx::query_scalar!(
            r#"SELECT json_group_array(rowid) AS "all!: String" FROM people
               WHERE instr(replace(sorted_as, char(8211), '-'), ?) > 0"#,
            word
        )
        .fetch_one(&mut *conn)
        .await?;
        for row in from_json::<Vec<i64>>(&people)? {
            *people_hold.entry(row).or_default() |= 1 << place;
        }
    }
    let rarest = (0..words.len())
        .map(|place| (of_word(&things_hold, place), of_word(&people_hold, place)))
        .min_by_key(|(things, people)| things.len() + people.len());
    let mut found = read(conn, asked, rarest, today).await?;
    let all = (0..words.len()).fold(0, |bits, place| bits | 1 << place);
    let of = |held: &Held, row: i64| held.get(&row).copied().unwrap_or_default();
    found.retain(|loan| {
        let here = of(&things_hold, loan.thing) | of(&people_hold, loan.person);
        here == all || (!loan.event.is_empty() && here | held(words, &loan.event) == all)
    });
    Ok(found)
}

/// The loans asked for, whatever the words; of these things and these people and for an evening,
/// where rows of them are given.
async fn read(
    conn: &mut Conn,
    asked: &Asked,
    of: Option<(Vec<i64>, Vec<i64>)>,
    today: NaiveDate,
) -> Result<Vec<Found>> {
    let list = |rows: Vec<i64>| serde_json::json!(rows).to_string();
    let (of_things, of_people) = of.map(|(t, p)| (list(t), list(p))).unzip();
    // In one row: each of its own would cost more than what stands in it.
    let all = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_object('id', hex(id), 'out', out, 'late', late, 'tag', tag,
                                               'thing', thing, 'person', person, 'event', event)) AS "all!: String"
           FROM (SELECT l.id, i.rowid AS thing, b.rowid AS person, l.event, i.tag,
                        l.returned_at IS NULL AS out, l.returned_at IS NULL AND l.due_on < ?1 AS late
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
                           SELECT o.rowid FROM loans o INDEXED BY loans_by_event
                           WHERE ?2 IS NOT NULL AND o.event <> '')) fit
                      CROSS JOIN loans l ON l.rowid = fit.number
                      JOIN instruments i ON i.id = l.instrument_id JOIN people b ON b.id = l.borrower_id
                 WHERE (NOT ?4 OR l.returned_at IS NULL) AND (NOT ?5 OR l.returned_at IS NOT NULL)
                   AND (NOT ?6 OR l.event <> '')
                 ORDER BY CASE WHEN ?7 THEN b.sorted_as END, CASE WHEN ?7 THEN b.rowid END,
                          ?8 OR l.returned_at IS NOT NULL,
                          CASE WHEN l.returned_at IS NULL AND NOT ?8 THEN l.due_on END, l.lent_at DESC, l.id DESC)"#,
        today,
        of_things,
        of_people,
        asked.open,
        asked.past,
        asked.for_an_event,
        asked.by_borrower,
        asked.latest_first
    )
    .fetch_one(conn)
    .await?;
    from_json(&all)
}

/// Everything there is, or everybody, by name.
pub async fn all(conn: &mut Conn, by: By) -> Result<Vec<One>> {
    let all = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_object('name', name, 'row', row)) AS "all!: String"
           FROM (SELECT tag AS name, rowid AS row FROM instruments WHERE ?1
                 UNION ALL SELECT sorted_as, rowid FROM people WHERE NOT ?1)"#,
        by == By::Thing
    )
    .fetch_one(conn)
    .await?;
    let mut all: Vec<One> = from_json(&all)?;
    all.sort();
    Ok(all)
}

/// How many loans each of these things or borrowers has, or has had.
async fn count(conn: &mut Conn, by: By, these: &[One], past: bool) -> Result<Vec<usize>> {
    let rows: Vec<i64> = these.iter().map(|one| one.row).collect();
    let rows = serde_json::json!(rows).to_string();
    let loans = sqlx::query_scalar!(
        r#"SELECT json_group_array(loans) AS "all!: String"
           FROM (SELECT (SELECT COUNT(*) FROM loans l WHERE l.instrument_id = i.id
                             AND (NOT ?3 OR l.returned_at IS NOT NULL)) AS loans, this.key
                 FROM json_each(?1) this CROSS JOIN instruments i ON i.rowid = this.value WHERE ?2
                 UNION ALL
                 SELECT (SELECT COUNT(*) FROM loans l WHERE l.borrower_id = p.id
                             AND (NOT ?3 OR l.returned_at IS NOT NULL)), this.key
                 FROM json_each(?1) this CROSS JOIN people p ON p.rowid = this.value WHERE NOT ?2
                 ORDER BY 2)"#,
        rows,
        by == By::Thing,
        past
    )
    .fetch_one(conn)
    .await?;
    from_json(&loans)
}

/// So many are counted at once.
const AT_ONCE: usize = 16;

/// One page of the loans of those, in their order: only the loans of few are read.
pub async fn page_by(
    conn: &mut Conn,
    by: By,
    those: &[One],
    asked: &Asked,
    page: Range<usize>,
    today: NaiveDate,
) -> Result<Vec<Found>> {
    let mut before = 0;
    let mut first = None;
    let mut order = HashMap::new();
    for some in those.chunks(AT_ONCE) {
        if before >= page.end {
            break;
        }
        let loans = count(conn, by, some, asked.past).await?;
        for (one, loans) in some.iter().zip(loans) {
            if before < page.end && before + loans > page.start {
                first.get_or_insert(before);
                order.insert(one.row, order.len());
            }
            before += loans;
        }
    }
    let those: Vec<i64> = order.keys().copied().collect();
    let of = match by {
        By::Thing => (those, Vec::new()),
        By::Borrower => (Vec::new(), those),
    };
    let mut found = read(conn, asked, Some(of), today).await?;
    let place = |loan: &Found| match by {
        By::Thing => order.get(&loan.thing),
        By::Borrower => order.get(&loan.person),
    };
    // Whatever was for an evening is read as well.
    found.retain(|loan| place(loan).is_some());
    found.sort_by_key(|loan| place(loan).copied());
    let skip = page.start - first.unwrap_or(page.start);
    Ok(found.into_iter().skip(skip).take(page.len()).collect())
}
