//! The register: what the club owns and how it is made.

use super::{Conn, Error, InstrumentId, LoanId, Moment, PersonId, Result};

words! {
    /// Optical design. It decides which tests apply, what can be adjusted and
    /// which limits hold by default.
    pub enum Design {
        /// Paraboloid and flat.
        Newtonian = "newtonian", "Newtonian";
        /// Spherical mirrors behind a corrector plate.
        SchmidtCassegrain = "schmidt-cassegrain", "Schmidt–Cassegrain";
        /// The same with coma corrected over the field.
        AplanaticSchmidtCassegrain = "aplanatic-schmidt-cassegrain", "aplanatic Schmidt–Cassegrain";
        /// Behind a meniscus.
        MaksutovCassegrain = "maksutov-cassegrain", "Maksutov–Cassegrain";
        /// Paraboloid and hyperboloid.
        ClassicalCassegrain = "classical-cassegrain", "classical Cassegrain";
        /// Two hyperboloids.
        RitcheyChretien = "ritchey-chretien", "Ritchey–Chrétien";
        /// Two-lens refractor.
        Achromat = "achromat", "achromat";
        /// Refractor with little residual colour.
        Apochromat = "apochromat", "apochromat";
        /// Two small refractors side by side.
        Binocular = "binocular", "binocular";
        /// Made for the Sun only.
        Solar = "solar", "solar (dedicated)";
    }
}

impl Design {
    /// Whether light passes a shadow-casting holder in front.
    pub fn is_obstructed(self) -> bool {
        !matches!(
            self,
            Self::Achromat | Self::Apochromat | Self::Binocular | Self::Solar
        )
    }

    /// What tells how it is.
    pub fn check(self) -> Check {
        match self {
            Self::Binocular => Check::Barrels,
            Self::Solar => Check::Bench,
            _ => Check::Star,
        }
    }

    /// Whether a star test means anything: not for an instrument that must
    /// only ever look at the Sun, and not for a binocular, whose low power hides what
    /// it tells.
    pub fn takes_star_test(self) -> bool {
        self.check() == Check::Star
    }
}

/// What tells how an instrument is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Check {
    /// A star test.
    Star,
    /// A look through both barrels.
    Barrels,
    /// The bench looks it over.
    Bench,
}

impl Check {
    /// "star test", and what stands in for it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Star => "star test",
            Self::Barrels => "barrel check",
            Self::Bench => "look over at the bench",
        }
    }
}

words! {
    /// Where an instrument stands when it is not out on loan.
    pub enum Status {
        /// May be lent.
        Shelf = "shelf", "on the shelf";
        /// Waits for the bench; not to be lent.
        Held = "held", "held for the bench";
        /// Is being worked on; not to be lent.
        Bench = "bench", "at the bench";
        /// Nobody knows where it is.
        Missing = "missing", "missing";
        /// No longer lent.
        Retired = "retired", "retired";
    }
}

words! {
    /// Where an instrument is, as pages say it.
    pub enum State {
        /// May be lent.
        OnTheShelf = "on-shelf", "on the shelf";
        /// With a member.
        OnLoan = "on-loan", "on loan";
        /// Waits for the bench.
        HeldForTheBench = "held", "held for the bench";
        /// Being worked on.
        AtTheBench = "at-bench", "at the bench";
        /// Nobody knows where.
        Missing = "missing", "missing";
        /// No longer lent.
        Retired = "retired", "retired";
    }
}

/// What the register says of an instrument, apart from its id and status.
#[derive(Debug, Clone, PartialEq)]
pub struct Particulars {
    /// The club's short code.
    pub tag: String,
    /// A name by design and size.
    pub name: String,
    /// Optical design.
    pub design: Design,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Central obstruction by diameter.
    pub obstruction: f64,
    /// Spider vanes; 0 where a window or corrector holds the secondary.
    pub vane_count: i64,
    /// Weight of the tube, kg.
    pub weight_kg: Option<f64>,
    /// Time to reach the temperature of the air, minutes.
    pub cool_down_min: Option<i64>,
    /// Whether it is used with a diagonal.
    pub uses_diagonal: bool,
    /// What a new one would cost, in hundredths of the club's currency.
    pub replacement_value_cents: Option<i64>,
    /// Where it lives.
    pub place: String,
    /// Anything else.
    pub notes: String,
}

/// One loanable instrument.
#[derive(Debug, Clone)]
pub struct Instrument {
    /// Id.
    pub id: InstrumentId,
    /// What the register says.
    pub particulars: Particulars,
    /// Where it stands when not on loan.
    pub status: Status,
    /// Why, when held, at the bench or retired.
    pub status_reason: String,
    /// Counts edits; a form that edits an older version is refused.
    pub version: i64,
    /// The open loan, when it is out.
    pub open_loan: Option<LoanId>,
}

