//! Jobs: taken on, given on, late, settled and given back; who sees them where.

use axum::http::StatusCode;
use chrono::{Duration, Utc};
use tubewright::library::people::Role;
use tubewright::library::{EntryId, jobs, own_data, problems};

use crate::common::{Client, House, Page};
use crate::due::found;
use crate::two_at_once::form;

/// An instrument with one open problem, and a volunteer.
async fn club() -> (House, Client, EntryId) {
    let house = House::empty().await;
    let kofi = house.person("Kofi Lindgren", Role::Volunteer).await;
    let id = house.instrument("S1", kofi).await;
    found(&house, id, kofi, "Focuser slips").await;
    let mut conn = house.library.read().await.unwrap();
    let open = problems::current(&mut conn, Some(id)).await.unwrap();
    drop(conn);
    let client = house.signed_in(kofi).await;
    (house, client, open[0].entry_id)
}

fn day(from_now: i64) -> String {
    (Utc::now() + Duration::days(from_now))
        .date_naive()
        .to_string()
}

/// Sends the form as it stands, with these fields in place of its own.
async fn send(client: &mut Client, at: &str, fields: &[(&str, &str)]) -> Page {
    let shown = form(&client.get(at).await, "shown");
    let mut all = vec![("shown", shown.as_str())];
    all.extend_from_slice(fields);
    client.post(at, &all).await
}

async fn chosen(client: &mut Client, at: &str) -> String {
    let page = client.get(at).await;
    page.attributes("select[name=person] option[selected]", "value")[0].clone()
}

