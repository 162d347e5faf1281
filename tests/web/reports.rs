//! Reports from an instrument's page: by strangers, members, borrowers and volunteers;
//! and what a hostile hand may try with the strangers' form.

use std::io::Cursor;

use axum::http::StatusCode;
use chrono::{Duration, Utc};
use image::{ImageFormat, Rgb, RgbImage};
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::people::Role;
use tubewright::library::reports::{self, State, Which};
use tubewright::library::works::{Work, WorkWhat};
use tubewright::library::{expiry, journeys, own_data, photos, problems};

use crate::common::{Client, House, Page, days_ago};
use crate::context::lend;

const FORM: &str = "/instruments/S203/report";

fn jpeg() -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    RgbImage::from_pixel(400, 300, Rgb([90, 20, 20]))
        .write_to(&mut bytes, ImageFormat::Jpeg)
        .unwrap();
    bytes.into_inner()
}

async fn all(house: &House) -> Vec<reports::Report> {
    let mut conn = house.library.read().await.unwrap();
    reports::list(&mut conn, &Which::default()).await.unwrap()
}

async fn scene() -> (House, Client) {
    let house = House::empty().await;
    let by = house.person("Vera Desk", Role::Volunteer).await;
    house.instrument("S203", by).await;
    let desk = house.signed_in(by).await;
    (house, desk)
}

async fn send(client: &mut Client, fields: &[(&str, &str)]) -> Page {
    client.upload(FORM, fields, &[]).await
}

const KNOCK: &[(&str, &str)] = &[
    ("what", "knock"),
    ("how_hard", "3"),
    ("words", "It fell off the table"),
    ("name", "Tam Passer"),
];

#[tokio::test]
async fn a_strangers_report_counts_for_nothing_until_a_volunteer_accepts_it() {
    let (house, mut desk) = scene().await;
    let mut stranger = house.visitor_from("203.0.113.7");
    let page = stranger.get("/instruments/S203").await;
    assert!(page.attributes("a", "href").contains(&FORM.to_owned()));
    let page = stranger
        .upload(FORM, KNOCK, &[("photo", "x.jpg", &jpeg())])
        .await;
    let there = page.location().to_owned();
    assert!(there.starts_with("/reported/"), "{there}");
    let page = stranger.get(&there).await;
    assert!(
        page.words().contains("No volunteer has looked"),
        "{}",
        page.words()
    );
    // Nobody else sees a word of it, and nothing rests on it.
    let mut conn = house.library.read().await.unwrap();
    assert!(journeys::current(&mut conn, None).await.unwrap().is_empty());
    assert!(
        !house
            .visitor()
            .get("/instruments/S203")
            .await
            .text()
            .contains("fell off")
    );
    let one = all(&house).await.remove(0);
    let (_, mut member) = house.someone(Role::Member).await;
    for path in [
        format!("/reports/{}", one.id),
        format!("/reports/{}/full.jpg", one.id),
        "/reports".to_owned(),
    ] {
        assert_eq!(
            house.visitor().get(&path).await.status,
            StatusCode::UNAUTHORIZED
        );
        assert_eq!(member.get(&path).await.status, StatusCode::FORBIDDEN);
        assert_eq!(desk.get(&path).await.status, StatusCode::OK);
    }
    assert_eq!(
        house.visitor().get("/reported/guessed").await.status,
        StatusCode::NOT_FOUND
    );
    // The desk's start page says so; there it is entered as it was told.
    assert!(desk.get("/").await.words().contains("reported, to look at"));
    let page = desk.get(&format!("/reports/{}", one.id)).await;
    assert!(
        page.words().contains("Tam Passer, not signed in"),
        "{}",
        page.words()
    );
    let chosen = page.attributes("option[selected]", "value");
    assert_eq!(chosen, ["journey knock-or-drop"]);
    let fields = [
        ("becomes", "journey knock-or-drop"),
        ("how_hard", "2"),
        ("asks_for", "a-look"),
        ("words", "It fell off the table"),
        ("keep_picture", "yes"),
        ("answer", "Thank you, we test it on Friday."),
    ];
    let accept = format!("/reports/{}/accept", one.id);
    desk.post(&accept, &fields).await.location();
    let moves = journeys::current(&mut conn, None).await.unwrap();
    assert_eq!(moves.len(), 1);
    assert_eq!(moves[0].journey.severity, Some(2));
    assert_eq!(
        photos::of(&mut conn, one.instrument_id)
            .await
            .unwrap()
            .len(),
        1
    );
    let words = desk.get("/instruments/S203/logbook").await.words();
    assert!(
        words.contains("Reported by Tam Passer, who was not signed in."),
        "{words}"
    );
    let words = stranger.get(&there).await.words();
    assert!(
        words.contains("stands in the logbook") && words.contains("we test it on Friday"),
        "{words}"
    );
    // Once is enough: of two volunteers the second is told.
    let page = desk.post(&accept, &fields).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(journeys::current(&mut conn, None).await.unwrap().len(), 1);
}

