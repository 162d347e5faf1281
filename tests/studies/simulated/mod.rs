//! Fleets that never were, whose truth is known.
#![allow(dead_code)] // each program that takes it in uses its own part

use rand::Rng;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use tubewright::library::star_tests::Method;
use tubewright::upkeep::drift::chain::{Cause, Chain, Entry, Look, What};

/// What an instrument is really like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nature {
    /// Like its kind.
    Usual,
    /// Never moves.
    NeverMoves,
    /// Drifts in car boots.
    HatesCars,
    /// Its adjuster lets go after the bench.
    LetsGo,
    /// Its mirror lies differently at each look.
    Flops,
}

/// How a fleet is made.
#[derive(Debug, Clone)]
pub struct Recipe {
    /// How many instruments.
    pub instruments: usize,
    /// Of how many designs.
    pub pools: usize,
    /// Over how many years.
    pub years: f64,
    /// Looks a year, besides those the bench makes.
    pub looks_per_year: f64,
    /// Share of looks made by eye.
    pub by_eye: f64,
    /// Share of looks that are wild, by eye.
    pub wild: f64,
    /// Share of loans whose journeys are told.
    pub told: f64,
    /// Share of instruments with a nature of their own.
    pub odd: f64,
    /// How far instruments differ, natural logarithms.
    pub between_instruments: f64,
    /// How far designs differ from what the plain rules say, natural logarithms.
    pub between_pools: f64,
    /// Share of looks with a known direction.
    pub directed: f64,
    /// Whether steps have heavy tails: Student's t with three degrees of freedom, of
    /// the same variance.
    pub heavy: bool,
    /// How far people's eyes are biased, natural logarithm of a factor on coma: each of
    /// six keeps their own.
    pub eye_bias: f64,
    /// Share of journeys of told loans that nobody enters all the same.
    pub unentered: f64,
}

impl Default for Recipe {
    fn default() -> Self {
        Self {
            instruments: 60,
            pools: 5,
            years: 6.0,
            looks_per_year: 2.5,
            by_eye: 0.4,
            wild: 0.03,
            told: 0.65,
            odd: 0.0,
            between_instruments: 0.5,
            between_pools: 0.5,
            directed: 0.0,
            heavy: false,
            eye_bias: 0.0,
            unentered: 0.0,
        }
    }
}

/// One instrument.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// Its chain.
    pub chain: Chain,
    /// Entries it was made of.
    pub entries: Vec<Entry>,
    /// Its nature.
    pub nature: Nature,
    /// Its own factor on the drift variance.
    pub factor: f64,
    /// True coma, waves, after each change, by day.
    pub truth: Vec<(f64, f64)>,
    /// Its limit, waves.
    pub limit: f64,
    /// Loans, from and until.
    pub loans: Vec<(f64, f64)>,
}

impl Simulated {
    /// True coma on a day, waves.
    pub fn coma_on(&self, day: f64) -> f64 {
        let n = self.truth.partition_point(|t| t.0 <= day);
        self.truth[n.saturating_sub(1)].1
    }
}

/// A fleet with its truth.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// Instruments.
    pub instruments: Vec<Simulated>,
    /// Natural logarithm of each pool's true variance per unit, in the order of
    /// `Cause::ALL`.
    pub rates: Vec<[f64; 10]>,
    /// The day it ends.
    pub ends: f64,
}

impl Fleet {
    /// Its chains.
    pub fn chains(&self) -> Vec<Chain> {
        self.instruments.iter().map(|i| i.chain.clone()).collect()
    }
}

/// Shares of the designs, by pool.
pub const SHARES: [f64; 10] = [1.0, 1.5, 0.4, 1.3, 0.3, 1.2, 1.0, 1.0, 0.4, 0.3];

struct Dice(ChaCha8Rng);

impl Dice {
    fn chance(&mut self, p: f64) -> bool {
        self.0.random::<f64>() < p
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }
    /// Standard normal (Box and Muller).
    fn normal(&mut self) -> f64 {
        let u: f64 = self.0.random::<f64>().max(1e-300);
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * self.0.random::<f64>()).cos()
    }
    /// Waiting time of a rate.
    fn wait(&mut self, per_day: f64) -> f64 {
        -self.0.random::<f64>().max(1e-300).ln() / per_day
    }
}

