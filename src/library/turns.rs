//! Whose turn it is: the waiting list decides.
//!
//! When an instrument is there to be fetched, it is kept for the first who waits, for so
//! many days ([`Club::fetch_days`]); then for the next. Nothing of that is stored: it
//! follows from when it came back, who asked when, and who gave up a place.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};

use super::club::Club;
use super::instruments::Status;
use super::things::Kind;
use super::{Conn, InstrumentId, LoanId, Moment, PersonId, Result, WaitId};

/// Where a person on a waiting list is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// Behind so many others.
    Later {
        /// How many come before.
        ahead: usize,
    },
    /// It is kept for them until the end of this day.
    Now {
        /// The last day.
        until: NaiveDate,
    },
    /// It was kept for them until this day, and they did not fetch it. They keep their
    /// place for the next time it comes back.
    Passed {
        /// The last day.
        until: NaiveDate,
    },
}

/// One place on a waiting list, as the rule needs it. Days are the club's.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// The day they asked.
    pub asked_on: NaiveDate,
    /// The day the place was given up, lent to or taken away.
    pub closed_on: Option<NaiveDate>,
}

/// The rule: whose turn it is among these places, first come first. `free_since` is the
/// day since when it has been there to be fetched; none while it is not. For a closed
/// place nothing of use is said.
pub fn turns(
    places: &[Place],
    free_since: Option<NaiveDate>,
    fetch_days: i64,
    today: NaiveDate,
) -> Vec<Turn> {
    let kept = Days::new(u64::try_from(fetch_days).unwrap_or(0));
    let mut ahead = 0;
    let mut start = free_since;
    let mut said = Vec::with_capacity(places.len());
    for place in places {
        let later = Turn::Later { ahead };
        let Some(begins) = start.map(|s| s.max(place.asked_on)) else {
            said.push(later);
            ahead += usize::from(place.closed_on.is_none());
            continue;
        };
        let until = begins.checked_add_days(kept).unwrap_or(begins);
        let next = until.succ_opt().unwrap_or(until);
        if let Some(closed_on) = place.closed_on {
            // Who gave it up within their days leaves the rest of the time to the next.
            if closed_on >= begins {
                start = Some(closed_on.min(next));
            }
            said.push(later);
            continue;
        }
        said.push(if today < begins {
            later
        } else if today <= until {
            Turn::Now { until }
        } else {
            Turn::Passed { until }
        });
        ahead += usize::from(today <= until);
        start = Some(next);
    }
    said
}

/// An instrument or a thing kept for the next in line.
#[derive(Debug, Clone)]
pub struct Kept {
    /// What.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// What kind of thing it is.
    pub kind: Kind,
    /// The place on the waiting list.
    pub wait_id: WaitId,
    /// For whom.
    pub person_id: PersonId,
    /// Their name.
    pub person: String,
    /// The last day.
    pub until: NaiveDate,
}

struct Row {
    id: WaitId,
    instrument_id: InstrumentId,
    tag: String,
    name: String,
    kind: Kind,
    person_id: PersonId,
    person: String,
    asked_at: Moment,
    closed_at: Option<Moment>,
    status: Status,
    open_loan: Option<LoanId>,
    back_at: Option<Moment>,
    reserved_until: Option<NaiveDate>,
}

impl Row {
    /// Since when it has been there to be fetched: since it came back or was put on the
    /// shelf, as that was written down, or since a reservation was over.
    fn free_since(&self, club: &Club, today: NaiveDate) -> Option<NaiveDate> {
        let reserved = self.reserved_until.is_some_and(|until| until >= today);
        if self.open_loan.is_some() || self.status != Status::Shelf || reserved {
            return None;
        }
        let back = self.back_at.map_or(NaiveDate::MIN, |at| club.date(at));
        let after = self.reserved_until.and_then(|until| until.succ_opt());
        Some(after.map_or(back, |after| after.max(back)))
    }
}

/// The lines of one instrument or of all.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    turns: HashMap<WaitId, Turn>,
    kept: Vec<Kept>,
}

impl Lines {
    /// As they are today.
    pub async fn load(
        conn: &mut Conn,
        only: Option<InstrumentId>,
        club: &Club,
        today: NaiveDate,
    ) -> Result<Self> {
        Self::read(conn, (only, None), club, today).await
    }

    /// The lines in which somebody stands.
    pub async fn of_person(
        conn: &mut Conn,
        person: PersonId,
        club: &Club,
        today: NaiveDate,
    ) -> Result<Self> {
        Self::read(conn, (None, Some(person)), club, today).await
    }

