//! One fit from start to end: a coarse stage, other starts where the first leads
//! nowhere, a fine stage; then what was not told, or told a little wrong: vanes
//! (`spider`), a blur with a direction, focal ratio and camera (`camera`), a shadow
//! off centre (`shadow`).

mod camera;
mod colours;
mod shadow;
mod spider;

use super::{
    FitError, FitOptions, Start, check,
    model::Model,
    solve::{A4, BLUR, Limits, OWN, Problem, SKY, Solution, Unknown},
    stage::{self, Kind, Window},
};
use crate::frame::{Setup, Side, Stamp, Vanes};
use optics::{pupil::Pupil, seeing, wavefront};
use std::ops::Range;

/// A stamp, its start and its side of focus.
pub(super) type Task<'a> = (&'a Stamp, &'a Start, Side);

pub(super) use colours::fitted_colours;

const COARSE: Limits = Limits {
    max_slopes: 15,
    max_pictures: 40,
    tolerance: 1.0,
};
const FINE: Limits = Limits {
    max_slopes: 12,
    max_pictures: 40,
    tolerance: 0.1,
};

/// A coarse stage that leaves more than this share of the light unexplained
/// (RMS, noise taken off) tries other starts. Turbulence of D/r0 = 6, averaged
/// over thirty frames, leaves about 0.15.
const LOST: f64 = 0.18;
/// The most by which the camera's exponent and the obstruction are believed to
/// be off, the latter where this share of the light stays unexplained; and how
/// tightly the obstruction is held beyond that.
const MOST_BEND: f64 = 0.25;
const MOST_APART: f64 = 0.1;
const UNSURE: f64 = 0.1;
const TIGHT: f64 = 0.002;
/// A band narrowed beyond this is a line, where a line serves as well.
const A_LINE: f64 = 6.0;
const LIKE_A_LINE: f64 = 1.002;
/// A row of short exposures has at least so many, and moving air at least this D/r0.
const A_ROW: usize = 8;
const MOVING_AIR: f64 = 1.0;
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
    /// Parameters that were left as told.
    pub held: Vec<usize>,
    /// Vanes found that were not told.
    pub vanes: Option<Vanes>,
    /// Whether something cuts off light on one side of the rim.
    pub cut: bool,
    /// Whether this is a row of frames through moving air.
    pub moving: bool,
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
    /// Whether the blur is alike in all directions.
    round: bool,
    /// Whether the light is one line, whatever band was told.
    single_line: bool,
    options: &'t FitOptions,
    modes: Vec<usize>,
    pupil: Pupil,
    free_shadow: Range<usize>,
    /// How near the centre a single picture's shadow is believed to be.
    place_sigma: f64,
    /// Parameters shared by all pictures.
    shared: usize,
    /// Where nobody told the scale: what is believed, and each picture's band.
    unknown: Option<(Unknown, &'t [super::Band])>,
    /// Whether a fine stage begins with the light to be weighed.
    fluxes_unknown: bool,
}

/// How finely a stage works.
#[derive(Debug, Clone, Copy, PartialEq)]
enum How {
    Coarse,
    /// To tell scales apart: coarse, but with the band and more pixels.
    Sketch,
    Fine,
}

