//! Before a collimation: what must be right, with the caution where it matters.

use optics::eye::highest_useful_magnification;

/// One point of the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// A stable word.
    pub code: &'static str,
    /// What to check.
    pub ask: String,
    /// Why, and what to do when it is not so.
    pub why: String,
}

/// What the list depends on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tube {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Minutes to the temperature of the air, if the register knows.
    pub cool_down_min: Option<i64>,
    /// Whether it is used with a diagonal.
    pub uses_diagonal: bool,
    /// Whether there is a spider or a bare holder in front, not glass.
    pub open_front: bool,
    /// Whether the design shows coma of its own off the middle of the field.
    pub coma_off_axis: bool,
}

/// Magnification for a star test by eye: about 200 in fair air, less in poor
/// (common practice, no source), within what the aperture bears.
pub fn magnification(aperture_mm: f64, antoniadi: Option<i64>) -> f64 {
    let wanted = match antoniadi {
        Some(1 | 2) => 250.0,
        Some(4) => 150.0,
        Some(5) => 100.0,
        _ => 200.0,
    };
    f64::min(wanted, highest_useful_magnification(aperture_mm))
}

/// Brightness of a star that suits a star test, magnitudes from and to: about
/// second magnitude for 200 mm by eye, fainter for more (common practice, no
/// source).
pub fn star_magnitudes(aperture_mm: f64) -> (f64, f64) {
    let shift = 5.0 * (aperture_mm / 200.0).log10();
    ((1.0 + shift).max(-1.0), 3.0 + shift)
}

/// Lowest altitude of a star for a test, degrees: air enough for twice the
/// zenith's blur lies below 30; 45 is better (common practice, no source).
pub const LEAST_ALTITUDE_DEG: f64 = 45.0;

/// How many pixels a donut of this defocus is across: 8 N W020 over the pixel.
pub fn donut_px(focal_ratio: f64, pixel_um: f64, defocus_waves: f64) -> f64 {
    8.0 * focal_ratio * defocus_waves * 0.55 / pixel_um
}

/// The list.
pub fn list(tube: &Tube) -> Vec<Point> {
    let point = |code, ask: &str, why: String| Point {
        code,
        ask: ask.to_owned(),
        why,
    };
    let (bright, faint) = star_magnitudes(tube.aperture_mm);
    let cool = tube.cool_down_min.map_or_else(
        || "Warm air in the tube bends the rings as a tilt does. Half an hour to two hours outside is usual; wait until the donut stands still.".to_owned(),
        |min| format!("Warm air in the tube bends the rings as a tilt does. The register says {min} minutes outside for this one; wait until the donut stands still."),
    );
    let mut all = vec![
        point(
            "sun-down",
            "The Sun is down",
            "Never point a tube anywhere near the Sun, not even for a moment, and not to find your way: it blinds and it burns.".to_owned(),
        ),
        point("cooled", "The tube is as cold as the air", cool),
        point(
            "star",
            "The star is high and bright enough",
            format!(
                "At least {LEAST_ALTITUDE_DEG:.0}\u{b0} up, of magnitude {bright:.0} to {faint:.0} for this aperture. Polaris does, where it stands high enough, and stays where it is."
            ),
        ),
        point(
            "power",
            "The magnification suits tonight\u{2019}s air",
            format!(
                "About {:.0} times by eye in fair air, less when it boils. With a camera: the donut at least 40 pixels across, better 100, and nowhere white.",
                magnification(tube.aperture_mm, None)
            ),
        ),
        point(
            "centred",
            "The star stands in the middle of the field",
            format!(
                "{} Bring the star back to the middle after each turn, before you look.",
                if tube.coma_off_axis {
                    "Off the middle this design shows coma of its own."
                } else {
                    "Off the middle other errors of this design bend the ring."
                }
            ),
        ),
        point(
            "diagonal",
            if tube.uses_diagonal {
                "The diagonal is in, as it will be used"
            } else {
                "Nothing stands between tube and eyepiece that is not used otherwise"
            },
            "A diagonal tilts and mirrors the picture; a change halfway makes the shade test worthless.".to_owned(),
        ),
        point(
            "air-settled",
            "Warm hands and bodies are out of the light",
            "Do not stand under or in front of the tube while someone looks; after a turn of a screw let the air settle for half a minute.".to_owned(),
        ),
    ];
    if !tube.open_front {
        all.push(point(
            "corrector",
            "Nothing will touch the glass in front",
            "Rings, watches and keys off or tied to the wrist. A screwdriver or key over the glass is held from the side, a hand under it.".to_owned(),
        ));
    }
    all.push(point(
        "steady",
        "Tube and mount stand firm",
        "Mount and clamps are checked before anyone works at the front; a heavy tube is held by two. With a laser collimator: never look into it or at its reflection, and nobody at the front while it is on.".to_owned(),
    ));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_says_what_this_tube_needs() {
        let tube = Tube {
            aperture_mm: 203.0,
            cool_down_min: Some(60),
            uses_diagonal: true,
            open_front: false,
            coma_off_axis: true,
        };
        let all = list(&tube);
        assert!(
            all[0]
                .why
                .contains("Never point a tube anywhere near the Sun")
        );
        assert!(all.iter().any(|p| p.why.contains("60 minutes")));
        assert!(all.iter().any(|p| p.code == "corrector"));
        let open = list(&Tube {
            open_front: true,
            ..tube
        });
        assert!(!open.iter().any(|p| p.code == "corrector"));
    }

    /// 10 waves at f/10 are 440 micrometres across (check values, section 2:
    /// radius 220 micrometres).
    #[test]
    fn a_donuts_pixels_follow_from_its_defocus() {
        assert!((donut_px(10.0, 4.4, 10.0) - 100.0).abs() < 1e-9);
        assert!(magnification(60.0, None) <= 120.0);
    }
}
