//! Lengths, weights and clock positions as people type them.

use super::fields::FormErrors;
use super::show::trimmed;
use crate::library::club::{Club, Units};
use crate::library::measures::{INCH_MM, MILE_KM, Misread, POUND_KG, Quantity, clock_deg};

impl FormErrors {
    /// A length in millimetres that must be there: a bare number is
    /// millimetres; inches are written with their unit, as 8 in or 8". NaN
    /// stands in when it is wrong, and the mend is noted.
    pub fn length_mm(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        bounds_mm: std::ops::RangeInclusive<f64>,
    ) -> f64 {
        if typed.trim().is_empty() {
            self.add(
                field,
                format!("{label}: please give a length, as 203 mm or 8 in."),
            );
            return f64::NAN;
        }
        self.optional_length_mm(field, label, typed, bounds_mm)
            .unwrap_or(f64::NAN)
    }

    /// The same for one that may be left out.
    pub fn optional_length_mm(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        bounds_mm: std::ops::RangeInclusive<f64>,
    ) -> Option<f64> {
        if typed.trim().is_empty() {
            return None;
        }
        match Quantity::LengthMm.read_within(typed, 1.0, &bounds_mm) {
            Ok(mm) => Some(mm),
            Err(Misread::OutOfBounds(mm)) => {
                let (low, high) = (bounds_mm.start(), bounds_mm.end());
                self.add(
                    field,
                    format!(
                        "{label}: that is {} mm; give {low} to {high} mm, and write inches with their unit, as 8 in.",
                        trimmed(mm, 1)
                    ),
                );
                None
            }
            Err(Misread::NotOne) => {
                self.add(
                    field,
                    format!(
                        "{label}: \"{}\" is not a length. Give one as 203 mm or 8 in.",
                        typed.trim()
                    ),
                );
                None
            }
        }
    }

    /// A weight in kilograms that may be left out: a bare number is kilograms;
    /// pounds are written with their unit.
    pub fn optional_weight_kg(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        bounds_kg: std::ops::RangeInclusive<f64>,
    ) -> Option<f64> {
        if typed.trim().is_empty() {
            return None;
        }
        match Quantity::WeightKg.read_within(typed, 1.0, &bounds_kg) {
            Ok(kg) => Some(kg),
            Err(Misread::OutOfBounds(kg)) => {
                let (low, high) = (bounds_kg.start(), bounds_kg.end());
                self.add(
                    field,
                    format!(
                        "{label}: that is {} kg; give {low} to {high} kg.",
                        trimmed(kg, 2)
                    ),
                );
                None
            }
            Err(Misread::NotOne) => {
                self.add(
                    field,
                    format!(
                        "{label}: \"{}\" is not a weight. Give one as 5.8 kg or 13 lb.",
                        typed.trim()
                    ),
                );
                None
            }
        }
    }

    /// A distance in kilometres that may be left out: a bare number is of the club's
    /// unit; another unit is written, as 30 mi or 48 km.
    pub fn optional_distance_km(
        &mut self,
        field: &str,
        label: &str,
        typed: &str,
        club: &Club,
    ) -> Option<f64> {
        if typed.trim().is_empty() {
            return None;
        }
        let (bare, most) = match club.units {
            Units::Metric => (1.0, 40_000.0),
            Units::Imperial => (MILE_KM, 24_000.0),
        };
        let bounds = 0.1 * bare..=most * bare;
        match Quantity::DistanceKm.read_within(typed, bare, &bounds) {
            Ok(km) => Some(km),
            Err(Misread::OutOfBounds(_)) => {
                let unit = super::journeys::distance_unit(club);
                self.add(field, format!("{label}: give 0.1 to {most} {unit}."));
                None
            }
            Err(Misread::NotOne) => {
                self.add(
                    field,
                    format!(
                        "{label}: \"{}\" is not a distance. Give one as 48 km or 30 mi.",
                        typed.trim()
                    ),
                );
                None
            }
        }
    }

    /// A clock position that must be there, in degrees clockwise from 12: "2",
    /// "2:30", "half past 2", "2 o'clock" or "75 deg". NaN stands in when it is
    /// wrong, and the mend is noted.
    pub fn clock_deg(&mut self, field: &str, label: &str, typed: &str) -> f64 {
        clock_deg(typed).unwrap_or_else(|| {
            self.add(
                field,
                format!("{label}: give a clock position from 1 to 12, as 4 or 4:30."),
            );
            f64::NAN
        })
    }