struct Tube<'a> {
    dice: &'a mut Dice,
    coma: [f64; 2],
    rates: [f64; 10],
    last: f64,
    settles: f64,
    flop: f64,
    out: Simulated,
    recipe: &'a Recipe,
    /// Each person's factor on what they see.
    eyes: [f64; 6],
}

impl Tube<'_> {
    fn kick(&mut self, variance: f64) {
        // Of Student's t by its chi-square with three degrees of freedom; its variance
        // is three times that of the scale.
        let variance = if self.recipe.heavy {
            let square: f64 = (0..3).map(|_| self.dice.normal().powi(2)).sum();
            variance / square.max(1e-6)
        } else {
            variance
        };
        for axis in 0..2 {
            let step = self.dice.normal() * variance.sqrt();
            self.coma[axis] += step;
        }
    }
    fn note(&mut self, day: f64) {
        self.out.truth.push((day, self.coma[0].hypot(self.coma[1])));
    }
    /// Time passes until a day.
    fn pass(&mut self, day: f64) {
        let months = (day - self.last) / 30.44;
        self.kick(months * self.rates[Cause::Month.index()]);
        self.last = day;
    }
    fn push(&mut self, day: f64, cause: Cause, units: f64, told: bool) {
        self.pass(day);
        self.kick(units * self.rates[cause.index()]);
        let forgotten = self.recipe.unentered > 0.0 && self.dice.chance(self.recipe.unentered);
        if told && !forgotten {
            let what = What::Pushed(cause, units);
            self.out.entries.push(Entry { day, what });
        }
        self.note(day);
    }
    fn look(&mut self, day: f64, by_eye: bool) -> f64 {
        self.pass(day);
        let sigma = if by_eye {
            self.dice.between(0.015, 0.04)
        } else {
            self.dice.between(0.004, 0.012)
        };
        let wild = self
            .dice
            .chance(if by_eye { self.recipe.wild } else { 0.0 });
        let seen = if wild {
            [self.dice.normal() * 0.2, self.dice.normal() * 0.2]
        } else {
            let spread = sigma.hypot(self.flop);
            let (x, y) = (self.dice.normal(), self.dice.normal());
            let bias = if by_eye && self.recipe.eye_bias > 0.0 {
                let who = (self.dice.between(0.0, 6.0) as usize).min(5);
                self.eyes[who]
            } else {
                1.0
            };
            [
                bias * self.coma[0] + spread * x,
                bias * self.coma[1] + spread * y,
            ]
        };
        let told = self.dice.chance(self.recipe.directed);
        let look = Look {
            coma_rms_waves: seen[0].hypot(seen[1]),
            sigma_waves: sigma,
            direction_deg: told.then(|| seen[1].atan2(seen[0]).to_degrees()),
            method: if by_eye {
                Method::ByEye
            } else {
                Method::FromFrames
            },
        };
        let what = What::Looked(look);
        self.out.entries.push(Entry { day, what });
        self.note(day);
        look.coma_rms_waves
    }
    fn bench(&mut self, day: f64) {
        self.pass(day);
        self.coma = [0.0; 2];
        self.kick(0.012_f64.powi(2));
        let what = What::LinedUp;
        self.out.entries.push(Entry { day, what });
        self.look(day + 0.02, false);
        // The screws give way after the bench has looked.
        let settling = self.rates[Cause::Settling.index()] + self.settles * self.settles;
        self.kick(settling);
        self.note(day + 0.03);
    }
    fn loan(&mut self, day: f64) -> f64 {
        let told = self.dice.chance(self.recipe.told);
        let back = day + self.dice.between(7.0, 40.0);
        self.out.loans.push((day + 0.05, back));
        for leg in [day + 0.05, back] {
            let rough = self.dice.chance(0.08);
            let km = self.dice.between(10.0, 120.0);
            let cause = if rough { Cause::RoughRoad } else { Cause::Car };
            if leg == back && self.dice.chance(0.3) {
                self.push(back - 2.0, Cause::PublicEvent, 1.0, told);
            }
            if leg == back && self.dice.chance(0.04) {
                self.push(back - 1.0, Cause::KnockOrDrop, 1.0, told);
            }
            self.push(leg, cause, (km / 50.0_f64).max(0.3), told);
            if !told {
                let what = What::Pushed(Cause::UntoldLeg, 1.0);
                self.out.entries.push(Entry { day: leg, what });
            }
        }
        back
    }
}

