//! A line of a logbook, as `logbooks/TAG.toml` writes it.

use library::entries::EntryKind;
use library::instruments::Status;
use library::journeys::JourneyKind;
use library::problems::{AsksFor, ProblemWhat};
use library::star_tests::FocusSide;
use library::works::WorkWhat;
use serde::Deserialize;

/// One line of a logbook. Which fields it needs depends on `line`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Days ago.
    pub ago: i64,
    /// Time in the club's zone, HH:MM.
    pub at: String,
    /// Who signs it.
    pub who: String,
    /// What it tells.
    pub line: EntryKind,
    /// A name by which later lines of the same logbook speak of it.
    pub key: Option<String>,
    /// The line that this one corrects.
    pub corrects: Option<String>,
    /// The line that this one strikes out.
    pub strikes: Option<String>,
    /// Words beside the details.
    #[serde(default)]
    pub note: String,
    /// Written down so many days ago, where that was not at once.
    pub written: Option<i64>,

    /// Lend: to whom.
    pub to: Option<String>,
    /// Lend: due so many days ago; below zero in days to come.
    pub until: Option<i64>,
    /// Lend: why although held.
    pub although: Option<String>,
    /// Take-back: parts that did not come back.
    #[serde(default)]
    pub missing: Vec<String>,

    /// Journey: how.
    pub kind: Option<JourneyKind>,
    /// Journey: how far.
    pub km: Option<f64>,
    /// Journey: how hard, 1 to 3.
    pub severity: Option<i64>,

    /// Star test by eye.
    pub eye: Option<Eye>,
    /// Star test from frames.
    pub frames: Option<Frames>,

    /// Barrel check by eye.
    pub barrels: Option<Barrels>,

    /// Problem: what.
    pub found: Option<ProblemWhat>,
    /// Problem: what it asks for.
    pub asks: Option<AsksFor>,
    /// Problem, work, status, note: in words.
    pub words: Option<String>,

    /// Work: what.
    pub did: Option<WorkWhat>,
    /// Work: how long, minutes.
    pub minutes: Option<i64>,
    /// Work: whether optics were moved.
    pub moved: Option<bool>,
    /// Work: the problems it settles.
    #[serde(default)]
    pub settles: Vec<String>,

    /// Work: spare parts that went into it, and how many.
    #[serde(default)]
    pub used: Vec<(String, f64)>,

    /// Work: parts of the kit that were missing and are there again, or new ones.
    #[serde(default)]
    pub kit_again: Vec<String>,

    /// Status: which.
    pub status: Option<Status>,
}

/// What a person saw at the eyepiece.
#[derive(Debug, Clone, Copy, Deserialize, serde::Serialize)]
#[serde(deny_unknown_fields)]
pub struct Eye {
    /// How wide the donut looks in the eyepiece, degrees.
    pub looks_deg: f64,
    /// Magnification.
    pub power: f64,
    /// Thin side over thick side.
    pub ratio: f64,
    /// Thin side, 1 to 12 on the clock; none when it could not be told.
    pub thin: Option<u8>,
    /// Side of focus.
    pub side: FocusSide,
    /// Seeing, Antoniadi.
    pub seeing: i64,
}

/// What a person saw through both barrels, at each opening of the hinge.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Barrels {
    /// Magnification.
    pub power: f64,
    /// Distance of the target, m; none for a star.
    pub metres: Option<f64>,
    /// Convergence (below 0: divergence) and step (above 0: the left higher), arc minutes
    /// at the eye.
    pub openings: Vec<[f64; 2]>,
}

/// The star that a camera was pointed at: the frames are made from this.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Frames {
    /// True RMS coma, Noll, waves at 550 nm.
    pub coma: f64,
    /// True direction of the thin side in the picture, clock degrees.
    pub thin_deg: f64,
    /// Peak defocus, waves at 550 nm.
    pub waves: f64,
    /// Side of focus.
    pub side: FocusSide,
    /// How many frames.
    pub shots: usize,
    /// Seeing, full width at half maximum, arc seconds.
    pub seeing_arcsec: f64,
}
