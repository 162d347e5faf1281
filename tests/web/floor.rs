//! The floor under everything: a form's own mark, reading while nothing can be
//! written, and frames that are lost to no passing error.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use axum::http::StatusCode;
use chrono::Utc;
use sqlx::Connection as _;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use tubewright::library::attempts::{self, Attempt, AttemptState};
use tubewright::library::journeys::JourneyKind;
use tubewright::library::people::Role;
use tubewright::library::star_tests::FocusSide;
use tubewright::library::{AttemptId, InstrumentId, PersonId};
use tubewright::web::measuring::{Circumstances, files};

use crate::common::{Client, House};
use crate::star_test::{GOOD, TOLD, ended, frame, tests_of};

async fn sql(house: &House, words: &str) {
    let mut write = house.library.write().await.unwrap();
    sqlx::raw_sql(sqlx::AssertSqlSafe(words.to_owned()))
        .execute(&mut *write)
        .await
        .unwrap();
    write.commit().await.unwrap();
}

async fn state(house: &House, id: AttemptId) -> AttemptState {
    let mut conn = house.library.read().await.unwrap();
    Attempt::get(&mut conn, id).await.unwrap().state
}

/// What is told of `GOOD`.
fn told() -> String {
    serde_json::to_string(&Circumstances {
        aperture_mm: 203.0,
        focal_mm: 2030.0,
        obstruction: 0.34,
        pixel_um: 4.8,
        wavelength_nm: 530.0,
        bandwidth_nm: 80.0,
        side: FocusSide::Outside,
        diagonal: true,
        seeing: Some(2),
        note: String::new(),
        both_sides: false,
        field_coma: false,
        vane_count: 0,
        meniscus: false,
        taken_at: None,
        lamp: None,
        by_phone: false,
        shades: Vec::new(),
        known_scale: Default::default(),
    })
    .unwrap()
}

/// A set in the queue, as an upload leaves it; the thread has not been rung for yet.
async fn queued(
    house: &House,
    by: PersonId,
    instrument: InstrumentId,
    told: &str,
) -> (AttemptId, PathBuf) {
    let id = AttemptId::fresh();
    let path = format!("{}/tests/frames/{GOOD}", env!("CARGO_MANIFEST_DIR"));
    files::keep_copies(&house.library, id, &[PathBuf::from(path)]).unwrap();
    let mut write = house.library.write().await.unwrap();
    attempts::ask(&mut write, id, instrument, by, Utc::now(), 1, told)
        .await
        .unwrap();
    write.commit().await.unwrap();
    (id, files::folder_of(&house.library, id))
}

#[tokio::test]
async fn a_forms_mark_is_of_one_person_and_one_form() {
    let house = House::empty().await;
    let (id, mut ada) = house.someone(Role::Volunteer).await;
    let mut otto = house.someone(Role::Volunteer).await.1;
    house.instrument("S203", id).await;
    house.instrument("S204", id).await;
    let once = uuid::Uuid::new_v4().to_string();
    let to = |tag: &str| format!("/instruments/{tag}/logbook/new/journey");
    async fn log(client: &mut Client, path: &str, once: &str) -> (StatusCode, String) {
        let fields = [
            ("journey_kind", JourneyKind::Car.slug()),
            ("distance", "12"),
            ("note", "To the meadow"),
        ];
        let page = client.post_once(path, once, &fields).await;
        (page.status, page.words())
    }
    let entries = async || {
        let mut conn = house.library.read().await.unwrap();
        sqlx::query_scalar::<_, i64>("SELECT COUNT(*) FROM entries WHERE kind = 'journey'")
            .fetch_one(&mut *conn)
            .await
            .unwrap()
    };
    let mut answers = Vec::new();
    answers.push(log(&mut ada, &to("S203"), &once).await);
    answers.push(log(&mut ada, &to("S203"), &once).await);
    answers.push(log(&mut otto, &to("S203"), &once).await);
    answers.push(log(&mut otto, &to("S204"), &once).await);
    for (status, words) in &answers {
        assert_eq!(*status, StatusCode::SEE_OTHER, "{words}");
    }
    assert_eq!(entries().await, 3, "only the repeated one acts once");
}