impl std::ops::Deref for Instrument {
    type Target = Particulars;
    fn deref(&self) -> &Particulars {
        &self.particulars
    }
}

struct Row {
    id: InstrumentId,
    tag: String,
    name: String,
    design: Design,
    aperture_mm: f64,
    focal_mm: f64,
    obstruction: f64,
    vane_count: i64,
    weight_kg: Option<f64>,
    cool_down_min: Option<i64>,
    uses_diagonal: bool,
    replacement_value_cents: Option<i64>,
    place: String,
    notes: String,
    status: Status,
    status_reason: String,
    version: i64,
    open_loan: Option<LoanId>,
}

impl From<Row> for Instrument {
    fn from(r: Row) -> Self {
        Self {
            id: r.id,
            particulars: Particulars {
                tag: r.tag,
                name: r.name,
                design: r.design,
                aperture_mm: r.aperture_mm,
                focal_mm: r.focal_mm,
                obstruction: r.obstruction,
                vane_count: r.vane_count,
                weight_kg: r.weight_kg,
                cool_down_min: r.cool_down_min,
                uses_diagonal: r.uses_diagonal,
                replacement_value_cents: r.replacement_value_cents,
                place: r.place,
                notes: r.notes,
            },
            status: r.status,
            status_reason: r.status_reason,
            version: r.version,
            open_loan: r.open_loan,
        }
    }
}

impl Instrument {
    /// Where it is.
    pub fn state(&self) -> State {
        state_of(self.open_loan, self.status)
    }

    /// Focal ratio.
    pub fn focal_ratio(&self) -> f64 {
        self.particulars.focal_mm / self.particulars.aperture_mm
    }

    /// Adds an instrument to the register.
    ///
    /// # Errors
    /// Refused when the tag is taken.
    pub async fn add(
        conn: &mut Conn,
        p: &Particulars,
        at: Moment,
        by: PersonId,
    ) -> Result<InstrumentId> {
        refuse_taken_tag(conn, &p.tag, None).await?;
        let id = InstrumentId::fresh();
        sqlx::query!(
            "INSERT INTO instruments (id, tag, name, design, aperture_mm, focal_mm, obstruction, vane_count,
                weight_kg, cool_down_min, uses_diagonal, replacement_value_cents, place, notes, status, added_at, added_by)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'shelf', ?, ?)",
            id, p.tag, p.name, p.design, p.aperture_mm, p.focal_mm, p.obstruction, p.vane_count,
            p.weight_kg, p.cool_down_min, p.uses_diagonal, p.replacement_value_cents, p.place, p.notes, at, by
        )
        .execute(conn)
        .await?;
        Ok(id)
    }

    /// Rewrites what the register says, if nobody has since `version` was read.
    ///
    /// # Errors
    /// Refused when someone else has changed it meanwhile, or the tag is taken.
    pub async fn change(
        conn: &mut Conn,
        id: InstrumentId,
        version: i64,
        p: &Particulars,
    ) -> Result<()> {
        refuse_taken_tag(conn, &p.tag, Some(id)).await?;
        let done = sqlx::query!(
            "UPDATE instruments SET tag = ?, name = ?, design = ?, aperture_mm = ?, focal_mm = ?, obstruction = ?,
                vane_count = ?, weight_kg = ?, cool_down_min = ?, uses_diagonal = ?, replacement_value_cents = ?,
                place = ?, notes = ?, version = version + 1
             WHERE id = ? AND version = ?",
            p.tag, p.name, p.design, p.aperture_mm, p.focal_mm, p.obstruction, p.vane_count, p.weight_kg,
            p.cool_down_min, p.uses_diagonal, p.replacement_value_cents, p.place, p.notes, id, version
        )
        .execute(conn)
        .await?;
        super::one_row(&done, Error::Refused(
                "Someone else has changed this instrument since you opened it. Look at what they wrote, then send yours again.".to_owned(),
            ))
    }

    /// Puts an instrument on the shelf, holds it, takes it to the bench or
    /// retires it. The caller writes the logbook entry.
    pub async fn set_status(
        conn: &mut Conn,
        id: InstrumentId,
        status: Status,
        reason: &str,
    ) -> Result<()> {
        sqlx::query!(
            "UPDATE instruments SET status = ?, status_reason = ?, version = version + 1 WHERE id = ?",
            status, reason, id
        )
        .execute(conn)
        .await?;
        Ok(())
    }

    /// One instrument by id.
    pub async fn get(conn: &mut Conn, id: InstrumentId) -> Result<Self> {
        sqlx::query_as!(
            Row,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.name, i.design AS "design!: Design", i.aperture_mm AS "aperture_mm!",
                      i.focal_mm AS "focal_mm!", i.obstruction AS "obstruction!", i.vane_count, i.weight_kg, i.cool_down_min,
                      i.uses_diagonal AS "uses_diagonal!: bool",
                      i.replacement_value_cents, i.place, i.notes, i.status AS "status: Status",
                      i.status_reason, i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               WHERE i.id = ? AND i.kind = 'instrument'"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .map(Into::into)
        .ok_or(Error::NotFound("instrument"))
    }

    /// One instrument by its tag, whatever the case, or by one that it bore before.
    pub async fn by_tag(conn: &mut Conn, tag: &str) -> Result<Self> {
        sqlx::query_as!(
            Row,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.name, i.design AS "design!: Design", i.aperture_mm AS "aperture_mm!",
                      i.focal_mm AS "focal_mm!", i.obstruction AS "obstruction!", i.vane_count, i.weight_kg, i.cool_down_min,
                      i.uses_diagonal AS "uses_diagonal!: bool",
                      i.replacement_value_cents, i.place, i.notes, i.status AS "status: Status",
                      i.status_reason, i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               WHERE i.kind = 'instrument'
                 AND (i.tag = ?1 OR i.id = (SELECT instrument_id FROM former_tags WHERE tag = ?1))"#,
            tag
        )
        .fetch_optional(conn)
        .await?
        .map(Into::into)
        .ok_or(Error::NotFound("instrument"))
    }

    /// Every instrument, by tag; retired ones last.
    pub async fn all(conn: &mut Conn) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Row,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.name, i.design AS "design!: Design", i.aperture_mm AS "aperture_mm!",
                      i.focal_mm AS "focal_mm!", i.obstruction AS "obstruction!", i.vane_count, i.weight_kg, i.cool_down_min,
                      i.uses_diagonal AS "uses_diagonal!: bool",
                      i.replacement_value_cents, i.place, i.notes, i.status AS "status: Status",
                      i.status_reason, i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               WHERE i.kind = 'instrument' ORDER BY i.status = 'retired', i.tag"#
        )
        .fetch_all(conn)
        .await?
        .into_iter()
        .map(Into::into)
        .collect())
    }
}

