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
    /// "three sixteenths of a turn".
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

/// An amount in sixty-fourths, without sign, in sixteenths.
pub fn amount_words(parts: i32) -> String {
    let parts = parts.abs();
    let sixteenths = parts / 4;
    let whole = match sixteenths {
        0 => None,
        1 => Some("a sixteenth"),
        2 => Some("an eighth"),
        3 => Some("three sixteenths"),
        4 => Some("a quarter"),
        _ => None,
    };
    let rest = match parts % 4 {
        0 => None,
        1 => Some("a quarter"),
        2 => Some("half"),
        _ => Some("three quarters"),
    };
    match (whole, rest) {
        (Some(w), None) => format!("{w} of a turn"),
        (None, Some(r)) if sixteenths == 0 => format!("{r} of a sixteenth of a turn"),
        (Some(_), Some(r)) => {
            let count = ["", "one", "two", "three", "four"][sixteenths as usize];
            let r = if r == "half" {
                "a half".to_owned()
            } else {
                r.to_owned()
            };
            format!("{count} and {r} sixteenths of a turn")
        }
        _ => format!("{parts}/{PARTS} of a turn"),
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
                    "{verb} {name}: {amount} {way} as seen facing the screw (about {degrees:.0}\u{b0}).{also}"
                ),
                name,
                clockwise,
                amount,
                degrees,
            }
        })
        .collect()
}

/// Why this go.
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
            "The star answered as if the last turn had been made the other way round. That happens; the next advice reckons with it. Clockwise is as seen facing the screw's head."
        }
        Noticed::SideWrong => {
            "The star answers as if it stood on the other side of focus than was told. The advice has changed over; stay on the side you are on."
        }
        Noticed::OneOfBoth => {
            "The last turn made the star worse where it should have helped: either the screw was turned the other way, or the star stands on the other side of focus than was told. The next turn will show which; say which way the star jumps."
        }
        Noticed::ShadeMisread => {
            "The star answers as if the picture lay otherwise than the shade test said. Either a shade was misread, or camera or diagonal has been turned since: make the shade test again when it suits."
        }
    }
}

/// Cautions for the moment before these screws are turned; `glass` is whether the
/// front is closed by a corrector, `at_star` whether a star is looked at next
/// rather than a mark.
pub fn turning_cautions(
    element: Element,
    mechanism: Mechanism,
    glass: bool,
    at_star: bool,
) -> Vec<&'static str> {
    let mut all = vec!["Never force a screw. If it is tight, say so below and the advice changes."];
    match element {
        Element::Secondary => all.insert(
            0,
            if glass {
                "The screwdriver is over glass: hold it from the side, a hand under it, so that a loan sheet cannot reach the corrector. Nothing touches the corrector."
            } else {
                "The screwdriver is over the primary: tube level, held from the side, a hand under it, so that nothing can drop on the mirror."
            },
        ),
        Element::Primary => all.push(
            "Never leave the mirror loose: if a screw turns without resistance, stop and tighten the others first.",
        ),
        Element::ObjectiveCell => all.insert(
            0,
            "The screwdriver is over glass: hold it from the side so that a loan sheet cannot reach the lens.",
        ),
    }
    if mechanism == Mechanism::Pivot {
        all.push("Loosen first, then tighten: all three must end snug, or the mirror may drop.");
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
    fn amounts_are_said_in_sixteenths() {
        for (parts, words) in [
            (16, "a quarter of a turn"),
            (-8, "an eighth of a turn"),
            (12, "three sixteenths of a turn"),
            (4, "a sixteenth of a turn"),
            (2, "half of a sixteenth of a turn"),
            (1, "a quarter of a sixteenth of a turn"),
            (6, "one and a half sixteenths of a turn"),
            (-11, "two and three quarters sixteenths of a turn"),
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
        };
        let all = instructions(&adjustment, &screws);
        assert_eq!(all.len(), 3);
        assert!(!all[0].clockwise && !all[1].clockwise && all[2].clockwise);
        assert!(all[2].sentence.contains("an eighth of a turn clockwise"));
        assert!(all[0].sentence.contains("S120, at 4 o\u{2019}clock"));
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
