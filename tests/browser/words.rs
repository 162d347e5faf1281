//! One glance: how many words a page has, what its first view holds, that nothing
//! runs off a phone sideways, and that nothing moves while it loads; and the red
//! display is dim. The limits are the club's own (issue 16), no published source.

use serde_json::Value;
use tubewright::library::people::Role;

use super::club::{Club, at_the_demo_club};
use super::collimation::{begins, goes_on, heading};
use super::everyone::each_kind;
use super::pdf::pages;
use super::visitor::{Scripts, Visitor, Window};

/// What a page may have.
struct Held {
    name: &'static str,
    path: &'static str,
    /// Most words that can be seen.
    words: u64,
    /// What counts as a row.
    row: &'static str,
    /// Rows whole in the first view, at a desk and on a phone.
    rows: (u64, u64),
    /// What stood there before: words, rows at a desk; none where nobody counted.
    before: Option<(u64, u64)>,
}

const HELD: &[Held] = &[
    Held {
        name: "due",
        path: "/due",
        words: 500,
        row: ".due-table tbody tr",
        rows: (8, 3),
        before: Some((1244, 0)),
    },
    Held {
        name: "shelf",
        path: "/shelf",
        words: 450,
        row: ".shelf-rows > li",
        rows: (8, 4),
        before: Some((972, 0)),
    },
    Held {
        name: "instrument",
        path: "/instruments/SC203B",
        words: 250,
        row: ".verdict",
        rows: (1, 1),
        before: None,
    },
    Held {
        name: "logbook",
        path: "/instruments/SC203B/logbook",
        words: 600,
        row: ".course-art",
        rows: (1, 1),
        before: None,
    },
    Held {
        name: "today",
        path: "/",
        words: 350,
        row: ".day-card",
        rows: (4, 1),
        before: None,
    },
];

/// What was measured of a page.
struct Seen {
    words: u64,
    rows: u64,
    wide: u64,
    shift: f64,
}

