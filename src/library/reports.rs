//! Reports: what somebody told from an instrument's page, where its label leads.
//!
//! What the borrower and who works here tell stands in the logbook at once. Anyone else's
//! is kept apart until a volunteer has looked: then it becomes a journey or a problem, or
//! is set aside. The reporter sees what became of it.

use super::entries::{EntryKind, NewEntry};
use super::journeys::{Journey, JourneyKind};
use super::photos::{self, Prepared, Size};
use super::problems::{AsksFor, Problem, ProblemWhat};
use super::works::WorkWhat;
use super::{Conn, EntryId, Error, InstrumentId, LoanId, Moment, PersonId, ReportId, Result};
use chrono::Duration;

words! {
    /// What is told.
    pub enum What {
        /// Knocked or dropped.
        Knock = "knock", "a knock or a drop";
        /// Taken somewhere.
        Journey = "journey", "a journey";
        /// Dew, rain, mould.
        Dew = "dew", "dew or water on it";
        /// A star out of focus is lopsided.
        SquashedRings = "squashed-rings", "rings squashed on one side";
        /// Anything else.
        Other = "other", "something else";
    }
}

words! {
    /// How far a report is.
    pub enum State {
        /// Nobody has looked.
        Waiting = "waiting", "to look at";
        /// It stands in the logbook.
        Accepted = "accepted", "in the logbook";
        /// Somebody looked, and it counts for nothing.
        SetAside = "set-aside", "set aside";
        /// Taken back by who sent it.
        Withdrawn = "withdrawn", "taken back";
    }
}

/// How long a report is kept once it was decided.
pub const KEPT_DECIDED: Duration = Duration::days(90);
/// How long one is kept that nobody looked at.
pub const KEPT_WAITING: Duration = Duration::days(180);
/// How long the network address is kept that a stranger's came from.
pub const NETWORK_KEPT: Duration = Duration::days(1);

/// The most that strangers send from one network: within an hour, within a day.
const FROM_A_NETWORK: [(i64, Duration); 2] = [(6, Duration::hours(1)), (20, Duration::days(1))];
/// The most that one person sends within a day.
const FROM_A_PERSON: i64 = 30;
/// The most that strangers send about one instrument within a day.
const OF_AN_INSTRUMENT: i64 = 20;
/// The most of strangers' that wait to be looked at.
const WAITING: i64 = 300;

/// The longest words, characters.
pub const LONGEST_WORDS: usize = 1000;
/// The longest name, characters.
pub const LONGEST_NAME: usize = 80;

/// Who reports.
#[derive(Debug, Clone, Copy)]
pub enum Reporter<'a> {
    /// Somebody who is not signed in: from which network, and the hash of their secret
    /// address.
    Stranger {
        /// The network.
        network: &'a str,
        /// [`super::sessions::Token::hash`] of the address' secret.
        token_hash: &'a [u8],
    },
    /// Who is signed in.
    Person(PersonId),
}

/// A report to be written.
#[derive(Debug, Clone)]
pub struct NewReport {
    /// Of what.
    pub instrument: InstrumentId,
    /// What is told.
    pub what: What,
    /// In their words.
    pub words: String,
    /// 1 light, 2 middling, 3 hard; of a knock.
    pub how_hard: Option<i64>,
    /// How far, km; of a journey.
    pub distance_km: Option<f64>,
    /// Who says so.
    pub name: String,
    /// When.
    pub at: Moment,
}

/// What a report becomes in the logbook.
#[derive(Debug, Clone, PartialEq)]
pub enum Becomes {
    /// A journey, with words beside it.
    Journey(Journey, String),
    /// A problem.
    Problem(Problem),
}

/// A report, without its picture's bytes.
#[derive(Debug, Clone)]
pub struct Report {
    /// Id.
    pub id: ReportId,
    /// Of what.
    pub instrument_id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub instrument_name: String,
    /// What is told.
    pub what: What,
    /// In their words.
    pub words: String,
    /// 1 light, 2 middling, 3 hard.
    pub how_hard: Option<i64>,
    /// How far, km.
    pub distance_km: Option<f64>,
    /// Who says so.
    pub name: String,
    /// Who they are, where they were signed in.
    pub person_id: Option<PersonId>,
    /// When it came.
    pub reported_at: Moment,
    /// Width and height of its picture, pixels.
    pub width_px: Option<i64>,
    /// Height.
    pub height_px: Option<i64>,
    /// How far it is.
    pub state: State,
    /// When it was decided.
    pub decided_at: Option<Moment>,
    /// By whom.
    pub decided_by: Option<String>,
    /// To who reported it.
    pub answer: String,
    /// What it became.
    pub entry_id: Option<EntryId>,
}

