//! The plain rules against cases worked by hand.
//!
//! Limits of a Schmidt-Cassegrain, built in: 0.036 to mention, 0.071 for the
//! bench, 10 drives, 9 months, 6 loans (common practice, no source, but for the
//! coma: Marechal's criterion, see `upkeep::limits::default`).
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::HashMap;

use chrono::{DateTime, Duration, Months, TimeZone, Utc};
use tubewright::library::instruments::Design;
use tubewright::library::journeys::{Journey, JourneyKind, LoggedJourney};
use tubewright::library::loans::LoanSpan;
use tubewright::library::problems::{AsksFor, LoggedProblem, Problem, ProblemWhat};
use tubewright::library::second_looks::LoggedLook;
use tubewright::library::star_tests::{FocusSide, LoggedStarTest, Method, StarTest};
use tubewright::library::telling::Telling;
use tubewright::library::works::{LoggedWork, WorkWhat};
use tubewright::library::{EntryId, InstrumentId, PersonId};
use tubewright::upkeep::figures::months_between;
use tubewright::upkeep::history::{History, Logbook};
use tubewright::upkeep::limits::{Limits, in_force};
use tubewright::upkeep::rules::condition_of_look;
use tubewright::upkeep::{Assessment, Condition, DueCode, assess};

type At = DateTime<Utc>;

fn noon(year: i32, month: u32, day: u32) -> At {
    Utc.with_ymd_and_hms(year, month, day, 12, 0, 0).unwrap()
}

fn today() -> At {
    noon(2026, 6, 15)
}

fn ago(days: i64) -> At {
    today() - Duration::days(days)
}

/// A logbook under construction.
struct Book {
    design: Design,
    instrument: InstrumentId,
    logbook: Logbook,
    tellings: HashMap<EntryId, Telling>,
}

impl Book {
    fn of(design: Design) -> Self {
        Self {
            design,
            instrument: InstrumentId::fresh(),
            logbook: Logbook::default(),
            tellings: HashMap::new(),
        }
    }

    fn sct() -> Self {
        Self::of(Design::SchmidtCassegrain)
    }

    fn told(&mut self, entry: EntryId, first_told: At, loan_from: Option<At>) {
        self.tellings.insert(
            entry,
            Telling {
                entry_id: entry,
                first_told,
                first_entry: entry,
                first_by: PersonId::fresh(),
                loan_from,
            },
        );
    }

    fn test(self, at: At, coma: f64, sigma: f64) -> Self {
        self.look(at, coma, sigma, Method::FromFrames, None)
    }

    fn look(mut self, at: At, coma: f64, sigma: f64, method: Method, ratio: Option<f64>) -> Self {
        self.logbook.tests.push(LoggedStarTest {
            entry_id: EntryId::fresh(),
            instrument_id: self.instrument,
            happened_at: at,
            test: StarTest {
                method,
                side: FocusSide::Unknown,
                diagonal: false,
                seeing: None,
                magnification: None,
                defocus_waves: None,
                thin_to_thick: ratio,
                thin_clock_deg: None,
                coma_rms_waves: coma,
                coma_rms_waves_sigma: sigma,
                attempt_id: None,
                judged: "{}".to_owned(),
            },
        });
        self
    }

    fn drive(self, at: At, km: f64) -> Self {
        self.journey(at, JourneyKind::Car, Some(km), None)
    }

    fn journey(
        mut self,
        at: At,
        kind: JourneyKind,
        distance_km: Option<f64>,
        loan_from: Option<At>,
    ) -> Self {
        let entry_id = EntryId::fresh();
        self.told(entry_id, at, loan_from);
        self.logbook.journeys.push(LoggedJourney {
            entry_id,
            instrument_id: self.instrument,
            happened_at: at,
            journey: Journey {
                kind,
                distance_km,
                severity: None,
            },
        });
        self
    }

    fn problem(mut self, at: At, asks_for: AsksFor, words: &str, settled: bool) -> Self {
        self.logbook.problems.push(LoggedProblem {
            entry_id: EntryId::fresh(),
            instrument_id: self.instrument,
            happened_at: at,
            problem: Problem {
                what: ProblemWhat::Other,
                asks_for,
                words: words.to_owned(),
            },
            settled,
        });
        self
    }

