//! What to turn: one screw at a time.

use super::draw::{Stand, tube_from};
use super::log::Looked;
use crate::bench::adjustment::{Adjustment, Purpose, Tension};
use crate::bench::before::magnification;
use crate::bench::corners::width_arcsec;
use crate::bench::replay::SessionReplay;
use crate::bench::screw::Element;
use crate::bench::words::{
    Instruction, clock_words, expected_words, field_arcmin, instructions, jump_words,
    purpose_words, turning_cautions, way_words,
};

/// What to turn.
pub struct TurnView {
    /// The screw to turn now.
    pub step: Instruction,
    /// "clockwise" or "anticlockwise", as seen from where one stands.
    pub way: &'static str,
    /// The way as seen facing the screw, where one does not stand so, or "".
    pub facing: String,
    /// Which of how many, from 1.
    pub number: usize,
    /// How many screws are turned.
    pub of: usize,
    /// All of it, one sentence a screw.
    pub sentences: Vec<String>,
    /// What for.
    pub purpose: &'static str,
    /// Where the star will jump, or "".
    pub jump: String,
    /// Whether which way it jumped tells anything.
    pub asks_jump: bool,
    /// On the key that says it is done.
    pub done: &'static str,
    /// Cautions of the whole adjustment.
    pub cautions: Vec<&'static str>,
    /// Whether they are said at once: at the first screw of a stage's first adjustment.
    pub cautions_first: bool,
    /// The tube, with the screw of this step.
    pub svg: String,
    /// From where it is drawn.
    pub stand: Stand,
    /// As the form carries it.
    pub parts: String,
    /// Screws by label with how they tension.
    pub screws: Vec<(String, &'static str)>,
    /// How even the ring should be after it, or "".
    pub expected: String,
    /// What is read aloud.
    pub spoken: String,
}

impl TurnView {
    /// Whether this is the last screw of the adjustment.
    pub fn is_last(&self) -> bool {
        self.number == self.of
    }

    /// The next screw's place, from 1.
    pub fn next_number(&self) -> usize {
        self.number + 1
    }

    /// Degrees, as told.
    pub fn degrees(&self) -> String {
        format!("{:.0}\u{b0}", self.step.degrees)
    }
}

/// How an adjustment is looked at: at which screw of it, from where, and what else
/// the words rest on.
#[derive(Debug, Clone, Copy)]
pub struct At {
    /// What the stage looks at.
    pub looked: Looked,
    /// Whether the front is closed by glass.
    pub glass: bool,
    /// Aperture, mm.
    pub aperture_mm: f64,
    /// Which screw of it, from 0.
    pub step: usize,
    /// From where, if not facing the screws.
    pub stand: Option<Stand>,
}

/// What to turn, for a collimation session and for the practice bench; none where
/// nothing is turned.
pub fn turn_view(course: &SessionReplay, adjustment: &Adjustment, at: At) -> Option<TurnView> {
    let screws = &course.footing().screws;
    let element = screws.first().map_or(Element::Secondary, |s| s.element);
    let steps = instructions(adjustment, screws);
    let number = at.step.min(steps.len().saturating_sub(1));
    let step = steps.get(number)?.clone();
    let stand = at.stand.unwrap_or(Stand::facing(element));
    let over = stand.turns_over(element);
    let way = way_words(step.clockwise != over);
    let only: Vec<i32> = adjustment
        .parts
        .iter()
        .enumerate()
        .map(|(i, p)| if i == step.screw { *p } else { 0 })
        .collect();
    let jump = match course.jump(&adjustment.parts) {
        Some((deg, arcmin)) if at.looked != Looked::Mark => {
            let sure = course
                .response()
                .leading_map()
                .is_some_and(|(_, share)| share > 0.6);
            let donut = width_arcsec(10.0, at.aperture_mm) / 60.0;
            let field = field_arcmin(magnification(at.aperture_mm, None));
            let far = jump_words(arcmin, donut, field);
            if sure {
                format!(
                    "The star will jump {far}, towards {}. Centre it.",
                    clock_words(deg)
                )
            } else {
                format!("The star will jump {far}. Note which way, then centre it.")
            }
        }
        _ => String::new(),
    };
    let facing = if over {
        format!("Facing its head, that is {}.", step.way())
    } else {
        String::new()
    };
    let mut spoken = format!("Turn {} {way} by {}.", step.name, step.amount);
    for more in [step.by_hand.as_str(), step.also, step.caution] {
        if !more.is_empty() {
            spoken.push_str(&format!(" {more}"));
        }
    }
    Some(TurnView {
        way,
        facing,
        number: number + 1,
        of: steps.len(),
        sentences: steps.iter().map(Instruction::sentence).collect(),
        purpose: match (adjustment.purpose, at.looked) {
            (Purpose::Correct, Looked::Mark) => "It brings the mark closer.",
            (Purpose::Correct, Looked::Corners) => {
                "It evens out the sides of the field. The middle goes out of collimation: the secondary is done again afterwards."
            }
            _ => purpose_words(adjustment),
        },
        asks_jump: at.looked == Looked::Star && !jump.is_empty(),
        jump,
        cautions: turning_cautions(element, at.glass, at.looked != Looked::Mark),
        cautions_first: number == 0 && course.adjustments() == 0,
        done: "Done, look again",
        svg: tube_from(screws, &only, stand),
        stand,
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
        expected: match at.looked {
            Looked::Star => expected_words(adjustment, "waves RMS", 2),
            Looked::Mark => expected_words(adjustment, "mm off", 0),
            Looked::Corners => expected_words(adjustment, "waves RMS between middle and edge", 2),
        },
        spoken,
        step,
    })
}
