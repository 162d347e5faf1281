//! The server killed at random moments under concurrent writes, and what is
//! left after it.

#[path = "../server.rs"]
mod server;
#[path = "../tube.rs"]
mod tube;

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use server::Server;
use tubewright::library::instruments::Instrument;
use tubewright::library::logbook;
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::sessions::{self, Token};
use tubewright::library::{Library, audit_log, copy_of};

/// How hard to try.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    pub rounds: usize,
    pub seed: u64,
    pub writers: usize,
    /// The longest a round lives, milliseconds.
    pub longest_ms: u64,
}

/// What was seen over all rounds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    pub rounds: usize,
    /// Writes the server acknowledged.
    pub acknowledged: usize,
    /// Writes that were sent and not answered before the kill.
    pub unanswered: usize,
    /// Of those, the ones that had been done all the same.
    pub done_unanswered: usize,
    /// Unanswered ones sent again after the restart.
    pub sent_again: usize,
    /// Acknowledged writes that were not there.
    pub lost: usize,
    /// Writes that acted twice.
    pub twice: usize,
    /// Writes of which a part was there and a part not.
    pub halves: usize,
    /// Databases that SQLite found unsound, or audit_logs that broke.
    pub unsound: usize,
}

impl Tally {
    pub fn is_clean(&self) -> bool {
        self.lost + self.twice + self.halves + self.unsound == 0
    }
}

/// One write: a check-in that logs a journey and a note together.
#[derive(Debug, Clone)]
struct Sent {
    once: String,
    words: String,
}

/// Sends the form; whether the server said it was done.
fn send(address: SocketAddr, token: &Token, sent: &Sent) -> bool {
    let ask = || -> std::io::Result<bool> {
        let body = format!(
            "csrf={}&once={}&loan_version=&journey=car&note={}",
            token.form_mark(),
            sent.once,
            sent.words
        );
        let mut stream = TcpStream::connect_timeout(&address, Duration::from_secs(2))?;
        stream.set_read_timeout(Some(Duration::from_secs(30)))?;
        write!(
            stream,
            "POST /check-in/N150 HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nSec-Fetch-Site: same-origin\r\n\
             Cookie: tubewright={}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
            token.text(),
            body.len()
        )?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer)?;
        if let Some(odd) = answer
            .lines()
            .next()
            .filter(|status| !status.starts_with("HTTP/1.1 303"))
        {
            panic!("not taken: {odd}");
        }
        Ok(!answer.is_empty())
    };
    ask().unwrap_or(false)
}

async fn club(folder: &Path, writers: usize) -> Vec<Token> {
    let library = Library::open(folder).await.unwrap();
    let mut write = library.write().await.unwrap();
    let now = chrono::Utc::now();
    let mut tokens = Vec::new();
    let mut first = None;
    for number in 0..writers {
        let new = NewPerson {
            name: format!("Volunteer {number}"),
            email: format!("v{number}@club.example"),
            role: Role::Coordinator,
        };
        let id = Person::add(&mut write, &new, now).await.unwrap();
        first.get_or_insert(id);
        tokens.push(sessions::start(&mut write, id, now).await.unwrap());
    }
    Instrument::add(&mut write, &tube::newtonian(), now, first.unwrap())
        .await
        .unwrap();
    write.commit().await.unwrap();
    library.close().await;
    tokens
}

/// How often each note stands in the logbook, and how many journeys there are.
async fn standing(folder: &Path) -> (std::collections::HashMap<String, usize>, usize, usize) {
    let library = Library::open(folder).await.unwrap();
    let copy = folder.join("copy-to-check.db");
    let sound = copy_of(&library, &copy).await.is_ok();
    let _ = std::fs::remove_file(&copy);
    let mut conn = library.read().await.unwrap();
    let chain = audit_log::check(&mut conn).await.unwrap();
    let id = Instrument::by_tag(&mut conn, "N150").await.unwrap().id;
    let mut notes = std::collections::HashMap::new();
    let mut journeys = 0;
    for line in logbook::of(&mut conn, id).await.unwrap() {
        match line.told {
            logbook::Told::Journey(_) => journeys += 1,
            logbook::Told::Words if line.entry.note.starts_with("w-") => {
                *notes.entry(line.entry.note.clone()).or_insert(0) += 1;
            }
            _ => {}
        }
    }
    drop(conn);
    library.close().await;
    let unsound = usize::from(!sound) + usize::from(chain.broken_at.is_some());
    (notes, journeys, unsound)
}

/// Kills the server so many times and counts what is left each time.
pub async fn run(binary: &Path, folder: &Path, plan: Plan) -> Tally {
    let tokens = club(folder, plan.writers).await;
    let mut random = StdRng::seed_from_u64(plan.seed);
    let mut tally = Tally::default();
    let mut acknowledged: Vec<Sent> = Vec::new();
    let mut again: Vec<(usize, Sent)> = Vec::new();
    for round in 0..plan.rounds {
        let server = Server::start(binary, folder);
        let address = server.address;
        // What had no answer before is sent again, as a browser's user would.
        for (writer, sent) in again.drain(..) {
            tally.sent_again += 1;
            assert!(
                send(address, &tokens[writer], &sent),
                "not answered in peace"
            );
            acknowledged.push(sent);
        }
        let stop = AtomicBool::new(false);
        let done = Mutex::new(Vec::new());
        let open = Mutex::new(Vec::new());
        let life = Duration::from_millis(random.random_range(5..=plan.longest_ms));
        std::thread::scope(|scope| {
            for (writer, token) in tokens.iter().enumerate() {
                let (stop, done, open) = (&stop, &done, &open);
                scope.spawn(move || {
                    for number in 0.. {
                        if stop.load(Ordering::Relaxed) {
                            break;
                        }
                        let sent = Sent {
                            once: format!("o-{round}-{writer}-{number}"),
                            words: format!("w-{round}-{writer}-{number}"),
                        };
                        if send(address, token, &sent) {
                            done.lock().unwrap().push(sent);
                        } else {
                            open.lock().unwrap().push((writer, sent));
                            break;
                        }
                    }
                });
            }
            let begun = Instant::now();
            while begun.elapsed() < life {
                std::thread::sleep(Duration::from_millis(1));
            }
            server.kill();
            stop.store(true, Ordering::Relaxed);
        });
        acknowledged.extend(done.into_inner().unwrap());
        let open = open.into_inner().unwrap();
        tally.unanswered += open.len();
        let (notes, journeys, unsound) = standing(folder).await;
        tally.unsound += unsound;
        for sent in &acknowledged {
            match notes.get(&sent.words) {
                None => tally.lost += 1,
                Some(1) => {}
                Some(_) => tally.twice += 1,
            }
        }
        tally.done_unanswered += open
            .iter()
            .filter(|(_, sent)| notes.contains_key(&sent.words))
            .count();
        tally.twice += open
            .iter()
            .filter(|(_, sent)| notes.get(&sent.words).is_some_and(|n| *n > 1))
            .count();
        // Each write logs a journey and a note: as many of one as of the other.
        let written: usize = notes.values().sum();
        tally.halves += written.abs_diff(journeys);
        // Every third gives up; the others come again.
        again.extend(
            open.into_iter()
                .enumerate()
                .filter(|(place, _)| place % 3 != 2)
                .map(|(_, one)| one),
        );
        tally.rounds += 1;
    }
    tally.acknowledged = acknowledged.len();
    tally
}
