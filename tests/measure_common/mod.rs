//! What the measuring's tests share: the kept frames and their truth.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use startest::decode::{FrameReader, Limits};
use startest::frame::{Frame, Setup, Side};
use startest::measure::{Options, Unreadable, measure, measure_with};
use startest::report::Report;

pub struct Case {
    pub id: String,
    pub expect: String,
    pub setup: Setup,
    /// a8, a7, waves.
    pub coma: [f64; 2],
    /// Shadow off centre, x right and y up outside focus, units of the radius.
    pub decentre: [f64; 2],
    pub sets: Vec<Set>,
}

pub struct Set {
    pub paths: Vec<PathBuf>,
    pub outer_radius_px: f64,
    pub thin_clock_deg: f64,
    /// Short frames through evolving turbulence.
    pub moving_air: bool,
}

/// The cases of `tests/frames/manifest.json`.
pub fn kept_cases() -> Vec<Case> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/frames");
    let text = std::fs::read_to_string(folder.join("manifest.json")).expect("the manifest");
    let manifest: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let number = |v: &serde_json::Value| v.as_f64().unwrap_or(0.0);
    let cases = manifest["cases"].as_array().expect("cases");
    cases
        .iter()
        .map(|c| {
            let told = &c["told"];
            Case {
                id: c["id"].as_str().unwrap().to_owned(),
                expect: c["expect"].as_str().unwrap().to_owned(),
                setup: Setup {
                    aperture_mm: number(&told["aperture_mm"]),
                    focal_mm: number(&told["focal_mm"]),
                    obstruction: number(&told["obstruction"]),
                    pixel_um: number(&told["pixel_um"]),
                    wavelength_nm: number(&told["wavelength_nm"]),
                    bandwidth_nm: number(&told["bandwidth_nm"]),
                    side: Side::Unknown,
                    vanes: None,
                },
                coma: [number(&c["truth"]["a8"]), number(&c["truth"]["a7"])],
                decentre: [0, 1].map(|k| number(&c["truth"]["shadow_decentre"][k])),
                sets: c["sets"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|s| Set {
                        paths: s["files"]
                            .as_array()
                            .unwrap()
                            .iter()
                            .map(|f| folder.join(f.as_str().unwrap()))
                            .collect(),
                        outer_radius_px: number(&s["outer_radius_px"]),
                        thin_clock_deg: number(&s["ring_thin_clock_deg"]),
                        moving_air: number(&s["d_over_r0"]) > 0.0,
                    })
                    .collect(),
            }
        })
        .collect()
}

/// The pictures of some files; one that cannot be read takes a picture's place.
pub fn pictures(paths: &[PathBuf]) -> Vec<Result<Frame, Unreadable>> {
    let mut all = Vec::new();
    for path in paths {
        let refuse = |e: &startest::decode::DecodeError| Unreadable {
            name: path.display().to_string(),
            code: e.code().to_owned(),
            text: e.to_string(),
            mend: e.mend().to_owned(),
        };
        match FrameReader::open(path, &Limits::default()) {
            Ok(reader) => all.extend(reader.map(|f| f.map_err(|e| refuse(&e)))),
            Err(e) => all.push(Err(refuse(&e))),
        }
    }
    all
}

pub fn measured_or_refused(paths: &[PathBuf], setup: &Setup) -> Report {
    report_of(pictures(paths), setup)
}

pub fn report_of(frames: Vec<Result<Frame, Unreadable>>, setup: &Setup) -> Report {
    measure(frames, setup, &mut |_| ControlFlow::Continue(())).report
}

/// By the rings alone: what pictures made of rays, without diffraction, ask for.
pub fn rings_report(frames: Vec<Result<Frame, Unreadable>>, setup: &Setup) -> Report {
    let on = &mut |_| ControlFlow::Continue(());
    measure_with(frames, setup, &Options::rings_only(), on).report
}