    /// A thread's pitch in millimetres a turn that must be there: "0.8", "M5"
    /// (coarse) or "#8-32". NaN stands in when it is wrong, and the mend is
    /// noted.
    pub fn thread_pitch_mm(&mut self, field: &str, label: &str, typed: &str) -> f64 {
        thread_pitch(typed)
            .or_else(|| Quantity::LengthMm.read(typed, 1.0))
            .filter(|mm| (0.05..=5.0).contains(mm))
            .unwrap_or_else(|| {
                self.add(
                    field,
                    format!(
                        "{label}: give millimetres a turn, as 0.8, or the thread, as M5 or #8-32."
                    ),
                );
                f64::NAN
            })
    }
}

/// The pitch of a thread by its name, mm: coarse metric threads (ISO 261), or
/// unified ones by their threads an inch (ASME B1.1).
fn thread_pitch(typed: &str) -> Option<f64> {
    let plain = typed.trim().to_uppercase();
    if let Some(rest) = plain.strip_prefix('M') {
        let (_, pitch) = [
            ("2.5", 0.45),
            ("3", 0.5),
            ("4", 0.7),
            ("5", 0.8),
            ("6", 1.0),
            ("8", 1.25),
            ("10", 1.5),
        ]
        .into_iter()
        .find(|(size, _)| *size == rest.trim())?;
        return Some(pitch);
    }
    let (size, threads) = plain.split_once('-')?;
    let known = size.starts_with('#') || size.contains('/');
    let per_inch: f64 = threads.trim().parse().ok()?;
    (known && per_inch > 0.0).then_some(INCH_MM / per_inch)
}

/// A length as the club would type it: inches when that is exact.
pub fn typed_length(club: &Club, mm: f64) -> String {
    let inches = (mm / INCH_MM * 100.0).round() / 100.0;
    if club.units == Units::Imperial && (inches * INCH_MM - mm).abs() < 0.005 {
        format!("{} in", trimmed(inches, 2))
    } else {
        format!("{} mm", trimmed(mm, 2))
    }
}

/// A weight as the club would type it: pounds when that is exact.
pub fn typed_weight(club: &Club, kg: f64) -> String {
    let pounds = (kg / POUND_KG * 100.0).round() / 100.0;
    if club.units == Units::Imperial && (pounds * POUND_KG - kg).abs() < 0.0005 {
        format!("{} lb", trimmed(pounds, 2))
    } else {
        format!("{} kg", trimmed(kg, 3))
    }
}

