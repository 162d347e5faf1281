//! One fit from start to end: a coarse stage, other starts where the first leads
//! nowhere, a fine stage.

use super::{
    FitError, FitOptions, Start, check, honest,
    solve::{BLUR, Limits, OWN, Problem, SKY, Solution},
    stage::{self, Kind, Window},
};
use crate::{
    optics::{pupil::Pupil, wavefront},
    startest::frame::{Setup, Side, Stamp},
};
use std::ops::Range;

/// A stamp, its start and its side of focus.
pub(super) type Task<'a> = (&'a Stamp, &'a Start, Side);

const COARSE: Limits = Limits {
    max_slopes: 15,
    max_pictures: 40,
    tolerance: 3e-2,
};
const FINE: Limits = Limits {
    max_slopes: 12,
    max_pictures: 40,
    tolerance: 1e-2,
};

/// A coarse stage that leaves more than this share of the light unexplained
/// (RMS, noise taken off) tries other starts. Turbulence of D/r0 = 6, averaged
/// over thirty frames, leaves about 0.15.
const LOST: f64 = 0.18;
/// Focal ratio and camera are looked for when freeing them promises to take away this
/// share of chi2.
const WORTH_A_LOOK: f64 = 0.02;
/// They are taken when off by more than this, and by so many of their sigmas:
/// small untruths of the model that go all round the ring falsify them by up to
/// ten of them (found on pictures by an independent library).
const LEAST_TAKEN: f64 = 0.008;
const LEAST_BEND: f64 = 0.015;
const BEYOND_DOUBT: f64 = 12.0;
/// The least change worth another stage, the most that is believed, and how
/// often it is sought.
const LEAST_SCALING: f64 = 2e-3;
const MOST_SCALE: f64 = 0.12;
const MOST_SCALINGS: usize = 5;
/// The most by which the camera's exponent and the obstruction are believed to
/// be off, the latter where this share of the light stays unexplained; and how
/// tightly the obstruction is held beyond that.
const MOST_BEND: f64 = 0.25;
const MOST_APART: f64 = 0.1;
const UNSURE: f64 = 0.1;
const TIGHT: f64 = 0.002;
/// What holds a parameter, in units of what is known of it.
const HELD: f64 = 1e12;

/// A fine stage that leaves more than this found nothing.
const HOPELESS: f64 = 0.6;

/// A problem solved, with what is needed to report it.
pub(super) struct Fitted<'a> {
    pub stamps: Vec<&'a Stamp>,
    pub problem: Problem,
    pub windows: Vec<Window>,
    pub solution: Solution,
    /// The setup with the focal length as fitted.
    pub setup: Setup,
    pub point_symmetric: bool,
    /// Share of the light that neither model nor noise accounts for.
    pub unexplained: f64,
    pub work: Work,
}

/// What a fit cost.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Work {
    /// Pictures computed by the full model, and by the coarse one before it.
    pub pictures: [usize; 2],
    /// Sets of derivatives, likewise.
    pub slopes: [usize; 2],
    /// Two-dimensional transforms made, each counted as the share of a
    /// transform of the largest array that its size makes it.
    pub transforms: f64,
    /// Side of that largest array.
    pub transform_size: usize,
}

/// What stays the same throughout.
struct Run<'t, 'a> {
    tasks: &'t [Task<'a>],
    /// As told, the focal length as found so far.
    setup: Setup,
    /// By what share that is longer than told.
    scale: f64,
    /// Whether the camera's exponent may move.
    bend_free: bool,
    options: &'t FitOptions,
    modes: Vec<usize>,
    pupil: Pupil,
    free_shadow: Range<usize>,
    /// Parameters shared by all pictures.
    shared: usize,
}

struct Stage {
    problem: Problem,
    windows: Vec<Window>,
    solution: Solution,
    /// Parameters as the whole stamps have them.
    parameters: Vec<f64>,
}

/// Checks the input and fits. Where what may give a little (camera, obstruction)
/// gives more than is believed, something else is the matter: all is then held
/// as told.
pub(super) fn fitted<'a>(
    tasks: &[Task<'a>],
    setup: &Setup,
    options: &FitOptions,
) -> Result<Fitted<'a>, FitError> {
    let free = fitted_freely(tasks, setup, options)?;
    let p = &free.solution.parameters;
    let bent = free.problem.bend().map_or(0.0, |i| p[i].abs());
    let apart = free.problem.state(p, 0).shadow[2] - setup.obstruction;
    let wild = bent > MOST_BEND || (apart.abs() > MOST_APART && free.unexplained > UNSURE);
    if !wild {
        return Ok(free);
    }
    let held = FitOptions {
        response_sigma: 0.0,
        obstruction_sigma: options.obstruction_sigma.min(TIGHT),
        focal_sigma: 0.0,
        ..*options
    };
    fitted_freely(tasks, setup, &held)
}

