//! Stills of a phone held at an eyepiece: in colour, and nobody knows the scale.
//!
//! Each still is joined until the donut is some 40 to 80 pixels in radius (a phone's pixels are
//! far finer than what the air lets through), placed on the others by its light, brought to
//! their brightness and added up, colour by colour. The fit finds the scale from the rings
//! ([`fit::fit_colours`]); after that all is as with frames whose scale is known.

use super::answer::{OBSTRUCTION_APART, told_obstruction, unexplained};
use super::reported::{Answer, FIT, GEOMETRY, by_fit};
use super::writing::{air_of, fit_report, rings_of};
use super::{Look, Options, Outcome, Progress, Unreadable};
use crate::decode::Still;
use crate::fit::{self, Band, FitOptions, FitResult};
use crate::frame::{Setup, Side};
use crate::judge::{judge_stack, reason, said};
use crate::report::{Agreement, FrameCount, Reason, Report, ScaleFound};
use crate::rings::Geometry;
use crate::scatter;
use crate::stack::Stack;
use optics::ARCSEC_PER_RAD;
use std::ops::ControlFlow;

mod gather;
pub(super) mod scale;

use gather::{Gathered, gather};

/// What a phone's colours are taken for: its red, green and blue overlap, and a star is
/// bluer than a lamp (common practice, no source).
const BANDS: [Band; 3] = [
    Band {
        middle_nm: 600.0,
        sigma_nm: 42.0,
    },
    Band {
        middle_nm: 538.0,
        sigma_nm: 42.0,
    },
    Band {
        middle_nm: 467.0,
        sigma_nm: 42.0,
    },
];
/// And a grey picture's.
const GREY: Band = Band {
    middle_nm: 545.0,
    sigma_nm: 70.0,
};

/// A telescope with an eyepiece and a phone, of which nobody knows the scale.
#[derive(Debug, Clone, Copy)]
pub struct Eyepiece<'a> {
    /// Aperture and obstruction are told; focal length, pixel and band stand for nothing.
    told: &'a Setup,
}

/// Waves out of focus and focal ratio that stand in until the rings have told.
const FIRST_WAVES: f64 = 6.0;
const ANY_RATIO: f64 = 10.0;

impl<'a> Eyepiece<'a> {
    /// A setup in which a donut of this radius (pixels) is so many waves out of focus. Of
    /// focal length and pixel only the ratio counts.
    fn setup(self, radius_px: f64, waves: f64) -> Setup {
        Setup {
            focal_mm: ANY_RATIO * self.told.aperture_mm,
            pixel_um: waves * 4.0 * ANY_RATIO * crate::coma::WAVE_UM / radius_px,
            wavelength_nm: 545.0,
            bandwidth_nm: 200.0,
            side: Side::Outside,
            ..self.told.clone()
        }
    }

    fn any_setup(self) -> Setup {
        self.setup(60.0, FIRST_WAVES)
    }
}

