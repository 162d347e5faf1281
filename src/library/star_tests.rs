//! Star tests: dated looks at a star, by eye, from frames or by phone.

use super::entries::{EntryKind, NewEntry};
use super::{AttemptId, Conn, EntryId, InstrumentId, Moment, Result};

words! {
    /// How the star was looked at.
    pub enum Method {
        /// By eye at an eyepiece.
        ByEye = "by-eye", "by eye";
        /// Measured from a camera's frames.
        FromFrames = "from-frames", "from frames";
        /// Measured from the stills of a phone held at the eyepiece, of which nobody told
        /// the scale.
        ByPhone = "by-phone", "by phone";
    }
}

words! {
    /// Which side of focus.
    pub enum FocusSide {
        /// Inside focus.
        Inside = "inside", "inside focus";
        /// Outside focus.
        Outside = "outside", "outside focus";
        /// Not told.
        Unknown = "unknown", "side not told";
    }
}

impl From<FocusSide> for optics::focus::Side {
    fn from(side: FocusSide) -> Self {
        match side {
            FocusSide::Inside => Self::Inside,
            FocusSide::Outside => Self::Outside,
            FocusSide::Unknown => Self::Unknown,
        }
    }
}

/// One look at a star and what it says.
#[derive(Debug, Clone, PartialEq)]
pub struct StarTest {
    /// How it was looked at.
    pub method: Method,
    /// Side of focus.
    pub side: FocusSide,
    /// Whether a diagonal was in.
    pub diagonal: bool,
    /// Seeing on Antoniadi's scale, 1 (best) to 5.
    pub seeing: Option<i64>,
    /// Magnification, for a look by eye.
    pub magnification: Option<f64>,
    /// Peak defocus, waves at 550 nm.
    pub defocus_waves: Option<f64>,
    /// Thin side over thick side along the axis.
    pub thin_to_thick: Option<f64>,
    /// Direction of the thin side in the picture, clock degrees.
    pub thin_clock_deg: Option<f64>,
    /// RMS coma, Noll Z7 and Z8 over the full circle, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// Its 1-sigma.
    pub coma_rms_waves_sigma: f64,
    /// The frames it was measured from.
    pub attempt_id: Option<AttemptId>,
    /// What the person told, as told (JSON).
    pub judged: String,
}

/// A star test as it stands in a logbook.
#[derive(Debug, Clone)]
pub struct LoggedStarTest {
    /// Its entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// When.
    pub happened_at: Moment,
    /// The test.
    pub test: StarTest,
}

impl StarTest {
    /// Writes the details under an entry already written.
    pub async fn write(&self, conn: &mut Conn, entry: EntryId) -> Result<()> {
        sqlx::query!(
            "INSERT INTO star_tests (entry_id, method, side, diagonal, seeing, magnification, defocus_waves,
                thin_to_thick, thin_clock_deg, coma_rms_waves, coma_rms_waves_sigma, attempt_id, judged)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            entry, self.method, self.side, self.diagonal, self.seeing, self.magnification, self.defocus_waves,
            self.thin_to_thick, self.thin_clock_deg, self.coma_rms_waves, self.coma_rms_waves_sigma,
            self.attempt_id, self.judged
        )
        .execute(conn)
        .await?;
        Ok(())
    }

    /// Writes entry and details; `entry.kind` is set here.
    pub async fn log(&self, conn: &mut Conn, mut entry: NewEntry) -> Result<EntryId> {
        entry.kind = EntryKind::StarTest;
        let id = entry.write(conn).await?;
        self.write(conn, id).await?;
        Ok(id)
    }
}

/// Every standing star test of one instrument, or of all, oldest first.
pub async fn current(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
) -> Result<Vec<LoggedStarTest>> {
    let rows = sqlx::query!(
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", t.method AS "method: Method",
                  t.side AS "side: FocusSide", t.diagonal AS "diagonal: bool", t.seeing, t.magnification,
                  t.defocus_waves, t.thin_to_thick, t.thin_clock_deg, t.coma_rms_waves, t.coma_rms_waves_sigma,
                  t.attempt_id AS "attempt_id: AttemptId", t.judged
           FROM instruments i CROSS JOIN current_entries e ON e.instrument_id = i.id AND e.kind = 'star-test'
                JOIN star_tests t ON t.entry_id = e.id
           WHERE ?1 IS NULL OR i.id = ?1
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| LoggedStarTest {
            entry_id: r.entry_id,
            instrument_id: r.instrument_id,
            happened_at: r.happened_at,
            test: StarTest {
                method: r.method,
                side: r.side,
                diagonal: r.diagonal,
                seeing: r.seeing,
                magnification: r.magnification,
                defocus_waves: r.defocus_waves,
                thin_to_thick: r.thin_to_thick,
                thin_clock_deg: r.thin_clock_deg,
                coma_rms_waves: r.coma_rms_waves,
                coma_rms_waves_sigma: r.coma_rms_waves_sigma,
                attempt_id: r.attempt_id,
                judged: r.judged,
            },
        })
        .collect())
}
