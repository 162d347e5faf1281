//! Frames at a collimation: a measurement taken in, a shade shown by two frames.

use std::time::Duration;

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::library::star_tests;
use tubewright::optics::pupil::Pupil;
use tubewright::optics::render::Scene;
use tubewright::optics::wavefront::{Wavefront, a4_from_w020};

use crate::collimations::{at, begun, look, shade, with_screws};
use crate::common::{Client, House, Page};

/// Made by an independent library for the 203 mm f/10 of `House::instrument`:
/// coma 0.12 waves RMS, outside focus (tests/frames/manifest.json).
const FRAME: &str = "sct-outside.fits.gz";

async fn measured(client: &mut Client) -> Page {
    let path = format!("{}/tests/frames/{FRAME}", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(path).unwrap();
    let told = [
        ("side", "outside"),
        ("camera", "green"),
        ("pixel_um", "4.8"),
        ("focal_factor", "1"),
        ("diagonal", "yes"),
        ("seeing", "2"),
    ];
    let files: &[(&str, &str, &[u8])] = &[("frames", FRAME, &bytes)];
    let path = client
        .upload("/instruments/SC203/star-test/frames", &told, files)
        .await
        .location()
        .to_owned();
    for _ in 0..2400 {
        let page = client.get(&path).await;
        if page.select(".job").is_empty() {
            assert!(page.words().contains("waves RMS"), "{}", page.words());
            return page;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    panic!("the measuring did not end");
}

#[tokio::test(flavor = "multi_thread")]
async fn measured_frames_are_taken_in_once_and_only_while_they_show_the_star_as_it_is() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    shade(&mut client, &collimation, "12", "2").await;
    let before = client.get(&collimation).await;
    assert!(before.words().contains("send 10 to 30 frames"));
    let result = measured(&mut client).await;
    // The measurement leads back to where it is taken in.
    let back = format!("{collimation}#frames");
    assert!(result.attributes("main a.key", "href").contains(&back));
    let page = client.get(&collimation).await;
    assert!(page.words().contains("Take it in"), "{}", page.words());
    let attempt = page.attributes("input[name=attempt]", "value")[0].clone();
    let place = at(&mut client, &collimation).await;
    let take = format!("{collimation}/measured");
    let fields = [("at", place.as_str()), ("attempt", attempt.as_str())];
    client.post(&take, &fields).await.location();
    let words = client.get(&collimation).await.words();
    // 0.12 waves, made by an independent library.
    assert!(words.contains("Star check: coma 0.1"), "{words}");
    assert!(!words.contains("Take it in"), "{words}");
    // As it was drawn, signs included: a8 = -0.06 along x, a7 = -0.1039 along y; the
    // band told is 4 % shorter than the frames' own.
    let mut conn = house.library.read().await.unwrap();
    let record: String =
        sqlx::query_scalar("SELECT record FROM collimation_steps ORDER BY ordinal DESC LIMIT 1")
            .fetch_one(&mut *conn)
            .await
            .unwrap();
    drop(conn);
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    let [x, y] = coma_in(&record).expect("a look with its coma");
    assert!((x + 0.06).abs() < 0.006, "{record}");
    assert!((y + 0.1039).abs() < 0.006, "{record}");
    // Its star test was in the logbook already, once.
    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(instrument))
        .await
        .unwrap();
    assert_eq!(tests.len(), 1);
    drop(conn);
    // Undone, it can be taken in again; its star test stays.
    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/back"), &[("at", &place)])
        .await
        .location();
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Take it in"), "{page}");
    let place = at(&mut client, &collimation).await;
    let fields = [("at", place.as_str()), ("attempt", attempt.as_str())];
    client.post(&take, &fields).await.location();
    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(instrument)).await;
    assert_eq!(tests.unwrap().len(), 1);
    drop(conn);
    // After a look they no longer show the star as it stands.
    let place = at(&mut client, &collimation).await;
    let fields = [("at", place.as_str()), ("attempt", attempt.as_str())];
    let late = client.post(&take, &fields).await;
    assert_eq!(late.status, StatusCode::CONFLICT, "{}", late.words());
    let nonsense = client
        .post(&take, &[("at", &place), ("attempt", "last")])
        .await;
    assert_eq!(nonsense.status, StatusCode::BAD_REQUEST);
}

