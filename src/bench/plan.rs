//! Which stages a collimation session has, by design and by what can be turned.

use super::mechanical::Stage;
use super::screw::{Element, Screw, tilt_per_turn};
use optics::alignment::{PerArcmin, per_arcmin, per_arcmin_about};
use optics::prescription::{Layout, Prescription};
use optics::trace::{Lost, Part};

/// One stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Work {
    /// A Newtonian's mechanical stage.
    Mechanical(Stage),
    /// The star, with the screws of this element.
    Star(Element),
    /// The corners of the field, with the primary's screws.
    Corners,
    /// The star is looked at, and nothing is turned.
    LookOnly,
}

/// A collimation session's stages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// In order.
    pub stages: Vec<Work>,
    /// What to know beforehand, in words.
    pub words: String,
}

/// The element's part and what else moves with it.
pub fn parts_of(layout: Layout, element: Element) -> &'static [Part] {
    match (layout, element) {
        (_, Element::Primary) => &[Part::Primary],
        (Layout::Newtonian, Element::Secondary) => &[Part::Flat],
        (Layout::MaksutovCassegrain, Element::Secondary) => &[Part::Meniscus],
        (_, Element::Secondary) => &[Part::Secondary],
        (_, Element::ObjectiveCell) => &[Part::Crown, Part::Flint],
    }
}

/// What tilting an element does in this instrument; `None` where it has no such
/// element.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn response_of(of: &Prescription, element: Element) -> Result<Option<PerArcmin>, Lost> {
    match parts_of(of.layout, element) {
        [one] => per_arcmin(of, *one),
        parts => match of.vertex_mm(parts[0]) {
            Some(pivot) => per_arcmin_about(&of.system, parts, pivot).map(Some),
            None => Ok(None),
        },
    }
}

/// The most coma one go can take away with these screws, waves RMS.
pub fn most_per_go(response: &PerArcmin, screws: &[Screw]) -> f64 {
    let per_turn = response.coma_centred * tilt_per_turn(screws);
    // One screw against the others, a quarter turn each.
    (0..per_turn.ncols())
        .map(|i| {
            let along = per_turn.column(i).into_owned();
            let size = along.norm();
            if size == 0.0 {
                return 0.0;
            }
            (0..per_turn.ncols())
                .map(|j| per_turn.column(j).dot(&along).abs() / size)
                .sum::<f64>()
                / 4.0
        })
        .fold(0.0, f64::max)
}

