//! The backups of a folder: their names, their order, and which of them stay.
//!
//! Names and files carry a number that only grows, and the archive itself says its
//! number and when it was made. They are ordered by the number: a machine whose
//! clock was wrong for a day puts one wrong date into the folder and changes the
//! order of nothing. Which stay is counted in days, weeks and months that *have* a
//! backup, never in time since now, so that a wrong date of today removes nothing
//! either.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Datelike, NaiveDateTime, Utc};

use super::{Error, Key, Result, at, seal};

const PREFIX: &str = "tubewright-";
const SUFFIX: &str = ".tar.gz";
const STAMP: &str = "%Y%m%dT%H%M%SZ";

/// How many backups stay, as `DAYS,WEEKS,MONTHS`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Keep {
    /// The newest of each of the last so many days that have one.
    pub days: usize,
    /// The newest of each of the last so many weeks (ISO 8601) that have one.
    pub weeks: usize,
    /// The newest of each of the last so many months that have one.
    pub months: usize,
}

impl Default for Keep {
    fn default() -> Self {
        Self {
            days: 7,
            weeks: 5,
            months: 12,
        }
    }
}

impl std::fmt::Display for Keep {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{},{},{}", self.days, self.weeks, self.months)
    }
}

impl std::str::FromStr for Keep {
    type Err = String;

    fn from_str(text: &str) -> std::result::Result<Self, String> {
        let parts: Vec<usize> = text
            .split(',')
            .map(|part| part.trim().parse().ok().filter(|n| *n <= 10_000))
            .collect::<Option<_>>()
            .unwrap_or_default();
        match parts[..] {
            [days, weeks, months] => Ok(Self {
                days,
                weeks,
                months,
            }),
            _ => Err("write three numbers, days, weeks and months: 7,5,12".to_owned()),
        }
    }
}

/// One backup in a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The file.
    pub path: PathBuf,
    /// Its number; 0 for those made before there were numbers.
    pub number: u64,
    /// When it was made, as the machine's clock had it then.
    pub made_at: DateTime<Utc>,
}

impl Found {
    /// The file's name.
    pub fn name(&self) -> String {
        let name = self.path.file_name().unwrap_or_default();
        name.to_string_lossy().into_owned()
    }
}

/// The name of a backup: `tubewright-000042-20261125T203000Z.tar.gz`, and `.age`
/// after it where it is encrypted.
pub fn file_name(number: u64, made_at: DateTime<Utc>, encrypted: bool) -> String {
    let age = if encrypted { seal::SUFFIX } else { "" };
    format!("{PREFIX}{number:06}-{}{SUFFIX}{age}", made_at.format(STAMP))
}

/// Number and instant in a name; `None` where it is none of ours.
fn read_name(name: &str) -> Option<(u64, DateTime<Utc>)> {
    let name = name.strip_suffix(seal::SUFFIX).unwrap_or(name);
    let rest = name.strip_prefix(PREFIX)?.strip_suffix(SUFFIX)?;
    let (number, stamp) = match rest.split_once('-') {
        Some((number, stamp)) => (number.parse().ok()?, stamp),
        None => (0, rest),
    };
    let made = NaiveDateTime::parse_from_str(stamp, STAMP).ok()?;
    Some((number, made.and_utc()))
}

/// The backups of a folder, oldest first; none where there is no folder. What an
/// archive says of itself goes before its name; an encrypted one has its name only.
///
/// # Errors
/// When the folder is there and cannot be read.
pub fn list(folder: &Path) -> Result<Vec<Found>> {
    let mut ours = Vec::new();
    let files = match std::fs::read_dir(folder) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(ours),
        other => other.map_err(at(folder))?,
    };
    for file in files {
        let path = file.map_err(at(folder))?.path();
        let name = path.file_name().and_then(|n| n.to_str());
        let Some((number, made_at)) = name.and_then(read_name).filter(|_| path.is_file()) else {
            continue;
        };
        let (number, made_at) = match super::restore::manifest_of(&path) {
            Ok(said) => (said.number, said.made_at),
            Err(_) => (number, made_at),
        };
        ours.push(Found {
            path,
            number,
            made_at,
        });
    }
    ours.sort_by(|a, b| (a.number, a.made_at, &a.path).cmp(&(b.number, b.made_at, &b.path)));
    Ok(ours)
}

/// The number the next backup of a folder bears.
///
/// # Errors
/// As [`list`].
pub fn next_number(folder: &Path) -> Result<u64> {
    Ok(list(folder)?.last().map_or(0, |last| last.number) + 1)
}

/// Why each backup of a list, oldest first, is kept; an empty list where it is not.
pub fn reasons(found: &[Found], keep: Keep) -> Vec<Vec<&'static str>> {
    let mut why = vec![Vec::new(); found.len()];
    let (mut days, mut weeks, mut months) = (HashSet::new(), HashSet::new(), HashSet::new());
    for (place, one) in found.iter().enumerate().rev() {
        let date = one.made_at.date_naive();
        if place + 1 == found.len() {
            why[place].push("newest");
        }
        if days.len() < keep.days && days.insert(date) {
            why[place].push("day");
        }
        let week = (date.iso_week().year(), date.iso_week().week());
        if weeks.len() < keep.weeks && weeks.insert(week) {
            why[place].push("week");
        }
        if months.len() < keep.months && months.insert((date.year(), date.month())) {
            why[place].push("month");
        }
    }
    why
}

/// What [`tidy`] did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tidied {
    /// The files that were removed.
    pub removed: Vec<PathBuf>,
    /// Kept beyond the rule, since of those that the rule keeps none can be read.
    pub spared: Vec<PathBuf>,
}