    fn work(mut self, at: At, what: WorkWhat, moved_optics: bool) -> Self {
        self.logbook.works.push(LoggedWork {
            entry_id: EntryId::fresh(),
            instrument_id: self.instrument,
            happened_at: at,
            what,
            minutes: None,
            moved_optics,
            words: String::new(),
        });
        self
    }

    /// The last work, or the last test, is this person's.
    fn by(mut self, who: PersonId, of_test: bool) -> Self {
        let work = self
            .logbook
            .works
            .last()
            .map(|w| (w.entry_id, w.happened_at));
        let test = self
            .logbook
            .tests
            .last()
            .map(|t| (t.entry_id, t.happened_at));
        let (entry, at) = if of_test { test } else { work }.unwrap();
        self.told(entry, at, None);
        self.tellings.get_mut(&entry).unwrap().first_by = who;
        self
    }

    fn looked_over(mut self, at: At, who: PersonId) -> Self {
        let entry_id = EntryId::fresh();
        self.told(entry_id, at, None);
        self.tellings.get_mut(&entry_id).unwrap().first_by = who;
        self.logbook.second_looks.push(LoggedLook {
            entry_id,
            instrument_id: self.instrument,
            happened_at: at,
        });
        self
    }

    /// Judged in a club that wants a second pair of eyes.
    fn seen_twice(&self) -> Assessment {
        let limits = Limits {
            second_look: Some(ago(15)),
            ..self.limits()
        };
        assess(&self.history(), &limits, today())
    }

    fn loan(mut self, from: At, until: Option<At>) -> Self {
        self.logbook.loans.push(LoanSpan {
            instrument_id: self.instrument,
            lent_at: from,
            returned_at: until,
        });
        self
    }

    fn limits(&self) -> Limits {
        in_force(self.design, self.instrument, &[])
    }

    fn history(&self) -> History {
        History::new(self.design, self.logbook.clone(), &self.tellings, today())
    }

    fn judged(&self) -> Assessment {
        assess(&self.history(), &self.limits(), today())
    }
}

fn codes(a: &Assessment) -> Vec<DueCode> {
    a.due
        .as_ref()
        .map(|d| d.reasons.iter().map(|r| r.code).collect())
        .unwrap_or_default()
}

fn words(a: &Assessment) -> String {
    a.due
        .as_ref()
        .map(|d| {
            let all: Vec<_> = d.reasons.iter().map(|r| r.words.as_str()).collect();
            all.join(" | ")
        })
        .unwrap_or_default()
}

// ---- each reason ----

#[test]
fn a_fresh_good_test_is_in_line_and_not_due() {
    let a = Book::sct().test(ago(10), 0.02, 0.005).judged();
    assert_eq!(a.condition, Condition::Ready);
    assert_eq!(a.as_of, Some(ago(10)));
    assert_eq!(a.due, None);
    assert_eq!(a.reasons, ["Coma 0.020 ± 0.005 waves RMS, from frames."]);
}

#[test]
fn coma_equal_to_its_limit_is_not_over_it() {
    let a = Book::sct().test(ago(1), 0.071, 0.005).judged();
    assert_eq!(a.due, None);
    assert_eq!(a.condition, Condition::Usable);
    let a = Book::sct().test(ago(1), 0.036, 0.005).judged();
    assert_eq!(a.condition, Condition::Ready);
    let a = Book::sct().test(ago(1), 0.0365, 0.005).judged();
    assert_eq!(a.condition, Condition::Usable);
}

// 0.142 / 0.071 = 2.
#[test]
fn coma_at_twice_its_limit_counts_two_and_asks_for_the_bench_first() {
    let a = Book::sct().test(ago(1), 0.142, 0.01).judged();
    assert_eq!(codes(&a), [DueCode::Coma]);
    assert!((a.due.as_ref().unwrap().urgency - 2.0).abs() < 1e-9);
    assert_eq!(a.condition, Condition::NeedsBench);
    assert!(!words(&a).contains("less than its error"), "{}", words(&a));
}

#[test]
fn an_excess_smaller_than_its_error_is_said_to_be_one() {
    let a = Book::sct().test(ago(1), 0.080, 0.020).judged();
    assert_eq!(codes(&a), [DueCode::Coma]);
    assert!(
        words(&a).contains("by less than its error"),
        "{}",
        words(&a)
    );
    // 0.095 - 0.071 = 0.024 is more than 0.020.
    let a = Book::sct().test(ago(1), 0.095, 0.020).judged();
    assert!(!words(&a).contains("less than its error"), "{}", words(&a));
}

