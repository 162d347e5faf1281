//! The start page of each role: what needs them, each row with its act.

use chrono::Duration;
use tubewright::library::InstrumentId;
use tubewright::library::PersonId;
use tubewright::library::club::Club;
use tubewright::library::lending::Lend;
use tubewright::library::people::Role;
use tubewright::library::second_factor::{self, State};
use tubewright::library::waits::{self, WantsItFor};

use crate::common::{House, days_ago};
use crate::due::{found, tested};

async fn lend(house: &House, id: InstrumentId, to: PersonId, by: PersonId, due_in_days: i64) {
    let mut write = house.library.write().await.unwrap();
    Lend {
        instrument: id,
        borrower: to,
        at: days_ago(9),
        by,
        due_on: (days_ago(0) + Duration::days(due_in_days)).date_naive(),
        limit_stated: "none".to_owned(),
        kit: Vec::new(),
        override_reason: None,
        details: Default::default(),
    }
    .write(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
}

async fn ask(house: &House, id: InstrumentId, who: PersonId) {
    let mut write = house.library.write().await.unwrap();
    waits::ask(&mut write, id, who, WantsItFor::Planets, "", days_ago(4))
        .await
        .unwrap();
    write.commit().await.unwrap();
}

#[tokio::test]
async fn a_member_sees_what_they_have_and_wait_for_and_nobody_elses() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Volunteer).await;
    let greta = house.person("Greta Ostrom", Role::Member).await;
    let ines = house.person("Ines Vale", Role::Member).await;
    let mut client = house.signed_in(greta).await;
    assert!(client.get("/").await.words().contains("nothing on loan"));
    let s1 = house.instrument("S1", by).await;
    let s2 = house.instrument("S2", by).await;
    lend(&house, s1, greta, by, 5).await;
    lend(&house, s2, ines, by, 5).await;
    ask(&house, s2, greta).await;
    let page = client.get("/").await;
    assert_eq!(page.select(".own-rows .row-tag"), ["S1", "S2"]);
    let words = page.words();
    assert!(words.contains("in 5 days"), "{words}");
    assert!(words.contains("Something is wrong with it?"), "{words}");
    assert!(words.contains("You are next"), "{words}");
    assert!(!words.contains("Ines"), "{words}");
}

#[tokio::test]
async fn a_volunteer_types_a_tag_and_sees_what_comes_back() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let greta = house.person("Greta Ostrom", Role::Member).await;
    for (tag, due) in [("S1", 0), ("S2", -4), ("S3", 9)] {
        let id = house.instrument(tag, by).await;
        lend(&house, id, greta, by, due).await;
    }
    let page = client.get("/").await;
    assert_eq!(
        page.attributes("form.finder", "action"),
        ["/check-in"],
        "{}",
        page.words()
    );
    let acts = page.attributes(".day-act", "href");
    assert_eq!(acts, ["/check-in/S2", "/check-in/S1"]);
    assert!(page.words().contains("4 days late"), "{}", page.words());
}

#[tokio::test]
async fn a_coordinators_rows_each_lead_to_their_act() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    // Before there is an instrument, the day begins with the first evening.
    assert_eq!(client.get("/").await.location(), "/first-evening");
    let late = house.instrument("S1", by).await;
    let page = client.get("/").await;
    assert!(page.words().contains("None late"), "{}", page.words());
    assert!(page.select(".day-act").is_empty());
    let greta = house.person("Greta Ostrom", Role::Member).await;
    lend(&house, late, greta, by, -4).await;
    // Wanted, and over its limit.
    let wanted = house.instrument("S2", by).await;
    tested(&house, wanted, by, 0.142, days_ago(5)).await;
    ask(&house, wanted, greta).await;
    // Wanted, and fit to lend.
    let fit = house.instrument("S3", by).await;
    tested(&house, fit, by, 0.01, days_ago(5)).await;
    ask(&house, fit, greta).await;
    let reported = house.instrument("S4", by).await;
    found(&house, reported, by, "Focuser slips").await;
    let page = client.get("/").await;
    let acts = page.attributes(".day-act", "href");
    assert_eq!(
        acts,
        [
            "mailto:greta.ostrom@club.example?subject=S1",
            "/work-nights/new",
            "/instruments/S4/work",
            &format!("/instruments/S3/lend?to={greta}"),
        ]
    );
    let words = page.words();
    assert!(words.contains("Coma 0.142 waves, limit 0.071"), "{words}");
    assert!(words.contains("Focuser slips, 2 days ago"), "{words}");
}

