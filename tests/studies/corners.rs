//! A Ritchey-Chretien whose primary leans as well: the star in the middle, the
//! four stars at the field's edges, the primary, the star again, as the pages
//! lead through it.

use bench::adjustment::Aim;
use bench::advice::Next;
use bench::corners::{self, DEFOCUS_WAVES, Drawn, EDGE_ARCMIN, FourStars, LEAST_RATIO, Oval};
use bench::orientation::{Orientation, Side};
use bench::replay::{Footing, SessionReplay};
use bench::response::{Learnt, Noticed, Trust};
use bench::screw::{Element, Mechanism, Screw};
use nalgebra::Vector2;
use optics::alignment::per_arcmin;
use optics::prescription::Layout;
use optics::trace::{ARCMIN_RAD, Shift};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::hands::Screws;
use super::play::{MOST_GOES, THRESHOLD, at_the_star, shaded, step};
use super::truth::{KINDS, Kind, Method, Truth, normal};
use super::world::MILD;

/// What came of one.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Outcome {
    pub method: &'static str,
    pub start_waves: f64,
    pub start_lean_waves: f64,
    /// Coma in the middle.
    pub left_waves: f64,
    /// What differs between opposite sides of the field.
    pub left_lean_waves: f64,
    pub adjustments: usize,
    /// Of them, at the primary.
    pub primary_goes: usize,
    pub looks: usize,
    pub largest_turn: f64,
    /// Whether the last word was to stop, not that it took too long.
    pub ended: bool,
    pub in_line: bool,
}

/// The most a collimation session with two mirrors may take.
const MOST_ROUNDS: usize = 12;

struct Field {
    star: Truth,
    screws: Screws,
    /// Tilt of the primary, arc minutes.
    lean: Vector2<f64>,
    /// What the eye or the eyepiece adds to every donut alike, waves RMS.
    everywhere: Vector2<f64>,
    /// How wide the person thinks the donut, over the true width.
    width_bias: f64,
    told_inside: bool,
}

fn primary_screws() -> Vec<Screw> {
    [30.0, 150.0, 270.0]
        .iter()
        .enumerate()
        .map(|(i, &clock_deg)| Screw {
            label: format!("P{}", i + 1),
            element: Element::Primary,
            clock_deg,
            pitch_mm: 0.7,
            lever_mm: 128.0,
            mechanism: Mechanism::PushPull,
        })
        .collect()
}

impl Field {
    fn draw(kind: Kind, method: Method, rng: &mut ChaCha8Rng) -> Self {
        let star = Truth::draw(kind, method, MILD, (THRESHOLD, 0.6), rng);
        let told_inside = match star.side_told {
            Side::Inside => true,
            Side::Outside => false,
            Side::Unknown => rng.random_bool(0.5),
        };
        let mut field = Self {
            star,
            screws: Screws::draw(&primary_screws(), MILD, rng),
            lean: Vector2::zeros(),
            everywhere: Vector2::new(normal(rng), normal(rng)) * 0.03,
            width_bias: (0.2 * normal(rng)).clamp(-0.45, 0.45).exp(),
            told_inside,
        };
        // The primary leans until the sides differ by up to five limits; then the
        // middle is out of line by what is drawn for it.
        let wanted = rng.random_range(0.0..5.0 * THRESHOLD);
        let way: f64 = rng.random_range(0.0..std::f64::consts::TAU);
        let way = Vector2::new(way.cos(), way.sin());
        field.lean_to(way * 5.0);
        let per_arcmin = field.sides().norm() / 5.0;
        field.lean_to(way * wanted / per_arcmin);
        let coma = rng.random_range(THRESHOLD..0.6);
        field.star.put_out_of_line(coma, rng);
        field
    }

