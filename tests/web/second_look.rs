//! A second pair of eyes on what the bench did, where the club wants one.

use axum::http::StatusCode;
use chrono::Utc;
use tubewright::library::club::Club;
use tubewright::library::people::Role;

use crate::common::{Client, House, days_ago};
use crate::due::tested;

async fn repairs(client: &mut Client) {
    let today = Utc::now().date_naive().to_string();
    let work = [
        ("what", "repair"),
        ("moved_optics", "no"),
        ("words", "New felt"),
        ("on", today.as_str()),
    ];
    client.post("/instruments/S1/work", &work).await.location();
}

#[tokio::test]
async fn work_is_signed_off_by_somebody_else_before_it_counts_as_ready() {
    let house = House::empty().await;
    let (by, mut doer) = house.someone(Role::Volunteer).await;
    let (_, mut other) = house.someone(Role::Volunteer).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let id = house.instrument("S1", by).await;
    tested(&house, id, by, 0.01, days_ago(5)).await;
    repairs(&mut doer).await;
    let (page, look) = ("/instruments/S1", "/instruments/S1/second-look");
    let condition =
        async |client: &mut Client| client.get(page).await.select(".verdict-name")[0].clone();
    // Off, as it is in a new club.
    assert_eq!(condition(&mut member).await, "Ready");
    assert!(!doer.get(page).await.words().contains("second look"));
    let mut write = house.library.write().await.unwrap();
    let club = Club::load(&mut write).await.unwrap();
    assert!(club.second_look.is_none());
    let club = Club {
        second_look: Some(Utc::now() - chrono::Duration::hours(1)),
        ..club
    };
    club.save(&mut write).await.unwrap();
    write.commit().await.unwrap();

    let words = member.get(page).await.words();
    assert_eq!(condition(&mut member).await, "Not checked");
    assert!(
        words.contains("a second person looks it over first"),
        "{words}"
    );
    let due = doer.get("/due").await.words();
    assert!(due.contains("second look"), "{due}");
    // Who did it does not sign it off, and members do not at all.
    assert!(doer.get(page).await.words().contains("You did the work"));
    let refused = doer.post(look, &[]).await;
    assert_eq!(refused.status, StatusCode::CONFLICT);
    assert!(refused.words().contains("Ask another volunteer"));
    assert_eq!(member.post(look, &[]).await.status, StatusCode::FORBIDDEN);
    assert_eq!(condition(&mut doer).await, "Not checked");

    let forms = other.get(page).await.attributes("form", "action");
    assert!(forms.iter().any(|action| action == look), "{forms:?}");
    // A note that is too long is told so, beside what was typed.
    let long = "Focuser runs true. ".repeat(30);
    let mends = other.post(look, &[("words", long.as_str())]).await;
    assert_eq!(mends.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(mends.words().contains("What you looked at"));
    assert_eq!(mends.attributes("[name=words]", "value"), [long.as_str()]);
    assert_eq!(condition(&mut member).await, "Not checked");
    other
        .post(look, &[("words", "Focuser runs true")])
        .await
        .location();
    assert_eq!(condition(&mut member).await, "Ready");
    let log = doer.get("/instruments/S1/logbook").await.words();
    assert!(
        log.contains("Looked over by a second person. Focuser runs true"),
        "{log}"
    );
    assert_eq!(other.post(look, &[]).await.status, StatusCode::CONFLICT);
    // The next work waits anew.
    repairs(&mut other).await;
    assert_eq!(condition(&mut member).await, "Not checked");
    doer.post(look, &[]).await.location();
    assert_eq!(condition(&mut member).await, "Ready");
}
