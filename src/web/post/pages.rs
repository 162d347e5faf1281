//! The pages about messages: what goes out, what failed, and what to say by hand; what a
//! person chooses to get; asking for a sign-in link.

use askama::Template;
use axum::response::Response;
use chrono::Duration;

use super::words;
use crate::library::messages::{self, Kind, Message, NewMessage, State};
use crate::library::people::Person;
use crate::library::sessions::{self, Purpose};
use crate::library::{Conn, MessageId, PersonId};
use crate::web::access::{Access, Route};
use crate::web::extract::Nothing;
use crate::web::extract::{Form, Path, Query};
use crate::web::page::{Layout, RequestContext, Submission, page, see_other, with_notice};
use crate::web::{Error, show, tries};

/// Routes.
pub fn routes() -> Vec<Route> {
    let mut all = vec![
        Route::get(Access::Coordinator, "/messages", list),
        Route::post(Access::Coordinator, "/messages/trial", trial),
        Route::post(Access::Coordinator, "/messages/{id}/again", again),
        Route::post(Access::Coordinator, "/messages/{id}/told", told),
        Route::post(Access::Member, "/me/messages", choose),
        Route::get(Access::Anyone, "/sign-in/link", show_link),
        Route::post(Access::Anyone, "/sign-in/link", ask_link),
    ];
    all.extend(super::feed::routes());
    all
}

/// The most links that are sent to one person, and to all, in an hour.
const LINKS_EACH: i64 = 3;
const LINKS_ALL: i64 = 60;

/// One message as the page shows it.
struct Line {
    id: MessageId,
    name: String,
    to: String,
    subject: String,
    body: String,
    /// "waiting", "sent Sat 28 Nov" and the like; "" where it waits for somebody to say it.
    state: String,
    said: String,
    failed: bool,
    /// Whether somebody can still say it by hand.
    open: bool,
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    state: String,
}

#[derive(Template)]
#[template(path = "post/messages.html")]
struct MessagesPage {
    layout: Layout,
    server: Option<(String, String)>,
    trouble: Option<String>,
    to_do: Vec<Line>,
    /// Whether there are more to be said than are shown.
    more_to_do: bool,
    done: Vec<Line>,
    own_address: String,
}

/// So many of each are shown, the newest first.
const SHOWN: i64 = 50;

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let state: Option<State> = asked.state.parse().ok();
    let mut conn = context.read().await?;
    let mut all = Message::newest(&mut conn, Some(false), state, SHOWN + 1).await?;
    let more_to_do = all.len() as i64 > SHOWN;
    all.truncate(SHOWN as usize);
    all.extend(Message::newest(&mut conn, Some(true), state, SHOWN).await?);
    drop(conn);
    let club = context.club();
    let today = club.date(context.now());
    let sends = context.app.post.sends();
    let lines = all.into_iter().map(|m| {
        let ended = m.ended_at.map(|at| show::short_day(club.date(at), today));
        let open = m.ended_at.is_none() || m.state == State::Refused;
        Line {
            id: m.id,
            name: m.person.clone(),
            to: match &m.address {
                Some(address) => format!("{}, {address}", m.person),
                None => format!("{}, who has no mail address", m.person),
            },
            subject: m.subject,
            state: match (m.state, ended) {
                (State::Waiting, _) if !sends || m.address.is_none() => String::new(),
                (State::Waiting, _) if m.tries > 0 => {
                    format!(
                        "waits, tried {}",
                        show::counted(m.tries as usize, "time", "times")
                    )
                }
                (state, Some(day)) => format!("{state} {day}"),
                (state, None) => state.to_string(),
            },
            failed: m.state == State::Refused,
            said: m.said,
            // A link is for one person's eyes.
            body: if m.kind == Kind::SignIn {
                String::new()
            } else {
                m.body
            },
            open,
        }
    });
    let (to_do, done) = lines.partition(|line| line.open);
    page(&MessagesPage {
        layout: context.layout("Messages"),
        server: context.app.post.server_words(),
        trouble: context.app.post.trouble(),
        to_do,
        more_to_do,
        done,
        own_address: context.person()?.mail().to_owned(),
    })
}

async fn trial(context: RequestContext, form: Form<Nothing>) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let me = context.person()?;
    let message = NewMessage {
        kind: Kind::Trial,
        person: me.id,
        about: uuid::Uuid::new_v4().to_string(),
        subject: format!("{}: a test message", context.club().name),
        body: words::trial(context.club(), &me.name),
        to_address: None,
    };
    message.write(&mut write, context.now()).await?;
    let done = write
        .finish(
            "/messages",
            "The test message is written down. Look here in a minute whether it was sent.",
        )
        .await;
    context.app.post.ring();
    done
}

