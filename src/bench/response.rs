//! What a turn does to the coma, learnt while it is done.
//!
//! The state is the coma vector c as seen in the picture and the 2 x k response
//! B to one turn of each screw; a go with turns t makes c + B t, and a look sees
//! c with its error. For known t that is linear in (c, B), so a Gaussian belief
//! stays Gaussian (Kalman). What is not linear (how the picture lies, an entered
//! side of focus that was wrong, an adjustment made the wrong way, the play of
//! each screw and where it stands in it, this hand, this eye) is drawn: some
//! hundreds of such beliefs side by side, weighed by what the looks say
//! (a Rao-Blackwellised particle filter; Doucet et al., UAI 2000). When they are
//! thinned out, the likely ones stay as they are and chance decides among the
//! others without favour (Fearnhead & Clifford, J. R. Stat. Soc. B 65, 887 (2003)).

use nalgebra::{DMatrix, DVector, Matrix2, Matrix2xX, Vector2};

pub use super::learnt::{Learnt, Trust};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::belief::{Belief, Ring, moved, normal_draw, start};
use super::eye::Eye;
use super::orientation::{Candidate, Map, Orientation, Reading, apart_deg};

/// What the looks say went differently than asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noticed {
    /// The last go was made the wrong way.
    TurnedWrongWay,
    /// The side of focus was told wrongly (or the shade test read half a turn out).
    SideWrong,
    /// One of the two, and the looks cannot yet tell which.
    OneOfBoth,
    /// The shade test was misread, or the picture has been turned since.
    ShadeMisread,
    /// The screws' play took the last adjustment up: the star did not move.
    DidNotMove,
}

/// How many beliefs are kept, beside the likeliest of each way the picture may lie.
const MOST: usize = 200;
/// The least weight of a way the picture may lie: three turns in a row that another way
/// explains only as made the wrong way bring it back (assumed).
const LEAST: f64 = 1e-5;
/// Draws on which an adjustment is judged.
const DRAWS: usize = 240;
/// What a look misses alike each time, whoever looks, waves: by eye (the
/// eyepiece's and the eye's own), from frames.
const ALIKE_WAVES: [f64; 2] = [0.006, 0.003];

/// All beliefs together.
#[derive(Debug, Clone)]
pub struct Response {
    beliefs: Vec<Belief>,
    trust: Trust,
    screws: usize,
    looks: usize,
    adjustments: u32,
    /// How well the factor is known that all looks of the first one's kind have
    /// in common.
    share: f64,
    rng: ChaCha8Rng,
}

/// How well a person's own idea of an uneven ring is known, as a share of it
/// (assumed).
const EVENNESS: f64 = 0.12;

/// Shares of belief at which the side of focus is worth a check: in the other side alone,
/// as where none was entered; in the other side or a turn the wrong way, with at least so
/// much in the side (set on seeds 4101 and 4102 of the study).
const EVEN_DOUBT: f64 = 0.25;
const EITHER_DOUBT: f64 = 0.4;
const SIDE_DOUBT: f64 = 0.05;

/// One way it may all be, drawn from the beliefs, with what a hand will make of
/// the next adjustment.
#[derive(Debug, Clone)]
pub(super) struct Draw {
    pub(super) coma: Vector2<f64>,
    /// The belief's own mean of it: what more looks would bring it nearer to.
    middle: Vector2<f64>,
    screws: Vec<Turned>,
    /// Whether this one has it that the next adjustment is made the wrong way.
    pub(super) wrong_way: bool,
}

#[derive(Debug, Clone)]
struct Turned {
    column: Vector2<f64>,
    play: f64,
    place: f64,
    /// The hand's error: as a share, and in turns.
    share: f64,
    turns: f64,
}

impl Draw {
    /// The coma after these turns.
    pub(super) fn after(&self, turns: &[f64]) -> Vector2<f64> {
        let way = if self.wrong_way { -1.0 } else { 1.0 };
        let mut coma = self.coma;
        for (screw, t) in self.screws.iter().zip(turns) {
            if *t != 0.0 {
                let made = way * t * (1.0 + screw.share) + screw.turns;
                coma += screw.column * moved(screw.place, screw.play, made).0;
            }
        }
        coma
    }

    /// The same with so much left of what is not known of the coma.
    pub(super) fn narrowed(&self, left: f64) -> Self {
        Self {
            coma: self.middle + (self.coma - self.middle) * left,
            ..self.clone()
        }
    }
}