/// Work that settled what a report became.
#[derive(Debug, Clone)]
pub struct SettledBy {
    /// When.
    pub at: Moment,
    /// What was done.
    pub work: WorkWhat,
}

/// Why no more is taken just now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TooMany {
    /// From this sender: so long a wait.
    Wait(Duration),
    /// About this instrument, or altogether.
    Full,
}

async fn sent_since(
    conn: &mut Conn,
    network: &str,
    since: Moment,
) -> Result<(i64, Option<Moment>)> {
    let row = sqlx::query!(
        r#"SELECT COUNT(*) AS "n!: i64", MIN(reported_at) AS "first?: Moment" FROM reports
           WHERE network = ? AND reported_at > ?"#,
        network,
        since
    )
    .fetch_one(conn)
    .await?;
    Ok((row.n, row.first))
}

/// Whether one more may be sent by this reporter about this instrument.
pub async fn too_many(
    conn: &mut Conn,
    by: Reporter<'_>,
    instrument: InstrumentId,
    now: Moment,
) -> Result<Option<TooMany>> {
    let a_day_ago = now - Duration::days(1);
    let network = match by {
        Reporter::Person(person) => {
            let sent = sqlx::query_scalar!(
                r#"SELECT COUNT(*) AS "n!: i64" FROM reports WHERE person_id = ? AND reported_at > ?"#,
                person,
                a_day_ago
            )
            .fetch_one(conn)
            .await?;
            return Ok((sent >= FROM_A_PERSON).then_some(TooMany::Wait(Duration::days(1))));
        }
        Reporter::Stranger { network, .. } => network,
    };
    for (most, within) in FROM_A_NETWORK {
        let (sent, first) = sent_since(conn, network, now - within).await?;
        if sent >= most {
            let wait = first.map_or(within, |first| first + within - now);
            return Ok(Some(TooMany::Wait(wait.max(Duration::seconds(1)))));
        }
    }
    let counted = sqlx::query!(
        r#"SELECT (SELECT COUNT(*) FROM reports WHERE instrument_id = ?1 AND reported_at > ?2
                      AND person_id IS NULL) AS "about!: i64",
                  (SELECT COUNT(*) FROM reports WHERE state = 'waiting' AND person_id IS NULL) AS "waiting!: i64""#,
        instrument,
        a_day_ago
    )
    .fetch_one(conn)
    .await?;
    let full = counted.about >= OF_AN_INSTRUMENT || counted.waiting >= WAITING;
    Ok(full.then_some(TooMany::Full))
}

impl NewReport {
    /// Keeps it apart until somebody looks.
    pub async fn write(
        &self,
        conn: &mut Conn,
        by: Reporter<'_>,
        picture: Option<&Prepared>,
    ) -> Result<ReportId> {
        let id = ReportId::fresh();
        let (person, network, token) = match by {
            Reporter::Person(person) => (Some(person), None, None),
            Reporter::Stranger {
                network,
                token_hash,
            } => (None, Some(network), Some(token_hash)),
        };
        let full = picture.map(|p| p.picture.as_slice());
        let small = picture.map(|p| p.thumbnail.as_slice());
        let (width, height) = (picture.map(|p| p.width_px), picture.map(|p| p.height_px));
        sqlx::query!(
            "INSERT INTO reports (id, instrument_id, what, words, how_hard, distance_km, name, person_id, token_hash,
                network, reported_at, picture, thumbnail, width_px, height_px, state)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'waiting')",
            id, self.instrument, self.what, self.words, self.how_hard, self.distance_km, self.name, person, token,
            network, self.at, full, small, width, height
        )
        .execute(conn)
        .await?;
        Ok(id)
    }

    /// Keeps it and enters it in the logbook at once, signed by who reports.
    pub async fn write_straight(
        &self,
        conn: &mut Conn,
        person: PersonId,
        loan: Option<LoanId>,
        picture: Option<&Prepared>,
    ) -> Result<ReportId> {
        let id = self.write(conn, Reporter::Person(person), picture).await?;
        let becomes = becomes(self.what, &self.words, self.how_hard, self.distance_km);
        let entry = NewEntry {
            instrument: self.instrument,
            kind: EntryKind::Note,
            happened_at: self.at,
            recorded_at: self.at,
            by: person,
            loan,
            note: String::new(),
        };
        let entry = becomes.log(conn, entry).await?;
        decide(conn, id, State::Accepted, Some(entry), None, "", self.at).await?;
        Ok(id)
    }
}

