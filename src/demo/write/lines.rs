//! One line of a logbook, written as what it tells of.

use library::attempts;
use library::barrel_checks::{self, BarrelCheck, Way};
use library::entries::{EntryKind, NewEntry};
use library::instruments::Instrument;
use library::journeys::Journey;
use library::lending::{Lend, LendDetails};
use library::missing_kit::{self, Outcome};
use library::problems::Problem;
use library::returning;
use library::star_tests::{Method, StarTest};
use library::works::{self, Work};
use library::{AttemptId, Conn, EntryId, KitPartId, PersonId};

use super::super::story::Told;
use super::super::{eye, limit_words, spares};
use super::{Result, Writer, need, wrong};

impl Writer<'_> {
    pub(super) async fn line(&mut self, conn: &mut Conn, told: &Told) -> Result<()> {
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
            EntryKind::BarrelCheck => {
                let Some(seen) = &line.barrels else {
                    return Err(wrong("this line needs barrels"));
                };
                let openings = seen
                    .openings
                    .iter()
                    .map(|[convergence, step]| barrel_checks::by_eye(*convergence, *step, None))
                    .collect();
                BarrelCheck {
                    way: Way::ByEye,
                    magnification: seen.power,
                    hinged: true,
                    distance_m: seen.metres,
                    openings,
                    judged: "{}".to_owned(),
                }
                .write(conn, id)
                .await?;
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
                spares::used(conn, &line.used, id, by, told.happened_at).await?;
                self.kit_again(conn, told, by).await?;
            }
            _ => {}
        }
        Ok(())
    }

    /// New parts in the place of missing ones: the old ones are let go.
    async fn kit_again(&self, conn: &mut Conn, told: &Told, by: PersonId) -> Result<()> {
        let which = self.instruments[told.instrument].id;
        for name in &told.line.kit_again {
            let missing = missing_kit::of(conn, which).await?;
            let missing = missing.iter().find(|m| m.part == *name);
            let id = missing
                .ok_or_else(|| wrong(format!("no {name} is missing")))?
                .id;
            let at = told.happened_at;
            missing_kit::settle(conn, id, Outcome::WrittenOff, "", by, at).await?;
            missing_kit::is_back(conn, id, by, at).await?;
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
            details: LendDetails::default(),
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
        returning::return_loan(conn, loan, &came_back, told.happened_at, by).await?;
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
