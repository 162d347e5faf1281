//! What the order of the due list rests on beside the drift model: whether the
//! model may order it at all, what never was looked at, how long things waited,
//! and logbooks that were put right afterwards.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::HashMap;

use chrono::{DateTime, Duration, TimeZone, Utc};
use proptest::prelude::*;
use tubewright::library::instruments::Design;
use tubewright::library::journeys::{Journey, JourneyKind, LoggedJourney};
use tubewright::library::loans::LoanSpan;
use tubewright::library::problems::{AsksFor, LoggedProblem, Problem, ProblemWhat};
use tubewright::library::star_tests::{FocusSide, LoggedStarTest, Method, StarTest};
use tubewright::library::telling::Telling;
use tubewright::library::{EntryId, InstrumentId, PersonId};
use tubewright::upkeep::assess;
use tubewright::upkeep::drift::back_test::{MOST_LUCK, Said, verdict, watched};
use tubewright::upkeep::drift::chain::{Cause, Chain, Entry, Look, What};
use tubewright::upkeep::drift::fit::learn;
use tubewright::upkeep::drift::forecast::{Asked, Forecast, forecast};
use tubewright::upkeep::drift::from_history::chain_of;
use tubewright::upkeep::drift::plan::{Need, Waited, press};
use tubewright::upkeep::drift::special::normal_tail;
use tubewright::upkeep::figures::{months_after, months_between};
use tubewright::upkeep::history::{History, Logbook};
use tubewright::upkeep::limits::in_force;

// ---- whether the model may order the list ----

#[test]
fn the_normal_tail_agrees_with_scipy() {
    // scipy 1.17.1: stats.norm.sf(z).
    for (z, tail) in [
        (0.0, 0.5),
        (1.644_853_627, 0.05),
        (2.5, 0.006_209_665),
        (4.0, 3.167_124_2e-5),
        (-1.0, 0.841_344_746),
    ] {
        assert!((normal_tail(z) - tail).abs() < 1e-9, "{z}");
    }
}

fn said(chain: usize, n: usize, chance: f64, over: bool) -> Said {
    Said {
        chain,
        step: n,
        day: n as f64,
        chance,
        over,
    }
}

/// Looks at so many instruments in turn; every third is over its limit, and the
/// model says so with this chance.
fn foretold(looks: usize, instruments: usize, right: f64) -> Vec<Said> {
    (0..looks)
        .map(|n| {
            let over = n % 3 == 0;
            said(
                n % instruments,
                n,
                if over { right } else { 1.0 - right },
                over,
            )
        })
        .collect()
}

#[test]
fn a_model_that_is_clearly_better_is_trusted_and_one_that_is_worse_is_not() {
    let rule = vec![true; 90];
    let told = verdict(&foretold(90, 20, 0.9), &rule).unwrap();
    assert!(told.trusted && told.luck < 1e-6, "{told:?}");
    // Brier's score of nine in ten each time right: 0.1 squared.
    assert!((told.model - 0.01).abs() < 1e-12);
    let told = verdict(&foretold(90, 20, 0.2), &rule).unwrap();
    assert!(!told.trusted && told.luck == 1.0, "{told:?}");
}

#[test]
fn a_margin_that_may_be_luck_falls_back_on_the_limits() {
    // The model says what the rule, watched, says, but for two looks where it was
    // right by chance: worked by hand, z = 1.4.
    let mut looks = foretold(90, 20, 0.9);
    let answers: Vec<(bool, bool)> = looks.iter().map(|s| (true, s.over)).collect();
    for (s, chance) in looks.iter_mut().zip(watched(&answers)) {
        s.chance = chance;
    }
    looks[60].chance = 0.9;
    looks[63].chance = 0.8;
    let told = verdict(&looks, &[true; 90]).unwrap();
    assert!(told.plain > told.model, "better by a hair: {told:?}");
    assert!(told.luck > MOST_LUCK && !told.trusted, "{told:?}");
}

