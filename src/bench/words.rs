//! Advice in words.

use super::advice::{Adjustment, PARTS, Purpose};
use super::mechanical::Stage;
use super::plan::Work;
use super::response::Noticed;
use super::screw::{Element, Mechanism, Screw};

/// One thing for the hand to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Instruction {
    /// Which screw, by its place in the list.
    pub screw: usize,
    /// "S2, at 4 o'clock".
    pub name: String,
    /// Whether clockwise, as seen facing the screw.
    pub clockwise: bool,
    /// "3/16 turn".
    pub amount: String,
    /// Degrees, without sign.
    pub degrees: f64,
    /// The whole sentence.
    pub sentence: String,
}

/// A clock position: "4 o'clock", "half past 4".
pub fn clock_words(deg: f64) -> String {
    let halves = (deg.rem_euclid(360.0) / 15.0).round() as i64 % 24;
    let hour = match halves / 2 {
        0 => 12,
        h => h,
    };
    if halves % 2 == 0 {
        format!("{hour} o\u{2019}clock")
    } else {
        format!("half past {hour}")
    }
}

/// An amount in sixty-fourths, without sign: "3/16 turn", "1 turn", "1 1/4 turns".
pub fn amount_words(parts: i32) -> String {
    let parts = parts.abs();
    let (whole, mut over, mut under) = (parts / PARTS, parts % PARTS, PARTS);
    while over > 0 && over % 2 == 0 {
        (over, under) = (over / 2, under / 2);
    }
    let turns = if parts > PARTS { "turns" } else { "turn" };
    match (whole, over) {
        (0, _) => format!("{over}/{under} {turns}"),
        (_, 0) => format!("{whole} {turns}"),
        _ => format!("{whole} {over}/{under} {turns}"),
    }
}

/// How a hand makes so fine an amount, or "".
fn by_hand_words(parts: i32) -> &'static str {
    match parts.abs() {
        1 => ": mark it on a paper scale around the screw",
        2 => ": two minutes on a clock face",
        p if p % 4 != 0 => ": count minutes on a clock face",
        _ => "",
    }
}

/// The instructions of a go, loosening before tightening.
pub fn instructions(adjustment: &Adjustment, screws: &[Screw]) -> Vec<Instruction> {
    let mut order: Vec<usize> = (0..screws.len().min(adjustment.parts.len()))
        .filter(|&i| adjustment.parts[i] != 0)
        .collect();
    order.sort_by_key(|&i| (adjustment.parts[i] > 0, i));
    order
        .into_iter()
        .map(|i| {
            let (screw, parts) = (&screws[i], adjustment.parts[i]);
            let clockwise = parts > 0;
            let name = if screw.label.is_empty() {
                format!("the screw at {}", clock_words(screw.clock_deg))
            } else {
                format!("{}, at {}", screw.label, clock_words(screw.clock_deg))
            };
            let amount = amount_words(parts);
            let degrees = f64::from(parts.abs()) / f64::from(PARTS) * 360.0;
            let verb = if clockwise { "Tighten" } else { "Loosen" };
            let way = if clockwise { "clockwise" } else { "anticlockwise" };
            let also = match screw.mechanism {
                Mechanism::PushPull if clockwise => {
                    " First give the push screw beside it the same turn the other way."
                }
                Mechanism::PushPull => {
                    " Then follow with the push screw beside it until it touches again."
                }
                _ => "",
            };
            Instruction {
                screw: i,
                sentence: format!(
                    "{verb} {name}: {amount} {way} as seen facing the screw ({degrees:.0}\u{b0}{}).{also}",
                    by_hand_words(parts)
                ),
                name,
                clockwise,
                amount,
                degrees,
            }
        })
        .collect()
}

/// What is to be expected after an adjustment: from the twentieth to the
/// nineteenth part of twenty.
pub fn expected_words(adjustment: &Adjustment, unit: &str, digits: usize) -> String {
    let [low, high] = adjustment.range_waves;
    format!(
        "Expected afterwards: about {:.digits$}; in 9 of 10 cases from {low:.digits$} to {high:.digits$} {unit}.",
        adjustment.expected_waves
    )
}

