//! The drift model: against other programs, against fleets whose truth is known,
//! and against logbooks nobody should write.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/simulated/mod.rs"]
mod simulated;

use serde::Deserialize;
use simulated::{Nature, Recipe, fleet};
use tubewright::library::star_tests::Method;
use tubewright::upkeep::drift::back_test::{back_test, brier, calibration, verdict, watched};
use tubewright::upkeep::drift::chain::{Cause, Chain, Entry, Fresh, Look, What};
use tubewright::upkeep::drift::fit::{DriftModel, learn};
use tubewright::upkeep::drift::follow::{Follower, Theory};
use tubewright::upkeep::drift::forecast::{Asked, forecast};
use tubewright::upkeep::drift::likelihood::{Wild, score};
use tubewright::upkeep::drift::mixture::{Mixture, Part};
use tubewright::upkeep::drift::params::{Beliefs, EYE, PARAMS, Params, fresh_index};
use tubewright::upkeep::drift::plan::{Job, plan};
use tubewright::upkeep::drift::special::{ln_i0_and_ratio, marcum_q1};

// ---- against other programs ----

#[test]
fn bessel_and_marcum_functions_agree_with_scipy() {
    // scipy 1.17.1: log(special.ive(0, x)) + x and ive(1, x)/ive(0, x)/x.
    for (x, ln_i0, ratio) in [
        (0.5_f64, 0.061_549_719, 0.484_999_225),
        (2.0, 0.823_993_541, 0.348_887_329),
        (3.7, 2.167_751_999, 0.229_974_709),
        (12.0, 9.849_502_499, 0.079_781_784),
        (40.0, 37.239_786_861, 0.024_685_496),
    ] {
        let (ln, b) = ln_i0_and_ratio(x * x);
        assert!((ln - ln_i0).abs() < 2e-6, "{x}: {ln} {ln_i0}");
        assert!((b - ratio).abs() < 1e-6, "{x}: {b} {ratio}");
    }
    // scipy.stats.ncx2.sf(b^2, 2, a^2).
    for (a, b, q) in MARCUM {
        let ours = marcum_q1(a, b);
        assert!((ours - q).abs() < 1e-6, "Q1({a}, {b}) = {ours}, not {q}");
    }
}

const MARCUM: [(f64, f64, f64); 6] = [
    (0.0, 1.5, 0.324_652_467),
    (0.3, 1.0, 0.619_949_783),
    (2.0, 1.0, 0.918_107_696),
    (2.0, 3.0, 0.214_362_088),
    (8.0, 7.0, 0.857_007_214),
    (30.0, 31.0, 0.162_655_581),
];

#[derive(Deserialize)]
struct Reference {
    rates: Rates,
    spreads: Spreads,
    eye_factor: f64,
    directed: Vec<Case>,
    lengths: Vec<Case>,
}

#[derive(Deserialize)]
struct Rates {
    car: f64,
    month: f64,
    settling: f64,
}

#[derive(Deserialize)]
struct Spreads {
    start: f64,
    lined_up: f64,
}

#[derive(Deserialize)]
struct Case {
    entries: Vec<Told>,
    log_likelihood: Option<f64>,
    log_likelihood_with_wild: Option<f64>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Told {
    Pushed {
        day: f64,
        #[serde(rename = "pushed")]
        _cause: String,
        units: f64,
    },
    Looked {
        day: f64,
        coma: f64,
        sigma: f64,
        by_eye: bool,
        direction_deg: Option<f64>,
    },
    Bench {
        day: f64,
        #[serde(rename = "bench")]
        _what: String,
    },
}

impl Case {
    fn chain(&self) -> Chain {
        let entries: Vec<Entry> = self
            .entries
            .iter()
            .map(|told| match told {
                Told::Pushed { day, units, .. } => pushed(*day, Cause::Car, *units),
                Told::Bench { day, .. } => lined_up(*day),
                Told::Looked {
                    day,
                    coma,
                    sigma,
                    by_eye,
                    direction_deg,
                } => Entry {
                    day: *day,
                    what: What::Looked(Look {
                        coma_rms_waves: *coma,
                        sigma_waves: *sigma,
                        method: if *by_eye {
                            Method::ByEye
                        } else {
                            Method::FromFrames
                        },
                        direction_deg: *direction_deg,
                    }),
                },
            })
            .collect();
        Chain::new(0, 1.0, &entries)
    }
}

impl Reference {
    /// `drift_likelihood.json`, written by `drift_likelihood.py` beside it.
    fn read() -> Self {
        serde_json::from_str(include_str!("reference/drift_likelihood.json")).unwrap()
    }

