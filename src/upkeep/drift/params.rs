//! The model's parameters, and what is believed of them before any logbook is
//! read.

use nalgebra::SMatrix;

use super::chain::{CAUSES, Cause, FRESH, Fresh, Look, Units};
use library::star_tests::Method;

/// How many parameters a pool has: a variance per unit of each cause, a spread
/// for each way of being set anew, and a factor on the error of looks by eye.
pub const PARAMS: usize = CAUSES + FRESH + 1;
/// Where the factor on looks by eye stands.
pub const EYE: usize = CAUSES + FRESH;

/// Where a spread stands.
pub fn fresh_index(fresh: Fresh) -> usize {
    CAUSES + fresh as usize
}

/// One pool's parameters, as natural logarithms: of the variance along one axis
/// per unit of a cause (waves squared), of a spread along one axis (waves), of
/// the factor on the error of looks by eye.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Params(pub [f64; PARAMS]);

impl Params {
    /// Variance along one axis per unit of a cause, waves squared.
    pub fn per_unit(&self, cause: Cause) -> f64 {
        self.0[cause.index()].exp()
    }

    /// All of them.
    pub fn per_units(&self) -> Units {
        let mut rates = [0.0; CAUSES];
        for (rate, log) in rates.iter_mut().zip(&self.0[..CAUSES]) {
            *rate = log.exp();
        }
        rates
    }

    /// Spread along one axis when set anew, waves.
    pub fn spread(&self, fresh: Fresh) -> f64 {
        self.0[fresh_index(fresh)].exp()
    }

    /// Factor on the stated error of looks by eye.
    pub fn eye_factor(&self) -> f64 {
        self.0[EYE].exp()
    }

    /// Variance of a look's error along one axis, waves squared.
    pub fn look_variance(&self, look: &Look) -> f64 {
        let factor = match look.method {
            Method::ByEye => self.eye_factor(),
            Method::FromFrames | Method::ByPhone => 1.0,
        };
        (look.sigma_waves * factor).powi(2)
    }
}

/// What a fleet believes of its pools: the middle of each parameter, how far
/// pools stray from it, and how far instruments stray from their pool.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Beliefs {
    /// The middle, for a design of share 1.
    pub middle: Params,
    /// Standard deviation of a pool about it, natural logarithms.
    pub between_pools: [f64; PARAMS],
    /// Standard deviation of an instrument's own factor on its drift variance,
    /// natural logarithms.
    pub between_instruments: f64,
    /// How pushes and eyes stray from the plainest law.
    #[serde(default)]
    pub tails: Tails,
}

/// How steps and eyes stray from the plainest law. Not learned: in the study's worlds
/// (`fleets --harsh`) learning it made the Brier score worse, so nothing strays.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Tails {
    /// Share of the drift variance that comes in rare jumps, 0 to 1: 0 makes every
    /// step normal. What nobody entered comes as jumps too.
    pub jumps: f64,
    /// Natural logarithm of a factor on all drift variances, beside what the pools
    /// learned by a law without jumps.
    pub swell: f64,
    /// Spread of what people see, as a share of the coma they look at: each has a
    /// bias of their own, and who looks next is not known.
    pub eyes: f64,
}

/// Jumps per push: common practice, no source.
const JUMPS_PER_PUSH: f64 = 0.15;

impl Tails {
    /// The two laws of a stretch of drift: its chance of a jump, the variance without
    /// one and with one. `variance` is the mean over both, `pushes` how many equal
    /// pushes would scatter as these do: with many the law is normal again.
    pub fn of(&self, variance: f64, pushes: f64) -> (f64, f64, f64) {
        let chance = 1.0 - (-JUMPS_PER_PUSH * pushes.max(0.2)).exp();
        let calm = (1.0 - self.jumps) * variance;
        (chance, calm, calm + self.jumps * variance / chance)
    }

    /// Variance of a look's error along one axis, waves squared.
    pub fn look_variance(&self, params: &Params, look: &Look) -> f64 {
        let plain = params.look_variance(look);
        match look.method {
            // Along the coma alone, so half of it along each axis.
            Method::ByEye => plain + 0.5 * (self.eyes * look.coma_rms_waves).powi(2),
            Method::FromFrames | Method::ByPhone => plain,
        }
    }
}

/// Variance of an ordinary drive (50 km by car) along one axis, waves squared:
/// ten of them, the limit built in, leave one Schmidt-Cassegrain in three out of
/// line. Common practice, no source; the fleet's own logbooks soon outweigh it.
pub const DRIVE_VARIANCE: f64 = 2.2e-4;

const WHOLE_FLEET: f64 = 1.0;
const ONE_CAUSE: f64 = 0.4;

impl Default for Beliefs {
    fn default() -> Self {
        let mut middle = [0.0; PARAMS];
        let mut between_pools = [0.5; PARAMS];
        for cause in Cause::ALL {
            // The weights of the plain rules, see `exposure`.
            let drives = match cause {
                Cause::HandCarry => 0.1,
                Cause::Car | Cause::PublicEvent => 1.0,
                Cause::RoughRoad => 3.0,
                Cause::FlightOrParcel | Cause::KnockOrDrop => 6.0,
                Cause::LeftOutdoors => 1.5,
                Cause::Month => 0.2,
                Cause::UntoldLeg => 0.8,
                Cause::Settling => 0.5,
            };
            middle[cause.index()] = (drives * DRIVE_VARIANCE).ln();
        }
        middle[fresh_index(Fresh::LinedUp)] = 0.015_f64.ln();
        middle[fresh_index(Fresh::Disturbed)] = 0.08_f64.ln();
        middle[fresh_index(Fresh::Start)] = 0.05_f64.ln();
        middle[EYE] = 0.0;
        between_pools[EYE] = 0.2;
        Self {
            middle: Params(middle),
            between_pools,
            between_instruments: 0.5,
            tails: Tails::default(),
        }
    }
}

/// How sure the middle is before any logbook is read, as a covariance of natural
/// logarithms. A fleet may move more or less than believed as a whole (one
/// standard deviation of [`WHOLE_FLEET`]); each cause strays from that by
/// [`ONE_CAUSE`]. So what many drives teach is lent to the rare knock, of which a
/// few logbooks say next to nothing.
pub fn middle_covariance() -> SMatrix<f64, PARAMS, PARAMS> {
    SMatrix::from_fn(|row, column| {
        let both_drift = row < CAUSES && column < CAUSES;
        let shared = if both_drift {
            WHOLE_FLEET * WHOLE_FLEET
        } else {
            0.0
        };
        let own: f64 = match row {
            EYE => 0.3,
            _ if row < CAUSES => ONE_CAUSE,
            _ => 1.0,
        };
        shared + if row == column { own * own } else { 0.0 }
    })
}

impl Beliefs {
    /// What is expected of a pool whose design moves by this share.
    pub fn expected(&self, share: f64) -> Params {
        let mut expected = self.middle;
        for log in &mut expected.0[..CAUSES] {
            *log += share.max(1e-3).ln();
        }
        expected
    }
}