/// The stages for an instrument with these screws.
pub fn plan(of: &Prescription, screws: &[Screw], threshold_waves: f64) -> Plan {
    let with = |element: Element| -> Vec<Screw> {
        screws
            .iter()
            .filter(|s| s.element == element)
            .cloned()
            .collect()
    };
    let works = |element: Element| {
        let screws = with(element);
        screws.len() >= 2
            && response_of(of, element)
                .ok()
                .flatten()
                .is_some_and(|r| most_per_go(&r, &screws) > threshold_waves / 8.0)
    };
    let look_only = |words: &str| Plan {
        stages: vec![Work::LookOnly],
        words: words.to_owned(),
    };
    match of.layout {
        Layout::Newtonian => {
            let mut stages = vec![Work::Mechanical(Stage::Focuser)];
            if with(Element::Secondary).len() >= 2 {
                stages.push(Work::Mechanical(Stage::Secondary));
            }
            if !works(Element::Primary) {
                stages.push(Work::LookOnly);
                return Plan {
                    stages,
                    words: "No primary screws are in the register that could work on coma: look at the star, and enter the screws if there are any.".to_owned(),
                };
            }
            stages.push(Work::Mechanical(Stage::Primary));
            stages.push(Work::Star(Element::Primary));
            Plan {
                stages,
                words: "Focuser, flat and primary by their marks first, then the star with the primary\u{2019}s screws.".to_owned(),
            }
        }
        Layout::RitcheyChretien => {
            if !works(Element::Secondary) {
                return look_only("No secondary screws are in the register that could work on coma: look at the star, and enter the screws if there are any.");
            }
            let mut stages = vec![Work::Star(Element::Secondary)];
            let corners = with(Element::Primary).len() >= 2;
            if corners {
                stages.push(Work::Corners);
            }
            Plan {
                stages,
                words: if corners {
                    "The secondary on a star in the middle of the field first; then the corners are compared, the primary is turned if they differ, and the secondary is done again."
                } else {
                    "The secondary on a star in the middle of the field. No primary screws are in the register, so uneven corners cannot be mended here."
                }
                .to_owned(),
            }
        }
        Layout::Refractor => look_only(
            "An objective in a fixed cell is not for a club to adjust. A cell with screws of its own is checked with a Cheshire first, then on a star; its tilt makes next to no coma. Do a star check; over its limit, someone qualified should look.",
        ),
        Layout::MaksutovCassegrain if works(Element::Primary) => Plan {
            stages: vec![Work::Star(Element::Primary)],
            words: "A Maksutov\u{2013}Cassegrain seldom goes out of collimation. Its primary\u{2019}s screws work slowly and are often sealed: leave sealed ones alone and send it to someone qualified.".to_owned(),
        },
        Layout::MaksutovCassegrain => look_only(
            "There is nothing on this Maksutov\u{2013}Cassegrain for a club to turn. Do a star check; over its limit, someone qualified should look.",
        ),
        _ if works(Element::Secondary) => Plan {
            stages: vec![Work::Star(Element::Secondary)],
            words: "The secondary\u{2019}s screws, on a star in the middle of the field.".to_owned(),
        },
        _ => look_only(
            "No secondary screws are in the register that could work on coma: look at the star, and enter the screws if there are any.",
        ),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::screw::Mechanism;
    use optics::prescription::Numbers;

    fn of(layout: Layout, aperture: f64, ratio: f64) -> Prescription {
        Prescription::new(layout, Numbers::usual(layout, aperture, aperture * ratio)).unwrap()
    }

    fn three(element: Element, mechanism: Mechanism, lever_mm: f64) -> Vec<Screw> {
        [0.0, 120.0, 240.0]
            .map(|clock_deg| Screw {
                label: String::new(),
                element,
                clock_deg,
                pitch_mm: 0.7,
                lever_mm,
                mechanism,
            })
            .to_vec()
    }

    #[test]
    fn each_design_has_its_own_stages_and_nothing_it_cannot_do() {
        let secondary = three(Element::Secondary, Mechanism::Pivot, 20.0);
        let primary = three(Element::Primary, Mechanism::PushPull, 128.0);
        let cell = three(Element::ObjectiveCell, Mechanism::PushPull, 90.0);
        let both: Vec<Screw> = secondary.iter().chain(&primary).cloned().collect();
        let stages = |p: &Prescription, s: &[Screw]| plan(p, s, 0.071).stages;
        let sct = of(Layout::SchmidtCassegrain, 203.0, 10.0);
        assert_eq!(stages(&sct, &secondary), [Work::Star(Element::Secondary)]);
        assert_eq!(stages(&sct, &[]), [Work::LookOnly]);
        let rc = of(Layout::RitcheyChretien, 203.0, 8.0);
        assert_eq!(
            stages(&rc, &both),
            [Work::Star(Element::Secondary), Work::Corners]
        );
        let newtonian = of(Layout::Newtonian, 203.0, 6.0);
        assert_eq!(
            stages(&newtonian, &both),
            [
                Work::Mechanical(Stage::Focuser),
                Work::Mechanical(Stage::Secondary),
                Work::Mechanical(Stage::Primary),
                Work::Star(Element::Primary),
            ]
        );
        // A refractor's cell: its tilt makes no coma worth the name.
        let refractor = of(Layout::Refractor, 102.0, 10.0);
        assert_eq!(stages(&refractor, &cell), [Work::LookOnly]);
        let per = response_of(&refractor, Element::ObjectiveCell)
            .unwrap()
            .unwrap();
        assert!(per.coma_centred_rms() < 1e-3, "{}", per.coma_centred_rms());
        assert_eq!(
            stages(&of(Layout::MaksutovCassegrain, 127.0, 12.0), &[]),
            [Work::LookOnly]
        );
    }
}
