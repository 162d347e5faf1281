//! A club's own lists brought in by the pages; the whole club taken away.

use std::io::Read;

use axum::http::{StatusCode, header};
use tubewright::library::instruments::Instrument;
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::{expiry, kit};

use super::common::{House, days_ago, particulars};

const PEOPLE: &[u8] = b"Name,Email\n\"Brook, Ada\",ada@club.example\nBo Carver,\n";
const LOANS: &[u8] = b"Tag,Lent to,Lent on,Due,Returned\nN1,ada brook,2026-01-10,2026-02-07,2026-02-01\nN1,Bo Carvr,2026-02-10,2026-03-07,2026-03-01\n";

async fn location(page: &super::common::Page) -> String {
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    page.headers[header::LOCATION].to_str().unwrap().to_owned()
}

#[tokio::test]
async fn lists_are_looked_over_answered_kept_and_undone() {
    let house = House::empty().await;
    let (me, mut coordinator) = house.someone(Role::Coordinator).await;
    house.instrument("N1", me).await;
    let sent = coordinator
        .upload(
            "/import",
            &[],
            &[
                ("files", "people.csv", PEOPLE),
                ("files", "loans.csv", LOANS),
            ],
        )
        .await;
    let columns = location(&sent).await;
    let page = coordinator.get(&columns).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.words().contains("Lent to"), "{}", page.words());

    // The form as it stands leads on; a sheet that is left out has no columns.
    let fields = [
        ("kind-0", "people"),
        ("header-0", "1"),
        ("col-0-0", "name"),
        ("col-0-1", "email"),
        ("kind-1", "loans"),
        ("header-1", "1"),
        ("col-1-0", "tag"),
        ("col-1-1", "borrower"),
        ("col-1-2", "lent"),
        ("col-1-3", "due"),
        ("col-1-4", "returned"),
    ];
    let twice = [&fields[..3], &[("col-0-1", "name")], &fields[4..]].concat();
    let refused = coordinator.post(&columns, &twice).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        refused.words().contains("two columns"),
        "{}",
        refused.words()
    );
    let check = location(&coordinator.post(&columns, &fields).await).await;
    let page = coordinator.get(&check).await;
    assert!(
        page.words().contains("1 question first"),
        "{}",
        page.words()
    );
    assert!(page.words().contains("Bo Carvr"), "{}", page.words());

    // Nothing is kept while it is open.
    let keep = check.replace("/check", "/keep");
    let refused = coordinator.post(&keep, &[]).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    let unanswered = coordinator.post(&check, &[]).await;
    assert_eq!(unanswered.status, StatusCode::UNPROCESSABLE_ENTITY);
    let answers = [("answer-0", "bo carver")];
    location(&coordinator.post(&check, &answers).await).await;
    let page = coordinator.get(&check).await;
    assert!(
        page.words().contains("Ready to keep: 2 people, 2 loans"),
        "{}",
        page.words()
    );
    let once = uuid::Uuid::new_v4().to_string();
    let kept = location(&coordinator.post_once(&keep, &once, &[]).await).await;
    // A double tap leads to the same place and keeps nothing twice.
    let again = location(&coordinator.post_once(&keep, &once, &[]).await).await;
    assert_eq!(kept, again);
    let mut conn = house.library.read().await.unwrap();
    let people = Person::list(&mut conn).await.unwrap();
    assert_eq!(people.len(), 3);
    drop(conn);

    // Another coordinator sees what was brought, not what somebody else holds.
    let (_, mut other) = house.someone(Role::Coordinator).await;
    assert_eq!(other.get(&columns).await.status, StatusCode::NOT_FOUND);
    assert!(other.get(&kept).await.words().contains("2 people, 2 loans"));
    let undone = other.post(&format!("{kept}/undo"), &[]).await;
    location(&undone).await;
    let mut conn = house.library.read().await.unwrap();
    let people = Person::list(&mut conn).await.unwrap();
    assert_eq!(people.len(), 2, "both coordinators");
}

#[tokio::test]
async fn what_is_held_and_not_kept_goes_after_two_days() {
    let house = House::empty().await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let sent = coordinator
        .upload("/import", &[], &[("files", "people.csv", PEOPLE)])
        .await;
    let columns = location(&sent).await;
    for (days, status) in [(1, StatusCode::OK), (3, StatusCode::NOT_FOUND)] {
        let mut write = house.library.write().await.unwrap();
        let later = house.app.clock.now() + chrono::Duration::days(days);
        expiry::remove_expired(&mut write, later).await.unwrap();
        write.commit().await.unwrap();
        assert_eq!(coordinator.get(&columns).await.status, status);
    }
}

#[tokio::test]
async fn a_file_that_is_no_list_is_refused_with_its_remedy() {
    let house = House::empty().await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    for (name, bytes) in [("a.xlsx", &b"PK\x03\x04broken"[..]), ("b.csv", b"\n\n")] {
        let page = coordinator
            .upload("/import", &[], &[("files", name, bytes)])
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.words().contains("end "), "{}", page.words());
    }
    let page = coordinator.upload("/import", &[], &[]).await;
    assert!(
        page.words().contains("choose the club's lists"),
        "{}",
        page.words()
    );
}

