//! The diffraction fit against pictures made another way: the pupil integral
//! summed directly (no FFT, double precision, hard edges supersampled, pixels
//! divided), so that nothing of the fit's own machinery is in them. Pictures by
//! an outside library are in `tests/frames`.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;
use {
    optics::wavefront::{Wavefront, a4_from_w020},
    startest::{
        fit::{FitError, FitOptions, FitResult, Start, fit, fit_pair},
        frame::{Setup, Side, Stamp, Vanes},
    },
};

const SIZE: usize = 56;

fn newtonian() -> Setup {
    Setup {
        aperture_mm: 150.0,
        focal_mm: 900.0,
        obstruction: 0.30,
        pixel_um: 3.76,
        wavelength_nm: 550.0,
        bandwidth_nm: 0.0,
        side: Side::Outside,
        vanes: None,
    }
}

struct Scene {
    setup: Setup,
    wavefront: Wavefront,
    /// Shadow off centre, units of the radius, outside-picture axes.
    shadow: [f64; 2],
    at: [f64; 2],
}

impl Scene {
    fn new(setup: Setup, wavefront: Wavefront) -> Self {
        Self {
            setup,
            wavefront,
            shadow: [0.0; 2],
            at: [27.3, 27.9],
        }
    }

    fn ratio(&self) -> f64 {
        self.setup.focal_mm / self.setup.aperture_mm
    }

    fn lets_through(&self, u: f64, v: f64) -> bool {
        if u.hypot(v) > 1.0 {
            return false;
        }
        if (u - self.shadow[0]).hypot(v - self.shadow[1]) < self.setup.obstruction {
            return false;
        }
        let Some(vanes) = self.setup.vanes else {
            return true;
        };
        let turn = if self.setup.side == Side::Inside {
            180.0
        } else {
            0.0
        };
        (0..vanes.count).all(|k| {
            let t = (vanes.clock_deg + turn + 360.0 * f64::from(k) / f64::from(vanes.count))
                .to_radians();
            let along = u * t.sin() + v * t.cos();
            let across = u * t.cos() - v * t.sin();
            along < 0.0 || across.abs() > vanes.width_mm / self.setup.aperture_mm
        })
    }

    /// Share of the light in each pixel, first row on top.
    fn picture(&self) -> Vec<f64> {
        let (n, sub, cut) = (160usize, 5usize, 5usize);
        let h = 2.0 / n as f64;
        let mut re = vec![0.0; n * n];
        let mut im = vec![0.0; n * n];
        let mut power = 0.0;
        for i in 0..n {
            for j in 0..n {
                let (u, v) = ((j as f64 + 0.5) * h - 1.0, (i as f64 + 0.5) * h - 1.0);
                let mut open = 0;
                for a in 0..cut {
                    for b in 0..cut {
                        let off = |k: usize| ((k as f64 + 0.5) / cut as f64 - 0.5) * h;
                        open += usize::from(self.lets_through(u + off(b), v + off(a)));
                    }
                }
                let amplitude = open as f64 / (cut * cut) as f64;
                let phase = TAU * self.wavefront.at(u, v);
                re[i * n + j] = amplitude * phase.cos();
                im[i * n + j] = amplitude * phase.sin();
                power += amplitude * amplitude;
            }
        }
        // Units of lambda N; y up.
        let unit = 0.55 * self.ratio() / self.setup.pixel_um;
        let fine = SIZE * sub;
        let at = |k: usize, c: f64| ((k as f64 + 0.5) / sub as f64 - 0.5 - c) / unit;
        let kernel = |c: f64, sign: f64| -> Vec<(f64, f64)> {
            (0..fine * n)
                .map(|q| {
                    let u = ((q % n) as f64 + 0.5) * h - 1.0;
                    let p = -TAU * sign * at(q / n, c) * u / 2.0;
                    (p.cos(), p.sin())
                })
                .collect()
        };
        let (kx, ky) = (kernel(self.at[0], 1.0), kernel(self.at[1], -1.0));
        // First along u, then along v.
        let mut half = vec![(0.0, 0.0); fine * n];
        for x in 0..fine {
            for i in 0..n {
                let mut z = (0.0, 0.0);
                for j in 0..n {
                    let (c, s) = kx[x * n + j];
                    let (a, b) = (re[i * n + j], im[i * n + j]);
                    z.0 += a * c - b * s;
                    z.1 += a * s + b * c;
                }
                half[x * n + i] = z;
            }
        }
        let mut out = vec![0.0; SIZE * SIZE];
        let cell = h * h / (2.0 * unit * sub as f64);
        for y in 0..fine {
            for x in 0..fine {
                let mut z = (0.0, 0.0);
                for i in 0..n {
                    let ((a, b), (c, s)) = (half[x * n + i], ky[y * n + i]);
                    z.0 += a * c - b * s;
                    z.1 += a * s + b * c;
                }
                out[(y / sub) * SIZE + x / sub] += (z.0 * z.0 + z.1 * z.1) * cell * cell;
            }
        }
        out.iter().map(|v| v / (power * h * h)).collect()
    }