/// What a report would become, as it was told.
fn becomes(what: What, words: &str, how_hard: Option<i64>, distance_km: Option<f64>) -> Becomes {
    let journey = |kind| {
        Becomes::Journey(
            Journey {
                kind,
                distance_km,
                severity: how_hard,
            },
            words.to_owned(),
        )
    };
    let problem = |what: ProblemWhat, usual: &str| {
        Becomes::Problem(Problem {
            what,
            asks_for: AsksFor::ALook,
            words: if words.is_empty() { usual } else { words }.to_owned(),
        })
    };
    match what {
        What::Knock => journey(JourneyKind::KnockOrDrop),
        What::Journey => journey(JourneyKind::Car),
        What::Dew => problem(ProblemWhat::DewOrMould, "Dew or water on it"),
        What::SquashedRings => problem(ProblemWhat::AlignmentSuspect, "Rings squashed on one side"),
        What::Other => problem(ProblemWhat::Other, "Something else"),
    }
}

impl Becomes {
    /// Enters it; what the entry says beside it goes after the words.
    async fn log(&self, conn: &mut Conn, mut entry: NewEntry) -> Result<EntryId> {
        match self {
            Self::Journey(journey, words) => {
                let journey = Journey {
                    kind: journey.kind,
                    distance_km: journey.distance_km.filter(|_| journey.kind.has_distance()),
                    severity: journey.severity.filter(|_| journey.kind.has_severity()),
                };
                let said = [words.as_str(), entry.note.as_str()];
                let said: Vec<&str> = said.into_iter().filter(|w| !w.is_empty()).collect();
                entry.note = said.join(" ");
                journey.log(conn, entry).await
            }
            Self::Problem(problem) => problem.log(conn, entry).await,
        }
    }
}

async fn decide(
    conn: &mut Conn,
    id: ReportId,
    state: State,
    entry: Option<EntryId>,
    by: Option<PersonId>,
    answer: &str,
    at: Moment,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE reports SET state = ?, entry_id = ?, decided_by = ?, decided_at = ?, answer = ?
         WHERE id = ? AND state = 'waiting'",
        state,
        entry,
        by,
        at,
        answer,
        id
    )
    .execute(conn)
    .await?;
    super::one_row(
        &done,
        Error::Refused(
            "Somebody has decided this report already, or it was taken back.".to_owned(),
        ),
    )
}

/// Enters a report in the logbook as a volunteer puts it. It is signed by the member who
/// reported it, or else by the volunteer, with the stranger's name beside it.
///
/// # Errors
/// Refused when it was decided already.
pub async fn accept(
    conn: &mut Conn,
    report: &Report,
    becomes: &Becomes,
    answer: &str,
    by: PersonId,
    at: Moment,
) -> Result<EntryId> {
    let entry = NewEntry {
        instrument: report.instrument_id,
        kind: EntryKind::Note,
        happened_at: report.reported_at,
        recorded_at: at,
        by: report.person_id.unwrap_or(by),
        loan: None,
        note: match report.person_id {
            Some(_) => String::new(),
            None => format!("Reported by {}, who was not signed in.", report.name),
        },
    };
    let entry = becomes.log(conn, entry).await?;
    decide(
        conn,
        report.id,
        State::Accepted,
        Some(entry),
        Some(by),
        answer,
        at,
    )
    .await?;
    Ok(entry)
}

/// Sets a report aside: it counts for nothing.
///
/// # Errors
/// Refused when it was decided already.
pub async fn set_aside(
    conn: &mut Conn,
    id: ReportId,
    answer: &str,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    decide(conn, id, State::SetAside, None, Some(by), answer, at).await
}

