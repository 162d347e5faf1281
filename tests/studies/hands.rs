//! Screws as they truly are, and the hands that turn them.

use nalgebra::Vector2;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use tubewright::bench::screw::{Element, Mechanism, Screw};
use tubewright::optics::trace::ARCMIN_RAD;

use super::truth::normal;

/// The screws of one element, beside what the register says of them.
pub struct Screws {
    /// Heights by which one turn lifts its side, over the radius, and where it
    /// truly sits: tilt in arc minutes per turn.
    tilt: Vec<Vector2<f64>>,
    /// Play of each screw and where within it it stands, turns.
    slack: Vec<f64>,
    play: Vec<f64>,
}

impl Screws {
    /// Three at 120 degrees, about where the register has them.
    pub fn draw(registered: &[Screw], rng: &mut ChaCha8Rng) -> Self {
        let common = 1.0 + 0.08 * normal(rng);
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
                let clock = screw.clock_deg + 4.0 * normal(rng);
                let (s, c) = clock.to_radians().sin_cos();
                let lift = screw.pitch_mm * common * (1.0 + 0.10 * normal(rng));
                // A plane on three supports at 120 degrees: two thirds of the lift
                // over the radius, along the screw.
                let size = 2.0 / 3.0 * lift / radius / ARCMIN_RAD;
                Vector2::new(s, c) * size * sky
            })
            .collect();
        Self {
            tilt,
            slack: registered
                .iter()
                .map(|_| rng.random_range(0.0..0.012))
                .collect(),
            play: vec![0.0; registered.len()],
        }
    }

    /// Turned as a person does what was asked: within 15 %, now and then all the
    /// wrong way; slack is lost when a screw is turned back. Answers with how the
    /// element tilted, arc minutes.
    pub fn turn(&mut self, turns: &[f64], rng: &mut ChaCha8Rng) -> Vector2<f64> {
        let wrong = if rng.random_bool(0.03) { -1.0 } else { 1.0 };
        let mut change = Vector2::zeros();
        for (i, t) in turns.iter().enumerate() {
            if *t == 0.0 {
                continue;
            }
            let made = wrong * t * (1.0 + 0.15 * normal(rng)) + 0.002 * normal(rng);
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
        change
    }
}
