//! A picture by day down a Newtonian's focuser, through a peephole: the circles in it, and
//! what they say of flat and primary ([`optics::peephole`]).
//!
//! `edges` finds where light changes, `circles` what lies on circles, `label` which is which.

mod circles;
mod edges;
mod label;

use std::fs::File;
use std::path::Path;

use optics::peephole::{Found, Rim, Rims, Told, find};
use serde::Serialize;

use super::decode::{DecodeError, FrameReader, Limits};
use super::frame::Frame;
use super::report::{Reason, Verdict};
use circles::Circle;
use edges::Grey;
use label::Labelled;

/// Larger a share at the full scale than this hides the rims.
const MOST_CLIPPED: f64 = 0.6;
/// Circles farther apart than they can be, by their errors, are other things.
const MOST_CHI2: f64 = 8.0;

/// Why a picture says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Refused {
    Small,
    Dark,
    Clipped,
    Blurred,
    Cut,
    NoPrimary,
    Contradict,
    CutByFlat,
    FarOff,
    NothingTold,
}

impl Refused {
    fn reason(self, name: &str) -> Reason {
        let (code, text, mend) = match self {
            Self::Small => (
                "too-small",
                "the picture has fewer than 300 pixels along a side",
                "Send the whole picture.",
            ),
            Self::Dark => (
                "dark",
                "there is no light in the picture",
                "Point the tube at bright sky or a white wall, away from the Sun.",
            ),
            Self::Clipped => (
                "clipped",
                "most of the picture is at the full scale",
                "Take it again with less exposure.",
            ),
            Self::Blurred => (
                "blurred",
                "the primary's rim is not sharp",
                "Tap on the primary's rim so that the phone focuses on it, and hold it still.",
            ),
            Self::Cut => (
                "cut",
                "the primary's rim is cut by the edge of the picture",
                "Bring the bright circle to the middle of the picture, and zoom out.",
            ),
            Self::NoPrimary => (
                "no-primary",
                "the primary's rim with the flat's shadow in it was not found",
                "Point the tube at bright sky away from the Sun, look through the peephole, and check aperture and flat.",
            ),
            Self::CutByFlat => (
                "cut-by-flat",
                "the flat's rim cuts the primary's, so the primary's middle is not told",
                "Tilt the flat by hand until the whole round primary shows in it, and take another picture.",
            ),
            Self::Contradict => (
                "contradict",
                "the circles found do not fit each other",
                "Check the sizes and where the tube's front end lies in the picture, and take another picture.",
            ),
            Self::NothingTold => (
                "nothing-told",
                "neither the flat's rim nor the mark before a bright face was found",
                "Use a cap with a white inner face, and hold white paper into the tube behind the flat.",
            ),
            Self::FarOff => (
                "phone-off",
                "the phone looked from too far beside the middle of the peephole",
                "Hold its lens close to the hole and in its middle.",
            ),
        };
        Reason {
            code: code.to_owned(),
            text: format!("{name}: {text}"),
            mend: mend.to_owned(),
        }
    }
}

/// Which circle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Which {
    /// The drawtube's inner end.
    Drawtube,
    /// The flat's rim.
    Flat,
    /// The primary's rim in the flat.
    Primary,
    /// The flat's shadow in the primary.
    Shadow,
    /// The bright face around the peephole, in the primary.
    Face,
    /// The primary's mark.
    Mark,
}

impl Which {
    /// All, from outside in.
    pub const ALL: [Self; 6] = [
        Self::Drawtube,
        Self::Flat,
        Self::Primary,
        Self::Shadow,
        Self::Face,
        Self::Mark,
    ];

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Drawtube => "inner end of the drawtube",
            Self::Flat => "rim of the flat",
            Self::Primary => "rim of the primary",
            Self::Shadow => "shadow of the flat in the primary",
            Self::Face => "bright face around the peephole",
            Self::Mark => "mark on the primary",
        }
    }
}

