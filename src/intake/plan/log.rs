//! What goes into logbooks: journeys and star tests.

use std::collections::HashMap;

use chrono::NaiveDate;
use library::InstrumentId;
use library::club::Club;
use library::intake::{Brought, Known};
use library::journeys::{Journey, JourneyKind};
use library::measures;
use library::star_tests::{FocusSide, Method, StarTest};
use startest::by_eye::{ByEye, DonutWidth, Unevenness, judge_by_eye};

use super::{Line, Planner, Row, Taken, words};
use crate::fields::Field;

/// What tells one entry of a logbook from another: whose, which day, what.
type Key = (InstrumentId, NaiveDate, String);

/// How many entries of each key there are already: as many rows of a list are those.
pub(super) struct Logged(HashMap<Key, usize>);

impl Logged {
    pub(super) fn of(known: &Known, club: &Club) -> Self {
        let mut counts = HashMap::new();
        for (instrument, at, journey) in &known.journeys {
            let key = (*instrument, club.date(*at), journey_key(journey));
            *counts.entry(key).or_default() += 1;
        }
        for (instrument, at, coma) in &known.star_tests {
            let key = (*instrument, club.date(*at), coma_key(*coma));
            *counts.entry(key).or_default() += 1;
        }
        Self(counts)
    }

    /// Takes one of those there already, if one is left.
    fn take(&mut self, key: &Key) -> bool {
        match self.0.get_mut(key) {
            Some(left) if *left > 0 => {
                *left -= 1;
                true
            }
            _ => false,
        }
    }
}

fn journey_key(journey: &Journey) -> String {
    let km = journey.distance_km.map(|km| (km * 10.0).round() as i64);
    format!("{} {km:?} {:?}", journey.kind.slug(), journey.severity)
}

fn coma_key(coma: f64) -> String {
    format!("coma {}", (coma * 1e5).round() as i64)
}

/// The error of a coma that a list tells without one: a third of it, and two
/// hundredths of a wave at least (common practice, no source).
fn usual_error(coma: f64) -> f64 {
    (coma / 3.0).max(0.02)
}

