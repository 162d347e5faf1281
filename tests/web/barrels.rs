//! Barrel checks of binoculars: written down, judged, undone.

use axum::http::StatusCode;
use tubewright::library::barrel_checks::{self, LoggedBarrelCheck, Way};
use tubewright::library::instruments::{Design, Instrument};
use tubewright::library::limits::{self, LimitWhat, Whose};
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, PersonId, logbook};

use crate::common::{House, particulars};

async fn binocular(house: &House, tag: &str, by: PersonId) -> InstrumentId {
    let mut p = particulars(tag);
    p.name = "70 mm binocular".to_owned();
    p.design = Design::Binocular;
    (p.aperture_mm, p.focal_mm, p.obstruction) = (70.0, 280.0, 0.0);
    let mut write = house.library.write().await.unwrap();
    let id = Instrument::add(&mut write, &p, chrono::Utc::now(), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    id
}

async fn checks_of(house: &House, id: InstrumentId) -> Vec<LoggedBarrelCheck> {
    let mut conn = house.library.read().await.unwrap();
    barrel_checks::current(&mut conn, Some(id)).await.unwrap()
}

/// A look at a star: step and sideways by their angle at the eye, at both openings.
fn at_a_star<'a>(step: [&'a str; 2], side: [&'a str; 2]) -> Vec<(&'a str, &'a str)> {
    vec![
        ("magnification", "10"),
        ("objectives", "130 mm"),
        ("step_1", step[0]),
        ("step_far_1", step[1]),
        ("side_1", side[0]),
        ("side_far_1", side[1]),
        ("step_2", step[0]),
        ("step_far_2", step[1]),
        ("side_2", side[0]),
        ("side_far_2", side[1]),
    ]
}

const EYE: &str = "/instruments/B70/barrels/eye";

// Worked by hand: 5 cm at 500 m are 0.34377', 3.4377' at x10; 10 cm sideways 6.8755', of
// which 130 mm between the lenses make 8.938' by themselves.
#[tokio::test(flavor = "multi_thread")]
async fn lengths_at_the_target_become_angles_at_the_eye() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let b70 = binocular(&house, "B70", id).await;
    let fields = [
        ("magnification", "10"),
        ("distance", "500 m"),
        ("objectives", "130 mm"),
        ("step_1", "right"),
        ("step_far_1", "5 cm"),
        ("side_1", "in"),
        ("side_far_1", "10"),
        ("turn_1", "right"),
        ("turn_deg_1", "0.5"),
    ];
    let page = client.post(EYE, &fields).await;
    assert_eq!(page.location(), "/instruments/B70/barrels");
    let checks = checks_of(&house, b70).await;
    let check = &checks[0].check;
    assert_eq!((check.way, check.openings.len()), (Way::ByEye, 1));
    let apart = check.openings[0];
    assert!((apart.step.arcmin + 3.4377).abs() < 1e-3, "{apart:?}");
    assert!(
        (apart.convergence.arcmin + 2.0626).abs() < 1e-3,
        "{apart:?}"
    );
    assert_eq!(apart.turn.unwrap().arcmin, -30.0);
    let page = client.get("/instruments/B70/barrels").await;
    let words = page.words();
    // One opening of a hinge is not enough.
    assert!(
        words.contains("Fine at one opening of the hinge. Look at another."),
        "{words}"
    );
    assert!(words.contains("3′ ± 3′, right higher"), "{words}");
    assert!(words.contains("2′ ± 6′, eyes turn out"), "{words}");
    let mut conn = house.library.read().await.unwrap();
    let lines = logbook::of(&mut conn, b70).await.unwrap();
    drop(conn);
    assert_eq!(lines.len(), 1);
    let book = client.get("/instruments/B70/logbook").await.words();
    assert!(
        book.contains("Barrel check by eye at 10x, one opening: divergence 2′ ± 6′, step 3′ ± 3′ (right higher), turn 30′"),
        "{book}"
    );
}

