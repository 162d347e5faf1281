//! How long a loan runs: the club's own length, another for a design of instruments or a
//! kind of things, another still for one of them.

use super::club::Club;
use super::things::Sort;
use super::{Conn, InstrumentId, Result};

/// A length that differs from the club's own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LoanPeriod {
    /// Of all of a sort, by its stored form.
    pub sort: Option<String>,
    /// Of one instrument or thing.
    pub instrument_id: Option<InstrumentId>,
    /// Its tag.
    pub tag: Option<String>,
    /// Days.
    pub days: i64,
}

/// Every length that differs from the club's own: sorts, then single ones by tag.
pub async fn all(conn: &mut Conn) -> Result<Vec<LoanPeriod>> {
    Ok(sqlx::query_as!(
        LoanPeriod,
        r#"SELECT p.sort, p.instrument_id AS "instrument_id: InstrumentId",
                  i.tag AS "tag?: String", p.days
           FROM loan_periods p LEFT JOIN instruments i ON i.id = p.instrument_id
           ORDER BY i.tag, p.sort"#
    )
    .fetch_all(conn)
    .await?)
}

/// How many days a loan runs unless told otherwise.
pub async fn days_for(conn: &mut Conn, club: &Club, id: InstrumentId, sort: Sort) -> Result<i64> {
    Ok(days_among(&all(conn).await?, club, id, sort))
}

/// The rule: its own length, that of its sort, or the club's.
pub fn days_among(periods: &[LoanPeriod], club: &Club, id: InstrumentId, sort: Sort) -> i64 {
    let own = periods.iter().find(|p| p.instrument_id == Some(id));
    let of_sort = || {
        periods
            .iter()
            .find(|p| p.sort.as_deref() == Some(sort.slug()))
    };
    own.or_else(of_sort).map_or(club.loan_days, |p| p.days)
}

/// Sets the length for a sort; none goes back to the club's own.
pub async fn set_for_sort(conn: &mut Conn, sort: Sort, days: Option<i64>) -> Result<()> {
    let sort = sort.slug();
    sqlx::query!("DELETE FROM loan_periods WHERE sort = ?", sort)
        .execute(&mut *conn)
        .await?;
    if let Some(days) = days {
        sqlx::query!(
            "INSERT INTO loan_periods (sort, days) VALUES (?, ?)",
            sort,
            days
        )
        .execute(conn)
        .await?;
    }
    Ok(())
}

/// Sets the length for one instrument or thing; none goes back to its sort's or the club's.
pub async fn set_for_instrument(
    conn: &mut Conn,
    instrument: InstrumentId,
    days: Option<i64>,
) -> Result<()> {
    sqlx::query!(
        "DELETE FROM loan_periods WHERE instrument_id = ?",
        instrument
    )
    .execute(&mut *conn)
    .await?;
    if let Some(days) = days {
        sqlx::query!(
            "INSERT INTO loan_periods (instrument_id, days) VALUES (?, ?)",
            instrument,
            days
        )
        .execute(conn)
        .await?;
    }
    Ok(())
}