/// Where something is.
pub(super) fn state_of(open_loan: Option<LoanId>, status: Status) -> State {
    match (open_loan, status) {
        (Some(_), _) => State::OnLoan,
        (None, Status::Shelf) => State::OnTheShelf,
        (None, Status::Held) => State::HeldForTheBench,
        (None, Status::Bench) => State::AtTheBench,
        (None, Status::Missing) => State::Missing,
        (None, Status::Retired) => State::Retired,
    }
}

/// What bears another tag now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Renamed {
    /// The instrument or thing.
    pub id: InstrumentId,
    /// Its tag of now.
    pub tag: String,
}

/// What bore this tag before, where nothing bears it now.
pub async fn formerly(conn: &mut Conn, tag: &str) -> Result<Option<Renamed>> {
    Ok(sqlx::query_as!(
        Renamed,
        r#"SELECT i.id AS "id: InstrumentId", i.tag FROM former_tags f
           JOIN instruments i ON i.id = f.instrument_id WHERE f.tag = ?"#,
        tag
    )
    .fetch_optional(conn)
    .await?)
}

/// The tags an instrument had before.
pub async fn former_tags(conn: &mut Conn, id: InstrumentId) -> Result<Vec<String>> {
    Ok(sqlx::query_scalar!(
        "SELECT tag FROM former_tags WHERE instrument_id = ? ORDER BY tag",
        id
    )
    .fetch_all(conn)
    .await?)
}

/// Lets a former tag go, so that it can be given to another instrument: old labels
/// with it then lead there.
pub async fn release_former_tag(conn: &mut Conn, tag: &str) -> Result<()> {
    sqlx::query!("DELETE FROM former_tags WHERE tag = ?", tag)
        .execute(conn)
        .await?;
    Ok(())
}

pub(super) async fn refuse_taken_tag(
    conn: &mut Conn,
    tag: &str,
    except: Option<InstrumentId>,
) -> Result<()> {
    let holder = sqlx::query_scalar!(
        r#"SELECT id AS "id: InstrumentId" FROM instruments WHERE tag = ?"#,
        tag
    )
    .fetch_optional(&mut *conn)
    .await?;
    match holder {
        Some(id) if Some(id) != except => Err(Error::Refused(format!(
            "The tag {tag} is already on another instrument or thing. Choose another."
        ))),
        Some(_) => Ok(()),
        None => match formerly(conn, tag).await? {
            Some(other) if Some(other.id) != except => Err(Error::Refused(format!(
                "{tag} was the tag of {} before, and old labels with it lead there. Choose another, or tick below that {tag} is to lead here from now on.",
                other.tag
            ))),
            _ => Ok(()),
        },
    }
}
