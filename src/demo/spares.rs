//! Spare parts (`seed-data/spares.toml`) and jobs (in `club.toml`) of the demo club.

use serde::Deserialize;

use super::{Error, Result};
use library::jobs::{self, Terms};
use library::spares::{self, Amount, Particulars};
use library::{Conn, EntryId, Moment, PersonId};

/// Spare parts of one kind.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listed {
    /// What they are.
    pub name: String,
    /// What they are counted in.
    pub unit: String,
    /// How many there were, in that unit.
    pub amount: f64,
    /// So many or fewer are low.
    pub low: Option<f64>,
    /// Days ago.
    pub ago: i64,
    /// Where they lie.
    pub place: String,
    /// What one costs, in the club's currency.
    pub value: Option<f64>,
}

/// A job.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListedJob {
    /// At which instrument.
    pub tag: String,
    /// The problem, by its key in that logbook.
    pub problem: String,
    /// Who does it; none: no one yet.
    pub person: Option<String>,
    /// Taken on so many days ago.
    pub ago: i64,
    /// By when, so many days to come.
    pub in_days: Option<i64>,
    /// A note.
    #[serde(default)]
    pub note: String,
}

fn place(what: &str, source: library::Error) -> Error {
    Error::Library {
        at: format!("seed-data/spares.toml: {what}"),
        source,
    }
}

/// Puts spare parts on the list. `noon` is the noon of so many days ago.
pub async fn write(
    conn: &mut Conn,
    listed: &[Listed],
    keeper: PersonId,
    noon: impl Fn(i64) -> Moment,
) -> Result<()> {
    for one in listed {
        let told = Particulars {
            name: one.name.clone(),
            unit: one.unit.clone(),
            low_at: one.low.map(Amount::of),
            place: one.place.clone(),
            value_cents: one.value.map(|value| (value * 1e4).round() / 100.0),
        };
        spares::add(conn, &told, Amount::of(one.amount), keeper, noon(one.ago))
            .await
            .map_err(|source| place(&one.name, source))?;
    }
    Ok(())
}

/// Takes them for a piece of work.
pub async fn used(
    conn: &mut Conn,
    used: &[(String, f64)],
    work: EntryId,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let all = spares::all(conn).await?;
    for (name, amount) in used {
        let spare = all.iter().find(|s| s.particulars.name == *name);
        let spare = spare.ok_or_else(|| Error::File {
            file: "spares.toml".to_owned(),
            why: format!("there is no {name}"),
        })?;
        let uses = [(spare.id, Amount::of(*amount))];
        spares::used(conn, &uses, work, by, at)
            .await
            .map_err(|source| place(name, source))?;
    }
    Ok(())
}

/// Gives a job to somebody, as of the day when they took it on.
pub async fn job(
    conn: &mut Conn,
    listed: &ListedJob,
    problem: EntryId,
    person: Option<PersonId>,
    by: PersonId,
    noon: impl Fn(i64) -> Moment,
) -> Result<()> {
    let at = noon(listed.ago);
    let terms = Terms {
        person,
        due_on: listed.in_days.map(|days| noon(-days).date_naive()),
        note: listed.note.clone(),
    };
    jobs::give(conn, problem, &terms, at.date_naive(), by, at).await?;
    Ok(())
}
