//! The limits in force for one instrument: the default of its design, what
//! coordinators set for the design, what they set for the instrument.

use library::instruments::{Check, Design};
use library::limits::{LimitSet, LimitWhat};
use library::{InstrumentId, Moment};

/// Where a limit comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// The default built in.
    BuiltIn,
    /// Set for the design.
    ForDesign {
        /// By whom.
        by: String,
        /// When.
        at: Moment,
    },
    /// Set for the instrument itself.
    ForInstrument {
        /// By whom.
        by: String,
        /// When.
        at: Moment,
    },
}

impl Source {
    /// Whether the instrument has a limit of its own.
    pub fn is_instruments(&self) -> bool {
        matches!(self, Self::ForInstrument { .. })
    }

    /// Whether nobody set it.
    pub fn is_built_in(&self) -> bool {
        matches!(self, Self::BuiltIn)
    }
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
    /// How many times what eyes accept the barrels may point apart before the borrower
    /// is told.
    pub barrels_note: Limit,
    /// The same before it goes to the bench first.
    pub barrels_bench: Limit,
    /// Exposure, in ordinary drives, since it was last found in line.
    pub exposure: Limit,
    /// Months since the last star test.
    pub months: Limit,
    /// Loans since the last star test.
    pub loans: Limit,
    /// Since when work waits for a second pair of eyes: a setting of the club's.
    pub second_look: Option<Moment>,
}

/// The default of a design.
///
/// Coma: 1/14 wave RMS (Strehl 0.82) for the bench, the diffraction limit by
/// Maréchal's criterion; half of it (Strehl 0.95) to mention. Barrels: what eyes accept
/// ([`optics::barrels`]) to mention, twice that for the bench. The rest is common practice,
/// no source.
pub fn default(design: Design, what: LimitWhat) -> f64 {
    match what {
        LimitWhat::ComaNote => 0.036,
        LimitWhat::ComaBench => 0.071,
        LimitWhat::BarrelsNote => optics::barrels::Limits::default().strain,
        LimitWhat::BarrelsBench => optics::barrels::Limits::default().bench,
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

/// Whether a limit is about what tells how instruments of this design are.
pub fn applies(what: LimitWhat, design: Design) -> bool {
    match what {
        LimitWhat::ComaNote | LimitWhat::ComaBench => design.check() == Check::Star,
        LimitWhat::BarrelsNote | LimitWhat::BarrelsBench => design.check() == Check::Barrels,
        LimitWhat::Exposure | LimitWhat::Months | LimitWhat::Loans => true,
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
                    at: set.set_at,
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
                    at: set.set_at,
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
        barrels_note: find(LimitWhat::BarrelsNote),
        barrels_bench: find(LimitWhat::BarrelsBench),
        exposure: find(LimitWhat::Exposure),
        months: find(LimitWhat::Months),
        loans: find(LimitWhat::Loans),
        second_look: None,
    }
}

/// What each limit is about, in words for the people who set it.
pub fn about(what: LimitWhat) -> &'static str {
    match what {
        LimitWhat::ComaNote => {
            "Above this much coma the borrower is told of it, and a star test no longer counts as collimated."
        }
        LimitWhat::ComaBench => {
            "Above this much coma an instrument goes to the bench before the next loan."
        }
        LimitWhat::BarrelsNote => {
            "Where the barrels of a binocular point apart by more than so many times what eyes accept (step 15, convergence 45, divergence 20, turn 60 arc minutes at the eye), the borrower is told of it."
        }
        LimitWhat::BarrelsBench => {
            "Above so many times what eyes accept a binocular goes to the bench before the next loan."
        }
        LimitWhat::Exposure => {
            "More moving about than this since it was last found collimated makes an instrument due. One drive is 50 km by car, and so is a drive of no stated distance; rough roads, knocks, parcels and public events count for more, carrying by hand for less, and each design has its share."
        }
        LimitWhat::Months => "Longer than this without a star test makes an instrument due.",
        LimitWhat::Loans => "More loans than this without a star test make an instrument due.",
    }
}

/// The unit, after a number.
pub fn unit(what: LimitWhat) -> &'static str {
    match what {
        LimitWhat::ComaNote | LimitWhat::ComaBench => "waves RMS",
        LimitWhat::BarrelsNote | LimitWhat::BarrelsBench => "times what eyes accept",
        LimitWhat::Exposure => "drives",
        LimitWhat::Months => "months",
        LimitWhat::Loans => "loans",
    }
}

/// What a limit may be set to.
pub fn bounds(what: LimitWhat) -> std::ops::RangeInclusive<f64> {
    match what {
        LimitWhat::ComaNote | LimitWhat::ComaBench => 0.005..=1.0,
        LimitWhat::BarrelsNote | LimitWhat::BarrelsBench => 0.2..=5.0,
        LimitWhat::Exposure => 0.5..=500.0,
        LimitWhat::Months => 1.0..=120.0,
        LimitWhat::Loans => 1.0..=200.0,
    }
}

impl Limits {
    /// One of them.
    pub fn of(&self, what: LimitWhat) -> &Limit {
        match what {
            LimitWhat::ComaNote => &self.coma_note,
            LimitWhat::ComaBench => &self.coma_bench,
            LimitWhat::BarrelsNote => &self.barrels_note,
            LimitWhat::BarrelsBench => &self.barrels_bench,
            LimitWhat::Exposure => &self.exposure,
            LimitWhat::Months => &self.months,
            LimitWhat::Loans => &self.loans,
        }
    }

    /// Whether the same looks count as in line under both: all that
    /// [`super::facts::Gathered`] rests on.
    pub fn gather_alike(&self, other: &Self) -> bool {
        self.coma_note.value == other.coma_note.value
            && self.coma_bench.value == other.coma_bench.value
            && self.barrels() == other.barrels()
            && self.second_look == other.second_look
    }

    /// Those of barrels, as they are judged by.
    pub fn barrels(&self) -> optics::barrels::Limits {
        optics::barrels::Limits {
            strain: self.barrels_note.value,
            bench: self.barrels_bench.value,
        }
    }

    /// Whether what is to be mentioned lies above what is for the bench, which
    /// would send to the bench what nobody would have mentioned.
    pub fn is_crossed(&self) -> bool {
        self.coma_note.value > self.coma_bench.value
            || self.barrels_note.value > self.barrels_bench.value
    }
}

/// The limits in force for a design, apart from any instrument of it.
pub fn of_design(design: Design, sets: &[LimitSet]) -> Limits {
    // No instrument has the id of nothing.
    in_force(design, InstrumentId(uuid::Uuid::nil()), sets)
}
