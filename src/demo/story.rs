//! The lines of all logbooks in the order in which they happened, with days
//! turned into instants.

use chrono::{Days, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;

use super::files::{Line, Seed};
use super::{Error, Result};
use library::Moment;

/// When "today" is, and in which zone.
#[derive(Debug, Clone, Copy)]
pub struct Days0 {
    today: NaiveDate,
    zone: Tz,
}

impl Days0 {
    /// The date so many days before the demo is made; below zero after it.
    pub fn date(&self, ago: i64) -> NaiveDate {
        let by = Days::new(ago.unsigned_abs());
        let moved = if ago >= 0 {
            self.today.checked_sub_days(by)
        } else {
            self.today.checked_add_days(by)
        };
        moved.unwrap_or(self.today)
    }

    /// An instant of that day in the club's zone. A time that the zone's clocks
    /// leave out or show twice is taken as if they had not been changed yet.
    pub fn at(&self, ago: i64, time: NaiveTime) -> Moment {
        let local = self.date(ago).and_time(time);
        match self.zone.from_local_datetime(&local).earliest() {
            Some(at) => at.with_timezone(&Utc),
            None => Utc.from_utc_datetime(&local),
        }
    }

    /// Noon of that day.
    pub fn noon(&self, ago: i64) -> Moment {
        self.at(ago, NaiveTime::MIN + chrono::Duration::hours(12))
    }
}

/// One line with its place and its instants.
#[derive(Debug, Clone)]
pub struct Told {
    /// Index of the instrument in [`Seed::instruments`].
    pub instrument: usize,
    /// Index of the line in its logbook.
    pub index: usize,
    /// When it happened.
    pub happened_at: Moment,
    /// When it was written down.
    pub recorded_at: Moment,
    /// The line.
    pub line: Line,
}

/// All that happened, in order.
#[derive(Debug)]
pub struct Story {
    /// Days and instants.
    pub days: Days0,
    /// Lines by when they happened; a correction by when it was made.
    pub told: Vec<Told>,
}

/// When the desk writes up what it heard at an earlier day's return.
const WRITTEN_UP: (u32, u32) = (21, 58);

impl Story {
    /// Puts the logbooks in order.
    pub fn of(seed: &Seed, today: NaiveDate) -> Result<Self> {
        let zone = seed.club.zone.parse().map_err(|_| Error::File {
            file: "club.toml".to_owned(),
            why: format!("there is no zone {}", seed.club.zone),
        })?;
        let days = Days0 { today, zone };
        let (hour, minute) = WRITTEN_UP;
        let written_up = NaiveTime::from_hms_opt(hour, minute, 0).unwrap_or_default();
        let mut told = Vec::new();
        for (instrument, (of, lines)) in seed.instruments.iter().enumerate() {
            for (index, line) in lines.iter().enumerate() {
                let wrong = |why: &str| Error::File {
                    file: format!("logbooks/{}.toml", of.tag),
                    why: format!("line {} ({} days ago): {why}", index + 1, line.ago),
                };
                if line.ago < 1 || line.written.is_some_and(|w| w < 1 || w > line.ago) {
                    return Err(wrong(
                        "a line is written at least a day before the demo, and after it happened",
                    ));
                }
                let time = NaiveTime::parse_from_str(&line.at, "%H:%M")
                    .map_err(|_| wrong("the time is not HH:MM"))?;
                let happened_at = days.at(line.ago, time);
                let recorded_at = match line.written {
                    Some(written) => days.at(written, written_up).max(happened_at),
                    None => happened_at,
                };
                told.push(Told {
                    instrument,
                    index,
                    happened_at,
                    recorded_at,
                    line: line.clone(),
                });
            }
        }
        told.sort_by_key(|t| (t.happened_at, t.instrument, t.index));
        Ok(Self { days, told })
    }
}
