//! What an observer loses by coma, beside a perfect instrument of that size.

use optics::diffraction::Sampled;
use optics::eye::{DEFAULT_ACUITY_ARCMIN, Sharpness, sharp_up_to};
use optics::pupil::Pupil;
use optics::wavefront::{Wavefront, annular_from_noll_coma};
use optics::{ARCSEC_PER_RAD, REFERENCE_NM, strehl};

/// Contrast at one size of detail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contrast {
    /// Share of the cut-off frequency D/lambda.
    pub share_of_cutoff: f64,
    /// Width of one light and one dark stripe together on the sky, arc seconds.
    pub period_arcsec: f64,
    /// What is left of the detail's contrast, 0 to 1, over directions.
    pub with_coma: f64,
    /// The same instrument in line.
    pub in_line: f64,
}

/// What is lost.
#[derive(Debug, Clone, PartialEq)]
pub struct Loss {
    /// Strehl ratio if coma is the only error: exp(-(2 pi sigma)^2) on the
    /// annulus.
    pub strehl: f64,
    /// Coarse, middling and fine detail: a tenth, a quarter and half of the
    /// cut-off.
    pub contrasts: [Contrast; 3],
    /// Up to which magnification it looks sharp.
    pub sharp: Sharpness,
    /// The acuity that rests on, arc minutes.
    pub acuity_arcmin: f64,
}

/// Shares of the cut-off.
const DETAIL: [f64; 3] = [0.1, 0.25, 0.5];
/// Cells across the pupil.
const CELLS: usize = 80;

/// What coma takes from an instrument.
pub fn loss(coma_rms_waves: f64, aperture_mm: f64, obstruction: f64) -> Loss {
    let pupil = Pupil::annular(obstruction);
    let sampled = |coma: f64| {
        let w = Wavefront::flat().with(8, coma);
        Sampled::new(&pupil, &w, REFERENCE_NM, CELLS)
    };
    let (here, perfect) = (sampled(coma_rms_waves), sampled(0.0));
    let cutoff_per_rad = aperture_mm / (REFERENCE_NM * 1e-6);
    let contrasts = DETAIL.map(|share| {
        // Along the coma, across it, and between.
        let mean = |s: &Sampled| {
            [0.0, 0.25, 0.5, 0.75]
                .map(|t| s.contrast(share, t * std::f64::consts::PI))
                .iter()
                .sum::<f64>()
                / 4.0
        };
        Contrast {
            share_of_cutoff: share,
            period_arcsec: ARCSEC_PER_RAD / (share * cutoff_per_rad),
            with_coma: mean(&here),
            in_line: mean(&perfect),
        }
    });
    Loss {
        strehl: strehl::exponential(annular_from_noll_coma(coma_rms_waves, obstruction)),
        contrasts,
        sharp: sharp_up_to(coma_rms_waves, aperture_mm, DEFAULT_ACUITY_ARCMIN),
        acuity_arcmin: DEFAULT_ACUITY_ARCMIN,
    }
}

/// Towards which clock position of the picture the first ring of a star in
/// focus is brighter, for a coma vector in the same picture: coma throws the
/// light of the outer zones that way, and away from it on neither side of focus.
pub fn brighter_side_deg(coma: [f64; 2]) -> f64 {
    coma[0].atan2(coma[1]).to_degrees().rem_euclid(360.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use optics::render::Scene;

    /// Against the diffraction model itself: the light between the first dark
    /// ring and the second, right against left of the brightest point.
    #[test]
    fn the_first_ring_is_brighter_where_it_is_said_to_be() {
        for (coma, deg) in [([0.08, 0.0], 90.0), ([0.0, 0.08], 0.0)] {
            let (size, field) = (160usize, 10.0);
            let data = Scene {
                pupil: Pupil::annular(0.34),
                wavefront: Wavefront::flat().with(8, coma[0]).with(7, coma[1]),
                field,
                size,
                bandwidth_nm: 0.0,
                blur: 0.0,
            }
            .draw();
            let peak = (0..data.len())
                .max_by(|&a, &b| data[a].total_cmp(&data[b]))
                .unwrap_or(0);
            let (x0, y0) = ((peak % size) as f64, (peak / size) as f64);
            let (mut along, mut against) = (0.0, 0.0);
            for (i, v) in data.iter().enumerate() {
                let (x, y) = ((i % size) as f64 - x0, y0 - (i / size) as f64);
                let r = x.hypot(y) * field / size as f64;
                if (1.1..2.2).contains(&r) {
                    let (s, c) = f64::to_radians(deg).sin_cos();
                    if x * s + y * c > 0.0 {
                        along += v;
                    } else {
                        against += v;
                    }
                }
            }
            assert!((brighter_side_deg(coma) - deg).abs() < 1e-9);
            assert!(along > 1.3 * against, "{along} {against}");
        }
    }

    /// Contrast of a clear circle in line at s of the cut-off:
    /// (2/pi)(acos s - s sqrt(1 - s^2)) (Born & Wolf, 9.5).
    #[test]
    fn a_perfect_circle_keeps_the_textbook_contrast() {
        let perfect = loss(0.0, 100.0, 0.0);
        for c in perfect.contrasts {
            let s = c.share_of_cutoff;
            let want = 2.0 / std::f64::consts::PI * (s.acos() - s * (1.0 - s * s).sqrt());
            assert!((c.in_line - want).abs() < 0.02, "{s} {} {want}", c.in_line);
            assert_eq!(c.in_line, c.with_coma);
        }
        assert_eq!(perfect.strehl, 1.0);
        // Period at half the cut-off: 2 lambda/D = 2.27 arc seconds at 100 mm.
        assert!((perfect.contrasts[2].period_arcsec - 2.269).abs() < 0.01);
    }

    #[test]
    fn coma_takes_contrast_and_magnification() {
        let some = loss(0.1, 200.0, 0.34);
        let more = loss(0.2, 200.0, 0.34);
        for (a, b) in some.contrasts.iter().zip(&more.contrasts) {
            assert!(b.with_coma < a.with_coma && a.with_coma < a.in_line);
        }
        assert!(more.strehl < some.strehl && some.strehl < 0.72);
        assert!(more.sharp.magnification < some.sharp.magnification);
        assert!(some.sharp.magnification < some.sharp.perfect_magnification);
    }
}
