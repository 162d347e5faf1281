//! How long a loan runs: the club's own length, another for a design, another still
//! for one instrument.

use super::club::Club;
use super::instruments::Design;
use super::{Conn, InstrumentId, Result};

/// A length that differs from the club's own.
#[derive(Debug, Clone)]
pub struct LoanPeriod {
    /// Of every instrument of a design.
    pub design: Option<Design>,
    /// Of one instrument.
    pub instrument_id: Option<InstrumentId>,
    /// Its tag.
    pub tag: Option<String>,
    /// Days.
    pub days: i64,
}

/// Every length that differs from the club's own: designs, then instruments by tag.
pub async fn all(conn: &mut Conn) -> Result<Vec<LoanPeriod>> {
    Ok(sqlx::query_as!(
        LoanPeriod,
        r#"SELECT p.design AS "design: Design", p.instrument_id AS "instrument_id: InstrumentId",
                  i.tag AS "tag?: String", p.days
           FROM loan_periods p LEFT JOIN instruments i ON i.id = p.instrument_id
           ORDER BY i.tag, p.design"#
    )
    .fetch_all(conn)
    .await?)
}

/// How many days a loan runs unless told otherwise; a thing has no design.
pub async fn days_for(
    conn: &mut Conn,
    club: &Club,
    instrument: InstrumentId,
    design: Option<Design>,
) -> Result<i64> {
    let found = sqlx::query_scalar!(
        "SELECT days FROM loan_periods WHERE instrument_id = ?1 OR design = ?2
         ORDER BY instrument_id IS NULL LIMIT 1",
        instrument,
        design
    )
    .fetch_optional(conn)
    .await?;
    Ok(found.unwrap_or(club.loan_days))
}

/// Sets the length for a design; none goes back to the club's own.
pub async fn set_for_design(conn: &mut Conn, design: Design, days: Option<i64>) -> Result<()> {
    sqlx::query!("DELETE FROM loan_periods WHERE design = ?", design)
        .execute(&mut *conn)
        .await?;
    if let Some(days) = days {
        sqlx::query!(
            "INSERT INTO loan_periods (design, days) VALUES (?, ?)",
            design,
            days
        )
        .execute(conn)
        .await?;
    }
    Ok(())
}

/// Sets the length for one instrument; none goes back to its design's or the club's.
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
