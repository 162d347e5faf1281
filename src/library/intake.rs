//! Lists that a club brings: held while they are looked over, kept all at once, and
//! undone as one while nothing rests on what they brought.
//!
//! What is kept goes in as whole sets, so that thousands of rows take a moment and the
//! one writer is not held.

use serde::Serialize;

use super::adjusters::Adjuster;
use super::instruments::{Design, Particulars, Status};
use super::journeys::Journey;
use super::loan_periods::{self, LoanPeriod};
use super::people::{Role, sorted_as};
use super::star_tests::StarTest;
use super::things::{self, Kind, Sort};
use super::{
    Conn, EntryId, Error, ImportId, InstrumentId, KitPartId, LoanId, Moment, PersonId, Result,
};

/// What is there before anything is brought: all that tells what is new.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Known {
    /// Everyone, those who left too.
    pub people: Vec<KnownPerson>,
    /// Every instrument, and everything that goes with them.
    pub things: Vec<KnownThing>,
    /// Tags that they had before.
    pub former_tags: Vec<(String, InstrumentId)>,
    /// Lengths of loans that differ from the club's own.
    pub periods: Vec<LoanPeriod>,
    /// Every loan.
    pub loans: Vec<KnownLoan>,
    /// Every journey that stands.
    pub journeys: Vec<(InstrumentId, Moment, Journey)>,
    /// Every star test that stands: whose, when, its coma.
    pub star_tests: Vec<(InstrumentId, Moment, f64)>,
}

/// One person.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownPerson {
    /// Id.
    pub id: PersonId,
    /// Name.
    pub name: String,
    /// Address.
    pub email: Option<String>,
    /// Whether they have left.
    pub left: bool,
}

/// One instrument or thing.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownThing {
    /// Id.
    pub id: InstrumentId,
    /// Tag.
    pub tag: String,
    /// Its design or kind.
    pub sort: Sort,
    /// Of an instrument: clear aperture, mm, and obstruction by diameter.
    pub optics: Option<(f64, f64)>,
    /// Status.
    pub status: Status,
    /// The parts of its kit as they are now.
    pub kit: Vec<(KitPartId, String)>,
}

/// One loan.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownLoan {
    /// What.
    pub instrument: InstrumentId,
    /// To whom.
    pub borrower: PersonId,
    /// When it went out.
    pub lent_at: Moment,
    /// When it came back.
    pub returned_at: Option<Moment>,
}

impl Known {
    /// Reads all of it.
    pub async fn read(conn: &mut Conn) -> Result<Self> {
        let people = sqlx::query_as!(
            KnownPerson,
            r#"SELECT id AS "id: PersonId", name, email, left_at IS NOT NULL AS "left!: bool"
               FROM people ORDER BY id"#
        )
        .fetch_all(&mut *conn)
        .await?;
        let rows = sqlx::query!(
            r#"SELECT id AS "id: InstrumentId", tag, kind AS "kind: Kind", design AS "design: Design", aperture_mm,
                      obstruction, status AS "status: Status"
               FROM instruments ORDER BY id"#
        )
        .fetch_all(&mut *conn)
        .await?;
        let mut things: Vec<KnownThing> = rows
            .into_iter()
            .map(|r| KnownThing {
                id: r.id,
                tag: r.tag,
                sort: r.design.map_or(Sort::Kind(r.kind), Sort::Design),
                optics: r.aperture_mm.zip(r.obstruction),
                status: r.status,
                kit: Vec::new(),
            })
            .collect();
        let parts = sqlx::query!(
            r#"SELECT id AS "id: KitPartId", instrument_id AS "instrument_id: InstrumentId", name
               FROM kit_parts WHERE removed_at IS NULL ORDER BY instrument_id, ordinal"#
        )
        .fetch_all(&mut *conn)
        .await?;
        for part in parts {
            if let Ok(at) = things.binary_search_by_key(&part.instrument_id, |t| t.id) {
                things[at].kit.push((part.id, part.name));
            }
        }
        let former = sqlx::query!(
            r#"SELECT tag, instrument_id AS "instrument_id: InstrumentId" FROM former_tags ORDER BY tag"#
        )
        .fetch_all(&mut *conn)
        .await?;
        let loans = sqlx::query_as!(
            KnownLoan,
            r#"SELECT instrument_id AS "instrument: InstrumentId", borrower_id AS "borrower: PersonId",
                      lent_at AS "lent_at: Moment", returned_at AS "returned_at: Moment"
               FROM loans ORDER BY id"#
        )
        .fetch_all(&mut *conn)
        .await?;
        let periods = loan_periods::all(conn).await?;
        let journeys = super::journeys::current(conn, None).await?;
        let tests = sqlx::query!(
            r#"SELECT e.instrument_id AS "instrument: InstrumentId", e.happened_at AS "at: Moment", t.coma_rms_waves
               FROM current_entries e JOIN star_tests t ON t.entry_id = e.id ORDER BY e.id"#
        )
        .fetch_all(conn)
        .await?;
        Ok(Self {
            people,
            things,
            former_tags: former
                .into_iter()
                .map(|r| (r.tag, r.instrument_id))
                .collect(),
            periods,
            loans,
            journeys: journeys
                .into_iter()
                .map(|j| (j.instrument_id, j.happened_at, j.journey))
                .collect(),
            star_tests: tests
                .into_iter()
                .map(|r| (r.instrument, r.at, r.coma_rms_waves))
                .collect(),
        })
    }
}

