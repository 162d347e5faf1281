use axum::http::{StatusCode, header};
use chrono::Utc;
use tubewright::library::instruments::Status;
use tubewright::library::people::Role;
use tubewright::library::returning;
use tubewright::library::{loans, waits};

use crate::common::{House, days_ago};
use crate::context::{instrument, lend, loan, look, rows, shown, stand, status};

fn in_days(days: i64) -> String {
    (Utc::now().date_naive() + chrono::Duration::days(days))
        .format("%Y-%m-%d")
        .to_string()
}

#[tokio::test]
async fn each_role_reaches_its_own_routes_and_no_others() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.instrument("S203", by).await;
    house.instrument("S279", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let open = lend(&house, id, borrower, by, days_ago(3)).await;
    let mut write = house.library.write().await.unwrap();
    let wait = waits::ask(
        &mut write,
        id,
        by,
        waits::WantsItFor::Anything,
        "",
        days_ago(2),
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let for_the_desk = [
        ("GET", "/loans".to_owned()),
        ("GET", "/loans.csv".to_owned()),
        ("GET", "/instruments/S279/lend".to_owned()),
        ("POST", "/instruments/S279/lend".to_owned()),
        ("POST", format!("/loans/{open}/until")),
        ("GET", "/instruments/S203/waiting".to_owned()),
        ("POST", format!("/instruments/S279/waiting/{wait}/remove")),
    ];
    let before = rows(&house).await;
    for (method, path) in &for_the_desk {
        let seen = status(&mut house.visitor(), method, path).await;
        assert_eq!(seen, StatusCode::UNAUTHORIZED, "{method} {path}");
        let seen = status(&mut member, method, path).await;
        assert_eq!(seen, StatusCode::FORBIDDEN, "{method} {path}");
        for client in [&mut volunteer, &mut coordinator] {
            let seen = status(client, method, path).await;
            assert!(
                [
                    StatusCode::OK,
                    StatusCode::UNPROCESSABLE_ENTITY,
                    StatusCode::NOT_FOUND
                ]
                .contains(&seen),
                "{method} {path}: {seen}"
            );
        }
    }
    for (method, path) in [
        ("GET", "/my-loans"),
        ("GET", "/instruments/S203/ask"),
        ("POST", "/instruments/S203/ask"),
    ] {
        let seen = status(&mut house.visitor(), method, path).await;
        assert_eq!(seen, StatusCode::UNAUTHORIZED, "{method} {path}");
        let seen = status(&mut member, method, path).await;
        assert!(
            [StatusCode::OK, StatusCode::UNPROCESSABLE_ENTITY].contains(&seen),
            "{method} {path}: {seen}"
        );
    }
    assert_eq!(rows(&house).await, before);
    let seen = status(&mut member, "GET", "/loans/not-an-id").await;
    assert_eq!(seen, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn lending_out_writes_loan_kit_and_logbook_and_closes_the_borrowers_wait() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    look(&house, id, by, days_ago(3), 0.05).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let mut write = house.library.write().await.unwrap();
    waits::ask(
        &mut write,
        id,
        borrower,
        waits::WantsItFor::Planets,
        "",
        days_ago(2),
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = client.get("/instruments/S203/lend").await;
    assert_eq!(
        page.select("select[name=borrower] optgroup:first-of-type option"),
        ["Ines Vale, for Moon and planets"]
    );
    // The limit by hand: Rayleigh 1.2197 x 550 nm / 203 mm = 0.6816 arc seconds;
    // W131 = 0.05 sqrt(72) = 0.42426 waves, head 2 W131 / D = 0.4742 arc seconds;
    // together 0.8303; 90 arc seconds over that is 108, in tens 110; 2030 mm over it is
    // 18.7 mm. On the annulus of 0.34 the coma is 0.0509 (Mahajan: 0.8844 x 1.1501 of
    // Noll's), and exp(-(2 pi 0.0509)^2) = 0.903.
    assert_eq!(
        page.select("textarea[name=limit_stated]"),
        [
            "90 % of perfect: planets a little soft above about 110×. Use eyepieces of 19 mm or longer. Coma 0.050 \u{b1} 0.008 waves RMS."
        ]
    );
    assert!(page.words().contains("never point it at the Sun"));
    let limit = page.select("textarea[name=limit_stated]").remove(0);
    let page = client
        .post(
            "/instruments/S203/lend",
            &[
                ("borrower", &borrower.to_string()),
                ("due_on", &in_days(21)),
                ("kit", "finder"),
                ("kit", "diagonal"),
                ("limit_stated", &limit),
            ],
        )
        .await;
    let location = page.location().to_owned();
    let found = instrument(&house, "S203").await;
    let lent = loan(&house, found.open_loan.unwrap()).await;
    assert_eq!(location, format!("/loans/{}", lent.id));
    assert_eq!(lent.borrower_id, borrower);
    assert_eq!(lent.limit_stated, limit);
    let mut conn = house.library.read().await.unwrap();
    let parts = loans::parts(&mut conn, lent.id).await.unwrap();
    let went: Vec<bool> = parts.iter().map(|p| p.went_out).collect();
    assert_eq!(went, [true, true, false]);
    assert!(
        waits::open(&mut conn, Some(id), None)
            .await
            .unwrap()
            .is_empty()
    );
    drop(conn);
    let page = client.get(&format!("{location}/sheet")).await;
    assert_eq!(page.select(".loan-sheet-kit li"), ["finder", "diagonal"]);
    assert!(page.words().contains(&limit));
    // At check-in only what went along is asked for.
    let page = client.get("/check-in/S203").await;
    assert_eq!(
        page.attributes("input[name=kit]", "value"),
        ["finder", "diagonal"]
    );
}

#[tokio::test]
async fn an_instrument_is_not_lent_twice() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    lend(&house, id, borrower, by, days_ago(3)).await;
    let before = rows(&house).await;
    let to = borrower.to_string();
    let due = in_days(7);
    let fields = [
        ("borrower", to.as_str()),
        ("due_on", due.as_str()),
        ("kit_all", "yes"),
        ("limit_stated", "none"),
        ("override_reason", "I want to"),
    ];
    for client in [&mut client, &mut coordinator] {
        let page = client.get("/instruments/S203/lend").await;
        assert!(page.words().contains("It is out on loan."));
        assert!(page.attributes("select[name=borrower]", "id").is_empty());
        let page = client.post("/instruments/S203/lend", &fields).await;
        assert_eq!(page.status, StatusCode::CONFLICT);
        assert!(page.words().contains("out on loan already"));
    }
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn what_is_held_or_at_the_bench_goes_out_only_by_a_coordinator_with_a_reason_that_is_kept() {
    for standing in [Status::Held, Status::Bench] {
        let house = House::empty().await;
        let (by, mut volunteer) = house.someone(Role::Volunteer).await;
        let (_, mut coordinator) = house.someone(Role::Coordinator).await;
        let id = house.instrument("S203", by).await;
        stand(&house, id, standing).await;
        let to = house.person("Ines Vale", Role::Member).await.to_string();
        let due = in_days(7);
        let with_reason = |reason: &'static str| {
            [
                ("borrower", to.clone()),
                ("due_on", due.clone()),
                ("kit_all", "yes".to_owned()),
                ("limit_stated", "Not collimated".to_owned()),
                ("override_reason", reason.to_owned()),
            ]
        };
        fn borrowed<'a>(fields: &'a [(&'a str, String); 5]) -> Vec<(&'a str, &'a str)> {
            fields.iter().map(|(n, v)| (*n, v.as_str())).collect()
        }
        let before = rows(&house).await;
        // A volunteer never sees the override, and giving a reason by hand does not help.
        let page = volunteer.get("/instruments/S203/lend").await;
        assert!(page.select("textarea[name=override_reason]").is_empty());
        let fields = with_reason("the member begged");
        let page = volunteer
            .post("/instruments/S203/lend", &borrowed(&fields))
            .await;
        assert_eq!(page.status, StatusCode::CONFLICT, "{standing}");
        // A coordinator without a reason is asked for it.
        let fields = with_reason("  ");
        let page = coordinator
            .post("/instruments/S203/lend", &borrowed(&fields))
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.select("#f-override_reason-error")[0].contains("please fill this in"));
        assert_eq!(rows(&house).await, before);
        let fields = with_reason("Public evening, wide fields only");
        coordinator
            .post("/instruments/S203/lend", &borrowed(&fields))
            .await
            .location();
        let page = volunteer.get("/instruments/S203/logbook").await;
        assert!(
            page.words().contains("Public evening, wide fields only"),
            "{}",
            page.words()
        );
        // It is still held when it comes back.
        assert_eq!(instrument(&house, "S203").await.status, standing);
    }
}

#[tokio::test]
async fn a_lend_with_something_wrong_keeps_what_was_typed_and_changes_nothing() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let to = house.person("Ines Vale", Role::Member).await.to_string();
    let before = rows(&house).await;
    let page = client
        .post(
            "/instruments/S203/lend",
            &[
                ("borrower", &to),
                ("due_on", &in_days(-1)),
                ("limit_stated", ""),
            ],
        )
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(
        page.select("#errors li").len(),
        3,
        "{:?}",
        page.select("#errors li")
    );
    assert_eq!(
        page.attributes("select[name=borrower] option[selected]", "value"),
        [to]
    );
    assert_eq!(shown(&page, "input[name=due_on]"), in_days(-1));
    for due in [in_days(400), "tomorrow".to_owned(), String::new()] {
        let page = client
            .post(
                "/instruments/S203/lend",
                &[
                    ("borrower", "nobody"),
                    ("due_on", &due),
                    ("kit_all", "yes"),
                    ("limit_stated", "x"),
                ],
            )
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{due}");
        assert_eq!(page.select("#errors li").len(), 2, "{due}");
    }
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn a_lend_sent_twice_makes_one_loan() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let to = house.person("Ines Vale", Role::Member).await.to_string();
    let due = in_days(7);
    let fields = [
        ("borrower", to.as_str()),
        ("due_on", due.as_str()),
        ("kit_none", "yes"),
        ("limit_stated", "none known"),
    ];
    let path = "/instruments/S203/lend";
    let first = client
        .post_once(path, "mark", &fields)
        .await
        .location()
        .to_owned();
    let after = rows(&house).await;
    let second = client
        .post_once(path, "mark", &fields)
        .await
        .location()
        .to_owned();
    assert_eq!(first, second);
    assert_eq!(rows(&house).await, after);
}

#[tokio::test]
async fn people_can_be_narrowed_down_without_a_script() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    house.person("Ines Vale", Role::Member).await;
    house.person("Otto Reed", Role::Member).await;
    let page = client.get("/instruments/S203/lend?who=vale").await;
    assert_eq!(
        page.select("select[name=borrower] option"),
        ["Choose a person", "Ines Vale, ines.vale@club.example"]
    );
}

