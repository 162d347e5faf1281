//! The due list: what page, file and command line all show, made in one place.

use std::collections::HashMap;

use chrono::NaiveDate;
use serde::Serialize;

use super::rules::{DueReason, Reading};
use super::shelf;
use crate::library::club::Club;
use crate::library::instruments::{Design, State};
use crate::library::loans::{Loan, Which};
use crate::library::star_tests::Method;
use crate::library::{Conn, Moment, Result};

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
    /// Those due that pass the filter, most urgent first; equal ones by tag.
    pub due: Vec<DueRow>,
    /// Places of what is due, for the filter.
    #[serde(skip)]
    pub places: Vec<String>,
    /// Designs of what is due, for the filter.
    #[serde(skip)]
    pub designs: Vec<Design>,
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
    /// in-line, usable, bench-first or not-known.
    pub reading: Reading,
    /// What the list is sorted by.
    pub urgency: f64,
    /// Why, the weightiest first: code, words, weight.
    pub reasons: Vec<DueReason>,
    /// The last star test; none when there never was one.
    pub last_test: Option<TestSummary>,
    /// Exposure since it was last found in line, ordinary drives (50 km by car).
    pub exposure_drives: f64,
    /// The part of it assumed for loans whose journeys nobody reported.
    pub exposure_assumed_drives: f64,
    /// How many people wait for it.
    pub waiting: usize,
}

/// A star test in short.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TestSummary {
    /// The day, in the club's zone.
    pub on: NaiveDate,
    /// by-eye or from-frames.
    pub method: Method,
    /// RMS coma over the full circle, waves at 550 nm.
    pub coma_rms_waves: f64,
    /// Its 1-sigma.
    pub coma_rms_waves_sigma: f64,
}

/// Makes the list.
pub async fn due_list(
    conn: &mut Conn,
    club: &Club,
    filter: &Filter,
    now: Moment,
) -> Result<DueList> {
    let rows = shelf(conn, now).await?;
    let instruments = rows.len();
    let open = Which {
        open: true,
        ..Which::default()
    };
    let back_by: HashMap<_, _> = Loan::list(conn, open)
        .await?
        .into_iter()
        .map(|l| (l.instrument_id, l.due_on))
        .collect();
    let today = club.date(now);
    let mut due: Vec<DueRow> = rows
        .into_iter()
        .filter_map(|row| {
            let a = row.assessment;
            let verdict = a.due?;
            let i = row.instrument;
            let state = i.state();
            let back_by = back_by
                .get(&i.id)
                .copied()
                .filter(|_| state == State::OnLoan);
            Some(DueRow {
                rank: 0,
                state,
                back_by,
                overdue: back_by.is_some_and(|b| b < today),
                tag: i.particulars.tag,
                name: i.particulars.name,
                design: i.particulars.design,
                aperture_mm: i.particulars.aperture_mm,
                place: i.particulars.place,
                reading: a.reading,
                urgency: verdict.urgency,
                reasons: verdict.reasons,
                last_test: a.last_test.map(|t| TestSummary {
                    on: club.date(t.at),
                    method: t.method,
                    coma_rms_waves: t.coma_rms_waves,
                    coma_rms_waves_sigma: t.coma_rms_waves_sigma,
                }),
                exposure_drives: a.exposure,
                exposure_assumed_drives: a.exposure_assumed,
                waiting: row.waiting,
            })
        })
        .collect();
    sort(&mut due);
    let mut places: Vec<String> = due.iter().map(|r| r.place.clone()).collect();
    places.sort();
    places.dedup();
    let mut designs: Vec<Design> = due.iter().map(|r| r.design).collect();
    designs.sort();
    designs.dedup();
    let due_in_all = due.len();
    due.retain(|row| filter.passes(row));
    Ok(DueList {
        club: club.name.clone(),
        made_at: now,
        instruments,
        due_in_all,
        due,
        places,
        designs,
    })
}

/// Sorts by urgency, equal ones by tag, and numbers them.
fn sort(due: &mut [DueRow]) {
    due.sort_by(|a, b| {
        b.urgency
            .total_cmp(&a.urgency)
            .then_with(|| a.tag.to_lowercase().cmp(&b.tag.to_lowercase()))
    });
    for (row, rank) in due.iter_mut().zip(1..) {
        row.rank = rank;
    }
}
