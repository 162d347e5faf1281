//! A volunteer at the tube leads a whole collimation session by clicking: a wrong look is taken
//! back, the screws are turned as told, and the telescope, simulated by an exact
//! trace (`tests/studies/truth.rs`), ends in line.

use fantoccini::Locator;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use tubewright::bench::orientation::Side;
use tubewright::bench::screw::Element;
use tubewright::library::people::Role;
use tubewright::optics::wavefront::w131_from_coma;

use super::club::{Club, at_the_demo_club};
use super::truth::{KINDS, Kind, Method, Truth, to_hour};
use super::visitor::{Scripts, Visitor, Window};
use super::world::{MILD, World};

/// Its screws are those of the first of `KINDS`.
const TAG: &str = "SC203A";
/// What counts as in line, waves: Marechal's 1/14 (Born & Wolf, 9.3).
pub const LIMIT: f64 = 1.0 / 14.0;
/// The true field of the eyepiece, arc minutes.
const FIELD_ARCMIN: f64 = 15.0;
const SHARES: [(f64, &str); 10] = [
    (1.0 / 40.0, "a fortieth"),
    (1.0 / 30.0, "a thirtieth"),
    (1.0 / 20.0, "a twentieth"),
    (1.0 / 15.0, "a fifteenth"),
    (1.0 / 10.0, "a tenth"),
    (1.0 / 8.0, "an eighth"),
    (1.0 / 6.0, "a sixth"),
    (1.0 / 4.0, "a quarter"),
    (1.0 / 3.0, "a third"),
    (1.0 / 2.0, "half"),
];

fn hour(deg: f64) -> String {
    match (to_hour(deg) / 30.0).round() as i64 {
        0 => "12".to_owned(),
        hour => hour.to_string(),
    }
}

/// The place in the collimation session that the page's forms carry.
pub async fn place(kofi: &Visitor) -> Option<String> {
    let field = kofi.client.find(Locator::Css("input[name=at]")).await;
    field.ok()?.attr("value").await.ok()?
}

/// Presses a key and waits for the collimation session to have gone on.
pub async fn goes_on(kofi: &Visitor, key: &str) {
    let before = place(kofi).await;
    kofi.press(key).await;
    kofi.wait_until("the collimation session to go on", || async {
        let now = place(kofi).await;
        now.is_some() && now != before
    })
    .await;
}

/// The heading of the session's screen.
pub async fn heading(kofi: &Visitor) -> String {
    kofi.words_of("main h1").await
}

async fn shades(kofi: &Visitor, truth: &Truth, tube_deg: f64, rng: &mut ChaCha8Rng, key: &str) {
    let dark = hour(truth.shade(tube_deg, rng).picture_deg);
    kofi.press_in("//fieldset[@id='f-dark_clock']", &format!("At {dark}"))
        .await;
    kofi.press_in("//fieldset[@id='f-shade_side']", "Outside")
        .await;
    goes_on(kofi, key).await;
}

/// The ratio of the ring's thin side to its thick one with the donut this share of the
/// field wide. The edges of the shadow and of the donut stand apart by 6 N W131 (1 -
/// eps^2), so the widths are as 1 - s to 1 + s with s = 1.5 (1 + eps) W131 / W020
/// (geometric optics; design notes, section 4).
fn ratio_at(truth: &Truth, share: f64) -> f64 {
    let wide_rad = share * FIELD_ARCMIN / 60.0 * std::f64::consts::PI / 180.0;
    let w020 = wide_rad * truth.kind.aperture_mm / (8.0 * 0.55e-3);
    let skew =
        w131_from_coma(truth.coma_seen().norm()) * 1.5 * (1.0 + truth.kind.obstruction) / w020;
    (1.0 - skew) / (1.0 + skew)
}

