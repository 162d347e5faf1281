//! Advice in words.

use super::adjustment::{Adjustment, PARTS, Purpose};
use super::mechanical::Stage;
use super::plan::Work;
use super::response::Noticed;
use super::screw::{Element, Mechanism, Screw};
use optics::prescription::Layout;

/// One thing for the hand to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Instruction {
    /// Which screw, by its place in the list.
    pub screw: usize,
    /// "screw B", or "the screw at 4 o'clock" where it has no label.
    pub name: String,
    /// Whether clockwise, as seen facing the screw.
    pub clockwise: bool,
    /// "3/16 turn".
    pub amount: String,
    /// Degrees, without sign.
    pub degrees: f64,
    /// How a hand makes so fine an amount, or "".
    pub by_hand: String,
    /// What the screw beside it does, or "".
    pub also: &'static str,
    /// What to mind at this screw, or "".
    pub caution: &'static str,
}

impl Instruction {
    /// "clockwise" or "anticlockwise", as seen facing the screw.
    pub fn way(&self) -> &'static str {
        way_words(self.clockwise)
    }

    /// The whole of it: "Turn screw B clockwise by 1/16 turn (22°)."
    pub fn sentence(&self) -> String {
        let mut words = format!(
            "Turn {} {} by {} ({:.0}\u{b0}{}{}).",
            self.name,
            self.way(),
            self.amount,
            self.degrees,
            if self.by_hand.is_empty() { "" } else { ": " },
            self.by_hand
        );
        for more in [self.also, self.caution] {
            if !more.is_empty() {
                words.push(' ');
                words.push_str(more);
            }
        }
        words
    }
}

/// A way round in words.
pub fn way_words(clockwise: bool) -> &'static str {
    if clockwise {
        "clockwise"
    } else {
        "anticlockwise"
    }
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

/// Minutes of a clock face nearest to an amount in sixty-fourths.
pub fn clock_minutes(parts: i32) -> i32 {
    (f64::from(parts.abs()) * 60.0 / f64::from(PARTS)).round() as i32
}

/// How a hand makes so fine an amount, or "": as minutes on a clock face.
fn by_hand_words(parts: i32) -> String {
    if parts % 4 == 0 {
        return String::new();
    }
    match clock_minutes(parts) {
        1 => "one minute on a clock face".to_owned(),
        2 => "two minutes on a clock face".to_owned(),
        n => format!("about {n} minutes on a clock face"),
    }
}

/// The instructions of an adjustment, in the order in which they are made: what
/// loosens before what tightens. Each has its own caution, so that none can stand
/// beside an instruction that it contradicts.
pub fn instructions(adjustment: &Adjustment, screws: &[Screw]) -> Vec<Instruction> {
    let mut order: Vec<usize> = (0..screws.len().min(adjustment.parts.len()))
        .filter(|&i| adjustment.parts[i] != 0)
        .collect();
    order.sort_by_key(|&i| (adjustment.parts[i] > 0, i));
    let tightens_after = order.iter().any(|&i| adjustment.parts[i] > 0);
    let loosened = order.iter().filter(|&&i| adjustment.parts[i] < 0).count();
    order
        .into_iter()
        .map(|i| {
            let (screw, parts) = (&screws[i], adjustment.parts[i]);
            let clockwise = parts > 0;
            let (also, caution) = match (screw.mechanism, clockwise) {
                (Mechanism::PushPull, true) => {
                    ("First turn the push screw beside it back by as much.", "")
                }
                (Mechanism::PushPull, false) => (
                    "Then turn the push screw beside it in until it touches.",
                    "",
                ),
                (Mechanism::Pivot, true) => ("", "It ends snug, not forced."),
                (Mechanism::Pivot, false) if tightens_after => (
                    "",
                    "It is slack until the last screw is turned: never loosen all of them at once.",
                ),
                (Mechanism::Pivot, false) if loosened < screws.len() => {
                    ("", "No further: the mirror hangs on these screws.")
                }
                (Mechanism::Pivot, false) => ("", "No further."),
                (Mechanism::Spring, _) => ("", ""),
            };
            Instruction {
                screw: i,
                name: if screw.label.is_empty() {
                    format!("the screw at {}", clock_words(screw.clock_deg))
                } else {
                    format!("screw {}", screw.label)
                },
                clockwise,
                amount: amount_words(parts),
                degrees: f64::from(parts.abs()) / f64::from(PARTS) * 360.0,
                by_hand: by_hand_words(parts),
                also,
                caution,
            }
        })
        .collect()
}

