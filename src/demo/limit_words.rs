//! What a borrower was told at the desk, from the last star test before.

use library::instruments::Design;
use library::limits::LimitWhat;
use upkeep::limits::default;

/// The limit as stated, for an instrument whose last star test said this.
pub fn stated(design: Design, coma_rms_waves: Option<f64>) -> String {
    if !design.takes_star_test() {
        return "For the Sun only, with all its own filters in place.".to_owned();
    }
    match coma_rms_waves {
        None => "Nobody has looked at a star with it yet: it may or may not be in line.",
        Some(coma) if coma <= default(design, LimitWhat::ComaNote) => {
            "None known: in line at its last star test."
        }
        Some(coma) if coma <= default(design, LimitWhat::ComaBench) => {
            "A little out of line: fine at low and middling power, soft on planets."
        }
        Some(_) => "Out of line: for low power and wide fields only.",
    }
    .to_owned()
}