#[tokio::test]
async fn somebody_without_mail_borrows_and_never_signs_in() {
    let house = House::empty().await;
    let (me, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.instrument("N1", me).await;
    let added = coordinator
        .post(
            "/people/new",
            &[("name", "Wren Penhale"), ("email", ""), ("role", "guest")],
        )
        .await;
    location(&added).await;
    let again = coordinator
        .post(
            "/people/new",
            &[("name", "Bo Carver"), ("email", ""), ("role", "member")],
        )
        .await;
    location(&again).await;
    let refused = coordinator
        .post(
            "/people/new",
            &[("name", "X Y"), ("email", ""), ("role", "volunteer")],
        )
        .await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    let mut conn = house.library.read().await.unwrap();
    let wren = Person::named(&mut conn, "wren penhale").await.unwrap();
    assert!(wren.guest && wren.email.is_none());
    let parts = kit::of(&mut conn, id).await.unwrap();
    assert_eq!(parts.len(), 3);
    drop(conn);
    let csv = coordinator.get("/people.csv?role=guest").await.text();
    assert_eq!(csv.lines().count(), 2, "{csv}");
    assert!(csv.contains("Wren Penhale,,guest,never"), "{csv}");
    let link = coordinator
        .post(&format!("/people/{}/address", wren.id), &[])
        .await;
    assert!(!link.status.is_success(), "{}", link.words());
    let form = coordinator.get("/instruments/N1/lend").await;
    assert!(
        form.words().contains("Wren Penhale, guest"),
        "{}",
        form.words()
    );
    let due = (house.app.clock.now() + chrono::Duration::days(20))
        .format("%Y-%m-%d")
        .to_string();
    let lent = coordinator
        .post(
            "/instruments/N1/lend",
            &[
                ("borrower", &wren.id.to_string()),
                ("due_on", &due),
                ("limit_stated", "Nothing."),
                ("kit_all", "yes"),
            ],
        )
        .await;
    assert!(location(&lent).await.starts_with("/loans/"));
    for page in ["/loans", "/", "/people"] {
        assert_eq!(coordinator.get(page).await.status, StatusCode::OK, "{page}");
    }
    // Who loses their address loses their way in.
    let other = house
        .with_password("Cara Dunn", Role::Member, "four dim rings drifting")
        .await;
    let mut theirs = house.signed_in(other).await;
    let mut write = house.library.write().await.unwrap();
    let new = NewPerson {
        name: "Cara Dunn".to_owned(),
        email: String::new(),
        role: Role::Member,
        guest: false,
    };
    tubewright::library::people::change(&mut write, other, &new, chrono::Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert_ne!(theirs.get("/my-loans").await.status, StatusCode::OK);
}

#[tokio::test]
async fn an_old_label_leads_to_the_instrument_and_its_tag_is_not_given_unnoticed() {
    let house = House::empty().await;
    let (me, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.instrument("N1", me).await;
    let mut write = house.library.write().await.unwrap();
    let version = Instrument::get(&mut write, id).await.unwrap().version;
    Instrument::change(&mut write, id, version, &particulars("N100"))
        .await
        .unwrap();
    write.commit().await.unwrap();
    for address in ["/instruments/N1", "/instruments/n1", "/instruments/N100"] {
        let page = coordinator.get(address).await;
        assert!(page.words().contains("N100"), "{address}: {}", page.words());
    }
    let found = coordinator.get("/check-in?q=n1").await;
    assert!(["/check-in/N100", "/check-in/N1"].contains(&location(&found).await.as_str()));
    // Neither the library nor the database gives the old tag away unasked.
    let mut write = house.library.write().await.unwrap();
    let refused = Instrument::add(&mut write, &particulars("N1"), days_ago(0), me).await;
    assert!(refused.unwrap_err().to_string().contains("old labels"));
    let forced = sqlx::query("UPDATE instruments SET tag = 'N1' WHERE id <> ?")
        .bind(id)
        .execute(&mut *write)
        .await;
    assert!(forced.is_ok(), "there is no other instrument yet");
    drop(write);
    let other = house.instrument("N2", me).await;
    let mut write = house.library.write().await.unwrap();
    let forced = sqlx::query("UPDATE instruments SET tag = 'N1' WHERE id = ?")
        .bind(other)
        .execute(&mut *write)
        .await;
    assert!(forced.is_err());
}

#[tokio::test]
async fn the_whole_club_is_taken_away_as_an_archive() {
    let house = House::empty().await;
    let (me, mut coordinator) = house.someone(Role::Coordinator).await;
    house.instrument("N1", me).await;
    assert_eq!(coordinator.get("/club/export").await.status, StatusCode::OK);
    let page = coordinator.post("/club/export.zip", &[]).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.words());
    assert!(page.body.starts_with(b"PK"));
    // As a browser asks for it, which has it packed again on its way.
    let mark = coordinator.mark();
    let fields = [
        ("csrf", mark.as_str()),
        ("once", "as a browser asks for it"),
    ];
    let headers = [
        ("sec-fetch-site", "same-origin"),
        ("accept-encoding", "gzip"),
    ];
    let packed = coordinator
        .post_raw("/club/export.zip", &fields, &headers)
        .await;
    let mut archive = Vec::new();
    flate2::read::GzDecoder::new(packed.body.as_slice())
        .read_to_end(&mut archive)
        .unwrap();
    assert!(archive.starts_with(b"PK"));
    let (_, mut volunteer) = house.someone(Role::Volunteer).await;
    assert_ne!(
        volunteer.post("/club/export.zip", &[]).await.status,
        StatusCode::OK
    );
}
