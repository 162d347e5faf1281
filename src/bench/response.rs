//! What a turn does to the coma, learnt while it is done.
//!
//! The state is the coma vector c as seen in the picture and the 2 x k response
//! B to one turn of each screw; a go with turns t makes c + B t, and a look sees
//! c with its error. For known t that is linear in (c, B), so a Gaussian belief
//! stays Gaussian (Kalman). What is not linear (how the picture lies, a told
//! side of focus that was wrong, a screw turned the wrong way) is kept as a
//! handful of such beliefs side by side, weighed by what the looks say.

use nalgebra::{DMatrix, DVector, Matrix2, Matrix2xX, Vector2};

pub use super::learnt::{Learnt, Trust};

use super::belief::{Belief, start};
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
}

/// The most beliefs kept.
const MOST: usize = 64;

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
}

impl Response {
    /// At the start of a collimation: what is known of the instrument, and how the
    /// picture lies.
    pub fn new(learnt: &Learnt, orientation: &Orientation, trust: Trust) -> Self {
        let k = learnt.screws();
        let beliefs = orientation
            .candidates
            .iter()
            .map(|candidate| start(learnt, candidate))
            .collect();
        Self {
            beliefs,
            trust,
            screws: k,
            looks: 0,
            adjustments: learnt.adjustments,
            share: 0.0,
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
        self.look_alike(coma, sigma, 0.0);
    }

    /// A look of a kind whose looks are all off by one factor, known to `share`
    /// (a donut's width misjudged alike each time); `sigma` is what it is off by
    /// beside that. Everything is reckoned in what the first kind of look says;
    /// a later look of another kind is off against it by both factors.
    pub fn look_alike(&mut self, coma: [f64; 2], sigma: f64, share: f64) {
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
        for belief in &mut self.beliefs {
            belief.look(seen, sigma);
        }
        self.looks += 1;
        self.settle();
    }

    /// A go: turns of each screw, clockwise as seen facing it.
    pub fn turn(&mut self, turns: &[f64]) {
        let mut next = Vec::with_capacity(2 * self.beliefs.len());
        for belief in self.beliefs.drain(..) {
            let wrong = self.trust.wrong_way;
            let mut reversed = belief.clone();
            reversed.turn(turns, -1.0, &self.trust);
            reversed.weight *= wrong;
            let mut asked = belief;
            asked.turn(turns, 1.0, &self.trust);
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
            // One answer in twenty is taken to be a loan sheet.
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
        self.beliefs.truncate(MOST);
        self.beliefs.retain(|b| b.weight > 1e-5);
        let total: f64 = self.beliefs.iter().map(|b| b.weight).sum();
        self.beliefs.iter_mut().for_each(|b| b.weight /= total);
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
            .map(|b| b.weight * b.chance_within(threshold))
            .sum()
    }

    /// Expected |c + B t|^2 as (g, H): change of it for turns t is
    /// 2 g.t + t' H t, the errors of turning included.
    pub fn expected_change(&self) -> (DVector<f64>, DMatrix<f64>) {
        self.change_by(|_| true)
    }

    /// The same by those beliefs alone in which the picture lies as in the
    /// leading one.
    pub fn leading_change(&self) -> (DVector<f64>, DMatrix<f64>) {
        match self.beliefs.first() {
            Some(first) => self.change_by(|b| lies_alike(b.map, first.map)),
            None => self.expected_change(),
        }
    }

    fn change_by(&self, counts: impl Fn(&Belief) -> bool) -> (DVector<f64>, DMatrix<f64>) {
        let k = self.screws;
        let mut g = DVector::zeros(k);
        let mut h = DMatrix::zeros(k, k);
        let counted = || self.beliefs.iter().filter(|b| counts(b));
        let all: f64 = counted().map(|b| b.weight).sum();
        for b in counted() {
            let weight = b.weight / all / b.scale().0.powi(2);
            for i in 0..k {
                let bi = b.column(i);
                let ci = b.trace(0, 2 + 2 * i);
                g[i] += weight * (b.coma().dot(&bi) + ci);
                for j in 0..k {
                    let bj = b.column(j);
                    let cij = b.trace(2 + 2 * i, 2 + 2 * j);
                    h[(i, j)] += weight * (bi.dot(&bj) + cij);
                }
                h[(i, i)] += weight * bi.norm_squared() * self.trust.turn.powi(2);
            }
        }
        (g, h)
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

    /// What these turns would make of the coma by the leading belief.
    pub fn after(&self, turns: &[f64]) -> Vector2<f64> {
        self.beliefs.first().map_or_else(Vector2::zeros, |b| {
            let change: Vector2<f64> = (0..self.screws).map(|i| b.column(i) * turns[i]).sum();
            (b.coma() + change) / b.scale().0
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

    /// What went differently than asked, once the looks say so.
    pub fn noticed(&self) -> Option<Noticed> {
        let share = |of: &dyn Fn(&Belief) -> bool| -> f64 {
            self.beliefs
                .iter()
                .filter(|b| of(b))
                .map(|b| b.weight)
                .sum()
        };
        let turned = share(&|b| b.last_reversed);
        let side = share(&|b| b.reading == Reading::OtherSide);
        let misread = share(&|b| b.reading == Reading::Open);
        if turned > 0.8 {
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

    /// The response in the tube's frame by the leading belief, to be kept for
    /// the next collimation session; the error of how the picture lay is put in again there.
    pub fn learnt(&self) -> Option<Learnt> {
        let b = self.beliefs.first()?;
        let k = self.screws;
        let back = b.map.matrix().transpose();
        let mut turn = DMatrix::zeros(2 * k, 2 * k);
        for i in 0..k {
            turn.view_mut((2 * i, 2 * i), (2, 2)).copy_from(&back);
        }
        let (mean, covariance) = b.response();
        let mean = &turn * mean;
        let covariance = &turn * covariance * turn.transpose();
        Some(Learnt {
            waves_per_turn: mean.as_slice().to_vec(),
            covariance: covariance.as_slice().to_vec(),
            adjustments: self.adjustments,
        })
    }
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
        assert_eq!(response.noticed(), None);
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
        assert_eq!(response.noticed(), Some(Noticed::TurnedWrongWay));
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
        assert_eq!(response.noticed(), Some(Noticed::SideWrong));

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
    /// often it is looked at, the size stays known to a fifth, and what else
    /// they are off by shrinks with the root of ten.
    #[test]
    fn what_is_misjudged_alike_at_every_look_is_not_looked_away() {
        let mut alike = Response::new(&learnt(), &sure(0.0), Trust::default());
        let mut apart = alike.clone();
        for _ in 0..10 {
            alike.look_alike([0.06, 0.0], 0.01, 0.2);
            apart.look([0.06, 0.0], 0.01f64.hypot(0.2 * 0.06));
        }
        let along = |r: &Response| r.coma().1[(0, 0)].sqrt();
        let own = 0.01 / 10f64.sqrt();
        assert!((along(&alike) / own.hypot(0.2 * 0.06) - 1.0).abs() < 0.02);
        assert!((alike.coma_as_seen().1[(0, 0)].sqrt() / own - 1.0).abs() < 0.02);
        assert!(apart.chance_within(0.071) > 0.98 && alike.chance_within(0.071) < 0.9);
        // A turn that answers as strongly as the trace says tells of the factor:
        // of what is off, 0.2 in the looks against 0.25 and the screws' own.
        let kept = alike.learnt().unwrap();
        let (was, now) = (learnt().per_turn(0), kept.per_turn(0));
        assert!((was.0 - now.0).abs() < 1e-6 && (was.1 - now.1).abs() < 1e-6);
        let (before, half) = (alike.coma().0.x, [-0.02, 0.01, 0.01]);
        alike.turn(&half);
        // Half as strongly as asked: the looks say too little, the coma is more.
        let b = Matrix2xX::from_column_slice(&learnt().waves_per_turn);
        let moved = b * DVector::from_column_slice(&half) * 0.5;
        alike.look_alike([0.06 + moved.x, moved.y], 0.002, 0.2);
        let seen = Vector2::new(0.06, 0.0) + moved;
        assert!(alike.coma().0.norm() > 1.05 * seen.norm(), "{before}");
    }
}
