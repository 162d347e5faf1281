//! Spare parts and consumables: how many there are, from how many on that is few, and what
//! became of them. (Counting the things that the club owns is in `stock`.)

use std::collections::HashMap;
use std::fmt;

use super::{Conn, EntryId, Error, InstrumentId, Moment, PersonId, Result, SpareId};

words! {
    /// What became of some.
    pub enum MoveWhat {
        /// They went into work.
        Used = "used", "used";
        /// They were bought or given.
        Added = "added", "added";
        /// Somebody counted them anew.
        Counted = "counted", "counted anew";
    }
}

/// How many, or how much, in thousandths of the unit, so that amounts add up exactly.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, sqlx::Type)]
#[sqlx(transparent)]
pub struct Amount(pub i64);

impl Amount {
    /// The most there can be of anything, in its unit.
    pub const MOST: f64 = 1_000_000.0;

    /// The nearest to a figure in the unit.
    pub fn of(units: f64) -> Self {
        Self((units * 1000.0).round() as i64)
    }

    /// In the unit.
    pub fn units(self) -> f64 {
        self.0 as f64 / 1000.0
    }
}

/// "3", "0.25".
impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, part) = (self.0.abs() / 1000, self.0.abs() % 1000);
        let sign = if self.0 < 0 { "\u{2212}" } else { "" };
        let words = format!("{sign}{whole}.{part:03}");
        f.write_str(words.trim_end_matches('0').trim_end_matches('.'))
    }
}

/// "3 pieces", "1 piece", "0.5 m".
pub fn counted_in(amount: Amount, unit: &str) -> String {
    match (amount.0, unit) {
        (1000, "pieces") => "1\u{a0}piece".to_owned(),
        _ => format!("{amount}\u{a0}{unit}"),
    }
}

/// What is told of spare parts.
#[derive(Debug, Clone, PartialEq)]
pub struct Particulars {
    /// What they are.
    pub name: String,
    /// What they are counted in: pieces, ml, m.
    pub unit: String,
    /// So many or fewer are low; `None`: they never are.
    pub low_at: Option<Amount>,
    /// Where they lie.
    pub place: String,
    /// What one unit costs, cents.
    pub value_cents: Option<f64>,
}

/// Spare parts of one kind.
#[derive(Debug, Clone, PartialEq)]
pub struct Spare {
    /// Id.
    pub id: SpareId,
    /// What is told of them.
    pub particulars: Particulars,
    /// How many there are.
    pub amount: Amount,
}

impl Spare {
    /// Whether there are few.
    pub fn is_low(&self) -> bool {
        self.particulars
            .low_at
            .is_some_and(|low| self.amount <= low)
    }

    /// "3 pieces".
    pub fn there_are(&self) -> String {
        counted_in(self.amount, &self.particulars.unit)
    }

    /// Whether so many can be used.
    ///
    /// # Errors
    /// In words, where there are fewer.
    pub fn check_use(&self, amount: Amount) -> std::result::Result<(), String> {
        if amount.0 <= 0 {
            return Err("give a number above 0.".to_owned());
        }
        if amount > self.amount {
            return Err(format!(
                "there are only {} of \"{}\". Use fewer, or count them anew first.",
                self.there_are(),
                self.particulars.name
            ));
        }
        Ok(())
    }
}

/// One thing that became of spare parts.
#[derive(Debug, Clone)]
pub struct Move {
    /// When.
    pub at: Moment,
    /// By whom.
    pub by: String,
    /// What.
    pub what: MoveWhat,
    /// How many more there were after it.
    pub change: Amount,
    /// At which instrument they were used: its tag.
    pub tag: Option<String>,
    /// In words: why they were counted.
    pub words: String,
}

/// What was used in a piece of work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Used {
    /// What.
    pub name: String,
    /// How many.
    pub amount: Amount,
    /// Of what unit.
    pub unit: String,
}

/// "2 pieces of M4 grub screw".
impl fmt::Display for Used {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} of {}",
            counted_in(self.amount, &self.unit),
            self.name
        )
    }
}

struct Row {
    id: SpareId,
    name: String,
    unit: String,
    amount: Amount,
    low_at: Option<Amount>,
    place: String,
    value_cents: Option<f64>,
}

