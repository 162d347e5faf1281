//! The server as a process: what it writes in its log, how long it waits for
//! slow senders, and what it does where the disk is full or cannot be written.
#![allow(clippy::unwrap_used)]

#[path = "studies/tube.rs"]
mod tube;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use sqlx::Connection;
use tubewright::library::instruments::Instrument;
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::sessions::{self, Purpose, Token};
use tubewright::library::{Library, audit_log, check_copy, logbook};
use tubewright::web::listen::Bounds;
use tubewright::web::{self, App};

/// A club with one volunteer, signed in, and one instrument.
async fn club(folder: &Path) -> Token {
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
    Instrument::add(&mut write, &tube::newtonian(), now, id)
        .await
        .unwrap();
    write.commit().await.unwrap();
    library.close().await;
    token
}

struct Server {
    child: Child,
    address: SocketAddr,
    set_up: String,
}

impl Server {
    fn start(mut command: Command) -> Self {
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut set_up = String::new();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let address = loop {
            let line = lines.next().unwrap().unwrap();
            if let Some((_, token)) = line.split_once("/welcome/") {
                set_up = token.to_owned();
            }
            if let Some(at) = line.strip_prefix("Tubewright is ready at http://") {
                break at.trim_end_matches('/').parse().unwrap();
            }
        };
        Self {
            child,
            address,
            set_up,
        }
    }

    /// Sends a request as it stands; the status and the whole answer.
    fn ask(&self, request: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let answer = String::from_utf8_lossy(&answer).into_owned();
        (answer[9..12].parse().unwrap(), answer)
    }

    fn get(&self, path: &str, token: &Token) -> (u16, String) {
        self.ask(&format!(
            "GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nCookie: tubewright={}\r\n\r\n",
            self.address,
            token.text()
        ))
    }

    fn post(&self, path: &str, token: &Token, fields: &str) -> (u16, String) {
        let body = format!(
            "csrf={}&once={}&{fields}",
            token.form_mark(),
            uuid::Uuid::new_v4()
        );
        self.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nSec-Fetch-Site: same-origin\r\n\
             Cookie: tubewright={}\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {}\r\n\r\n{body}",
            self.address,
            token.text(),
            body.len()
        ))
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn serve(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tubewright"));
    command
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(folder);
    command
}

#[tokio::test]
async fn the_log_is_structured_and_names_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("club");
    let token = club(&data).await;
    let log = folder.path().join("log");
    let mut command = serve(&data);
    command
        .args(["--log-format", "json"])
        .env("TUBEWRIGHT_LOG", "debug,tubewright=trace")
        .stderr(std::fs::File::create(&log).unwrap());
    let server = Server::start(command);
    assert!(!server.set_up.is_empty(), "nobody has a password yet");
    let secret = "a-wrong-password-typed-here";
    let visits = [
        server.get("/instruments/N150", &token).0,
        server.get("/people?q=vale", &token).0,
        server.get("/shelf?q=N150", &token).0,
        server.get(&format!("/welcome/{}", server.set_up), &token).0,
        server
            .post(
                "/sign-in",
                &token,
                &format!("email=ines.vale@club.example&password={secret}"),
            )
            .0,
        server
            .post(
                "/check-in/N150",
                &token,
                "loan_version=&note=a-note-of-hers",
            )
            .0,
        server.get("/nowhere/ines.vale@club.example", &token).0,
    ];
    assert_eq!(visits, [200, 200, 200, 200, 422, 303, 404]);
    drop(server);
    let log = std::fs::read_to_string(&log).unwrap();
    let mut answered = 0;
    for line in log.lines() {
        let row: serde_json::Value = serde_json::from_str(line).unwrap();
        answered += usize::from(row["fields"]["message"] == "answered");
    }
    assert_eq!(answered, visits.len());
    assert!(
        log.contains("/instruments/{tag}"),
        "routes are named by pattern"
    );
    let mark = token.form_mark();
    for word in [
        "vale",
        "Vale",
        "N150",
        secret,
        "a-note",
        "club.example",
        "127.0.0.1",
        token.text(),
        &mark,
    ] {
        assert!(!log.contains(word), "the log tells {word}");
    }
    // The address printed for the first coordinator is for the console only.
    assert!(
        !log.lines()
            .any(|l| l.contains("/welcome/") && !l.contains("/welcome/{token}"))
    );
}

