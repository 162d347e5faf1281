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

/// A loan that fits, its fields in the order in which [`read`] gathers them.
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

/// The bits of the words that stand in a text.
fn held(words: &[String], text: &str) -> u64 {
    let text = plain(text);
    (0..64)
        .zip(words)
        .filter(|(_, word)| text.contains(word.as_str()))
        .fold(0, |bits, (place, _)| bits | 1 << place)
}

/// Words that are looked for in rows of which each is of a thing and of a person: things and
/// people are few, and are looked through once.
pub(super) struct Sought<'a> {
    words: &'a [String],
    /// Which of the words stand in what, by its row: a bit for each.
    things: HashMap<i64, u64>,
    people: HashMap<i64, u64>,
}

impl<'a> Sought<'a> {
    /// These words, as [`plain`] has them; the first 64.
    pub(super) async fn of(conn: &mut Conn, words: &'a [String]) -> Result<Self> {
        let words = &words[..words.len().min(64)];
        let things = sqlx::query_scalar!(
            r#"SELECT json_group_array(json_array(rowid, tag || ' ' || name)) AS "all!: String" FROM instruments"#
        )
        .fetch_one(&mut *conn)
        .await?;
        let things: Vec<(i64, String)> = from_json(&things)?;
        let things = things.iter().map(|(row, text)| (*row, held(words, text)));
        let things = things.filter(|(_, bits)| *bits > 0).collect();
        let mut people = HashMap::new();
        for (place, word) in words.iter().enumerate() {
            let rows = sqlx::query_scalar!(
                r#"SELECT json_group_array(rowid) AS "all!: String" FROM people
                   WHERE instr(replace(sorted_as, char(8211), '-'), ?) > 0"#,
                word
            )
            .fetch_one(&mut *conn)
            .await?;
            for row in from_json::<Vec<i64>>(&rows)? {
                *people.entry(row).or_default() |= 1 << place;
            }
        }
        Ok(Self {
            words,
            things,
            people,
        })
    }

    /// Whether each word stands in what is told of this thing, of this person, or in this text.
    pub(super) fn all_stand_in(&self, thing: i64, person: i64, text: &str) -> bool {
        let all = (0..self.words.len()).fold(0, |bits, place| bits | 1 << place);
        let of = |held: &HashMap<i64, u64>, row| held.get(&row).copied().unwrap_or_default();
        let here = of(&self.things, thing) | of(&self.people, person);
        here == all || (!text.is_empty() && here | held(self.words, text) == all)
    }
}

/// Whose loans are read.
struct Of {
    /// Of these things and these people, by their rows.
    things: Vec<i64>,
    people: Vec<i64>,
    /// For these evenings.
    events: Vec<String>,
}

/// The loans that fit, in order.
///
/// Where words are looked for, only the loans are read of those things and people, and for those
/// evenings, that hold the rarest: by their indexes.
pub async fn found(conn: &mut Conn, asked: &Asked, today: NaiveDate) -> Result<Vec<Found>> {
    if asked.words.is_empty() {
        return read(conn, asked, None, today).await;
    }
    let sought = Sought::of(conn, &asked.words).await?;
    let events = sqlx::query_scalar!(
        r#"WITH RECURSIVE each (event) AS (
               SELECT MIN(l.event) FROM loans l WHERE l.event <> '' AND l.event > ''
               UNION ALL
               SELECT (SELECT MIN(o.event) FROM loans o WHERE o.event <> '' AND o.event > each.event)
               FROM each WHERE each.event IS NOT NULL)
           SELECT json_group_array(event) AS "all!: String" FROM each WHERE event IS NOT NULL"#
    )
    .fetch_one(&mut *conn)
    .await?;
    let events: Vec<String> = from_json(&events)?;
    let that_hold = |place: usize| {
        let rows = |held: &HashMap<i64, u64>| {
            let holds = held.iter().filter(|(_, bits)| *bits >> place & 1 == 1);
            holds.map(|(row, _)| *row).collect()
        };
        let of_event = |event: &&String| held(&sought.words[place..=place], event) == 1;
        Of {
            things: rows(&sought.things),
            people: rows(&sought.people),
            events: events.iter().filter(of_event).cloned().collect(),
        }
    };
    let rarest = (0..sought.words.len())
        .map(that_hold)
        .min_by_key(|of| of.things.len() + of.people.len() + of.events.len());
    let mut found = read(conn, asked, rarest, today).await?;
    found.retain(|loan| sought.all_stand_in(loan.thing, loan.person, &loan.event));
    Ok(found)
}

/// The loans asked for, whatever the words; of all, or of those.
async fn read(
    conn: &mut Conn,
    asked: &Asked,
    of: Option<Of>,
    today: NaiveDate,
) -> Result<Vec<Found>> {
    let of_all = of.is_none();
    let of = of.map(|of| serde_json::json!([of.things, of.people, of.events]).to_string());
    // In one row: each of its own would cost more than what stands in it.
    let all = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_array(hex(id), out, late, tag, thing, person, event)) AS "all!: String"
           FROM (SELECT l.id, i.rowid AS thing, b.rowid AS person, l.event, i.tag,
                        l.returned_at IS NULL AS out, l.returned_at IS NULL AND l.due_on < ?1 AS late
                 -- All of them, or by an index of their own.
                 FROM (SELECT o.rowid AS number FROM loans o WHERE ?2 AND NOT ?4
                       UNION ALL
                       SELECT o.rowid FROM loans o WHERE ?2 AND ?4 AND o.returned_at IS NULL
                       UNION ALL
                       SELECT * FROM (
                           SELECT o.rowid FROM loans o WHERE o.instrument_id IN (
                               SELECT id FROM instruments WHERE rowid IN (SELECT value FROM json_each(?3, '$[0]')))
                           UNION
                           SELECT o.rowid FROM loans o WHERE o.borrower_id IN (
                               SELECT id FROM people WHERE rowid IN (SELECT value FROM json_each(?3, '$[1]')))
                           UNION
                           SELECT o.rowid FROM loans o INDEXED BY loans_by_event
                           WHERE o.event <> '' AND o.event IN (SELECT value FROM json_each(?3, '$[2]')))) fit
                      CROSS JOIN loans l ON l.rowid = fit.number
                      JOIN instruments i ON i.id = l.instrument_id JOIN people b ON b.id = l.borrower_id
                 WHERE (NOT ?4 OR l.returned_at IS NULL) AND (NOT ?5 OR l.returned_at IS NOT NULL)
                   AND (NOT ?6 OR l.event <> '')
                 ORDER BY CASE WHEN ?7 THEN b.sorted_as END, CASE WHEN ?7 THEN b.rowid END,
                          ?8 OR l.returned_at IS NOT NULL,
                          CASE WHEN l.returned_at IS NULL AND NOT ?8 THEN l.due_on END, l.lent_at DESC, l.id DESC)"#,
        today,
        of_all,
        of,
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
        r#"SELECT json_group_array(json_array(name, row)) AS "all!: String"
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
    let (things, people) = match by {
        By::Thing => (those, Vec::new()),
        By::Borrower => (Vec::new(), those),
    };
    let of = Of {
        things,
        people,
        events: Vec::new(),
    };
    let mut found = read(conn, asked, Some(of), today).await?;
    let place = |loan: &Found| match by {
        By::Thing => order.get(&loan.thing),
        By::Borrower => order.get(&loan.person),
    };
    found.sort_by_key(|loan| place(loan).copied());
    let skip = page.start - first.unwrap_or(page.start);
    Ok(found.into_iter().skip(skip).take(page.len()).collect())
}