    /// Stands the primary so, with the middle in line.
    fn lean_to(&mut self, arcmin: Vector2<f64>) {
        self.lean = arcmin;
        self.star.fixed.tilt_rad = arcmin * ARCMIN_RAD;
        for _ in 0..3 {
            // Newton's steps by differences of the trace.
            let here = self.star.coma();
            let mut slope = nalgebra::Matrix2::zeros();
            for (i, way) in [Vector2::x(), Vector2::y()].into_iter().enumerate() {
                self.star.tilt += way;
                slope.set_column(i, &(self.star.coma() - here));
                self.star.tilt -= way;
            }
            self.star.tilt -= slope.try_inverse().expect("the secondary works") * here;
        }
    }

    fn shifts(&self) -> [Shift; 2] {
        self.star.shifts()
    }

    /// Astigmatism of a star at this side of the picture (tube's frame), as it
    /// draws the donut out towards the middle, waves RMS; `more` is added to it.
    fn drawn_out(&self, place: Vector2<f64>, arcmin: f64, more: Vector2<f64>) -> f64 {
        let system = &self.star.prescription.system;
        let shifts = self.shifts();
        let middle = system.centred_field(&shifts).expect("rays get through");
        let at = |sky: Vector2<f64>| {
            system
                .image(&shifts, middle + sky * (arcmin * ARCMIN_RAD))
                .expect("rays get through")
        };
        let mut image = at(place);
        if image.place_mm.dot(&place) < 0.0 {
            image = at(-place);
        }
        let twice = 2.0 * place.y.atan2(place.x);
        let (z6, z5) = (image.wavefront.get(6), image.wavefront.get(5));
        (z6 + more.x) * twice.cos() + (z5 + more.y) * twice.sin()
    }

    /// Half the true difference of opposite sides, x and y, waves RMS.
    fn sides(&self) -> Vector2<f64> {
        let at = |place| self.drawn_out(place, EDGE_ARCMIN, Vector2::zeros());
        Vector2::new(
            at(Vector2::x()) - at(-Vector2::x()),
            at(Vector2::y()) - at(-Vector2::y()),
        ) / 2.0
    }

    /// Four stars as a person tells them: ratios to a tenth, the width judged
    /// with a lasting error, the edge only about where it was asked for. Twice as
    /// far out of focus, and again, while one is too drawn out to be told.
    fn look(&self, looks: &mut usize, rng: &mut ChaCha8Rng) -> FourStars {
        let mut asked = DEFOCUS_WAVES;
        loop {
            *looks += 1;
            if let Some(seen) = self.look_at(asked, rng) {
                return seen;
            }
            asked *= 2.0;
        }
    }

    fn look_at(&self, asked_waves: f64, rng: &mut ChaCha8Rng) -> Option<FourStars> {
        let w020 = asked_waves * (1.0 + 0.15 * normal(rng)).clamp(0.6, 1.5);
        let sign = if self.star.side == Side::Inside {
            -1.0
        } else {
            1.0
        };
        let places = [(0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0)];
        let ovals = places.map(|(x, y)| {
            let place = self.star.map.matrix().transpose() * Vector2::new(x, y);
            let arcmin = EDGE_ARCMIN * (1.0 + 0.1 * normal(rng));
            let a = sign * self.drawn_out(place, arcmin, self.everywhere);
            let w = (a * 24f64.sqrt() / (2.0 * w020)).clamp(-0.9, 0.9);
            // The ratio along the line to the middle over across it, with its error.
            let along = (1.0 + w) / (1.0 - w) * (0.06 * normal(rng)).exp();
            let ratio = (along.min(1.0 / along) * 10.0).round() / 10.0;
            let drawn = if ratio > 0.95 {
                Drawn::Round
            } else if along > 1.0 {
                Drawn::ToTheMiddle
            } else {
                Drawn::Across
            };
            Oval { drawn, ratio }
        });
        let told = ovals.iter().all(|o| o.ratio >= LEAST_RATIO);
        told.then_some(FourStars {
            ovals,
            inside: self.told_inside,
            defocus_waves: w020 * self.width_bias,
            edge_arcmin: EDGE_ARCMIN,
        })
    }

    fn turn_primary(&mut self, turns: &[f64], rng: &mut ChaCha8Rng) {
        self.lean += self.screws.turn(turns, rng).tilt;
        self.star.fixed.tilt_rad = self.lean * ARCMIN_RAD;
    }
}

