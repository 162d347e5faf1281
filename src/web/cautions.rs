//! The usual cautions of an instrument, shown where the hand is about to act.

use super::show;
use crate::library::club::Club;
use crate::library::instruments::{Design, Instrument};

/// A tube of this weight is one for two people: the recommended limit for one
/// person lifting from knee to chest at arm's reach is 11.9 kg (NIOSH revised
/// lifting equation, H 40, V 50, D 60 cm).
pub const HEAVY_KG: f64 = 12.0;

/// What to mind when lifting it, if it is heavy.
pub fn heavy(club: &Club, instrument: &Instrument) -> Option<String> {
    let kg = instrument.weight_kg.filter(|kg| *kg >= HEAVY_KG)?;
    Some(format!(
        "The tube weighs {}. Two people lift it, with bent knees and a clear way; hold it by tube and cell, never by the finder or the focuser.",
        show::weight(club, kg)
    ))
}

/// What to mind about the Sun: title and words.
pub fn sun(design: Design) -> (&'static str, &'static str) {
    if design == Design::Solar {
        (
            "the Sun",
            "Made for the Sun and for nothing else. Before each look, see that its own filters are in place and unharmed; if one is cracked, loose or pinholed, do not look. Take nothing off its front.",
        )
    } else {
        (
            "never point it at the Sun",
            "Without a filter fixed over its whole front, the Sun seen through it or its finder blinds at once. Keep all caps on in daylight, and never leave it to children near the day.",
        )
    }
}