    fn params(&self) -> Params {
        let mut params = Beliefs::default().middle;
        params.0[Cause::Car.index()] = self.rates.car.ln();
        params.0[Cause::Month.index()] = self.rates.month.ln();
        params.0[Cause::Settling.index()] = self.rates.settling.ln();
        params.0[fresh_index(Fresh::Start)] = self.spreads.start.ln();
        params.0[fresh_index(Fresh::LinedUp)] = self.spreads.lined_up.ln();
        params.0[EYE] = self.eye_factor.ln();
        params
    }
}

#[test]
fn with_directions_the_likelihood_is_that_of_statsmodels_filter() {
    let reference = Reference::read();
    let params = reference.params();
    for case in &reference.directed {
        let ours = score(&case.chain(), &params, 0.0, Wild::None).log;
        let theirs = case.log_likelihood.unwrap();
        assert!((ours - theirs).abs() < 1e-6, "{ours} against {theirs}");
    }
}

#[test]
fn without_directions_it_is_close_to_scipys_exact_integral() {
    // The closure after each look is the only approximation; nine looks each. A
    // logbook with a wild look is scored with the allowance for them only.
    let reference = Reference::read();
    let params = reference.params();
    for case in &reference.lengths {
        let chain = case.chain();
        for (kind, theirs) in [
            (Wild::None, case.log_likelihood),
            (Wild::Some, case.log_likelihood_with_wild),
        ] {
            let Some(theirs) = theirs else { continue };
            let ours = score(&chain, &params, 0.0, kind).log;
            let gap = (ours - theirs).abs();
            assert!(gap < 0.1, "{kind:?}: {ours} against {theirs}");
        }
    }
}

#[test]
fn the_gradient_is_the_slope_of_the_likelihood() {
    let recipe = Recipe {
        instruments: 6,
        pools: 2,
        directed: 0.3,
        ..Recipe::default()
    };
    for one in fleet(&recipe, 5).chains() {
        let at = Beliefs::default().middle;
        let told = score(&one, &at, 0.2, Wild::Some);
        let of = |params: &Params, factor: f64| score(&one, params, factor, Wild::Some).log;
        for k in 0..PARAMS {
            let (mut up, mut down) = (at, at);
            up.0[k] += 1e-5;
            down.0[k] -= 1e-5;
            let slope = (of(&up, 0.2) - of(&down, 0.2)) / 2e-5;
            let gap = (slope - told.slopes[k]).abs();
            assert!(
                gap < 1e-3 * (1.0 + slope.abs()),
                "{k}: {slope} {}",
                told.slopes[k]
            );
        }
        let slope = (of(&at, 0.2 + 1e-5) - of(&at, 0.2 - 1e-5)) / 2e-5;
        assert!((slope - told.by_factor).abs() < 1e-3 * (1.0 + slope.abs()));
    }
}

// ---- against fleets whose truth is known ----

#[test]
fn parameters_of_simulated_fleets_are_recovered_within_their_errors() {
    let recipe = Recipe {
        instruments: 60,
        pools: 3,
        years: 8.0,
        told: 1.0,
        ..Recipe::default()
    };
    let causes = [Cause::Car, Cause::RoughRoad, Cause::Month, Cause::Settling];
    let mut pulls = Vec::new();
    for seed in 0..4 {
        let truth = fleet(&recipe, 300 + seed);
        let learned = learn(&truth.chains());
        for (fit, rates) in learned.pools.iter().flatten().zip(&truth.rates) {
            for cause in causes {
                let k = cause.index();
                pulls.push((fit.params.0[k] - rates[k]) / fit.sigmas[k]);
            }
        }
    }
    let n = pulls.len() as f64;
    let mean = pulls.iter().sum::<f64>() / n;
    let spread = (pulls.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    // 48 pulls: the mean is known to 0.15, the spread to 0.1.
    assert!(mean.abs() < 0.5, "mean pull {mean}");
    assert!((0.6..1.4).contains(&spread), "spread of pulls {spread}");
    assert!(pulls.iter().all(|p| p.abs() < 4.5));
}

#[test]
fn stated_intervals_hold_as_often_as_they_say() {
    let (mut in_half, mut in_most, mut n) = (0.0, 0.0, 0.0);
    for seed in 0..3 {
        let truth = fleet(&Recipe::default(), 40 + seed);
        let chains = truth.chains();
        let learned = learn(&chains);
        for (one, chain) in truth.instruments.iter().zip(&chains) {
            let told = forecast(chain, &learned, &asked(truth.ends, 0.071));
            let coma = one.coma_on(truth.ends);
            let within = |from: usize, to: usize| coma > told.coma[from] && coma < told.coma[to];
            in_half += f64::from(u8::from(within(1, 3)));
            in_most += f64::from(u8::from(within(0, 4)));
            n += 1.0;
        }
    }
    // 180 instruments: three sigma are 0.11 and 0.07.
    assert!((in_half / n - 0.5_f64).abs() < 0.12, "{}", in_half / n);
    assert!((in_most / n - 0.9_f64).abs() < 0.075, "{}", in_most / n);
}

#[test]
fn chances_are_calibrated_and_beat_a_rule_of_age_on_a_varied_fleet() {
    let recipe = Recipe {
        odd: 0.2,
        ..Recipe::default()
    };
    let chains = fleet(&recipe, 8).chains();
    let said = back_test(&chains, &vec![0.071; chains.len()]);
    let old: Vec<bool> = said
        .iter()
        .map(|s| s.day - chains[s.chain].steps[s.step - 1].day > 150.0)
        .collect();
    let told = verdict(&said, &old).unwrap();
    assert!(told.trusted, "{told:?}");
    assert!(
        told.model < told.plain && told.plain < told.plain_bare,
        "{told:?}"
    );
    let pairs: Vec<_> = said.iter().map(|s| (s.chance, s.over)).collect();
    let classes = calibration(&pairs, 5);
    assert_eq!(classes.iter().map(|c| c.looks).sum::<usize>(), said.len());
    for class in classes {
        assert!((class.said - class.came).abs() < 0.12, "{class:?}");
    }
}

#[test]
fn odd_instruments_show_themselves_and_usual_ones_do_not() {
    let recipe = Recipe {
        instruments: 80,
        years: 10.0,
        odd: 0.4,
        looks_per_year: 4.0,
        ..Recipe::default()
    };
    let truth = fleet(&recipe, 21);
    let chains = truth.chains();
    let learned = learn(&chains);
    let (mut found, mut odd, mut wrong) = (0, 0, 0);
    for (one, chain) in truth.instruments.iter().zip(&chains) {
        let told = forecast(chain, &learned, &asked(truth.ends, 0.071));
        let expected = match one.nature {
            Nature::Usual => "",
            Nature::NeverMoves => "never-moves",
            Nature::HatesCars => "minds-journeys",
            Nature::LetsGo => "lets-go",
            Nature::Flops => "flops",
        };
        odd += usize::from(!expected.is_empty());
        match told.flags.first() {
            Some(flag) if flag.code == expected => found += 1,
            Some(_) => wrong += 1,
            None => {}
        }
    }
    assert!(odd >= 20);
    assert!(found * 2 >= odd, "{found} of {odd} found");
    assert!(wrong <= 3, "{wrong} flagged as what they are not");
}

#[test]
fn one_with_one_look_borrows_and_one_with_many_speaks_for_itself() {
    let recipe = Recipe {
        instruments: 30,
        pools: 1,
        between_instruments: 0.3,
        ..Recipe::default()
    };
    let mut chains = fleet(&recipe, 4).chains();
    // Moves more than twice as far as its kind, looked at every two months.
    let walk = [
        0.02, 0.10, 0.16, 0.13, 0.24, 0.33, 0.30, 0.41, 0.36, 0.44, 0.52, 0.47, 0.40, 0.49, 0.58,
        0.66, 0.61, 0.70, 0.62, 0.55, 0.63, 0.71, 0.80, 0.74,
    ];
    let restless = |looks: usize| {
        let told = walk[..looks]
            .iter()
            .zip(0..)
            .map(|(coma, n)| looked(60.0 * f64::from(n), *coma, 0.006));
        Chain::new(0, 1.0, &told.collect::<Vec<_>>())
    };
    chains.push(restless(2));
    chains.push(restless(24));
    let learned = learn(&chains);
    let beside = |chain: &Chain| forecast(chain, &learned, &asked(2000.0, 0.071)).beside_kind;
    let (few, many) = (beside(&chains[30]), beside(&chains[31]));
    assert!((0.8..1.5).contains(&few), "{few}");
    assert!(many > 1.1 * few, "{many} {few}");
}

#[test]
fn a_new_entry_moves_only_its_own_pool() {
    let recipe = Recipe {
        instruments: 24,
        pools: 4,
        years: 3.0,
        ..Recipe::default()
    };
    let mut truth = fleet(&recipe, 2);
    let mut learned = learn(&truth.chains());
    let before = learned.clone();
    let one = &mut truth.instruments[1];
    one.entries.push(looked(truth.ends, 0.12, 0.01));
    one.chain = Chain::new(one.chain.pool, one.chain.share, &one.entries);
    let chains = truth.chains();
    learned.relearn(&chains, 1);
    for pool in [0, 2, 3] {
        assert_eq!(learned.pools[pool], before.pools[pool]);
    }
    let (now, then) = (learned.pools[1].as_ref(), before.pools[1].as_ref());
    assert_ne!(now.unwrap().params, then.unwrap().params);
    assert_eq!(now.unwrap().looks, then.unwrap().looks + 1);
}

// ---- adversarial logbooks ----

fn pushed(day: f64, cause: Cause, units: f64) -> Entry {
    let what = What::Pushed(cause, units);
    Entry { day, what }
}

fn lined_up(day: f64) -> Entry {
    let what = What::LinedUp;
    Entry { day, what }
}

fn looked(day: f64, coma: f64, sigma: f64) -> Entry {
    let what = What::Looked(Look {
        coma_rms_waves: coma,
        sigma_waves: sigma,
        direction_deg: None,
        method: Method::FromFrames,
    });
    Entry { day, what }
}

fn asked(today: f64, limit_waves: f64) -> Asked {
    Asked {
        limit_waves,
        aperture_mm: 203.0,
        today,
    }
}

#[test]
fn entries_told_in_any_order_say_the_same() {
    let mut entries = vec![
        looked(10.0, 0.02, 0.006),
        pushed(20.0, Cause::Car, 3.0),
        looked(30.0, 0.08, 0.02),
        lined_up(31.0),
        looked(31.02, 0.01, 0.006),
        pushed(90.0, Cause::KnockOrDrop, 1.0),
        looked(100.0, 0.05, 0.006),
    ];
    let straight = Chain::new(0, 1.0, &entries);
    entries.reverse();
    assert_eq!(Chain::new(0, 1.0, &entries), straight);
    // The drive counts for the look after it; the screws settle once, after the
    // visit to the bench.
    assert_eq!(straight.steps[1].units[Cause::Car.index()], 3.0);
    let settled: Vec<f64> = straight
        .steps
        .iter()
        .map(|s| s.units[Cause::Settling.index()])
        .collect();
    assert_eq!(settled, [0.0, 0.0, 0.0, 0.0, 1.0]);
}

#[test]
fn several_entries_of_one_instant_keep_their_order() {
    let entries = [
        pushed(5.0, Cause::Car, 1.0),
        looked(5.0, 0.03, 0.01),
        pushed(5.0, Cause::Car, 2.0),
        looked(5.0, 0.04, 0.01),
    ];
    let chain = Chain::new(0, 1.0, &entries);
    assert_eq!(chain.steps[0].units[Cause::Car.index()], 1.0);
    assert_eq!(chain.steps[1].units[Cause::Car.index()], 2.0);
    assert_eq!(chain.units_after(Some(1), 9.0)[Cause::Car.index()], 0.0);
    assert_eq!(chain.units_after(Some(0), 9.0)[Cause::Car.index()], 2.0);
}

#[test]
fn absurd_figures_are_held_in_bounds_and_never_become_nonsense() {
    let wild = [
        looked(-40_000.0, 0.03, 0.01),
        looked(f64::NAN, 0.03, 0.01),
        looked(3.0, f64::INFINITY, 0.01),
        looked(4.0, -1.0, 0.01),
        looked(5.0, 0.03, 0.0),
        looked(6.0, 900.0, 1e-30),
        looked(6.0, 0.0, 1e9),
        pushed(7.0, Cause::Car, 1e300),
        pushed(7.0, Cause::Car, f64::NAN),
        pushed(7.0, Cause::Car, -5.0),
        looked(8.0, 0.02, 0.004),
        lined_up(9.0),
        lined_up(9.0),
        looked(40_000.0, 0.03, 0.01),
    ];
    let chains = vec![
        Chain::new(0, 1.0, &wild),
        Chain::new(0, 0.0, &[]),
        Chain::new(3, 1.5, &[looked(0.0, 0.0, 0.01)]),
    ];
    let learned = learn(&chains);
    for chain in &chains {
        for today in [-1e5, 8.5, 41_000.0] {
            let told = forecast(chain, &learned, &asked(today, 0.071));
            assert!((0.0..=1.0).contains(&told.chance), "{told:?}");
            assert!((0.0..=1.0).contains(&told.chance_after(30.0)));
            assert!(told.coma.iter().all(|c| c.is_finite() && *c >= 0.0));
            assert!(told.coma.windows(2).all(|w| w[0] <= w[1]));
            assert!(told.sharp.from <= told.sharp.about && told.sharp.about <= told.sharp.to);
            assert!((0.0..=1.0).contains(&told.sharp.expected_loss));
            assert!((0.5..=1.0).contains(&told.call.now));
        }
    }
    let said = back_test(&chains, &[0.071; 3]);
    assert!(said.iter().all(|s| (0.0..=1.0).contains(&s.chance)));
}

#[test]
fn one_wild_report_by_eye_does_not_carry_the_day() {
    let calm = |wild: bool| {
        let mut entries: Vec<Entry> = (0..8)
            .map(|n| looked(60.0 * f64::from(n), 0.02, 0.006))
            .collect();
        if wild {
            entries.push(Entry {
                day: 450.0,
                what: What::Looked(Look {
                    coma_rms_waves: 0.45,
                    sigma_waves: 0.03,
                    direction_deg: None,
                    method: Method::ByEye,
                }),
            });
            entries.push(looked(451.0, 0.021, 0.006));
        }
        Chain::new(0, 1.0, &entries)
    };
    let learned = learn(&[calm(false), calm(true)]);
    let chance = |wild| forecast(&calm(wild), &learned, &asked(455.0, 0.071)).chance;
    assert!(chance(true) < 0.05, "{}", chance(true));
    let rate = |wild| {
        let params = learned.params(0, 1.0);
        let chain = calm(wild);
        Follower::through(&chain, &params, &learned.beliefs, 99).rate_of(Cause::Month, None)
    };
    assert!(rate(true) < 3.0 * rate(false));
}

#[test]
fn decades_without_a_look_leave_it_unknown_but_sane() {
    let chain = Chain::new(
        0,
        1.0,
        &[looked(0.0, 0.02, 0.006), looked(9000.0, 0.3, 0.02)],
    );
    let learned = learn(std::slice::from_ref(&chain));
    let after = |day| forecast(&chain, &learned, &asked(day, 0.071)).chance;
    assert!(after(9001.0) > 0.98);
    let before = after(8990.0);
    assert!((0.2..1.0).contains(&before), "{before}");
}

// ---- ranks, plans, scores ----

#[test]
fn a_nights_plan_is_the_best_that_can_be_done() {
    let job = |gain, minutes| Job { gain, minutes };
    let jobs = [
        job(3.0, 60.0),
        job(2.9, 55.0),
        job(2.8, 55.0),
        job(1.0, 10.0),
        job(9.0, 400.0),
        job(0.0, 5.0),
    ];
    // Two hours, one pair of hands: by hand, 55 + 55 + 10 fills it exactly.
    let one = plan(&jobs, 2.0, 1);
    let mut taken = one.hands[0].clone();
    taken.sort_unstable();
    assert_eq!(taken, [1, 2, 3]);
    assert!((one.gain - 6.7).abs() < 1e-9);
    // Two jobs of 40 minutes do not share one hour of two pairs of hands thrice.
    let three = [job(1.0, 40.0), job(1.0, 40.0), job(1.0, 40.0)];
    let two = plan(&three, 1.0, 2);
    assert_eq!(two.hands.iter().map(Vec::len).sum::<usize>(), 2);
    assert!(plan(&jobs, 0.0, 3).hands.is_empty());
    assert!(plan(&[], 3.0, 3).hands.is_empty());
}

#[test]
fn scores_agree_with_figures_worked_by_hand() {
    let pairs = [(0.9, true), (0.2, false), (0.6, false)];
    // (0.01 + 0.04 + 0.36)/3
    assert!((brier(pairs.into_iter()).unwrap() - 0.41 / 3.0).abs() < 1e-12);
    assert_eq!(brier(std::iter::empty()), None);
    let chances = watched(&[(true, true), (true, false), (true, true), (false, false)]);
    assert_eq!(chances, [0.5, 2.0 / 3.0, 0.5, 0.5]);
    let rice = Mixture::new(vec![Part {
        weight: 3.0,
        mean_squared: 0.0,
        variance: 4e-4,
    }]);
    // Rayleigh: exp(-1/2) beyond one sigma, median sigma sqrt(2 ln 2).
    assert!((rice.beyond(0.02) - (-0.5_f64).exp()).abs() < 1e-9);
    let [median] = rice.quantiles([0.5]);
    assert!((median - 0.02 * (2.0 * 2.0_f64.ln()).sqrt()).abs() < 2e-4);
}

#[test]
fn nothing_learned_falls_back_on_what_is_believed() {
    let learned = DriftModel::nothing();
    let chain = Chain::new(2, 1.0, &[]);
    let told = forecast(&chain, &learned, &asked(10.0, 0.071));
    assert!((0.05..0.95).contains(&told.chance));
    let follower = Follower::new(&chain, &learned.params(2, 1.0), &learned.beliefs);
    assert!(follower.chance_of(Theory::Usual) > 0.85);
    assert!((follower.log_likelihood()).abs() < 1e-9);
}
