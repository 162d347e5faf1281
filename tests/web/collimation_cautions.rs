//! No instruction at the tube contradicts the caution beside it: over every design,
//! every kind of screw, every stage that turns any, and every way of turning them.

use tubewright::bench::adjustment::{Adjustment, Purpose};
use tubewright::bench::mechanical::Stage;
use tubewright::bench::plan::Work;
use tubewright::bench::screw::{Element, Mechanism, Screw};
use tubewright::bench::words::{instructions, turning_cautions};
use tubewright::library::collimation_replay::has_glass_front;
use tubewright::library::collimations::{layout_of, screw_of};
use tubewright::library::designs;
use tubewright::library::instruments::Design;

/// One screen: what is told at one screw, with the cautions that stand beside it.
struct Screen {
    words: String,
    clockwise: bool,
    /// Ways of the screws that are turned after it.
    later: Vec<bool>,
    /// Whether every screw of the element is loosened.
    all_loosened: bool,
}

fn screens(
    screws: &[Screw],
    parts: &[i32],
    element: Element,
    glass: bool,
    star: bool,
) -> Vec<Screen> {
    let adjustment = Adjustment {
        parts: parts.to_vec(),
        purpose: Purpose::Correct,
        expected_waves: 0.1,
        range_waves: [0.0, 0.2],
    };
    let all = instructions(&adjustment, screws);
    all.iter()
        .enumerate()
        .map(|(i, told)| Screen {
            words: format!(
                "{} {}",
                told.sentence(),
                turning_cautions(element, glass, star).join(" ")
            ),
            clockwise: told.clockwise,
            later: all[i + 1..].iter().map(|t| t.clockwise).collect(),
            all_loosened: all.len() == screws.len() && all.iter().all(|t| !t.clockwise),
        })
        .collect()
}

/// What contradicts what, of one screen.
fn contradictions(of: &Screen, element: Element, glass: bool, star: bool) -> Vec<&'static str> {
    let says = |words: &str| of.words.contains(words);
    let way = if of.clockwise {
        " clockwise by"
    } else {
        " anticlockwise by"
    };
    let mut found = Vec::new();
    let mut rule = |broken: bool, why: &'static str| {
        if broken {
            found.push(why);
        }
    };
    rule(!says(way), "the way is not told as it is");
    rule(
        !of.clockwise && says("snug"),
        "a screw is loosened that must end snug",
    );
    rule(
        of.clockwise && (says("slack") || says("loosen") || says("hangs on")),
        "a caution of loosening beside a screw that is tightened",
    );
    rule(
        says("until the last screw is turned") && of.later.last() != Some(&true),
        "a screw to come is promised that takes the slack up, and none does",
    );
    rule(
        of.all_loosened && says("never loosen all"),
        "all are loosened beside \"never loosen all\"",
    );
    rule(
        of.clockwise && of.later.iter().any(|clockwise| !clockwise),
        "a screw is tightened before another is loosened",
    );
    rule(
        says("no other screw") || says("only this screw"),
        "others are forbidden, though others may be asked for",
    );
    rule(
        says("corrector") && !(glass && element == Element::Secondary),
        "a corrector is named where there is none",
    );
    rule(
        says("drop on the mirror") && (glass || element != Element::Secondary),
        "an open mirror is named where none lies under the tool",
    );
    rule(
        says("Laser") && (star || element != Element::Secondary),
        "a laser is named where none is used",
    );
    rule(
        says("Sun") && star,
        "the Sun is named in a stage at the star",
    );
    rule(!says("Never force"), "nothing is said of forcing");
    found
}

fn element_of(work: Work) -> Option<(Element, bool)> {
    match work {
        Work::Star(element) => Some((element, true)),
        Work::Mechanical(Stage::Secondary) => Some((Element::Secondary, false)),
        Work::Mechanical(Stage::Primary) => Some((Element::Primary, false)),
        Work::Corners => Some((Element::Primary, true)),
        Work::Mechanical(Stage::Focuser) | Work::LookOnly => None,
    }
}

#[test]
fn no_instruction_contradicts_its_caution_whatever_is_turned() {
    let stages = [
        Work::Mechanical(Stage::Focuser),
        Work::Mechanical(Stage::Secondary),
        Work::Mechanical(Stage::Primary),
        Work::Star(Element::Primary),
        Work::Star(Element::Secondary),
        Work::Star(Element::ObjectiveCell),
        Work::Corners,
        Work::LookOnly,
    ];
    let mechanisms = [Mechanism::Spring, Mechanism::PushPull, Mechanism::Pivot];
    let amounts = [-16, -2, 0, 1, 4];
    let mut looked_at = 0;
    for design in Design::ALL {
        let glass = has_glass_front(layout_of(*design));
        let usual: Vec<Screw> = designs::usual(*design, None, None)
            .adjusters
            .iter()
            .filter_map(screw_of)
            .collect();
        for (element, star) in stages.into_iter().filter_map(element_of) {
            let own: Vec<Screw> = usual
                .iter()
                .filter(|s| s.element == element)
                .cloned()
                .collect();
            for mechanism in mechanisms {
                // As the register has them, and as three that it might have.
                let screws: Vec<Screw> = (0..3)
                    .map(|i| Screw {
                        mechanism,
                        ..own.get(i).cloned().unwrap_or(Screw {
                            label: String::new(),
                            element,
                            clock_deg: 120.0 * i as f64,
                            pitch_mm: 0.7,
                            lever_mm: 30.0,
                            mechanism,
                        })
                    })
                    .collect();
                for a in amounts {
                    for b in amounts {
                        for c in amounts {
                            for screen in screens(&screws, &[a, b, c], element, glass, star) {
                                looked_at += 1;
                                let found = contradictions(&screen, element, glass, star);
                                assert!(
                                    found.is_empty(),
                                    "{design:?} {element:?} {mechanism:?} {:?}: {found:?}: {}",
                                    [a, b, c],
                                    screen.words
                                );
                            }
                        }
                    }
                }
            }
        }
    }
    assert!(looked_at > 40_000, "{looked_at} screens");
}

/// The rules notice what once stood on a screen: "Loosen C" beside "all three must
/// end snug".
#[test]
fn the_rules_notice_what_once_stood_there() {
    let old = Screen {
        words: "Turn screw C anticlockwise by 1/16 turn (22\u{b0}). All three must end snug. Never force a screw.".to_owned(),
        clockwise: false,
        later: Vec::new(),
        all_loosened: false,
    };
    assert_eq!(
        contradictions(&old, Element::Secondary, true, true),
        ["a screw is loosened that must end snug"]
    );
}
