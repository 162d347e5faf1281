//! Optics against published numbers, source beside each.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use optics::{
    diffraction::Sampled,
    eye, field,
    pupil::Pupil,
    seeing, strehl,
    wavefront::{self, Wavefront},
    zernike,
};

#[track_caller]
fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} within {tolerance}"
    );
}

/// Orthonormal on the disc: Noll, J. Opt. Soc. Am. 66, 207 (1976), eq. 3.
#[test]
fn zernikes_are_orthonormal_on_the_disc() {
    // Gauss-Legendre would be exact; midpoints in r^2 and angle are near enough.
    let (nr, nt) = (2000, 64);
    for j in 1..=zernike::MAX_NOLL {
        for k in j..=zernike::MAX_NOLL {
            let mut sum = 0.0;
            for a in 0..nr {
                let r = ((f64::from(a) + 0.5) / f64::from(nr)).sqrt();
                for b in 0..nt {
                    let (s, c) = (std::f64::consts::TAU * f64::from(b) / f64::from(nt)).sin_cos();
                    sum += zernike::noll(j, r * c, r * s) * zernike::noll(k, r * c, r * s);
                }
            }
            let want = if j == k { 1.0 } else { 0.0 };
            close(sum / f64::from(nr * nt), want, 3e-6);
        }
    }
}

/// W131 = 3 sqrt(8) a8 and so on, and RMS values of primary aberrations on a
/// full disc: telescope-optics.net, "Zernike coefficients".
#[test]
fn peak_and_noll_coefficients_convert() {
    close(wavefront::w020_from_a4(1.0), 3.464_1, 1e-4);
    close(wavefront::w131_from_coma(1.0), 8.485_3, 1e-4);
    close(wavefront::w222_from_astigmatism(1.0), 4.899_0, 1e-4);
    close(wavefront::w040_from_a11(1.0), 13.416_4, 1e-4);
    close(wavefront::coma_from_w131(1.0), 0.117_85, 1e-5);
    close(
        wavefront::a4_from_w020(wavefront::w020_from_a4(0.7)),
        0.7,
        1e-12,
    );
    // The coefficient is the RMS of the polynomial's sum.
    let w = Wavefront::flat().with(7, 0.03).with(8, 0.04);
    close(w.coma_rms(), 0.05, 1e-12);
    close(w.rms(), 0.05, 1e-12);
}

/// Annular values for a shadow of 0.34, 0.25 and 0.5: V. N. Mahajan,
/// J. Opt. Soc. Am. 71, 75 (1981), formulas from memory, checked numerically.
#[test]
fn annular_rms_follows_mahajan() {
    close(wavefront::annular_coma_rms(1.0, 0.0), 0.117_85, 1e-5);
    close(wavefront::annular_coma_rms(1.0, 0.34), 0.119_877, 1e-6);
    close(wavefront::annular_coma_rms(1.0, 0.25), 0.120_025, 1e-6);
    close(wavefront::annular_coma_rms(1.0, 0.5), 0.113_537, 1e-6);
    close(wavefront::annular_balancing_tilt(0.34), 0.674_65, 1e-5);
    close(wavefront::annular_defocus_rms(1.0, 0.34), 0.255_30, 1e-5);
    close(wavefront::annular_spherical_rms(1.0, 0.34), 0.058_299, 1e-6);
    // And the formula against the integral itself.
    let eps: f64 = 0.34;
    let (mut sum, mut sq, mut tilt, mut tt, mut n) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for a in 0..1000 {
        let r = (eps * eps + (1.0 - eps * eps) * (f64::from(a) + 0.5) / 1000.0).sqrt();
        for b in 0..64 {
            let c = (std::f64::consts::TAU * f64::from(b) / 64.0).cos();
            let w = r.powi(3) * c;
            sum += w;
            sq += w * w;
            tilt += w * r * c;
            tt += r * r * c * c;
            n += 1.0;
        }
    }
    close(sum / n, 0.0, 1e-12);
    close(
        ((sq - tilt * tilt / tt) / n).sqrt(),
        wavefront::annular_coma_rms(1.0, eps),
        1e-6,
    );
}

/// Strehl by three formulas at 1/14 and 1/13.4 wave (standard; computed
/// independently), and the RMS that leaves 0.80.
#[test]
fn strehl_formulas_by_name() {
    close(strehl::exponential(1.0 / 14.0), 0.8176, 1e-4);
    close(strehl::exponential(1.0 / 13.4), 0.8026, 1e-4);
    close(strehl::exponential(0.05), 0.9060, 1e-4);
    close(strehl::exponential(0.1), 0.6738, 1e-4);
    close(strehl::marechal(1.0 / 14.0), 0.8087, 1e-4);
    close(strehl::first_order(1.0 / 14.0), 0.7986, 1e-4);
    close(1.0 / strehl::rms_for_exponential(0.8), 13.30, 0.01);
}

