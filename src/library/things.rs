//! Things: all that can be lent and carries a tag. An instrument is one, with optics to
//! look after ([`super::instruments`]); mounts, eyepieces and the like are the others,
//! and have a kind in place of a design. Loans, reservations, renewals and counting go by
//! the thing, so that one rule serves both.

use super::entries::{EntryKind, NewEntry};
use super::instruments::{self, Design, Instrument, State, Status};
use super::people::all_stand_in;
use super::{Conn, Error, InstrumentId, LoanId, Moment, PersonId, Result, from_json};

words! {
    /// What kind of thing it is.
    pub enum Kind {
        /// With optics to look after.
        Instrument = "instrument", "instrument";
        /// What an instrument stands on and turns with.
        Mount = "mount", "mount";
        /// Three legs.
        Tripod = "tripod", "tripod";
        /// An eyepiece.
        Eyepiece = "eyepiece", "eyepiece";
        /// A filter.
        Filter = "filter", "filter";
        /// A finder.
        Finder = "finder", "finder";
        /// A camera.
        Camera = "camera", "camera";
        /// A battery or power supply.
        Battery = "battery", "battery";
        /// A case or bag.
        Case = "case", "case";
        /// A book or chart.
        Book = "book", "book";
        /// Anything else.
        Other = "other", "other thing";
    }
}

impl Kind {
    /// The kinds besides instruments.
    pub fn of_things() -> &'static [Self] {
        Self::ALL.split_first().map_or(&[], |(_, rest)| rest)
    }
}

/// What a rule goes by where one has no setting of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sort {
    /// Of an instrument: its design.
    Design(Design),
    /// Of any other thing: its kind.
    Kind(Kind),
}

impl Sort {
    /// Every one: designs, then kinds.
    pub fn all() -> impl Iterator<Item = Self> {
        let designs = Design::ALL.iter().map(|d| Self::Design(*d));
        designs.chain(Kind::of_things().iter().map(|k| Self::Kind(*k)))
    }

    /// The stored form; no design is called as a kind is.
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Design(design) => design.slug(),
            Self::Kind(kind) => kind.slug(),
        }
    }

    /// The word on pages.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Design(design) => design.label(),
            Self::Kind(kind) => kind.label(),
        }
    }
}

/// What is written of a thing that is no instrument.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Particulars {
    /// The club's short code.
    pub tag: String,
    /// What kind; never an instrument.
    pub kind: Kind,
    /// What it is.
    pub name: String,
    /// Where it lives.
    pub place: String,
    /// What a new one would cost, in hundredths of the club's currency.
    pub replacement_value_cents: Option<i64>,
    /// Anything else.
    pub notes: String,
}

/// Anything that can be lent.
#[derive(Debug, Clone)]
pub struct Thing {
    /// Id.
    pub id: InstrumentId,
    /// The club's short code.
    pub tag: String,
    /// What kind.
    pub kind: Kind,
    /// The design of an instrument.
    pub design: Option<Design>,
    /// What it is.
    pub name: String,
    /// Where it lives.
    pub place: String,
    /// What a new one would cost, in hundredths of the club's currency.
    pub replacement_value_cents: Option<i64>,
    /// Anything else.
    pub notes: String,
    /// Where it is when not on loan.
    pub status: Status,
    /// Why, where that is not the shelf.
    pub status_reason: String,
    /// Counts edits; a form that edits an older version is refused.
    pub version: i64,
    /// The open loan, when it is out.
    pub open_loan: Option<LoanId>,
}

/// Which things a list shows.
#[derive(Debug, Clone, Default)]
pub struct Which<'a> {
    /// Of this kind only.
    pub kind: Option<&'a str>,
    /// Only those that are there.
    pub state: Option<State>,
    /// Retired ones too.
    pub retired: bool,
    /// Only what somebody waits for.
    pub waited_for: bool,
    /// Words that must each stand in tag, name, kind or place, as [`plain`](super::people::plain) has them.
    pub words: Vec<String>,
}