#[test]
fn looks_at_one_instrument_do_not_count_as_many_witnesses() {
    // The same gains, once spread over many instruments, once all at one: what
    // the model gains at one alone may be that one's luck.
    let rule = vec![true; 60];
    let make = |of_gain: fn(usize) -> usize| -> Vec<Said> {
        (0..60)
            .map(|n| {
                let over = n % 3 == 0;
                let gains = n < 20;
                let chance = match (gains, over) {
                    (true, true) => 0.8,
                    (true, false) => 0.2,
                    (false, _) => 0.33,
                };
                said(if gains { of_gain(n) } else { n }, n, chance, over)
            })
            .collect()
    };
    let spread = verdict(&make(|n| n), &rule).unwrap();
    let at_one = verdict(&make(|_| 0), &rule).unwrap();
    assert!((spread.model - at_one.model).abs() < 1e-12);
    assert!(
        at_one.difference_error > 1.5 * spread.difference_error,
        "{spread:?} {at_one:?}"
    );
    assert!(at_one.luck > spread.luck);
    assert!(spread.trusted && !at_one.trusted);
}

#[test]
fn too_few_looks_are_never_enough() {
    let told = verdict(&foretold(20, 20, 0.99), &[true; 20]).unwrap();
    assert!(!told.trusted && told.luck < MOST_LUCK, "{told:?}");
}

// ---- what was never looked at ----

fn looked(day: f64, coma: f64) -> Entry {
    let what = What::Looked(Look {
        coma_rms_waves: coma,
        sigma_waves: 0.006,
        direction_deg: None,
        method: Method::FromFrames,
    });
    Entry { day, what }
}

fn driven(day: f64, units: f64) -> Entry {
    let what = What::Pushed(Cause::Car, units);
    Entry { day, what }
}

fn told(chain: &Chain, all: &[Chain]) -> Forecast {
    let asked = Asked {
        limit_waves: 0.071,
        aperture_mm: 203.0,
        today: 400.0,
    };
    forecast(chain, &learn(all), &asked)
}

/// Ten instruments of one design, each first seen at about this coma.
fn kind(pool: usize, first: f64) -> Vec<Chain> {
    (0..10)
        .map(|n| {
            let coma = first * (0.6 + 0.08 * f64::from(n));
            let looks = [looked(0.0, coma), driven(50.0, 1.0), looked(200.0, coma)];
            Chain::new(pool, 1.0, &looks)
        })
        .collect()
}

#[test]
fn one_never_looked_at_is_judged_by_its_kind_and_ranked_so() {
    let mut all = kind(0, 0.015);
    all.extend(kind(1, 0.12));
    let untested = [Chain::new(0, 1.0, &[]), Chain::new(1, 1.0, &[])];
    all.extend(untested.clone());
    let [good, bad] = untested.map(|c| told(&c, &all));
    assert_eq!(good.looks, 0);
    assert_eq!(good.kind_known_from, (20, 10));
    assert!(good.chance < 0.1, "{}", good.chance);
    assert!(bad.chance > 0.4, "{}", bad.chance);
    // Moved about, it is less sure than standing on the shelf.
    let moved = Chain::new(0, 1.0, &[driven(10.0, 20.0)]);
    all.push(moved.clone());
    assert!(told(&moved, &all).chance > good.chance);
}

#[test]
fn one_never_looked_at_is_known_less_well_where_its_kind_is_hardly_known() {
    let mut many = kind(0, 0.05);
    let few = vec![many[4].clone()];
    let untested = Chain::new(0, 1.0, &[]);
    many.push(untested.clone());
    let of_few: Vec<Chain> = few.into_iter().chain([untested.clone()]).collect();
    // Relative to its middle, the interval is wider.
    let width = |o: &Forecast| o.coma[4] / o.coma[2];
    let (known, unknown) = (told(&untested, &many), told(&untested, &of_few));
    assert!(
        width(&unknown) > 1.05 * width(&known),
        "{known:?} {unknown:?}"
    );
    // And one that was looked at is known far better than either.
    let seen = told(&many[4], &many);
    assert!(width(&seen) < 0.8 * width(&known), "{seen:?}");
}

// ---- how long things have waited ----

