//! Every page of a large club beside the same page of a demo-sized one, asked for in turn
//! in one run, and the lists beside the bare query of what they show.
//!
//!     cargo run --release --example sizes -- --times 100 --seed 1
//!
//! Everything stays on this machine; nobody else is there.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[allow(dead_code)] // people who come of an evening are not wanted here
mod crowd;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

use clap::Parser;
use crowd::club::{self, Evening, Size};
use crowd::people::{Who, pages, quantile, until_settled};
use crowd::server::Server;
use crowd::wire::Browser;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, SqliteConnection};
use tubewright::library::loans::{Loan, Which};
use tubewright::library::{Library, PersonId};

/// A large club's pages beside a small one's.
#[derive(Debug, Parser)]
struct Args {
    #[command(flatten)]
    size: Size,
    /// Where chance begins
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How often each page is asked for
    #[arg(long, default_value_t = 100)]
    times: usize,
    /// The program under study; the one built beside this study when left out
    #[arg(long)]
    binary: Option<PathBuf>,
    /// Make the large club in this folder and keep it; taken up when it is there
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Only pages whose name begins so
    #[arg(long, default_value = "")]
    only: String,
}

/// What a list shows, as one query.
const BARE: [(&str, &str); 9] = [
    ("shelf", "SELECT i.tag, i.name, i.design, i.place, i.status, l.due_on FROM instruments i
         LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
         WHERE i.kind = 'instrument' AND i.status <> 'retired' ORDER BY i.tag"),
    ("things", "SELECT i.tag, i.name, i.kind, i.place, i.status, l.due_on FROM instruments i
         LEFT JOIN loans l ON l.instrument_id = i.id AND l.returned_at IS NULL
         WHERE i.kind <> 'instrument' AND i.status <> 'retired' ORDER BY i.tag"),
    ("due list", "SELECT e.instrument_id, e.kind, e.happened_at, s.coma_rms_waves, s.coma_rms_waves_sigma
         FROM current_entries e LEFT JOIN star_tests s ON s.entry_id = e.id ORDER BY e.instrument_id, e.happened_at"),
    ("loans", "SELECT l.id, i.tag, i.name, p.name, l.lent_at, l.due_on FROM loans l
         JOIN instruments i ON i.id = l.instrument_id JOIN people p ON p.id = l.borrower_id
         WHERE l.returned_at IS NULL ORDER BY l.due_on"),
    ("past loans", "SELECT l.id, i.tag, i.name, p.name, l.lent_at, l.due_on, l.returned_at FROM loans l
         JOIN instruments i ON i.id = l.instrument_id JOIN people p ON p.id = l.borrower_id
         WHERE l.returned_at IS NOT NULL ORDER BY l.lent_at DESC"),
    ("people", "SELECT p.id, p.name, p.email, p.role, (SELECT COUNT(*) FROM loans l
         WHERE l.borrower_id = p.id AND l.returned_at IS NULL) FROM people p ORDER BY p.name"),
    ("audit log", "SELECT * FROM audit_log ORDER BY number DESC LIMIT 100"),
    ("problems", "SELECT e.id, i.tag, f.words FROM problems f JOIN current_entries e ON e.id = f.entry_id
         JOIN instruments i ON i.id = e.instrument_id
         WHERE NOT EXISTS (SELECT 1 FROM work_settles s WHERE s.problem_entry_id = e.id)"),
    ("own loans", "SELECT l.id, i.tag, i.name, l.lent_at, l.due_on, l.returned_at FROM loans l
         JOIN instruments i ON i.id = l.instrument_id WHERE l.borrower_id = (SELECT id FROM people
         WHERE role = 'member' ORDER BY name LIMIT 1) ORDER BY l.lent_at DESC"),
];

/// A club that is served, with what its pages are asked by.
struct Served {
    server: Server,
    evening: Evening,
    loans: Vec<Loan>,
    people: Vec<PersonId>,
    bare: SqliteConnection,
}

impl Served {
    async fn open(binary: &Path, folder: &Path) -> Self {
        let evening = club::sign_in(folder, 1).await;
        let library = Library::open(folder).await.unwrap();
        let mut conn = library.read().await.unwrap();
        let loans = Loan::list(&mut conn, Which::default()).await.unwrap();
        let people = tubewright::library::people::Person::list(&mut conn).await;
        drop(conn);
        library.close().await;
        let file = folder.join("tubewright.db");
        let bare = SqliteConnectOptions::new().filename(file).read_only(true);
        Self {
            server: Server::start(binary, folder),
            evening,
            people: people.unwrap().iter().map(|p| p.id).collect(),
            loans: loans.into_iter().take(400).collect(),
            bare: bare.connect().await.unwrap(),
        }
    }

    /// Every page with rows in a club of this kind: what, who sees it, and where.
    fn pages(&self, round: usize) -> Vec<(&'static str, Who, String)> {
        let tag = &self.evening.tags[round % self.evening.tags.len()];
        let loan = self.loans[round % self.loans.len()].id;
        let person = self.people[round % self.people.len()];
        let mut all = pages(tag);
        let of = |path: &str| format!("/instruments/{tag}/{path}");
        let (member, volunteer, coordinator) = (Who::Member, Who::Volunteer, Who::Coordinator);
        all.extend([
            ("start, member", member, "/".to_owned()),
            ("start, volunteer", volunteer, "/".to_owned()),
            ("start, coordinator", coordinator, "/".to_owned()),
            ("things", member, "/things".to_owned()),
            ("calendar", member, "/calendar".to_owned()),
            ("search", volunteer, "/search?q=stiff".to_owned()),
            ("own data", member, "/me/data".to_owned()),
            ("ask for one", member, of("ask")),
            ("artificial star", member, of("artificial-star")),
            ("report", member, of("report")),
            ("workshop", volunteer, "/bench".to_owned()),
            ("check-in, which", volunteer, "/check-in".to_owned()),
            (
                "collimation sessions",
                volunteer,
                "/collimations".to_owned(),
            ),
            ("problems", volunteer, "/problems".to_owned()),
            ("jobs", volunteer, "/jobs".to_owned()),
            ("spare parts", volunteer, "/spares".to_owned()),
            ("missing kit", volunteer, "/missing-kit".to_owned()),
            ("reports", volunteer, "/reports".to_owned()),
            ("reservations", volunteer, "/reservations".to_owned()),
            ("lend together", volunteer, "/lend-together".to_owned()),
            ("evening out", volunteer, "/outings/new".to_owned()),
            ("labels", volunteer, "/labels".to_owned()),
            ("sets", volunteer, "/sets".to_owned()),
            ("stock", volunteer, "/stock".to_owned()),
            ("work nights", volunteer, "/work-nights".to_owned()),
            ("new work night", volunteer, "/work-nights/new".to_owned()),
            ("loan", coordinator, format!("/loans/{loan}")),
            ("loan sheet", coordinator, format!("/loans/{loan}/sheet")),
            ("reserve", volunteer, of("reserve")),
            ("waiting", volunteer, of("waiting")),
            ("star test", volunteer, of("star-test")),
            ("edit", volunteer, of("edit")),
            ("label", volunteer, of("label")),
            ("bench of one", volunteer, of("bench")),
            ("new work", volunteer, of("work")),
            ("collimation", volunteer, of("collimation")),
            ("past loans", coordinator, "/loans?show=past".to_owned()),
            (
                "past loans by words",
                coordinator,
                format!("/loans?show=past&q={tag}"),
            ),
            ("loans by words", coordinator, format!("/loans?q={tag}")),
            (
                "past loans by borrower",
                coordinator,
                "/loans?show=past&sort=borrower".to_owned(),
            ),
            ("people by words", coordinator, "/people?q=0007".to_owned()),
            (
                "problems by words",
                coordinator,
                "/problems?q=stiff".to_owned(),
            ),
            ("things by words", member, format!("/things?q={tag}")),
            ("one person", coordinator, format!("/people/{person}")),
            ("messages", coordinator, "/messages".to_owned()),
            ("limits", coordinator, "/limits".to_owned()),
            ("limits of one", coordinator, of("limits")),
            ("limits' history", coordinator, "/limits/history".to_owned()),
            ("club", coordinator, "/club".to_owned()),
            ("loan lengths", coordinator, "/club/loan-lengths".to_owned()),
            ("import", coordinator, "/import".to_owned()),
            ("year", coordinator, "/year".to_owned()),
        ]);
        all
    }

    fn browser(&self, who: Who) -> Browser {
        let tokens = match who {
            Who::Member => &self.evening.members,
            Who::Volunteer => &self.evening.volunteers,
            Who::Coordinator => &self.evening.coordinators,
        };
        Browser::new(self.server.address, &tokens[0])
    }
}

#[tokio::main]
async fn main() -> std::process::ExitCode {
    let args = Args::parse();
    let binary = args.binary.clone().unwrap_or_else(|| {
        let own = std::env::current_exe().unwrap();
        own.parent().unwrap().parent().unwrap().join("tubewright")
    });
    let scratch = tempfile::tempdir().unwrap();
    let small = scratch.path().join("small");
    club::make(&small, Size::DEMO, args.seed).await;
    let large = args.keep.clone().unwrap_or(scratch.path().join("large"));
    if !large.join("tubewright.db").exists() {
        club::make(&large, args.size, args.seed).await;
    }
    let mut clubs = [
        Served::open(&binary, &small).await,
        Served::open(&binary, &large).await,
    ];
    for club in &clubs {
        until_settled(club.server.address, &club.evening).await;
    }
    // By page: seconds in the small club, in the large one, and of its bare query there.
    let mut took: BTreeMap<&str, [Vec<f64>; 3]> = BTreeMap::new();
    let mut faults = Vec::new();
    for round in 0..=args.times {
        for (size, club) in clubs.iter_mut().enumerate() {
            for (what, who, path) in club.pages(round) {
                if !what.starts_with(&args.only) {
                    continue;
                }
                let browser = club.browser(who);
                // The first answer of a connection waits for the connection.
                let _ = browser.get("/health/live").await;
                match browser.get(&path).await {
                    Ok(answer) if answer.status == 200 || answer.status == 303 => {
                        // The first round only warms up.
                        if round > 0 {
                            took.entry(what).or_default()[size].push(answer.took.as_secs_f64());
                        }
                    }
                    Ok(answer) => faults.push(format!("{what}: {}", answer.status)),
                    Err(why) => faults.push(format!("{what}: {why}")),
                }
            }
        }
        for (what, ask) in BARE {
            if round > 0 && what.starts_with(&args.only) {
                let begun = Instant::now();
                let rows = sqlx::raw_sql(ask).fetch_all(&mut clubs[1].bare).await;
                assert!(!rows.unwrap().is_empty() || what == "audit log", "{what}");
                took.entry(what).or_default()[2].push(begun.elapsed().as_secs_f64());
            }
        }
    }
    let mut rows: Vec<(f64, String)> = took
        .iter()
        .map(|(what, [small, large, bare])| {
            let late = quantile(large, 0.99) / quantile(small, 0.99);
            let bare = match bare.is_empty() {
                true => "".to_owned(),
                false => format!("{:.1}", quantile(large, 0.99) / quantile(bare, 0.99)),
            };
            let (median, ms) = (
                quantile(large, 0.5) / quantile(small, 0.5),
                quantile(large, 0.99) * 1e3,
            );
            (
                late,
                format!("| {what} | {median:.1} | {late:.1} | {bare} | {ms:.0} |"),
            )
        })
        .collect();
    rows.sort_by(|a, b| b.0.total_cmp(&a.0));
    println!(
        "{} instruments, {} other things, {} members, {} loans, {} entries; each page {} times\n",
        args.size.instruments,
        args.size.things,
        args.size.members,
        args.size.loans,
        args.size.entries,
        args.times
    );
    println!("| page | large to small, median | 99 % | large to the bare query, 99 % | 99 %, ms |");
    println!("|-|-|-|-|-|");
    for (_, row) in &rows {
        println!("{row}");
    }
    for fault in &faults {
        eprintln!("{fault}");
    }
    match faults.is_empty() {
        true => std::process::ExitCode::SUCCESS,
        false => std::process::ExitCode::FAILURE,
    }
}
