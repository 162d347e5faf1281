//! Collimations: one time at the bench with one instrument. Steps are only ever
//! added, one that was undone by a record of its own; the bench wing plays them through to where the collimation session stands.

use serde::{Deserialize, Serialize};

use super::adjusters::{Adjuster, AdjusterKind, Element as Tilts};
use super::instruments::{Design, Instrument};
use super::{
    CollimationId, Conn, EntryId, Error, InstrumentId, Moment, PersonId, Result, from_json,
};
use bench::advice::Why;
use bench::plan::Work;
use bench::replay::Step;
use bench::response::Learnt;
use bench::screw::{Element, Mechanism, Screw};
use optics::prescription::{Layout, Numbers};

/// What a collimation session rests on, as it was when it began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SessionSetup {
    /// The optics' layout; none for what cannot be traced.
    pub layout: Option<Layout>,
    /// Numbers the prescription is made of.
    pub numbers: Numbers,
    /// Central obstruction by diameter.
    pub obstruction: f64,
    /// Whether a diagonal is in.
    pub diagonal: bool,
    /// Where a Newtonian's focuser stands on the tube, seen from in front,
    /// degrees clockwise from 12.
    #[serde(default = "usual_focuser_deg")]
    pub focuser_deg: f64,
    /// All screws of the register that tilt optics.
    pub screws: Vec<Screw>,
    /// RMS coma that counts as in line, waves.
    pub threshold_waves: f64,
}

/// At 3 o'clock, seen from in front.
pub fn usual_focuser_deg() -> f64 {
    90.0
}

/// One thing written down in a collimation session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "record")]
pub enum Record {
    /// A stage began.
    Stage {
        /// Which.
        work: Work,
    },
    /// The list of what comes before was gone through.
    Ready,
    /// A shade, a look or a go.
    Taken {
        /// It.
        taken: Step,
    },
    /// An earlier record was undone: it counts no more.
    Undone {
        /// Its place in the collimation session.
        ordinal: i64,
    },
}

/// A record with who and when.
#[derive(Debug, Clone)]
pub struct Written {
    /// Place in the collimation session, from 0.
    pub ordinal: i64,
    /// When.
    pub at: Moment,
    /// Who.
    pub by: String,
    /// What.
    pub record: Record,
    /// The star test of a look.
    pub entry_id: Option<EntryId>,
    /// When and by whom it was undone.
    pub struck: Option<(Moment, String)>,
}

/// How a collimation session ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Why; none when it was broken off.
    pub why: Option<Why>,
    /// RMS coma of the first look at a star and its 1-sigma, waves.
    pub before: Option<(f64, f64)>,
    /// RMS coma left and its 1-sigma, waves.
    pub after: Option<(f64, f64)>,
    /// How likely it is inside the threshold, 0 to 1.
    pub chance_within: Option<f64>,
    /// Goes at the screws.
    pub adjustments: usize,
    /// Looks at the star.
    pub looks: usize,
    /// Whether a better night is worth it.
    pub better_night: bool,
}

/// The end of a collimation session, as written down.
#[derive(Debug, Clone)]
pub struct Ended {
    /// When.
    pub at: Moment,
    /// By whom.
    pub by: String,
    /// What came of it.
    pub outcome: Outcome,
}

/// A collimation session.
#[derive(Debug, Clone)]
pub struct Collimation {
    /// Id.
    pub id: CollimationId,
    /// Of what.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// When it began.
    pub started_at: Moment,
    /// Who began it.
    pub started_by: String,
    /// What it rests on.
    pub setup: SessionSetup,
    /// Everything written down, in order, what was undone included.
    pub steps: Vec<Written>,
    /// Its end.
    pub ended: Option<Ended>,
}

/// The layout whose optics are traced for a design.
pub fn layout_of(design: Design) -> Option<Layout> {
    match design {
        Design::Newtonian => Some(Layout::Newtonian),
        Design::SchmidtCassegrain => Some(Layout::SchmidtCassegrain),
        Design::AplanaticSchmidtCassegrain => Some(Layout::AplanaticSchmidtCassegrain),
        Design::MaksutovCassegrain => Some(Layout::MaksutovCassegrain),
        Design::ClassicalCassegrain => Some(Layout::ClassicalCassegrain),
        Design::RitcheyChretien => Some(Layout::RitcheyChretien),
        Design::Achromat | Design::Apochromat => Some(Layout::Refractor),
        Design::Binocular | Design::Solar => None,
    }
}

