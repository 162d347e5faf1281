//! A blur with a direction, and focal ratio and camera other than they were told.

use super::{Run, Stage, Work};
use crate::fit::{
    solve::{BLUR, OWN},
    told,
};
use crate::frame::Setup;

/// Focal ratio and camera are looked for when freeing them promises to take away this
/// share of chi2.
const WORTH_A_LOOK: f64 = 0.02;
/// The least change worth another stage, the most that is believed, and how
/// often it is sought.
const LEAST_SCALING: f64 = 2e-3;
const MOST_SCALE: f64 = 0.12;
const MOST_SCALINGS: usize = 5;
/// A story may take away so many times the chi2 that it promises.
const MORE_THAN_PROMISED: f64 = 3.0;

/// chi2 of one degree of freedom.
fn noise_of(stage: &Stage) -> f64 {
    stage.solution.chi2 / stage.solution.freedom
}

impl Run<'_, '_> {
    /// Lets the blur have a direction (wind, a drive that runs unevenly) where that
    /// explains the picture better.
    pub(super) fn with_its_blur(&mut self, told: Stage, work: &mut Work) -> Stage {
        let camera: Vec<usize> = told
            .problem
            .scale()
            .into_iter()
            .chain(told.problem.bend())
            .chain(told.problem.as_exposed())
            .collect();
        let promise = told
            .problem
            .onward(&told.solution, &camera)
            .map_or(0.0, |o| o.1);
        if promise.is_nan() || promise < WORTH_A_LOOK * told.solution.chi2 {
            return told;
        }
        self.round = false;
        match self.further(&told, work) {
            Ok(stretched) if stretched.solution.chi2 < told.solution.chi2 => stretched,
            _ => {
                self.round = true;
                told
            }
        }
    }

    /// The fall of chi2 that camera and focal ratio promise if both are free.
    pub(super) fn promise_of_camera(&self, told: &Stage) -> f64 {
        let round: Vec<usize> = told
            .problem
            .stretches()
            .filter(|_| self.round)
            .chain(told.problem.as_exposed())
            .collect();
        told.problem
            .onward(&told.solution, &round)
            .map_or(0.0, |o| o.1)
    }

    /// The fall of chi2, in units of the noise, that one parameter promises if it is free
    /// besides; 0 for none.
    fn promise_of(&self, told: &Stage, parameter: Option<usize>) -> f64 {
        let Some(free) = parameter else { return 0.0 };
        let held: Vec<usize> = told
            .problem
            .stretches()
            .filter(|_| self.round)
            .chain(told.problem.scale())
            .chain(told.problem.bend())
            .chain(told.problem.as_exposed())
            .filter(|&i| i != free)
            .collect();
        let onward = told.problem.onward(&told.solution, &held);
        onward.map_or(0.0, |o| o.1 / noise_of(told))
    }

    /// Whether a story of so many quantities told wrong can win that promises this fall of
    /// chi2 (in units of the noise): a promise knows the picture's slope, and no more.
    pub(super) fn may_be_worth(&self, promised: f64, wrong: usize) -> bool {
        let free = vec![Some((0.0, 1.0)); wrong];
        told::cost(-MORE_THAN_PROMISED * promised, self.tasks.len(), &free) < 0.0
    }

    /// Goes on with camera and focal ratio free, singly and both, where that explains
    /// the picture much better, and keeps what the picture tells beyond the doubt
    /// that small untruths of the model leave (see `told`). Else what was told is
    /// the better guess: blurred rings tell little of either.
    pub(super) fn with_its_camera(&mut self, told: Stage, work: &mut Work) -> Stage {
        let promise = self.promise_of_camera(&told);
        if self.in_moving_air(&told)
            || promise.is_nan()
            || promise < WORTH_A_LOOK * told.solution.chi2
        {
            return told;
        }
        let as_told = self.setup.clone();
        let scale = self.promise_of(&told, told.problem.scale());
        let bend = self.promise_of(&told, told.problem.bend());
        let further = promise / noise_of(&told) - scale.max(bend);
        let worth = |gain: f64| self.may_be_worth(gain, 1);
        let [scale, bend, both] = [worth(scale), worth(bend), worth(further)];
        let mut stories = vec![(told, as_told.clone(), 0.0, false)];
        if (scale || both)
            && self.options.focal_sigma > 0.0
            && let Some(scaled) = self.with_its_focal_ratio(&stories[0].0, work)
        {
            stories.push((scaled, self.setup.clone(), self.scale, false));
        }
        (self.setup, self.scale) = (as_told.clone(), 0.0);
        self.bend_free = (bend || both) && self.options.response_sigma > 0.0;
        if self.bend_free
            && let Ok(bent) = self.further(&stories[0].0, work)
        {
            let both = (both && self.options.focal_sigma > 0.0)
                .then(|| self.with_its_focal_ratio(&bent, work))
                .flatten();
            stories.push((bent, as_told, 0.0, true));
            if let Some(both) = both {
                stories.push((both, self.setup.clone(), self.scale, true));
            }
        }
        let least = stories
            .iter()
            .map(|s| s.0.solution.chi2)
            .fold(f64::INFINITY, f64::min);
        let cost = |(stage, _, scale, bent): &(Stage, Setup, f64, bool)| {
            let bend = stage
                .problem
                .bend()
                .filter(|_| *bent)
                .map(|i| (stage.solution.parameters[i], self.options.response_sigma));
            let scale = (*scale != 0.0).then_some((*scale, self.options.focal_sigma));
            let noise = least / stage.solution.freedom;
            told::cost(
                (stage.solution.chi2 - least) / noise,
                self.tasks.len(),
                &[bend, scale],
            )
        };
        let best = (0..stories.len())
            .min_by(|&a, &b| cost(&stories[a]).total_cmp(&cost(&stories[b])))
            .unwrap_or(0);
        let (stage, setup, scale, bent) = stories.swap_remove(best);
        (self.setup, self.scale, self.bend_free) = (setup, scale, bent);
        stage
    }

    /// Stages on with the focal ratio followed; `None` when it need not move.
    fn with_its_focal_ratio(&mut self, from: &Stage, work: &mut Work) -> Option<Stage> {
        let mut best: Option<Stage> = None;
        let mut before = 0.0;
        for _ in 0..MOST_SCALINGS {
            let here = best.as_ref().unwrap_or(from);
            let held: Vec<usize> = here
                .problem
                .stretches()
                .filter(|_| self.round)
                .chain(here.problem.bend().filter(|_| !self.bend_free))
                .chain(here.problem.as_exposed())
                .collect();
            let onward = here.problem.onward(&here.solution, &held)?.0;
            let step = onward[here.problem.scale()?];
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
            let Some(onward) = self.rescaled(here, &onward, by) else {
                break;
            };
            match self.stage(&onward, true, work) {
                Ok(next) => best = Some(next),
                Err(_) => break,
            }
        }
        best
    }

    /// Takes over a change of the focal ratio; gives the parameters to go on from.
    fn rescaled(&mut self, stage: &Stage, onward: &[f64], by: f64) -> Option<Vec<f64>> {
        let i = stage.problem.scale()?;
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
}