/// Answers what is asked once a session: how wide the donut is, as far out of focus as
/// told, and farther where the last card would not do. Answers with the share.
async fn tells_the_width(kofi: &Visitor, truth: &Truth) -> f64 {
    let page = kofi.words().await;
    let (_, told) = page.split_once("the donut fills about ").unwrap();
    let asked = SHARES
        .iter()
        .find(|(_, words)| told.starts_with(&format!("{words} of the field")))
        .unwrap_or_else(|| panic!("no share in: {told}"))
        .0;
    let (share, words) = SHARES
        .into_iter()
        .find(|(share, _)| *share > 0.9 * asked && ratio_at(truth, *share) > 0.37)
        .unwrap();
    kofi.choose("The donut fills", words).await;
    if !kofi.sees_any("#f-star_true_field").await {
        kofi.press("Other ways to judge the width").await;
    }
    kofi.fill("True field", &FIELD_ARCMIN.to_string()).await;
    kofi.press_in("//fieldset[@id='f-star_side']", "Outside")
        .await;
    kofi.press("Continue").await;
    kofi.sees("Where is the ring thinnest?").await;
    share
}

/// A star check by taps: side, ratio, save. What was asked once is asked again only
/// where the tool gives a reason, or where the last card would not do. Answers with the
/// hour told, if any.
async fn checks(
    kofi: &Visitor,
    truth: &Truth,
    share: &mut f64,
    off_by_hours: f64,
) -> Option<String> {
    if heading(kofi).await != "Where is the ring thinnest?" {
        *share = tells_the_width(kofi, truth).await;
    } else if ratio_at(truth, *share) <= 0.37 {
        kofi.press("Change").await;
        kofi.sees("The donut fills").await;
        *share = tells_the_width(kofi, truth).await;
    }
    let ratio = (10.0 * ratio_at(truth, *share)).round() as i64;
    let card = match ratio {
        10 => "even".to_owned(),
        5 => "half".to_owned(),
        n => format!("{n}/10"),
    };
    let coma = truth.coma_seen();
    let thin = (-coma.x).atan2(-coma.y).to_degrees() + 30.0 * off_by_hours;
    if ratio == 10 {
        goes_on(kofi, "Even all round").await;
        return None;
    }
    let told = hour(thin);
    kofi.press_in("//fieldset[@id='f-star_clock']", &format!("At {told}"))
        .await;
    kofi.press_in("//fieldset[@id='f-star_ratio']", &card).await;
    goes_on(kofi, "Save, what next?").await;
    Some(told)
}

/// Turns the screws as the screens say, one at a time; answers with how far, in
/// sixty-fourths.
/// They go `way`: 1.0 as told, -1.0 all the wrong way round.
async fn turns(
    kofi: &Visitor,
    truth: &mut Truth,
    rng: &mut ChaCha8Rng,
    sitting: &Sitting,
    first: bool,
    way: f64,
) -> Vec<i32> {
    let field = kofi.client.find(Locator::Css("input[name=parts]")).await;
    let parts = field.unwrap().attr("value").await.unwrap().unwrap();
    let parts: Vec<i32> = parts.split(',').map(|p| p.parse().unwrap()).collect();
    assert!(
        parts.iter().all(|p| p.abs() <= sitting.most_parts),
        "over {} sixty-fourths: {parts:?}",
        sitting.most_parts
    );
    if first {
        let page = kofi.words().await;
        for said in ["Never force a screw", sitting.caution] {
            assert!(page.contains(said), "{said} is not in: {page}");
        }
    }
    // What loosens comes before what tightens, each on a screen of its own.
    let mut order: Vec<usize> = (0..3).filter(|i| parts[*i] != 0).collect();
    order.sort_by_key(|i| (parts[*i] > 0, *i));
    for (n, screw) in order.iter().enumerate() {
        let clockwise = if parts[*screw] > 0 {
            "clockwise"
        } else {
            "anticlockwise"
        };
        let name = sitting.screws[*screw];
        let wanted = format!("Turn screw {name} {clockwise}");
        kofi.sees(&wanted).await;
        // From the other side the drawing and the words turn over, and back.
        if n == 0 && first && sitting.kind.element == Element::Secondary {
            kofi.press("I stand behind").await;
            kofi.sees(&format!("Facing its head, that is {clockwise}."))
                .await;
            kofi.press("I stand in front").await;
            kofi.sees(&wanted).await;
        }
        if n + 1 < order.len() {
            kofi.press("Done, next screw").await;
        }
    }
    kofi.sees("The star will jump").await;
    let turned: Vec<f64> = parts.iter().map(|p| way * f64::from(*p) / 64.0).collect();
    let jumped = hour(truth.turn(&turned, rng));
    kofi.press("It jumped: which way?").await;
    kofi.choose(
        "Which way did the star jump in the picture?",
        &format!("{jumped} o\u{2019}clock"),
    )
    .await;
    goes_on(kofi, "Done, look again").await;
    parts
}