impl Response {
    /// At the start of a collimation: what is known of the instrument, and how the
    /// picture lies.
    pub fn new(learnt: &Learnt, orientation: &Orientation, trust: Trust) -> Self {
        let k = learnt.screws();
        let mut rng = ChaCha8Rng::seed_from_u64(15);
        let mut beliefs = Vec::new();
        for candidate in &orientation.candidates {
            // More of what is likelier; some of all.
            let count = (candidate.weight * MOST as f64).ceil().max(4.0);
            for _ in 0..count as usize {
                let weight = candidate.weight / count;
                beliefs.push(start(learnt, candidate, weight, &trust, &mut rng));
            }
        }
        Self {
            beliefs,
            trust,
            screws: k,
            looks: 0,
            adjustments: learnt.adjustments,
            share: 0.0,
            rng,
        }
    }

    /// How many screws.
    pub fn screws(&self) -> usize {
        self.screws
    }

    /// How many looks have come in.
    pub fn looks(&self) -> usize {
        self.looks
    }

    /// A look: the coma vector as seen in the picture and its 1-sigma per
    /// component, waves.
    pub fn look(&mut self, coma: [f64; 2], sigma: f64) {
        self.look_alike(coma, sigma, 0.0, None);
    }

    /// A look by eye: all of them are off by one factor (a donut's width misjudged
    /// alike each time), and each by what the eye and the air add. Everything is
    /// reckoned in what the first kind of look says; a later look of another kind
    /// is off against it by both factors.
    pub fn look_by(&mut self, coma: [f64; 2], sigma: f64, eye: &Eye) {
        let ring = Ring {
            closing_waves: eye.closing_waves(coma, sigma),
            // Rings are miscounted by more than a width is misjudged.
            scatter: if eye.width_share > 0.3 { 1.4 } else { 1.0 },
        };
        let share = eye.width_share.hypot(EVENNESS);
        self.look_alike(coma, eye.air_waves, share, Some(ring));
    }

    fn look_alike(&mut self, coma: [f64; 2], sigma: f64, share: f64, ring: Option<Ring>) {
        let seen = Vector2::from(coma);
        let mut sigma = sigma.max(1e-4);
        if self.looks == 0 {
            self.share = share;
            for belief in &mut self.beliefs {
                belief.in_units_of(share);
            }
        } else if (share - self.share).abs() > 1e-9 {
            sigma = sigma.hypot(seen.norm() * share.hypot(self.share));
        }
        let mut wild = self.beliefs.clone();
        for belief in &mut self.beliefs {
            belief.weight *= 0.94;
            belief.look(seen, sigma, ring, 1.0);
        }
        // One look in sixteen is off by far more than it says (assumed).
        for belief in &mut wild {
            belief.weight *= 0.06;
            belief.look(seen, sigma, ring, 3.0);
        }
        self.beliefs.append(&mut wild);
        self.looks += 1;
        self.settle();
    }

    /// A go: turns of each screw, clockwise as seen facing it.
    pub fn turn(&mut self, turns: &[f64]) {
        let mut next = Vec::with_capacity(2 * self.beliefs.len());
        for belief in self.beliefs.drain(..) {
            let wrong = self.trust.wrong_way;
            let mut reversed = belief.clone();
            reversed.turn(turns, -1.0, &self.trust, &mut self.rng);
            reversed.weight *= wrong;
            let mut asked = belief;
            asked.turn(turns, 1.0, &self.trust, &mut self.rng);
            asked.weight *= 1.0 - wrong;
            next.extend([asked, reversed]);
        }
        self.beliefs = next;
        self.adjustments += 1;
    }

    /// Which way the star jumped in the picture when these turns were made:
    /// a clock direction with its 1-sigma, degrees. `jump_mm` is how far the
    /// star moves per turn of each screw (tube's frame, columns by screw).
    pub fn jumped(
        &mut self,
        turns: &[f64],
        jump_mm: &Matrix2xX<f64>,
        clock_deg: f64,
        sigma_deg: f64,
    ) {
        let adjustment: Vector2<f64> = jump_mm * DVector::from_column_slice(turns);
        if adjustment.norm() == 0.0 {
            return;
        }
        for belief in &mut self.beliefs {
            let seen =
                belief.map.matrix() * adjustment * if belief.last_reversed { -1.0 } else { 1.0 };
            let want = seen.x.atan2(seen.y).to_degrees();
            let off = apart_deg(want, clock_deg) / sigma_deg.hypot(15.0);
            // One answer in twenty is taken to be a slip.
            belief.weight *= 0.95 * (-0.5 * off * off).exp() + 0.05 * 0.1;
        }
        self.settle();
    }

