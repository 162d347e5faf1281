//! Writes the demo club through the nouns of the library, in the order in
//! which everything happened.

mod jobs;
mod lines;

use std::collections::HashMap;

use super::files::{self, Seed};
use super::frames::Measured;
use super::pictures::Drawing;
use super::story::{Story, Told};
use super::{Error, Result, collimations, things};
use library::adjusters;
use library::club::Club;
use library::entries::{EntryKind, NewEntry};
use library::instruments::{Instrument, Particulars};
use library::limits::{self, Whose};
use library::people::{self, NewPerson, Person};
use library::reservations::NewReservation;
use library::work_nights::NewWorkNight;
use library::{
    Conn, EntryId, InstrumentId, KitPartId, LoanId, Moment, PersonId, kit, photos, waits,
    work_nights,
};

/// What the frames of each line say, by instrument and line.
pub type AllMeasured = HashMap<(usize, usize), Measured>;

struct Writer<'a> {
    seed: &'a Seed,
    story: &'a Story,
    measured: &'a AllMeasured,
    drawings: &'a [Option<Drawing>],
    people: HashMap<&'a str, PersonId>,
    instruments: Vec<Known>,
}

/// An instrument in the library and what the story has come to.
struct Known {
    id: InstrumentId,
    kit: Vec<(String, KitPartId)>,
    open_loan: Option<LoanId>,
    last_coma: Option<f64>,
    keys: HashMap<String, (EntryId, Moment)>,
}

/// Writes everything.
pub async fn club(
    conn: &mut Conn,
    seed: &Seed,
    story: &Story,
    hashes: &[Option<String>],
    measured: &AllMeasured,
    drawings: &[Option<Drawing>],
) -> Result<()> {
    let mut writer = Writer {
        seed,
        story,
        measured,
        drawings,
        people: HashMap::new(),
        instruments: Vec::new(),
    };
    writer.settings(conn).await?;
    writer.people(conn, hashes).await?;
    writer.register(conn).await?;
    writer.waits_asked(conn).await?;
    writer.spares(conn).await?;
    let mut sat: Vec<(Moment, &files::Collimation)> = Vec::new();
    for told in &seed.collimations {
        sat.push((collimations::begins(told, story)?, told));
    }
    sat.sort_by_key(|(at, _)| *at);
    let mut sat = sat.into_iter().peekable();
    for told in &story.told {
        while let Some((at, of)) = sat.next_if(|(at, _)| *at < told.happened_at) {
            writer.collimation(conn, of, at).await?;
        }
        writer
            .line(conn, told)
            .await
            .map_err(|e| place(seed, told, e))?;
    }
    for (at, of) in sat {
        writer.collimation(conn, of, at).await?;
    }
    writer.jobs(conn).await?;
    writer.things(conn).await?;
    writer.limits(conn).await?;
    writer.work_nights(conn).await?;
    writer.reservations(conn).await?;
    writer.people_who_left(conn).await
}

/// Says which line of which file an error is about.
fn place(seed: &Seed, told: &Told, error: Error) -> Error {
    let file = format!("logbooks/{}.toml", seed.instruments[told.instrument].0.tag);
    let line = format!("line {} ({} days ago)", told.index + 1, told.line.ago);
    match error {
        Error::Library { source, .. } => Error::Library {
            at: format!("seed-data/{file}: {line}"),
            source,
        },
        Error::File { why, .. } => Error::File {
            file,
            why: format!("{line}: {why}"),
        },
        other => other,
    }
}

/// A fault of the file in hand; the caller names the file and the line.
fn wrong(why: impl Into<String>) -> Error {
    Error::File {
        file: "club.toml".to_owned(),
        why: why.into(),
    }
}

/// A field that a line of this kind needs.
fn need<T: Clone>(field: &Option<T>, name: &str) -> Result<T> {
    field
        .clone()
        .ok_or_else(|| wrong(format!("`{name}` is missing")))
}

impl<'a> Writer<'a> {
    fn person(&self, handle: &str) -> Result<PersonId> {
        self.people
            .get(handle)
            .copied()
            .ok_or_else(|| wrong(format!("nobody is called {handle}")))
    }

