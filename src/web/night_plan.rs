//! What a work night is best used for: the set of instruments that lowers the
//! fleet's expected loss most within the hours and pairs of hands there.

use std::collections::HashMap;

use super::page::RequestContext;
use super::{Error, show};
use crate::library::InstrumentId;
use crate::library::instruments::Design;
use crate::library::work_nights::WorkNight;
use crate::upkeep::drift::plan::{self as planning, press};
use crate::upkeep::due_list::{due_days, next_loan, trouble_of};
use crate::upkeep::shelf::Fleet;

/// Hours that an instrument takes at the bench when nobody has told: common
/// practice, no source. Used only to suggest how many to take on.
pub const HOURS_EACH: f64 = 1.0;

/// The best use of a night's hours and hands.
pub struct Advice {
    /// Whether the chances may decide what is ticked.
    pub trusted: bool,
    /// Tags of the set.
    pub tags: Vec<String>,
    /// For each pair of hands, in words.
    pub hands: Vec<String>,
    /// What the set lowers the expected loss by, of what all that is worth a
    /// place would; in words.
    pub gain: String,
}

/// Plans what is left of a night once what stands on its list is seen to: of
/// what is at home, or due back before, the set that lowers the fleet's expected
/// loss most.
pub async fn advise(
    context: &RequestContext,
    night: &WorkNight,
    assigned: &HashMap<InstrumentId, bool>,
) -> Result<Advice, Error> {
    let snapshot = context.snapshot().await?;
    let fleet = &snapshot.fleet;
    let minutes = bench_minutes(fleet);
    let left = night.hours
        - assigned.values().filter(|done| !**done).count() as f64 * HOURS_EACH
            / night.hands.max(1) as f64;
    let mut jobs = Vec::new();
    let mut named = Vec::new();
    for member in &fleet.members {
        let i = &member.instrument;
        let is_away = member.back_by.is_some_and(|due_on| due_on >= night.held_on);
        if assigned.contains_key(&i.id) || is_away {
            continue;
        }
        let assessment = fleet.judge(member, context.now());
        let other = assessment
            .due
            .iter()
            .flat_map(|d| &d.reasons)
            .map(|r| trouble_of(r.code))
            .fold(0.0, f64::max);
        let saved = snapshot.forecast(i.id).map_or(0.0, |o| {
            (o.sharp.expected_loss - o.sharp.loss_after_bench).max(0.0)
        });
        let (need, person_days) = next_loan(member, context.club(), context.now());
        let waited = planning::Waited {
            person_days: person_days as f64,
            due_days: due_days(&assessment, context.club(), context.now()) as f64,
        };
        // A problem weighs as much as losing a third of the magnification.
        let gain = press(saved + other / 3.0, need, waited);
        if gain < LEAST_GAIN {
            continue;
        }
        jobs.push(planning::Job {
            gain,
            minutes: minutes(i.design),
        });
        named.push(i.tag.clone());
    }
    let plan = planning::plan(&jobs, left.max(0.0), night.hands.max(1) as usize);
    let hands = plan.hands.iter().map(|own| {
        let told: Vec<String> = own
            .iter()
            .map(|j| format!("{} ({} min)", named[*j], show::trimmed(jobs[*j].minutes, 0)))
            .collect();
        told.join(", then ")
    });
    let all: f64 = jobs.iter().map(|j| j.gain).sum();
    let taken: usize = plan.hands.iter().map(Vec::len).sum();
    Ok(Advice {
        gain: if all > 0.0 {
            format!(
                "It takes in {taken} of the {} that are worth a place, and {} % of what all of them together would lower the loss by.",
                jobs.len(),
                show::trimmed(100.0 * plan.gain / all, 0)
            )
        } else {
            String::new()
        },
        trusted: snapshot.is_trusted(),
        hands: hands.collect(),
        tags: plan
            .hands
            .iter()
            .flatten()
            .map(|j| named[*j].clone())
            .collect(),
    })
}

/// Less than this is not worth a place at the bench.
const LEAST_GAIN: f64 = 0.03;

/// How long each design takes at the bench: the middle of what the logbooks say
/// of it, or of all, or an hour.
fn bench_minutes(fleet: &Fleet) -> impl Fn(Design) -> f64 {
    let mut told: HashMap<Option<Design>, Vec<f64>> = HashMap::new();
    for member in &fleet.members {
        for work in &member.book.history.works {
            if let Some(minutes) = work.what.minutes.filter(|m| *m > 0) {
                for whose in [None, Some(member.instrument.design)] {
                    told.entry(whose).or_default().push(minutes as f64);
                }
            }
        }
    }
    let middles: HashMap<Option<Design>, f64> = told
        .into_iter()
        .filter(|(_, all)| all.len() >= 3)
        .map(|(whose, mut all)| {
            all.sort_by(f64::total_cmp);
            (whose, all[all.len() / 2])
        })
        .collect();
    move |design| {
        let own = middles.get(&Some(design)).or(middles.get(&None));
        own.copied().unwrap_or(HOURS_EACH * 60.0)
    }
}