#[test]
fn asymmetry_reported_by_eye_is_told_as_it_was_seen() {
    let a = Book::sct()
        .look(ago(1), 0.11, 0.03, Method::ByEye, Some(0.6))
        .judged();
    assert_eq!(codes(&a), [DueCode::Coma]);
    assert!(
        words(&a).starts_with("Thin side 0.6 of the thick by eye"),
        "{}",
        words(&a)
    );
}

#[test]
fn a_look_too_coarse_to_tell_finds_nothing_in_line() {
    // 0.03 + 0.05 = 0.08, over 0.071: it might as well be out.
    let book = Book::sct().drive(ago(40), 400.0).test(ago(30), 0.03, 0.05);
    let a = book.judged();
    assert_eq!(a.condition, Condition::Usable);
    assert!(a.reasons[0].contains("too coarse"), "{:?}", a.reasons);
    // So the drive before it still counts: 400 km are 8 drives.
    assert!((a.exposure - 8.0).abs() < 1e-9);
    // 0.03 + 0.041 = 0.071 is not over.
    assert_eq!(
        Book::sct().test(ago(30), 0.03, 0.041).judged().condition,
        Condition::Ready
    );
}

#[test]
fn journeys_equal_to_the_limit_are_not_over_it() {
    let tested = Book::sct().test(ago(100), 0.02, 0.005);
    let a = tested.drive(ago(50), 500.0).judged();
    assert!((a.exposure - 10.0).abs() < 1e-9);
    assert_eq!(a.due, None);
    // A hundred carries of a tenth each add up to ten, floating point or not.
    let mut book = Book::sct().test(ago(200), 0.02, 0.005);
    for day in 0..100 {
        book = book.journey(ago(150 - day), JourneyKind::HandCarry, None, None);
    }
    assert_eq!(book.judged().due, None);
    let a = Book::sct()
        .test(ago(100), 0.02, 0.005)
        .drive(ago(50), 501.0)
        .judged();
    assert_eq!(codes(&a), [DueCode::Journeys]);
    assert_eq!(a.condition, Condition::NotChecked);
    // The words show the difference: 10.02 beside 10.
    assert!(words(&a).contains("10.02 ordinary drives"), "{}", words(&a));
}

#[test]
fn a_test_in_line_starts_the_count_anew_and_one_out_of_line_does_not() {
    let a = Book::sct()
        .drive(ago(60), 600.0)
        .test(ago(50), 0.02, 0.005)
        .drive(ago(40), 100.0)
        .judged();
    assert!((a.exposure - 2.0).abs() < 1e-9);
    assert_eq!(a.due, None);
    // Usable, so not in line: 12 + 2 drives count for the bench, but the
    // condition goes by what happened since the look.
    let a = Book::sct()
        .drive(ago(60), 600.0)
        .test(ago(50), 0.05, 0.005)
        .drive(ago(40), 100.0)
        .judged();
    assert!((a.exposure - 14.0).abs() < 1e-9);
    assert_eq!(codes(&a), [DueCode::Journeys]);
    assert!(words(&a).contains("never found collimated"));
    assert_eq!(a.condition, Condition::Usable);
}

// A Newtonian loses its alignment half again as readily: 300 km are 6 drives,
// times 1.5 makes 9; 350 km make 10.5.
#[test]
fn the_designs_share_counts() {
    let book = |km| {
        Book::of(Design::Newtonian)
            .test(ago(30), 0.02, 0.005)
            .drive(ago(20), km)
            .judged()
    };
    assert!((book(300.0).exposure - 9.0).abs() < 1e-9);
    assert_eq!(book(300.0).due, None);
    assert_eq!(codes(&book(350.0)), [DueCode::Journeys]);
}

#[test]
fn months_go_by_the_calendar() {
    assert!((months_between(noon(2026, 1, 12), noon(2026, 10, 12)) - 9.0).abs() < 1e-12);
    // Half of the 31 days after 1 March.
    let half = noon(2026, 3, 1) + Duration::hours(31 * 12);
    assert!((months_between(noon(2026, 2, 1), half) - 1.5).abs() < 1e-12);
    // The last of January, a month on, is the last of February.
    assert!((months_between(noon(2026, 1, 31), noon(2026, 2, 28)) - 1.0).abs() < 1e-12);
    assert_eq!(months_between(noon(2026, 2, 1), noon(2026, 1, 1)), 0.0);
    assert!((months_between(noon(1926, 6, 15), today()) - 1200.0).abs() < 1e-12);
}

