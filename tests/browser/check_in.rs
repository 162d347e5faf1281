//! A volunteer at the table with a phone: a scope comes back, a star test from
//! frames follows, the condition is there.

use std::path::{Path, PathBuf};

use tubewright::library::people::Role;

use super::club::{Club, at_the_demo_club};
use super::visitor::{Scripts, Visitor, Window};

/// Independent frames with a known wavefront: tests/frames/README.md.
pub fn frame(name: &str) -> PathBuf {
    let folder: PathBuf = [env!("CARGO_MANIFEST_DIR"), "tests", "frames"]
        .iter()
        .collect();
    folder.join(name)
}

/// Uploads frames of a 203 mm Schmidt-Cassegrain and waits for what comes of
/// them. The star test form is open.
pub async fn measures(visitor: &Visitor, file: &str, side: &str) {
    visitor.give_files("frames", &[frame(file)]).await;
    visitor.pick("Side of focus", side).await;
    visitor.choose("Camera", "Mono camera, green filter").await;
    visitor.fill("Pixel size", "4.8").await;
    visitor.press("Measure").await;
    visitor
        .wait_until("the measuring to end", || async {
            visitor.sees_any(".verdict").await
        })
        .await;
}

/// The coma that the page of a measurement shows, waves RMS.
pub async fn coma_shown(visitor: &Visitor) -> f64 {
    let figures = visitor.words_of("dl.figures").await;
    let (_, after) = figures.split_once("Coma, full circle ").unwrap();
    after.split_whitespace().next().unwrap().parse().unwrap()
}

