//! Coma over time as the model sees it: for the picture of an instrument.

use super::chain::{Act, Chain, Fresh, MONTH_DAYS};
use super::fit::DriftModel;
use super::follow::Follower;
use library::star_tests::Method;

/// What is believed on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The day.
    pub day: f64,
    /// Coma below which it lies with 5, 25, 50, 75 and 95 chances in 100, waves.
    pub coma: [f64; 5],
}

/// A look or a turn at the bench on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mark {
    /// A look.
    Look {
        /// The day.
        day: f64,
        /// RMS coma, waves.
        coma: f64,
        /// Its 1-sigma, waves.
        sigma: f64,
        /// By eye rather than measured.
        by_eye: bool,
    },
    /// The bench lined it up.
    LinedUp {
        /// The day.
        day: f64,
    },
}

/// The course and the marks on it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Course {
    /// In order of days; two of one day where a look or the bench changed what is
    /// believed.
    pub points: Vec<Point>,
    /// Looks and turns at the bench.
    pub marks: Vec<Mark>,
}

const PARTS: usize = 6;
const STEP_DAYS: f64 = 1.5 * MONTH_DAYS;

/// The course from one day to another; after today it goes on with time alone.
/// What is believed of a day rests on what came before it, not after.
pub fn course(chain: &Chain, learned: &DriftModel, from: f64, until: f64) -> Course {
    let params = learned.params_apart(chain.pool, chain.share, chain.fingerprint());
    let mut follower = Follower::new(chain, &params, &learned.beliefs);
    let mut course = Course::default();
    let mut last = None;
    let quantiles = [0.05, 0.25, 0.5, 0.75, 0.95];
    let between = |follower: &Follower, last: Option<usize>, to: f64, course: &mut Course| {
        let start = last
            .map_or(chain.begins, |n: usize| chain.steps[n].day)
            .max(from);
        if to < start {
            return;
        }
        let pieces = ((to - start) / STEP_DAYS).ceil().max(1.0) as usize;
        for piece in 0..=pieces {
            let day = start + (to - start) * piece as f64 / pieces as f64;
            let coma = follower
                .ahead(&chain.units_after(last, day))
                .drawn_together(PARTS)
                .quantiles(quantiles);
            course.points.push(Point { day, coma });
        }
    };
    for (n, step) in chain.steps.iter().enumerate() {
        if step.day > until {
            break;
        }
        if step.day >= from {
            between(&follower, last, step.day, &mut course);
            match step.act {
                Act::Look(look) => course.marks.push(Mark::Look {
                    day: step.day,
                    coma: look.coma_rms_waves,
                    sigma: look.sigma_waves,
                    by_eye: look.method == Method::ByEye,
                }),
                Act::Reset(Fresh::LinedUp) => course.marks.push(Mark::LinedUp { day: step.day }),
                Act::Reset(_) => {}
            }
        }
        follower.drift(&step.units);
        follower.act(&step.act);
        last = Some(n);
    }
    between(&follower, last, until, &mut course);
    course
}