#[tokio::test]
async fn reading_needs_no_writer() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Coordinator).await;
    house.instrument("S203", id).await;
    // Idle for so long that the next view would note its use.
    let hour_ago = (Utc::now() - chrono::Duration::hours(1)).to_rfc3339();
    let idle = format!("UPDATE sessions SET last_seen_at = '{hour_ago}'");
    sql(&house, &idle).await;
    let held = house.library.write().await.unwrap();
    for path in ["/shelf", "/instruments/S203", "/due"] {
        let begun = Instant::now();
        let page = client.get(path).await;
        assert_eq!(page.status, StatusCode::OK, "{path}: {}", page.words());
        // The measure is the wait for a writer, 10 s and more.
        assert!(begun.elapsed() < Duration::from_secs(8), "{path}");
    }
    drop(held);
    sql(&house, "PRAGMA max_page_count = 1").await;
    let page = client.get("/shelf").await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.words());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_library_that_is_held_makes_the_measuring_wait_and_loses_nothing() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = house.instrument("S203", by).await;
    let (id, folder) = queued(&house, by, instrument, &told()).await;
    // Another program, for longer than the ten seconds after which SQLite says busy.
    let database = house
        .library
        .folder()
        .join(tubewright::library::DATABASE_FILE);
    let options = SqliteConnectOptions::new().filename(database);
    let mut other = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::query("BEGIN IMMEDIATE")
        .execute(&mut other)
        .await
        .unwrap();
    house.app.measuring.ring();
    tokio::time::sleep(Duration::from_millis(11_500)).await;
    assert_eq!(state(&house, id).await, AttemptState::Waiting);
    assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 1);
    sqlx::query("ROLLBACK").execute(&mut other).await.unwrap();
    let page = ended(&mut client, &format!("/attempts/{id}")).await;
    assert!(page.words().contains("waves RMS"), "{}", page.words());
    assert_eq!(tests_of(&house, instrument).await, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_failed_set_keeps_its_frames_and_is_measured_again() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = house.instrument("S203", by).await;
    let (id, folder) = queued(&house, by, instrument, "{\"broken\": true}").await;
    house.app.measuring.ring();
    let path = format!("/attempts/{id}");
    let page = ended(&mut client, &path).await;
    assert!(
        page.words().contains("The measuring failed"),
        "{}",
        page.words()
    );
    assert!(
        page.words().contains("The frames are kept until"),
        "{}",
        page.words()
    );
    assert!(folder.is_dir());
    files::sweep(&house.library, Utc::now()).await.unwrap();
    assert!(
        folder.is_dir(),
        "a failed set's frames are kept for a while"
    );
    let mut write = house.library.write().await.unwrap();
    sqlx::query("UPDATE attempts SET circumstances = ?")
        .bind(told())
        .execute(&mut *write)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = client.post(&format!("{path}/again"), &[]).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    let page = ended(&mut client, &path).await;
    assert!(page.words().contains("waves RMS"), "{}", page.words());
    let page = client.post(&format!("{path}/again"), &[]).await;
    assert_eq!(page.status, StatusCode::CONFLICT, "{}", page.words());
}

#[tokio::test(flavor = "multi_thread")]
async fn frames_go_only_when_nobody_wants_them() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = house.instrument("S203", by).await;
    let (waiting, of_waiting) = queued(&house, by, instrument, &told()).await;
    let (failed, of_failed) = queued(&house, by, instrument, &told()).await;
    let (broken_off, of_broken_off) = queued(&house, by, instrument, &told()).await;
    let under_way = files::folder_of(&house.library, AttemptId::fresh());
    std::fs::create_dir_all(&under_way).unwrap();
    let page = client
        .post(&format!("/attempts/{broken_off}/cancel"), &[])
        .await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    assert_eq!(state(&house, broken_off).await, AttemptState::Cancelled);
    let mut write = house.library.write().await.unwrap();
    let end = attempts::Finished {
        state: AttemptState::Failed,
        frames_done: 0,
        report: None,
        picture_png: None,
        overlay_svg: None,
    };
    attempts::finish(&mut write, failed, &end, Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    files::sweep(&house.library, Utc::now()).await.unwrap();
    let there = [&of_waiting, &of_failed, &of_broken_off, &under_way].map(|f| f.is_dir());
    assert_eq!(there, [true, true, false, true]);
    files::sweep(&house.library, Utc::now() + attempts::FRAMES_LAST)
        .await
        .unwrap();
    let there = [&of_waiting, &of_failed].map(|f| f.is_dir());
    assert_eq!(there, [true, false]);
    assert_eq!(state(&house, waiting).await, AttemptState::Waiting);
}

#[tokio::test(flavor = "multi_thread")]
async fn one_person_cannot_fill_the_queue() {
    let house = House::empty().await;
    let (by, mut ada) = house.someone(Role::Volunteer).await;
    let mut otto = house.someone(Role::Volunteer).await.1;
    let instrument = house.instrument("S203", by).await;
    // In the library alone, so that none of them ends meanwhile.
    let mut write = house.library.write().await.unwrap();
    for _ in 0..attempts::OF_ONE {
        let id = AttemptId::fresh();
        attempts::ask(&mut write, id, instrument, by, Utc::now(), 1, &told())
            .await
            .unwrap();
    }
    write.commit().await.unwrap();
    let (to, bytes) = ("/instruments/S203/star-test/frames", frame(GOOD));
    let page = ada.upload(to, TOLD, &[("frames", GOOD, &bytes)]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words().contains("of your sets are waiting"),
        "{}",
        page.words()
    );
    let frames = house.library.folder().join("frames");
    assert_eq!(std::fs::read_dir(frames).map_or(0, Iterator::count), 0);
    let page = otto.upload(to, TOLD, &[("frames", GOOD, &bytes)]).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
}

/// Sent by a page that does not know the session's mark, an upload stores nothing.
#[tokio::test]
async fn an_upload_without_the_sessions_mark_is_refused() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let bytes = frame(GOOD);
    let mut told = TOLD.to_vec();
    // After the right one, which the client sends first: each that comes is looked at.
    told.push(("csrf", "guessed"));
    let to = "/instruments/S203/star-test/frames";
    let page = client.upload(to, &told, &[("frames", GOOD, &bytes)]).await;
    assert_eq!(page.status, StatusCode::FORBIDDEN, "{}", page.words());
    let other = house.someone(Role::Volunteer).await.1.mark();
    let page = client
        .upload_marked(to, &other, TOLD, &[("frames", GOOD, &bytes)])
        .await;
    assert_eq!(page.status, StatusCode::FORBIDDEN, "{}", page.words());
    let mut conn = house.library.read().await.unwrap();
    assert!(attempts::in_hand(&mut conn).await.unwrap().is_empty());
    let frames = house.library.folder().join("frames");
    assert_eq!(std::fs::read_dir(frames).map_or(0, Iterator::count), 0);
}