/// A circle found in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Seen {
    /// Which.
    pub which: Which,
    /// Its middle, px from the centre of the top left pixel, x right and y down.
    pub at_px: [f64; 2],
    /// Its radius, px.
    pub radius_px: f64,
    /// 1-sigma of each of the middle's coordinates, px.
    pub sigma_px: f64,
    /// The share of its length that was found, 0 to 1.
    pub covered: f64,
}

/// What a picture says, as printed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Whether anything could be measured.
    pub verdict: Verdict,
    /// Why not.
    pub reasons: Vec<Reason>,
    /// What could not be told, and what to keep in mind.
    pub notes: Vec<Reason>,
    /// Width and height of the picture, px.
    pub size_px: [usize; 2],
    /// The circles found, from outside in.
    pub circles: Vec<Seen>,
    /// What they say; `null` when refused.
    pub found: Option<Found>,
}

/// Reads the first picture of a file and measures it; `name` is for messages.
#[must_use]
pub fn measure_file(path: &Path, name: &str, told: &Told) -> Report {
    let unreadable = |error: DecodeError| {
        refused(
            [0, 0],
            Reason {
                code: error.code().to_owned(),
                text: format!("{name}: {error}"),
                mend: error.mend().to_owned(),
            },
        )
    };
    let file = match File::open(path) {
        Ok(file) => file,
        Err(e) => return unreadable(DecodeError::Io(e.to_string())),
    };
    let mut reader = match FrameReader::from_reader(name, file, &Limits::default()) {
        Ok(reader) => reader,
        Err(e) => return unreadable(e),
    };
    match reader.next() {
        Some(Ok(frame)) => measure(&frame, told),
        Some(Err(e)) => unreadable(e),
        None => refused([0, 0], Refused::Dark.reason(name)),
    }
}

fn refused(size_px: [usize; 2], reason: Reason) -> Report {
    Report {
        verdict: Verdict::Refused,
        reasons: vec![reason],
        notes: Vec::new(),
        size_px,
        circles: Vec::new(),
        found: None,
    }
}

/// Measures a picture.
#[must_use]
pub fn measure(frame: &Frame, told: &Told) -> Report {
    let size = [frame.width, frame.height];
    let labelled = match grey(frame).and_then(|grey| label::seen(&grey, told)) {
        Ok(labelled) => labelled,
        Err(why) => return refused(size, why.reason(&frame.name)),
    };
    // The likeliest that fits; where none does, what is left without flat and drawtube.
    let fits = labelled.iter().find_map(|one| {
        let found = find(&one.rims(size), told)?;
        (found.chi2 < MOST_CHI2).then_some((one, found))
    });
    let Some((labelled, found)) = fits else {
        let cut = labelled.iter().any(Labelled::is_cut);
        let why = if cut {
            Refused::CutByFlat
        } else {
            Refused::Contradict
        };
        let mut report = refused(size, why.reason(&frame.name));
        report.circles = labelled.first().map(Labelled::circles).unwrap_or_default();
        return report;
    };
    let mut report = Report {
        verdict: Verdict::Measured,
        reasons: Vec::new(),
        notes: notes(labelled, told),
        size_px: size,
        circles: labelled.circles(),
        found: Some(found),
    };
    let beside = found.phone.size_mm() - 2.0 * found.phone.sigma_mm;
    let why = if beside > told.hole_mm.max(2.5) {
        Some(Refused::FarOff)
    } else if found.reflection.is_none() && found.primary.is_none() {
        Some(Refused::NothingTold)
    } else {
        None
    };
    if let Some(why) = why {
        report.verdict = Verdict::Refused;
        report.reasons = vec![why.reason(&frame.name)];
        report.found = None;
    }
    report
}

