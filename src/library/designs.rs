//! What is usual for a design, to fill the form that adds an instrument.
//!
//! Every figure here is common practice, no source: a first guess for whoever
//! has the instrument before them, not a fact about it.

use super::adjusters::{Adjuster, AdjusterKind, Element, Head};
use super::instruments::Design;

/// What is usual for an instrument of one design and size.
#[derive(Debug, Clone, PartialEq)]
pub struct Usual {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Central obstruction by diameter.
    pub obstruction: f64,
    /// Spider vanes.
    pub vane_count: i64,
    /// Weight of the tube, kg.
    pub weight_kg: f64,
    /// Time to reach the temperature of the air, minutes.
    pub cool_down_min: i64,
    /// Whether it is used with a diagonal.
    pub uses_diagonal: bool,
    /// Screws.
    pub adjusters: Vec<Adjuster>,
    /// Kit, part by part.
    pub kit: Vec<String>,
}

/// A design's figures at one usual size.
struct Sample {
    aperture_mm: f64,
    focal_ratio: f64,
    obstruction: f64,
    vane_count: i64,
    weight_kg: f64,
    /// Weight goes with this power of the aperture.
    weight_power: f64,
    cool_down_min: f64,
    uses_diagonal: bool,
}

fn sample(design: Design) -> Sample {
    let row = |aperture_mm,
               focal_ratio,
               obstruction,
               vane_count,
               weight_kg,
               weight_power,
               cool_down_min,
               uses_diagonal| Sample {
        aperture_mm,
        focal_ratio,
        obstruction,
        vane_count,
        weight_kg,
        weight_power,
        cool_down_min,
        uses_diagonal,
    };
    match design {
        Design::Newtonian => row(203.0, 6.0, 0.25, 4, 9.0, 2.0, 45.0, false),
        Design::SchmidtCassegrain => row(203.0, 10.0, 0.34, 0, 5.7, 2.5, 60.0, true),
        Design::AplanaticSchmidtCassegrain => row(203.0, 10.0, 0.37, 0, 6.3, 2.5, 60.0, true),
        Design::MaksutovCassegrain => row(127.0, 12.0, 0.30, 0, 3.4, 2.3, 60.0, true),
        Design::ClassicalCassegrain => row(203.0, 12.0, 0.33, 4, 7.5, 2.2, 45.0, true),
        Design::RitcheyChretien => row(203.0, 8.0, 0.45, 4, 7.5, 2.2, 45.0, true),
        Design::Achromat => row(102.0, 10.0, 0.0, 0, 3.8, 2.3, 25.0, true),
        Design::Apochromat => row(80.0, 7.0, 0.0, 0, 2.9, 2.2, 20.0, true),
        Design::Binocular => row(50.0, 4.0, 0.0, 0, 0.9, 2.3, 10.0, false),
        Design::Solar => row(50.0, 8.0, 0.0, 0, 2.0, 1.8, 10.0, true),
    }
}

/// What is usual for a design, at this size or at a usual one.
pub fn usual(design: Design, aperture_mm: Option<f64>, focal_mm: Option<f64>) -> Usual {
    let sample = sample(design);
    let aperture = aperture_mm.unwrap_or(sample.aperture_mm);
    let scale = aperture / sample.aperture_mm;
    let weight = sample.weight_kg * scale.powf(sample.weight_power);
    let to_five = |minutes: f64| (minutes / 5.0).round() * 5.0;
    Usual {
        aperture_mm: aperture,
        focal_mm: focal_mm.unwrap_or_else(|| (aperture * sample.focal_ratio).round()),
        obstruction: sample.obstruction,
        vane_count: sample.vane_count,
        weight_kg: (weight * 10.0).round().max(1.0) / 10.0,
        cool_down_min: to_five(sample.cool_down_min * scale).clamp(5.0, 240.0) as i64,
        uses_diagonal: sample.uses_diagonal,
        adjusters: adjusters(design, aperture),
        kit: kit(design).iter().map(|&part| part.to_owned()).collect(),
    }
}

/// A name by size and design: "203 mm Schmidt–Cassegrain".
pub fn name(design: Design, aperture_words: &str) -> String {
    match design {
        Design::Solar => format!("{aperture_words} solar telescope"),
        other => format!("{aperture_words} {other}"),
    }
}

/// Three equal screws about the tube's axis.
fn three(
    element: Element,
    labels: [&str; 3],
    first_deg: f64,
    pitch_mm: f64,
    lever_mm: f64,
    kind: AdjusterKind,
    head: Head,
) -> impl Iterator<Item = Adjuster> {
    labels
        .map(str::to_owned)
        .into_iter()
        .zip([0.0, 120.0, 240.0])
        .map(move |(label, turn)| Adjuster {
            label,
            element,
            clock_deg: (first_deg + turn) % 360.0,
            pitch_mm,
            lever_mm: lever_mm.round().max(1.0),
            kind,
            head,
        })
}

/// Radius of a primary cell's screw circle, as a share of the aperture.
const CELL_RADIUS: f64 = 0.42;

