//! What to bear in mind about a measured set.

use super::frame::Setup;
use super::judge::said;
use super::report::{Reason, Report};
use super::rings::Geometry;
use super::rings_coma::GeometricComa;

/// Notes on one set's rings.
pub(crate) fn on_rings(
    g: &Geometry,
    read: &GeometricComa,
    scatter: f64,
    setup: &Setup,
    fitted: bool,
) -> Vec<Reason> {
    let mut notes = Vec::new();
    if read.skew > 0.16 && !fitted {
        notes.push(said(
            "strong-coma",
            format!(
                "coma is {:.0} % of the defocus: the geometry reads it roughly only",
                100.0 * read.skew
            ),
            "Defocus further for a better figure, or correct this much first and measure again.",
        ));
    }
    let apart = read
        .edges
        .map_or(0.0, |e| (e[0] - read.light[0]).hypot(e[1] - read.light[1]));
    let coma = read.x_waves.hypot(read.y_waves);
    if apart > 3.0 * scatter + 0.01 + 0.1 * coma
        && !fitted
        && let Some([x, y]) = g.shadow_off_centre(setup)
    {
        let clock = x.atan2(y).to_degrees().rem_euclid(360.0);
        notes.push(said(
            "readings-differ",
            format!(
                "the shadow's edge and the light itself give {apart:.3} waves of difference: the shadow may stand off centre \
                 by {:.0} % of the radius towards {clock:.0} degrees, or the camera's response may be curved (JPEG)",
                100.0 * x.hypot(y)
            ),
            "Take a set on the other side of focus as well, in a raw format.",
        ));
    }
    if read.w020_waves < 3.0 {
        notes.push(said(
            "little-defocus",
            format!(
                "the star is only {:.1} waves out of focus, where edges are soft",
                read.w020_waves
            ),
            "Defocus to five waves or more.",
        ));
    }
    if g.shadow.is_none() && setup.obstruction >= super::coma::LEAST_SHADOW && !fitted {
        notes.push(said(
            "shadow-hidden",
            "so near focus diffraction fills the small dark middle: coma was read from the light alone",
            "Defocus further to see the shadow.",
        ));
    }
    if let Some(s) = g.shadow
        && !fitted
    {
        let ratio = s.radius / g.outer_radius;
        if (ratio - setup.obstruction).abs() > 0.08 {
            notes.push(obstruction_doubtful(ratio, setup));
        }
    }
    notes
}

fn obstruction_doubtful(seen: f64, setup: &Setup) -> Reason {
    said(
        "obstruction-doubtful",
        format!(
            "the shadow is {seen:.2} of the donut, but {:.2} was told",
            setup.obstruction
        ),
        "Measure the obstruction again; an error here spoils the coma in proportion.",
    )
}

