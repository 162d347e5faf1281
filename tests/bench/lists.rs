//! How long a large club's own lists take, step by step: read, look over, keep, look over
//! once more, undo.
//!
//! `cargo run --release -p tubewright-intake --example lists -- 3000 400 10000`: so many
//! members, instruments (as many things beside them) and loans.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fmt::Write;
use std::time::Instant;

use chrono::{Days, Utc};
use intake::plan::Choices;
use intake::{look, names, read};
use library::people::{NewPerson, Person, Role};
use library::{Library, imports};

/// As CSV: people, the register with things in it, loans one after the other.
fn lists(members: usize, instruments: usize, loans: usize) -> [(&'static str, String); 3] {
    let mut people = "Name,Email,Joined\n".to_owned();
    for n in 0..members {
        // Names that are near one another, as a club's are.
        let (given, family) = (n % 61, n / 61);
        let name = format!("Given{given} Family{family}");
        writeln!(people, "{name},m{n}@club.example,2019-03-{:02}", n % 28 + 1).unwrap();
    }
    let mut register = "Tag,Kind,Name,Aperture,Focal length,Place,Kit\n".to_owned();
    for n in 0..instruments {
        let kit = "tube; mount; finder; 25 mm eyepiece";
        writeln!(register, "N{n},,Newtonian,203 mm,1200 mm,Hut,{kit}").unwrap();
        writeln!(register, "T{n},,25 mm eyepiece,,,Drawer,").unwrap();
    }
    let mut lent = "Tag,Borrower,Lent on,Due,Returned,Remarks\n".to_owned();
    let rounds = (loans / (2 * instruments)) as u64;
    let first = Utc::now().date_naive() - Days::new(rounds * 40 + 50);
    for n in 0..loans {
        let tag = n % (2 * instruments);
        let tag = format!("{}{}", ["N", "T"][tag % 2], tag / 2);
        let on = first + Days::new((n / (2 * instruments)) as u64 * 40 + (n % 7) as u64);
        let (due, back) = (on + Days::new(28), on + Days::new(25));
        let who = n * 7 % members;
        let who = format!("Given{} Family{}", who % 61, who / 61);
        writeln!(lent, "{tag},{who},{on},{due},{back},came back clean").unwrap();
    }
    [
        ("members.csv", people),
        ("register.csv", register),
        ("loans.csv", lent),
    ]
}

/// Seconds of a processor so far (proc(5): utime and stime in hundredths of a second).
fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let after_name = stat.rsplit(')').next().unwrap();
    let ticks = after_name.split_whitespace().skip(11).take(2);
    ticks.map(|n| n.parse::<f64>().unwrap() / 100.0).sum()
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let asked: Vec<usize> = std::env::args()
        .skip(1)
        .map(|n| n.parse().unwrap())
        .collect();
    let &[members, instruments, loans] = asked.as_slice() else {
        panic!("give how many members, instruments and loans");
    };
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let now = Utc::now();
    let mut write = library.write().await.unwrap();
    let new = NewPerson {
        name: "First Coordinator".to_owned(),
        email: "first@club.example".to_owned(),
        role: Role::Coordinator,
        guest: false,
    };
    let by = Person::add(&mut write, &new, now).await.unwrap();
    write.commit().await.unwrap();
    let mut began = (Instant::now(), processor_s());
    let mut step = |words: &str| {
        let now = (Instant::now(), processor_s());
        let clock = (now.0 - began.0).as_secs_f64();
        println!(
            "{words}: {clock:.2} s, {:.2} of a processor",
            now.1 - began.1
        );
        began = now;
    };
    let mut sheets = Vec::new();
    for (name, text) in lists(members, instruments, loans) {
        sheets.extend(read::sheets(name, text.as_bytes()).unwrap());
    }
    let choices = Choices::guessed(&sheets);
    step("read, and the columns guessed");
    let looked = look(&library, &sheets, &choices, now).await.unwrap();
    assert!(looked.plan.is_ready(&choices), "{:?}", looked.plan.faults);
    step("looked over");
    let mut write = library.write().await.unwrap();
    let names = names(&sheets);
    let kept = intake::keep(&mut write, looked, &choices, &names, by, now).await;
    let (import, added) = kept.unwrap();
    step("written");
    write.commit().await.unwrap();
    step("on the disk");
    println!("{added}");
    let again = look(&library, &sheets, &choices, now).await.unwrap();
    assert!(again.plan.batch.is_empty());
    step("looked over again");
    let mut write = library.write().await.unwrap();
    imports::undo(&mut write, import, by, now).await.unwrap();
    write.commit().await.unwrap();
    step("undone");
}
