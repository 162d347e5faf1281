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
    /// How the two compare, when there are two.
    #[serde(default)]
    pub agreement: Option<Agreement>,
    /// Everything the diffraction fit found; `null` when none was made.
    #[serde(default)]
    pub fit: Option<Fit>,
    /// The scale of stills for which it was not told; `null` where it was.
    #[serde(default)]
    pub scale: Option<ScaleFound>,
    /// What tonight's air leaves in the answer; `null` without a fit.
    #[serde(default)]
    pub air: Option<Air>,
    /// Coma the star has by its own distance from the axis, taken off the
    /// answer; `null` when it was not asked for.
    #[serde(default)]
    pub field: Option<Field>,
    /// Inside and outside set singly, inside first; empty for a single set.
    #[serde(default)]
    pub sets: Vec<SetReport>,
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
    /// Direction in which coma makes the bright ring thinnest (unobstructed: to
    /// which the light crowds), clock degrees, 0 to 360: opposite to the coma
    /// vector as reported, so a shadow that a pair shows to be off centre, and
    /// the field's own coma, are out of it. By geometry alone: as seen.
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

/// Whether the diffraction fit and the ring geometry say the same.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Agreement {
    /// Length of the difference of the two coma vectors, waves.
    pub apart_waves: f64,
    /// 1-sigma per component of that difference, from both errors.
    pub sigma_waves: f64,
    /// True when the difference is one that these errors make once in a
    /// hundred times or oftener.
    pub agree: bool,
}

/// The diffraction fit's own findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// The fitted Zernike terms. For a pair, defocus is the outside picture's.
    pub terms: Vec<Term>,
    /// Covariance of (a8, a7) as reported: [xx, xy, yy], waves^2.
    pub coma_covariance_waves2: [f64; 3],
    /// 1-sigma per coma component from what the fit left over, waves.
    pub residual_sigma_waves: f64,
    /// 1-sigma per coma component from how blocks of frames differ, waves;
    /// `null` for a single frame.
    pub scatter_sigma_waves: Option<f64>,
    /// Weighted sum of squared residuals.
    pub chi2: f64,
    /// Pixels less parameters.
    pub degrees_of_freedom: usize,
    /// The obstruction as fitted: it may give a little from what was told.
    pub obstruction: f64,
    /// 1-sigma of it; `null` where it was held.
    #[serde(default)]
    pub obstruction_sigma: Option<f64>,
    /// Part of each coma component's 1-sigma that is owed to what was told of
    /// focal length and camera (and, where it was fitted from one side, to the
    /// shadow's place) and cannot be checked well in the picture, waves.
    /// It is in the sigmas.
    #[serde(default)]
    pub told_doubt_waves: f64,
    /// Vanes that were not told but stand in the picture; the fit has them in its
    /// pupil. `null` when none were seen, or when vanes were told.
    #[serde(default)]
    pub vanes_seen: Option<VanesSeen>,
    /// Focal length as fitted over that told: where rings show, their spacing
    /// tells it. `null` where it was held.
    #[serde(default)]
    pub focal_scale: Option<f64>,
    /// 1-sigma of it.
    #[serde(default)]
    pub focal_scale_sigma: Option<f64>,
    /// The exponent of the camera's response as fitted, 1 for counts that go
    /// with the light; `null` where it was held.
    #[serde(default)]
    pub response: Option<f64>,
    /// 1-sigma of it.
    #[serde(default)]
    pub response_sigma: Option<f64>,
    /// Which side of focus the terms are expressed for.
    pub side_used: String,
    /// Which side the data prefer: "inside" or "outside"; `null` when they
    /// cannot tell, as with every pupil that half a turn leaves alike.
    pub side_preferred: Option<String>,
    /// By how much chi2 (scaled to 1 per degree of freedom) prefers it.
    pub side_delta_chi2: f64,
    /// Where the shadow sits in the pupil: from a pair; from a single set only where
    /// its rings ask for it beyond doubt, or so far out of focus that the geometry
    /// answers.
    pub shadow_decentre: Option<ShadowDecentre>,
    /// From one side only: by how much, 1-sigma per component, a shadow off
    /// centre by `plausible_decentre` would falsify the coma, waves; 0 for a
    /// pair. **Not part of the sigmas**, where the shadow's place was not fitted.
    pub decentre_doubt_waves: f64,
    /// The decentre for which that doubt is given, in units of the aperture's
    /// radius.
    pub plausible_decentre: f64,
    /// One for each picture fitted, inside first for a pair.
    pub pictures: Vec<FittedPicture>,
    /// Pictures the model computed at full fineness and, before, coarsely.
    pub model_pictures: [usize; 2],
    /// Sets of derivatives, likewise.
    pub model_derivatives: [usize; 2],
}

/// A scale that somebody told.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ScaleTold {
    /// Arc seconds on the sky to a pixel of the stills.
    pub arcsec_per_px: f64,
    /// 1-sigma of it.
    pub arcsec_per_px_sigma: f64,
    /// Whether the fit went by it; not where the rings contradict it.
    pub used: bool,
}