/// The screws a design usually has. A lever is the distance from what the
/// element tilts about: of three screws without a pivot, one turns the plate
/// about the line through the other two, which is 1.5 circle radii away. Coarse
/// metric threads (M4 0.7 mm, M5 0.8 mm: ISO 261).
fn adjusters(design: Design, aperture_mm: f64) -> Vec<Adjuster> {
    let spring_cell = three(
        Element::Primary,
        ["P1", "P2", "P3"],
        60.0,
        0.8,
        1.5 * CELL_RADIUS * aperture_mm,
        AdjusterKind::PullAgainstSpring,
        Head::Thumb,
    );
    let locked_cell = three(
        Element::Primary,
        ["P1", "P2", "P3"],
        0.0,
        0.7,
        1.5 * CELL_RADIUS * aperture_mm,
        AdjusterKind::PushPullPair,
        Head::Hex,
    );
    let secondary = |share: f64, head: Head| {
        three(
            Element::Secondary,
            ["S1", "S2", "S3"],
            0.0,
            0.7,
            share * aperture_mm,
            AdjusterKind::PullAroundPivot,
            head,
        )
    };
    match design {
        Design::Newtonian => spring_cell.chain(secondary(0.06, Head::Hex)).collect(),
        Design::SchmidtCassegrain | Design::AplanaticSchmidtCassegrain => {
            secondary(0.1, Head::Hex).collect()
        }
        Design::MaksutovCassegrain => locked_cell.collect(),
        Design::ClassicalCassegrain | Design::RitcheyChretien => {
            secondary(0.09, Head::Hex).chain(locked_cell).collect()
        }
        Design::Achromat | Design::Apochromat => three(
            Element::ObjectiveCell,
            ["C1", "C2", "C3"],
            0.0,
            0.7,
            1.5 * 0.6 * aperture_mm,
            AdjusterKind::PushPullPair,
            Head::Hex,
        )
        .collect(),
        // Prisms and everything in a solar telescope are for a specialist.
        Design::Binocular | Design::Solar => Vec::new(),
    }
}

fn kit(design: Design) -> &'static [&'static str] {
    match design {
        Design::Newtonian => &[
            "Tube with front cap and focuser cap",
            "Mount",
            "Finder",
            "25 mm eyepiece",
            "10 mm eyepiece",
            "Case or bag",
        ],
        Design::SchmidtCassegrain
        | Design::AplanaticSchmidtCassegrain
        | Design::MaksutovCassegrain => &[
            "Tube with front and rear cap",
            "Mount and tripod",
            "Finder",
            "Diagonal",
            "25 mm eyepiece",
            "Dew shield",
            "Case",
        ],
        Design::ClassicalCassegrain | Design::RitcheyChretien => &[
            "Tube with front and rear cap",
            "Mount and tripod",
            "Finder",
            "Diagonal",
            "25 mm eyepiece",
            "Case",
        ],
        Design::Achromat | Design::Apochromat => &[
            "Tube with front and rear cap",
            "Mount and tripod",
            "Finder",
            "Diagonal",
            "25 mm eyepiece",
            "10 mm eyepiece",
            "Case or bag",
        ],
        Design::Binocular => &["Binocular with caps", "Strap", "Case"],
        Design::Solar => &[
            "Tube with its own front filter and cap",
            "Mount and tripod",
            "Sun finder",
            "Diagonal made for it",
            "20 mm eyepiece",
            "Case",
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_design_has_figures_the_register_takes() {
        for &design in Design::ALL {
            for aperture in [None, Some(30.0), Some(80.0), Some(400.0)] {
                let usual = usual(design, aperture, None);
                assert!((10.0..=2000.0).contains(&usual.aperture_mm), "{design}");
                assert!((20.0..=40_000.0).contains(&usual.focal_mm), "{design}");
                assert!((0.0..0.9).contains(&usual.obstruction), "{design}");
                assert_eq!(usual.obstruction > 0.0, design.is_obstructed(), "{design}");
                assert!(usual.weight_kg > 0.0 && usual.weight_kg < 200.0, "{design}");
                assert!((5..=240).contains(&usual.cool_down_min), "{design}");
                assert!(!usual.kit.is_empty(), "{design}");
                for a in &usual.adjusters {
                    assert!((0.0..360.0).contains(&a.clock_deg), "{design}");
                    assert!(a.pitch_mm > 0.0 && a.pitch_mm <= 5.0, "{design}");
                    assert!(a.lever_mm > 0.0 && a.lever_mm <= 1000.0, "{design}");
                }
            }
        }
    }

    #[test]
    fn a_larger_tube_is_heavier_and_cools_more_slowly() {
        for &design in Design::ALL {
            let small = usual(design, Some(60.0), None);
            let large = usual(design, Some(300.0), None);
            assert!(large.weight_kg > small.weight_kg, "{design}");
            assert!(large.cool_down_min > small.cool_down_min, "{design}");
        }
    }

    // A primary cell on three screws tilts about the line through the other
    // two: atan(p / 1.5 r) a turn (check value: r = 100 mm, M4, 16.0').
    #[test]
    fn a_lever_is_what_the_tilt_of_a_turn_needs() {
        let usual = usual(Design::MaksutovCassegrain, Some(100.0 / CELL_RADIUS), None);
        let screw = &usual.adjusters[0];
        let arcmin = (screw.pitch_mm / screw.lever_mm).atan().to_degrees() * 60.0;
        assert!((arcmin - 16.0).abs() < 0.1, "{arcmin}");
    }
}
