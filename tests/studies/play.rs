//! One simulated collimation session, led by the tool and by the plain rule of thumb.

use bench::adjustment::{Adjustment, Aim};
use bench::advice::{Next, Why, defocus_waves};
use bench::mechanical::{self, MARK_SIGMA_MM};
use bench::orientation::Side;
use bench::replay::{Eye, Footing, SessionReplay, Step};
use bench::response::{Learnt, Noticed, Trust};
use nalgebra::Vector2;
use optics::alignment::per_arcmin;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use startest::by_eye::{RINGS_ERROR, WIDTH_ERROR};

use super::truth::{KINDS, Kind, Method, Truth, nearest};
use super::world::World;

/// What came of a collimation session.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Outcome {
    pub kind: &'static str,
    pub method: &'static str,
    pub seeing_arcsec: f64,
    pub start_waves: f64,
    pub left_waves: f64,
    /// Goes at the screws, mechanical stage included.
    pub adjustments: usize,
    /// Of them, at the mechanical stage.
    pub mechanical: usize,
    pub looks: usize,
    /// The largest turn of one screw in one go that was asked for.
    pub largest_turn: f64,
    /// The worst coma on the way, waves.
    pub worst_waves: f64,
    /// Times it stood, after an adjustment made as asked, at more than one and a
    /// half times the start (or the limit, where that is more) and worse than before.
    pub stood_worse: usize,
    /// Adjustments that were made the wrong way.
    pub wrong_turns: usize,
    /// Why it ended.
    pub end: &'static str,
    pub in_line: bool,
    /// What went differently than told or asked, as the tool said it for the first
    /// time, and whether it was so.
    pub noticed: Vec<(Noticed, bool)>,
    /// Checks of the side of focus, and of them those answered wrongly or not at all.
    pub side_checks: usize,
    pub side_checks_wrong: usize,
    pub side_checks_open: usize,
    /// What was said on the way, and what was true.
    pub said: Vec<Said>,
}

/// Something said with a chance, and whether it was so.
#[derive(Debug, Clone, Copy, serde::Serialize)]
pub struct Said {
    pub what: &'static str,
    pub chance: f64,
    pub true_of_it: bool,
}

/// The coma that counts as in line, waves: 1/14.
pub const THRESHOLD: f64 = 1.0 / 14.0;

/// Whether every step is printed (`SHOW=1`), to see what goes wrong.
fn shown() -> bool {
    std::env::var_os("SHOW").is_some()
}

/// Longer than any collimation session a person would sit through.
pub const MOST_GOES: usize = 30;

/// One instrument and its people, led each way.
pub struct Pair {
    pub led: Outcome,
    pub rule: Outcome,
    /// The rule of thumb in the steps it is fairest in: a quarter turn first.
    #[allow(dead_code)]
    pub quarters: Outcome,
}

/// Collimation session number `index` of a seed.
pub fn collimation(world: World, seed: u64, index: usize) -> Pair {
    let thumbed = |first| {
        let (kind, truth, rng) = drawn(world, seed, index, method_of(index));
        thumb(kind, truth, first, rng)
    };
    Pair {
        led: led(world, seed, index),
        rule: thumbed(0.125),
        quarters: thumbed(0.25),
    }
}

/// The same, led by the tool alone.
pub fn led(world: World, seed: u64, index: usize) -> Outcome {
    let (_, mut truth, mut rng) = drawn(world, seed, index, method_of(index));
    lead(&mut truth, None, &mut rng).0
}

/// The same instrument and people twice: the second night with what the first
/// taught, and, for comparison, without.
#[allow(dead_code)]
pub fn two_nights(world: World, seed: u64, index: usize) -> [Outcome; 3] {
    let (_, mut truth, mut rng) = drawn(world, seed, index, method_of(index));
    let (first, learnt) = lead(&mut truth, None, &mut rng);
    truth.another_night((THRESHOLD * 1.4, 0.6), &mut rng);
    let (mut again, mut other) = (truth.clone(), rng.clone());
    let (second, _) = lead(&mut truth, learnt, &mut rng);
    let (afresh, _) = lead(&mut again, None, &mut other);
    [first, second, afresh]
}

