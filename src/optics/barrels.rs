//! Two barrels side by side: how far apart their pictures of one distant point stand.
//!
//! Each barrel shows a distant point in some direction to the eye behind it. Where the two
//! directions differ, the eyes must turn against each other to see one picture. All
//! angles here are **at the eye** (apparent), as seen by who looks through:
//!
//! - **convergence**: the left picture stands to the right of the right one, so the eyes
//!   must turn in. Negative is **divergence**: they must turn out.
//! - **step** (dipvergence): the left picture stands higher than the right one.
//! - **turn**: the left picture is turned clockwise against the right one.
//!
//! A shift at the object appears enlarged by the magnification (exactly its tangent does:
//! at these angles the same to better than 0.1 %); a turn is not enlarged.
//!
//! How barrels are tested is the subject of ISO 14490-2, what is asked of them that of
//! ISO 14133-1 and -2 (both named from memory, their values not read). The limits here
//! are of what eyes accept: see [`Accepted::PUBLISHED`].

use std::f64::consts::TAU;

/// Arc minutes in one radian.
pub const ARCMIN_PER_RAD: f64 = 360.0 * 60.0 / TAU;

/// An angle at the eye with its error.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Angle {
    /// Arc minutes; what the sign means stands with each.
    pub arcmin: f64,
    /// Its 1-sigma, arc minutes.
    pub sigma_arcmin: f64,
}

impl Angle {
    /// An angle and its 1-sigma, arc minutes.
    #[must_use]
    pub const fn new(arcmin: f64, sigma_arcmin: f64) -> Self {
        Self {
            arcmin,
            sigma_arcmin,
        }
    }

    /// The difference of two that err apart from each other.
    #[must_use]
    pub fn minus(self, other: Self) -> Self {
        Self::new(
            self.arcmin - other.arcmin,
            self.sigma_arcmin.hypot(other.sigma_arcmin),
        )
    }

    /// Such an angle at the object, seen enlarged: both it and the magnification have
    /// their 1-sigma, which add up as independent ones do to first order.
    #[must_use]
    pub fn enlarged(self, magnification: f64, magnification_sigma: f64) -> Self {
        Self::new(
            self.arcmin * magnification,
            (self.sigma_arcmin * magnification).hypot(self.arcmin * magnification_sigma),
        )
    }

    /// Whether both are numbers and the error is not negative.
    #[must_use]
    pub fn is_sound(self) -> bool {
        self.arcmin.is_finite() && self.sigma_arcmin.is_finite() && self.sigma_arcmin >= 0.0
    }
}

/// The angle that a width at a distance fills, arc minutes at the object, with its
/// 1-sigma from those of both.
///
/// ```
/// // 29.1 mm at 100 m is one arc minute.
/// let a = optics::barrels::of_width(29.088_8, 0.0, 100.0, 0.0);
/// assert!((a.arcmin - 1.0).abs() < 1e-5);
/// ```
#[must_use]
pub fn of_width(
    width_mm: f64,
    width_sigma_mm: f64,
    distance_m: f64,
    distance_sigma_m: f64,
) -> Angle {
    let distance_mm = 1000.0 * distance_m;
    let arcmin = width_mm / distance_mm * ARCMIN_PER_RAD;
    let from_width = width_sigma_mm / distance_mm * ARCMIN_PER_RAD;
    let from_distance = arcmin * distance_sigma_m / distance_m;
    Angle::new(arcmin, from_width.hypot(from_distance))
}

/// How two barrels in perfect order converge on a point that is not far: the objectives
/// stand apart, so each sees the point from its own place. To be taken off what was
/// seen. Arc minutes at the eye, from the small-angle rule `magnification` x apart over
/// distance.
#[must_use]
pub fn parallax(
    objectives_apart_mm: f64,
    distance_m: f64,
    distance_sigma_m: f64,
    magnification: f64,
) -> Angle {
    of_width(objectives_apart_mm, 0.0, distance_m, distance_sigma_m).enlarged(magnification, 0.0)
}