/// The disk is full in that no file may grow beyond a bound: `ulimit -f`, with
/// the signal that would end the process ignored, so that writes fail.
#[cfg(unix)]
#[tokio::test]
async fn a_full_disk_refuses_writes_in_words_and_loses_nothing_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let token = club(folder.path()).await;
    // In units of 512 bytes (POSIX): what is there, and some 200 kB more.
    let database = std::fs::metadata(folder.path().join("tubewright.db"))
        .unwrap()
        .len();
    let bound = (database + 200_000) / 512;
    let mut command = Command::new("sh");
    command
        .args([
            "-c",
            &format!("trap '' XFSZ; ulimit -f {bound}; exec \"$@\""),
            "sh",
        ])
        .arg(env!("CARGO_BIN_EXE_tubewright"))
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(folder.path())
        .stderr(Stdio::null());
    let server = Server::start(command);
    let filler = "x".repeat(1500);
    let mut acknowledged = Vec::new();
    let mut number = 0;
    let mut until_refused = || {
        for _ in 0..400 {
            number += 1;
            let words = format!("w-{number}-");
            let (status, answer) = server.post(
                "/check-in/N150",
                &token,
                &format!("loan_version=&journey=car&note={words}{filler}"),
            );
            match status {
                303 => acknowledged.push(words),
                507 => {
                    assert!(
                        answer.contains("The disk is full") && answer.contains("Nothing was saved"),
                        "{answer}"
                    );
                    return words;
                }
                other => panic!("{other}: {answer}"),
            }
        }
        panic!("never refused");
    };
    let unwritten = [until_refused(), {
        // What is there can still be looked at. Once the log was folded in there may be
        // a little room again; then it is refused as before.
        assert_eq!(server.get("/instruments/N150/logbook", &token).0, 200);
        assert_eq!(server.get("/shelf", &token).0, 200);
        until_refused()
    }];
    assert!(acknowledged.len() > 5, "{}", acknowledged.len());
    drop(server);

    // Room is made: all is there, and writing goes on.
    let server = Server::start({
        let mut command = serve(folder.path());
        command.stderr(Stdio::null());
        command
    });
    assert_eq!(
        server
            .post("/check-in/N150", &token, "loan_version=&note=w-after")
            .0,
        303
    );
    drop(server);
    let library = Library::open(folder.path()).await.unwrap();
    let mut conn = library.read().await.unwrap();
    let id = Instrument::by_tag(&mut conn, "N150").await.unwrap().id;
    let notes: Vec<String> = logbook::of(&mut conn, id)
        .await
        .unwrap()
        .into_iter()
        .map(|line| line.entry.note)
        .collect();
    for words in acknowledged.iter().map(String::as_str).chain(["w-after"]) {
        let times = notes.iter().filter(|n| n.starts_with(words)).count();
        assert_eq!(times, 1, "{words}");
    }
    assert!(
        !notes
            .iter()
            .any(|n| unwritten.iter().any(|w| n.starts_with(w))),
        "refused, and yet there"
    );
    assert_eq!(audit_log::check(&mut conn).await.unwrap().broken_at, None);
    drop(conn);
    library.close().await;
    check_copy(&folder.path().join("tubewright.db"))
        .await
        .unwrap();
}