    async fn read(
        conn: &mut Conn,
        (only, person): (Option<InstrumentId>, Option<PersonId>),
        club: &Club,
        today: NaiveDate,
    ) -> Result<Self> {
        let rows = sqlx::query_as!(
            Row,
            r#"WITH line AS MATERIALIZED (
                   SELECT i.id, i.tag, i.name, i.kind, i.status, l.id AS open_loan,
                          CASE WHEN l.id IS NULL AND i.status = 'shelf' THEN
                              (SELECT MAX(e.recorded_at) FROM entries e WHERE e.instrument_id = i.id
                                  AND e.kind IN ('return', 'status')) END AS back_at,
                          (SELECT MAX(r.until_on) FROM reservations r WHERE r.instrument_id = i.id
                              AND r.cancelled_at IS NULL AND r.from_on <= ?2) AS reserved_until
                   FROM instruments i LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
                   WHERE i.id IN (SELECT o.instrument_id FROM waits o WHERE o.closed_at IS NULL
                                    AND (?3 IS NULL OR o.person_id = ?3))
                     AND (?1 IS NULL OR i.id = ?1))
               SELECT w.id AS "id: WaitId", w.instrument_id AS "instrument_id: InstrumentId",
                      line.tag, line.name, line.kind AS "kind: Kind",
                      w.person_id AS "person_id: PersonId", p.name AS person,
                      w.asked_at AS "asked_at: Moment", w.closed_at AS "closed_at: Moment",
                      line.status AS "status: Status", line.open_loan AS "open_loan?: LoanId",
                      line.back_at AS "back_at?: Moment", line.reserved_until AS "reserved_until?: NaiveDate"
               FROM line CROSS JOIN waits w ON w.instrument_id = line.id JOIN people p ON p.id = w.person_id
               WHERE w.closed_at IS NULL OR w.closed_at >= line.back_at
                  OR (line.back_at IS NULL AND line.open_loan IS NULL)
               ORDER BY line.tag, w.asked_at, w.id"#,
            only,
            today,
            person
        )
        .fetch_all(conn)
        .await?;
        let mut lines = Self::default();
        for line in rows.chunk_by(|a, b| a.instrument_id == b.instrument_id) {
            let Some(first) = line.first() else { continue };
            let places: Vec<Place> = line
                .iter()
                .map(|row| Place {
                    asked_on: club.date(row.asked_at),
                    closed_on: row.closed_at.map(|at| club.date(at)),
                })
                .collect();
            let free_since = first.free_since(club, today);
            let said = turns(&places, free_since, club.fetch_days, today);
            for (row, turn) in line.iter().zip(said) {
                if row.closed_at.is_some() {
                    continue;
                }
                lines.turns.insert(row.id, turn);
                if let Turn::Now { until } = turn {
                    lines.kept.push(Kept {
                        instrument_id: row.instrument_id,
                        tag: row.tag.clone(),
                        name: row.name.clone(),
                        kind: row.kind,
                        wait_id: row.id,
                        person_id: row.person_id,
                        person: row.person.clone(),
                        until,
                    });
                }
            }
        }
        Ok(lines)
    }

    /// Where an open place is.
    pub fn turn(&self, wait: WaitId) -> Option<Turn> {
        self.turns.get(&wait).copied()
    }

    /// For whom an instrument is kept today.
    pub fn kept(&self, instrument: InstrumentId) -> Option<&Kept> {
        self.kept.iter().find(|k| k.instrument_id == instrument)
    }

    /// All that is kept for somebody today, by tag.
    pub fn all_kept(&self) -> &[Kept] {
        &self.kept
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn day(text: &str) -> NaiveDate {
        format!("2026-11-{text}").parse().unwrap()
    }

    fn open(asked_on: &str) -> Place {
        Place {
            asked_on: day(asked_on),
            closed_on: None,
        }
    }

    fn closed(asked_on: &str, closed_on: &str) -> Place {
        Place {
            closed_on: Some(day(closed_on)),
            ..open(asked_on)
        }
    }

    const NOW: fn(&str) -> Turn = |until| Turn::Now { until: day(until) };
    const PASSED: fn(&str) -> Turn = |until| Turn::Passed { until: day(until) };

    #[test]
    fn while_it_is_not_there_people_only_stand_in_line() {
        let said = turns(&[open("01"), open("02"), open("03")], None, 7, day("20"));
        let ahead = |n| Turn::Later { ahead: n };
        assert_eq!(said, [ahead(0), ahead(1), ahead(2)]);
    }

    #[test]
    fn it_is_kept_for_the_first_and_after_their_days_for_the_next() {
        let line = [open("01"), open("02")];
        let on = |today: &str| turns(&line, Some(day("10")), 5, day(today));
        // Back on the 10th and kept five days: the 15th is the last, the 16th the next one's first.
        assert_eq!(on("10"), [NOW("15"), Turn::Later { ahead: 1 }]);
        assert_eq!(on("15"), [NOW("15"), Turn::Later { ahead: 1 }]);
        assert_eq!(on("16"), [PASSED("15"), NOW("21")]);
        assert_eq!(on("22"), [PASSED("15"), PASSED("21")]);
    }

    #[test]
    fn who_asks_while_it_stands_there_has_the_days_from_then() {
        let line = [open("01"), open("18")];
        let said = turns(&line, Some(day("10")), 5, day("20"));
        assert_eq!(said, [PASSED("15"), NOW("23")]);
    }

    #[test]
    fn whoever_gives_up_leaves_the_next_their_whole_time() {
        let line = [closed("01", "12"), open("02")];
        let said = turns(&line, Some(day("10")), 5, day("13"));
        assert_eq!(said[1], NOW("17"));
        // Given up before it came back, or after the days had passed: no matter.
        let said = turns(
            &[closed("01", "04"), open("02")],
            Some(day("10")),
            5,
            day("13"),
        );
        assert_eq!(said[1], NOW("15"));
        let said = turns(
            &[closed("01", "25"), open("02")],
            Some(day("10")),
            5,
            day("26"),
        );
        assert_eq!(said[1], PASSED("21"));
    }
}
