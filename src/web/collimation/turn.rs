//! What to turn.

use super::draw::tube_svg;
use super::log::Looked;
use crate::bench::advice::{Adjustment, Purpose, Tension};
use crate::bench::before::magnification;
use crate::bench::corners::width_arcsec;
use crate::bench::replay::SessionReplay;
use crate::bench::screw::{Element, Mechanism};
use crate::bench::words::{
    clock_words, expected_words, field_arcmin, instructions, jump_words, purpose_words,
    turning_cautions,
};

/// What to turn.
pub struct TurnView {
    /// Sentences, one for each screw.
    pub sentences: Vec<String>,
    /// What for.
    pub purpose: &'static str,
    /// Where the star will jump, or "".
    pub jump: String,
    /// Whether which way it jumped tells anything.
    pub asks_jump: bool,
    /// On the key that says it is done.
    pub done: &'static str,
    /// Cautions of the moment.
    pub cautions: Vec<&'static str>,
    /// The tube.
    pub svg: String,
    /// From where one faces the screws.
    pub faced_from: &'static str,
    /// Whether that is from behind, where the tube's clock runs the other way.
    pub from_behind: bool,
    /// As the form carries it.
    pub parts: String,
    /// Screws by label with how they tension.
    pub screws: Vec<(String, &'static str)>,
    /// How even the ring should be after it, or "".
    pub expected: String,
}

/// What to turn, for a collimation session and for the practice bench.
pub fn turn_view(
    course: &SessionReplay,
    adjustment: &Adjustment,
    at: Looked,
    glass: bool,
    aperture_mm: f64,
) -> TurnView {
    let screws = &course.footing().screws;
    let (element, mechanism) = screws
        .first()
        .map_or((Element::Secondary, Mechanism::Pivot), |s| {
            (s.element, s.mechanism)
        });
    let jump = match course.jump(&adjustment.parts) {
        Some((deg, arcmin)) if at != Looked::Mark => {
            let sure = course
                .response()
                .leading_map()
                .is_some_and(|(_, share)| share > 0.6);
            let donut = width_arcsec(10.0, aperture_mm) / 60.0;
            let field = field_arcmin(magnification(aperture_mm, None));
            let far = jump_words(arcmin, donut, field);
            if sure {
                format!(
                    "The star will jump {far}, towards {} in the picture. Bring it back to the centre before you look again.",
                    clock_words(deg)
                )
            } else {
                format!(
                    "The star will jump {far}. Note which way, then bring it back to the centre before you look again."
                )
            }
        }
        _ => String::new(),
    };
    TurnView {
        sentences: instructions(adjustment, screws)
            .into_iter()
            .map(|i| i.sentence)
            .collect(),
        purpose: match (adjustment.purpose, at) {
            (Purpose::Correct, Looked::Mark) => "This should bring the mark closer.",
            (Purpose::Correct, Looked::Corners) => {
                "This should even out the sides of the field. It puts the middle out of line: the secondary is done again on the star afterwards."
            }
            _ => purpose_words(adjustment),
        },
        asks_jump: at == Looked::Star && !jump.is_empty(),
        jump,
        cautions: turning_cautions(
            element,
            mechanism,
            &adjustment.parts,
            glass,
            at != Looked::Mark,
        ),
        done: match at {
            Looked::Mark => "Turned",
            _ => "Turned, star centred again",
        },
        svg: tube_svg(screws, Some(adjustment)),
        faced_from: element.faced_from(),
        from_behind: element == Element::Primary,
        parts: adjustment
            .parts
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(","),
        screws: screws
            .iter()
            .zip(course.tension())
            .map(|(s, f)| {
                (
                    format!("{}, at {}", s.label, clock_words(s.clock_deg)),
                    match f {
                        Tension::Even => "",
                        Tension::Tight => "tight",
                        Tension::Loose => "loose",
                    },
                )
            })
            .collect(),
        expected: match at {
            Looked::Star => expected_words(adjustment, "waves RMS", 2),
            Looked::Mark => expected_words(adjustment, "mm off", 0),
            Looked::Corners => expected_words(adjustment, "waves RMS between middle and edge", 2),
        },
    }
}
