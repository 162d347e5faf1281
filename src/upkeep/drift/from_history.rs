//! From the logbook in order to the model's chain.

use super::chain::{Cause, Chain, Entry, Look, What};
use crate::exposure;
use crate::history::History;
use library::Moment;
use library::instruments::Design;
use library::journeys::{Journey, JourneyKind};
use library::star_tests::StarTest;
use library::works::WorkWhat;

/// Days since the beginning of 1970, UTC.
pub fn day_of(moment: Moment) -> f64 {
    moment.timestamp() as f64 / 86_400.0
}

/// Instruments of one design learn from each other.
pub fn pool_of(design: Design) -> usize {
    design as usize
}

/// The chain of a logbook; without looks it drifts from its beginning, and one
/// that takes no star test has no chain.
///
/// A look's direction stands in the picture, not on the tube, so it is left out
/// here and the model treats it as unknown. Legs of a loan nobody reported on
/// stand at its ends: the way there after a look of that instant, the way back
/// before it.
pub fn chain_of(history: &History) -> Option<Chain> {
    if !history.design.takes_star_test() {
        return None;
    }
    let untold = |day: Moment| Entry {
        day: day_of(day),
        what: What::Pushed(Cause::UntoldLeg, 1.0),
    };
    let unreported = || history.loans.iter().filter(|l| !history.is_reported(l));
    let mut entries: Vec<Entry> = unreported()
        .filter_map(|l| l.returned_at)
        .map(untold)
        .collect();
    let moves = history.moves.iter().map(|m| {
        let (cause, units) = push_of(&m.what.journey);
        (m.at, What::Pushed(cause, units))
    });
    let looks = history
        .tests
        .iter()
        .map(|t| (t.at, What::Looked(look_of(&t.what))));
    let works = history.works.iter().filter(|w| w.what.moved_optics);
    let works = works.map(|w| {
        let what = if w.what.what == WorkWhat::Collimation {
            What::LinedUp
        } else {
            What::Disturbed
        };
        (w.at, what)
    });
    let mut dated: Vec<_> = moves.chain(looks).chain(works).collect();
    dated.sort_by_key(|d| d.0);
    entries.extend(dated.into_iter().map(|(at, what)| Entry {
        day: day_of(at.moment),
        what,
    }));
    entries.extend(unreported().map(|l| untold(l.lent_at)));
    let share = exposure::share(history.design);
    Some(Chain::new(pool_of(history.design), share, &entries))
}

/// A journey as a cause and its amount: kilometres in fifties, a knock or a
/// night outdoors by its severity.
pub fn push_of(journey: &Journey) -> (Cause, f64) {
    let fifties = || {
        let km = journey.distance_km.unwrap_or(exposure::UNTOLD_DRIVE_KM);
        (km / exposure::UNIT_KM).max(0.3)
    };
    let severity = journey.severity.unwrap_or(2);
    match journey.kind {
        JourneyKind::HandCarry => (Cause::HandCarry, 1.0),
        JourneyKind::Car => (Cause::Car, fifties()),
        JourneyKind::RoughRoad => (Cause::RoughRoad, fifties()),
        JourneyKind::FlightOrParcel => (Cause::FlightOrParcel, 1.0),
        JourneyKind::PublicEvent => (Cause::PublicEvent, 1.0),
        JourneyKind::KnockOrDrop => {
            let units = match severity {
                1 => 0.5,
                2 => 1.0,
                _ => 2.0,
            };
            (Cause::KnockOrDrop, units)
        }
        JourneyKind::LeftOutdoors => {
            let units = match severity {
                1 => 1.0 / 3.0,
                2 => 1.0,
                _ => 2.0,
            };
            (Cause::LeftOutdoors, units)
        }
    }
}

/// A star test as the model takes it.
pub fn look_of(test: &StarTest) -> Look {
    Look {
        coma_rms_waves: test.coma_rms_waves,
        sigma_waves: test.coma_rms_waves_sigma,
        direction_deg: None,
        method: test.method,
    }
}