#[test]
fn need_and_both_kinds_of_waiting_act_on_the_order() {
    let now = Waited::default();
    let by_need: Vec<f64> = [Need::Planets, Need::Anything, Need::Nobody, Need::WideField]
        .map(|n| press(0.4, n, now))
        .to_vec();
    assert!(by_need.windows(2).all(|w| w[0] > w[1]), "{by_need:?}");
    let waits = |person_days, due_days| {
        let waited = Waited {
            person_days,
            due_days,
        };
        press(0.4, Need::Anything, waited)
    };
    assert!((waits(60.0, 0.0) - 2.0 * waits(0.0, 0.0)).abs() < 1e-12);
    assert!((waits(0.0, 180.0) - 1.5 * waits(0.0, 0.0)).abs() < 1e-12);
    assert!(waits(30.0, 90.0) > waits(30.0, 10.0));
    // Neither grows for ever.
    assert_eq!(waits(1e6, 1e6), waits(60.0, 180.0));
}

fn day(n: i64) -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 1, 1, 12, 0, 0).unwrap() + Duration::days(n)
}

struct Book {
    id: InstrumentId,
    logbook: Logbook,
    tellings: HashMap<EntryId, Telling>,
}

impl Book {
    fn new() -> Self {
        Self {
            id: InstrumentId::fresh(),
            logbook: Logbook::default(),
            tellings: HashMap::new(),
        }
    }

    fn drive(mut self, on: i64, km: f64) -> Self {
        self.logbook.journeys.push(LoggedJourney {
            entry_id: EntryId::fresh(),
            instrument_id: self.id,
            happened_at: day(on),
            journey: Journey {
                kind: JourneyKind::Car,
                distance_km: Some(km),
                severity: None,
            },
        });
        self
    }

    fn test(self, on: i64, coma: f64) -> Self {
        self.test_told(on, coma, day(on))
    }

    fn test_told(mut self, on: i64, coma: f64, told: DateTime<Utc>) -> Self {
        let entry_id = EntryId::fresh();
        self.tellings.insert(
            entry_id,
            Telling {
                entry_id,
                first_told: told,
                first_entry: entry_id,
                first_by: PersonId::fresh(),
                loan_from: None,
            },
        );
        self.logbook.tests.push(LoggedStarTest {
            entry_id,
            instrument_id: self.id,
            happened_at: day(on),
            test: StarTest {
                method: Method::FromFrames,
                side: FocusSide::Unknown,
                diagonal: false,
                seeing: None,
                magnification: None,
                defocus_waves: None,
                thin_to_thick: None,
                thin_clock_deg: None,
                coma_rms_waves: coma,
                coma_rms_waves_sigma: 0.005,
                attempt_id: None,
                judged: "{}".to_owned(),
            },
        });
        self
    }

    fn found(mut self, on: i64) -> Self {
        self.logbook.problems.push(LoggedProblem {
            entry_id: EntryId::fresh(),
            instrument_id: self.id,
            happened_at: day(on),
            problem: Problem {
                what: ProblemWhat::Other,
                asks_for: AsksFor::TheBench,
                words: "Loose".to_owned(),
            },
            settled: false,
        });
        self
    }

    fn lent(mut self, from: i64, until: i64) -> Self {
        self.logbook.loans.push(LoanSpan {
            instrument_id: self.id,
            lent_at: day(from),
            returned_at: Some(day(until)),
        });
        self
    }

    fn history(self) -> History {
        History::new(
            Design::SchmidtCassegrain,
            self.logbook,
            &self.tellings,
            day(1000),
        )
    }

    /// Since when it is due on day 300.
    fn due_since(self) -> Option<DateTime<Utc>> {
        let id = self.id;
        let limits = in_force(Design::SchmidtCassegrain, id, &[]);
        assess(&self.history(), &limits, day(300)).due?.since
    }
}

