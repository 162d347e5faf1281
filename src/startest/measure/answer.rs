//! From the rings and the fit to one answer with its error, each checking the other.

use super::reported::{Answer, FIT, GEOMETRY, by_fit};
use super::writing::{air_of, fit_report, rings_of, set_report};
use super::{FieldComa, Look, Options, Outcome, together};
use crate::fit::{self, FitError, FitResult};
use crate::frame::Setup;
use crate::judge::{reason, said};
use crate::notes;
use crate::report::{Agreement, Field, FrameCount, Reason, Report};
use crate::scatter;

pub(super) fn answer(mut looks: Vec<Look>, setup: &Setup, options: &Options) -> Outcome {
    let mut notes: Vec<Reason> = Vec::new();
    let farthest = looks.iter().map(|l| l.read.w020_waves).fold(0.0, f64::max);
    let far = farthest > FARTHEST_WAVES;
    if options.fit && far {
        notes.push(far_out(farthest));
    }
    let fitted = if options.fit {
        match fit_of(&looks, setup, options, far) {
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
    let contradiction = fitted.as_ref().filter(|_| !far).and_then(|f| {
        contradicted(f, &looks, setup).or_else(|| other_than_told(f, &looks, setup, options))
    });
    if let Some(why) = contradiction {
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
            _ if far => (by_fit, FIT),
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
        for note in more {
            if report.notes.iter().all(|n| n.code != note.code) {
                report.notes.push(note);
            }
        }
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

fn fit_of(
    looks: &[Look],
    setup: &Setup,
    options: &Options,
    far: bool,
) -> Result<FitResult, FitError> {
    let how = if far {
        options.fit_options.far_out()
    } else {
        options.fit_options
    };
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
            &how,
        ),
        [one, ..] => fit::fit(&one.stack.stamp, setup, &start(one), &how),
        [] => Err(FitError::Input("there is no picture".to_owned())),
    }
}

/// An obstruction this far from the told one is another instrument's. Told by
/// hand it may be out by a few hundredths; the fit finds it within one.
pub(super) const OBSTRUCTION_APART: f64 = 0.08;
/// The fit is believed about the obstruction when it leaves less than this share of
/// the light unexplained.
const UNEXPLAINED: f64 = 0.2;
/// It needs no rings to bear it out when it is twice as far off and leaves less than
/// half of that: told far too small, the search for the shadow's edge follows the
/// spot in its middle instead.
const BEYOND_DOUBT: f64 = 2.0;

/// Whether the fitted obstruction contradicts the told one, and the rings, where
/// they show a shadow, lean the same way, or the fit is beyond doubt.
fn contradicted(found: &FitResult, looks: &[Look], setup: &Setup) -> Option<Reason> {
    let apart = found.obstruction - setup.obstruction;
    let rings_agree = looks.iter().all(|l| {
        l.geometry.shadow.is_none_or(|s| {
            let seen = s.radius / l.geometry.outer_radius - setup.obstruction;
            seen.abs() > 0.04 && seen.signum() == apart.signum()
        })
    });
    let left = unexplained(found);
    let is_so = apart.abs() > OBSTRUCTION_APART && left < UNEXPLAINED && rings_agree
        || apart.abs() > BEYOND_DOUBT * OBSTRUCTION_APART && left < UNEXPLAINED / BEYOND_DOUBT;
    is_so.then(|| told_obstruction(found, setup))
}

/// That the light contradicts the obstruction told.
pub(super) fn told_obstruction(found: &FitResult, told: &Setup) -> Reason {
    reason(
        "obstruction-contradicts",
        format!(
            "the light fits an obstruction of {:.2}, but {:.2} was told",
            found.obstruction, told.obstruction
        ),
    )
}

/// A focal length this far off the told one, as a share, is another instrument's (or a
/// Barlow lens or reducer was forgotten): tubes differ from their plates by a few per cent.
const FOCAL_APART: f64 = 0.1;
/// A quiet picture that leaves more than this share of the light unexplained is fitted with
/// other focal lengths, these times the told one; one that leaves half of that and this at
/// most contradicts it.
const LEFT_IN_QUIET: f64 = 0.04;
const OTHER_FOCAL: [f64; 12] = [
    0.38, 0.46, 0.55, 0.64, 0.73, 0.82, 1.22, 1.38, 1.58, 1.82, 2.15, 2.55,
];
/// The outline of a donut is so many times more waves at so many times less focal length; no
/// more than this are tried, beyond what is taken for star tests and dear to compute.
const MOST_OTHER_WAVES: f64 = 24.0;
/// It is no defocused star's where this chi2 a pixel is left besides.
const CHI2_OF_NO_STAR: f64 = 6.0;
/// A row of so many frames is no quiet picture: the air's speckle stays in it.
const A_ROW: usize = 8;

/// Whether the rings contradict the told focal length, or are none.
fn other_than_told(
    found: &FitResult,
    looks: &[Look],
    setup: &Setup,
    options: &Options,
) -> Option<Reason> {
    let focal = |factor: f64| {
        reason(
            "focal-length-contradicts",
            format!(
                "the rings fit a focal length of some {:.0} mm, but {:.0} mm was told (or pixels or aperture are as much off)",
                factor * setup.focal_mm,
                setup.focal_mm
            ),
        )
    };
    if let Some([scale, _]) = found.focal_scale
        && (scale - 1.0).abs() > FOCAL_APART
        && unexplained(found) < LEFT_IN_QUIET
    {
        return Some(focal(scale));
    }
    let left = unexplained(found);
    if left < LEFT_IN_QUIET || looks.iter().any(|l| l.stack.stamp.frames >= A_ROW) {
        return None;
    }
    let plain = Options {
        fit_options: fit::FitOptions {
            focal_sigma: 0.0,
            response_sigma: 0.0,
            band_sigma: 0.0,
            other_starts: false,
            wavelengths: Some(1),
            ..options.fit_options
        },
        ..*options
    };
    let waves = looks.iter().map(|l| l.read.w020_waves).fold(0.0, f64::max);
    let best = OTHER_FOCAL
        .into_iter()
        .filter(|factor| waves / factor < MOST_OTHER_WAVES)
        .filter_map(|factor| {
            let other = Setup {
                focal_mm: factor * setup.focal_mm,
                ..setup.clone()
            };
            let found = fit_of(looks, &other, &plain, false).ok()?;
            Some((unexplained(&found), factor))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((other_left, factor)) = best
        && other_left < 0.5 * left
        && other_left < LEFT_IN_QUIET
    {
        return Some(focal(factor));
    }
    let chi2 = found.chi2 / found.degrees_of_freedom.max(1) as f64;
    (chi2 > CHI2_OF_NO_STAR).then(|| {
        reason(
            "not-a-donut",
            format!(
                "the light is not that of one defocused star through the telescope told: {:.0} % of it stays unexplained, far beyond the noise",
                100.0 * left
            ),
        )
    })
}

/// Share of the light that neither model nor noise accounts for.
pub(super) fn unexplained(found: &FitResult) -> f64 {
    found
        .pictures
        .iter()
        .map(|p| p.unexplained_share)
        .fold(0.0, f64::max)
}

/// Beyond so many waves out of focus the rings are rays' and no longer
/// diffraction's: the geometry answers, and a fit with a free shadow shows in its
/// residual what the geometry does not know.
const FARTHEST_WAVES: f64 = 32.0;

/// Why the fit does not give the answer, if it does not.
fn not_believed(found: &FitResult) -> Option<Reason> {
    let left = unexplained(found);
    (left > UNEXPLAINED).then(|| {
        said(
            "fit-not-believed",
            format!(
                "the diffraction fit leaves {:.0} % of the light unexplained, so the rings give the answer",
                100.0 * left
            ),
            "Check what was told of telescope and camera; average more frames, and use a raw format.",
        )
    })
}

fn far_out(waves: f64) -> Reason {
    said(
        "far-out",
        format!(
            "the star is {waves:.0} waves out of focus, too far for rings of diffraction: the ring geometry gives the answer, \
             and the fit shows what it leaves out"
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