// Shared check values 11: step 15', convergence 45', divergence 20' at the eye.
#[tokio::test(flavor = "multi_thread")]
async fn the_condition_follows_the_check_and_its_undoing() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Coordinator).await;
    let b70 = binocular(&house, "B70", id).await;
    let never = client.get("/instruments/B70").await.words();
    assert!(
        never.contains("It has never had a barrel check."),
        "{never}"
    );
    for (step, side, condition, says) in [
        (
            ["left", "5'"],
            ["in", "20'"],
            "Ready",
            "Fine: eyes join both pictures",
        ),
        (
            ["left", "24'"],
            ["none", ""],
            "Usable with a limit",
            "It may strain the eyes.",
        ),
        (
            ["none", ""],
            ["out", "60'"],
            "Needs the bench",
            "Few eyes join the pictures",
        ),
        // Good, but told by eye no better than +- 3.6'.
        (
            ["right", "13'"],
            ["none", ""],
            "Not checked",
            "Too coarse to tell.",
        ),
    ] {
        client.post(EYE, &at_a_star(step, side)).await;
        let page = client.get("/instruments/B70/barrels").await.words();
        assert!(page.contains(says), "{says}: {page}");
        let own = client.get("/instruments/B70").await.words();
        assert!(own.contains(condition), "{condition}: {own}");
    }
    let checks = checks_of(&house, b70).await;
    assert_eq!(checks.len(), 4);
    let undo = format!("/instruments/B70/logbook/{}", checks[3].entry_id);
    assert!(
        client
            .get("/instruments/B70/barrels")
            .await
            .text()
            .contains(&undo)
    );
    assert_eq!(client.get(&undo).await.status, StatusCode::OK);
    client
        .post(
            &format!("{undo}/strike"),
            &[("reason", "It was another one")],
        )
        .await;
    assert_eq!(checks_of(&house, b70).await.len(), 3);
    let own = client.get("/instruments/B70").await.words();
    assert!(own.contains("Needs the bench"), "{own}");
    let due: serde_json::Value =
        serde_json::from_slice(&client.get("/due.json").await.body).unwrap();
    let row = &due["due"][0];
    assert_eq!(row["reasons"][0]["code"], "barrels");
    assert_eq!(row["last_barrel_check"]["verdict"], "needs-bench");
    assert_eq!(row["last_barrel_check"]["times_accepted"], 3.0);
    // A wider limit calls the same look usable.
    let mut write = house.library.write().await.unwrap();
    let binoculars = Whose::Design(Design::Binocular);
    let now = chrono::Utc::now();
    let (what, why) = (LimitWhat::BarrelsBench, "Only for one evening");
    limits::set(&mut write, binoculars, what, Some(4.0), why, id, now)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let list = client.get("/limits").await.words();
    assert!(
        list.contains("Barrels for the bench times what eyes accept"),
        "{list}"
    );
    let own = client.get("/instruments/B70").await.words();
    assert!(own.contains("Usable with a limit"), "{own}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_typed_wrong_is_named_and_changes_nothing() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let b70 = binocular(&house, "B70", id).await;
    let good = || at_a_star(["left", "5'"], ["none", ""]);
    let with = |name: &'static str, value: &'static str| {
        let mut fields = good();
        fields.retain(|f| f.0 != name);
        fields.push((name, value));
        fields
    };
    for (fields, says) in [
        (
            with("magnification", ""),
            "Magnification: please give a number.",
        ),
        (with("magnification", "0.5"), "Magnification"),
        (with("step_1", ""), "Step: choose one."),
        (
            with("step_far_1", "5 cm"),
            "Step: a length needs the distance of the target.",
        ),
        (
            with("step_far_1", "much"),
            "Step: give how far apart both stand at the target",
        ),
        (
            with("step_far_1", "-3'"),
            "Step: give arc minutes at the eye",
        ),
        (
            with("distance", "3 m"),
            "Distance of the target: that is 3 m; give it in metres, 20 or more",
        ),
        (with("objectives", "9 m"), "Between the front lenses"),
        (with("looked_on", "2999-01-01"), "Day: this is yet to come."),
    ] {
        let page = client.post(EYE, &fields).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{says}");
        assert!(page.words().contains(says), "{says}: {}", page.words());
        // What was typed is kept.
        assert!(page.text().contains("value=\"130 mm\"") || says.contains("lenses"));
    }
    assert!(checks_of(&house, b70).await.is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn only_a_binocular_takes_it_and_it_takes_no_star_test() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    binocular(&house, "B70", id).await;
    house.instrument("S203", id).await;
    let page = client.get("/instruments/S203/barrels").await;
    assert!(page.words().contains("A barrel check is for binoculars."));
    let fields = at_a_star(["none", ""], ["none", ""]);
    let page = client.post("/instruments/S203/barrels/eye", &fields).await;
    assert!(
        page.words().contains("S203 is no binocular"),
        "{}",
        page.words()
    );
    let page = client.get("/instruments/B70/star-test").await;
    assert!(
        page.words()
            .contains("It takes a barrel check in place of a star test.")
    );
    let page = client.get("/instruments/B70/collimation").await;
    assert!(
        page.words().contains("do a barrel check"),
        "{}",
        page.words()
    );
    let page = client
        .post("/instruments/B70/star-test/eye", &[("star_ratio", "0.9")])
        .await;
    let words = page.words();
    assert!(
        words.contains("B70 takes a barrel check in place of a star test."),
        "{words}"
    );
    let own = client.get("/instruments/B70").await.text();
    assert!(
        own.contains("/instruments/B70/barrels") && !own.contains("/instruments/B70/star-test")
    );
}

fn picture(name: &str) -> Vec<u8> {
    let path = format!("{}/tests/barrels/{name}.jpg", env!("CARGO_MANIFEST_DIR"));
    std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

// The pictures have 4' a pixel and a field of 403 px, 2 atan(403/2 x 4/3437.75) = 26.4
// degrees; truth in tests/barrels/truth.json.
#[tokio::test(flavor = "multi_thread")]
async fn pictures_are_measured_and_land_in_the_logbook() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let b70 = binocular(&house, "B70", id).await;
    let told = [
        ("p_magnification", "10"),
        ("p_objectives", "130 mm"),
        ("p_field", "26.4"),
    ];
    let names = [
        "fine-left",
        "fine-right",
        "diverging-left",
        "diverging-right",
    ];
    let bytes = names.map(picture);
    let places = ["left_1", "right_1", "left_2", "right_2"];
    let files: Vec<(&str, &str, &[u8])> = (0..4)
        .map(|i| (places[i], names[i], bytes[i].as_slice()))
        .collect();
    let path = "/instruments/B70/barrels/pictures";
    let page = client.upload(path, &told, &files).await;
    assert_eq!(
        page.location(),
        "/instruments/B70/barrels",
        "{}",
        page.words()
    );
    let checks = checks_of(&house, b70).await;
    let check = &checks[0].check;
    assert_eq!((check.way, check.openings.len()), (Way::ByPictures, 2));
    // The field's width tells the scale to some 5 %.
    let apart = check.openings[1];
    assert!((apart.convergence.arcmin + 48.0).abs() < 4.0, "{apart:?}");
    assert!((apart.turn.unwrap().arcmin - 30.0).abs() < 2.0, "{apart:?}");
    let words = client.get("/instruments/B70/barrels").await.words();
    assert!(
        words.contains("parallel at one opening of the hinge only"),
        "{words}"
    );
    // Refused: what does not fit together, what shows no field's edge, what is no picture.
    let other = picture("step-right");
    for (files, says) in [
        (
            vec![files[0], ("right_1", "o", other.as_slice())],
            "do not show the same scene",
        ),
        (vec![files[0]], "as many through the right barrel"),
        (vec![], "choose one through the left barrel"),
        (
            vec![files[0], ("right_1", "notes.txt", b"not a picture")],
            "notes.txt",
        ),
        (
            vec![
                ("left_1", "o", other.as_slice()),
                ("right_1", "o", other.as_slice()),
            ],
            "the edge of the field is not in the pictures",
        ),
    ] {
        let page = client.upload(path, &told, &files).await.words();
        assert!(page.to_lowercase().contains(says), "{says}: {page}");
    }
    assert_eq!(checks_of(&house, b70).await.len(), 1);
}