/// As grey; the root of the light evens out noise and shows what lies in shadow.
fn grey(frame: &Frame) -> Result<Grey, Refused> {
    if frame.width.min(frame.height) < 300 {
        return Err(Refused::Small);
    }
    let bright = frame.data.iter().copied().fold(0.0, f32::max);
    let full = frame.full_scale.unwrap_or(bright);
    if bright <= 0.02 * full || bright <= 0.0 {
        return Err(Refused::Dark);
    }
    let clipped = frame.data.iter().filter(|v| **v >= 0.995 * full).count();
    if clipped as f64 > MOST_CLIPPED * frame.data.len() as f64 {
        return Err(Refused::Clipped);
    }
    Ok(Grey {
        width: frame.width,
        height: frame.height,
        data: frame
            .data
            .iter()
            .map(|v| (v / full).clamp(0.0, 1.0).sqrt())
            .collect(),
    })
}

impl Labelled {
    /// Whether the flat's rim reaches into the primary's.
    fn is_cut(&self) -> bool {
        let p = &self.primary;
        self.flat.is_some_and(|f| {
            (f.at[0] - p.at[0]).hypot(f.at[1] - p.at[1]) + p.radius > 0.985 * f.radius
        })
    }

    fn of(&self, which: Which) -> Option<Circle> {
        match which {
            Which::Drawtube => self.draw,
            Which::Flat => self.flat,
            Which::Primary => Some(self.primary),
            Which::Shadow => Some(self.shadow),
            Which::Face => self.face,
            Which::Mark => self.mark,
        }
    }

    fn circles(&self) -> Vec<Seen> {
        let seen = |which| {
            let c = self.of(which)?;
            Some(Seen {
                which,
                at_px: c.at,
                radius_px: c.radius,
                sigma_px: c.sigma,
                covered: c.covered,
            })
        };
        Which::ALL.into_iter().filter_map(seen).collect()
    }

    fn rims(&self, [width, height]: [usize; 2]) -> Rims {
        let rim = |c: Circle| Rim {
            at_px: [
                c.at[0] - 0.5 * (width as f64 - 1.0),
                0.5 * (height as f64 - 1.0) - c.at[1],
            ],
            radius_px: c.radius,
            sigma_px: c.sigma,
        };
        Rims {
            primary: rim(self.primary),
            draw: self.draw.map(rim),
            flat: self.flat.map(rim),
            shadow: Some(rim(self.shadow)),
            face: self.face.map(rim),
            mark: self.mark.map(rim),
        }
    }
}

fn notes(labelled: &Labelled, told: &Told) -> Vec<Reason> {
    let mut notes = Vec::new();
    let mut note = |code: &str, text: &str, mend: &str| {
        notes.push(Reason {
            code: code.to_owned(),
            text: text.to_owned(),
            mend: mend.to_owned(),
        });
    };
    if labelled.face.is_none() {
        note(
            "no-face",
            "the bright face around the peephole does not show in the primary, so the primary's tilt is not told",
            "Use a cap or sight tube with a white or lit inner face.",
        );
    } else if labelled.mark.is_none() {
        note(
            "no-mark",
            "the primary's mark was not found before the bright face, so the primary's tilt is not told",
            "Turn the primary's screws until the mark stands before the bright face, or take a sharper picture.",
        );
    }
    if labelled.flat.is_none() {
        note(
            "no-flat",
            "the flat's rim was not found, so the phone's own place is in the errors",
            "Hold white paper into the tube behind the flat, so that its rim stands out.",
        );
    } else if told.draw_mm.is_some() && labelled.draw.is_none() {
        note(
            "no-drawtube",
            "the drawtube's inner end was not found, so the flat's place and tilt are not told",
            "Zoom out until the whole round end of the drawtube shows.",
        );
    }
    if told.draw_mm.is_none() {
        note(
            "draw-not-told",
            "the drawtube's inner diameter is not known, so the flat's place and tilt are not told",
            "Measure it and enter it.",
        );
    }
    if told.front_clock_deg.is_none() {
        note(
            "front-not-told",
            "where the tube's front end lies in the picture is not known, so the flat's place is less sure and no screw can be named",
            "Hold the phone so that the tube's front end is up in the picture, and enter 12.",
        );
    }
    notes
}
