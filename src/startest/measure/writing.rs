//! The parts of a report.

use super::reported::{Answer, FIT};
use super::{Look, Options};
use crate::find::quantile;
use crate::fit::FitResult;
use crate::frame::{Setup, Side};
use crate::report::{
    self, Air, Fit, FittedPicture, Rings, SetReport, ShadowDecentre, Term, VanesSeen, Wavefront,
};
use crate::scatter::component_sigma;
use optics::{ARCSEC_PER_RAD, seeing};

pub(super) fn rings_of(l: &Look, wave: &Wavefront) -> Rings {
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
        thin_clock_deg: if coma > 0.0 && wave.method == FIT {
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

pub(super) fn set_report(l: &Look, setup: &Setup) -> SetReport {
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

pub(super) fn air_of(found: &FitResult, looks: &[Look], setup: &Setup) -> Air {
    let fwhm = found
        .pictures
        .iter()
        .map(|p| p.blur_fwhm_arcsec)
        .fold(0.0, f64::max);
    let d_over_r0 = seeing::d_over_r0_of_blur(
        fwhm / ARCSEC_PER_RAD,
        setup.aperture_mm,
        setup.wavelength_nm,
    );
    let frames: usize = looks.iter().map(|l| l.stack.stamp.frames).sum();
    let of_mean = seeing::coma_rms_waves(d_over_r0) / (frames.max(1) as f64).sqrt();
    Air {
        fwhm_arcsec: fwhm,
        d_over_r0,
        coma_floor_waves: of_mean,
        coma_taken_off_waves: None,
    }
}

pub(super) fn fit_report(
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
                name: report::term_name(j).to_owned(),
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
        obstruction_sigma: found.obstruction_sigma,
        told_doubt_waves: found.told_doubt,
        vanes_seen: found.vanes.map(|v| VanesSeen {
            count: v.count,
            width_mm: v.width_mm,
            clock_deg: v.clock_deg,
        }),
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