/// Notes on a whole report with a fit in it.
pub(crate) fn on_fit(report: &Report, setup: &Setup) -> Vec<Reason> {
    let mut notes = Vec::new();
    let (Some(fit), Some(wave)) = (&report.fit, &report.wavefront) else {
        return notes;
    };
    if let (Some(a), Some(other)) = (&report.agreement, &report.cross_check)
        && !a.agree
    {
        notes.push(said(
            "methods-differ",
            format!(
                "the {} gives {:.3} waves of coma and the {} {:.3}; the two lie {:.3} apart, \
                 which their errors do not explain",
                wave.method, wave.coma_rms_waves, other.method, other.coma_rms_waves, a.apart_waves
            ),
            "Check obstruction, focal length and pixel size, and look at the residual picture for what the model does not know.",
        ));
    }
    let apart = (fit.obstruction - setup.obstruction).abs();
    if apart > 0.015_f64.max(5.0 * fit.obstruction_sigma.unwrap_or(0.007)) {
        notes.push(said(
            "obstruction-doubtful",
            format!(
                "the shadow says {:.2} of the aperture, you told {:.2}",
                fit.obstruction, setup.obstruction
            ),
            "Measure the obstruction again and mend it in the register; the figures go by the shadow.",
        ));
    }
    if let Some(v) = fit.vanes_seen {
        notes.push(said(
            "vanes-seen",
            format!(
                "{} vanes stand in the picture that were not told, some {:.1} mm thick, the first at {:.0} degrees; \
                 the figures allow for them",
                v.count, v.width_mm, v.clock_deg
            ),
            "Nothing need be done; on the command line they can be told beforehand, which is surer.",
        ));
    }
    if 2.0 * fit.told_doubt_waves > wave.coma_component_sigma_waves && fit.told_doubt_waves > 0.0005
    {
        notes.push(said(
            "told-matters",
            format!(
                "most of the error, {:.4} waves of it, comes from not knowing focal length{} better",
                fit.told_doubt_waves,
                if fit.shadow_decentre.is_some() && fit.side_used != "both" {
                    ", camera and the shadow's place"
                } else {
                    " and the camera's response"
                }
            ),
            "Check focal length, pixel size and filter, and use a raw format; frames with less blur check them by themselves.",
        ));
    }
    if let (Some(scale), Some(sigma)) = (fit.focal_scale, fit.focal_scale_sigma)
        && (scale - 1.0).abs() > 0.02_f64.max(3.0 * sigma)
    {
        notes.push(said(
            "focal-length-doubtful",
            format!(
                "the rings speak for a focal length of {:.0} mm, {:.0} % off what was told (or for pixels or a colour as much off)",
                setup.focal_mm * scale,
                100.0 * (scale - 1.0).abs()
            ),
            "Check focal length (a moving primary changes it), pixel size with binning, and filter; the figures allow for it.",
        ));
    }
    if let (Some(response), Some(sigma)) = (fit.response, fit.response_sigma)
        && (response - 1.0).abs() > 0.05_f64.max(3.0 * sigma)
    {
        notes.push(said(
            "response-bent",
            format!("the camera's counts go with the light to the power {response:.2}: its response is not straight"),
            "Use a raw format without gamma or stretch; the figures allow for it as far as they can.",
        ));
    }
    if fit.decentre_doubt_waves > 0.0
        && fit.decentre_doubt_waves.is_finite()
        && fit.shadow_decentre.is_none()
    {
        notes.push(said(
            "one-side-only",
            format!(
                "one side of focus hardly tells coma from a shadow off centre: {:.0} % of the radius off would shift \
                 each component of the coma by {:.3} waves",
                100.0 * fit.plausible_decentre,
                fit.decentre_doubt_waves
            ),
            "Where that matters, take a set on the other side of focus as well and measure both together.",
        ));
    }
    if let Some(d) = fit.shadow_decentre
        && fit.side_used == "both"
        && d.x.hypot(d.y) > 3.0 * d.sigma
        && d.x.hypot(d.y) > 0.01
    {
        notes.push(said(
            "shadow-off-centre",
            format!(
                "the shadow stands {:.1} % of the aperture's radius off centre, towards {:.0} degrees as seen outside focus; \
                 it was told from coma and is not part of it",
                100.0 * d.x.hypot(d.y),
                d.x.atan2(d.y).to_degrees().rem_euclid(360.0)
            ),
            "An offset is meant in some designs (a Newtonian's flat); else centre the holder of the secondary.",
        ));
    }
    if let Some(d) = fit.shadow_decentre
        && fit.side_used != "both"
        && wave.method == "diffraction fit"
    {
        notes.push(said(
            "shadow-off-centre-by-one-side",
            format!(
                "the rings speak for a shadow {:.1} % of the aperture's radius off centre, towards {:.0} degrees as seen \
                 outside focus; it was told from coma as far as one side of focus can tell them apart",
                100.0 * d.x.hypot(d.y),
                d.x.atan2(d.y).to_degrees().rem_euclid(360.0)
            ),
            "A set on the other side of focus makes sure of it.",
        ));
    }
    if let Some(side) = &fit.side_preferred
        && setup.side == super::frame::Side::Unknown
    {
        notes.push(said(
            "side-found",
            format!("the side of focus was not told; the data speak for {side}"),
            "Note which way the focuser was turned; it settles the signs of astigmatism and spherical aberration.",
        ));
    }
    if let Some(air) = &report.air
        && wave.coma_rms_waves < 2.0 * wave.coma_rms_waves_sigma
    {
        notes.push(said(
            "no-coma-found",
            format!(
                "no coma stands out: what is there lies within twice the error of {:.3} waves (the air alone leaves some {:.3})",
                wave.coma_rms_waves_sigma, air.coma_floor_waves
            ),
            "Turn nothing on the strength of this; more frames or steadier air would show less.",
        ));
    }
    if let Some(f) = &report.field {
        let own = f.coma_waves[0].hypot(f.coma_waves[1]);
        let seen = (wave.coma_x_waves + f.coma_waves[0]).hypot(wave.coma_y_waves + f.coma_waves[1]);
        if own > seen / 3.0 && own > 0.003 {
            notes.push(said(
                "star-off-axis",
                format!(
                    "the star stood {:.1} mm from the middle of the frames and has {own:.3} waves of coma by that alone, \
                     more than a third of the {seen:.3} seen; it was taken off",
                    f.star_mm[0].hypot(f.star_mm[1])
                ),
                "Bring the star to the middle and measure again. (In cropped frames the middle is not the axis.)",
            ));
        }
    }
    notes
}