/// How far the star will jump: in widths of the donut, or in shares of the field
/// of an eyepiece.
pub fn jump_words(jump_arcmin: f64, donut_arcmin: f64, field_arcmin: f64) -> String {
    let widths = jump_arcmin / donut_arcmin.max(1e-9);
    if widths < 0.75 {
        "by less than its own width".to_owned()
    } else if widths < 1.5 {
        "by about its own width".to_owned()
    } else if jump_arcmin < 0.3 * field_arcmin {
        format!("by about {widths:.0} of its own widths")
    } else if jump_arcmin < 0.45 * field_arcmin {
        "across about a third of the field".to_owned()
    } else if jump_arcmin < 0.8 * field_arcmin {
        "across more than half of the field".to_owned()
    } else {
        "out of the field: use your lowest power to find it again".to_owned()
    }
}

/// True field of the eyepiece that a star test is made with, arc minutes: fifty
/// degrees of apparent field at the magnification that suits the aperture (common
/// practice, no source).
pub fn field_arcmin(magnification: f64) -> f64 {
    50.0 * 60.0 / magnification.max(1.0)
}

/// Why this adjustment.
pub fn purpose_words(adjustment: &Adjustment) -> &'static str {
    match adjustment.purpose {
        Purpose::Correct => "This should bring the ring closer to even.",
        Purpose::Learn => {
            "This turn is to find out which way the screws work; the star may look worse for it."
        }
        Purpose::Back => "The last turns made it worse: this goes back towards where it was best.",
    }
}

/// A stage in words.
pub fn work_words(work: Work) -> &'static str {
    match work {
        Work::Mechanical(Stage::Focuser) => "Focuser",
        Work::Mechanical(Stage::Secondary) => "Flat, by the laser",
        Work::Mechanical(Stage::Primary) => "Primary, by its mark",
        Work::Star(Element::Primary) => "Star: primary",
        Work::Star(Element::Secondary) => "Star: secondary",
        Work::Star(Element::ObjectiveCell) => "Star: objective",
        Work::Corners => "Corners of the field",
        Work::LookOnly => "A look at the star",
    }
}

/// What to do about something noticed.
pub fn noticed_words(noticed: Noticed) -> &'static str {
    match noticed {
        Noticed::TurnedWrongWay => {
            "The star answered as if the last turn had been made the other way round. Check before you go on: face the screw\u{2019}s head; clockwise is as seen from there. If you did turn it the other way, the advice already allows for it. If you are sure that you did not, make the shade test again."
        }
        Noticed::SideWrong => {
            "The star answers as if it stood on the other side of focus than was entered. Check: turn the focuser so that its tube moves out. If the donut grows, you are outside focus; if it shrinks, inside. Then come back to the same side. The advice allows for either."
        }
        Noticed::OneOfBoth => {
            "The last turn made the star worse where it should have helped: either the screw was turned the other way, or the star stands on the other side of focus than was told. Check the side of focus (move the focuser out: outside focus the donut grows), and say which way the star jumps at the next turn."
        }
        Noticed::DidNotMove => {
            "The star hardly moved: the screw took up its play. The next turn reckons with that; turn until the star moves in the eyepiece, and count from there."
        }
        Noticed::ShadeMisread => {
            "The star answers as if the picture lay otherwise than the shade test said. Either a shade was misread, or camera or diagonal has been turned since: make the shade test again when it suits."
        }
    }
}

