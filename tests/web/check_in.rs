use axum::http::StatusCode;
use chrono::{Duration, Utc};
use tubewright::library::instruments::Status;
use tubewright::library::journeys::{Journey, JourneyKind};
use tubewright::library::people::{self, Role};
use tubewright::library::problems::{AsksFor, ProblemWhat};
use tubewright::library::returning;
use tubewright::library::{journeys, loans, problems, star_tests, waits};
use tubewright::web::passwords;

use crate::common::{House, days_ago};
use crate::context::{instrument, lend, loan, look, rows, shown, stand, status};

#[tokio::test]
async fn only_volunteers_and_coordinators_check_in() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let before = rows(&house).await;
    for (method, path) in [
        ("GET", "/check-in"),
        ("GET", "/check-in/S203"),
        ("GET", "/check-in/S203/answer"),
        ("POST", "/check-in/S203"),
        ("POST", "/check-in/S203/status"),
    ] {
        let visitor = status(&mut house.visitor(), method, path).await;
        assert_eq!(visitor, StatusCode::UNAUTHORIZED, "{method} {path}");
        let member = status(&mut member, method, path).await;
        assert_eq!(member, StatusCode::FORBIDDEN, "{method} {path}");
        for client in [&mut volunteer, &mut coordinator] {
            let allowed = status(client, method, path).await;
            // A form with nothing in it is let in and then asked to be mended.
            assert!(
                [
                    StatusCode::OK,
                    StatusCode::UNPROCESSABLE_ENTITY,
                    StatusCode::BAD_REQUEST
                ]
                .contains(&allowed),
                "{method} {path}: {allowed}"
            );
        }
    }
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn part_of_a_tag_finds_the_instrument_and_the_whole_tag_opens_it() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    house.instrument("S279", by).await;
    let page = client.get("/check-in?q=s2").await;
    assert_eq!(page.select(".row-tag"), ["S203", "S279"]);
    assert_eq!(
        client.get("/check-in?q=s203").await.location(),
        "/check-in/S203"
    );
    // One alone that fits is the one meant.
    assert_eq!(
        client.get("/check-in?q=279").await.location(),
        "/check-in/S279"
    );
    let page = client.get("/check-in?q=zebra").await;
    assert_eq!(page.select(".empty-title")[0], "Nothing by that name");
}

#[tokio::test]
async fn those_out_are_listed_with_the_one_due_soonest_first_and_late_ones_said() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let late = house.instrument("A1", by).await;
    let soon = house.instrument("B2", by).await;
    let back = house.instrument("C3", by).await;
    lend(&house, soon, member, by, days_ago(10)).await;
    lend(&house, late, member, by, days_ago(20)).await;
    let over = lend(&house, back, member, by, days_ago(9)).await;
    let mut write = house.library.write().await.unwrap();
    returning::return_loan(&mut write, over, &[], days_ago(2), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = client.get("/check-in").await;
    assert_eq!(page.select(".row-tag"), ["A1", "B2", "C3"]);
    assert!(page.select(".row-when strong")[0].starts_with("6 days late"));
    let came_back = &page.select("section.stack")[1];
    assert!(came_back.contains("C3") && !came_back.contains("Ines"));
}