/// As another user where the tests run as root, whom no permission binds.
#[cfg(unix)]
#[tokio::test]
async fn a_folder_that_cannot_be_written_is_refused_with_what_to_mend() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("club");
    club(&data).await;
    let mode = |path: &Path, mode| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    let is_root = std::fs::metadata(folder.path()).unwrap().uid() == 0;
    let binary = folder.path().join("tubewright");
    std::fs::copy(env!("CARGO_BIN_EXE_tubewright"), &binary).unwrap();
    mode(folder.path(), 0o755);
    mode(&binary, 0o755);
    for file in std::fs::read_dir(&data).unwrap() {
        mode(&file.unwrap().path(), 0o444);
    }
    mode(&data, 0o555);
    let mut command = Command::new(&binary);
    command
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(&data);
    if is_root {
        command.uid(65_534).gid(65_534);
    }
    let said = command.output().unwrap();
    mode(&data, 0o755);
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    let words = String::from_utf8(said.stderr).unwrap();
    assert!(
        words.contains("cannot be used") && words.contains("must belong to the user"),
        "{words}"
    );
}

#[tokio::test]
async fn a_sender_who_dawdles_over_the_head_is_let_go_and_others_are_served() {
    let folder = tempfile::tempdir().unwrap();
    club(folder.path()).await;
    let library = Library::open(folder.path()).await.unwrap();
    let app = App::new(library, None);
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let bounds = Bounds {
        head: Duration::from_millis(300),
        connections: 8,
        ..Bounds::default()
    };
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let running = tokio::spawn(web::serve(app, listener, bounds, async {
        let _ = stopped.await;
    }));
    let ended = tokio::task::spawn_blocking(move || {
        // As many dawdlers as there are seats.
        let dawdlers: Vec<TcpStream> = (0..8)
            .map(|_| {
                let mut stream = TcpStream::connect(address).unwrap();
                stream
                    .write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
                    .unwrap();
                stream
                    .set_read_timeout(Some(Duration::from_secs(20)))
                    .unwrap();
                stream
            })
            .collect();
        let mut honest = TcpStream::connect(address).unwrap();
        honest
            .set_read_timeout(Some(Duration::from_secs(20)))
            .unwrap();
        honest
            .write_all(b"GET /health/live HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            .unwrap();
        let mut answer = String::new();
        honest.read_to_string(&mut answer).unwrap();
        let ended = dawdlers
            .into_iter()
            .filter_map(|mut stream| stream.read_to_end(&mut Vec::new()).ok())
            .count();
        (answer, ended)
    })
    .await
    .unwrap();
    assert!(ended.0.ends_with("alive\n"), "{}", ended.0);
    assert_eq!(ended.1, 8, "each dawdler's connection was closed");
    stop.send(()).unwrap();
    running.await.unwrap().unwrap();
}

/// Heads that a proxy and this server could read differently (RFC 9112, 6.1
/// and 11.2) are refused, and nothing is taken for a second request.
#[tokio::test]
async fn requests_that_can_be_read_in_two_ways_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let token = club(folder.path()).await;
    let server = Server::start({
        let mut command = serve(folder.path());
        command.stderr(Stdio::null());
        command
    });
    let hidden = "GET /health/live HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n";
    for head in [
        "POST /display HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\nContent-Length: 5\r\n\r\nabcd",
        "POST /display HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n",
        "POST /display HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked, identity\r\n\r\n0\r\n\r\n",
        "GET / HTTP/1.1\r\nHost : x\r\n\r\n",
        "GET /\0 HTTP/1.1\r\nHost: x\r\n\r\n",
    ] {
        let (status, answer) = server.ask(head);
        assert_eq!(status, 400, "{head:?}: {answer}");
        assert!(!answer.contains("alive"), "{head:?}");
    }
    // With both lengths told the chunks count, and the connection ends there:
    // what follows is not read as a request of its own.
    let both = format!(
        "POST /display HTTP/1.1\r\nHost: x\r\nContent-Length: 6\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n{hidden}"
    );
    let (_, answer) = server.ask(&both);
    assert_eq!(answer.matches("HTTP/1.1 ").count(), 1, "{answer}");
    assert!(!answer.contains("alive"), "{answer}");
    // A head without end is refused, not kept.
    let long = format!(
        "GET / HTTP/1.1\r\nHost: x\r\nX-Long: {}\r\n\r\n",
        "a".repeat(600_000)
    );
    let (status, _) = server.ask(&long);
    assert_eq!(status, 431);
    assert_eq!(server.get("/health/live", &token).0, 200);
}

