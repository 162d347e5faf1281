//! A star test by phone: the stills of tests/frames/phone (made by another library, with
//! their truth) through the pages.

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::library::star_tests::{self, Method};

use crate::collimations::{at, begun, with_screws};
use crate::common::{Client, House, Page};
use crate::star_test::{ended, tests_of};

const HELD: &[(&str, &str)] = &[("side", "outside"), ("diagonal", "yes"), ("seeing", "2")];
/// truth.json: a8 = -0.1157 along x, a7 = 0.1191 along y, so 0.1661 waves RMS.
const COMA: [f64; 2] = [-0.115_709_677, 0.119_100_967];
/// truth.json, for the 271 mm it was made for; a telescope of 203 mm that shows the same
/// rings has a donut 271/203 times as wide.
const ARCSEC_PER_PX: f64 = 0.162_045_93 * 271.0 / 203.0;

fn stills(set: &str, count: usize) -> Vec<(String, Vec<u8>)> {
    (0..count)
        .map(|k| {
            let name = format!("{k:02}.jpg");
            let path = format!(
                "{}/tests/frames/phone/{set}/{name}",
                env!("CARGO_MANIFEST_DIR")
            );
            let bytes = std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
            (name, bytes)
        })
        .collect()
}

/// Sends stills; leads to the try.
async fn sent(client: &mut Client, tag: &str, told: &[(&str, &str)], set: &str, n: usize) -> Page {
    let stills = stills(set, n);
    let files: Vec<(&str, &str, &[u8])> = stills
        .iter()
        .map(|(name, bytes)| ("stills", name.as_str(), bytes.as_slice()))
        .collect();
    let form = format!("/instruments/{tag}/star-test/phone");
    client.upload(&form, told, &files).await
}

#[tokio::test(flavor = "multi_thread")]
async fn stills_become_a_star_test_by_phone() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let instrument = house.instrument("S203", id).await;
    let form = client.get("/instruments/S203/star-test/phone").await;
    assert_eq!(form.status, StatusCode::OK);
    assert!(form.words().contains("Hold the phone to the eyepiece"));
    let page = sent(&mut client, "S203", HELD, "good", 8).await;
    let path = page.location().to_owned();
    let page = ended(&mut client, &path).await;
    let words = page.words();
    assert!(words.contains("Scale, found from the rings"), "{words}");
    assert!(words.contains("arc seconds a pixel"), "{words}");
    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(instrument))
        .await
        .unwrap();
    drop(conn);
    assert_eq!(tests.len(), 1);
    let test = &tests[0].test;
    assert_eq!(test.method, Method::ByPhone);
    let truth = COMA[0].hypot(COMA[1]);
    // The goal of issue 18 is 0.007 waves at the 90th percentile.
    let off = (test.coma_rms_waves - truth).abs();
    assert!(
        off < 0.007 && off < 3.0 * test.coma_rms_waves_sigma,
        "{off}"
    );
    let json = client.get(&format!("{path}/report.json")).await;
    let report: serde_json::Value = serde_json::from_slice(&json.body).unwrap();
    let scale = report["scale"]["arcsec_per_px"].as_f64().unwrap();
    assert!((scale / ARCSEC_PER_PX - 1.0).abs() < 0.06, "{scale}");
    let logbook = client.get("/instruments/S203/logbook").await.words();
    assert!(logbook.contains("by phone"), "{logbook}");
    let due = client.get("/due").await.words();
    assert!(due.contains("By phone: coma 0.1"), "{due}");
    // What leads on from there leads to a phone's page again.
    let again = page.attributes("main a.key", "href");
    assert!(again.contains(&"/instruments/S203/star-test/phone".to_owned()));
}