/// Makes a fleet.
pub fn fleet(recipe: &Recipe, seed: u64) -> Fleet {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    let ends = recipe.years * 365.25;
    let usual = tubewright::upkeep::drift::params::Beliefs::default();
    let rates: Vec<[f64; 10]> = (0..recipe.pools)
        .map(|pool| {
            let mut logs = [0.0; 10];
            for (k, log) in logs.iter_mut().enumerate() {
                let share = SHARES[pool % SHARES.len()];
                *log = usual.middle.0[k] + share.ln() + recipe.between_pools * dice.normal();
            }
            logs
        })
        .collect();
    let natures = [
        Nature::NeverMoves,
        Nature::HatesCars,
        Nature::LetsGo,
        Nature::Flops,
    ];
    let eyes = [(); 6].map(|()| match recipe.eye_bias > 0.0 {
        true => (recipe.eye_bias * dice.normal()).exp(),
        false => 1.0,
    });
    let instruments = (0..recipe.instruments)
        .map(|n| {
            let pool = n % recipe.pools;
            let odd = dice.chance(recipe.odd);
            let nature = if odd {
                natures[(dice.between(0.0, 4.0) as usize).min(3)]
            } else {
                Nature::Usual
            };
            let mut factor = (recipe.between_instruments * dice.normal()).exp();
            let mut own = rates[pool].map(f64::exp);
            let (mut settles, mut flop) = (0.0, 0.0);
            match nature {
                Nature::Usual => {}
                Nature::NeverMoves => factor = 0.01,
                Nature::HatesCars => own[Cause::Car.index()] *= 12.0,
                Nature::LetsGo => settles = 0.06,
                Nature::Flops => flop = 0.04,
            }
            let spread = 0.03;
            let coma = [spread * dice.normal(), spread * dice.normal()];
            let share = SHARES[pool % SHARES.len()];
            let limit = 0.071;
            let mut tube = Tube {
                coma,
                rates: own.map(|r| r * factor),
                last: 0.0,
                settles,
                flop,
                out: Simulated {
                    chain: Chain::new(pool, share, &[]),
                    entries: Vec::new(),
                    nature,
                    factor,
                    truth: vec![(0.0, coma[0].hypot(coma[1]))],
                    limit,
                    loans: Vec::new(),
                },
                recipe,
                eyes,
                dice: &mut dice,
            };
            let loans = tube.dice.between(1.5, 7.0) / 365.25;
            let looks = recipe.looks_per_year / 365.25;
            let mut next_loan = tube.dice.wait(loans);
            let mut next_look = tube.dice.wait(looks);
            loop {
                let day = next_loan.min(next_look);
                if day > ends - 45.0 {
                    break;
                }
                if next_loan < next_look {
                    let back = tube.loan(next_loan);
                    next_loan = back + tube.dice.wait(loans);
                    next_look = next_look.max(back + 0.5);
                } else {
                    let by_eye = tube.dice.chance(recipe.by_eye);
                    let seen = tube.look(next_look, by_eye);
                    if seen > limit && tube.dice.chance(0.8) {
                        tube.bench(next_look + 0.05);
                    }
                    next_loan = next_loan.max(next_look + 0.5);
                    next_look += 0.2 + tube.dice.wait(looks);
                }
            }
            tube.pass(ends);
            tube.note(ends);
            let mut out = tube.out;
            out.chain = Chain::new(pool, share, &out.entries);
            out
        })
        .collect();
    Fleet {
        instruments,
        rates,
        ends,
    }
}