    /// Scales the weights and drops what is out of the question.
    fn settle(&mut self) {
        let total: f64 = self.beliefs.iter().map(|b| b.weight).sum();
        if !(total > 0.0 && total.is_finite()) {
            let equal = 1.0 / self.beliefs.len().max(1) as f64;
            self.beliefs.iter_mut().for_each(|b| b.weight = equal);
            return;
        }
        self.beliefs.iter_mut().for_each(|b| b.weight /= total);
        self.beliefs.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        let mut likeliest = self.likeliest_of_each_map();
        self.beliefs.retain(|b| b.weight > 1e-7);
        self.thin_out(MOST);
        self.beliefs.append(&mut likeliest);
        self.beliefs.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        let total: f64 = self.beliefs.iter().map(|b| b.weight).sum();
        self.beliefs.iter_mut().for_each(|b| b.weight /= total);
    }

    /// Takes the likeliest belief of each way the picture may lie out of all, sorted, and
    /// lets none of these fall below [`LEAST`]: what speaks for it may be still to come,
    /// and a way that was given up could never be found again.
    fn likeliest_of_each_map(&mut self) -> Vec<Belief> {
        let mut taken: Vec<Belief> = Vec::new();
        let mut others = Vec::with_capacity(self.beliefs.len());
        for mut belief in self.beliefs.drain(..) {
            if taken.iter().any(|t| t.map == belief.map) {
                others.push(belief);
            } else {
                belief.weight = belief.weight.max(LEAST);
                taken.push(belief);
            }
        }
        self.beliefs = others;
        taken
    }

    /// Keeps so many beliefs of all, which are sorted with the likeliest first.
    fn thin_out(&mut self, most: usize) {
        if self.beliefs.len() <= most {
            return;
        }
        // The first `kept` stay; of the rest, whose weights sum to `rest`, so many
        // as are left are drawn at even steps.
        let mut rest: f64 = self.beliefs.iter().map(|b| b.weight).sum();
        let mut kept = 0;
        while kept < most - 1 && self.beliefs[kept].weight * (most - kept) as f64 > rest {
            rest -= self.beliefs[kept].weight;
            kept += 1;
        }
        let each = rest / (most - kept) as f64;
        let mut next = each * self.rng.random::<f64>();
        let mut sum = 0.0;
        let tail = self.beliefs.split_off(kept);
        for mut belief in tail {
            sum += belief.weight;
            if sum > next {
                next += each;
                belief.weight = each;
                self.beliefs.push(belief);
            }
        }
    }

    /// Ways it may all be, drawn evenly from the beliefs.
    pub(super) fn draws(&self) -> Vec<Draw> {
        let mut rng = ChaCha8Rng::seed_from_u64(64);
        let total: f64 = self.beliefs.iter().map(|b| b.weight).sum();
        let each = total / DRAWS as f64;
        let mut next = each * 0.5;
        let mut sum = 0.0;
        let mut all = Vec::with_capacity(DRAWS);
        for belief in &self.beliefs {
            sum += belief.weight;
            if sum <= next {
                continue;
            }
            let root = root_of(&belief.covariance);
            while sum > next && all.len() < DRAWS {
                next += each;
                all.push(self.draw(belief, &root, &mut rng));
            }
        }
        // Not in the order of the beliefs: the first few must stand for all.
        for i in (1..all.len()).rev() {
            all.swap(i, rng.random_range(0..=i));
        }
        all
    }

    fn draw(&self, belief: &Belief, root: &DMatrix<f64>, rng: &mut ChaCha8Rng) -> Draw {
        let n = belief.mean.len();
        let z = DVector::from_fn(n, |_, _| normal_draw(rng));
        let state = &belief.mean + root * z;
        let factor = (-state[n - 1]).exp();
        let screws = (0..self.screws)
            .map(|i| Turned {
                column: Vector2::new(state[2 + 2 * i], state[3 + 2 * i]) * factor,
                play: belief.play[i],
                place: belief.place[i],
                share: belief.hand * self.trust.turn * normal_draw(rng),
                turns: belief.hand * self.trust.hand_turns * normal_draw(rng),
            })
            .collect();
        Draw {
            coma: Vector2::new(state[0], state[1]) * factor,
            middle: belief.true_coma().0,
            screws,
            wrong_way: rng.random_bool(self.trust.wrong_way),
        }
    }

