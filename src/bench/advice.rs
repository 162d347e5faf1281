//! The next thing to do: look, turn, or stop here.

use nalgebra::Vector2;

use super::adjustment::{Adjustment, Aim, Purpose, Tally};
use super::choose::Scales;
use super::response::Response;
use super::screw::Screw;

/// Why a collimation session stops.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// Inside the threshold with the asked confidence.
    InLine,
    /// What may be left is smaller than tonight's looks can show.
    Unseen,
    /// The screws cannot be turned finely enough to do better.
    Coarse,
    /// No screw here works on coma.
    Nothing,
}

/// The end of a collimation session.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Stop {
    /// Why.
    pub why: Why,
    /// RMS coma left, best estimate, waves.
    pub left_waves: f64,
    /// Its 1-sigma.
    pub left_sigma_waves: f64,
    /// How likely it is inside the threshold, 0 to 1.
    pub chance_within: f64,
    /// Whether coming back on a steadier night is worth it.
    pub better_night: bool,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Next {
    /// Look (again) without turning anything.
    Look {
        /// Whether a look has been taken since the last go.
        again: bool,
    },
    /// Turn.
    Turn(Adjustment),
    /// Stop here.
    Stop(Stop),
}

/// Looks after the last adjustment beyond which more of tonight's are not asked for.
pub const MOST_LOOKS: usize = 7;

/// Below this chance of being in line a look is plain enough to turn on.
const PLAIN: f64 = 0.4;
/// What a look costs, in adjustments.
const LOOK: f64 = 0.35;
/// Adjustments after which an end that is likely enough is taken.
const MANY: usize = 12;

/// What to do next: of looking again, turning and stopping what costs least, in
/// adjustments. To stop costs what it costs to be wrong.
pub fn advise(response: &Response, screws: &[Screw], aim: &Aim, tally: &Tally) -> Next {
    if tally.looks_since == 0 {
        return Next::Look { again: false };
    }
    let (coma, covariance) = response.coma();
    let within = response.chance_within(aim.threshold_waves);
    let sigma = (covariance.trace() / 2.0).max(0.0).sqrt();
    let size = coma.norm();
    let stop = |why| {
        Next::Stop(Stop {
            why,
            left_waves: size,
            left_sigma_waves: sigma,
            chance_within: within,
            better_night: within < 0.9,
        })
    };
    if within >= aim.confidence {
        // One rough look is not enough to go home on.
        let rough = tally
            .sigmas
            .last()
            .is_some_and(|s| *s > 0.25 * aim.threshold_waves);
        if rough && tally.looks_since < 2 {
            return Next::Look { again: true };
        }
        return stop(Why::InLine);
    }
    if screws.is_empty() {
        return stop(Why::Nothing);
    }
    let scales = Scales::new(response, screws, aim, tally);
    let back = |least_goes| {
        tally
            .way_back(least_goes)
            .map(|parts| Next::Turn(scales.adjustment(parts, Purpose::Back)))
    };
    let lost = !knows_its_way(response);
    // More looks narrow the error. What all looks misjudge alike they do not.
    let seen = (response.coma_as_seen().1.trace() / 2.0).max(0.0).sqrt();
    let look = tally.sigmas.last().copied().unwrap_or(seen);
    let after = 1.0 / (1.0 / seen.max(1e-6).powi(2) + 1.0 / look.max(1e-6).powi(2));
    let left = after.sqrt() / seen.max(1e-9);
    let looks = tally.looks_since < MOST_LOOKS && left < 0.95;
    let Some((parts, then)) = scales.best(1.0) else {
        return stop(Why::Nothing);
    };
    // What a turn costs beyond itself (each of a primary's puts the middle out).
    let one = (aim.sigmas_to_turn / 1.1).powi(2);
    let turn = one + then;
    let may_stop = tally.adjustments() >= MANY && within > 0.8;
    // What is plainly out is turned, not looked at once more.
    let plain = within < PLAIN && size > aim.threshold_waves;
    if looks && !plain {
        let known = scales.best(left).map_or(then, |(_, cost)| cost);
        let again = LOOK * (1.0 + 1.3 * within) + (1.0 - within) * (one + known);
        if again < turn {
            return Next::Look { again: true };
        }
    }
    let gain = scales.now() - then;
    // Out beyond doubt, but the beliefs about the screws cancel out.
    let unsure = response
        .leading_map()
        .is_some_and(|(_, share)| share < 0.97);
    if unsure && gain < 0.2 && size > aim.threshold_waves + sigma {
        let parts = scales.to_learn().unwrap_or(parts);
        let mut adjustment = scales.adjustment(parts, Purpose::Learn);
        if !lost && adjustment.expected_waves < 0.85 * size {
            adjustment.purpose = Purpose::Correct;
        }
        return Next::Turn(adjustment);
    }
    let wrong = (1.0 - within) * 1.5 / (1.0 - aim.confidence);
    if turn < wrong && (gain > 0.0 || within < 0.85) && !may_stop {
        let purpose = if lost {
            Purpose::Learn
        } else {
            Purpose::Correct
        };
        return Next::Turn(scales.adjustment(parts, purpose));
    }
    if looks && wrong > 1.0 {
        return Next::Look { again: true };
    }
    if let Some(back) = back(1) {
        return back;
    }
    if size > aim.threshold_waves + sigma {
        stop(Why::Coarse)
    } else {
        stop(Why::Unseen)
    }
}