#[tokio::test]
async fn the_borrower_and_the_desk_report_straight_and_other_members_do_not() {
    let (house, mut desk) = scene().await;
    let one = {
        let mut conn = house.library.read().await.unwrap();
        tubewright::library::instruments::Instrument::by_tag(&mut conn, "S203")
            .await
            .unwrap()
    };
    let borrower = house.person("Ines Vale", Role::Member).await;
    let loan = lend(&house, one.id, borrower, borrower, days_ago(2)).await;
    let mut ines = house.signed_in(borrower).await;
    let page = send(&mut ines, &[("what", "dew"), ("words", "Wet inside")]).await;
    assert_eq!(page.location(), "/my-loans#reported");
    let mut conn = house.library.read().await.unwrap();
    let told = problems::current(&mut conn, Some(one.id)).await.unwrap();
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].problem.words, "Wet inside");
    let on_loan: Vec<u8> = sqlx::query_scalar("SELECT loan_id FROM entries WHERE id = ?")
        .bind(told[0].entry_id)
        .fetch_one(&mut *conn)
        .await
        .unwrap();
    assert_eq!(on_loan, loan.0.as_bytes());
    send(&mut desk, &[("what", "squashed-rings")])
        .await
        .location();
    assert_eq!(problems::current(&mut conn, None).await.unwrap().len(), 2);
    let (other, mut member) = house.someone(Role::Member).await;
    send(
        &mut member,
        &[("what", "other"), ("words", "Cap is cracked")],
    )
    .await
    .location();
    assert_eq!(problems::current(&mut conn, None).await.unwrap().len(), 2);
    let words = member.get("/my-loans").await.words();
    assert!(
        words.contains("Something else: Cap is cracked No volunteer has looked"),
        "{words}"
    );
    // Accepted, it is signed by the member, and settled it says so on their page.
    let waiting = all(&house)
        .await
        .into_iter()
        .find(|r| r.state == State::Waiting)
        .unwrap();
    let fields = [
        ("becomes", "problem other"),
        ("asks_for", "a-look"),
        ("words", "Cap is cracked"),
    ];
    desk.post(&format!("/reports/{}/accept", waiting.id), &fields)
        .await
        .location();
    let told = problems::current(&mut conn, None).await.unwrap();
    let entry = told
        .iter()
        .find(|p| p.problem.words == "Cap is cracked")
        .unwrap();
    let work = Work {
        what: WorkWhat::PartReplaced,
        minutes: None,
        moved_optics: false,
        words: "New cap".to_owned(),
        settles: vec![entry.entry_id],
    };
    let done = NewEntry {
        instrument: one.id,
        kind: EntryKind::Work,
        happened_at: Utc::now(),
        recorded_at: Utc::now(),
        by: borrower,
        loan: None,
        note: String::new(),
    };
    let mut write = house.library.write().await.unwrap();
    work.log(&mut write, done).await.unwrap();
    write.commit().await.unwrap();
    let words = member.get("/my-loans").await.words();
    assert!(
        words.contains("Settled on") && words.contains("part replaced"),
        "{words}"
    );
    // It is theirs to take away, and goes with them.
    let words = member.get("/me/data").await.words();
    assert!(words.contains("Cap is cracked"), "{words}");
    drop(conn);
    let mut write = house.library.write().await.unwrap();
    own_data::erase(&mut write, other, Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert!(all(&house).await.iter().all(|r| r.person_id != Some(other)));
}