/// Radius, in joined pixels, of a sketch's donut.
const SKETCH_RADIUS: f64 = 26.0;

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
    let placed = pair || options.shadow_place_sigma > 0.0;
    let free_shadow = match (setup.obstruction > 0.0, placed, known) {
        (false, ..) | (true, false, true) => 0..0,
        (true, true, true) => 0..2,
        (true, true, false) => 0..3,
        (true, false, false) => 2..3,
    };
    let extras = usize::from(options.response_sigma > 0.0)
        + usize::from(options.focal_sigma > 0.0)
        + usize::from(options.band_sigma_of(setup) > 0.0);
    let mut run = Run {
        tasks,
        setup: setup.clone(),
        scale: 0.0,
        bend_free: false,
        round: true,
        single_line: false,
        options,
        shared: modes.len() - 1 + free_shadow.len() + extras,
        modes,
        pupil: stage::pupil(setup, if pair { setup.side } else { tasks[0].2 }),
        unknown: None,
        fluxes_unknown: false,
        free_shadow,
        place_sigma: if pair {
            0.0
        } else {
            options.shadow_place_sigma
        },
    };
    let mut work = Work::default();
    let coarse = run.approach(&mut work)?;
    let mut fine = run.stage(&coarse.parameters, true, &mut work)?;
    if options.other_starts {
        fine = run.with_its_stories(fine, &mut work);
    }
    if fine.unexplained() > HOPELESS {
        return Err(FitError::NoConvergence);
    }
    let scale = fine.problem.scale().filter(|_| run.scale == 0.0);
    let bend = fine.problem.bend().filter(|_| !run.bend_free);
    let held: Vec<usize> = scale
        .into_iter()
        .chain(bend)
        .chain(fine.problem.stretches().filter(|_| run.round))
        .chain(fine.problem.as_exposed())
        .collect();
    let unexplained = fine.unexplained();
    let moving = run.in_moving_air(&fine);
    Ok(Fitted {
        cut: run.pupil.cap != [0.0; 2],
        moving,
        unexplained,
        stamps: tasks.iter().map(|t| t.0).collect(),
        problem: fine.problem,
        windows: fine.windows,
        solution: fine.solution,
        point_symmetric: run.pupil.has_point_symmetry(),
        held,
        vanes: run.found_vanes(setup),
        setup: run.setup,
        work,
    })
}