#[test]
fn nine_months_without_a_test_are_not_over_nine_and_a_day_more_is() {
    let nine = today().checked_sub_months(Months::new(9)).unwrap();
    assert_eq!(Book::sct().test(nine, 0.02, 0.005).judged().due, None);
    let a = Book::sct()
        .test(nine - Duration::days(1), 0.02, 0.005)
        .judged();
    assert_eq!(codes(&a), [DueCode::Months]);
    assert_eq!(a.condition, Condition::NotChecked);
    assert_eq!(a.as_of, Some(nine - Duration::days(1)));
}

fn with_loans(book: Book, how_many: i64) -> Book {
    (0..how_many).fold(book, |book, n| {
        let from = ago(80 - 5 * n);
        book.loan(from, Some(from + Duration::days(3))).journey(
            from + Duration::days(1),
            JourneyKind::HandCarry,
            None,
            Some(from),
        )
    })
}

#[test]
fn six_loans_without_a_test_are_not_over_six_and_seven_are() {
    let tested = || Book::sct().test(ago(100), 0.02, 0.005);
    assert_eq!(with_loans(tested(), 6).judged().due, None);
    let a = with_loans(tested(), 7).judged();
    assert_eq!(codes(&a), [DueCode::Loans]);
    assert_eq!(a.condition, Condition::NotChecked);
    assert!(words(&a).starts_with("7 loans since its last star test; the limit is 6"));
}

#[test]
fn a_problem_that_asks_for_the_bench_makes_it_due_until_it_is_settled() {
    let good = || Book::sct().test(ago(20), 0.02, 0.005);
    let a = good()
        .problem(ago(3), AsksFor::TheBench, "focuser slips", false)
        .judged();
    assert_eq!(codes(&a), [DueCode::Problem]);
    assert_eq!(a.condition, Condition::NeedsBench);
    assert_eq!(a.as_of, Some(ago(3)));
    assert_eq!(words(&a), "Reported: focuser slips.");
    let a = good()
        .problem(ago(3), AsksFor::TheBench, "focuser slips", true)
        .judged();
    assert_eq!((a.due.clone(), a.condition), (None, Condition::Ready));
}

#[test]
fn a_problem_that_asks_for_a_look_is_noted_and_not_due() {
    let a = Book::sct()
        .test(ago(20), 0.02, 0.005)
        .problem(ago(3), AsksFor::ALook, "some dust", false)
        .problem(ago(2), AsksFor::Nothing, "a scratch on the tube", false)
        .judged();
    assert_eq!((a.due.clone(), a.condition), (None, Condition::Usable));
    assert_eq!(a.reasons, ["Reported: some dust."]);
    assert_eq!(a.as_of, Some(ago(3)));
}

#[test]
fn optics_moved_need_a_test() {
    let book = Book::sct()
        .test(ago(20), 0.12, 0.005)
        .work(ago(10), WorkWhat::Collimation, true);
    let a = book.judged();
    // The old coma stands on the list until a new look says otherwise.
    assert_eq!(codes(&a), [DueCode::Moved, DueCode::Coma]);
    assert_eq!(a.condition, Condition::NotChecked);
    assert_eq!(a.as_of, Some(ago(10)));
    let a = book.test(ago(9), 0.01, 0.005).judged();
    assert_eq!((a.due.clone(), a.condition), (None, Condition::Ready));
    let a = Book::sct()
        .test(ago(20), 0.02, 0.005)
        .work(ago(10), WorkWhat::Cleaning, false)
        .judged();
    assert_eq!(a.due, None);
}

