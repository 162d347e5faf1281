//! What people do of an evening, and how long each thing took.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};

use super::club::Evening;
use super::wire::{Answer, Browser};

/// How many do what.
#[derive(Debug, Clone, Copy, serde::Serialize)]
pub struct Crowd {
    pub browsing: usize,
    pub checking_in: usize,
    pub uploading: usize,
    /// The pause between two pages of one person, seconds: a mean.
    pub pause_s: f64,
}

/// Everything asked and answered.
#[derive(Debug, Clone, Default)]
pub struct Seen {
    /// By page: times, seconds.
    pub times_s: BTreeMap<&'static str, Vec<f64>>,
    /// What was not answered as it should be.
    pub errors: Vec<String>,
    /// Sets of frames handed in, and how they ended.
    pub handed_in: usize,
    pub measured: usize,
    pub cancelled: usize,
    /// Waits from handing in to the end, seconds.
    pub measured_after_s: Vec<f64>,
    /// Sets that the full queue turned away politely.
    pub turned_away: usize,
}

/// A note with the share of times at or below it.
pub fn quantile(times: &[f64], share: f64) -> f64 {
    let mut sorted = times.to_vec();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        return f64::NAN;
    }
    let place = (share * (sorted.len() - 1) as f64).round() as usize;
    sorted[place]
}

pub type Ledger = Arc<Mutex<Seen>>;

fn note(
    ledger: &Ledger,
    what: &'static str,
    answer: Result<Answer, String>,
    right: &[u16],
) -> Option<Answer> {
    let mut seen = ledger.lock().unwrap();
    match answer {
        Ok(answer) if right.contains(&answer.status.as_u16()) => {
            seen.times_s
                .entry(what)
                .or_default()
                .push(answer.took.as_secs_f64());
            Some(answer)
        }
        Ok(answer) => {
            seen.errors.push(format!("{what}: {}", answer.status));
            None
        }
        Err(why) => {
            seen.errors.push(format!("{what}: {why}"));
            None
        }
    }
}