/// Takes a report back that nobody has decided: its words, name and picture go with it.
///
/// # Errors
/// Refused when it was decided already.
pub async fn withdraw(conn: &mut Conn, id: ReportId, at: Moment) -> Result<()> {
    decide(conn, id, State::Withdrawn, None, None, "", at).await?;
    sqlx::query!(
        "UPDATE reports SET words = '', name = 'taken back', how_hard = NULL, distance_km = NULL,
            picture = NULL, thumbnail = NULL, width_px = NULL, height_px = NULL WHERE id = ?",
        id
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Puts a report's picture among its instrument's photos.
///
/// # Errors
/// Not found when it has none.
pub async fn keep_picture(
    conn: &mut Conn,
    report: &Report,
    by: PersonId,
    at: Moment,
) -> Result<()> {
    let row = sqlx::query!(
        r#"SELECT picture AS "picture!", thumbnail AS "thumbnail!", width_px AS "width!: u32", height_px AS "height!: u32"
           FROM reports WHERE id = ? AND picture IS NOT NULL"#,
        report.id
    )
    .fetch_optional(&mut *conn)
    .await?
    .ok_or(Error::NotFound("picture"))?;
    let picture = Prepared {
        picture: row.picture,
        thumbnail: row.thumbnail,
        width_px: row.width,
        height_px: row.height,
    };
    photos::add(conn, report.instrument_id, &picture, "", at, by).await?;
    Ok(())
}

/// The bytes of a report's picture, a JPEG.
///
/// # Errors
/// Not found when it has none.
pub async fn picture(conn: &mut Conn, id: ReportId, size: Size) -> Result<Vec<u8>> {
    let small = size == Size::Small;
    sqlx::query_scalar!(
        r#"SELECT CASE WHEN ? THEN thumbnail ELSE picture END AS "bytes!: Vec<u8>"
           FROM reports WHERE id = ? AND picture IS NOT NULL"#,
        small,
        id
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("picture"))
}

/// Which reports to list.
#[derive(Debug, Clone, Default)]
pub struct Which {
    /// This one.
    pub id: Option<ReportId>,
    /// Of this person.
    pub person: Option<PersonId>,
    /// The one with this hash of its secret.
    pub token_hash: Option<Vec<u8>>,
    /// Only those that nobody has looked at.
    pub waiting: bool,
}

/// Reports, the latest first.
pub async fn list(conn: &mut Conn, which: &Which) -> Result<Vec<Report>> {
    Ok(sqlx::query_as!(
        Report,
        r#"SELECT r.id AS "id: ReportId", r.instrument_id AS "instrument_id: InstrumentId", i.tag,
                  i.name AS instrument_name, r.what AS "what: What", r.words, r.how_hard, r.distance_km, r.name,
                  r.person_id AS "person_id: PersonId", r.reported_at AS "reported_at: Moment",
                  r.width_px, r.height_px, r.state AS "state: State", r.decided_at AS "decided_at: Moment",
                  d.name AS "decided_by?", r.answer, r.entry_id AS "entry_id: EntryId"
           FROM reports r JOIN instruments i ON i.id = r.instrument_id LEFT JOIN people d ON d.id = r.decided_by
           WHERE (?1 IS NULL OR r.id = ?1) AND (?2 IS NULL OR r.person_id = ?2) AND (?3 IS NULL OR r.token_hash = ?3)
             AND (NOT ?4 OR r.state = 'waiting')
           ORDER BY r.reported_at DESC, r.id DESC"#,
        which.id,
        which.person,
        which.token_hash,
        which.waiting
    )
    .fetch_all(conn)
    .await?)
}

impl Report {
    /// One of these.
    ///
    /// # Errors
    /// Not found when there is none.
    pub async fn one(conn: &mut Conn, which: &Which) -> Result<Self> {
        list(conn, which)
            .await?
            .pop()
            .ok_or(Error::NotFound("report"))
    }

    /// What it would become, as it was told.
    pub fn becomes(&self) -> Becomes {
        becomes(self.what, &self.words, self.how_hard, self.distance_km)
    }

    /// The work that settled what it became, if any does.
    pub async fn settled_by(&self, conn: &mut Conn) -> Result<Option<SettledBy>> {
        let Some(entry) = self.entry_id else {
            return Ok(None);
        };
        Ok(sqlx::query_as!(
            SettledBy,
            r#"WITH RECURSIVE lasting (id) AS (
                   SELECT ?1 UNION SELECT c.id FROM entries c JOIN lasting ON c.supersedes = lasting.id
               )
               SELECT w.happened_at AS "at!: Moment", k.what AS "work!: WorkWhat"
               FROM lasting JOIN work_settles s ON s.problem_entry_id = lasting.id
                    JOIN current_entries w ON w.id = s.work_entry_id JOIN works k ON k.entry_id = w.id
               ORDER BY w.happened_at LIMIT 1"#,
            entry
        )
        .fetch_optional(conn)
        .await?)
    }
}

/// Removes what is old, and the networks strangers' came from after their time; how many
/// rows were touched.
pub async fn remove_old(conn: &mut Conn, now: Moment) -> Result<u64> {
    let (decided, waiting) = (now - KEPT_DECIDED, now - KEPT_WAITING);
    let gone = sqlx::query!(
        "DELETE FROM reports WHERE decided_at <= ? OR (decided_at IS NULL AND reported_at <= ?)",
        decided,
        waiting
    )
    .execute(&mut *conn)
    .await?;
    let network = now - NETWORK_KEPT;
    let forgotten = sqlx::query!(
        "UPDATE reports SET network = NULL WHERE network IS NOT NULL AND reported_at <= ?",
        network
    )
    .execute(conn)
    .await?;
    Ok(gone.rows_affected() + forgotten.rows_affected())
}
