//! For everyone: the rules of WCAG 2.2 AA as far as a program can tell (axe-core, in
//! `axe/`), on every page in each display and at two sizes; no sideways scrolling at
//! 320 px and at 200 % zoom; forced colours; reduced motion; a session by the keyboard
//! alone.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use axum::http::Method;
use serde_json::{Value, json};
use tubewright::library::people::Role;
use tubewright::web;

use super::club::at_the_demo_club;
use super::collimation::{begins, place};
use super::screens::{STARTS, is_file, is_of, links, sticking_out};
use super::visitor::{Scripts, Visitor, Window};

const AXE: &str = include_str!("axe/axe.min.js");

/// The levels of WCAG 2.2 AA, by axe's names.
const LEVELS: [&str; 5] = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

/// What breaks a rule on the page as it is shown now. In the red display, whose
/// brightest red may be 120 of 255, no two colours differ by the 4.5 to 1 of rule 1.4.3:
/// black beside it makes 2.0 to 1. It is a display beside others, chosen for the dark;
/// the rule is left out there and only there.
async fn broken_rules(visitor: &Visitor, display: &str) -> Vec<String> {
    let script = "const [levels, display, done] = arguments;
        document.documentElement.dataset.display = display;
        const rules = display === 'red' ? { 'color-contrast': { enabled: false } } : {};
        const still = document.createElement('style');
        setTimeout(() => axe.run(document, { runOnly: levels, rules, resultTypes: ['violations'], iframes: false })
          .then(r => done(r.violations.flatMap(v => v.nodes.slice(0, 3).map(n => v.id + ': ' + n.html.slice(0, 120)
            + ' ' + (n.any[0] || n.all[0] || n.none[0] || {}).message))), e => done([String(e)])), 180);";
    let told = visitor
        .client
        .execute_async(script, vec![json!(LEVELS), json!(display)])
        .await
        .unwrap();
    serde_json::from_value(told).unwrap()
}

/// One page of each kind that the demo club has, for a coordinator.
pub async fn each_kind(ingrid: &Visitor) -> Vec<String> {
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
    let mut seen: BTreeMap<&str, String> = BTreeMap::new();
    let mut known: BTreeSet<String> = BTreeSet::new();
    let mut queue: VecDeque<String> = STARTS.iter().map(|s| (*s).to_owned()).collect();
    while let Some(address) = queue.pop_front() {
        let path = address.split('?').next().unwrap_or_default();
        let Some(pattern) = pattern_of(path) else {
            continue;
        };
        if is_file(path) || seen.contains_key(pattern) {
            continue;
        }
        seen.insert(pattern, address.clone());
        ingrid.open(&address).await;
        for link in links(ingrid).await {
            if known.insert(link.clone()) {
                queue.push_back(link);
            }
        }
    }
    seen.into_values().collect()
}