/// The ordinary case, tap by tap, each on a control that the page really has:
/// found in the list, all the kit, the car ticked beforehand, its distance, the
/// star by eye, sent, and put where it belongs.
#[tokio::test]
async fn the_ordinary_case_takes_at_most_twelve_taps() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    look(&house, id, by, days_ago(60), 0.02).await;
    lend(&house, id, member, by, days_ago(10)).await;
    let mut taps = Vec::new();

    let page = client.get("/check-in").await;
    taps.push("the instrument in the list");
    let link = page.attributes(".row-tag a", "href").remove(0);

    let page = client.get(&link).await;
    assert_eq!(
        page.attributes("input[name=journey][checked]", "value"),
        Vec::<String>::new(),
        "no journey is ticked beforehand"
    );
    taps.push("all the kit");
    assert_eq!(shown(&page, "input[name=kit_all]"), "yes");
    taps.push("by car");
    taps.push("the distance");
    assert_eq!(shown(&page, "input[name=distance_by_car]"), "");
    taps.push("open the star test");
    assert!(page.select("summary").contains(&"Star check".to_owned()));
    taps.push("the picture");
    assert!(
        page.attributes("input[name=star_ratio]", "value")
            .contains(&"0.9".to_owned())
    );
    taps.push("the share of the field");
    assert!(
        page.attributes("select[name=star_share_of_field] option", "value")
            .contains(&"1/20".to_owned())
    );
    taps.push("the magnification");
    taps.push("the thin side");
    assert_eq!(page.attributes("input[name=star_clock]", "value").len(), 13);
    taps.push("the side of focus");
    taps.push("the air");
    taps.push("send");
    let action = page.attributes("main form", "action").remove(0);
    let loan_version = shown(&page, "input[name=loan_version]");
    let page = client
        .post(
            &action,
            &[
                ("loan_version", &loan_version),
                ("kit_all", "yes"),
                ("journey", "car"),
                ("distance_by_car", "84"),
                ("star_ratio", "0.9"),
                ("star_share_of_field", "1/20"),
                ("star_apparent_field", "50"),
                ("star_magnification", "200"),
                ("star_clock", "2"),
                ("star_side", "inside"),
                ("star_diagonal", "yes"),
                ("star_seeing", "2"),
            ],
        )
        .await;
    let answer = page.location().to_owned();
    let page = client.get(&answer).await;
    assert!(page.words().contains("Put it back in its place: Hut."));
    taps.push("the next one");
    assert_eq!(page.select(".panel .key-main")[0], "Check in another");
    // One more than when a car was ticked beforehand, which nobody had said.
    assert!(taps.len() <= 13, "{}: {taps:#?}", taps.len());
    println!("{} taps", taps.len());

    let mut conn = house.library.read().await.unwrap();
    let journeys = journeys::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(
        journeys[0].journey,
        Journey {
            kind: JourneyKind::Car,
            distance_km: Some(84.0),
            severity: None
        }
    );
    let tests = star_tests::current(&mut conn, Some(id)).await.unwrap();
    let test = &tests[1].test;
    assert_eq!(test.thin_clock_deg, Some(60.0));
    assert_eq!(test.seeing, Some(2));
    // By hand: the donut is a twentieth of 50 degrees / 200, 45 arc seconds;
    // W020 = (22.5 arc seconds) 203 mm / 4 = 10.065 waves of 550 nm;
    // W131 = 10.065 x 0.1 / (1.9 x 1.5 x 1.34) = 0.2636; over sqrt(72): 0.03106.
    assert!((test.coma_rms_waves - 0.03106).abs() < 2e-5, "{test:?}");
    assert!(instrument(&house, "S203").await.open_loan.is_none());
}

#[tokio::test]
async fn a_check_in_without_a_star_test_takes_five_taps() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(10)).await;
    // List, all the kit, distance, send, next: the car is ticked already.
    let page = client.get("/check-in/S203").await;
    let version = shown(&page, "input[name=loan_version]");
    let page = client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", &version),
                ("kit_all", "yes"),
                ("journey", "car"),
                ("distance_by_car", ""),
            ],
        )
        .await;
    let answer = page.location().to_owned();
    let page = client.get(&answer).await;
    assert_eq!(page.status, StatusCode::OK);
    let words = page.words();
    assert!(words.contains("S203 is returned."), "{words}");
    assert!(words.contains("Returned. Kit complete."), "{words}");
    assert!(words.contains("By car."), "{words}");
    assert!(words.contains("never had a star test"), "{words}");
    assert_eq!(page.select(".panel .key-main"), ["Do a star test"]);
    assert!(loan(&house, lent).await.returned_at.is_some());
}