fn method_of(index: usize) -> Method {
    if (index / KINDS.len()).is_multiple_of(5) {
        Method::Frames
    } else {
        Method::Eye
    }
}

/// A collimation session led by the tool, its frames drawn and measured.
#[allow(dead_code)]
pub fn measured(world: World, seed: u64, index: usize) -> Outcome {
    let (_, mut truth, mut rng) = drawn(world, seed, index, Method::Rendered);
    lead(&mut truth, None, &mut rng).0
}

fn drawn(world: World, seed: u64, index: usize, method: Method) -> (Kind, Truth, ChaCha8Rng) {
    let kind = KINDS[index % KINDS.len()];
    let number = seed.wrapping_mul(1_000_003).wrapping_add(index as u64);
    let mut rng = ChaCha8Rng::seed_from_u64(number);
    let truth = Truth::draw(kind, method, world, (THRESHOLD * 1.4, 0.6), &mut rng);
    (kind, truth, rng)
}

struct Watch {
    outcome: Outcome,
}

impl Watch {
    fn new(truth: &Truth) -> Self {
        let start = truth.coma().norm();
        Self {
            outcome: Outcome {
                kind: truth.kind.name,
                method: match truth.method {
                    Method::Frames => "frames",
                    Method::Eye => "eye",
                    Method::Rendered => "frames, drawn and measured",
                },
                seeing_arcsec: truth.seeing_arcsec,
                start_waves: start,
                left_waves: start,
                adjustments: 0,
                mechanical: 0,
                looks: 0,
                largest_turn: 0.0,
                worst_waves: start,
                stood_worse: 0,
                wrong_turns: 0,
                end: "not ended",
                in_line: false,
                noticed: Vec::new(),
                side_checks: 0,
                side_checks_wrong: 0,
                side_checks_open: 0,
                said: Vec::new(),
            },
        }
    }

    fn went(&mut self, turns: &[f64], before: f64, truth: &Truth) {
        let o = &mut self.outcome;
        o.adjustments += 1;
        o.largest_turn = turns.iter().fold(o.largest_turn, |a, t| a.max(t.abs()));
        let now = truth.coma().norm();
        o.worst_waves = o.worst_waves.max(now);
        o.stood_worse += usize::from(worse(before, now, o.start_waves, truth));
        o.wrong_turns += usize::from(truth.last_wrong);
    }

    fn done(mut self, truth: &Truth, end: &'static str) -> Outcome {
        self.outcome.left_waves = truth.coma().norm();
        self.outcome.in_line = self.outcome.left_waves <= THRESHOLD;
        self.outcome.end = end;
        self.outcome
    }
}

/// Whether an adjustment made as asked left it at more than one and a half times
/// the start, and worse than before.
fn worse(before: f64, now: f64, start: f64, truth: &Truth) -> bool {
    now > 1.5 * start.max(THRESHOLD) && now > before && !truth.last_wrong
}

/// A Newtonian's primary by its mark, as the tool leads it.
fn by_the_mark(kind: Kind, truth: &mut Truth, watch: &mut Watch, rng: &mut ChaCha8Rng) {
    let (prescription, screws) = kind.registered();
    let per = per_arcmin(&prescription, kind.part())
        .expect("rays get through")
        .expect("has it");
    let footing = mechanical::primary(screws, kind.focal_mm, per.coma_centred_rms(), THRESHOLD);
    let mut course = SessionReplay::new(footing);
    while watch.outcome.adjustments < MOST_GOES {
        match course.next() {
            Next::Look { .. } => course.take(&Step::Look {
                coma: truth.mark(rng),
                sigma: MARK_SIGMA_MM,
                eye: None,
            }),
            Next::Turn(adjustment) => {
                let before = truth.coma().norm();
                truth.turn(&adjustment.turns(), rng);
                if shown() {
                    let after = truth.coma().norm();
                    eprintln!("  mark {:?}: {before:.3} to {after:.3}", adjustment.parts);
                }
                watch.went(&adjustment.turns(), before, truth);
                watch.outcome.mechanical += 1;
                course.take(&step(&adjustment, None));
            }
            Next::Stop(_) => break,
        }
    }
}

