//! What would be kept of lists: what is new, what is there already, what must be
//! decided, and what is wrong, cell by cell. Nothing is written here.

mod instruments;
mod kit;
mod loans;
mod log;
mod nouns;
mod people;
mod things;
mod values;
pub mod words;

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::NaiveDate;
use library::club::Club;
use library::intake::{Batch, Known};
use library::things::Sort;
use library::{InstrumentId, Moment};
use serde::{Deserialize, Serialize};

use super::cells::{Sheet, cell_name};
use super::dates::{self, Habit, Told};
use super::fields::{self, Field, Kind};

/// What was chosen of one sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SheetChoice {
    /// What it lists.
    pub kind: Kind,
    /// The row of headings, from 0.
    pub header: usize,
    /// What each column tells.
    pub columns: Vec<Option<Field>>,
    /// Whether an empty tag or name repeats the one above.
    pub repeats: bool,
}

/// All that was chosen.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Choices {
    /// Of each sheet.
    pub sheets: Vec<SheetChoice>,
    /// Answers to questions, by their keys.
    pub answers: BTreeMap<String, String>,
    /// Whether rows that are wrong are left out, rather than nothing being kept.
    pub leave_out: bool,
}

impl Choices {
    /// The guesses, before anybody has chosen.
    pub fn guessed(sheets: &[Sheet]) -> Self {
        let guess = |sheet: &Sheet| {
            let (kind, header, columns) = fields::guess(sheet);
            let choice = SheetChoice {
                repeats: repeats(sheet, kind, header, &columns),
                kind,
                header,
                columns,
            };
            let is_of_things =
                kind == Kind::Instruments && things::lists_things(lines(sheet, &choice, 0));
            match is_of_things {
                false => choice,
                true => SheetChoice {
                    kind: Kind::Things,
                    columns: fields::columns(sheet, header, Kind::Things).0,
                    ..choice
                },
            }
        };
        Self {
            sheets: sheets.iter().map(guess).collect(),
            ..Self::default()
        }
    }
}

/// Whether a kit list names its tag only at the head of each group.
pub fn repeats(sheet: &Sheet, kind: Kind, header: usize, columns: &[Option<Field>]) -> bool {
    let (Kind::Kit, Some(tag)) = (kind, columns.iter().position(|c| *c == Some(Field::Tag))) else {
        return false;
    };
    let rows = sheet.rows.iter().skip(header + 1);
    let filled = rows.filter(|r| r.iter().any(|c| !c.is_empty()));
    let (mut with, mut without) = (0, 0);
    for row in filled {
        match row.get(tag).is_some_and(|c| !c.is_empty()) {
            true => with += 1,
            false => without += 1,
        }
    }
    with > 0 && without > with / 2
}

/// Something that a person must decide.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// Its key among the answers.
    pub key: String,
    /// What is asked.
    pub words: String,
    /// The first cells it is asked for.
    pub places: Vec<String>,
    /// How many cells it is asked for.
    pub count: usize,
    /// What can be answered: value and words.
    pub options: Vec<(String, String)>,
    /// The answer chosen beforehand.
    pub suggested: Option<String>,
    /// The answer given.
    pub answer: Option<String>,
}

/// A cell that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The file and sheet.
    pub sheet: String,
    /// The cell, like C7.
    pub cell: String,
    /// What is the matter and what to do.
    pub words: String,
}

/// What becomes of a kind's rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Count {
    /// Would be added.
    pub added: usize,
    /// Are there already.
    pub known: usize,
    /// Are wrong.
    pub faulty: usize,
    /// Wait for an answer.
    pub waiting: usize,
}

/// What would be kept.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// What must be decided.
    pub questions: Vec<Question>,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// What becomes of the rows, kind by kind.
    pub counts: BTreeMap<Kind, Count>,
    /// What is worth knowing.
    pub notes: BTreeSet<String>,
    /// What would be added.
    pub batch: Batch,
}

impl Plan {
    /// Whether it can be kept as it is.
    pub fn is_ready(&self, choices: &Choices) -> bool {
        self.questions.iter().all(|q| q.answer.is_some())
            && (self.faults.is_empty() || choices.leave_out)
            && !self.batch.is_empty()
    }

