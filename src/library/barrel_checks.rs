//! Barrel checks: looks through both barrels of a binocular at one distant point.

use std::collections::HashMap;

use optics::barrels::{Angle, Apart, Judged, Limits, judge};

use super::entries::{EntryKind, NewEntry};
use super::{Conn, EntryId, Error, InstrumentId, Moment, Result};

words! {
    /// How it was looked at.
    pub enum Way {
        /// By eye.
        ByEye = "by-eye", "by eye";
        /// Measured from pictures through both barrels.
        ByPictures = "by-pictures", "by pictures";
    }
}

/// A look through both barrels and what it says.
#[derive(Debug, Clone, PartialEq)]
pub struct BarrelCheck {
    /// By eye or by pictures.
    pub way: Way,
    /// Magnification of the binocular.
    pub magnification: f64,
    /// Whether the barrels turn about a hinge.
    pub hinged: bool,
    /// How far away the point was, m; none for a star.
    pub distance_m: Option<f64>,
    /// At one opening of the hinge or at two, at the eye, the point's parallax taken off.
    pub openings: Vec<Apart>,
    /// What the person told, as told (JSON).
    pub judged: String,
}

/// A barrel check as it stands in a logbook.
#[derive(Debug, Clone)]
pub struct LoggedBarrelCheck {
    /// Its entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// When.
    pub happened_at: Moment,
    /// The check.
    pub check: BarrelCheck,
}

/// 1-sigma of a step judged by eye, arc minutes at the eye, and the share of the step
/// that it is at least: common practice, no source.
const STEP_BY_EYE: [f64; 2] = [3.0, 0.2];
/// The same sideways, where eyes join both pictures without being asked.
const SIDEWAYS_BY_EYE: [f64; 2] = [6.0, 0.2];
/// The same for a turn.
const TURN_BY_EYE: [f64; 2] = [20.0, 0.2];

/// What was judged by eye, arc minutes at the eye, with the error that eyes have.
#[must_use]
pub fn by_eye(convergence_arcmin: f64, step_arcmin: f64, turn_arcmin: Option<f64>) -> Apart {
    let of =
        |arcmin: f64, [floor, share]: [f64; 2]| Angle::new(arcmin, floor.hypot(share * arcmin));
    Apart {
        convergence: of(convergence_arcmin, SIDEWAYS_BY_EYE),
        step: of(step_arcmin, STEP_BY_EYE),
        turn: turn_arcmin.map(|turn| of(turn, TURN_BY_EYE)),
    }
}

impl BarrelCheck {
    /// What it says under these limits; none without an opening, which no check that was
    /// written has.
    #[must_use]
    pub fn judged(&self, limits: &Limits) -> Option<Judged> {
        judge(&self.openings, self.hinged, limits)
    }

    /// Writes the details under an entry already written.
    ///
    /// # Errors
    /// Refused unless it was looked at at one opening or at two.
    pub async fn write(&self, conn: &mut Conn, entry: EntryId) -> Result<()> {
        if !(1..=2).contains(&self.openings.len()) || self.judged(&Limits::default()).is_none() {
            return Err(Error::Refused(
                "A barrel check tells of one opening of the hinge or of two.".to_owned(),
            ));
        }
        sqlx::query!(
            "INSERT INTO barrel_checks (entry_id, way, magnification, hinged, distance_m, judged) VALUES (?, ?, ?, ?, ?, ?)",
            entry, self.way, self.magnification, self.hinged, self.distance_m, self.judged
        )
        .execute(&mut *conn)
        .await?;
        for (apart, place) in self.openings.iter().zip(1_i64..) {
            let [turn, turn_sigma] = match apart.turn {
                Some(turn) => [turn.arcmin, turn.sigma_arcmin].map(Some),
                None => [None; 2],
            };
            sqlx::query!(
                "INSERT INTO barrel_openings (entry_id, place, convergence_arcmin, convergence_arcmin_sigma,
                    step_arcmin, step_arcmin_sigma, turn_arcmin, turn_arcmin_sigma) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                entry, place, apart.convergence.arcmin, apart.convergence.sigma_arcmin, apart.step.arcmin,
                apart.step.sigma_arcmin, turn, turn_sigma
            )
            .execute(&mut *conn)
            .await?;
        }
        Ok(())
    }

    /// Writes entry and details; `entry.kind` is set here.
    pub async fn log(&self, conn: &mut Conn, mut entry: NewEntry) -> Result<EntryId> {
        entry.kind = EntryKind::BarrelCheck;
        let id = entry.write(conn).await?;
        self.write(conn, id).await?;
        Ok(id)
    }
}

/// What each check of one instrument, or of all, saw at its openings, struck out and
/// superseded ones included.
pub(super) async fn openings(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
    entry: Option<EntryId>,
) -> Result<HashMap<EntryId, Vec<Apart>>> {
    let rows = sqlx::query!(
        r#"SELECT o.entry_id AS "entry_id: EntryId", o.convergence_arcmin, o.convergence_arcmin_sigma,
                  o.step_arcmin, o.step_arcmin_sigma, o.turn_arcmin, o.turn_arcmin_sigma
           FROM barrel_openings o JOIN entries e ON e.id = o.entry_id
           WHERE (?1 IS NULL OR e.instrument_id = ?1) AND (?2 IS NULL OR e.id = ?2)
           ORDER BY o.entry_id, o.place"#,
        instrument, entry
    )
    .fetch_all(conn)
    .await?;
    let mut openings: HashMap<EntryId, Vec<Apart>> = HashMap::new();
    for r in rows {
        openings.entry(r.entry_id).or_default().push(Apart {
            convergence: Angle::new(r.convergence_arcmin, r.convergence_arcmin_sigma),
            step: Angle::new(r.step_arcmin, r.step_arcmin_sigma),
            turn: r
                .turn_arcmin
                .zip(r.turn_arcmin_sigma)
                .map(|(turn, sigma)| Angle::new(turn, sigma)),
        });
    }
    Ok(openings)
}

/// Every standing barrel check of one instrument, or of all, oldest first.
pub async fn current(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
) -> Result<Vec<LoggedBarrelCheck>> {
    let mut seen = openings(conn, instrument, None).await?;
    if seen.is_empty() {
        return Ok(Vec::new());
    }
    let rows = sqlx::query!(
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", c.way AS "way: Way", c.magnification,
                  c.hinged AS "hinged: bool", c.distance_m, c.judged
           FROM instruments i CROSS JOIN current_entries e ON e.instrument_id = i.id AND e.kind = 'barrel-check'
                JOIN barrel_checks c ON c.entry_id = e.id
           WHERE ?1 IS NULL OR i.id = ?1
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| LoggedBarrelCheck {
            entry_id: r.entry_id,
            instrument_id: r.instrument_id,
            happened_at: r.happened_at,
            check: BarrelCheck {
                way: r.way,
                magnification: r.magnification,
                hinged: r.hinged,
                distance_m: r.distance_m,
                openings: seen.remove(&r.entry_id).unwrap_or_default(),
                judged: r.judged,
            },
        })
        .collect())
}