    /// The picture as a stamp of `electrons` in its brightest pixel, with noise.
    fn stamp(&self, electrons: f64, noise: Option<u64>) -> Stamp {
        let light = self.picture();
        let top = light.iter().copied().fold(0.0, f64::max);
        let mean: Vec<f64> = light.iter().map(|v| v / top * electrons + 20.0).collect();
        let sigma: Vec<f64> = mean.iter().map(|v| v.sqrt()).collect();
        let mut data = mean;
        if let Some(seed) = noise {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            for (d, s) in data.iter_mut().zip(&sigma) {
                *d += s * gaussian(&mut rng);
            }
        }
        Stamp {
            size: SIZE,
            data,
            sigma,
            frames: 1,
        }
    }

    /// A start such as ring geometry gives: not exact.
    fn start(&self) -> Start {
        let coma = self.wavefront.coma();
        let shift = 2.0 * self.ratio() * 0.55 / self.setup.pixel_um * 7.0 * 8f64.sqrt();
        let w020 = self.wavefront.get(4) * 12f64.sqrt();
        Start {
            centre_px: [
                self.at[0] + shift * coma[0] + 0.4,
                self.at[1] - shift * coma[1] - 0.3,
            ],
            outer_radius_px: 4.0 * self.ratio() * w020.abs() * 0.55 / self.setup.pixel_um * 1.03,
            shadow_radius_px: None,
            coma_waves: [coma[0] * 0.8 + 0.01, coma[1] * 0.8 - 0.01],
            coma_sigma_waves: 0.03,
        }
    }

    fn fit(&self) -> FitResult {
        fit(
            &self.stamp(20_000.0, None),
            &self.setup,
            &self.start(),
            &FitOptions::default(),
        )
        .unwrap()
    }
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (rng.random_range(1e-12..1.0), rng.random());
    (-2.0 * a.ln()).sqrt() * (TAU * b).cos()
}

fn mixed(w020: f64) -> Wavefront {
    Wavefront::flat()
        .with(4, a4_from_w020(w020))
        .with(5, 0.02)
        .with(6, -0.03)
        .with(7, 0.06)
        .with(8, -0.08)
        .with(9, 0.015)
        .with(10, -0.02)
        .with(11, 0.03)
}

#[track_caller]
fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} within {tolerance}"
    );
}