    fn instrument(&self, tag: &str) -> Result<InstrumentId> {
        let found = self.seed.instruments.iter().position(|(i, _)| i.tag == tag);
        found
            .map(|n| self.instruments[n].id)
            .ok_or_else(|| wrong(format!("no instrument is tagged {tag}")))
    }

    async fn settings(&self, conn: &mut Conn) -> Result<()> {
        let c = &self.seed.club;
        Club {
            name: c.name.clone(),
            zone: c.zone.clone(),
            units: c.units,
            paper: c.paper,
            currency: c.currency.clone(),
            public_address: None,
            contact: c.contact.clone(),
            loan_days: c.loan_days,
            loans_per_person: c.loans_per_person,
            renewals: c.renewals,
            renew_late_days: c.renew_late_days,
            fetch_days: c.fetch_days,
            second_factor_required: false,
            second_look: None,
            demo: true,
        }
        .save(conn)
        .await?;
        Ok(())
    }

    async fn people(&mut self, conn: &mut Conn, hashes: &[Option<String>]) -> Result<()> {
        for (person, hash) in self.seed.people.iter().zip(hashes) {
            let new = NewPerson {
                name: person.name.clone(),
                email: person.email(),
                role: person.role,
                guest: false,
            }
            .check()
            .map_err(|(field, mend)| Error::File {
                file: "people.toml".to_owned(),
                why: format!("{}: {field}: {mend}", person.handle),
            })?;
            let id = Person::add(conn, &new, self.story.days.noon(person.joined)).await?;
            if let Some(hash) = hash {
                people::set_password_hash(conn, id, hash).await?;
            }
            self.people.insert(&person.handle, id);
        }
        Ok(())
    }

    async fn reservations(&self, conn: &mut Conn) -> Result<()> {
        for reserved in &self.seed.club.reservations {
            let person = match &reserved.person {
                Some(handle) => Some(self.person(handle)?),
                None => None,
            };
            NewReservation {
                instrument: self.instrument(&reserved.tag)?,
                from_on: self.story.days.date(-reserved.in_days),
                until_on: self.story.days.date(-reserved.until_days),
                person,
                event: reserved.event.clone(),
                by: self.person(&reserved.by)?,
                at: self.story.days.noon(1),
            }
            .write(conn, self.story.days.date(0))
            .await?;
        }
        Ok(())
    }

    /// Last, so that the loans of those who left came before.
    async fn people_who_left(&self, conn: &mut Conn) -> Result<()> {
        for person in &self.seed.people {
            if let Some(left) = person.left {
                let id = self.person(&person.handle)?;
                people::leave(conn, id, self.story.days.noon(left)).await?;
            }
        }
        Ok(())
    }

    async fn register(&mut self, conn: &mut Conn) -> Result<()> {
        let by = self.person(&self.keeper()?.handle)?;
        for ((listed, _), drawing) in self.seed.instruments.iter().zip(self.drawings) {
            let at = self.story.days.noon(listed.added);
            let particulars = Particulars {
                tag: listed.tag.clone(),
                name: listed.name.clone(),
                design: listed.design,
                aperture_mm: listed.aperture_mm,
                focal_mm: listed.focal_mm,
                obstruction: listed.obstruction,
                vane_count: listed.vanes,
                weight_kg: Some(listed.weight_kg),
                cool_down_min: Some(listed.cool_down_min),
                uses_diagonal: listed.diagonal,
                replacement_value_cents: Some(listed.value * 100),
                place: listed.place.clone(),
                notes: listed.notes.clone(),
            };
            let id = Instrument::add(conn, &particulars, at, by).await?;
            adjusters::set(conn, id, &listed.adjusters()).await?;
            kit::set(conn, id, &listed.kit, at).await?;
            NewEntry {
                instrument: id,
                kind: EntryKind::Register,
                happened_at: at,
                recorded_at: at,
                by,
                loan: None,
                note: "Added to the register.".to_owned(),
            }
            .write(conn)
            .await?;
            if let Some(Drawing { caption, photo }) = drawing {
                photos::add(conn, id, photo, caption, at, by).await?;
            }
            let parts = kit::of(conn, id).await?;
            self.instruments.push(Known {
                id,
                kit: parts.into_iter().map(|p| (p.name, p.id)).collect(),
                open_loan: None,
                last_coma: None,
                keys: HashMap::new(),
            });
        }
        Ok(())
    }

