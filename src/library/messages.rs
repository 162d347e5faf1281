//! Messages to people: what is to be said, to whom, and whether it was.
//!
//! A message stands here before it is sent, so that a stop of the tool loses none. It is
//! taken (`sending`), handed to the mail server, and noted as sent. Where the tool dies
//! between the last two it is sent again with the same Message-ID (its own id), so a
//! mailbox that drops doubles shows it once; elsewhere it may be seen twice, never not.
//! The unique mark `about` keeps anything from being said twice in another message.

use chrono::Duration;

use super::people::Role;
use super::{Conn, Error, MessageId, Moment, PersonId, Result};

words! {
    /// What a message tells.
    pub enum Kind {
        /// A loan is due back in a few days.
        DueSoon = "due-soon", "a loan is due back soon";
        /// A loan is late.
        Late = "late", "a loan is late";
        /// The first in line may have it.
        YourTurn = "your-turn", "your turn on a waiting list";
        /// A reservation begins in a few days.
        Reserved = "reserved", "something is reserved for you";
        /// What somebody reported has been settled.
        Settled = "settled", "a problem you reported is settled";
        /// What a week holds for those who answer for the shelf.
        Week = "week", "the week ahead (coordinators)";
        /// A link to choose a password at.
        SignIn = "sign-in", "sign-in links";
        /// How somebody signs in has changed.
        Account = "account", "changes to how you sign in";
        /// Whether mail arrives.
        Trial = "trial", "a test message";
    }
}

impl Kind {
    /// Whether it follows from what stands in the library, so that it is dropped when
    /// that is so no longer.
    pub fn follows(self) -> bool {
        matches!(
            self,
            Self::DueSoon
                | Self::Late
                | Self::YourTurn
                | Self::Reserved
                | Self::Settled
                | Self::Week
        )
    }

    /// The kinds that somebody of this role may choose to do without.
    pub fn chosen_by(role: Role) -> Vec<Self> {
        let all = Self::ALL.iter().copied();
        all.filter(|kind| kind.follows() && (*kind != Self::Week || role == Role::Coordinator))
            .collect()
    }
}

words! {
    /// How far a message is.
    pub enum State {
        /// To be sent.
        Waiting = "waiting", "waiting";
        /// Handed to the mail server; whether it has it is not known yet.
        Sending = "sending", "being sent";
        /// The mail server has it.
        Sent = "sent", "sent";
        /// The mail server will not have it, or could not be reached for days.
        Refused = "refused", "not sent";
        /// Somebody told the person.
        Told = "told", "told in person";
        /// It was no longer so before it was sent.
        Dropped = "dropped", "no longer needed";
    }
}

/// How long a message is tried before it is given up.
pub const TRIED_FOR: Duration = Duration::days(3);
/// How long messages that went out, or were given up, are kept.
pub const KEPT_FOR: Duration = Duration::days(90);

/// A message to be written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewMessage {
    /// What it tells.
    pub kind: Kind,
    /// Whom.
    pub person: PersonId,
    /// What it is about: of one kind and person, each is said once.
    pub about: String,
    /// Subject.
    pub subject: String,
    /// Text, lines ended by a line feed.
    pub body: String,
    /// The address it goes to where that is not the person's own of the day.
    pub to_address: Option<String>,
}

/// A message as it stands.
#[derive(Debug, Clone)]
pub struct Message {
    /// Id; its Message-ID is made of it.
    pub id: MessageId,
    /// What it tells.
    pub kind: Kind,
    /// Whom.
    pub person: String,
    /// Where to; none for who has no address.
    pub address: Option<String>,
    /// Subject.
    pub subject: String,
    /// Text; empty once a sign-in link has gone out.
    pub body: String,
    /// When it was written down.
    pub made_at: Moment,
    /// How far it is.
    pub state: State,
    /// How often it was tried.
    pub tries: i64,
    /// What the mail server said last.
    pub said: String,
    /// When it was sent, given up, told or dropped.
    pub ended_at: Option<Moment>,
}

impl NewMessage {
    /// Writes it down, unless this has been said or the person does without; whether it was.
    pub async fn write(&self, conn: &mut Conn, at: Moment) -> Result<bool> {
        let id = MessageId::fresh();
        let done = sqlx::query!(
            "INSERT INTO messages (id, kind, person_id, about, subject, body, to_address, made_at, state, next_try_at)
             SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, 'waiting', ?8
             WHERE NOT EXISTS (SELECT 1 FROM unwanted_messages u WHERE u.person_id = ?3 AND u.kind = ?2)
             ON CONFLICT (kind, person_id, about) DO NOTHING",
            id,
            self.kind,
            self.person,
            self.about,
            self.subject,
            self.body,
            self.to_address,
            at
        )
        .execute(conn)
        .await?;
        Ok(done.rows_affected() == 1)
    }
}