#[tokio::test]
async fn what_did_not_come_back_is_said_and_becomes_a_problem() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(10)).await;
    let page = client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", &lent.to_string()),
                ("kit", "finder"),
                ("kit", "25 mm eyepiece"),
            ],
        )
        .await;
    let answer = page.location().to_owned();
    assert!(
        client
            .get(&answer)
            .await
            .words()
            .contains("Did not come back: diagonal")
    );
    let mut conn = house.library.read().await.unwrap();
    let parts = loans::parts(&mut conn, lent).await.unwrap();
    let back: Vec<_> = parts.iter().map(|p| p.came_back).collect();
    assert_eq!(back, [Some(true), Some(false), Some(true)]);
    let found = problems::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].problem.what, ProblemWhat::PartMissing);
    assert_eq!(found[0].problem.asks_for, AsksFor::ALook);
    drop(conn);
    // The next one to lend it is told.
    let page = client.get("/instruments/S203/lend").await;
    assert!(
        page.words()
            .contains("Missing from its kit diagonal, since")
    );
    assert_eq!(
        page.attributes("input[name=kit]", "value"),
        ["finder", "25 mm eyepiece"],
        "what is missing does not go along"
    );
}

#[tokio::test]
async fn a_check_in_that_says_nothing_of_the_kit_changes_nothing_and_keeps_what_was_typed() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(10)).await;
    let before = rows(&house).await;
    let page = client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", &lent.to_string()),
                ("journey", "car"),
                ("journey", "knock-or-drop"),
                ("distance_by_car", "forty"),
                ("knock_how_hard", "3"),
                ("problem_what", "moving-part"),
                ("problem_words", "Focuser slips when it points high up"),
                ("second_problem_words", "Strap torn"),
                ("star_ratio", "0.7"),
                ("star_magnification", "150"),
                ("note", "Rained on the way"),
                ("happened_on", "2020-01-01"),
            ],
        )
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(rows(&house).await, before);
    let mended = page.select("#errors li");
    for part in [
        "Kit: tick all of it",
        "Distance: \"forty\" is not a distance",
        "Width of the donut: say how wide",
        "Day: it went out on",
    ] {
        assert!(
            mended.iter().any(|m| m.contains(part)),
            "{part}: {mended:?}"
        );
    }
    // Each mend leads to a field that is there.
    for href in page.attributes("#errors a", "href") {
        assert_eq!(page.select(&href).len(), 1, "{href}");
    }
    assert_eq!(
        page.attributes("input[name=journey][checked]", "value"),
        ["car", "knock-or-drop"]
    );
    assert_eq!(shown(&page, "input[name=distance_by_car]"), "forty");
    assert_eq!(
        page.attributes("input[name=knock_how_hard][checked]", "value"),
        ["3"]
    );
    assert_eq!(
        page.attributes("select[name=problem_what] option[selected]", "value"),
        ["moving-part"]
    );
    assert_eq!(
        page.select("textarea[name=second_problem_words]"),
        ["Strap torn"]
    );
    assert_eq!(
        page.attributes("input[name=star_ratio][checked]", "value"),
        ["0.7"]
    );
    assert_eq!(page.select("textarea[name=note]"), ["Rained on the way"]);
    // What holds a mend or something typed is open, the rest is not.
    let open = page.select("details[open] > summary");
    assert!(open.contains(&"Star check".to_owned()), "{open:?}");
    assert!(!open.contains(&"And a third thing".to_owned()), "{open:?}");
}

#[tokio::test]
async fn a_check_in_sent_twice_acts_once() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(10)).await;
    let version = lent.to_string();
    let fields = [
        ("loan_version", version.as_str()),
        ("kit_all", "yes"),
        ("journey", "car"),
    ];
    let first = client.post_once("/check-in/S203", "mark-1", &fields).await;
    let location = first.location().to_owned();
    let after = rows(&house).await;
    let second = client.post_once("/check-in/S203", "mark-1", &fields).await;
    assert_eq!(second.location(), location);
    assert_eq!(rows(&house).await, after);
}

