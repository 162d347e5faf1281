//! The club: its name, its zone, its units. One row.

use chrono::{Duration, NaiveDate, NaiveTime, TimeZone};
use chrono_tz::Tz;

use super::{Conn, Moment, Result};

words! {
    /// Which units pages show; both are accepted.
    pub enum Units {
        /// Millimetres, kilograms, kilometres.
        Metric = "metric", "metric";
        /// Inches, pounds, miles.
        Imperial = "imperial", "imperial";
    }
}

words! {
    /// The paper the club prints on.
    pub enum Paper {
        /// 210 x 297 mm.
        A4 = "a4", "A4";
        /// 8.5 x 11 in.
        Letter = "letter", "Letter";
    }
}

/// The club's settings.
#[derive(Debug, Clone)]
pub struct Club {
    /// Its name.
    pub name: String,
    /// The zone its times are shown in, an IANA name.
    pub zone: String,
    /// The units its pages show.
    pub units: Units,
    /// The paper it prints on.
    pub paper: Paper,
    /// ISO 4217 code for replacement values.
    pub currency: String,
    /// Where the tool is reached from outside, for printed labels.
    pub public_address: Option<String>,
    /// How to reach the lending desk, in words.
    pub contact: String,
    /// Days a loan runs unless told otherwise.
    pub loan_days: i64,
    /// The most instruments that one person has at a time; none: as many as there are.
    pub loans_per_person: Option<i64>,
    /// How often members renew one loan by themselves.
    pub renewals: i64,
    /// Days after which a late loan is not renewed any more.
    pub renew_late_days: i64,
    /// Days for which what came back is kept for the next in line.
    pub fetch_days: i64,
    /// Whether a coordinator without a second factor may do no more than a volunteer.
    pub second_factor_required: bool,
    /// Since when work that moved the optics waits for a second pair of eyes; none: it does not.
    pub second_look: Option<Moment>,
    /// Whether this is the invented demo club.
    pub demo: bool,
}

/// How far a club has come, for its first evening.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Beginnings {
    /// Instruments in the register.
    pub instruments: i64,
    /// People on the list.
    pub people: i64,
    /// Loans, open and past.
    pub loans: i64,
}

/// How far the club has come.
pub async fn beginnings(conn: &mut Conn) -> Result<Beginnings> {
    Ok(sqlx::query_as!(
        Beginnings,
        r#"SELECT (SELECT COUNT(*) FROM instruments WHERE kind = 'instrument') AS "instruments!: i64",
                  (SELECT COUNT(*) FROM people WHERE left_at IS NULL) AS "people!: i64",
                  (SELECT COUNT(*) FROM (SELECT 1 FROM loans LIMIT 100)) AS "loans!: i64""#
    )
    .fetch_one(conn)
    .await?)
}

impl Default for Club {
    fn default() -> Self {
        Self {
            name: "Our club".to_owned(),
            zone: "UTC".to_owned(),
            units: Units::Metric,
            paper: Paper::A4,
            currency: "EUR".to_owned(),
            public_address: None,
            contact: String::new(),
            loan_days: 28,
            loans_per_person: None,
            renewals: 2,
            renew_late_days: 7,
            fetch_days: 7,
            second_factor_required: false,
            second_look: None,
            demo: false,
        }
    }
}

impl Club {
    /// The club, or the defaults before it is set up.
    pub async fn load(conn: &mut Conn) -> Result<Self> {
        let row = sqlx::query_as!(
            Self,
            r#"SELECT name, zone, units AS "units: Units", paper AS "paper: Paper", currency,
                      public_address, contact, loan_days, loans_per_person, renewals, renew_late_days,
                      fetch_days, second_factor_required AS "second_factor_required: bool",
                      second_look AS "second_look: Moment",
                      demo AS "demo: bool"
               FROM club"#
        )
        .fetch_optional(conn)
        .await?;
        Ok(row.unwrap_or_default())
    }