pub fn step(adjustment: &Adjustment, jump_deg: Option<f64>) -> Step {
    Step::Adjustment {
        parts: adjustment.parts.clone(),
        jump_deg,
        tension: Vec::new(),
    }
}

/// Tries at one look before a collimation session is given up.
const MOST_TRIES: usize = 8;

/// A look, further out of focus where the shadow touches the rim or frames are
/// refused; none when that does not help.
fn look(
    truth: &Truth,
    mut defocus_waves: f64,
    looks: &mut usize,
    rng: &mut ChaCha8Rng,
) -> Option<([f64; 2], f64)> {
    for _ in 0..MOST_TRIES {
        *looks += 1;
        let seen = truth.look(defocus_waves, rng);
        if seen.is_some() {
            return seen;
        }
        defocus_waves = (defocus_waves * 2.0).min(60.0);
    }
    None
}

/// Led by the tool; and what it has learnt of the instrument.
fn lead(
    truth: &mut Truth,
    learnt: Option<Learnt>,
    rng: &mut ChaCha8Rng,
) -> (Outcome, Option<Learnt>) {
    let kind = truth.kind;
    let mut watch = Watch::new(truth);
    if shown() {
        let (side, start) = (truth.side == truth.side_told, watch.outcome.start_waves);
        eprintln!(
            "{}: {start:.3}, side right {side}, mirrored as expected {}, {:.1} arc seconds",
            kind.name,
            truth.map.mirrored != truth.diagonal,
            truth.seeing_arcsec
        );
    }
    if kind.layout == optics::prescription::Layout::Newtonian {
        by_the_mark(kind, truth, &mut watch, rng);
    }
    truth.reaches_the_star();
    let (prescription, screws) = kind.registered();
    let per = per_arcmin(&prescription, kind.part())
        .expect("rays get through")
        .expect("has it");
    let mut course = SessionReplay::new(Footing {
        screws,
        per_arcmin: per,
        learnt,
        on_the_tube: false,
        lies: None,
        sign_by_side: false,
        diagonal: truth.diagonal,
        focal_mm: kind.focal_mm,
        aim: Aim {
            threshold_waves: THRESHOLD,
            ..Aim::default()
        },
        trust: Trust::default(),
    });
    for shade in shaded(truth, rng) {
        if shown() {
            eprintln!("  {shade:?}");
        }
        course.take(&shade);
    }
    let tells_jump = rng.random_bool(0.5);
    let before = watch.outcome.adjustments;
    let stage = at_the_star(truth, &mut course, tells_jump, rng);
    let o = &mut watch.outcome;
    o.adjustments = before + stage.adjustments;
    o.looks += stage.looks;
    o.largest_turn = o.largest_turn.max(stage.largest_turn);
    o.worst_waves = o.worst_waves.max(stage.worst_waves);
    o.stood_worse += stage.stood_worse;
    o.wrong_turns += stage.wrong_turns;
    o.noticed = stage.noticed;
    o.side_checks = stage.side_checks;
    o.side_checks_wrong = stage.side_checks_wrong;
    o.side_checks_open = stage.side_checks_open;
    o.said = stage.said;
    let end = match stage.end {
        Some(Why::InLine) => "in line",
        Some(Why::Unseen) => "no more to be seen tonight",
        Some(Why::Coarse) => "screws too coarse",
        Some(_) => "nothing to turn",
        None => "not ended",
    };
    (watch.done(truth, end), course.response().learnt())
}

/// The shade test as it was made: six in ten shade twice, three once, one not at
/// all.
pub fn shaded(truth: &Truth, rng: &mut ChaCha8Rng) -> Vec<Step> {
    let roll: f64 = rng.random();
    let shades = if roll < truth.world.no_shade {
        0
    } else if roll < truth.world.no_shade + truth.world.one_shade {
        1
    } else {
        2
    };
    (0..shades)
        .map(|i| Step::Shade {
            shade: truth.shade(f64::from(i) * 90.0, rng),
            anew: false,
        })
        .collect()
}

