//! Writes the demo club through the nouns of the library, in the order in
//! which everything happened.

use std::collections::HashMap;

use super::files::{self, Seed};
use super::frames::Measured;
use super::pictures::Drawing;
use super::story::{Story, Told};
use super::{Error, Result, collimations, eye, limit_words};
use library::adjusters;
use library::attempts;
use library::club::Club;
use library::entries::{EntryKind, NewEntry};
use library::instruments::{Instrument, Particulars};
use library::journeys::Journey;
use library::limits::{self, Whose};
use library::loans::{self, Lend};
use library::people::{self, NewPerson, Person};
use library::problems::Problem;
use library::star_tests::{Method, StarTest};
use library::work_nights::NewWorkNight;
use library::works::Work;
use library::{
    AttemptId, Conn, EntryId, InstrumentId, KitPartId, LoanId, Moment, PersonId, kit, photos,
    waits, work_nights, works,
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
    writer.limits(conn).await?;
    writer.work_nights(conn).await?;
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
        let keeper = self
            .seed
            .people
            .first()
            .ok_or_else(|| wrong("people.toml is empty"))?;
        let by = self.person(&keeper.handle)?;
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

    async fn line(&mut self, conn: &mut Conn, told: &Told) -> Result<()> {
        let line = &told.line;
        let by = self.person(&line.who)?;
        let known = &self.instruments[told.instrument];
        let older = match line.corrects.as_ref().or(line.strikes.as_ref()) {
            Some(key) => Some(
                *known
                    .keys
                    .get(key)
                    .ok_or_else(|| wrong(format!("no earlier line has the key {key}")))?,
            ),
            None => None,
        };
        let entry = NewEntry {
            instrument: known.id,
            kind: line.line,
            // A correction tells anew what happened then.
            happened_at: older.map_or(told.happened_at, |(_, then)| then),
            recorded_at: told.recorded_at,
            by,
            loan: known.open_loan,
            note: line.note.clone(),
        };
        match line.line {
            EntryKind::Lend => return self.lend(conn, told, by).await,
            EntryKind::Return => return self.return_loan(conn, told, by).await,
            EntryKind::Status => return self.status(conn, told, by).await,
            EntryKind::Register | EntryKind::Limit => {
                return Err(wrong(
                    "a logbook here does not tell of the register or of limits",
                ));
            }
            _ => {}
        }
        if let (Some((old, _)), true) = (older, line.strikes.is_some()) {
            entry.strike(conn, old).await?;
            return Ok(());
        }
        let entry = NewEntry {
            note: match line.line {
                EntryKind::Note => need(&line.words, "words")?,
                _ => entry.note,
            },
            ..entry
        };
        let id = match older {
            Some((old, _)) => entry.write_correcting(conn, old).await?,
            None => entry.write(conn).await?,
        };
        self.details(conn, told, id, by).await?;
        if let Some(key) = &line.key {
            self.instruments[told.instrument]
                .keys
                .insert(key.clone(), (id, entry.happened_at));
        }
        Ok(())
    }

    async fn details(
        &mut self,
        conn: &mut Conn,
        told: &Told,
        id: EntryId,
        by: PersonId,
    ) -> Result<()> {
        let line = &told.line;
        match line.line {
            EntryKind::Journey => {
                let journey = Journey {
                    kind: need(&line.kind, "kind")?,
                    distance_km: line.km,
                    severity: line.severity,
                };
                if (line.km.is_some() && !journey.kind.has_distance())
                    || (line.severity.is_some() && !journey.kind.has_severity())
                {
                    return Err(wrong("this journey takes no such figure"));
                }
                journey.write(conn, id).await?;
            }
            EntryKind::StarTest => {
                let test = self.star_test(conn, told, by).await?;
                test.write(conn, id).await?;
                self.instruments[told.instrument].last_coma = Some(test.coma_rms_waves);
            }
            EntryKind::Problem => {
                Problem {
                    what: need(&line.found, "found")?,
                    asks_for: need(&line.asks, "asks")?,
                    words: need(&line.words, "words")?,
                }
                .write(conn, id)
                .await?;
            }
            EntryKind::Work => {
                let keys = &self.instruments[told.instrument].keys;
                let settles = line
                    .settles
                    .iter()
                    .map(|key| {
                        let found = keys.get(key).map(|(id, _)| *id);
                        found.ok_or_else(|| wrong(format!("no earlier line has the key {key}")))
                    })
                    .collect::<Result<_>>()?;
                Work {
                    what: need(&line.did, "did")?,
                    minutes: line.minutes,
                    moved_optics: need(&line.moved, "moved")?,
                    words: need(&line.words, "words")?,
                    settles,
                }
                .write(conn, id)
                .await?;
            }
            _ => {}
        }
        Ok(())
    }

    async fn star_test(&self, conn: &mut Conn, told: &Told, by: PersonId) -> Result<StarTest> {
        let (listed, _) = &self.seed.instruments[told.instrument];
        match (&told.line.eye, &told.line.frames) {
            (Some(look), None) => eye::star_test(listed, look).map_err(|e| wrong(e.to_string())),
            (None, Some(star)) => {
                let measured = self
                    .measured
                    .get(&(told.instrument, told.index))
                    .ok_or_else(|| wrong("its frames were not measured"))?;
                let id = AttemptId::fresh();
                let shots = i64::try_from(star.shots).unwrap_or(i64::MAX);
                let of = self.instruments[told.instrument].id;
                let at = told.happened_at;
                attempts::ask(conn, id, of, by, at, shots, &measured.circumstances).await?;
                let end = attempts::Finished {
                    state: attempts::AttemptState::Measured,
                    frames_done: shots,
                    report: Some(measured.report.clone()),
                    picture_png: measured.picture_png.clone(),
                    overlay_svg: measured.overlay_svg(id),
                };
                attempts::finish(conn, id, &end, at).await?;
                Ok(StarTest {
                    method: Method::FromFrames,
                    side: star.side,
                    diagonal: false,
                    seeing: None,
                    magnification: None,
                    defocus_waves: measured.defocus_waves,
                    thin_to_thick: measured.thin_to_thick,
                    thin_clock_deg: measured.thin_clock_deg,
                    coma_rms_waves: measured.coma_rms_waves,
                    coma_rms_waves_sigma: measured.coma_rms_waves_sigma,
                    attempt_id: Some(id),
                    judged: measured.circumstances.clone(),
                })
            }
            _ => Err(wrong("a star test is either by `eye` or from `frames`")),
        }
    }

    async fn lend(&mut self, conn: &mut Conn, told: &Told, by: PersonId) -> Result<()> {
        let line = &told.line;
        let (listed, _) = &self.seed.instruments[told.instrument];
        let known = &self.instruments[told.instrument];
        let loan = Lend {
            instrument: known.id,
            borrower: self.person(&need(&line.to, "to")?)?,
            at: told.happened_at,
            by,
            due_on: self.story.days.date(need(&line.until, "until")?),
            limit_stated: limit_words::stated(listed.design, known.last_coma),
            kit: known.kit.iter().map(|(_, id)| *id).collect(),
            override_reason: line.although.clone(),
        }
        .write(conn)
        .await?;
        self.instruments[told.instrument].open_loan = Some(loan);
        Ok(())
    }

    async fn return_loan(&mut self, conn: &mut Conn, told: &Told, by: PersonId) -> Result<()> {
        let known = &mut self.instruments[told.instrument];
        let loan = known
            .open_loan
            .take()
            .ok_or_else(|| wrong("it is not out"))?;
        let missing = &told.line.missing;
        if let Some(part) = missing
            .iter()
            .find(|m| known.kit.iter().all(|(name, _)| name != *m))
        {
            return Err(wrong(format!("its kit has no {part}")));
        }
        let came_back: Vec<KitPartId> = known
            .kit
            .iter()
            .filter(|(name, _)| !missing.contains(name))
            .map(|(_, id)| *id)
            .collect();
        loans::return_loan(conn, loan, &came_back, told.happened_at, by).await?;
        Ok(())
    }

    async fn status(&self, conn: &mut Conn, told: &Told, by: PersonId) -> Result<()> {
        let to = need(&told.line.status, "status")?;
        let why = need(&told.line.words, "words")?;
        let which = self.instruments[told.instrument].id;
        let instrument = Instrument::get(conn, which).await?;
        works::put(conn, &instrument, to, &why, by, told.happened_at).await?;
        Ok(())
    }
}