/// A person to be added.
#[derive(Debug, Clone)]
pub struct BroughtPerson {
    /// Id.
    pub id: PersonId,
    /// Name.
    pub name: String,
    /// Address.
    pub email: Option<String>,
    /// Role.
    pub role: Role,
    /// Whether they are a guest.
    pub guest: bool,
    /// Since when.
    pub joined_at: Moment,
    /// Until when, where they have left.
    pub left_at: Option<Moment>,
}

/// An instrument to be added.
#[derive(Debug, Clone)]
pub struct BroughtInstrument {
    /// Id.
    pub id: InstrumentId,
    /// What the register says.
    pub particulars: Particulars,
    /// Status.
    pub status: Status,
    /// Why, when it is not on the shelf.
    pub status_reason: String,
    /// Screws.
    pub adjusters: Vec<Adjuster>,
}

/// A thing to be added.
#[derive(Debug, Clone)]
pub struct BroughtThing {
    /// Id.
    pub id: InstrumentId,
    /// What is written of it.
    pub particulars: things::Particulars,
    /// Status.
    pub status: Status,
    /// Why, when it is not on the shelf.
    pub status_reason: String,
}

/// A part to be added to a kit.
#[derive(Debug, Clone)]
pub struct BroughtPart {
    /// Id.
    pub id: KitPartId,
    /// Whose kit.
    pub instrument: InstrumentId,
    /// Its place in the kit.
    pub ordinal: i64,
    /// What it is.
    pub name: String,
}

/// A loan to be added.
#[derive(Debug, Clone)]
pub struct BroughtLoan {
    /// Id.
    pub id: LoanId,
    /// What.
    pub instrument: InstrumentId,
    /// Whether that is an instrument, of which its borrower is told what it will not do.
    pub is_instrument: bool,
    /// To whom.
    pub borrower: PersonId,
    /// When it went out.
    pub lent_at: Moment,
    /// Until when.
    pub due_on: chrono::NaiveDate,
    /// When it came back.
    pub returned_at: Option<Moment>,
    /// Words for its entries.
    pub note: String,
    /// The parts that are out with it, of an open one.
    pub kit: Vec<KitPartId>,
}

/// A journey or a star test to be added.
#[derive(Debug, Clone)]
pub struct Brought<T> {
    /// Whose logbook.
    pub instrument: InstrumentId,
    /// When.
    pub happened_at: Moment,
    /// Words beside it.
    pub note: String,
    /// The details.
    pub details: T,
}

/// All that lists bring.
#[derive(Debug, Clone, Default)]
pub struct Batch {
    /// People.
    pub people: Vec<BroughtPerson>,
    /// Instruments.
    pub instruments: Vec<BroughtInstrument>,
    /// Things that go with them.
    pub things: Vec<BroughtThing>,
    /// Parts of kits.
    pub kit: Vec<BroughtPart>,
    /// Loans.
    pub loans: Vec<BroughtLoan>,
    /// Journeys.
    pub journeys: Vec<Brought<Journey>>,
    /// Star tests.
    pub star_tests: Vec<Brought<StarTest>>,
}

