//! Screws as they truly are, and the hands that turn them.

use bench::screw::{Element, Mechanism, Screw};
use nalgebra::Vector2;
use optics::trace::ARCMIN_RAD;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

use super::truth::normal;
use super::world::World;

/// The screws of one element, beside what the register says of them.
#[derive(Clone)]
pub struct Screws {
    /// Heights by which one turn lifts its side, over the radius, and where it
    /// truly sits: tilt in arc minutes per turn.
    tilt: Vec<Vector2<f64>>,
    /// Play of each screw and where within it it stands, turns.
    slack: Vec<f64>,
    play: Vec<f64>,
    /// Whether the next adjustment is made the wrong way for certain.
    pub wrong_next: bool,
    world: World,
}

/// What a hand did.
pub struct Made {
    /// How the element tilted, arc minutes.
    pub tilt: Vector2<f64>,
    /// Whether it was all made the wrong way round.
    pub wrong_way: bool,
}

impl Screws {
    /// Three at 120 degrees, about where the register has them.
    pub fn draw(registered: &[Screw], world: World, rng: &mut ChaCha8Rng) -> Self {
        let even = |half: f64, rng: &mut ChaCha8Rng| half * rng.random_range(-1.0..1.0);
        let thread = 1.0 + even(world.thread, rng);
        let kind = match rng.random_bool(world.wrong_kind) {
            true if rng.random_bool(0.5) => 1.5,
            true => 1.0 / 1.5,
            false => 1.0,
        };
        let tilt = registered
            .iter()
            .map(|screw| {
                let sky = match screw.element {
                    Element::Primary => -1.0,
                    _ => 1.0,
                };
                let radius = match screw.mechanism {
                    Mechanism::Pivot => screw.lever_mm,
                    _ => screw.lever_mm / 1.5,
                };
                let clock = screw.clock_deg + even(world.place_deg, rng);
                let (s, c) = clock.to_radians().sin_cos();
                let lift = screw.pitch_mm * thread * kind;
                let radius = radius * (1.0 + even(world.lever, rng));
                // A plane on three supports at 120 degrees: two thirds of the lift
                // over the radius, along the screw.
                let size = 2.0 / 3.0 * lift / radius / ARCMIN_RAD;
                Vector2::new(s, c) * size * sky
            })
            .collect();
        let slack: Vec<f64> = registered
            .iter()
            .map(|_| rng.random_range(0.0..world.play_turns))
            .collect();
        // Where in its play a screw stands nobody knows.
        let play = slack.iter().map(|s| s * rng.random::<f64>()).collect();
        Self {
            tilt,
            slack,
            play,
            wrong_next: false,
            world,
        }
    }

    /// Turned as a person does what was asked: with an error of the hand, now and
    /// then all the wrong way; slack is lost when a screw is turned back.
    pub fn turn(&mut self, turns: &[f64], rng: &mut ChaCha8Rng) -> Made {
        let slips = rng.random_bool(self.world.wrong_way);
        let wrong_way = std::mem::take(&mut self.wrong_next) || slips;
        let wrong = if wrong_way { -1.0 } else { 1.0 };
        let mut change = Vector2::zeros();
        for (i, t) in turns.iter().enumerate() {
            if *t == 0.0 {
                continue;
            }
            let made = wrong * t * (1.0 + self.world.hand_share * normal(rng))
                + self.world.hand_turns * normal(rng);
            let wanted = self.play[i] + made;
            let moved = if wanted > self.slack[i] {
                wanted - self.slack[i]
            } else if wanted < 0.0 {
                wanted
            } else {
                0.0
            };
            self.play[i] = wanted.clamp(0.0, self.slack[i]);
            change += self.tilt[i] * moved;
        }
        Made {
            tilt: change,
            wrong_way,
        }
    }
}