/// The coma that a record holds, however deep.
fn coma_in(record: &serde_json::Value) -> Option<[f64; 2]> {
    match record {
        serde_json::Value::Object(fields) => match fields.get("coma") {
            Some(coma) => Some([coma[0].as_f64()?, coma[1].as_f64()?]),
            None => fields.values().find_map(coma_in),
        },
        _ => None,
    }
}

/// A 16-bit picture of a donut as a PNG; a hand takes one side of it.
fn png(hand_deg: Option<f64>, shift: usize) -> Vec<u8> {
    let size = 90;
    let data = Scene {
        pupil: Pupil::annular(0.34),
        wavefront: Wavefront::flat().with(4, a4_from_w020(8.0)).with(8, 0.15),
        field: 100.0,
        size,
        bandwidth_nm: 100.0,
        blur: 2.0,
    }
    .draw();
    let mut picture =
        image::ImageBuffer::<image::Luma<u16>, Vec<u16>>::from_fn(240, 200, |x, y| {
            image::Luma([900 + ((x * 7919 + y * 104_729) % 61) as u16])
        });
    for (i, v) in data.iter().enumerate() {
        let (x, y) = (i % size, i / size);
        let (px, py) = (x as f64 - 45.0, 45.0 - y as f64);
        let taken = hand_deg.is_some_and(|deg| {
            let (s, c) = deg.to_radians().sin_cos();
            px * s + py * c > 10.0
        });
        if !taken {
            let at = picture.get_pixel_mut((60 + shift + x) as u32, (50 + y) as u32);
            at.0[0] += (v * 20_000.0) as u16;
        }
    }
    let mut out = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut out, image::ImageFormat::Png).unwrap();
    out.into_inner()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_shade_is_measured_from_two_frames() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    let (clear, dark) = (png(None, 0), png(Some(150.0), 9));
    let path = format!("{collimation}/shade-frames");
    let place = at(&mut client, &collimation).await;
    let told = [
        ("at", place.as_str()),
        ("tube_clock", "12"),
        ("shade_side", "outside"),
    ];
    // The same picture twice: nothing is dark, nothing is written.
    let same: &[(&str, &str, &[u8])] = &[
        ("clear_frame", "a.png", &clear),
        ("shaded_frame", "b.png", &clear),
    ];
    let refused = client.upload(&path, &told, same).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        refused.words().contains("no part of the donut is darker"),
        "{}",
        refused.words()
    );
    let kept = refused.attributes("#f-frame-side option[selected]", "value");
    assert_eq!(kept, ["outside"]);
    let one: &[(&str, &str, &[u8])] = &[("clear_frame", "a.png", &clear)];
    let refused = client.upload(&path, &told, one).await;
    assert!(refused.words().contains("With the hand: choose a frame"));
    let text: &[(&str, &str, &[u8])] = &[
        ("clear_frame", "a.png", &clear),
        ("shaded_frame", "b.png", b"not a picture"),
    ];
    let refused = client.upload(&path, &told, text).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(at(&mut client, &collimation).await, place);

    let both: &[(&str, &str, &[u8])] = &[
        ("clear_frame", "a.png", &clear),
        ("shaded_frame", "b.png", &dark),
    ];
    client.upload(&path, &told, both).await.location();
    let words = client.get(&collimation).await.words();
    assert!(words.contains("Shaded at 12 o\u{2019}clock"), "{words}");
    assert!(words.contains("dark at 5 o\u{2019}clock"), "{words}");
    // It counts as one told by eye does: a look and a turn follow.
    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/look"), &look(&place, "0.5", "8"))
        .await
        .location();
    assert!(client.get(&collimation).await.words().contains(" turn "));
}
