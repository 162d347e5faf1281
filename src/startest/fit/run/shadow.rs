//! A shadow off centre in a single picture.
//!
//! Coma and a shadow off centre look nearly alike from one side of focus, but not
//! quite: sharp rings tell. Where they do so beyond doubt the shadow is given its
//! place; how well one picture knows it stands in the sigmas (see `told`).

use super::{Run, Stage, Work};
use crate::fit::{honest, kernels::dot, solve::FLUX, told};
use nalgebra::{Matrix2, Vector2};

/// It is looked for when freeing it promises to take away this share of chi2.
const WORTH_A_LOOK: f64 = 0.02;
/// How often a cap's shift is sought.
const MOST_CAPS: usize = 3;

impl Run<'_, '_> {
    /// The fall of chi2 that a shadow free in its place promises; 0 where it is
    /// none of a single picture's business.
    pub(super) fn promise_of_place(&self, stage: &mut Stage) -> f64 {
        let single = self.tasks.len() == 1 && self.setup.obstruction > 0.0;
        if !single
            || self.in_moving_air(stage)
            || self.free_shadow.start == 0
            || self.options.plausible_decentre <= 0.0
        {
            return 0.0;
        }
        let held: Vec<usize> = stage
            .problem
            .stretches()
            .filter(|_| self.round)
            .chain(stage.problem.scale().filter(|_| self.scale == 0.0))
            .chain(stage.problem.bend().filter(|_| !self.bend_free))
            .chain(stage.problem.as_exposed())
            .collect();
        let Some(inverse) = honest::inverse(&honest::holding(&stage.solution.matrix, &held)) else {
            return 0.0;
        };
        let state = stage.problem.state(&stage.solution.parameters, 0);
        let flux = stage.solution.parameters[stage.problem.own(0) + FLUX];
        let picture = &mut stage.problem.pictures[0];
        let sloper = picture.sloper.as_mut().unwrap_or(&mut picture.model);
        let weighted: Vec<Vec<f32>> = sloper
            .slopes_by_shadow(&state)
            .iter()
            .map(|slope| {
                slope
                    .iter()
                    .zip(&picture.root_weight)
                    .map(|(a, w)| a * w * flux as f32)
                    .collect()
            })
            .collect();
        let columns = &stage.solution.columns[0];
        let with: Vec<Vec<f64>> = weighted
            .iter()
            .map(|w| columns.iter().map(|(_, c)| dot(c, w)).collect())
            .collect();
        // What is left of the two once all else has answered.
        let own = Matrix2::from_fn(|a, b| {
            let mut left = dot(&weighted[a], &weighted[b]);
            for (x, (i, _)) in with[a].iter().zip(columns) {
                for (y, (j, _)) in with[b].iter().zip(columns) {
                    left -= x * inverse[(*i, *j)] * y;
                }
            }
            left + if a == b {
                self.options.plausible_decentre.powi(-2)
            } else {
                0.0
            }
        });
        let pull = Vector2::from_fn(|a, _| {
            let mut g = dot(&weighted[a], &stage.solution.residuals[0]);
            for (x, (i, _)) in with[a].iter().zip(columns) {
                for (j, _) in columns {
                    if !held.contains(j) {
                        g -= x * inverse[(*i, *j)] * stage.solution.gradient[*j];
                    }
                }
            }
            g
        });
        own.try_inverse()
            .map_or(0.0, |i| (pull.transpose() * i * pull)[0])
    }

    /// Frees the shadow's place where the picture asks for it beyond doubt.
    pub(super) fn with_its_shadow(&mut self, mut centred: Stage, work: &mut Work) -> Stage {
        let promise = self.promise_of_place(&mut centred);
        let noise = centred.solution.chi2 / centred.solution.freedom;
        if promise.is_nan()
            || promise < WORTH_A_LOOK * centred.solution.chi2
            || !self.may_be_worth(promise / noise, 1)
        {
            return centred;
        }
        let before = (self.free_shadow.clone(), self.shared, self.place_sigma);
        let at = self.modes.len() - 1;
        self.free_shadow = 0..self.free_shadow.end.max(2);
        self.shared += 2;
        self.place_sigma = self.options.plausible_decentre;
        let mut parameters = centred.parameters.clone();
        parameters.splice(at..at, [0.0, 0.0]);
        if let Ok(placed) = self.stage(&parameters, true, work) {
            let p = &placed.solution.parameters;
            let noise = placed.solution.chi2 / placed.solution.freedom;
            let gain = (centred.solution.chi2 - placed.solution.chi2) / noise;
            let off = p[at].hypot(p[at + 1]);
            if told::cost(0.0, 1, &[Some((off, self.place_sigma))]) < told::cost(gain, 1, &[]) {
                let seen = [p[at], p[at + 1]];
                let with_place = (self.free_shadow.clone(), self.shared, self.place_sigma);
                (self.free_shadow, self.shared, self.place_sigma) = before;
                if let Some(cut) = self.with_a_cap(&centred, &placed, seen, work) {
                    return cut;
                }
                (self.free_shadow, self.shared, self.place_sigma) = with_place;
                return placed;
            }
        }
        (self.free_shadow, self.shared, self.place_sigma) = before;
        centred
    }

    /// A shadow `seen` off centre may be one in the middle of a rim that is cut on one side (a
    /// dew cap): the rim's own middle then moves by half of what the cap is off. Which of the
    /// two it is matters, for spherical aberration seen from beside its middle is coma. Gives
    /// the fit with a cap where that explains the picture better.
    fn with_a_cap(
        &mut self,
        centred: &Stage,
        placed: &Stage,
        seen: [f64; 2],
        work: &mut Work,
    ) -> Option<Stage> {
        let mut best: Option<(Stage, f64)> = None;
        let mut share = 1.0;
        for _ in 0..MOST_CAPS {
            self.pupil.cap = seen.map(|s| -2.0 * share * s);
            let Ok(cut) = self.stage(&centred.parameters, true, work) else {
                break;
            };
            // Along the cap's shift chi2 is a parabola through no shift and this.
            let fall = centred.solution.chi2 - cut.solution.chi2;
            let next = match &best {
                None => {
                    let at_best = centred.solution.chi2 - placed.solution.chi2;
                    // With the fall at its end as the shadow's: 1 - (1 - share)^2 of it.
                    let left = (1.0 - fall / at_best).max(0.0).sqrt();
                    1.0 + left
                }
                Some((other, at)) => {
                    let before = centred.solution.chi2 - other.solution.chi2;
                    let (a, b) = (before / at, fall / share);
                    let bend = (a - b) / (share - at);
                    (a + bend * at) / (2.0 * bend)
                }
            };
            if best
                .as_ref()
                .is_none_or(|(b, _)| cut.solution.chi2 < b.solution.chi2)
            {
                best = Some((cut, share));
            }
            if !next.is_finite() || (next - share).abs() < 0.1 {
                break;
            }
            share = next.clamp(0.4, 2.0);
        }
        let (cut, share) = best?;
        if cut.solution.chi2 < placed.solution.chi2 {
            self.pupil.cap = seen.map(|s| -2.0 * share * s);
            Some(cut)
        } else {
            self.pupil.cap = [0.0; 2];
            None
        }
    }
}
