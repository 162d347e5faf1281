//! When the network goes: pages kept on the phone open, what is entered is kept and sent
//! once each in order, what the server refuses is shown and kept; the tab is killed on
//! the way, another phone goes on with the same session, and signing out leaves nothing.

use std::io::Read;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{ReadHalf, WriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tubewright::library::people::Role;

use super::check_in::frame;
use super::club::{Club, at_the_demo_club};
use super::collimation::{begins, goes_on, heading, place};
use super::visitor::{Scripts, Visitor, Window};

/// The wire between a phone and the club, which can be cut: then what runs breaks off,
/// and nothing new comes through.
struct Wire {
    base: String,
    cut: watch::Sender<bool>,
    up: Arc<Up>,
}

/// What went up to the club, in bytes.
#[derive(Default)]
struct Up {
    sent: AtomicU64,
    /// The wire is cut by itself when as much has gone up; 0 where it is not.
    cut_at: AtomicU64,
}

impl Wire {
    async fn to(club: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let server = club.strip_prefix("http://").unwrap().to_owned();
        let (cut, is_cut) = watch::channel(false);
        let up = Arc::new(Up::default());
        let (cuts, goes_up) = (cut.clone(), up.clone());
        tokio::spawn(async move {
            while let Ok((mut phone, _)) = listener.accept().await {
                let (server, mut is_cut) = (server.clone(), is_cut.clone());
                let (cuts, goes_up) = (cuts.clone(), goes_up.clone());
                if *is_cut.borrow() {
                    continue;
                }
                tokio::spawn(async move {
                    let Ok(mut server) = TcpStream::connect(&server).await else {
                        return;
                    };
                    let (mut from_phone, mut to_phone) = phone.split();
                    let (mut from_server, mut to_server) = server.split();
                    tokio::select! {
                        _ = goes_up.carry(&mut from_phone, &mut to_server, &cuts) => {}
                        _ = tokio::io::copy(&mut from_server, &mut to_phone) => {}
                        _ = is_cut.wait_for(|cut| *cut) => {}
                    }
                });
            }
        });
        Self { base, cut, up }
    }

    /// Cuts itself when so many bytes more have gone up.
    fn cut_after(&self, bytes: u64) {
        let at = self.up.sent.load(Ordering::SeqCst) + bytes;
        self.up.cut_at.store(at, Ordering::SeqCst);
    }

    fn sent_up(&self) -> u64 {
        self.up.sent.load(Ordering::SeqCst)
    }

    fn cut(&self, is: bool) {
        self.cut.send(is).unwrap();
    }
}

impl Up {
    async fn carry(
        &self,
        from: &mut ReadHalf<'_>,
        to: &mut WriteHalf<'_>,
        cuts: &watch::Sender<bool>,
    ) -> std::io::Result<()> {
        let mut bytes = vec![0; 16 * 1024];
        loop {
            let n = from.read(&mut bytes).await?;
            if n == 0 {
                return Ok(());
            }
            to.write_all(&bytes[..n]).await?;
            let sent = self.sent.fetch_add(n as u64, Ordering::SeqCst) + n as u64;
            let cut_at = self.cut_at.load(Ordering::SeqCst);
            if cut_at > 0 && sent >= cut_at {
                self.cut_at.store(0, Ordering::SeqCst);
                let _ = cuts.send(true);
            }
        }
    }
}

/// A volunteer whose phone reaches the club by a wire, once its worker is at work.
async fn by_wire(club: &Club, wire: &Wire) -> Visitor {
    let kofi = club.visitor(Window::SmallPhone, Scripts::On).await;
    kofi.refusals.lock().unwrap().push("no network".to_owned());
    let kofi = Visitor {
        base: wire.base.clone(),
        ..kofi
    };
    kofi.open("/").await;
    kofi.press(&format!("Be the {}", Role::Volunteer.label()))
        .await;
    kofi.sees("You are signed in as this").await;
    kofi.wait_until("the worker", || async {
        kofi.script("return navigator.serviceWorker.controller !== null")
            .await
            == json!(true)
    })
    .await;
    kofi
}

/// The tab is killed, and another opened.
async fn tab_is_killed(kofi: &Visitor) {
    let other = kofi.client.new_window(true).await.unwrap();
    kofi.client.close_window().await.unwrap();
    kofi.client.switch_to_window(other.handle).await.unwrap();
}

async fn journeys(kofi: &Visitor, tag: &str) -> usize {
    let book = kofi.fetch(&format!("/instruments/{tag}/logbook.csv")).await;
    book.lines()
        .filter(|line| line.to_lowercase().contains("carried by hand"))
        .count()
}

async fn goes_offline(club: Club) {
    let wire = Wire::to(&club.base).await;
    let kofi = by_wire(&club, &wire).await;
    let session = begins(&kofi, "SC203A").await;
    for page in [
        "/shelf",
        "/instruments/M127",
        "/check-in/M127",
        session.as_str(),
    ] {
        kofi.open(page).await;
    }
    // Each is kept once it has been read through.
    kofi.wait_until("the pages to be kept", || async {
        let kept = kofi
            .client
            .execute_async(
                "const done = arguments[0]; caches.open('pages').then(p => p.keys()).then(k => done(k.length))",
                Vec::new(),
            )
            .await
            .unwrap();
        kept.as_u64().unwrap() >= 5
    })
    .await;
    let before = journeys(&kofi, "M127").await;

    wire.cut(true);
    for (page, says) in [("/shelf", "SC203B"), ("/instruments/M127", "M127")] {
        kofi.open(page).await;
        kofi.sees("No network. This page is as it was on").await;
        kofi.sees(says).await;
    }
    kofi.open("/due").await;
    kofi.sees("This page was not opened on this phone before")
        .await;
    // The display is switched without a network, and stays so.
    kofi.open("/shelf").await;
    kofi.press("Red").await;
    kofi.sees_red().await;
    kofi.open("/instruments/M127").await;
    let display = kofi
        .script("return document.documentElement.dataset.display")
        .await;
    assert_eq!(display, "red");
    kofi.photograph("condition-offline").await;

    // A check-in, and one more from the same kept page: two.
    for _ in 0..2 {
        kofi.open("/check-in/M127").await;
        kofi.tick("Carried by hand only").await;
        kofi.press("Save").await;
        kofi.sees("Kept on this phone").await;
    }
    tab_is_killed(&kofi).await;
    kofi.open(&session).await;
    kofi.sees("2 entries wait on this phone for the network")
        .await;
    kofi.press_in("//fieldset[@id='f-dark_clock']", "At 1")
        .await;
    kofi.press("Save, what next?").await;
    kofi.sees("Kept on this phone").await;
    kofi.photograph("kept").await;
    tab_is_killed(&kofi).await;

    wire.cut(false);
    kofi.open("/shelf").await;
    kofi.sees("3 entries kept on this phone were sent.").await;
    // The display chosen meanwhile is told too, and holds.
    kofi.open("/check-in").await;
    let display = kofi
        .script("return document.documentElement.dataset.display")
        .await;
    assert_eq!(display, "red");
    kofi.open("/shelf").await;
    assert_eq!(journeys(&kofi, "M127").await, before + 2);
    kofi.open(&session).await;
    kofi.sees("Before the first star check").await;
    // Sent once: nothing is left, and nothing comes twice.
    assert!(!kofi.sees_any("#unsent").await);

    // Another phone goes on with the session while this one has no network.
    kofi.press("Shade once more").await;
    wire.cut(true);
    kofi.press_in(
        "//details[@id='shade-test']//fieldset[@id='f-dark_clock']",
        "At 4",
    )
    .await;
    kofi.press("Save the shade").await;
    kofi.sees("Kept on this phone").await;
    let other = club
        .signed_in(Role::Coordinator, Window::SmallPhone, Scripts::On)
        .await;
    other.open(&session).await;
    other.press("Shade once more").await;
    other
        .press_in(
            "//details[@id='shade-test']//fieldset[@id='f-dark_clock']",
            "At 5",
        )
        .await;
    goes_on(&other, "Save the shade").await;
    let stands = place(&other).await;
    wire.cut(false);
    kofi.refusals
        .lock()
        .unwrap()
        .push(format!("{session}/shade"));
    for _ in 0..2 {
        kofi.open(&session).await;
        kofi.sees("Not taken: Step of a session").await;
        kofi.sees("Someone has gone on").await;
    }
    kofi.sees("dark clock 4").await;
    kofi.photograph("refused").await;
    assert_eq!(place(&kofi).await, stands, "nothing was added");
    kofi.press("Discard it").await;
    kofi.wait_until("nothing to be left", || async {
        !kofi.sees_any("#unsent").await
    })
    .await;

    // Signing out leaves no page behind.
    kofi.open("/shelf").await;
    kofi.go("Sign out").await;
    kofi.sees("You are signed out.").await;
    let left = kofi
        .client
        .execute_async(
            "const done = arguments[0]; caches.open('pages').then(p => p.keys())
               .then(k => done(k.map(r => new URL(r.url).pathname).filter(p => p !== '/kept/state')))",
            Vec::new(),
        )
        .await
        .unwrap();
    assert_eq!(left, json!([]));
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_network_pages_open_and_entries_are_kept_and_sent_once() {
    at_the_demo_club(goes_offline).await;
}

/// Copies of a frame, some kilobytes each, as many as make a set worth sending in pieces.
fn frames_in(folder: &std::path::Path, how_many: usize) -> (Vec<PathBuf>, u64) {
    let packed = std::fs::File::open(frame("sct-outside.fits.gz")).unwrap();
    let mut bytes = Vec::new();
    flate2::read::GzDecoder::new(packed)
        .read_to_end(&mut bytes)
        .unwrap();
    let files: Vec<PathBuf> = (0..how_many)
        .map(|n| {
            let file = folder.join(format!("night-{n:02}.fits"));
            std::fs::write(&file, &bytes).unwrap();
            file
        })
        .collect();
    (files, (bytes.len() * how_many) as u64)
}

/// Sets of frames of this instrument that the club has.
async fn sets(visitor: &Visitor, tag: &str) -> usize {
    let page = visitor
        .fetch(&format!("/instruments/{tag}/star-test"))
        .await;
    page.matches("href=\"/attempts/").count()
}

async fn sends_in_pieces(club: Club) {
    let folder = tempfile::tempdir().unwrap();
    let (files, bytes) = frames_in(folder.path(), 16);
    let wire = Wire::to(&club.base).await;
    let kofi = by_wire(&club, &wire).await;
    let page = "/instruments/SC203B/star-test";
    let before = sets(&kofi, "SC203B").await;
    let fills_in = async |pixel: &str| {
        kofi.open(page).await;
        kofi.give_files("frames", &files).await;
        kofi.pick("Side of focus", "Outside").await;
        kofi.choose("Camera", "Mono camera, green filter").await;
        kofi.fill("Pixel size", pixel).await;
    };
    // What the rest of a form, and the pages between, may take beside the frames.
    const BESIDE: u64 = 200_000;

    // The network goes midway; it comes back, and the page goes on and ends by itself.
    fills_in("4.8").await;
    let start = wire.sent_up();
    wire.cut_after(bytes / 2);
    kofi.press("Measure").await;
    kofi.sees("No network. It goes on by itself when there is one.")
        .await;
    kofi.photograph("sending").await;
    assert_eq!(sets(&club_side(&club).await, "SC203B").await, before);
    wire.cut(false);
    kofi.wait_until("the measuring to begin", || async {
        kofi.path().await.starts_with("/attempts/")
    })
    .await;
    let took = wire.sent_up() - start;
    assert!(took < bytes + BESIDE, "{took} bytes went up for {bytes}");
    kofi.open("/shelf").await;
    assert!(!kofi.sees_any("#unsent").await, "nothing waits any more");
    assert_eq!(sets(&kofi, "SC203B").await, before + 1);

    // It goes, and the tab is killed: another goes on where it stopped.
    fills_in("4.8").await;
    let start = wire.sent_up();
    wire.cut_after(bytes / 2);
    kofi.press("Measure").await;
    kofi.sees("You can leave this page: it is kept on this phone.")
        .await;
    tab_is_killed(&kofi).await;
    wire.cut(false);
    kofi.open("/shelf").await;
    kofi.sees("1 entry kept on this phone was sent.").await;
    let took = wire.sent_up() - start;
    assert!(took < bytes + BESIDE, "{took} bytes went up for {bytes}");
    assert_eq!(sets(&kofi, "SC203B").await, before + 2);

    // A form that comes back to be mended has its frames still.
    fills_in("forty").await;
    kofi.press("Measure").await;
    kofi.sees("Sent already: night-00.fits").await;
    let start = wire.sent_up();
    kofi.fill("Pixel size", "4.8").await;
    kofi.press("Measure").await;
    kofi.wait_until("the measuring to begin", || async {
        kofi.path().await.starts_with("/attempts/")
    })
    .await;
    assert!(wire.sent_up() - start < BESIDE, "they were not sent again");
    assert_eq!(sets(&kofi, "SC203B").await, before + 3);

    // Stopped by the hand: nothing was sent, and nothing waits.
    fills_in("4.8").await;
    wire.cut_after(bytes / 2);
    kofi.press("Measure").await;
    kofi.sees("No network. It goes on by itself").await;
    kofi.press("Stop").await;
    kofi.wait_until("it to stop", || async { !kofi.sees_any(".sending").await })
        .await;
    wire.cut(false);
    kofi.open("/shelf").await;
    assert!(!kofi.sees_any("#unsent").await);
    assert_eq!(sets(&kofi, "SC203B").await, before + 3);
}

/// A browser that reaches the club without the wire.
async fn club_side(club: &Club) -> Visitor {
    club.signed_in(Role::Coordinator, Window::SmallPhone, Scripts::On)
        .await
}

#[tokio::test(flavor = "multi_thread")]
async fn frames_go_up_in_pieces_and_go_on_where_they_stopped() {
    at_the_demo_club(sends_in_pieces).await;
}

/// A picture that does not pack well, of this many bytes at least once it is made small.
fn photo_in(folder: &std::path::Path, name: &str, side: u32) -> PathBuf {
    let mut state = 7_u32;
    let noise = image::RgbImage::from_fn(side, side, |_, _| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let grey = (state >> 24) as u8;
        image::Rgb([grey, grey / 2, 90])
    });
    let file = folder.join(name);
    noise.save(&file).unwrap();
    file
}

async fn photos(visitor: &Visitor, tag: &str) -> usize {
    let page = visitor.fetch(&format!("/instruments/{tag}")).await;
    page.matches("/small.jpg").count()
}

async fn entries(visitor: &Visitor, tag: &str, words: &str) -> usize {
    let book = visitor
        .fetch(&format!("/instruments/{tag}/logbook.csv"))
        .await;
    book.lines().filter(|line| line.contains(words)).count()
}

async fn keeps_photos_and_star_tests(club: Club) {
    let folder = tempfile::tempdir().unwrap();
    let small = photo_in(folder.path(), "cap.png", 120);
    let large = photo_in(folder.path(), "mirror.png", 1400);
    let wire = Wire::to(&club.base).await;
    let kofi = by_wire(&club, &wire).await;
    let (photos_before, tests_before) = (
        photos(&kofi, "M127").await,
        entries(&kofi, "M127", "star test").await,
    );
    for page in ["/instruments/M127", "/instruments/M127/star-test"] {
        kofi.open(page).await;
    }
    kofi.wait_until("the pages to be kept", || async {
        let kept = kofi
            .client
            .execute_async(
                "const done = arguments[0]; caches.open('pages').then(p => p.match('/instruments/M127/star-test')).then(k => done(!!k))",
                Vec::new(),
            )
            .await
            .unwrap();
        kept == json!(true)
    })
    .await;
    wire.cut(true);

    // A small photo goes with its form, a large one in pieces: both wait.
    let add = async |file: &PathBuf| {
        kofi.open("/instruments/M127").await;
        kofi.press("Add photos").await;
        kofi.give_files("photo", std::slice::from_ref(file)).await;
        kofi.sees("Sent as").await;
        kofi.press("Add").await;
    };
    add(&small).await;
    kofi.sees("Kept on this phone").await;
    add(&large).await;
    kofi.sees("You can leave this page: it is kept on this phone.")
        .await;
    tab_is_killed(&kofi).await;

    // Two star tests from the same kept page: two.
    for ratio in ["0.8", "0.9"] {
        kofi.open("/instruments/M127/star-test").await;
        kofi.press_in("//fieldset[@id='f-star_ratio']", ratio).await;
        kofi.fill("Magnification", "150").await;
        kofi.choose_starting(
            "Width of the donut: share of the field of view",
            "a quarter",
        )
        .await;
        kofi.press_in("//fieldset[@id='f-star_clock']", "At 4")
            .await;
        kofi.press("Save the star test").await;
        kofi.sees("Kept on this phone").await;
    }
    tab_is_killed(&kofi).await;
    wire.cut(false);
    kofi.open("/shelf").await;
    kofi.sees("4 entries kept on this phone were sent.").await;
    kofi.open("/shelf").await;
    assert!(!kofi.sees_any("#unsent").await, "nothing waits any more");
    assert_eq!(photos(&kofi, "M127").await, photos_before + 2);
    assert_eq!(entries(&kofi, "M127", "star test").await, tests_before + 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn photos_and_star_tests_are_kept_on_the_phone_and_sent_once() {
    at_the_demo_club(keeps_photos_and_star_tests).await;
}

/// A whole session in which the network goes at every step that is entered, and the tab is
/// killed each time before it comes back.
async fn loses_the_network_at_each_step(club: Club) {
    let wire = Wire::to(&club.base).await;
    let kofi = by_wire(&club, &wire).await;
    let session = begins(&kofi, "SC203A").await;
    let steps = std::sync::Mutex::new(Vec::new());
    let enter = async |button: &str| {
        let before = place(&kofi).await;
        wire.cut(true);
        kofi.press(button).await;
        kofi.sees("Kept on this phone").await;
        tab_is_killed(&kofi).await;
        wire.cut(false);
        kofi.open(&session).await;
        kofi.sees("1 entry kept on this phone was sent.").await;
        kofi.open(&session).await;
        assert!(!kofi.sees_any("#unsent").await, "{button} is sent once");
        assert_ne!(place(&kofi).await, before, "{button} counts");
        steps.lock().unwrap().push(button.to_owned());
    };
    kofi.press_in("//fieldset[@id='f-dark_clock']", "At 1")
        .await;
    kofi.press_in("//fieldset[@id='f-shade_side']", "Outside")
        .await;
    enter("Save, what next?").await;
    for round in 0..30 {
        assert!(round < 29, "no end: {:?}", steps.lock());
        match heading(&kofi).await.as_str() {
            "Before the first star check" => {
                kofi.choose("The donut fills", "a tenth").await;
                kofi.fill("Magnification", "200").await;
                kofi.press("Continue").await;
                kofi.sees("Where is the ring thinnest?").await;
                kofi.press_in("//fieldset[@id='f-star_clock']", "At 2")
                    .await;
                kofi.press_in("//fieldset[@id='f-star_ratio']", "6/10")
                    .await;
                enter("Save, what next?").await;
            }
            "Check these again" => {
                kofi.press("Continue").await;
                kofi.sees("Where is the ring thinnest?").await;
                enter("Even all round").await;
            }
            "Where is the ring thinnest?" => enter("Even all round").await,
            turn if turn.starts_with("Turn screw") => {
                while kofi.sees_any("a.key-main").await {
                    kofi.press("Done, next screw").await;
                }
                enter("Done, look again").await;
            }
            _ => {
                enter("Save and end").await;
                break;
            }
        }
    }
    kofi.sees("Now, at the tube").await;
    let steps = steps.into_inner().unwrap();
    for step in ["Save, what next?", "Done, look again", "Even all round"] {
        assert!(steps.iter().any(|s| s == step), "{steps:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_loses_the_network_at_each_step_and_nothing_else() {
    at_the_demo_club(loses_the_network_at_each_step).await;
}