/// True diffraction peak for pure coma (numerical values of an independent
/// computation; 0.63 waves is the classical 0.80 tolerance, Born & Wolf §9.3).
#[test]
fn diffraction_peak_of_coma() {
    for (eps, w131, want) in [
        (0.0, 0.30, 0.9518),
        (0.0, 0.63, 0.8029),
        (0.0, 1.0, 0.5717),
        (0.34, 0.63, 0.7966),
        (0.34, 1.0, 0.5593),
    ] {
        let a8 = wavefront::coma_from_w131(w131);
        let psf = Sampled::new(
            &Pupil::annular(eps),
            &Wavefront::flat().with(8, a8),
            550.0,
            64,
        );
        close(psf.peak(1.0), want, 2e-3);
    }
}

/// Zeros of the Airy pattern at 1.2197, 2.2331 and 3.2383 lambda N, and the
/// FWHM 1.029 lambda N: Born & Wolf §8.5.
#[test]
fn airy_pattern_zeros_and_width() {
    let psf = Sampled::new(&Pupil::annular(0.0), &Wavefront::flat(), 550.0, 128);
    let first_minimum = |from: f64, to: f64, psf: &Sampled| {
        let steps = 400;
        (0..=steps)
            .map(|k| from + (to - from) * f64::from(k) / f64::from(steps))
            .min_by(|a, b| psf.intensity(*a, 0.0).total_cmp(&psf.intensity(*b, 0.0)))
            .unwrap()
    };
    for (want, from, to) in [
        (1.21967, 0.9, 1.5),
        (2.23313, 2.0, 2.5),
        (3.23832, 3.0, 3.5),
    ] {
        let zero = first_minimum(from, to, &psf);
        close(zero, want, 4e-3);
        assert!(psf.intensity(zero, 0.0) < 1e-6);
    }
    close(psf.intensity(1.029 / 2.0, 0.0), 0.5, 1e-3);
    // With obstructions of 0.20, 0.34, 0.40 (independent computation).
    for (eps, zero, fwhm) in [
        (0.20, 1.1665, 1.0068),
        (0.34, 1.0920, 0.9688),
        (0.40, 1.0577, 0.9486),
    ] {
        let psf = Sampled::new(&Pupil::annular(eps), &Wavefront::flat(), 550.0, 128);
        close(first_minimum(0.8, 1.4, &psf), zero, 4e-3);
        close(psf.intensity(fwhm / 2.0, 0.0), 0.5, 1e-3);
    }
}

/// On the axis of a defocused annulus the intensity is sinc^2(W020 (1-eps^2)).
/// Born & Wolf §8.8 for the disc; elementary integral for the annulus.
#[test]
fn axial_intensity_of_a_defocused_annulus() {
    for eps in [0.0, 0.34] {
        for w020 in [0.3, 0.5, 1.0, 1.7, 2.3] {
            let a4 = wavefront::a4_from_w020(w020);
            let psf = Sampled::new(
                &Pupil::annular(eps),
                &Wavefront::flat().with(4, a4),
                550.0,
                200,
            );
            let x = std::f64::consts::PI * w020 * (1.0 - eps * eps);
            close(psf.intensity(0.0, 0.0), (x.sin() / x).powi(2), 1.5e-3);
        }
    }
}

/// Transfer of the clear disc, (2/pi)(acos s - s sqrt(1-s^2)) (Goodman,
/// Introduction to Fourier Optics, §6.3), and of the annulus: high frequencies
/// unharmed, middle ones weakened (O'Neill, J. Opt. Soc. Am. 46, 285, 1956:
/// beyond s = (1+eps)/2 the clear curve divided by 1 - eps^2).
#[test]
fn contrast_transfer_of_disc_and_annulus() {
    let clear = |s: f64| 2.0 / std::f64::consts::PI * (s.acos() - s * (1.0 - s * s).sqrt());
    let disc = Sampled::new(&Pupil::annular(0.0), &Wavefront::flat(), 550.0, 200);
    for s in [0.1, 0.25, 0.4, 0.5, 0.75, 0.9] {
        close(disc.contrast(s, 0.0), clear(s), 4e-3);
    }
    let eps: f64 = 0.4;
    let ring = Sampled::new(&Pupil::annular(eps), &Wavefront::flat(), 550.0, 200);
    for s in [0.75, 0.85, 0.95] {
        close(ring.contrast(s, 0.0), clear(s) / (1.0 - eps * eps), 4e-3);
    }
    assert!(ring.contrast(0.4, 0.0) < clear(0.4));
    // Coma takes most from detail along its own axis.
    let w = Wavefront::flat().with(8, 0.1);
    let bad = Sampled::new(&Pupil::annular(0.0), &w, 550.0, 100);
    let across = bad.contrast(0.3, std::f64::consts::FRAC_PI_2);
    let along = bad.contrast(0.3, 0.0);
    assert!(along < across && across < clear(0.3), "{along} {across}");
}

