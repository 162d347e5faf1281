//! The fields in which journeys are told.

use super::fields::FormErrors;
use crate::library::club::{Club, Units};
use crate::library::journeys::{Journey, JourneyKind};
use crate::library::measures::MILE_KM;

/// Journeys since last time: several kinds at once.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(default)]
pub struct JourneyFields {
    /// Slugs of the kinds ticked.
    pub journey: Vec<String>,
    /// There and back, in the club's unit.
    pub distance_by_car: String,
    /// There and back, in the club's unit.
    pub distance_on_rough_road: String,
    /// 1 to 3.
    pub knock_how_hard: String,
    /// 1 to 3.
    pub outdoors_how_bad: String,
}

impl JourneyFields {
    /// Whether a kind is ticked.
    pub fn has(&self, slug: &str) -> bool {
        self.journey.iter().any(|j| j == slug)
    }

    /// The journeys told, in the order of [`JourneyKind::ALL`].
    pub fn check(&self, club: &Club, errors: &mut FormErrors) -> Vec<Journey> {
        for slug in &self.journey {
            if slug.parse::<JourneyKind>().is_err() {
                errors.add("journey", "Journeys: choose from the list.");
            }
        }
        JourneyKind::ALL
            .iter()
            .filter(|kind| self.has(kind.slug()))
            .map(|&kind| {
                let (field, typed) = match kind {
                    JourneyKind::Car => ("distance_by_car", self.distance_by_car.as_str()),
                    JourneyKind::RoughRoad => (
                        "distance_on_rough_road",
                        self.distance_on_rough_road.as_str(),
                    ),
                    JourneyKind::KnockOrDrop => ("knock_how_hard", self.knock_how_hard.as_str()),
                    JourneyKind::LeftOutdoors => {
                        ("outdoors_how_bad", self.outdoors_how_bad.as_str())
                    }
                    _ => ("journey", ""),
                };
                journey(kind, field, typed, club, errors)
            })
            .collect()
    }
}

/// One journey; `typed` is its distance or severity, whichever its kind has.
pub fn journey(
    kind: JourneyKind,
    field: &str,
    typed: &str,
    club: &Club,
    errors: &mut FormErrors,
) -> Journey {
    Journey {
        kind,
        distance_km: kind
            .has_distance()
            .then(|| errors.optional_distance_km(field, "Distance", typed, club))
            .flatten(),
        severity: kind
            .has_severity()
            .then(|| errors.optional_whole(field, "How hard", typed, 1..=3))
            .flatten(),
    }
}

/// The unit in which the club tells distances.
pub fn distance_unit(club: &Club) -> &'static str {
    match club.units {
        Units::Metric => "km",
        Units::Imperial => "miles",
    }
}

/// A distance as typed again, in the club's unit.
pub fn distance_typed(club: &Club, km: f64) -> String {
    let told = match club.units {
        Units::Metric => km,
        Units::Imperial => km / MILE_KM,
    };
    super::show::trimmed(told, 1)
}

/// A severity in words.
pub fn severity_words(severity: i64) -> &'static str {
    match severity {
        1 => "light",
        2 => "middling",
        _ => "hard",
    }
}

/// A journey in words: "By car, 84 km".
pub fn words(club: &Club, journey: &Journey) -> String {
    let mut words = super::show::capital(journey.kind.label());
    if let Some(km) = journey.distance_km {
        words.push_str(&format!(", {}", super::show::distance(club, km)));
    }
    if let Some(severity) = journey.severity {
        words.push_str(&format!(", {}", severity_words(severity)));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn several_kinds_are_told_at_once_each_with_what_it_has() {
        let fields = JourneyFields {
            journey: vec!["knock-or-drop".to_owned(), "car".to_owned()],
            distance_by_car: "84,5".to_owned(),
            distance_on_rough_road: "9".to_owned(),
            knock_how_hard: "3".to_owned(),
            outdoors_how_bad: "2".to_owned(),
        };
        let mut errors = FormErrors::new();
        let told = fields.check(&Club::default(), &mut errors);
        assert!(errors.is_empty());
        assert_eq!(
            told,
            [
                Journey {
                    kind: JourneyKind::Car,
                    distance_km: Some(84.5),
                    severity: None
                },
                Journey {
                    kind: JourneyKind::KnockOrDrop,
                    distance_km: None,
                    severity: Some(3)
                },
            ]
        );
    }

    // One international mile is 1.609344 km exactly (agreement of 1959).
    #[test]
    fn a_club_that_measures_in_miles_is_taken_at_its_word() {
        let club = Club {
            units: Units::Imperial,
            ..Club::default()
        };
        let mut errors = FormErrors::new();
        let told = journey(JourneyKind::Car, "d", "50", &club, &mut errors);
        let km = told.distance_km.unwrap_or_default();
        assert!((km - 80.4672).abs() < 1e-9, "{km}");
        assert_eq!(distance_typed(&club, km), "50");
        assert_eq!(words(&club, &told), "By car, 50 miles");
    }

    #[test]
    fn a_distance_that_is_no_number_names_its_field() {
        let fields = JourneyFields {
            journey: vec!["car".to_owned()],
            distance_by_car: "forty".to_owned(),
            ..JourneyFields::default()
        };
        let mut errors = FormErrors::new();
        fields.check(&Club::default(), &mut errors);
        assert!(errors.of("distance_by_car").starts_with("Distance: "));
    }
}