#[tokio::test]
async fn what_is_set_aside_or_taken_back_leaves_no_trace_in_the_logbook() {
    let (house, mut desk) = scene().await;
    let mut stranger = house.visitor();
    let first = send(&mut stranger, KNOCK).await.location().to_owned();
    let second = send(&mut stranger, KNOCK).await.location().to_owned();
    assert_ne!(first, second);
    let (older, newer) = {
        let mut found = all(&house).await;
        let newer = found.remove(0);
        (found.remove(0), newer)
    };
    let aside = format!("/reports/{}/set-aside", older.id);
    desk.post(&aside, &[("answer", "It was another one")])
        .await
        .location();
    let words = stranger.get(&first).await.words();
    assert!(
        words.contains("set it aside") && words.contains("It was another one"),
        "{words}"
    );
    let token = second.rsplit('/').next().unwrap();
    stranger
        .post("/reported/withdraw", &[("token", token)])
        .await
        .location();
    let words = stranger.get(&second).await.words();
    assert!(
        words.contains("taken back") && !words.contains("fell off"),
        "{words}"
    );
    let left = all(&house)
        .await
        .into_iter()
        .find(|r| r.id == newer.id)
        .unwrap();
    assert_eq!(
        (left.words.as_str(), left.name.as_str()),
        ("", "taken back")
    );
    let mut conn = house.library.read().await.unwrap();
    assert!(journeys::current(&mut conn, None).await.unwrap().is_empty());
    // Decided is decided; and what was taken back is not decided any more.
    for path in [&aside, &format!("/reports/{}/set-aside", newer.id)] {
        assert_eq!(desk.post(path, &[]).await.status, StatusCode::CONFLICT);
    }
    let page = stranger
        .post("/reported/withdraw", &[("token", "guessed")])
        .await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    // Neither the secret nor where it came from stands in the audit log or elsewhere.
    for table in ["audit_log", "handled_forms", "reports"] {
        let rows: Vec<String> = match table {
            "audit_log" => sqlx::query_scalar("SELECT what || words || address FROM audit_log"),
            "handled_forms" => sqlx::query_scalar("SELECT location FROM handled_forms"),
            _ => sqlx::query_scalar("SELECT words || name || hex(token_hash) FROM reports"),
        }
        .fetch_all(&mut *conn)
        .await
        .unwrap();
        assert!(rows.iter().all(|row| !row.contains(token)), "{table}");
    }
}

#[tokio::test]
async fn a_stranger_sends_so_many_and_an_instrument_takes_so_many() {
    let (house, _) = scene().await;
    let mut one = house.visitor_from("203.0.113.7");
    for _ in 0..6 {
        send(&mut one, KNOCK).await.location();
    }
    let page = send(&mut one, KNOCK).await;
    assert_eq!(page.status, StatusCode::TOO_MANY_REQUESTS);
    let wait: i64 = page.headers["retry-after"]
        .to_str()
        .unwrap()
        .parse()
        .unwrap();
    assert!((3500..=3600).contains(&wait), "{wait}");
    // A cookie more or less makes no other sender of them; another address does.
    assert_eq!(
        send(&mut house.visitor_from("203.0.113.7"), KNOCK)
            .await
            .status,
        StatusCode::TOO_MANY_REQUESTS
    );
    // Of IPv6 a whole /64 is one sender.
    for n in 1..=6 {
        let mut client = house.visitor_from(&format!("2001:db8:0:1::{n}"));
        send(&mut client, KNOCK).await.location();
    }
    let mut client = house.visitor_from("2001:db8:0:1:ffff::1");
    assert_eq!(
        send(&mut client, KNOCK).await.status,
        StatusCode::TOO_MANY_REQUESTS
    );
    // Twenty a day about one instrument, from wherever.
    for n in 0..8 {
        let mut client = house.visitor_from(&format!("198.51.100.{n}"));
        send(&mut client, KNOCK).await.location();
    }
    let mut client = house.visitor_from("198.51.100.99");
    let page = send(&mut client, KNOCK).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(
        page.words().contains("Tell the lending desk"),
        "{}",
        page.words()
    );
    assert_eq!(all(&house).await.len(), 20);
    // Members are not shut out by strangers.
    let (_, mut member) = house.someone(Role::Member).await;
    send(&mut member, &[("what", "dew")]).await.location();
    // The next day there is room again, and no network is kept.
    let tomorrow = Utc::now() + Duration::hours(25);
    let mut write = house.library.write().await.unwrap();
    expiry::remove_expired(&mut write, tomorrow).await.unwrap();
    let known: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM reports WHERE network IS NOT NULL")
        .fetch_one(&mut *write)
        .await
        .unwrap();
    assert_eq!(known, 0);
    write.commit().await.unwrap();
    house.app.clock.put_off(Duration::hours(25));
    send(&mut house.visitor_from("203.0.113.7"), KNOCK)
        .await
        .location();
    // Nobody looked for half a year: they are gone.
    let mut write = house.library.write().await.unwrap();
    expiry::remove_expired(&mut write, tomorrow + Duration::days(181))
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert!(all(&house).await.is_empty());
}

