//! Carries messages to the mail server, one after the other.

use std::time::Duration;

use lettre::AsyncTransport;
use lettre::message::header::ContentType;
use lettre::message::{Mailbox, Message as Mail};

use super::{Server, plan, words};
use crate::library::messages::{self, Message, NewMessage, State};
use crate::library::{self, Moment};
use crate::web::App;

/// How often it is looked what is to be said.
const EVERY: Duration = Duration::from_secs(300);

/// Looks what is to be said and sends it, until dropped.
pub async fn run(app: App) {
    if let Err(error) = resume(&app).await {
        tracing::warn!(%error, "messages that were being sent could not be taken up");
    }
    loop {
        if let Err(error) = round(&app).await {
            tracing::warn!(%error, "messages could not be worked out or sent");
        }
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = app.post.0.bell.notified() => {}
        }
    }
}

async fn resume(app: &App) -> library::Result<()> {
    let mut write = app.library.write().await?;
    messages::resume(&mut write).await?;
    write.commit().await
}

/// One round: writes down what is to be said, then sends what waits.
///
/// # Errors
/// When the library cannot be read or written.
pub async fn round(app: &App) -> library::Result<()> {
    write_down(app).await?;
    if let Some(server) = &app.post.0.server {
        send_waiting(app, server).await?;
    }
    Ok(())
}

/// Writes down what is to be said by now, and drops what is no longer so.
///
/// # Errors
/// When the library cannot be read or written.
pub async fn write_down(app: &App) -> library::Result<()> {
    let now = app.clock.now();
    let snapshot = app.snapshots.now(&app.library, now).await?;
    let wanted = {
        let mut conn = app.library.read().await?;
        let club = library::club::Club::load(&mut conn).await?;
        if !plan::day_has_begun(&club, now) {
            return Ok(());
        }
        let base = app.post.base(&club);
        plan::wanted(&mut conn, &club, &snapshot, &base, now).await?
    };
    keep(app, &wanted, now).await?;
    Ok(())
}

async fn keep(app: &App, wanted: &[NewMessage], now: Moment) -> library::Result<()> {
    let mut write = app.library.write().await?;
    let mut changed = messages::drop_stale(&mut write, wanted, now).await? > 0;
    for message in wanted {
        changed |= message.write(&mut write, now).await?;
    }
    if changed {
        write.commit().await
    } else {
        write.rollback().await
    }
}

/// Sends what waits. Where the server cannot be reached or will not let us in nothing is
/// taken: it all waits, and the trouble is told. So a wrong password of ours is not taken
/// for a refusal of a message.
async fn send_waiting(app: &App, server: &Server) -> library::Result<()> {
    let waits = {
        let mut conn = app.library.read().await?;
        messages::next(&mut conn, app.clock.now()).await?.is_some()
    };
    if !waits {
        return Ok(());
    }
    let closed = match server.transport.test_connection().await {
        Ok(true) => None,
        Ok(false) => Some("it does not answer".to_owned()),
        Err(error) => Some(told(&error)),
    };
    app.post.set_trouble(closed.as_ref().map(|why| {
        format!(
            "Mail cannot be sent by {}: {why}. Look whether that server is up, and whether the name and password are right. Messages wait.",
            server.host
        )
    }));
    if closed.is_some() {
        return Ok(());
    }
    while let Some(message) = take(app).await? {
        let came_out = send(server, &message, app).await;
        let now = app.clock.now();
        let mut write = app.library.write().await?;
        match came_out {
            Sent::Taken(said) => {
                messages::end(&mut write, message.id, State::Sent, &said, now).await?;
            }
            Sent::Never(said) => {
                messages::end(&mut write, message.id, State::Refused, &said, now).await?;
            }
            Sent::Later(said) => {
                messages::try_later(&mut write, &message, &said, now).await?;
            }
        }
        write.commit().await?;
    }
    Ok(())
}

/// Takes the next message, so that it is known after a stop that it was being sent.
async fn take(app: &App) -> library::Result<Option<Message>> {
    let mut write = app.library.write().await?;
    let next = messages::take_next(&mut write, app.clock.now()).await?;
    write.commit().await?;
    Ok(next)
}

/// How sending came out, with what was said.
enum Sent {
    /// The mail server has it.
    Taken(String),
    /// It was refused for good.
    Never(String),
    /// It was refused for now.
    Later(String),
}

async fn send(server: &Server, message: &Message, app: &App) -> Sent {
    let mail = match mail(server, message, app).await {
        Ok(mail) => mail,
        Err(why) => return Sent::Never(why),
    };
    match AsyncTransport::send(&server.transport, mail).await {
        Ok(answer) => Sent::Taken(answer.first_line().unwrap_or_default().to_owned()),
        Err(error) if error.is_permanent() => Sent::Never(told(&error)),
        Err(error) => Sent::Later(told(&error)),
    }
}

/// An error with what lies under it, in one line.
fn told(error: &lettre::transport::smtp::Error) -> String {
    let mut words = error.to_string();
    let mut under = std::error::Error::source(error);
    while let Some(one) = under {
        let more = one.to_string();
        if !words.contains(&more) {
            words = format!("{words}: {more}");
        }
        under = one.source();
    }
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The message as RFC 5322 has it. Its Message-ID is its own id at the sender's domain.
async fn mail(server: &Server, message: &Message, app: &App) -> Result<Mail, String> {
    let club = match app.library.read().await {
        Ok(mut conn) => library::club::Club::load(&mut conn).await,
        Err(error) => Err(error),
    };
    let mut body = message.body.clone();
    if let Ok(club) = &club
        && message.kind.follows()
    {
        body.push_str(&words::fewer(&app.post.base(club)));
    }
    let club = club.map(|club| club.name).unwrap_or_default();
    let to = message.address.as_deref().unwrap_or_default();
    let to = to
        .parse()
        .map_err(|error| format!("the address {to} cannot be written to: {error}"))?;
    Mail::builder()
        .message_id(Some(message_id(message, server)))
        .from(Mailbox::new(Some(club), server.from.clone()))
        .to(Mailbox::new(Some(message.person.clone()), to))
        .subject(message.subject.clone())
        .date(message.made_at.into())
        .header(AutoSubmitted)
        .header(ContentType::TEXT_PLAIN)
        .body(body.replace('\n', "\r\n"))
        .map_err(|error| error.to_string())
}

fn message_id(message: &Message, server: &Server) -> String {
    format!("<{}@{}>", message.id, server.from.domain())
}

/// RFC 3834: made by a program, so that an absence notice does not answer it.
#[derive(Clone)]
struct AutoSubmitted;

impl lettre::message::header::Header for AutoSubmitted {
    fn name() -> lettre::message::header::HeaderName {
        lettre::message::header::HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(_: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(Self)
    }

    fn display(&self) -> lettre::message::header::HeaderValue {
        lettre::message::header::HeaderValue::new(Self::name(), "auto-generated".to_owned())
    }
}