impl From<Row> for Spare {
    fn from(r: Row) -> Self {
        Self {
            id: r.id,
            amount: r.amount,
            particulars: Particulars {
                name: r.name,
                unit: r.unit,
                low_at: r.low_at,
                place: r.place,
                value_cents: r.value_cents,
            },
        }
    }
}

/// All that are kept, by name.
pub async fn all(conn: &mut Conn) -> Result<Vec<Spare>> {
    let rows = sqlx::query_as!(
        Row,
        r#"SELECT id AS "id: SpareId", name, unit, amount_thousandths AS "amount: Amount",
                  low_thousandths AS "low_at: Amount", place, value_cents
           FROM spares WHERE removed_at IS NULL ORDER BY name, id"#
    )
    .fetch_all(conn)
    .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// Those of one kind.
///
/// # Errors
/// Not found when there are none or they were taken off the list.
pub async fn get(conn: &mut Conn, id: SpareId) -> Result<Spare> {
    let all = all(conn).await?;
    let found = all.into_iter().find(|s| s.id == id);
    found.ok_or(Error::NotFound("spare part"))
}

async fn refuse_taken_name(conn: &mut Conn, name: &str, own: Option<SpareId>) -> Result<()> {
    let other = sqlx::query_scalar!(
        r#"SELECT id AS "id: SpareId" FROM spares WHERE name = ? AND removed_at IS NULL"#,
        name
    )
    .fetch_optional(conn)
    .await?;
    if other.is_some_and(|other| Some(other) != own) {
        return Err(Error::Refused(format!(
            "\"{name}\" is on the list already. Add to those, or choose another name."
        )));
    }
    Ok(())
}

/// Puts spare parts on the list, with so many to begin with.
///
/// # Errors
/// Refused when others bear that name.
pub async fn add(
    conn: &mut Conn,
    new: &Particulars,
    amount: Amount,
    by: PersonId,
    at: Moment,
) -> Result<SpareId> {
    refuse_taken_name(conn, &new.name, None).await?;
    let id = SpareId::fresh();
    sqlx::query!(
        "INSERT INTO spares (id, name, unit, low_thousandths, place, value_cents, added_at, added_by)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        id, new.name, new.unit, new.low_at, new.place, new.value_cents, at, by
    )
    .execute(&mut *conn)
    .await?;
    if amount.0 > 0 {
        put(conn, id, MoveWhat::Added, amount, None, "", by, at).await?;
    }
    Ok(id)
}

/// Changes what is told of them; how many there are stays.
///
/// # Errors
/// Refused when others bear that name.
pub async fn change(conn: &mut Conn, id: SpareId, new: &Particulars) -> Result<()> {
    refuse_taken_name(conn, &new.name, Some(id)).await?;
    let done = sqlx::query!(
        "UPDATE spares SET name = ?, unit = ?, low_thousandths = ?, place = ?, value_cents = ?
         WHERE id = ? AND removed_at IS NULL",
        new.name,
        new.unit,
        new.low_at,
        new.place,
        new.value_cents,
        id
    )
    .execute(conn)
    .await?;
    super::one_row(&done, Error::NotFound("spare part"))
}

/// Takes them off the list; what became of them stays written.
pub async fn remove(conn: &mut Conn, id: SpareId, at: Moment) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE spares SET removed_at = ? WHERE id = ? AND removed_at IS NULL",
        at,
        id
    )
    .execute(conn)
    .await?;
    super::one_row(&done, Error::NotFound("spare part"))
}

/// More of them came.
pub async fn more(
    conn: &mut Conn,
    id: SpareId,
    amount: Amount,
    by: PersonId,
    at: Moment,
) -> Result<Spare> {
    put(conn, id, MoveWhat::Added, amount, None, "", by, at).await?;
    get(conn, id).await
}

/// So many were counted; `reason` says why they were, or why there are others than thought.
pub async fn counted(
    conn: &mut Conn,
    id: SpareId,
    amount: Amount,
    reason: &str,
    by: PersonId,
    at: Moment,
) -> Result<Spare> {
    let change = Amount(amount.0 - get(conn, id).await?.amount.0);
    put(conn, id, MoveWhat::Counted, change, None, reason, by, at).await?;
    get(conn, id).await
}