    /// Before the loans: a loan ends its borrower's own place.
    async fn waits_asked(&self, conn: &mut Conn) -> Result<()> {
        for wait in &self.seed.club.waits {
            let id = waits::ask(
                conn,
                self.instrument(&wait.tag)?,
                self.person(&wait.person)?,
                wait.wants_it_for,
                &wait.note,
                self.story.days.noon(wait.ago),
            )
            .await?;
            if let Some(closed) = &wait.closed {
                let at = self.story.days.noon(closed.ago);
                waits::close(conn, id, closed.by_themselves, at).await?;
            }
        }
        Ok(())
    }

    fn keeper(&self) -> Result<&'a files::Person> {
        let first = self.seed.people.first();
        first.ok_or_else(|| wrong("people.toml is empty"))
    }

    async fn things(&self, conn: &mut Conn) -> Result<()> {
        let by = self.person(&self.keeper()?.handle)?;
        let noon = |ago| self.story.days.noon(ago);
        things::write(conn, &self.seed.things, by, noon, |handle| {
            self.person(handle)
        })
        .await
    }

    async fn limits(&self, conn: &mut Conn) -> Result<()> {
        let mut sets: Vec<_> = self.seed.club.limits.iter().collect();
        sets.sort_by_key(|l| -l.ago);
        for set in sets {
            let at = self.story.days.noon(set.ago);
            let by = self.person(&set.by)?;
            let whose = match (&set.tag, set.design) {
                (Some(tag), None) => Whose::Instrument(self.instrument(tag)?),
                (None, Some(design)) => Whose::Design(design),
                _ => {
                    return Err(wrong(
                        "a limit is for an instrument or for a design, not both",
                    ));
                }
            };
            limits::set(conn, whose, set.what, set.value, &set.why, by, at).await?;
            if let Whose::Instrument(instrument) = whose {
                let value = match set.value {
                    Some(value) => format!("set to {value}"),
                    None => "back to its design's".to_owned(),
                };
                NewEntry {
                    instrument,
                    kind: EntryKind::Limit,
                    happened_at: at,
                    recorded_at: at,
                    by,
                    loan: None,
                    note: format!("Limit on {} {value}: {}", set.what, set.why),
                }
                .write(conn)
                .await?;
            }
        }
        Ok(())
    }

    async fn work_nights(&self, conn: &mut Conn) -> Result<()> {
        for night in &self.seed.club.work_nights {
            let ago = match (night.ago, night.in_days) {
                (Some(ago), None) => ago,
                (None, Some(days)) => -days,
                _ => return Err(wrong("a work night has either `ago` or `in_days`")),
            };
            let id = NewWorkNight {
                held_on: self.story.days.date(ago),
                place: night.place.clone(),
                hours: night.hours,
                hands: night.hands,
                note: night.note.clone(),
            }
            .write(conn)
            .await?;
            for assigned in &night.instruments {
                let at = self.story.days.noon((ago + 7).max(1));
                let (which, by) = (self.instrument(&assigned.tag)?, self.person(&assigned.by)?);
                work_nights::assign(conn, id, which, by, at).await?;
                if ago > 0 && assigned.done {
                    let done_at = self.story.days.noon(ago - 1);
                    work_nights::set_done(conn, id, which, true, done_at).await?;
                }
            }
        }
        Ok(())
    }

    async fn collimation(
        &mut self,
        conn: &mut Conn,
        told: &files::Collimation,
        begins: Moment,
    ) -> Result<()> {
        let which = self
            .seed
            .instruments
            .iter()
            .position(|(i, _)| i.tag == told.tag);
        let which = which.ok_or_else(|| wrong(format!("no instrument is tagged {}", told.tag)))?;
        let first = self.person(&told.who)?;
        let second = match &told.then {
            Some(handle) => self.person(handle)?,
            None => first,
        };
        let (listed, _) = &self.seed.instruments[which];
        let id = self.instruments[which].id;
        let left = collimations::write(conn, told, listed, id, [first, second], begins)
            .await
            .map_err(|e| match e {
                Error::Library { source, .. } => Error::Library {
                    at: format!("seed-data/collimations.toml: {}", told.tag),
                    source,
                },
                other => other,
            })?;
        if left.is_some() {
            self.instruments[which].last_coma = left;
        }
        Ok(())
    }
}