    /// Writes the settings.
    pub async fn save(&self, conn: &mut Conn) -> Result<()> {
        sqlx::query!(
            "INSERT INTO club (only_row, name, zone, units, paper, currency, public_address, contact, loan_days,
               loans_per_person, renewals, renew_late_days, fetch_days, second_factor_required, second_look, demo)
             VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
             ON CONFLICT (only_row) DO UPDATE SET name = excluded.name, zone = excluded.zone,
               units = excluded.units, paper = excluded.paper, currency = excluded.currency,
               public_address = excluded.public_address, contact = excluded.contact,
               loan_days = excluded.loan_days, loans_per_person = excluded.loans_per_person,
               renewals = excluded.renewals, renew_late_days = excluded.renew_late_days,
               fetch_days = excluded.fetch_days,
               second_factor_required = excluded.second_factor_required,
               second_look = excluded.second_look, demo = excluded.demo",
            self.name, self.zone, self.units, self.paper, self.currency,
            self.public_address, self.contact, self.loan_days, self.loans_per_person, self.renewals,
            self.renew_late_days, self.fetch_days, self.second_factor_required,
            self.second_look, self.demo
        )
        .execute(conn)
        .await?;
        Ok(())
    }

    /// The zone; UTC when the name is not known.
    pub fn tz(&self) -> Tz {
        self.zone.parse().unwrap_or(Tz::UTC)
    }

    /// The date of an instant in the club's zone.
    pub fn date(&self, at: Moment) -> NaiveDate {
        at.with_timezone(&self.tz()).date_naive()
    }

    /// The instant of a date and time in the club's zone; where the clocks were
    /// put back and it came twice, the first; where it was skipped, an hour on.
    pub fn moment(&self, date: NaiveDate, time: NaiveTime) -> Moment {
        let local = date.and_time(time);
        let zone = self.tz();
        zone.from_local_datetime(&local)
            .earliest()
            .or_else(|| {
                zone.from_local_datetime(&(local + Duration::hours(1)))
                    .earliest()
            })
            .map_or_else(|| local.and_utc(), |at| at.to_utc())
    }

    /// When something happened of which only the day is known: its noon, or now where
    /// the day is today.
    pub fn on_day(&self, date: NaiveDate, now: Moment) -> Moment {
        if date == self.date(now) {
            return now;
        }
        let noon = NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default();
        self.moment(date, noon)
    }

    /// How many days of the club's calendar lie between two instants: 1 from
    /// yesterday evening to this morning; 0 when the second comes first.
    pub fn days_between(&self, from: Moment, to: Moment) -> i64 {
        (self.date(to) - self.date(from)).num_days().max(0)
    }
}

#[cfg(test)]
mod tests {
    use chrono::{TimeZone, Utc};

    use super::*;

    #[test]
    fn days_are_those_of_the_clubs_calendar_whatever_the_hour() {
        let at = |day, hour, minute| Utc.with_ymd_and_hms(2026, 7, day, hour, minute, 0).unwrap();
        let utc = Club::default();
        assert_eq!(utc.days_between(at(1, 23, 59), at(2, 0, 1)), 1);
        assert_eq!(utc.days_between(at(1, 0, 1), at(1, 23, 59)), 0);
        assert_eq!(utc.days_between(at(1, 12, 0), at(13, 0, 10)), 12);
        assert_eq!(utc.days_between(at(13, 0, 0), at(1, 0, 0)), 0);
        // Half past eleven at night in UTC is the next day in Lisbon's summer.
        let lisbon = Club {
            zone: "Europe/Lisbon".to_owned(),
            ..Club::default()
        };
        assert_eq!(lisbon.days_between(at(1, 22, 30), at(1, 23, 30)), 1);
        assert_eq!(utc.days_between(at(1, 22, 30), at(1, 23, 30)), 0);
    }
}
