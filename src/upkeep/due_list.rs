//! The due list: what page, file and command line all show, made in one place.

use std::sync::Arc;

use chrono::NaiveDate;
use serde::Serialize;

use super::assessment::{Assessment, Condition, DueCode, DueReason};
use super::drift::forecast::{Call, Flag, Forecast, Sharp};
use super::drift::from_history::day_of;
use super::drift::plan::{Need, Waited, press};
use super::figures::trimmed;
use super::shelf::Member;
use super::snapshot::Snapshot;
use library::Moment;
use library::barrel_checks::Way;
use library::club::Club;
use library::instruments::{Design, State};
use library::star_tests::Method;
use library::waits::WantsItFor;
use optics::barrels::Verdict;

/// Which instruments to list; `None` lists all.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Of this design.
    pub design: Option<Design>,
    /// That live at this place.
    pub place: Option<String>,
    /// That are there now.
    pub state: Option<State>,
}

impl Filter {
    /// Whether everything passes.
    pub fn is_open(&self) -> bool {
        *self == Self::default()
    }

    fn passes(&self, row: &DueRow) -> bool {
        self.design.is_none_or(|d| d == row.design)
            && self.place.as_ref().is_none_or(|p| *p == row.place)
            && self.state.is_none_or(|s| s == row.state)
    }
}

/// The instruments that are due, the most urgent first. As JSON this is what
/// `/due.json` and `tubewright due --json` give; names hold their units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DueList {
    /// The club's name.
    pub club: String,
    /// When the list was made, UTC (RFC 3339).
    pub made_at: Moment,
    /// How many instruments the shelf holds, retired ones not counted.
    pub instruments: usize,
    /// How many of them are due, before any filter.
    pub due_in_all: usize,
    /// Whether the order goes by chance, need and wait; else by how far each is
    /// past its limits, because the chances have not foretold the club's own past
    /// better than the limits did, or it is too short to tell.
    pub ordered_by_chance: bool,
    /// The coming day looked ahead to (club's zone).
    pub coming: Option<NaiveDate>,
    /// Those due that pass the filter, most urgent first; equal ones by tag.
    pub due: Vec<DueRow>,
    /// Within every set limit, and yet likelier out of line than in; they pass
    /// the filter, the likeliest first, and are not counted as due.
    pub likely_out: Vec<DueRow>,
    /// Places of what is due, for the filter.
    #[serde(skip)]
    pub places: Vec<String>,
    /// Designs of what is due, for the filter.
    #[serde(skip)]
    pub designs: Vec<Design>,
    /// Where each that is due is, before any filter.
    #[serde(skip)]
    pub states: Vec<State>,
}

/// One instrument that is due. It never says who has it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DueRow {
    /// Its place in the whole list, from 1.
    pub rank: usize,
    /// The club's short code.
    pub tag: String,
    /// Name by design and size.
    pub name: String,
    /// Design, by its word in addresses.
    pub design: Design,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Where it lives when at home; may be empty.
    pub place: String,
    /// Where it is: on-shelf, on-loan, held or at-bench.
    pub state: State,
    /// The day it is due back (club's zone), while on loan.
    pub back_by: Option<NaiveDate>,
    /// Whether that day has passed.
    pub overdue: bool,
    /// ready, usable, needs-bench or not-checked.
    pub condition: Condition,
    /// How far it is past its limits; see the words below the list.
    pub urgency: f64,
    /// How much it presses: chance of trouble, times what the next loan needs,
    /// times how long it has waited.
    pub press: f64,
    /// What is foreseen of it; none for what takes no star test.
    pub foreseen: Option<Foreseen>,
    /// What the next loan needs.
    pub next_loan: Need,
    /// For how many days (club's calendar) the first in line has waited.
    pub waited_days: i64,
    /// For how many days (club's calendar) it has been due itself, as far as its logbook tells.
    pub due_days: i64,
    /// Why, the weightiest first: code, words, weight.
    pub reasons: Vec<DueReason>,
    /// The last star test; none when there never was one.
    pub last_test: Option<TestSummary>,
    /// The last barrel check of a binocular; none when there never was one.
    pub last_barrel_check: Option<BarrelSummary>,
    /// Exposure since it was last found in line, ordinary drives (50 km by car).
    pub exposure_drives: f64,
    /// The part of it assumed for loans whose journeys nobody reported.
    pub exposure_assumed_drives: f64,
    /// Its limit, ordinary drives.
    #[serde(skip)]
    pub exposure_limit_drives: f64,
    /// How many people wait for it.
    pub waiting: usize,
}