impl Batch {
    /// Whether it would add nothing.
    pub fn is_empty(&self) -> bool {
        self.people.is_empty()
            && self.instruments.is_empty()
            && self.things.is_empty()
            && self.kit.is_empty()
            && self.loans.is_empty()
            && self.journeys.is_empty()
            && self.star_tests.is_empty()
    }
}

#[derive(Serialize)]
struct EntryRow {
    id: String,
    instrument: String,
    kind: &'static str,
    happened_at: Moment,
    loan: Option<String>,
    note: String,
}

fn hex(id: uuid::Uuid) -> String {
    id.simple().to_string()
}

fn json<T: Serialize>(rows: &[T]) -> Result<String> {
    serde_json::to_string(rows).map_err(|e| Error::Database(sqlx::Error::Encode(e.into())))
}

/// Keeps a batch: all of it, in the transaction of the caller.
///
/// # Errors
/// When the database refuses a row; then the caller's transaction must be dropped.
pub async fn keep(
    conn: &mut Conn,
    batch: &Batch,
    names: &str,
    added: &str,
    by: PersonId,
    now: Moment,
) -> Result<ImportId> {
    let import = ImportId::fresh();
    sqlx::query!(
        "INSERT INTO imports (id, at, by, names, added) VALUES (?, ?, ?, ?, ?)",
        import,
        now,
        by,
        names,
        added
    )
    .execute(&mut *conn)
    .await?;
    let mut entries = Vec::new();
    keep_people(conn, &batch.people, import).await?;
    keep_register(conn, batch, import, by, now, &mut entries).await?;
    keep_kit(conn, &batch.kit, import).await?;
    keep_loans(conn, &batch.loans, import, by, &mut entries).await?;
    let journeys = log(&batch.journeys, "journey", &mut entries);
    let tests = log(&batch.star_tests, "star-test", &mut entries);
    keep_entries(conn, &entries, import, by, now).await?;
    let rows: Vec<_> = journeys
        .iter()
        .map(|(id, journey)| {
            serde_json::json!({ "id": hex(id.0), "kind": journey.kind.slug(),
                "km": journey.distance_km, "severity": journey.severity })
        })
        .collect();
    let rows = json(&rows)?;
    sqlx::query!(
        "INSERT INTO journeys (entry_id, kind, distance_km, severity)
         SELECT unhex(value ->> 'id'), value ->> 'kind', value ->> 'km', value ->> 'severity' FROM json_each(?)",
        rows
    )
    .execute(&mut *conn)
    .await?;
    for (id, test) in tests {
        test.write(conn, id).await?;
    }
    Ok(import)
}

fn log<'a, T>(
    brought: &'a [Brought<T>],
    kind: &'static str,
    entries: &mut Vec<EntryRow>,
) -> Vec<(EntryId, &'a T)> {
    let mut ids = Vec::with_capacity(brought.len());
    for one in brought {
        let id = EntryId::fresh();
        entries.push(EntryRow {
            id: hex(id.0),
            instrument: hex(one.instrument.0),
            kind,
            happened_at: one.happened_at,
            loan: None,
            note: one.note.clone(),
        });
        ids.push((id, &one.details));
    }
    ids
}

/// Notes which rows an import brought; `ids` is JSON: a list of hexadecimal ids.
async fn note_rows(conn: &mut Conn, import: ImportId, place: &str, ids: &[String]) -> Result<()> {
    let ids = json(ids)?;
    sqlx::query!(
        "INSERT INTO import_rows (row_id, place, import_id) SELECT unhex(value), ?, ? FROM json_each(?)",
        place,
        import,
        ids
    )
    .execute(conn)
    .await?;
    Ok(())
}

async fn keep_people(conn: &mut Conn, people: &[BroughtPerson], import: ImportId) -> Result<()> {
    let rows: Vec<_> = people
        .iter()
        .map(|p| {
            serde_json::json!({ "id": hex(p.id.0), "name": p.name, "email": p.email,
                "role": p.role.slug(), "guest": i64::from(p.guest),
                "sorted_as": sorted_as(&p.name), "joined": p.joined_at, "left": p.left_at })
        })
        .collect();
    let rows = json(&rows)?;
    sqlx::query!(
        "INSERT INTO people (id, name, email, role, guest, sorted_as, joined_at, left_at)
         SELECT unhex(value ->> 'id'), value ->> 'name', value ->> 'email', value ->> 'role', value ->> 'guest',
                value ->> 'sorted_as', value ->> 'joined', value ->> 'left' FROM json_each(?)",
        rows
    )
    .execute(&mut *conn)
    .await?;
    let ids: Vec<_> = people.iter().map(|p| hex(p.id.0)).collect();
    note_rows(conn, import, "people", &ids).await
}

