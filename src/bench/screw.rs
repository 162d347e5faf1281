//! Adjusters: from a turn of a screw to a tilt.

use nalgebra::{Matrix2, Matrix2xX, Vector2};

/// What a screw tilts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Element {
    /// Primary mirror; its screws are faced from behind.
    Primary,
    /// Secondary mirror; its screws are faced from in front.
    Secondary,
    /// Objective in its cell; its screws are faced from in front.
    ObjectiveCell,
}

impl Element {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Primary => "primary mirror",
            Self::Secondary => "secondary mirror",
            Self::ObjectiveCell => "objective's cell",
        }
    }

    /// From where one faces its screws.
    pub fn faced_from(self) -> &'static str {
        match self {
            Self::Primary => "from behind the tube",
            Self::Secondary | Self::ObjectiveCell => "from in front of the tube",
        }
    }

    /// +1 when tightening a pulling screw raises its side towards the sky.
    fn towards_sky(self) -> f64 {
        match self {
            Self::Primary => -1.0,
            Self::Secondary | Self::ObjectiveCell => 1.0,
        }
    }
}

/// How a screw works.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mechanism {
    /// Pulls against a spring: may be turned alone.
    Spring,
    /// One of a pair, one pushing, one pulling: the other gives way first.
    PushPull,
    /// Pulls around a central pivot: what one takes up the others give.
    Pivot,
}

impl Mechanism {
    /// Whether the turns of one go must add up to nothing.
    pub fn keeps_tension(self) -> bool {
        self != Self::Spring
    }
}

/// One screw.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Screw {
    /// As marked on the tube.
    pub label: String,
    /// What it tilts.
    pub element: Element,
    /// Where it sits, seen from in front of the tube, degrees clockwise from 12.
    pub clock_deg: f64,
    /// mm per turn.
    pub pitch_mm: f64,
    /// Distance from what the element tilts about when this screw is turned, mm:
    /// the pivot, or the line through the other two screws.
    pub lever_mm: f64,
    /// How it works.
    pub mechanism: Mechanism,
}

/// Coarse pitches by thread, mm: ISO 261 (metric), ASME B1.1 (unified).
pub const PITCHES: [(&str, f64); 12] = [
    ("M2.5", 0.45),
    ("M3", 0.5),
    ("M4", 0.7),
    ("M5", 0.8),
    ("M6", 1.0),
    ("M8", 1.25),
    ("#4-40", 25.4 / 40.0),
    ("#6-32", 25.4 / 32.0),
    ("#8-32", 25.4 / 32.0),
    ("#10-24", 25.4 / 24.0),
    ("#10-32", 25.4 / 32.0),
    ("1/4-20", 25.4 / 20.0),
];

/// The pitch of a thread by its name, mm.
pub fn pitch_mm(thread: &str) -> Option<f64> {
    PITCHES
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case(thread.trim()))
        .map(|&(_, pitch)| pitch)
}

impl Screw {
    /// How far the element tilts for one turn, arc minutes: atan(pitch/lever).
    pub fn arcmin_per_turn(&self) -> f64 {
        (self.pitch_mm / self.lever_mm).atan().to_degrees() * 60.0
    }

    /// Its direction, x = sin(clock), y = cos(clock).
    pub fn direction(&self) -> Vector2<f64> {
        let (s, c) = self.clock_deg.to_radians().sin_cos();
        Vector2::new(s, c)
    }

    /// From the middle of the screw circle, mm. Without a pivot three screws
    /// turn the plate about the line through the other two, 1.5 radii away.
    pub fn radius_mm(&self) -> f64 {
        match self.mechanism {
            Mechanism::Pivot => self.lever_mm,
            Mechanism::Spring | Mechanism::PushPull => self.lever_mm / 1.5,
        }
    }
}

