//! Lending: what stands against a loan, and the write. One rule for instruments and for
//! the things that go with them.

use chrono::NaiveDate;

use super::club::Club;
use super::entries::{EntryKind, NewEntry};
use super::instruments::Status;
use super::loans;
use super::people::{Person, Role};
use super::reservations::{self, Reservation};
use super::things::{Kind, Thing};
use super::turns::Lines;
use super::{
    Conn, Error, InstrumentId, KitPartId, LoanId, Moment, PersonId, ReservationId, Result, kit,
    waits,
};

/// A loan to be made.
#[derive(Debug, Clone)]
pub struct Lend {
    /// What.
    pub instrument: InstrumentId,
    /// To whom.
    pub borrower: PersonId,
    /// When it leaves, or left.
    pub at: Moment,
    /// Who lends it.
    pub by: PersonId,
    /// Until when.
    pub due_on: NaiveDate,
    /// What the borrower was told it will not do.
    pub limit_stated: String,
    /// The parts that go along; the others of its kit stay, and what is missing does.
    pub kit: Vec<KitPartId>,
    /// Why it goes out in spite of each [`Obstacle`]; of its status only a coordinator may.
    pub override_reason: Option<String>,
    /// What need not be said.
    pub details: LendDetails,
}

/// What need not be said of a loan.
#[derive(Debug, Clone, Default)]
pub struct LendDetails {
    /// When it is written down; without, when it leaves.
    pub recorded_at: Option<Moment>,
    /// When it came back, of a loan that is over already; its kit came back with it.
    pub back_at: Option<Moment>,
    /// Who fetches it, where that is not the borrower.
    pub collected_by: String,
    /// The deposit, noted.
    pub deposit: String,
    /// The public evening it goes out for with others.
    pub event: String,
    /// The reservation it goes out for.
    pub reservation: Option<ReservationId>,
}

/// What stands against a loan and takes a reason to pass over.
#[derive(Debug, Clone)]
pub enum Obstacle {
    /// It is held or at the bench.
    Status(Status),
    /// It is kept for the next in line.
    KeptFor {
        /// Who that is.
        person: String,
        /// The last day.
        until: NaiveDate,
    },
    /// It is reserved for somebody else within the time.
    Reserved(Reservation),
    /// The borrower has as many as the club lends to one person.
    AtTheMost {
        /// How many they have.
        has: i64,
        /// The club's most.
        most: i64,
    },
}

impl Obstacle {
    /// In words, for the lending desk.
    pub fn words(&self) -> String {
        match self {
            Self::Status(status) => format!("It is {status}."),
            Self::KeptFor { person, until } => format!(
                "{person} is next in line. It is kept for them until {}.",
                super::day(*until)
            ),
            Self::Reserved(r) => format!(
                "It is reserved {}, for {}. Choose an earlier day to bring it back, or give a reason.",
                r.days(),
                r.for_words()
            ),
            Self::AtTheMost { has, most } => {
                format!("The borrower has {has} already, and the club lends {most} to one person.")
            }
        }
    }

    /// In the logbook, which names nobody.
    fn logged(&self) -> String {
        match self {
            Self::Status(status) => status.to_string(),
            Self::KeptFor { .. } => "kept for the next in line".to_owned(),
            Self::Reserved(r) => format!("reserved {}", r.days()),
            Self::AtTheMost { most, .. } => format!("the borrower had {most} or more already"),
        }
    }
}