/// The rows of the things in which each of the words stands, as JSON.
async fn of_words(conn: &mut Conn, words: &[String]) -> Result<String> {
    let all = sqlx::query_scalar!(
        r#"SELECT json_group_array(json_array(rowid, kind, tag || ' ' || name || ' ' || place)) AS "all!: String"
           FROM instruments WHERE kind <> 'instrument'"#
    )
    .fetch_one(conn)
    .await?;
    let mut all: Vec<(i64, Kind, String)> = from_json(&all)?;
    all.retain(|(_, kind, text)| all_stand_in(words, &[text, kind.label()]));
    let rows: Vec<i64> = all.into_iter().map(|(row, _, _)| row).collect();
    Ok(serde_json::json!(rows).to_string())
}

/// So many are offered to tick at once.
const MOST_OFFERED: i64 = 60;

impl Thing {
    /// Where it is.
    pub fn state(&self) -> State {
        instruments::state_of(self.open_loan, self.status)
    }

    /// Its design or its kind.
    pub fn sort(&self) -> Sort {
        self.design.map_or(Sort::Kind(self.kind), Sort::Design)
    }

    /// Whether it is an instrument.
    pub fn is_instrument(&self) -> bool {
        self.kind == Kind::Instrument
    }

    /// What is written of it.
    pub fn particulars(&self) -> Particulars {
        Particulars {
            tag: self.tag.clone(),
            kind: self.kind,
            name: self.name.clone(),
            place: self.place.clone(),
            replacement_value_cents: self.replacement_value_cents,
            notes: self.notes.clone(),
        }
    }

    /// Adds a thing that is no instrument, and writes that down.
    ///
    /// # Errors
    /// Refused when the tag is taken.
    pub async fn add(
        conn: &mut Conn,
        p: &Particulars,
        at: Moment,
        by: PersonId,
    ) -> Result<InstrumentId> {
        instruments::refuse_taken_tag(conn, &p.tag, None).await?;
        let id = InstrumentId::fresh();
        sqlx::query!(
            "INSERT INTO instruments (id, tag, kind, name, replacement_value_cents, place, notes, status, added_at, added_by)
             VALUES (?, ?, ?, ?, ?, ?, ?, 'shelf', ?, ?)",
            id, p.tag, p.kind, p.name, p.replacement_value_cents, p.place, p.notes, at, by
        )
        .execute(&mut *conn)
        .await?;
        let note = format!("Added as {}: {}.", p.tag, p.name);
        log(conn, id, EntryKind::Register, note, at, by).await?;
        Ok(id)
    }

    /// Rewrites what is written of it, if nobody has since `version` was read; the
    /// logbook says what changed.
    ///
    /// # Errors
    /// Refused when somebody else has changed it meanwhile, or the tag is taken.
    pub async fn change(
        conn: &mut Conn,
        id: InstrumentId,
        version: i64,
        p: &Particulars,
        at: Moment,
        by: PersonId,
    ) -> Result<()> {
        instruments::refuse_taken_tag(conn, &p.tag, Some(id)).await?;
        let before = Self::get(conn, id).await?.particulars();
        let done = sqlx::query!(
            "UPDATE instruments SET tag = ?, kind = ?, name = ?, replacement_value_cents = ?, place = ?, notes = ?,
                version = version + 1
             WHERE id = ? AND version = ?",
            p.tag, p.kind, p.name, p.replacement_value_cents, p.place, p.notes, id, version
        )
        .execute(&mut *conn)
        .await?;
        super::one_row(&done, Error::Refused(
                "Someone else has changed this since you opened it. Look at what they wrote, then send yours again.".to_owned(),
            ))?;
        let said = changes(&before, p);
        if !said.is_empty() {
            let note = format!("Changed: {}.", said.join("; "));
            log(conn, id, EntryKind::Register, note, at, by).await?;
        }
        Ok(())
    }

