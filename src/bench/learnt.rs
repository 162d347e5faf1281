//! What is known of an instrument's screws: from the ray trace, and from earlier
//! collimation sessions.

use nalgebra::{DVector, Matrix2, Matrix2xX, Vector2};

/// Relative errors the ray trace's response is trusted to (assumed; the study
/// in `tests/studies` draws its truth otherwise).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trust {
    /// Common to all screws: primary ratio, back focus, pitch.
    pub gain: f64,
    /// Of each screw by itself: its lever.
    pub screw: f64,
    /// How well a person turns what was asked, as a share of it.
    pub turn: f64,
    /// The same in turns, however small what was asked.
    pub hand_turns: f64,
    /// The most motion that is lost when a screw is turned back, turns.
    pub play_turns: f64,
    /// How likely an adjustment is made the wrong way.
    pub wrong_way: f64,
}

impl Default for Trust {
    fn default() -> Self {
        Self {
            gain: 0.27,
            screw: 0.12,
            turn: 0.11,
            hand_turns: 0.012,
            play_turns: 0.0625,
            wrong_way: 0.035,
        }
    }
}

/// The response in the tube's frame, kept per instrument from one collimation session to
/// the next: waves of coma (x, y as seen from in front) per turn.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Learnt {
    /// Column by column: x and y of the first screw, of the second ...
    pub waves_per_turn: Vec<f64>,
    /// Its covariance, row by row.
    pub covariance: Vec<f64>,
    /// How many adjustments it rests on.
    pub adjustments: u32,
    /// Motion each screw loses when it is turned back and its 1-sigma, turns;
    /// empty where nothing is known of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub play: Vec<(f64, f64)>,
}

impl Learnt {
    /// From the ray trace: coma per arc minute of tilt (star brought back) and
    /// tilt per turn.
    pub fn from_trace(
        coma_per_arcmin: &Matrix2<f64>,
        tilt_per_turn: &Matrix2xX<f64>,
        trust: &Trust,
    ) -> Self {
        let mean = coma_per_arcmin * tilt_per_turn;
        let k = mean.ncols();
        let b = DVector::from_column_slice(mean.as_slice());
        let mut covariance = &b * b.transpose() * trust.gain.powi(2);
        for i in 0..k {
            let column = mean.column(i).into_owned();
            let across = Vector2::new(column.y, -column.x);
            let own = column * column.transpose() * trust.screw.powi(2)
                + across * across.transpose() * 0.08f64.powi(2);
            let mut block = covariance.view_mut((2 * i, 2 * i), (2, 2));
            block += own;
        }
        Self {
            waves_per_turn: b.as_slice().to_vec(),
            covariance: covariance.as_slice().to_vec(),
            adjustments: 0,
            play: Vec::new(),
        }
    }

    /// The same some time later: what was learnt of the screws, a little less sure
    /// than it was (assumed: 5 % on all, 4 % on each).
    #[must_use]
    pub fn later(&self) -> Self {
        let n = self.waves_per_turn.len();
        let b = DVector::from_column_slice(&self.waves_per_turn);
        let mut covariance = nalgebra::DMatrix::from_row_slice(n, n, &self.covariance);
        covariance += &b * b.transpose() * 0.05f64.powi(2);
        for i in 0..n / 2 {
            let own = b.rows(2 * i, 2).norm_squared() * 0.04f64.powi(2);
            covariance[(2 * i, 2 * i)] += own;
            covariance[(2 * i + 1, 2 * i + 1)] += own;
        }
        Self {
            covariance: covariance.as_slice().to_vec(),
            ..self.clone()
        }
    }

    /// Whether it lies so near to what the ray trace says that it can be gone by.
    /// A whole collimation session misread (its jumps told the wrong way round, say) teaches
    /// screws that work backwards or hardly at all; three of the trace's own
    /// errors away is no instrument but a mistake.
    pub fn agrees_with(&self, traced: &Self, trust: &Trust) -> bool {
        if self.waves_per_turn.len() != traced.waves_per_turn.len() {
            return false;
        }
        let told = DVector::from_column_slice(&self.waves_per_turn);
        let traced = DVector::from_column_slice(&traced.waves_per_turn);
        (told - &traced).norm() <= 3.0 * trust.gain.hypot(trust.screw) * traced.norm()
    }

    /// How many screws.
    pub fn screws(&self) -> usize {
        self.waves_per_turn.len() / 2
    }

    /// RMS coma of one turn of this screw, and its 1-sigma, waves.
    pub fn per_turn(&self, screw: usize) -> (f64, f64) {
        let n = self.waves_per_turn.len();
        let v = Vector2::new(
            self.waves_per_turn[2 * screw],
            self.waves_per_turn[2 * screw + 1],
        );
        let along = v.try_normalize(0.0).unwrap_or_default();
        let at = |r: usize, c: usize| self.covariance[(2 * screw + r) * n + 2 * screw + c];
        let variance = along.x * along.x * at(0, 0)
            + 2.0 * along.x * along.y * at(0, 1)
            + along.y * along.y * at(1, 1);
        (v.norm(), variance.max(0.0).sqrt())
    }
}