/// Measures stills whose scale nobody knows. Of `told` aperture and obstruction count.
pub fn measure_stills<I>(
    stills: I,
    told: &Setup,
    options: &Options,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Still, Unreadable>>,
{
    let eyepiece = Eyepiece { told };
    match gather(stills, &eyepiece, progress) {
        Ok(gathered) => measured(gathered, eyepiece, options),
        Err((reasons, frames)) => refused(reasons, frames, None),
    }
}

fn refused(reasons: Vec<Reason>, mut frames: FrameCount, stack: Option<Stack>) -> Outcome {
    frames.used = 0;
    Outcome::refused(reasons, frames, stack)
}

/// Refusals of the shape that say nothing of a scale.
const OF_THE_SHAPE: [&str; 4] = ["two-stars", "cut-by-edge", "too-faint", "smeared"];
/// Fewer waves than this tell no scale: the star is in focus or nearly so.
const LEAST_WAVES: f64 = 2.2;
/// A fit that leaves more than this share of the light unexplained is of no single star.
const MOST_LEFT: f64 = 0.22;

fn measured(gathered: Gathered, eyepiece: Eyepiece<'_>, options: &Options) -> Outcome {
    let Gathered {
        luminance,
        colours,
        join,
        corner,
        frames,
        pixel_rad,
    } = gathered;
    let first = eyepiece.setup(luminance.radius, FIRST_WAVES);
    let rings = judge_stack(&luminance, &first);
    if let Err(why) = &rings
        && OF_THE_SHAPE.contains(&why.code.as_str())
    {
        return refused(vec![of_a_still(why)], frames, Some(luminance));
    }
    let start = start_of(&luminance, rings.as_ref().ok(), &first);
    let pictures: Vec<_> = match &colours[..] {
        [grey] => vec![(&grey.stamp, GREY)],
        all => all.iter().zip(BANDS).map(|(s, b)| (&s.stamp, b)).collect(),
    };
    let how = FitOptions {
        response_sigma: 0.1,
        ..options.fit_options
    };
    let join = join as f64;
    let mut found = match fit::fit_colours(&pictures, &first, &start, &how) {
        Ok(found) => found,
        Err(error) => {
            let why = rings
                .err()
                .unwrap_or_else(|| reason("not-a-donut", error.to_string()));
            return refused(vec![why], frames, Some(luminance));
        }
    };
    if let Some(why) = unfit(&found, eyepiece.told) {
        return refused(vec![why], frames, Some(luminance));
    }
    let told = options.known_scale.scale(pixel_rad);
    let rings_scale = found.sizes.as_ref().map(|sizes| {
        let [scale, sigma] = sizes.arcsec_per_px;
        [scale / join, sigma / scale]
    });
    let is_as_told = told
        .zip(rings_scale)
        .is_some_and(|(t, r)| scale::agree(t, r));
    if let Some([scale, share]) = told.filter(|_| is_as_told) {
        found.take_in_scale([scale * join, share]);
    }
    let Some(sizes) = found.sizes.clone() else {
        let why = reason("not-a-donut", "no scale was found");
        return refused(vec![why], frames, Some(luminance));
    };
    let setup = Setup {
        pixel_um: sizes.arcsec_per_px[0] / ARCSEC_PER_RAD * first.focal_mm * 1e3,
        ..first
    };
    let geometry = match judge_stack(&luminance, &setup).or(rings) {
        Ok(g) => g,
        Err(why) => return refused(vec![why], frames, Some(luminance)),
    };
    let read = geometry.coma(&setup);
    let rings_scatter = scatter::by_rings(&luminance, &setup);
    let looks = vec![Look {
        side: Side::Outside,
        scatter: read.noise_sigma.max(rings_scatter.sigma),
        stack: luminance,
        geometry,
        read,
        frames: frames.clone(),
        notes: Vec::new(),
    }];
    let by_rings = Answer::by_rings(&looks, &setup);
    let blocks = scatter::by_colours(&found, &colours);
    let mut answer = by_fit(&found, blocks, &by_rings);
    let cut = one_sided(&sizes.shades);
    answer.model_sigma = cut * cut * CUT_TO_COMA;
    let wavefront = answer.wavefront(FIT, &setup);
    let mut report = Report::measured(
        rings_of(&looks[0], &wavefront),
        wavefront,
        frames,
        Vec::new(),
    );
    let apart = (answer.coma[0] - by_rings.coma[0]).hypot(answer.coma[1] - by_rings.coma[1]);
    let sigma = answer.sigma().hypot(by_rings.sigma());
    report.agreement = Some(Agreement {
        apart_waves: apart,
        sigma_waves: sigma,
        agree: apart <= 3.03 * sigma,
    });
    report.cross_check = Some(by_rings.wavefront(GEOMETRY, &setup));
    report.air = Some(air_of(&found, &looks, &setup));
    report.fit = Some(fit_report(&found, blocks, &answer, &looks, options));
    let [scale, scale_sigma] = sizes.arcsec_per_px;
    let [a, b] = sizes.unequal;
    report.scale = Some(ScaleFound {
        arcsec_per_px: scale / join,
        arcsec_per_px_sigma: scale_sigma / join,
        unequal: a.hypot(b),
        unequal_sigma: sizes.unequal_sigma,
        longest_clock_deg: (90.0 - 0.5 * b.atan2(a).to_degrees()).rem_euclid(180.0),
        joined_px: join as usize,
        told: told.map(|told| scale::told_report(told, is_as_told)),
    });
    report.notes = notes(&report, eyepiece.told, cut);
    if let Some((told, rings)) = told.zip(rings_scale).filter(|_| !is_as_told) {
        report.notes.push(scale::contradicts(told, rings));
    }
    in_still_pixels(&mut report, join, corner);
    let (stack, geometry) = looks
        .into_iter()
        .next()
        .map_or((None, None), |l| (Some(l.stack), Some(l.geometry)));
    Outcome {
        report,
        stack,
        geometry,
        inside: None,
        fitted: Some(found),
    }
}

/// What draws out or fills the donut of a phone's stills, beside a star that moved: held at an
/// eyepiece nobody sees whether it is double, or all but in focus.
fn of_a_still(why: &Reason) -> Reason {
    if why.code != "smeared" {
        return why.clone();
    }
    said(
        "smeared",
        "the star is drawn out, or its dark middle filled: it moved, it is a double star, or it is nearly in focus",
        "Go farther out of focus on a star that stands alone, and hold the phone still.",
    )
}

/// Where the fit begins.
fn start_of(stack: &Stack, rings: Option<&Geometry>, setup: &Setup) -> fit::Start {
    match rings {
        Some(g) => {
            let read = g.coma(setup);
            fit::Start {
                centre_px: g.centre,
                outer_radius_px: g.outer_radius,
                shadow_radius_px: g.shadow.map(|s| s.radius),
                coma_waves: [read.x_waves, read.y_waves],
                coma_sigma_waves: read.noise_sigma.hypot(read.model_sigma),
            }
        }
        None => fit::Start {
            centre_px: stack.centre,
            outer_radius_px: stack.radius,
            shadow_radius_px: None,
            coma_waves: [0.0; 2],
            coma_sigma_waves: 0.1,
        },
    }
}

/// Why a fit is of no defocused star through this telescope, if it is not.
fn unfit(found: &FitResult, told: &Setup) -> Option<Reason> {
    let waves = found.pictures.first().map_or(0.0, |p| p.w020_waves.abs());
    let left = unexplained(found);
    let apart = (found.obstruction - told.obstruction).abs();
    if waves < LEAST_WAVES {
        return Some(reason(
            "not-defocused",
            format!("the star is only {waves:.1} waves out of focus"),
        ));
    }
    if left > MOST_LEFT {
        return Some(reason(
            "not-a-donut",
            format!(
                "the light is not that of one defocused star through the telescope told: {:.0} % of it stays unexplained",
                100.0 * left
            ),
        ));
    }
    (apart > OBSTRUCTION_APART).then(|| told_obstruction(found, told))
}

/// A scale known no better than this share is worth a word, and one as unequal.
const ROUGHLY: f64 = 0.04;
const TILTED: f64 = 0.02;

/// The steepest rise of the light across the donut, as a share of its middle, from one side
/// to the other, the mean of the colours.
fn one_sided(shades: &[[f64; 3]]) -> f64 {
    let n = shades.len().max(1) as f64;
    let [x, y] = [0, 1].map(|k| shades.iter().map(|s| s[k]).sum::<f64>() / n);
    x.hypot(y)
}

/// Light that a stop cuts off on one side passes for coma as far as its edge is none of the
/// even rises that are fitted: by this times the square of the rise, waves a component (found
/// on the tuning seeds of tests/accuracy/phone). A rise beyond this is worth a word.
const CUT_TO_COMA: f64 = 1.5;
const CUT_NOTED: f64 = 0.06;

/// What is to be borne in mind of a camera on a known focal length only.
const OF_A_CAMERA: [&str; 3] = ["told-matters", "focal-length-doubtful", "response-bent"];

fn notes(report: &Report, told: &Setup, cut: f64) -> Vec<Reason> {
    let mut notes = crate::notes::on_fit(report, told);
    // Nobody told a focal length or a pixel, and no phone's stills are raw.
    notes.retain(|n| !OF_A_CAMERA.contains(&n.code.as_str()));
    let Some(scale) = &report.scale else {
        return notes;
    };
    if scale.arcsec_per_px_sigma > ROUGHLY * scale.arcsec_per_px {
        notes.push(said(
            "scale-rough",
            format!(
                "the rings tell the scale to {:.0} % only, and the size of the coma no better",
                100.0 * scale.arcsec_per_px_sigma / scale.arcsec_per_px
            ),
            "Wait for steadier air, or take more stills; the direction does not need the scale.",
        ));
    }
    if cut > CUT_NOTED {
        notes.push(said(
            "phone-off-centre",
            format!(
                "one side of the donut has {:.0} % less light than its middle, as where the phone stands off the eyepiece's middle and cuts the beam",
                100.0 * cut
            ),
            "Centre the phone over the eyepiece and take the stills again; the error allows for what the cut may feign.",
        ));
    }
    if scale.unequal > TILTED && scale.unequal > 3.0 * scale.unequal_sigma {
        notes.push(said(
            "phone-tilted",
            format!(
                "the picture is drawn out by {:.1} %, as by a phone that is tilted against the eyepiece",
                100.0 * scale.unequal
            ),
            "Hold the phone flat against the eyepiece; the figures allow for it.",
        ));
    }
    notes
}

/// Turns all pixels of a report from those of the stack to those of the stills.
fn in_still_pixels(report: &mut Report, join: f64, corner: [usize; 2]) {
    let place = |at: [f64; 2]| [0, 1].map(|k| (at[k] + 0.5) * join - 0.5 + corner[k] as f64);
    if let Some(r) = &mut report.rings {
        r.outer_radius_px *= join;
        r.shadow_radius_px = r.shadow_radius_px.map(|v| v * join);
        r.centre_px = place(r.centre_px);
        r.shadow_centre_px = place(r.shadow_centre_px);
        r.offset_px *= join;
        r.offset_px_sigma *= join;
        r.blur_fwhm_px *= join;
    }
    for p in report.fit.iter_mut().flat_map(|f| &mut f.pictures) {
        p.position_px = place(p.position_px);
        p.blur_fwhm_px *= join;
    }
}