/// A star test in short.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TestSummary {
    /// The day, in the club's zone.
    pub on: NaiveDate,
    /// by-eye, from-frames or by-phone.
    pub method: Method,
    /// RMS coma over the full circle, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// Its 1-sigma.
    pub coma_rms_waves_sigma: f64,
}

/// A barrel check in short.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BarrelSummary {
    /// The day, in the club's zone.
    pub on: NaiveDate,
    /// by-eye or by-pictures.
    pub way: Way,
    /// fine, cannot-tell, may-strain or needs-bench.
    pub verdict: Verdict,
    /// The worst angle at the eye over what eyes accept of it.
    pub times_accepted: f64,
}

/// What the model says of one instrument, its figures with their units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Foreseen {
    /// Chance that coma is over its limit today, 0 to 1.
    pub chance_out: f64,
    /// The same on the coming day.
    pub chance_out_coming: Option<f64>,
    /// Coma below which it lies with 5, 25, 50, 75 and 95 chances in 100, waves RMS.
    pub coma_rms_waves: [f64; 5],
    /// Its limit, waves RMS.
    pub limit_rms_waves: f64,
    /// What a borrower is likely to see; none where the magnification is fixed.
    pub sharp: Option<Sharp>,
    /// Days until it should be looked at again; 0 now, none for years.
    pub look_again_days: Option<f64>,
    /// How much a look would tell.
    pub call: Call,
    /// What it shows itself to be, with the evidence.
    pub flags: Vec<Flag>,
    /// In words, for the list.
    pub words: Vec<String>,
    /// The numbers behind them.
    pub numbers: Vec<String>,
}

impl Foreseen {
    /// From a forecast, looking so many days ahead; binoculars have a fixed
    /// magnification.
    pub fn of(
        forecast: &Forecast,
        design: Design,
        limit_rms_waves: f64,
        days_ahead: Option<f64>,
    ) -> Self {
        let sharp = (design != Design::Binocular).then_some(forecast.sharp);
        Self {
            chance_out: rounded(forecast.chance, 4),
            chance_out_coming: days_ahead.map(|days| rounded(forecast.chance_after(days), 4)),
            coma_rms_waves: forecast.coma.map(|c| rounded(c, 4)),
            limit_rms_waves,
            sharp: sharp.map(|s| Sharp {
                about: rounded(s.about, 1),
                from: rounded(s.from, 1),
                to: rounded(s.to, 1),
                in_line: rounded(s.in_line, 1),
                expected_loss: rounded(s.expected_loss, 3),
                loss_after_bench: rounded(s.loss_after_bench, 3),
            }),
            look_again_days: forecast.look_again_days().map(f64::round),
            call: Call {
                now: rounded(forecast.call.now, 3),
                after_look: rounded(forecast.call.after_look, 3),
            },
            flags: forecast.flags.clone(),
            words: words(forecast, sharp),
            numbers: numbers(forecast, limit_rms_waves),
        }
    }
}

fn rounded(x: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (x * scale).round() / scale
}

/// "about 62 in 100", and never sure of anything.
pub fn in_100(chance: f64) -> String {
    match (chance * 100.0).round() as i64 {
        ..1 => "less than 1 in 100".to_owned(),
        100.. => "more than 99 in 100".to_owned(),
        n => format!("about {n} in 100"),
    }
}

/// Magnifications to the next ten, small ones to the next five.
fn about(magnification: f64) -> String {
    let step = if magnification < 60.0 { 5.0 } else { 10.0 };
    format!("{}\u{d7}", (magnification / step).round() * step)
}

fn words(forecast: &Forecast, sharp: Option<Sharp>) -> Vec<String> {
    let mut words = vec![format!(
        "Chance that it is out of collimation today: {}.",
        in_100(forecast.chance)
    )];
    if let Some(s) = sharp {
        let (middle, low, high) = (about(s.about), about(s.from), about(s.to));
        let range = if low == high {
            String::new()
        } else {
            format!(", likely between {low} and {high}")
        };
        words.push(format!("Planets soft above about {middle}{range}."));
    }
    if forecast.looks == 0 {
        words.push(match forecast.kind_known_from {
            (0, _) => "Never tested, nor was any of its design: judged by what is commonly believed of it.".to_owned(),
            (looks, instruments) => format!(
                "Never tested: judged by {} at {} of its design.",
                counted(looks, "look"),
                counted(instruments, "instrument")
            ),
        });
    }
    words.extend(forecast.flags.iter().map(|f| format!("{}.", f.title)));
    words
}

/// "1 look", "3 looks".
fn counted(n: usize, what: &str) -> String {
    if n == 1 {
        format!("1 {what}")
    } else {
        format!("{n} {what}s")
    }
}