    /// One thing by id.
    pub async fn get(conn: &mut Conn, id: InstrumentId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.kind AS "kind: Kind", i.design AS "design: Design", i.name,
                      i.place, i.replacement_value_cents, i.notes, i.status AS "status: Status", i.status_reason,
                      i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               WHERE i.id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("thing"))
    }

    /// One thing by its tag, whatever the case, or by one that it bore before.
    pub async fn by_tag(conn: &mut Conn, tag: &str) -> Result<Self> {
        let tag = tag.trim();
        let id = sqlx::query_scalar!(
            r#"SELECT id AS "id!: InstrumentId" FROM instruments WHERE tag = ?1
               UNION ALL SELECT instrument_id FROM former_tags WHERE tag = ?1"#,
            tag
        )
        .fetch_optional(&mut *conn)
        .await?
        .ok_or(Error::NotFound("thing"))?;
        Self::get(conn, id).await
    }

    /// How many things that are no instruments are as asked for, and those of one page of the
    /// list, by tag. A page past the last is the last.
    pub async fn page(
        conn: &mut Conn,
        which: &Which<'_>,
        page: i64,
        rows: i64,
    ) -> Result<(usize, Vec<Self>)> {
        let state = which.state.map(|state| match state {
            State::OnLoan => "on-loan",
            State::OnTheShelf => Status::Shelf.slug(),
            State::HeldForTheBench => Status::Held.slug(),
            State::AtTheBench => Status::Bench.slug(),
            State::Missing => Status::Missing.slug(),
            State::Retired => Status::Retired.slug(),
        });
        let rows_of_words = match which.words.is_empty() {
            true => None,
            false => Some(of_words(conn, &which.words).await?),
        };
        let count = sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n: i64" FROM instruments i
               WHERE i.kind <> 'instrument' AND (?1 IS NULL OR i.kind = ?1) AND (?3 OR i.status <> 'retired')
                 AND (?2 IS NULL OR ?2 = CASE WHEN EXISTS (SELECT 1 FROM loans l WHERE l.instrument_id = i.id
                     AND l.returned_at IS NULL) THEN 'on-loan' ELSE i.status END)
                 AND (NOT ?4 OR EXISTS (SELECT 1 FROM waits w WHERE w.instrument_id = i.id AND w.closed_at IS NULL))
                 AND (?5 IS NULL OR i.rowid IN (SELECT value FROM json_each(?5)))"#,
            which.kind,
            state,
            which.retired,
            which.waited_for,
            rows_of_words
        )
        .fetch_one(&mut *conn)
        .await?;
        let skip = (page - 1).min((count - 1) / rows).max(0) * rows;
        let things = sqlx::query_as!(
            Self,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.kind AS "kind: Kind", i.design AS "design: Design", i.name,
                      i.place, i.replacement_value_cents, i.notes, i.status AS "status: Status", i.status_reason,
                      i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               WHERE i.kind <> 'instrument' AND (?1 IS NULL OR i.kind = ?1) AND (?3 OR i.status <> 'retired')
                 AND (?2 IS NULL OR ?2 = CASE WHEN l.id IS NOT NULL THEN 'on-loan' ELSE i.status END)
                 AND (NOT ?4 OR EXISTS (SELECT 1 FROM waits w WHERE w.instrument_id = i.id AND w.closed_at IS NULL))
                 AND (?5 IS NULL OR i.rowid IN (SELECT value FROM json_each(?5)))
               ORDER BY i.tag LIMIT ?6 OFFSET ?7"#,
            which.kind,
            state,
            which.retired,
            which.waited_for,
            rows_of_words,
            rows,
            skip
        )
        .fetch_all(conn)
        .await?;
        Ok((usize::try_from(count).unwrap_or_default(), things))
    }

    /// What bears these tags, as typed with commas or spaces between them; and those that nothing
    /// bears.
    pub async fn typed(conn: &mut Conn, tags: &str) -> Result<(Vec<Self>, Vec<String>)> {
        let (mut found, mut unknown): (Vec<Self>, Vec<String>) = Default::default();
        for tag in tags
            .split([',', ';', ' ', '\n'])
            .map(str::trim)
            .filter(|tag| !tag.is_empty())
        {
            match Self::by_tag(conn, tag).await {
                Ok(thing) if found.iter().any(|known| known.id == thing.id) => {}
                Ok(thing) => found.push(thing),
                Err(Error::NotFound(_)) => unknown.push(tag.to_owned()),
                Err(error) => return Err(error),
            }
        }
        Ok((found, unknown))
    }

    /// Instruments, or things that are none, to tick some of: the first by tag, with whatever is
    /// ticked already; and whether there are more, whose tags can be typed.
    pub async fn offered(
        conn: &mut Conn,
        instruments: bool,
        on_the_shelf: bool,
        ticked: &[String],
    ) -> Result<(Vec<Self>, bool)> {
        let ticked = serde_json::to_string(ticked).unwrap_or_default();
        let most = MOST_OFFERED + 1;
        let mut found = sqlx::query_as!(
            Self,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.kind AS "kind: Kind", i.design AS "design: Design", i.name,
                      i.place, i.replacement_value_cents, i.notes, i.status AS "status: Status", i.status_reason,
                      i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               WHERE (i.kind = 'instrument') = ?1 AND i.status <> 'retired'
                 AND (NOT ?2 OR (i.status = 'shelf' AND l.id IS NULL))
                 AND i.tag NOT IN (SELECT t.value COLLATE NOCASE FROM json_each(?3) t)
               ORDER BY i.tag LIMIT ?4"#,
            instruments,
            on_the_shelf,
            ticked,
            most
        )
        .fetch_all(&mut *conn)
        .await?;
        let more = found.len() as i64 == most;
        found.truncate(MOST_OFFERED as usize);
        let ticked = sqlx::query_scalar!(
            r#"SELECT i.id AS "id: InstrumentId" FROM json_each(?2) t JOIN instruments i ON i.tag = t.value COLLATE NOCASE
               WHERE (i.kind = 'instrument') = ?1"#,
            instruments,
            ticked
        )
        .fetch_all(&mut *conn)
        .await?;
        for id in ticked {
            found.push(Self::get(conn, id).await?);
        }
        found.sort_by(|a, b| a.tag.cmp(&b.tag));
        Ok((found, more))
    }

    /// All of them, instruments too, by tag; retired ones last.
    pub async fn all(conn: &mut Conn) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT i.id AS "id: InstrumentId", i.tag, i.kind AS "kind: Kind", i.design AS "design: Design", i.name,
                      i.place, i.replacement_value_cents, i.notes, i.status AS "status: Status", i.status_reason,
                      i.version, l.id AS "open_loan?: LoanId"
               FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
               ORDER BY i.status = 'retired', i.tag"#
        )
        .fetch_all(conn)
        .await?)
    }
}

