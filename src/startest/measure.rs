//! The whole road from frames to a report: rings first, then the diffraction
//! fit, each checking the other.

use std::ops::ControlFlow;

use super::find::quantile;
use super::fit::{self, FitError, FitOptions, FitResult};
use super::frame::{Frame, Setup, Side};
use super::judge::{check_shape, reason, said};
use super::notes;
use super::report::{
    Agreement, Air, Field, Fit, FittedPicture, FrameCount, Reason, Report, Rings, SetReport,
    ShadowDecentre, Term, Wavefront,
};
use super::rings::{Effort, GeometricComa, Geometry, NoRings, Start, measure_rings};
use super::scatter::{self, component_sigma};
use super::stack::{Stack, with_gaps};
use crate::optics::wavefront::{annular_from_noll_coma, w020_from_a4};
use crate::optics::{ARCSEC_PER_RAD, REFERENCE_NM, field, seeing};

pub use super::gather::{Gathered, Progress, Unreadable, gather};

/// How to measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Whether to fit the diffraction model; without, the rings alone answer.
    pub fit: bool,
    /// How to fit.
    pub fit_options: FitOptions,
    /// The coma a star has by its own distance from the middle of the frames,
    /// which is then taken for the axis; `None` leaves it in.
    pub field_coma: Option<FieldComa>,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            fit: true,
            fit_options: FitOptions::default(),
            field_coma: None,
        }
    }
}

impl Options {
    /// The rings alone: quick, rougher.
    #[must_use]
    pub fn rings_only() -> Self {
        Options {
            fit: false,
            ..Self::default()
        }
    }
}

/// How an instrument in line draws stars off its axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldComa {
    /// RMS coma per mm from the axis, waves at 550 nm; positive when the light
    /// flares away from the axis.
    pub rms_waves_per_mm: f64,
}

impl FieldComa {
    /// A paraboloid, as in a Newtonian: it flares outwards.
    #[must_use]
    pub fn paraboloid(setup: &Setup) -> Self {
        FieldComa {
            rms_waves_per_mm: field::newtonian_coma_rms(1.0, setup.focal_ratio()),
        }
    }
}

/// A report, and what it was made from.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What the measurement says.
    pub report: Report,
    /// The stacked donut (of a pair: the outside one); none when no frame was good.
    pub stack: Option<Stack>,
    /// The rings on that stack, in stamp pixels; none when refused.
    pub geometry: Option<Geometry>,
    /// The inside stack and rings of a pair.
    pub inside: Option<(Stack, Geometry)>,
    /// The fit; none when refused or when the rings alone answer.
    pub fitted: Option<FitResult>,
}

/// Measures a set of frames of one star, all taken at one focus.
///
/// Frames are taken from the iterator one at a time and let go; memory does
/// not grow with their number. `progress` is called after every frame and may
/// break off the measuring, which then ends refused as `cancelled`.
pub fn measure<I>(
    frames: I,
    setup: &Setup,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    measure_with(frames, setup, &Options::default(), progress)
}

/// [`measure`] with options.
pub fn measure_with<I>(
    frames: I,
    setup: &Setup,
    options: &Options,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    measure_stack(gather(frames, setup, progress), setup, options)
}