/// Drops what waits and follows from the library no longer; how many that were.
/// `wanted` is all that should be said now.
pub async fn drop_stale(conn: &mut Conn, wanted: &[NewMessage], at: Moment) -> Result<u64> {
    let waiting = sqlx::query!(
        r#"SELECT id AS "id: MessageId", kind AS "kind: Kind", person_id AS "person_id: PersonId", about
           FROM messages WHERE state = 'waiting'"#
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut dropped = 0;
    for one in waiting.into_iter().filter(|one| one.kind.follows()) {
        let stands = wanted
            .iter()
            .any(|w| w.kind == one.kind && w.person == one.person_id && w.about == one.about);
        if !stands {
            dropped += end(conn, one.id, State::Dropped, "", at).await?;
        }
    }
    Ok(dropped)
}

/// The next message that is due to be tried and can be sent, the oldest first.
pub async fn next(conn: &mut Conn, now: Moment) -> Result<Option<MessageId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT m.id AS "id: MessageId" FROM messages m JOIN people p ON p.id = m.person_id
           WHERE m.state = 'waiting' AND m.next_try_at <= ? AND COALESCE(m.to_address, p.email) IS NOT NULL
           ORDER BY m.made_at, m.id LIMIT 1"#,
        now
    )
    .fetch_optional(conn)
    .await?)
}

/// Takes the next message: it counts as being sent until it is said how that ended.
pub async fn take_next(conn: &mut Conn, now: Moment) -> Result<Option<Message>> {
    let Some(id) = next(conn, now).await? else {
        return Ok(None);
    };
    sqlx::query!(
        "UPDATE messages SET state = 'sending', tries = tries + 1 WHERE id = ?",
        id
    )
    .execute(&mut *conn)
    .await?;
    Message::get(conn, id).await.map(Some)
}

/// What was being sent when the tool stopped is sent again; how many that are.
pub async fn resume(conn: &mut Conn) -> Result<u64> {
    let done = sqlx::query!("UPDATE messages SET state = 'waiting' WHERE state = 'sending'")
        .execute(conn)
        .await?;
    Ok(done.rows_affected())
}