/// Opens a session with the instrument and goes through the list; answers with its
/// path.
pub async fn begins(kofi: &Visitor, tag: &str) -> String {
    kofi.open(&format!("/instruments/{tag}/collimation")).await;
    kofi.press("Start the collimation session").await;
    kofi.sees("Tick each when it is so").await;
    let collimation = kofi.path().await;
    let ticks = kofi.client.find_all(Locator::Css(".ticks label")).await;
    for tick in ticks.unwrap() {
        let words = tick.text().await.unwrap();
        kofi.tick(words.lines().next().unwrap()).await;
    }
    goes_on(kofi, "Start").await;
    collimation
}

/// One sitting: what stands on the bench, in which world, and how it is gone about.
pub struct Sitting {
    pub tag: &'static str,
    pub kind: Kind,
    pub world: World,
    pub seed: u64,
    /// Coma at the start, waves RMS, from and to.
    pub coma: (f64, f64),
    pub screws: [&'static str; 3],
    /// The most that may be asked of one screw, sixty-fourths of a turn.
    pub most_parts: i32,
    /// What is said where the hand is about to act.
    pub caution: &'static str,
    /// Which adjustment, from 0, is made the wrong way round.
    pub wrong_way: Option<usize>,
}

impl Sitting {
    /// The instrument of `TAG` in the mild world, everything done as told.
    pub const PLAIN: Self = Self {
        tag: TAG,
        kind: KINDS[0],
        world: MILD,
        seed: 20,
        coma: (0.25, 0.26),
        screws: ["A", "B", "C"],
        most_parts: 16,
        caution: "The tool is over glass",
        wrong_way: None,
    };