/// Measures a set taken inside focus and one taken outside together: the same
/// star through the same instrument and camera. `setup.side` says in which of
/// the pictures the vanes' direction was read.
pub fn measure_pair<I, O>(
    inside: I,
    outside: O,
    setup: &Setup,
    options: &Options,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Outcome
where
    I: IntoIterator<Item = Result<Frame, Unreadable>>,
    O: IntoIterator<Item = Result<Frame, Unreadable>>,
{
    let inside = gather(inside, setup, progress);
    let (seen, good) = (inside.frames.given, inside.frames.used);
    if inside.reasons.iter().any(|r| r.code == "cancelled") {
        return measure_stack(inside, setup, options);
    }
    let outside = gather(outside, setup, &mut |p| {
        progress(Progress {
            seen: p.seen + seen,
            good: p.good + good,
            measuring: p.measuring,
        })
    });
    measure_stacks(inside, outside, setup, options)
}

/// One set, looked at by its rings.
struct Look {
    side: Side,
    stack: Stack,
    geometry: Geometry,
    read: GeometricComa,
    /// 1-sigma per component from blocks and noise, by the rings.
    scatter: f64,
    frames: FrameCount,
    notes: Vec<Reason>,
}

/// Why a set gave no rings.
struct NoLook {
    reasons: Vec<Reason>,
    frames: FrameCount,
    stack: Option<Stack>,
}

/// Measures a gathered set and writes the report.
#[must_use]
pub fn measure_stack(gathered: Gathered, setup: &Setup, options: &Options) -> Outcome {
    match look(gathered, setup, setup.side) {
        Ok(one) => answer(vec![one], setup, options),
        Err(no) => Outcome {
            report: Report::refused(no.reasons, no.frames),
            stack: no.stack,
            geometry: None,
            inside: None,
            fitted: None,
        },
    }
}

/// Measures two gathered sets together and writes the report.
#[must_use]
pub fn measure_stacks(
    inside: Gathered,
    outside: Gathered,
    setup: &Setup,
    options: &Options,
) -> Outcome {
    let looks = [(inside, Side::Inside), (outside, Side::Outside)].map(|(gathered, side)| {
        let here = Setup {
            side,
            ..setup.clone()
        };
        look(gathered, &here, side)
    });
    match looks {
        [Ok(i), Ok(o)] => answer(vec![i, o], setup, options),
        [i, o] => {
            let mut reasons = Vec::new();
            let mut frames = FrameCount::default();
            let mut stack = None;
            for (set, name) in [(i, "inside"), (o, "outside")] {
                let count = match set {
                    Ok(good) => good.frames,
                    Err(no) => {
                        reasons.extend(no.reasons.into_iter().map(|r| Reason {
                            text: format!("{name} focus: {}", r.text),
                            ..r
                        }));
                        stack = stack.or(no.stack);
                        no.frames
                    }
                };
                frames = together(frames, count);
            }
            frames.used = 0;
            Outcome {
                report: Report::refused(reasons, frames),
                stack,
                geometry: None,
                inside: None,
                fitted: None,
            }
        }
    }
}

fn together(mut a: FrameCount, b: FrameCount) -> FrameCount {
    a.given += b.given;
    a.used += b.used;
    a.dropped.extend(b.dropped);
    a.dropped_not_listed += b.dropped_not_listed;
    if a.dropped.len() > FrameCount::LISTED {
        a.dropped_not_listed += a.dropped.len() - FrameCount::LISTED;
        a.dropped.truncate(FrameCount::LISTED);
    }
    a
}

fn look(gathered: Gathered, setup: &Setup, side: Side) -> Result<Look, Box<NoLook>> {
    let Gathered {
        stack,
        reasons,
        notes,
        mut frames,
    } = gathered;
    let Some(stack) = stack else {
        return Err(Box::new(NoLook {
            reasons,
            frames,
            stack: None,
        }));
    };
    let start = Start {
        centre: stack.centre,
        radius: stack.radius,
    };
    let stamp = &stack.stamp;
    let found = measure_rings(stamp.size, &with_gaps(stamp), start, setup, Effort::Full)
        .map_err(|e| match e {
            NoRings::NoOuterEdge => reason(
                "not-a-donut",
                "the outer edge of the star cannot be followed",
            ),
            NoRings::NoShadow => reason(
                "rings-unresolved",
                "the edge of the dark middle cannot be followed",
            ),
        })
        .and_then(|g| check_shape(&g, setup).map(|()| g));
    let geometry = match found {
        Ok(g) => g,
        Err(why) => {
            frames.used = 0;
            return Err(Box::new(NoLook {
                reasons: vec![why],
                frames,
                stack: Some(stack),
            }));
        }
    };
    let read = geometry.coma(setup);
    let scatter = read.noise_sigma.max(scatter::by_rings(&stack, setup));
    frames.used = stack.stamp.frames;
    Ok(Look {
        side,
        stack,
        geometry,
        read,
        scatter,
        frames,
        notes,
    })
}

/// The coma to be reported and its errors, however it was had.
struct Answer {
    coma: [f64; 2],
    /// [xx, xy, yy] from scatter and residuals.
    covariance: [f64; 3],
    model_sigma: f64,
    defocus: f64,
    defocus_sigma: f64,
}

impl Answer {
    /// The rings' own: of a pair the mean of both, from which a shadow off
    /// centre drops out.
    fn by_rings(looks: &[Look], setup: &Setup) -> Self {
        let n = looks.len() as f64;
        let mean = |f: &dyn Fn(&Look) -> f64| looks.iter().map(f).sum::<f64>() / n;
        let scatter = (looks.iter().map(|l| l.scatter.powi(2)).sum::<f64>()).sqrt() / n;
        let model = (looks
            .iter()
            .map(|l| l.read.model_sigma.powi(2))
            .sum::<f64>()
            / n)
            .sqrt();
        let last = &looks[looks.len() - 1].read;
        let sign = if looks.len() > 1 {
            1.0
        } else {
            setup.side_sign()
        };
        Answer {
            coma: [mean(&|l| l.read.x_waves), mean(&|l| l.read.y_waves)],
            covariance: [scatter.powi(2), 0.0, scatter.powi(2)],
            model_sigma: model,
            defocus: last.w020_waves * sign,
            defocus_sigma: 0.04 * last.w020_waves,
        }
    }

    fn sigma(&self) -> f64 {
        component_sigma(self.covariance).hypot(self.model_sigma)
    }

    fn wavefront(&self, method: &str, setup: &Setup) -> Wavefront {
        let [x, y] = self.coma;
        let coma = x.hypot(y);
        let sigma = self.sigma();
        Wavefront {
            method: method.to_owned(),
            coma_rms_waves: coma,
            coma_rms_waves_sigma: sigma,
            coma_annular_rms_waves: annular_from_noll_coma(coma, setup.obstruction),
            coma_x_waves: x,
            coma_y_waves: y,
            coma_component_sigma_waves: sigma,
            defocus_waves: self.defocus,
            defocus_waves_sigma: self.defocus_sigma,
            scatter_sigma_waves: component_sigma(self.covariance),
            model_sigma_waves: self.model_sigma,
        }
    }
}

/// The two methods' names.
const FIT: &str = "diffraction fit";
const GEOMETRY: &str = "geometry";

fn answer(mut looks: Vec<Look>, setup: &Setup, options: &Options) -> Outcome {
    let mut notes: Vec<Reason> = Vec::new();
    let farthest = looks.iter().map(|l| l.read.w020_waves).fold(0.0, f64::max);
    if options.fit && farthest > TOO_FAR_WAVES {
        notes.push(far_out(farthest));
    }
    let fitted = if options.fit && farthest <= TOO_FAR_WAVES {
        match fit_of(&looks, setup, options) {
            Ok(found) => Some(found),
            Err(error) => {
                notes.push(said(
                    "fit-failed",
                    format!("the diffraction fit gave no answer and the rings alone were read: {error}"),
                    "Check obstruction, focal length, aperture and pixel size against the telescope and camera.",
                ));
                None
            }
        }
    } else {
        None
    };
    if let Some(why) = fitted.as_ref().and_then(|f| contradicted(f, &looks, setup)) {
        return refused_after_all(looks, why);
    }
    let by_rings = Answer::by_rings(&looks, setup);
    let blocks = fitted.as_ref().and_then(|f| blocks_of(f, &looks));
    let mut told = by_rings;
    let mut method = GEOMETRY;
    let mut second: Option<(Answer, &str)> = None;
    if let Some(f) = &fitted {
        let by_fit = by_fit(f, blocks, &told);
        second = Some(match not_believed(f) {
            Some(why) => {
                notes.push(why);
                (by_fit, FIT)
            }
            None => {
                method = FIT;
                (std::mem::replace(&mut told, by_fit), GEOMETRY)
            }
        });
    }
    let field = options.field_coma.map(|f| own_coma(&looks, setup, f));
    take_off(&mut told.coma, field);
    let check = second.map(|(mut other, name)| {
        take_off(&mut other.coma, field);
        let apart = (told.coma[0] - other.coma[0]).hypot(told.coma[1] - other.coma[1]);
        let sigma = told.sigma().hypot(other.sigma());
        let agreement = Agreement {
            apart_waves: apart,
            sigma_waves: sigma,
            // Two components: beyond 3.03 sigma once in a hundred times.
            agree: apart <= 3.03 * sigma,
        };
        (agreement, other.wavefront(name, setup))
    });
    for l in &mut looks {
        notes.append(&mut l.notes);
        for note in notes::on_rings(&l.geometry, &l.read, l.scatter, setup, method == FIT) {
            if notes.iter().all(|n| n.code != note.code) {
                notes.push(note);
            }
        }
    }
    let last = &looks[looks.len() - 1];
    let wavefront = told.wavefront(method, setup);
    let rings = rings_of(last, &wavefront);
    let frames = looks
        .iter()
        .fold(FrameCount::default(), |a, l| together(a, l.frames.clone()));
    let mut report = Report::measured(rings, wavefront, frames, notes);
    report.field = field;
    if let Some((agreement, wave)) = check {
        report.agreement = Some(agreement);
        report.cross_check = Some(wave);
    }
    if looks.len() > 1 {
        report.sets = looks.iter().map(|l| set_report(l, setup)).collect();
    }
    if let Some(found) = &fitted {
        report.air = Some(air_of(found, &looks, setup));
        report.fit = Some(fit_report(found, blocks, &told, &looks, options));
        let more = notes::on_fit(&report, setup);
        report.notes.extend(more);
    }
    let mut looks = looks.into_iter().rev().map(|l| (l.stack, l.geometry));
    let (stack, geometry) = looks
        .next()
        .map_or((None, None), |(s, g)| (Some(s), Some(g)));
    Outcome {
        report,
        stack,
        geometry,
        inside: looks.next(),
        fitted,
    }
}

fn refused_after_all(looks: Vec<Look>, why: Reason) -> Outcome {
    let mut frames = FrameCount::default();
    let mut stack = None;
    for l in looks {
        frames = together(frames, l.frames);
        stack = Some(l.stack);
    }
    frames.used = 0;
    Outcome {
        report: Report::refused(vec![why], frames),
        stack,
        geometry: None,
        inside: None,
        fitted: None,
    }
}

fn fit_of(looks: &[Look], setup: &Setup, options: &Options) -> Result<FitResult, FitError> {
    let start = |l: &Look| fit::Start {
        centre_px: l.geometry.centre,
        outer_radius_px: l.geometry.outer_radius,
        shadow_radius_px: l.geometry.shadow.map(|s| s.radius),
        coma_waves: [l.read.x_waves, l.read.y_waves],
        coma_sigma_waves: l.scatter.hypot(l.read.model_sigma),
    };
    match looks {
        [inside, outside] => fit::fit_pair(
            (&inside.stack.stamp, &start(inside)),
            (&outside.stack.stamp, &start(outside)),
            setup,
            &options.fit_options,
        ),
        [one, ..] => fit::fit(&one.stack.stamp, setup, &start(one), &options.fit_options),
        [] => Err(FitError::Input("there is no picture".to_owned())),
    }
}

/// An obstruction this far from the told one is another instrument's. Told by
/// hand it may be out by a few hundredths; the fit finds it within one.
const OBSTRUCTION_APART: f64 = 0.08;
/// The fit is believed about the obstruction when it explains this much.
const EXPLAINED: f64 = 0.2;

/// Whether the fitted obstruction contradicts the told one, and the rings, where
/// they show a shadow, lean the same way.
fn contradicted(found: &FitResult, looks: &[Look], setup: &Setup) -> Option<Reason> {
    let apart = found.obstruction - setup.obstruction;
    let rings_agree = looks.iter().all(|l| {
        l.geometry.shadow.is_none_or(|s| {
            let seen = s.radius / l.geometry.outer_radius - setup.obstruction;
            seen.abs() > 0.04 && seen.signum() == apart.signum()
        })
    });
    (apart.abs() > OBSTRUCTION_APART && unexplained(found) < EXPLAINED && rings_agree).then(|| {
        reason(
            "obstruction-contradicts",
            format!(
                "the light fits an obstruction of {:.2}, but {:.2} was told",
                found.obstruction, setup.obstruction
            ),
        )
    })
}

/// Share of the light that neither model nor noise accounts for.
fn unexplained(found: &FitResult) -> f64 {
    found
        .pictures
        .iter()
        .map(|p| p.unexplained_share)
        .fold(0.0, f64::max)
}

/// Beyond so many waves out of focus the rings are no longer diffraction's but
/// rays', and the fit computes them at a longer wavelength.
const FARTHEST_WAVES: f64 = 32.0;
/// Beyond so many it is not even tried.
const TOO_FAR_WAVES: f64 = 60.0;

/// Why the fit does not give the answer, if it does not.
fn not_believed(found: &FitResult) -> Option<Reason> {
    let left = unexplained(found);
    if left > EXPLAINED {
        return Some(said(
            "fit-not-believed",
            format!(
                "the diffraction fit leaves {:.0} % of the light unexplained, so the rings give the answer",
                100.0 * left
            ),
            "Check what was told of telescope and camera; average more frames, and use a raw format.",
        ));
    }
    let farthest = found
        .pictures
        .iter()
        .map(|p| p.w020_waves.abs())
        .fold(0.0, f64::max);
    (farthest > FARTHEST_WAVES).then(|| far_out(farthest))
}

fn far_out(waves: f64) -> Reason {
    said(
        "far-out",
        format!(
            "the star is {waves:.0} waves out of focus, too far for rings of diffraction: the ring geometry gives the answer"
        ),
        "Five to fifteen waves give the best figure.",
    )
}

/// Covariance of the fitted coma from the blocks of all sets.
fn blocks_of(found: &FitResult, looks: &[Look]) -> Option<[f64; 3]> {
    let each: Vec<[f64; 3]> = looks
        .iter()
        .enumerate()
        .filter_map(|(k, l)| scatter::by_fit(found, k, &l.stack))
        .collect();
    (each.len() == looks.len() && !each.is_empty())
        .then(|| [0, 1, 2].map(|i| each.iter().map(|c| c[i]).sum()))
}

fn by_fit(found: &FitResult, blocks: Option<[f64; 3]>, rings: &Answer) -> Answer {
    let own = found.coma_covariance();
    // Both see noise and moving air; the larger of them stands.
    let covariance = match blocks {
        Some(b) if component_sigma(b) > component_sigma(own) => b,
        _ => own,
    };
    let sign = if rings.defocus < 0.0 { -1.0 } else { 1.0 };
    Answer {
        coma: found.coma(),
        covariance,
        model_sigma: 0.0,
        defocus: w020_from_a4(found.wavefront.get(4)).abs() * sign,
        defocus_sigma: w020_from_a4(found.sigma(4).unwrap_or(0.0)),
    }
}

fn own_coma(looks: &[Look], setup: &Setup, flare: FieldComa) -> Field {
    let n = looks.len() as f64;
    let star_mm = [0, 1].map(|k| {
        looks.iter().map(|l| l.stack.from_middle[k]).sum::<f64>() / n * setup.pixel_um * 1e-3
    });
    Field {
        star_mm,
        coma_waves: star_mm.map(|mm| mm * flare.rms_waves_per_mm),
    }
}

fn take_off(coma: &mut [f64; 2], own: Option<Field>) {
    if let Some(own) = own {
        coma[0] -= own.coma_waves[0];
        coma[1] -= own.coma_waves[1];
    }
}

fn rings_of(l: &Look, wave: &Wavefront) -> Rings {
    let (g, stack) = (&l.geometry, &l.stack);
    let place = |p: [f64; 2]| [p[0] + stack.corner[0], p[1] + stack.corner[1]];
    let offset = g.offset[0].hypot(g.offset[1]);
    let seen = l.read.x_waves.hypot(l.read.y_waves);
    let coma = wave.coma_rms_waves;
    let sigma = wave.coma_component_sigma_waves;
    let mut noise: Vec<f64> = stack
        .stamp
        .sigma
        .iter()
        .copied()
        .filter(|s| s.is_finite())
        .collect();
    Rings {
        outer_radius_px: g.outer_radius,
        shadow_radius_px: g.shadow.map(|s| s.radius),
        centre_px: place(g.centre),
        shadow_centre_px: place(g.shadow.map_or(g.light_centre, |s| s.centre)),
        offset_px: offset,
        offset_px_sigma: if seen > 0.0 {
            l.scatter * offset / seen
        } else {
            g.offset_sigma
        },
        thin_clock_deg: if coma > 0.0 {
            (-wave.coma_x_waves)
                .atan2(-wave.coma_y_waves)
                .to_degrees()
                .rem_euclid(360.0)
        } else {
            g.thin_clock_deg()
        },
        thin_clock_deg_sigma: if coma > 0.0 {
            (sigma / coma).to_degrees().min(180.0)
        } else {
            180.0
        },
        thin_to_thick: g.shadow.map(|s| {
            let width = g.outer_radius - s.radius;
            ((width - offset) / (width + offset)).clamp(0.0, 1.0)
        }),
        blur_fwhm_px: g.blur_sigma * (8.0 * std::f64::consts::LN_2).sqrt(),
        out_of_round: g.out_of_round,
        ring_level: g.level,
        ring_snr: g.level / quantile(&mut noise, 0.5).max(1e-300),
    }
}

fn side_word(side: Side) -> String {
    match side {
        Side::Inside => "inside",
        Side::Outside => "outside",
        Side::Unknown => "unknown",
    }
    .to_owned()
}

fn set_report(l: &Look, setup: &Setup) -> SetReport {
    let here = Setup {
        side: l.side,
        ..setup.clone()
    };
    let wave = Answer {
        coma: [l.read.x_waves, l.read.y_waves],
        covariance: [l.scatter.powi(2), 0.0, l.scatter.powi(2)],
        model_sigma: l.read.model_sigma,
        defocus: l.read.w020_waves * here.side_sign(),
        defocus_sigma: 0.04 * l.read.w020_waves,
    }
    .wavefront("geometry", &here);
    SetReport {
        side: side_word(l.side),
        frames: l.frames.clone(),
        rings: Some(rings_of(l, &wave)),
        geometry: Some(wave),
    }
}

fn air_of(found: &FitResult, looks: &[Look], setup: &Setup) -> Air {
    let fwhm = found
        .pictures
        .iter()
        .map(|p| p.blur_fwhm_arcsec)
        .fold(0.0, f64::max);
    let here = fwhm / ARCSEC_PER_RAD * setup.aperture_mm
        / (seeing::FWHM_PER_LAMBDA_OVER_R0 * setup.wavelength_nm * 1e-6);
    // r0 grows as the wavelength to 6/5.
    let d_over_r0 = here * (setup.wavelength_nm / REFERENCE_NM).powf(1.2);
    let frames: usize = looks.iter().map(|l| l.stack.stamp.frames).sum();
    Air {
        fwhm_arcsec: fwhm,
        d_over_r0,
        coma_floor_waves: seeing::coma_rms_waves(d_over_r0) / (frames.max(1) as f64).sqrt(),
    }
}

fn fit_report(
    found: &FitResult,
    blocks: Option<[f64; 3]>,
    told: &Answer,
    looks: &[Look],
    options: &Options,
) -> Fit {
    Fit {
        terms: found
            .modes
            .iter()
            .map(|&j| Term {
                noll: j,
                name: super::panels::term_name(j).to_owned(),
                waves: found.wavefront.get(j),
                sigma_waves: found.sigma(j).unwrap_or(0.0),
            })
            .collect(),
        coma_covariance_waves2: told.covariance,
        residual_sigma_waves: found.coma_sigma(),
        scatter_sigma_waves: blocks.map(component_sigma),
        chi2: found.chi2,
        degrees_of_freedom: found.degrees_of_freedom,
        obstruction: found.obstruction,
        focal_scale: found.focal_scale.map(|f| f[0]),
        focal_scale_sigma: found.focal_scale.map(|f| f[1]),
        response: found.response.map(|f| f[0]),
        response_sigma: found.response.map(|f| f[1]),
        side_used: if looks.len() > 1 {
            "both".to_owned()
        } else {
            side_word(found.side.used)
        },
        side_preferred: found.side.preferred.map(side_word),
        side_delta_chi2: found.side.delta_chi2,
        shadow_decentre: found.decentre.map(|d| ShadowDecentre {
            x: d.by_radius[0],
            y: d.by_radius[1],
            sigma: (d.sigma[0].powi(2) + d.sigma[1].powi(2)).sqrt() / std::f64::consts::SQRT_2,
        }),
        decentre_doubt_waves: found.decentre_doubt,
        plausible_decentre: options.fit_options.plausible_decentre,
        pictures: found
            .pictures
            .iter()
            .zip(looks)
            .map(|(p, l)| FittedPicture {
                defocus_waves: p.w020_waves,
                position_px: [
                    p.position_px[0] + l.stack.corner[0],
                    p.position_px[1] + l.stack.corner[1],
                ],
                blur_fwhm_px: p.blur_fwhm_px,
                blur_fwhm_arcsec: p.blur_fwhm_arcsec,
                flux: p.flux,
                sky: p.sky,
                residual_share: p.residual_share,
                unexplained_share: p.unexplained_share,
            })
            .collect(),
        model_pictures: found.work.pictures,
        model_derivatives: found.work.slopes,
    }
}