    /// What would be added, in words: "3 people, 12 loans".
    pub fn added_words(&self) -> String {
        let words: Vec<String> = self
            .counts
            .iter()
            .filter(|(_, count)| count.added > 0)
            .map(|(kind, count)| {
                let (one, many) = match kind {
                    Kind::People => ("person", "people"),
                    Kind::Instruments => ("instrument", "instruments"),
                    Kind::Things => ("thing", "things"),
                    Kind::Kit => ("kit part", "kit parts"),
                    Kind::Loans => ("loan", "loans"),
                    Kind::Journeys => ("journey", "journeys"),
                    Kind::StarTests => ("star test", "star tests"),
                    Kind::Nothing => ("row", "rows"),
                };
                format!(
                    "{} {}",
                    count.added,
                    if count.added == 1 { one } else { many }
                )
            })
            .collect();
        if words.is_empty() {
            "nothing new".to_owned()
        } else {
            words.join(", ")
        }
    }
}

/// Plans what would be kept of these sheets.
pub fn plan(sheets: &[Sheet], choices: &Choices, known: &Known, club: &Club, now: Moment) -> Plan {
    let mut planner = Planner {
        sheets,
        choices,
        known,
        club,
        now,
        today: club.date(now),
        plan: Plan::default(),
        asked: HashMap::new(),
        settled: HashMap::new(),
        people: people::Directory::of(known),
        things: things::Register::of(known),
        lent: loans::Lent::of(known, club),
        things_lent: Vec::new(),
        logged: log::Logged::of(known, club),
    };
    for kind in Kind::ALL {
        for at in 0..sheets.len() {
            if choices.sheets.get(at).is_some_and(|c| c.kind == *kind) {
                planner.sheet(at);
            }
        }
        planner.settle(*kind);
    }
    planner.plan
}

/// A row could not be taken: it was noted why, or it waits for an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum NotTaken {
    Faulty,
    Waiting,
}

/// What a row came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Row {
    Added,
    Known,
}

type Taken<T> = Result<T, NotTaken>;

/// How bare numbers and doubtful days of a sheet's columns are to be read.
#[derive(Default)]
struct Settled {
    habits: HashMap<usize, Option<Habit>>,
    units: HashMap<usize, Option<f64>>,
}

struct Planner<'a> {
    sheets: &'a [Sheet],
    choices: &'a Choices,
    known: &'a Known,
    club: &'a Club,
    now: Moment,
    today: NaiveDate,
    plan: Plan,
    /// Where each question stands.
    asked: HashMap<String, usize>,
    settled: HashMap<usize, Settled>,
    people: people::Directory,
    things: things::Register,
    lent: loans::Lent,
    /// Where each brought loan stands in the lists.
    things_lent: Vec<loans::Stands>,
    logged: log::Logged,
}

/// One row of a sheet, with what its columns tell.
#[derive(Clone, Copy)]
struct Line<'a> {
    sheet: &'a Sheet,
    choice: &'a SheetChoice,
    /// The sheet's place in the upload.
    at: usize,
    row: usize,
}

/// The rows below a sheet's headings that tell something.
fn lines<'a>(
    sheet: &'a Sheet,
    choice: &'a SheetChoice,
    at: usize,
) -> impl Iterator<Item = Line<'a>> {
    (choice.header + 1..sheet.rows.len())
        .map(move |row| Line {
            sheet,
            choice,
            at,
            row,
        })
        .filter(|line| !line.is_empty())
}