/// A donut by rays alone: the light of a ring-shaped pupil with defocus and
/// coma, dropped into pixels one ray at a time and blurred a little.
pub struct RayDonut {
    pub width: usize,
    pub height: usize,
    /// Centre of the chief ray, px, y down.
    pub centre: [f64; 2],
    pub outer_radius: f64,
    pub eps: f64,
    /// W131 over W020 along x (right) and y (up).
    pub skew: [f64; 2],
    /// Brightness of the ring and of the sky.
    pub level: f64,
    pub sky: f64,
    /// Noise, 1-sigma per pixel.
    pub noise: f64,
    pub seed: u64,
}

impl Default for RayDonut {
    fn default() -> Self {
        RayDonut {
            width: 128,
            height: 112,
            centre: [63.3, 54.8],
            outer_radius: 30.0,
            eps: 0.34,
            skew: [0.0, 0.0],
            level: 1000.0,
            sky: 100.0,
            noise: 2.0,
            seed: 1,
        }
    }
}

impl RayDonut {
    /// The frame. With W = W020 r^2 + W131 r^2 (r . e), a ray at pupil point p
    /// lands at R (p + skew terms / 2), the gradient of W over 2 W020.
    pub fn frame(&self) -> Frame {
        use rand::{Rng, SeedableRng};
        let mut light = vec![0.0f64; self.width * self.height];
        let steps = 700;
        let share = 2.0 / f64::from(steps);
        let each = self.level * (share * self.outer_radius).powi(2);
        let [kx, ky] = self.skew;
        for i in 0..steps {
            for j in 0..steps {
                let p = (
                    share * (f64::from(i) + 0.5) - 1.0,
                    share * (f64::from(j) + 0.5) - 1.0,
                );
                let r2 = p.0 * p.0 + p.1 * p.1;
                if r2 > 1.0 || r2 < self.eps * self.eps {
                    continue;
                }
                let along = kx * p.0 + ky * p.1;
                let x = p.0 + 0.5 * (kx * r2 + 2.0 * along * p.0);
                let y = p.1 + 0.5 * (ky * r2 + 2.0 * along * p.1);
                let (px, py) = (
                    self.centre[0] + self.outer_radius * x,
                    self.centre[1] - self.outer_radius * y,
                );
                let (ix, iy) = (px.floor(), py.floor());
                let (fx, fy) = (px - ix, py - iy);
                for (dx, dy, w) in [
                    (0, 0, (1.0 - fx) * (1.0 - fy)),
                    (1, 0, fx * (1.0 - fy)),
                    (0, 1, (1.0 - fx) * fy),
                    (1, 1, fx * fy),
                ] {
                    let (cx, cy) = (ix as i64 + dx, iy as i64 + dy);
                    if (0..self.width as i64).contains(&cx) && (0..self.height as i64).contains(&cy)
                    {
                        light[cy as usize * self.width + cx as usize] += w * each;
                    }
                }
            }
        }
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(self.seed);
        let data = light
            .iter()
            .map(|v| {
                // Twelve even numbers make one that is normal enough.
                let normal: f64 = (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
                (v + self.sky + self.noise * normal) as f32
            })
            .collect();
        Frame {
            width: self.width,
            height: self.height,
            data,
            full_scale: Some(65535.0),
            name: format!("rays-{}", self.seed),
        }
    }

    /// A telescope so fast and far out of focus that diffraction hardly shows:
    /// 200 mm f/5, R = 4 N W020.
    pub fn setup(&self) -> Setup {
        Setup {
            aperture_mm: 200.0,
            focal_mm: 1000.0,
            obstruction: self.eps,
            pixel_um: 9.0,
            wavelength_nm: 550.0,
            bandwidth_nm: 100.0,
            side: Side::Outside,
            vanes: None,
        }
    }

    /// (a8, a7) of this donut with that telescope, waves at 550 nm.
    pub fn coma(&self) -> [f64; 2] {
        let setup = self.setup();
        let w020 = self.outer_radius * setup.pixel_um / (4.0 * 5.0) / 0.55;
        self.skew.map(|k| k * w020 / 72f64.sqrt())
    }
}
