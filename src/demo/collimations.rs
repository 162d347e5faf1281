//! Collimation sessions of the demo club: the truth is in `seed-data/collimations.toml`, and a
//! simulated volunteer follows the tool's advice, step by step, through the same
//! functions as the pages.

use chrono::{NaiveTime, TimeDelta};
use nalgebra::{DVector, Matrix2, Vector2};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use sha2::{Digest, Sha256};

use super::files::{Collimation as Told, Eye, Instrument as Listed};
use super::story::Story;
use super::{Error, Result, eye};
use bench::advice::{Next, defocus_waves};
use bench::corners::width_arcsec;
use bench::mechanical::{MARK_SIGMA_MM, Stage};
use bench::orientation::{Map, Shade, Side};
use bench::plan::Work;
use bench::replay::{SessionReplay, Step};
use library::collimation_end;
use library::collimation_replay::{self, Progress, plan_of, progress, setup};
use library::collimations::{self, Collimation, Record};
use library::instruments::Instrument;
use library::star_tests::FocusSide;
use library::{CollimationId, Conn, InstrumentId, Moment, PersonId};
use optics::wavefront::w131_from_coma;

/// When a collimation session begins.
pub fn begins(told: &Told, story: &Story) -> Result<Moment> {
    let time = NaiveTime::parse_from_str(&told.at, "%H:%M")
        .map_err(|_| wrong(told, "the time is not HH:MM"))?;
    Ok(story.days.at(told.ago, time))
}

fn wrong(told: &Told, why: impl std::fmt::Display) -> Error {
    Error::File {
        file: "collimations.toml".to_owned(),
        why: format!("{} ({} days ago): {why}", told.tag, told.ago),
    }
}

/// Longer than any of them.
const MOST_STEPS: usize = 80;
/// By how much the screws of the demo's instruments work otherwise than traced.
const GAIN: f64 = 1.12;

/// The volunteer, the sky and the tube.
struct Simulated<'a> {
    told: &'a Told,
    listed: &'a Listed,
    map: Map,
    /// What the stage looks at, tube's frame: coma in waves, or a mark in mm.
    now: Vector2<f64>,
    rng: ChaCha8Rng,
}

impl Simulated<'_> {
    fn spread(&mut self) -> f64 {
        // Three dice: near enough to a normal number of 1-sigma 1.
        (0..3).map(|_| self.rng.random_range(-1.0..1.0)).sum()
    }

    fn turn(&mut self, course: &SessionReplay, parts: &[i32]) -> Vector2<f64> {
        let footing = course.footing();
        let tilt = bench::screw::tilt_per_turn(&footing.screws);
        let turns: Vec<f64> = parts
            .iter()
            .map(|p| f64::from(*p) / 64.0 * (1.0 + 0.08 * self.spread()))
            .collect();
        let moved = tilt * DVector::from_vec(turns);
        self.now += footing.per_arcmin.coma_centred * moved * GAIN;
        footing.per_arcmin.jump_mm * moved
    }

    fn to_hour(deg: f64) -> f64 {
        ((deg / 30.0).round() * 30.0).rem_euclid(360.0)
    }

    fn shade(&mut self, tube_deg: f64) -> Step {
        let dark = self.map.to_picture(tube_deg) + 6.0 * self.spread();
        Step::Shade {
            shade: Shade {
                tube_deg,
                picture_deg: Self::to_hour(dark),
                side: Side::Outside,
            },
            anew: false,
        }
    }

    fn mark(&mut self) -> Step {
        let seen = self.now + Vector2::new(self.spread(), self.spread()) * 0.3;
        let size = (seen.norm() * 2.0).round() / 2.0;
        let clock = Self::to_hour(seen.x.atan2(seen.y).to_degrees()).to_radians();
        Step::Look {
            coma: [size * clock.sin(), size * clock.cos()],
            sigma: MARK_SIGMA_MM,
            eye: None,
        }
    }

    /// What the volunteer sees at the eyepiece so far out of focus.
    fn look(&mut self, w020: f64) -> Eye {
        let seen = self.map.matrix() * self.now;
        let eps = self.listed.obstruction;
        let skew = w131_from_coma(seen.norm()) * 1.5 * (1.0 + eps) / w020;
        let ratio = (1.0 - skew) / (1.0 + skew) + 0.02 * self.spread();
        let ratio = ((ratio * 10.0).round() / 10.0).clamp(0.3, 1.0);
        let thin = (-seen.x).atan2(-seen.y).to_degrees() + 5.0 * self.spread();
        let hour = (thin / 30.0).round().rem_euclid(12.0) as u8;
        let width = width_arcsec(w020, self.listed.aperture_mm);
        Eye {
            looks_deg: (width / 3600.0 * self.told.power * 10.0).round() / 10.0,
            power: self.told.power,
            ratio,
            thin: (ratio < 0.95).then_some(if hour == 0 { 12 } else { hour }),
            side: FocusSide::Outside,
            seeing: self.told.seeing,
        }
    }
}