#[test]
fn every_coefficient_comes_back_on_either_side() {
    for side in [Side::Outside, Side::Inside] {
        let sign = if side == Side::Inside { -1.0 } else { 1.0 };
        let truth = mixed(6.0 * sign);
        let scene = Scene::new(
            Setup {
                side,
                ..newtonian()
            },
            truth,
        );
        let found = scene.fit();
        for j in 4..=11 {
            close(
                found.wavefront.get(j),
                truth.get(j),
                if j == 4 { 3e-3 } else { 1e-3 },
            );
        }
        close(found.pictures[0].position_px[0], scene.at[0], 0.03);
        close(found.pictures[0].position_px[1], scene.at[1], 0.03);
        close(found.obstruction, 0.30, 3e-3);
        assert!(found.pictures[0].residual_share < 0.02);
        assert_eq!(found.side.used, side);
    }
}

#[test]
fn a_symmetric_pupil_cannot_tell_the_side_but_keeps_the_coma() {
    let scene = Scene::new(newtonian(), mixed(5.0));
    let stamp = scene.stamp(20_000.0, Some(3));
    let told = |side| {
        let setup = Setup {
            side,
            ..newtonian()
        };
        fit(&stamp, &setup, &scene.start(), &FitOptions::default()).unwrap()
    };
    let (inside, outside, unknown) = (told(Side::Inside), told(Side::Outside), told(Side::Unknown));
    assert_eq!(unknown.side.preferred, None);
    for (a, b) in inside.coma().iter().zip(outside.coma()) {
        close(*a, b, 3e-4);
    }
    close(inside.wavefront.get(4), -outside.wavefront.get(4), 1e-3);
    close(inside.wavefront.get(6), -outside.wavefront.get(6), 1e-3);
    close(inside.wavefront.get(11), -outside.wavefront.get(11), 1e-3);
    close(inside.chi2 / outside.chi2, 1.0, 0.01);
}

#[test]
fn three_vanes_tell_the_side() {
    for side in [Side::Inside, Side::Outside] {
        let sign = if side == Side::Inside { -1.0 } else { 1.0 };
        let vanes = Some(Vanes {
            count: 3,
            width_mm: 4.0,
            clock_deg: 10.0,
        });
        let scene = Scene::new(
            Setup {
                side,
                vanes,
                ..newtonian()
            },
            mixed(5.0 * sign),
        );
        // Where the vanes stand in the picture was read in this very picture,
        // so on the wrong side they stand right and only diffraction differs;
        // an instrument's even modes make up for most of that.
        let setup = Setup {
            side: Side::Unknown,
            ..scene.setup.clone()
        };
        let found = fit(
            &scene.stamp(40_000.0, Some(5)),
            &setup,
            &scene.start(),
            &FitOptions::default(),
        )
        .unwrap();
        let [x, y] = found.coma();
        close(x, -0.08, 2e-3);
        close(y, 0.06, 2e-3);
        if let Some(preferred) = found.side.preferred {
            assert_eq!(preferred, side);
        }
    }
}

#[test]
fn vanes_that_were_not_told_are_found() {
    for (side, clock_deg) in [(Side::Outside, 20.0), (Side::Inside, 65.0)] {
        let sign = if side == Side::Inside { -1.0 } else { 1.0 };
        let vanes = Vanes {
            count: 4,
            width_mm: 2.0,
            clock_deg,
        };
        let scene = Scene::new(
            Setup {
                side,
                vanes: Some(vanes),
                ..newtonian()
            },
            mixed(6.0 * sign),
        );
        let untold = Setup {
            vanes: None,
            ..scene.setup.clone()
        };
        let found = fit(
            &scene.stamp(20_000.0, Some(3)),
            &untold,
            &scene.start(),
            &FitOptions::default(),
        )
        .unwrap();
        let seen = found.vanes.expect("they stand in the picture");
        assert_eq!(seen.count, 4);
        let turn = (seen.clock_deg - clock_deg + 45.0).rem_euclid(90.0) - 45.0;
        assert!(turn.abs() < 3.0, "{seen:?}");
        assert!((1.0..4.0).contains(&seen.width_mm), "{seen:?}");
        // A wrong count in the register does not put the right one out.
        let misled = FitOptions {
            vane_count: Some(3),
            ..FitOptions::default()
        };
        let stamp = scene.stamp(20_000.0, Some(3));
        let found_all_the_same = fit(&stamp, &untold, &scene.start(), &misled).unwrap();
        assert_eq!(found_all_the_same.vanes.map(|v| v.count), Some(4));
        let [x, y] = found.coma();
        close(x, -0.08, 1.5e-3);
        close(y, 0.06, 1.5e-3);
        // Told, they are not reported, and none are invented where there are none.
        assert!(scene.fit().vanes.is_none());
    }
    assert!(Scene::new(newtonian(), mixed(6.0)).fit().vanes.is_none());
}

