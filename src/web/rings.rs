//! Two minutes of rings: six simulated stars, each to be judged as in a star check; then
//! how well one judged, and which way one errs. All of it is in the address; nothing is
//! kept.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::collimation::draw::{donut_address, star_svg};
use super::extract::Query;
use super::page::{Layout, RequestContext, page, see_other};
use crate::bench::practice::OBSTRUCTION;
use crate::bench::words::clock_words;
use crate::optics::wavefront::w131_from_coma;

/// Rings to a game.
const RINGS: usize = 6;
/// Waves out of focus.
const W020: f64 = 8.0;
/// The ratios to choose among: as sent and in words.
const RATIOS: [(&str, &str); 7] = [
    ("1.0", "even"),
    ("0.9", "9/10"),
    ("0.8", "8/10"),
    ("0.7", "7/10"),
    ("0.6", "6/10"),
    ("0.5", "half"),
    ("0.4", "4/10"),
];

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
pub struct Asked {
    seed: String,
    /// Hours answered so far, "2,0,11": 0 for even.
    hours: String,
    /// Ratios answered so far, in tenths: "6,10,8".
    tenths: String,
    star_clock: String,
    star_ratio: String,
    even: String,
}

/// A ring as it is: ratio of thin to thick, and where it is thinnest, degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ring {
    ratio: f64,
    thin_deg: f64,
}

/// The rings of a game. Spread over the ratios, so that one learns of each.
fn game(seed: u64) -> Vec<Ring> {
    // The mixing function of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014).
    let mut state = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut next = move || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut rings: Vec<Ring> = (0..RINGS)
        .map(|i| Ring {
            ratio: 0.42 + 0.5 * (i as f64 + next()) / RINGS as f64,
            thin_deg: 360.0 * next(),
        })
        .collect();
    rings.sort_by(|a, b| a.thin_deg.total_cmp(&b.thin_deg));
    rings
}

impl Ring {
    /// Its picture: coma points away from the thin side, as much as makes the ratio
    /// (widths as 1 - s to 1 + s with s = 1.5 (1 + eps) W131 / W020).
    fn picture(self) -> String {
        let skew = (1.0 - self.ratio) / (1.0 + self.ratio);
        let size = skew * W020 / (1.5 * (1.0 + OBSTRUCTION)) / w131_from_coma(1.0);
        let (s, c) = self.thin_deg.to_radians().sin_cos();
        donut_address([-size * s, -size * c], W020, OBSTRUCTION)
    }
}

/// One answer beside what was so.
struct Answer {
    picture: String,
    said: String,
    was: String,
}

#[derive(Template)]
#[template(path = "collimation/rings.html")]
struct RingsPage {
    layout: Layout,
    number: usize,
    of: usize,
    picture: String,
    cards: Vec<(&'static str, &'static str, String)>,
    seed: u64,
    hours: String,
    tenths: String,
    missing: bool,
    answers: Vec<Answer>,
    verdict: Vec<String>,
}

fn listed(of: &str, most: i64) -> Vec<i64> {
    of.split(',')
        .filter_map(|n| n.trim().parse().ok())
        .filter(|n| (0..=most).contains(n))
        .take(RINGS)
        .collect()
}

/// From one clock direction to another, the short way, degrees.
fn off_deg(from: f64, to: f64) -> f64 {
    (to - from + 180.0).rem_euclid(360.0) - 180.0
}

/// What the answers say of the eye.
fn verdict(rings: &[Ring], hours: &[i64], tenths: &[i64]) -> Vec<String> {
    let sides: Vec<f64> = rings
        .iter()
        .zip(hours)
        .filter(|(_, hour)| **hour > 0)
        .map(|(ring, hour)| off_deg(ring.thin_deg, *hour as f64 * 30.0))
        .collect();
    let ratios: Vec<f64> = rings
        .iter()
        .zip(tenths)
        .map(|(ring, tenth)| *tenth as f64 / 10.0 - ring.ratio)
        .collect();
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len().max(1) as f64;
    let right = sides.iter().filter(|off| off.abs() <= 30.0).count();
    let bias = mean(&ratios);
    let mut words = vec![format!(
        "The thin side: {right} of {} within an hour.",
        rings.len()
    )];
    words.push(if bias > 0.05 {
        format!("You see rings more even than they are, by about {bias:.1}. Choose the next card.")
    } else if bias < -0.05 {
        format!(
            "You see rings less even than they are, by about {:.1}. Choose the card before.",
            -bias
        )
    } else {
        "How uneven they are: no bias to speak of.".to_owned()
    });
    words
}

