//! One simulated collimation session, led by the tool and by the plain rule of thumb.

use nalgebra::Vector2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::bench::advice::{Adjustment, Aim, Next, Why, defocus_waves};
use tubewright::bench::mechanical::{self, MARK_SIGMA_MM};
use tubewright::bench::replay::{Eye, Footing, SessionReplay, Step};
use tubewright::bench::response::Trust;
use tubewright::optics::alignment::per_arcmin;
use tubewright::startest::by_eye::WIDTH_ERROR;

use super::truth::{KINDS, Kind, Method, Truth, nearest};

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
    /// Why it ended.
    pub end: &'static str,
    pub in_line: bool,
}

/// The coma that counts as in line, waves: 1/14.
pub const THRESHOLD: f64 = 1.0 / 14.0;

/// Longer than any collimation session a person would sit through.
pub const MOST_GOES: usize = 30;

pub struct Pair {
    pub led: Outcome,
    pub rule: Outcome,
}

/// Collimation session number `index` of a seed.
pub fn collimation(seed: u64, index: usize) -> Pair {
    let (kind, truth, rng) = drawn(seed, index, method_of(index));
    let rule = thumb(kind, truth, rng);
    let led = led(seed, index);
    Pair { led, rule }
}

/// The same, led by the tool alone.
pub fn led(seed: u64, index: usize) -> Outcome {
    let (kind, truth, rng) = drawn(seed, index, method_of(index));
    lead(kind, truth, rng)
}

fn method_of(index: usize) -> Method {
    if (index / KINDS.len()).is_multiple_of(2) {
        Method::Frames
    } else {
        Method::Eye
    }
}

/// A collimation session led by the tool, its frames drawn and measured.
#[allow(dead_code)]
pub fn measured(seed: u64, index: usize) -> Outcome {
    let (kind, truth, rng) = drawn(seed, index, Method::Rendered);
    lead(kind, truth, rng)
}

fn drawn(seed: u64, index: usize, method: Method) -> (Kind, Truth, ChaCha8Rng) {
    let kind = KINDS[index % KINDS.len()];
    let number = seed.wrapping_mul(1_000_003).wrapping_add(index as u64);
    let mut rng = ChaCha8Rng::seed_from_u64(number);
    let truth = Truth::draw(kind, method, THRESHOLD, 0.6, &mut rng);
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
                end: "not ended",
                in_line: false,
            },
        }
    }

    fn went(&mut self, turns: &[f64], truth: &Truth) {
        let o = &mut self.outcome;
        o.adjustments += 1;
        o.largest_turn = turns.iter().fold(o.largest_turn, |a, t| a.max(t.abs()));
        o.worst_waves = o.worst_waves.max(truth.coma().norm());
    }

    fn done(mut self, truth: &Truth, end: &'static str) -> Outcome {
        self.outcome.left_waves = truth.coma().norm();
        self.outcome.in_line = self.outcome.left_waves <= THRESHOLD;
        self.outcome.end = end;
        self.outcome
    }
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
                truth.turn(&adjustment.turns(), rng);
                watch.went(&adjustment.turns(), truth);
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

/// Led by the tool.
fn lead(kind: Kind, mut truth: Truth, mut rng: ChaCha8Rng) -> Outcome {
    let mut watch = Watch::new(&truth);
    if kind.layout == tubewright::optics::prescription::Layout::Newtonian {
        by_the_mark(kind, &mut truth, &mut watch, &mut rng);
    }
    let (prescription, screws) = kind.registered();
    let per = per_arcmin(&prescription, kind.part())
        .expect("rays get through")
        .expect("has it");
    let mut course = SessionReplay::new(Footing {
        screws,
        per_arcmin: per,
        learnt: None,
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
    for shade in shaded(&truth, &mut rng) {
        course.take(&shade);
    }
    let tells_jump = rng.random_bool(0.5);
    let before = watch.outcome.adjustments;
    let stage = at_the_star(&mut truth, &mut course, tells_jump, &mut rng);
    let o = &mut watch.outcome;
    o.adjustments = before + stage.adjustments;
    o.looks += stage.looks;
    o.largest_turn = o.largest_turn.max(stage.largest_turn);
    o.worst_waves = o.worst_waves.max(stage.worst_waves);
    let end = match stage.end {
        Some(Why::InLine) => "in line",
        Some(Why::Unseen) => "no more to be seen tonight",
        Some(Why::Coarse) => "screws too coarse",
        Some(Why::Nothing) => "nothing to turn",
        None => "not ended",
    };
    watch.done(&truth, end)
}

/// The shade test as it was made: six in ten shade twice, three once, one not at
/// all.
pub fn shaded(truth: &Truth, rng: &mut ChaCha8Rng) -> Vec<Step> {
    let shades = match rng.random_range(0..10) {
        0 => 0,
        1..=3 => 1,
        _ => 2,
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
    /// Why it stopped; none when it took too long or a look could not be had.
    pub end: Option<Why>,
}

/// Led by the tool at the star until it says stop.
pub fn at_the_star(
    truth: &mut Truth,
    course: &mut SessionReplay,
    tells_jump: bool,
    rng: &mut ChaCha8Rng,
) -> Stage {
    let kind = truth.kind;
    let eye = (truth.method == Method::Eye).then(|| Eye::of(WIDTH_ERROR, kind.aperture_mm, None));
    let mut stage = Stage::default();
    let mut first = true;
    while stage.adjustments < MOST_GOES {
        match course.next() {
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
            }
            Next::Turn(adjustment) => {
                let turns = adjustment.turns();
                let jump = truth.turn(&turns, rng);
                stage.adjustments += 1;
                stage.largest_turn = turns.iter().fold(stage.largest_turn, |a, t| a.max(t.abs()));
                stage.worst_waves = stage.worst_waves.max(truth.coma().norm());
                course.take(&step(&adjustment, tells_jump.then_some(jump)));
            }
            Next::Stop(stop) => {
                stage.end = Some(stop.why);
                break;
            }
        }
    }
    stage
}

/// The plain rule of thumb: turn the screw nearest the thin side by an eighth,
/// then by sixteenths; keep what helps, else turn back and try the other way.
/// It gets the same Newtonian mark stage, the same shade test (where one was
/// made), and may go below a sixteenth when sixteenths no longer help.
fn thumb(kind: Kind, mut truth: Truth, mut rng: ChaCha8Rng) -> Outcome {
    let mut watch = Watch::new(&truth);
    if kind.layout == tubewright::optics::prescription::Layout::Newtonian {
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
    let mut part = 0.125;
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
            truth.turn(&turns, &mut rng);
            watch.went(&turns, &truth);
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
        if part > 0.0625 && watch.outcome.adjustments >= 2 {
            part = 0.0625;
        }
        truth.turn(&turns, &mut rng);
        watch.went(&turns, &truth);
        last = Some((turns, seen));
    }
    watch.done(&truth, "not ended")
}