/// A clock position as one types it: "4", "4:30", or degrees.
pub fn typed_clock(deg: f64) -> String {
    let half_hours = deg / 15.0;
    if (half_hours - half_hours.round()).abs() > 1e-6 {
        return format!("{} deg", trimmed(deg, 1));
    }
    let halves = half_hours.round().rem_euclid(24.0);
    let hour = (halves / 2.0).floor();
    let hour = if hour == 0.0 { 12.0 } else { hour };
    if halves % 2.0 == 0.0 {
        format!("{hour}")
    } else {
        format!("{hour}:30")
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn lengths_are_read_in_millimetres_or_inches() {
        for (typed, mm) in [
            ("203", 203.0),
            ("203,2 mm", 203.2),
            ("20.32cm", 203.2),
            ("1.2 m", 1200.0),
            ("8in", 203.2),
            ("8 IN.", 203.2),
            ("8\"", 203.2),
            ("8\u{2033}", 203.2),
            ("8''", 203.2),
            ("10 inches", 254.0),
        ] {
            let mut errors = FormErrors::new();
            let read = errors.length_mm("a", "Aperture", typed, 10.0..=2000.0);
            assert!((read - mm).abs() < 1e-9, "{typed}: {read}");
            assert!(errors.is_empty(), "{typed}");
        }
        for typed in [
            "", "8 feet", "eight", "in", "-8in", "8e3", "1.2.3", "NaN", "inf", "8",
        ] {
            let mut errors = FormErrors::new();
            assert!(
                errors
                    .length_mm("a", "Aperture", typed, 10.0..=2000.0)
                    .is_nan()
            );
            assert!(errors.of("a").contains("8 in"), "{typed}");
        }
    }

    // The pound is 0.453 592 37 kg exactly (international yard and pound
    // agreement, 1959).
    #[test]
    fn weights_are_read_in_kilograms_or_pounds() {
        for (typed, kg) in [
            ("5.8", 5.8),
            ("5,8 kg", 5.8),
            ("850 g", 0.85),
            ("10 lb", 4.535_923_7),
            ("10lbs", 4.535_923_7),
            ("8 oz", 0.226_796_185),
        ] {
            let mut errors = FormErrors::new();
            let read = errors.optional_weight_kg("w", "Weight", typed, 0.1..=200.0);
            assert!((read.unwrap() - kg).abs() < 1e-9, "{typed}: {read:?}");
        }
        let mut errors = FormErrors::new();
        assert_eq!(
            errors.optional_weight_kg("w", "Weight", " ", 0.1..=200.0),
            None
        );
        assert!(errors.is_empty());
        assert_eq!(
            errors.optional_weight_kg("w", "Weight", "3 stone", 0.1..=200.0),
            None
        );
        assert!(errors.of("w").contains("13 lb"));
    }

    #[test]
    fn what_is_typed_again_reads_the_same() {
        let imperial = Club {
            units: Units::Imperial,
            ..Club::default()
        };
        for club in [&Club::default(), &imperial] {
            for mm in [203.0, 203.2, 152.4, 1219.2, 77.77] {
                let mut errors = FormErrors::new();
                let read = errors.length_mm("a", "A", &typed_length(club, mm), 1.0..=1e6);
                assert!((read - mm).abs() < 0.005, "{mm}");
            }
        }
        assert_eq!(typed_length(&imperial, 203.2), "8 in");
        assert_eq!(typed_length(&imperial, 203.0), "203 mm");
        for deg in [0.0, 15.0, 60.0, 75.0, 345.0, 37.5] {
            let mut errors = FormErrors::new();
            let read = errors.clock_deg("c", "Clock", &typed_clock(deg));
            assert!((read - deg).abs() < 1e-9, "{deg}: {read}");
        }
    }

    // ISO 261: M4 0.7, M5 0.8, M6 1.0 mm. ASME B1.1: #6-32 and #8-32 have 32
    // threads an inch, 0.794 mm; #10-24 1.058 mm.
    #[test]
    fn a_pitch_is_read_from_the_thread() {
        for (typed, mm) in [
            ("0.75", 0.75),
            ("0,8 mm", 0.8),
            ("M4", 0.7),
            ("m5", 0.8),
            ("M 6", 1.0),
            ("#8-32", 0.794),
            ("#10-24", 1.058),
            ("1/4-20", 1.27),
        ] {
            let mut errors = FormErrors::new();
            let read = errors.thread_pitch_mm("p", "Pitch", typed);
            assert!((read - mm).abs() < 5e-4, "{typed}: {read}");
        }
        for typed in ["", "M7", "8-32", "fine", "20", "0", "#8-0", "#8--3"] {
            let mut errors = FormErrors::new();
            assert!(
                errors.thread_pitch_mm("p", "Pitch", typed).is_nan(),
                "{typed}"
            );
            assert!(errors.of("p").contains("M5"));
        }
    }

    #[test]
    fn clock_positions_are_read_as_people_say_them() {
        for (typed, deg) in [
            ("12", 0.0),
            ("0", 0.0),
            ("3", 90.0),
            ("4:30", 135.0),
            ("4.5", 135.0),
            ("half past 4", 135.0),
            ("7 o'clock", 210.0),
            ("200 deg", 200.0),
        ] {
            let mut errors = FormErrors::new();
            assert_eq!(errors.clock_deg("c", "Clock", typed), deg, "{typed}");
        }
        for typed in ["", "13", "-1", "4:75", "left", "400 deg", "nan"] {
            let mut errors = FormErrors::new();
            assert!(errors.clock_deg("c", "Clock", typed).is_nan(), "{typed}");
            assert!(!errors.is_empty(), "{typed}");
        }
    }
}