/// Common practice, no source: who did the work does not sign it off.
#[test]
fn work_waits_for_a_second_pair_of_eyes_where_the_club_wants_one() {
    let (doer, other) = (PersonId::fresh(), PersonId::fresh());
    let worked = |what, moved| {
        let book = Book::sct().test(ago(20), 0.02, 0.005).by(doer, true);
        book.work(ago(10), what, moved).by(doer, false)
    };
    let waits = |book: &Book| {
        let a = book.seen_twice();
        assert_eq!(
            a.second_look.is_some(),
            codes(&a).contains(&DueCode::SecondLook)
        );
        (a.second_look.is_some(), a.condition, a.only_second_look)
    };
    let still = (true, Condition::NotChecked, true);
    let done = (false, Condition::Ready, false);
    let mended = || worked(WorkWhat::Repair, false);
    assert_eq!(waits(&mended()), still);
    assert_eq!(mended().judged().condition, Condition::Ready);
    assert_eq!(waits(&worked(WorkWhat::Cleaning, false)), done);
    // Not what was done before the club wanted it.
    let before = Book::sct().work(ago(16), WorkWhat::Repair, false);
    let before = before.by(doer, false).test(ago(14), 0.02, 0.005);
    assert_eq!(waits(&before.by(doer, true)), done);
    // Signed off: by another, and afterwards.
    assert_eq!(waits(&mended().looked_over(ago(9), doer)), still);
    assert_eq!(waits(&mended().looked_over(ago(11), other)), still);
    assert_eq!(waits(&mended().looked_over(ago(9), other)), done);
    // Or found in line by another's star test; not by one's own, nor by a bad one.
    let moved = || worked(WorkWhat::Collimation, true);
    assert_eq!(waits(&moved()), (true, Condition::NotChecked, false));
    let own = moved().test(ago(9), 0.01, 0.005).by(doer, true);
    assert_eq!(waits(&own), still);
    assert_eq!(waits(&own.test(ago(8), 0.01, 0.005).by(other, true)), done);
    let bad = moved().test(ago(9), 0.12, 0.005).by(other, true);
    assert_eq!(waits(&bad), (true, Condition::NeedsBench, false));
    // What stands on a past day is told as of that day.
    let then = mended().looked_over(ago(9), other).history().as_of(ago(10));
    let limits = Limits {
        second_look: Some(ago(15)),
        ..mended().limits()
    };
    assert!(assess(&then, &limits, ago(9)).second_look.is_some());
}

#[test]
fn never_tested_is_due_and_not_known() {
    let a = Book::sct().judged();
    assert_eq!(codes(&a), [DueCode::Untested]);
    assert_eq!((a.condition, a.as_of), (Condition::NotChecked, None));
    // Moved and never tested is one reason, not two.
    let a = Book::sct()
        .work(ago(10), WorkWhat::Collimation, true)
        .judged();
    assert_eq!(codes(&a), [DueCode::Moved]);
}

/// What a page says of one look is what the rules say when nothing has
/// happened since.
#[test]
fn one_look_reads_as_the_rules_read_it() {
    for coma in [0.0, 0.02, 0.036, 0.05, 0.071, 0.0711, 0.3] {
        for sigma in [0.001, 0.02, 0.035, 0.06] {
            let book = Book::sct().test(ago(1), coma, sigma);
            assert_eq!(
                condition_of_look(coma, sigma, &book.limits()),
                book.judged().condition,
                "{coma} ± {sigma}"
            );
        }
    }
}

// ---- loans whose journeys nobody reported ----

// 50 km, one drive, are taken for an untold drive: there and back is two.
#[test]
fn a_loan_nobody_reported_counts_a_drive_there_and_one_back() {
    let tested = || Book::sct().test(ago(100), 0.02, 0.005);
    let a = tested().loan(ago(50), Some(ago(40))).judged();
    assert!((a.exposure - 2.0).abs() < 1e-9);
    assert!((a.exposure_assumed - 2.0).abs() < 1e-9);
    // Still out: it has only gone there.
    let a = tested().loan(ago(50), None).judged();
    assert!((a.exposure - 1.0).abs() < 1e-9);
    // A journey of the loan, or one dated within it, tells enough.
    let told = tested().loan(ago(50), Some(ago(40))).journey(
        ago(1),
        JourneyKind::Car,
        Some(5.0),
        Some(ago(50)),
    );
    assert!((told.judged().exposure - 0.3).abs() < 1e-9);
    let within = tested().loan(ago(50), Some(ago(40))).drive(ago(45), 100.0);
    assert!((within.judged().exposure - 2.0).abs() < 1e-9);
    // One of another loan does not.
    let other = tested().loan(ago(50), Some(ago(40))).journey(
        ago(45),
        JourneyKind::Car,
        Some(50.0),
        Some(ago(90)),
    );
    assert!((other.judged().exposure - 3.0).abs() < 1e-9);
}

