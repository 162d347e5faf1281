//! One star in several colours at one focus, and nobody told the scale.
//!
//! How many waves out of focus the star stands and how many arc seconds a pixel has are one
//! unknown more than the outline tells: the outline is their product. The rings of diffraction
//! tell them apart, each colour by its own; how well the colours are known bounds how well.
//! So a row of scales is sketched first, and the best are then fitted with the scale free.

use super::{Fitted, How, Limits, Run, Stage, Task, Work};
use crate::fit::{
    Band, FitError, FitOptions, Start, check,
    solve::{A4, COLOUR, Unknown},
    stage,
};
use crate::frame::{Setup, Side, Stamp};

/// Believed beforehand, 1-sigma. Red, green and blue of phones and of the stars they are held
/// to have middles that differ by a percent or two; an eyepiece draws within a few percent
/// alike in all directions, and its colours to one focus within a few hundredths of a wave.
const BELIEVED: Unknown = Unknown {
    scale: 1.0,
    unequal: 0.02,
    colour: 0.015,
    focus: 0.03,
    shade: 0.06,
    narrowing: Band::NARROWING,
    of_all: 0.02,
    alike: 100.0,
};
/// Waves out of focus that are sketched, each by this share more than the one before but
/// never by more than some part of a ring.
const SKETCHED: std::ops::Range<f64> = 2.6..15.0;
const FURTHER: f64 = 0.12;
const A_RING: f64 = 0.8;
const SKETCH: Limits = Limits {
    max_slopes: 4,
    max_pictures: 8,
    tolerance: 10.0,
};
/// Neighbouring pixels err alike: a promise of a few units of chi2 is none.
const FINE: Limits = Limits {
    max_slopes: 12,
    max_pictures: 30,
    tolerance: 3.0,
};
/// Fine stages, each planned for the scale that the last one found; a change below this
/// needs no other.
const MOST_STAGES: usize = 4;
const SETTLED: f64 = 0.05;

/// Fits pictures of one star in several colours; `setup` says nothing true of the scale.
pub(in crate::fit) fn fitted_colours<'a>(
    pictures: &[(&'a Stamp, Band)],
    setup: &Setup,
    start: &Start,
    options: &FitOptions,
) -> Result<Fitted<'a>, FitError> {
    check::setup(setup)?;
    for (stamp, _) in pictures {
        check::stamp(stamp)?;
    }
    let bands: Vec<Band> = pictures.iter().map(|p| p.1).collect();
    let tasks: Vec<Task<'_>> = pictures
        .iter()
        .map(|p| (p.0, start, Side::Outside))
        .collect();
    let options = &FitOptions {
        focal_sigma: 0.0,
        band_sigma: 0.0,
        ..*options
    };
    let modes: Vec<usize> = (4..=11).collect();
    let free_shadow = if setup.obstruction > 0.0 && options.obstruction_sigma > 0.0 {
        2..3
    } else {
        0..0
    };
    let mut run = Run {
        tasks: &tasks,
        setup: setup.clone(),
        scale: 0.0,
        bend_free: true,
        round: true,
        single_line: false,
        options,
        shared: modes.len() - 1 + free_shadow.len() + usize::from(options.response_sigma > 0.0) + 3,
        modes,
        pupil: stage::pupil(setup, Side::Outside),
        free_shadow,
        place_sigma: 0.0,
        unknown: Some((BELIEVED, &bands)),
        fluxes_unknown: false,
    };
    let mut work = Work::default();
    let sketched = run.found(start, &mut work)?;
    run.fluxes_unknown = true;
    let mut fine = run.stage_at(&sketched, How::Fine, FINE, &mut work)?;
    run.fluxes_unknown = false;
    for _ in 1..MOST_STAGES {
        let moved = run.take_scale(&mut fine);
        if moved.abs() < SETTLED {
            break;
        }
        fine = run.stage_at(&fine.parameters, How::Fine, FINE, &mut work)?;
    }
    run.take_scale(&mut fine);
    let held: Vec<usize> = fine
        .problem
        .stretches()
        .chain(fine.problem.as_exposed())
        .collect();
    let unexplained = fine.unexplained();
    Ok(Fitted {
        unexplained,
        stamps: pictures.iter().map(|p| p.0).collect(),
        problem: fine.problem,
        windows: fine.windows,
        solution: fine.solution,
        point_symmetric: run.pupil.has_point_symmetry(),
        held,
        vanes: None,
        cut: false,
        moving: false,
        setup: run.setup,
        work,
    })
}

impl Run<'_, '_> {
    /// Where to go on from: the best of the scales, sketched in the middle colour.
    fn found(&mut self, start: &Start, work: &mut Work) -> Result<Vec<f64>, FitError> {
        let told = self.setup.clone();
        let here = stage::start_w020(&told, start);
        let middle = self.tasks.len() / 2;
        let (tasks, unknown) = (self.tasks, self.unknown);
        self.tasks = &tasks[middle..=middle];
        self.unknown = unknown.map(|(u, bands)| (u, &bands[middle..=middle]));
        let mut best: Option<(f64, Stage, Setup)> = None;
        let mut waves = SKETCHED.start;
        while waves < SKETCHED.end {
            // More waves, fewer arc seconds a pixel: the outline stays.
            self.setup = Setup {
                pixel_um: told.pixel_um * waves / here,
                ..told.clone()
            };
            let at = self.start(start.coma_waves, 1.0);
            if let Ok(stage) = self.stage_at(&at, How::Sketch, SKETCH, work) {
                let left = stage.solution.chi2;
                if best.as_ref().is_none_or(|b| left < b.0) {
                    best = Some((left, stage, self.setup.clone()));
                }
            }
            waves += (FURTHER * waves).min(A_RING);
        }
        (self.tasks, self.unknown) = (tasks, unknown);
        let (_, mut stage, setup) = best.ok_or(FitError::NoConvergence)?;
        self.setup = setup;
        self.take_scale(&mut stage);
        let mut p = stage.parameters[..self.shared].to_vec();
        let own = &stage.parameters[self.shared..];
        for k in 0..tasks.len() {
            let first = p.len();
            p.extend(own);
            p[first + COLOUR] = 0.0;
            if k > 0 {
                p[first + A4] = 0.0;
            }
        }
        Ok(p)
    }

    /// Takes over the scale that a stage found, with the bands where they are believed to be
    /// on the average; gives the change of the scale's logarithm within the stage.
    fn take_scale(&mut self, stage: &mut Stage) -> f64 {
        let Some(i) = stage.problem.sizes() else {
            return 0.0;
        };
        let count = stage.problem.pictures.len();
        let owns: Vec<usize> = (0..count).map(|k| stage.problem.own(k)).collect();
        let mut change = 0.0;
        // The whole stamps' parameters, and the window's, from which the answer is made.
        for p in [&mut stage.solution.parameters, &mut stage.parameters] {
            let longer = owns.iter().map(|o| p[o + COLOUR]).sum::<f64>() / count as f64;
            for o in &owns {
                p[o + COLOUR] -= longer;
                p[o + A4] *= (-longer).exp();
            }
            let modes = self.modes.len() - 1;
            p[..modes].iter_mut().for_each(|w| *w *= (-longer).exp());
            change = p[i] + longer;
            p[i] = 0.0;
        }
        self.setup.pixel_um *= (-change).exp();
        change
    }
}
