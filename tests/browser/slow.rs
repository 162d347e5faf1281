//! Over a slow phone link: 400 kbit/s and 400 ms to each answer, as Chromium itself makes
//! it and measures it. The limits (first page usable within 4 s, a second within 1.5 s) are
//! the club's own (issue 16), no published source; what a machine that is busy with other
//! work adds is allowed for, what goes over the wire is not.

use serde_json::json;
use tubewright::library::people::Role;

use super::club::at_the_demo_club;
use super::visitor::{Scripts, Visitor, Window};

/// Bytes a second of the link, and what each answer waits, s.
const BYTES_PER_S: f64 = 50_000.0;
const DELAY_S: f64 = 0.4;
/// How many times as long a busy machine may take as the link alone asks for.
const BUSY: f64 = 2.0;

/// What Chromium tells of a page.
struct Load {
    /// When its words were on the screen and its controls at work, s.
    usable_s: f64,
    /// What came over the wire: the page, and all that it is drawn with.
    page_bytes: f64,
    all_bytes: f64,
    /// Files fetched anew.
    files: u64,
}

async fn slow(visitor: &Visitor) {
    // The worker's own fetches are not slowed by a page's link; without it all are.
    visitor.devtools("Network.enable", json!({})).await;
    visitor
        .devtools("Network.setBypassServiceWorker", json!({ "bypass": true }))
        .await;
    visitor
        .devtools(
            "Network.emulateNetworkConditions",
            json!({ "offline": false, "latency": 1000.0 * DELAY_S, "downloadThroughput": BYTES_PER_S, "uploadThroughput": BYTES_PER_S }),
        )
        .await;
}

async fn load(visitor: &Visitor, path: &str) -> Load {
    visitor.open(path).await;
    let told = visitor
        .client
        .execute_async(
            "const done = arguments[arguments.length - 1]; setTimeout(() => {
               const page = performance.getEntriesByType('navigation')[0];
               const paint = performance.getEntriesByName('first-contentful-paint')[0];
               const files = performance.getEntriesByType('resource').filter(r => /\\.(css|js|woff2)/.test(r.name));
               done({ usable: Math.max(page.domContentLoadedEventEnd, paint.startTime), page: page.transferSize,
                 all: files.reduce((sum, r) => sum + r.transferSize, page.transferSize), files: files.filter(r => r.transferSize > 0).length }); }, 700);",
            Vec::new(),
        )
        .await
        .unwrap();
    Load {
        usable_s: told["usable"].as_f64().unwrap() / 1000.0,
        page_bytes: told["page"].as_f64().unwrap(),
        all_bytes: told["all"].as_f64().unwrap(),
        files: told["files"].as_u64().unwrap(),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slow_phone_link_is_enough() {
    at_the_demo_club(|club| async move {
        println!("page | usable, s | bytes of the page | of all | files fetched");
        let tell = |what: &str, l: &Load| {
            println!(
                "{what} | {:.2} | {:.0} | {:.0} | {}",
                l.usable_s, l.page_bytes, l.all_bytes, l.files
            );
        };
        // Who scans a label: nothing is here yet.
        let guest = club.visitor(Window::SmallPhone, Scripts::On).await;
        slow(&guest).await;
        let first = load(&guest, "/instruments/M127").await;
        tell("first: a label scanned", &first);
        assert!(first.files > 3, "nothing was here before");
        // Connecting, the page, its styles and scripts, which come side by side.
        let wire_s = 3.0 * DELAY_S + first.all_bytes / BYTES_PER_S;
        assert!(wire_s < 4.0, "{wire_s:.1} s on the wire alone");
        assert!(first.usable_s < 4.0 * BUSY, "{:.1} s", first.usable_s);

        let mut seconds = vec![("second: the shelf", load(&guest, "/shelf").await)];
        let volunteer = club
            .signed_in(Role::Volunteer, Window::SmallPhone, Scripts::On)
            .await;
        volunteer.open("/check-in").await;
        slow(&volunteer).await;
        for (what, path) in [
            ("second: today", "/"),
            ("second: a condition", "/instruments/SC203B"),
            ("second: check in", "/check-in/SC235"),
            ("second: due", "/due"),
        ] {
            seconds.push((what, load(&volunteer, path).await));
        }
        for (what, second) in &seconds {
            tell(what, second);
            // What a page needs of its own may come once; what all pages have is here.
            assert!(second.files <= 2, "{what}: {} files again", second.files);
            let wire_s = DELAY_S + second.page_bytes / BYTES_PER_S;
            assert!(wire_s < 1.5, "{what}: {wire_s:.2} s on the wire alone");
            assert!(
                second.usable_s < 1.5 * BUSY,
                "{what}: {:.2} s",
                second.usable_s
            );
        }
    })
    .await;
}
