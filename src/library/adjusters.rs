//! Adjusters: the screws that tilt an element.

use super::{Conn, InstrumentId, Result};

words! {
    /// What a screw tilts.
    pub enum Element {
        /// Primary mirror.
        Primary = "primary", "primary mirror";
        /// Secondary mirror.
        Secondary = "secondary", "secondary mirror";
        /// Objective in its cell.
        ObjectiveCell = "objective-cell", "objective cell";
        /// Focuser.
        Focuser = "focuser", "focuser";
        /// Prism of a binocular.
        Prism = "prism", "prism";
    }
}

words! {
    /// How a screw works.
    pub enum AdjusterKind {
        /// Pulls against a spring.
        PullAgainstSpring = "pull-against-spring", "pulls against a spring";
        /// One of a pair, one pushing, one pulling.
        PushPullPair = "push-pull-pair", "push-pull pair";
        /// Pulls around a central pivot.
        PullAroundPivot = "pull-around-pivot", "pulls around a central pivot";
    }
}

words! {
    /// What turns it.
    pub enum Head {
        /// By hand.
        Thumb = "thumb", "thumb screw";
        /// Hex key.
        Hex = "hex", "hex key";
        /// Screwdriver.
        Slotted = "slotted", "screwdriver";
    }
}

/// One screw.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjuster {
    /// As marked on the tube.
    pub label: String,
    /// What it tilts.
    pub element: Element,
    /// Clock position seen from in front of the tube, degrees clockwise from 12.
    pub clock_deg: f64,
    /// Thread pitch, mm per turn.
    pub pitch_mm: f64,
    /// Distance from the pivot, mm.
    pub lever_mm: f64,
    /// How it works.
    pub kind: AdjusterKind,
    /// What turns it.
    pub head: Head,
}

/// An instrument's screws, in order.
pub async fn of(conn: &mut Conn, instrument: InstrumentId) -> Result<Vec<Adjuster>> {
    Ok(sqlx::query_as!(
        Adjuster,
        r#"SELECT label, element AS "element: Element", clock_deg, pitch_mm, lever_mm,
                  kind AS "kind: AdjusterKind", head AS "head: Head"
           FROM adjusters WHERE instrument_id = ? ORDER BY ordinal"#,
        instrument
    )
    .fetch_all(conn)
    .await?)
}

/// Replaces an instrument's screws.
pub async fn set(conn: &mut Conn, instrument: InstrumentId, adjusters: &[Adjuster]) -> Result<()> {
    sqlx::query!("DELETE FROM adjusters WHERE instrument_id = ?", instrument)
        .execute(&mut *conn)
        .await?;
    for (ordinal, a) in (0_i64..).zip(adjusters) {
        let id = uuid::Uuid::now_v7();
        sqlx::query!(
            "INSERT INTO adjusters (id, instrument_id, ordinal, label, element, clock_deg, pitch_mm, lever_mm, kind, head)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            id, instrument, ordinal, a.label, a.element, a.clock_deg, a.pitch_mm, a.lever_mm, a.kind, a.head
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}