async fn checks_a_scope_in(club: Club, scripts: Scripts) {
    let kofi = club
        .signed_in(Role::Volunteer, Window::Phone, scripts)
        .await;

    // Lend it first, so that there is something to return.
    kofi.open("/instruments/SC203A/lend").await;
    kofi.choose_starting("To whom", "Noor Tolbeck-Reyes").await;
    kofi.tick("All of it goes along").await;
    kofi.press("Lend it").await;
    kofi.sees("SC203A").await;

    // Find it by part of its tag.
    kofi.go("Check-in").await;
    kofi.fill("Tag", "203a").await;
    if scripts == Scripts::On {
        kofi.press_in(
            "//*[contains(@class, 'finder-list')]",
            "SC203A 203 mm Schmidt–Cassegrain, on loan",
        )
        .await;
    } else {
        kofi.press("Find").await;
        kofi.press("SC203A").await;
    }
    kofi.sees("Journeys since last time").await;
    assert_eq!(kofi.path().await, "/check-in/SC203A");
    kofi.photograph("check-in").await;

    kofi.tick("All of it is here").await;
    kofi.tick("By car").await;
    kofi.press("Something is wrong").await;
    kofi.fill("In your words", "Focuser slips a little when pointed high.")
        .await;
    kofi.press("Save").await;
    kofi.sees("Next step").await;
    let said = kofi.words().await;
    for logged in ["Returned", "By car", "Focuser slips a little"] {
        assert!(said.contains(logged), "{logged} is not in: {said}");
    }
    kofi.photograph("answer").await;

    // The star test, from a frame that holds 0.12 waves RMS of coma.
    kofi.press("Star test or frames").await;
    measures(&kofi, "sct-outside.fits.gz", "Outside").await;
    let coma = coma_shown(&kofi).await;
    assert!((coma - 0.12).abs() < 0.018, "coma {coma}, 0.12 is true");
    assert!(kofi.sees_any("figure svg").await, "the donut is drawn");
    kofi.photograph("condition").await;

    // Everyone can read it on the condition page.
    kofi.press("Its page").await;
    kofi.press("Why, and the figures").await;
    kofi.sees("from frames").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_volunteer_checks_a_scope_in_on_a_phone() {
    at_the_demo_club(|club| checks_a_scope_in(club, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_volunteer_checks_a_scope_in_on_a_phone_without_scripts() {
    at_the_demo_club(|club| checks_a_scope_in(club, Scripts::Off)).await;
}

/// What cannot be measured is refused with its reason and the mend.
#[tokio::test(flavor = "multi_thread")]
async fn a_clipped_star_is_refused_with_what_to_do() {
    at_the_demo_club(|club| async move {
        let kofi = club
            .signed_in(Role::Volunteer, Window::Phone, Scripts::On)
            .await;
        kofi.open("/instruments/SC203A").await;
        let before = kofi.words_of(".verdict").await;
        kofi.open("/instruments/SC203A/star-test").await;
        kofi.give_files("frames", &[frame("trap-clipped.png")])
            .await;
        kofi.press("Measure").await;
        kofi.sees("Pixel size: these frames do not tell it").await;
        kofi.give_files("frames", &[frame("trap-clipped.png")])
            .await;
        kofi.fill("Pixel size", "4.8").await;
        kofi.press("Measure").await;
        kofi.sees("These frames were not measured").await;
        kofi.photograph("refused").await;
        let said = kofi.words_of(".note").await;
        assert!(said.to_lowercase().contains("clip"), "{said}");
        kofi.open("/instruments/SC203A").await;
        assert_eq!(kofi.words_of(".verdict").await, before);
    })
    .await;
}

/// A photo as a camera makes it: large, with what the camera wrote into it.
fn camera_photo(folder: &Path) -> PathBuf {
    let picture = image::RgbImage::from_fn(3200, 2400, |x, y| {
        image::Rgb([(x % 256) as u8, (y % 256) as u8, ((x * y) % 251) as u8])
    });
    let mut jpeg = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 95)
        .encode_image(&picture)
        .unwrap();
    // An APP1 segment after the start mark (Exif 2.32, 4.5): its length, its name, and
    // an empty list of tags (TIFF 6.0, section 2).
    let body = b"Exif\0\0MM\0\x2a\0\0\0\x08\0\0\0\0\0\0SECRETPLACE";
    let mut with_exif = jpeg[..2].to_vec();
    with_exif.extend([0xff, 0xe1]);
    with_exif.extend(u16::try_from(body.len() + 2).unwrap().to_be_bytes());
    with_exif.extend(body);
    with_exif.extend(&jpeg[2..]);
    let file = folder.join("dent.jpg");
    std::fs::write(&file, with_exif).unwrap();
    file
}

/// With a problem a photo goes along: made small on the phone where scripts run, as it
/// is where they don't; the server keeps it either way.
async fn sends_a_photo(club: Club, scripts: Scripts) {
    let kofi = club
        .signed_in(Role::Volunteer, Window::Phone, scripts)
        .await;
    let photo = camera_photo(club.folder());
    kofi.open("/check-in/M127").await;
    kofi.press("Something is wrong").await;
    kofi.fill("In your words", "A dent in the dew shield").await;
    kofi.give_files("photo", std::slice::from_ref(&photo)).await;
    if scripts == Scripts::On {
        kofi.sees("Sent as").await;
        let told = kofi
            .client
            .execute_async(
                "const done = arguments[0]; const f = document.querySelector('input[name=photo]').files[0];
                 createImageBitmap(f).then(async b => done([b.width, b.height, f.size, (await f.text()).includes('SECRETPLACE')]))",
                Vec::new(),
            )
            .await
            .unwrap();
        assert_eq!(told[0], 1600, "{told}");
        assert_eq!(told[1], 1200, "{told}");
        assert_eq!(told[3], false, "what the camera wrote is gone: {told}");
        let before = std::fs::metadata(&photo).unwrap().len();
        assert!(told[2].as_u64().unwrap() * 2 < before, "{told} of {before}");
    }
    kofi.photograph("photo").await;
    kofi.press("Save").await;
    kofi.sees("Next step").await;
    kofi.open("/instruments/M127").await;
    kofi.sees("A dent in the dew shield").await;
    let shown = "figure img, .photos img";
    assert!(kofi.sees_any(shown).await, "{}", kofi.words().await);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_photo_goes_along_with_a_problem_made_small() {
    at_the_demo_club(|club| sends_a_photo(club, Scripts::On)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_photo_goes_along_with_a_problem_without_scripts() {
    at_the_demo_club(|club| sends_a_photo(club, Scripts::Off)).await;
}