async fn again(
    context: RequestContext,
    Path(id): Path<MessageId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    messages::send_again(&mut write, id, context.now()).await?;
    let done = write.finish("/messages", "It is sent again.").await;
    context.app.post.ring();
    done
}

async fn told(
    context: RequestContext,
    Path(id): Path<MessageId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    if messages::end(&mut write, id, State::Told, "", context.now()).await? == 0 {
        return Err(Error::NotFound("message that waits"));
    }
    write
        .finish("/messages", "Noted: they were told in person.")
        .await
}

/// One kind of message and whether somebody gets it.
pub struct Choice {
    /// Its word in the form.
    pub slug: &'static str,
    /// What it tells.
    pub words: String,
    /// Whether they get it.
    pub gets: bool,
}

/// What somebody may choose to get.
///
/// # Errors
/// When the library cannot be read.
pub async fn choices(conn: &mut Conn, person: &Person) -> Result<Vec<Choice>, Error> {
    let unwanted = messages::unwanted(conn, person.id).await?;
    let kinds = Kind::chosen_by(person.role).into_iter();
    Ok(kinds
        .map(|kind| Choice {
            slug: kind.slug(),
            words: show::capital(kind.label()),
            gets: !unwanted.contains(&kind),
        })
        .collect())
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct ChoiceFields {
    /// The kinds that are wanted.
    wanted: Vec<String>,
}

async fn choose(context: RequestContext, form: Form<ChoiceFields>) -> Result<Response, Error> {
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let me = context.person()?;
    let mut unwanted = Kind::chosen_by(me.role);
    unwanted.retain(|kind| !form.fields.wanted.iter().any(|word| word == kind.slug()));
    messages::choose(&mut write, me.id, &unwanted, context.now()).await?;
    write.finish("/me#messages", "Your choice is saved.").await
}

/// Writes a message with a sign-in link down for somebody.
///
/// # Errors
/// When the library cannot be written.
pub async fn send_link(
    context: &RequestContext,
    conn: &mut Conn,
    person: &Person,
    by: Option<PersonId>,
) -> Result<(), Error> {
    let purpose = Purpose::of(person);
    let token = sessions::make_address(conn, purpose, Some(person.id), by, context.now()).await?;
    let club = context.club();
    let base = context.app.post.base(club);
    let message = NewMessage {
        kind: Kind::SignIn,
        person: person.id,
        about: uuid::Uuid::new_v4().to_string(),
        subject: format!("{}: your sign-in link", club.name),
        body: words::sign_in_link(
            club,
            &person.name,
            &format!("{base}/welcome/{}", token.text()),
        ),
        to_address: None,
    };
    message.write(conn, context.now()).await?;
    Ok(())
}

#[derive(Template)]
#[template(path = "post/link.html")]
struct LinkPage {
    layout: Layout,
    sends: bool,
    contact: String,
}

async fn show_link(context: RequestContext) -> Result<Response, Error> {
    page(&LinkPage {
        layout: context.layout("A sign-in link"),
        sends: context.app.post.sends(),
        contact: context.club().contact.clone(),
    })
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct LinkFields {
    email: String,
}

/// Sends somebody a link, and answers alike whether there is such a person or not.
async fn ask_link(context: RequestContext, form: Form<LinkFields>) -> Result<Response, Error> {
    if !context.app.post.sends() {
        return Ok(see_other("/sign-in/link"));
    }
    let account = tries::account(&form.fields.email);
    let mut write = context.app.library.write().await?;
    let person = Person::by_email(&mut write, &account).await?;
    let person = person.filter(|p| p.left_at.is_none());
    let who = person.as_ref().map(|p| p.id);
    let said = match &person {
        None => "A sign-in link was asked for: no such account.",
        Some(person) => {
            let since = context.now() - Duration::hours(1);
            let (all, own) = messages::links_asked(&mut write, person.id, since).await?;
            if own >= LINKS_EACH || all >= LINKS_ALL {
                "A sign-in link was asked for: too many in an hour."
            } else {
                send_link(&context, &mut write, person, None).await?;
                "A sign-in link was asked for and sent."
            }
        }
    };
    context.audit_of(&mut write, who, said).await?;
    write.commit().await?;
    context.app.post.ring();
    Ok(with_notice(
        &context.app,
        see_other("/sign-in"),
        "If that address is on the club's list, a sign-in link is on its way to it.",
    ))
}
