//! The audit log of who did what, and what watches the machine.

use axum::http::StatusCode;
use tubewright::library::audit_log;
use tubewright::library::people::Role;

use crate::common::House;

async fn chain(house: &House) -> audit_log::Chain {
    let mut conn = house.library.read().await.unwrap();
    audit_log::check(&mut conn).await.unwrap()
}

#[tokio::test]
async fn what_people_do_is_written_down_with_who_and_from_where() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let before = chain(&house).await.sound;
    volunteer
        .post(
            "/check-in/S203",
            &[("loan_version", ""), ("note", "Smells of varnish")],
        )
        .await;
    // What is refused leaves no trace, for it changed nothing.
    volunteer
        .post("/check-in/S203", &[("loan_version", "")])
        .await;
    volunteer.post("/sign-out", &[]).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let page = coordinator.get("/audit-log").await;
    assert_eq!(page.status, StatusCode::OK);
    let words = page.words();
    assert!(words.contains("Logged for S203."), "{words}");
    assert!(words.contains("/check-in/S203"), "{words}");
    assert!(words.contains("Signed out."), "{words}");
    assert!(words.contains("hold together from the first"), "{words}");
    assert_eq!(chain(&house).await.sound, before + 2);
    let csv = coordinator.get("/audit-log.csv").await;
    assert!(csv.text().starts_with("number,at,who,from,what,words\r\n"));
    assert_eq!(csv.text().lines().count(), 3 + before as usize);
    for role in [Role::Member, Role::Volunteer] {
        let (_, mut other) = house.someone(role).await;
        let page = other.get("/audit-log").await;
        assert_eq!(page.status, StatusCode::FORBIDDEN);
    }
}

#[tokio::test]
async fn a_row_changed_or_taken_out_shows() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    for note in ["one", "two", "three", "four"] {
        volunteer
            .post("/check-in/S203", &[("loan_version", ""), ("note", note)])
            .await;
    }
    let whole = chain(&house).await;
    assert_eq!((whole.sound, whole.broken_at), (4, None));
    assert_eq!(whole.head.len(), 64);
    // The tool itself cannot: the table says no.
    let mut write = house.library.write().await.unwrap();
    for sql in [
        "UPDATE audit_log SET words = 'x' WHERE number = 2",
        "DELETE FROM audit_log WHERE number = 2",
    ] {
        let said = sqlx::query(sql).execute(&mut *write).await;
        assert!(
            said.unwrap_err()
                .to_string()
                .contains("the audit log is never")
        );
    }
    // Someone with the file in their hands.
    for sql in [
        "DROP TRIGGER the_audit_log_is_never_changed",
        "DROP TRIGGER the_audit_log_is_never_shortened",
        "UPDATE audit_log SET words = 'Logged for S999.' WHERE number = 2",
    ] {
        sqlx::query(sql).execute(&mut *write).await.unwrap();
    }
    write.commit().await.unwrap();
    assert_eq!(chain(&house).await.broken_at, Some(2));
    let mut write = house.library.write().await.unwrap();
    sqlx::query("DELETE FROM audit_log WHERE number = 2")
        .execute(&mut *write)
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert_eq!(chain(&house).await.broken_at, Some(3));
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let words = coordinator.get("/audit-log").await.words();
    assert!(words.contains("does not hold together"), "{words}");
}

#[tokio::test]
async fn a_secret_address_does_not_stand_in_the_trail() {
    let house = House::empty().await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.person("Otto Brand", Role::Member).await;
    let page = coordinator
        .post(&format!("/people/{id}/address"), &[])
        .await;
    let address = page.select("code.copy-words").remove(0);
    let path = &address[address.find("/welcome/").unwrap()..];
    let secret = path.strip_prefix("/welcome/").unwrap();
    let mut otto = house.visitor();
    let phrase = "kettle river lantern 42";
    otto.post(path, &[("password", phrase), ("again", phrase)])
        .await;
    let text = coordinator.get("/audit-log.csv").await.text();
    assert!(text.contains("Made a sign-in link."), "{text}");
    assert!(text.contains("Otto Brand"), "{text}");
    assert!(text.contains("/welcome,"), "{text}");
    assert!(!text.contains(secret) && !text.contains(phrase), "{text}");
}

#[tokio::test]
async fn the_machine_can_be_watched_without_a_word_about_people() {
    let house = House::empty().await;
    let mut visitor = house.visitor();
    for path in ["/health/live", "/health/ready"] {
        assert_eq!(visitor.get(path).await.status, StatusCode::OK, "{path}");
    }
    visitor.get("/no-such-page").await;
    let from = |peer: [u8; 4]| {
        let peer = std::net::SocketAddr::from((peer, 4000));
        axum::http::Request::get("/metrics")
            .header("host", "localhost:8017")
            .extension(axum::extract::ConnectInfo(peer))
            .body(axum::body::Body::empty())
            .unwrap()
    };
    let page = visitor.send(from([203, 0, 113, 7])).await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    let page = visitor.send(from([127, 0, 0, 1])).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.text());
    let text = page.text();
    let value = |name: &str| -> f64 {
        let line = text.lines().find(|l| l.starts_with(name)).unwrap();
        line.rsplit(' ').next().unwrap().parse().unwrap()
    };
    assert!(value("tubewright_answers_total{status=\"2xx\"}") >= 2.0);
    assert!(value("tubewright_answers_total{status=\"4xx\"}") >= 1.0);
    assert_eq!(
        value("tubewright_answer_seconds_count"),
        value("tubewright_answer_seconds_bucket{le=\"+Inf\"}")
    );
    assert!(value("tubewright_requests_under_way") >= 1.0);
}

/// The page walks on from where it was; a break behind that point is found by
/// the walk over the whole, and one before the last row at once.
#[tokio::test]
async fn the_page_walks_on_and_can_walk_it_all_again() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let mut log = async |note: &str| {
        let fields = [("loan_version", ""), ("note", note)];
        volunteer.post("/check-in/S203", &fields).await;
    };
    for note in ["one", "two", "three"] {
        log(note).await;
    }
    let first = coordinator.get("/audit-log").await.words();
    assert!(
        first.contains("All 3 rows") && !first.contains("at an earlier visit"),
        "{first}"
    );
    log("four").await;
    let second = coordinator.get("/audit-log").await.words();
    assert!(
        second.contains("All 4 rows") && second.contains("at an earlier visit"),
        "{second}"
    );
    let mut write = house.library.write().await.unwrap();
    sqlx::raw_sql(
        "DROP TRIGGER the_audit_log_is_never_changed; UPDATE audit_log SET words = 'Nothing' WHERE number = 2;",
    )
    .execute(&mut *write)
    .await
    .unwrap();
    write.commit().await.unwrap();
    let part = coordinator.get("/audit-log").await.words();
    assert!(part.contains("All 4 rows"), "{part}");
    let whole = coordinator.get("/audit-log?whole=true").await.words();
    assert!(whole.contains("Row 2 is not as it was written"), "{whole}");
    // Once found it stays found.
    let after = coordinator.get("/audit-log").await.words();
    assert!(after.contains("Row 2 is not as it was written"), "{after}");
}