/// Cautions for the moment before these turns are made; `glass` is whether the
/// front is closed by a corrector, `at_star` whether a star is looked at next
/// rather than a mark.
pub fn turning_cautions(
    element: Element,
    mechanism: Mechanism,
    parts: &[i32],
    glass: bool,
    at_star: bool,
) -> Vec<&'static str> {
    let mut all = vec!["Never force a screw. If it is tight, say so below and the advice changes."];
    match element {
        Element::Secondary => all.insert(
            0,
            if glass {
                "The screwdriver is over glass: hold it from the side, a hand under it, so that it cannot drop on the corrector. Nothing touches the corrector."
            } else {
                "The screwdriver is over the primary: tube level, held from the side, a hand under it, so that nothing can drop on the mirror."
            },
        ),
        Element::Primary => all.push(
            "Never leave the mirror loose: if a screw turns without resistance, stop and tighten the others first.",
        ),
        Element::ObjectiveCell => all.insert(
            0,
            "The screwdriver is over glass: hold it from the side so that it cannot drop on the lens.",
        ),
    }
    let several = parts.iter().filter(|p| **p != 0).count() > 1;
    let loosens = parts.iter().any(|p| *p < 0);
    match (mechanism, several) {
        (Mechanism::Pivot, true) => {
            all.push(
                "Loosen first, then tighten: all three must end snug, or the mirror may drop.",
            );
        }
        (Mechanism::Pivot, false) if loosens => {
            all.push(
                "Turn only this screw, and no further: it must stay snug, or the mirror may drop.",
            );
        }
        _ => {}
    }
    match (element, at_star) {
        (Element::Secondary, false) => all.insert(
            0,
            "The laser is off while a hand or a face is at the front; on again only to look at the spot.",
        ),
        (Element::Primary, false) => {
            all.push("By day the tube\u{2019}s front stays well away from the Sun.");
        }
        _ => {}
    }
    if at_star {
        all.push("Then step out of the light path: a warm hand before the tube bends the rings as a tilt does.");
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_said_as_shares_of_a_turn() {
        for (parts, words) in [
            (16, "1/4 turn"),
            (-8, "1/8 turn"),
            (12, "3/16 turn"),
            (4, "1/16 turn"),
            (2, "1/32 turn"),
            (1, "1/64 turn"),
            (6, "3/32 turn"),
            (-48, "3/4 turn"),
            (64, "1 turn"),
            (80, "1 1/4 turns"),
        ] {
            assert_eq!(amount_words(parts), words);
        }
    }

    #[test]
    fn loosening_comes_before_tightening() {
        let screws: Vec<Screw> = [0.0, 120.0, 240.0]
            .iter()
            .map(|&clock_deg| Screw {
                label: format!("S{clock_deg}"),
                element: Element::Secondary,
                clock_deg,
                pitch_mm: 0.7,
                lever_mm: 20.0,
                mechanism: Mechanism::Pivot,
            })
            .collect();
        let adjustment = Adjustment {
            parts: vec![8, -4, -4],
            purpose: Purpose::Correct,
            expected_waves: 0.0,
            range_waves: [0.0; 2],
        };
        let all = instructions(&adjustment, &screws);
        assert_eq!(all.len(), 3);
        assert!(!all[0].clockwise && !all[1].clockwise && all[2].clockwise);
        assert!(
            all[2]
                .sentence
                .contains("1/8 turn clockwise as seen facing the screw (45")
        );
        assert!(all[0].sentence.contains("S120, at 4 o\u{2019}clock"));
    }

    #[test]
    fn a_caution_does_not_contradict_the_instruction() {
        let said = |parts: &[i32]| {
            turning_cautions(Element::Secondary, Mechanism::Pivot, parts, true, true).join(" ")
        };
        assert!(said(&[8, -4, -4]).contains("Loosen first, then tighten"));
        assert!(said(&[0, -4, 0]).contains("Turn only this screw"));
        assert!(!said(&[0, -4, 0]).contains("all three"));
        assert!(!said(&[4, 0, 0]).contains("snug"));
    }

    /// A donut of ten waves on 200 mm is 45 arc seconds across (check values,
    /// section 3); at 200 times a plain eyepiece shows a quarter of a degree.
    #[test]
    fn a_jump_is_said_in_what_can_be_seen() {
        let field = field_arcmin(200.0);
        assert!((field - 15.0).abs() < 1e-9);
        for (arcmin, words) in [
            (0.3, "by less than its own width"),
            (0.7, "by about its own width"),
            (2.2, "by about 3 of its own widths"),
            (5.0, "across about a third of the field"),
            (9.0, "across more than half of the field"),
        ] {
            assert_eq!(jump_words(arcmin, 45.0 / 60.0, field), words);
        }
        assert!(jump_words(20.0, 0.75, field).starts_with("out of the field"));
    }

    #[test]
    fn clocks_are_said_to_the_half_hour() {
        for (deg, words) in [
            (0.0, "12 o\u{2019}clock"),
            (352.0, "half past 11"),
            (353.0, "12 o\u{2019}clock"),
            (45.0, "half past 1"),
            (210.0, "7 o\u{2019}clock"),
        ] {
            assert_eq!(clock_words(deg), words);
        }
    }
}