/// A loan is seen by its borrower, by volunteers while it is open, and by
/// coordinators always.
#[tokio::test]
async fn past_loans_are_seen_by_their_borrower_and_coordinators_only() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let (borrower, mut member) = house.someone(Role::Member).await;
    let (_, mut other) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, borrower, by, days_ago(20)).await;
    let path = format!("/loans/{lent}");
    let loan_sheet = format!("/loans/{lent}/sheet");
    for path in [&path, &loan_sheet] {
        assert_eq!(status(&mut member, "GET", path).await, StatusCode::OK);
        assert_eq!(status(&mut volunteer, "GET", path).await, StatusCode::OK);
        assert_eq!(status(&mut coordinator, "GET", path).await, StatusCode::OK);
        assert_eq!(status(&mut other, "GET", path).await, StatusCode::NOT_FOUND);
    }
    // A member sees no keys of the desk's, and cannot use them.
    let page = member.get(&path).await;
    assert!(page.attributes("input[name=due_on]", "id").is_empty());
    assert_eq!(
        status(&mut member, "POST", &format!("{path}/until")).await,
        StatusCode::FORBIDDEN
    );
    let mut write = house.library.write().await.unwrap();
    returning::return_loan(&mut write, lent, &[], days_ago(2), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    for path in [&path, &loan_sheet] {
        assert_eq!(status(&mut member, "GET", path).await, StatusCode::OK);
        assert_eq!(
            status(&mut volunteer, "GET", path).await,
            StatusCode::FORBIDDEN
        );
        assert_eq!(status(&mut coordinator, "GET", path).await, StatusCode::OK);
        assert_eq!(status(&mut other, "GET", path).await, StatusCode::NOT_FOUND);
    }
    for list in [
        "/loans?show=past",
        "/loans?show=all",
        "/loans.csv?show=past",
        "/loans.csv?show=all",
    ] {
        assert_eq!(
            status(&mut volunteer, "GET", list).await,
            StatusCode::FORBIDDEN,
            "{list}"
        );
        assert_eq!(status(&mut coordinator, "GET", list).await, StatusCode::OK);
    }
    let page = volunteer.get("/loans").await;
    assert_eq!(page.select(".empty-title"), ["Nothing is out"]);
    let page = coordinator.get("/loans?show=past").await;
    assert_eq!(page.select("tbody tr th"), ["S203"]);
    // The borrower's own page has it, another member's has not.
    assert!(member.get("/my-loans").await.words().contains("S203"));
    assert!(!other.get("/my-loans").await.words().contains("S203"));
}

