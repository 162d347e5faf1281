//! Kit that did not come back: on whose account, where it is told, and how it ends.

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::library::{kit, missing_kit, problems};

use crate::common::{Client, House, days_ago};
use crate::context::{lend, rows, status};

/// S203 came back from Ines Vale without its diagonal.
async fn without_the_diagonal(house: &House, client: &mut Client) -> missing_kit::MissingPart {
    let by = house.person("Vera Desk", Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let lent = lend(house, id, borrower, by, days_ago(10)).await;
    client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", &lent.to_string()),
                ("kit", "finder"),
                ("kit", "25 mm eyepiece"),
            ],
        )
        .await
        .location();
    let mut conn = house.library.read().await.unwrap();
    let mut all = missing_kit::of(&mut conn, id).await.unwrap();
    assert_eq!(all.len(), 1);
    assert_eq!(all[0].borrower.as_deref(), Some("Ines Vale"));
    all.remove(0)
}

#[tokio::test]
async fn what_did_not_come_back_is_missing_on_every_page_and_does_not_go_along() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let part = without_the_diagonal(&house, &mut client).await;
    let words = house.visitor().get("/instruments/S203").await.words();
    assert!(
        words.contains("In the kit: finder, 25 mm eyepiece."),
        "{words}"
    );
    assert!(words.contains("Missing: diagonal."), "{words}");
    assert!(!words.contains("Ines"), "{words}");
    // The borrower reads it on their own page, another does not.
    let mut ines = house.signed_in(part.borrower_id.unwrap()).await;
    let words = ines.get("/my-loans").await.words();
    assert!(
        words.contains("On your account") && words.contains("S203: diagonal"),
        "{words}"
    );
    let (other, mut member) = house.someone(Role::Member).await;
    assert!(!member.get("/my-loans").await.words().contains("diagonal"));
    // The next loan leaves it out, even where it is asked for, and its sheet says so.
    let due = (chrono::Utc::now().date_naive() + chrono::Days::new(9)).to_string();
    let fields = [
        ("borrower", other.to_string()),
        ("due_on", due),
        ("kit_all", "yes".to_owned()),
        ("limit_stated", "none known".to_owned()),
    ];
    let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let page = client.post("/instruments/S203/lend", &fields).await;
    let path = page.location().to_owned();
    let page = member.get(&format!("{path}/sheet")).await;
    assert_eq!(
        page.select(".loan-sheet-kit li"),
        ["finder", "25 mm eyepiece"]
    );
    let words = page.words();
    assert!(
        words.contains("Missing from its kit, not lent with it: diagonal."),
        "{words}"
    );
    // When that comes back, nothing more is missing, and nothing of it is theirs.
    let page = client.get("/check-in/S203").await;
    let version = page
        .attributes("input[name=loan_version]", "value")
        .remove(0);
    let back = [("loan_version", version.as_str()), ("kit_all", "yes")];
    client.post("/check-in/S203", &back).await.location();
    let page = client.get("/missing-kit").await;
    assert_eq!(page.select(".missing-row").len(), 1);
    assert!(
        page.words().contains("On Ines Vale's account"),
        "{}",
        page.words()
    );
}