#[test]
fn a_test_in_the_middle_of_a_loan_leaves_the_drive_home() {
    let a = Book::sct()
        .loan(ago(50), Some(ago(40)))
        .test(ago(45), 0.02, 0.005)
        .judged();
    assert!((a.exposure - 1.0).abs() < 1e-9);
    // The test at the check-in itself comes after the drive home, one at the
    // lend before the drive there.
    let a = Book::sct()
        .loan(ago(50), Some(ago(40)))
        .test(ago(40), 0.02, 0.005)
        .judged();
    assert_eq!(a.exposure, 0.0);
    let a = Book::sct()
        .test(ago(50), 0.02, 0.005)
        .loan(ago(50), Some(ago(40)))
        .judged();
    assert!((a.exposure - 2.0).abs() < 1e-9);
}

#[test]
fn assumed_drives_are_said_to_be_assumed() {
    let mut book = Book::of(Design::Newtonian).test(ago(200), 0.02, 0.005);
    for n in 0..5 {
        let from = ago(150 - 20 * n);
        book = book.loan(from, Some(from + Duration::days(7)));
    }
    // 5 x 2 x 1.5 = 15 drives over 10; 5 loans over 4.
    let a = book.judged();
    assert!((a.exposure - 15.0).abs() < 1e-9);
    assert_eq!(codes(&a), [DueCode::Journeys, DueCode::Loans]);
    assert!(
        words(&a).contains("Of that, 15 is assumed for 5 loans whose journeys nobody reported"),
        "{}",
        words(&a)
    );
}

// ---- order ----

#[test]
fn the_order_in_which_entries_arrive_does_not_matter() {
    let parts: [fn(Book) -> Book; 4] = [
        |b| b.test(ago(50), 0.02, 0.005),
        |b| b.drive(ago(60), 600.0),
        |b| b.drive(ago(40), 150.0),
        |b| b.test(ago(90), 0.12, 0.01),
    ];
    let mut seen = Vec::new();
    for order in [[0, 1, 2, 3], [3, 2, 1, 0], [2, 0, 3, 1], [1, 3, 0, 2]] {
        let book = order.iter().fold(Book::sct(), |b, &i| parts[i](b));
        let a = book.judged();
        seen.push((a.condition, a.exposure, a.as_of, a.due.clone()));
    }
    assert!(seen.windows(2).all(|w| w[0] == w[1]), "{seen:?}");
    assert!((seen[0].1 - 3.0).abs() < 1e-9);
}

/// At one instant, what was told first happened first.
#[test]
fn on_the_same_instant_the_order_of_telling_decides() {
    let day = ago(5);
    let with = |journey_told: At, test_told: At| {
        let mut book = Book::sct().drive(day, 600.0).test(day, 0.02, 0.005);
        let journey = book.logbook.journeys[0].entry_id;
        let test = book.logbook.tests[0].entry_id;
        book.told(journey, journey_told, None);
        book.told(test, test_told, None);
        book.judged().exposure
    };
    let later = |hours| day + Duration::hours(hours);
    assert_eq!(with(later(1), later(2)), 0.0);
    assert!((with(later(2), later(1)) - 12.0).abs() < 1e-9);
}

/// A correction keeps the place of what it corrects: the journey told before
/// the test stays before it although its correction was written after.
#[test]
fn a_correction_keeps_its_place() {
    let day = ago(5);
    let mut book = Book::sct().drive(day, 600.0).test(day, 0.02, 0.005);
    let test = book.logbook.tests[0].entry_id;
    book.told(test, day + Duration::hours(2), None);
    let corrected = EntryId::fresh();
    let first = book.logbook.journeys[0].entry_id;
    book.logbook.journeys[0].entry_id = corrected;
    book.tellings.insert(
        corrected,
        Telling {
            entry_id: corrected,
            first_told: day + Duration::hours(1),
            first_entry: first,
            first_by: PersonId::fresh(),
            loan_from: None,
        },
    );
    assert_eq!(book.judged().exposure, 0.0);
}

// ---- wrong clocks and absurd values ----

#[test]
fn nothing_happened_after_it_was_told() {
    // A test dated next year but written down 50 days ago counts from then.
    let mut book = Book::sct()
        .test(today() + Duration::days(365), 0.02, 0.005)
        .drive(ago(20), 600.0);
    let test = book.logbook.tests[0].entry_id;
    book.told(test, ago(50), None);
    let a = book.judged();
    assert_eq!(codes(&a), [DueCode::Journeys]);
    assert!((a.exposure - 12.0).abs() < 1e-9);
}

