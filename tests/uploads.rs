//! What bodies without end do to the server's memory: the process is watched while
//! forty are sent to it at once.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used)]

#[path = "studies/tube.rs"]
mod tube;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tubewright::library::Library;
use tubewright::library::instruments::Instrument;
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::sessions::{self, Token};

/// How many hostile uploads there are at once, and how much each would send.
const SENDERS: usize = 40;
const BYTES: usize = 8 * 1024 * 1024;
/// What one upload may take of memory: the text that a form may hold, and as much
/// of what was not looked at yet.
const ALLOWED: u64 = 512 * 1024;

async fn club(folder: &Path) -> (Token, String) {
    let library = Library::open(folder).await.unwrap();
    let mut write = library.write().await.unwrap();
    let now = chrono::Utc::now();
    let new = NewPerson {
        name: "Ines Vale".to_owned(),
        email: "ines.vale@club.example".to_owned(),
        role: Role::Coordinator,
        guest: false,
    };
    let id = Person::add(&mut write, &new, now).await.unwrap();
    let token = sessions::start(&mut write, id, now).await.unwrap();
    let tube = tube::newtonian();
    Instrument::add(&mut write, &tube, now, id).await.unwrap();
    write.commit().await.unwrap();
    library.close().await;
    (token, tube.tag)
}

struct Server(Child, SocketAddr);

impl Server {
    fn start(folder: &Path) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_tubewright"))
            .args(["serve", "--listen", "127.0.0.1:0", "--data"])
            .arg(folder)
            // As the service sets it.
            .env("MALLOC_ARENA_MAX", "2")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let address = loop {
            let line = lines.next().unwrap().unwrap();
            if let Some(at) = line.strip_prefix("Tubewright is ready at http://") {
                break at.trim_end_matches('/').parse().unwrap();
            }
        };
        Self(child, address)
    }

    /// Resident memory, bytes.
    fn memory(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
        let kib: u64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
        kib * 1024
    }

    /// Sends a head and then pieces for as long as they are taken; the status that
    /// came back, where one did.
    fn send(&self, head: &str, pieces: impl Iterator<Item = Vec<u8>>) -> Option<u16> {
        let mut stream = TcpStream::connect(self.1).unwrap();
        let patience = Some(Duration::from_secs(60));
        stream.set_read_timeout(patience).unwrap();
        stream.set_write_timeout(patience).unwrap();
        stream.write_all(head.as_bytes()).ok()?;
        for piece in pieces {
            if stream.write_all(&piece).is_err() {
                break;
            }
        }
        let mut answer = Vec::new();
        // Where the connection was reset, what came before it still counts.
        let _ = stream.read_to_end(&mut answer);
        std::str::from_utf8(answer.get(9..12)?).ok()?.parse().ok()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A body of some kind, in pieces.
fn body(kind: usize, mark: &str) -> Vec<u8> {
    let start =
        format!("--b\r\nContent-Disposition: form-data; name=\"csrf\"\r\n\r\n{mark}\r\n--b\r\n");
    let start = start.into_bytes();
    let (mut body, again) = match kind {
        // One field without end.
        0 => (
            [
                &start[..],
                b"Content-Disposition: form-data; name=\"note\"\r\n\r\n",
            ]
            .concat(),
            b"xxxxxxxxxxxxxxxx".to_vec(),
        ),
        // Countless small fields.
        1 => (
            start,
            b"Content-Disposition: form-data; name=\"a\"\r\n\r\n1\r\n--b\r\n".to_vec(),
        ),
        // A part whose head has no end.
        2 => (
            [&start[..], b"X-Long: "].concat(),
            b"xxxxxxxxxxxxxxxx".to_vec(),
        ),
        // What comes before the first part has no end.
        3 => (Vec::new(), b"xxxxxxxxxxxxxxxx".to_vec()),
        // A form of countless small fields.
        _ => (format!("csrf={mark}").into_bytes(), b"&a=1".to_vec()),
    };
    while body.len() < BYTES {
        body.extend(&again);
    }
    body
}

#[tokio::test]
async fn forty_hostile_uploads_take_no_more_memory_than_the_allowed_ones() {
    let folder = tempfile::tempdir().unwrap();
    let (token, tag) = club(&folder.path().join("club")).await;
    let server = Server::start(&folder.path().join("club"));
    let head = |path: &str, kind: &str| {
        format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nSec-Fetch-Site: same-origin\r\n\
             Cookie: tubewright={}\r\nContent-Type: {kind}\r\nTransfer-Encoding: chunked\r\n\r\n",
            server.1,
            token.text()
        )
    };
    // What is kept in mind once is there before it is measured.
    for path in ["/shelf", "/due", "/club", "/people"] {
        let get = format!(
            "GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nCookie: tubewright={}\r\n\r\n",
            server.1,
            token.text()
        );
        assert_eq!(server.send(&get, std::iter::empty()), Some(200), "{path}");
    }
    let idle = server.memory();
    let sent = AtomicBool::new(false);
    let (peak, answers) = std::thread::scope(|scope| {
        let watch = scope.spawn(|| {
            let mut peak = 0;
            while !sent.load(Ordering::Relaxed) {
                peak = peak.max(server.memory());
                std::thread::sleep(Duration::from_millis(5));
            }
            peak
        });
        let senders: Vec<_> = (0..SENDERS)
            .map(|n| {
                let (server, mark) = (&server, token.form_mark());
                let upload = format!("/instruments/{tag}/star-test/frames");
                let head = match n % 5 {
                    4 => head("/club", "application/x-www-form-urlencoded"),
                    _ => head(&upload, "multipart/form-data; boundary=b"),
                };
                scope.spawn(move || {
                    let body = body(n % 5, &mark);
                    let pieces = body.chunks(32 * 1024).map(|piece| {
                        let mut chunk = format!("{:x}\r\n", piece.len()).into_bytes();
                        chunk.extend(piece);
                        chunk.extend(b"\r\n");
                        chunk
                    });
                    server.send(&head, pieces.chain([b"0\r\n\r\n".to_vec()]))
                })
            })
            .collect();
        let answers: Vec<Option<u16>> = senders.into_iter().map(|s| s.join().unwrap()).collect();
        sent.store(true, Ordering::Relaxed);
        (watch.join().unwrap(), answers)
    });
    let mib = |bytes: u64| bytes as f64 / 1024.0 / 1024.0;
    println!(
        "counts: {SENDERS} hostile uploads of {:.0} MiB at once -> memory {:.0} MiB before, {:.0} MiB at most",
        mib(BYTES as u64),
        mib(idle),
        mib(peak)
    );
    for answer in answers.into_iter().flatten() {
        assert!([400, 403, 413].contains(&answer), "{answer}");
    }
    let most = idle as f64 * 1.3 + (SENDERS as u64 * ALLOWED) as f64;
    assert!(
        (peak as f64) < most,
        "{:.0} MiB at most, {:.0} before",
        mib(peak),
        mib(idle)
    );
}
