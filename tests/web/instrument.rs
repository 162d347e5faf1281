use axum::http::StatusCode;
use chrono::Utc;
use tubewright::library::entries::{Entry, EntryKind};
use tubewright::library::instruments::{Instrument, Status};
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, adjusters, kit};
use tubewright::web::access::Access;

use crate::common::House;
use crate::register::{fields, pairs, with};
use crate::roles;

async fn now(house: &House, id: InstrumentId) -> Instrument {
    let mut conn = house.library.read().await.unwrap();
    Instrument::get(&mut conn, id).await.unwrap()
}

async fn log(house: &House, id: InstrumentId) -> Vec<(EntryKind, String)> {
    let mut conn = house.library.read().await.unwrap();
    let entries = Entry::of(&mut conn, id).await.unwrap();
    entries.into_iter().map(|e| (e.kind, e.note)).collect()
}

fn action(page: &crate::common::Page) -> String {
    page.attributes("form.register-form", "action").remove(0)
}

#[tokio::test]
async fn volunteers_edit_and_only_coordinators_retire() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    for (n, (role, mut client)) in roles::everyone(&house).await.into_iter().enumerate() {
        let tag = format!("S-{n}");
        let id = house.instrument(&tag, by).await;
        let page = client.get(&format!("/instruments/{tag}/edit")).await;
        roles::check(Access::Volunteer, role, page.status, StatusCode::OK, "edit");
        let (_, mut volunteer) = house.someone(Role::Volunteer).await;
        let form = volunteer.get(&format!("/instruments/{tag}/edit")).await;
        let sent = with(fields(&form), "place", "Loft");
        let page = client.post(&action(&form), &pairs(&sent)).await;
        roles::check(
            Access::Volunteer,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "save",
        );
        let may = Access::Volunteer.allows(role);
        assert_eq!(now(&house, id).await.place == "Loft", may, "{role:?}");
        let page = client.get(&action(&form)).await;
        roles::check(
            Access::Volunteer,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "edit anew",
        );

        let retire = format!("/instruments/{tag}/retire");
        let page = client.get(&retire).await;
        roles::check(
            Access::Coordinator,
            role,
            page.status,
            StatusCode::OK,
            "retire",
        );
        let page = client.post(&retire, &[("reason", "Worn out")]).await;
        roles::check(
            Access::Coordinator,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "retire",
        );
        let retired = now(&house, id).await.status == Status::Retired;
        assert_eq!(retired, Access::Coordinator.allows(role), "{role:?}");
        if !retired {
            let mut write = house.library.write().await.unwrap();
            Instrument::set_status(&mut write, id, Status::Retired, "x")
                .await
                .unwrap();
            write.commit().await.unwrap();
        }
        let back = format!("/instruments/{tag}/reinstate");
        let page = client.get(&back).await;
        roles::check(
            Access::Coordinator,
            role,
            page.status,
            StatusCode::OK,
            "back",
        );
        let page = client.post(&back, &[("reason", "Mended")]).await;
        roles::check(
            Access::Coordinator,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "back",
        );
        let on_shelf = now(&house, id).await.status == Status::Shelf;
        assert_eq!(on_shelf, Access::Coordinator.allows(role), "{role:?}");
    }
}

#[tokio::test]
async fn every_change_is_told_in_the_logbook_and_none_is_no_entry() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("SC203", by).await;
    let page = client.get("/instruments/SC203/edit").await;
    let page = client.post(&action(&page), &pairs(&fields(&page))).await;
    assert_eq!(page.location(), "/instruments/SC203");
    assert!(log(&house, id).await.is_empty());
    assert_eq!(now(&house, id).await.version, 1);

    let page = client.get("/instruments/SC203/edit").await;
    let mut sent = fields(&page);
    for (field, value) in [
        ("tag", "SC-8"),
        ("cool_down", "75"),
        ("value", "1100"),
        ("kit", "finder\r\n25 mm eyepiece\r\n\r\ndew shield"),
        ("a_label", "S1"),
        ("a_element", "secondary"),
        ("a_clock", "4"),
        ("a_pitch", "0.7"),
        ("a_lever", "20"),
        ("a_kind", "pull-around-pivot"),
        ("a_head", "hex"),
    ] {
        sent = with(sent, field, value);
    }
    let page = client.post(&action(&page), &pairs(&sent)).await;
    assert_eq!(page.location(), "/instruments/SC-8");
    let entries = log(&house, id).await;
    assert_eq!(entries.len(), 1);
    assert_eq!(entries[0].0, EntryKind::Register);
    assert_eq!(
        entries[0].1,
        "Changed: tag: SC203 to SC-8; cool-down: 60 minutes to 75 minutes; replacement value changed; \
         kit, added: dew shield; kit, taken out: diagonal; \
         adjusters: S1 (secondary mirror at 4, 0.7 mm pitch, 20 mm lever)."
    );
    let mut conn = house.library.read().await.unwrap();
    let parts: Vec<_> = kit::of(&mut conn, id)
        .await
        .unwrap()
        .into_iter()
        .map(|p| p.name)
        .collect();
    assert_eq!(parts, ["finder", "25 mm eyepiece", "dew shield"]);
    let screws = adjusters::of(&mut conn, id).await.unwrap();
    assert_eq!(screws[0].clock_deg, 120.0);
}