/// Says that a thing is missing, that it is found, or that it is retired or no longer so;
/// the logbook has it with the reason.
///
/// # Errors
/// Refused while it is out on loan, and where it is so already.
pub async fn set_status(
    conn: &mut Conn,
    id: InstrumentId,
    to: Status,
    reason: &str,
    at: Moment,
    by: PersonId,
) -> Result<()> {
    let thing = Thing::get(conn, id).await?;
    let tag = &thing.tag;
    if thing.status == to {
        return Err(Error::Refused(format!("{tag} is {to} already.")));
    }
    if thing.open_loan.is_some() {
        return Err(Error::Refused(format!(
            "{tag} is out on loan. Return it first."
        )));
    }
    Instrument::set_status(conn, id, to, reason).await?;
    let words = match to {
        Status::Shelf => "On the shelf again",
        Status::Missing => "Missing",
        Status::Retired => "Retired",
        Status::Held => "Held for the bench",
        Status::Bench => "At the bench",
    };
    let note = match reason {
        "" => format!("{words}."),
        reason => format!("{words}: {reason}"),
    };
    log(conn, id, EntryKind::Status, note, at, by).await
}

async fn log(
    conn: &mut Conn,
    instrument: InstrumentId,
    kind: EntryKind,
    note: String,
    at: Moment,
    by: PersonId,
) -> Result<()> {
    NewEntry {
        instrument,
        kind,
        happened_at: at,
        recorded_at: at,
        by,
        loan: None,
        note,
    }
    .write(conn)
    .await?;
    Ok(())
}

/// What differs, in words for the logbook; money and notes are not quoted.
fn changes(old: &Particulars, new: &Particulars) -> Vec<String> {
    let or_none = |text: &str| if text.is_empty() { "none" } else { text }.to_owned();
    let mut said = Vec::new();
    for (label, was, is) in [
        ("tag", old.tag.as_str(), new.tag.as_str()),
        ("kind", old.kind.label(), new.kind.label()),
        ("name", &old.name, &new.name),
        ("place", &old.place, &new.place),
    ] {
        if was != is {
            said.push(format!("{label}: {} to {}", or_none(was), or_none(is)));
        }
    }
    if old.replacement_value_cents != new.replacement_value_cents {
        said.push("replacement value changed".to_owned());
    }
    if old.notes != new.notes {
        said.push("notes changed".to_owned());
    }
    said
}