/// How far a point must be for its parallax to stay below `arcmin` at the eye, m.
#[must_use]
pub fn far_enough_m(objectives_apart_mm: f64, magnification: f64, arcmin: f64) -> f64 {
    magnification * objectives_apart_mm * ARCMIN_PER_RAD / arcmin / 1000.0
}

/// How far apart both pictures stand at one opening of the hinge, at the eye.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Apart {
    /// Positive: the eyes must turn in; negative: they must turn out.
    pub convergence: Angle,
    /// Positive: the left picture stands higher.
    pub step: Angle,
    /// Positive: the left picture is turned clockwise; none where nobody looked.
    pub turn: Option<Angle>,
}

/// What eyes accept, arc minutes.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Accepted {
    /// Step, either way.
    pub step_arcmin: f64,
    /// Convergence.
    pub convergence_arcmin: f64,
    /// Divergence.
    pub divergence_arcmin: f64,
    /// Turn, either way.
    pub turn_arcmin: f64,
}

impl Accepted {
    /// At the eye. Step 15', convergence 45', divergence 20': astronomyclub.xyz,
    /// "Collimation", table 2.1 and the text above it (from a handbook of binocular
    /// observing). No source was found for the turn: a degree, which halfway out in an
    /// apparent field of 60 degrees makes a step of 16'; our choice.
    pub const PUBLISHED: Self = Self {
        step_arcmin: 15.0,
        convergence_arcmin: 45.0,
        divergence_arcmin: 20.0,
        turn_arcmin: 60.0,
    };

    /// The same at the object: shifts divided by the magnification, the turn as it is.
    #[must_use]
    pub fn at_object(self, magnification: f64) -> Self {
        Self {
            step_arcmin: self.step_arcmin / magnification,
            convergence_arcmin: self.convergence_arcmin / magnification,
            divergence_arcmin: self.divergence_arcmin / magnification,
            turn_arcmin: self.turn_arcmin,
        }
    }
}

/// From how many times [`Accepted::PUBLISHED`] on what is said.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Limits {
    /// Above this it may strain the eyes.
    pub strain: f64,
    /// Above this it needs the bench.
    pub bench: f64,
}

impl Default for Limits {
    /// Above what eyes accept it may strain them; at twice that few see one picture
    /// without effort (common practice, no source).
    fn default() -> Self {
        Self {
            strain: 1.0,
            bench: 2.0,
        }
    }
}

/// Which of the angles.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// The eyes must turn in.
    Convergence,
    /// The eyes must turn out.
    Divergence,
    /// One picture stands higher.
    Step,
    /// One picture is turned.
    Turn,
}

/// An angle over what eyes accept of it, between its error's ends.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Share {
    /// Of which angle.
    pub part: Part,
    /// As measured.
    pub value: f64,
    /// One sigma better.
    pub low: f64,
    /// One sigma worse.
    pub high: f64,
}

/// What can be said.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Within what eyes accept, by more than the error.
    Fine,
    /// The error reaches across the limit, or only one opening of the hinge was looked
    /// at.
    CannotTell,
    /// Above what eyes accept.
    MayStrain,
    /// Far above.
    NeedsBench,
}

impl Share {
    fn of(part: Part, angle: Angle, accepted_arcmin: f64) -> Self {
        let (size, sigma) = (angle.arcmin.abs(), angle.sigma_arcmin);
        Self {
            part,
            value: size / accepted_arcmin,
            low: (size - sigma).max(0.0) / accepted_arcmin,
            high: (size + sigma) / accepted_arcmin,
        }
    }

    /// Less divergence is accepted than convergence, so an error that reaches across
    /// nothing counts by the end that is worse.
    fn sideways(angle: Angle, accepted: &Accepted) -> Self {
        let of = |arcmin: f64| {
            if arcmin < 0.0 {
                -arcmin / accepted.divergence_arcmin
            } else {
                arcmin / accepted.convergence_arcmin
            }
        };
        let ends = [
            angle.arcmin - angle.sigma_arcmin,
            angle.arcmin + angle.sigma_arcmin,
        ];
        Self {
            part: if angle.arcmin < 0.0 {
                Part::Divergence
            } else {
                Part::Convergence
            },
            value: of(angle.arcmin),
            low: if ends[0] <= 0.0 && ends[1] >= 0.0 {
                0.0
            } else {
                of(ends[0]).min(of(ends[1]))
            },
            high: of(ends[0]).max(of(ends[1])),
        }
    }