#[test]
fn since_when_it_is_due_is_told_by_its_logbook() {
    // Limits of a Schmidt-Cassegrain: 0.071, 10 drives of 50 km, 9 months, 6 loans.
    assert_eq!(Book::new().test(290, 0.01).due_since(), None);
    assert_eq!(
        Book::new().test(250, 0.1).test(280, 0.09).due_since(),
        Some(day(280)),
        "the look that says so"
    );
    let driven = Book::new()
        .test(100, 0.01)
        .drive(120, 300.0)
        .drive(150, 190.0)
        .drive(160, 30.0)
        .drive(170, 30.0);
    assert_eq!(driven.due_since(), Some(day(160)), "6 + 3.8 + 0.6 drives");
    assert_eq!(
        Book::new().test(280, 0.01).found(285).due_since(),
        Some(day(285))
    );
    // Nine months from 1 January.
    assert_eq!(
        Book::new().test(0, 0.01).due_since(),
        Some(Utc.with_ymd_and_hms(2026, 10, 1, 12, 0, 0).unwrap())
    );
    let lent = (0..8).fold(Book::new().test(100, 0.01), |book, n| {
        book.lent(110 + 10 * n, 112 + 10 * n)
            .drive(111 + 10 * n, 1.0)
    });
    assert_eq!(lent.due_since(), Some(day(170)), "the seventh loan");
    // The earliest of several reasons.
    assert_eq!(
        Book::new().found(200).test(280, 0.1).due_since(),
        Some(day(200))
    );
}

proptest! {
    #[test]
    fn months_after_is_the_other_way_of_months_between(start in 0_i64..4000, tenths in 0_u32..400) {
        let months = f64::from(tenths) / 10.0;
        let then = months_after(day(start), months).unwrap();
        prop_assert!((months_between(day(start), then) - months).abs() < 1e-4);
    }
}

// ---- logbooks put right afterwards, and logbooks nobody should write ----

#[test]
fn a_correction_says_what_the_right_entry_would_have_said() {
    // The library lists what stands: of a corrected entry the correction, in the
    // place of the first. So the chain is as if it had been right at once.
    let right = Book::new().test(10, 0.02).drive(20, 90.0).test(40, 0.05);
    let mut corrected = Book::new().test(10, 0.02).drive(20, 90.0);
    let told_late = day(200);
    corrected = corrected.test_told(40, 0.05, told_late);
    let chains = [right, corrected].map(|b| chain_of(&b.history()).unwrap());
    assert_eq!(chains[0], chains[1]);
    assert_eq!(chains[0].fingerprint(), chains[1].fingerprint());
    let wrong = chain_of(
        &Book::new()
            .test(10, 0.02)
            .drive(20, 90.0)
            .test(40, 0.5)
            .history(),
    );
    assert_ne!(wrong.unwrap().fingerprint(), chains[0].fingerprint());
}

fn anything() -> impl Strategy<Value = Entry> {
    let day = prop_oneof![
        -1e5..1e5_f64,
        (0_i32..5).prop_map(f64::from),
        Just(f64::NAN),
        Just(f64::INFINITY),
    ];
    let figure = prop_oneof![
        0.0..0.3_f64,
        Just(0.0),
        Just(-1.0),
        Just(1e300),
        Just(f64::NAN)
    ];
    let what = (0_usize..14, figure.clone(), figure).prop_map(|(kind, a, b)| match kind {
        0..=9 => What::Pushed(Cause::ALL[kind], a * 20.0),
        10 => What::LinedUp,
        11 => What::Disturbed,
        _ => What::Looked(Look {
            coma_rms_waves: a,
            sigma_waves: b,
            direction_deg: None,
            method: if kind == 12 {
                Method::ByEye
            } else {
                Method::FromFrames
            },
        }),
    });
    (day, what).prop_map(|(day, what)| Entry { day, what })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn whatever_is_written_the_chances_are_chances(
        books in prop::collection::vec(prop::collection::vec(anything(), 0..14), 1..4),
        today in -2e5..2e5_f64,
    ) {
        let chains: Vec<Chain> = books
            .iter()
            .zip(0..)
            .map(|(entries, n)| Chain::new(n % 2, 1.0, entries))
            .collect();
        let learned = learn(&chains);
        for chain in &chains {
            let asked = Asked { limit_waves: 0.071, aperture_mm: 203.0, today };
            let told = forecast(chain, &learned, &asked);
            prop_assert!((0.0..=1.0).contains(&told.chance));
            prop_assert!((0.0..=1.0).contains(&told.chance_after(9.0)));
            prop_assert!(told.coma.iter().all(|c| c.is_finite() && *c >= 0.0));
            prop_assert!(told.coma.windows(2).all(|w| w[0] <= w[1]));
            prop_assert!(told.flags.iter().all(|f| !f.evidence.contains("NaN")));
            prop_assert!(told.call.gain().is_finite());
        }
    }
}
