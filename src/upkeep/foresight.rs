//! What the drift model says of the club's own shelf: learned once, kept in
//! mind, and brought up to date pool by pool as entries come in.
//!
//! Set limits are never touched here: what is due by them stays due.

use std::sync::Arc;

use super::drift::chain::Chain;
use super::drift::fit::Learnt;
use super::drift::from_history::day_of;
use super::drift::plan::Need;
pub use super::foreseer::Foreseer;
use super::foreseer::{Days, Outlooks};
use super::limits::{self, Limits};
use super::recall::{Known, Marked};
use super::record::{self, Record};
use super::rules::DueCode;
use super::shelf::{Fleet, Member};
use library::club::Club;
use library::waits::WantsItFor;
use library::{InstrumentId, Moment};

/// One instrument as the model and the plain rules both see it.
#[derive(Debug, Clone)]
pub struct Entered {
    /// Which.
    pub id: InstrumentId,
    /// Its tag.
    pub tag: String,
    /// Its logbook.
    pub known: Arc<Known>,
    marked: Arc<Marked>,
    /// Limits in force.
    pub limits: Limits,
    /// Clear aperture, mm.
    pub aperture_mm: f64,
}

impl Entered {
    /// Its chain.
    pub fn chain(&self) -> &Chain {
        &self.marked.chain
    }

    /// The fingerprint of its chain.
    pub fn fingerprint(&self) -> u64 {
        self.marked.fingerprint
    }
}

/// What is foreseen for a fleet.
#[derive(Debug, Clone)]
pub struct Foresight {
    /// What was learned.
    pub learned: Arc<Learnt>,
    /// Of each instrument asked about that takes a star test.
    pub outlooks: Outlooks,
    /// How well it would have foretold the club's own past.
    pub record: Arc<Record>,
    /// Whether that record is being made anew and this one is behind.
    pub record_is_behind: bool,
    /// Today, in the days of the chains.
    pub today: f64,
}

/// What is asked of the model.
#[derive(Debug, Clone, Copy, Default)]
pub struct Question {
    /// A later moment to look ahead to.
    pub coming: Option<Moment>,
    /// The one instrument asked about; all without it.
    pub only: Option<InstrumentId>,
    /// Whether the record must know the newest looks.
    pub newest_record: bool,
}

impl Foresight {
    /// Works it out, away from the threads that answer requests. Hold no
    /// connection meanwhile: it may take its turn behind others.
    ///
    /// # Errors
    /// Only when the runtime is shutting down.
    pub async fn of(
        foreseer: &Foreseer,
        fleet: &Fleet,
        question: Question,
    ) -> Result<Self, library::Error> {
        let entered: Arc<[Entered]> = entered(fleet).into();
        // The day counts whole: what came in within it is known, and two lists of one
        // day agree.
        let days = Days {
            today: day_of(fleet.now()).floor() + 1.0,
            coming: question.coming.map(day_of),
        };
        let key = key_of(&entered, days);
        let told = foreseer.told(key);
        let turn = match &told {
            Some(_) => None,
            None => {
                let turn = foreseer.turn.clone().acquire_owned().await;
                Some(turn.map_err(|_| shutting_down())?)
            }
        };
        let foreseer = foreseer.clone();
        let work_out = move || {
            // It may have been worked out while this waited for its turn.
            let (learned, outlooks) = told
                .or_else(|| foreseer.told(key))
                .unwrap_or_else(|| foreseer.work_out(&entered, key, days, question.only));
            drop(turn);
            let (record, record_is_behind) =
                foreseer.record(&entered, question.newest_record, question.only.is_some());
            Self {
                learned,
                outlooks,
                record,
                record_is_behind,
                today: days.today,
            }
        };
        tokio::task::spawn_blocking(work_out)
            .await
            .map_err(|_| shutting_down())
    }

    /// Whether lists may go by the chances: they foretold the club's own past
    /// better than the plain rules did.
    pub fn is_trusted(&self) -> bool {
        self.record.verdict.is_some_and(|v| v.trusted)
    }
}

/// Everything that what is foreseen of a fleet rests on, as a number that
/// differs, as good as surely, when any of it does.
fn key_of(entered: &[Entered], days: Days) -> u64 {
    use std::hash::{DefaultHasher, Hash, Hasher};
    let mut hasher = DefaultHasher::new();
    record::key_of(entered).hash(&mut hasher);
    days.today.to_bits().hash(&mut hasher);
    days.coming.map(f64::to_bits).hash(&mut hasher);
    for e in entered {
        e.id.hash(&mut hasher);
        e.fingerprint().hash(&mut hasher);
        e.aperture_mm.to_bits().hash(&mut hasher);
    }
    hasher.finish()
}

fn shutting_down() -> library::Error {
    library::Error::Refused("The tool is shutting down.".to_owned())
}

fn entered(fleet: &Fleet) -> Vec<Entered> {
    fleet
        .members
        .iter()
        .filter_map(|m| {
            Some(Entered {
                id: m.instrument.id,
                tag: m.instrument.tag.clone(),
                marked: m.known.chain()?,
                known: m.known.clone(),
                limits: limits::in_force(m.instrument.design, m.instrument.id, &fleet.sets),
                aperture_mm: m.instrument.aperture_mm,
            })
        })
        .collect()
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
        DueCode::Problem | DueCode::Knock => 0.9,
        DueCode::Ahead => 0.2,
        _ => 0.0,
    }
}

/// Chance that something is wrong: out of line, or what the other reasons say.
/// `chance_out` is none for what takes no star test; then its reasons stand for
/// one chance in three.
pub fn chance_of_trouble(chance_out: Option<f64>, codes: impl Iterator<Item = DueCode>) -> f64 {
    let other = codes.map(trouble_of).fold(0.0, f64::max);
    let out = chance_out.unwrap_or(1.0 / 3.0);
    1.0 - (1.0 - out) * (1.0 - other)
}
