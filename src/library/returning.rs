//! Returning: a loan ends, its kit is ticked off, and what is missing is said.

use super::entries::{EntryKind, NewEntry};
use super::loans::{self, Loan};
use super::{Conn, Error, KitPartId, LoanId, Moment, PersonId, Result, missing_kit};

/// A loan to be ended.
#[derive(Debug, Clone)]
pub struct Return {
    /// Which.
    pub loan: LoanId,
    /// The parts that are there; the others that went out are missing.
    pub came_back: Vec<KitPartId>,
    /// When it came back.
    pub at: Moment,
    /// When that is written down: now.
    pub recorded_at: Moment,
    /// Who takes it.
    pub by: PersonId,
}

impl Return {
    /// Returns an instrument: loan closed, kit ticked off, logbook entry; parts that
    /// went out and did not come back are missing, on the account of this loan. Gives
    /// their names.
    ///
    /// # Errors
    /// Refused when the loan was closed already, or began later than it is
    /// said to have ended.
    pub async fn write(&self, conn: &mut Conn) -> Result<Vec<String>> {
        let found = Loan::get(conn, self.loan).await?;
        if self.at < found.lent_at {
            return Err(Error::Refused(format!(
                "{} cannot have come back before it went out.",
                found.tag
            )));
        }
        let done = sqlx::query!(
            "UPDATE loans SET returned_at = ?, returned_to = ? WHERE id = ? AND returned_at IS NULL",
            self.at,
            self.by,
            self.loan
        )
        .execute(&mut *conn)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Error::Refused(format!(
                "{} has been returned already.",
                found.tag
            )));
        }
        let mut missing = Vec::new();
        for part in loans::parts(conn, self.loan).await? {
            let back = self.came_back.contains(&part.id);
            sqlx::query!(
                "UPDATE loan_kit SET came_back = ? WHERE loan_id = ? AND kit_part_id = ?",
                back,
                self.loan,
                part.id
            )
            .execute(&mut *conn)
            .await?;
            if part.went_out && !back {
                missing.push((part.id, part.name));
            }
        }
        let names: Vec<String> = missing.iter().map(|(_, name)| name.clone()).collect();
        let note = if names.is_empty() {
            "Kit complete.".to_owned()
        } else {
            format!("Did not come back: {}.", names.join(", "))
        };
        let entry = NewEntry {
            instrument: found.instrument_id,
            kind: EntryKind::Return,
            happened_at: self.at,
            recorded_at: self.recorded_at,
            by: self.by,
            loan: Some(self.loan),
            note,
        };
        entry.write(conn).await?;
        let note = String::new();
        let told = NewEntry { note, ..entry };
        missing_kit::report(conn, &missing, "Did not come back", told).await?;
        Ok(names)
    }
}

/// Returns an instrument as it is written down: see [`Return`].
pub async fn return_loan(
    conn: &mut Conn,
    loan: LoanId,
    came_back: &[KitPartId],
    at: Moment,
    by: PersonId,
) -> Result<Vec<String>> {
    Return {
        loan,
        came_back: came_back.to_vec(),
        at,
        recorded_at: at,
        by,
    }
    .write(conn)
    .await
}