/// Removes the backups that no rule keeps. Before the first is removed, one of
/// those that stay has been read whole and found as it was written; where none is,
/// the newest sound one of the others stays too, and where there is none such
/// either, all of them do. Other files are left alone.
///
/// # Errors
/// When the folder cannot be read or a file not be removed.
pub async fn tidy(folder: &Path, keep: Keep, key: Option<&Key>) -> Result<Tidied> {
    let found = list(folder)?;
    let why = reasons(&found, keep);
    let (stay, mut go): (Vec<_>, Vec<_>) = found
        .into_iter()
        .zip(why)
        .partition(|(_, why)| !why.is_empty());
    let mut done = Tidied::default();
    if go.is_empty() {
        return Ok(done);
    }
    if newest_sound(&stay, key).await?.is_none() {
        match newest_sound(&go, key).await? {
            Some(place) => done.spared.push(go.remove(place).0.path),
            None => {
                done.spared = go.drain(..).map(|(one, _)| one.path).collect();
            }
        }
    }
    for (one, _) in go {
        std::fs::remove_file(&one.path).map_err(at(&one.path))?;
        seal::remove_sum(&one.path)?;
        done.removed.push(one.path);
    }
    Ok(done)
}

/// The place of the newest that reads back as it was written.
async fn newest_sound(
    list: &[(Found, Vec<&'static str>)],
    key: Option<&Key>,
) -> Result<Option<usize>> {
    for (place, (one, _)) in list.iter().enumerate().rev() {
        let sound = match (seal::is_encrypted(&one.path)?, key) {
            (true, None) => seal::sum_holds(&one.path),
            _ => super::check(&one.path, key).await.map(|_| true),
        };
        match sound {
            Ok(true) => return Ok(Some(place)),
            Ok(false) | Err(Error::Damaged(_) | Error::Refused(_)) => {
                tracing::warn!(path = %one.path.display(), "this backup is not as it was written");
            }
            Err(other) => return Err(other),
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use chrono::TimeDelta;

    fn found(number: u64, made_at: &str) -> Found {
        let made_at: DateTime<Utc> = made_at.parse().unwrap();
        Found {
            path: file_name(number, made_at, false).into(),
            number,
            made_at,
        }
    }

    #[test]
    fn names_are_read_back_old_ones_too() {
        let made: DateTime<Utc> = "2026-11-25T20:30:00Z".parse().unwrap();
        for encrypted in [false, true] {
            assert_eq!(read_name(&file_name(42, made, encrypted)), Some((42, made)));
        }
        let old = "tubewright-20261125T203000Z.tar.gz";
        assert_eq!(read_name(old), Some((0, made)));
        for other in [
            "tubewright-letter.tar.gz",
            "notes.txt",
            "tubewright-x-20261125T203000Z.tar.gz",
        ] {
            assert_eq!(read_name(other), None);
        }
    }

    /// Two years of one backup a day: the newest of 7 days, 5 weeks and 12 months,
    /// counted by hand: days 30 to 24 December; Sundays (ISO weeks end then) 27
    /// (kept as a day), 20, 13, 6 December; ends of the months January to November.
    #[test]
    fn a_stated_set_stays() {
        let first: DateTime<Utc> = "2025-01-01T03:00:00Z".parse().unwrap();
        let all: Vec<Found> = (0..729)
            .map(|day| found(day + 1, &(first + TimeDelta::days(day as i64)).to_rfc3339()))
            .collect();
        let why = reasons(&all, Keep::default());
        let kept: Vec<String> = all
            .iter()
            .zip(&why)
            .filter(|(_, why)| !why.is_empty())
            .map(|(one, _)| one.made_at.format("%m-%d").to_string())
            .collect();
        assert_eq!(
            kept,
            [
                "01-31", "02-28", "03-31", "04-30", "05-31", "06-30", "07-31", "08-31", "09-30",
                "10-31", "11-30", "12-06", "12-13", "12-20", "12-24", "12-25", "12-26", "12-27",
                "12-28", "12-29", "12-30"
            ]
        );
        assert_eq!(why.last().unwrap(), &["newest", "day", "week", "month"]);
    }

    #[test]
    fn one_boot_with_a_wrong_clock_costs_no_good_backup() {
        let mut all: Vec<Found> = (1..=6)
            .map(|day| found(day, &format!("2026-11-{:02}T03:00:00Z", 10 + day)))
            .collect();
        all.push(found(7, "2036-01-01T03:00:00Z"));
        all.push(found(8, "2026-11-17T03:00:00Z"));
        let why = reasons(
            &all,
            Keep {
                days: 7,
                weeks: 0,
                months: 0,
            },
        );
        // The last seven days that have one: the wrong day is one of them.
        assert!(why[0].is_empty() && why[1..].iter().all(|w| !w.is_empty()));
        assert_eq!(why[7], ["newest", "day"]);
        // And a clock that stood still in 1970 costs none at all.
        all.truncate(6);
        all.extend((7..30).map(|n| found(n, &format!("1970-01-01T00:{n}:00Z"))));
        let why = reasons(
            &all,
            Keep {
                days: 7,
                weeks: 0,
                months: 0,
            },
        );
        assert!(why[..6].iter().all(|w| !w.is_empty()));
    }

    #[test]
    fn how_many_stay_is_written_as_three_numbers() {
        assert_eq!("7,5,12".parse(), Ok(Keep::default()));
        assert_eq!(Keep::default().to_string(), "7,5,12");
        for wrong in ["", "14", "7,5", "7,5,12,1", "a,b,c", "-1,2,3"] {
            assert!(wrong.parse::<Keep>().is_err(), "{wrong}");
        }
    }
}
