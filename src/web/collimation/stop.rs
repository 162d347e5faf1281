//! Where a collimation session stops, what is left, and what that costs the observer.

use nalgebra::Vector2;

use super::super::show;
use super::draw::donut_address;
use crate::bench::advice::{NEAREST_WAVES, Stop, Why};
use crate::bench::corners::width_arcsec;
use crate::bench::loss::{brighter_side_deg, loss};
use crate::bench::words::clock_words;

/// Two pictures side by side.
pub struct Pictures {
    /// Collimated.
    pub should: String,
    /// As it looks.
    pub does: String,
    /// Beneath.
    pub caption: String,
}

/// One line of what is lost.
pub struct LossLine {
    /// What.
    pub what: String,
    /// As it is.
    pub now: String,
    /// Collimated.
    pub perfect: String,
}

/// The end.
pub struct StopView {
    /// Head.
    pub title: &'static str,
    /// Sentences.
    pub words: Vec<String>,
    /// What is lost.
    pub losses: Vec<LossLine>,
    /// First-ring pictures.
    pub ring: Option<Pictures>,
}

/// The end of a stage at a mark.
pub fn mark_done(stop: &Stop) -> StopView {
    StopView {
        title: if stop.why == Why::InLine {
            "This mark is centred"
        } else {
            "This is as near as the mark can be read"
        },
        words: vec![format!(
            "Left: {:.1} \u{b1} {:.1} mm. The star decides the rest.",
            stop.left_waves, stop.left_sigma_waves
        )],
        losses: Vec::new(),
        ring: None,
    }
}

/// The end of a stage at the star, for a collimation session and for the practice bench.
/// `coma` is what is left, in the picture as the observer sees it.
pub fn stop_words(
    stop: &Stop,
    coma: Vector2<f64>,
    aperture_mm: f64,
    obstruction: f64,
    threshold: f64,
) -> StopView {
    let chance = (100.0 * stop.chance_within).round().min(99.0);
    let l = loss(stop.left_waves, aperture_mm, obstruction);
    let (title, first) = match stop.why {
        Why::InLine => (
            "Stop here: it is collimated",
            "More turning could only make it worse.",
        ),
        Why::Unseen => (
            "Stop here: tonight shows no more",
            "What may be left is smaller than tonight\u{2019}s air, or the eye, can show.",
        ),
        Why::Coarse => (
            "Stop here: the screws are too coarse",
            "The smallest turn a hand can make would not bring it closer.",
        ),
        Why::Nothing => (
            "Nothing here to turn",
            if stop.chance_within > 0.7 {
                "The star check is saved; it is inside its limit."
            } else {
                "The star check is saved. It may be over its limit: someone qualified should look."
            },
        ),
    };
    let mut words = vec![
        first.to_owned(),
        format!("It shows {} of perfect.", show::percent(l.strehl)),
        format!(
            "Coma left: {:.3} \u{b1} {} waves RMS; limit {threshold:.3}. Chance that it is inside: {chance:.0}\u{a0}%.",
            stop.left_waves,
            show::waves_error(stop.left_sigma_waves)
        ),
    ];
    if stop.why == Why::Unseen && stop.left_sigma_waves > 0.6 * threshold {
        // An even ring ten waves out hides more than one at five.
        words.push(format!(
            "Nearer to focus more of it shows: check once more with a donut {:.0} arc seconds wide.",
            width_arcsec(NEAREST_WAVES, aperture_mm)
        ));
    } else if stop.why != Why::Nothing && stop.better_night {
        words.push("A steadier night is worth another collimation session.".to_owned());
    }
    let mut losses = vec![LossLine {
        what: "Peak brightness (Strehl ratio), coma alone".to_owned(),
        now: show::percent(l.strehl),
        perfect: show::percent(1.0),
    }];
    losses.extend(l.contrasts.iter().map(|c| LossLine {
        what: format!(
            "Contrast of detail {} arc seconds from stripe to stripe",
            show::trimmed(c.period_arcsec, 1)
        ),
        now: show::percent(c.with_coma),
        perfect: show::percent(c.in_line),
    }));
    StopView {
        title,
        words,
        losses,
        ring: Some(ring(coma, obstruction)),
    }
}

