//! Journeys: dated moves of an instrument.

use super::entries::{EntryKind, NewEntry};
use super::{Conn, EntryId, InstrumentId, Moment, Result};

words! {
    /// How an instrument was moved, or what befell it.
    pub enum JourneyKind {
        /// Carried by hand.
        HandCarry = "hand-carry", "carried by hand";
        /// In a car on made roads.
        Car = "car", "by car";
        /// On unmade or very bad roads.
        RoughRoad = "rough-road", "on rough road";
        /// By air, or sent as a parcel.
        FlightOrParcel = "flight-or-parcel", "flight or parcel";
        /// Stood out for a crowd.
        PublicEvent = "public-event", "public event";
        /// Knocked or dropped.
        KnockOrDrop = "knock-or-drop", "knock or drop";
        /// Left outdoors.
        LeftOutdoors = "left-outdoors", "left outdoors";
    }
}

impl JourneyKind {
    /// Whether a distance says something about this kind.
    pub fn has_distance(self) -> bool {
        matches!(self, Self::Car | Self::RoughRoad)
    }

    /// Whether a severity (1 light, 2 middling, 3 hard) says something about it.
    pub fn has_severity(self) -> bool {
        matches!(self, Self::KnockOrDrop | Self::LeftOutdoors)
    }
}

/// One move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Journey {
    /// How.
    pub kind: JourneyKind,
    /// How far, km, when told.
    pub distance_km: Option<f64>,
    /// How hard, 1 to 3, when told.
    pub severity: Option<i64>,
}

/// A move as it stands in a logbook.
#[derive(Debug, Clone, Copy)]
pub struct LoggedJourney {
    /// Its entry.
    pub entry_id: EntryId,
    /// Whose logbook.
    pub instrument_id: InstrumentId,
    /// When.
    pub happened_at: Moment,
    /// The move.
    pub journey: Journey,
}

impl Journey {
    /// Writes the move's details under an entry already written.
    pub async fn write(&self, conn: &mut Conn, entry: EntryId) -> Result<()> {
        sqlx::query!(
            "INSERT INTO journeys (entry_id, kind, distance_km, severity) VALUES (?, ?, ?, ?)",
            entry,
            self.kind,
            self.distance_km,
            self.severity
        )
        .execute(conn)
        .await?;
        Ok(())
    }

    /// Writes entry and details; `entry.kind` is set here.
    pub async fn log(&self, conn: &mut Conn, mut entry: NewEntry) -> Result<EntryId> {
        entry.kind = EntryKind::Journey;
        let id = entry.write(conn).await?;
        self.write(conn, id).await?;
        Ok(id)
    }
}

/// Every standing journey of one instrument, or of all, oldest first.
pub async fn current(
    conn: &mut Conn,
    instrument: Option<InstrumentId>,
) -> Result<Vec<LoggedJourney>> {
    let rows = sqlx::query!(
        r#"SELECT e.id AS "entry_id: EntryId", e.instrument_id AS "instrument_id: InstrumentId",
                  e.happened_at AS "happened_at: Moment", j.kind AS "kind: JourneyKind",
                  j.distance_km, j.severity
           FROM instruments i CROSS JOIN current_entries e ON e.instrument_id = i.id AND e.kind = 'journey'
                JOIN journeys j ON j.entry_id = e.id
           WHERE ?1 IS NULL OR i.id = ?1
           ORDER BY e.happened_at, e.recorded_at, e.id"#,
        instrument
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|r| LoggedJourney {
            entry_id: r.entry_id,
            instrument_id: r.instrument_id,
            happened_at: r.happened_at,
            journey: Journey {
                kind: r.kind,
                distance_km: r.distance_km,
                severity: r.severity,
            },
        })
        .collect())
}