#[test]
fn a_bent_camera_is_seen_and_allowed_for() {
    let scene = Scene::new(newtonian(), mixed(6.0));
    let mut stamp = scene.stamp(20_000.0, None);
    for d in &mut stamp.data {
        *d = 20_000.0 * (*d / 20_000.0).powf(0.9);
    }
    let found = fit(&stamp, &scene.setup, &scene.start(), &FitOptions::default()).unwrap();
    let [exponent, _] = found.response.expect("the camera is not straight");
    close(exponent, 0.9, 0.03);
    let [x, y] = found.coma();
    let sigma = found.coma_sigma();
    assert!(
        (x + 0.08).hypot(y - 0.06) < 0.003_f64.max(3.0 * sigma),
        "{x} {y} {sigma}"
    );
    assert!(found.told_doubt > 0.0);
}

/// A quarter turn of the stamp, clockwise as displayed.
fn turned(stamp: &Stamp) -> Stamp {
    let n = stamp.size;
    let turn =
        |v: &[f64]| -> Vec<f64> { (0..n * n).map(|i| v[(n - 1 - i % n) * n + i / n]).collect() };
    Stamp {
        data: turn(&stamp.data),
        sigma: turn(&stamp.sigma),
        ..stamp.clone()
    }
}

#[test]
fn turning_mirroring_and_brightening_the_picture() {
    let scene = Scene::new(newtonian(), mixed(5.5));
    let stamp = scene.stamp(10_000.0, Some(7));
    let start = scene.start();
    let options = FitOptions::default();
    let base = fit(&stamp, &scene.setup, &start, &options).unwrap();
    let last = (SIZE - 1) as f64;

    // Clockwise: right goes to down, so (x, y up) becomes (y, -x).
    let quarter = Start {
        centre_px: [last - start.centre_px[1], start.centre_px[0]],
        coma_waves: [start.coma_waves[1], -start.coma_waves[0]],
        ..start
    };
    let found = fit(&turned(&stamp), &scene.setup, &quarter, &options).unwrap();
    close(found.coma()[0], base.coma()[1], 2e-4);
    close(found.coma()[1], -base.coma()[0], 2e-4);

    let n = SIZE;
    let flip =
        |v: &[f64]| -> Vec<f64> { (0..n * n).map(|i| v[i / n * n + n - 1 - i % n]).collect() };
    let mirrored = Stamp {
        data: flip(&stamp.data),
        sigma: flip(&stamp.sigma),
        ..stamp.clone()
    };
    let other = Start {
        centre_px: [last - start.centre_px[0], start.centre_px[1]],
        coma_waves: [-start.coma_waves[0], start.coma_waves[1]],
        ..start
    };
    let found = fit(&mirrored, &scene.setup, &other, &options).unwrap();
    close(found.coma()[0], -base.coma()[0], 2e-4);
    close(found.coma()[1], base.coma()[1], 2e-4);

    let brighter = Stamp {
        data: stamp.data.iter().map(|v| 7.5 * v + 300.0).collect(),
        sigma: stamp.sigma.iter().map(|v| 7.5 * v).collect(),
        ..stamp.clone()
    };
    let found = fit(&brighter, &scene.setup, &start, &options).unwrap();
    close(found.coma()[0], base.coma()[0], 1e-4);
    close(found.coma()[1], base.coma()[1], 1e-4);
    close(found.coma_sigma() / base.coma_sigma(), 1.0, 0.05);
}