#[tokio::test]
async fn two_volunteers_at_once_do_not_take_it_back_twice() {
    let house = House::empty().await;
    let (by, mut one) = house.someone(Role::Volunteer).await;
    let (_, mut two) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(10)).await.to_string();
    let fields = [
        ("loan_version", lent.as_str()),
        ("kit_all", "yes"),
        ("journey", "car"),
        ("problem_words", "Smells of smoke"),
    ];
    one.post("/check-in/S203", &fields).await.location();
    let after = rows(&house).await;
    let page = two.post("/check-in/S203", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("someone else has taken it back"));
    assert_eq!(
        page.select("textarea[name=problem_words]"),
        ["Smells of smoke"]
    );
    assert_eq!(rows(&house).await, after);
    // Sent again as the page now stands, it is logged without the loan.
    let page = two
        .post(
            "/check-in/S203",
            &[("loan_version", ""), ("problem_words", "Smells of smoke")],
        )
        .await;
    page.location();
}

#[tokio::test]
async fn nothing_typed_is_lost_when_the_session_has_run_out() {
    let house = House::empty().await;
    let by = house.person("Vera Holm", Role::Volunteer).await;
    let mut write = house.library.write().await.unwrap();
    let hash = passwords::hash_now("four kettles at dusk").unwrap();
    people::set_password_hash(&mut write, by, &hash)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let member = house.person("Ines Vale", Role::Member).await;
    let id = house.instrument("S203", by).await;
    let lent = lend(&house, id, member, by, days_ago(10)).await.to_string();
    let mut client = house.visitor();
    let page = client
        .post_once(
            "/check-in/S203",
            "kept-mark",
            &[
                ("loan_version", lent.as_str()),
                ("kit", "finder"),
                ("kit", "diagonal"),
                ("journey", "car"),
                ("journey", "public-event"),
                ("distance_by_car", "12"),
                ("problem_words", "Dew & \"spots\" <on> the plate"),
            ],
        )
        .await;
    assert_eq!(page.status, StatusCode::UNAUTHORIZED);
    let page = client
        .post(
            "/sign-in",
            &[
                ("email", "vera.holm@club.example"),
                ("password", "four kettles at dusk"),
            ],
        )
        .await;
    assert_eq!(page.location(), "/unsent");
    let page = client.get("/unsent").await;
    // Send on exactly what the page holds.
    let action = page.attributes("main form", "action").remove(0);
    let hidden = "main form[action='/check-in/S203'] input[type=hidden]";
    let names = page.attributes(hidden, "name");
    let values = page.attributes(hidden, "value");
    let pairs: Vec<(&str, &str)> = names
        .iter()
        .map(String::as_str)
        .zip(values.iter().map(String::as_str))
        .collect();
    let page = client
        .post_raw(&action, &pairs, &[("sec-fetch-site", "same-origin")])
        .await;
    let answer = page.location().to_owned();
    let words = client.get(&answer).await.words();
    assert!(
        words.contains("Did not come back: 25 mm eyepiece"),
        "{words}"
    );
    assert!(words.contains("By car, 12 km."), "{words}");
    assert!(words.contains("Public event."), "{words}");
    assert!(words.contains("Dew & \"spots\" <on> the plate"), "{words}");
}

#[tokio::test]
async fn one_that_is_not_on_loan_logs_all_the_same_but_not_nothing() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    let before = rows(&house).await;
    let page = client.post("/check-in/S203", &[("loan_version", "")]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("Nothing was told yet"));
    assert_eq!(rows(&house).await, before);
    let yesterday = (Utc::now() - Duration::days(1))
        .format("%Y-%m-%d")
        .to_string();
    let page = client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", ""),
                ("journey", "public-event"),
                ("kit", "finder"),
                ("note", "Open evening at the school"),
                ("happened_on", &yesterday),
            ],
        )
        .await;
    page.location();
    let mut conn = house.library.read().await.unwrap();
    let told = journeys::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(
        told[0].happened_at.format("%Y-%m-%d").to_string(),
        yesterday
    );
    let found = problems::current(&mut conn, Some(id)).await.unwrap();
    assert_eq!(
        found[0].problem.words,
        "Not in the box: diagonal, 25 mm eyepiece"
    );
}