/// The game.
pub async fn rings(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let Ok(seed) = asked.seed.trim().parse::<u64>() else {
        let fresh = rand::random::<u32>() % 1_000_000;
        return Ok(see_other(&format!("/practice/rings?seed={fresh}")));
    };
    let rings = game(seed);
    let (mut hours, mut tenths) = (listed(&asked.hours, 12), listed(&asked.tenths, 10));
    let done = hours.len().min(tenths.len());
    hours.truncate(done);
    tenths.truncate(done);
    let hour: Option<i64> = asked
        .star_clock
        .parse()
        .ok()
        .filter(|h| (1..=12).contains(h));
    let ratio: Option<f64> = asked.star_ratio.parse().ok();
    let answered = match (asked.even == "yes", hour, ratio) {
        (true, _, _) => Some((0, 10)),
        (false, Some(hour), Some(ratio)) => Some((hour, (ratio * 10.0).round() as i64)),
        _ => None,
    };
    let joined = |all: &[i64]| {
        all.iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(",")
    };
    if let (Some((hour, tenth)), true) = (answered, done < RINGS) {
        hours.push(hour);
        tenths.push(tenth.clamp(1, 10));
        return Ok(see_other(&format!(
            "/practice/rings?seed={seed}&hours={}&tenths={}",
            joined(&hours),
            joined(&tenths)
        )));
    }
    let said = |tenth: i64| {
        let value = format!("{:.1}", tenth as f64 / 10.0);
        RATIOS
            .iter()
            .find(|(sent, _)| *sent == value)
            .map_or(value.clone(), |(_, words)| (*words).to_owned())
    };
    page(&RingsPage {
        layout: context.layout("Two minutes of rings"),
        number: done + 1,
        of: RINGS,
        picture: rings
            .get(done)
            .map_or_else(String::new, |ring| ring.picture()),
        cards: RATIOS
            .iter()
            .map(|(sent, words)| {
                let ratio = sent.parse().unwrap_or(1.0);
                (*sent, *words, star_svg(OBSTRUCTION, ratio, 0.0, ""))
            })
            .collect(),
        seed,
        missing: !asked.star_clock.is_empty() || !asked.star_ratio.is_empty(),
        answers: rings
            .iter()
            .zip(hours.iter().zip(&tenths))
            .map(|(ring, (hour, tenth))| Answer {
                picture: ring.picture(),
                said: match hour {
                    0 => "even".to_owned(),
                    hour => format!("{hour} o\u{2019}clock, {}", said(*tenth)),
                },
                was: format!("{}, {:.2}", clock_words(ring.thin_deg), ring.ratio),
            })
            .collect(),
        verdict: if done == RINGS {
            verdict(&rings, &hours, &tenths)
        } else {
            Vec::new()
        },
        hours: joined(&hours),
        tenths: joined(&tenths),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_game_has_rings_of_all_kinds_and_tells_which_way_one_errs() {
        let rings = game(7);
        assert_eq!(rings.len(), RINGS);
        assert_ne!(rings, game(8));
        assert!(rings.iter().all(|r| (0.4..0.93).contains(&r.ratio)));
        let hours: Vec<i64> = rings
            .iter()
            .map(|r| match (r.thin_deg / 30.0).round() as i64 % 12 {
                0 => 12,
                hour => hour,
            })
            .collect();
        let answered = |add: f64| -> Vec<i64> {
            rings
                .iter()
                .map(|r| ((r.ratio + add) * 10.0).round() as i64)
                .collect()
        };
        let right = verdict(&rings, &hours, &answered(0.0));
        assert_eq!(right[0], "The thin side: 6 of 6 within an hour.");
        assert!(right[1].contains("no bias"), "{right:?}");
        let kind = verdict(&rings, &hours, &answered(0.15));
        assert!(kind[1].contains("more even than they are"), "{kind:?}");
        let hard = verdict(&rings, &hours, &answered(-0.15));
        assert!(hard[1].contains("less even than they are"), "{hard:?}");
    }
}