#[test]
fn noise_raises_the_sigma_and_errors_keep_to_it() {
    let scene = Scene::new(newtonian(), mixed(5.0));
    let clean = scene.stamp(3_000.0, None);
    let run = |scale: f64, seed: u64| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let sigma: Vec<f64> = clean.sigma.iter().map(|s| s * scale).collect();
        let data = clean
            .data
            .iter()
            .zip(&sigma)
            .map(|(d, s)| d + s * gaussian(&mut rng))
            .collect();
        let stamp = Stamp {
            data,
            sigma,
            ..clean.clone()
        };
        fit(&stamp, &scene.setup, &scene.start(), &FitOptions::default()).unwrap()
    };
    // What telling and instrument may leave in every picture does not grow with the noise, and
    // there is none of it here.
    let by_noise = |f: &FitResult| {
        let [xx, _, yy] = f.unseen_covariance();
        (f.coma_sigma().powi(2) - (xx + yy) / 2.0).sqrt()
    };
    let (mut pulls, mut small, mut large) = (Vec::new(), 0.0, 0.0);
    for seed in 0..40 {
        let (a, b) = (run(2.0, 500 + seed), run(4.0, 900 + seed));
        small += by_noise(&a);
        large += by_noise(&b);
        for found in [a, b] {
            let ([xx, _, yy], unseen) = (found.coma_covariance(), found.unseen_covariance());
            pulls.push((found.coma()[0] + 0.08) / (xx - unseen[0]).sqrt());
            pulls.push((found.coma()[1] - 0.06) / (yy - unseen[2]).sqrt());
        }
    }
    close(large / small, 2.0, 0.3);
    // 160 pulls: their spread is 1 within 0.06 (1-sigma).
    let spread = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
    assert!(
        (0.8..1.25).contains(&spread),
        "spread of the pulls {spread}"
    );
}

#[test]
fn a_pair_tells_a_shadow_off_centre_from_coma() {
    let shadow = [0.03, -0.02];
    let scene = |side: Side| {
        let sign = if side == Side::Inside { -1.0 } else { 1.0 };
        Scene {
            shadow,
            ..Scene::new(
                Setup {
                    side,
                    ..newtonian()
                },
                mixed(5.5 * sign),
            )
        }
    };
    let (i, o) = (scene(Side::Inside), scene(Side::Outside));
    let (si, so) = (i.stamp(20_000.0, Some(1)), o.stamp(20_000.0, Some(2)));
    let options = FitOptions::default();
    let pair = fit_pair((&si, &i.start()), (&so, &o.start()), &o.setup, &options).unwrap();
    close(pair.coma()[0], -0.08, 1.5e-3);
    close(pair.coma()[1], 0.06, 1.5e-3);
    let decentre = pair.decentre.unwrap();
    close(decentre.by_radius[0], 0.03, 2e-3);
    close(decentre.by_radius[1], -0.02, 2e-3);
    close(pair.wavefront.get(6), -0.03, 2e-3);
    assert_eq!(pair.decentre_doubt, 0.0);

    // One side that takes the shadow for centred is led astray, about as far as it
    // says it may be.
    let told_centred = FitOptions {
        plausible_decentre: 0.0,
        ..options
    };
    let astray_by = |found: &FitResult| (found.coma()[0] + 0.08).hypot(found.coma()[1] - 0.06);
    let led = fit(&so, &o.setup, &o.start(), &told_centred).unwrap();
    let astray = astray_by(&led);
    assert!(led.decentre.is_none() && astray > 0.01, "{astray}");
    // Rings as sharp as these tell by themselves, and the error says how well.
    let alone = fit(&so, &o.setup, &o.start(), &options).unwrap();
    let off = shadow[0].hypot(shadow[1]);
    let said = alone.decentre_doubt / options.plausible_decentre * off * 2f64.sqrt();
    close(said / astray, 1.0, 0.5);
    let seen = alone.decentre.expect("sharp rings ask for it").by_radius;
    assert!((seen[0] - 0.03).hypot(seen[1] + 0.02) < 0.01, "{seen:?}");
    let left = astray_by(&alone);
    assert!(
        left < 0.3 * astray && left < 4.0 * alone.coma_sigma(),
        "{left} of {astray}"
    );
    // A centred one stays where it is.
    let centred = Scene::new(o.setup.clone(), mixed(5.5));
    let found = fit(
        &centred.stamp(20_000.0, Some(2)),
        &o.setup,
        &centred.start(),
        &options,
    );
    assert!(found.unwrap().decentre.is_none());
}