/// The star in focus, as it should look and as this coma makes it look: turned
/// as the observer sees it, since looks are told in the same picture.
fn ring(coma: Vector2<f64>, obstruction: f64) -> Pictures {
    let shown = coma * (3.0 / coma.norm().max(3.0));
    let told = if coma.norm() < 0.01 {
        "too little is left to show".to_owned()
    } else {
        format!(
            "with what is left, the ring is brighter towards {}, weaker or broken opposite",
            clock_words(brighter_side_deg([coma.x, coma.y]))
        )
    };
    Pictures {
        should: donut_address([0.0, 0.0], 0.0, obstruction),
        does: donut_address([shown.x, shown.y], 0.0, obstruction),
        caption: format!(
            "For the best nights: the star in focus, at the highest power the air bears. Left: collimated, the first ring is even all round. Right: {told}."
        ),
    }
}

/// The end of the stage at the corners.
pub fn corners_done(stop: &Stop) -> StopView {
    let left = format!(
        "Left between the middle and the edge: {:.3} \u{b1} {:.3} waves RMS of astigmatism that grows across the field.",
        stop.left_waves, stop.left_sigma_waves
    );
    let (title, first) = match stop.why {
        Why::InLine => (
            "The sides of the field are even",
            "The primary stands as it should, as far as this field shows.",
        ),
        Why::Unseen => (
            "This is as even as can be told",
            "What is left between the sides is smaller than ovals judged by eye can show.",
        ),
        Why::Coarse => (
            "The primary\u{2019}s screws are too coarse",
            "The smallest turn a hand can make would not bring the sides closer.",
        ),
        Why::Nothing => (
            "Nothing here to turn",
            "No optics of this instrument could be traced for its primary, so no screw can be named: if the sides differ much, it goes to someone qualified.",
        ),
    };
    StopView {
        title,
        words: vec![first.to_owned(), left],
        losses: Vec::new(),
        ring: None,
    }
}

/// How a collimation session ended, in sentences.
pub fn ended_words(
    why: Option<Why>,
    before: Option<(f64, f64)>,
    after: Option<(f64, f64)>,
    adjustments: usize,
    better_night: bool,
) -> Vec<String> {
    let mut words = vec![
        match why {
            Some(Why::InLine) => "It is collimated.",
            Some(Why::Unseen) => "That night\u{2019}s air, or the eye, could show no more.",
            Some(Why::Coarse) => "The screws could not be turned more finely.",
            Some(Why::Nothing) => "There was nothing to turn.",
            None => "It was ended before the advice was to stop.",
        }
        .to_owned(),
    ];
    words.push(before_after(before, after, adjustments));
    if better_night && why != Some(Why::Nothing) {
        words.push("A steadier night is worth another collimation session.".to_owned());
    }
    words
}

/// Before and after in one sentence.
pub fn before_after(
    before: Option<(f64, f64)>,
    after: Option<(f64, f64)>,
    adjustments: usize,
) -> String {
    let turns = match adjustments {
        0 => "nothing turned".to_owned(),
        1 => "1 adjustment".to_owned(),
        n => format!("{n} adjustments"),
    };
    // By eye the first look is known to a hundredth or two, from frames better.
    let first = before.map(|(b, bs)| {
        if bs < 0.01 {
            format!("{b:.3} \u{b1} {}", show::waves_error(bs))
        } else {
            format!("{b:.2} \u{b1} {bs:.2}")
        }
    });
    match (first, after) {
        (Some(first), Some((a, s))) => format!(
            "Coma {first} waves RMS before, {a:.3} \u{b1} {} after; {turns}.",
            show::waves_error(s)
        ),
        (Some(first), None) => format!("Coma {first} waves RMS before; {turns}."),
        _ => format!("No star check; {turns}."),
    }
}