#[tokio::test]
async fn what_a_hostile_hand_sends_is_refused_or_harmless() {
    let (house, mut desk) = scene().await;
    let nowhere = |n: u32| house.visitor_from(&format!("192.0.2.{n}"));
    let script = "<script>alert(1)</script>";
    // Scripts in names and words come back as text, on the desk's pages and in its file.
    let mut client = nowhere(1);
    let fields = [("what", "other"), ("words", script), ("name", script)];
    let there = send(&mut client, &fields).await.location().to_owned();
    let id = all(&house).await[0].id;
    for page in [
        client.get(&there).await,
        desk.get("/reports").await,
        desk.get(&format!("/reports/{id}")).await,
        desk.get("/").await,
    ] {
        assert!(!page.text().contains(script));
    }
    let formula = [("what", "other"), ("words", "=1+1"), ("name", "@x")];
    send(&mut nowhere(2), &formula).await.location();
    let csv = desk.get("/reports.csv").await.text();
    assert!(csv.contains("'=1+1") && csv.contains("'@x"), "{csv}");
    // What is no picture, pretends to be one, or is too large.
    let bomb = {
        // A PNG's head that promises 30000 by 30000 pixels (PNG 1.2, 11.2.2).
        let mut png =
            b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\x75\x30\0\0\x75\x30\x08\x02\0\0\0".to_vec();
        png.extend([0; 64]);
        png
    };
    let svg = format!("<svg xmlns=\"http://www.w3.org/2000/svg\">{script}</svg>");
    for (n, (name, bytes)) in [
        ("x.svg", svg.as_bytes()),
        ("x.jpg", script.as_bytes()),
        ("x.html", b"<!DOCTYPE html>".as_slice()),
        ("x.png", bomb.as_slice()),
        ("../../x.jpg", &jpeg()[..200]),
    ]
    .into_iter()
    .enumerate()
    {
        let page = nowhere(10 + n as u32)
            .upload(FORM, KNOCK, &[("photo", name, bytes)])
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{name}");
        assert!(
            page.text().contains("It fell off the table"),
            "{name}: what was typed is kept"
        );
    }
    let large = vec![0; 11 * 1024 * 1024];
    let page = nowhere(3)
        .upload(FORM, KNOCK, &[("photo", "x.jpg", &large)])
        .await;
    assert_eq!(page.status, StatusCode::PAYLOAD_TOO_LARGE);
    let two = jpeg();
    let files: [(&str, &str, &[u8]); 2] = [("photo", "a.jpg", &two), ("photo", "b.jpg", &two)];
    assert_eq!(
        nowhere(4).upload(FORM, KNOCK, &files).await.status,
        StatusCode::PAYLOAD_TOO_LARGE
    );
    let long = "x".repeat(20_000);
    let fields = [("what", "other"), ("words", long.as_str()), ("name", "A")];
    assert_eq!(
        send(&mut nowhere(5), &fields).await.status,
        StatusCode::PAYLOAD_TOO_LARGE
    );
    // What is missing or made up is named.
    for fields in [
        vec![("what", "haunted"), ("name", "A")],
        vec![("what", "knock"), ("how_hard", "9"), ("name", "A")],
        vec![("what", "journey"), ("distance", "-3"), ("name", "A")],
        vec![("what", "knock")],
        vec![("what", "knock"), ("name", "a\nb")],
        vec![("what", "other"), ("name", "A")],
        vec![],
    ] {
        let page = send(&mut nowhere(6), &fields).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{fields:?}");
        assert!(!page.select(".errors li").is_empty(), "{fields:?}");
    }
    // From another site's page; with a mark that is not the session's.
    let foreign = [
        ("sec-fetch-site", "cross-site"),
        ("origin", "https://elsewhere.example"),
    ];
    let page = nowhere(7).post_raw(FORM, KNOCK, &foreign).await;
    assert_eq!(page.status, StatusCode::FORBIDDEN);
    let (_, mut member) = house.someone(Role::Member).await;
    let page = member.upload_marked(FORM, "forged", KNOCK, &[]).await;
    assert_eq!(page.status, StatusCode::FORBIDDEN);
    // An instrument there is not, and one that is retired.
    assert_eq!(
        nowhere(8)
            .upload("/instruments/X9/report", KNOCK, &[])
            .await
            .status,
        StatusCode::NOT_FOUND
    );
    assert_eq!(all(&house).await.len(), 2);
}

#[tokio::test]
async fn a_form_that_arrives_twice_is_one_report() {
    let (house, _) = scene().await;
    let once = uuid::Uuid::new_v4().to_string();
    let mut stranger = house.visitor();
    let first = stranger
        .post_once(FORM, &once, KNOCK)
        .await
        .location()
        .to_owned();
    let again = stranger
        .post_once(FORM, &once, KNOCK)
        .await
        .location()
        .to_owned();
    assert_eq!(first, again);
    let (_, mut member) = house.someone(Role::Member).await;
    for _ in 0..2 {
        member.post_once(FORM, &once, KNOCK).await.location();
    }
    assert_eq!(all(&house).await.len(), 2);
    // A mark too short to be ours gives a secret of its own, not one that can be guessed.
    let a = stranger
        .post_once(FORM, "1", KNOCK)
        .await
        .location()
        .to_owned();
    let b = stranger
        .post_once(FORM, "1", KNOCK)
        .await
        .location()
        .to_owned();
    assert_ne!(a, b);
}
