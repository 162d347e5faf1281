//! What a borrower was told at the desk, from the last star test before.

use library::instruments::{Check, Design};
use library::limits::LimitWhat;
use upkeep::limits::default;

/// The limit as stated, for an instrument whose last star test said this.
pub fn stated(design: Design, coma_rms_waves: Option<f64>) -> String {
    match design.check() {
        Check::Star => {}
        Check::Barrels => return "Needs a tripod: too heavy to hold still.".to_owned(),
        Check::Bench => return "For the Sun only, with all its own filters in place.".to_owned(),
    }
    match coma_rms_waves {
        None => "Nobody has tested it yet.",
        Some(coma) if coma <= default(design, LimitWhat::ComaNote) => {
            "None known: collimated at its last star test."
        }
        Some(coma) if coma <= default(design, LimitWhat::ComaBench) => {
            "Planets a little soft: fine at low and middling power."
        }
        Some(_) => "Out of collimation: for low power and wide fields only.",
    }
    .to_owned()
}