impl<'a> Planner<'a> {
    fn sheet(&mut self, at: usize) {
        let (sheets, choices) = (self.sheets, self.choices);
        let (sheet, choice) = (&sheets[at], &choices.sheets[at]);
        let kind = choice.kind;
        if kind == Kind::Nothing {
            return;
        }
        for group in kind.needs() {
            if !group.iter().any(|f| choice.columns.contains(&Some(*f))) {
                let names: Vec<_> = group.iter().map(|f| f.label()).collect();
                self.plan.faults.push(Fault {
                    sheet: sheet.words(),
                    cell: cell_name(choice.header, 0),
                    words: format!(
                        "No column is chosen for the {}. Choose it under Columns.",
                        names.join(" or ")
                    ),
                });
                return;
            }
        }
        self.settle_columns(at);
        for line in lines(sheet, choice, at) {
            let (kind, done) = match kind {
                Kind::People => (kind, self.person(line)),
                // A list of both is split, row by row.
                Kind::Instruments | Kind::Things => {
                    let (kind, done) = self.registered(line);
                    if let Err(why) = done {
                        self.things.miss(&line.text(Field::Tag), why);
                    }
                    (kind, done)
                }
                Kind::Kit => (kind, self.part(line)),
                Kind::Loans => (kind, self.loan(line)),
                Kind::Journeys => (kind, self.journey(line)),
                Kind::StarTests => (kind, self.star_test(line)),
                Kind::Nothing => return,
            };
            let count = self.plan.counts.entry(kind).or_default();
            match done {
                Ok(Row::Added) => count.added += 1,
                Ok(Row::Known) => count.known += 1,
                Err(NotTaken::Faulty) => count.faulty += 1,
                Err(NotTaken::Waiting) => count.waiting += 1,
            }
        }
    }

    /// After all sheets of a kind: what only shows when all rows are there.
    fn settle(&mut self, kind: Kind) {
        if kind == Kind::Loans {
            self.settle_loans();
        }
    }

    /// Notes what is wrong with a cell.
    fn fault<T>(&mut self, line: Line<'_>, field: Field, words: impl Into<String>) -> Taken<T> {
        let column = line.column(field).unwrap_or(0);
        self.plan.faults.push(Fault {
            sheet: line.sheet.words(),
            cell: cell_name(line.row, column),
            words: words.into(),
        });
        Err(NotTaken::Faulty)
    }

    /// The answer to a question, or what is suggested; `None` where it waits for one.
    fn ask(
        &mut self,
        key: String,
        words: impl FnOnce() -> String,
        place: String,
        options: impl FnOnce() -> Vec<(String, String)>,
        suggested: Option<String>,
    ) -> Option<String> {
        let at = match self.asked.get(&key) {
            Some(&at) => at,
            None => {
                let options = options();
                let offered = |a: &String| options.iter().any(|(value, _)| value == a);
                let answer = self.choices.answers.get(&key).cloned().filter(offered);
                self.asked.insert(key.clone(), self.plan.questions.len());
                self.plan.questions.push(Question {
                    key,
                    words: words(),
                    places: Vec::new(),
                    count: 0,
                    options,
                    suggested,
                    answer,
                });
                self.plan.questions.len() - 1
            }
        };
        let question = &mut self.plan.questions[at];
        question.count += 1;
        if question.places.len() < 4 {
            question.places.push(place);
        }
        question
            .answer
            .clone()
            .or_else(|| question.suggested.clone())
    }

    /// Settles how a sheet's days and bare numbers are read, asking where it is open.
    fn settle_columns(&mut self, at: usize) {
        let (sheets, choices) = (self.sheets, self.choices);
        let (sheet, choice) = (&sheets[at], &choices.sheets[at]);
        let mut settled = Settled::default();
        let days: Vec<(usize, Field, Told)> = choice
            .columns
            .iter()
            .enumerate()
            .filter_map(|(column, field)| {
                let field = (*field)?;
                if !values::is_day(field) {
                    return None;
                }
                let rows = choice.header + 1..sheet.rows.len();
                let told = dates::told(rows.map(|row| dates::read(sheet.cell(row, column))));
                Some((column, field, told))
            })
            .collect();
        let sure: HashSet<&str> = days
            .iter()
            .filter_map(|(_, _, told)| match told {
                Told::Plainly(habit) => Some(habit.slug()),
                _ => None,
            })
            .collect();
        let suggested = match sure.len() {
            1 => sure.iter().next().map(|s| (*s).to_owned()),
            _ => None,
        };
        for (column, field, told) in days {
            let habit = match told {
                Told::NoMatter => None,
                Told::Plainly(habit) => Some(habit),
                Told::Open | Told::Mixed => {
                    self.ask_habit(at, column, field, told, suggested.clone())
                }
            };
            settled.habits.insert(column, habit);
        }
        for (column, field) in choice.columns.iter().enumerate() {
            if let Some(quantity) = field.and_then(values::quantity) {
                let unit = self.bare_unit(at, column, *field, quantity);
                settled.units.insert(column, unit);
            }
        }
        self.settled.insert(at, settled);
    }