    /// What looks of the kind that was taken miss alike each time, waves.
    fn alike(&self) -> f64 {
        if self.share > 0.0 {
            ALIKE_WAVES[0]
        } else {
            ALIKE_WAVES[1]
        }
    }

    /// The hand's error: as a share of a turn, and in turns.
    pub(super) fn hand(&self) -> (f64, f64) {
        let hand: f64 = self.beliefs.iter().map(|b| b.weight * b.hand).sum();
        (hand * self.trust.turn, hand * self.trust.hand_turns)
    }

    /// Play of each screw and its 1-sigma, turns.
    pub fn play(&self) -> Vec<(f64, f64)> {
        (0..self.screws)
            .map(|i| {
                let mean: f64 = self.beliefs.iter().map(|b| b.weight * b.play[i]).sum();
                let square = |b: &Belief| b.weight * (b.play[i] - mean).powi(2);
                (mean, self.beliefs.iter().map(square).sum::<f64>().sqrt())
            })
            .collect()
    }

    /// The coma vector as believed now and its covariance, in the picture.
    pub fn coma(&self) -> (Vector2<f64>, Matrix2<f64>) {
        self.mixed(Belief::true_coma)
    }

    /// The same but for the factor that the looks have in common, which more of
    /// them do not narrow: what looks say, and how far they would still move it.
    pub fn coma_as_seen(&self) -> (Vector2<f64>, Matrix2<f64>) {
        self.mixed(|b| {
            let own: Matrix2<f64> = b.covariance.fixed_view::<2, 2>(0, 0).into();
            (b.coma(), own)
        })
    }

    fn mixed(
        &self,
        of: impl Fn(&Belief) -> (Vector2<f64>, Matrix2<f64>),
    ) -> (Vector2<f64>, Matrix2<f64>) {
        let each: Vec<_> = self.beliefs.iter().map(|b| (of(b), b.weight)).collect();
        let mean: Vector2<f64> = each.iter().map(|((m, _), w)| m * *w).sum();
        let spread = each
            .iter()
            .map(|((m, own), w)| {
                let d = m - mean;
                (own + d * d.transpose()) * *w
            })
            .sum();
        (mean, spread)
    }

    /// How likely the RMS coma is at most `threshold`, 0 to 1.
    pub fn chance_within(&self, threshold: f64) -> f64 {
        self.beliefs
            .iter()
            .map(|b| b.weight * b.chance_within(threshold, self.alike()))
            .sum()
    }

    /// RMS coma of one turn of each screw by the leading belief, waves.
    pub fn per_turn(&self) -> Vec<f64> {
        self.beliefs.first().map_or_else(Vec::new, |b| {
            let scale = b.scale().0;
            (0..self.screws)
                .map(|i| b.column(i).norm() / scale)
                .collect()
        })
    }

    /// The leading way the picture lies, with the share of belief of all that
    /// lie like it.
    pub fn leading_map(&self) -> Option<(Map, f64)> {
        let map = self.beliefs.first()?.map;
        let share = self
            .beliefs
            .iter()
            .filter(|b| lies_alike(b.map, map))
            .map(|b| b.weight)
            .sum();
        Some((map, share))
    }

    /// What the leading belief takes from what was told.
    pub fn leading_reading(&self) -> Option<Reading> {
        self.beliefs.first().map(|b| b.reading)
    }

    /// How the picture lies, as far as looks and goes have found out: for a stage
    /// to come that looks at the same picture.
    pub fn found(&self) -> Orientation {
        let mut candidates: Vec<Candidate> = Vec::new();
        for b in &self.beliefs {
            let same = |c: &&mut Candidate| c.map == b.map;
            match candidates.iter_mut().find(same) {
                Some(c) => c.weight += b.weight,
                None => candidates.push(Candidate {
                    map: b.map,
                    weight: b.weight,
                    turn_sigma_deg: 10.0,
                    reading: Reading::AsTold,
                }),
            }
        }
        Orientation {
            candidates,
            contradiction: None,
            shades: 0,
        }
    }