impl Lend {
    /// What stands against it, apart from what forbids it. A loan that is over already
    /// keeps nobody waiting.
    pub async fn obstacles(&self, conn: &mut Conn) -> Result<Vec<Obstacle>> {
        let mut found = Vec::new();
        if self.details.back_at.is_some() {
            return Ok(found);
        }
        let club = Club::load(conn).await?;
        let instrument = Thing::get(conn, self.instrument).await?;
        if matches!(instrument.status, Status::Held | Status::Bench) {
            found.push(Obstacle::Status(instrument.status));
        }
        let today = club.date(self.details.recorded_at.unwrap_or(self.at));
        let lines = Lines::load(conn, Some(self.instrument), &club, today).await?;
        if let Some(kept) = lines.kept(self.instrument)
            && kept.person_id != self.borrower
        {
            found.push(Obstacle::KeptFor {
                person: kept.person.clone(),
                until: kept.until,
            });
        }
        let until = self.due_on.max(today);
        for reservation in reservations::meeting(conn, self.instrument, today, until).await? {
            let event = &self.details.event;
            let meant = reservation.person_id == Some(self.borrower)
                || self.details.reservation == Some(reservation.id)
                || !event.is_empty() && reservation.event.eq_ignore_ascii_case(event);
            if !meant {
                found.push(Obstacle::Reserved(reservation));
            }
        }
        let has = loans::count_with(conn, self.borrower).await?;
        if let Some(most) = club.loans_per_person
            && has >= most
            && instrument.kind == Kind::Instrument
            && self.details.event.is_empty()
        {
            found.push(Obstacle::AtTheMost { has, most });
        }
        Ok(found)
    }

    /// Lends an instrument or a thing: loan, kit, logbook entry; the borrower's own place on the
    /// waiting list is closed.
    ///
    /// # Errors
    /// Refused when it is or was out on loan at that time, or is missing or retired; when the
    /// borrower has left; when it would be due before it leaves; and for what stands
    /// against it ([`Self::obstacles`]) without a reason.
    pub async fn write(&self, conn: &mut Conn) -> Result<LoanId> {
        let instrument = Thing::get(conn, self.instrument).await?;
        let tag = &instrument.tag;
        let refuse = |words: String| Err(Error::Refused(words));
        let recorded_at = self.details.recorded_at.unwrap_or(self.at);
        let back_at = self.details.back_at;
        let borrower = Person::get(conn, self.borrower).await?;
        if borrower
            .left_at
            .is_some_and(|left| back_at.is_none_or(|back| back > left))
        {
            return refuse(format!(
                "{} has left the club and cannot borrow.",
                borrower.name
            ));
        }
        if self.at > recorded_at || back_at.is_some_and(|back| back > recorded_at) {
            return refuse(
                "That day is yet to come. To keep it for a later day, reserve it.".to_owned(),
            );
        }
        if back_at.is_some_and(|back| back < self.at) {
            return refuse(format!("{tag} cannot have come back before it went out."));
        }
        if instrument.open_loan.is_some() && back_at.is_none() {
            return refuse(format!("{tag} is out on loan already. Return it first."));
        }
        if instrument.status == Status::Retired && back_at.is_none() {
            return refuse(format!("{tag} is retired and no longer lent."));
        }
        if instrument.status == Status::Missing && back_at.is_none() {
            return refuse(format!("{tag} is missing. Say that it is found first."));
        }
        let club = Club::load(conn).await?;
        if let Some((from, until)) = self.overlapping(conn).await? {
            let until = until.map_or("now".to_owned(), |at| super::day(club.date(at)));
            return refuse(format!(
                "{tag} was on loan from {} to {until}. Choose other days.",
                super::day(club.date(from))
            ));
        }
        if self.due_on < club.date(self.at) {
            return refuse("It would be due before it goes out. Choose a later day.".to_owned());
        }
        let obstacles = self.obstacles(conn).await?;
        let reason = self.override_reason.as_deref().unwrap_or("").trim();
        let by = Person::get(conn, self.by).await?;
        if let Some(Obstacle::Status(status)) = obstacles.first()
            && (reason.is_empty() || by.role < Role::Coordinator)
        {
            return refuse(format!(
                "{tag} is {status} and is not lent until it is back on the shelf. A coordinator can override this with a reason."
            ));
        }
        if let Some(first) = obstacles.first()
            && reason.is_empty()
        {
            return refuse(format!(
                "{} A reason is needed to lend it all the same.",
                first.words()
            ));
        }
        let reason = (!obstacles.is_empty()).then_some(reason);
        let id = LoanId::fresh();
        let returned_to = back_at.map(|_| self.by);
        let details = &self.details;
        sqlx::query!(
            "INSERT INTO loans (id, instrument_id, borrower_id, lent_at, lent_by, due_on, limit_stated, override_reason,
                collected_by, deposit, event, returned_at, returned_to)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            id, self.instrument, self.borrower, self.at, self.by, self.due_on, self.limit_stated, reason,
            details.collected_by, details.deposit, details.event, back_at, returned_to
        )
        .execute(&mut *conn)
        .await?;
        self.write_kit(conn, id).await?;
        let mut note = format!("Until {}.", super::day(self.due_on));
        if !details.event.is_empty() {
            note.push_str(&format!(" For {}.", details.event));
        }
        if let Some(reason) = reason {
            let all: Vec<String> = obstacles.iter().map(Obstacle::logged).collect();
            note.push_str(&format!(" Lent although {}: {reason}", all.join(", ")));
        }
        let entry = NewEntry {
            instrument: self.instrument,
            kind: EntryKind::Lend,
            happened_at: self.at,
            recorded_at,
            by: self.by,
            loan: Some(id),
            note,
        };
        entry.write(conn).await?;
        if let Some(back_at) = back_at {
            NewEntry {
                kind: EntryKind::Return,
                happened_at: back_at,
                note: "Kit complete.".to_owned(),
                ..entry
            }
            .write(conn)
            .await?;
        } else {
            waits::close_lent(conn, self.instrument, self.borrower, recorded_at).await?;
        }
        Ok(id)
    }

    /// The loan that has a part of the same time.
    async fn overlapping(&self, conn: &mut Conn) -> Result<Option<(Moment, Option<Moment>)>> {
        let back_at = self.details.back_at;
        Ok(loans::spans(conn, Some(self.instrument))
            .await?
            .into_iter()
            .find(|l| {
                back_at.is_none_or(|back| l.lent_at < back)
                    && l.returned_at.is_none_or(|back| back > self.at)
            })
            .map(|l| (l.lent_at, l.returned_at)))
    }

    async fn write_kit(&self, conn: &mut Conn, loan: LoanId) -> Result<()> {
        let there = match self.details.back_at {
            // Long ago the kit may have been another than it is now.
            Some(_) => kit::of(conn, self.instrument).await?,
            None => kit::present(conn, self.instrument).await?,
        };
        for part in kit::of(conn, self.instrument).await? {
            let went = self.kit.contains(&part.id) && there.contains(&part);
            let back = self.details.back_at.map(|_| went);
            sqlx::query!(
                "INSERT INTO loan_kit (loan_id, kit_part_id, went_out, came_back) VALUES (?, ?, ?, ?)",
                loan,
                part.id,
                went,
                back
            )
            .execute(&mut *conn)
            .await?;
        }
        Ok(())
    }
}

