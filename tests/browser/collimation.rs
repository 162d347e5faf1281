//! A volunteer at the tube leads a whole collimation session by clicking: a wrong look is taken
//! back, the screws are turned as told, and the telescope, simulated by an exact
//! trace (`tests/studies/truth.rs`), ends in line.

use fantoccini::Locator;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use tubewright::bench::orientation::Side;
use tubewright::library::people::Role;
use tubewright::optics::wavefront::w131_from_coma;

use super::club::{Club, at_the_demo_club};
use super::truth::{KINDS, Method, Truth, to_hour};
use super::visitor::{Scripts, Visitor, Window};
use super::world::MILD;

/// Its screws are those of the first of `KINDS`.
const TAG: &str = "SC203A";
/// What counts as in line, waves: Marechal's 1/14 (Born & Wolf, 9.3).
const LIMIT: f64 = 1.0 / 14.0;
/// The true field of the eyepiece, arc minutes.
const FIELD_ARCMIN: f64 = 15.0;
const SHARES: [(f64, &str); 7] = [
    (1.0 / 40.0, "a fortieth"),
    (1.0 / 30.0, "a thirtieth"),
    (1.0 / 20.0, "a twentieth"),
    (1.0 / 15.0, "a fifteenth"),
    (1.0 / 10.0, "a tenth"),
    (1.0 / 8.0, "an eighth"),
    (1.0 / 6.0, "a sixth"),
];

fn hour(deg: f64) -> String {
    match (to_hour(deg) / 30.0).round() as i64 {
        0 => "12".to_owned(),
        hour => hour.to_string(),
    }
}

/// The place in the collimation session that the page's forms carry.
async fn place(kofi: &Visitor) -> Option<String> {
    let field = kofi.client.find(Locator::Css("input[name=at]")).await;
    field.ok()?.attr("value").await.ok()?
}

/// Presses a key and waits for the collimation session to have gone on.
async fn goes_on(kofi: &Visitor, key: &str) {
    let before = place(kofi).await;
    kofi.press(key).await;
    kofi.wait_until("the collimation session to go on", || async {
        let now = place(kofi).await;
        now.is_some() && now != before
    })
    .await;
}

async fn shades(kofi: &Visitor, truth: &Truth, tube_deg: f64, rng: &mut ChaCha8Rng) {
    let dark = hour(truth.shade(tube_deg, rng).picture_deg);
    let test = "//*[@id='shade-test']";
    let at = format!("{test}//fieldset[@id='f-dark_clock']");
    kofi.press_in(&at, &format!("At {dark}")).await;
    let side = format!("{test}//fieldset[@id='f-shade_side']");
    kofi.press_in(&side, "Outside").await;
    goes_on(kofi, "Note the shade").await;
}

/// Tells what is seen: the ring as a card shows it, its width as a share of the
/// field. The edges of the shadow and of the donut stand apart by 6 N W131 (1 - eps^2),
/// so the widths are as 1 - s to 1 + s with s = 1.5 (1 + eps) W131 / W020 (geometric
/// optics; design notes, section 4). Answers with the hour told, if any.
async fn tells_the_look(kofi: &Visitor, truth: &Truth, off_by_hours: f64) -> Option<String> {
    let told = kofi.words_of("#by-eye").await;
    let asked: f64 = told
        .split_once("a donut ")
        .and_then(|(_, rest)| rest.split_whitespace().next()?.parse().ok())
        .unwrap_or(50.0);
    let coma = truth.coma_seen();
    let ratio_at = |share: f64| {
        let wide_rad = share * FIELD_ARCMIN / 60.0 * std::f64::consts::PI / 180.0;
        let w020 = wide_rad * truth.kind.aperture_mm / (8.0 * 0.55e-3);
        let skew = w131_from_coma(coma.norm()) * 1.5 * (1.0 + truth.kind.obstruction) / w020;
        (1.0 - skew) / (1.0 + skew)
    };
    // As far out of focus as asked for, and farther where the last card would not do.
    let wanted = asked / 60.0 / FIELD_ARCMIN;
    let (share, words) = SHARES
        .into_iter()
        .find(|(share, _)| *share > 0.9 * wanted && ratio_at(*share) > 0.37)
        .unwrap();
    let ratio = format!("{:.1}", ratio_at(share));
    kofi.press_in("//fieldset[@id='f-star_ratio']", &ratio)
        .await;
    kofi.choose("Width of the donut: share of the field of view", words)
        .await;
    if !kofi.sees_any("#f-star_true_field").await {
        kofi.press("Other ways to judge it").await;
    }
    kofi.fill("True field", &FIELD_ARCMIN.to_string()).await;
    let thin = (-coma.x).atan2(-coma.y).to_degrees() + 30.0 * off_by_hours;
    let clock = "//fieldset[@id='f-star_clock']";
    let told = (ratio != "1.0").then(|| hour(thin));
    match &told {
        Some(hour) => kofi.press_in(clock, &format!("At {hour}")).await,
        None => kofi.press_in(clock, "Cannot tell").await,
    }
    kofi.press_in("//fieldset[@id='f-star_side']", "Outside")
        .await;
    told
}