/// Whether the beliefs agree on where the screws push.
fn knows_its_way(response: &Response) -> bool {
    response.leading_map().is_some_and(|(_, share)| share > 0.7)
}

/// A look at a star so near to focus that the shadow touches the rim says no
/// more than "at least": below this thin-to-thick ratio the star wants twice the
/// defocus and another look, and the look does not count.
pub const LEAST_RATIO: f64 = 0.25;

/// Nearer to focus than this a look is not asked for, waves of defocus.
pub const NEAREST_WAVES: f64 = 5.0;

/// How far from focus the next look is best made, waves of defocus: near enough
/// that the ring is visibly uneven, far enough that the shadow stays clear of
/// the rim.
pub fn defocus_waves(coma: Vector2<f64>, obstruction: f64) -> f64 {
    let w131 = optics::wavefront::w131_from_coma(coma.norm());
    // Thin over thick about a half.
    (w131 * 1.5 * (1.0 + obstruction) / 0.33).clamp(NEAREST_WAVES, 20.0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::adjustment::{MOST_PARTS, PARTS, Tension};
    use crate::orientation::{Candidate, Map, Orientation, Reading};
    use crate::response::{Learnt, Trust};
    use crate::screw::{Element, Mechanism, tilt_per_turn};
    use nalgebra::Matrix2;

    fn screws(mechanism: Mechanism, lever_mm: f64) -> Vec<Screw> {
        [0.0, 120.0, 240.0]
            .map(|clock_deg| Screw {
                label: format!("S{}", 1 + clock_deg as i32 / 120),
                element: Element::Secondary,
                clock_deg,
                pitch_mm: 0.7,
                lever_mm,
                mechanism,
            })
            .to_vec()
    }

    fn response(screws: &[Screw], per_arcmin: f64) -> Response {
        let tilt = tilt_per_turn(screws);
        let trust = Trust::default();
        let learnt = Learnt::from_trace(&(Matrix2::identity() * per_arcmin), &tilt, &trust);
        let orientation = Orientation {
            candidates: vec![Candidate {
                map: Map {
                    turn_deg: 0.0,
                    mirrored: false,
                },
                weight: 1.0,
                turn_sigma_deg: 10.0,
                reading: Reading::AsTold,
            }],
            contradiction: None,
            shades: 2,
        };
        Response::new(&learnt, &orientation, trust)
    }

    fn tally(sigma: f64) -> Tally {
        Tally {
            looks_since: 1,
            sigmas: vec![sigma],
            turned: vec![0; 3],
            tension: vec![Tension::Even; 3],
            history: Vec::new(),
        }
    }

    #[test]
    fn the_screw_on_the_axis_of_the_coma_is_named_and_tension_kept() {
        let screws = screws(Mechanism::Pivot, 20.0);
        let mut r = response(&screws, 0.0327);
        // Raising 12 o'clock adds coma upwards: to take 0.3 away, lower it.
        r.look([0.0, 0.3], 0.01);
        let Next::Turn(adjustment) = advise(&r, &screws, &Aim::default(), &tally(0.01)) else {
            panic!("no turn")
        };
        assert!(
            adjustment.parts[0] < 0
                && adjustment.parts[1..]
                    .iter()
                    .all(|p| *p <= adjustment.parts[0].abs()),
            "{adjustment:?}"
        );
        // To the springiness of the screws.
        assert!(
            adjustment.parts.iter().sum::<i32>().abs() <= 4,
            "{adjustment:?}"
        );
        assert!(adjustment.expected_waves < 0.13, "{adjustment:?}");
    }

    #[test]
    fn between_two_screws_both_are_turned() {
        let screws = screws(Mechanism::Spring, 30.0);
        let mut r = response(&screws, 0.02);
        let (s, c) = 60f64.to_radians().sin_cos();
        r.look([0.3 * s, 0.3 * c], 0.01);
        let Next::Turn(adjustment) = advise(&r, &screws, &Aim::default(), &tally(0.01)) else {
            panic!("no turn")
        };
        // 60 degrees lies between S1 (12) and S2 (4): both loosened, or S3 (8)
        // tightened, which comes to the same.
        // (or some of each): never the other way, and both alike.
        let [a, b, c] = adjustment.parts[..] else {
            panic!()
        };
        assert!(
            a <= 0 && b <= 0 && c >= 0 && (a - b).abs() <= 1,
            "{adjustment:?}"
        );
    }

    #[test]
    fn no_turn_is_larger_than_is_safe_and_tight_screws_are_not_tightened() {
        for mechanism in [Mechanism::Pivot, Mechanism::Spring, Mechanism::PushPull] {
            // So slow that a quarter of a turn hardly shows: up to a whole one, half
            // of one about a pivot.
            let screws = screws(mechanism, 120.0);
            let most = if mechanism == Mechanism::Pivot {
                PARTS / 2
            } else {
                PARTS
            };
            for angle in 0..12 {
                let (s, c) = (f64::from(angle) * std::f64::consts::FRAC_PI_6).sin_cos();
                let mut r = response(&screws, 0.01);
                r.look([0.6 * s, 0.6 * c], 0.01);
                let mut t = tally(0.01);
                t.tension[0] = Tension::Tight;
                t.tension[1] = Tension::Loose;
                let Next::Turn(adjustment) = advise(&r, &screws, &Aim::default(), &t) else {
                    continue;
                };
                assert!(
                    adjustment.parts.iter().all(|p| p.abs() <= most),
                    "{adjustment:?}"
                );
                assert!(
                    adjustment.parts[0] <= 0 && adjustment.parts[1] >= 0,
                    "{adjustment:?}"
                );
            }
        }
    }

    #[test]
    fn it_stops_inside_the_threshold_and_where_nothing_more_can_be_seen() {
        let screws = screws(Mechanism::Pivot, 20.0);
        let mut r = response(&screws, 0.0327);
        r.look([0.01, -0.01], 0.01);
        let Next::Stop(stop) = advise(&r, &screws, &Aim::default(), &tally(0.01)) else {
            panic!()
        };
        assert_eq!(stop.why, Why::InLine);
        assert!(stop.chance_within > 0.99 && !stop.better_night);

        let mut r = response(&screws, 0.0327);
        let mut t = tally(0.12);
        t.looks_since = 0;
        for _ in 0..14 {
            r.look([0.03, 0.02], 0.12);
            t.looks_since += 1;
            let next = advise(&r, &screws, &Aim::default(), &t);
            if let Next::Stop(stop) = next {
                assert_eq!(stop.why, Why::Unseen);
                assert!(stop.chance_within > 0.7, "{stop:?}");
                return;
            }
            // Rather one more look than a turn that nothing asks for.
            assert!(t.looks_since >= MOST_LOOKS || next == Next::Look { again: true });
        }
    }

    /// A Maksutov's primary: 0.03 waves for a quarter of a turn. Half a wave wants
    /// several turns; it is not told to stop, and in two adjustments or three of up to
    /// a turn most of it is gone. A fast screw is never turned by more than a quarter.
    #[test]
    fn a_slow_screw_is_turned_far_and_a_fast_one_is_not() {
        let slow = screws(Mechanism::PushPull, 93.0);
        let mut r = response(&slow, 0.007);
        r.look([0.0, 0.5], 0.01);
        let Next::Turn(adjustment) = advise(&r, &slow, &Aim::default(), &tally(0.01)) else {
            panic!("no turn")
        };
        let largest = adjustment.parts.iter().map(|p| p.abs()).max().unwrap();
        assert!(largest >= PARTS / 2, "{adjustment:?}");
        assert!(adjustment.expected_waves < 0.42, "{adjustment:?}");
        let fast = screws(Mechanism::Pivot, 20.0);
        let mut r = response(&fast, 0.0327);
        r.look([0.0, 0.5], 0.01);
        let Next::Turn(adjustment) = advise(&r, &fast, &Aim::default(), &tally(0.01)) else {
            panic!("no turn")
        };
        assert!(
            adjustment.parts.iter().all(|p| p.abs() <= MOST_PARTS),
            "{adjustment:?}"
        );
        // And none that only a paper scale could make.
        assert!(
            adjustment.parts.iter().all(|p| p % 2 == 0),
            "{adjustment:?}"
        );
    }

    #[test]
    fn with_no_screw_for_coma_it_says_so() {
        let mut r = response(&screws(Mechanism::Pivot, 20.0), 0.0327);
        r.look([0.3, 0.0], 0.01);
        let Next::Stop(stop) = advise(&r, &[], &Aim::default(), &tally(0.01)) else {
            panic!()
        };
        assert_eq!(stop.why, Why::Nothing);
    }

    #[test]
    fn without_any_idea_of_how_the_picture_lies_it_turns_to_learn() {
        let screws = screws(Mechanism::Pivot, 20.0);
        let tilt = tilt_per_turn(&screws);
        let trust = Trust::default();
        let learnt = Learnt::from_trace(&(Matrix2::identity() * 0.0327), &tilt, &trust);
        let mut r = Response::new(&learnt, &Orientation::unknown(true), trust);
        r.look([0.3, 0.0], 0.01);
        let Next::Turn(adjustment) = advise(&r, &screws, &Aim::default(), &tally(0.01)) else {
            panic!()
        };
        assert!(
            adjustment.purpose == Purpose::Learn && adjustment.parts.iter().sum::<i32>().abs() <= 4,
            "{adjustment:?}"
        );
    }
}
