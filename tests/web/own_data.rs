//! What is held about a person is shown to them whole, and goes when they are erased:
//! articles 15, 17 and 20 of the General Data Protection Regulation (EU 2016/679).

use axum::http::StatusCode;
use chrono::{Duration, Utc};
use sqlx::AssertSqlSafe;
use tubewright::library::own_data::{FORMER, KEPT_AFTER_LEAVING};
use tubewright::library::people::{self, Person, Role};
use tubewright::library::{PersonId, expiry};

use crate::common::{Client, House};

/// Every place in the database where these words stand, in whatever table.
async fn held(house: &House, words: &str) -> Vec<String> {
    let mut conn = house.library.read().await.unwrap();
    let columns: Vec<(String, String)> = sqlx::query_as(
        "SELECT t.name, c.name FROM sqlite_schema t, pragma_table_info(t.name) c WHERE t.type = 'table'",
    )
    .fetch_all(&mut *conn)
    .await
    .unwrap();
    assert!(columns.len() > 150, "{}", columns.len());
    let mut found = Vec::new();
    for (table, column) in columns {
        let ask = format!(
            "SELECT COUNT(*) FROM {table} WHERE instr(lower(CAST({column} AS TEXT)), ?) > 0"
        );
        let n: i64 = sqlx::query_scalar(AssertSqlSafe(ask))
            .bind(words.to_lowercase())
            .fetch_one(&mut *conn)
            .await
            .unwrap();
        if n > 0 {
            found.push(format!("{table}.{column}"));
        }
    }
    found
}

/// A member who has done all that leaves a trace; and a coordinator.
async fn a_life(house: &House) -> (PersonId, Client, Client) {
    let (by, mut boss) = house.someone(Role::Coordinator).await;
    let fields = [
        ("name", "Ines Quillan"),
        ("email", "quillan@club.example"),
        ("role", "member"),
    ];
    let page = boss.post("/people/new", &fields).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    let mut conn = house.library.read().await.unwrap();
    let added = Person::by_email(&mut conn, "quillan@club.example").await;
    let id = added.unwrap().unwrap().id;
    drop(conn);
    let at = format!("/people/{id}");
    for tag in ["S1", "S2", "S3"] {
        house.instrument(tag, by).await;
    }
    boss.post(&format!("{at}/address"), &[]).await;
    boss.post(&format!("{at}/sessions/end"), &[]).await;
    let due = (Utc::now() + Duration::days(9))
        .format("%Y-%m-%d")
        .to_string();
    let fields = [
        ("borrower", id.to_string()),
        ("due_on", due.clone()),
        ("kit_none", "yes".to_owned()),
        ("limit_stated", "none".to_owned()),
        ("override_reason", "never tested".to_owned()),
        ("deposit", "50 from Quillan".to_owned()),
        ("collected_by", "Quillan's brother".to_owned()),
    ];
    let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let page = boss.post("/instruments/S1/lend", &fields).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    let mut client = house.signed_in(id).await;
    let fields = [("wants_it_for", "planets"), ("note", "Quillan's own words")];
    let page = client.post("/instruments/S2/ask", &fields).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    let fields = [
        ("email", "quillan@club.example"),
        ("password", "not this one"),
    ];
    house.visitor().post("/sign-in", &fields).await;
    (id, client, boss)
}

#[tokio::test]
async fn a_person_sees_and_takes_away_all_that_is_held() {
    let house = House::empty().await;
    let (_, mut client, _) = a_life(&house).await;
    let file = client.get("/me/data/file").await;
    assert_eq!(file.status, StatusCode::OK);
    let data: serde_json::Value = serde_json::from_slice(&file.body).unwrap();
    assert_eq!(data["name"], "Ines Quillan");
    assert_eq!(data["email"], "quillan@club.example");
    assert_eq!(data["loans"][0]["tag"], "S1");
    assert_eq!(data["loans"][0]["deposit"], "50 from Quillan");
    assert_eq!(data["waits"][0]["note"], "Quillan's own words");
    assert_eq!(data["sessions"].as_array().unwrap().len(), 1);
    assert_eq!(data["sign_in_attempts"][0]["succeeded"], false);
    assert!(!data["acts"].as_array().unwrap().is_empty());
    // Nothing of how they sign in, and nothing of anybody else.
    let text = file.text();
    for secret in ["hash", "token", "coordinator "] {
        assert!(!text.contains(secret), "{secret}: {text}");
    }
    // The readable page says the same.
    let page = client.get("/me/data").await.words();
    for words in [
        "S1",
        "50 from Quillan",
        "Quillan's own words",
        "Tries at signing in",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let page = house.visitor().get("/privacy").await;
    assert!(
        page.words()
            .contains("Until you ask for erasure, or 2 years")
    );
}

#[tokio::test]
async fn who_is_erased_is_nowhere_in_the_database() {
    let house = House::empty().await;
    let (id, mut client, mut boss) = a_life(&house).await;
    let erase = format!("/people/{id}/erase");
    // Not while something is out.
    let page = boss.post(&erase, &[]).await;
    assert_ne!(page.status, StatusCode::SEE_OTHER);
    assert!(!held(&house, "quillan").await.is_empty());
    let version = boss.get("/check-in/S1").await;
    let version = version.attributes("input[name=loan_version]", "value");
    let fields = [
        ("loan_version", version[0].as_str()),
        ("journey_none", "yes"),
    ];
    boss.post("/check-in/S1", &fields).await.location();
    let page = boss.post(&erase, &[]).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    assert_eq!(held(&house, "quillan").await, [] as [String; 0]);
    let mut conn = house.library.read().await.unwrap();
    let gone = Person::get(&mut conn, id).await.unwrap();
    assert_eq!((gone.name.as_str(), gone.mail()), (FORMER, ""));
    drop(conn);
    // They are signed out; their loan stays, as a former member's.
    assert_eq!(client.get("/me").await.status, StatusCode::UNAUTHORIZED);
    let csv = boss.get("/loans.csv?show=all").await.text();
    assert!(csv.contains("S1") && csv.contains(FORMER), "{csv}");
}

#[tokio::test]
async fn who_left_long_ago_is_forgotten_by_itself() {
    let house = House::empty().await;
    let otto = house.person("Otto Brink", Role::Member).await;
    let stays = house.person("Ines Vale", Role::Member).await;
    let mut write = house.library.write().await.unwrap();
    let left = Utc::now();
    people::leave(&mut write, otto, left).await.unwrap();
    for (days, name) in [(-1, "Otto Brink"), (1, FORMER)] {
        let now = left + KEPT_AFTER_LEAVING + Duration::days(days);
        expiry::remove_expired(&mut write, now).await.unwrap();
        assert_eq!(Person::get(&mut write, otto).await.unwrap().name, name);
        assert_eq!(
            Person::get(&mut write, stays).await.unwrap().name,
            "Ines Vale"
        );
    }
}