/// A stage at the star.
#[derive(Debug, Default)]
pub struct Stage {
    pub adjustments: usize,
    pub looks: usize,
    pub largest_turn: f64,
    pub worst_waves: f64,
    pub stood_worse: usize,
    pub wrong_turns: usize,
    pub noticed: Vec<(Noticed, bool)>,
    pub side_checks: usize,
    pub side_checks_wrong: usize,
    pub side_checks_open: usize,
    pub said: Vec<Said>,
    /// Why it stopped; none when it took too long or a look could not be had.
    pub end: Option<Why>,
}

impl Stage {
    /// The side of focus checked, as the page asks for it.
    fn checks_side(&mut self, truth: &mut Truth) -> Step {
        let side = truth.checks_side();
        self.side_checks += 1;
        self.side_checks_open += usize::from(side == Side::Unknown);
        self.side_checks_wrong += usize::from(side != Side::Unknown && side != truth.side);
        if shown() {
            eprintln!("  side checked: {side:?}, truly {:?}", truth.side);
        }
        Step::Side { side }
    }

    /// What the tool noticed, when it says so for the first time.
    fn hears(&mut self, noticed: Option<Noticed>, truth: &Truth) {
        let Some(said) = noticed.filter(|said| self.noticed.iter().all(|(old, _)| old != said))
        else {
            return;
        };
        let so = match said {
            Noticed::TurnedWrongWay => truth.last_wrong,
            Noticed::SideWrong => truth.told_other_side(),
            Noticed::OneOfBoth => truth.last_wrong || truth.told_other_side(),
            Noticed::ShadeMisread | Noticed::DidNotMove => return,
        };
        self.noticed.push((said, so));
    }
}

/// Led by the tool at the star until it says stop.
pub fn at_the_star(
    truth: &mut Truth,
    course: &mut SessionReplay,
    tells_jump: bool,
    rng: &mut ChaCha8Rng,
) -> Stage {
    let kind = truth.kind;
    let air = truth.antoniadi(rng);
    let width = if truth.counts_rings() {
        RINGS_ERROR
    } else {
        WIDTH_ERROR
    };
    let eye = (truth.method == Method::Eye).then(|| Eye::of(width, kind.aperture_mm, air));
    let mut stage = Stage::default();
    let start = truth.coma().norm();
    let mut first = true;
    while stage.adjustments < MOST_GOES {
        let next = course.next();
        let now = truth.coma().norm();
        if course.asks_side() && !matches!(next, Next::Stop(_)) {
            course.take(&stage.checks_side(truth));
            continue;
        }
        match next {
            Next::Look { .. } => {
                let coma = if first {
                    truth.coma()
                } else {
                    course.response().coma().0
                };
                first = false;
                let w020 = defocus_waves(coma, kind.obstruction);
                let Some((coma, sigma)) = look(truth, w020, &mut stage.looks, rng) else {
                    break;
                };
                course.take(&Step::Look { coma, sigma, eye });
                if shown() {
                    let (c, v) = course.response().coma();
                    let seen = (truth.map.matrix() * truth.coma(), Vector2::from(coma));
                    eprintln!(
                        "  check: true {:.3} {:.3}, said {:.3} {:.3} ± {sigma:.3}; believed {:.3} {:.3} ± {:.3}, within {:.3}, {:?}",
                        seen.0.x,
                        seen.0.y,
                        seen.1.x,
                        seen.1.y,
                        c.x,
                        c.y,
                        (v.trace() / 2.0).sqrt(),
                        course.response().chance_within(THRESHOLD),
                        course.noticed(),
                    );
                }
                stage.said.push(Said {
                    what: "collimated",
                    chance: course.response().chance_within(THRESHOLD),
                    true_of_it: now <= THRESHOLD,
                });
                stage.hears(course.noticed(), truth);
            }
            Next::Turn(adjustment) => {
                let turns = adjustment.turns();
                let jump = truth.turn(&turns, rng);
                let after = truth.coma().norm();
                if shown() {
                    eprintln!(
                        "  adjust {:?} {:?}: expected {:.3} {:.3?}; was {now:.3}, is {after:.3}{}",
                        adjustment.parts,
                        adjustment.purpose,
                        adjustment.expected_waves,
                        adjustment.range_waves,
                        if truth.last_wrong { " (wrong way)" } else { "" },
                    );
                }
                stage.adjustments += 1;
                stage.largest_turn = turns.iter().fold(stage.largest_turn, |a, t| a.max(t.abs()));
                stage.worst_waves = stage.worst_waves.max(after);
                stage.stood_worse += usize::from(worse(now, after, start, truth));
                stage.wrong_turns += usize::from(truth.last_wrong);
                stage.said.push(Said {
                    what: "expected after an adjustment",
                    chance: 0.9,
                    true_of_it: adjustment.holds(after),
                });
                course.take(&step(&adjustment, tells_jump.then_some(jump)));
            }
            Next::Stop(stop) => {
                stage.said.push(Said {
                    what: match stop.why {
                        Why::InLine => "stop: collimated",
                        _ => "stop: no more tonight",
                    },
                    chance: stop.chance_within,
                    true_of_it: now <= THRESHOLD,
                });
                stage.end = Some(stop.why);
                break;
            }
        }
    }
    stage
}