/// The moment of a loan's beginning of which only the day is known: noon, or now where
/// that is today; later where it came back from another loan later on that day.
pub async fn begins_on(
    conn: &mut Conn,
    club: &Club,
    instrument: InstrumentId,
    day: NaiveDate,
    now: Moment,
) -> Result<Moment> {
    let at = club.on_day(day, now);
    let back = loans::spans(conn, Some(instrument))
        .await?
        .into_iter()
        .filter_map(|l| l.returned_at)
        .filter(|back| club.date(*back) == day && *back > at && *back <= now)
        .max();
    Ok(back.unwrap_or(at))
}

/// The moment of a loan's end of which only the day is known: noon, or now where that is
/// today; never before it began on that day, nor after the next began on it.
pub async fn ends_on(
    conn: &mut Conn,
    club: &Club,
    instrument: InstrumentId,
    lent_at: Moment,
    day: NaiveDate,
    now: Moment,
) -> Result<Moment> {
    let mut at = club.on_day(day, now);
    if club.date(lent_at) == day {
        at = at.max(lent_at);
    }
    let next = loans::spans(conn, Some(instrument))
        .await?
        .into_iter()
        .map(|l| l.lent_at)
        .filter(|next| club.date(*next) == day && *next > lent_at)
        .min();
    Ok(next.map_or(at, |next| at.min(next)))
}
