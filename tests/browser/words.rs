//! One glance: how many words a page has, what its first view holds, that nothing
//! runs off a phone sideways, and that nothing moves while it loads; and the red
//! display is dim. The limits are the club's own (issue 16), no published source.

use serde_json::Value;
use tubewright::library::people::Role;

use super::club::{Club, at_the_demo_club};
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

        // Fifteen instruments and where to write, on two sheets of either paper.
        desk.open("/due").await;
        let rows: Value = desk
            .script("return document.querySelectorAll('.due-table tbody tr').length")
            .await;
        assert!(rows.as_u64().unwrap() >= 15, "{rows}");
        for paper in [super::due_list::A4, super::due_list::LETTER] {
            let sheets = pages(&desk.print(paper).await, club.folder()).len();
            assert!(sheets <= 2, "{sheets} sheets");
        }
    })
    .await;
}

async fn signed_in(club: &Club, role: Role, window: Window) -> Visitor {
    club.signed_in(role, window, Scripts::On).await
}

#[tokio::test(flavor = "multi_thread")]
async fn the_red_display_is_dim_and_one_tap_away() {
    at_the_demo_club(|club| async move {
        let kofi = signed_in(&club, Role::Volunteer, Window::SmallPhone).await;
        kofi.press("Red").await;
        let mut faults = Vec::new();
        for path in [
            "/",
            "/shelf",
            "/due",
            "/due/ahead",
            "/instruments/SC203B",
            "/instruments/SC203B/logbook",
            "/instruments/SC203B/star-test",
            "/check-in/SC235",
            "/practice",
            "/loans?show=overdue",
        ] {
            kofi.open(path).await;
            // With every fold open, so that forms and plots are looked at too.
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