    /// What went differently than asked, once the looks say so. Where the side of focus was
    /// checked, a turn the wrong way is said sooner, for the person to check.
    pub fn noticed(&self, side_checked: bool) -> Option<Noticed> {
        let share = |of: &dyn Fn(&Belief) -> bool| -> f64 {
            self.beliefs
                .iter()
                .filter(|b| of(b))
                .map(|b| b.weight)
                .sum()
        };
        if share(&|b| b.swallowed > 0.7) > 0.7 {
            return Some(Noticed::DidNotMove);
        }
        let turned = share(&|b| b.last_reversed);
        let side = share(&|b| b.reading == Reading::OtherSide);
        let misread = share(&|b| b.reading == Reading::Open);
        if turned > if side_checked { 0.6 } else { 0.8 } {
            Some(Noticed::TurnedWrongWay)
        } else if side > 0.8 {
            Some(Noticed::SideWrong)
        } else if misread > 0.8 && turned < 0.5 {
            Some(Noticed::ShadeMisread)
        } else if turned + side > 0.7 && turned > 0.15 && side > 0.15 {
            Some(Noticed::OneOfBoth)
        } else {
            None
        }
    }

    /// Whether the side of focus is in doubt: as likely as not the star stands on the
    /// other one than entered, or it answered to the last adjustment as it does there, or
    /// as to a turn the wrong way. Looks cannot tell these apart; how the star stands to
    /// focus can.
    pub fn doubts_side(&self) -> bool {
        let (mut either, mut side) = (0.0, 0.0);
        for b in &self.beliefs {
            let other = b.reading == Reading::OtherSide;
            side += if other { b.weight } else { 0.0 };
            either += if other || b.last_reversed {
                b.weight
            } else {
                0.0
            };
        }
        side > EVEN_DOUBT || (either > EITHER_DOUBT && side > SIDE_DOUBT)
    }

    /// The response in the tube's frame by the leading belief, to be kept for
    /// the next collimation session; the error of how the picture lay is put in again there.
    pub fn learnt(&self) -> Option<Learnt> {
        let lead = self.beliefs.first()?.map;
        let k = self.screws;
        let alike: Vec<&Belief> = self
            .beliefs
            .iter()
            .filter(|b| lies_alike(b.map, lead))
            .collect();
        let all: f64 = alike.iter().map(|b| b.weight).sum();
        let each: Vec<(f64, DVector<f64>, DMatrix<f64>)> = alike
            .iter()
            .map(|b| {
                let back = b.map.matrix().transpose();
                let mut turn = DMatrix::zeros(2 * k, 2 * k);
                for i in 0..k {
                    turn.view_mut((2 * i, 2 * i), (2, 2)).copy_from(&back);
                }
                let (mean, covariance) = b.response();
                (
                    b.weight / all,
                    &turn * mean,
                    &turn * covariance * turn.transpose(),
                )
            })
            .collect();
        let mut mean = DVector::zeros(2 * k);
        for (weight, m, _) in &each {
            mean += m * *weight;
        }
        let mut covariance = DMatrix::zeros(2 * k, 2 * k);
        for (weight, m, c) in &each {
            let off = m - &mean;
            covariance += (c + &off * off.transpose()) * *weight;
        }
        Some(Learnt {
            waves_per_turn: mean.as_slice().to_vec(),
            covariance: covariance.as_slice().to_vec(),
            adjustments: self.adjustments,
            play: self.play(),
        })
    }
}

/// A root of a covariance: by Cholesky, or its diagonal where rounding has left it
/// short of positive.
fn root_of(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let n = covariance.nrows();
    let mut own = covariance.clone();
    for i in 0..n {
        own[(i, i)] += 1e-10;
    }
    own.clone().cholesky().map_or_else(
        || DMatrix::from_diagonal(&own.diagonal().map(|v| v.max(0.0).sqrt())),
        |c| c.l(),
    )
}

