//! A picture down a Newtonian's focuser: measured, shown, not kept.

use axum::http::StatusCode;
use tubewright::library::instruments::{Design, Instrument};
use tubewright::library::people::Role;
use tubewright::library::{PersonId, adjusters, logbook};

use crate::common::{House, particulars};

async fn newtonian(house: &House, by: PersonId) -> tubewright::library::InstrumentId {
    let mut p = particulars("N200");
    p.name = "200 mm Newtonian".to_owned();
    p.design = Design::Newtonian;
    (p.aperture_mm, p.focal_mm, p.obstruction) = (200.0, 1000.0, 0.25);
    let mut write = house.library.write().await.unwrap();
    let id = Instrument::add(&mut write, &p, chrono::Utc::now(), by)
        .await
        .unwrap();
    let screws: Vec<adjusters::Adjuster> = [("A", 0.0), ("B", 120.0), ("C", 240.0)]
        .map(|(label, clock_deg)| adjusters::Adjuster {
            label: label.to_owned(),
            element: adjusters::Element::Primary,
            clock_deg,
            pitch_mm: 0.7,
            lever_mm: 130.0,
            kind: adjusters::AdjusterKind::PullAgainstSpring,
            head: adjusters::Head::Thumb,
        })
        .to_vec();
    adjusters::set(&mut write, id, &screws).await.unwrap();
    write.commit().await.unwrap();
    id
}

fn picture(name: &str) -> Vec<u8> {
    let path = format!("{}/tests/peephole/{name}.jpg", env!("CARGO_MANIFEST_DIR"));
    std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

const PATH: &str = "/instruments/N200/peephole";
const TOLD: [(&str, &str); 5] = [
    ("flat", "50 mm"),
    ("draw", "46 mm"),
    ("hole", "3 mm"),
    ("front_clock", "12"),
    ("focuser_clock", "3"),
];

// The truth is in tests/peephole/truth.json: the mark stands 6.4 mm from the face's middle.
#[tokio::test(flavor = "multi_thread")]
async fn a_picture_names_the_screw_to_turn_and_is_not_kept() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let n200 = newtonian(&house, id).await;
    let form = client.get(PATH).await;
    let text = form.text();
    // A quarter of 200 mm, as the register says.
    assert!(text.contains("value=\"50 mm\""), "{text}");
    let bytes = picture("primary-out");
    let page = client
        .upload(PATH, &TOLD, &[("picture", "p.jpg", bytes.as_slice())])
        .await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.words());
    let words = page.words();
    assert!(words.contains("Turn screw"), "{words}");
    assert!(words.contains("Then take another picture."), "{words}");
    assert!(
        words.contains("waves of coma in the middle of the field"),
        "{words}"
    );
    assert!(words.contains("Never force a screw."), "{words}");
    // The Sun once.
    assert_eq!(words.matches("Sun").count(), 1, "{words}");
    let mut conn = house.library.read().await.unwrap();
    assert!(logbook::of(&mut conn, n200).await.unwrap().is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_missing_or_cannot_be_read_is_said_and_what_was_typed_stays() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    newtonian(&house, id).await;
    let page = client.upload(PATH, &TOLD, &[]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words().contains("Picture: choose one."),
        "{}",
        page.words()
    );
    assert!(page.text().contains("value=\"46 mm\""));
    let page = client
        .upload(PATH, &TOLD, &[("picture", "notes.txt", b"not a picture")])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words().to_lowercase().contains("notes.txt"),
        "{}",
        page.words()
    );
    let bytes = picture("primary-out");
    let wrong = [("flat", "500 mm"), ("hole", "3 mm")];
    let page = client
        .upload(PATH, &wrong, &[("picture", "p.jpg", bytes.as_slice())])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words()
            .contains("minor axis: that is 500 mm; give 10 to 120 mm"),
        "{}",
        page.words()
    );
    let bytes = picture("no-face");
    let page = client
        .upload(PATH, &TOLD, &[("picture", "p.jpg", bytes.as_slice())])
        .await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.words());
    assert!(
        page.words().contains("white or lit inner face"),
        "{}",
        page.words()
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn others_than_newtonians_are_led_to_their_own_check() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let mut write = house.library.write().await.unwrap();
    let mut p = particulars("SC1");
    p.design = Design::SchmidtCassegrain;
    Instrument::add(&mut write, &p, chrono::Utc::now(), id)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let words = client.get("/instruments/SC1/peephole").await.words();
    assert!(words.contains("No Newtonian"), "{words}");
    let page = client.upload("/instruments/SC1/peephole", &TOLD, &[]).await;
    assert!(page.words().contains("is no Newtonian"), "{}", page.words());
}