#[tokio::test]
async fn a_problem_is_taken_on_shown_where_it_is_worked_on_and_settled() {
    let (house, mut client, problem) = club().await;
    let at = format!("/problems/{problem}/job");
    assert!(client.get("/jobs").await.words().contains("No job is open"));
    for list in ["/problems?job=none", "/instruments/S1"] {
        let links = client.get(list).await.attributes("a", "href");
        assert!(links.contains(&at), "{list}: {links:?}");
    }
    // Whoever opens it takes it on themselves; a day is not needed.
    let me = chosen(&mut client, &at).await;
    let fields = [
        ("person", me.as_str()),
        ("due_on", ""),
        ("note", "Needs felt"),
    ];
    let page = send(&mut client, &at, &fields).await;
    assert_eq!(page.location(), "/instruments/S1");
    let page = client.get("/").await.words();
    assert!(page.contains("1 for you to do"), "{page}");
    for shown in ["/instruments/S1", "/jobs?who=me", "/problems?job=taken"] {
        let words = client.get(shown).await.words();
        assert!(words.contains("Kofi Lindgren"), "{shown}: {words}");
    }
    assert!(
        client
            .get("/jobs?who=none")
            .await
            .words()
            .contains("No job fits")
    );
    assert_eq!(
        client.get("/jobs?who=king").await.status,
        StatusCode::BAD_REQUEST
    );
    // At the bench it stands beside its instrument, on a work night too.
    let away = [("to", "bench"), ("reason", "focuser")];
    client.post("/instruments/S1/bench", &away).await.location();
    let words = client.get("/bench").await.words();
    assert!(
        words.contains("Job: Focuser slips Kofi Lindgren"),
        "{words}"
    );
    let night = [
        ("held_on", day(9)),
        ("place", "hut".into()),
        ("hours", "3".into()),
        ("hands", "2".into()),
    ];
    let night: Vec<(&str, &str)> = night.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let night = client
        .post("/work-nights/new", &night)
        .await
        .location()
        .to_owned();
    client
        .post(&format!("{night}/assign"), &[("tag", "S1")])
        .await
        .location();
    for page in [night.clone(), format!("{night}/sheet")] {
        let words = client.get(&page).await.words();
        assert!(words.contains("Job: Focuser slips"), "{page}: {words}");
    }
    // The note is found, by those who work here.
    assert!(client.get("/search?q=felt").await.words().contains("S1"));
    let (_, mut member) = house.someone(Role::Member).await;
    assert!(
        member
            .get("/search?q=felt")
            .await
            .words()
            .contains("Nothing found")
    );
    let words = member.get("/instruments/S1").await.words();
    assert!(!words.contains("Kofi"), "{words}");
    for path in ["/jobs", "/jobs.csv", at.as_str(), "/spares"] {
        assert_eq!(
            member.get(path).await.status,
            StatusCode::FORBIDDEN,
            "{path}"
        );
    }
    // Work that settles it closes it, and its time is told.
    let settles = problem.to_string();
    let work = [
        ("what", "repair"),
        ("moved_optics", "no"),
        ("words", "New felt"),
        ("minutes", "95"),
        ("on", &day(0)),
        ("settles", &settles),
    ];
    client.post("/instruments/S1/work", &work).await.location();
    assert!(!client.get("/").await.words().contains("for you to do"));
    let words = client.get("/jobs?show=settled").await.words();
    assert!(
        words.contains("1 h 35 min") && words.contains("Settled"),
        "{words}"
    );
    let csv = client.get("/jobs.csv?show=all").await.text();
    assert!(csv.contains("S1") && csv.contains(",95,"), "{csv}");
    let shown = form(&client.get(&at).await, "shown");
    let shown = [("person", me.as_str()), ("shown", shown.as_str())];
    assert_eq!(client.post(&at, &shown).await.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn a_late_job_stands_first_and_what_is_amiss_is_named() {
    let (house, mut client, problem) = club().await;
    let at = format!("/problems/{problem}/job");
    let me = chosen(&mut client, &at).await;
    let (_, mut member) = house.someone(Role::Member).await;
    assert_eq!(member.post(&at, &[]).await.status, StatusCode::FORBIDDEN);
    let no_member = own_id(&mut member, &house).await;
    for (field, value, why) in [
        ("due_on", day(-1), "that day has passed"),
        ("due_on", "soon".to_owned(), "give a date"),
        ("person", "nobody".to_owned(), "choose one"),
        ("person", no_member, "do not work here"),
        ("note", "x".repeat(501), "shorten it to 500"),
    ] {
        let mut fields = vec![("person", me.as_str()), ("due_on", ""), ("note", "Mine")];
        fields.retain(|(name, _)| *name != field);
        fields.push((field, &value));
        let page = send(&mut client, &at, &fields).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{field}");
        let words = page.words();
        assert!(words.contains(why), "{field}: {words}");
    }
    let mut conn = house.library.read().await.unwrap();
    assert!(jobs::list(&mut conn, None).await.unwrap().is_empty());
    drop(conn);
    // A job whose day has passed since.
    let due = day(0);
    let fields = [
        ("person", me.as_str()),
        ("due_on", due.as_str()),
        ("note", ""),
    ];
    send(&mut client, &at, &fields).await.location();
    let mut write = house.library.write().await.unwrap();
    let past = sqlx::query("UPDATE jobs SET due_on = ?").bind(day(-3));
    past.execute(&mut *write).await.unwrap();
    write.commit().await.unwrap();
    let page = client.get("/").await;
    let late = page.select(".day-card .late");
    assert_eq!(late.len(), 1, "{}", page.words());
    assert!(
        late[0].replace('\u{a0}', " ").contains("3 days late"),
        "{late:?}"
    );
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    assert!(boss.get("/").await.words().contains("1 taken on, and late"));
    // The day that stands there may stay.
    let past = day(-3);
    let fields = [
        ("person", me.as_str()),
        ("due_on", past.as_str()),
        ("note", "Soon"),
    ];
    send(&mut client, &at, &fields).await.location();
}

/// The id of who is signed in there.
async fn own_id(client: &mut Client, house: &House) -> String {
    let data: serde_json::Value =
        serde_json::from_slice(&client.get("/me/data/file").await.body).unwrap();
    let mut conn = house.library.read().await.unwrap();
    let email = data["email"].as_str().unwrap();
    let found = tubewright::library::people::Person::by_email(&mut conn, email).await;
    found.unwrap().unwrap().id.to_string()
}

#[tokio::test]
async fn two_who_change_a_job_at_once_overwrite_nothing_unseen() {
    let (house, mut client, problem) = club().await;
    let at = format!("/problems/{problem}/job");
    let (other, mut second) = house.someone(Role::Volunteer).await;
    let seen = form(&second.get(&at).await, "shown");
    let me = chosen(&mut client, &at).await;
    send(&mut client, &at, &[("person", &me), ("note", "Mine")])
        .await
        .location();
    let other_id = other.to_string();
    let theirs = [
        ("person", other_id.as_str()),
        ("note", ""),
        ("shown", &seen),
    ];
    let page = second.post(&at, &theirs).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let words = page.words();
    assert!(words.contains("here now stands: Kofi Lindgren"), "{words}");
    // Sent again, it is theirs; given back, it is nobody's, once.
    send(&mut second, &at, &[("person", &other_id)])
        .await
        .location();
    second
        .post(&format!("{at}/give-back"), &[])
        .await
        .location();
    let page = second.post(&format!("{at}/give-back"), &[]).await;
    assert_ne!(page.status, StatusCode::SEE_OTHER);
    // Who had it may take that away, and is a former member once erased.
    let file = second.get("/me/data/file").await;
    let data: serde_json::Value = serde_json::from_slice(&file.body).unwrap();
    assert_eq!(data["jobs"][0]["words"], "Focuser slips");
    send(&mut client, &at, &[("person", &other_id)])
        .await
        .location();
    let mut write = house.library.write().await.unwrap();
    own_data::erase(&mut write, other, Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    let who = client.get("/jobs").await.select("td[data-label=Who]");
    assert_eq!(who, ["No one yet"]);
}