/// A star at the equator drifts 15.041 arc seconds a second (a sidereal day of 86,164.1 s).
#[tokio::test(flavor = "multi_thread")]
async fn a_drift_timed_by_the_page_tells_the_scale_beside_the_rings() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", id).await;
    let px_s = 15.041 / ARCSEC_PER_PX;
    let (drift, sigma) = (format!("{px_s:.3}"), format!("{:.3}", 0.01 * px_s));
    let mut told = HELD.to_vec();
    told.push(("declination", "0"));
    // A declination alone tells nothing, and one out of range is named.
    for (typed, said) in [("0", "has timed"), ("88", "-80")] {
        let mut alone = HELD.to_vec();
        alone.push(("declination", typed));
        let page = sent(&mut client, "S203", &alone, "good", 8).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.words().contains(said), "{}", page.words());
        assert_eq!(page.attributes("[name=declination]", "value"), [typed]);
    }
    told.extend([
        ("drift_px_s", drift.as_str()),
        ("drift_px_s_sigma", sigma.as_str()),
    ]);
    let path = sent(&mut client, "S203", &told, "good", 8).await;
    let path = path.location().to_owned();
    let words = ended(&mut client, &path).await.words();
    assert!(words.contains("Scale, as told and found"), "{words}");
    let json = client.get(&format!("{path}/report.json")).await;
    let report: serde_json::Value = serde_json::from_slice(&json.body).unwrap();
    assert_eq!(report["scale"]["told"]["used"], true);
    let scale = report["scale"]["arcsec_per_px"].as_f64().unwrap();
    assert!((scale / ARCSEC_PER_PX - 1.0).abs() < 0.02, "{scale}");
}

