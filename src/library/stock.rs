//! Stock-taking: everything is counted by its tag, and what was not seen is reported, with
//! where it should be and who has it.

use chrono::NaiveDate;

use super::instruments::Status;
use super::things::{self, Kind, Thing};
use super::{Conn, Error, InstrumentId, LoanId, Moment, PersonId, Result, StockTakingId};

/// One time of counting.
#[derive(Debug, Clone)]
pub struct StockTaking {
    /// Id.
    pub id: StockTakingId,
    /// When it began.
    pub begun_at: Moment,
    /// Who began it.
    pub begun_by: String,
    /// When it ended.
    pub ended_at: Option<Moment>,
    /// Who ended it.
    pub ended_by: Option<String>,
    /// How many were seen.
    pub seen: i64,
}

/// One thing in the report.
#[derive(Debug, Clone)]
pub struct Count {
    /// What.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// What kind.
    pub kind: Kind,
    /// What it is.
    pub name: String,
    /// Where it should be: as it was when counted, or when the counting ended.
    pub place: String,
    /// Where it is by the lists.
    pub status: Status,
    /// When it was seen.
    pub seen_at: Option<Moment>,
    /// By whom.
    pub seen_by: Option<String>,
    /// The loan it was on.
    pub loan_id: Option<LoanId>,
    /// Who has it, while that loan is open.
    pub borrower: Option<String>,
    /// Until when.
    pub due_on: Option<NaiveDate>,
}

/// What a tag that was read stood for.
#[derive(Debug, Clone)]
pub struct Seen {
    /// What.
    pub thing: Thing,
    /// Whether it had been seen before.
    pub again: bool,
    /// Whether it was missing and is found.
    pub found: bool,
}

