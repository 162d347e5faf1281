//! Every page that the demo club has, on a phone: nothing sticks out sideways,
//! nothing is refused by the content policy, no script fails.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use axum::http::Method;
use tubewright::library::people::Role;
use tubewright::web;

use super::club::at_the_demo_club;
use super::visitor::{Scripts, Visitor, Window};

/// Where no plain link leads: files that pages show or scripts ask for,
/// sign-in link, and what is reached by sending a form.
const NOT_LINKED: &[&str] = &[
    "/attempts/{id}/pictures/{name}",
    "/pictures/donut.png",
    "/practice/donut.png",
    // Led to when a form met a closed door.
    "/unsent",
    // Led to when a collimation session is begun.
    "/collimations/{id}",
    // Led to when lists are sent, looked over and kept.
    "/import/{id}",
    "/import/{id}/check",
    "/imports/{id}",
    // Led to when something was reported; the desk's list leads to what came.
    "/reported/{token}",
    "/reports/{id}",
    "/reports.csv",
    // Led to from the page of a thing that is out.
    "/things/{tag}/return",
    "/reports/{id}/full.jpg",
    "/reports/{id}/small.jpg",
    // Linked once a setting was changed, and once a paper is kept.
    "/club/history.csv",
    "/papers/{id}",
    // For those who watch the machine.
    "/health/live",
    "/health/ready",
    "/metrics",
    "/static/{*name}",
    // For who is not signed in, on the page to sign in; and for calendar programs.
    "/sign-in/link",
    "/calendar/{token}",
    // For the browser itself.
    "/service-worker.js",
    "/manifest.webmanifest",
    "/welcome/{token}",
    "/photos/{id}/small.jpg",
    "/shelf/finder.json",
    "/check-in.json",
    "/instruments/{tag}/qr.svg",
    // Led to while the stock is taken, and when it has ended.
    "/stock/{id}",
    "/stock/{id}/see",
    "/stock/{id}/report",
    "/stock/{id}/report.csv",
    // Shown while a second factor is set up.
    "/me/second-factor.svg",
    "/instruments/{tag}/edit/{version}",
    "/attempts/{id}/progress",
    "/attempts/{id}/picture.png",
];

/// Pages to begin from; the first leads to nearly all others.
pub const STARTS: &[&str] = &[
    "/",
    "/sign-in",
    "/check-in/SC203A/answer",
    // Linked once something is out for a public evening.
    "/outings/back?event=none",
    "/instruments/SC203A/waiting",
    "/instruments/A80",
    // Linked from a binocular's page alone.
    "/instruments/B70/barrels",
];

/// Whether a path is of a route's pattern, as axum writes it; fixed words
/// count more than parameters.
pub fn is_of(pattern: &str, path: &str) -> Option<usize> {
    let (mut pattern, mut path) = (pattern.split('/'), path.split('/'));
    let mut fixed = 0;
    loop {
        match (pattern.next(), path.next()) {
            (None, None) => return Some(fixed),
            (Some(word), Some(_)) if word.starts_with("{*") => return Some(fixed),
            (Some(word), Some(part)) if word.starts_with('{') && !part.is_empty() => {
                let rest = word.split_once('}').map_or("", |(_, rest)| rest);
                if !part.ends_with(rest) {
                    return None;
                }
            }
            (Some(word), Some(part)) if word == part => fixed += 1,
            _ => return None,
        }
    }
}

#[test]
fn a_path_finds_its_route() {
    assert_eq!(is_of("/loans/{id}", "/loans/7"), Some(2));
    assert_eq!(is_of("/loans/{id}", "/loans"), None);
    assert_eq!(is_of("/loans/{id}/sheet", "/loans/7/sheet"), Some(3));
    assert!(is_of("/people/new", "/people/new") > is_of("/people/{id}", "/people/new"));
    assert_eq!(is_of("/photos/{id}/small.jpg", "/photos/7/full.jpg"), None);
}

/// What sticks out of the window, if anything does.
pub async fn sticking_out(visitor: &Visitor) -> Vec<String> {
    let (width, _) = visitor.window.size();
    // A page that makes way for the next has no root for a moment.
    visitor
        .wait_until("a page", || async {
            let there = visitor.script("return document.body !== null").await;
            there.as_bool() == Some(true)
        })
        .await;
    let script = format!(
        "const w = {width}; if (document.documentElement.scrollWidth <= w) return []; \
         return ['the page is ' + document.documentElement.scrollWidth + ' px wide', \
           ...Array.from(document.body.querySelectorAll('*')).filter(e => e.getBoundingClientRect().right > w + 0.5 \
             && e.checkVisibility()).slice(0, 4).map(e => e.tagName + '.' + e.className + ': ' + e.textContent.trim().slice(0, 40))];"
    );
    serde_json::from_value(visitor.script(&script).await).unwrap()
}

pub async fn links(visitor: &Visitor) -> Vec<String> {
    let script = "return Array.from(document.querySelectorAll('a[href]')).map(a => new URL(a.href)) \
        .filter(u => u.origin === location.origin).map(u => u.pathname + u.search)";
    serde_json::from_value(visitor.script(script).await).unwrap()
}

/// Files are for saving or for a page to show; they are no screens.
pub fn is_file(path: &str) -> bool {
    [".csv", ".json", ".png", ".jpg", ".svg"]
        .iter()
        .any(|end| path.ends_with(end))
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_fits_a_phone_and_its_console_stays_quiet() {
    at_the_demo_club(|club| async move {
        let ingrid = club
            .signed_in(Role::Coordinator, Window::Phone, Scripts::On)
            .await;
        let patterns: Vec<&str> = web::routes()
            .iter()
            .filter(|route| route.method == Method::GET)
            .map(|route| route.path)
            .collect();
        let pattern_of = |path: &str| {
            patterns
                .iter()
                .filter_map(|p| is_of(p, path).map(|fixed| (fixed, *p)))
                .max()
                .map(|(_, p)| p)
        };
        // Two of each kind of page: the first may be a special case.
        let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
        let mut known: BTreeSet<String> = BTreeSet::new();
        let mut wide: Vec<String> = Vec::new();
        let mut queue: VecDeque<String> = STARTS.iter().map(|s| (*s).to_owned()).collect();
        while let Some(address) = queue.pop_front() {
            let path = address.split('?').next().unwrap_or_default();
            let pattern =
                pattern_of(path).unwrap_or_else(|| panic!("a link leads nowhere: {address}"));
            let times = seen.entry(pattern).or_default();
            *times += 1;
            if is_file(path) || *times > 2 {
                continue;
            }
            ingrid.open(&address).await;
            for words in sticking_out(&ingrid).await {
                wide.push(format!("{address}: {words}"));
            }
            for link in links(&ingrid).await {
                if known.insert(link.clone()) {
                    queue.push_back(link);
                }
            }
        }
        assert!(wide.is_empty(), "sticking out sideways: {wide:#?}");
        let missed: Vec<_> = patterns
            .iter()
            .filter(|p| !seen.contains_key(*p) && !NOT_LINKED.contains(p))
            .collect();
        assert!(missed.is_empty(), "no link leads to: {missed:?}");
    })
    .await;
}