impl Planner<'_> {
    pub(super) fn journey(&mut self, line: Line<'_>) -> Taken<Row> {
        let kinds: Vec<_> = JourneyKind::ALL
            .iter()
            .map(|k| (*k, k.slug(), k.label()))
            .collect();
        let instrument = self.instrument_of(line);
        let day = self.needed_day(line, Field::Date);
        let kind = self.word(line, Field::JourneyKind, words::journey, &kinds);
        let km = self.measure(line, Field::Distance, 0.05..=40_000.0);
        let severity = self.number(line, Field::Severity, 1.0..=3.0);
        let (instrument, day, kind, km, severity) = (instrument?, day?, kind?, km?, severity?);
        let kind = match (kind, km) {
            (Some(kind), _) => kind,
            // Only a drive has a distance.
            (None, Some(_)) => JourneyKind::Car,
            (None, None) => {
                return self.fault(
                    line,
                    Field::JourneyKind,
                    "It is not said how it was moved. Write car, by hand, knock or the like.",
                );
            }
        };
        let journey = Journey {
            kind,
            distance_km: km.filter(|_| kind.has_distance()),
            severity: severity
                .filter(|_| kind.has_severity())
                .map(|s| s.round() as i64),
        };
        if self.logged.take(&(instrument, day, journey_key(&journey))) {
            return Ok(Row::Known);
        }
        let note = self.note(line);
        self.plan.batch.journeys.push(Brought {
            instrument,
            happened_at: self.moment(day, 12),
            note,
            details: journey,
        });
        Ok(Row::Added)
    }

    pub(super) fn star_test(&mut self, line: Line<'_>) -> Taken<Row> {
        let sides: Vec<_> = FocusSide::ALL
            .iter()
            .map(|s| (*s, s.slug(), s.label()))
            .collect();
        let instrument = self.instrument_of(line);
        let day = self.needed_day(line, Field::Date);
        let coma = self.number(line, Field::Coma, 0.0..=5.0);
        let error = self.number(line, Field::ComaError, 0.0..=5.0);
        let rings = self.number(line, Field::Rings, 1.0..=40.0);
        let ratio = self.number(line, Field::ThinToThick, 0.0..=1.0);
        let magnification = self.number(line, Field::Magnification, 5.0..=2000.0);
        let side = self.word(line, Field::Side, words::side, &sides);
        let (instrument, day, coma, error, rings, ratio, magnification, side) = (
            instrument?,
            day?,
            coma?,
            error?,
            rings?,
            ratio?,
            magnification?,
            side?.unwrap_or(FocusSide::Unknown),
        );
        let clock = match line.text(Field::ThinClock) {
            text if text.is_empty() => None,
            text => match measures::clock_deg(&text) {
                Some(deg) => Some(deg),
                None => {
                    return self.fault(
                        line,
                        Field::ThinClock,
                        "Write the clock position from 1 to 12, as 4 or 4:30.",
                    );
                }
            },
        };
        let seeing = match line.text(Field::Seeing) {
            text if text.is_empty() => None,
            text => match words::seeing(&text) {
                Some(seeing) => Some(seeing),
                None => {
                    return self.fault(
                        line,
                        Field::Seeing,
                        "Write the seeing from 1 (best) to 5, by Antoniadi's scale.",
                    );
                }
            },
        };
        let diagonal = words::yes_no(&line.text(Field::Diagonal)).unwrap_or(false);
        let (aperture_mm, obstruction) = self
            .things
            .thing(instrument)
            .and_then(|t| t.optics)
            .unwrap_or((203.0, 0.0));
        let looked = match (rings, ratio) {
            (Some(count), Some(ratio)) => {
                let look = ByEye {
                    aperture_mm,
                    obstruction,
                    width: DonutWidth::Rings { count },
                    unevenness: Unevenness::Ratio(ratio),
                    thin_clock_deg: clock,
                    side_sign: if side == FocusSide::Inside { -1.0 } else { 1.0 },
                };
                match judge_by_eye(&look) {
                    Ok(found) => Some(found),
                    Err(why) => {
                        let words = format!("{}. Correct the row.", why.text);
                        return self.fault(line, Field::Rings, words);
                    }
                }
            }
            _ => None,
        };
        let (coma, sigma) = match (coma, &looked) {
            (Some(coma), _) => (
                coma,
                error
                    .filter(|e| *e > 0.0)
                    .unwrap_or_else(|| usual_error(coma)),
            ),
            (None, Some(found)) => (found.coma_rms_waves, found.coma_rms_waves_sigma.max(1e-6)),
            (None, None) => {
                return self.fault(line, Field::Coma, "No coma stands here. Write it in waves RMS, or the bright rings with thin to thick.");
            }
        };
        if self.logged.take(&(instrument, day, coma_key(coma))) {
            return Ok(Row::Known);
        }
        if error.is_none() && looked.is_none() {
            self.plan.notes.insert(
                "A coma that is told without its error is taken as known to a third of it, and to 0.02 waves at best."
                    .to_owned(),
            );
        }
        let note = self.note(line);
        let judged = serde_json::json!({
            "list": { "sheet": line.sheet.words(), "row": line.row + 1 }
        });
        self.plan.batch.star_tests.push(Brought {
            instrument,
            happened_at: self.moment(day, 22),
            note,
            details: StarTest {
                method: Method::ByEye,
                side,
                diagonal,
                seeing,
                magnification,
                defocus_waves: looked.as_ref().map(|found| found.defocus_waves),
                thin_to_thick: ratio,
                thin_clock_deg: clock,
                coma_rms_waves: coma,
                coma_rms_waves_sigma: sigma,
                attempt_id: None,
                judged: judged.to_string(),
            },
        });
        Ok(Row::Added)
    }
}