/// Writes one collimation session; answers with the coma it left, when it ended.
pub async fn write(
    conn: &mut Conn,
    told: &Told,
    listed: &Listed,
    id: InstrumentId,
    [first, second]: [PersonId; 2],
    begins: Moment,
) -> Result<Option<f64>> {
    let instrument = Instrument::get(conn, id).await?;
    let row = upkeep::shelf_row(conn, instrument.clone(), begins).await?;
    let limit = row.assessment.limits.coma_bench.value;
    let setup = setup(conn, &instrument, None, listed.diagonal, 90.0, limit).await?;
    let (_, plan) = plan_of(&setup);
    let stage = plan.stages.first().copied().unwrap_or(Work::LookOnly);
    let collimation = collimations::begin(conn, &instrument, &setup, stage, first, begins).await?;
    let mut hasher = Sha256::new();
    hasher.update(b"collimation");
    hasher.update(told.tag.as_bytes());
    let mut simulated = Simulated {
        told,
        listed,
        map: Map {
            turn_deg: told.picture_deg,
            mirrored: told.mirrored,
        },
        now: Vector2::zeros(),
        rng: ChaCha8Rng::from_seed(hasher.finalize().into()),
    };
    let mut at = begins;
    let mut stage: Option<Work> = None;
    for _ in 0..MOST_STEPS {
        let open = Collimation::get(conn, collimation).await?;
        let now = progress(conn, &open).await?;
        if now.ready && stage != Some(now.work) {
            stage = Some(now.work);
            simulated.now = begins_at(told, &now);
        }
        // Who takes over does so at the first turn.
        let by = if now.adjustments > 0 { second } else { first };
        let next = step(conn, &open, &now, &mut simulated, by, &mut at).await?;
        match next {
            Done::No => {}
            Done::Left => return Ok(None),
            Done::Ended => {
                let ended = Collimation::get(conn, collimation).await?.ended;
                let after = ended.and_then(|e| e.outcome.after);
                return Ok(after.map(|(coma, _)| coma));
            }
        }
    }
    Err(wrong(told, "it does not come to an end"))
}

/// Where a stage begins.
fn begins_at(told: &Told, now: &Progress) -> Vector2<f64> {
    let towards = |deg: f64| Vector2::new(deg.to_radians().sin(), deg.to_radians().cos());
    let coma = towards(told.towards_deg) * told.coma;
    match now.work {
        Work::Mechanical(Stage::Secondary) => {
            towards(told.spot_deg.unwrap_or(0.0)) * told.spot_mm.unwrap_or(0.0)
        }
        // The mark shows the tilt that makes the coma.
        Work::Mechanical(Stage::Primary) => {
            let optics = now.optics.as_ref();
            let per = optics.and_then(|o| {
                bench::plan::response_of(o, bench::screw::Element::Primary)
                    .ok()
                    .flatten()
            });
            let back: Option<Matrix2<f64>> = per.and_then(|p| p.coma_centred.try_inverse());
            let mark = now.course.footing().per_arcmin.coma_centred;
            back.map_or_else(Vector2::zeros, |back| mark * back * coma)
        }
        // What the marks left.
        Work::Star(_) if now.adjustments > 0 => coma * (0.09 / told.coma),
        _ => coma,
    }
}

enum Done {
    No,
    Left,
    Ended,
}

async fn step(
    conn: &mut Conn,
    open: &Collimation,
    now: &Progress,
    simulated: &mut Simulated<'_>,
    by: PersonId,
    at: &mut Moment,
) -> Result<Done> {
    let ordinal = open.steps.len() as i64;
    let mut wait = |minutes: i64| {
        *at += TimeDelta::minutes(minutes);
        *at
    };
    let id: CollimationId = open.id;
    let record = if !now.ready {
        wait(4);
        Record::Ready
    } else {
        let next_stage = now.next_stage().map(|work| Record::Stage { work });
        let shades = now.course.shades().len();
        match (now.work, now.course.next()) {
            (Work::Mechanical(Stage::Focuser), _) => {
                wait(3);
                next_stage.unwrap_or(Record::Ready)
            }
            (Work::Star(_), _)
                if now.course.looks_since() == 0 && now.goes_here == 0 && shades < 2 =>
            {
                wait(2);
                let tube = bench::orientation::Orientation::next_shade_deg(now.course.shades());
                Record::Taken {
                    taken: simulated.shade(tube),
                }
            }
            (Work::Star(_), Next::Look { .. } | Next::Turn(_)) if now.course.asks_side() => {
                wait(1);
                Record::Taken {
                    taken: Step::Side {
                        side: Side::Outside,
                    },
                }
            }
            (Work::Mechanical(_), Next::Look { .. }) => {
                wait(1);
                Record::Taken {
                    taken: simulated.mark(),
                }
            }
            (_, Next::Look { .. }) => {
                let told = simulated.told;
                if told
                    .left_after
                    .is_some_and(|adjustments| now.adjustments >= adjustments)
                {
                    return Ok(Done::Left);
                }
                let coma = if now.looks == 0 {
                    simulated.now
                } else {
                    now.course.response().coma().0
                };
                let w020 = defocus_waves(coma, simulated.listed.obstruction);
                let look = simulated.look(w020);
                let test = eye::star_test(simulated.listed, &look).map_err(|e| wrong(told, e))?;
                let then = wait(3);
                let told = (&test, simulated.listed.aperture_mm);
                collimation_replay::write_look(conn, open, ordinal, told, by, then).await?;
                return Ok(Done::No);
            }
            (_, Next::Turn(adjustment)) => {
                wait(3);
                let jump = simulated.turn(&now.course, &adjustment.parts);
                let seen = simulated.map.matrix() * jump;
                let jump_deg = (now.at_star() && seen.norm() > 0.0)
                    .then(|| Simulated::to_hour(seen.x.atan2(seen.y).to_degrees()));
                Record::Taken {
                    taken: Step::Adjustment {
                        parts: adjustment.parts,
                        jump_deg,
                        tension: Vec::new(),
                    },
                }
            }
            (Work::Mechanical(_), Next::Stop(_)) => {
                wait(1);
                next_stage.unwrap_or(Record::Ready)
            }
            (_, Next::Stop(_)) => {
                let then = wait(1);
                let ending = collimation_end::Ending::of(conn, open, then).await?;
                ending.write(conn, open, ordinal, by, then).await?;
                return Ok(Done::Ended);
            }
        }
    };
    collimations::write(conn, id, ordinal, &record, None, by, *at).await?;
    Ok(Done::No)
}