/// Collimation session number `index` of a seed.
pub fn collimation(seed: u64, index: usize) -> Outcome {
    let kind = KINDS
        .into_iter()
        .find(|k| k.layout == Layout::RitcheyChretien)
        .expect("among them");
    let method = if index.is_multiple_of(2) {
        Method::Frames
    } else {
        Method::Eye
    };
    let number = seed.wrapping_mul(1_000_003).wrapping_add(index as u64) ^ 0x00C0_F1E1;
    let mut rng = ChaCha8Rng::seed_from_u64(number);
    let mut field = Field::draw(kind, method, &mut rng);
    let mut o = Outcome {
        method: if method == Method::Eye {
            "eye"
        } else {
            "frames"
        },
        start_waves: field.star.coma().norm(),
        start_lean_waves: field.sides().norm(),
        left_waves: 0.0,
        left_lean_waves: 0.0,
        adjustments: 0,
        primary_goes: 0,
        looks: 0,
        largest_turn: 0.0,
        ended: false,
        in_line: false,
    };
    lead(&mut field, &mut o, &mut rng);
    o.left_waves = field.star.coma().norm();
    o.left_lean_waves = field.sides().norm();
    o.in_line = o.left_waves <= THRESHOLD && o.left_lean_waves <= THRESHOLD;
    o
}

fn lead(field: &mut Field, o: &mut Outcome, rng: &mut ChaCha8Rng) {
    let kind = field.star.kind;
    let (prescription, screws) = kind.registered();
    let per = per_arcmin(&prescription, kind.part())
        .expect("rays get through")
        .expect("has it");
    let shades = shaded(&field.star, rng);
    let tells_jump = rng.random_bool(0.5);
    let mut learnt: Option<Learnt> = None;
    let mut found: Option<Orientation> = None;
    let mut edges: Option<SessionReplay> = None;
    for _ in 0..MOST_ROUNDS {
        let mut course = SessionReplay::new(Footing {
            screws: screws.clone(),
            per_arcmin: per,
            learnt: learnt.take(),
            on_the_tube: false,
            lies: found.clone(),
            sign_by_side: false,
            diagonal: field.star.diagonal,
            focal_mm: kind.focal_mm,
            aim: Aim {
                threshold_waves: THRESHOLD,
                ..Aim::default()
            },
            trust: Trust::default(),
        });
        if found.is_none() {
            shades.iter().for_each(|shade| course.take(shade));
        }
        let stage = at_the_star(&mut field.star, &mut course, tells_jump, rng);
        o.adjustments += stage.adjustments;
        o.looks += stage.looks;
        o.largest_turn = o.largest_turn.max(stage.largest_turn);
        if stage.end.is_none() || o.adjustments >= 2 * MOST_GOES {
            return;
        }
        match course.checked_side() {
            // What was found at the star is told from then on.
            Some(side) => field.told_inside = side == Side::Inside,
            // The page says so, and from then on the person says the other side.
            None if found.is_none() && course.noticed() == Some(Noticed::SideWrong) => {
                field.told_inside = field.star.side_told != Side::Inside;
            }
            None => {}
        }
        found = Some(course.response().found());
        learnt = course.response().learnt();
        let edges = edges.get_or_insert_with(|| {
            let setup = corners::footing(
                &prescription,
                primary_screws(),
                found.clone(),
                field.star.diagonal,
                THRESHOLD,
            );
            SessionReplay::new(setup.expect("rays get through"))
        });
        loop {
            match edges.next() {
                Next::Look { .. } => {
                    edges.take(&field.look(&mut o.looks, rng).step());
                }
                Next::Turn(adjustment) => {
                    let turns = adjustment.turns();
                    field.turn_primary(&turns, rng);
                    o.adjustments += 1;
                    o.primary_goes += 1;
                    o.largest_turn = turns.iter().fold(o.largest_turn, |a, t| a.max(t.abs()));
                    edges.take(&step(&adjustment, None));
                    break;
                }
                Next::Stop(_) => {
                    o.ended = true;
                    return;
                }
            }
        }
    }
}