/// A scale that the rings told, with what was known beside them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ScaleFound {
    /// Arc seconds on the sky to a pixel of the stills.
    pub arcsec_per_px: f64,
    /// 1-sigma of it. Waves out of focus and the size of the coma go with it, the
    /// direction does not.
    pub arcsec_per_px_sigma: f64,
    /// By what share the picture is larger along one direction than across it, as where
    /// the phone was tilted. One side of focus tells this hardly from astigmatism: both then
    /// have a large sigma.
    pub unequal: f64,
    /// 1-sigma of it.
    pub unequal_sigma: f64,
    /// The direction in which it is largest, degrees clockwise from up, 0 to 180.
    pub longest_clock_deg: f64,
    /// Pixels of the stills taken together, along one side, before measuring.
    pub joined_px: usize,
    /// What was known of it beforehand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told: Option<ScaleTold>,
}

/// Vanes found in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VanesSeen {
    /// How many.
    pub count: u32,
    /// Thickness of each, mm, as the light they take tells it.
    pub width_mm: f64,
    /// Direction of the first in the picture, degrees clockwise from up.
    pub clock_deg: f64,
}

/// One Zernike term.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// Noll index.
    pub noll: usize,
    /// Its name.
    pub name: String,
    /// Coefficient, RMS waves at 550 nm over the full circle.
    pub waves: f64,
    /// 1-sigma from what the fit left over.
    pub sigma_waves: f64,
}

/// A shadow off centre, as seen outside focus (x right, y up).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShadowDecentre {
    /// To the right, in units of the aperture's radius.
    pub x: f64,
    /// Up, in units of the aperture's radius.
    pub y: f64,
    /// 1-sigma of each.
    pub sigma: f64,
}

/// What belongs to one fitted picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FittedPicture {
    /// W020, waves at 550 nm, negative inside focus.
    pub defocus_waves: f64,
    /// Where untilted light falls in the first frame used, px, y down.
    pub position_px: [f64; 2],
    /// FWHM of the blur, px.
    pub blur_fwhm_px: f64,
    /// FWHM of the blur, arc seconds.
    pub blur_fwhm_arcsec: f64,
    /// The star's light, in the frames' own units.
    pub flux: f64,
    /// Sky at the stamp's middle beyond what was taken off before, and its rise
    /// across the stamp in x and y.
    pub sky: [f64; 3],
    /// RMS of what the model leaves over the RMS of the star's light.
    pub residual_share: f64,
    /// The same with the noise taken off.
    #[serde(default)]
    pub unexplained_share: f64,
}

/// What the air does to a measurement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// Blur, FWHM in arc seconds (the worse of both for a pair); telescope
    /// shake and focus wander are in it.
    pub fwhm_arcsec: f64,
    /// D/r0 at 550 nm that such a blur stands for.
    pub d_over_r0: f64,
    /// RMS length of the coma vector that such air leaves in a mean of as many
    /// independent short exposures, waves (Noll 1976); long ones do better.
    pub coma_floor_waves: f64,
    /// The air's own coma (x, y) taken off the answer, waves: reports of before
    /// December 2026 only, `null` since.
    #[serde(default)]
    pub coma_taken_off_waves: Option<[f64; 2]>,
}

/// The star's own coma away from the axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Field {
    /// Star from the middle of the frames on the average, mm, x right, y up.
    pub star_mm: [f64; 2],
    /// Its own (a8, a7), waves: taken off the answer.
    pub coma_waves: [f64; 2],
}

/// One set of a pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetReport {
    /// "inside" or "outside".
    pub side: String,
    /// Its frames.
    pub frames: FrameCount,
    /// Its rings.
    pub rings: Option<Rings>,
    /// Its coma by geometry alone.
    pub geometry: Option<Wavefront>,
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
            agreement: None,
            fit: None,
            scale: None,
            air: None,
            field: None,
            sets: Vec::new(),
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
        let strehl = optics::strehl::exponential(wavefront.coma_annular_rms_waves);
        Report {
            verdict: Verdict::Measured,
            reasons: Vec::new(),
            notes,
            frames,
            rings: Some(rings),
            wavefront: Some(wavefront),
            cross_check: None,
            agreement: None,
            fit: None,
            scale: None,
            air: None,
            field: None,
            sets: Vec::new(),
            strehl_from_coma: Some(strehl),
            strehl_formula: Self::STREHL_FORMULA.to_owned(),
        }
    }
}

/// Names of the Zernike terms of Noll's table I.
#[must_use]
pub fn term_name(noll: usize) -> &'static str {
    match noll {
        4 => "Defocus",
        5 => "Astigmatism at 45 degrees",
        6 => "Astigmatism at 0 degrees",
        7 => "Coma along y",
        8 => "Coma along x",
        9 => "Trefoil along y",
        10 => "Trefoil along x",
        11 => "Spherical aberration",
        12 => "Secondary astigmatism at 0 degrees",
        13 => "Secondary astigmatism at 45 degrees",
        14 => "Quadrafoil at 0 degrees",
        15 => "Quadrafoil at 22.5 degrees",
        _ => "Term",
    }
}