    /// What this angle says by itself. A value equal to its limit is not above it.
    #[must_use]
    pub fn verdict(self, limits: &Limits) -> Verdict {
        if self.low > limits.bench {
            Verdict::NeedsBench
        } else if self.low > limits.strain {
            Verdict::MayStrain
        } else if self.high > limits.strain {
            Verdict::CannotTell
        } else {
            Verdict::Fine
        }
    }
}

impl Apart {
    /// Each angle over what eyes accept of it.
    #[must_use]
    pub fn shares(&self, accepted: &Accepted) -> Vec<Share> {
        let mut shares = vec![
            Share::sideways(self.convergence, accepted),
            Share::of(Part::Step, self.step, accepted.step_arcmin),
        ];
        shares.extend(
            self.turn
                .map(|turn| Share::of(Part::Turn, turn, accepted.turn_arcmin)),
        );
        shares
    }

    /// The angle that says the worst; of equals the largest by its share.
    #[must_use]
    pub fn worst(&self, accepted: &Accepted, limits: &Limits) -> Share {
        let first = Share::sideways(self.convergence, accepted);
        self.shares(accepted).into_iter().fold(first, |a, b| {
            let by = |s: &Share| (s.verdict(limits), s.value);
            if by(&b) > by(&a) { b } else { a }
        })
    }
}

/// What a check says of a pair of barrels.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Judged {
    /// What can be said.
    pub verdict: Verdict,
    /// The angle that decides it.
    pub worst: Share,
    /// At which opening: 0 for the first.
    pub at_opening: usize,
    /// A hinge was looked at at one opening only: elsewhere it may be otherwise.
    pub one_opening_only: bool,
    /// Fine at one opening and not at another: the barrels are parallel to each other
    /// there, and not to the hinge.
    pub holds_at_one_only: bool,
}

/// Judges what was seen at one opening or at several. A hinged pair that is fine at the
/// only opening looked at is [`Verdict::CannotTell`].
///
/// None when `openings` is empty or an angle is not a number.
#[must_use]
pub fn judge(openings: &[Apart], hinged: bool, limits: &Limits) -> Option<Judged> {
    let accepted = Accepted::PUBLISHED;
    let sound = |a: &Apart| {
        a.convergence.is_sound() && a.step.is_sound() && a.turn.is_none_or(Angle::is_sound)
    };
    if !openings.iter().all(sound) {
        return None;
    }
    let shares: Vec<Share> = openings
        .iter()
        .map(|a| a.worst(&accepted, limits))
        .collect();
    let by = |s: &Share| (s.verdict(limits), s.value);
    let (at_opening, worst) = shares
        .iter()
        .copied()
        .enumerate()
        .reduce(|a, b| if by(&b.1) > by(&a.1) { b } else { a })?;
    let one_opening_only = hinged && openings.len() == 1;
    let verdicts = || shares.iter().map(|s| s.verdict(limits));
    let verdict = worst.verdict(limits);
    Some(Judged {
        verdict: match verdict {
            Verdict::Fine if one_opening_only => Verdict::CannotTell,
            _ => verdict,
        },
        worst,
        at_opening,
        one_opening_only,
        holds_at_one_only: verdicts().any(|v| v == Verdict::Fine) && verdict >= Verdict::MayStrain,
    })
}

