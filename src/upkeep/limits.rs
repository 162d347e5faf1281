//! The limits in force for one instrument: the default of its design, what
//! coordinators set for the design, what they set for the instrument.

use chrono::NaiveDate;

use crate::library::InstrumentId;
use crate::library::instruments::Design;
use crate::library::limits::{LimitSet, LimitWhat};

/// Where a limit comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// The default built in.
    BuiltIn,
    /// Set for the design.
    ForDesign {
        /// By whom.
        by: String,
        /// When (UTC date).
        on: NaiveDate,
    },
    /// Set for the instrument itself.
    ForInstrument {
        /// By whom.
        by: String,
        /// When (UTC date).
        on: NaiveDate,
    },
}

/// One limit in force.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// The value, in the unit of what it is about.
    pub value: f64,
    /// Where it comes from.
    pub source: Source,
}

/// All limits in force for one instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// RMS coma, waves at 550 nm, above which the limit is told to the borrower.
    pub coma_note: Limit,
    /// RMS coma, waves at 550 nm, above which it goes to the bench first.
    pub coma_bench: Limit,
    /// Exposure, in ordinary drives, since it was last found in line.
    pub exposure: Limit,
    /// Months since the last star test.
    pub months: Limit,
    /// Loans since the last star test.
    pub loans: Limit,
}

/// The default of a design.
///
/// Coma: 1/14 wave RMS (Strehl 0.82) for the bench, the diffraction limit by
/// Marechal's criterion; half of it (Strehl 0.95) to mention. Binoculars and
/// achromats of low power forgive more. The rest is common practice, no source.
pub fn default(design: Design, what: LimitWhat) -> f64 {
    let low_power = design == Design::Binocular;
    match what {
        LimitWhat::ComaNote if low_power => 0.10,
        LimitWhat::ComaNote => 0.036,
        LimitWhat::ComaBench if low_power => 0.20,
        LimitWhat::ComaBench => 0.071,
        LimitWhat::Exposure => 10.0,
        LimitWhat::Months => match design {
            Design::Achromat | Design::Apochromat | Design::MaksutovCassegrain => 18.0,
            Design::Binocular | Design::Solar => 24.0,
            _ => 9.0,
        },
        LimitWhat::Loans => match design {
            Design::Newtonian | Design::RitcheyChretien => 4.0,
            Design::Achromat | Design::Apochromat | Design::MaksutovCassegrain => 10.0,
            Design::Binocular | Design::Solar => 12.0,
            _ => 6.0,
        },
    }
}

/// The limits in force; `sets` newest first, as the library lists them.
pub fn in_force(design: Design, instrument: InstrumentId, sets: &[LimitSet]) -> Limits {
    let find = |what: LimitWhat| {
        let own = sets
            .iter()
            .find(|s| s.what == what && s.instrument_id == Some(instrument));
        if let Some((set, value)) = own.and_then(|s| s.value.map(|v| (s, v))) {
            return Limit {
                value,
                source: Source::ForInstrument {
                    by: set.set_by.clone(),
                    on: set.set_at.date_naive(),
                },
            };
        }
        let general = sets
            .iter()
            .find(|s| s.what == what && s.design == Some(design));
        match general.and_then(|s| s.value.map(|v| (s, v))) {
            Some((set, value)) => Limit {
                value,
                source: Source::ForDesign {
                    by: set.set_by.clone(),
                    on: set.set_at.date_naive(),
                },
            },
            None => Limit {
                value: default(design, what),
                source: Source::BuiltIn,
            },
        }
    };
    Limits {
        coma_note: find(LimitWhat::ComaNote),
        coma_bench: find(LimitWhat::ComaBench),
        exposure: find(LimitWhat::Exposure),
        months: find(LimitWhat::Months),
        loans: find(LimitWhat::Loans),
    }
}