/// Turns the screws as the page says; answers with how far, in sixty-fourths.
async fn turns(kofi: &Visitor, truth: &mut Truth, rng: &mut ChaCha8Rng) -> Vec<i32> {
    let field = kofi.client.find(Locator::Css("input[name=parts]")).await;
    let parts = field.unwrap().attr("value").await.unwrap().unwrap();
    let parts: Vec<i32> = parts.split(',').map(|p| p.parse().unwrap()).collect();
    // The words say the same: which screw, where, and which way.
    let words = kofi.words_of(".turn-list").await;
    let names = [
        "A, at 12 o\u{2019}clock",
        "B, at 4 o\u{2019}clock",
        "C, at 8 o\u{2019}clock",
    ];
    for (name, part) in names.iter().zip(&parts) {
        assert!(part.abs() <= 16, "over a quarter turn: {parts:?}");
        let verb = if *part > 0 { "Tighten" } else { "Loosen" };
        let named = words.contains(&format!("{verb} {name}"));
        assert_eq!(named, *part != 0, "{parts:?}: {words}");
    }
    let page = kofi.words().await;
    for said in [
        "Never force a screw",
        "it cannot drop on the corrector",
        "The star will jump",
    ] {
        assert!(page.contains(said), "{said} is not in: {page}");
    }
    let turned: Vec<f64> = parts.iter().map(|p| f64::from(*p) / 64.0).collect();
    let jumped = hour(truth.turn(&turned, rng));
    kofi.choose(
        "Which way did the star jump in the picture?",
        &format!("{jumped} o\u{2019}clock"),
    )
    .await;
    goes_on(kofi, "Turned, star centred again").await;
    parts
}