/// A register's adjuster as the bench knows it; none for what tilts no optics.
pub fn screw_of(a: &Adjuster) -> Option<Screw> {
    let element = match a.element {
        Tilts::Primary => Element::Primary,
        Tilts::Secondary => Element::Secondary,
        Tilts::ObjectiveCell => Element::ObjectiveCell,
        Tilts::Focuser | Tilts::Prism => return None,
    };
    Some(Screw {
        label: a.label.clone(),
        element,
        clock_deg: a.clock_deg,
        pitch_mm: a.pitch_mm,
        lever_mm: a.lever_mm,
        mechanism: match a.kind {
            AdjusterKind::PullAgainstSpring => Mechanism::Spring,
            AdjusterKind::PushPullPair => Mechanism::PushPull,
            AdjusterKind::PullAroundPivot => Mechanism::Pivot,
        },
    })
}

fn json<T: Serialize>(of: &T) -> Result<String> {
    serde_json::to_string(of).map_err(|e| Error::Database(sqlx::Error::Encode(Box::new(e))))
}

/// Begins a collimation session with its first stage.
///
/// # Errors
/// Refused when one is open.
pub async fn begin(
    conn: &mut Conn,
    instrument: &Instrument,
    setup: &SessionSetup,
    first: Work,
    by: PersonId,
    at: Moment,
) -> Result<CollimationId> {
    if open(conn, instrument.id).await?.is_some() {
        return Err(Error::Refused(format!(
            "A collimation session with {} is open already; go on with that one.",
            instrument.tag
        )));
    }
    let id = CollimationId::fresh();
    let setup = json(setup)?;
    sqlx::query!(
        "INSERT INTO collimations (id, instrument_id, started_at, started_by, setup) VALUES (?, ?, ?, ?, ?)",
        id, instrument.id, at, by, setup
    )
    .execute(&mut *conn)
    .await?;
    write(conn, id, 0, &Record::Stage { work: first }, None, by, at).await?;
    Ok(id)
}

/// The open collimation session of an instrument, if there is one.
pub async fn open(conn: &mut Conn, instrument: InstrumentId) -> Result<Option<CollimationId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT s.id AS "id: CollimationId" FROM collimations s
           WHERE s.instrument_id = ? AND s.ended_at IS NULL"#,
        instrument
    )
    .fetch_optional(conn)
    .await?)
}

/// Refuses whoever has not seen how the collimation session stands.
///
/// # Errors
/// Refused when someone else has gone on with it meanwhile (`ordinal` is not the next
/// record's), or it has ended.
pub async fn still_at(conn: &mut Conn, collimation: CollimationId, ordinal: i64) -> Result<()> {
    let next = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n!: i64" FROM collimation_steps WHERE collimation_id = ?"#,
        collimation
    )
    .fetch_one(&mut *conn)
    .await?;
    let ended = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n!: i64" FROM collimations WHERE id = ? AND ended_at IS NOT NULL"#,
        collimation
    )
    .fetch_one(&mut *conn)
    .await?;
    if ended > 0 {
        return Err(Error::Refused(
            "This collimation session has ended; begin a new one.".to_owned(),
        ));
    }
    if next != ordinal {
        return Err(Error::Refused(
            "Someone has gone on with this collimation session meanwhile. Open it again to see where it stands."
                .to_owned(),
        ));
    }
    Ok(())
}