#[test]
fn an_entry_ahead_of_today_is_set_aside_and_named() {
    let a = Book::sct()
        .test(ago(20), 0.12, 0.005)
        .test(noon(2031, 3, 4), 0.01, 0.005)
        .judged();
    assert_eq!(codes(&a), [DueCode::Coma, DueCode::Ahead]);
    assert_eq!(a.condition, Condition::NeedsBench);
    assert!(words(&a).contains("4 March 2031"), "{}", words(&a));
    // A problem counts whatever its date.
    let a = Book::sct()
        .test(ago(20), 0.01, 0.005)
        .problem(noon(2031, 3, 4), AsksFor::TheBench, "mirror loose", false)
        .judged();
    assert_eq!(codes(&a), [DueCode::Problem, DueCode::Ahead]);
    // A clock a few minutes fast is no matter.
    let a = Book::sct()
        .test(today() + Duration::minutes(5), 0.01, 0.005)
        .judged();
    assert_eq!(a.due, None);
}

#[test]
fn decades_and_absurd_values_stay_finite() {
    let a = Book::sct()
        .test(noon(1950, 1, 1), 1e6, 1e-9)
        .journey(
            noon(1951, 1, 1),
            JourneyKind::RoughRoad,
            Some(40_000.0),
            None,
        )
        .judged();
    let due = a.due.clone().unwrap();
    assert!(due.urgency.is_finite() && due.urgency < 11.0);
    assert_eq!(
        codes(&a),
        [DueCode::Coma, DueCode::Journeys, DueCode::Months]
    );
}

// ---- the Sun's own ----

#[test]
fn an_instrument_for_the_sun_takes_no_star_test() {
    // Nobody has looked it over yet: that is not told as ready.
    let a = Book::of(Design::Solar).judged();
    assert_eq!((a.due.clone(), a.condition), (None, Condition::NotChecked));
    // Not even one that someone logged by mistake.
    let a = Book::of(Design::Solar).test(ago(5), 0.5, 0.01).judged();
    assert_eq!((a.due.clone(), a.last_test), (None, None));
    let a = Book::of(Design::Solar)
        .problem(ago(2), AsksFor::TheBench, "filter scratched", false)
        .judged();
    assert_eq!(a.condition, Condition::NeedsBench);
}

#[test]
fn a_knock_sends_an_instrument_for_the_sun_to_the_bench() {
    let knocked = || Book::of(Design::Solar).journey(ago(10), JourneyKind::KnockOrDrop, None, None);
    let a = knocked().judged();
    assert_eq!(codes(&a), [DueCode::Knock]);
    assert_eq!(
        (a.condition, a.as_of),
        (Condition::NeedsBench, Some(ago(10)))
    );
    let a = knocked().work(ago(4), WorkWhat::Inspection, false).judged();
    assert_eq!((a.due.clone(), a.condition), (None, Condition::Ready));
    assert_eq!(a.as_of, Some(ago(4)));
}

#[test]
fn a_look_over_at_the_bench_stands_in_for_the_star_test() {
    // 24 months without the bench are the limit.
    let a = Book::of(Design::Solar)
        .work(noon(2024, 6, 14), WorkWhat::Inspection, false)
        .judged();
    assert_eq!(codes(&a), [DueCode::Months]);
    assert!(
        words(&a).contains("look over at the bench"),
        "{}",
        words(&a)
    );
}

// ---- urgency ----

// Weightiest whole, each further one a tenth.
#[test]
fn further_reasons_add_a_tenth_each_and_wear_counts_two_and_a_half_at_most() {
    // 142/71 = 2 for the coma; 60 months of 9 would be 6.7, capped at 2.5;
    // 100 drives of 10 likewise.
    let a = Book::sct()
        .test(noon(2021, 6, 15), 0.142, 0.01)
        .drive(noon(2022, 1, 1), 5000.0)
        .judged();
    assert_eq!(
        codes(&a),
        [DueCode::Journeys, DueCode::Months, DueCode::Coma]
    );
    assert!((a.due.unwrap().urgency - 2.7).abs() < 1e-9);
    // A problem that asks for the bench presses more than any wear.
    let a = Book::sct()
        .test(noon(2021, 6, 15), 0.02, 0.01)
        .problem(ago(1), AsksFor::TheBench, "cell loose", false)
        .judged();
    assert_eq!(codes(&a), [DueCode::Problem, DueCode::Months]);
    assert!((a.due.unwrap().urgency - 3.1).abs() < 1e-9);
}