#[tokio::test]
async fn a_problem_that_asks_for_the_bench_is_held_with_one_key() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let page = client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", ""),
                ("problem_what", "moving-part"),
                ("problem_asks_for", "the-bench"),
                ("problem_words", "Focuser slips"),
            ],
        )
        .await;
    let answer = page.location().to_owned();
    assert_eq!(
        instrument(&house, "S203").await.status,
        Status::Shelf,
        "held before anyone confirmed it"
    );
    let page = client.get(&answer).await;
    assert_eq!(page.select(".verdict-name"), ["Needs the bench"]);
    assert_eq!(page.select(".panel .key-main"), ["Hold it for the bench"]);
    let action = page.attributes(".panel form", "action").remove(0);
    let status = shown(&page, ".panel form input[name=status]");
    let reason = shown(&page, ".panel form input[name=reason]");
    let page = client
        .post(&action, &[("status", &status), ("reason", &reason)])
        .await;
    page.location();
    let found = instrument(&house, "S203").await;
    assert_eq!(found.status, Status::Held);
    assert_eq!(found.status_reason, "Reported: Focuser slips.");
    let page = client.get("/instruments/S203/logbook").await;
    assert!(
        page.words()
            .contains("Now held for the bench: Reported: Focuser slips")
    );
}

#[tokio::test]
async fn a_volunteer_cannot_put_an_unfit_one_back_on_the_shelf_but_a_coordinator_can() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.instrument("S203", by).await;
    look(&house, id, by, days_ago(1), 0.2).await;
    stand(&house, id, Status::Held).await;
    let before = rows(&house).await;
    let page = volunteer
        .post("/check-in/S203/status", &[("status", "shelf")])
        .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.words().contains("reads bench first"));
    assert_eq!(rows(&house).await, before);
    assert_eq!(instrument(&house, "S203").await.status, Status::Held);
    let page = coordinator
        .post("/check-in/S203/status", &[("status", "shelf")])
        .await;
    assert_eq!(page.status, StatusCode::BAD_REQUEST, "without a reason");
    assert_eq!(rows(&house).await, before);
    let fields = [("status", "shelf"), ("reason", "wide fields only tonight")];
    coordinator
        .post("/check-in/S203/status", &fields)
        .await
        .location();
    assert_eq!(instrument(&house, "S203").await.status, Status::Shelf);
    for standing in ["retired", "bench", "", "nonsense"] {
        let page = coordinator
            .post("/check-in/S203/status", &[("status", standing)])
            .await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{standing}");
    }
}

#[tokio::test]
async fn the_answer_names_who_waits_for_it_next() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    look(&house, id, by, days_ago(3), 0.02).await;
    let second = house.person("Otto Reed", Role::Member).await;
    let first = house.person("Ines Vale", Role::Member).await;
    let mut write = house.library.write().await.unwrap();
    for (who, days) in [(first, 5), (second, 4)] {
        waits::ask(
            &mut write,
            id,
            who,
            waits::WantsItFor::Planets,
            "",
            days_ago(days),
        )
        .await
        .unwrap();
    }
    write.commit().await.unwrap();
    let page = client
        .post(
            "/check-in/S203",
            &[("loan_version", ""), ("journey", "hand-carry")],
        )
        .await;
    let answer = page.location().to_owned();
    let page = client.get(&answer).await;
    assert!(
        page.words()
            .contains("Ines Vale is next in line for it, for Moon and planets.")
    );
    let to = page.attributes(".panel a.key-main", "href").remove(0);
    let page = client.get(&to).await;
    assert_eq!(
        page.attributes("select[name=borrower] option[selected]", "value"),
        [first.to_string()]
    );
}

#[tokio::test]
async fn one_that_must_only_see_the_sun_has_no_star_test_to_fill_in() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let mut write = house.library.write().await.unwrap();
    tubewright::library::instruments::Instrument::add(
        &mut write,
        &tubewright::library::instruments::Particulars {
            design: tubewright::library::instruments::Design::Solar,
            ..crate::common::particulars("H60")
        },
        Utc::now(),
        by,
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = client.get("/check-in/H60").await;
    assert!(
        page.attributes("input[name=star_ratio]", "value")
            .is_empty()
    );
    let before = rows(&house).await;
    let page = client
        .post(
            "/check-in/H60",
            &[("loan_version", ""), ("star_ratio", "0.5")],
        )
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(rows(&house).await, before);
}