/// Rayleigh 138.4/D arc seconds at 550 nm; Dawes 116/D (Mem. R. Astron. Soc.
/// 35, 137, 1867); limiting magnitude and magnifications: common practice.
#[test]
fn limits_of_an_eight_inch() {
    close(eye::rayleigh_arcsec(200.0), 0.692, 1e-3);
    close(eye::rayleigh_arcsec(1.0), 138.4, 0.1);
    close(eye::dawes_arcsec(200.0), 0.580, 1e-9);
    close(eye::limiting_magnitude(200.0), 13.5, 0.01);
    close(eye::highest_useful_magnification(200.0), 400.0, 1e-9);
    let in_line = eye::sharp_up_to(0.0, 200.0, eye::DEFAULT_ACUITY_ARCMIN);
    close(in_line.magnification, 90.0 / 0.692, 0.2);
    close(in_line.share(), 1.0, 1e-12);
    // Where Strehl is 0.80 the coma head is as wide as the diffraction image:
    // 1/13.3 wave RMS, 2 W131 = 1.276 lambda/D against 1.220.
    let worn = eye::sharp_up_to(1.0 / 13.3, 200.0, eye::DEFAULT_ACUITY_ARCMIN);
    close(
        worn.share(),
        1.0 / (1.0 + (1.276f64 / 1.2197).powi(2)).sqrt(),
        1e-3,
    );
    // A small glass is held to twice its aperture even for a keen eye.
    close(eye::sharp_up_to(0.0, 100.0, 6.0).magnification, 200.0, 1e-9);
}

/// Noll 1976, eq. 25 and what he gives after it (from memory): tilt and coma of the
/// same axis have the covariance -0.0141, coma 0.0062, tilt 0.448. What is left of
/// coma once higher orders are known: worked out apart from the same equation.
#[test]
fn nolls_covariances() {
    close(seeing::mode_covariance(2, 8), -0.0141, 1e-4);
    close(seeing::mode_covariance(3, 7), -0.0141, 1e-4);
    close(seeing::mode_covariance(8, 8), 0.006_19, 1e-5);
    close(seeing::mode_covariance(2, 2), 0.448_9, 1e-4);
    close(seeing::mode_covariance(4, 11), -0.0039, 1e-4);
    for (a, b) in [(2, 7), (2, 3), (8, 17), (4, 8), (5, 6), (8, 10)] {
        close(seeing::mode_covariance(a, b), 0.0, 0.0);
    }
    for j in 2..60 {
        let own = seeing::mode_covariance(j, j);
        close(own / seeing::mode_variance(zernike::orders(j).0), 1.0, 1e-9);
        for k in 2..60 {
            close(
                seeing::mode_covariance(j, k),
                seeing::mode_covariance(k, j),
                1e-15,
            );
        }
    }
    // One known mode b leaves 1 - <ab>^2 / (<aa> <bb>) of the variance.
    let [aa, ab, bb] = [(8, 8), (8, 16), (16, 16)].map(|(j, k)| seeing::mode_covariance(j, k));
    close((1.0 - ab * ab / (aa * bb)).sqrt(), 0.82, 0.005);
}