    /// As the register has it: a diagonal, and one tells the side of focus rightly.
    pub fn truth(&self, rng: &mut ChaCha8Rng) -> Truth {
        let mut truth = Truth::draw(self.kind, Method::Eye, self.world, self.coma, rng);
        (truth.side, truth.side_told) = (Side::Outside, Side::Outside);
        (truth.map.mirrored, truth.diagonal) = (false, true);
        truth
    }
}

/// What became of a sitting.
#[derive(Default)]
pub struct Sat {
    /// The heading of the last screen.
    pub title: String,
    /// The hour told at each star check, `None` for an even ring.
    pub told: Vec<Option<String>>,
    /// The turns of each adjustment, sixty-fourths.
    pub gone: Vec<Vec<i32>>,
    /// True coma before the first adjustment and after each, waves RMS.
    pub coma: Vec<f64>,
    /// What the pages noticed, by the adjustment after which they said so.
    pub noticed: Vec<(usize, String)>,
    /// After which adjustments the side of focus was asked for, and checked.
    pub side_checks: Vec<usize>,
}

/// Looks and turns as the screens say until they say something else.
pub async fn plays(
    kofi: &Visitor,
    sitting: &Sitting,
    truth: &mut Truth,
    share: &mut f64,
    rng: &mut ChaCha8Rng,
) -> Sat {
    let mut sat = Sat {
        coma: vec![truth.coma().norm()],
        ..Sat::default()
    };
    loop {
        sat.title = heading(kofi).await;
        for said in kofi.client.find_all(Locator::Css(".note")).await.unwrap() {
            sat.noticed
                .push((sat.gone.len(), said.text().await.unwrap()));
        }
        if sat.title.starts_with("Turn screw") {
            let is_first = sat.gone.is_empty();
            let way = match sitting.wrong_way == Some(sat.gone.len()) {
                true => -1.0,
                false => 1.0,
            };
            let parts = turns(kofi, truth, rng, sitting, is_first, way).await;
            sat.gone.push(parts);
            sat.coma.push(truth.coma().norm());
        } else if ["Where is", "Before the", "Check these"]
            .iter()
            .any(|start| sat.title.starts_with(start))
        {
            sat.told.push(checks(kofi, truth, share, 0.0).await);
            // The phone's back key loses nothing: what comes is how it stands.
            if sat.told.len() == 1 {
                let before = place(kofi).await;
                kofi.client.back().await.unwrap();
                kofi.wait_until("the same place", || async { place(kofi).await == before })
                    .await;
            }
        } else if sat.title == "Does the donut grow or shrink?" {
            kofi.photograph("side").await;
            sat.side_checks.push(sat.gone.len());
            let seen = match truth.side {
                Side::Inside => "It shrinks",
                _ => "It grows",
            };
            goes_on(kofi, seen).await;
        } else {
            return sat;
        }
        assert!(
            sat.told.len() + sat.gone.len() < 40,
            "it does not come to an end: {:?}",
            sat.coma
        );
    }
}

/// Two shades on the picture, so that the tool knows how it lies.
pub async fn shades_twice(kofi: &Visitor, truth: &Truth, rng: &mut ChaCha8Rng) {
    shades(kofi, truth, 0.0, rng, "Save, what next?").await;
    kofi.press("Shade once more").await;
    shades(kofi, truth, 90.0, rng, "Save the shade").await;
}

async fn sits(club: Club) {
    let sitting = Sitting::PLAIN;
    let mut rng = ChaCha8Rng::seed_from_u64(sitting.seed);
    let mut truth = sitting.truth(&mut rng);
    let kofi = club
        .signed_in(Role::Volunteer, Window::Phone, Scripts::On)
        .await;
    let collimation = begins(&kofi, TAG).await;
    shades_twice(&kofi, &truth, &mut rng).await;
    assert!(!kofi.words().await.contains("mirrored as it should be"));

    // The wrong hour is tapped, noticed, and undone.
    let mut share = 0.0;
    let wrong = checks(&kofi, &truth, &mut share, 5.0).await.unwrap();
    kofi.press("Undo").await;
    kofi.sees("Last entered: star check: coma").await;
    kofi.photograph("last-entered").await;
    goes_on(&kofi, "Undo it").await;
    kofi.sees("Undone.").await;

    let sat = plays(&kofi, &sitting, &mut truth, &mut share, &mut rng).await;
    let (title, told, gone) = (sat.title, sat.told, sat.gone);
    kofi.photograph("stop").await;
    assert_eq!(title, "Stop here: it is collimated");
    let left = truth.coma().norm();
    assert!(left <= LIMIT, "{left} waves are left");
    kofi.press("Save and end").await;
    kofi.sees("It is collimated.").await;
    for said in ["Now, at the tube", "Caps on.", "Borrowers will read"] {
        kofi.sees(said).await;
    }
    // How fine it is beyond that lies with chance.
    let read = kofi.words().await;
    let fit = ["Ready", "Usable with a limit"];
    assert!(fit.iter().any(|words| read.contains(words)), "{read}");
    kofi.photograph("ended").await;

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
        if words.starts_with("Star check") && !is_struck {
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
    assert_eq!(cell("how"), "collimated");
    assert_eq!(cell("adjustments"), gone.len().to_string());
    assert_eq!(cell("star checks"), told.len().to_string());
    let after: f64 = cell("coma after waves").parse().unwrap();
    assert!((after - left).abs() < 0.04, "{after} told, {left} is true");

    kofi.open(&format!("/instruments/{TAG}/logbook")).await;
    let mut book = kofi.words().await;
    assert!(book.contains("star checks. Coma 0."), "{book}");
    // Behind the session's star checks, which may fill a page.
    kofi.open(&format!("/instruments/{TAG}/logbook?page=2"))
        .await;
    book += &kofi.words().await;
    assert!(
        book.contains("Undone at the collimation session."),
        "{book}"
    );
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
