//! The logbook: dated, signed entries, never erased. A correction is a new
//! entry that supersedes an old one; striking out is a correction that says
//! nothing itself.

use super::{Conn, EntryId, Error, InstrumentId, LoanId, Moment, PersonId, Result};

words! {
    /// What an entry tells.
    pub enum EntryKind {
        /// It was moved about.
        Journey = "journey", "journey";
        /// A look at a star.
        StarTest = "star-test", "star test";
        /// A look through both barrels of a binocular.
        BarrelCheck = "barrel-check", "barrel check";
        /// Something is wrong.
        Problem = "problem", "problem";
        /// What the bench did.
        Work = "work", "work";
        /// It went out.
        Lend = "lend", "lent";
        /// It came back.
        Return = "return", "returned";
        /// It was put on the shelf, held, taken to the bench or retired.
        Status = "status", "status";
        /// A limit was set for it.
        Limit = "limit", "limit set";
        /// Its register entry was made or changed.
        Register = "register", "register";
        /// Anything else worth keeping.
        Note = "note", "note";
    }
}

/// An entry to be written.
#[derive(Debug, Clone)]
pub struct NewEntry {
    /// Whose logbook.
    pub instrument: InstrumentId,
    /// What it tells.
    pub kind: EntryKind,
    /// When it happened.
    pub happened_at: Moment,
    /// When it is written down: now.
    pub recorded_at: Moment,
    /// Who signs it.
    pub by: PersonId,
    /// The loan it belongs to.
    pub loan: Option<LoanId>,
    /// Words beside the details.
    pub note: String,
}

/// One entry as it stands in the logbook.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Id.
    pub id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// What it tells.
    pub kind: EntryKind,
    /// When it happened.
    pub happened_at: Moment,
    /// When it was written down.
    pub recorded_at: Moment,
    /// Who signed it: the name.
    pub recorded_by: String,
    /// The entry it supersedes.
    pub supersedes: Option<EntryId>,
    /// Whether it strikes that entry out.
    pub struck: bool,
    /// Whether a later entry supersedes this one.
    pub superseded: bool,
    /// Words.
    pub note: String,
}

impl NewEntry {
    /// Writes the entry; its details go into the table of its kind in the same
    /// transaction.
    pub async fn write(&self, conn: &mut Conn) -> Result<EntryId> {
        self.put(conn, None, false).await
    }

    /// Writes the entry as a correction of an older one of the same kind and
    /// instrument.
    ///
    /// # Errors
    /// Refused when the older entry has been corrected already (correct the
    /// newer one), or is of another instrument or kind.
    pub async fn write_correcting(&self, conn: &mut Conn, old: EntryId) -> Result<EntryId> {
        self.check_can_supersede(conn, old).await?;
        self.put(conn, Some(old), false).await
    }

    /// Strikes an older entry out; `note` says why.
    pub async fn strike(&self, conn: &mut Conn, old: EntryId) -> Result<EntryId> {
        self.check_can_supersede(conn, old).await?;
        self.put(conn, Some(old), true).await
    }

    async fn check_can_supersede(&self, conn: &mut Conn, old: EntryId) -> Result<()> {
        let found = Entry::get(conn, old).await?;
        if found.instrument_id != self.instrument || found.kind != self.kind {
            return Err(Error::Refused(
                "That entry belongs to another instrument or tells something else, so this cannot correct it.".to_owned(),
            ));
        }
        if found.superseded || found.struck {
            return Err(Error::Refused(
                "That entry has been corrected already; correct the newer one.".to_owned(),
            ));
        }
        Ok(())
    }

    async fn put(
        &self,
        conn: &mut Conn,
        supersedes: Option<EntryId>,
        struck: bool,
    ) -> Result<EntryId> {
        let id = EntryId::fresh();
        sqlx::query!(
            "INSERT INTO entries (id, instrument_id, kind, happened_at, recorded_at, recorded_by, loan_id, supersedes, struck, note)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            id, self.instrument, self.kind, self.happened_at, self.recorded_at, self.by,
            self.loan, supersedes, struck, self.note
        )
        .execute(conn)
        .await?;
        Ok(id)
    }
}

impl Entry {
    /// One entry.
    pub async fn get(conn: &mut Conn, id: EntryId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT e.id AS "id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                      e.kind AS "kind: EntryKind", e.happened_at AS "happened_at: Moment",
                      e.recorded_at AS "recorded_at: Moment", p.name AS recorded_by,
                      e.supersedes AS "supersedes: EntryId", e.struck AS "struck: bool",
                      EXISTS (SELECT 1 FROM entries c WHERE c.supersedes = e.id) AS "superseded!: bool",
                      e.note
               FROM entries e JOIN people p ON p.id = e.recorded_by WHERE e.id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("logbook entry"))
    }

    /// An instrument's whole logbook, newest first, corrected entries included.
    pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT e.id AS "id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                      e.kind AS "kind: EntryKind", e.happened_at AS "happened_at: Moment",
                      e.recorded_at AS "recorded_at: Moment", p.name AS recorded_by,
                      e.supersedes AS "supersedes: EntryId", e.struck AS "struck: bool",
                      EXISTS (SELECT 1 FROM entries c WHERE c.supersedes = e.id) AS "superseded!: bool",
                      e.note
               FROM entries e JOIN people p ON p.id = e.recorded_by
               WHERE e.instrument_id = ? ORDER BY e.happened_at DESC, e.recorded_at DESC, e.id DESC"#,
            instrument
        )
        .fetch_all(conn)
        .await?)
    }
}