#[tokio::test]
async fn a_second_server_on_the_same_folder_is_refused_and_commands_are_not() {
    let folder = tempfile::Builder::new()
        .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o700))
        .tempdir()
        .unwrap();
    let token = club(folder.path()).await;
    let first = Server::start(serve(folder.path()));
    let said = serve(folder.path()).output().unwrap();
    assert_eq!(said.status.code(), Some(3), "{said:?}");
    let words = String::from_utf8(said.stderr).unwrap();
    assert!(words.contains("already serving"), "{words}");
    assert!(said.stdout.is_empty(), "{:?}", said.stdout);
    assert_eq!(first.get("/health/ready", &token).0, 200);
    let doctor = Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["doctor", "--data"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(doctor.status.code(), Some(0), "{doctor:?}");
    // The place is given up by a server that is killed.
    drop(first);
    let next = Server::start(serve(folder.path()));
    assert_eq!(next.get("/health/ready", &token).0, 200);
}

#[tokio::test]
async fn a_database_that_another_program_holds_is_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    club(folder.path()).await;
    let options = sqlx::sqlite::SqliteConnectOptions::new()
        .filename(folder.path().join("tubewright.db"))
        .locking_mode(sqlx::sqlite::SqliteLockingMode::Exclusive);
    let mut other = sqlx::SqliteConnection::connect_with(&options)
        .await
        .unwrap();
    sqlx::query("BEGIN EXCLUSIVE")
        .execute(&mut other)
        .await
        .unwrap();
    let doctor = Command::new(env!("CARGO_BIN_EXE_tubewright"))
        .args(["doctor", "--data"])
        .arg(folder.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let said = serve(folder.path()).output().unwrap();
    assert_eq!(said.status.code(), Some(3), "{said:?}");
    let words = String::from_utf8(said.stderr).unwrap();
    assert!(words.contains("another program has held"), "{words}");
    let said = doctor.wait_with_output().unwrap();
    assert_eq!(said.status.code(), Some(3), "{said:?}");
    let words = String::from_utf8(said.stdout).unwrap();
    assert!(words.contains("another program has held"), "{words}");
}

#[tokio::test]
async fn the_first_address_is_a_secret_kept_as_a_hash_only() {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut write = library.write().await.unwrap();
    let token = sessions::make_address(&mut write, Purpose::SetUp, None, None, chrono::Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    library.close().await;
    for file in std::fs::read_dir(folder.path()).unwrap() {
        let bytes = std::fs::read(file.unwrap().path()).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        assert!(!text.contains(token.text()));
    }
}

/// A page that no start-up needs is spoilt: the tool starts, reads all pages, and says
/// so to whoever watches it and to the coordinators.
#[tokio::test(flavor = "multi_thread")]
async fn a_damaged_page_is_told_at_the_readiness_address_and_on_the_shelf() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("club");
    let token = club(&data).await;
    let file = data.join("tubewright.db");
    let place: i64 = {
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&file);
        let mut conn = sqlx::SqliteConnection::connect_with(&options)
            .await
            .unwrap();
        sqlx::query_scalar("SELECT rootpage FROM sqlite_schema WHERE name = 'spare_codes'")
            .fetch_one(&mut conn)
            .await
            .unwrap()
    };
    let mut bytes = std::fs::read(&file).unwrap();
    let start = (usize::try_from(place).unwrap() - 1) * 4096;
    bytes[start..start + 4096].fill(0xA5);
    std::fs::write(&file, bytes).unwrap();
    let server = Server::start(serve(&data));
    let begun = std::time::Instant::now();
    let (status, said) = loop {
        let (status, said) = server.get("/health/ready", &token);
        if status != 200 || begun.elapsed() > Duration::from_secs(60) {
            break (status, said);
        }
        std::thread::sleep(Duration::from_millis(100));
    };
    assert_eq!(status, 503, "{said}");
    assert!(said.contains("not ready\ndatabase damaged"), "{said}");
    let (status, page) = server.get("/shelf", &token);
    assert_eq!(status, 200);
    assert!(page.contains("restore the latest backup"), "{page}");
}