fn numbers(forecast: &Forecast, limit: f64) -> Vec<String> {
    let [low, quarter, middle, three, high] = forecast.coma;
    let mut numbers = vec![format!(
        "Coma today about {middle:.3} waves RMS: as likely as not between {quarter:.3} and {three:.3}, nine times in ten between {low:.3} and {high:.3}; its limit is {}.",
        trimmed(limit, 3)
    )];
    for push in forecast.pushes.iter().filter(|p| p.waves >= 0.0005) {
        numbers.push(format!(
            "Since its last star test or collimation: {} times {}, which moves it by about {:.3} waves.",
            trimmed(push.units, 1),
            push.cause.unit_words(),
            push.waves
        ));
    }
    if forecast.looks > 1 {
        numbers.push(format!(
            "It moves {} times as far as its kind on average, from {} looks.",
            trimmed(forecast.beside_kind, 1),
            forecast.looks
        ));
    }
    numbers.extend(forecast.flags.iter().map(|f| f.evidence.clone()));
    if let Some(s) = Some(forecast.sharp) {
        numbers.push(format!(
            "Collimated, it bears {}; {} % of that is likely lost now, {} % after the bench.",
            about(s.in_line),
            trimmed(s.expected_loss * 100.0, 0),
            trimmed(s.loss_after_bench * 100.0, 0)
        ));
    }
    numbers
}

/// The whole list as of this minute, made once for all who ask.
pub fn whole_due_list(snapshot: &Snapshot, club: &Club, now: Moment) -> Arc<DueList> {
    snapshot.within_the_minute(now, || {
        due_list(snapshot, club, &Filter::default(), None, now)
    })
}

/// Makes the list. `coming` is a later day to look ahead to.
pub fn due_list(
    snapshot: &Snapshot,
    club: &Club,
    filter: &Filter,
    coming: Option<NaiveDate>,
    now: Moment,
) -> DueList {
    let coming_at = coming
        .and_then(|day| noon_of(club, day))
        .filter(|c| *c > now);
    let fleet = &snapshot.fleet;
    let trusted = snapshot.is_trusted();
    let (mut due, mut likely_out) = (Vec::new(), Vec::new());
    for (member, shelved) in fleet.members.iter().zip(snapshot.shelf(now).iter()) {
        let assessment = &shelved.assessment;
        let is_due = assessment.due.is_some();
        let forecast = snapshot.forecast(member.instrument.id);
        let is_likely = trusted && forecast.is_some_and(|f| f.chance >= LIKELY_OUT);
        if !is_due && !is_likely {
            continue;
        }
        let days_ahead = coming_at.map(|at| day_of(at) - snapshot.today);
        let row = row(member, assessment.clone(), forecast, days_ahead, club, now);
        if is_due { &mut due } else { &mut likely_out }.push(row);
    }
    sort(&mut due, trusted);
    sort(&mut likely_out, true);
    let mut places: Vec<String> = due.iter().map(|r| r.place.clone()).collect();
    places.sort();
    places.dedup();
    let mut designs: Vec<Design> = due.iter().map(|r| r.design).collect();
    designs.sort();
    designs.dedup();
    let states = due.iter().map(|r| r.state).collect();
    let due_in_all = due.len();
    due.retain(|row| filter.passes(row));
    likely_out.retain(|row| filter.passes(row));
    DueList {
        club: club.name.clone(),
        made_at: now,
        instruments: fleet.members.len(),
        due_in_all,
        ordered_by_chance: trusted,
        coming: coming.filter(|_| coming_at.is_some()),
        due,
        likely_out,
        places,
        designs,
        states,
    }
}

/// Noon of a day in the club's zone.
pub fn noon_of(club: &Club, day: NaiveDate) -> Option<Moment> {
    let noon = day.and_hms_opt(12, 0, 0)?;
    let there = noon.and_local_timezone(club.tz()).earliest()?;
    Some(there.with_timezone(&chrono::Utc))
}

/// From this chance on an instrument within its limits is listed apart.
pub const LIKELY_OUT: f64 = 0.5;