/// Screens of a session that has just begun.
pub async fn session_screens(visitor: &Visitor, tag: &str) -> Vec<String> {
    let path = begins(visitor, tag).await;
    vec![
        path.clone(),
        format!("{path}?without=shade"),
        format!("{path}?setup=done&view=look&star_rings=6"),
        format!("{path}?view=air&without=shade"),
    ]
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_keeps_the_rules_in_each_display_and_at_both_sizes() {
    at_the_demo_club(|club| async move {
        let mut broken: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        let mut looked_at = 0;
        // Every page at both sizes, each in another display than the page before it; all of
        // the displays on every page where EVERY_DISPLAY is set (some ten minutes).
        let displays = ["day", "night", "red"];
        let all = std::env::var_os("EVERY_DISPLAY").is_some();
        for (window, tag) in [(Window::SmallPhone, "SC235"), (Window::SmallDesk, "SC203A")] {
            let ingrid = club.signed_in(Role::Coordinator, window, Scripts::On).await;
            // Colours change at once, so that none is judged on its way to another.
            let still =
                json!({ "features": [{ "name": "prefers-reduced-motion", "value": "reduce" }] });
            ingrid.devtools("Emulation.setEmulatedMedia", still).await;
            let mut pages = each_kind(&ingrid).await;
            pages.extend(session_screens(&ingrid, tag).await);
            for (n, page) in pages.into_iter().enumerate() {
                ingrid.open(&page).await;
                ingrid
                    .script("for (const d of document.querySelectorAll('details')) d.open = true")
                    .await;
                ingrid.client.execute(AXE, Vec::new()).await.unwrap();
                let turn = n + usize::from(window == Window::SmallDesk);
                for (at, display) in displays.into_iter().enumerate() {
                    if !all && at != turn % displays.len() {
                        continue;
                    }
                    looked_at += 1;
                    for fault in broken_rules(&ingrid, display).await {
                        broken
                            .entry(fault)
                            .or_default()
                            .insert(format!("{page} {display}"));
                    }
                }
            }
        }
        // The rules notice what breaks them.
        let ingrid = club
            .signed_in(Role::Coordinator, Window::SmallDesk, Scripts::On)
            .await;
        ingrid.open("/shelf").await;
        ingrid.client.execute(AXE, Vec::new()).await.unwrap();
        ingrid
            .script("document.querySelector('main').append(document.createElement('input'))")
            .await;
        let noticed = broken_rules(&ingrid, "day").await;
        assert!(
            noticed.iter().any(|f| f.starts_with("label")),
            "{noticed:?}"
        );
        println!("{looked_at} views");
        assert!(looked_at > 90, "{looked_at}");
        assert!(broken.is_empty(), "{broken:#?}");
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_runs_off_sideways_at_320_px_or_at_200_percent() {
    at_the_demo_club(|club| async move {
        let mut wide = Vec::new();
        for (window, tag) in [(Window::Narrow, "SC235"), (Window::Zoomed, "SC203A")] {
            let ingrid = club.signed_in(Role::Coordinator, window, Scripts::On).await;
            let mut pages = each_kind(&ingrid).await;
            pages.extend(session_screens(&ingrid, tag).await);
            for page in pages {
                ingrid.open(&page).await;
                for words in sticking_out(&ingrid).await {
                    wide.push(format!("{page} at {:?}: {words}", window.size()));
                }
            }
        }
        assert!(wide.is_empty(), "{wide:#?}");
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn forced_colours_show_what_is_chosen_and_reduced_motion_moves_nothing() {
    at_the_demo_club(|club| async move {
        let kofi = club
            .signed_in(Role::Volunteer, Window::SmallPhone, Scripts::On)
            .await;
        kofi.devtools(
            "Emulation.setEmulatedMedia",
            json!({ "features": [
                { "name": "forced-colors", "value": "active" },
                { "name": "prefers-reduced-motion", "value": "reduce" },
            ] }),
        )
        .await;
        let mut faults = Vec::new();
        for page in session_screens(&kofi, "SC235").await {
            kofi.open(&page).await;
            let told: Value = kofi
                .script(
                    "const seen = [...document.querySelectorAll('input[type=radio], input[type=checkbox]')]
                       .filter(e => e.checkVisibility() && getComputedStyle(e).opacity === '0').map(e => e.name + ' ' + e.value);
                     const moves = [...document.querySelectorAll('*')].filter(e => getComputedStyle(e).transitionDuration
                       .split(',').some(d => parseFloat(d) > 0)).map(e => e.tagName + '.' + e.className);
                     return { forced: matchMedia('(forced-colors: active)').matches, seen, moves: moves.slice(0, 3) };",
                )
                .await;
            kofi.photograph("forced").await;
            assert_eq!(told["forced"], true, "the display is forced: {told}");
            if told["seen"] != json!([]) || told["moves"] != json!([]) {
                faults.push(format!("{page}: {told}"));
            }
        }
        assert!(faults.is_empty(), "{faults:#?}");
    })
    .await;
}

/// Goes on with the Tab key until what the selector finds is in focus.
async fn tabs_to(kofi: &Visitor, css: &str) {
    let script = format!(
        "return !!document.activeElement && document.activeElement.matches({})",
        json!(css)
    );
    for _ in 0..120 {
        if kofi.script(&script).await == json!(true) {
            return;
        }
        keys(kofi, "\u{e004}").await;
    }
    panic!("the Tab key never comes to {css}: {}", kofi.words().await);
}

/// Keys pressed wherever the focus is.
async fn keys(kofi: &Visitor, pressed: &str) {
    let focus = kofi.client.active_element().await.unwrap();
    focus.send_keys(pressed).await.unwrap();
}

async fn enters(kofi: &Visitor, css: &str) {
    let before = (kofi.client.current_url().await.unwrap(), place(kofi).await);
    tabs_to(kofi, css).await;
    keys(kofi, "\u{e007}").await;
    kofi.wait_until("the next screen", || async {
        (kofi.client.current_url().await.unwrap(), place(kofi).await) != before
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_goes_by_the_keyboard_alone() {
    at_the_demo_club(|club| async move {
        let kofi = club
            .signed_in(Role::Volunteer, Window::SmallDesk, Scripts::On)
            .await;
        kofi.open("/instruments/SC235/collimation").await;
        enters(&kofi, "main form .key-main").await;
        let ticks = kofi
            .script("return [...document.querySelectorAll('input[name=ready]')].map(e => e.value)")
            .await;
        for code in ticks.as_array().unwrap() {
            tabs_to(&kofi, &format!("input[value={code}]")).await;
            keys(&kofi, " ").await;
        }
        enters(&kofi, ".act-bar .key-main").await;
        // Hours go round with the arrows, as radio buttons do.
        tabs_to(&kofi, "input[name=dark_clock]").await;
        keys(&kofi, "\u{e015}").await;
        enters(&kofi, ".act-bar .key-main").await;
        tabs_to(&kofi, "#f-star_magnification").await;
        keys(&kofi, "200").await;
        enters(&kofi, ".act-bar .key-main").await;
        kofi.sees("Where is the ring thinnest?").await;
        tabs_to(&kofi, "input[name=star_clock]").await;
        keys(&kofi, "\u{e015}").await;
        tabs_to(&kofi, "input[name=star_ratio]").await;
        for _ in 0..4 {
            keys(&kofi, "\u{e015}").await;
        }
        enters(&kofi, ".act-bar .key-main").await;
        // No side of focus was entered: it is asked for before the first turn.
        kofi.sees("Does the donut grow or shrink?").await;
        enters(&kofi, "button[name=side][value=outside]").await;
        kofi.sees("Turn screw").await;
        while kofi.sees_any("a.key-main").await {
            enters(&kofi, ".act-bar a.key-main").await;
        }
        enters(&kofi, ".act-bar button.key-main").await;
        kofi.sees("star check 2").await;
        // And back: Undo is a key like any other.
        tabs_to(&kofi, "button[popovertarget=undo]").await;
        keys(&kofi, "\u{e007}").await;
        kofi.sees("Last entered: turned").await;
        enters(&kofi, "#undo .key-main").await;
        kofi.sees("Turn screw").await;
    })
    .await;
}
