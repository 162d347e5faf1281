//! Loans, open and past.

use std::collections::{HashMap, HashSet};

use chrono::{Days, NaiveDate};
use library::club::Club;
use library::instruments::Status;
use library::intake::{BroughtLoan, Known};
use library::loan_periods;
use library::things::Sort;
use library::{InstrumentId, LoanId, PersonId};

use super::{Fault, Line, Planner, Row, Taken};
use crate::cells::cell_name;
use crate::fields::{Field, Kind};

/// Where in the lists a brought loan stands.
pub(super) struct Stands {
    sheet: String,
    cell: String,
}

/// The loans there are: of what, to whom, and from which day on.
pub(super) struct Lent(HashSet<(InstrumentId, PersonId, NaiveDate)>);

impl Lent {
    pub(super) fn of(known: &Known, club: &Club) -> Self {
        let loans = known.loans.iter();
        let keys = loans.map(|l| (l.instrument, l.borrower, club.date(l.lent_at)));
        Self(keys.collect())
    }
}

impl Planner<'_> {
    pub(super) fn loan(&mut self, line: Line<'_>) -> Taken<Row> {
        // All of a row's cells are looked at, so that one look shows all that is wrong.
        let instrument = self.thing_of(line);
        let lent = self.needed_day(line, Field::Lent);
        let due = self.day(line, Field::Due, true);
        let returned = self.day(line, Field::Returned, false);
        let borrower = self.person_named(line, Field::Borrower);
        let (instrument, lent, due, returned, borrower) =
            (instrument?, lent?, due?, returned?, borrower?);
        if returned.is_some_and(|back| back < lent) {
            return self.fault(
                line,
                Field::Returned,
                "It came back before it went out. Correct one of the two days.",
            );
        }
        if due.is_some_and(|due| due < lent) {
            return self.fault(
                line,
                Field::Due,
                "It is due before it went out. Correct one of the two days.",
            );
        }
        let tag = self.things.tag(instrument).to_owned();
        let lent_at = self.moment(lent, 13);
        let key = (instrument, borrower, lent);
        if self.lent.0.contains(&key) {
            return Ok(Row::Known);
        }
        if returned.is_none() {
            if self.people.has_left(borrower) {
                let words = format!(
                    "{} has left, and {tag} is still out to them by this row. Write when it came back.",
                    self.name_of(borrower)
                );
                return self.fault(line, Field::Borrower, words);
            }
            let status = self.things.thing(instrument).map(|t| t.status);
            if let Some(status @ (Status::Retired | Status::Missing)) = status {
                let words =
                    format!("{tag} is {status} and cannot be out. Write when it came back.");
                return self.fault(line, Field::Tag, words);
            }
        }
        let sort = self.things.thing(instrument).map(|t| t.sort);
        let due_on = due.unwrap_or_else(|| {
            let days = match sort {
                Some(sort) => {
                    loan_periods::days_among(&self.known.periods, self.club, instrument, sort)
                }
                None => self.club.loan_days,
            };
            let days = u64::try_from(days).unwrap_or(28);
            lent.checked_add_days(Days::new(days)).unwrap_or(lent)
        });
        // Its way back is before the next one's way out on the same day.
        let returned_at = returned.map(|back| {
            let hour = if back == lent { 14 } else { 12 };
            self.moment(back, hour).max(lent_at)
        });
        let kit = match (returned, self.things.thing(instrument)) {
            (None, Some(thing)) => thing.kit.iter().map(|(id, _)| *id).collect(),
            _ => Vec::new(),
        };
        let is_instrument = matches!(sort, Some(Sort::Design(_)));
        let note = self.note(line);
        self.lent.0.insert(key);
        self.plan.batch.loans.push(BroughtLoan {
            id: LoanId::fresh(),
            instrument,
            is_instrument,
            borrower,
            lent_at,
            due_on,
            returned_at,
            note: format!("{note} Brought from a list.").trim().to_owned(),
            kit,
        });
        self.note_where(line);
        Ok(Row::Added)
    }

    fn note_where(&mut self, line: Line<'_>) {
        let column = line.column(Field::Lent).unwrap_or(0);
        self.things_lent.push(Stands {
            sheet: line.sheet.words(),
            cell: cell_name(line.row, column),
        });
    }

    /// Two loans of one thing cannot be out at the same time.
    pub(super) fn settle_loans(&mut self) {
        struct Span {
            lent: NaiveDate,
            back: Option<NaiveDate>,
            borrower: PersonId,
            /// Its place among the brought ones.
            brought: Option<usize>,
        }
        let mut spans: HashMap<InstrumentId, Vec<Span>> = HashMap::new();
        for loan in &self.known.loans {
            spans.entry(loan.instrument).or_default().push(Span {
                lent: self.club.date(loan.lent_at),
                back: loan.returned_at.map(|at| self.club.date(at)),
                borrower: loan.borrower,
                brought: None,
            });
        }
        for (at, loan) in self.plan.batch.loans.iter().enumerate() {
            spans.entry(loan.instrument).or_default().push(Span {
                lent: self.club.date(loan.lent_at),
                back: loan.returned_at.map(|at| self.club.date(at)),
                borrower: loan.borrower,
                brought: Some(at),
            });
        }
        let mut wrong: Vec<(usize, String)> = Vec::new();
        for (instrument, spans) in &mut spans {
            if spans.iter().all(|s| s.brought.is_none()) {
                continue;
            }
            spans.sort_by_key(|s| (s.lent, s.back.is_none(), s.back));
            let mut longest: Option<&Span> = None;
            for span in spans.iter() {
                if let Some(before) = longest
                    && before.back.is_none_or(|back| back > span.lent)
                    && let Some(at) = span.brought.or(before.brought)
                {
                    let tag = self.things.tag(*instrument);
                    let words = match before.back {
                        None => format!(
                            "{tag} went out to {} on {} and has no day of coming back, so it cannot go out again on {}. Write when it came back.",
                            self.name_of(before.borrower),
                            library::day(before.lent),
                            library::day(span.lent)
                        ),
                        Some(back) => format!(
                            "{tag} was with {} until {}, so it cannot go out on {}. Correct one of the two days.",
                            self.name_of(before.borrower),
                            library::day(back),
                            library::day(span.lent)
                        ),
                    };
                    wrong.push((at, words));
                }
                let ends_later = |than: &Span| match (span.back, than.back) {
                    (_, None) => false,
                    (None, Some(_)) => true,
                    (Some(a), Some(b)) => a > b,
                };
                if longest.is_none_or(ends_later) {
                    longest = Some(span);
                }
            }
        }
        wrong.sort_by_key(|(at, _)| *at);
        wrong.dedup_by_key(|(at, _)| *at);
        let count = self.plan.counts.entry(Kind::Loans).or_default();
        count.added -= wrong.len().min(count.added);
        count.faulty += wrong.len();
        for (at, words) in wrong.into_iter().rev() {
            let stands = &self.things_lent[at];
            self.plan.faults.push(Fault {
                sheet: stands.sheet.clone(),
                cell: stands.cell.clone(),
                words,
            });
            self.plan.batch.loans.remove(at);
            self.things_lent.remove(at);
        }
    }
}