fn row(
    member: &Member,
    a: Assessment,
    forecast: Option<&Forecast>,
    days_ahead: Option<f64>,
    club: &Club,
    now: Moment,
) -> DueRow {
    let i = &member.instrument;
    let state = i.state();
    let back_by = member.back_by.filter(|_| state == State::OnLoan);
    let limit = a.limits.coma_bench.value;
    let mut foreseen = forecast.map(|f| Foreseen::of(f, i.design, limit, days_ahead));
    let due_days = due_days(&a, club, now);
    let (urgency, reasons) = a.due.map_or((0.0, Vec::new()), |d| (d.urgency, d.reasons));
    let (next_loan, waited_days) = next_loan(member, club, now);
    let waited = Waited {
        person_days: waited_days as f64,
        due_days: due_days as f64,
    };
    let trouble = chance_of_trouble(forecast.map(|o| o.chance), reasons.iter().map(|r| r.code));
    let pressing = press(trouble, next_loan, waited);
    if let Some(f) = &mut foreseen {
        f.numbers.push(format!(
            "Its place: chance of trouble {trouble:.2}, times {} for what the next loan needs, times {:.2} for {} days of people waiting and {} days of being due, makes {pressing:.2}.",
            next_loan.weight(),
            waited.weight(),
            waited_days,
            due_days
        ));
    }
    DueRow {
        rank: 0,
        tag: i.tag.clone(),
        name: i.name.clone(),
        design: i.design,
        aperture_mm: i.aperture_mm,
        place: i.place.clone(),
        state,
        overdue: back_by.is_some_and(|b| b < club.date(now)),
        back_by,
        condition: a.condition,
        urgency,
        press: rounded(pressing, 4),
        foreseen,
        next_loan,
        waited_days,
        due_days,
        reasons,
        last_test: a.last_test.map(|t| TestSummary {
            on: club.date(t.at),
            method: t.method,
            coma_rms_waves: t.coma_rms_waves,
            coma_rms_waves_sigma: t.coma_rms_waves_sigma,
        }),
        last_barrel_check: a.last_barrels.map(|b| BarrelSummary {
            on: club.date(b.at),
            way: b.way,
            verdict: b.judged.verdict,
            times_accepted: rounded(b.judged.worst.value, 2),
        }),
        exposure_drives: a.exposure,
        exposure_assumed_drives: a.exposure_assumed,
        exposure_limit_drives: a.limits.exposure.value,
        waiting: member.waiting,
    }
}

/// For how many days it has been due, as far as its logbook tells.
pub fn due_days(assessment: &Assessment, club: &Club, now: Moment) -> i64 {
    let since = assessment.due.as_ref().and_then(|d| d.since);
    since.map_or(0, |s| club.days_between(s, now))
}

/// How the order comes about when it goes by chance.
pub const PRESS_WORDS: &str = "What presses most stands first: the chance that something is wrong, times what the next loan needs \
     (Moon and planets 1.5, anything 1, nobody waiting 0.8, wide fields 0.5), times how long things have waited (twice as much once the first in line has waited 60 days, and half as much again once it has been due for 180). \
     What is due by a set limit is always on this list, whatever its chance; a problem that asks for the bench, barrels over their limit, or a knock to one of the Sun's own, \
     counts as nine chances in ten.";

/// Sorts by what presses or by urgency, equal ones by tag, and numbers them.
fn sort(due: &mut [DueRow], by_chance: bool) {
    due.sort_by(|a, b| {
        let first = if by_chance {
            b.press.total_cmp(&a.press)
        } else {
            b.urgency.total_cmp(&a.urgency)
        };
        first
            .then(b.urgency.total_cmp(&a.urgency))
            .then_with(|| a.tag.to_lowercase().cmp(&b.tag.to_lowercase()))
    });
    for (row, rank) in due.iter_mut().zip(1..) {
        row.rank = rank;
    }
}

/// What the next loan of a member needs, and for how many days it has been
/// waited for.
pub fn next_loan(member: &Member, club: &Club, now: Moment) -> (Need, i64) {
    member
        .next_loan
        .map_or((Need::Nobody, 0), |(wants, since)| {
            let need = match wants {
                WantsItFor::Planets => Need::Planets,
                WantsItFor::WideField => Need::WideField,
                WantsItFor::Anything => Need::Anything,
            };
            (need, club.days_between(since, now))
        })
}

/// Chance of trouble that a reason carries which says nothing of coma: common
/// practice, no source.
pub fn trouble_of(code: DueCode) -> f64 {
    match code {
        DueCode::Problem | DueCode::Barrels | DueCode::Knock => 0.9,
        DueCode::Ahead | DueCode::SecondLook => 0.2,
        _ => 0.0,
    }
}

/// Chance that something is wrong: out of line, or what the other reasons say.
/// `chance_out` is none for what takes no star test; then its reasons stand for
/// one chance in three.
fn chance_of_trouble(chance_out: Option<f64>, codes: impl Iterator<Item = DueCode>) -> f64 {
    let other = codes.map(trouble_of).fold(0.0, f64::max);
    let out = chance_out.unwrap_or(1.0 / 3.0);
    1.0 - (1.0 - out) * (1.0 - other)
}