/// A number with so many places; what rounds to nothing has no sign.
#[must_use]
pub fn figure(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn apart(convergence: f64, step: f64, sigma: f64) -> Apart {
        Apart {
            convergence: Angle::new(convergence, sigma),
            step: Angle::new(step, sigma),
            turn: None,
        }
    }

    fn verdict(openings: &[Apart]) -> Verdict {
        judge(openings, true, &Limits::default()).unwrap().verdict
    }

    // Shared check values, section 11 (astronomyclub.xyz, "Collimation", table 2.1): what
    // is accepted at the object. The table is rounded to half a minute up to x15, to a
    // quarter at x20 and to a hundredth from x30 on.
    #[test]
    fn at_the_object_the_limits_are_those_of_the_table() {
        for (magnification, step, convergence, divergence, rounded_to) in [
            (7.0, 2.0, 6.5, 3.0, 0.5),
            (10.0, 1.5, 4.5, 2.0, 0.5),
            (15.0, 1.0, 3.0, 1.5, 0.5),
            (20.0, 0.75, 2.25, 1.0, 0.25),
            (30.0, 0.5, 1.5, 0.67, 0.01),
            (40.0, 0.38, 1.13, 0.5, 0.01),
        ] {
            let at = Accepted::PUBLISHED.at_object(magnification);
            for (ours, theirs) in [
                (at.step_arcmin, step),
                (at.convergence_arcmin, convergence),
                (at.divergence_arcmin, divergence),
            ] {
                let off: f64 = ours - theirs;
                assert!(
                    off.abs() <= rounded_to / 2.0 + 1e-9,
                    "x{magnification}: {ours} for {theirs}"
                );
            }
        }
    }

    // The same the other way: what stands in the table for x10, seen enlarged, is the
    // limit at the eye, and neither above it nor below.
    #[test]
    fn what_the_table_allows_at_the_object_is_on_the_limit_at_the_eye() {
        for (at_object, sideways) in [(4.5, true), (-2.0, true), (1.5, false), (-1.5, false)] {
            let seen = Angle::new(at_object, 0.0).enlarged(10.0, 0.0).arcmin;
            let with = |seen: f64| {
                if sideways {
                    apart(seen, 0.0, 0.0)
                } else {
                    apart(0.0, seen, 0.0)
                }
            };
            let two = |seen: f64| verdict(&[with(seen), with(seen)]);
            assert_eq!(two(seen), Verdict::Fine, "{at_object}");
            assert_eq!(two(seen * 1.01), Verdict::MayStrain, "{at_object}");
            assert_eq!(two(seen * 2.02), Verdict::NeedsBench, "{at_object}");
        }
    }

    // Worked by hand: 120 mm at 100 m are 1.2 mrad, 4.125'; tenfold 41.25'. So a chimney
    // at 100 m looks as if the barrels converged to the limit.
    #[test]
    fn a_near_point_looks_like_convergence() {
        let seen = parallax(120.0, 100.0, 5.0, 10.0);
        assert!((seen.arcmin - 41.253).abs() < 0.001, "{seen:?}");
        // 5 % of the distance is 5 % of the angle.
        assert!((seen.sigma_arcmin - 2.063).abs() < 0.001, "{seen:?}");
        let far = far_enough_m(120.0, 10.0, 5.0);
        assert!((far - 825.06).abs() < 0.1, "{far}");
        assert!((parallax(120.0, far, 0.0, 10.0).arcmin - 5.0).abs() < 1e-9);
    }

    // Worked by hand: 60 +- 6 mm at 200 +- 10 m are 1.031' with 10 % and 5 %, 11.2 %
    // together; at x15 +- 3 % 15.47' with 11.6 %.
    #[test]
    fn errors_add_up_as_independent_ones_do() {
        let at_object = of_width(60.0, 6.0, 200.0, 10.0);
        assert!((at_object.arcmin - 1.0313).abs() < 1e-4);
        assert!((at_object.sigma_arcmin / at_object.arcmin - 0.1118).abs() < 1e-4);
        let seen = at_object.enlarged(15.0, 0.45);
        assert!((seen.arcmin - 15.470).abs() < 1e-3);
        assert!((seen.sigma_arcmin / seen.arcmin - 0.11576).abs() < 1e-4);
        let less = seen.minus(Angle::new(5.0, 1.0));
        assert!((less.arcmin - 10.470).abs() < 1e-3);
        assert!((less.sigma_arcmin - 1.791_f64.hypot(1.0)).abs() < 1e-3);
    }

    #[test]
    fn an_error_that_reaches_across_the_limit_is_said() {
        let two = |a: Apart| verdict(&[a, a]);
        assert_eq!(two(apart(0.0, 12.0, 2.9)), Verdict::Fine);
        assert_eq!(two(apart(0.0, 12.0, 3.1)), Verdict::CannotTell);
        assert_eq!(two(apart(0.0, -17.0, 3.0)), Verdict::CannotTell);
        assert_eq!(two(apart(0.0, -19.0, 3.0)), Verdict::MayStrain);
        assert_eq!(two(apart(0.0, 40.0, 12.0)), Verdict::MayStrain);
        assert_eq!(two(apart(0.0, 43.0, 12.0)), Verdict::NeedsBench);
        // Nothing seen, but so coarsely that it could be divergence above its limit.
        assert_eq!(two(apart(0.0, 0.0, 14.9)), Verdict::Fine);
        assert_eq!(
            two(Apart {
                convergence: Angle::new(3.0, 24.0),
                step: Angle::new(0.0, 1.0),
                turn: None,
            }),
            Verdict::CannotTell
        );
    }

    #[test]
    fn less_divergence_is_accepted_than_convergence() {
        let two = |a: Apart| verdict(&[a, a]);
        assert_eq!(two(apart(30.0, 0.0, 1.0)), Verdict::Fine);
        assert_eq!(two(apart(-30.0, 0.0, 1.0)), Verdict::MayStrain);
        let worst = apart(-30.0, 4.0, 1.0).worst(&Accepted::PUBLISHED, &Limits::default());
        assert_eq!(worst.part, Part::Divergence);
        assert!((worst.value - 1.5).abs() < 1e-12);
        assert!((worst.low - 1.45).abs() < 1e-12 && (worst.high - 1.55).abs() < 1e-12);
    }

    // Conditional alignment: shared check values 11.
    #[test]
    fn a_hinge_is_looked_at_at_two_openings() {
        let (good, bad) = (apart(5.0, 2.0, 2.0), apart(5.0, 22.0, 2.0));
        assert_eq!(verdict(&[good]), Verdict::CannotTell);
        assert_eq!(verdict(&[good, good]), Verdict::Fine);
        assert_eq!(verdict(&[bad]), Verdict::MayStrain);
        let both = judge(&[good, bad], true, &Limits::default()).unwrap();
        assert!(both.holds_at_one_only && both.verdict == Verdict::MayStrain);
        assert_eq!((both.at_opening, both.worst.part), (1, Part::Step));
        let without = judge(&[good], false, &Limits::default()).unwrap();
        assert_eq!(without.verdict, Verdict::Fine);
        assert!(judge(&[], true, &Limits::default()).is_none());
        assert!(judge(&[apart(f64::NAN, 0.0, 1.0)], true, &Limits::default()).is_none());
    }

    // A degree of turn makes a step of 15.7' 15 degrees out: 15 x 60 x sin(1 degree).
    #[test]
    fn a_turn_counts_as_the_step_it_makes_halfway_out() {
        let step = 15.0 * 60.0 * (Accepted::PUBLISHED.turn_arcmin / ARCMIN_PER_RAD).sin();
        assert!(
            (step / Accepted::PUBLISHED.step_arcmin - 1.0).abs() < 0.06,
            "{step}"
        );
        let turned = |turn| Apart {
            turn: Some(Angle::new(turn, 5.0)),
            ..apart(0.0, 0.0, 1.0)
        };
        assert_eq!(verdict(&[turned(-40.0), turned(40.0)]), Verdict::Fine);
        assert_eq!(verdict(&[turned(-70.0), turned(40.0)]), Verdict::MayStrain);
    }

    #[test]
    fn nothing_has_no_sign() {
        assert_eq!(figure(-0.04, 1), "0.0");
        assert_eq!(figure(-0.0, 0), "0");
        assert_eq!(figure(-0.06, 1), "-0.1");
        assert_eq!(figure(-0.4, 0), "0");
        assert_eq!(figure(12.34, 1), "12.3");
    }
}