#[tokio::test]
async fn no_member_reads_a_name_where_they_ask_and_volunteers_none_in_the_logbook() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let waiting = house.person("Otto Reed", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, borrower, by, days_ago(4)).await;
    let mut write = house.library.write().await.unwrap();
    loans::extend(
        &mut write,
        lent,
        days_ago(-30).date_naive(),
        days_ago(1),
        by,
    )
    .await
    .unwrap();
    waits::ask(
        &mut write,
        id,
        waiting,
        waits::WantsItFor::WideField,
        "for Otto's boy",
        days_ago(2),
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = member.get("/instruments/S203/ask").await;
    let words = page.words();
    assert!(words.contains("One person is waiting for it."), "{words}");
    assert!(
        !words.contains("Ines") && !words.contains("Otto"),
        "{words}"
    );
    for path in ["/instruments/S203/logbook", "/instruments/S203/logbook.csv"] {
        let seen = volunteer.get(path).await.text();
        assert!(seen.contains("Loan now until"), "{seen}");
        assert!(!seen.contains("Ines") && !seen.contains("Otto"), "{path}");
        let seen = coordinator.get(path).await.text();
        assert!(seen.contains("Ines Vale"), "{path}");
    }
}

#[tokio::test]
async fn overdue_loans_come_first_are_said_and_can_be_listed_alone_and_saved() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines =Vale", Role::Member).await;
    let fresh = house.instrument("A1", by).await;
    let late = house.instrument("B2", by).await;
    lend(&house, fresh, member, by, days_ago(1)).await;
    lend(&house, late, member, by, days_ago(30)).await;
    let page = client.get("/loans").await;
    assert_eq!(page.select("tbody tr th"), ["B2", "A1"]);
    assert_eq!(page.select("tbody .late"), ["16 days late"]);
    assert!(page.select(".lede")[0].starts_with("2 out, 1 of them overdue"));
    let page = client.get("/loans?show=overdue").await;
    assert_eq!(page.select("tbody tr th"), ["B2"]);
    let page = client.get("/loans?q=a1").await;
    assert_eq!(page.select("tbody tr th"), ["A1"]);
    let page = client.get("/loans.csv?show=overdue").await;
    assert_eq!(
        page.headers[header::CONTENT_TYPE],
        "text/csv; charset=utf-8; header=present"
    );
    let text = page.text();
    let lines: Vec<&str> = text.split("\r\n").collect();
    assert!(lines[0].starts_with("tag,instrument,borrower,lent,"));
    assert!(
        lines[1].starts_with("B2,") && lines[1].contains(",16,"),
        "{text}"
    );
    assert_eq!(lines.len(), 3, "{text}");
}

