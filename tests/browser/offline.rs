//! When the network goes: pages kept on the phone open, what is entered is kept and sent
//! once each in order, what the server refuses is shown and kept; the tab is killed on
//! the way, another phone goes on with the same session, and signing out leaves nothing.

use serde_json::json;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tubewright::library::people::Role;

use super::club::{Club, at_the_demo_club};
use super::collimation::{begins, goes_on, place};
use super::visitor::{Scripts, Visitor, Window};

/// The wire between a phone and the club, which can be cut: then what runs breaks off,
/// and nothing new comes through.
struct Wire {
    base: String,
    cut: watch::Sender<bool>,
}

impl Wire {
    async fn to(club: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let server = club.strip_prefix("http://").unwrap().to_owned();
        let (cut, is_cut) = watch::channel(false);
        tokio::spawn(async move {
            while let Ok((mut phone, _)) = listener.accept().await {
                let (server, mut is_cut) = (server.clone(), is_cut.clone());
                if *is_cut.borrow() {
                    continue;
                }
                tokio::spawn(async move {
                    let Ok(mut server) = TcpStream::connect(&server).await else {
                        return;
                    };
                    tokio::select! {
                        _ = tokio::io::copy_bidirectional(&mut phone, &mut server) => {}
                        _ = is_cut.wait_for(|cut| *cut) => {}
                    }
                });
            }
        });
        Self { base, cut }
    }

    fn cut(&self, is: bool) {
        self.cut.send(is).unwrap();
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