/// The plain rule of thumb: turn the screw nearest the thin side by an eighth (or
/// a quarter), then by halves of it; keep what helps, else turn back and try the other way.
/// It gets the same Newtonian mark stage, the same shade test (where one was
/// made), and may go below a sixteenth when sixteenths no longer help.
fn thumb(kind: Kind, mut truth: Truth, first: f64, mut rng: ChaCha8Rng) -> Outcome {
    let mut watch = Watch::new(&truth);
    if kind.layout == optics::prescription::Layout::Newtonian {
        by_the_mark(kind, &mut truth, &mut watch, &mut rng);
    }
    let (_, screws) = kind.registered();
    let shade = truth.shade(0.0, &mut rng);
    // Dark there when shaded at 12: the thin side is carried over to the tube in
    // the sense the diagonal gives.
    let on_tube = |picture_deg: f64| {
        let d = picture_deg - shade.picture_deg;
        if truth.diagonal { d } else { -d }.rem_euclid(360.0)
    };
    let to_screw: Vec<f64> = (0..360).map(|d| on_tube(f64::from(d))).collect();
    let mut part = first;
    let mut way = 1.0;
    let mut last: Option<(Vec<f64>, f64)> = None;
    while watch.outcome.adjustments < MOST_GOES {
        let size = truth.coma().norm();
        let w020 = defocus_waves(Vector2::new(size, 0.0), kind.obstruction);
        let Some((coma, _)) = look(&truth, w020, &mut watch.outcome.looks, &mut rng) else {
            break;
        };
        let seen = coma[0].hypot(coma[1]);
        if seen <= THRESHOLD {
            return watch.done(&truth, "in line");
        }
        let mut turns = vec![0.0; screws.len()];
        let worse = last.as_ref().is_some_and(|(_, before)| seen > *before);
        if let (true, Some((made, before))) = (worse, last.take()) {
            // Back, and from here the other way by less.
            turns = made.iter().map(|t| -t).collect();
            way = -way;
            part = (part / 2.0f64).max(1.0 / 64.0);
            let was = truth.coma().norm();
            truth.turn(&turns, &mut rng);
            watch.went(&turns, was, &truth);
            let _ = before;
            continue;
        }
        let thin = (-coma[0]).atan2(-coma[1]).to_degrees().rem_euclid(360.0);
        let screw = nearest(&screws, to_screw[(thin as usize) % 360]);
        turns[screw] = way * part;
        if kind.mechanism.keeps_tension() {
            for (i, t) in turns.iter_mut().enumerate() {
                if i != screw {
                    *t = -way * part / 2.0;
                }
            }
        }
        if part > first / 2.0 && watch.outcome.adjustments >= 2 {
            part = first / 2.0;
        }
        let was = truth.coma().norm();
        truth.turn(&turns, &mut rng);
        watch.went(&turns, was, &truth);
        last = Some((turns, seen));
    }
    watch.done(&truth, "not ended")
}