fn fitted_freely<'a>(
    tasks: &[Task<'a>],
    setup: &Setup,
    options: &FitOptions,
) -> Result<Fitted<'a>, FitError> {
    check::setup(setup)?;
    for (stamp, start, _) in tasks {
        check::stamp(stamp)?;
        check::start(setup, start)?;
    }
    let last = if options.higher_modes {
        wavefront::LAST
    } else {
        11
    };
    let modes: Vec<usize> = (4..=last).collect();
    let pair = tasks.len() > 1;
    let known = options.obstruction_sigma <= 0.0;
    let free_shadow = match (setup.obstruction > 0.0, pair, known) {
        (false, ..) | (true, false, true) => 0..0,
        (true, true, true) => 0..2,
        (true, true, false) => 0..3,
        (true, false, false) => 2..3,
    };
    let extras = usize::from(options.response_sigma > 0.0) + usize::from(options.focal_sigma > 0.0);
    let mut run = Run {
        tasks,
        setup: setup.clone(),
        scale: 0.0,
        bend_free: false,
        options,
        shared: modes.len() - 1 + free_shadow.len() + extras,
        modes,
        pupil: stage::pupil(setup, if pair { setup.side } else { tasks[0].2 }),
        free_shadow,
    };
    let mut work = Work::default();
    let coarse = run.approach(&mut work)?;
    let fine = run.stage(&coarse.parameters, true, &mut work)?;
    let mut fine = run.with_its_camera(fine, &mut work);
    if fine.unexplained() > HOPELESS {
        return Err(FitError::NoConvergence);
    }
    // What is held as told takes no part in the errors either.
    let scale = fine.problem.scale().filter(|_| run.scale == 0.0);
    let bend = fine.problem.bend().filter(|_| !run.bend_free);
    for i in scale.into_iter().chain(bend) {
        fine.solution.matrix[(i, i)] += HELD * fine.solution.matrix[(i, i)].max(1.0);
    }
    let unexplained = fine.unexplained();
    Ok(Fitted {
        unexplained,
        stamps: tasks.iter().map(|t| t.0).collect(),
        problem: fine.problem,
        windows: fine.windows,
        solution: fine.solution,
        setup: run.setup,
        point_symmetric: run.pupil.has_point_symmetry(),
        work,
    })
}

impl Run<'_, '_> {
    /// Goes on with focal ratio and camera free, where that explains the picture
    /// much better, and keeps of them what the picture tells beyond doubt. Else
    /// what was told is the better guess: blurred rings tell little of either,
    /// and small untruths of the model spoil that little.
    fn with_its_camera(&mut self, told: Stage, work: &mut Work) -> Stage {
        let promise = told.solution.onward.as_ref().map_or(0.0, |o| o.1);
        if promise.is_nan() || promise < WORTH_A_LOOK * told.solution.chi2 {
            return told;
        }
        let kept = self.setup.clone();
        self.bend_free = self.options.response_sigma > 0.0;
        let Ok(bent) = self.stage(&told.parameters, true, work) else {
            self.bend_free = false;
            return told;
        };
        let scaled = self.with_its_focal_ratio(&bent, work);
        let Some(scaled) = scaled.filter(|s| self.scale_is_told_by(s)) else {
            (self.setup, self.scale) = (kept, 0.0);
            if self.bend_is_told_by(&bent) {
                return bent;
            }
            self.bend_free = false;
            return told;
        };
        if self.bend_is_told_by(&scaled) {
            return scaled;
        }
        self.bend_free = false;
        let mut straight = scaled.parameters.clone();
        if let Some(i) = scaled.problem.bend() {
            straight[i] = 0.0;
        }
        let Ok(straight) = self.stage(&straight, true, work) else {
            self.bend_free = true;
            return scaled;
        };
        self.with_its_focal_ratio(&straight, work)
            .unwrap_or(straight)
    }

