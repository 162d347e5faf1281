//! Mail leaves by a real server with STARTTLS, once each, whatever step the tool is killed
//! at; what the server says is kept.
#![allow(clippy::unwrap_used)]

mod server;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::Utc;
use server::{Server, Silent};
use tubewright::library::messages::{Kind, Message, NewMessage, State};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::{Library, PersonId};

/// A club with these people.
async fn club(folder: &Path, names: &[&str]) -> Vec<PersonId> {
    let library = Library::open(folder).await.unwrap();
    let mut write = library.write().await.unwrap();
    let mut people = Vec::new();
    for name in names {
        let new = NewPerson {
            name: (*name).to_owned(),
            email: format!("{}@club.example", name.to_lowercase().replace(' ', ".")),
            role: Role::Member,
            guest: false,
        };
        let id = Person::add(&mut write, &new.check().unwrap(), Utc::now()).await;
        people.push(id.unwrap());
    }
    write.commit().await.unwrap();
    library.close().await;
    people
}

/// Writes a message down for somebody.
async fn write_down(folder: &Path, person: PersonId, about: &str) {
    let library = Library::open(folder).await.unwrap();
    let mut write = library.write().await.unwrap();
    let message = NewMessage {
        kind: Kind::Account,
        person,
        about: about.to_owned(),
        subject: format!("Ångström: {about}"),
        body: format!(
            "Your password was changed.\n\n.{about}\nA line that begins with a dot, and ä, ö, ü."
        ),
        to_address: None,
    };
    assert!(message.write(&mut write, Utc::now()).await.unwrap());
    // The same again is not said twice.
    assert!(!message.write(&mut write, Utc::now()).await.unwrap());
    write.commit().await.unwrap();
    library.close().await;
}

struct Tool(Child);

impl Tool {
    fn start(folder: &Path, server: &Server) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_tubewright"))
            .args(["serve", "--listen", "127.0.0.1:0", "--data"])
            .arg(folder)
            .args(["--mail-from", "desk@club.example"])
            .env("TUBEWRIGHT_MAIL_SERVER", server.url())
            .env("SSL_CERT_FILE", server.authority())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        while !lines.next().unwrap().unwrap().contains("is ready at") {}
        Self(child)
    }

    /// As when the power goes: nothing is tidied.
    fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Tool {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

async fn messages(folder: &Path) -> Vec<Message> {
    let library = Library::open(folder).await.unwrap();
    let all = Message::all(&mut library.read().await.unwrap())
        .await
        .unwrap();
    library.close().await;
    all
}

/// Waits until the messages are as they should be, a minute at most.
async fn until(folder: &Path, so: impl Fn(&[Message]) -> bool) -> Vec<Message> {
    let begun = Instant::now();
    loop {
        let all = messages(folder).await;
        if so(&all) {
            return all;
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "{all:#?}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

fn all_sent(all: &[Message]) -> bool {
    all.iter().all(|m| m.state == State::Sent)
}

#[tokio::test]
async fn messages_leave_once_by_an_encrypted_line() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(folder.path());
    let data = folder.path().join("data");
    let people = club(&data, &["Ines Vale", "Otto Brink"]).await;
    for (person, about) in people.iter().zip(["one", "two"]) {
        write_down(&data, *person, about).await;
    }
    let tool = Tool::start(&data, &server);
    let all = until(&data, all_sent).await;
    tool.kill();
    // A second start has nothing left to send.
    let tool = Tool::start(&data, &server);
    tokio::time::sleep(Duration::from_secs(2)).await;
    tool.kill();
    let mails = server.mails();
    assert_eq!(mails.len(), 2, "{mails:#?}");
    for mail in &mails {
        assert!(mail.encrypted);
        assert_eq!(mail.from, "desk@club.example");
        // RFC 3834, 5: made by a program.
        assert_eq!(mail.header("Auto-Submitted"), "auto-generated");
        assert!(mail.text.is_ascii(), "encoded as RFC 2047 and 2045 have it");
        let of = all
            .iter()
            .find(|m| m.address.as_deref() == Some(&mail.to))
            .unwrap();
        assert_eq!(
            mail.header("Message-ID"),
            format!("<{}@club.example>", of.id)
        );
        assert_eq!(of.said, "2.0.0 kept");
    }
    // RFC 2047: "Ångström" is no word of a header as it stands.
    assert!(mails[0].header("Subject").contains("=?utf-8?"));
}

#[tokio::test]
async fn killed_at_any_step_nothing_is_lost_and_doubles_show_as_such() {
    for (silent, copies) in [
        (Silent::AtSender, 1..=1),
        // It had it, and nobody could know: sent again, as the same message.
        (Silent::BeforeAnswer, 2..=2),
        (Silent::AfterAnswer, 1..=2),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let server = Server::start(folder.path());
        let data = folder.path().join("data");
        let people = club(&data, &["Ines Vale"]).await;
        write_down(&data, people[0], "one").await;
        server.be_silent(silent);
        let tool = Tool::start(&data, &server);
        server.wait_for_silence();
        tool.kill();
        let tool = Tool::start(&data, &server);
        let all = until(&data, all_sent).await;
        tool.kill();
        let mails = server.mails();
        assert!(copies.contains(&mails.len()), "{silent:?}: {mails:#?}");
        for mail in mails {
            let id = format!("<{}@club.example>", all[0].id);
            assert_eq!(mail.header("Message-ID"), id, "{silent:?}");
        }
    }
}

#[tokio::test]
async fn a_refusal_is_kept_and_a_closed_door_dooms_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(folder.path());
    let data = folder.path().join("data");
    let people = club(&data, &["Ines Vale", "Gone Away", "Full Box"]).await;
    for (person, about) in people.iter().zip(["one", "two", "three"]) {
        write_down(&data, *person, about).await;
    }
    // RFC 3463: no such mailbox, and a full one.
    server.answer("gone.away@club.example", "550 5.1.1 no such mailbox");
    server.answer("full.box@club.example", "452 4.2.2 mailbox full");
    // The tool's own password is wrong: that is no fault of any message.
    server.refuse_password(true);
    let tool = Tool::start(&data, &server);
    tokio::time::sleep(Duration::from_secs(3)).await;
    let all = messages(&data).await;
    assert!(
        all.iter()
            .all(|m| m.state == State::Waiting && m.tries == 0),
        "{all:#?}"
    );
    tool.kill();
    server.refuse_password(false);
    let tool = Tool::start(&data, &server);
    let all = until(&data, |all| {
        all.iter().all(|m| m.tries > 0 && m.state != State::Sending)
    })
    .await;
    tool.kill();
    let of = |name: &str| all.iter().find(|m| m.person == name).unwrap();
    assert_eq!(of("Ines Vale").state, State::Sent);
    assert_eq!(of("Gone Away").state, State::Refused);
    assert!(of("Gone Away").said.contains("no such mailbox"));
    assert_eq!(of("Full Box").state, State::Waiting);
    assert!(of("Full Box").said.contains("mailbox full"));
    assert_eq!(server.mails().len(), 1);
}
