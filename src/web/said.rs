//! What borrowers are told of how an instrument is.

use super::show;
use crate::library::instruments::{Design, Instrument};
use crate::optics::wavefront::annular_from_noll_coma;
use crate::optics::{eye, strehl};
use crate::upkeep::{Assessment, Condition};

/// The sentence that borrowers read beside the condition.
pub(super) fn said_to_borrowers(i: &Instrument, a: &Assessment) -> String {
    sentence(i, a, sharpness(i, a))
}

/// Magnifications up to which it looks sharp.
#[derive(Clone, Copy)]
pub(super) struct Sharp {
    /// With the coma of the last test.
    pub(super) today: f64,
    /// With that coma more by its error.
    pub(super) at_least: f64,
    /// With that coma less by its error.
    pub(super) at_most: f64,
    /// Without coma.
    pub(super) perfect: f64,
}

/// None for instruments whose magnification is fixed or that take no star
/// test, and for those that never had one.
pub(super) fn sharpness(i: &Instrument, a: &Assessment) -> Option<Sharp> {
    if !chooses_magnification(i.design) {
        return None;
    }
    let (coma, sigma) = a.coma_rms_waves?;
    let at = |coma: f64| eye::sharp_up_to(coma, i.aperture_mm, eye::DEFAULT_ACUITY_ARCMIN);
    let today = at(coma);
    Some(Sharp {
        today: today.magnification,
        at_least: at(coma + sigma).magnification,
        at_most: at((coma - sigma).max(0.0)).magnification,
        perfect: today.perfect_magnification,
    })
}

pub(super) fn chooses_magnification(design: Design) -> bool {
    !matches!(design, Design::Binocular | Design::Solar)
}

/// "140": magnifications are told to the next ten, small ones to five.
pub(super) fn about(magnification: f64) -> String {
    let step = if magnification < 60.0 { 5.0 } else { 10.0 };
    show::trimmed((magnification / step).round() * step, 0)
}

/// The share of a perfect telescope's peak brightness from which nobody notices
/// the difference: half the coma of Maréchal's criterion.
const UNNOTICED: f64 = 0.95;

/// "71 % of perfect: planets a little soft above about 120×. Use eyepieces of
/// 17 mm or longer."
pub(super) fn share_words(i: &Instrument, coma: f64, sharp: Sharp) -> String {
    let share = strehl::exponential(annular_from_noll_coma(coma, i.obstruction));
    let percent = show::percent(share);
    if share >= UNNOTICED {
        return format!("{percent} of perfect: nothing you would notice.");
    }
    let magnification = about(sharp.today);
    format!(
        "{percent} of perfect: planets a little soft above about {magnification}×. Use eyepieces of {:.0}\u{a0}mm or longer.",
        (i.focal_mm / sharp.today.max(1.0)).ceil()
    )
}

/// The same, where how sharp it is has been reckoned already.
pub(super) fn sentence(i: &Instrument, a: &Assessment, sharp: Option<Sharp>) -> String {
    let shows = match (a.coma_rms_waves, sharp) {
        (Some((coma, _)), Some(sharp)) => share_words(i, coma, sharp),
        _ => String::new(),
    };
    match a.condition {
        Condition::Ready | Condition::Usable if !shows.is_empty() => shows,
        Condition::Ready if i.design == Design::Solar => {
            "Nothing is reported against it. For the Sun only.".to_owned()
        }
        Condition::Ready if i.design == Design::Binocular => {
            "Both barrels point the same way: eyes join the pictures without effort.".to_owned()
        }
        Condition::Ready => "Collimated when last tested.".to_owned(),
        Condition::Usable => a.reasons.first().cloned().unwrap_or_default(),
        Condition::NeedsBench => format!("Not lent until the bench has had it. {shows}"),
        Condition::NotChecked if i.design == Design::Binocular && a.last_barrels.is_some() => {
            "Look through both barrels first.".to_owned()
        }
        Condition::NotChecked if a.only_second_look => {
            format!("It was worked on, and a second person looks it over first. {shows}")
        }
        Condition::NotChecked if shows.is_empty() => "Nobody has tested it yet.".to_owned(),
        Condition::NotChecked => format!("Test a star first. At its last test: {shows}"),
    }
}
