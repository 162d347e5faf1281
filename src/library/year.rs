//! A span of time in the books, for the committee: what was lent and waited for, when
//! problems were settled.

use std::collections::HashMap;

use super::instruments::Design;
use super::things::Kind;
use super::{Conn, EntryId, InstrumentId, Moment, PersonId, Result, from_json};

/// A loan that ran within the span, at least in part.
#[derive(Debug, Clone, serde::Deserialize)]
pub struct Lent {
    /// What kind of thing.
    pub kind: Kind,
    /// Its design, where it is an instrument.
    pub design: Option<Design>,
    /// To whom.
    pub borrower_id: PersonId,
    /// When it left.
    pub lent_at: Moment,
    /// When it came back.
    pub returned_at: Option<Moment>,
}

/// A place on the waiting list that was held within the span, at least in part.
#[derive(Debug, Clone)]
pub struct Waited {
    /// What kind of thing.
    pub kind: Kind,
    /// Its design, where it is an instrument.
    pub design: Option<Design>,
    /// Since when.
    pub asked_at: Moment,
    /// Until when; `None` where they wait still.
    pub closed_at: Option<Moment>,
    /// Whether they got it.
    pub got_it: bool,
}

/// The loans that ran between two moments, the second left out, oldest first.
pub async fn lent(conn: &mut Conn, from: Moment, until: Moment) -> Result<Vec<Lent>> {
    let lent = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_object('kind', kind, 'design', design, 'borrower_id', hex(borrower_id),
                                               'lent_at', lent_at, 'returned_at', returned_at)) AS "all!: String"
           FROM (SELECT i.kind, i.design, l.borrower_id, l.lent_at, l.returned_at
                 FROM loans l JOIN instruments i ON i.id = l.instrument_id
                 WHERE +l.lent_at < ?2 AND (l.returned_at IS NULL OR l.returned_at >= ?1)
                 ORDER BY +l.lent_at, l.id)"#,
        from,
        until
    )
    .fetch_one(conn)
    .await?;
    from_json(&lent)
}

/// The places on the waiting list that were held between two moments, the second left
/// out, oldest first.
pub async fn waited(conn: &mut Conn, from: Moment, until: Moment) -> Result<Vec<Waited>> {
    Ok(sqlx::query_as!(
        Waited,
        r#"SELECT i.kind AS "kind: Kind", i.design AS "design: Design", w.asked_at AS "asked_at: Moment",
                  w.closed_at AS "closed_at: Moment", w.outcome IS 'lent' AS "got_it!: bool"
           FROM waits w JOIN instruments i ON i.id = w.instrument_id
           WHERE w.asked_at < ?2 AND (w.closed_at IS NULL OR w.closed_at >= ?1)
           ORDER BY w.asked_at, w.id"#,
        from,
        until
    )
    .fetch_all(conn)
    .await?)
}

/// When standing work first settled each problem that it settled after `since`, by the problem's
/// entry.
pub async fn settled(conn: &mut Conn, since: Moment) -> Result<HashMap<EntryId, Moment>> {
    let settled = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_array(hex(problem), at)) AS "all!: String"
           FROM (SELECT s.problem_entry_id AS problem, MIN(w.happened_at) AS at
                 FROM work_settles s JOIN current_entries w ON w.id = s.work_entry_id
                 GROUP BY s.problem_entry_id)
           WHERE at > ?"#,
        since
    )
    .fetch_one(conn)
    .await?;
    let settled: Vec<(EntryId, Moment)> = from_json(&settled)?;
    Ok(settled.into_iter().collect())
}

/// A thing that the club has now.
#[derive(Debug, Clone, Copy)]
pub struct Owned {
    /// Which.
    pub id: InstrumentId,
    /// What kind of thing.
    pub kind: Kind,
    /// Its design, where it is an instrument.
    pub design: Option<Design>,
    /// Since when it is in the register.
    pub added_at: Moment,
}

/// What the club has now; retired ones left out.
pub async fn owned(conn: &mut Conn) -> Result<Vec<Owned>> {
    Ok(sqlx::query_as!(
        Owned,
        r#"SELECT id AS "id: InstrumentId", kind AS "kind: Kind", design AS "design: Design",
                  added_at AS "added_at: Moment" FROM instruments WHERE status <> 'retired'"#
    )
    .fetch_all(conn)
    .await?)
}