/// Whether two maps are the same but for the error of a shade test.
fn lies_alike(a: Map, b: Map) -> bool {
    a.mirrored == b.mirrored && apart_deg(a.turn_deg, b.turn_deg) < 40.0
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn learnt() -> Learnt {
        let tilt = Matrix2xX::from_column_slice(&[0.0, 50.0, 43.3, -25.0, -43.3, -25.0]);
        Learnt::from_trace(&(Matrix2::identity() * 0.03), &tilt, &Trust::default())
    }

    fn sure(turn_deg: f64) -> Orientation {
        Orientation {
            candidates: vec![Candidate {
                map: Map {
                    turn_deg,
                    mirrored: false,
                },
                weight: 1.0,
                turn_sigma_deg: 10.0,
                reading: Reading::AsTold,
            }],
            contradiction: None,
            shades: 2,
        }
    }

    #[test]
    fn the_response_is_learnt_from_turns_and_looks() {
        // The true one is 1.3 times the traced one and turned by 12 degrees.
        let map = Map {
            turn_deg: 12.0,
            mirrored: false,
        };
        let mut response = Response::new(&learnt(), &sure(0.0), Trust::default());
        let truth = |t: &[f64]| {
            let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn) * 1.3;
            map.matrix() * (b * DVector::from_column_slice(t))
        };
        let mut c = Vector2::new(0.3, -0.2);
        response.look([c.x, c.y], 0.005);
        let before = response.learnt().unwrap().per_turn(0).1;
        for t in [[0.1, -0.05, -0.05], [-0.05, 0.1, -0.05], [0.1, 0.0, -0.1]] {
            c += truth(&t);
            response.turn(&t);
            response.look([c.x, c.y], 0.005);
        }
        let kept = response.learnt().unwrap();
        let (size, sigma) = kept.per_turn(0);
        assert!((size / (1.3 * 1.5) - 1.0).abs() < 0.12, "{size}");
        assert!(sigma < 0.7 * before, "{sigma} {before}");
        assert_eq!(kept.adjustments, 3);
        assert_eq!(response.noticed(false), None);
    }

    #[test]
    fn a_screw_turned_the_wrong_way_is_noticed() {
        let mut response = Response::new(&learnt(), &sure(0.0), Trust::default());
        let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn);
        let mut c = Vector2::new(0.3, -0.2);
        response.look([c.x, c.y], 0.01);
        for (k, way) in [1.0, 1.0, -1.0].into_iter().enumerate() {
            let t = [[0.1, -0.05, -0.05], [-0.05, 0.1, -0.05], [-0.1, 0.05, 0.05]][k];
            c += b.clone() * DVector::from_column_slice(&t) * way;
            response.turn(&t);
            response.look([c.x, c.y], 0.01);
        }
        assert_eq!(response.noticed(false), Some(Noticed::TurnedWrongWay));
    }

    /// A way the picture may lie is not given up for good, whatever speaks against it.
    #[test]
    fn no_way_of_lying_is_lost() {
        let told = Orientation {
            candidates: [(0.0, 0.97), (90.0, 0.02), (180.0, 0.01)]
                .map(|(turn_deg, weight)| Candidate {
                    map: Map {
                        turn_deg,
                        mirrored: false,
                    },
                    weight,
                    turn_sigma_deg: 10.0,
                    reading: Reading::AsTold,
                })
                .to_vec(),
            contradiction: None,
            shades: 2,
        };
        let mut response = Response::new(&learnt(), &told, Trust::default());
        let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn);
        let mut c = Vector2::new(0.3, -0.2);
        response.look([c.x, c.y], 0.005);
        for t in [[0.1, -0.05, -0.05], [-0.05, 0.1, -0.05]].repeat(6) {
            c += b.clone() * DVector::from_column_slice(&t);
            response.turn(&t);
            response.look([c.x, c.y], 0.005);
        }
        let found = response.found().candidates;
        assert_eq!(found.len(), 3);
        assert!(found.iter().all(|c| c.weight > 0.5 * LEAST), "{found:?}");
        assert!(found[0].weight > 0.99 && found[0].map == told.candidates[0].map);
    }

    #[test]
    fn a_wrong_side_of_focus_is_noticed_by_looks_or_by_the_jump() {
        let shade = super::super::orientation::Shade {
            tube_deg: 0.0,
            picture_deg: 180.0,
            side: super::super::orientation::Side::Outside,
        };
        let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn);
        // Truly inside: the picture lies at 0, not at 180. No diagonal: mirrored.
        let truth = Map {
            turn_deg: 0.0,
            mirrored: true,
        };
        let told = Orientation::from_shades(&[shade], false);
        let mut response = Response::new(&learnt(), &told, Trust::default());
        let mut c = Vector2::new(0.3, -0.2);
        response.look([c.x, c.y], 0.01);
        for t in [[0.1, -0.05, -0.05], [-0.05, 0.1, -0.05]] {
            c += truth.matrix() * (b.clone() * DVector::from_column_slice(&t));
            response.turn(&t);
            response.look([c.x, c.y], 0.01);
        }
        assert_eq!(response.noticed(false), Some(Noticed::SideWrong));

        let mut response = Response::new(&learnt(), &told, Trust::default());
        response.look([0.3, -0.2], 0.01);
        let t = [0.1, -0.05, -0.05];
        let jump = b.clone();
        response.turn(&t);
        let went = truth.matrix() * (jump.clone() * DVector::from_column_slice(&t));
        response.jumped(&t, &jump, went.x.atan2(went.y).to_degrees(), 20.0);
        let c = Vector2::new(0.3, -0.2) + went;
        response.look([c.x, c.y], 0.01);
        let (map, share) = response.leading_map().unwrap();
        // A screw turned the wrong way would have thrown the star there too.
        assert!(apart_deg(map.turn_deg, 0.0) < 40.0 && map.mirrored && share > 0.6);
    }

    #[test]
    fn what_was_learnt_survives_another_way_of_lying() {
        let first = learnt();
        for turn in [0.0, 77.0, 200.0] {
            let response = Response::new(&first, &sure(turn), Trust::default());
            let back = response.learnt().unwrap();
            for (a, b) in first.waves_per_turn.iter().zip(&back.waves_per_turn) {
                assert!((a - b).abs() < 1e-9);
            }
        }
    }

    /// Ten looks at one star, each off by the same share of a fifth: however
    /// often it is looked at, the size stays known no better than that, while what
    /// else they are off by shrinks.
    #[test]
    fn what_is_misjudged_alike_at_every_look_is_not_looked_away() {
        let mut by_eye = Response::new(&learnt(), &sure(0.0), Trust::default());
        let mut frames = by_eye.clone();
        let eye = Eye {
            width_share: 0.2,
            air_waves: 0.005,
        };
        let mut first = None;
        for _ in 0..10 {
            by_eye.look_by([0.06, 0.0], 0.025, &eye);
            frames.look([0.06, 0.0], 0.01f64.hypot(0.2 * 0.06));
            first.get_or_insert(by_eye.coma_as_seen().1[(0, 0)].sqrt());
        }
        let along = by_eye.coma().1[(0, 0)].sqrt();
        assert!(along > 0.2 * 0.06 && along < 0.025, "{along}");
        let own = by_eye.coma_as_seen().1[(0, 0)].sqrt();
        assert!(own < 0.45 * first.unwrap(), "{own} {first:?}");
        let within = (by_eye.chance_within(0.071), frames.chance_within(0.071));
        assert!(within.0 < 0.9 && within.1 > 0.95, "{within:?}");
    }

    /// An eye that takes every donut for narrower than it is says too little; a turn
    /// that answers half as strongly as the trace says tells of it.
    #[test]
    fn a_weak_answer_tells_of_the_eye() {
        let mut response = Response::new(&learnt(), &sure(0.0), Trust::default());
        let eye = Eye {
            width_share: 0.2,
            air_waves: 0.002,
        };
        let mut at = Vector2::new(0.3, 0.0);
        for _ in 0..3 {
            response.look_by([at.x, at.y], 0.06, &eye);
        }
        let half = [-0.1, 0.05, 0.05];
        response.turn(&half);
        let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn);
        at += b * DVector::from_column_slice(&half) * 0.5;
        for _ in 0..3 {
            response.look_by([at.x, at.y], 0.06, &eye);
        }
        let said = at.norm();
        assert!(
            response.coma().0.norm() > 1.04 * said,
            "{:?}",
            response.coma()
        );
    }

    /// A screw of which the play takes a sixteenth up: the star does not move, and
    /// that is noticed; the belief of its play grows.
    #[test]
    fn play_is_noticed_and_learnt() {
        let mut response = Response::new(&learnt(), &sure(0.0), Trust::default());
        response.look([0.3, -0.2], 0.01);
        let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn);
        let mut c = Vector2::new(0.3, -0.2);
        // To the end of its play, then back by less than it.
        c += b.column(0) * 0.1;
        response.turn(&[0.1, 0.0, 0.0]);
        response.look([c.x, c.y], 0.01);
        let before = response.play()[0].0;
        response.turn(&[-0.04, 0.0, 0.0]);
        response.look([c.x, c.y], 0.01);
        assert_eq!(response.noticed(false), Some(Noticed::DidNotMove));
        let after = response.play()[0].0;
        assert!(after > 1.15 * before && after > 0.035, "{before} {after}");
    }
}