    /// Stages on with the focal ratio followed; `None` when it need not move.
    fn with_its_focal_ratio(&mut self, from: &Stage, work: &mut Work) -> Option<Stage> {
        let mut best: Option<Stage> = None;
        let mut before = 0.0;
        for _ in 0..MOST_SCALINGS {
            let here = best.as_ref().unwrap_or(from);
            let step = here.solution.onward.as_ref()?.0[here.problem.scale()?];
            if !step.is_finite() || step.abs() < LEAST_SCALING {
                break;
            }
            // Steps that shrink evenly have a known end.
            let share = step / before;
            let by = if (0.05..0.8).contains(&share) {
                step / (1.0 - share)
            } else {
                step
            };
            before = step;
            let Some(onward) = self.rescaled(here, by) else {
                break;
            };
            match self.stage(&onward, true, work) {
                Ok(next) => best = Some(next),
                Err(_) => break,
            }
        }
        best
    }

    fn scale_is_told_by(&self, free: &Stage) -> bool {
        let sigma = free.sigma_of(free.problem.scale());
        self.scale.abs() > LEAST_TAKEN && self.scale.abs() > BEYOND_DOUBT * sigma
    }

    fn bend_is_told_by(&self, free: &Stage) -> bool {
        let Some(i) = free.problem.bend() else {
            return false;
        };
        let bend = free.solution.parameters[i].abs();
        bend > LEAST_BEND && bend > BEYOND_DOUBT * free.sigma_of(Some(i))
    }

    /// Takes over a change of the focal ratio; gives the parameters to go on from.
    fn rescaled(&mut self, stage: &Stage, by: f64) -> Option<Vec<f64>> {
        let i = stage.problem.scale()?;
        let (onward, _) = stage.solution.onward.as_ref()?;
        let by = by.clamp(-MOST_SCALE - self.scale, MOST_SCALE - self.scale);
        let here: Vec<f64> = stage
            .solution
            .parameters
            .iter()
            .zip(onward)
            .map(|(p, step)| p + step * by / onward[i])
            .collect();
        let mut p = here.clone();
        for (k, window) in stage.windows.iter().enumerate() {
            let at = stage.problem.own(k);
            p[at..at + OWN].copy_from_slice(&window.leave(&here[at..at + OWN]));
            let blur = &mut p[at + BLUR];
            *blur = blur.max(0.0);
        }
        p[i] = 0.0;
        if !p.iter().all(|v| v.is_finite()) {
            return None;
        }
        self.setup.focal_mm *= (1.0 + self.scale + by) / (1.0 + self.scale);
        self.scale += by;
        Some(p)
    }

    /// The coarse stage, from the geometric estimate and, if that leads nowhere,
    /// from a ring of others: strong coma folds the donut's rays over, and its
    /// edges then tell little about it.
    fn approach(&self, work: &mut Work) -> Result<Stage, FitError> {
        let told = |axis: usize| {
            let sum: f64 = self.tasks.iter().map(|t| t.1.coma_waves[axis]).sum();
            sum / self.tasks.len() as f64
        };
        let mut best = self.stage(&self.start([told(0), told(1)], 1.0), false, work);
        let share =
            |s: &Result<Stage, FitError>| s.as_ref().map_or(f64::INFINITY, Stage::unexplained);
        if share(&best) > LOST {
            for (size, scale) in [(0.0, 1.0), (0.15, 1.0), (0.35, 0.8), (0.5, 0.6)] {
                for k in 0..if size > 0.0 { 8 } else { 1 } {
                    let (s, c) = (std::f64::consts::TAU * f64::from(k) / 8.0).sin_cos();
                    let other = self.stage(&self.start([size * c, size * s], scale), false, work);
                    if share(&other) < share(&best) {
                        best = other;
                    }
                }
                if share(&best) < 0.5 * LOST {
                    break;
                }
            }
        }
        best
    }

    /// Parameters of the whole stamps from the geometric estimate, with the coma
    /// given and the defocus scaled.
    fn start(&self, coma: [f64; 2], scale: f64) -> Vec<f64> {
        let mut p = vec![0.0; self.shared];
        p[8 - 5] = coma[0];
        p[7 - 5] = coma[1];
        if self.free_shadow.end == 3 {
            p[self.modes.len() - 1 + self.free_shadow.len() - 1] = self.setup.obstruction;
        }
        for &(_, start, side) in self.tasks {
            p.extend(stage::own_start(&self.setup, start, side, coma, scale));
        }
        p
    }