/// OWASP ASVS 4.0.3, 4.3.1: who may change everything is asked for a second factor.
#[tokio::test]
async fn a_coordinator_is_asked_for_a_second_factor() {
    let house = House::empty().await;
    for (role, asked) in [(Role::Coordinator, true), (Role::Volunteer, false)] {
        let (me, mut client) = house.someone(role).await;
        house.instrument(role.slug(), me).await;
        let said = async |client: &mut crate::common::Client| {
            let page = client.get("/").await.words();
            page.contains("by a password alone")
        };
        assert_eq!(said(&mut client).await, asked, "{role}");
        let mut write = house.library.write().await.unwrap();
        second_factor::want(&mut write, me).await.unwrap();
        let State::Wanted(secret) = second_factor::state(&mut write, me).await.unwrap() else {
            panic!("no secret");
        };
        let now = house.app.clock.now();
        let code = secret
            .code(now.timestamp() / second_factor::STEP_S)
            .unwrap();
        let on = second_factor::confirm(&mut write, me, &code, now).await;
        assert!(on.unwrap().is_some());
        write.commit().await.unwrap();
        assert!(!said(&mut client).await, "{role}");
    }
}

/// OWASP ASVS 4.0.3, 4.3.1, where the club requires it: without a second factor a
/// coordinator may do no more than a volunteer, is told why and where to mend it, and
/// nobody shuts themselves out.
#[tokio::test]
async fn a_club_may_require_a_second_factor_of_its_coordinators() {
    let house = House::empty().await;
    let (me, mut client) = house.someone(Role::Coordinator).await;
    house.instrument("SC203", me).await;
    let shown = crate::two_at_once::form(&client.get("/club").await, "shown");
    let fields = [
        ("shown", shown.as_str()),
        ("name", "Fenwater"),
        ("zone", "UTC"),
        ("units", "metric"),
        ("paper", "a4"),
        ("currency", "EUR"),
        ("loan_days", "28"),
        ("renewals", "2"),
        ("renew_late_days", "7"),
        ("fetch_days", "7"),
        ("second_factor", "required"),
        ("second_look", "one person"),
    ];
    let page = client.post("/club", &fields).await;
    assert_eq!(page.status, 422);
    assert!(page.words().contains("turn on your own first"));
    let mut write = house.library.write().await.unwrap();
    let club = Club {
        second_factor_required: true,
        ..Club::load(&mut write).await.unwrap()
    };
    club.save(&mut write).await.unwrap();
    write.commit().await.unwrap();
    for path in ["/club", "/people", "/audit-log"] {
        let page = client.get(path).await;
        assert_eq!(page.status, 403, "{path}");
        assert!(page.words().contains("only with a second factor"), "{path}");
        let leads = page.attributes("main a", "href");
        assert!(leads.iter().any(|to| to == "/me#second-factor"), "{path}");
    }
    assert_eq!(client.get("/check-in").await.status, 200);
    let start = client.get("/").await.words();
    assert!(start.contains("Set up the second factor"), "{start}");
    let mut write = house.library.write().await.unwrap();
    second_factor::want(&mut write, me).await.unwrap();
    let State::Wanted(secret) = second_factor::state(&mut write, me).await.unwrap() else {
        panic!("no secret");
    };
    let now = house.app.clock.now();
    let step = now.timestamp() / second_factor::STEP_S;
    let code = secret.code(step).unwrap();
    let on = second_factor::confirm(&mut write, me, &code, now).await;
    assert!(on.unwrap().is_some());
    write.commit().await.unwrap();
    assert_eq!(client.get("/club").await.status, 200);
}