/// Begins.
///
/// # Errors
/// Refused while another goes on.
pub async fn begin(conn: &mut Conn, at: Moment, by: PersonId) -> Result<StockTakingId> {
    if open(conn).await?.is_some() {
        return Err(Error::Refused(
            "A stock-taking goes on already. End that one first.".to_owned(),
        ));
    }
    let id = StockTakingId::fresh();
    sqlx::query!(
        "INSERT INTO stock_takings (id, begun_at, begun_by) VALUES (?, ?, ?)",
        id,
        at,
        by
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// All there were, the newest first.
pub async fn all(conn: &mut Conn) -> Result<Vec<StockTaking>> {
    Ok(sqlx::query_as!(
        StockTaking,
        r#"SELECT s.id AS "id: StockTakingId", s.begun_at AS "begun_at: Moment", b.name AS begun_by,
                  s.ended_at AS "ended_at: Moment", e.name AS "ended_by?: String",
                  (SELECT COUNT(*) FROM stock_counts c WHERE c.stock_taking_id = s.id AND c.seen_at IS NOT NULL) AS "seen!: i64"
           FROM stock_takings s JOIN people b ON b.id = s.begun_by LEFT JOIN people e ON e.id = s.ended_by
           ORDER BY s.begun_at DESC"#
    )
    .fetch_all(conn)
    .await?)
}

/// The one that goes on.
pub async fn open(conn: &mut Conn) -> Result<Option<StockTaking>> {
    let mut all = all(conn).await?;
    all.retain(|s| s.ended_at.is_none());
    Ok(all.pop())
}

/// One of them.
pub async fn get(conn: &mut Conn, id: StockTakingId) -> Result<StockTaking> {
    let mut all = all(conn).await?;
    all.retain(|s| s.id == id);
    all.pop().ok_or(Error::NotFound("stock-taking"))
}

async fn refuse_ended(conn: &mut Conn, id: StockTakingId) -> Result<()> {
    if get(conn, id).await?.ended_at.is_some() {
        return Err(Error::Refused(
            "That stock-taking has ended. Begin another.".to_owned(),
        ));
    }
    Ok(())
}

/// Notes that a thing was seen. What was missing is on the shelf again.
///
/// # Errors
/// Refused when the counting has ended; a tag that nothing bears is not found.
pub async fn see(
    conn: &mut Conn,
    id: StockTakingId,
    tag: &str,
    at: Moment,
    by: PersonId,
) -> Result<Seen> {
    refuse_ended(conn, id).await?;
    let thing = Thing::by_tag(conn, tag).await?;
    let done = sqlx::query!(
        "INSERT INTO stock_counts (stock_taking_id, instrument_id, seen_at, seen_by, place, loan_id)
         VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        id,
        thing.id,
        at,
        by,
        thing.place,
        thing.open_loan
    )
    .execute(&mut *conn)
    .await?;
    let found = thing.status == Status::Missing && thing.open_loan.is_none();
    if found {
        let reason = "Found when the stock was taken.";
        things::set_status(conn, thing.id, Status::Shelf, reason, at, by).await?;
    }
    Ok(Seen {
        again: done.rows_affected() == 0,
        found,
        thing,
    })
}

/// Takes back that a thing was seen.
///
/// # Errors
/// Refused when the counting has ended.
pub async fn unsee(conn: &mut Conn, id: StockTakingId, thing: InstrumentId) -> Result<()> {
    refuse_ended(conn, id).await?;
    sqlx::query!(
        "DELETE FROM stock_counts WHERE stock_taking_id = ? AND instrument_id = ?",
        id,
        thing
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Ends it: what was not seen is written down, with where it should be and its loan.
///
/// # Errors
/// Refused when it has ended already, and when nothing was seen.
pub async fn end(conn: &mut Conn, id: StockTakingId, at: Moment, by: PersonId) -> Result<()> {
    refuse_ended(conn, id).await?;
    if get(conn, id).await?.seen == 0 {
        return Err(Error::Refused(
            "Nothing has been counted yet. Count at least one tag.".to_owned(),
        ));
    }
    sqlx::query!(
        "INSERT INTO stock_counts (stock_taking_id, instrument_id, place, loan_id)
         SELECT ?1, i.id, i.place, l.id FROM instruments i
             LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
         WHERE i.status <> 'retired'
           AND NOT EXISTS (SELECT 1 FROM stock_counts c WHERE c.stock_taking_id = ?1 AND c.instrument_id = i.id)",
        id
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "UPDATE stock_takings SET ended_at = ?, ended_by = ? WHERE id = ?",
        at,
        by,
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The report by tag: everything that was to be counted, seen or not. While it goes on,
/// as it is now.
pub async fn report(conn: &mut Conn, id: StockTakingId) -> Result<Vec<Count>> {
    let is_open = get(conn, id).await?.ended_at.is_none();
    Ok(sqlx::query_as!(
        Count,
        r#"SELECT i.id AS "instrument_id: InstrumentId", i.tag, i.kind AS "kind: Kind", i.name,
                  COALESCE(c.place, i.place) AS "place!: String", i.status AS "status: Status",
                  c.seen_at AS "seen_at?: Moment", p.name AS "seen_by?: String", l.id AS "loan_id?: LoanId",
                  CASE WHEN l.returned_at IS NULL THEN b.name END AS "borrower?: String",
                  CASE WHEN l.returned_at IS NULL THEN l.due_on END AS "due_on?: NaiveDate"
           FROM instruments i
                LEFT JOIN stock_counts c ON c.stock_taking_id = ?1 AND c.instrument_id = i.id
                LEFT JOIN people p ON p.id = c.seen_by
                LEFT JOIN loans o ON o.instrument_id = i.id AND o.returned_at IS NULL
                LEFT JOIN loans l ON l.id = CASE WHEN c.instrument_id IS NULL THEN o.id ELSE c.loan_id END
                LEFT JOIN people b ON b.id = l.borrower_id
           WHERE c.instrument_id IS NOT NULL OR (?2 AND i.status <> 'retired')
           ORDER BY i.tag"#,
        id,
        is_open
    )
    .fetch_all(conn)
    .await?)
}