impl Run<'_, '_> {
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
        // So far out that rays draw the picture, its edges tell where to begin; what is
        // left then is the texture of air and mirror.
        let far = self
            .tasks
            .iter()
            .any(|t| stage::start_w020(&self.setup, t.1) > stage::MOST_WAVES);
        if share(&best) > LOST && !self.options.other_starts {
            return Err(FitError::NoConvergence);
        }
        if share(&best) > LOST && !(far && best.is_ok()) {
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

    /// Goes on with what was not told, or told a little wrong, where the picture asks for it.
    fn with_its_stories(&mut self, told: Stage, work: &mut Work) -> Stage {
        let fine = self.with_its_band(told, work);
        let fine = self.with_its_vanes(fine, work);
        let mut fine = self.with_its_blur(fine, work);
        if self.promise_of_place(&mut fine) > self.promise_of_camera(&fine) {
            let fine = self.with_its_shadow(fine, work);
            self.with_its_camera(fine, work)
        } else {
            let fine = self.with_its_camera(fine, work);
            self.with_its_shadow(fine, work)
        }
    }

    /// Goes on with a single line of light where the fit has made the band so narrow.
    fn with_its_band(&mut self, told: Stage, work: &mut Work) -> Stage {
        let narrow = told
            .problem
            .band()
            .is_some_and(|i| told.parameters[i] > A_LINE);
        if !narrow {
            return told;
        }
        self.single_line = true;
        match self.stage(&told.parameters, true, work) {
            Ok(line) if line.solution.chi2 < LIKE_A_LINE * told.solution.chi2 => line,
            _ => {
                self.single_line = false;
                told
            }
        }
    }

    /// Whether this is a row of frames through moving air: its speckle passes for a shadow
    /// off centre and for a camera whose response is bent.
    fn in_moving_air(&self, stage: &Stage) -> bool {
        let blur = stage.parameters[stage.problem.own(0) + BLUR].max(0.0);
        let fwhm_rad = blur.powf(0.6) * self.setup.pixel_um * 1e-3 / self.setup.focal_mm;
        let d_over_r0 =
            seeing::d_over_r0_of_blur(fwhm_rad, self.setup.aperture_mm, self.setup.wavelength_nm);
        self.tasks.iter().all(|t| t.0.frames >= A_ROW) && d_over_r0 > MOVING_AIR
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
        for (k, &(stamp, start, side)) in self.tasks.iter().enumerate() {
            let frames = stamp.frames;
            let mut own = stage::own_start(&self.setup, start, side, coma, scale, frames);
            if self.unknown.is_some() && k > 0 {
                own[A4] = 0.0;
            }
            p.extend(own);
        }
        p
    }

    fn stage(&self, parameters: &[f64], fine: bool, work: &mut Work) -> Result<Stage, FitError> {
        let (how, limits) = if fine {
            (How::Fine, FINE)
        } else {
            (How::Coarse, COARSE)
        };
        self.stage_at(parameters, how, limits, work)
    }

    /// What was told, in the colour of picture `k`.
    fn setup_of(&self, k: usize) -> Setup {
        match self.unknown {
            Some((_, bands)) => bands[k].of(&self.setup),
            None => self.setup.clone(),
        }
    }

    fn stage_at(
        &self,
        parameters: &[f64],
        how: How,
        limits: Limits,
        work: &mut Work,
    ) -> Result<Stage, FitError> {
        let fine = how == How::Fine;
        let mut problem = Problem {
            pictures: Vec::new(),
            shared_modes: self.modes[1..].to_vec(),
            free_shadow: self.free_shadow.clone(),
            shadow: [0.0, 0.0, self.setup.obstruction],
            radius_sigma: self.options.obstruction_sigma,
            place_sigma: self.place_sigma,
            bend_sigma: self.options.response_sigma,
            bend_held: !self.bend_free,
            round: self.round,
            scale_sigma: self.options.focal_sigma,
            scale: self.scale,
            unknown: self.unknown.map(|u| u.0),
            band_sigma: self.options.band_sigma_of(&self.setup),
            roughly: fine && self.unknown.is_none(),
        };
        let mut windows = Vec::new();
        let mut here = parameters[..self.shared].to_vec();
        for (k, (stamp, start, _)) in self.tasks.iter().enumerate() {
            let state = problem.state(parameters, k);
            let setup = self.setup_of(k);
            let kind = if how == How::Sketch {
                Kind::Sketch {
                    radius: SKETCH_RADIUS,
                }
            } else if fine {
                let w020 = wavefront::w020_from_a4(state.waves[0]);
                Kind::Fine {
                    lines: if self.single_line {
                        1
                    } else {
                        stage::lines(&setup, w020, self.options)
                    },
                }
            } else {
                Kind::Coarse
            };
            let floor = self.options.model_floor * stage::level(stamp, start);
            let (window, picture) = stage::picture(
                stamp,
                &setup,
                &self.pupil,
                &self.modes,
                &state,
                floor,
                kind,
                None,
            );
            here.extend(window.enter(&parameters[problem.own(k)..][..OWN]));
            problem.pictures.push(picture);
            windows.push(window);
        }
        if !fine || self.fluxes_unknown {
            for k in 0..self.tasks.len() {
                problem.linear_start(&mut here, k);
            }
        }
        let mut solution = problem.solve(&here, limits, None);
        work.add(&problem, &solution, fine);
        if problem.roughly {
            // Most of the way with the derivatives' own, coarser pictures.
            problem.roughly = false;
            let from = solution.parameters.clone();
            solution = problem.solve(&from, limits, Some(&solution));
            work.add(&problem, &solution, fine);
        }
        Self::ended(problem, windows, solution)
    }

    /// Goes on from where a stage ended with what is free by now, on the same windows and
    /// with the derivatives there are.
    fn further(&self, stage: &Stage, work: &mut Work) -> Result<Stage, FitError> {
        let mut problem = stage.problem.clone();
        problem.bend_held = !self.bend_free;
        problem.round = self.round;
        let solution = problem.solve(&stage.solution.parameters, FINE, Some(&stage.solution));
        work.add(&problem, &solution, true);
        Self::ended(problem, stage.windows.clone(), solution)
    }

    fn ended(
        problem: Problem,
        windows: Vec<Window>,
        solution: Solution,
    ) -> Result<Stage, FitError> {
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
        models().for_each(|m| self.count(m));
    }

    /// Adds a model's transforms.
    pub(super) fn count(&mut self, model: &Model) {
        self.transforms += model.take_transforms() as f64 * cost(model.focal_size())
            / cost(self.transform_size.max(1));
    }
}

/// Operations of a two-dimensional transform, to a factor.
fn cost(size: usize) -> f64 {
    let n = size as f64;
    n * n * (n + 1.0).log2()
}