/// Writes the next record down.
///
/// # Errors
/// As [`still_at`].
pub async fn write(
    conn: &mut Conn,
    collimation: CollimationId,
    ordinal: i64,
    record: &Record,
    entry: Option<EntryId>,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    still_at(&mut *conn, collimation, ordinal).await?;
    let record = json(record)?;
    sqlx::query!(
        "INSERT INTO collimation_steps (collimation_id, ordinal, at, by, record, entry_id) VALUES (?, ?, ?, ?, ?, ?)",
        collimation, ordinal, at, by, record, entry
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Ends a collimation session.
pub async fn end(
    conn: &mut Conn,
    collimation: CollimationId,
    outcome: &Outcome,
    entry: Option<EntryId>,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let outcome = json(outcome)?;
    sqlx::query!(
        "UPDATE collimations SET ended_at = ?, ended_by = ?, outcome = ?, work_entry_id = ? WHERE id = ?",
        at, by, outcome, entry, collimation
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Keeps what a collimation session taught of an element's screws.
pub async fn keep_learnt(
    conn: &mut Conn,
    collimation: &Collimation,
    element: Element,
    screws: &[Screw],
    learnt: &Learnt,
    at: Moment,
) -> Result<()> {
    let id = uuid::Uuid::now_v7();
    let (element, screws, learnt) = (json(&element)?, json(&screws)?, json(learnt)?);
    sqlx::query!(
        "INSERT INTO learnt_responses (id, instrument_id, collimation_id, element, learnt_at, screws, response)
         VALUES (?, ?, ?, ?, ?, ?, ?)",
        id, collimation.instrument_id, collimation.id, element, at, screws, learnt
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// What is kept of an element's screws by collimation sessions that ended before this one
/// began, if the screws are still the same.
pub async fn learnt(
    conn: &mut Conn,
    instrument: InstrumentId,
    element: Element,
    screws: &[Screw],
    before: Moment,
) -> Result<Option<Learnt>> {
    let (element, screws) = (json(&element)?, json(&screws)?);
    let row = sqlx::query_scalar!(
        "SELECT response FROM learnt_responses
         WHERE instrument_id = ? AND element = ? AND screws = ? AND learnt_at <= ?
         ORDER BY learnt_at DESC, id DESC LIMIT 1",
        instrument,
        element,
        screws,
        before
    )
    .fetch_optional(conn)
    .await?;
    row.map(|text| from_json(&text)).transpose()
}

/// Marks what later records took back.
fn strike_out(steps: &mut [Written]) {
    let returned: Vec<(i64, Moment, String)> = steps
        .iter()
        .filter_map(|s| match s.record {
            Record::Undone { ordinal } => Some((ordinal, s.at, s.by.clone())),
            _ => None,
        })
        .collect();
    for (ordinal, at, by) in returned {
        if let Some(step) = steps.iter_mut().find(|s| s.ordinal == ordinal) {
            step.struck = Some((at, by));
        }
    }
}

impl Collimation {
    /// What counts of it: neither what was undone nor the undoing.
    pub fn current(&self) -> impl DoubleEndedIterator<Item = &Written> {
        self.steps
            .iter()
            .filter(|s| s.struck.is_none() && !matches!(s.record, Record::Undone { .. }))
    }

    /// The last thing that counts, if it can be undone: all but the beginning.
    pub fn last_noted(&self) -> Option<&Written> {
        self.current().next_back().filter(|s| s.ordinal > 0)
    }

    /// One collimation session with everything in it.
    pub async fn get(conn: &mut Conn, id: CollimationId) -> Result<Self> {
        let row = sqlx::query!(
            r#"SELECT s.instrument_id AS "instrument_id: InstrumentId", i.tag, s.started_at AS "started_at: Moment",
                      p.name AS started_by, s.setup
               FROM collimations s JOIN instruments i ON i.id = s.instrument_id JOIN people p ON p.id = s.started_by
               WHERE s.id = ?"#,
            id
        )
        .fetch_optional(&mut *conn)
        .await?
        .ok_or(Error::NotFound("collimation"))?;
        let steps = sqlx::query!(
            r#"SELECT t.ordinal, t.at AS "at: Moment", p.name AS by, t.record, t.entry_id AS "entry_id: EntryId"
               FROM collimation_steps t JOIN people p ON p.id = t.by WHERE t.collimation_id = ? ORDER BY t.ordinal"#,
            id
        )
        .fetch_all(&mut *conn)
        .await?;
        let ended = sqlx::query!(
            r#"SELECT s.ended_at AS "at!: Moment", p.name AS by, s.outcome AS "outcome!"
               FROM collimations s JOIN people p ON p.id = s.ended_by WHERE s.id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?;
        let mut steps: Vec<Written> = steps
            .into_iter()
            .map(|s| {
                Ok(Written {
                    ordinal: s.ordinal,
                    at: s.at,
                    by: s.by,
                    record: from_json(&s.record)?,
                    entry_id: s.entry_id,
                    struck: None,
                })
            })
            .collect::<Result<_>>()?;
        strike_out(&mut steps);
        Ok(Self {
            id,
            instrument_id: row.instrument_id,
            tag: row.tag,
            started_at: row.started_at,
            started_by: row.started_by,
            setup: from_json(&row.setup)?,
            steps,
            ended: ended
                .map(|e| {
                    Ok::<_, Error>(Ended {
                        at: e.at,
                        by: e.by,
                        outcome: from_json(&e.outcome)?,
                    })
                })
                .transpose()?,
        })
    }
}