#[tokio::test]
async fn the_second_of_two_edits_sees_what_changed_and_keeps_what_was_typed() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let id = house.instrument("SC203", by).await;
    let first = house.person("Otto Reed", Role::Volunteer).await;
    let mut first = house.signed_in(first).await;
    let (_, mut second) = house.someone(Role::Volunteer).await;
    let theirs = first.get("/instruments/SC203/edit").await;
    let mine = second.get("/instruments/SC203/edit").await;

    let sent = with(fields(&theirs), "weight", "6 kg");
    let sent = with(sent, "place", "Loft");
    first.post(&action(&theirs), &pairs(&sent)).await.location();

    let sent = with(fields(&mine), "weight", "6.2 kg");
    let sent = with(sent, "cool_down", "80");
    let page = second.post(&action(&mine), &pairs(&sent)).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let words = page.select("#errors").remove(0);
    assert!(words.contains("Otto Reed changed this entry"), "{words}");
    assert!(
        words.contains("weight was changed from 5.8 kg to 6 kg"),
        "{words}"
    );
    assert!(
        words.contains("place was changed from Hut to Loft"),
        "{words}"
    );
    assert_eq!(page.attributes("#f-weight", "value"), ["6.2 kg"]);
    assert_eq!(page.attributes("#f-cool_down", "value"), ["80"]);
    assert_eq!(page.attributes("#f-place", "value"), ["Loft"]);
    let stands = now(&house, id).await;
    assert_eq!(
        (stands.weight_kg, stands.cool_down_min),
        (Some(6.0), Some(60))
    );

    let page = second.post(&action(&page), &pairs(&fields(&page))).await;
    assert_eq!(page.location(), "/instruments/SC203");
    let stands = now(&house, id).await;
    assert_eq!(stands.weight_kg, Some(6.2));
    assert_eq!(stands.cool_down_min, Some(80));
    assert_eq!(stands.place, "Loft");
    assert_eq!(log(&house, id).await.len(), 2);
}

#[tokio::test]
async fn an_edit_outlives_a_new_tag_and_a_move_to_the_bench() {
    let house = House::empty().await;
    let (by, mut first) = house.someone(Role::Volunteer).await;
    let (_, mut second) = house.someone(Role::Volunteer).await;
    let id = house.instrument("SC203", by).await;
    let mine = second.get("/instruments/SC203/edit").await;
    let mut write = house.library.write().await.unwrap();
    Instrument::set_status(&mut write, id, Status::Bench, "x")
        .await
        .unwrap();
    write.commit().await.unwrap();
    let sent = with(fields(&mine), "place", "Loft");
    let page = second.post(&action(&mine), &pairs(&sent)).await;
    assert_eq!(page.location(), "/instruments/SC203");

    let mine = second.get("/instruments/SC203/edit").await;
    let theirs = first.get("/instruments/SC203/edit").await;
    let sent = with(fields(&theirs), "tag", "SC-8");
    first.post(&action(&theirs), &pairs(&sent)).await.location();
    let sent = with(fields(&mine), "place", "Cellar");
    let page = second.post(&action(&mine), &pairs(&sent)).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.select("#errors")[0].contains("tag was changed from SC203 to SC-8"));
    assert_eq!(page.attributes("#f-tag", "value"), ["SC-8"]);
    assert_eq!(page.attributes("#f-place", "value"), ["Cellar"]);
}

#[tokio::test]
async fn retiring_needs_a_reason_and_the_instrument_at_home() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("SC203", by).await;
    let page = client
        .post("/instruments/SC203/retire", &[("reason", "  ")])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let mut write = house.library.write().await.unwrap();
    tubewright::library::lending::Lend {
        instrument: id,
        borrower: member,
        at: Utc::now(),
        by,
        due_on: Utc::now().date_naive() + chrono::Duration::days(7),
        limit_stated: String::new(),
        kit: Vec::new(),
        override_reason: None,
        details: Default::default(),
    }
    .write(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = client
        .post("/instruments/SC203/retire", &[("reason", "Worn out")])
        .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.words().contains("Return it first"));
    let page = client.get("/instruments/SC203/retire").await;
    assert!(page.words().contains("Out on loan"));
    assert_eq!(now(&house, id).await.status, Status::Shelf);
    assert!(
        !log(&house, id)
            .await
            .iter()
            .any(|(kind, _)| *kind == EntryKind::Status)
    );
    let page = client.get("/instruments/SC203/reinstate").await;
    assert_eq!(page.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn retiring_and_putting_back_are_in_the_logbook() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    let id = house.instrument("SC203", by).await;
    for (path, reason) in [
        ("retire", "Corrector cracked"),
        ("reinstate", "New corrector"),
    ] {
        client
            .post(&format!("/instruments/SC203/{path}"), &[("reason", reason)])
            .await
            .location();
    }
    let notes: Vec<_> = log(&house, id).await;
    assert_eq!(
        notes,
        [
            (
                EntryKind::Status,
                "Put back on the shelf: New corrector".to_owned()
            ),
            (EntryKind::Status, "Retired: Corrector cracked".to_owned()),
        ]
    );
}
