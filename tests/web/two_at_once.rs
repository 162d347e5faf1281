//! Two people with the same form open: the second is told what changed, keeps
//! what was typed, and overwrites nothing unseen.

use axum::http::StatusCode;
use tubewright::library::club::Club;
use tubewright::library::people::{Person, Role};

use crate::common::{Client, House, Page};

/// A page's form as a browser would send it untouched.
pub fn form(page: &Page, field: &str) -> String {
    page.attributes(&format!("input[name={field}]"), "value")
        .remove(0)
}

async fn save_club(client: &mut Client, shown: &str, name: &str, contact: &str) -> Page {
    let fields = [
        ("shown", shown),
        ("name", name),
        ("zone", "Europe/Lisbon"),
        ("units", "metric"),
        ("paper", "a4"),
        ("currency", "EUR"),
        ("public_address", ""),
        ("contact", contact),
        ("loan_days", "28"),
        ("loans_per_person", ""),
        ("renewals", "2"),
        ("renew_late_days", "7"),
        ("fetch_days", "7"),
        ("second_factor", "asked"),
        ("second_look", "one person"),
    ];
    client.post("/club", &fields).await
}

#[tokio::test]
async fn the_second_to_save_the_club_sees_what_the_first_changed() {
    let house = House::empty().await;
    let mut ada = house.someone(Role::Coordinator).await.1;
    let mut otto = house.someone(Role::Coordinator).await.1;
    let of_ada = form(&ada.get("/club").await, "shown");
    let of_otto = form(&otto.get("/club").await, "shown");
    assert_eq!(of_ada, of_otto);
    assert_eq!(
        save_club(&mut ada, &of_ada, "Fenwater", "The hut")
            .await
            .location(),
        "/club"
    );
    let told = save_club(&mut otto, &of_otto, "Fenwater", "Ring Otto").await;
    assert_eq!(told.status, StatusCode::UNPROCESSABLE_ENTITY);
    let words = told.words();
    assert!(
        words.contains("somebody else has changed this form") && words.contains("The hut"),
        "{words}"
    );
    assert_eq!(
        form(&told, "contact"),
        "Ring Otto",
        "what was typed is kept"
    );
    let club = async || {
        let mut conn = house.library.read().await.unwrap();
        Club::load(&mut conn).await.unwrap()
    };
    assert_eq!(club().await.contact, "The hut");
    // Knowing it, the second puts their own in place.
    let again = form(&told, "shown");
    assert_eq!(
        save_club(&mut otto, &again, "Fenwater", "Ring Otto")
            .await
            .location(),
        "/club"
    );
    assert_eq!(club().await.contact, "Ring Otto");
    // Where both typed the same there is nothing to tell.
    assert_eq!(
        save_club(&mut ada, &of_ada, "Fenwater", "Ring Otto")
            .await
            .location(),
        "/club"
    );
}

#[tokio::test]
async fn the_second_to_change_a_person_sees_what_the_first_changed() {
    let house = House::empty().await;
    let id = house.person("Ines Vale", Role::Member).await;
    let mut ada = house.someone(Role::Coordinator).await.1;
    let mut otto = house.someone(Role::Coordinator).await.1;
    let path = format!("/people/{id}");
    let shown = form(&ada.get(&path).await, "shown");
    let send = async |client: &mut Client, shown: &str, name: &str, role: &str| {
        let fields = [
            ("shown", shown),
            ("name", name),
            ("email", "ines.vale@club.example"),
            ("role", role),
        ];
        client.post(&path, &fields).await
    };
    assert_eq!(
        send(&mut ada, &shown, "Ines Vale", "volunteer")
            .await
            .location(),
        path
    );
    // The other only meant to mend the name; the role would have gone back.
    let told = send(&mut otto, &shown, "Ines Valente", "member").await;
    assert_eq!(told.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        told.words().contains("here now stands: volunteer"),
        "{}",
        told.words()
    );
    let mut conn = house.library.read().await.unwrap();
    let person = Person::get(&mut conn, id).await.unwrap();
    assert_eq!(
        (person.name.as_str(), person.role),
        ("Ines Vale", Role::Volunteer)
    );
    drop(conn);
    let again = form(&told, "shown");
    assert_eq!(
        send(&mut otto, &again, "Ines Valente", "volunteer")
            .await
            .location(),
        path
    );
}