/// The pages that are timed: what, who sees it, and where.
pub fn pages(tag: &str) -> Vec<(&'static str, Who, String)> {
    vec![
        ("shelf", Who::Member, "/shelf".to_owned()),
        (
            "shelf, filtered",
            Who::Member,
            "/shelf?design=newtonian&q=203".to_owned(),
        ),
        ("shelf, page 2", Who::Member, "/shelf?page=2".to_owned()),
        ("condition", Who::Member, format!("/instruments/{tag}")),
        ("own loans", Who::Member, "/my-loans".to_owned()),
        ("due list", Who::Volunteer, "/due".to_owned()),
        ("due ahead", Who::Volunteer, "/due/ahead".to_owned()),
        ("loans", Who::Volunteer, "/loans".to_owned()),
        ("check-in", Who::Volunteer, format!("/check-in/{tag}")),
        ("lend", Who::Volunteer, format!("/instruments/{tag}/lend")),
        (
            "logbook",
            Who::Volunteer,
            format!("/instruments/{tag}/logbook"),
        ),
        ("people", Who::Coordinator, "/people".to_owned()),
        ("audit log", Who::Coordinator, "/audit-log".to_owned()),
        ("record", Who::Coordinator, "/due/record".to_owned()),
    ]
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Who {
    Member,
    Volunteer,
    Coordinator,
}

/// Waits until the server has gone through the club's past: it does so once, in
/// the background, after every start.
pub async fn until_settled(address: SocketAddr, evening: &Evening) {
    let browser = Browser::new(address, &evening.coordinators[0]);
    for _ in 0..600 {
        let settled = browser.get("/due/record").await.is_ok_and(|answer| {
            let page = String::from_utf8_lossy(&answer.body);
            answer.status.is_success()
                && !page.contains("being gone through")
                && !page.contains("being worked in")
        });
        if settled {
            return;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    panic!("the server was not done with the past in five minutes");
}

/// Each page so many times, one after another, nobody else there.
pub async fn alone(address: SocketAddr, evening: &Evening, times: usize) -> Seen {
    until_settled(address, evening).await;
    let ledger = Ledger::default();
    let browser = |tokens: &[_]| Browser::new(address, &tokens[0]);
    let (member, volunteer, coordinator) = (
        browser(&evening.members),
        browser(&evening.volunteers),
        browser(&evening.coordinators),
    );
    for round in 0..=times {
        let tag = &evening.tags[round % evening.tags.len()];
        for (what, who, path) in pages(tag) {
            let browser = match who {
                Who::Member => &member,
                Who::Volunteer => &volunteer,
                Who::Coordinator => &coordinator,
            };
            let answer = browser.get(&path).await;
            // The first round only warms up.
            if round > 0 {
                note(&ledger, what, answer, &[200]);
            }
        }
    }
    Arc::try_unwrap(ledger).unwrap().into_inner().unwrap()
}

/// A whole evening.
pub async fn evening(
    address: SocketAddr,
    evening: &Arc<Evening>,
    crowd: Crowd,
    lasts: Duration,
    frame: &Arc<Vec<u8>>,
    seed: u64,
) -> Seen {
    let ledger = Ledger::default();
    let end = Instant::now() + lasts;
    let mut all = tokio::task::JoinSet::new();
    for number in 0..crowd.browsing {
        let (ledger, evening) = (ledger.clone(), evening.clone());
        all.spawn(browse(
            address,
            evening,
            number,
            crowd.pause_s,
            end,
            seed,
            ledger,
        ));
    }
    for number in 0..crowd.checking_in {
        let (ledger, evening) = (ledger.clone(), evening.clone());
        all.spawn(check_in(
            address,
            evening,
            number,
            crowd.pause_s,
            end,
            seed,
            ledger,
        ));
    }
    for number in 0..crowd.uploading {
        let (ledger, evening, frame) = (ledger.clone(), evening.clone(), frame.clone());
        all.spawn(upload(address, evening, number, end, frame, ledger));
    }
    while let Some(done) = all.join_next().await {
        done.unwrap();
    }
    Arc::try_unwrap(ledger).unwrap().into_inner().unwrap()
}

async fn pause(random: &mut StdRng, mean_s: f64) {
    let seconds = mean_s * random.random_range(0.5..1.5);
    tokio::time::sleep(Duration::from_secs_f64(seconds)).await;
}

async fn browse(
    address: SocketAddr,
    evening: Arc<Evening>,
    number: usize,
    pause_s: f64,
    end: Instant,
    seed: u64,
    ledger: Ledger,
) {
    let mut random = StdRng::seed_from_u64(seed ^ (number as u64 + 1));
    // Most look as members; a few look at the lists of the desk.
    let (role, token) = match number % 10 {
        8 => (
            Who::Volunteer,
            &evening.volunteers[number % evening.volunteers.len()],
        ),
        9 => (
            Who::Coordinator,
            &evening.coordinators[number % evening.coordinators.len()],
        ),
        _ => (
            Who::Member,
            &evening.members[number % evening.members.len()],
        ),
    };
    let browser = Browser::new(address, token);
    pause(&mut random, pause_s).await;
    while Instant::now() < end {
        let tag = evening.tags.choose(&mut random).unwrap();
        let open: Vec<_> = pages(tag)
            .into_iter()
            .filter(|(_, who, _)| *who == Who::Member || *who == role)
            .collect();
        let (what, _, path) = open.choose(&mut random).unwrap();
        note(&ledger, what, browser.get(path).await, &[200]);
        pause(&mut random, pause_s).await;
    }
}

async fn check_in(
    address: SocketAddr,
    evening: Arc<Evening>,
    number: usize,
    pause_s: f64,
    end: Instant,
    seed: u64,
    ledger: Ledger,
) {
    let mut random = StdRng::seed_from_u64(seed ^ (1_000 + number as u64));
    let browser = Browser::new(
        address,
        &evening.volunteers[number % evening.volunteers.len()],
    );
    while Instant::now() < end {
        // Each has a row of tags of their own, so that nobody's form is overtaken.
        let own: Vec<&String> = evening.tags.iter().skip(number).step_by(8).collect();
        let tag = own.choose(&mut random).unwrap();
        let path = format!("/check-in/{tag}");
        let page = note(&ledger, "check-in", browser.get(&path).await, &[200]);
        pause(&mut random, pause_s).await;
        let Some(page) = page else { continue };
        let page = String::from_utf8_lossy(&page.body);
        let version = page
            .split("name=\"loan_version\" value=\"")
            .nth(1)
            .and_then(|rest| rest.split('"').next())
            .unwrap_or_default();
        let fields = [
            ("loan_version", version),
            ("kit_all", if version.is_empty() { "" } else { "yes" }),
            ("journey", "car"),
            ("note", "Back from the evening."),
        ];
        let answer = browser.post(&path, &fields).await;
        note(&ledger, "check-in sent", answer, &[303]);
        pause(&mut random, pause_s).await;
    }
}

async fn upload(
    address: SocketAddr,
    evening: Arc<Evening>,
    number: usize,
    end: Instant,
    frame: Arc<Vec<u8>>,
    ledger: Ledger,
) {
    let seat = evening.volunteers.len() - 1 - number % evening.volunteers.len();
    let browser = Browser::new(address, &evening.volunteers[seat]);
    let tag = &evening.tags[number * 7 % evening.tags.len()];
    let mut round = 0_u32;
    while Instant::now() < end {
        round += 1;
        let fields = [
            ("side", "outside"),
            ("pixel_um", "4.8"),
            ("camera", "mono"),
            ("seeing", "2"),
        ];
        let path = format!("/instruments/{tag}/star-test/frames");
        let begun = Instant::now();
        let sent = browser.upload(&path, &fields, "frames", &frame, 30).await;
        let Some(answer) = note(&ledger, "30 frames sent", sent, &[303, 422]) else {
            tokio::time::sleep(Duration::from_secs(5)).await;
            continue;
        };
        if answer.status.as_u16() == 422 {
            ledger.lock().unwrap().turned_away += 1;
            tokio::time::sleep(Duration::from_secs(5)).await;
            continue;
        }
        ledger.lock().unwrap().handed_in += 1;
        let attempt = answer
            .location
            .split('?')
            .next()
            .unwrap_or_default()
            .to_owned();
        // Every fifth set is given up again.
        if round.is_multiple_of(5) {
            let given_up = browser.post(&format!("{attempt}/cancel"), &[]).await;
            if note(&ledger, "given up", given_up, &[303, 200]).is_some() {
                ledger.lock().unwrap().cancelled += 1;
            }
            continue;
        }
        loop {
            tokio::time::sleep(Duration::from_secs(2)).await;
            let page = browser.get(&attempt).await;
            let Some(page) = note(&ledger, "attempt", page, &[200]) else {
                break;
            };
            let text = String::from_utf8_lossy(&page.body);
            if !text.contains("data-poll") {
                let mut seen = ledger.lock().unwrap();
                seen.measured += 1;
                seen.measured_after_s.push(begun.elapsed().as_secs_f64());
                break;
            }
            if Instant::now() > end + Duration::from_secs(300) {
                ledger
                    .lock()
                    .unwrap()
                    .errors
                    .push("a set was not measured in five minutes".to_owned());
                break;
            }
        }
    }
}
