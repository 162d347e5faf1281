//! The server killed at random moments under concurrent writes, and what is
//! left after it.

pub mod disk;
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

use disk::Disk;
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
    /// Requests that were refused in words because the disk failed.
    pub refused: usize,
    /// Of the refused writes, those that stand in the book all the same.
    pub done_refused: usize,
    /// Requests whose answer said no more than that something broke.
    pub unplain: usize,
    /// Unsynced writes that the power cut took back.
    pub taken_back: usize,
}

impl Tally {
    pub fn is_clean(&self) -> bool {
        self.lost + self.twice + self.halves + self.unsound + self.unplain == 0
    }
}

/// One write: a check-in that logs a journey and a note together.
#[derive(Debug, Clone)]
struct Sent {
    once: String,
    words: String,
}

/// What the server said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Answer {
    /// It was done; a page came.
    Done,
    /// Not done, with a status and words.
    Refused(u16),
    /// Nothing came.
    None,
}

impl Answer {
    fn is_plain(self) -> bool {
        matches!(self, Self::Refused(503 | 507))
    }
}

/// Sends a request and reads the status of what comes back.
fn ask(address: SocketAddr, request: &str) -> Answer {
    let exchange = || -> std::io::Result<String> {
        let mut stream = TcpStream::connect_timeout(&address, Duration::from_secs(2))?;
        stream.set_read_timeout(Some(Duration::from_secs(30)))?;
        stream.write_all(request.as_bytes())?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer)?;
        Ok(answer)
    };
    let answer = exchange().unwrap_or_default();
    let status = answer.split(' ').nth(1).and_then(|code| code.parse().ok());
    match status {
        Some(200 | 303) => Answer::Done,
        Some(other) => Answer::Refused(other),
        None => Answer::None,
    }
}

/// Sends the form.
fn send(address: SocketAddr, token: &Token, sent: &Sent) -> Answer {
    let body = format!(
        "csrf={}&once={}&loan_version=&journey=car&note={}",
        token.form_mark(),
        sent.once,
        sent.words
    );
    let head = format!(
        "POST /check-in/N150 HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nSec-Fetch-Site: same-origin\r\n\
         Cookie: tubewright={}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}",
        token.text(),
        body.len()
    );
    ask(address, &format!("{head}\r\n\r\n{body}"))
}

/// Looks at a page that needs nothing written.
fn look(address: SocketAddr) -> Answer {
    ask(
        address,
        &format!("GET /shelf HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"),
    )
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
            guest: false,
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

/// Kills the server so many times, on this disk, and counts what is left each time.
pub async fn run(binary: &Path, folder: &Path, plan: Plan, disk: Option<&Disk>) -> Tally {
    let tokens = club(folder, plan.writers).await;
    let folder = &folder.canonicalize().unwrap();
    let mut random = StdRng::seed_from_u64(plan.seed);
    let mut tally = Tally::default();
    let mut acknowledged: Vec<Sent> = Vec::new();
    let mut again: Vec<(usize, Sent)> = Vec::new();
    for round in 0..plan.rounds {
        let environment = disk.map(|d| d.environment(folder, &mut random));
        let server = Server::start_in(binary, folder, environment.unwrap_or_default());
        let address = server.address;
        // What had no answer before is sent again, as a browser's user would.
        for (writer, sent) in again.drain(..) {
            tally.sent_again += 1;
            let answer = send(address, &tokens[writer], &sent);
            assert_eq!(answer, Answer::Done, "in peace");
            acknowledged.push(sent);
        }
        if let Some(disk) = disk {
            disk.arm();
        }
        let stop = AtomicBool::new(false);
        let done = Mutex::new(Vec::new());
        let open = Mutex::new(Vec::new());
        let refused = Mutex::new(Vec::new());
        let looks = Mutex::new(Vec::new());
        let life = Duration::from_millis(random.random_range(5..=plan.longest_ms));
        std::thread::scope(|scope| {
            for (writer, token) in tokens.iter().enumerate() {
                let (stop, done, open, refused) = (&stop, &done, &open, &refused);
                scope.spawn(move || {
                    for number in 0.. {
                        if stop.load(Ordering::Relaxed) {
                            break;
                        }
                        let sent = Sent {
                            once: format!("o-{round}-{writer}-{number}"),
                            words: format!("w-{round}-{writer}-{number}"),
                        };
                        match send(address, token, &sent) {
                            Answer::Done => done.lock().unwrap().push(sent),
                            answer @ Answer::Refused(_) => {
                                refused.lock().unwrap().push((sent, answer));
                            }
                            Answer::None => {
                                open.lock().unwrap().push((writer, sent));
                                break;
                            }
                        }
                    }
                });
            }
            if disk.is_some() {
                let (stop, looks) = (&stop, &looks);
                scope.spawn(move || {
                    while !stop.load(Ordering::Relaxed) {
                        looks.lock().unwrap().push(look(address));
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
        if let Some(disk) = disk {
            tally.taken_back += disk.cut(&mut random);
        }
        acknowledged.extend(done.into_inner().unwrap());
        let open = open.into_inner().unwrap();
        let refused = refused.into_inner().unwrap();
        let said: Vec<Answer> = refused
            .iter()
            .map(|(_, answer)| *answer)
            .chain(looks.into_inner().unwrap())
            .filter(|answer| matches!(answer, Answer::Refused(_)))
            .collect();
        tally.refused += said.iter().filter(|a| a.is_plain()).count();
        for answer in said.iter().filter(|a| !a.is_plain()) {
            eprintln!("round {round}: {answer:?}");
            tally.unplain += 1;
        }
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
        tally.done_refused += refused
            .iter()
            .filter(|(sent, _)| notes.contains_key(&sent.words))
            .count();
        tally.done_unanswered += open
            .iter()
            .filter(|(_, sent)| notes.contains_key(&sent.words))
            .count();
        tally.twice += open
            .iter()
            .map(|(_, sent)| sent)
            .chain(refused.iter().map(|(sent, _)| sent))
            .filter(|sent| notes.get(&sent.words).is_some_and(|n| *n > 1))
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