/// Notes that it could not be sent now: it is tried again, after 1, 2, 4 ... 64 minutes,
/// for three days.
pub async fn try_later(conn: &mut Conn, message: &Message, said: &str, now: Moment) -> Result<()> {
    if now - message.made_at > TRIED_FOR {
        end(conn, message.id, State::Refused, said, now).await?;
        return Ok(());
    }
    let minutes = 1_i64 << (message.tries - 1).clamp(0, 6);
    let next = now + Duration::minutes(minutes);
    sqlx::query!(
        "UPDATE messages SET state = 'waiting', next_try_at = ?, said = ? WHERE id = ?",
        next,
        said,
        message.id
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Notes how it ended, with what the mail server said; how many rows that were. The text
/// of a sign-in link is wiped.
pub async fn end(
    conn: &mut Conn,
    id: MessageId,
    state: State,
    said: &str,
    at: Moment,
) -> Result<u64> {
    let done = sqlx::query!(
        "UPDATE messages SET state = ?, said = ?, ended_at = ?, next_try_at = NULL,
                body = CASE kind WHEN 'sign-in' THEN '' ELSE body END
         WHERE id = ? AND state IN ('waiting', 'sending', 'refused')",
        state,
        said,
        at,
        id
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}

/// Has it tried again at once.
///
/// # Errors
/// Refused when it was not given up, or its text is gone.
pub async fn send_again(conn: &mut Conn, id: MessageId, at: Moment) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE messages SET state = 'waiting', next_try_at = ?1, made_at = ?1, tries = 0, ended_at = NULL
         WHERE id = ?2 AND state = 'refused' AND body <> ''",
        at,
        id
    )
    .execute(conn)
    .await?;
    super::one_row(&done, Error::Refused(
            "That message is not one that failed, or held a sign-in link that is gone. Make a new one."
                .to_owned(),
        ))
}

impl Message {
    /// One message.
    pub async fn get(conn: &mut Conn, id: MessageId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT m.id AS "id: MessageId", m.kind AS "kind: Kind", p.name AS person,
                      COALESCE(m.to_address, p.email) AS "address?: String", m.subject, m.body,
                      m.made_at AS "made_at: Moment", m.state AS "state: State", m.tries, m.said,
                      m.ended_at AS "ended_at: Moment"
               FROM messages m JOIN people p ON p.id = m.person_id WHERE m.id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("message"))
    }

    /// All that are kept, those that ask for something first, then the newest.
    pub async fn all(conn: &mut Conn) -> Result<Vec<Self>> {
        Self::newest(conn, None, None, -1).await
    }

    /// So many of those that are still to be said, or of those that are done with, or of all, the
    /// former first and then the newest; of one state only, where one is given. -1 for all.
    pub async fn newest(
        conn: &mut Conn,
        done: Option<bool>,
        state: Option<State>,
        rows: i64,
    ) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT m.id AS "id: MessageId", m.kind AS "kind: Kind", p.name AS person,
                      COALESCE(m.to_address, p.email) AS "address?: String", m.subject, m.body,
                      m.made_at AS "made_at: Moment", m.state AS "state: State", m.tries, m.said,
                      m.ended_at AS "ended_at: Moment"
               FROM messages m JOIN people p ON p.id = m.person_id
               WHERE (?1 IS NULL OR (m.state NOT IN ('refused', 'waiting', 'sending')) = ?1)
                 AND (?2 IS NULL OR m.state = ?2)
               ORDER BY m.state NOT IN ('refused', 'waiting', 'sending'), m.made_at DESC, m.id LIMIT ?3"#,
            done,
            state,
            rows
        )
        .fetch_all(conn)
        .await?)
    }

    /// Those that mail will not bring: refused, or, where mail is sent, to somebody without an
    /// address; the newest first.
    pub async fn unsaid(conn: &mut Conn, sends: bool) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT m.id AS "id: MessageId", m.kind AS "kind: Kind", p.name AS person,
                      COALESCE(m.to_address, p.email) AS "address?: String", m.subject, m.body,
                      m.made_at AS "made_at: Moment", m.state AS "state: State", m.tries, m.said,
                      m.ended_at AS "ended_at: Moment"
               FROM messages m JOIN people p ON p.id = m.person_id
               WHERE m.state IN ('refused', 'waiting')
                 AND (m.state = 'refused' OR (?1 AND COALESCE(m.to_address, p.email) IS NULL))
               ORDER BY m.made_at DESC, m.id"#,
            sends
        )
        .fetch_all(conn)
        .await?)
    }

    /// When somebody's mail was refused last, and what was said, if nothing has got
    /// through since.
    pub async fn refused(conn: &mut Conn, person: PersonId) -> Result<Option<(Moment, String)>> {
        let last = sqlx::query!(
            r#"SELECT ended_at AS "at!: Moment", state AS "state: State", said FROM messages
               WHERE person_id = ? AND state IN ('sent', 'refused') ORDER BY ended_at DESC LIMIT 1"#,
            person
        )
        .fetch_optional(conn)
        .await?;
        Ok(last
            .filter(|last| last.state == State::Refused)
            .map(|last| (last.at, last.said)))
    }
}

/// The kinds that somebody does without.
pub async fn unwanted(conn: &mut Conn, person: PersonId) -> Result<Vec<Kind>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT kind AS "kind: Kind" FROM unwanted_messages WHERE person_id = ? ORDER BY kind"#,
        person
    )
    .fetch_all(conn)
    .await?)
}

/// Keeps which kinds somebody does without; what of those waits is dropped.
pub async fn choose(
    conn: &mut Conn,
    person: PersonId,
    unwanted: &[Kind],
    at: Moment,
) -> Result<()> {
    sqlx::query!("DELETE FROM unwanted_messages WHERE person_id = ?", person)
        .execute(&mut *conn)
        .await?;
    for kind in unwanted.iter().filter(|kind| kind.follows()) {
        sqlx::query!(
            "INSERT INTO unwanted_messages (person_id, kind) VALUES (?, ?)",
            person,
            kind
        )
        .execute(&mut *conn)
        .await?;
        sqlx::query!(
            "UPDATE messages SET state = 'dropped', ended_at = ?, next_try_at = NULL
             WHERE person_id = ? AND kind = ? AND state = 'waiting'",
            at,
            person,
            kind
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

/// How many links people have asked for themselves since then: all, and this person.
pub async fn links_asked(conn: &mut Conn, person: PersonId, since: Moment) -> Result<(i64, i64)> {
    let asked = sqlx::query!(
        r#"SELECT COUNT(*) AS "all!: i64", COALESCE(SUM(person_id = ?1), 0) AS "own!: i64"
           FROM sign_in_links WHERE made_by IS NULL AND person_id IS NOT NULL AND made_at > ?2"#,
        person,
        since
    )
    .fetch_one(conn)
    .await?;
    Ok((asked.all, asked.own))
}