async fn keep_register(
    conn: &mut Conn,
    batch: &Batch,
    import: ImportId,
    by: PersonId,
    now: Moment,
    entries: &mut Vec<EntryRow>,
) -> Result<()> {
    let mut screws = Vec::new();
    let mut rows = Vec::new();
    let mut entry = |id: &str, tag: &str, name: &str| {
        entries.push(EntryRow {
            id: hex(EntryId::fresh().0),
            instrument: id.to_owned(),
            kind: "register",
            happened_at: now,
            loan: None,
            note: format!("Brought into the register from a list as {tag}: {name}."),
        });
    };
    for brought in &batch.instruments {
        let p = &brought.particulars;
        let id = hex(brought.id.0);
        rows.push(serde_json::json!({
            "id": id, "tag": p.tag, "kind": Kind::Instrument.slug(), "name": p.name, "design": p.design.slug(),
            "aperture": p.aperture_mm, "focal": p.focal_mm, "obstruction": p.obstruction,
            "vanes": p.vane_count, "weight": p.weight_kg, "cool": p.cool_down_min,
            "diagonal": i64::from(p.uses_diagonal), "value": p.replacement_value_cents,
            "place": p.place, "notes": p.notes, "status": brought.status.slug(),
            "reason": brought.status_reason,
        }));
        for (ordinal, a) in brought.adjusters.iter().enumerate() {
            screws.push(serde_json::json!({
                "id": hex(uuid::Uuid::now_v7()), "instrument": id, "ordinal": ordinal, "label": a.label,
                "element": a.element.slug(), "clock": a.clock_deg, "pitch": a.pitch_mm,
                "lever": a.lever_mm, "kind": a.kind.slug(), "head": a.head.slug(),
            }));
        }
        entry(&id, &p.tag, &p.name);
    }
    for brought in &batch.things {
        let p = &brought.particulars;
        let id = hex(brought.id.0);
        rows.push(serde_json::json!({
            "id": id, "tag": p.tag, "kind": p.kind.slug(), "name": p.name, "vanes": 0,
            "value": p.replacement_value_cents, "place": p.place, "notes": p.notes,
            "status": brought.status.slug(), "reason": brought.status_reason,
        }));
        entry(&id, &p.tag, &p.name);
    }
    let ids: Vec<String> = rows
        .iter()
        .filter_map(|r| r["id"].as_str().map(str::to_owned))
        .collect();
    let screw_ids: Vec<String> = screws
        .iter()
        .filter_map(|s| s["id"].as_str().map(str::to_owned))
        .collect();
    let (rows, screws) = (json(&rows)?, json(&screws)?);
    sqlx::query!(
        "INSERT INTO instruments (id, tag, kind, name, design, aperture_mm, focal_mm, obstruction, vane_count, weight_kg,
            cool_down_min, uses_diagonal, replacement_value_cents, place, notes, status, status_reason, added_at, added_by)
         SELECT unhex(value ->> 'id'), value ->> 'tag', value ->> 'kind', value ->> 'name', value ->> 'design',
            value ->> 'aperture', value ->> 'focal', value ->> 'obstruction', value ->> 'vanes', value ->> 'weight', value ->> 'cool',
            value ->> 'diagonal', value ->> 'value', value ->> 'place', value ->> 'notes', value ->> 'status',
            value ->> 'reason', ?, ? FROM json_each(?)",
        now,
        by,
        rows
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "INSERT INTO adjusters (id, instrument_id, ordinal, label, element, clock_deg, pitch_mm, lever_mm, kind, head)
         SELECT unhex(value ->> 'id'), unhex(value ->> 'instrument'), value ->> 'ordinal', value ->> 'label',
            value ->> 'element', value ->> 'clock', value ->> 'pitch', value ->> 'lever', value ->> 'kind',
            value ->> 'head' FROM json_each(?)",
        screws
    )
    .execute(&mut *conn)
    .await?;
    note_rows(conn, import, "instruments", &ids).await?;
    note_rows(conn, import, "adjusters", &screw_ids).await
}