    fn ask_habit(
        &mut self,
        at: usize,
        column: usize,
        field: Field,
        told: Told,
        suggested: Option<String>,
    ) -> Option<Habit> {
        let sheets = self.sheets;
        let sheet = &sheets[at];
        let header = self.choices.sheets[at].header;
        let row = (header + 1..sheet.rows.len()).find(|row| {
            matches!(
                dates::read(sheet.cell(*row, column)),
                dates::Reading::Either { .. }
            )
        })?;
        let reading = dates::read(sheet.cell(row, column));
        let written = sheet.cell(row, column).text();
        let say = |habit| {
            reading
                .by(Some(habit))
                .map(library::day)
                .unwrap_or_default()
        };
        let options = vec![
            (
                Habit::DayFirst.slug().to_owned(),
                format!("{}: the day stands first", say(Habit::DayFirst)),
            ),
            (
                Habit::MonthFirst.slug().to_owned(),
                format!("{}: the month stands first", say(Habit::MonthFirst)),
            ),
        ];
        let also = match told {
            Told::Mixed => {
                " This column has days written both ways; the ones that can be read one way only are read that way."
            }
            _ => "",
        };
        let words = format!(
            "Which day is {written} in the column of \u{201c}{}\u{201d} ({})?{also}",
            field.label(),
            sheet.words()
        );
        let answer = self.ask(
            format!("date:{at}:{column}"),
            || words,
            cell_name(row, column),
            || options,
            suggested,
        )?;
        Habit::of(&answer)
    }

    /// The instrument that a cell names, of which alone a sheet like this tells.
    fn instrument_of(&mut self, line: Line<'_>) -> Taken<InstrumentId> {
        let id = self.thing_of(line)?;
        match self.things.thing(id).map(|thing| (&thing.tag, thing.sort)) {
            Some((tag, Sort::Kind(_))) => {
                let words = format!(
                    "{tag} is no instrument, and {} are of instruments only. Correct the tag, or take the row out.",
                    line.choice.kind
                );
                self.fault(line, Field::Tag, words)
            }
            _ => Ok(id),
        }
    }

    /// What bears the tag in a cell: there already, or brought with these lists.
    fn thing_of(&mut self, line: Line<'_>) -> Taken<InstrumentId> {
        let written = line.text(Field::Tag);
        if written.is_empty() {
            return self.fault(line, Field::Tag, "No tag stands here. Write it.");
        }
        match self.things.find(&written) {
            Some(id) => Ok(id),
            // Its own row says what is the matter.
            None if let Some(why) = self.things.not_taken(&written) => Err(why),
            None => {
                let words = format!(
                    "Nothing has the tag {written}. Correct it, or bring what bears it with these lists."
                );
                self.fault(line, Field::Tag, words)
            }
        }
    }

    /// A moment on a day of the club's, never later than now.
    fn moment(&self, day: NaiveDate, hour: u32) -> Moment {
        let local = day
            .and_hms_opt(hour, 0, 0)
            .and_then(|t| t.and_local_timezone(self.club.tz()).earliest());
        local.map_or(self.now, |t| t.to_utc()).min(self.now)
    }

    /// Whose name a note tells.
    fn note(&mut self, line: Line<'_>) -> String {
        let mut words = line.text(Field::Note);
        let by = super::names::shown(&line.text(Field::By));
        if !by.is_empty() {
            words = format!("{words} By {by}.").trim().to_owned();
        }
        words.chars().take(2000).collect()
    }
}
