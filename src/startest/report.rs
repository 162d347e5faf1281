//! What a measurement says, in the shape in which it is stored and printed.
//!
//! The JSON of `tubewright measure --json` is [`Report`] and nothing else, so
//! that the web and the command line can never tell different stories. Every
//! name carries its unit; `null` stands for what could not be had.

use serde::{Deserialize, Serialize};

/// The whole outcome of measuring one set of frames.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Whether the set could be measured at all.
    pub verdict: Verdict,
    /// Why the set was refused; empty when it was measured.
    pub reasons: Vec<Reason>,
    /// What to keep in mind about a measured set: things that raise the error
    /// or that one set of frames cannot tell.
    #[serde(default)]
    pub notes: Vec<Reason>,
    /// How many frames came in, how many were used, which were dropped.
    pub frames: FrameCount,
    /// The ring geometry; `null` when refused.
    pub rings: Option<Rings>,
    /// The wavefront error the geometry (or a fit) implies; `null` when refused.
    pub wavefront: Option<Wavefront>,
    /// A second, independent measurement of the same frames, when one was made.
    #[serde(default)]
    pub cross_check: Option<Wavefront>,
    /// Strehl ratio if coma were the only error, 0 to 1; `null` when refused.
    pub strehl_from_coma: Option<f64>,
    /// Which formula `strehl_from_coma` uses: "exp(-(2 pi sigma)^2)", sigma
    /// being `wavefront.coma_annular_rms_waves`.
    pub strehl_formula: String,
}

/// Whether the set of frames could be measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// A number with an error came out.
    Measured,
    /// No number: the reasons say why.
    Refused,
}

/// Why something was refused or dropped, or what to bear in mind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// A stable kebab-case word (see `judge` for the list).
    pub code: String,
    /// What is the matter, in plain words.
    pub text: String,
    /// What to do about it.
    pub mend: String,
}

/// Frames given, used and dropped.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameCount {
    /// Frames that came in, readable or not; planes of a cube count singly.
    pub given: usize,
    /// Frames that went into the answer.
    pub used: usize,
    /// Frames left out, with the reason; at most [`FrameCount::LISTED`] of
    /// them, the rest are counted in `dropped_not_listed`.
    pub dropped: Vec<Dropped>,
    /// Dropped frames beyond those listed.
    #[serde(default)]
    pub dropped_not_listed: usize,
}

impl FrameCount {
    /// How many dropped frames are listed by name at most.
    pub const LISTED: usize = 200;
}

/// One frame left out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dropped {
    /// The frame's name: file name, with the plane for cubes.
    pub frame: String,
    /// Stable kebab-case word.
    pub code: String,
    /// What is the matter, in plain words.
    pub text: String,
    /// What to do about it.
    pub mend: String,
}

/// The donut as measured on the stacked frames.
///
/// Positions are pixels from the centre of the top left pixel as displayed,
/// x to the right and y down, in the first frame used; directions are degrees
/// clockwise from up as displayed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rings {
    /// Radius of the donut's outer edge, px, freed of the blur.
    pub outer_radius_px: f64,
    /// Radius of the shadow in its middle, px, freed of the blur; `null` for
    /// an unobstructed instrument.
    pub shadow_radius_px: Option<f64>,
    /// Centre of the outer edge, `[x, y]`.
    pub centre_px: [f64; 2],
    /// Centre of the shadow, `[x, y]`; of the light for an unobstructed instrument.
    pub shadow_centre_px: [f64; 2],
    /// Distance between the two centres, px.
    pub offset_px: f64,
    /// 1-sigma of `offset_px`, px: scatter of edges and frames only.
    pub offset_px_sigma: f64,
    /// Direction from the donut's centre in which the bright ring is thinnest
    /// (unobstructed: to which the light crowds), clock degrees, 0 to 360.
    pub thin_clock_deg: f64,
    /// 1-sigma of `thin_clock_deg`, degrees; 180 when the direction is unknown.
    pub thin_clock_deg_sigma: f64,
    /// Width of the ring on the thin side over the width opposite, 0 to 1;
    /// `null` for an unobstructed instrument.
    pub thin_to_thick: Option<f64>,
    /// Blur by air, focus wander and pixels, full width at half maximum, px.
    pub blur_fwhm_px: f64,
    /// Difference of the outer edge's longest and shortest half axis over its radius.
    pub out_of_round: f64,
    /// Brightness of the ring over the sky, in the frames' own units.
    pub ring_level: f64,
    /// `ring_level` over the noise of one pixel of the stack.
    pub ring_snr: f64,
}

/// A wavefront error with its error bars. Waves are always of 550 nm,
/// whatever band the frames were taken in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wavefront {
    /// How it was had: "geometry", "by eye" or "diffraction fit".
    pub method: String,
    /// sqrt(a7^2 + a8^2): RMS coma, Noll coefficients over the full circular
    /// aperture, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// 1-sigma of `coma_rms_waves`: scatter and the method's own error together.
    pub coma_rms_waves_sigma: f64,
    /// RMS of the same coma over the real annular aperture (Mahajan 1981), waves.
    pub coma_annular_rms_waves: f64,
    /// Noll a8: coma along x, to the right as displayed, waves.
    pub coma_x_waves: f64,
    /// Noll a7: coma along y, up as displayed, waves.
    pub coma_y_waves: f64,
    /// 1-sigma of each of the two components (they are equal and independent
    /// to the accuracy of this method), waves.
    pub coma_component_sigma_waves: f64,
    /// W020, peak defocus at the edge of the aperture, waves: positive outside
    /// focus, negative inside, positive when the side was not told.
    pub defocus_waves: f64,
    /// 1-sigma of `defocus_waves`.
    pub defocus_waves_sigma: f64,
    /// Part of the error that comes from noise and from the scatter between
    /// frames, per component, waves.
    pub scatter_sigma_waves: f64,
    /// Part of the error that comes from the method itself, per component, waves.
    pub model_sigma_waves: f64,
}

impl Report {
    /// The formula `strehl_from_coma` is computed with.
    pub const STREHL_FORMULA: &'static str = "exp(-(2 pi sigma)^2)";

    /// A refused set: the reasons and the count of frames, and no number.
    #[must_use]
    pub fn refused(reasons: Vec<Reason>, frames: FrameCount) -> Self {
        Report {
            verdict: Verdict::Refused,
            reasons,
            notes: Vec::new(),
            frames,
            rings: None,
            wavefront: None,
            cross_check: None,
            strehl_from_coma: None,
            strehl_formula: Self::STREHL_FORMULA.to_owned(),
        }
    }

    /// A measured set.
    #[must_use]
    pub fn measured(
        rings: Rings,
        wavefront: Wavefront,
        frames: FrameCount,
        notes: Vec<Reason>,
    ) -> Self {
        let strehl = crate::optics::strehl::exponential(wavefront.coma_annular_rms_waves);
        Report {
            verdict: Verdict::Measured,
            reasons: Vec::new(),
            notes,
            frames,
            rings: Some(rings),
            wavefront: Some(wavefront),
            cross_check: None,
            strehl_from_coma: Some(strehl),
            strehl_formula: Self::STREHL_FORMULA.to_owned(),
        }
    }
}