async fn keep_kit(conn: &mut Conn, parts: &[BroughtPart], import: ImportId) -> Result<()> {
    let rows: Vec<_> = parts
        .iter()
        .map(|p| {
            serde_json::json!({ "id": hex(p.id.0), "instrument": hex(p.instrument.0), "ordinal": p.ordinal, "name": p.name })
        })
        .collect();
    let rows = json(&rows)?;
    sqlx::query!(
        "INSERT INTO kit_parts (id, instrument_id, ordinal, name)
         SELECT unhex(value ->> 'id'), unhex(value ->> 'instrument'), value ->> 'ordinal', value ->> 'name' FROM json_each(?)",
        rows
    )
    .execute(&mut *conn)
    .await?;
    let ids: Vec<_> = parts.iter().map(|p| hex(p.id.0)).collect();
    note_rows(conn, import, "kit_parts", &ids).await
}

async fn keep_loans(
    conn: &mut Conn,
    loans: &[BroughtLoan],
    import: ImportId,
    by: PersonId,
    entries: &mut Vec<EntryRow>,
) -> Result<()> {
    const NOT_TOLD: &str = "Not known: this loan was brought from a list.";
    let mut rows = Vec::new();
    let mut kit = Vec::new();
    for loan in loans {
        let (id, instrument) = (hex(loan.id.0), hex(loan.instrument.0));
        rows.push(serde_json::json!({
            "id": id, "instrument": instrument, "borrower": hex(loan.borrower.0), "lent": loan.lent_at,
            "due": loan.due_on, "returned": loan.returned_at, "told": if loan.is_instrument { NOT_TOLD } else { "" },
        }));
        for part in &loan.kit {
            kit.push(serde_json::json!({ "loan": id, "part": hex(part.0) }));
        }
        let mut entry = |kind, happened_at, words: String| {
            entries.push(EntryRow {
                id: hex(EntryId::fresh().0),
                instrument: instrument.clone(),
                kind,
                happened_at,
                loan: Some(id.clone()),
                note: words,
            });
        };
        let words = format!("Until {}. {}", super::day(loan.due_on), loan.note);
        entry("lend", loan.lent_at, words.trim().to_owned());
        if let Some(back) = loan.returned_at {
            entry("return", back, loan.note.clone());
        }
    }
    let ids: Vec<_> = loans.iter().map(|l| hex(l.id.0)).collect();
    let (rows, kit) = (json(&rows)?, json(&kit)?);
    sqlx::query!(
        "INSERT INTO loans (id, instrument_id, borrower_id, lent_at, lent_by, due_on, limit_stated, returned_at, returned_to)
         SELECT unhex(value ->> 'id'), unhex(value ->> 'instrument'), unhex(value ->> 'borrower'), value ->> 'lent', ?1,
            value ->> 'due', value ->> 'told', value ->> 'returned', iif(value ->> 'returned' IS NULL, NULL, ?1)
         FROM json_each(?2)",
        by,
        rows
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "INSERT INTO loan_kit (loan_id, kit_part_id, went_out)
         SELECT unhex(value ->> 'loan'), unhex(value ->> 'part'), 1 FROM json_each(?)",
        kit
    )
    .execute(&mut *conn)
    .await?;
    note_rows(conn, import, "loans", &ids).await
}

async fn keep_entries(
    conn: &mut Conn,
    entries: &[EntryRow],
    import: ImportId,
    by: PersonId,
    now: Moment,
) -> Result<()> {
    let rows = json(entries)?;
    sqlx::query!(
        "INSERT INTO entries (id, instrument_id, kind, happened_at, recorded_at, recorded_by, loan_id, note)
         SELECT unhex(value ->> 'id'), unhex(value ->> 'instrument'), value ->> 'kind', value ->> 'happened_at', ?, ?,
            unhex(value ->> 'loan'), value ->> 'note' FROM json_each(?)",
        now,
        by,
        rows
    )
    .execute(&mut *conn)
    .await?;
    let ids: Vec<_> = entries.iter().map(|e| e.id.clone()).collect();
    note_rows(conn, import, "entries", &ids).await
}