/// Noll 1976, table IV (from memory); its last digits differ from the exact
/// series by up to 0.6 %.
#[test]
fn nolls_residuals() {
    let table = [
        1.0299, 0.582, 0.134, 0.111, 0.0880, 0.0648, 0.0587, 0.0525, 0.0463, 0.0401, 0.0377,
    ];
    for (k, want) in table.into_iter().enumerate() {
        let got = seeing::residual_variance(k + 1);
        close(got / want, 1.0, 0.006);
    }
    close(seeing::mode_variance(3), 0.006_19, 1e-5);
    // All orders together give back the whole.
    let total: f64 = (1..4000)
        .map(|n| f64::from(n + 1) * seeing::mode_variance(n))
        .sum();
    close(total, seeing::PISTON_REMOVED, 5e-4);
    close(seeing::residual_rms_waves(1, 1.0), 0.1617, 2e-4);
    close(seeing::residual_rms_waves(3, 1.0), 0.0584, 1e-4);
    close(seeing::coma_rms_waves(1.0), 0.01771, 2e-5);
    close(seeing::coma_floor_waves(1.0, 1), 0.01252, 2e-5);
    close(
        seeing::coma_floor_waves(2.0, 30),
        0.01252 * 2f64.powf(5.0 / 6.0) / 30f64.sqrt(),
        1e-5,
    );
}

/// FWHM = 0.98 lambda/r0 (Roddier 1981 quotes 0.98); D = 200 mm in 1, 2 and 3
/// arc seconds of seeing (independent computation with 0.98).
#[test]
fn r0_and_seeing() {
    for (fwhm, r0, coma) in [
        (1.0, 111.2, 0.0289),
        (2.0, 55.6, 0.0515),
        (3.0, 37.1, 0.0722),
    ] {
        close(seeing::r0_mm(fwhm, 550.0) / r0, 1.0, 0.006);
        close(
            seeing::coma_rms_waves(200.0 / seeing::r0_mm(fwhm, 550.0)) / coma,
            1.0,
            0.006,
        );
        close(
            seeing::fwhm_arcsec(seeing::r0_mm(fwhm, 550.0), 550.0),
            fwhm,
            1e-9,
        );
    }
    // The transfer's own point spread has that width: its Hankel transform
    // falls to one half at half the FWHM.
    let psf = |r: f64| {
        let (steps, top) = (6000, 3.0);
        (0..steps)
            .map(|k| {
                let f = (f64::from(k) + 0.5) * top / f64::from(steps);
                seeing::long_exposure_transfer(f, 1.0)
                    * f
                    * bessel_j0(std::f64::consts::TAU * f * r)
            })
            .sum::<f64>()
    };
    close(psf(0.5) / psf(0.0), 0.5, 2e-3);
    // Fried's points: exp(-3.44) at f = r0/lambda.
    let r0_over_lambda = seeing::FWHM_PER_LAMBDA_OVER_R0;
    close(
        seeing::long_exposure_transfer(r0_over_lambda, 1.0),
        (-3.44f64).exp(),
        1e-6,
    );
}

fn bessel_j0(x: f64) -> f64 {
    let n = 200;
    (0..n)
        .map(|k| (x * (std::f64::consts::PI * (f64::from(k) + 0.5) / f64::from(n)).sin()).cos())
        .sum::<f64>()
        / f64::from(n)
}

/// Newtonian coma: h/(32 N^3) (telescope-optics.net, eqs 70 to 70.2), and an
/// exact ray trace of a 200 mm paraboloid at h = 1 mm.
#[test]
fn newtonian_field_coma() {
    for (n, formula_nm, trace_nm, radius_mm) in [
        (4.0, 488.3, 490.2, 0.711),
        (5.0, 250.0, 250.6, 1.389),
        (6.0, 144.7, 144.9, 2.400),
        (8.0, 61.0, 61.1, 5.689),
    ] {
        let nm = field::newtonian_w131(1.0, n) * 550.0;
        close(nm, formula_nm, 0.1);
        close(nm / trace_nm, 1.0, 0.005);
        // N^3/90 mm is the radius for 1/14 wave, the rule rounding a little.
        close(
            field::newtonian_field_radius_mm(1.0 / 14.0, n) / radius_mm,
            1.0,
            0.05,
        );
    }
    // RMS h/(272 N^3).
    close(
        field::newtonian_coma_rms(1.0, 5.0) * 550e-6 * 272.0 * 125.0,
        1.0,
        0.003,
    );
}

/// W020 = delta/(8 N^2), diameter delta/N (telescope-optics.net, eqs 23-25):
/// N = 10, 4.4 mm out of focus, 10 waves, donut of radius 220 micrometres.
#[test]
fn defocus_geometry() {
    let w020_mm = wavefront::w020_from_focus_shift(4.4, 10.0);
    close(w020_mm * 1e6 / 550.0, 10.0, 1e-9);
    close(wavefront::radius_from_w020(w020_mm, 10.0), 0.220, 1e-9);
    close(wavefront::w020_from_radius(0.220, 10.0), w020_mm, 1e-12);
}