    fn stage(&self, parameters: &[f64], fine: bool, work: &mut Work) -> Result<Stage, FitError> {
        let mut problem = Problem {
            pictures: Vec::new(),
            shared_modes: self.modes[1..].to_vec(),
            free_shadow: self.free_shadow.clone(),
            shadow: [0.0, 0.0, self.setup.obstruction],
            radius_sigma: self.options.obstruction_sigma,
            bend_sigma: self.options.response_sigma,
            bend_held: !self.bend_free,
            scale_sigma: self.options.focal_sigma,
            scale: self.scale,
        };
        let mut windows = Vec::new();
        let mut here = parameters[..self.shared].to_vec();
        for (k, (stamp, start, _)) in self.tasks.iter().enumerate() {
            let state = problem.state(parameters, k);
            let kind = if fine {
                let w020 = wavefront::w020_from_a4(state.waves[0]);
                Kind::Fine {
                    lines: stage::lines(&self.setup, w020, self.options),
                }
            } else {
                Kind::Coarse
            };
            let floor = self.options.model_floor * stage::level(stamp, start);
            let (window, picture) = stage::picture(
                stamp,
                &self.setup,
                &self.pupil,
                &self.modes,
                &state,
                floor,
                kind,
            );
            here.extend(window.enter(&parameters[problem.own(k)..][..OWN]));
            problem.pictures.push(picture);
            windows.push(window);
        }
        if !fine {
            for k in 0..self.tasks.len() {
                problem.linear_start(&mut here, k);
            }
        }
        let solution = problem.solve(&here, if fine { FINE } else { COARSE });
        work.add(&problem, &solution, fine);
        if !solution.parameters.iter().all(|v| v.is_finite()) || !solution.chi2.is_finite() {
            return Err(FitError::NoConvergence);
        }
        let mut parameters = solution.parameters.clone();
        for (k, window) in windows.iter().enumerate() {
            let at = problem.own(k);
            let own = window.leave(&solution.parameters[at..at + OWN]);
            parameters[at..at + OWN].copy_from_slice(&own);
        }
        Ok(Stage {
            problem,
            windows,
            solution,
            parameters,
        })
    }
}

impl Stage {
    /// 1-sigma of a parameter, from the residuals as they are.
    fn sigma_of(&self, parameter: Option<usize>) -> f64 {
        let inverse = honest::inverse(&self.solution.matrix);
        match (parameter, inverse) {
            (Some(i), Some(inverse)) => honest::covariance(&self.problem, &self.solution, &inverse)
                [(i, i)]
                .max(0.0)
                .sqrt(),
            _ => f64::INFINITY,
        }
    }

    /// RMS of the residuals over RMS of the light, both weighted, with the noise
    /// the stamps admit taken off.
    fn unexplained(&self) -> f64 {
        let (mut left, mut light) = (0.0, 1e-300);
        for (k, picture) in self.problem.pictures.iter().enumerate() {
            let sky = self.solution.parameters[self.problem.own(k) + SKY] as f32;
            for ((r, d), w) in self.solution.residuals[k]
                .iter()
                .zip(&picture.data)
                .zip(&picture.root_weight)
            {
                if *w > 0.0 {
                    left += f64::from(r * r) - 1.0;
                    light += f64::from(w * (d - sky)).powi(2);
                }
            }
        }
        (left.max(0.0) / light).sqrt()
    }
}

impl Work {
    fn add(&mut self, problem: &Problem, solution: &Solution, fine: bool) {
        let (n, models) = (usize::from(!fine), || {
            problem
                .pictures
                .iter()
                .flat_map(|p| std::iter::once(&p.model).chain(&p.sloper))
        });
        self.pictures[n] += solution.pictures_computed * problem.pictures.len();
        self.slopes[n] += solution.slopes_computed * problem.pictures.len();
        let largest = models().map(|m| m.focal_size()).max().unwrap_or(1);
        if fine && largest > self.transform_size {
            self.transforms *= cost(self.transform_size.max(1)) / cost(largest);
            self.transform_size = largest;
        } else if self.transform_size == 0 {
            self.transform_size = largest;
        }
        for m in models() {
            self.transforms +=
                m.transforms() as f64 * cost(m.focal_size()) / cost(self.transform_size);
        }
    }
}

/// Operations of a two-dimensional transform, to a factor.
fn cost(size: usize) -> f64 {
    let n = size as f64;
    n * n * (n + 1.0).log2()
}