#[tokio::test]
async fn the_rest_comes_back_later_and_the_report_is_settled_with_it() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let part = without_the_diagonal(&house, &mut client).await;
    let page = client.get("/check-in/S203").await;
    assert_eq!(
        page.attributes("input[name=found]", "value"),
        [part.id.to_string()]
    );
    let found = [("loan_version", ""), ("found", &part.id.to_string())];
    client.post("/check-in/S203", &found).await.location();
    let mut conn = house.library.read().await.unwrap();
    assert!(
        missing_kit::of(&mut conn, part.instrument_id)
            .await
            .unwrap()
            .is_empty()
    );
    let told = problems::current(&mut conn, Some(part.instrument_id))
        .await
        .unwrap();
    assert_eq!(told.len(), 1);
    assert!(told[0].settled, "the report is settled");
    assert_eq!(
        kit::present(&mut conn, part.instrument_id)
            .await
            .unwrap()
            .len(),
        3
    );
    drop(conn);
    let words = client.get("/instruments/S203/logbook").await.words();
    assert!(words.contains("Diagonal returned."), "{words}");
    let mut ines = house.signed_in(part.borrower_id.unwrap()).await;
    assert!(
        !ines
            .get("/my-loans")
            .await
            .words()
            .contains("On your account")
    );
    let words = ines
        .get(&format!("/loans/{}", part.loan_id.unwrap()))
        .await
        .words();
    assert!(words.contains("did not come back; returned"), "{words}");
    // Twice is once.
    let before = rows(&house).await;
    let page = client.post("/check-in/S203", &found).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn paid_or_written_off_it_leaves_the_account_and_is_missing_until_a_new_one_comes() {
    for outcome in ["paid", "written-off"] {
        let house = House::empty().await;
        let (_, mut client) = house.someone(Role::Volunteer).await;
        let part = without_the_diagonal(&house, &mut client).await;
        let path = format!("/missing-kit/{}", part.id);
        let before = rows(&house).await;
        let page = client
            .post(&format!("{path}/settle"), &[("outcome", "")])
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert_eq!(page.attributes("details[open]", "class").len(), 1);
        assert_eq!(rows(&house).await, before);
        let fields = [("outcome", outcome), ("note", "40 at the desk")];
        client
            .post(&format!("{path}/settle"), &fields)
            .await
            .location();
        let mut ines = house.signed_in(part.borrower_id.unwrap()).await;
        assert!(
            !ines
                .get("/my-loans")
                .await
                .words()
                .contains("On your account")
        );
        let words = client.get("/instruments/S203").await.words();
        assert!(words.contains("Missing: diagonal."), "{words}");
        let page = client.post(&format!("{path}/settle"), &fields).await;
        assert_eq!(page.status, StatusCode::CONFLICT);
        client.post(&format!("{path}/back"), &[]).await.location();
        let words = client.get("/instruments/S203").await.words();
        assert!(
            words.contains("In the kit: finder, diagonal, 25 mm eyepiece."),
            "{words}"
        );
        assert_eq!(
            client
                .get("/missing-kit")
                .await
                .select(".empty-title")
                .len(),
            1
        );
        let page = client.post(&format!("{path}/back"), &[]).await;
        assert_eq!(page.status, StatusCode::CONFLICT);
    }
}

#[tokio::test]
async fn a_count_of_the_box_puts_what_is_not_there_on_nobodys_account() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    let counted = [("loan_version", ""), ("kit", "finder")];
    client.post("/check-in/S203", &counted).await.location();
    let mut conn = house.library.read().await.unwrap();
    let missing = missing_kit::of(&mut conn, id).await.unwrap();
    let names: Vec<&str> = missing.iter().map(|m| m.part.as_str()).collect();
    assert_eq!(names, ["diagonal", "25 mm eyepiece"]);
    assert!(missing.iter().all(|m| m.loan_id.is_none()));
    drop(conn);
    // One of two found: the report stands until the other is.
    let found = [("loan_version", ""), ("found", &missing[1].id.to_string())];
    client.post("/check-in/S203", &found).await.location();
    let mut conn = house.library.read().await.unwrap();
    let told = problems::current(&mut conn, Some(id)).await.unwrap();
    assert!(told.iter().all(|p| !p.settled));
    drop(conn);
    let found = [("loan_version", ""), ("found", &missing[0].id.to_string())];
    client.post("/check-in/S203", &found).await.location();
    let mut conn = house.library.read().await.unwrap();
    let told = problems::current(&mut conn, Some(id)).await.unwrap();
    assert!(told.iter().all(|p| p.settled));
}

#[tokio::test]
async fn settled_accounts_are_for_coordinators_to_read() {
    let house = House::empty().await;
    let (_, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let part = without_the_diagonal(&house, &mut volunteer).await;
    let settle = format!("/missing-kit/{}/settle", part.id);
    for path in ["/missing-kit", "/missing-kit.csv"] {
        assert_eq!(
            status(&mut member, "GET", path).await,
            StatusCode::FORBIDDEN
        );
        let all = format!("{path}?show=all");
        assert_eq!(
            status(&mut volunteer, "GET", &all).await,
            StatusCode::FORBIDDEN
        );
    }
    assert_eq!(
        status(&mut member, "POST", &settle).await,
        StatusCode::FORBIDDEN
    );
    volunteer
        .post(&settle, &[("outcome", "returned")])
        .await
        .location();
    assert!(!volunteer.get("/missing-kit").await.words().contains("Ines"));
    let csv = coordinator.get("/missing-kit.csv?show=all").await.text();
    assert!(
        csv.contains("S203,") && csv.contains("Ines Vale") && csv.contains("returned"),
        "{csv}"
    );
}