/// The tilt of the element, arc minutes, for one clockwise turn of each screw
/// (columns), raising its side at 3 and at 12 o'clock towards the sky (rows).
///
/// The plane through the screws' heights, by least squares where there are more
/// than three. About a pivot this holds for turns that add up to nothing: then
/// one screw's turn, the others giving half of it each, is pitch over lever.
pub fn tilt_per_turn(screws: &[Screw]) -> Matrix2xX<f64> {
    let n = screws.len();
    let places: Vec<Vector2<f64>> = screws
        .iter()
        .map(|s| s.direction() * s.radius_mm())
        .collect();
    let middle = if screws.iter().any(|s| s.mechanism == Mechanism::Pivot) || n < 3 {
        Vector2::zeros()
    } else {
        places.iter().sum::<Vector2<f64>>() / n as f64
    };
    let spread: Matrix2<f64> = places
        .iter()
        .map(|p| (p - middle) * (p - middle).transpose())
        .sum();
    let inverse = spread
        .pseudo_inverse(1e-9)
        .unwrap_or_else(|_| Matrix2::zeros());
    let mut tilt = Matrix2xX::zeros(n);
    for (i, (screw, place)) in screws.iter().zip(&places).enumerate() {
        let slope = inverse * (place - middle) * screw.pitch_mm;
        let arcmin = slope.map(|x| x.atan().to_degrees() * 60.0);
        tilt.set_column(i, &(arcmin * screw.element.towards_sky()));
    }
    tilt
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    pub fn three(mechanism: Mechanism, element: Element, pitch: f64, lever: f64) -> Vec<Screw> {
        [0.0, 120.0, 240.0]
            .map(|clock_deg| Screw {
                label: format!("S{clock_deg}"),
                element,
                clock_deg,
                pitch_mm: pitch,
                lever_mm: lever,
                mechanism,
            })
            .to_vec()
    }

    /// Three screws at 120 degrees on a circle of 20 mm, one turned, the plate
    /// turning about the other two: M3 57.3', M4 80.2', #6-32 90.9'; of 100 mm,
    /// M4 16.0' (check values, section 7; pitches ISO 261 and ASME B1.1).
    #[test]
    fn a_turn_tilts_as_pitch_and_lever_say() {
        for (thread, radius, arcmin) in [
            ("M3", 20.0, 57.3),
            ("M4", 20.0, 80.2),
            ("#6-32", 20.0, 90.9),
            ("M4", 100.0, 16.0),
        ] {
            let pitch = pitch_mm(thread).unwrap();
            let screws = three(Mechanism::Spring, Element::Secondary, pitch, 1.5 * radius);
            assert!(
                (screws[0].arcmin_per_turn() - arcmin).abs() < 0.06,
                "{thread}"
            );
            let tilt = tilt_per_turn(&screws);
            assert!((tilt.column(1).norm() - arcmin).abs() < 0.06, "{tilt}");
            // Towards the screw: at 4 o'clock, right and down.
            assert!(tilt[(0, 1)] > 0.0 && tilt[(1, 1)] < 0.0);
            let behind = three(Mechanism::Spring, Element::Primary, pitch, 1.5 * radius);
            assert!((tilt_per_turn(&behind) + tilt).norm() < 1e-9);
        }
        assert_eq!(pitch_mm("M7"), None);
    }

    /// Around a pivot one screw's turn, the others giving half each, tilts by
    /// pitch over lever (geometry).
    #[test]
    fn around_a_pivot_the_others_give_way() {
        let screws = three(Mechanism::Pivot, Element::Secondary, 0.7, 20.0);
        let tilt = tilt_per_turn(&screws);
        let adjustment = tilt.column(0) - (tilt.column(1) + tilt.column(2)) / 2.0;
        assert!(
            (adjustment.norm() - screws[0].arcmin_per_turn()).abs() < 0.1,
            "{adjustment}"
        );
        assert!(adjustment.x.abs() < 1e-9 && adjustment.y > 0.0);
    }
}