async fn seen(visitor: &Visitor, held: &Held) -> Seen {
    visitor.open(held.path).await;
    let script = format!(
        "const done = arguments[arguments.length - 1]; const shifts = []; \
         new PerformanceObserver(l => shifts.push(...l.getEntries())).observe({{ type: 'layout-shift', buffered: true }}); \
         setTimeout(() => {{ \
           const rows = [...document.querySelectorAll('{}')].filter(e => {{ const r = e.getBoundingClientRect(); \
             return e.checkVisibility() && r.height > 0 && r.top >= 0 && r.bottom <= innerHeight; }}).length; \
           const words = document.body.innerText.split(/\\s+/).filter(w => /[\\p{{L}}\\p{{N}}]/u.test(w)).length; \
           done({{ words, rows, wide: document.documentElement.scrollWidth, \
             shift: shifts.filter(s => !s.hadRecentInput).reduce((sum, s) => sum + s.value, 0) }}); \
         }}, 800);",
        held.row
    );
    let told = visitor
        .client
        .execute_async(&script, Vec::new())
        .await
        .unwrap();
    let number = |name: &str| told[name].as_u64().unwrap();
    Seen {
        words: number("words"),
        rows: number("rows"),
        wide: number("wide"),
        shift: told["shift"].as_f64().unwrap(),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn each_page_says_its_one_thing_at_a_glance() {
    at_the_demo_club(|club| async move {
        let desk = signed_in(&club, Role::Coordinator, Window::SmallDesk).await;
        let phone = signed_in(&club, Role::Coordinator, Window::SmallPhone).await;
        let mut faults = Vec::new();
        println!(
            "page | words before | now | rows at 1280 x 800 before | now | at 360 x 740 | shift"
        );
        for held in HELD {
            let (at_desk, on_phone) = (seen(&desk, held).await, seen(&phone, held).await);
            desk.photograph(held.name).await;
            phone.photograph(held.name).await;
            let before = |which: fn((u64, u64)) -> u64| {
                held.before
                    .map_or_else(|| "not counted".to_owned(), |b| which(b).to_string())
            };
            println!(
                "{} | {} | {} | {} | {} | {} | {:.3} {:.3}",
                held.name,
                before(|b| b.0),
                at_desk.words,
                before(|b| b.1),
                at_desk.rows,
                on_phone.rows,
                at_desk.shift,
                on_phone.shift
            );
            let mut check = |fine: bool, words: String| {
                if !fine {
                    faults.push(format!("{}: {words}", held.name));
                }
            };
            let most = at_desk.words.max(on_phone.words);
            check(most <= held.words, format!("{most} words"));
            check(
                at_desk.rows >= held.rows.0,
                format!("{} rows at a desk", at_desk.rows),
            );
            check(
                on_phone.rows >= held.rows.1,
                format!("{} rows on a phone", on_phone.rows),
            );
            check(
                on_phone.wide <= 360,
                format!("{} px wide on a phone", on_phone.wide),
            );
            let shift = at_desk.shift.max(on_phone.shift);
            check(shift <= 0.05, format!("layout shift {shift}"));
        }
        assert!(faults.is_empty(), "{faults:#?}");

        // Fifteen instruments and where to write, and the committee's year, on two sheets of
        // either paper.
        desk.open("/due").await;
        let rows: Value = desk
            .script("return document.querySelectorAll('.due-table tbody tr').length")
            .await;
        assert!(rows.as_u64().unwrap() >= 15, "{rows}");
        for address in ["/due", "/year"] {
            desk.open(address).await;
            for paper in [super::due_list::A4, super::due_list::LETTER] {
                let sheets = pages(&desk.print(paper).await, club.folder()).len();
                assert!(sheets <= 2, "{address}: {sheets} sheets");
            }
        }
    })
    .await;
}

/// What a session's screen must hold without scrolling: its drawing or question, the
/// instruction, the one key, the way out and the way back.
const ONE_GLANCE: &str = "
    scrollTo(0, 0);
    const bar = document.querySelector('.act-bar').getBoundingClientRect();
    const key = document.querySelector('.act-bar .key-main').getBoundingClientRect();
    const words = document.body.innerText.split(/\\s+/).filter(w => /[\\p{L}\\p{N}]/u.test(w)).length
      - [...document.querySelectorAll('select')].filter(s => s.checkVisibility())
        .flatMap(s => [...s.options].filter(o => !o.selected))
        .flatMap(o => o.text.split(/\\s+/)).filter(w => /[\\p{L}\\p{N}]/u.test(w)).length;
    const hidden = [...document.querySelectorAll(arguments[0])].filter(e => e.checkVisibility()).filter(e => {
      const r = e.getBoundingClientRect(); return r.top < 0 || r.bottom > bar.top + 1 || r.left < 0 || r.right > innerWidth + 1; })
      .map(e => e.className + ' ' + Math.round(e.getBoundingClientRect().bottom) + ' ' + e.textContent.trim().slice(0, 30));
    const tops = [...document.querySelectorAll('.session-top :is(a, button)')].filter(e => e.checkVisibility()).map(e => e.textContent.trim());
    return { words, key: key.height, low: innerHeight - key.bottom, hidden, tops, seen: document.querySelectorAll(arguments[0]).length,
      wide: document.documentElement.scrollWidth - innerWidth, menu: document.querySelectorAll('nav').length };";

/// Looks at a session's screen: at most this many words, and what the selector finds
/// in the first view. Faults are added.
async fn glances(visitor: &Visitor, name: &str, most: u64, holds: &str, faults: &mut Vec<String>) {
    let seen = visitor
        .client
        .execute(ONE_GLANCE, vec![serde_json::json!(holds)])
        .await
        .unwrap();
    visitor.photograph(name).await;
    let at = format!("{name} at {:?}", visitor.window.size());
    println!("{at}: {} words", seen["words"]);
    let mut check = |fine: bool, words: &str| {
        if !fine {
            faults.push(format!("{at}: {words}: {seen}"));
        }
    };
    check(seen["words"].as_u64().unwrap() <= most, "too many words");
    check(
        seen["seen"].as_u64().unwrap() > 0,
        "what it is for is missing",
    );
    check(
        seen["hidden"] == serde_json::json!([]),
        "not in the first view",
    );
    check(seen["key"].as_f64().unwrap() >= 56.0, "the key is too low");
    let low = seen["low"].as_f64().unwrap();
    check((0.0..=110.0).contains(&low), "the key is not at the bottom");
    check(seen["wide"].as_i64().unwrap() <= 0, "runs off sideways");
    check(seen["menu"] == 0, "there is a menu");
    let tops = seen["tops"].to_string();
    check(
        tops.contains("Leave") && tops.contains("Undo"),
        "no way out or back",
    );
}

/// A session with a Schmidt-Cassegrain, until its end.
async fn goes_through(kofi: &Visitor, tag: &str) -> Vec<String> {
    let mut faults = Vec::new();
    begins(kofi, tag).await;
    kofi.press_in("//fieldset[@id='f-dark_clock']", "At 1")
        .await;
    kofi.press_in("//fieldset[@id='f-shade_side']", "Outside")
        .await;
    glances(
        kofi,
        "shade",
        120,
        ".act-do, .shade-clock, #f-shade_side",
        &mut faults,
    )
    .await;
    goes_on(kofi, "Save, what next?").await;
    glances(
        kofi,
        "setup",
        120,
        "h1, #f-star_share_of_field, #f-star_side, #f-star_seeing",
        &mut faults,
    )
    .await;
    kofi.choose("The donut fills", "a tenth").await;
    kofi.fill("Magnification", "200").await;
    kofi.press("Continue").await;
    kofi.sees("Where is the ring thinnest?").await;
    let check = "h1, .check-clock, .check-cards, .check-kept";
    glances(kofi, "star-check", 120, check, &mut faults).await;
    // Three taps.
    kofi.press_in("//fieldset[@id='f-star_clock']", "At 2")
        .await;
    kofi.press_in("//fieldset[@id='f-star_ratio']", "6/10")
        .await;
    goes_on(kofi, "Save, what next?").await;
    let turn = ".act-art, .act-do, .act-mind, .act-why";
    let mut screws = 0;
    while heading(kofi).await.starts_with("Turn screw") {
        screws += 1;
        glances(
            kofi,
            &format!("adjustment-{screws}"),
            120,
            turn,
            &mut faults,
        )
        .await;
        if !kofi.sees_any("a.key-main").await {
            goes_on(kofi, "Done, look again").await;
            break;
        }
        kofi.press("Done, next screw").await;
    }
    assert!(screws > 0, "nothing is turned");
    for _ in 0..8 {
        match heading(kofi).await.as_str() {
            "Where is the ring thinnest?" => {
                glances(kofi, "star-check-again", 120, check, &mut faults).await;
                goes_on(kofi, "Even all round").await;
            }
            "Check these again" => {
                glances(kofi, "setup-again", 120, "h1, .act-mind", &mut faults).await;
                kofi.press("Continue").await;
                kofi.sees("Where is the ring thinnest?").await;
            }
            _ => break,
        }
    }
    glances(kofi, "stop", 120, "h1, .pair", &mut faults).await;
    kofi.press("Save and end").await;
    kofi.sees("Now, at the tube").await;
    glances(kofi, "ended", 120, "h1, .pair, .ended-now", &mut faults).await;
    faults
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_shows_one_thing_with_one_key_in_reach_of_a_thumb() {
    at_the_demo_club(|club| async move {
        let phone = signed_in(&club, Role::Volunteer, Window::SmallPhone).await;
        let mut faults = goes_through(&phone, "SC203A").await;
        let desk = signed_in(&club, Role::Volunteer, Window::SmallDesk).await;
        faults.extend(goes_through(&desk, "SC235").await);
        assert!(faults.is_empty(), "{faults:#?}");
    })
    .await;
}

async fn signed_in(club: &Club, role: Role, window: Window) -> Visitor {
    club.signed_in(role, window, Scripts::On).await
}

#[tokio::test(flavor = "multi_thread")]
async fn the_red_display_is_dim_and_one_tap_away() {
    at_the_demo_club(|club| async move {
        let mut faults = Vec::new();
        // One page of each kind that there is.
        let ingrid = signed_in(&club, Role::Coordinator, Window::SmallPhone).await;
        let pages = each_kind(&ingrid).await;
        assert!(pages.len() > 40, "{pages:?}");
        ingrid.open("/shelf").await;
        ingrid.press("Red").await;
        ingrid.sees_red().await;
        for path in pages {
            faults.extend(too_bright(&ingrid, &path).await);
        }
        let kofi = signed_in(&club, Role::Volunteer, Window::SmallPhone).await;
        kofi.press("Red").await;
        kofi.sees_red().await;
        kofi.open("/instruments/SC203A/star-test").await;
        let measured = kofi
            .script("return document.querySelector('a[href^=\"/attempts/\"]').getAttribute('href')")
            .await;
        let loans = "/loans?show=overdue";
        for path in ["/", measured.as_str().unwrap(), "/labels?tags=M127", loans] {
            faults.extend(too_bright(&kofi, path).await);
        }
        for path in in_session(&kofi).await {
            faults.extend(too_bright(&kofi, &path).await);
        }
        assert!(faults.is_empty(), "brighter than (120, 0, 0): {faults:#?}");
        // Another tap, and it is day again.
        kofi.open("/shelf").await;
        kofi.press("Day").await;
        let display = kofi
            .script("return document.documentElement.dataset.display")
            .await;
        assert_eq!(display, "day");
    })
    .await;
}

/// Screens of a session that has just begun.
async fn in_session(kofi: &Visitor) -> Vec<String> {
    let path = begins(kofi, "SC235").await;
    ["", "?without=shade", "?setup=done&view=look&star_rings=6"]
        .map(|more| format!("{path}{more}"))
        .to_vec()
}

/// What is brighter on a page than the red display may be, with every fold open, so
/// that forms and plots are looked at too.
async fn too_bright(kofi: &Visitor, path: &str) -> Vec<String> {
    let mut faults = Vec::new();
    kofi.open(path).await;
    kofi.script("for (const d of document.querySelectorAll('details')) d.open = true")
        .await;
    let height = kofi
        .script("return document.documentElement.scrollHeight")
        .await;
    let height = height.as_u64().unwrap();
    let mut top = 0;
    while top < height.min(4000) {
        kofi.script(&format!("scrollTo(0, {top})")).await;
        let png = kofi.client.screenshot().await.unwrap();
        let picture = image::load_from_memory(&png).unwrap().to_rgb8();
        let worst = picture.pixels().fold([0_u8; 3], |worst, p| {
            [worst[0].max(p[0]), worst[1].max(p[1]), worst[2].max(p[2])]
        });
        if worst[0] > 120 || worst[1] > 0 || worst[2] > 0 {
            faults.push(format!("{path} at {top} px: {worst:?}"));
        }
        top += 700;
    }
    faults
}

/// The practice game, from the session's own fold, in taps; and the menu has as few
/// places as each needs (the club's own numbers: 7, 4 and 3 with the start page).
#[tokio::test(flavor = "multi_thread")]
async fn practice_is_a_game_and_the_menu_is_short() {
    at_the_demo_club(|club| async move {
        for (role, most) in [
            (Role::Member, 3),
            (Role::Volunteer, 4),
            (Role::Coordinator, 7),
        ] {
            let visitor = signed_in(&club, role, Window::SmallDesk).await;
            let places = visitor
                .script(
                    "return [...document.querySelectorAll('.nav-list a')].map(a => a.textContent)",
                )
                .await;
            assert!(
                places.as_array().unwrap().len() <= most,
                "{role:?}: {places}"
            );
        }
        let kofi = signed_in(&club, Role::Volunteer, Window::SmallPhone).await;
        kofi.open("/practice").await;
        kofi.press("Two minutes of rings").await;
        let mut faults = Vec::new();
        glances_at_practice(&kofi, &mut faults).await;
        // Nothing tapped: what is missing is said.
        kofi.press_in("//fieldset[contains(@class, 'check-clock')]", "At 2")
            .await;
        kofi.press("Next").await;
        kofi.sees("tap the side and a ratio").await;
        for ring in 1..=6 {
            kofi.sees(&format!("ring {ring} of 6")).await;
            kofi.press_in("//fieldset[contains(@class, 'check-clock')]", "At 2")
                .await;
            kofi.press_in("//div[contains(@class, 'check-cards')]", "7/10")
                .await;
            kofi.press("Next").await;
        }
        kofi.sees("of 6 within an hour").await;
        kofi.photograph("practice-end").await;
        assert!(faults.is_empty(), "{faults:#?}");
    })
    .await;
}

/// The game's screen holds what it needs in the first view; it has no Undo.
async fn glances_at_practice(kofi: &Visitor, faults: &mut Vec<String>) {
    let seen = kofi
        .client
        .execute(
            ONE_GLANCE,
            vec![serde_json::json!("h1, .check-clock, .check-cards")],
        )
        .await
        .unwrap();
    kofi.photograph("practice").await;
    if seen["words"].as_u64().unwrap() > 120 || seen["hidden"] != serde_json::json!([]) {
        faults.push(seen.to_string());
    }
}