/// Some went into a piece of work, in the transaction that writes it.
///
/// # Errors
/// Refused when there are fewer.
pub async fn used(
    conn: &mut Conn,
    uses: &[(SpareId, Amount)],
    work: EntryId,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    for &(id, amount) in uses {
        let spare = get(conn, id).await?;
        spare
            .check_use(amount)
            .map_err(|why| Error::Refused(format!("{}: {why}", spare.particulars.name)))?;
        let change = Amount(-amount.0);
        put(conn, id, MoveWhat::Used, change, Some(work), "", by, at).await?;
    }
    Ok(())
}

#[allow(clippy::too_many_arguments)] // the row
async fn put(
    conn: &mut Conn,
    id: SpareId,
    what: MoveWhat,
    change: Amount,
    work: Option<EntryId>,
    words: &str,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO spare_moves (spare_id, at, by, what, change_thousandths, work_entry_id, value_cents, words)
         SELECT id, ?, ?, ?, ?, ?, value_cents, ? FROM spares WHERE id = ? AND removed_at IS NULL",
        at, by, what, change, work, words, id
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// What became of them, the latest first.
pub async fn moves(conn: &mut Conn, id: SpareId) -> Result<Vec<Move>> {
    Ok(sqlx::query_as!(
        Move,
        r#"SELECT m.at AS "at: Moment", p.name AS by, m.what AS "what: MoveWhat",
                  m.change_thousandths AS "change: Amount", i.tag AS "tag?: String", m.words
           FROM spare_moves m JOIN people p ON p.id = m.by LEFT JOIN entries e ON e.id = m.work_entry_id
                LEFT JOIN instruments i ON i.id = e.instrument_id
           WHERE m.spare_id = ? ORDER BY m.number DESC"#,
        id
    )
    .fetch_all(conn)
    .await?)
}

/// What went into the work of an instrument, or into that of one entry, by entry.
pub async fn uses(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
    entry: Option<EntryId>,
) -> Result<HashMap<EntryId, Vec<Used>>> {
    let rows = sqlx::query!(
        r#"SELECT e.id AS "work: EntryId", s.name, s.unit, -m.change_thousandths AS "amount!: Amount"
           FROM spare_moves m JOIN entries e ON e.id = m.work_entry_id JOIN spares s ON s.id = m.spare_id
           WHERE e.instrument_id = ?1 OR e.id = ?2 ORDER BY m.number"#,
        instrument,
        entry
    )
    .fetch_all(conn)
    .await?;
    let mut uses: HashMap<EntryId, Vec<Used>> = HashMap::new();
    for r in rows {
        uses.entry(r.work).or_default().push(Used {
            name: r.name,
            amount: r.amount,
            unit: r.unit,
        });
    }
    Ok(uses)
}

/// What was used of one kind over a span of time.
#[derive(Debug, Clone, PartialEq)]
pub struct UsedUp {
    /// What, how much.
    pub used: Used,
    /// What that cost, cents; `None` where nobody said what one costs.
    pub cost_cents: Option<f64>,
}

/// What standing work that was done between two moments, the second left out, used up, by name.
pub async fn used_up(conn: &mut Conn, from: Moment, until: Moment) -> Result<Vec<UsedUp>> {
    let rows = sqlx::query!(
        r#"SELECT s.name, s.unit, -SUM(m.change_thousandths) AS "amount!: Amount",
                  -SUM(m.change_thousandths * m.value_cents) / 1000.0 AS "cost_cents: f64"
           FROM spare_moves m JOIN current_entries e ON e.id = m.work_entry_id JOIN spares s ON s.id = m.spare_id
           WHERE e.happened_at >= ?1 AND e.happened_at < ?2
           GROUP BY s.id ORDER BY s.name, s.id"#,
        from,
        until
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| UsedUp {
            used: Used {
                name: r.name,
                amount: r.amount,
                unit: r.unit,
            },
            cost_cents: r.cost_cents,
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_read_as_people_write_them_and_add_up_exactly() {
        for (units, words) in [
            (3.0, "3"),
            (0.25, "0.25"),
            (1200.0, "1200"),
            (0.0, "0"),
            (-1.5, "\u{2212}1.5"),
        ] {
            assert_eq!(Amount::of(units).to_string(), words);
        }
        // A tenth three times out of three tenths leaves nothing, as it would not in binary.
        assert_eq!(Amount::of(0.3).0 - 3 * Amount::of(0.1).0, 0);
    }
}