async fn sits(club: Club) {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    let mut truth = Truth::draw(KINDS[0], Method::Eye, MILD, (0.25, 0.26), &mut rng);
    // As the register has it: a diagonal, and one tells the side of focus rightly.
    (truth.side, truth.side_told) = (Side::Outside, Side::Outside);
    (truth.map.mirrored, truth.diagonal) = (false, true);

    let kofi = club
        .signed_in(Role::Volunteer, Window::Phone, Scripts::On)
        .await;
    kofi.open(&format!("/instruments/{TAG}")).await;
    kofi.press("Start a collimation session").await;
    kofi.press("Start the collimation session").await;
    kofi.sees("Tick each when it is so").await;
    let collimation = kofi.path().await;
    let ticks = kofi.client.find_all(Locator::Css(".ticks label")).await;
    for tick in ticks.unwrap() {
        let words = tick.text().await.unwrap();
        kofi.tick(words.lines().next().unwrap()).await;
    }
    goes_on(&kofi, "All so: begin").await;
    shades(&kofi, &truth, 0.0, &mut rng).await;
    kofi.press("Shade once more: it settles whether the picture is mirrored")
        .await;
    shades(&kofi, &truth, 90.0, &mut rng).await;
    assert!(!kofi.words().await.contains("mirrored as it should be"));

    // The wrong hour is tapped, noticed, and undone.
    let wrong = tells_the_look(&kofi, &truth, 5.0).await.unwrap();
    goes_on(&kofi, "Log the look").await;
    kofi.press_starting("Last noted: look: coma").await;
    kofi.photograph("last-noted").await;
    goes_on(&kofi, "Take it back").await;
    kofi.sees("Undone.").await;

    let (mut told, mut gone) = (Vec::new(), Vec::new());
    let title = loop {
        let title = kofi.words_of("main .panel-title").await;
        match title.as_str() {
            "Look" | "Look again" => {
                told.push(tells_the_look(&kofi, &truth, 0.0).await);
                goes_on(&kofi, "Log the look").await;
            }
            "Turn" => gone.push(turns(&kofi, &mut truth, &mut rng).await),
            _ => break title,
        }
        assert!(told.len() + gone.len() < 30, "it does not come to an end");
    };
    kofi.photograph("stop").await;
    assert_eq!(title, "Stop here: it is in line");
    let left = truth.coma().norm();
    assert!(left <= LIMIT, "{left} waves are left");
    kofi.press("End the collimation session").await;
    kofi.sees("The collimation session is in the logbook.")
        .await;
    kofi.sees("It ended in line.").await;

    // Written down as it was done, the wrong look struck out.
    kofi.open(&format!("{collimation}/sheet")).await;
    let struck = kofi.words_of("del").await;
    assert!(
        struck.contains(&format!("thin side at {wrong} o\u{2019}clock")),
        "{struck}"
    );
    let lines = kofi.client.find_all(Locator::Css(".sheet-line")).await;
    let mut looks = told.iter();
    let mut goes = gone.iter();
    for line in lines.unwrap() {
        let words = line.text().await.unwrap();
        let is_struck = line.find(Locator::Css("del")).await.is_ok();
        if words.starts_with("Look") && !is_struck {
            let seen = match looks.next().unwrap() {
                Some(hour) => format!("thin side at {hour} o\u{2019}clock"),
                None => "even all round".to_owned(),
            };
            assert!(words.contains(&seen), "{seen} is not in: {words}");
        } else if words.starts_with("Turned") {
            for (name, part) in ["A", "B", "C"].iter().zip(goes.next().unwrap()) {
                let turned = format!("{name} {}", f64::from(*part) / 4.0);
                assert!(words.contains(&turned), "{turned} is not in: {words}");
            }
        }
    }
    assert!(looks.next().is_none() && goes.next().is_none());

    let table = kofi.fetch(&format!("/collimations.csv?tag={TAG}")).await;
    let rows: Vec<Vec<&str>> = table
        .lines()
        .map(|row| row.trim_start_matches('\u{feff}').split(',').collect())
        .collect();
    let cell = |column: &str| {
        let at = rows[0].iter().position(|c| c.trim() == column).unwrap();
        rows[1][at].to_owned()
    };
    assert_eq!(cell("how"), "in line");
    assert_eq!(cell("turns of the screws"), gone.len().to_string());
    assert_eq!(cell("looks at the star"), told.len().to_string());
    let after: f64 = cell("coma after waves").parse().unwrap();
    assert!((after - left).abs() < 0.04, "{after} told, {left} is true");

    kofi.open(&format!("/instruments/{TAG}/logbook")).await;
    let book = kofi.words().await;
    assert!(
        book.contains("Undone at the collimation session."),
        "{book}"
    );
    assert!(book.contains("looks at the star. Coma 0."), "{book}");
    kofi.open(&format!("/instruments/{TAG}")).await;
    kofi.press("Last collimation session").await;
    let page = kofi.words().await;
    let (_, last) = page.split_once("Last collimation session").unwrap();
    // To three digits, of which the table has four.
    let (_, said) = last.split_once("before, ").unwrap();
    let said: f64 = said.split_whitespace().next().unwrap().parse().unwrap();
    assert!((said - after).abs() < 6e-4, "{after}: {last}");
    let stars = kofi.client.find_all(Locator::Css("img.pair-star")).await;
    assert_eq!(stars.unwrap().len(), 2, "before and after are drawn");
    kofi.photograph("instrument").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_whole_collimation_ends_in_line() {
    at_the_demo_club(sits).await;
}