#[test]
fn another_average_is_read_by_the_linear_response() {
    let truth = mixed(5.0);
    let scene = Scene::new(newtonian(), truth);
    let found = scene.fit();
    let other = Scene::new(newtonian(), truth.with(7, 0.064).with(8, -0.077));
    let block = other.stamp(20_000.0, None);
    let [x, y] = found.coma_of(&[&block.data]).unwrap();
    close(x, -0.077, 7e-4);
    close(y, 0.064, 7e-4);
    assert_eq!(found.coma_of(&[&block.data[1..]]), None);
    assert_eq!(found.coma_of(&[]), None);
}

#[test]
fn a_poor_start_still_arrives() {
    let scene = Scene::new(newtonian(), mixed(6.0));
    let stamp = scene.stamp(20_000.0, Some(9));
    let start = Start {
        coma_waves: [0.05, -0.05],
        outer_radius_px: scene.start().outer_radius_px * 0.93,
        centre_px: [
            scene.start().centre_px[0] + 1.5,
            scene.start().centre_px[1] - 1.5,
        ],
        ..scene.start()
    };
    let found = fit(&stamp, &scene.setup, &start, &FitOptions::default()).unwrap();
    close(found.coma()[0], -0.08, 1.5e-3);
    close(found.coma()[1], 0.06, 1.5e-3);
}

#[test]
fn impossible_input_is_refused() {
    let scene = Scene::new(newtonian(), mixed(5.0));
    let (stamp, start, options) = (
        scene.stamp(5_000.0, None),
        scene.start(),
        FitOptions::default(),
    );
    let refused = |stamp: &Stamp, setup: &Setup, start: &Start| {
        fit(stamp, setup, start, &options).unwrap_err()
    };
    let setup = newtonian();
    let blank = Stamp {
        data: vec![f64::NAN; SIZE * SIZE],
        ..stamp.clone()
    };
    assert!(matches!(
        refused(&blank, &setup, &start),
        FitError::Stamp(_)
    ));
    let short = Stamp {
        data: vec![1.0; 10],
        ..stamp.clone()
    };
    assert!(matches!(
        refused(&short, &setup, &start),
        FitError::Stamp(_)
    ));
    for bad in [
        Setup {
            aperture_mm: 0.0,
            ..newtonian()
        },
        Setup {
            focal_mm: f64::NAN,
            ..newtonian()
        },
        Setup {
            pixel_um: -1.0,
            ..newtonian()
        },
        Setup {
            obstruction: 1.0,
            ..newtonian()
        },
        Setup {
            wavelength_nm: 0.0,
            ..newtonian()
        },
        Setup {
            bandwidth_nm: 2000.0,
            ..newtonian()
        },
    ] {
        assert!(
            matches!(refused(&stamp, &bad, &start), FitError::Input(_)),
            "{bad:?}"
        );
    }
    let lost = Start {
        centre_px: [f64::NAN, 0.0],
        ..start
    };
    assert!(matches!(refused(&stamp, &setup, &lost), FitError::Input(_)));
    let huge = Setup {
        pixel_um: 1e-3,
        ..newtonian()
    };
    assert!(matches!(refused(&stamp, &huge, &start), FitError::Input(_)));
}