#[tokio::test]
async fn the_day_a_loan_is_due_can_be_moved_while_it_is_out() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(3)).await;
    let path = format!("/loans/{lent}/until");
    let before = rows(&house).await;
    let page = client.post(&path, &[("due_on", &in_days(-2))]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(shown(&page, "input[name=due_on]"), in_days(-2));
    assert_eq!(rows(&house).await, before);
    client
        .post(&path, &[("due_on", &in_days(30))])
        .await
        .location();
    assert_eq!(
        loan(&house, lent)
            .await
            .due_on
            .format("%Y-%m-%d")
            .to_string(),
        in_days(30)
    );
    let page = client.get(&format!("/loans/{lent}")).await;
    assert!(page.select(".log li")[0].contains("Loan now until"));
    let mut write = house.library.write().await.unwrap();
    returning::return_loan(&mut write, lent, &[], Utc::now(), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let before = rows(&house).await;
    let page = coordinator.post(&path, &[("due_on", &in_days(40))]).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn members_ask_keep_their_place_and_withdraw_only_themselves() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (first, mut one) = house.someone(Role::Member).await;
    let (_, mut two) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    let path = "/instruments/S203/ask";
    let before = rows(&house).await;
    let page = one.post(path, &[("wants_it_for", "a party")]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(rows(&house).await, before);
    for client in [&mut one, &mut two] {
        let page = client
            .post(path, &[("wants_it_for", "planets"), ("note", "Saturdays")])
            .await;
        assert_eq!(page.location(), "/my-loans");
    }
    let before = rows(&house).await;
    let page = one.post(path, &[("wants_it_for", "planets")]).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(rows(&house).await, before);
    assert!(
        one.get("/my-loans")
            .await
            .words()
            .contains("You are next in line")
    );
    let page = two.get("/my-loans").await;
    assert!(page.words().contains("One person is ahead of you"));
    let mut conn = house.library.read().await.unwrap();
    let line = waits::open(&mut conn, Some(id), None).await.unwrap();
    drop(conn);
    assert_eq!(line[0].person_id, first);
    // Nobody withdraws another.
    let firsts = format!("/my-loans/waiting/{}/withdraw", line[0].id);
    assert_eq!(two.post(&firsts, &[]).await.status, StatusCode::NOT_FOUND);
    assert_eq!(
        volunteer.post(&firsts, &[]).await.status,
        StatusCode::NOT_FOUND
    );
    assert_eq!(rows(&house).await, before);
    one.post(&firsts, &[]).await.location();
    assert!(
        two.get("/my-loans")
            .await
            .words()
            .contains("You are next in line")
    );
    // The desk takes the other off.
    let page = volunteer.get("/instruments/S203/waiting").await;
    assert_eq!(page.select("tbody tr").len(), 1);
    let remove = page.attributes("tbody form", "action").remove(0);
    volunteer.post(&remove, &[]).await.location();
    let page = volunteer.get("/instruments/S203/waiting").await;
    assert_eq!(page.select(".empty-title"), ["Nobody is waiting"]);
}

#[tokio::test]
async fn nobody_asks_for_what_they_have_or_what_is_retired() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Volunteer).await;
    let (borrower, mut client) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    let gone = house.instrument("S1", by).await;
    lend(&house, id, borrower, by, days_ago(3)).await;
    stand(&house, gone, Status::Retired).await;
    let before = rows(&house).await;
    for (tag, words) in [("S203", "at home already"), ("S1", "retired")] {
        let path = format!("/instruments/{tag}/ask");
        assert!(client.get(&path).await.words().contains(words));
        let page = client.post(&path, &[("wants_it_for", "anything")]).await;
        assert_eq!(page.status, StatusCode::CONFLICT, "{tag}");
    }
    assert_eq!(rows(&house).await, before);
}
