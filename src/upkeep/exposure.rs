//! Exposure: how much moving about an instrument has had.
//!
//! The unit is one ordinary drive: 50 km by car. The weights are the club's
//! starting point: common practice, no source (check-values.md 7: transport
//! test levels are published, none predicts loss of collimation).

use library::instruments::Design;
use library::journeys::{Journey, JourneyKind};

/// Kilometres taken for a drive whose distance nobody told.
pub const UNTOLD_DRIVE_KM: f64 = UNIT_KM;
/// Kilometres of one ordinary drive.
pub const UNIT_KM: f64 = 50.0;

/// Exposure of one journey, before the design's share, in ordinary drives.
pub fn of_journey(journey: &Journey) -> f64 {
    let drives = journey.distance_km.unwrap_or(UNTOLD_DRIVE_KM) / UNIT_KM;
    let severity = journey.severity.unwrap_or(2);
    match journey.kind {
        JourneyKind::HandCarry => 0.1,
        JourneyKind::Car => drives.max(0.3),
        JourneyKind::RoughRoad => 3.0 * drives.max(0.3),
        JourneyKind::FlightOrParcel => 6.0,
        JourneyKind::PublicEvent => 1.0,
        JourneyKind::KnockOrDrop => match severity {
            1 => 3.0,
            2 => 6.0,
            _ => 12.0,
        },
        JourneyKind::LeftOutdoors => match severity {
            1 => 0.5,
            2 => 1.5,
            _ => 3.0,
        },
    }
}

/// How readily a design loses its alignment, beside a Schmidt-Cassegrain.
pub fn share(design: Design) -> f64 {
    match design {
        Design::Newtonian => 1.5,
        Design::RitcheyChretien => 1.3,
        Design::ClassicalCassegrain => 1.2,
        Design::SchmidtCassegrain | Design::AplanaticSchmidtCassegrain | Design::Binocular => 1.0,
        Design::MaksutovCassegrain | Design::Apochromat => 0.4,
        Design::Achromat | Design::Solar => 0.3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn journey(kind: JourneyKind, distance_km: Option<f64>, severity: Option<i64>) -> Journey {
        Journey {
            kind,
            distance_km,
            severity,
        }
    }

    #[test]
    fn fifty_kilometres_by_car_is_the_unit() {
        let unit = of_journey(&journey(JourneyKind::Car, Some(50.0), None));
        assert!((unit - 1.0).abs() < 1e-12);
        let rough = of_journey(&journey(JourneyKind::RoughRoad, Some(50.0), None));
        assert!((rough - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_harder_knock_counts_for_more() {
        let knocks: Vec<f64> = (1..=3)
            .map(|s| of_journey(&journey(JourneyKind::KnockOrDrop, None, Some(s))))
            .collect();
        assert!(knocks.windows(2).all(|w| w[0] < w[1]));
    }
}
