//! Things and sets of the demo club: `seed-data/things.toml`.

use serde::Deserialize;

use super::{Error, Result};
use library::instruments::Status;
use library::lending::{Lend, LendDetails};
use library::sets::Set;
use library::things::{self, Kind, Particulars, Thing};
use library::{Conn, InstrumentId, Moment, PersonId, waits};

/// `things.toml`.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Things {
    /// Things.
    #[serde(default, rename = "thing")]
    pub things: Vec<Listed>,
    /// Sets.
    #[serde(default, rename = "set")]
    pub sets: Vec<ListedSet>,
}

/// One thing.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listed {
    /// Tag.
    pub tag: String,
    /// Kind.
    pub kind: Kind,
    /// What it is.
    pub name: String,
    /// Where it lives.
    pub place: String,
    /// Whole units of the currency.
    pub value: i64,
    /// Notes.
    #[serde(default)]
    pub notes: String,
    /// Days ago.
    pub added: i64,
    /// Missing since so many days.
    pub missing: Option<i64>,
    /// Its open loan.
    pub lent: Option<Lent>,
    /// Who waits for it.
    pub waits: Option<Waits>,
}

/// A place on its waiting list.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Waits {
    /// Who.
    pub person: String,
    /// Days ago.
    pub ago: i64,
    /// In their words.
    #[serde(default)]
    pub note: String,
}

/// An open loan.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lent {
    /// To whom.
    pub to: String,
    /// Days ago.
    pub ago: i64,
    /// Due in so many days.
    pub due_in: i64,
}

/// One set.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListedSet {
    /// Name.
    pub name: String,
    /// Note.
    #[serde(default)]
    pub note: String,
    /// Tags.
    pub members: Vec<String>,
}

/// Says which thing or set an error is about.
fn place(what: &str, source: library::Error) -> Error {
    Error::Library {
        at: format!("seed-data/things.toml: {what}"),
        source,
    }
}

/// Writes them. `noon` is the noon of so many days ago, `person` finds a handle.
pub async fn write(
    conn: &mut Conn,
    listed: &Things,
    keeper: PersonId,
    noon: impl Fn(i64) -> Moment,
    person: impl Fn(&str) -> Result<PersonId>,
) -> Result<()> {
    for one in &listed.things {
        let particulars = Particulars {
            tag: one.tag.clone(),
            kind: one.kind,
            name: one.name.clone(),
            place: one.place.clone(),
            replacement_value_cents: Some(one.value * 100),
            notes: one.notes.clone(),
        };
        let wrong = |source| place(&one.tag, source);
        let id = Thing::add(conn, &particulars, noon(one.added), keeper)
            .await
            .map_err(wrong)?;
        if let Some(lent) = &one.lent {
            let borrower = person(&lent.to)?;
            self::lend(conn, id, borrower, keeper, noon(lent.ago), lent, &noon)
                .await
                .map_err(wrong)?;
        }
        if let Some(asked) = &one.waits {
            let who = person(&asked.person)?;
            waits::ask(conn, id, who, None, &asked.note, noon(asked.ago))
                .await
                .map_err(wrong)?;
        }
        if let Some(ago) = one.missing {
            let reason = "Not in its case after the open evening.";
            things::set_status(conn, id, Status::Missing, reason, noon(ago), keeper)
                .await
                .map_err(wrong)?;
        }
    }
    for set in &listed.sets {
        let wrong = |source| place(&set.name, source);
        let mut members = Vec::with_capacity(set.members.len());
        for tag in &set.members {
            members.push(Thing::by_tag(conn, tag).await.map_err(wrong)?.id);
        }
        Set::add(conn, &set.name, &set.note, &members)
            .await
            .map_err(wrong)?;
    }
    Ok(())
}

async fn lend(
    conn: &mut Conn,
    instrument: InstrumentId,
    borrower: PersonId,
    by: PersonId,
    at: Moment,
    lent: &Lent,
    noon: impl Fn(i64) -> Moment,
) -> library::Result<()> {
    Lend {
        instrument,
        borrower,
        at,
        by,
        due_on: noon(-lent.due_in).date_naive(),
        limit_stated: String::new(),
        kit: Vec::new(),
        override_reason: None,
        details: LendDetails::default(),
    }
    .write(conn)
    .await?;
    Ok(())
}
