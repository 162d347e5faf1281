//! Vanes that were not told: sought, tried and taken.

use super::{Run, Stage, Work};
use crate::{
    fit::{
        kernels::dot,
        model::{Model, State},
        solve::FLUX,
        stage, vanes,
    },
    frame::{Setup, Side, Vanes},
};

/// Vanes that were not told are taken when they explain this share of chi2.
const SPOKES_TAKE: f64 = 0.1;
impl Run<'_, '_> {
    pub(super) fn found_vanes(&self, told: &Setup) -> Option<Vanes> {
        self.setup.vanes.filter(|_| told.vanes.is_none())
    }

    /// Looks for vanes that were not told and takes them into the pupil where they
    /// explain the picture better.
    pub(super) fn with_its_vanes(&mut self, bare: Stage, work: &mut Work) -> Stage {
        let may = self.setup.vanes.is_none() && self.setup.obstruction > 0.0;
        if !may {
            return bare;
        }
        // In whose picture directions are told.
        let k = usize::from(self.tasks.len() > 1 && self.setup.side != Side::Inside);
        let state = bare.problem.state(&bare.parameters, k);
        let (_, radius) = stage::ray_box(&self.setup, &self.modes, &state);
        let centre = stage::ray(&self.setup, &self.modes, &state, [0.0, 0.0]);
        let window = &bare.windows[k];
        let centre = [
            centre[0] - window.left as f64,
            centre[1] - window.top as f64,
        ];
        let found = vanes::spokes(
            &bare.problem,
            &bare.solution,
            k,
            centre,
            radius,
            self.setup.obstruction,
            self.options.vane_count,
        );
        let Some(spokes) = found else { return bare };
        let mut best = Vanes {
            count: spokes.count,
            width_mm: spokes.width * self.setup.aperture_mm / 2.0,
            clock_deg: spokes.clock_deg,
        };
        // Direction and width by what each turn would explain of the residual.
        let mut gain = 0.0;
        let first = best.clock_deg;
        let mut look = self.look_for_vanes(&bare, k);
        for turn in [0.0, -2.0, 2.0, -1.0, 1.0, -3.0, 3.0] {
            let trial = Vanes {
                clock_deg: first + turn,
                ..best
            };
            let (share, less) = self.worth(&mut look, &bare, k, &trial);
            if less > gain && share > 0.0 {
                gain = less;
                best = Vanes {
                    width_mm: spokes.width * self.setup.aperture_mm / 2.0 * share.clamp(0.2, 5.0),
                    ..trial
                };
            }
        }
        if gain < SPOKES_TAKE * bare.solution.chi2 {
            return bare;
        }
        let told = (self.setup.clone(), self.pupil.clone());
        let mut kept = None;
        for _ in 0..2 {
            self.setup.vanes = Some(Vanes {
                clock_deg: best.clock_deg.rem_euclid(360.0),
                ..best
            });
            let read = if self.tasks.len() > 1 {
                self.setup.side
            } else {
                self.tasks[0].2
            };
            self.pupil = stage::pupil(&self.setup, read);
            let from: &Stage = kept.as_ref().unwrap_or(&bare);
            let Ok(next) = self.stage(&from.parameters, true, work) else {
                break;
            };
            let mut look = self.look_for_vanes(&next, k);
            let (more, _) = self.worth(&mut look, &next, k, &best);
            kept = Some(next);
            let share = (1.0 + more).clamp(0.4, 2.5);
            if (share - 1.0).abs() < 0.1 {
                break;
            }
            best.width_mm *= share;
        }
        match kept {
            Some(next) if next.solution.chi2 < (1.0 - SPOKES_TAKE) * bare.solution.chi2 => next,
            _ => {
                (self.setup, self.pupil) = told;
                bare
            }
        }
    }

    /// The model of the derivatives at a stage's end, and its picture there.
    fn look_for_vanes(&self, stage: &Stage, k: usize) -> Look {
        let state = stage.problem.state(&stage.solution.parameters, k);
        let picture = &stage.problem.pictures[k];
        let mut model = picture.sloper.as_ref().unwrap_or(&picture.model).clone();
        let without = model.image(&state);
        Look {
            model,
            state,
            without,
        }
    }

    /// What share of `vanes`' width the residual of picture `k` asks for (beyond the
    /// vanes that are in the model), and by how much chi2 would fall.
    fn worth(&self, look: &mut Look, stage: &Stage, k: usize, trial: &Vanes) -> (f64, f64) {
        let read = if self.tasks.len() > 1 {
            self.setup.side
        } else {
            self.tasks[k].2
        };
        let wider = self.setup.vanes.map_or(*trial, |v| Vanes {
            width_mm: v.width_mm * 1.25,
            ..v
        });
        let share = if self.setup.vanes.is_some() {
            0.25
        } else {
            1.0
        };
        let with = Setup {
            vanes: Some(wider),
            ..self.setup.clone()
        };
        look.model.wear(stage::pupil(&with, read));
        let with = look.model.image(&look.state);
        let flux = stage.solution.parameters[stage.problem.own(k) + FLUX] as f32;
        let change: Vec<f32> = with
            .iter()
            .zip(&look.without)
            .zip(&stage.problem.pictures[k].root_weight)
            .map(|((a, b), w)| w * flux * (a - b))
            .collect();
        let both = dot(&change, &stage.solution.residuals[k]);
        let square = dot(&change, &change);
        if square <= 0.0 {
            return (0.0, 0.0);
        }
        (share * both / square, both * both / square)
    }
}

/// A model to try vanes on.
struct Look {
    model: Model,
    state: State,
    /// Its picture without them.
    without: Vec<f32>,
}