/// What is to be expected after an adjustment: from the twentieth to the
/// nineteenth part of twenty.
pub fn expected_words(adjustment: &Adjustment, unit: &str, digits: usize) -> String {
    let [low, high] = adjustment.range_waves;
    format!(
        "Predicted: about {:.digits$}; in 9 of 10 cases {low:.digits$} to {high:.digits$} {unit}.",
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
        format!("by about {widths:.0} of its widths")
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
        Purpose::Correct => "It brings the ring closer to even.",
        Purpose::Learn => "It finds out which way the screws work; the star may look worse for it.",
        Purpose::Back => "The last turns made it worse: this goes back towards the best.",
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
        Work::LookOnly => "A star check",
    }
}

/// What to do about something noticed.
pub fn noticed_words(noticed: Noticed) -> &'static str {
    match noticed {
        Noticed::TurnedWrongWay => {
            "The star answered as if the last turn had been made the other way round. Check: clockwise, as seen facing its head, a screw goes in. If you did turn it the other way, go on: this advice allows for it. If not, make the shade test again."
        }
        Noticed::SideWrong => {
            "The star answers as if it stood on the other side of focus than entered. Check the side before you turn: as the eyepiece moves out, the donut grows outside focus and shrinks inside."
        }
        Noticed::OneOfBoth => {
            "The last turn made the star worse. Either the screw was turned the other way, or the side of focus is wrong. As the eyepiece moves out, the donut grows outside focus and shrinks inside."
        }
        Noticed::DidNotMove => {
            "The star hardly moved: the screw took up its play. Turn until the star moves in the eyepiece, and count from there."
        }
        Noticed::ShadeMisread => {
            "The star answers as if the picture lay otherwise than the shade test said. Make the shade test again: camera or diagonal may have been turned since."
        }
    }
}

/// How it is found out on which side of focus a star stands: what the hand does. Drawing
/// the eyepiece out puts the star farther out of focus outside focus and nearer to it
/// inside, whatever the design (geometry).
pub fn side_check_words(layout: Option<Layout>) -> &'static str {
    match layout {
        // Their knob moves the primary, and not on all of them the same way (common
        // practice, no source).
        Some(
            Layout::SchmidtCassegrain
            | Layout::AplanaticSchmidtCassegrain
            | Layout::MaksutovCassegrain,
        ) => {
            "Leave the focus knob alone. Loosen the eyepiece or camera and slowly draw it out a little, with a hand under it. Watch the donut as it starts to move."
        }
        _ => "Slowly rack the focuser out a little. Watch the donut as it starts to move.",
    }
}

/// Why the side of focus is asked for: before any screw was turned, and after.
pub fn side_check_why(turned: bool) -> &'static str {
    if turned {
        "The star answers as if it stood on the other side of focus, or as if the last turn went the other way. Both look the same. This check tells which."
    } else {
        "No side of focus is entered yet. The next turn goes by it."
    }
}

/// The cautions of the whole adjustment, said where the hand is about to act; `glass`
/// is whether the front is closed by a corrector, `at_star` whether a star is looked
/// at next rather than a mark. What belongs to one screw is said at that screw
/// ([`Instruction::caution`]).
pub fn turning_cautions(element: Element, glass: bool, at_star: bool) -> Vec<&'static str> {
    let mut all = Vec::new();
    if element == Element::Secondary && !at_star {
        all.push("Laser off while anyone is at the front.");
    }
    all.push(match element {
        Element::Secondary if glass => {
            "The tool is over glass: hold it from the side, a hand under it. Leave the corrector and its bolt alone."
        }
        Element::Secondary => {
            "Tube level, the tool held from the side, a hand under it: nothing may drop on the mirror."
        }
        Element::Primary => {
            "A screw that turns without resistance: stop, the mirror must not come loose."
        }
        Element::ObjectiveCell => {
            "The tool is over glass: hold it from the side, so that it cannot drop on the lens."
        }
    });
    if element == Element::Primary && !at_star {
        all.push("By day, keep the front away from the Sun.");
    }
    all.push("Never force a screw.");
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
        assert_eq!(
            all[2].sentence(),
            "Turn screw S0 clockwise by 1/8 turn (45\u{b0}). It ends snug, not forced."
        );
        assert_eq!(all[0].name, "screw S120");
    }

    /// 1/32 turn is 11 degrees, a minute on a clock face is 6 (geometry).
    #[test]
    fn what_is_finer_than_a_sixteenth_is_told_as_minutes_on_a_clock_face() {
        for (parts, words) in [
            (2, "two minutes on a clock face"),
            (-1, "one minute on a clock face"),
            (3, "about 3 minutes on a clock face"),
            (6, "about 6 minutes on a clock face"),
            (4, ""),
            (16, ""),
        ] {
            assert_eq!(by_hand_words(parts), words, "{parts}");
            let minutes = f64::from(clock_minutes(parts)) * 6.0;
            let told = f64::from(parts.abs()) / f64::from(PARTS) * 360.0;
            assert!((minutes - told).abs() <= 3.0, "{parts}: {told}");
        }
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
            (2.2, "by about 3 of its widths"),
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