/// While a screw is turned the page measures again and again: each reading is told at once
/// and nothing of it is kept.
#[tokio::test(flavor = "multi_thread")]
async fn a_reading_is_told_and_kept_nowhere() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let (_, mut member) = house.someone(Role::Member).await;
    house.instrument("S203", id).await;
    let at = "/instruments/S203/star-test/phone/reading";
    let send = async |client: &mut Client, set: &str, n: usize| {
        let stills = stills(set, n);
        let files: Vec<(&str, &str, &[u8])> = stills
            .iter()
            .map(|(name, bytes)| ("stills", name.as_str(), bytes.as_slice()))
            .collect();
        client.upload(at, &[], &files).await
    };
    let before = crate::context::rows(&house).await;
    let page = send(&mut client, "good", 8).await;
    assert_eq!(page.status, StatusCode::OK);
    let told: serde_json::Value = serde_json::from_slice(&page.body).unwrap();
    let coma = told["coma_rms_waves"].as_f64().unwrap();
    assert!((coma - COMA[0].hypot(COMA[1])).abs() < 0.01, "{coma}");
    assert!(told["words"].as_str().unwrap().starts_with("Coma 0.1"));
    // What tells nothing says why; too many are refused; members measure nothing.
    let page = send(&mut client, "in-focus", 2).await;
    let told: serde_json::Value = serde_json::from_slice(&page.body).unwrap();
    assert!(told["coma_rms_waves"].is_null() && told["words"].as_str().unwrap().len() > 10);
    let twice = [stills("good", 8), stills("good", 8), stills("good", 8)].concat();
    let files: Vec<(&str, &str, &[u8])> = twice
        .iter()
        .map(|(name, bytes)| ("stills", name.as_str(), bytes.as_slice()))
        .collect();
    let refused = client.upload(at, &[], &files).await;
    assert!(refused.status.is_client_error(), "{}", refused.status);
    let refused = send(&mut member, "good", 1).await;
    assert_eq!(refused.status, StatusCode::FORBIDDEN);
    assert_eq!(crate::context::rows(&house).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn stills_that_tell_nothing_leave_only_the_try() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    let instrument = house.instrument("S203", id).await;
    for (set, says) in [
        ("saturated", "limit of a colour"),
        ("in-focus", "it is nearly in focus"),
    ] {
        let page = sent(&mut client, "S203", HELD, set, 3).await;
        let words = ended(&mut client, page.location()).await.words();
        assert!(words.contains("These stills were not measured"), "{words}");
        assert!(words.contains(says), "{set}: {words}");
    }
    let fits = crate::star_test::frame(crate::star_test::GOOD);
    let files: &[(&str, &str, &[u8])] = &[("stills", "star.fits.gz", &fits)];
    let form = "/instruments/S203/star-test/phone";
    let page = client.upload(form, HELD, files).await;
    let words = ended(&mut client, page.location()).await.words();
    assert!(words.contains("JPEG or PNG"), "{words}");
    assert_eq!(tests_of(&house, instrument).await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_lacks_something_is_named_and_kept() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", id).await;
    let form = "/instruments/S203/star-test/phone";
    let told = [
        ("side", "inside"),
        ("note", "Capella"),
        ("shade_tube", "12"),
        ("shade_dark_2", "4"),
        ("lamp", "a field away"),
    ];
    let page = client.upload(form, &told, &[]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    for (field, says) in [
        ("stills", "choose one or more"),
        ("shade_dark", "where the donut went dark"),
        ("shade_tube_2", "which clock position"),
        ("lamp", "in metres"),
    ] {
        let error = page.select(&format!("#f-{field}-error"));
        assert!(error[0].contains(says), "{field}: {error:?}");
    }
    assert_eq!(page.select("#f-note"), ["Capella"]);
    let kept = page.attributes("#f-shade_tube option[selected]", "value");
    assert_eq!(kept, ["12"]);
}

/// Only here may a page ask for the camera; the answer to a form is such a page too.
#[tokio::test]
async fn no_other_page_may_film() {
    let house = House::empty().await;
    let (id, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", id).await;
    let form = "/instruments/S203/star-test/phone";
    let refused = client.upload(form, &[], &[]).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    for page in [client.get(form).await, refused] {
        let may = &page.headers["permissions-policy"];
        let may = may.to_str().unwrap();
        assert!(may.contains("camera=(self)") && may.contains("display-capture=(self)"));
        assert!(may.contains("geolocation=()") && may.contains("microphone=()"));
        let loads = page.headers["content-security-policy"].to_str().unwrap();
        assert!(loads.contains("media-src 'self' blob:"), "{loads}");
        assert!(loads.contains("script-src 'self';"), "{loads}");
    }
    let other = client.get("/instruments/S203/star-test").await;
    let may = other.headers["permissions-policy"].to_str().unwrap();
    assert!(may.contains("camera=()"), "{may}");
    let loads = other.headers["content-security-policy"].to_str().unwrap();
    assert!(!loads.contains("media-src"), "{loads}");
}

#[tokio::test(flavor = "multi_thread")]
async fn in_a_session_a_phone_leads_to_the_next_screw() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    // Not shaded by eye: the phone's own shades tell how its picture lies.
    let check = client.get(&format!("{collimation}?without=shade")).await;
    let links = check.attributes("main a.key", "href");
    assert!(
        links.contains(&"/instruments/SC203/star-test/phone".to_owned()),
        "{links:?}"
    );
    let shaded = [
        ("shade_tube", "12"),
        ("shade_dark", "2"),
        ("shade_tube_2", "3"),
        ("shade_dark_2", "5"),
    ];
    let told = [HELD, &shaded].concat();
    let page = sent(&mut client, "SC203", &told, "good", 8).await;
    let page = ended(&mut client, page.location()).await;
    let words = page.words();
    // The coma points away from the thin side: atan2(0.1157, -0.1191) is 136 degrees
    // clockwise from up in the picture, which by both shades is two hours on from the tube.
    assert!(
        words.contains("half past 2") || words.contains("3 o'clock"),
        "{words}"
    );
    let action = format!("{collimation}/measured");
    let form = format!("form[action='{action}']");
    assert_eq!(page.select(&form).len(), 1, "{words}");
    let place = page.attributes(&format!("{form} input[name=at]"), "value")[0].clone();
    let attempt = page.attributes(&format!("{form} input[name=attempt]"), "value")[0].clone();
    let fields = [("at", place.as_str()), ("attempt", attempt.as_str())];
    client.post(&action, &fields).await.location();
    let words = client.get(&collimation).await.words();
    assert!(words.contains(" turn "), "{words}");
    assert!(words.contains("Star check: coma 0.1"), "{words}");
    assert!(words.contains("Shaded at 12 o\u{2019}clock"), "{words}");
    assert!(words.contains("dark at 5 o\u{2019}clock"), "{words}");
    // Taken in once: two shades and a look.
    let now = at(&mut client, &collimation).await;
    let [now, before]: [usize; 2] = [now, place].map(|n| n.parse().unwrap());
    assert_eq!(now, before + 3);
}
